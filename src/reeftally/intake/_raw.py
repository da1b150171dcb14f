"""Raw bytes: immutable copies named by content, with an index.

Here:     `raw/AA/HASH` (SHA-256, read-only) and `raw/index.jsonl`, one line a file name seen.
Not here: what the bytes mean.
Rules:    bytes are hashed, copied and synced before anyone parses them, and are never changed or removed.
          The index can be lost: the bytes alone suffice, save for the names.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import re
import shutil
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from reeftally.errors import StoreError
from reeftally.store import sync_folder

__all__ = ["LIVE", "RawEntry", "RawFiles", "RawPut", "label_of_source"]

LIVE = "live"
"""Folder under `raw/` in which feeds grow."""
_CHUNK = 4 << 20
_SPARE = 64 << 20


def label_of_source(source: str) -> str | None:
    """Return the instrument that a raw file came from live, by the path its index line gives; None if it did not."""
    match = re.match(rf"^raw[/\\]{LIVE}[/\\]([^/\\]+)[/\\]", source)
    return match[1] if match is not None else None


@dataclass(frozen=True, slots=True)
class RawEntry:
    """One line of the index."""

    hash: str
    """SHA-256 of the bytes, hexadecimal."""
    size: int
    """[bytes]"""
    name: str
    """Name of the file, without folder."""
    source: str
    """Where it came from, relative to the mission folder if inside."""


@dataclass(frozen=True, slots=True)
class RawPut:
    """What became of one file on its way into `raw/`."""

    entry: RawEntry
    """The index entry."""
    known: bool
    """The same bytes were there already."""
    known_name: str
    """Name under which they came first."""
    extends: str | None
    """Hash of the longest earlier file of this name that these bytes begin with."""
    same_name: tuple[str, ...]
    """Hashes of earlier files of this name whose bytes these do not continue."""
    changing: bool
    """The file changed while it was copied."""
    stat: tuple[int, int]
    """Size and modification time as copied. [bytes], [ns]"""


@dataclass
class RawFiles:
    """The raw folder of a mission."""

    folder: Path
    """Mission folder."""
    entries: list[RawEntry] = field(default_factory=list)
    """The index, oldest first."""

    def __post_init__(self) -> None:
        self.root = self.folder / "raw"
        self.entries = list(self._read_index())

    # -- the index ---------------------------------------------------------------------------------

    def _read_index(self) -> Iterator[RawEntry]:
        path = self.root / "index.jsonl"
        if not path.exists():
            return
        for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
            try:
                row: dict[str, Any] = json.loads(line)
                yield RawEntry(str(row["hash"]), int(row["size"]), str(row["name"]), str(row["source"]))
            except (ValueError, KeyError, TypeError):
                continue  # a line cut short by a power failure; its bytes are in raw/ and get a new line

    def _append(self, entry: RawEntry, now_ns: int) -> None:
        path = self.root / "index.jsonl"
        when = dt.datetime.fromtimestamp(now_ns // 1_000_000_000, dt.UTC).isoformat().replace("+00:00", "Z")
        text = json.dumps(
            {"hash": entry.hash, "size": entry.size, "name": entry.name, "source": entry.source, "taken_in": when},
            ensure_ascii=False,
        )
        new = not path.exists()
        with path.open("ab+") as file:
            if file.tell():
                file.seek(-1, os.SEEK_END)
                if file.read(1) != b"\n":
                    text = "\n" + text
            file.write(text.encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())
        if new:
            sync_folder(self.root)
        self.entries.append(entry)

    def path(self, digest: str) -> Path:
        """Return where the bytes of `digest` lie."""
        return self.root / digest[:2] / digest

    def unnamed(self) -> list[str]:
        """Return hashes in `raw/` that no index line names (the index was lost or cut)."""
        named = {entry.hash for entry in self.entries}
        found = [path.name for path in sorted(self.root.glob("??/*")) if len(path.name) == 64]
        return [digest for digest in found if digest not in named]

    # -- taking in ---------------------------------------------------------------------------------

    def sweep(self) -> None:
        """Remove half-made copies that a killed intake left."""
        incoming = self.root / ".incoming"
        if incoming.is_dir():
            shutil.rmtree(incoming)

    def put(
        self, source: Path, now_ns: int, *, tell: Callable[[int], None] | None = None, name: str | None = None
    ) -> RawPut:
        """Hash, copy and sync `source`; return what is known about its bytes.

        Parameters
        ----------
        source : Path
            The file; it is only read.
        now_ns : int
            Time of the intake, for the index. [ns since 1970 UTC]
        tell : callable, optional
            Called with the bytes done.
        name : str, optional
            Name to remember, if not that of `source`.

        Raises
        ------
        StoreError
            If the disk has no room for the copy; nothing is written then.
        OSError
            If `source` cannot be read.
        """
        name = name or source.name
        before = source.stat()
        relative = source
        if source.is_relative_to(self.folder):
            relative = source.relative_to(self.folder)
        namesakes = {entry.size: entry.hash for entry in self.entries if entry.name == name and entry.size > 0}
        by_size = [entry for entry in self.entries if entry.size == before.st_size]
        if by_size:
            digest, _ = self._read_through(source, {}, None, tell)
            match = next((entry for entry in by_size if entry.hash == digest), None)
            if match is not None and self.path(digest).exists():
                return self._known(source, name, str(relative), digest, match, now_ns, before)
        self._need_room(before.st_size, name)
        incoming = self.root / ".incoming"
        incoming.mkdir(parents=True, exist_ok=True)
        # A table may be kept while the next file is being copied in another thread.
        passing = incoming / f"{os.getpid()}-{threading.get_ident()}-{len(self.entries)}"
        try:
            with passing.open("wb") as target:
                digest, prefixes = self._read_through(source, namesakes, target, tell)
                target.flush()
                os.fsync(target.fileno())
                size = target.tell()
            passing.chmod(0o444)
            final = self.path(digest)
            if final.exists():
                passing.unlink()
            else:
                if not final.parent.is_dir():
                    final.parent.mkdir(parents=True)
                    sync_folder(self.root)
                passing.replace(final)
                sync_folder(final.parent)
        except BaseException:
            passing.unlink(missing_ok=True)
            raise
        after = source.stat()
        match = next((entry for entry in self.entries if entry.hash == digest), None)
        if match is not None:
            return self._known(source, name, str(relative), digest, match, now_ns, before)
        entry = RawEntry(digest, size, name, str(relative))
        extends = max(prefixes, key=lambda found: prefixes[found], default=None)
        others = tuple(
            found.hash for found in self.entries if found.name == name and found.hash not in prefixes and found.size > 0
        )
        self._append(entry, now_ns)
        return RawPut(
            entry=entry,
            known=False,
            known_name=name,
            extends=extends,
            same_name=others,
            changing=(before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns),
            stat=(size, before.st_mtime_ns),
        )

    def _known(
        self,
        source: Path,
        name: str,
        relative: str,
        digest: str,
        match: RawEntry,
        now_ns: int,
        before: os.stat_result,
    ) -> RawPut:
        entry = RawEntry(digest, match.size, name, relative)
        if not any(found.hash == digest and found.name == name for found in self.entries):
            self._append(entry, now_ns)
        after = source.stat()
        return RawPut(
            entry=entry,
            known=True,
            known_name=match.name,
            extends=None,
            same_name=(),
            changing=(before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns),
            stat=(match.size, before.st_mtime_ns),
        )

    @staticmethod
    def _read_through(
        source: Path,
        stops: dict[int, str],
        target: Any,
        tell: Callable[[int], None] | None,
    ) -> tuple[str, dict[str, int]]:
        """Hash (and copy) a file; also say which of the hashes in `stops` its first bytes have."""
        hasher = hashlib.sha256()
        prefixes: dict[str, int] = {}
        waiting = sorted(stops)
        done = 0
        # Copying runs beside hashing; both let other threads run.
        with source.open("rb", buffering=0) as file, ThreadPoolExecutor(1) as pool:
            pending: Future[int] | None = None
            while chunk := file.read(_CHUNK):
                if target is not None:
                    if pending is not None:
                        pending.result()
                    pending = pool.submit(target.write, chunk)
                view = memoryview(chunk)
                at = 0
                while waiting and waiting[0] <= done + len(chunk):
                    stop = waiting.pop(0)
                    hasher.update(view[at : stop - done])
                    at = stop - done
                    if hasher.copy().hexdigest() == stops[stop]:
                        prefixes[stops[stop]] = stop
                hasher.update(view[at:])
                done += len(chunk)
                if tell is not None:
                    tell(done)
            if pending is not None:
                pending.result()
        digest = hasher.hexdigest()
        prefixes.pop(digest, None)
        return digest, prefixes

    def _need_room(self, size: int, name: str) -> None:
        self.root.mkdir(parents=True, exist_ok=True)
        # The copy itself, and as much again for the rows in the store.
        needed = 2 * size + _SPARE
        free = shutil.disk_usage(self.root).free
        if free < needed:
            message = (
                f"{name}: taking it in needs {needed / 1e6:.0f} MB on the disk of the mission folder, "
                f"{free / 1e6:.0f} MB are free. Nothing was written; make room and try again."
            )
            raise StoreError(message)
