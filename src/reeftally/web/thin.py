"""Thinning a record to the width of a screen, extremes kept.

Here:     the lowest and the highest value of every pixel column; joining what was thinned before.
Not here: reading (`traces`).
Rules:    pure; the extremes of a window stay in the thinned window exactly; a column without values is empty, it is
          never filled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Columns", "empty", "thin"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Columns:
    """A window in pixel columns."""

    low: Floats
    """Lowest value of each column; NaN where it has none."""
    high: Floats
    """Highest value of each column; NaN where it has none."""
    count: npt.NDArray[np.int64]
    """Finite values of each column."""

    def joined(self, other: Columns) -> Columns:
        """Return the columns of both together."""
        return Columns(np.fmin(self.low, other.low), np.fmax(self.high, other.high), self.count + other.count)


def empty(width: int) -> Columns:
    """Return columns without values."""
    return Columns(np.full(width, np.nan), np.full(width, np.nan), np.zeros(width, dtype=np.int64))


def thin(
    *, time_ns: npt.NDArray[np.int64], values: npt.NDArray[np.floating], start_ns: int, end_ns: int, width: int
) -> Columns:
    """Return lowest and highest value of each of `width` equal columns of [start, end).

    Parameters
    ----------
    time_ns : (n,) int64 array
        Increasing. [ns]
    values : (n,) float array
        NaN counts as no value.
    """
    out = empty(width)
    inside = slice(*np.searchsorted(time_ns, [start_ns, end_ns]))
    time, kept = time_ns[inside], np.asarray(values[inside], dtype=np.float64)
    if time.size == 0:
        return out
    column = ((time - start_ns).astype(np.float64) * (width / (end_ns - start_ns))).astype(np.int64)
    np.clip(column, 0, width - 1, out=column)
    first = np.flatnonzero(np.diff(column, prepend=-1))
    at = column[first]
    finite = np.isfinite(kept)
    # reduceat with fmin skips NaN as long as one value of the column is finite.
    out.low[at] = np.fmin.reduceat(kept, first)
    out.high[at] = np.fmax.reduceat(kept, first)
    out.count[at] = np.add.reduceat(finite.astype(np.int64), first)
    return out
