"""Findings about clocks that lost their time: stretches of a record stamped from an epoch, and where they belong.

Here:     one finding a stretch, with the place that the restart log, comparisons, silent neighbours and shared signals
          give it, or the reason why it has none.
Not here: keeping such rows (`intake`), combining log and signal (`calibration.stamps`), applying a shift (`clockwork`).
Rules:    a stretch is used only after its place was accepted; lines of evidence that disagree are shown and refused.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from reeftally._checks import FloatArray
from reeftally.analysis.clock_signals import shared_lag_of, starts_after_silence
from reeftally.analysis.context import Context
from reeftally.analysis.estimates import iso
from reeftally.analysis.finding import SERIOUS, Finding, stretch
from reeftally.analysis.grid import NS
from reeftally.calibration.stamps import anchor_segment, find_resets
from reeftally.errors import NotAcceptedError
from reeftally.mission import ClockShift, to_ns

__all__ = ["reset_findings"]

# A restart by the log is good to a minute; one by neighbours on the same supply to the seconds that an instrument
# takes to start (common practice, no source).
LOG_SD_S, START_SD_S = 60.0, 10.0
SEARCH_S = 300.0
_BACK = ("power back", "power on", "restart", "rebooted", "power restored")


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a stretch belongs by one line of evidence."""

    seconds: float
    """Added to its stamps. [s]"""
    sd: float
    text: str


def reset_findings(context: Context, signals: Iterable[str], supply: Iterable[str]) -> Iterator[Finding]:
    """Yield a finding for each instrument that has rows of a clock that was reset.

    Parameters
    ----------
    signals, supply : iterable of str
        Instruments whose clocks are not in doubt: those whose records may be read for shared signals, and those whose
        silences tell of a dark hub.
    """
    limit = context.earliest_ns
    for label, info in sorted(context.store.streams().items()):
        if info.first_ns >= limit or not any(item.label == label for item in context.book.instruments):
            continue
        stamps = context.store.read(label, end_ns=limit, channels=[], snapshot=context.snapshot)["time"]
        if stamps.size:
            shared = [name for name in signals if name != label]
            dark = [name for name in supply if name != label]
            yield _finding(context, label, stamps.astype(np.float64) / NS, shared, dark)


def _finding(context: Context, label: str, stamps: FloatArray, shared: list[str], dark: list[str]) -> Finding:
    mission = context.book.mission
    first, last = round(stamps[0] * NS), round(stamps[-1] * NS)
    steps = find_resets(stamps=stamps, start=to_ns(mission.start) / NS, end=to_ns(mission.end) / NS)
    evidence = [steps[0].evidence if steps else f"stamps begin at {iso(first)}", f"{stamps.size} rows"]
    silent = _silence(context, label, float(stamps[-1] - stamps[0]))
    if silent is not None:
        evidence.append(f"the record with credible stamps ends at {iso(round(silent * NS))}")
    reason = _several(context, label)
    correction = None
    if not reason:
        try:
            seconds, sd, said = _anchor(context, label, stamps, silent, shared, dark)
        except NotAcceptedError as error:
            reason = str(error)
        else:
            evidence += said
            correction = ClockShift(
                instrument=label,
                start=stretch(first),
                end=stretch(last + NS),
                seconds=round(seconds, 3),
                sd_s=round(sd, 3),
            ).model_dump(mode="json")
            proposal = (
                f"add {seconds:+.2f} s (± {1.96 * sd:.2f} s, 95 %) to these stamps: the stretch then begins at "
                f"{iso(round((stamps[0] + seconds) * NS))}"
            )
    if reason:
        evidence.append(reason)
        proposal = (
            f"note when power came back (a line of kind 'restart' for {label} in tables/interventions.csv) or one "
            "comparison of its clock in tables/clock_checks.csv; until then these rows are not used"
        )
    return Finding(
        id=f"reset-{label}",
        severity=SERIOUS,
        subject=label,
        what=f"{label}: its clock was reset; {stamps.size} rows are stamped {iso(first)} to {iso(last)}.",
        evidence="; ".join(evidence),
        proposal=proposal,
        correction=correction,
        start_ns=first,
        end_ns=last,
    )


def _silence(context: Context, label: str, length: float) -> float | None:
    """Return where in the credible record there is room for the stretch: the instant of the last row before it. [s]"""
    limit = context.earliest_ns
    end = context.store.streams()[label].last_ns
    if end < limit:
        return None
    previous: float | None = None
    found: float | None = None
    for piece in context.store.chunks(label, 86_400.0, start_ns=limit, channels=[], snapshot=context.snapshot):
        times = context.clock(label).true(piece["time"]).astype(np.float64) / NS
        if not times.size:
            continue
        joined = times if previous is None else np.concatenate(([previous], times))
        wide = np.flatnonzero(np.diff(joined) > max(length, 1.0))
        if wide.size and found is None:
            found = float(joined[wide[0]])
        previous = float(times[-1])
    return found if found is not None else previous


