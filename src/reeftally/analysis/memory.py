"""Memory of blocks: a block is computed once and remembered under a key of inputs, settings and code.

Here:     keys, a SQLite file of small arrays, the digest of the code.
Not here: what a block is.
Rules:    a remembered block is bit for bit what was computed; a damaged or missing memory only costs time.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

__all__ = ["BlockMemory", "block_key", "code_digest"]

# Rooms whose code decides what a block's numbers are.
_ROOMS = ("seawater", "flow", "exchange", "quality", "calibration", "uncertainty", "analysis", "ledger")


@cache
def code_digest() -> str:
    """Return a digest of the source of every room that decides a result."""
    root = Path(__file__).resolve().parents[1]
    digest = hashlib.blake2b(digest_size=12)
    for room in _ROOMS:
        for file in sorted((root / room).rglob("*.py")):
            digest.update(file.relative_to(root).as_posix().encode())
            digest.update(file.read_bytes())
    return digest.hexdigest()


def block_key(*, kind: str, arrays: Mapping[str, np.ndarray], settings: Mapping[str, Any]) -> str:
    """Return the key of one block: a digest of its samples, its settings and the code."""
    digest = hashlib.blake2b(digest_size=20)
    digest.update(kind.encode())
    digest.update(code_digest().encode())
    digest.update(json.dumps(settings, sort_keys=True, default=str).encode())
    for name in sorted(arrays):
        array = np.ascontiguousarray(arrays[name])
        digest.update(f"{name}:{array.dtype.str}:{array.shape}".encode())
        digest.update(array.view(np.uint8).data if array.size else b"")
    return digest.hexdigest()


def _pack(record: Mapping[str, Any]) -> bytes:
    """Return a record as bytes: plain values as JSON (floats come back bit for bit), arrays as they lie in memory."""
    plain: dict[str, Any] = {}
    arrays: list[tuple[str, np.ndarray]] = []
    for name, value in record.items():
        held = np.asarray(value)
        if held.ndim or held.dtype.kind not in "fbiuU":
            arrays.append((name, np.ascontiguousarray(held)))
        else:
            plain[name] = held.item()
    shapes = [(name, array.dtype.str, array.shape) for name, array in arrays]
    head = json.dumps({"plain": plain, "arrays": shapes}).encode()
    return b"".join([len(head).to_bytes(8, "little"), head, *(array.tobytes() for _, array in arrays)])


def _unpack(blob: bytes) -> dict[str, Any]:
    size = int.from_bytes(blob[:8], "little")
    head = json.loads(blob[8 : 8 + size])
    out: dict[str, Any] = dict(head["plain"])
    at = 8 + size
    for name, kind, shape in head["arrays"]:
        dtype = np.dtype(kind)
        if dtype.hasobject:
            message = f"array {name} of a remembered block holds objects"
            raise ValueError(message)
        count = int(np.prod(shape, dtype=np.int64))
        out[name] = np.frombuffer(blob, dtype=dtype, count=count, offset=at).reshape(shape).copy()
        at += count * dtype.itemsize
    return out


class BlockMemory:
    """Remembered blocks of one mission, in `observations/blocks.sqlite`.

    The file is derived and may be deleted at any time. A file that cannot be opened as a database is set
    aside under another name, and the blocks are computed again.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            self._connection = self._open()
        except sqlite3.DatabaseError:
            path.replace(path.with_suffix(".damaged"))
            self._connection = self._open()

    def _open(self) -> sqlite3.Connection:
        connection = sqlite3.connect(self.path, timeout=30.0)
        connection.execute("PRAGMA journal_mode=WAL")
        # A lost memory costs time only, so its commits need not wait for the disk.
        connection.execute("PRAGMA synchronous=NORMAL")
        connection.execute("PRAGMA wal_autocheckpoint=16000")
        connection.execute("CREATE TABLE IF NOT EXISTS block (key TEXT PRIMARY KEY, record BLOB NOT NULL)")
        connection.commit()
        return connection

    def get(self, keys: Iterable[str]) -> dict[str, dict[str, Any]]:
        """Return the remembered records among `keys`."""
        found: dict[str, dict[str, Any]] = {}
        for key in keys:
            row = self._connection.execute("SELECT record FROM block WHERE key = ?", (key,)).fetchone()
            if row is not None:
                found[key] = _unpack(row[0])
        return found

    def put(self, records: Mapping[str, Mapping[str, Any]]) -> None:
        """Remember records in one transaction."""
        with self._connection:
            self._connection.executemany(
                "INSERT OR REPLACE INTO block (key, record) VALUES (?, ?)",
                [(key, _pack(record)) for key, record in records.items()],
            )

    def __enter__(self) -> BlockMemory:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close; the last one to close brings the log of the database into its file."""
        self._connection.close()
