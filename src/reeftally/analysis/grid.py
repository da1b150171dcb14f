"""The grid of blocks and the reduction of records to it.

Here:     block edges aligned to UTC, means with counts and spread.
Not here: turbulence blocks (`bursts`).
Rules:    nothing is interpolated; a block without enough good samples is NaN.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray

__all__ = ["BlockMeans", "Grid", "block_means", "make_grid"]

NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Grid:
    """Blocks of equal length, aligned to UTC."""

    start_ns: int
    block_ns: int
    count: int

    @property
    def starts(self) -> npt.NDArray[np.int64]:
        """Block starts, (count,). [ns UTC]"""
        return self.start_ns + self.block_ns * np.arange(self.count, dtype=np.int64)

    @property
    def edges(self) -> npt.NDArray[np.int64]:
        """Block edges, (count + 1,). [ns UTC]"""
        return self.start_ns + self.block_ns * np.arange(self.count + 1, dtype=np.int64)

    @property
    def mids(self) -> npt.NDArray[np.int64]:
        """Block middles, (count,). [ns UTC]"""
        return self.starts + self.block_ns // 2

    @property
    def seconds(self) -> FloatArray:
        """Block middles. [s UTC]"""
        return self.mids.astype(np.float64) / NS

    @property
    def block_s(self) -> float:
        """Length of a block. [s]"""
        return self.block_ns / NS

    def index(self, time_ns: npt.ArrayLike) -> npt.NDArray[np.int64]:
        """Return the block of each instant; -1 outside the grid."""
        index = (np.asarray(time_ns, dtype=np.int64) - self.start_ns) // self.block_ns
        return np.asarray(np.where((index >= 0) & (index < self.count), index, -1))

    def mask(self, start_ns: int, end_ns: int) -> npt.NDArray[np.bool_]:
        """Return which blocks lie wholly inside [start, end)."""
        return np.asarray((self.starts >= start_ns) & (self.starts + self.block_ns <= end_ns))

    def mids_in(self, start_ns: int, end_ns: int) -> npt.NDArray[np.bool_]:
        """Return which blocks have their middle inside [start, end)."""
        return np.asarray((self.mids >= start_ns) & (self.mids < end_ns))


def make_grid(*, start_ns: int, end_ns: int, block_s: float) -> Grid:
    """Return the blocks that cover [start, end), aligned to UTC midnight."""
    block_ns = round(block_s * NS)
    first = start_ns // block_ns * block_ns
    count = int(-(-(end_ns - first) // block_ns))
    return Grid(start_ns=int(first), block_ns=block_ns, count=max(count, 0))


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockMeans:
    """Reduction of one record."""

    mean: FloatArray
    """Mean of the good samples, (blocks,); NaN where there are too few."""
    n: npt.NDArray[np.int64]
    """Good samples, (blocks,)."""
    sd: FloatArray
    """Standard deviation of the good samples about the block's own straight line, (blocks,)."""
    bad: npt.NDArray[np.int64]
    """Samples present but not used, (blocks,)."""


def block_means(
    *,
    grid: Grid,
    time_ns: npt.NDArray[np.int64],
    values: FloatArray,
    good: npt.NDArray[np.bool_],
    interval_s: float,
    least_share: float = 0.5,
) -> BlockMeans:
    """Reduce a record to block means.

    Parameters
    ----------
    grid : Grid
    time_ns, values, good : (n,) arrays
        Time [ns UTC], value, and whether the sample may be used.
    interval_s : float
        Sampling interval. [s] Decides how many samples a full block holds.
    least_share : float
        Share of a full block that must be good. [1]

    Notes
    -----
    The spread is taken about a straight line within the block, so that a steady change of the water does not
    look like noise.
    """
    index = grid.index(time_ns)
    use = good & (index >= 0) & np.isfinite(values)
    where = index[use]
    n = np.bincount(where, minlength=grid.count)
    present = np.bincount(index[index >= 0], minlength=grid.count)
    offset = (time_ns[use] - grid.mids[where]).astype(np.float64) / grid.block_ns
    part = values[use]
    # Two passes: sums about each block's own mean keep the small differences that gradients live on.
    shift = float(part.mean()) if part.size else 0.0
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_y = np.bincount(where, weights=part - shift, minlength=grid.count) / n
        mean_x = np.bincount(where, weights=offset, minlength=grid.count) / n
        y, x = part - shift - mean_y[where], offset - mean_x[where]
        sxx, sxy = (np.bincount(where, weights=w, minlength=grid.count) for w in (x * x, x * y))
        slope = np.where(sxx > 0, sxy / np.where(sxx > 0, sxx, 1.0), 0.0)
        rest = np.bincount(where, weights=(y - slope[where] * x) ** 2, minlength=grid.count)
        sd = np.sqrt(rest / np.maximum(n - 2, 1))
    full = grid.block_s / interval_s
    enough = (n >= np.maximum(1.0, least_share * full)) | ((full < 2) & (n >= 1))
    return BlockMeans(
        mean=np.where(enough, mean_y + shift, np.nan),
        n=n.astype(np.int64),
        sd=np.where(enough & (n > 2), sd, np.nan),
        bad=(present - n).astype(np.int64),
    )
