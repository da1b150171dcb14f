"""Batches of rows as plain columns: type rules, sorting, joining, merging of repeats.

Here:     NumPy columns of one stream, always with `time` (int64 ns UTC) and, inside the store, `_load`
          (int32, which load a row came with, so that a snapshot and the raw bytes can be told row by row).
Not here: files (`_segments`), the catalogue (`_catalogue`).
Rules:    new arrays out; nothing here changes what it is given.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from reeftally.errors import StoreError

__all__ = ["LOAD", "TIME", "Columns", "checked", "dtype_of", "joined", "row_keys", "window"]

Columns = dict[str, npt.NDArray[Any]]
TIME = "time"
LOAD = "_load"

_HIGH_RATE = ("velocity_", "correlation", "signal_to_noise")


def dtype_of(channel: str) -> np.dtype[np.generic]:
    """Return the stored type: float32 for high-rate acoustic channels, float64 for the rest."""
    if channel == TIME:
        return np.dtype(np.int64)
    if channel == LOAD:
        return np.dtype(np.int32)
    return np.dtype(np.float32 if channel.startswith(_HIGH_RATE) else np.float64)


def checked(stream: str, columns: Mapping[str, npt.ArrayLike]) -> Columns:
    """Return `columns` in their stored types, or say what does not fit.

    Raises
    ------
    StoreError
        If `time` is missing or not whole nanoseconds, or lengths differ, or a name is reserved.
    """
    if TIME not in columns:
        message = f"Stream {stream}: the columns have no 'time'; give int64 nanoseconds UTC."
        raise StoreError(message)
    time = np.asarray(columns[TIME])
    if time.dtype.kind == "M":
        time = time.astype("datetime64[ns]").astype(np.int64)
    if time.dtype.kind not in "iu" or time.ndim != 1:
        message = f"Stream {stream}: 'time' is {time.dtype} {time.shape}; it needs int64 ns, one dimension."
        raise StoreError(message)
    out: Columns = {TIME: np.ascontiguousarray(time, dtype=np.int64)}
    for name in sorted(columns):
        if name == TIME:
            continue
        if name.startswith("_"):
            message = f"Stream {stream}: channel names beginning with '_' are reserved; found {name!r}."
            raise StoreError(message)
        value = np.asarray(columns[name])
        if value.shape != time.shape:
            message = f"Stream {stream}: channel {name} has shape {value.shape}, time has {time.shape}."
            raise StoreError(message)
        out[name] = np.ascontiguousarray(value, dtype=dtype_of(name))
    return out


def window(columns: Columns, start_ns: int | None, end_ns: int | None) -> Columns:
    """Return the rows with start <= time < end of time-sorted `columns` (views)."""
    time = columns[TIME]
    low = 0 if start_ns is None else int(np.searchsorted(time, start_ns, side="left"))
    high = time.size if end_ns is None else int(np.searchsorted(time, end_ns, side="left"))
    if low == 0 and high == time.size:
        return columns
    return {name: value[low:high] for name, value in columns.items()}


def _empty(names: Iterable[str]) -> Columns:
    return {name: np.empty(0, dtype_of(name)) for name in names}


def joined(pieces: Sequence[Columns], names: Sequence[str]) -> Columns:
    """Return time-sorted pieces as one, sorted by time and then by load; absent channels are NaN."""
    pieces = [piece for piece in pieces if piece[TIME].size]
    if not pieces:
        return _empty(names)
    pieces = sorted(pieces, key=lambda piece: int(piece[TIME][0]))
    apart = all(a[TIME][-1] < b[TIME][0] for a, b in itertools.pairwise(pieces))

    def column(name: str) -> npt.NDArray[np.generic]:
        parts = [
            piece[name] if name in piece else np.full(piece[TIME].size, np.nan, dtype_of(name)) for piece in pieces
        ]
        return parts[0] if len(parts) == 1 else np.concatenate(parts)

    out = {name: column(name) for name in names}
    if not apart:
        # lexsort is stable, so rows of one load at one stamp keep the order of the file.
        order = np.lexsort((column(LOAD), out[TIME]))
        out = {name: value[order] for name, value in out.items()}
    return out


def row_keys(columns: Columns, names: Sequence[str]) -> npt.NDArray[np.uint64]:
    """Return one 64-bit key a row over the values of `names` (absent ones as NaN).

    Rows of equal values have equal keys; NaN equals NaN and -0.0 equals 0.0. Two different rows share a
    key with a chance of 2**-64, and keys are only ever compared at one time stamp.
    """
    size = columns[TIME].size
    key = np.full(size, 0x9E3779B97F4A7C15, np.uint64)
    with np.errstate(over="ignore"):
        for name in names:
            if name in columns:
                # Adding zero turns -0.0 into 0.0; then one bit pattern for every NaN.
                value = columns[name].astype(np.float64) + 0.0
                bits = value.view(np.uint64).copy()
                bits[np.isnan(value)] = 0x7FF8000000000000
            else:
                bits = np.full(size, 0x7FF8000000000000, np.uint64)
            # The finaliser of a well-known 64-bit mixing function (splitmix64).
            mixed = (key ^ bits) + np.uint64(0x9E3779B97F4A7C15)
            mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
            mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
            key = mixed ^ (mixed >> np.uint64(31))
    return key
