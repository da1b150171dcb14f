"""Writing: batches gathered into one commit, synced before the catalogue names them.

Here:     the one writer, its commits, sealing of the live tail, compaction.
Not here: the lock (`_lock`), what a row means.
Rules:    a commit is one SQLite transaction and either wholly there or not at all; segments are on the
          disk before it begins.
"""

from __future__ import annotations

import errno
import json
import re
import sqlite3
import time as clock
from collections.abc import Mapping, Sequence
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import numpy as np
import numpy.typing as npt

from reeftally.errors import StoreError
from reeftally.store._columns import LOAD, TIME, Columns, checked, joined
from reeftally.store._flags import runs_of, runs_outside
from reeftally.store._merge import AppendResult, merge, rows_at, sort_by_time
from reeftally.store._reader import BlobCursor, make_plan
from reeftally.store._segments import SegmentFiles, pack, unpack

if TYPE_CHECKING:
    from reeftally.store._store import Store

__all__ = ["SEAL_ROWS", "SEGMENT_ROWS", "Writer"]

SEGMENT_ROWS = 1_310_720
"""No segment is longer than this."""
SEAL_ROWS = 131_072
"""Batches or tails of at least this many rows become a segment."""
SEAL_BYTES = 8 << 20
"""So do tails of this many bytes."""
TAIL_BLOBS = 128
"""More blobs than this in a tail are packed into one."""


