"""Findings from the block statistics of high-rate streams.

Here:     velocimeters that stood upside down, echoes that grew poor, stretches of a fast oxygen sensor that are no
          measurement.
Not here: the statistics (`fast_blocks`), despiking and screening of samples (`flow`), which is done in any case.
Rules:    a stretch that spoils fluxes carries the correction that leaves it out; what the chain screens by itself is
          only noted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.analysis.causes import named_causes
from reeftally.analysis.context import Context
from reeftally.analysis.estimates import iso
from reeftally.analysis.fast_blocks import FastMinutes, FlowBlocks, fast_minutes, flow_blocks
from reeftally.analysis.finding import NOTED, SERIOUS, Finding, stretch
from reeftally.analysis.grid import NS
from reeftally.mission import AxisFlip, Exclude
from reeftally.quality._patterns import running_median, runs_of
from reeftally.quality.thresholds import SPANS

__all__ = ["fast_findings", "turned_runs"]

# Fewer blocks than this say nothing; single blocks err.
FLIP_BLOCKS = 4
# Evidence that a change of state must bring, in the units of z: more than two strong blocks can pretend.
SWITCH_COST = 12.0
# A minute of a fast sensor is no measurement if its noise falls below a fifth of the usual or rises above six times.
QUIET, LOUD = 0.2, 6.0
# Shorter stretches are the business of the block's own screening; pauses up to this long do not end one. [min]
LEAST_MINUTES, JOIN_MINUTES = 5, 10
# Mean correlation of a block that lies so many percent points, and so many of its usual scatters, below the usual.
ECHO_POINTS, ECHO_SCATTERS = 2.0, 6.0


def fast_findings(context: Context) -> Iterator[Finding]:
    """Yield the findings about velocimeters and fast oxygen sensors."""
    for instrument in context.book.instruments_of_kind("velocimeter"):
        if context.has(instrument.label):
            blocks = flow_blocks(context, instrument.label)
            yield from _axes(context, blocks)
            yield from _echoes(context, blocks)
    for instrument in context.book.instruments_of_kind("fast_oxygen"):
        if context.has(instrument.label):
            minutes = fast_minutes(context, instrument.label)
            if minutes is not None:
                yield from _broken(context, minutes)


def _true(context: Context, label: str, stamps: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    return context.clock(label).true(np.asarray(stamps, dtype=np.int64))


def _axes(context: Context, blocks: FlowBlocks) -> Iterator[Finding]:
    """Velocimeters whose z axis points the other way for an hour or more."""
    label, grid = blocks.label, blocks.grid
    edges = _true(context, label, grid.edges)
    z = blocks.upward_z.copy()
    for flip in context.axis_flips:
        if flip.instrument == label:
            low = flip.start_ns if flip.start_ns is not None else -(2**62)
            high = flip.end_ns if flip.end_ns is not None else 2**62
            middle = (edges[:-1] + edges[1:]) // 2
            # Turning y and z turns the sign of the vertical momentum flux.
            z[(middle >= low) & (middle < high)] *= -1.0
    for first, last, combined in turned_runs(z):
        begin, end = int(edges[first]), int(edges[last])
        yield Finding(
            id=f"axes-{label}-{iso(begin)[:16].replace(':', '')}",
            severity=SERIOUS,
            subject=label,
            what=f"{label}: momentum seems to go upward from {iso(begin)} to {iso(end)}: it is upside down there.",
            evidence=f"the covariance of along and vertical velocity has the wrong sign (combined z {combined:.1f}) in "
            f"{last - first} blocks, the right one outside",
            proposal="turn y and z for that time",
            correction=AxisFlip(instrument=label, start=stretch(begin), end=stretch(end)).model_dump(mode="json"),
            start_ns=begin,
            end_ns=end,
            **named_causes(("upside down", f"vertical momentum z {combined:.1f}"), ("true signal", "no sign of it")),
        )


def turned_runs(upward_z: FloatArray) -> Iterator[tuple[int, int, float]]:
    """Yield (first, last, z) of stretches of blocks that are upside down.

    A velocimeter is turned seldom: the state (up or down) of every block is chosen so that the sum of its evidence
    is largest, each change of state costing `SWITCH_COST` (Viterbi 1967, the most likely path of a chain). Slack
    blocks without evidence thus take the state of their neighbours.
    """
    sign = np.nan_to_num(np.clip(upward_z, -6.0, 6.0))
    n = sign.size
    if n < FLIP_BLOCKS:
        return
    score = np.array([sign[0], -sign[0]])
    came = np.zeros((n, 2), dtype=np.int64)
    for block in range(1, n):
        stay = score
        change = score[::-1] - SWITCH_COST
        came[block] = np.where(stay >= change, [0, 1], [1, 0])
        score = np.maximum(stay, change) + np.array([sign[block], -sign[block]])
    state = np.empty(n, dtype=np.int64)
    state[-1] = int(np.argmax(score))
    for block in range(n - 1, 0, -1):
        state[block - 1] = came[block, state[block]]
    edges = np.flatnonzero(np.diff(np.concatenate(([0], state, [0]))))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        z = float(sign[first:last].sum() / np.sqrt(last - first))
        if z < -4.0:
            yield int(first), int(last), z


def _echoes(context: Context, blocks: FlowBlocks) -> Iterator[Finding]:
    """Note the time in which a velocimeter's echoes were poor: bubbles, weed or an empty sea."""
    usual = blocks.correlation[np.isfinite(blocks.correlation)]
    if usual.size < 8:
        return
    middle = float(np.median(usual))
    scatter = 1.4826 * float(np.median(np.abs(usual - middle)))
    low = blocks.correlation < middle - max(ECHO_POINTS, ECHO_SCATTERS * scatter)
    if low.sum() < 2:
        return
    held = np.flatnonzero(low)
    edges = _true(context, blocks.label, blocks.grid.edges)
    begin, end = int(edges[held[0]]), int(edges[held[-1] + 1])
    label = blocks.label
    yield Finding(
        id=f"echo-{label}-{iso(begin)[:16].replace(':', '')}",
        severity=NOTED,
        subject=label,
        what=f"{label}: its echoes were poor in {held.size} blocks between {iso(begin)} and {iso(end)}.",
        evidence=f"mean correlation down to {float(np.nanmin(blocks.correlation[held])):.0f} % where "
        f"{middle:.0f} % is usual; {float(np.nanmax(blocks.poor[held])):.1%} of samples below 70 % at the worst",
        proposal="bubbles of breaking waves, weed or clear water; poor samples are screened block by block",
        start_ns=begin,
        end_ns=end,
        **named_causes(
            ("bubble", "correlation falls and noise rises for minutes"), ("cable or power", "no sample is missing")
        ),
    )


