"""Crossed streams: two sensors of a kind whose cables were exchanged for a while.

Here:     the evidence of every block from what each sensor is known to read (its offset, its height), the stretch in
          which a pair fits in each other's place, its ends to the sample, the correction that exchanges the streams.
Not here: the offsets (`offsets`), the first hour's short record (`first_look`), exchanging streams (`context`).
Rules:    a pair is called crossed only where the difference of its readings turns its sign against what offsets and
          gradient foretell, clear of the water's own patches.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.analysis.context import Context
from reeftally.analysis.estimates import iso
from reeftally.analysis.finding import SERIOUS, Finding, stretch
from reeftally.analysis.grid import Grid
from reeftally.analysis.offsets import SensorOffsets
from reeftally.analysis.records import SlowBlocks
from reeftally.mission import SwapStreams
from reeftally.quality.faults import Cause

__all__ = ["CrossedPair", "crossed_findings", "crossed_pairs"]

# Patches of water last for more than a block: that many blocks say as much as one that stands alone.
PATCH_BLOCKS = 4.0
# Evidence that a change between straight and crossed must bring, and the shortest stretch that is named.
SWITCH_COST = 12.0
LEAST_BLOCKS = 8
# A crossed pair shows -1 times the foretold difference, a straight one +1: named below -0.4 and clear of zero.
TURNED = -0.4
# Misfit of straight streams, in sizes of the water's own, from which a crossing is believed.
CLEAR = 5.0
QUANTITIES = ("oxygen", "ph_total", "temperature", "salinity")


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossedPair:
    """Two streams that fit in each other's place for a stretch of blocks."""

    first: str
    second: str
    start_block: int
    end_block: int
    """Not included."""
    turn: float
    """Observed over foretold difference: -1 if crossed, +1 if straight."""
    turn_sd: float
    outside: float
    """The same outside the stretch; NaN where nothing is left."""
    quantities: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Evidence:
    """Difference of a pair and what it should be, both over their noise; (blocks,)."""

    seen: FloatArray
    foretold: FloatArray


def _in_place(context: Context, grid: Grid, label: str) -> tuple[npt.NDArray[np.bool_], FloatArray]:
    """Return in which blocks a sensor stood on the reef, and its height above the displacement plane."""
    inside = np.zeros(grid.count, dtype=bool)
    height = np.full(grid.count, np.nan)
    for place in context.book.deployments_of(label):
        if context.book.station(place.station).role in {"bed", "ambient"}:
            mask = grid.mids_in(place.start_ns, place.end_ns)
            inside |= mask
            height[mask] = max(place.height_above_bed_m - context.book.site.displacement_height_m, 0.02)
    for period in context.book.intercalibrations:
        if label in period.instruments:
            inside &= ~grid.mids_in(period.start_ns, period.end_ns)
    return inside, height


