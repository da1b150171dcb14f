"""Findings about clocks: what the crew's comparisons, shared signals and the stamps themselves say against them.

Here:     one finding a stretch of time in which an instrument's clock was wrong, with the shift that mends it; changes
          of daylight saving in clocks that nobody compared.
Not here: the estimate of offset and drift (`calibration.clocks`), lags (`clock_signals`), clocks that lost their time
          (`clock_resets`), applying a shift (`clockwork`).
Rules:    a shift is proposed with its evidence, never applied; its uncertainty goes with it. Shared signals stand
          beside comparisons as a line of their own; they propose a shift only where nobody compared the clock.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np

from reeftally.analysis.clock_resets import reset_findings
from reeftally.analysis.clock_signals import SharedLag, light_says, shared_lag_of
from reeftally.analysis.clockwork import DAY_NS
from reeftally.analysis.context import Context
from reeftally.analysis.estimates import iso
from reeftally.analysis.finding import DOUBTFUL, SERIOUS, Finding, stretch
from reeftally.analysis.grid import NS
from reeftally.calibration.clocks import ClockSegment, clock_segments, locate_jump
from reeftally.calibration.lags import stamp_position
from reeftally.calibration.stamps import daylight_saving_steps
from reeftally.mission import ClockShift, to_ns

__all__ = ["clock_findings"]

# A lag of signals alone is believed from this size and this many standard uncertainties on; heights and places of
# two sensors can shift what they see by some seconds (common practice, no source).
LEAST_LAG_S, LEAST_Z = 30.0, 5.0
# A stretch of this length is compared: a day of a slow record, twenty minutes of a fast one.
SLOW_NS, FAST_NS = 86_400 * NS, 1200 * NS
FAST_HZ = 2.0
MOST_NEIGHBOURS = 4
# The stamps of shorter averages cannot be told apart by slow signals.
LEAST_AVERAGE_S = 60.0


def clock_findings(context: Context, *, signals: bool = True) -> list[Finding]:
    """Return what is wrong with clocks.

    Parameters
    ----------
    signals : bool
        Whether to read records for signals that instruments shared, which takes a few seconds an instrument; without
        it findings rest on comparisons and stamps alone.
    """
    limit = context.earliest_ns
    rows = [row for row in context.tables.clock_checks if row.instrument_time_ns >= limit]
    found: list[tuple[Finding, ClockSegment]] = []
    for label in sorted({row.instrument for row in rows}):
        own = [row for row in rows if row.instrument == label]
        true = np.array([row.time_ns for row in own], dtype=np.float64) / NS
        stamp = np.array([row.instrument_time_ns for row in own], dtype=np.float64) / NS
        sd = np.array([max(row.sd_s, 0.05) for row in own])
        segments = clock_segments(true_time=true, stamp=stamp, sd=sd)
        starts = _located(context, label, segments)
        for number, segment in enumerate(segments):
            if segment.cause == "none":
                continue
            begin = starts[number]
            end = starts[number + 1] if number + 1 < len(segments) else None
            found.append((_clock_finding(context, label, number, segment, begin, end), segment))
    # A clock whose error was accepted is right again as far as records are read.
    doubted = {finding.subject for finding, _ in found} - context.clocks.keys()
    trusted = [
        item.label
        for item in context.book.instruments
        if context.has(item.label) and context.book.clock_of(item.label) not in doubted
    ]
    compared = {row.instrument for row in rows}
    alone = [
        item.label
        for item in context.book.instruments
        if context.has(item.label) and context.book.clock_of(item.label) not in compared
    ]
    out = [_with_signals(context, finding, segment, trusted) if signals else finding for finding, segment in found]
    for label in alone:
        steps = list(_daylight_saving(context, label))
        out += steps
        if signals and not steps:
            neighbours = [name for name in trusted if context.book.clock_of(name) in compared]
            out += list(_by_signals(context, label, neighbours))
    if signals:
        for label in trusted:
            out += list(_stamp_position(context, label, trusted))
    out += list(reset_findings(context, trusted if signals else [], trusted))
    return out


def _span(context: Context, label: str, begin: int | None, end: int | None) -> tuple[int, int]:
    """Return the part of the record that a stretch of stamps covers. [ns]"""
    info = context.store.streams()[label]
    low = max(info.first_ns, context.earliest_ns, begin if begin is not None else -(2**62))
    return low, min(info.last_ns, end if end is not None else 2**62)


def _windows(context: Context, label: str, low: int, high: int) -> list[tuple[int, int]]:
    """Return what to compare: the whole of a short record, the middle day of a slow one, both ends of a fast one."""
    interval = float(context.book.instrument(label).sample_interval_s)
    if 1.0 / interval > FAST_HZ:
        if high - low < 3 * FAST_NS:
            return [(low, high)]
        edge = (high - low) // 20
        return [(low + edge, low + edge + FAST_NS), (high - edge - FAST_NS, high - edge)]
    if label in _carried(context):
        # What it saw between dives is what its neighbours saw: the longest stretch without a gap.
        times = context.store.read(label, start_ns=low, end_ns=high + 1, channels=[], snapshot=context.snapshot)["time"]
        cuts = np.flatnonzero(np.diff(times) > 60.0 * interval * NS) + 1
        pieces = [piece for piece in np.split(times, cuts) if piece.size]
        if pieces:
            longest = max(pieces, key=lambda piece: int(piece[-1] - piece[0]))
            low, high = int(longest[0]), int(longest[-1])
    middle = (low + high) // 2
    return [(max(low, middle - SLOW_NS // 2), min(high, middle + SLOW_NS // 2))]


def _carried(context: Context) -> set[str]:
    """Return instruments that are carried, which see something only now and then."""
    roles = {station.name: station.role for station in context.book.stations}
    return {row.instrument for row in context.book.deployments if roles.get(row.station) == "carried"}


def _near(context: Context, label: str, neighbours: list[str]) -> list[str]:
    """Return the neighbours that may have seen the same, most alike in sampling first."""
    own = context.book.instrument(label)
    channels = set(context.store.streams()[label].channels)

    def shares(name: str) -> bool:
        theirs = set(context.store.streams()[name].channels)
        currents = [any(c.startswith("velocity_x") for c in group) for group in (channels, theirs)]
        return bool(channels & theirs & {"temperature", "pressure", "absolute_pressure", "par"}) or all(currents)

    away = {
        name: abs(np.log(context.book.instrument(name).sample_interval_s / own.sample_interval_s))
        for name in neighbours
    }
    return sorted((name for name in neighbours if name != label and shares(name)), key=lambda n: (away[n], n))[
        :MOST_NEIGHBOURS
    ]


def _lags(
    context: Context, label: str, neighbours: list[str], low: int, high: int, expected_s: float
) -> list[tuple[int, SharedLag]]:
    """Return the lags of shared signals in the windows of a stretch of stamps, with the middle of each window."""
    out = []
    for first, last in _windows(context, label, low, high):
        # A slow signal has a broad top, which a narrow search would take for no top at all.
        interval = float(context.book.instrument(label).sample_interval_s)
        least = 120.0 if last - first <= 3 * FAST_NS else max(1800.0, 12.0 * interval)
        largest = min(max(least, 1.25 * abs(expected_s)), 0.4 * (last - first) / NS)
        found = shared_lag_of(
            context, label, _near(context, label, neighbours), first, last, largest_s=largest, shift_ns=0
        )
        if found is not None:
            out.append(((first + last) // 2, found))
    return out


def _with_signals(context: Context, finding: Finding, segment: ClockSegment, trusted: list[str]) -> Finding:
    """Return a finding with what shared signals and the sun say, as lines of evidence of their own."""
    label = finding.subject
    if not context.has(label):
        return finding
    low, high = _span(context, label, finding.start_ns, finding.end_ns)
    said = []
    lags = _lags(context, label, trusted, low, high, segment.seconds)
    said += [f"{lag.text()} about {iso(at)[:16]}" for at, lag in lags]
    if len(lags) == 2:
        (first, one), (last, two) = lags
        days = (last - first) / DAY_NS
        slope = (two.seconds - one.seconds) / days
        sd = float(np.hypot(one.sd, two.sd)) / days
        said.append(f"the signals drift apart by {slope:+.3f} s a day ({sd:.3f})")
    light = light_says(context, label, low, high)
    if light is not None:
        said.append(light.evidence)
    if not said:
        return finding
    details = {
        **finding.details,
        "signals": [
            {
                "at": iso(at),
                "neighbours": list(lag.neighbours),
                "signal": lag.signal,
                "seconds": lag.seconds,
                "sd": lag.sd,
            }
            for at, lag in lags
        ],
    }
    return replace(finding, evidence="; ".join([finding.evidence, *said]), details=details)


def _by_signals(context: Context, label: str, neighbours: list[str]) -> Iterator[Finding]:
    """Yield a clock error that shared signals or the sun show where nobody compared the clock."""
    low, high = _span(context, label, None, None)
    zones = 14 * 3600.0
    said: list[str] = []
    seconds, sd = 0.0, float("inf")
    light = light_says(context, label, low, high)
    if light is not None and light.cause == "zone":
        said.append(light.evidence)
        seconds, sd = 1800.0 * round(light.seconds / 1800.0), max(light.sd, 60.0)
    lags = _lags(context, label, neighbours, low, high, max(3600.0, abs(seconds), min(zones, 0.3 * (high - low) / NS)))
    if lags:
        best = min((lag for _, lag in lags), key=lambda item: item.sd)
        if abs(best.seconds) < max(LEAST_LAG_S, LEAST_Z * best.sd):
            return
        said.append(best.text())
        seconds, sd = best.seconds, best.sd
    if not said:
        return
    halves = round(seconds / 1800.0)
    zone = halves != 0 and abs(seconds - 1800.0 * halves) < max(60.0, 3.0 * sd)
    word = "a zone or daylight-saving change" if zone else "its clock is off"
    yield Finding(
        id=f"clock-{label}-signal",
        severity=SERIOUS,
        subject=label,
        what=f"{label}: its stamps are {seconds:+.1f} s from its neighbours' ({word}); nobody compared its clock.",
        evidence="; ".join(said),
        proposal=f"add {-seconds:+.2f} s (± {1.96 * sd:.2f} s, 95 %) to its stamps",
        correction=ClockShift(
            instrument=label, start=None, end=None, seconds=round(-seconds, 3), sd_s=round(sd, 3)
        ).model_dump(mode="json"),
    )


def _stamp_position(context: Context, label: str, trusted: list[str]) -> Iterator[Finding]:
    """Yield averages whose stamps name another part of their interval than the layout declares, by a shared signal."""
    layout = context.layouts.get(context.book.instrument(label).layout)
    if layout is None or layout.time.stamp == "instant" or (layout.time.averaging_s or 0.0) < LEAST_AVERAGE_S:
        return
    low, high = _span(context, label, None, None)
    # Against instruments sampled at instants: the stamps of another average may be declared wrongly too.
    others = [name for name in trusted if name != label and context.layouts.get(context.book.instrument(name).layout)]
    instants = [n for n in others if context.layouts[context.book.instrument(n).layout].time.stamp == "instant"]
    for _, lag in _lags(context, label, instants, low, high, 0.0):
        averaging = float(layout.time.averaging_s or 0.0)
        # Averages bend with the signal: a lag of theirs is no better than some hundredths of the interval.
        said = stamp_position(lag=lag.seconds, lag_sd=max(lag.sd, 0.02 * averaging), averaging=averaging)
        if said.position in ("unclear", layout.time.stamp):
            continue
        yield Finding(
            id=f"stamp-{label}",
            severity=DOUBTFUL,
            subject=label,
            what=f"{label}: its stamps seem to name the {said.position} of their averages; layout {layout.name} says "
            f"{layout.time.stamp}.",
            evidence=f"{said.evidence}; {lag.text()}",
            proposal=f'write stamp = "{said.position}" in layouts/{layout.name}.toml if that is right, then run '
            "`reeftally intake DIR --rebuild`",
        )
        return


def _daylight_saving(context: Context, label: str) -> Iterator[Finding]:
    """Yield jumps of an hour on a date on which clocks change, in the stamps of a clock that nobody compared."""
    interval = float(context.book.instrument(label).sample_interval_s)
    jumps: set[tuple[int, int]] = set()
    for record in context.store.raw_records().values():
        memory = record.get("memory") or {}
        if record.get("stream") == label:
            jumps.update((int(a), int(b)) for a, b in [*memory.get("gaps", []), *memory.get("backs", [])])
    for before, after in sorted(jumps):
        for step in daylight_saving_steps(stamps=[before / NS, after / NS], interval=interval):
            forward = step.jump > 0
            missing = "an hour is missing" if forward else "an hour stands twice"
            shift = ClockShift(instrument=label, start=stretch(after), end=None, seconds=-3600.0, sd_s=1.0)
            yield Finding(
                id=f"clock-{label}-{iso(after)[:16].replace(':', '')}",
                severity=SERIOUS if not forward else DOUBTFUL,
                subject=label,
                what=f"{label}: {missing} at the stamp {iso(after)}: a change of daylight saving?",
                evidence=step.evidence,
                proposal="add -3600 s to its stamps from there, if the clock was changed and the record has no gap"
                if forward
                else "state the zone of the computer's clock in the layout, so that the file's order tells the hours "
                "apart, and run `reeftally intake DIR --rebuild`; the hour that stands twice is mixed until then",
                correction=shift.model_dump(mode="json") if forward else None,
                start_ns=after,
            )


def _located(context: Context, label: str, segments: list[ClockSegment]) -> list[int | None]:
    """Return the first stamp of each segment: from the record where the jump shows, else from the comparisons."""
    starts: list[int | None] = [None]
    for before, after in pairwise(segments):
        jump = before.seconds - after.seconds
        found = None
        if context.has(label):
            low = round((min(before.reference, after.start - abs(jump)) - 86400.0) * NS)
            high = round((after.start + abs(jump) + 86400.0) * NS)
            stamps = context.store.read(label, start_ns=low, end_ns=high, channels=[])["time"].astype(np.float64) / NS
            found = locate_jump(
                stamps=stamps,
                after=before.reference,
                before=max(after.reference, after.start + abs(jump)),
                jump=jump,
                interval=context.book.instrument(label).sample_interval_s,
            )
        starts.append(round((found if found is not None else after.start) * NS))
    return starts


def _clock_finding(
    context: Context, label: str, number: int, segment: ClockSegment, begin: int | None, end: int | None
) -> Finding:
    start_of_mission = to_ns(context.book.mission.start)
    days = (start_of_mission - segment.reference * NS) / DAY_NS
    drifts = abs(segment.per_day) > 3.0 * segment.per_day_sd and segment.checks > 2
    per_day = segment.per_day if drifts else 0.0
    seconds = segment.seconds + per_day * days
    words = {
        "zone": f"its clock is off by {-segment.seconds:+.1f} s: a zone or daylight-saving change, not a drift",
        "drift": f"its clock drifts by {-segment.per_day:+.2f} s a day",
        "offset": f"its clock is off by {-segment.seconds:+.1f} s",
        "reset": "its clock was reset to another era",
    }[segment.cause]
    since = f" from the stamp {iso(begin)}" if begin is not None else ""
    correction = ClockShift(
        instrument=label,
        start=stretch(begin),
        end=stretch(end),
        seconds=round(seconds, 3),
        per_day=round(per_day, 4),
        sd_s=round(max(segment.sd, 0.01), 3),
    )
    return Finding(
        id=f"clock-{label}-{number + 1}",
        severity=SERIOUS if abs(segment.seconds) > 10.0 else DOUBTFUL,
        subject=label,
        what=f"{label}: {words}{since}.",
        evidence=f"{segment.checks} comparisons with the reference clock, correction {segment.seconds:+.2f} s "
        f"(standard uncertainty {segment.sd:.2f} s), {segment.per_day:+.3f} s a day ({segment.per_day_sd:.3f})",
        proposal=f"add {seconds:+.2f} s to its stamps{since}" + (f", and {per_day:+.3f} s a day" if drifts else ""),
        correction=correction.model_dump(mode="json"),
        start_ns=begin,
        end_ns=end,
    )