class Writer:
    """One commit in the making; a context manager that commits on a clean exit and drops on an error.

    Get it from `Store.writer`. `commit` may be called any number of times within.
    """

    def __init__(self, store: Store, connection: sqlite3.Connection, files: SegmentFiles, note: str) -> None:
        self._store, self._connection, self._files, self._note = store, connection, files, note
        row = connection.execute("SELECT MAX(id) FROM loads").fetchone()
        self._next_load = 1 if row[0] is None else int(row[0]) + 1
        self._ranges: dict[str, list[tuple[int, int]]] = {}
        for stream, first, last in connection.execute(
            "SELECT stream, first_ns, last_ns FROM segments WHERE valid_to IS NULL"
        ):
            self._ranges.setdefault(stream, []).append((first, last))
        # The tail counts as one range, so that a long live feed does not slow down; it only grows, as a
        # range too wide costs a look and one too narrow would let a repeated row in.
        self._tails: dict[str, tuple[int, int]] = {
            stream: (first, last)
            for stream, first, last in connection.execute(
                "SELECT stream, MIN(first_ns), MAX(last_ns) FROM tail GROUP BY stream"
            )
        }
        self._drop()

    def _drop(self) -> None:
        self._rows: dict[str, list[Columns]] = {}
        self._loads: list[tuple[Any, ...]] = []
        self._records: dict[str, str] = {}
        self._flags: list[tuple[str, str, str, int, int, bytes]] = []

    # -- gathering ---------------------------------------------------------------------------------

    def append(
        self,
        stream: str,
        columns: Mapping[str, npt.ArrayLike],
        raw_hash: str,
        offset_from: int,
        offset_to: int,
        *,
        earlier: Sequence[str] = (),
    ) -> AppendResult:
        """Add rows decoded from bytes [offset_from, offset_to) of a raw file.

        Parameters
        ----------
        stream : str
            Instrument label.
        columns : mapping of 1-d arrays of one length
            `time` (int64 ns UTC or datetime64) and channels in canonical units, in the order of the file.
        raw_hash : str
            Key of the raw file.
        offset_from, offset_to : int
            The bytes these rows came from. [bytes]
        earlier : sequence of str
            Keys of shorter states of the same growing file.

        Returns
        -------
        AppendResult
            Rows new, repeated (equal to a held row: left out), kept twice (the same file, one stamp, other
            values: added) and refused (another file, one stamp, other values: left out).

        Raises
        ------
        StoreError
            If the columns do not fit, or the bytes overlap bytes of this raw file that are loaded already.
        """
        batch, order = sort_by_time(checked(stream, columns))
        if offset_to < offset_from:
            message = f"Stream {stream}: offsets {offset_from} to {offset_to} run backwards."
            raise StoreError(message)
        done = self.loaded_to(stream, raw_hash)
        if offset_from < done:
            message = (
                f"Stream {stream}: bytes {offset_from} to {offset_to} of raw file {raw_hash[:12]} overlap what "
                f"is loaded already (up to byte {done}); go on from there."
            )
            raise StoreError(message)
        load = self._next_load
        self._next_load += 1
        times = np.asarray(batch[TIME], np.int64)
        held = self._held(stream, times)
        raw_of, family = self._family(stream, held, {raw_hash, *earlier})
        kept, result = merge(batch, held, family, raw_of)
        if order is not None and result.left_out is not None:
            in_given_order = np.empty_like(result.left_out)
            in_given_order[order] = result.left_out
            result.left_out = in_given_order
        kept = dict(kept)
        size = kept[TIME].size
        kept[LOAD] = np.full(size, load, np.int32)
        if size:
            self._rows.setdefault(stream, []).append(kept)
        first, last = (int(times[0]), int(times[-1])) if times.size else (None, None)
        self._loads.append((load, stream, raw_hash, offset_from, offset_to, first, last, size))
        return result

    def loaded_to(self, stream: str, raw_hash: str) -> int:
        """Return the byte up to which `raw_hash` has given rows to `stream`. [bytes]"""
        row = self._connection.execute(
            "SELECT MAX(offset_to) FROM loads WHERE raw = ? AND stream = ?", (raw_hash, stream)
        ).fetchone()
        pending = [load[4] for load in self._loads if load[1] == stream and load[2] == raw_hash]
        return int(max([0 if row[0] is None else int(row[0]), *pending]))

    def _held(self, stream: str, times: npt.NDArray[np.int64]) -> list[Columns]:
        """Rows at any stamp of `times`, from segments, tail and this commit, in bounded memory."""
        held: list[Columns] = []
        if not times.size:
            return held
        low, high = int(times[0]), int(times[-1]) + 1
        for piece in self._rows.get(stream, []):
            if piece[TIME][0] >= high or piece[TIME][-1] < low:
                continue
            found = rows_at(piece, times)
            if found is not None:
                held.append(found)
        ranges = self._ranges.get(stream, [])
        if stream in self._tails:
            ranges = [*ranges, self._tails[stream]]
        if not any(first < high and last >= low for first, last in ranges):
            return held
        snapshot = self._store.snapshot()
        plan = make_plan(self._connection, self._files, stream, snapshot, low, high)
        try:
            for cursor in plan.cursors:
                at = cursor.next_time(low)
                while at is not None and at < high:
                    # Only windows that hold stamps of the batch are read, an hour at a time.
                    place = int(np.searchsorted(times, at))
                    if place == times.size:
                        break
                    at = int(max(at, times[place]))
                    end = min(high, at + 3_600_000_000_000)
                    found = rows_at(cursor.rows(at, end, plan.channels), times)
                    if found is not None:
                        held.append({name: np.array(value) for name, value in found.items()})
                    at = cursor.next_time(end)
        finally:
            plan.close()
        return held

    def _family(self, stream: str, held: list[Columns], raws: set[str]) -> tuple[dict[int, str], npt.NDArray[np.int32]]:
        loads = sorted({int(load) for piece in held for load in np.unique(piece[LOAD])})
        raw_of = {load[0]: str(load[2]) for load in self._loads if load[1] == stream}
        for load in loads:
            if load not in raw_of:
                row = self._connection.execute("SELECT raw FROM loads WHERE id = ?", (load,)).fetchone()
                raw_of[load] = str(row[0])
        return raw_of, np.array([load for load in loads if raw_of[load] in raws], np.int32)

    def record_raw(self, key: str, record: Mapping[str, Any]) -> None:
        """Remember `record` (anything JSON) about a raw file, in the same commit as its rows."""
        text = json.dumps(record, ensure_ascii=False, sort_keys=True)
        row = self._connection.execute("SELECT record FROM raw_records WHERE key = ?", (key,)).fetchone()
        if row is not None and row[0] == text:
            # Saying the same again is no change, so a repeated intake makes no new snapshot.
            self._records.pop(key, None)
        else:
            self._records[key] = text

    def set_flags(
        self,
        stream: str,
        channel: str,
        test: str,
        *,
        times: npt.ArrayLike,
        flags: npt.ArrayLike,
    ) -> None:
        """Set the automatic flags of one test, replacing those inside the range of `times`.

        Parameters
        ----------
        stream, channel, test : str
            What was tested, by which test.
        times : int64 array (n,)
            Stamps of the rows tested, sorted. [ns since 1970 UTC]
        flags : integer array (n,)
            QARTOD flags: 1 good, 2 not evaluated, 3 suspect, 4 fail, 9 missing.
        """
        first, last, blob = runs_of(stream, times, flags)
        if blob:
            self._flags.append((stream, channel, test, first, last, blob))

    # -- committing --------------------------------------------------------------------------------

    def pending_rows(self) -> int:
        """Return the rows gathered since the last commit."""
        return sum(int(piece[TIME].size) for pieces in self._rows.values() for piece in pieces)

    def commit(self, note: str = "") -> int:
        """Make everything gathered visible at once; return the snapshot number.

        Without anything to commit the number stays what it was.
        """
        if not (self._loads or self._records or self._flags):
            return self._store.snapshot()
        cursor = self._connection
        snapshot = self._store.snapshot() + 1
        segments: list[tuple[Any, ...]] = []
        tails: list[tuple[Any, ...]] = []
        emptied: list[int] = []
        written: list[str] = []
        try:
            for stream in sorted(self._rows):
                self._place(stream, snapshot, segments, tails, emptied, written)
            if written:
                self._files.sync()
            cursor.execute("BEGIN IMMEDIATE")
            cursor.execute("INSERT INTO snapshots VALUES (?, ?, ?)", (snapshot, clock.time_ns(), note or self._note))
            cursor.executemany(
                "INSERT INTO loads VALUES (?,?,?,?,?,?,?,?,?)", [(*load, snapshot) for load in self._loads]
            )
            cursor.executemany(
                "INSERT INTO segments (stream, file, rows, bytes, first_ns, last_ns, channels, min_load,"
                " max_load, valid_from) VALUES (?,?,?,?,?,?,?,?,?,?)",
                segments,
            )
            cursor.executemany("DELETE FROM tail WHERE id = ?", [(number,) for number in emptied])
            cursor.executemany(
                "INSERT INTO tail (stream, rows, first_ns, last_ns, channels, min_load, max_load, blob)"
                " VALUES (?,?,?,?,?,?,?,?)",
                tails,
            )
            cursor.executemany(
                "INSERT OR REPLACE INTO raw_records VALUES (?, ?, ?)",
                [(key, record, snapshot) for key, record in self._records.items()],
            )
            for flagged in self._flags:
                self._replace_flags(flagged, snapshot)
            cursor.execute("COMMIT")
        except BaseException as error:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            for name in written:
                self._files.remove(name)
            self._drop()
            if _is_full(error):
                message = (
                    "The disk of the observations is full. What was committed before stays, nothing is half "
                    "written; make room and do the same again, it goes on where it stopped."
                )
                raise StoreError(message) from error
            raise
        for row in segments:
            self._ranges.setdefault(row[0], []).append((row[4], row[5]))
        for row in tails:
            low, high = self._tails.get(row[0], (row[2], row[3]))
            self._tails[row[0]] = (min(low, row[2]), max(high, row[3]))
        self._drop()
        self._store._committed(snapshot)
        return snapshot

    def _place(
        self,
        stream: str,
        snapshot: int,
        segments: list[tuple[Any, ...]],
        tails: list[tuple[Any, ...]],
        emptied: list[int],
        written: list[str],
    ) -> None:
        """Decide where the new rows of one stream go: a segment, or the tail."""
        pieces = self._rows[stream]
        rows = sum(int(piece[TIME].size) for piece in pieces)
        held = self._connection.execute(
            "SELECT COUNT(*), COALESCE(SUM(rows), 0), COALESCE(SUM(LENGTH(blob)), 0) FROM tail WHERE stream = ?",
            (stream,),
        ).fetchone()
        if rows < SEAL_ROWS:
            seal = rows + held[1] >= SEAL_ROWS or held[2] >= SEAL_BYTES
            if seal or held[0] >= TAIL_BLOBS:
                for number, blob in self._connection.execute(
                    "SELECT id, blob FROM tail WHERE stream = ? ORDER BY id", (stream,)
                ):
                    emptied.append(number)
                    pieces = [*pieces, unpack(blob)]
        else:
            seal = True
        merged = _merged(pieces)
        if not seal:
            tails.append((stream, *_facts(merged), pack(merged)))
            return
        size = int(merged[TIME].size)
        parts = -(-size // SEGMENT_ROWS)
        for part in range(parts):
            low, high = part * size // parts, (part + 1) * size // parts
            piece = {name: value[low:high] for name, value in merged.items()}
            segments.append(self._segment(stream, piece, snapshot, written))

    def _segment(self, stream: str, piece: Columns, snapshot: int, written: list[str]) -> tuple[Any, ...]:
        generation = self._store.generation
        name = f"{_slug(stream)}-{generation}-{snapshot:08d}-{len(written):03d}.parquet"
        written.append(name)
        size = self._files.write(name, piece)
        rows, first, last, channels, low, high = _facts(piece)
        # A sealed tail holds rows of earlier snapshots: it is valid since the first of them, and `_load`
        # hides the later rows from a reader of that snapshot.
        born = self._connection.execute("SELECT snapshot FROM loads WHERE id = ?", (low,)).fetchone()
        valid_from = snapshot if born is None else int(born[0])
        return (stream, name, rows, size, first, last, channels, low, high, valid_from)

    def _replace_flags(self, flagged: tuple[str, str, str, int, int, bytes], snapshot: int) -> None:
        stream, channel, test, first, last, blob = flagged
        touching = self._connection.execute(
            "SELECT id, blob FROM flags WHERE stream = ? AND channel = ? AND test = ?"
            " AND last_ns >= ? AND first_ns <= ? AND valid_to IS NULL",
            (stream, channel, test, first, last),
        ).fetchall()
        kept = []
        for number, old in touching:
            self._connection.execute("UPDATE flags SET valid_to = ? WHERE id = ?", (snapshot, number))
            kept += runs_outside(old, first, last)
        for piece in kept:
            self._connection.execute(
                "INSERT INTO flags (stream, channel, test, first_ns, last_ns, blob, valid_from) VALUES (?,?,?,?,?,?,?)",
                (stream, channel, test, *piece, snapshot),
            )
        self._connection.execute(
            "INSERT INTO flags (stream, channel, test, first_ns, last_ns, blob, valid_from) VALUES (?,?,?,?,?,?,?)",
            (stream, channel, test, first, last, blob, snapshot),
        )

    def compact(self, stream: str) -> int:
        """Rewrite the segments of `stream` as few, full, non-overlapping ones; return how many there are.

        Old snapshots keep reading the old files, which stay until `Store.vacuum`.
        """
        self.commit()
        snapshot = self._store.snapshot() + 1
        plan = make_plan(self._connection, self._files, stream, snapshot - 1)
        plan.cursors = [cursor for cursor in plan.cursors if not isinstance(cursor, BlobCursor)]
        if not plan.cursors:
            return 0
        segments: list[tuple[Any, ...]] = []
        written: list[str] = []
        gathered: list[Columns] = []
        rows = 0

        def flush() -> None:
            nonlocal gathered, rows
            if gathered:
                piece = joined(gathered, (TIME, *plan.channels, LOAD))
                made = self._segment(stream, piece, snapshot, written)
                segments.append((*made[:-1], snapshot))
            gathered, rows = [], 0

        try:
            for chunk in plan.windows(3_600_000_000_000, 0, -(2**62), 2**62, (*plan.channels, LOAD)):
                gathered.append(chunk)
                rows += int(chunk[TIME].size)
                if rows >= SEGMENT_ROWS:
                    flush()
            flush()
            self._files.sync()
            self._connection.execute("BEGIN IMMEDIATE")
            self._connection.execute(
                "INSERT INTO snapshots VALUES (?, ?, ?)", (snapshot, clock.time_ns(), f"compact {stream}")
            )
            self._connection.execute(
                "UPDATE segments SET valid_to = ? WHERE stream = ? AND valid_to IS NULL", (snapshot, stream)
            )
            self._connection.executemany(
                "INSERT INTO segments (stream, file, rows, bytes, first_ns, last_ns, channels, min_load,"
                " max_load, valid_from) VALUES (?,?,?,?,?,?,?,?,?,?)",
                segments,
            )
            self._connection.execute("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            for name in written:
                self._files.remove(name)
            raise
        finally:
            plan.close()
        self._store._committed(snapshot)
        return len(segments)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self.commit()
        else:
            self._drop()


def _merged(pieces: list[Columns]) -> Columns:
    names = sorted({name for piece in pieces for name in piece} - {TIME, LOAD})
    if len(pieces) == 1:
        return {name: pieces[0][name] for name in (TIME, *names, LOAD)}
    return joined(pieces, (TIME, *names, LOAD))


def _facts(piece: Columns) -> tuple[int, int, int, str, int, int]:
    time, load = piece[TIME], piece[LOAD]
    channels = json.dumps([name for name in piece if name not in {TIME, LOAD}])
    return (
        int(time.size),
        int(time[0]),
        int(time[-1]),
        channels,
        int(load.min()),
        int(load.max()),
    )


def _slug(stream: str) -> str:
    """Return a file-name form of an instrument label."""
    return re.sub(r"[^A-Za-z0-9_-]+", "_", stream) or "stream"


def _is_full(error: BaseException) -> bool:
    """Return whether an error says that the disk is full."""
    if isinstance(error, sqlite3.OperationalError):
        return "full" in str(error)
    return isinstance(error, OSError) and error.errno == errno.ENOSPC
