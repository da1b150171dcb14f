"""Segments: immutable Parquet files of sorted rows, and the small blobs of the live tail.

Here:     writing with sync, reading row group by row group, the packing of tail blobs.
Not here: which segment is valid when (`_catalogue`).
Rules:    a segment exists under its name only when all its bytes are on the disk.
"""

from __future__ import annotations

import json
import os
import struct
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from reeftally.errors import StoreError
from reeftally.store._columns import LOAD, TIME, Columns, dtype_of

__all__ = ["ROW_GROUP", "LocalSegments", "RemoteSegments", "SegmentFiles", "pack", "sync_folder", "unpack"]

ROW_GROUP = 131_072
"""Rows of one row group: 68 minutes at 32 Hz."""


def sync_folder(folder: Path) -> None:
    """Make names created or removed in `folder` last through a power cut."""
    if os.name == "nt":  # pragma: no cover - folders cannot be synced there
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _table(columns: Columns) -> pa.Table:
    return pa.table({name: pa.array(value) for name, value in columns.items()})


def _write(columns: Columns, target: Any) -> None:
    names = [name for name in columns if name not in {TIME, LOAD}]
    pq.write_table(
        _table(columns),
        target,
        row_group_size=ROW_GROUP,
        compression="zstd",
        compression_level=1,
        use_dictionary=[LOAD],
        column_encoding={TIME: "DELTA_BINARY_PACKED", **dict.fromkeys(names, "BYTE_STREAM_SPLIT")},
        write_statistics=[TIME],
    )


class SegmentFiles(Protocol):
    """Where segments lie; the rest of the store knows only this."""

    def write(self, name: str, columns: Columns) -> int:
        """Write a new segment, synced; return its bytes."""
        ...

    def open(self, name: str) -> pq.ParquetFile:
        """Open a segment for reading."""
        ...

    def names(self) -> list[str]:
        """List what is there, leftovers of a killed writer included."""
        ...

    def remove(self, name: str) -> None:
        """Remove one file."""
        ...

    def sync(self) -> None:
        """Make new names last."""
        ...


class LocalSegments:
    """Segments in a folder of this machine."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def write(self, name: str, columns: Columns) -> int:
        """Write under a passing name, sync, then give it its own name."""
        self._folder.mkdir(parents=True, exist_ok=True)
        passing = self._folder / f"{name}.writing"
        with passing.open("wb") as file:
            _write(columns, file)
            file.flush()
            os.fsync(file.fileno())
            size = file.tell()
        passing.replace(self._folder / name)
        return size

    def open(self, name: str) -> pq.ParquetFile:
        """Open `name`; a missing or damaged file says how to get it back."""
        try:
            return pq.ParquetFile(self._folder / name)
        except (OSError, pa.ArrowException) as error:
            message = (
                f"Segment {name} is missing or damaged ({str(error).splitlines()[0]}). The raw bytes are "
                "untouched; run `reeftally intake DIR --rebuild`."
            )
            raise StoreError(message) from error

    def names(self) -> list[str]:
        """List every file of the folder."""
        if not self._folder.is_dir():
            return []
        return sorted(path.name for path in self._folder.iterdir() if path.is_file())

    def remove(self, name: str) -> None:
        """Remove one file; a missing one is no error."""
        (self._folder / name).unlink(missing_ok=True)

    def sync(self) -> None:
        """Sync the folder itself."""
        sync_folder(self._folder)


class RemoteSegments:
    """Segments behind a URL (object store or shared disk), through fsspec.

    An object store makes an object visible only when it is whole, so no passing name is needed.
    """

    def __init__(self, url: str) -> None:
        import fsspec  # type: ignore[import-untyped]

        self._fs, self._root = fsspec.core.url_to_fs(url)
        self._root = self._root.rstrip("/")

    def write(self, name: str, columns: Columns) -> int:
        """Write the whole object in one piece."""
        sink = pa.BufferOutputStream()
        _write(columns, sink)
        data = sink.getvalue().to_pybytes()
        self._fs.makedirs(self._root, exist_ok=True)
        self._fs.pipe_file(f"{self._root}/{name}", data)
        return len(data)

    def open(self, name: str) -> pq.ParquetFile:
        """Open `name`; a missing one says how to get it back."""
        try:
            return pq.ParquetFile(self._fs.open(f"{self._root}/{name}", "rb"))
        except (OSError, pa.ArrowException) as error:
            message = (
                f"Segment {name} under {self._root} is missing or damaged ({error}). The raw bytes are "
                "untouched; run `reeftally intake DIR --rebuild`."
            )
            raise StoreError(message) from error

    def names(self) -> list[str]:
        """List the objects."""
        if not self._fs.exists(self._root):
            return []
        return sorted(str(path).rsplit("/", 1)[-1] for path in self._fs.ls(self._root, detail=False))

    def remove(self, name: str) -> None:
        """Remove one object; a missing one is no error."""
        if self._fs.exists(f"{self._root}/{name}"):
            self._fs.rm_file(f"{self._root}/{name}")

    def sync(self) -> None:
        """Nothing to do: `pipe_file` returns when the object is stored."""


_BLOB = struct.Struct("<4sII")


def pack(columns: Columns) -> bytes:
    """Return rows as one compressed blob for the live tail (little-endian, with a checked header)."""
    head = json.dumps({"rows": int(columns[TIME].size), "names": list(columns)}).encode()
    body = b"".join(np.ascontiguousarray(v, v.dtype.newbyteorder("<")).tobytes() for v in columns.values())
    packed = pa.compress(body, codec="zstd", asbytes=True)
    return _BLOB.pack(b"RTT1", len(head), len(body)) + head + bytes(packed)


def unpack(blob: bytes) -> Columns:
    """Return the columns that `pack` was given."""
    mark, head_size, body_size = _BLOB.unpack_from(blob)
    if mark != b"RTT1":
        message = "A tail blob of the catalogue is damaged; run `reeftally intake DIR --rebuild`."
        raise StoreError(message)
    head = json.loads(blob[_BLOB.size : _BLOB.size + head_size])
    body = pa.decompress(blob[_BLOB.size + head_size :], decompressed_size=body_size, codec="zstd", asbytes=True)
    out: Columns = {}
    at = 0
    for name in head["names"]:
        dtype = dtype_of(name)
        out[name] = np.frombuffer(body, dtype.newbyteorder("<"), head["rows"], at).astype(dtype, copy=False)
        at += head["rows"] * dtype.itemsize
    return out
