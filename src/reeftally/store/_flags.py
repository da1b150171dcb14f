"""Automatic flags as runs: start, end and flag of every stretch of equal flags.

Here:     packing and unpacking.
Not here: the tests that make flags (`quality`), flags set by hand (`log/entries.jsonl`).
Rules:    a run covers the stamps start <= time <= end that were tested.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from reeftally.errors import StoreError

__all__ = ["FlagRuns", "runs_from", "runs_of", "runs_outside"]


@dataclass(frozen=True, slots=True)
class FlagRuns:
    """Flags of one test on one channel, as runs sorted by start."""

    start_ns: npt.NDArray[np.int64]
    """First stamp of each run. [ns]"""
    end_ns: npt.NDArray[np.int64]
    """Last stamp of each run, inclusive. [ns]"""
    flag: npt.NDArray[np.uint8]
    """1 good, 2 not evaluated, 3 suspect, 4 fail, 9 missing."""

    def at(self, times: npt.NDArray[np.int64]) -> npt.NDArray[np.uint8]:
        """Return the flag at each stamp; 2 (not evaluated) where no run covers it."""
        out = np.full(times.size, 2, np.uint8)
        if self.start_ns.size:
            place = np.searchsorted(self.start_ns, times, side="right") - 1
            inside = (place >= 0) & (times <= self.end_ns[np.maximum(place, 0)])
            out[inside] = self.flag[place[inside]]
        return out


def runs_of(stream: str, times: npt.ArrayLike, flags: npt.ArrayLike) -> tuple[int, int, bytes]:
    """Return first stamp, last stamp and packed runs; an empty blob for no rows."""
    time = np.asarray(times, np.int64)
    flag = np.asarray(flags, np.uint8)
    if time.shape != flag.shape or time.ndim != 1:
        message = f"Stream {stream}: flags have shape {flag.shape}, times {time.shape}."
        raise StoreError(message)
    if time.size == 0:
        return 0, 0, b""
    if not bool(np.all(time[1:] >= time[:-1])):
        message = f"Stream {stream}: the times of flags need to be sorted."
        raise StoreError(message)
    starts = np.flatnonzero(np.concatenate(([True], flag[1:] != flag[:-1])))
    ends = np.concatenate((starts[1:] - 1, [time.size - 1]))
    return _packed(time[starts], time[ends], flag[starts])


def _packed(
    start: npt.NDArray[np.int64], end: npt.NDArray[np.int64], flag: npt.NDArray[np.uint8]
) -> tuple[int, int, bytes]:
    body = start.tobytes() + end.tobytes() + flag.tobytes()
    blob = len(body).to_bytes(8, "little") + pa.compress(body, codec="zstd", asbytes=True)
    return int(start[0]), int(end[-1]), blob


def runs_outside(blob: bytes, first_ns: int, last_ns: int) -> list[tuple[int, int, bytes]]:
    """Return what is left of packed runs before `first_ns` and after `last_ns`, packed again."""
    runs = runs_from([blob])
    left = []
    before = runs.start_ns < first_ns
    if before.any():
        end = np.minimum(runs.end_ns[before], first_ns - 1)
        left.append(_packed(runs.start_ns[before], end, runs.flag[before]))
    after = runs.end_ns > last_ns
    if after.any():
        start = np.maximum(runs.start_ns[after], last_ns + 1)
        left.append(_packed(start, runs.end_ns[after], runs.flag[after]))
    return left


def runs_from(blobs: list[bytes]) -> FlagRuns:
    """Return the runs of several blobs (which do not overlap) together, sorted."""
    pieces = []
    for blob in blobs:
        size = int.from_bytes(blob[:8], "little")
        body = pa.decompress(blob[8:], decompressed_size=size, codec="zstd", asbytes=True)
        count = size // 17
        pieces.append(
            (
                np.frombuffer(body, np.int64, count, 0),
                np.frombuffer(body, np.int64, count, 8 * count),
                np.frombuffer(body, np.uint8, count, 16 * count),
            )
        )
    if not pieces:
        return FlagRuns(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, np.uint8))
    start, end, flag = (np.concatenate([piece[k] for piece in pieces]) for k in range(3))
    order = np.argsort(start, kind="stable")
    return FlagRuns(start[order], end[order], flag[order])
