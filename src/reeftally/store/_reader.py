"""Reading: a plan of pieces at one snapshot, then windows of it, in bounded memory.

Here:     cursors over segments and tail blobs; merging by time; row visibility at a snapshot.
Not here: the public face (`_store`), writing (`_writer`).
Rules:    a cursor keeps at most the row groups that its window touches.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow.parquet as pq

from reeftally.store._columns import LOAD, TIME, Columns, dtype_of, joined, window
from reeftally.store._segments import SegmentFiles, unpack

__all__ = ["BlobCursor", "Cursor", "Plan", "SegmentCursor", "make_plan"]


class Cursor:
    """A time-sorted piece of a stream."""

    first_ns: int
    last_ns: int

    def rows(self, start_ns: int, end_ns: int, names: Sequence[str]) -> Columns:
        """Return rows with start <= time < end and whichever of `names` the piece has."""
        raise NotImplementedError

    def next_time(self, start_ns: int) -> int | None:
        """Return a time at or before the first row at or after `start_ns`; None if there is none."""
        raise NotImplementedError

    def close(self) -> None:
        """Let go of files and memory."""


class BlobCursor(Cursor):
    """Rows already in memory."""

    def __init__(self, columns: Columns) -> None:
        self._columns = columns
        self.first_ns = int(columns[TIME][0])
        self.last_ns = int(columns[TIME][-1])

    def rows(self, start_ns: int, end_ns: int, names: Sequence[str]) -> Columns:
        """Return a window of the rows."""
        piece = window(self._columns, start_ns, end_ns)
        return {name: piece[name] for name in (TIME, LOAD, *names) if name in piece}

    def next_time(self, start_ns: int) -> int | None:
        """Return the exact next time."""
        time = self._columns[TIME]
        at = int(np.searchsorted(time, start_ns))
        return int(time[at]) if at < time.size else None


class SegmentCursor(Cursor):
    """One Parquet segment, read row group by row group.

    Parameters
    ----------
    max_load : int, optional
        Rows of later loads are hidden (an older snapshot reads a segment sealed later).
    """

    def __init__(
        self,
        files: SegmentFiles,
        name: str,
        first_ns: int,
        last_ns: int,
        channels: Sequence[str],
        max_load: int | None = None,
    ) -> None:
        self._files, self._name, self._channels, self._max_load = files, name, set(channels), max_load
        self.first_ns, self.last_ns = first_ns, last_ns
        self._open: pq.ParquetFile | None = None
        self._bounds: list[tuple[int, int]] = []
        self._held: dict[int, Columns] = {}
        self._held_names: tuple[str, ...] = ()

    def _file(self) -> pq.ParquetFile:
        if self._open is None:
            self._open = self._files.open(self._name)
            meta = self._open.metadata
            at = self._open.schema_arrow.get_field_index(TIME)
            for group in range(meta.num_row_groups):
                statistics = meta.row_group(group).column(at).statistics
                self._bounds.append((statistics.min, statistics.max))
        return self._open

    def _group(self, group: int, names: tuple[str, ...]) -> Columns:
        if names != self._held_names:
            self._held.clear()
            self._held_names = names
        if group not in self._held:
            table = self._file().read_row_group(group, columns=list(names), use_threads=False)
            columns = {name: table.column(name).to_numpy().astype(dtype_of(name), copy=False) for name in names}
            if self._max_load is not None:
                keep = columns[LOAD] <= self._max_load
                columns = {name: value[keep] for name, value in columns.items()}
            self._held[group] = columns
        return self._held[group]

    def rows(self, start_ns: int, end_ns: int, names: Sequence[str]) -> Columns:
        """Decode the row groups that the window touches, and keep only those."""
        if end_ns <= self.first_ns or start_ns > self.last_ns:
            self._held.clear()
            return joined([], (TIME, LOAD))
        self._file()
        wanted = (TIME, LOAD, *(name for name in names if name in self._channels))
        touched = [g for g, (low, high) in enumerate(self._bounds) if low < end_ns and high >= start_ns]
        for group in [g for g in self._held if g not in touched]:
            del self._held[group]
        pieces = [window(self._group(group, wanted), start_ns, end_ns) for group in touched]
        pieces = [piece for piece in pieces if piece[TIME].size]
        if not pieces:
            return joined([], wanted)
        if len(pieces) == 1:
            return pieces[0]
        # Row groups of one file are sorted among themselves; equal stamps may straddle two of them.
        return {name: np.concatenate([piece[name] for piece in pieces]) for name in wanted}

    def next_time(self, start_ns: int) -> int | None:
        """Return the next time exactly where its row group is in memory; else the earliest it can be."""
        if start_ns > self.last_ns:
            return None
        if start_ns <= self.first_ns:
            return self.first_ns
        self._file()
        for group, (low, high) in enumerate(self._bounds):
            if high < start_ns:
                continue
            if start_ns <= low:
                return low
            if group not in self._held:
                return start_ns
            # A gap inside a row group is passed in one step, however long it is.
            time = self._held[group][TIME]
            at = int(np.searchsorted(time, start_ns))
            if at < time.size:
                return int(time[at])
        return None

    def close(self) -> None:
        """Close the file."""
        self._held.clear()
        if self._open is not None:
            self._open.close()
            self._open = None
            self._bounds = []


@dataclass
class Plan:
    """What to read for one stream at one snapshot."""

    cursors: list[Cursor] = field(default_factory=list)
    """Pieces, in no order."""
    channels: list[str] = field(default_factory=list)
    """Union of their channels, sorted."""

    def rows(self, start_ns: int, end_ns: int, names: Sequence[str], *, load: bool = False) -> Columns:
        """Return the merged rows of a window, `time` first."""
        touching = [c for c in self.cursors if c.first_ns < end_ns and c.last_ns >= start_ns]
        pieces = [cursor.rows(start_ns, end_ns, names) for cursor in touching]
        return joined(pieces, (TIME, *names, LOAD) if load else (TIME, *names))

    def windows(
        self, step_ns: int, align_ns: int, start_ns: int, end_ns: int, names: Sequence[str]
    ) -> Iterator[Columns]:
        """Yield the non-empty windows [k step, (k + 1) step) + align, in order."""
        at = start_ns
        live = sorted(self.cursors, key=lambda cursor: cursor.first_ns)
        while at < end_ns:
            for cursor in [c for c in live if c.last_ns < at]:
                cursor.close()
                live.remove(cursor)
            nexts = [n for n in (cursor.next_time(at) for cursor in live) if n is not None]
            if not nexts:
                return
            low = max(at, align_ns + (min(nexts) - align_ns) // step_ns * step_ns)
            if low >= end_ns:
                return
            high = min(end_ns, align_ns + ((low - align_ns) // step_ns + 1) * step_ns)
            chunk = self.rows(low, high, names)
            if chunk[TIME].size:
                yield chunk
            at = high

    def close(self) -> None:
        """Close every file."""
        for cursor in self.cursors:
            cursor.close()


def make_plan(
    connection: sqlite3.Connection,
    files: SegmentFiles,
    stream: str,
    snapshot: int,
    start_ns: int | None = None,
    end_ns: int | None = None,
) -> Plan:
    """Return what to read of `stream` at `snapshot`, as far as it touches [start, end)."""
    limit: tuple[Any, ...] = (
        stream,
        -(2**63) if start_ns is None else start_ns,
        2**63 - 1 if end_ns is None else end_ns,
    )
    row = connection.execute("SELECT MAX(id) FROM loads WHERE snapshot <= ?", (snapshot,)).fetchone()
    newest_load = -1 if row[0] is None else int(row[0])
    plan = Plan()
    channels: set[str] = set()
    for name, first, last, names, max_load in connection.execute(
        "SELECT file, first_ns, last_ns, channels, max_load FROM segments"
        " WHERE stream = ? AND last_ns >= ? AND first_ns < ?"
        " AND valid_from <= ? AND (valid_to IS NULL OR valid_to > ?) AND min_load <= ?",
        (*limit, snapshot, snapshot, newest_load),
    ):
        listed = json.loads(names)
        channels.update(listed)
        hidden = newest_load if max_load > newest_load else None
        plan.cursors.append(SegmentCursor(files, name, first, last, listed, hidden))
    for max_load, blob in connection.execute(
        "SELECT max_load, blob FROM tail WHERE stream = ? AND last_ns >= ? AND first_ns < ? AND min_load <= ?",
        (*limit, newest_load),
    ):
        columns = unpack(blob)
        if max_load > newest_load:
            keep = columns[LOAD] <= newest_load
            columns = {name: value[keep] for name, value in columns.items()}
        if columns[TIME].size:
            plan.cursors.append(BlobCursor(columns))
            channels.update(name for name in columns if name not in {TIME, LOAD})
    plan.channels = sorted(channels)
    return plan
