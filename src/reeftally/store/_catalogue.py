"""The catalogue: one SQLite file that says what exists, since which snapshot.

Here:     the schema, the writer's connection, and reading without ever writing.
Not here: rows of sealed segments (`_segments`), the rules of merging (`_writer`).
Rules:    a reader leaves no trace. With no writer at work the catalogue is one checkpointed file and is
          opened as immutable, so read-only media open; while a writer is at work its write-ahead log is
          honoured.
"""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TypeVar
from urllib.parse import quote

from reeftally.errors import StoreError

__all__ = ["FORMAT", "connect_writer", "finish_writer", "query"]

FORMAT = 1
T = TypeVar("T")

_SCHEMA = """
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS snapshots (id INTEGER PRIMARY KEY, committed_ns INTEGER NOT NULL, note TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS loads (
    id INTEGER PRIMARY KEY, stream TEXT NOT NULL, raw TEXT NOT NULL,
    offset_from INTEGER NOT NULL, offset_to INTEGER NOT NULL,
    first_ns INTEGER, last_ns INTEGER, rows INTEGER NOT NULL, snapshot INTEGER NOT NULL);
CREATE INDEX IF NOT EXISTS loads_by_stream ON loads (stream, first_ns);
CREATE INDEX IF NOT EXISTS loads_by_raw ON loads (raw, stream);
CREATE TABLE IF NOT EXISTS segments (
    id INTEGER PRIMARY KEY, stream TEXT NOT NULL, file TEXT NOT NULL UNIQUE, rows INTEGER NOT NULL,
    bytes INTEGER NOT NULL, first_ns INTEGER NOT NULL, last_ns INTEGER NOT NULL, channels TEXT NOT NULL,
    min_load INTEGER NOT NULL, max_load INTEGER NOT NULL,
    valid_from INTEGER NOT NULL, valid_to INTEGER);
CREATE INDEX IF NOT EXISTS segments_by_stream ON segments (stream, first_ns);
CREATE TABLE IF NOT EXISTS tail (
    id INTEGER PRIMARY KEY, stream TEXT NOT NULL, rows INTEGER NOT NULL,
    first_ns INTEGER NOT NULL, last_ns INTEGER NOT NULL, channels TEXT NOT NULL,
    min_load INTEGER NOT NULL, max_load INTEGER NOT NULL, blob BLOB NOT NULL);
CREATE INDEX IF NOT EXISTS tail_by_stream ON tail (stream, first_ns);
CREATE TABLE IF NOT EXISTS raw_records (
    key TEXT PRIMARY KEY, record TEXT NOT NULL, snapshot INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS flags (
    id INTEGER PRIMARY KEY, stream TEXT NOT NULL, channel TEXT NOT NULL, test TEXT NOT NULL,
    first_ns INTEGER NOT NULL, last_ns INTEGER NOT NULL, blob BLOB NOT NULL,
    valid_from INTEGER NOT NULL, valid_to INTEGER);
CREATE INDEX IF NOT EXISTS flags_by_stream ON flags (stream, channel, test);
"""


def _check_format(connection: sqlite3.Connection, path: Path) -> None:
    row = connection.execute("SELECT value FROM meta WHERE key = 'format'").fetchone()
    if row is None or int(row[0]) > FORMAT or int(row[0]) < 1:
        found = "no format" if row is None else f"format {row[0]}"
        message = f"{path} has {found}; this version reads formats 1 to {FORMAT}. Use a newer Reeftally."
        raise StoreError(message)


def connect_writer(path: Path, *, first_snapshot: int = 0, generation: int = 1) -> sqlite3.Connection:
    """Return the writer's connection, with the schema in place and every commit synced.

    Call only with the writer's lock in hand. `first_snapshot` and `generation` matter only for a new file:
    snapshot numbers go on after a rebuild, so that no number ever means two things.
    """
    if not path.exists():
        _create(path, first_snapshot, generation)
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=30.0)
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        _check_format(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _create(path: Path, first_snapshot: int, generation: int) -> None:
    """Make an empty catalogue under a passing name, so that a reader never meets half of one."""
    passing = path.with_name(f".{path.name}.new")
    for suffix in ("", "-journal"):
        passing.with_name(passing.name + suffix).unlink(missing_ok=True)
    with closing(sqlite3.connect(passing, isolation_level=None)) as connection:
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("BEGIN IMMEDIATE")
        for statement in _SCHEMA.split(";"):
            if statement.strip():
                connection.execute(statement)
        connection.executemany(
            "INSERT INTO meta VALUES (?, ?)",
            [
                ("format", str(FORMAT)),
                ("first_snapshot", str(first_snapshot)),
                ("generation", str(generation)),
            ],
        )
        connection.execute("COMMIT")
    passing.replace(path)


def finish_writer(connection: sqlite3.Connection) -> None:
    """Checkpoint the write-ahead log into the one file and close."""
    try:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    finally:
        connection.close()


def _stamp(path: Path) -> tuple[int, int, int]:
    status = path.stat()
    return status.st_ino, status.st_size, status.st_mtime_ns


def _uri(path: Path, options: str) -> str:
    return f"file:{quote(str(path.resolve()))}?{options}"


def _run(path: Path, options: str, work: Callable[[sqlite3.Connection], T], named: Path) -> T:
    with closing(sqlite3.connect(_uri(path, options), uri=True, isolation_level=None, timeout=30.0)) as connection:
        # One read transaction: every statement of `work` sees the same snapshot.
        connection.execute("BEGIN")
        _check_format(connection, named)
        return work(connection)


def query(path: Path, work: Callable[[sqlite3.Connection], T]) -> T:
    """Run `work` on a consistent view of the catalogue, writing nothing.

    Notes
    -----
    Without a write-ahead log no writer has uncheckpointed work and the file is opened as immutable. A
    writer may come in meanwhile and change the file by a checkpoint; the file's stamp and the log's
    presence, looked at before and after, tell, and the work is then done again the locked way.
    """
    log = path.with_name(path.name + "-wal")
    for _ in range(8):
        if log.exists():
            try:
                return _run(path, "mode=ro", work, path)
            except sqlite3.OperationalError:
                if log.exists() and log.stat().st_size:
                    return _run_on_copy(path, work)
        before = _stamp(path)
        try:
            result = _run(path, "mode=ro&immutable=1", work, path)
        except sqlite3.DatabaseError as error:
            if not log.exists() and _stamp(path) == before:
                message = (
                    f"{path} is damaged ({error}). The raw bytes are untouched; run `reeftally intake DIR --rebuild`."
                )
                raise StoreError(message) from error
            continue
        if _stamp(path) == before and (not log.exists() or not log.stat().st_size):
            return result
    message = f"{path} changed under every one of 8 readings; try again when the writer is quieter."
    raise StoreError(message)


def _run_on_copy(path: Path, work: Callable[[sqlite3.Connection], T]) -> T:
    """Read a catalogue whose killed writer left its log behind, on media that cannot be written."""
    with tempfile.TemporaryDirectory() as folder:
        for suffix in ("", "-wal"):
            shutil.copyfile(path.with_name(path.name + suffix), Path(folder) / f"catalogue.sqlite{suffix}")
        return _run(Path(folder) / "catalogue.sqlite", "mode=rw", work, path)
