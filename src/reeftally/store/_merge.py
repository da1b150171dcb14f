"""Merging a new batch with what a stream already holds.

Here:     which new rows are new, which repeat a row that is there, which contradict one.
Not here: where the held rows come from (`_reader`), what is said about it (`intake`).
Rules:    the answer for a row depends on the row and on what is held at its stamp, never on how the
          batch was cut; so an interrupted and resumed load ends as an uninterrupted one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from reeftally.store._columns import LOAD, TIME, Columns, row_keys

__all__ = ["AppendResult", "Difference", "merge", "rows_at", "sort_by_time"]

SHOWN = 3


@dataclass(frozen=True, slots=True)
class Difference:
    """One stamp at which a new file contradicts what is held."""

    time_ns: int
    """Stamp. [ns since 1970 UTC]"""
    channel: str
    """First channel that differs."""
    held: float
    """Value in the store."""
    found: float
    """Value in the new file."""
    raw_hash: str
    """Raw file that the held value came from."""


@dataclass
class AppendResult:
    """What became of the rows of one `append`."""

    new: int = 0
    """Rows that were added."""
    repeated: int = 0
    """Rows equal to one already held or earlier in the batch; left out."""
    kept_twice: int = 0
    """Rows at a stamp that the same raw file gave before with other values; added."""
    refused: int = 0
    """Rows at a stamp for which another raw file gave other values; left out."""
    refused_first_ns: int | None = None
    """First refused stamp. [ns]"""
    refused_last_ns: int | None = None
    """Last refused stamp. [ns]"""
    differences: list[Difference] = field(default_factory=list)
    """The first few contradictions."""
    left_out: npt.NDArray[np.bool_] | None = None
    """Which rows of the batch, in its own order, were not added; None if all were."""


def sort_by_time(columns: Columns) -> tuple[Columns, npt.NDArray[np.intp] | None]:
    """Return `columns` sorted by time, rows of one stamp in their given order, and the order (None: as is)."""
    time = columns[TIME]
    if time.size < 2 or bool(np.all(time[1:] >= time[:-1])):
        return columns, None
    order = np.argsort(time, kind="stable")
    return {name: value[order] for name, value in columns.items()}, order


def rows_at(columns: Columns, times: npt.NDArray[np.int64]) -> Columns | None:
    """Return the rows of `columns` whose stamp is in sorted `times`; None if there is none."""
    held = columns[TIME]
    if not held.size or not times.size:
        return None
    at = np.searchsorted(times, held)
    at[at == times.size] = 0
    match = times[at] == held
    if not match.any():
        return None
    return {name: value[match] for name, value in columns.items()}


def merge(
    batch: Columns, held: Sequence[Columns], family: npt.NDArray[np.int32], raw_of_load: dict[int, str]
) -> tuple[Columns, AppendResult]:
    """Return the rows of `batch` to add, and what became of the rest.

    Parameters
    ----------
    batch : Columns
        New rows, sorted by time, without `_load`.
    held : sequence of Columns
        Rows already held at any stamp of `batch`, with `_load`.
    family : int32 array
        Loads that came from the same raw file (or from a shorter state of it).
    raw_of_load : dict
        Raw hash of every load in `held`.
    """
    result = AppendResult()
    time = np.asarray(batch[TIME], np.int64)
    names = sorted(({name for piece in held for name in piece} | set(batch)) - {TIME, LOAD})
    if not held:
        tied = np.zeros(time.size, bool)
        same = time[1:] == time[:-1]
        tied[1:] |= same
        tied[:-1] |= same
        if not tied.any():
            result.new = time.size
            return batch, result
    else:
        held_times = np.unique(np.concatenate([np.asarray(piece[TIME], np.int64) for piece in held]))
        at = np.searchsorted(held_times, time)
        at[at == held_times.size] = 0
        tied = held_times[at] == time
        same = time[1:] == time[:-1]
        tied[1:] |= same
        tied[:-1] |= same

    index = np.flatnonzero(tied)
    small = {name: value[index] for name, value in batch.items()}
    size = index.size
    times = np.concatenate([*(np.asarray(p[TIME], np.int64) for p in held), time[index]])
    keys = np.concatenate([*(row_keys(p, names) for p in held), row_keys(small, names)])
    is_new = np.zeros(times.size, bool)
    is_new[times.size - size :] = True
    foreign = np.concatenate([*(~np.isin(p[LOAD], family) for p in held), np.zeros(size, bool)])

    # Groups of equal rows at one stamp, held ones first (lexsort is stable).
    order = np.lexsort((is_new, keys, times))
    follows = np.zeros(times.size, bool)
    follows[1:] = (times[order][1:] == times[order][:-1]) & (keys[order][1:] == keys[order][:-1])
    heads = np.flatnonzero(~follows)[np.cumsum(~follows) - 1]
    is_follower, unheld = np.zeros(times.size, bool), np.zeros(times.size, bool)
    is_follower[order] = follows
    unheld[order] = is_new[order][heads]

    # A new row at a stamp for which another raw file has a say is there already or contradicts it.
    contested = np.isin(times, np.unique(times[foreign]))
    conflict = is_new & contested & unheld
    repeated = is_new & is_follower & ~conflict
    by_time = np.lexsort((np.arange(times.size), times))
    earlier = np.zeros(times.size, bool)
    earlier[by_time[1:]] = times[by_time][1:] == times[by_time][:-1]

    drop = np.zeros(time.size, bool)
    drop[index] = (repeated | conflict)[times.size - size :]
    result.repeated = int(repeated.sum())
    result.refused = int(conflict.sum())
    result.kept_twice = int((is_new & earlier & ~repeated & ~conflict).sum())
    result.new = int(time.size - drop.sum())
    if result.refused:
        refused = times[conflict]
        result.refused_first_ns, result.refused_last_ns = int(refused.min()), int(refused.max())
        for row in np.flatnonzero(conflict)[:SHOWN]:
            place = int(index[row - (times.size - size)])
            result.differences.append(_difference(batch, place, held, names, raw_of_load, family))
    if not drop.any():
        return batch, result
    result.left_out = drop
    keep = ~drop
    return {name: value[keep] for name, value in batch.items()}, result


def _difference(
    batch: Columns,
    row: int,
    held: Sequence[Columns],
    names: Sequence[str],
    raw_of_load: dict[int, str],
    family: npt.NDArray[np.int32],
) -> Difference:
    stamp = int(batch[TIME][row])
    for piece in held:
        for at in np.flatnonzero((piece[TIME] == stamp) & ~np.isin(piece[LOAD], family)):
            for name in names:
                found = float(batch[name][row]) if name in batch else float("nan")
                there = float(piece[name][at]) if name in piece else float("nan")
                if found != there and not (np.isnan(found) and np.isnan(there)):
                    return Difference(stamp, name, there, found, raw_of_load.get(int(piece[LOAD][at]), ""))
    return Difference(stamp, TIME, float("nan"), float("nan"), "")