def _broken(context: Context, minutes: FastMinutes) -> Iterator[Finding]:
    """Find stretches in which a fast sensor stands still, is at a rail, or is far noisier than usual."""
    label = minutes.label
    usual = float(np.nanmedian(minutes.noise))
    if not usual > 0.0:
        return
    span = SPANS[minutes.channel].user
    present = np.isfinite(minutes.noise)
    still = present & (minutes.noise < QUIET * usual) & (minutes.same > 0.5)
    loud = present & (minutes.noise > LOUD * usual)
    outside = present & ((minutes.mean < span[0]) | (minutes.mean > span[1]))
    # An edge of a foreign level has a level of its own for a minute: far from both sides' running middle.
    middle = running_median(minutes.mean, 60)
    spread = 1.4826 * float(np.nanmedian(np.abs(minutes.mean - middle)))
    away = present & (np.abs(minutes.mean - middle) > 40.0 * max(spread, usual))
    bad = still | loud | outside | away
    joined = bad.copy()
    for first, end in runs_of(~bad):
        if first > 0 and end < bad.size and end - first <= JOIN_MINUTES:
            joined[first:end] = True
    edges = _true(context, label, minutes.grid.edges)
    for first, end in runs_of(joined):
        if bad[first:end].sum() < LEAST_MINUTES:
            continue
        # The minute at either edge holds good and bad samples.
        low, high = max(first - 1, 0), min(end + 1, minutes.count.size)
        begin, stop = int(edges[low]), int(edges[high])
        yield _broken_finding(
            context, minutes, slice(first, end), begin, stop, _kinds(still, loud, outside, first, end)
        )


def _kinds(
    still: npt.NDArray[np.bool_], loud: npt.NDArray[np.bool_], outside: npt.NDArray[np.bool_], first: int, end: int
) -> Mapping[str, float]:
    named = {"stands still": still, "is far noisier than usual": loud, "is outside what water gives": outside}
    shares = {name: float(mask[first:end].mean()) for name, mask in named.items()}
    return {name: share for name, share in shares.items() if share > 0.2} or {"stands far from its usual level": 1.0}


def _broken_finding(
    context: Context, minutes: FastMinutes, part: slice, begin: int, end: int, kinds: Mapping[str, float]
) -> Finding:
    label = minutes.label
    level, before = float(np.nanmedian(minutes.mean[part])), _level_before(minutes, part.start)
    noise, usual = float(np.nanmedian(minutes.noise[part])), float(np.nanmedian(minutes.noise))
    notes = [
        f"{row.kind}: {row.note or ''}".strip(": ")
        for row in context.tables.interventions
        if row.instrument == label and begin - 3600 * NS <= row.time_ns <= end + 3600 * NS
    ]
    said = f"; the crew's log: {'; '.join(notes)}" if notes else ""
    first_cause = "stuck" if "stands still" in kinds else "bubble"
    return Finding(
        id=f"broken-{label}-{minutes.channel}-{iso(begin)[:16].replace(':', '')}",
        severity=SERIOUS,
        subject=label,
        what=f"{label}: {minutes.channel} {' and '.join(kinds)} from {iso(begin)} to {iso(end)}: no measurement.",
        evidence=f"level {level:.4g} where it was {before:.4g} before; noise of a sample {noise:.2g} where {usual:.2g} "
        f"is usual{said}",
        proposal=f"leave {minutes.channel} of {label} out from {iso(begin)} to {iso(end)}",
        correction=Exclude(
            instrument=label, channel=minutes.channel, start=stretch(begin), end=stretch(end)
        ).model_dump(mode="json"),
        start_ns=begin,
        end_ns=end,
        **named_causes(
            (first_cause, f"noise {noise / usual:.2f} of the usual"),
            ("cable or power", "a rail or a lead"),
            test="Look at its tip and wave water past it: if it is whole and the reading does not move, exchange plug "
            "and cable first, the sensor next.",
        ),
    )


def _level_before(minutes: FastMinutes, first: int) -> float:
    part: FloatArray = minutes.mean[max(first - 62, 0) : max(first - 2, 0)]
    return float(np.nanmedian(part)) if np.isfinite(part).any() else float("nan")
