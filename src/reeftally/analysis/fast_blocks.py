"""Block statistics of high-rate streams, for the review: velocimeters and fast oxygen sensors.

Here:     which way is up, mean flow and share of poor echoes of every block of a velocimeter; level, noise and count
          of every minute of a fast oxygen sensor.
Not here: turbulence (`bursts`), what the statistics mean (`fast_findings`).
Rules:    a stream is read block by block and never held whole. Statistics are of the stream as stored, on its own
          stamps, so no decision in the log changes them, and one look at the same raw files is remembered.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally import flow
from reeftally._checks import FloatArray
from reeftally.analysis.context import Context
from reeftally.analysis.grid import Grid, make_grid

__all__ = ["FastMinutes", "FlowBlocks", "fast_minutes", "flow_blocks"]

VELOCITY = ["velocity_x", "velocity_y", "velocity_z"]
# An acoustic sample below this correlation is not believed (70 %: common practice with pulse-coherent velocimeters).
POOR_CORRELATION = 70.0
# Below this mean speed the sign of the stress is not believed (common practice, no source).
SLOWEST_M_S = 0.05
# Of a velocimeter's samples every so many are enough to know how often echoes were poor.
ECHO_STRIDE = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowBlocks:
    """A velocimeter in blocks of its own stamps; arrays are (blocks,)."""

    label: str
    grid: Grid
    upward_z: FloatArray
    """Evidence that z points up (`flow.orientation`); NaN at slack water and where half the samples are missing."""
    count: npt.NDArray[np.int64]
    mean: FloatArray
    """(2, blocks): mean along x and y. [m s-1]"""
    correlation: FloatArray
    """Mean correlation of the echoes [percent]; NaN where the stream tells none."""
    poor: FloatArray
    """Share of samples below 70 percent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FastMinutes:
    """A fast oxygen sensor in minutes of its own stamps; arrays are (minutes,)."""

    label: str
    channel: str
    grid: Grid
    mean: FloatArray
    noise: FloatArray
    """Noise of a sample from second differences."""
    count: npt.NDArray[np.int64]
    same: FloatArray
    """Share of samples within 0.01 of the one before, in the stream's unit."""


_SEEN: dict[str, FlowBlocks | FastMinutes] = {}
_MOST_SEEN = 16


def _remember(key: str, value: FlowBlocks | FastMinutes) -> None:
    if len(_SEEN) >= _MOST_SEEN:
        _SEEN.pop(next(iter(_SEEN)))
    _SEEN[key] = value


def _key(context: Context, label: str) -> str:
    """Return what the statistics depend on: folder, stream, and the raw files behind its rows."""
    info = context.store.streams()[label]
    parts = [str(context.folder.resolve()), label, str(info.rows), str(context.book.analysis.block_s)]
    return hashlib.blake2b("\n".join([*parts, *context.store.sources(label)]).encode()).hexdigest()


def flow_blocks(context: Context, label: str) -> FlowBlocks:
    """Return the blocks of a velocimeter."""
    key = _key(context, label)
    known = _SEEN.get(key)
    if isinstance(known, FlowBlocks):
        return known
    info = context.store.streams()[label]
    rate = 1.0 / context.book.instrument(label).sample_interval_s
    # Stamps of a clock that was reset lie decades away.
    first_ns = max(info.first_ns, context.earliest_ns)
    grid = make_grid(start_ns=first_ns, end_ns=info.last_ns + 1, block_s=float(context.book.analysis.block_s))
    upward = np.full(grid.count, np.nan)
    count = np.zeros(grid.count, dtype=np.int64)
    mean = np.full((2, grid.count), np.nan)
    poor, correlation = np.full(grid.count, np.nan), np.full(grid.count, np.nan)
    channels = [*VELOCITY, "correlation"] if "correlation" in info.channels else VELOCITY
    for part in context.store.chunks(
        label,
        seconds=grid.block_s,
        start_ns=grid.start_ns,
        channels=channels,
        snapshot=context.snapshot,
        align_ns=grid.start_ns,
    ):
        if part["time"].size == 0:
            continue
        block = int(grid.index(part["time"][0]))
        count[block] = part["time"].size
        if "correlation" in part:
            thin = part["correlation"][::ECHO_STRIDE].astype(np.float64)
            correlation[block] = float(np.nanmean(thin)) if np.isfinite(thin).any() else np.nan
            poor[block] = float((thin < POOR_CORRELATION).mean())
        if count[block] < 0.5 * rate * grid.block_s:
            continue
        samples = np.stack([part[name] for name in VELOCITY])
        if not np.isfinite(samples[:, ::4]).any(axis=1).all():
            # A channel without a value says nothing about the current.
            continue
        velocity = _clipped(samples)
        mean[:, block] = velocity[:2].mean(axis=1)
        # At slack water waves on a slightly tilted head outweigh the stress and can turn its sign.
        if float(np.hypot(*mean[:, block])) >= SLOWEST_M_S:
            upward[block] = flow.orientation(velocity=velocity, sample_rate=rate).z
    found = FlowBlocks(
        label=label, grid=grid, upward_z=upward, count=count, mean=mean, correlation=correlation, poor=poor
    )
    _remember(key, found)
    return found


def _clipped(velocity: npt.NDArray[np.float32]) -> FloatArray:
    """Return velocities with spikes drawn in to five times the usual spread, missing ones at the middle."""
    values = velocity.astype(np.float64)
    thin = values[:, ::4]
    centre = np.nanmedian(thin, axis=1, keepdims=True)
    spread = 1.4826 * np.nanmedian(np.abs(thin - centre), axis=1, keepdims=True)
    return np.clip(np.where(np.isfinite(values), values, centre), centre - 5 * spread, centre + 5 * spread)


def fast_minutes(context: Context, label: str) -> FastMinutes | None:
    """Return the minutes of a fast oxygen sensor; None where its stream holds no oxygen."""
    key = _key(context, label)
    known = _SEEN.get(key)
    if isinstance(known, FastMinutes):
        return known
    info = context.store.streams()[label]
    channel = next((name for name in ("oxygen_molar", "oxygen") if name in info.channels), None)
    if channel is None:
        return None
    first_ns = max(info.first_ns, context.earliest_ns)
    grid = make_grid(start_ns=first_ns, end_ns=info.last_ns + 1, block_s=60.0)
    mean, noise, same = (np.full(grid.count, np.nan) for _ in range(3))
    count = np.zeros(grid.count, dtype=np.int64)
    for part in context.store.chunks(
        label,
        seconds=3600.0,
        start_ns=grid.start_ns,
        channels=[channel],
        snapshot=context.snapshot,
        align_ns=grid.start_ns,
    ):
        index = (part["time"] - grid.start_ns) // grid.block_ns
        values = np.asarray(part[channel], dtype=np.float64)
        starts = np.flatnonzero(np.diff(index, prepend=-1))
        for first, last in zip(starts, [*starts[1:], index.size], strict=True):
            piece = values[first:last]
            finite = piece[np.isfinite(piece)]
            minute = int(index[first])
            count[minute] = finite.size
            if finite.size < 10:
                continue
            mean[minute] = float(np.median(finite))
            # Second differences of white noise have a variance of six.
            noise[minute] = 1.4826 * float(np.median(np.abs(np.diff(finite, n=2)))) / 6.0**0.5
            same[minute] = float((np.abs(np.diff(finite)) < 0.01).mean())
    found = FastMinutes(label=label, channel=channel, grid=grid, mean=mean, noise=noise, count=count, same=same)
    _remember(key, found)
    return found
