"""Findings from the review of slow records: stuck, silent, rough, flat, out of range, spiky; which fault it may be.

Here:     stretches of the review that a person should know of, joined and sorted out, each with its ranked causes.
Not here: the tests (`quality`), the review itself (`review_records`), growth (`growth`), crossed streams (`crossed`).
Rules:    few and clear: single samples are the flags' business. A stretch that the flags already keep out of every
          result is only noted; one that they do not carries the correction that leaves it out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from reeftally.analysis.causes import diagnose_stretch, named_causes
from reeftally.analysis.context import Context
from reeftally.analysis.estimates import iso
from reeftally.analysis.finding import DOUBTFUL, NOTED, SERIOUS, Finding, stretch
from reeftally.analysis.grid import NS
from reeftally.analysis.offsets import SensorOffsets
from reeftally.analysis.records import SlowBlocks
from reeftally.analysis.review_records import ChannelReview
from reeftally.mission import Exclude
from reeftally.quality._patterns import runs_of
from reeftally.quality.faults import Diagnosis
from reeftally.quality.mounting import pump_stop
from reeftally.quality.qartod import FAIL, SUSPECT

__all__ = ["record_findings"]

MINUTE_NS = 60 * NS
# Shorter stretches of equal values are left to the flags. [min]
LEAST_STUCK = 10.0
# A silence is told from this long, and from five intervals. [min]
LEAST_SILENCE = 30.0
# So many instruments that fall silent together lost power or the hub, not a plug.
TOGETHER = 3
# Rough or flat for so many hours, pauses up to half an hour counted in.
LEAST_ROUGH_H, JOIN_H = 0.75, 0.5
# Pieces that the review judges at once, so that a stretch has at least so many of them.
LEAST_PIECES, PIECE = 6, 60
# Share of samples out of the range of water from which unit, channel or coefficients are in question.
MUCH_OUTSIDE = 0.05
# Share of failed spikes from which bubbles are told.
MUCH_SPIKY = 0.01


def record_findings(
    context: Context,
    reviews: Sequence[ChannelReview],
    slow: Mapping[str, SlowBlocks],
    offsets: Mapping[str, SensorOffsets],
) -> Iterator[Finding]:
    """Yield the findings about slow records."""
    yield from _silences(context, reviews)
    for review in reviews:
        true = context.clock(review.label).true(review.stamps_ns)
        yield from _stuck(context, review, true, slow, offsets)
        yield from _rough(context, review, true, slow, offsets)
        yield from _outside(review, true)
        yield from _spiky(review, true)
        yield from _wiper(review, true)
    yield from _pumps(context, slow)


def _ranked(diagnosis: Diagnosis | None, fallback: tuple[str, str], second: tuple[str, str]) -> dict[str, Any]:
    """Return causes and test of a diagnosis; the two named ones where no neighbour could tell."""
    if diagnosis is None:
        return named_causes(fallback, second)
    return {"causes": diagnosis.causes[:3], "test": diagnosis.separating_test}


def _moment(ns: int) -> str:
    return iso(ns)[:16].replace(":", "")


def _stuck(
    context: Context,
    review: ChannelReview,
    true: npt.NDArray[np.int64],
    slow: Mapping[str, SlowBlocks],
    offsets: Mapping[str, SensorOffsets],
) -> Iterator[Finding]:
    flags = review.tests.get("flat_line")
    if flags is None:
        return
    for first, end in runs_of(flags == FAIL):
        begin, stop = int(true[first]), int(true[end - 1])
        minutes = (stop - begin) / MINUTE_NS
        if minutes < LEAST_STUCK or end - first < 10:
            continue
        diagnosis = diagnose_stretch(
            context, slow, offsets, label=review.label, channel=review.channel, start_ns=begin, end_ns=stop
        )
        yield Finding(
            id=f"stuck-{review.label}-{review.channel}-{_moment(begin)}",
            severity=NOTED,
            subject=review.label,
            what=f"{review.label}: {review.channel} stood still for {minutes:.0f} min from {iso(begin)}.",
            evidence=f"{end - first} equal values; a sensor of this resolution repeats by chance far less often",
            proposal="look at the sensor and its cable; the samples are flagged 4 and not used",
            start_ns=begin,
            end_ns=stop,
            **_ranked(diagnosis, ("stuck", f"{end - first} equal values"), ("cable or power", "no sample is missing")),
        )


def _rough(
    context: Context,
    review: ChannelReview,
    true: npt.NDArray[np.int64],
    slow: Mapping[str, SlowBlocks],
    offsets: Mapping[str, SensorOffsets],
) -> Iterator[Finding]:
    words = {
        "rough": ("rougher than usual", "bubble", "three times the usual scatter of neighbouring samples"),
        "attenuated": ("hardly varying while its neighbours do", "stuck", "less than a third of the usual variation"),
    }
    for test, (what, cause, evidence) in words.items():
        flags = review.tests.get(test)
        if flags is None:
            continue
        bad = (flags == FAIL) | (flags == SUSPECT)
        still = review.tests.get("flat_line")
        if still is not None:
            # What stands still is told as such.
            bad &= still != FAIL
        for first, end in _joined(bad, true, JOIN_H):
            begin, stop = int(true[first]), int(true[end - 1])
            hours = (stop - begin) / NS / 3600.0
            share = float(bad[first:end].mean())
            if hours < LEAST_ROUGH_H or bad[first:end].sum() < LEAST_PIECES * PIECE or share < 0.5:
                continue
            diagnosis = diagnose_stretch(
                context, slow, offsets, label=review.label, channel=review.channel, start_ns=begin, end_ns=stop
            )
            yield Finding(
                id=f"{test}-{review.label}-{review.channel}-{_moment(begin)}",
                severity=DOUBTFUL,
                subject=review.label,
                what=f"{review.label}: {review.channel} was {what} for {hours:.1f} h from {iso(begin)}.",
                evidence=f"{evidence} in {share:.0%} of the stretch",
                proposal=f"leave {review.channel} of {review.label} out from {iso(begin)} to {iso(stop)}",
                correction=Exclude(
                    instrument=review.label, channel=review.channel, start=stretch(begin), end=stretch(stop + 1)
                ).model_dump(mode="json"),
                start_ns=begin,
                end_ns=stop,
                **_ranked(diagnosis, (cause, evidence), ("true signal", "the neighbours do not show it")),
            )


def _joined(bad: npt.NDArray[np.bool_], true: npt.NDArray[np.int64], hours: float) -> list[tuple[int, int]]:
    """Return runs of True, those joined whose pause is short."""
    out: list[tuple[int, int]] = []
    for first, end in runs_of(bad):
        if out and (true[first] - true[out[-1][1] - 1]) / NS / 3600.0 <= hours:
            out[-1] = (out[-1][0], end)
        else:
            out.append((first, end))
    return out


def _outside(review: ChannelReview, true: npt.NDArray[np.int64]) -> Iterator[Finding]:
    flags = review.tests.get("gross_range")
    if flags is None:
        return
    bad = np.flatnonzero((flags == FAIL) | (flags == SUSPECT))
    share = bad.size / max(flags.size, 1)
    if bad.size < 10:
        return
    begin, stop = int(true[bad[0]]), int(true[bad[-1]])
    yield Finding(
        id=f"range-{review.label}-{review.channel}-{_moment(begin)}",
        severity=SERIOUS if share > MUCH_OUTSIDE else NOTED,
        subject=review.label,
        what=f"{review.label}: {bad.size} samples of {review.channel} ({share:.1%}) are outside what water gives.",
        evidence=f"between {iso(begin)} and {iso(stop)}; the samples are flagged and not used",
        proposal="look at unit, channel and coefficients in the layout, then at the sensor",
        start_ns=begin,
        end_ns=stop,
        **named_causes(("cable or power", "values no water gives"), ("calibration", "unit or coefficients")),
    )


def _spiky(review: ChannelReview, true: npt.NDArray[np.int64]) -> Iterator[Finding]:
    flags = review.tests.get("spike")
    if flags is None:
        return
    failed = flags == FAIL
    # A spike fails with its neighbours: one event each.
    events = len(runs_of(failed))
    if failed.mean() < MUCH_SPIKY or events < 5:
        return
    held = np.flatnonzero(failed)
    begin, stop = int(true[held[0]]), int(true[held[-1]])
    yield Finding(
        id=f"spikes-{review.label}-{review.channel}",
        severity=NOTED,
        subject=review.label,
        what=f"{review.label}: {events} single readings of {review.channel} stand off, {failed.mean():.1%} of its "
        "samples are flagged for it.",
        evidence=f"between {iso(begin)} and {iso(stop)}, far beyond the scatter of a sample about its neighbours",
        proposal="bubbles in the cell or cuvette: flush it, look at the inlet; the samples are flagged and not used",
        start_ns=begin,
        end_ns=stop,
        **named_causes(("bubble", "single readings stand off"), ("cable or power", "no sample is missing")),
    )


def _wiper(review: ChannelReview, true: npt.NDArray[np.int64]) -> Iterator[Finding]:
    flags = review.tests.get("wiper")
    if flags is None or review.period_s is None:
        return
    held = np.flatnonzero(flags == SUSPECT)
    if held.size < 5:
        return
    yield Finding(
        id=f"wiper-{review.label}-{review.channel}",
        severity=NOTED,
        subject=review.label,
        what=f"{review.label}: {held.size} dips of {review.channel} come every {review.period_s / 3600.0:.1f} h: "
        "its wiper passes.",
        evidence=f"outliers on a clock between {iso(int(true[held[0]]))} and {iso(int(true[held[-1]]))}",
        proposal="the samples are flagged 3 in the review; a wiper that stops or parks shows as their end",
        start_ns=int(true[held[0]]),
        end_ns=int(true[held[-1]]),
    )


def _silences(context: Context, reviews: Sequence[ChannelReview]) -> Iterator[Finding]:
    """Tell of silences in place: those of many instruments as one, the others by instrument."""
    found: dict[str, list[tuple[int, int]]] = {}
    for review in reviews:
        if review.carried or review.label in found:
            continue
        true = np.sort(context.clock(review.label).true(review.stamps_ns))
        least = max(5.0 * review.interval_s, LEAST_SILENCE * 60.0) * NS
        inside = []
        for at in np.flatnonzero(np.diff(true) > least):
            begin, end = int(true[at]), int(true[at + 1])
            middle = (begin + end) // 2
            place = context.book.deployment_at(review.label, middle)
            if place is not None and place.start_ns <= begin and end <= place.end_ns:
                inside.append((begin, end))
        found[review.label] = inside
    taken: set[tuple[str, int]] = set()
    for begin, end in sorted({gap for gaps in found.values() for gap in gaps}):
        # Told together if they begin and end within half an hour of each other.
        members = [
            (label, a)
            for label, gaps in sorted(found.items())
            for a, b in gaps
            if abs(a - begin) <= 30 * MINUTE_NS and abs(b - end) <= 30 * MINUTE_NS and (label, a) not in taken
        ]
        if len(members) >= TOGETHER:
            taken |= set(members)
            yield _power(context, [label for label, _ in members], begin, end)
    for label, own in sorted(found.items()):
        for begin, end in own:
            if (label, begin) in taken:
                continue
            hours = (end - begin) / NS / 3600.0
            yield Finding(
                id=f"silent-{label}-{_moment(begin)}",
                severity=NOTED,
                subject=label,
                what=f"{label}: silent for {hours:.1f} h from {iso(begin)}.",
                evidence="no sample between its last and its next; others went on",
                proposal="look for a missing file or a link that was down; nothing is filled",
                start_ns=begin,
                end_ns=end,
                **named_causes(("cable or power", "samples are missing"), ("clock", "stamps may have jumped")),
            )


def _power(context: Context, labels: list[str], begin: int, end: int) -> Finding:
    notes = [
        f"{row.kind}: {row.note or ''}".strip(": ")
        for row in context.tables.interventions
        if begin - 3600 * NS <= row.time_ns <= end and row.instrument is None
    ]
    said = f"the crew's log: {'; '.join(notes)}" if notes else "the crew's log says nothing of it"
    return Finding(
        id=f"power-{_moment(begin)}",
        severity=NOTED if notes else DOUBTFUL,
        subject="array",
        what=f"{len(labels)} instruments fell silent together for {(end - begin) / MINUTE_NS:.0f} min from "
        f"{iso(begin)}: power or hub.",
        evidence=f"{', '.join(labels)}; {said}",
        proposal="see that clocks, rates and settings came back with the power; write it into interventions.csv",
        start_ns=begin,
        end_ns=end,
        **named_causes(("cable or power", f"{len(labels)} instruments at once"), ("clock", "stamps may have jumped")),
    )


def _pumps(context: Context, slow: Mapping[str, SlowBlocks]) -> Iterator[Finding]:
    """Find where a gas analyser goes on with the water it holds: flat while the water about it changes."""
    lively = next(
        (label for label, blocks in sorted(slow.items()) if "ph_total" in blocks.channels and _on_reef(context, label)),
        None,
    )
    if lively is None:
        return
    other = slow[lively].channels["ph_total"]
    seconds = context.grid.seconds[np.isfinite(other.mean)]
    if seconds.size < 20:
        return
    for instrument in context.book.instruments_of_kind("gas_isotope"):
        label = instrument.label
        if label not in slow:
            continue
        channel = next((c for c in ("fco2", "pco2", "xco2") if c in slow[label].channels), None)
        if channel is None:
            continue
        record = context.read(label, channels=[channel])
        # What is left out already is no flat signal.
        present = np.isfinite(np.asarray(record.channels[channel], dtype=np.float64))
        values = np.asarray(record.channels[channel], dtype=np.float64)[present]
        stamps = record.time_ns[present]
        time = stamps.astype(np.float64) / NS
        flags, doubt = pump_stop(
            time=time, values=values, neighbour=np.interp(time, seconds, other.mean[np.isfinite(other.mean)])
        )
        if doubt is None or doubt.start is None:
            continue
        for run in runs_of(flags == FAIL):
            first, end = _level_stretch(values, *run)
            begin, stop = int(stamps[first]), int(stamps[end - 1])
            yield Finding(
                id=f"pump-{label}-{_moment(begin)}",
                severity=SERIOUS,
                subject=label,
                what=f"{label}: {channel} goes flat from {iso(begin)} to {iso(stop)}: its pump stopped.",
                evidence=f"{doubt.found}; scatter of {float(np.nanstd(values[first:end])):.2g} there",
                proposal=f"leave {label} out from {iso(begin)} to {iso(stop)}; look at the pump and its supply",
                correction=Exclude(
                    instrument=label, channel=None, start=stretch(begin), end=stretch(stop + 1)
                ).model_dump(mode="json"),
                start_ns=begin,
                end_ns=stop,
                **named_causes(
                    ("stuck", "the water in the cell is not renewed"),
                    ("cable or power", "samples go on"),
                    test="Feel the flow at its outlet and read the current the pump draws: if there is none, it is the "
                    "supply; if there is current and no flow, the pump or its tube is blocked.",
                ),
            )


def _level_stretch(values: npt.NDArray[np.float64], first: int, end: int) -> tuple[int, int]:
    """Return the ends of a flat stretch that was found in windows: as far as the values keep to its level."""
    inner = values[first + (end - first) // 4 : end - (end - first) // 4]
    level = float(np.nanmedian(inner))
    reach = 6.0 * max(1.4826 * float(np.nanmedian(np.abs(inner - level))), 1e-9)
    near = np.abs(values - level) <= reach
    middle = (first + end) // 2
    low, high = middle, middle
    while low > 0 and near[low - 1]:
        low -= 1
    while high < values.size - 1 and near[high + 1]:
        high += 1
    return low, high + 1


def _on_reef(context: Context, label: str) -> bool:
    roles = {context.book.station(d.station).role for d in context.book.deployments_of(label)}
    return bool(roles & {"bed", "ambient"}) and "reference" not in roles
