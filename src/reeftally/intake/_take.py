"""Taking files in: the order of work, from the inbox to the store.

Here:     which files, raw copies ahead of parsing, tables, the inbox, rebuilding.
Not here: what is done with one file (`_file`), reading lines (`_load` and what it uses).
Rules:    raw bytes first; one bad file never stops the others; repeating is harmless; a file leaves the
          inbox only when its bytes are in `raw/`, its rows in the store, and nobody has it open for writing.
"""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as FuturesTimeout
from dataclasses import dataclass, field
from pathlib import Path

from reeftally.errors import IntakeError, StoreError
from reeftally.intake._blocks import BLOCK_BYTES
from reeftally.intake._file import FileWork, raw_record
from reeftally.intake._inbox import is_settled, sources_of
from reeftally.intake._raw import RawEntry, RawFiles, RawPut
from reeftally.intake._report import FileReport, IntakeReport, iso
from reeftally.intake._settings import Settings, read_settings
from reeftally.intake._tables import place_table, table_of
from reeftally.mission import read_table
from reeftally.store import Store, Writer, open_store

__all__ = ["rebuild", "take_in"]

Progress = Callable[[int, int, int], None]

_DAY_NS = 86_400_000_000_000


def take_in(
    folder: str | Path,
    files: Sequence[str | Path] | None = None,
    *,
    progress: Progress | None = None,
    now_ns: int,
    wait_s: float = 0.0,
    block_bytes: int | None = None,
    commit_rows: int | None = None,
) -> IntakeReport:
    """Take files into a mission: raw copies first, then rows.

    Parameters
    ----------
    folder : path
        Mission folder.
    files : sequence of paths, optional
        Files or folders; default everything in `inbox/`, and `tables/`.
    progress : callable, optional
        Called with bytes done, bytes in all, and rows new so far.
    now_ns : int
        Time of this intake, for the index only; it dates no data. [ns since 1970 UTC]
    wait_s : float
        How long to wait for another writer. [s]
    block_bytes : int, optional
        Raw bytes decoded at a time; default a two-hundredth of what there is to do, 64 kB to 8 MB. [bytes]
    commit_rows : int, optional
        Rows of one commit; default a forty-fifth of what there is to do, 20,000 to 1,048,576. With these
        an interruption costs less than a twentieth of the work.

    Returns
    -------
    IntakeReport
        One report a file, with its messages.

    Raises
    ------
    StoreError
        If the disk has no room, or the store cannot be written; `StoreLockedError` if another writes.
    """
    folder = Path(folder)
    settings = read_settings(folder)
    with open_store(folder, write=True, segments_url=settings.segments_url, wait_s=wait_s) as store:
        raw = RawFiles(folder)
        raw.sweep()
        sources = list(sources_of(folder, files))
        total = sum(path.stat().st_size for path in sources if path.exists())
        work = _Work(folder, settings, store, raw, now_ns, total, progress)
        work.block_bytes = block_bytes or work.block_bytes
        work.commit_rows = commit_rows or work.commit_rows
        work.take(sources)
        work.look_for_unloaded()
        work.look_at_computer_clock()
        work.report.snapshot = store.snapshot()
        return work.report


def rebuild(
    folder: str | Path,
    *,
    progress: Progress | None = None,
    now_ns: int,
    wait_s: float = 0.0,
) -> IntakeReport:
    """Make `observations/` anew from `raw/` and `layouts/`, in the order in which files first came.

    Readers keep reading the old observations until the new ones take their place in one step. If the
    rebuild is interrupted, the old ones stay.

    Parameters
    ----------
    folder, progress, now_ns, wait_s
        As for `take_in`.
    """
    folder = Path(folder)
    settings = read_settings(folder)
    with open_store(folder, write=True, segments_url=settings.segments_url, wait_s=wait_s) as store:
        raw = RawFiles(folder)
        raw.sweep()
        seen: dict[str, RawEntry] = {}
        for entry in raw.entries:
            seen.setdefault(entry.hash, entry)
        total = sum(entry.size for entry in seen.values())
        fresh = store.begin_rebuild()
        try:
            work = _Work(folder, settings, fresh, raw, now_ns, total, progress)
            for digest in raw.unnamed():
                work.report.notes.append(f"raw/{digest[:2]}/{digest} has no name in the index and was left out.")
            work.rebuild(list(seen.values()))
        except BaseException:
            fresh.close()
            raise
        store.finish_rebuild(fresh)
        work.report.snapshot = store.snapshot()
        return work.report


