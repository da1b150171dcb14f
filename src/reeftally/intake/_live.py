"""Live feeds: append-only raw files that grow, loaded exactly once, sealed when they are done.

Here:     the spool of one feed (bytes on disk and synced before they are parsed), loading what is new of it, sealing
          it into `raw/` under its hash.
Not here: where bytes come from (`_listen`), reading lines (`_load` and what it uses).
Rules:    the offset already loaded is committed in the same transaction as the rows, so a crash replays and nothing is
          lost or doubled; a line that a lost connection cut is closed by a sign that no number holds, so that half of
          a number is never believed.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from reeftally.errors import IntakeError, StoreError
from reeftally.intake._blocks import BLOCK_BYTES
from reeftally.intake._file import FileWork
from reeftally.intake._raw import LIVE, RawFiles
from reeftally.intake._report import FileReport, IntakeReport
from reeftally.intake._settings import Settings
from reeftally.store import open_store, sync_folder

__all__ = ["Spool", "load_spools", "seal_spools"]

CUT = b"\x1a\n"
"""Closes a line that was cut: the sign SUB makes it a line of noise, which is skipped and counted."""
ROLL_BYTES = 64 << 20
"""A spool of this size is sealed and another one begun."""


@dataclass
class Spool:
    """The growing raw file of one feed."""

    folder: Path
    """Mission folder."""
    label: str
    """Instrument label."""
    path: Path = field(init=False)
    """The file."""
    size: int = field(init=False, default=0)
    """Bytes written to it. [bytes]"""
    _file: BinaryIO | None = field(init=False, default=None)
    _ended: bool = field(init=False, default=True)

    def __post_init__(self) -> None:
        self._begin()

    def _begin(self) -> None:
        home = self.folder / "raw" / LIVE / self.label
        home.mkdir(parents=True, exist_ok=True)
        taken = [int(path.stem) for path in home.glob("*.txt") if path.stem.isdigit()]
        sealed = home / "sealed"
        last = int(sealed.read_text()) if sealed.exists() else 0
        self.path = home / f"{max([last, *taken]) + 1:06d}.txt"
        self.size, self._ended = 0, True
        self._file = None

    @property
    def key(self) -> str:
        """The spool's key in the store until it is sealed."""
        return f"{LIVE}/{self.label}/{self.path.name}"

    def write(self, data: bytes) -> None:
        """Append bytes as they came.

        Raises
        ------
        StoreError
            If the disk is full; what came before is kept.
        """
        if not data:
            return
        try:
            if self._file is None:
                self._file = self.path.open("ab", buffering=0)
                sync_folder(self.path.parent)
            self._file.write(data)
        except OSError as error:
            message = f"{self.label}: its feed cannot be written to {self.path} ({error.strerror}). Make room."
            raise StoreError(message) from error
        self.size += len(data)
        self._ended = data.endswith((b"\n", b"\r"))

    def cut(self) -> None:
        """Close a line that the connection cut, so that the next line begins at its own beginning."""
        if not self._ended:
            self.write(CUT)

    def sync(self) -> None:
        """Bring everything written to the disk."""
        if self._file is not None:
            os.fsync(self._file.fileno())

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self.sync()
            self._file.close()
            self._file = None

    def roll(self) -> None:
        """Close the file and begin another one."""
        self.close()
        self._begin()


def _left(folder: Path) -> Iterator[tuple[str, Path]]:
    """Yield label and path of every spool that is not sealed."""
    for path in sorted((folder / "raw" / LIVE).glob("*/*.txt")):
        yield path.parent.name, path


@contextmanager
def _work(folder: Path, settings: Settings, wait_s: float) -> Iterator[tuple[FileWork, RawFiles]]:
    with (
        open_store(folder, write=True, segments_url=settings.segments_url, wait_s=wait_s) as store,
        ThreadPoolExecutor(1, "decode") as pool,
        store.writer("listen") as writer,
    ):
        raw = RawFiles(folder)
        yield (
            FileWork(
                settings=settings,
                store=store,
                raw=raw,
                report=IntakeReport(),
                writer=writer,
                pool=pool,
                tell=lambda _: None,
                commit_rows=1_048_576,
                block_bytes=BLOCK_BYTES,
            ),
            raw,
        )


def load_spools(folder: Path, settings: Settings, spools: list[Spool], *, wait_s: float) -> list[FileReport]:
    """Load what is new of growing feeds, one commit a feed.

    Parameters
    ----------
    spools : list of Spool
        Their bytes are synced before they are parsed.
    wait_s : float
        How long to wait for another writer. [s]

    Raises
    ------
    StoreLockedError
        If another writer holds the store for longer; nothing is lost, the bytes wait.
    """
    for spool in spools:
        spool.sync()
    with _work(folder, settings, wait_s) as (work, _):
        return [work.live(spool.path, spool.key, spool.label, spool.path.name) for spool in spools]


def seal_spools(folder: Path, settings: Settings, *, now_ns: int, wait_s: float = 0.0) -> list[FileReport]:
    """Load the rest of every spool that is left, and put it into `raw/` under its hash.

    Parameters
    ----------
    now_ns : int
        Time for the index. [ns since 1970 UTC]
    """
    left = list(_left(folder))
    if not left:
        return []
    reports = []
    with _work(folder, settings, wait_s) as (work, raw):
        for label, path in left:
            if path.stat().st_size == 0:
                path.unlink()
                continue
            with path.open("rb+") as file:
                file.seek(-1, os.SEEK_END)
                if file.read(1) not in b"\r\n":
                    file.write(CUT)
                    file.flush()
                    os.fsync(file.fileno())
            key = f"{LIVE}/{label}/{path.name}"
            try:
                report = work.live(path, key, label, path.name)
            except IntakeError as error:
                reports.append(FileReport(path.name, status="refused", stream=label, messages=[error]))
                continue
            put = raw.put(path, now_ns, name=f"{label}_live_{path.name}")
            record = work.store.raw_record(key)
            if record is not None:
                digest = put.entry.hash
                sealed = {**record, "name": put.entry.name, "shown": put.entry.name, "content": digest}
                work.writer.record_raw(digest, {**sealed, "loaded_as": key})
                work.writer.record_raw(key, {**record, "status": "sealed", "sealed": digest})
                work.writer.commit(f"listen: sealed {label}")
            (path.parent / "sealed").write_text(str(int(path.stem)))
            path.unlink()
            reports.append(report)
    return reports
