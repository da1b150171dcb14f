"""The store's public face.

Here:     opening, reading, snapshots, sources, flags, the logical content hash, rebuilding in place.
Not here: how pieces are merged (`_reader`), how commits are made (`_writer`).
Rules:    every reading call works on one snapshot; reading never writes.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

import numpy as np
import numpy.typing as npt

from reeftally.errors import StoreError
from reeftally.store._catalogue import connect_writer, finish_writer, query
from reeftally.store._columns import TIME, Columns, row_keys
from reeftally.store._flags import FlagRuns, runs_from
from reeftally.store._lock import WriterLock
from reeftally.store._reader import Plan, make_plan
from reeftally.store._segments import LocalSegments, RemoteSegments, SegmentFiles, sync_folder
from reeftally.store._writer import Writer

__all__ = ["Store", "StreamInfo", "open_store"]

T = TypeVar("T")
_FIRST, _LAST = -(2**63), 2**63 - 1


@dataclass(frozen=True, slots=True)
class StreamInfo:
    """What the store holds of one instrument."""

    name: str
    """Instrument label."""
    channels: tuple[str, ...]
    """Channel names, sorted."""
    rows: int
    """Rows at the newest snapshot."""
    first_ns: int
    """First stamp. [ns since 1970 UTC]"""
    last_ns: int
    """Last stamp. [ns since 1970 UTC]"""


def open_store(
    folder: str | Path, write: bool = False, *, segments_url: str | None = None, wait_s: float = 0.0
) -> Store:
    """Open the observations of a mission folder.

    Parameters
    ----------
    folder : path
        The mission folder; the store lies in its `observations/`.
    write : bool
        Take the writer's lock; only one process at a time can. Close the store to give it back.
    segments_url : str, optional
        Where sealed segments lie, if not in `observations/segments` (any fsspec URL).
    wait_s : float
        How long to wait for another writer. [s]

    Returns
    -------
    Store
        Reading a folder in which nothing has been taken in gives an empty store.

    Raises
    ------
    StoreLockedError
        If another process is writing.
    StoreError
        If the folder cannot be written although `write` is asked, or the format is unknown.
    """
    return Store(Path(folder), write=write, segments_url=segments_url, wait_s=wait_s)


class Store:
    """Observations of a mission; see `open_store`."""

    def __init__(
        self,
        folder: Path,
        *,
        write: bool = False,
        segments_url: str | None = None,
        wait_s: float = 0.0,
        catalogue: str = "catalogue.sqlite",
        generation: tuple[int, int] | None = None,
    ) -> None:
        self.folder = folder
        self._root = folder / "observations"
        self._path = self._root / catalogue
        self._lock: WriterLock | None = None
        self._connection: sqlite3.Connection | None = None
        self._snapshot: int | None = None
        self.generation = 1
        self._files: SegmentFiles = (
            RemoteSegments(segments_url) if segments_url else LocalSegments(self._root / "segments")
        )
        if write:
            self._open_for_writing(wait_s, generation)

    def _open_for_writing(self, wait_s: float, generation: tuple[int, int] | None) -> None:
        try:
            self._root.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            message = f"{self._root} cannot be made ({error.strerror}); choose a folder that can be written."
            raise StoreError(message) from error
        if generation is None:
            self._lock = WriterLock(self._root / "writer.lock", wait_s=wait_s)
        try:
            first_snapshot, number = generation or (0, 1)
            self._connection = connect_writer(self._path, first_snapshot=first_snapshot, generation=number)
            sync_folder(self._root)
            meta = dict(self._connection.execute("SELECT key, value FROM meta").fetchall())
            self.generation = int(meta["generation"])
            newest = self._connection.execute("SELECT MAX(id) FROM snapshots").fetchone()[0]
            self._snapshot = int(meta["first_snapshot"]) if newest is None else int(newest)
            if generation is None:
                self._sweep()
        except BaseException:
            self.close()
            raise

    def _sweep(self) -> None:
        """Remove what killed writers left: segments that no catalogue names."""
        assert self._connection is not None
        named = {row[0] for row in self._connection.execute("SELECT file FROM segments")}
        for name in self._files.names():
            if name not in named:
                self._files.remove(name)
        for suffix in ("", "-wal", "-shm"):
            (self._root / f"rebuilding.sqlite{suffix}").unlink(missing_ok=True)

    # -- writing -----------------------------------------------------------------------------------

    def writer(self, note: str = "") -> Writer:
        """Return a commit in the making; use it in a `with` statement.

        Raises
        ------
        StoreError
            If the store was not opened with ``write=True``.
        """
        if self._connection is None:
            message = "The store is open for reading only; open it with write=True."
            raise StoreError(message)
        return Writer(self, self._connection, self._files, note)

    def _committed(self, snapshot: int) -> None:
        self._snapshot = snapshot

    def vacuum(self) -> int:
        """Remove segments that only old snapshots need; return how many.

        Snapshots from before the last compaction can then no longer be read, and say so.
        """
        if self._connection is None:
            message = "The store is open for reading only; open it with write=True."
            raise StoreError(message)
        dead = self._connection.execute("SELECT file, valid_to FROM segments WHERE valid_to IS NOT NULL").fetchall()
        if not dead:
            return 0
        first = max(int(row[1]) for row in dead)
        self._connection.execute("BEGIN IMMEDIATE")
        self._connection.execute("DELETE FROM segments WHERE valid_to IS NOT NULL")
        self._connection.execute("UPDATE meta SET value = ? WHERE key = 'first_snapshot'", (str(first),))
        self._connection.execute("COMMIT")
        for name, _ in dead:
            self._files.remove(name)
        return len(dead)

    def close(self) -> None:
        """Checkpoint (if this is the writer) and give back the lock; a second call does nothing."""
        if self._connection is not None:
            finish_writer(self._connection)
            self._connection = None
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # -- reading -----------------------------------------------------------------------------------

    def _query(self, work: Callable[[sqlite3.Connection], T], nothing: T) -> T:
        if self._connection is not None:
            return work(self._connection)
        if not self._path.exists():
            return nothing
        return query(self._path, work)

    def snapshot(self) -> int:
        """Return the number of the newest commit; 0 before the first."""

        def newest(connection: sqlite3.Connection) -> int:
            row = connection.execute("SELECT MAX(id) FROM snapshots").fetchone()
            if row[0] is not None:
                return int(row[0])
            row = connection.execute("SELECT value FROM meta WHERE key = 'first_snapshot'").fetchone()
            return int(row[0])

        if self._connection is not None and self._snapshot is not None:
            return self._snapshot
        return self._query(newest, 0)

    def _wanted(self, connection: sqlite3.Connection, snapshot: int | None) -> int:
        newest = connection.execute("SELECT MAX(id) FROM snapshots").fetchone()[0]
        first = int(connection.execute("SELECT value FROM meta WHERE key = 'first_snapshot'").fetchone()[0])
        newest = first if newest is None else int(newest)
        if snapshot is None:
            return newest
        if not first <= snapshot <= newest:
            message = (
                f"Snapshot {snapshot} cannot be read: the store holds {first} to {newest}. Earlier ones went "
                "with a rebuild or a clean-up; analyse again from the raw bytes."
            )
            raise StoreError(message)
        return snapshot

    def streams(self) -> dict[str, StreamInfo]:
        """Return what is held, by instrument label."""

        def work(connection: sqlite3.Connection) -> dict[str, StreamInfo]:
            found: dict[str, list[Any]] = {}
            for stream, rows, first, last, channels in connection.execute(
                "SELECT stream, rows, first_ns, last_ns, channels FROM segments WHERE valid_to IS NULL"
                " UNION ALL SELECT stream, rows, first_ns, last_ns, channels FROM tail"
            ):
                entry = found.setdefault(stream, [0, _LAST, _FIRST, set()])
                entry[0] += rows
                entry[1], entry[2] = min(entry[1], first), max(entry[2], last)
                entry[3].update(json.loads(channels))
            return {
                stream: StreamInfo(stream, tuple(sorted(names)), rows, first, last)
                for stream, (rows, first, last, names) in sorted(found.items())
            }

        return self._query(work, {})

    def _plan(self, stream: str, start: int | None, end: int | None, snapshot: int | None) -> Plan:
        def work(connection: sqlite3.Connection) -> Plan:
            wanted = self._wanted(connection, snapshot)
            plan = make_plan(connection, self._files, stream, wanted, start, end)
            known = set(plan.channels)
            for (names,) in connection.execute(
                "SELECT DISTINCT channels FROM segments WHERE stream = ?"
                " UNION SELECT DISTINCT channels FROM tail WHERE stream = ?",
                (stream, stream),
            ):
                known.update(json.loads(names))
            if not known:
                held = [row[0] for row in connection.execute("SELECT DISTINCT stream FROM loads ORDER BY 1")]
                message = f"There is no stream {stream!r}; the store holds: {', '.join(held) or 'nothing yet'}."
                raise StoreError(message)
            plan.channels = sorted(known)
            return plan

        if self._connection is None and not self._path.exists():
            message = f"There is no stream {stream!r}; nothing has been taken in yet."
            raise StoreError(message)
        return self._query(work, Plan())

    @staticmethod
    def _names(plan: Plan, stream: str, channels: Sequence[str] | None) -> tuple[str, ...]:
        if channels is None:
            return tuple(plan.channels)
        names = tuple(name for name in channels if name != TIME)
        unknown = [name for name in names if name not in plan.channels]
        if unknown:
            message = f"Stream {stream} has no channel {', '.join(unknown)}; it has {', '.join(plan.channels)}."
            raise StoreError(message)
        return names

    def read(
        self,
        stream: str,
        start_ns: int | None = None,
        end_ns: int | None = None,
        channels: Sequence[str] | None = None,
        snapshot: int | None = None,
    ) -> Columns:
        """Return rows with start <= time < end, sorted by time, as one array a channel.

        Parameters
        ----------
        stream : str
            Instrument label.
        start_ns, end_ns : int, optional
            Half-open range. [ns since 1970 UTC]
        channels : sequence of str, optional
            Default all; `time` is always there. A channel that some rows lack is NaN there.
        snapshot : int, optional
            Default the newest.

        Raises
        ------
        StoreError
            For an unknown stream or channel, a snapshot that is gone, a damaged segment.
        """
        plan = self._plan(stream, start_ns, end_ns, snapshot)
        try:
            return plan.rows(
                _FIRST if start_ns is None else start_ns,
                _LAST if end_ns is None else end_ns,
                self._names(plan, stream, channels),
            )
        finally:
            plan.close()

    def chunks(
        self,
        stream: str,
        seconds: float = 3600.0,
        start_ns: int | None = None,
        end_ns: int | None = None,
        channels: Sequence[str] | None = None,
        snapshot: int | None = None,
        align_ns: int = 0,
    ) -> Iterator[Columns]:
        """Yield the rows in windows of `seconds` that begin at `align_ns` plus a whole number of windows.

        Windows without rows are left out. Memory holds one window and the row groups it touches. All
        windows come from one snapshot, also while a writer goes on.
        """
        step = round(seconds * 1e9)
        if step <= 0:
            message = f"Chunks of {seconds} s cannot be; give a positive length."
            raise StoreError(message)
        plan = self._plan(stream, start_ns, end_ns, snapshot)
        try:
            yield from plan.windows(
                step,
                align_ns,
                _FIRST // 2 if start_ns is None else start_ns,
                _LAST // 2 if end_ns is None else end_ns,
                self._names(plan, stream, channels),
            )
        finally:
            plan.close()

    def sources(self, stream: str, start_ns: int | None = None, end_ns: int | None = None) -> list[str]:
        """Return the raw hashes whose loads touch [start, end) of `stream`, in order of loading."""

        def work(connection: sqlite3.Connection) -> list[str]:
            rows = connection.execute(
                "SELECT raw, MIN(id) FROM loads WHERE stream = ? AND rows > 0 AND last_ns >= ?"
                " AND first_ns < ? GROUP BY raw ORDER BY 2",
                (stream, _FIRST if start_ns is None else start_ns, _LAST if end_ns is None else end_ns),
            )
            return [str(raw).partition("!")[0] for raw, _ in rows]

        nothing: list[str] = []
        return list(dict.fromkeys(self._query(work, nothing)))

    def commit_times(self, last: int = 200) -> list[int]:
        """Return when the newest commits were made, by the clock of their writers, oldest first. [ns since 1970 UTC]"""

        def work(connection: sqlite3.Connection) -> list[int]:
            rows = connection.execute("SELECT committed_ns FROM snapshots ORDER BY id DESC LIMIT ?", (last,)).fetchall()
            return [int(row[0]) for row in reversed(rows)]

        nothing: list[int] = []
        return self._query(work, nothing)

    def newest_load(self, stream: str, start_ns: int | None = None, end_ns: int | None = None) -> int:
        """Return the number of the newest load that touches [start, end) of `stream`; 0 where there is none.

        What was read of the window stays true as long as the number stays the same.
        """

        def work(connection: sqlite3.Connection) -> int:
            row = connection.execute(
                "SELECT MAX(id) FROM loads WHERE stream = ? AND rows > 0 AND last_ns >= ? AND first_ns < ?",
                (stream, _FIRST if start_ns is None else start_ns, _LAST if end_ns is None else end_ns),
            ).fetchone()
            return 0 if row[0] is None else int(row[0])

        return self._query(work, 0)

    def flags(self, stream: str, channel: str, *, snapshot: int | None = None) -> dict[str, FlagRuns]:
        """Return the automatic flags of a channel, by test."""

        def work(connection: sqlite3.Connection) -> dict[str, FlagRuns]:
            wanted = self._wanted(connection, snapshot)
            blobs: dict[str, list[bytes]] = {}
            for test, blob in connection.execute(
                "SELECT test, blob FROM flags WHERE stream = ? AND channel = ? AND valid_from <= ?"
                " AND (valid_to IS NULL OR valid_to > ?) ORDER BY test, id",
                (stream, channel, wanted, wanted),
            ):
                blobs.setdefault(test, []).append(blob)
            return {test: runs_from(found) for test, found in blobs.items()}

        return self._query(work, {})

    def raw_record(self, key: str) -> dict[str, Any] | None:
        """Return what was remembered about a raw file, or None."""

        def work(connection: sqlite3.Connection) -> dict[str, Any] | None:
            row = connection.execute("SELECT record FROM raw_records WHERE key = ?", (key,)).fetchone()
            return None if row is None else dict(json.loads(row[0]))

        return self._query(work, None)

    def raw_records(self) -> dict[str, dict[str, Any]]:
        """Return everything remembered about raw files, by key."""

        def work(connection: sqlite3.Connection) -> dict[str, dict[str, Any]]:
            rows = connection.execute("SELECT key, record FROM raw_records ORDER BY key")
            return {key: json.loads(record) for key, record in rows}

        return self._query(work, {})

    def snapshots(self) -> list[tuple[int, int, str]]:
        """Return (number, time of commit [ns], note) of every commit."""

        def work(connection: sqlite3.Connection) -> list[tuple[int, int, str]]:
            return [
                (int(number), int(when), str(note))
                for number, when, note in connection.execute("SELECT * FROM snapshots ORDER BY id")
            ]

        return self._query(work, [])

    def content_hash(self, snapshot: int | None = None) -> str:
        """Return a hash of all rows of all streams, blind to how they are cut into segments and commits."""
        whole = hashlib.sha256()
        for stream in self.streams():
            plan = self._plan(stream, None, None, snapshot)
            names = plan.channels
            hashers = {name: hashlib.sha256() for name in (TIME, *names)}
            rows = 0
            try:
                for chunk in plan.windows(3_600_000_000_000, 0, _FIRST // 2, _LAST // 2, names):
                    # Rows of one stamp have no order of their own; sort them by their values.
                    time = chunk[TIME]
                    if bool(np.any(time[1:] == time[:-1])):
                        order = np.lexsort((row_keys(chunk, names), time))
                        chunk = {name: value[order] for name, value in chunk.items()}  # noqa: PLW2901
                    rows += int(time.size)
                    for name, hasher in hashers.items():
                        hasher.update(_canonical(chunk[name]))
            finally:
                plan.close()
            if rows:
                whole.update(f"{stream}\x00{rows}\x00".encode())
                for name, hasher in hashers.items():
                    whole.update(f"{name}\x00{hasher.hexdigest()}\x00".encode())
        return whole.hexdigest()

    # -- rebuilding --------------------------------------------------------------------------------

    def begin_rebuild(self) -> Store:
        """Return an empty store in the making that will take this one's place; see `finish_rebuild`.

        Readers keep reading the old one meanwhile. Snapshot numbers go on from the old ones.
        """
        if self._connection is None:
            message = "The store is open for reading only; open it with write=True."
            raise StoreError(message)
        for suffix in ("", "-wal", "-shm"):
            (self._root / f"rebuilding.sqlite{suffix}").unlink(missing_ok=True)
        fresh = Store(
            self.folder,
            write=True,
            catalogue="rebuilding.sqlite",
            generation=(self.snapshot() + 1, self.generation + 1),
        )
        fresh._files = self._files
        return fresh

    def finish_rebuild(self, fresh: Store) -> None:
        """Put `fresh` in the place of this store, in one rename, and remove the old segments."""
        assert self._connection is not None
        fresh.close()
        finish_writer(self._connection)
        self._connection = None
        for suffix in ("-wal", "-shm"):
            # Checkpointed and closed; a leftover log of the old file must never meet the new one.
            self._path.with_name(self._path.name + suffix).unlink(missing_ok=True)
        (self._root / "rebuilding.sqlite").replace(self._path)
        sync_folder(self._root)
        self._connection = connect_writer(self._path)
        meta = dict(self._connection.execute("SELECT key, value FROM meta").fetchall())
        self.generation = int(meta["generation"])
        newest = self._connection.execute("SELECT MAX(id) FROM snapshots").fetchone()[0]
        self._snapshot = int(meta["first_snapshot"]) if newest is None else int(newest)
        self._sweep()


def _canonical(values: npt.NDArray[np.generic]) -> bytes:
    """Return bytes in which NaN has one pattern and zero one sign."""
    if values.dtype == np.int64:
        return values.astype("<i8").tobytes()
    numbers = values.astype("<f8") + 0.0
    numbers[np.isnan(numbers)] = np.nan
    return numbers.tobytes()