# -- the work --------------------------------------------------------------------------------------


@dataclass
class _Work:
    folder: Path
    settings: Settings
    store: Store
    raw: RawFiles
    now_ns: int
    total: int
    progress: Progress | None
    block_bytes: int = 0
    commit_rows: int = 0
    report: IntakeReport = field(default_factory=IntakeReport)
    done: int = 0
    copied: int | None = None
    stopped: bool = False

    def __post_init__(self) -> None:
        self.block_bytes = min(max(self.total // 200, 65_536), BLOCK_BYTES)
        # A row of text takes some fifty bytes.
        self.commit_rows = min(max(self.total // 50 // 45, 20_000), 1_048_576)
        self.report.messages += self.settings.messages

    def _files(self, writer: Writer, pool: ThreadPoolExecutor) -> FileWork:
        return FileWork(
            settings=self.settings,
            store=self.store,
            raw=self.raw,
            report=self.report,
            writer=writer,
            pool=pool,
            tell=self.tell,
            commit_rows=self.commit_rows,
            block_bytes=self.block_bytes,
        )

    def tell(self, done: int) -> None:
        """Report progress; `done` bytes of the present file are parsed."""
        if self.progress is not None:
            parsed = min(self.done + done, self.total)
            # A byte is done when it is copied and parsed; a rebuild copies nothing.
            share = parsed if self.copied is None else (min(self.copied, self.total) + parsed) // 2
            self.progress(share, self.total, self.report.rows_new)

    def _copy(self, source: Path, copied: int) -> RawPut:
        """Copy one file, in the copying thread, counting bytes."""

        def count(done: int) -> None:
            if self.stopped:
                message = "the intake was stopped"
                raise InterruptedError(message)
            self.copied = copied + done

        return self.raw.put(source, self.now_ns, tell=count)

    def _wait(self, copy: Future[RawPut]) -> RawPut:
        """Wait for a copy, telling about it from the thread that called for the intake."""
        while self.progress is not None:
            try:
                return copy.result(timeout=0.2)
            except FuturesTimeout:
                if copy.done():
                    raise
                self.tell(0)
        return copy.result()

    def take(self, sources: list[Path]) -> None:
        """Copy ahead, load in order."""
        with (
            ThreadPoolExecutor(1, "raw") as copier,
            ThreadPoolExecutor(max(2, min(os.cpu_count() or 2, 4)), "decode") as pool,
            self.store.writer("intake") as writer,
        ):
            files = self._files(writer, pool)
            ahead: list[Future[RawPut]] = []
            started = 0
            self.copied = 0
            try:
                for number, source in enumerate(sources):
                    # One file is being copied while the one before it is parsed.
                    while len(ahead) < min(number + 2, len(sources)):
                        upcoming = sources[len(ahead)]
                        ahead.append(copier.submit(self._copy, upcoming, started))
                        started += upcoming.stat().st_size if upcoming.exists() else 0
                    self._one(source, ahead[number], files)
            finally:
                # An interrupt need not wait for the copy of a large file.
                self.stopped = True
                for job in ahead:
                    job.cancel()

    def look_for_unloaded(self) -> None:
        """Note raw files that the store knows nothing of, as after a loss of `observations/`."""
        known = {key.partition("!")[0] for key in self.store.raw_records()}
        lost = {entry.hash for entry in self.raw.entries} - known
        if lost:
            self.report.notes.append(
                f"raw/ holds {len(lost)} file(s) that the store knows nothing of; "
                "`reeftally intake DIR --rebuild` makes the store anew from raw/."
            )

    def look_at_computer_clock(self) -> None:
        """Say so if the newest data are of a time that this computer's clock has not reached."""
        newest = max((file.last_ns for file in self.report.files if file.last_ns is not None), default=None)
        if newest is not None and newest > self.now_ns + _DAY_NS:
            self.report.notes.append(
                f"This computer's clock says {iso(self.now_ns)[:19]}Z, the newest data {iso(newest)[:19]}Z: "
                "one of them is wrong by more than a day. Data are dated by their own stamps, never by this computer."
            )

    def _one(self, source: Path, copy: Future[RawPut], files: FileWork) -> None:
        try:
            size = source.stat().st_size
            put = self._wait(copy)
        except StoreError:
            raise
        except OSError as error:
            if error.errno == errno.ENOSPC:
                message = f"The disk of the mission folder is full; {source.name} was not taken in. Make room."
                raise StoreError(message) from error
            self._refuse(source, error)
            return
        start = len(self.report.files)
        if source.is_relative_to(self.folder / "tables") or table_of(source.name) is not None:
            self._table(source, put, files.writer)
        else:
            files.take(put.entry, put)
        self.done += size
        self.tell(0)
        self._leave_inbox(source, put, self.report.files[start:], files.unfinished)

    def _refuse(self, source: Path, error: OSError) -> None:
        message = IntakeError(
            file=source.name,
            found=f"a file that cannot be read ({error.strerror or error})",
            expected="a readable file",
            mend="Mend the rights or the medium; the other files went on.",
        )
        self.report.files.append(FileReport(source.name, status="refused", messages=[message]))

    def rebuild(self, entries: list[RawEntry]) -> None:
        """Load everything in `raw/` in the order of the index."""
        with (
            ThreadPoolExecutor(max(2, min(os.cpu_count() or 2, 4)), "decode") as pool,
            self.store.writer("rebuild") as writer,
        ):
            files = self._files(writer, pool)
            earlier: list[RawEntry] = []
            for entry in entries:
                path = self.raw.path(entry.hash)
                if not path.exists():
                    message = IntakeError(
                        file=entry.name,
                        found=f"no bytes at raw/{entry.hash[:2]}/{entry.hash}",
                        expected="the copy that the index names",
                        mend="Restore raw/ from a backup, then rebuild again.",
                    )
                    self.report.files.append(
                        FileReport(entry.name, status="refused", raw_hash=entry.hash, messages=[message])
                    )
                    continue
                if table_of(entry.name) is not None or entry.source.startswith("tables"):
                    writer.record_raw(entry.hash, raw_record(entry, status="loaded", kind="table"))
                else:
                    namesakes = [item for item in earlier if item.name == entry.name and item.size < entry.size]
                    extends = self._extends(path, namesakes)
                    put = RawPut(entry, False, entry.name, extends, (), False, (entry.size, 0))
                    files.take(entry, put)
                earlier.append(entry)
                self.done += entry.size
                self.tell(0)

    @staticmethod
    def _extends(path: Path, namesakes: list[RawEntry]) -> str | None:
        """Return the longest earlier file that the bytes at `path` begin with."""
        found = None
        hasher = hashlib.sha256()
        with path.open("rb") as file:
            at = 0
            for entry in sorted(namesakes, key=lambda item: item.size):
                while at < entry.size:
                    chunk = file.read(min(4 << 20, entry.size - at))
                    hasher.update(chunk)
                    at += len(chunk)
                if entry.size and hasher.hexdigest() == entry.hash:
                    found = entry.hash
        return found

    # -- tables and inbox --------------------------------------------------------------------------

    def _table(self, source: Path, put: RawPut, writer: Writer) -> None:
        report = FileReport(
            source.name, raw_hash=put.entry.hash, size=put.entry.size, stream=source.name, layout="table"
        )
        self.report.files.append(report)
        known = self.store.raw_record(put.entry.hash)
        try:
            changed = place_table(self.folder, source, self.raw)
        except IntakeError as error:
            report.status = "refused"
            report.messages.append(error)
            return
        report.status = "repeated" if known is not None and not changed else "loaded"
        named = table_of(source.name) or source.name
        if named != source.name:
            report.notes.append(f"Put together with tables/{named} by name and field; its own bytes are in raw/.")
            if source.parent == self.folder / "tables":
                source.unlink()
        if report.status == "loaded":
            read = read_table(self.folder / "tables" / named)
            report.rows_new = len(read.records)
            report.messages += read.problems
            if read.problems:
                report.status = "partly"
        writer.record_raw(put.entry.hash, raw_record(put.entry, status="loaded", kind="table"))
        writer.commit(f"intake {source.name}")

    def _leave_inbox(self, source: Path, put: RawPut, reports: list[FileReport], unfinished: set[str]) -> None:
        """Remove a file from the inbox if all of it is safe and nobody is writing it."""
        inbox = self.folder / "inbox"
        if not source.is_relative_to(inbox) or not reports or put.changing:
            return
        if any(
            report.status not in {"loaded", "repeated", "empty"}
            and not (report.layout == "table" and report.status == "partly")
            for report in reports
        ) or unfinished.intersection(report.raw_hash for report in reports):
            # Partly loaded, refused and unknown files stay where people see them; a table is seen in tables/.
            return
        if not is_settled(source, put):
            for report in reports:
                report.provisional = True
                report.notes.append("Left in the inbox: it may still be being written.")
            return
        source.unlink()