def _evidence(
    context: Context, grid: Grid, slow: Mapping[str, SlowBlocks], offsets: SensorOffsets, pair: tuple[str, str]
) -> _Evidence | None:
    quantity = offsets.quantity
    errors = offsets.adjustment.at(grid.seconds)
    present: dict[str, tuple[FloatArray, FloatArray]] = {}
    for label in offsets.labels:
        inside, height = _in_place(context, grid, label)
        if inside.any():
            corrected = slow[label].channels[quantity].mean - errors[offsets.row(label)]
            present[label] = (np.where(inside, corrected, np.nan), height)
    if not all(label in present for label in pair):
        return None
    a, b = (offsets.row(label) for label in pair)
    seen = slow[pair[0]].channels[quantity].mean - slow[pair[1]].channels[quantity].mean
    both = np.isfinite(present[pair[0]][0]) & np.isfinite(present[pair[1]][0])
    others = [label for label in present if label not in pair]
    # Sensors of the same kind answer alike and share a clock's habits; others serve where these are too few.
    alike = [label for label in others if slow[label].kind == slow[pair[0]].kind]
    slope = _slope([present[label] for label in (alike if len(alike) > 1 else others)], grid.count)
    with np.errstate(invalid="ignore", divide="ignore"):
        apart = np.log(present[pair[0]][1] / present[pair[1]][1])
    foretold = errors[a] - errors[b] + np.where(np.isfinite(apart), apart, 0.0) * slope
    seen, foretold = np.where(both, seen, np.nan), np.where(both, foretold, np.nan)
    if not (np.isfinite(seen) & np.isfinite(foretold)).any():
        return None
    # Whether straight or crossed, the smaller misfit is the water's own. Its upper quartile is the noise (three in four
    # normal values lie within 1.15 of theirs): the median would hide the hours in which a profile in ln(height) serves
    # badly, the highest values may be faults of others.
    misfit = np.minimum(np.abs(seen - foretold), np.abs(seen + foretold))
    noise = float(np.nanquantile(misfit, 0.75)) / 1.15
    covariance = offsets.adjustment.covariance_at(float(grid.seconds[grid.count // 2]))
    known = float(np.sqrt(max(covariance[a, a] + covariance[b, b] - 2.0 * covariance[a, b], 0.0)))
    sigma = max(float(np.hypot(noise, known)), 1e-9)
    return _Evidence(seen / sigma, foretold / sigma)


def _slope(others: list[tuple[FloatArray, FloatArray]], count: int) -> FloatArray:
    """Return the change of a quantity per unit of ln(height) from the sensors outside the pair; 0 where unknown."""
    if len(others) < 2:
        return np.zeros(count)
    values = np.stack([value for value, _ in others])
    heights = np.log(np.stack([height for _, height in others]))
    good = np.isfinite(values) & np.isfinite(heights)
    n = np.maximum(good.sum(axis=0), 1)
    x = np.where(good, heights, 0.0)
    y = np.where(good, values, 0.0)
    dx = np.where(good, heights - x.sum(axis=0) / n, 0.0)
    spread = (dx**2).sum(axis=0)
    slope = (dx * y).sum(axis=0) / np.where(spread > 0.05, spread, np.inf)
    # A gradient goes on from one block to the next: three of them together.
    return np.convolve(np.pad(slope, 1, mode="edge"), np.ones(3) / 3.0, mode="valid")


def _turn(evidence: list[_Evidence], use: npt.NDArray[np.bool_]) -> tuple[float, float]:
    """Return observed over foretold difference by least squares, and its standard uncertainty."""
    seen = np.concatenate([e.seen[use] for e in evidence])
    foretold = np.concatenate([e.foretold[use] for e in evidence])
    good = np.isfinite(seen) & np.isfinite(foretold)
    power = float((foretold[good] ** 2).sum())
    if good.sum() < LEAST_BLOCKS or power <= 0.0:
        return float("nan"), float("inf")
    turn = float((seen[good] * foretold[good]).sum()) / power
    rest = seen[good] - turn * foretold[good]
    variance = max(float((rest**2).mean()), 1.0) * PATCH_BLOCKS / power
    return turn, float(np.sqrt(variance))


def _rms(values: FloatArray) -> float:
    finite = values[np.isfinite(values)]
    return float(np.sqrt((finite**2).mean())) if finite.size else float("nan")


def _stands(evidence: list[_Evidence], use: npt.NDArray[np.bool_]) -> bool:
    """Return whether crossed fits and straight does not, and no quantity that could tell speaks against it.

    A gradient that leaves the law of the wall at night makes differences of a few noise sizes too.
    """
    clear = False
    for one in evidence:
        seen, foretold = one.seen[use], one.foretold[use]
        straight, crossed = _rms(seen - foretold), _rms(seen + foretold)
        if _rms(foretold) > 1.0 and straight < crossed:
            return False
        clear = clear or (straight > CLEAR and crossed < 0.4 * straight)
    return clear


def _states(gain: FloatArray) -> npt.NDArray[np.int64]:
    """Return 1 where crossed: the path of states whose evidence is largest, each change costing `SWITCH_COST`."""
    n = gain.size
    score = np.array([0.0, gain[0]])
    came = np.zeros((n, 2), dtype=np.int64)
    for block in range(1, n):
        change = score[::-1] - SWITCH_COST
        came[block] = np.where(score >= change, [0, 1], [1, 0])
        score = np.maximum(score, change) + np.array([0.0, gain[block]])
    state = np.empty(n, dtype=np.int64)
    state[-1] = int(np.argmax(score))
    for block in range(n - 1, 0, -1):
        state[block - 1] = came[block, state[block]]
    return state


def crossed_pairs(
    context: Context, grid: Grid, slow: Mapping[str, SlowBlocks], offsets: Mapping[str, SensorOffsets]
) -> list[CrossedPair]:
    """Find pairs of fixed sensors of one kind that fit in each other's place for two hours or more, clearest first."""
    found: list[CrossedPair] = []
    kinds: dict[str, list[str]] = {}
    for label, blocks in slow.items():
        kinds.setdefault(blocks.kind, []).append(label)
    for labels in kinds.values():
        for pair in combinations(sorted(labels), 2):
            names, evidence = [], []
            for quantity in QUANTITIES:
                known = offsets.get(quantity)
                if known is None or not all(label in known.labels for label in pair):
                    continue
                one = _evidence(context, grid, slow, known, pair)
                if one is not None:
                    names.append(quantity)
                    evidence.append(one)
            if evidence:
                found += _stretches(pair, tuple(names), evidence)
    kept: list[CrossedPair] = []
    for candidate in sorted(found, key=lambda p: p.turn / p.turn_sd):
        clash = any(
            {candidate.first, candidate.second} & {k.first, k.second}
            and candidate.start_block < k.end_block
            and k.start_block < candidate.end_block
            for k in kept
        )
        if not clash:
            kept.append(candidate)
    return kept


def _stretches(pair: tuple[str, str], names: tuple[str, ...], evidence: list[_Evidence]) -> Iterator[CrossedPair]:
    gain = np.nansum([-2.0 * e.seen * e.foretold for e in evidence], axis=0) / PATCH_BLOCKS
    state = _states(np.clip(np.nan_to_num(gain), -6.0, 6.0))
    edges = np.flatnonzero(np.diff(np.concatenate(([0], state, [0]))))
    finite = np.any([np.isfinite(e.seen) & np.isfinite(e.foretold) for e in evidence], axis=0)
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        inside = np.zeros(state.size, dtype=bool)
        inside[first:last] = True
        held = np.flatnonzero(inside & finite)
        if held.size < LEAST_BLOCKS:
            continue
        turn, sd = _turn(evidence, inside)
        if not (turn < TURNED and turn + 4.0 * sd < 0.0 and _stands(evidence, inside)):
            continue
        outside, _ = _turn(evidence, ~inside)
        yield CrossedPair(
            first=pair[0], second=pair[1], start_block=int(held[0]), end_block=int(held[-1]) + 1,
            turn=turn, turn_sd=sd, outside=outside, quantities=names,
        )  # fmt: skip


def crossed_findings(
    context: Context, slow: Mapping[str, SlowBlocks], offsets: Mapping[str, SensorOffsets]
) -> Iterator[Finding]:
    """Yield a finding for every pair of crossed streams, its ends found to the sample."""
    grid = context.grid
    for pair in crossed_pairs(context, grid, slow, offsets):
        begin = _begin(context, grid, pair)
        end = _edge(context, grid, pair, pair.end_block)
        labels = (pair.first, pair.second)
        correction = SwapStreams(instruments=labels, start=stretch(begin), end=stretch(end))
        rest = f", {pair.outside:+.2f} times outside" if np.isfinite(pair.outside) else ""
        yield Finding(
            id=f"crossed-{pair.first}-{pair.second}-{iso(begin)[:16].replace(':', '')}",
            severity=SERIOUS,
            subject=pair.first,
            what=f"{pair.first} and {pair.second}: each gives the other's readings from {iso(begin)} to {iso(end)}: "
            "their streams are crossed.",
            evidence=f"their difference in {' and '.join(q.replace('_', ' ') for q in pair.quantities)} is "
            f"{pair.turn:+.2f} (standard uncertainty {pair.turn_sd:.2f}) times what offsets and gradient foretell "
            f"there{rest}; -1 is crossed, +1 is straight",
            proposal=f"exchange the two streams from {iso(begin)} to {iso(end)}",
            correction=correction.model_dump(mode="json"),
            start_ns=begin,
            end_ns=end,
            causes=(
                Cause(name="swapped streams", support=float("nan"), evidence="as above", numbers={}),
                Cause(name="moved", support=float("nan"), evidence="both would have moved at once", numbers={}),
            ),
            test="Unplug one of the two for a minute: if the other one's stream falls silent they are crossed, "
            "else look whether the frame moved.",
        )


def _begin(context: Context, grid: Grid, pair: CrossedPair) -> int:
    """Return the first instant: the moment both were in place, if the stretch begins there, else the step."""
    block = pair.start_block
    edge = int(grid.edges[block])
    for label in (pair.first, pair.second):
        for place in context.book.deployments_of(label):
            if abs(place.start_ns - edge) <= 2 * grid.block_ns:
                return place.start_ns
    return _edge(context, grid, pair, block)


def _edge(context: Context, grid: Grid, pair: CrossedPair, block: int) -> int:
    """Return where the difference of the two streams steps, to the sample, within two blocks of a block's edge."""
    if block >= grid.count:
        return int(grid.edges[-1])
    middle = int(grid.edges[block])
    low, high = middle - 2 * grid.block_ns, middle + 2 * grid.block_ns
    best = (0.0, middle)
    channels = set(context.store.streams()[pair.first].channels) & set(context.store.streams()[pair.second].channels)
    for channel in sorted(channels):
        a = context.read(pair.first, start_ns=low, end_ns=high, channels=[channel])
        b = context.read(pair.second, start_ns=low, end_ns=high, channels=[channel])
        if min(a.time_ns.size, b.time_ns.size) < 40 or channel not in a.channels or channel not in b.channels:
            continue
        own = np.asarray(a.channels[channel], dtype=np.float64)
        other = np.interp(a.seconds(), b.seconds(), np.asarray(b.channels[channel], dtype=np.float64))
        difference = own - other
        difference = difference - np.nanmean(difference)
        total = np.nancumsum(difference)
        n = difference.size
        count = np.arange(1, n)
        # Sum of squares that a step at each place explains, over what is left.
        explained = total[:-1] ** 2 * n / (count * (n - count))
        at = int(np.nanargmax(explained))
        left = max(float(np.nansum(difference**2)) - float(explained[at]), 1e-12)
        strength = float(explained[at]) / left * n
        if strength > best[0]:
            best = (strength, int(a.time_ns[at + 1]))
    return best[1]
