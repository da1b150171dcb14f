"""Findings about profilers, from block means: bins that hit something, compasses that are off.

Here:     a bin whose speed falls far below that between its neighbours; the heading of one current meter against
          another's from the tide both saw.
Not here: the means (`records`), the profile's own fit (`currents`), leaving bins out (`context`).
Rules:    block statistics only: the pings of a hundred bins are never held whole.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

import numpy as np

from reeftally._checks import FloatArray
from reeftally.analysis.causes import named_causes
from reeftally.analysis.context import Context
from reeftally.analysis.estimates import iso
from reeftally.analysis.fast_blocks import flow_blocks
from reeftally.analysis.finding import DOUBTFUL, NOTED, Finding, stretch
from reeftally.analysis.grid import Grid
from reeftally.analysis.records import BIN, SlowBlocks
from reeftally.mission import Exclude
from reeftally.quality._patterns import runs_of
from reeftally.quality.mounting import heading_offset

__all__ = ["profiler_findings"]

# A bin hits something where its speed is less than half of its usual share of that between its neighbours, and six of
# the usual scatters of that share away, in moving water and for an hour (common practice, no source).
SHARE, SCATTERS, MOVING_M_S, LEAST_BLOCKS = 0.5, 6.0, 0.008, 4
# Above this share of the depth the surface's echo reaches the side lobes of beams that lean by 25 degrees, less a tide
# of a tenth: cos 25 degrees is 0.91. A profiler's own manual may allow more.
LOBES = 0.8
# Headings are asked about from this difference; a compass on a steel frame is good to a few degrees. [degree]
LEAST_DEGREES = 4.0


def profiler_findings(context: Context, slow: Mapping[str, SlowBlocks]) -> Iterator[Finding]:
    """Yield the findings about bins and headings."""
    for instrument in context.book.instruments_of_kind("profiler"):
        if instrument.label in slow:
            yield from _bins(context, slow[instrument.label])
    yield from _headings(context, slow)


def _components(blocks: SlowBlocks) -> tuple[str, str] | None:
    names = {re.sub(rf"{BIN}\d+$", "", name) for name in blocks.channels if BIN in name}
    return next(
        (pair for pair in (("velocity_x", "velocity_y"), ("velocity_east", "velocity_north")) if set(pair) <= names),
        None,
    )


def _bins(context: Context, blocks: SlowBlocks) -> Iterator[Finding]:
    pair = _components(blocks)
    if pair is None:
        return
    numbers = sorted(int(name.rsplit(BIN, 1)[1]) for name in blocks.channels if name.startswith(pair[0] + BIN))
    speed = {
        n: np.hypot(*(blocks.channels[f"{part}{BIN}{n:02d}"].mean for part in pair))
        for n in numbers
        if f"{pair[1]}{BIN}{n:02d}" in blocks.channels
    }
    grid = context.grid
    for number in numbers:
        if number - 1 not in speed or number + 1 not in speed or number not in speed:
            continue
        if _reaches_surface(context, blocks.label, number):
            continue
        between = 0.5 * (speed[number - 1] + speed[number + 1])
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = np.where(between > MOVING_M_S, speed[number] / between, np.nan)
        if np.isfinite(ratio).sum() < 4 * LEAST_BLOCKS:
            continue
        usual = float(np.nanmedian(ratio))
        logs = np.log(np.maximum(ratio / usual, 1e-6))
        scatter = 1.4826 * float(np.nanmedian(np.abs(logs)))
        low = np.nan_to_num(logs, nan=0.0) < min(np.log(SHARE), -SCATTERS * scatter)
        for first, end in runs_of(low):
            # A bin beside one that is hit looks too fast, never too slow.
            if end - first >= LEAST_BLOCKS:
                yield _bin_finding(context, grid, blocks.label, number, ratio / usual, first, end)


def _bin_finding(
    context: Context, grid: Grid, label: str, number: int, share: FloatArray, first: int, end: int
) -> Finding:
    # The block at either edge may hold some of it.
    begin, stop = int(grid.edges[max(first - 1, 0)]), int(grid.edges[min(end + 1, grid.count)])
    height = _height(context, label, number)
    return Finding(
        id=f"bin-{label}-{number:02d}-{iso(begin)[:16].replace(':', '')}",
        severity=DOUBTFUL,
        subject=label,
        what=f"{label}: bin {number}{height} hits something from {iso(begin)} to {iso(stop)}.",
        evidence=f"its speed is {float(np.nanmean(share[first:end])):.2f} times its usual share of that between its "
        f"neighbours in {end - first} blocks",
        proposal=f"leave bin {number} of {label} out for that time; look for a fin, a weed or a rope in the beam",
        correction=Exclude(
            instrument=label, channel=f"*{BIN}{number:02d}", start=stretch(begin), end=stretch(stop)
        ).model_dump(mode="json"),
        start_ns=begin,
        end_ns=stop,
        **named_causes(
            ("stuck", "an echo of something that stands still"),
            ("true signal", "the bins beside it differ"),
            test="Look along the beam at that height: a fin, a weed or a rope shows at once; if nothing is there, turn "
            "the head by a hand's breadth and see whether the bin comes back.",
        ),
    )


def _reaches_surface(context: Context, label: str, number: int) -> bool:
    bins = context.book.instrument(label).bins
    return bins is not None and bins.first_m + bins.size_m * number > LOBES * context.book.site.water_depth_m


def _height(context: Context, label: str, number: int) -> str:
    bins = context.book.instrument(label).bins
    return f" ({bins.first_m + bins.size_m * (number - 1):.2f} m)" if bins is not None else ""


def _headings(context: Context, slow: Mapping[str, SlowBlocks]) -> Iterator[Finding]:
    """Hold the currents of profilers against those of velocimeters, turned to the compass by the book's headings."""
    grid = context.grid
    seen: dict[str, tuple[FloatArray, FloatArray]] = {}
    for instrument in context.book.instruments_of_kind("velocimeter"):
        if not context.has(instrument.label):
            continue
        blocks = flow_blocks(context, instrument.label)
        middle = context.clock(instrument.label).true(blocks.grid.mids)
        index = grid.index(middle)
        x, y = np.full(grid.count, np.nan), np.full(grid.count, np.nan)
        good = index >= 0
        x[index[good]], y[index[good]] = blocks.mean[0][good], blocks.mean[1][good]
        # Turned over, y changes its sign and the direction with it: those hours say nothing here.
        y[blocks_turned(context, instrument.label, grid)] = np.nan
        seen[instrument.label] = _to_compass(context, instrument.label, x, y)
    references = [label for label, (east, _) in seen.items() if np.isfinite(east).sum() > 40]
    if not references:
        return
    for instrument in context.book.instruments_of_kind("profiler"):
        if instrument.label not in slow:
            continue
        pair = _components(slow[instrument.label])
        if pair is None:
            continue
        columns = []
        for part in pair:
            rows = [m.mean for name, m in slow[instrument.label].channels.items() if name.startswith(part + BIN)]
            stack = np.stack(rows[len(rows) // 4 : max(3 * len(rows) // 4, len(rows) // 4 + 1)])
            columns.append(stack.mean(axis=0))
        if pair[0] == "velocity_x":
            east, north = _to_compass(context, instrument.label, columns[0], columns[1])
        else:
            east, north = columns
        yield from _against(context, instrument.label, east, north, references[0], seen[references[0]])


def blocks_turned(context: Context, label: str, grid: Grid) -> np.ndarray:
    """Return the blocks in which an accepted correction turns a velocimeter over."""
    turned = np.zeros(grid.count, dtype=bool)
    for flip in context.axis_flips:
        if flip.instrument == label:
            low = flip.start_ns if flip.start_ns is not None else int(grid.edges[0])
            high = flip.end_ns if flip.end_ns is not None else int(grid.edges[-1])
            turned |= grid.mids_in(low, high)
    return turned


def _to_compass(context: Context, label: str, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Turn velocities along an instrument's axes to east and north by the book's heading of its x axis."""
    heading = np.full(context.grid.count, np.nan)
    for place in context.book.deployments_of(label):
        if place.heading_deg is not None:
            heading[context.grid.mids_in(place.start_ns, place.end_ns)] = place.heading_deg
    angle = np.deg2rad(heading + context.book.site.magnetic_declination_deg)
    # The y axis lies to the left of x.
    return x * np.sin(angle) - y * np.cos(angle), x * np.cos(angle) + y * np.sin(angle)


def _against(
    context: Context,
    label: str,
    east: FloatArray,
    north: FloatArray,
    reference: str,
    other: tuple[FloatArray, FloatArray],
) -> Iterator[Finding]:
    both = np.isfinite(east) & np.isfinite(north) & np.isfinite(other[0]) & np.isfinite(other[1])
    if both.sum() < 48:
        return
    found = heading_offset(
        east=east[both],
        north=north[both],
        reference_east=other[0][both],
        reference_north=other[1][both],
        least=LEAST_DEGREES,
    )
    if found.doubt is None:
        return
    held = context.grid.edges[:-1][both]
    yield Finding(
        id=f"heading-{label}",
        severity=NOTED,
        subject=label,
        what=f"{label}: {found.doubt.found.replace('the neighbour', reference)}.",
        evidence=f"{int(both.sum())} blocks that both saw; {found.doubt.wanted} would be usual",
        proposal=found.doubt.proposal,
        start_ns=int(held[0]),
        end_ns=int(held[-1]) + context.grid.block_ns,
    )
