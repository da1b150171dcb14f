"""Findings about clocks: errors that the crew's comparisons show, their jumps located in the record.

Here:     one finding a stretch of time in which an instrument's clock was wrong, with the shift that mends it.
Not here: the estimate of offset and drift (`calibration.clocks`); applying a shift (`clockwork`).
Rules:    a shift is proposed with its evidence, never applied; its uncertainty goes with it.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from reeftally.analysis.clockwork import DAY_NS
from reeftally.analysis.context import Context
from reeftally.analysis.estimates import iso
from reeftally.analysis.finding import DOUBTFUL, SERIOUS, Finding, stretch
from reeftally.analysis.grid import NS
from reeftally.calibration.clocks import ClockSegment, clock_segments, locate_jump
from reeftally.mission import ClockShift, to_ns

__all__ = ["clock_findings"]


def clock_findings(context: Context) -> Iterator[Finding]:
    """Clock errors from the crew's comparisons, their jumps located in the record."""
    rows = context.tables.clock_checks
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
            yield _clock_finding(context, label, number, segment, begin, end)


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