def _several(context: Context, label: str) -> str:
    """Return why the rows cannot be one stretch: files whose reset stamps overlap came from more than one restart."""
    ranges: list[tuple[int, int, str]] = []
    grown = set()
    for key, record in context.store.raw_records().items():
        memory = record.get("memory") or {}
        if record.get("stream") == label and memory.get("reset_first_ns") is not None:
            grown.update(record.get("family", ()))
            ranges.append((memory["reset_first_ns"], memory["reset_ns"], key))
    ranges = sorted(item for item in ranges if item[2] not in grown)
    for before, after in pairwise(ranges):
        if after[0] <= before[1]:
            return "its stamps come from more than one restart and cannot be told apart; they are refused"
    return ""


def _by_comparison(context: Context, label: str) -> _Place | None:
    limit = context.earliest_ns
    own = context.book.clock_of(label)
    rows = [r for r in context.tables.clock_checks if r.instrument in (label, own) and r.instrument_time_ns < limit]
    if not rows:
        return None
    differences = np.array([(row.time_ns - row.instrument_time_ns) / NS for row in rows])
    sd = float(np.sqrt(np.mean([max(row.sd_s, 0.05) ** 2 for row in rows]) / len(rows)))
    return _Place(
        float(differences.mean()),
        max(sd, float(np.ptp(differences)) / 2.0),
        f"{len(rows)} comparison(s) after the reset give {differences.mean():+.2f} s",
    )


def _by_restart(
    context: Context, label: str, stamps: FloatArray, silent: float | None, neighbours: list[str]
) -> _Place | None:
    """Return the place by the log of restarts, or by neighbours that fell silent and came back with it."""
    for row in context.tables.interventions:
        named = row.instrument in (None, label)
        if named and any(word in row.kind.lower() for word in _BACK) and (silent is None or row.time_ns / NS >= silent):
            return _Place(
                row.time_ns / NS - float(stamps[0]),
                LOG_SD_S,
                f"the log says {row.kind!r} at {iso(row.time_ns)} (taken as good to {LOG_SD_S:g} s)",
            )
    if silent is None:
        return None
    back = list(starts_after_silence(context, neighbours, silent))
    if len(back) < 2:
        return None
    quick = sorted(back, key=lambda item: item[2])[: max(2, len(back) // 2)]
    moments = np.array([moment for _, moment, _ in quick])
    moment = float(np.median(moments))
    sd = float(np.hypot(START_SD_S, 1.4826 * np.median(np.abs(moments - moment))))
    names = ", ".join(sorted(name for name, _, _ in back))
    return _Place(
        moment - float(stamps[0]),
        sd,
        f"{names} fell silent at the same moment and came back at {iso(round(moment) * NS)}",
    )


def _anchor(
    context: Context, label: str, stamps: FloatArray, silent: float | None, shared: list[str], dark: list[str]
) -> tuple[float, float, list[str]]:
    """Return seconds to add, their standard uncertainty, and the lines of evidence.

    Raises
    ------
    NotAcceptedError
        If nothing says where the stretch belongs, or what says it disagrees.
    """
    compared = _by_comparison(context, label)
    restart = _by_restart(context, label, stamps, silent, dark)
    rough = compared or restart
    if rough is None:
        anchor_segment(stamps=stamps)  # raises, with the reason
        raise AssertionError
    said = [place.text for place in (compared, restart) if place is not None]
    shift = round(rough.seconds * NS)
    start = round(stamps[0] * NS) + shift
    # Two hours hold thousands of waves; more tells little more.
    end = min(round(stamps[-1] * NS) + shift, start + 7200 * NS)
    largest = max(60.0, min(SEARCH_S, 6.0 * rough.sd))
    signal = shared_lag_of(context, label, shared, start, end, largest_s=largest, shift_ns=shift)
    if signal is not None:
        said.append(signal.text() + " after that shift")
    if compared is not None and signal is None:
        return compared.seconds, compared.sd, said
    interval = float(context.book.instrument(label).sample_interval_s)
    base = rough.seconds
    seconds, sd = anchor_segment(
        stamps=stamps,
        restart_time=float(stamps[0]) + base,
        restart_sd=rough.sd,
        signal_correction=None if signal is None else base - signal.seconds,
        signal_sd=1.0 if signal is None else float(np.hypot(signal.sd, 0.1 * interval)),
    )
    return seconds, sd, said
