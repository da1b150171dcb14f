"""Taking files in: the order of work, from the inbox to the store.

Here:     which files, raw copies ahead of parsing, repeats, growth, archives, tables, the inbox, rebuilding.
Not here: reading lines (`_load` and what it uses).
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
from typing import Any

from reeftally.errors import IntakeError, StoreError
from reeftally.intake import _archives
from reeftally.intake._blocks import BLOCK_BYTES, read_head
from reeftally.intake._inbox import is_settled, sources_of
from reeftally.intake._load import Job, load_file
from reeftally.intake._match import bind_instrument, match_layout
from reeftally.intake._memory import Memory
from reeftally.intake._raw import RawEntry, RawFiles, RawPut
from reeftally.intake._report import FileReport, IntakeReport
from reeftally.intake._settings import Settings, expected_rows, read_settings
from reeftally.intake._tables import TABLE_NAMES, place_table
from reeftally.intake._tally import REJECTED
from reeftally.mission import read_table
from reeftally.store import Store, Writer, open_store

__all__ = ["rebuild", "take_in"]

Progress = Callable[[int, int, int], None]

_DEEPEST = 3
# Shares by which a measured sampling rate may differ from the book's: a clock's error, and a wrong book.
_RATE_OFF, _RATE_WRONG = 2e-4, 0.1
_DONE = {"loaded", "partly", "empty"}


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
    unfinished: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.block_bytes = min(max(self.total // 200, 65_536), BLOCK_BYTES)
        # A row of text takes some fifty bytes.
        self.commit_rows = min(max(self.total // 50 // 45, 20_000), 1_048_576)
        self.report.messages += self.settings.messages
        self.by_content = {str(record.get("content", key)): key for key, record in self.store.raw_records().items()}

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
                    self._one(source, ahead[number], writer, pool)
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

    def _one(self, source: Path, copy: Future[RawPut], writer: Writer, pool: ThreadPoolExecutor) -> None:
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
        if source.is_relative_to(self.folder / "tables") or source.name in TABLE_NAMES:
            self._table(source, put, writer)
        else:
            self._raw_file(put.entry, put, writer, pool)
        self.done += size
        self.tell(0)
        self._leave_inbox(source, put, self.report.files[start:])

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
                if entry.name in TABLE_NAMES or entry.source.startswith("tables"):
                    writer.record_raw(entry.hash, _record(entry, status="loaded", kind="table"))
                else:
                    namesakes = [item for item in earlier if item.name == entry.name and item.size < entry.size]
                    extends = self._extends(path, namesakes)
                    put = RawPut(entry, False, entry.name, extends, (), False, (entry.size, 0))
                    self._raw_file(entry, put, writer, pool)
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

    # -- one file ----------------------------------------------------------------------------------

    def _raw_file(self, entry: RawEntry, put: RawPut, writer: Writer, pool: ThreadPoolExecutor) -> None:
        path = self.raw.path(entry.hash)
        if _archives.is_archive(path):
            self._whole_archive(entry, path, writer, pool)
            return
        report = self._text(entry.hash, entry.hash, path, entry.name, entry.size, put.extends, writer, pool)
        report.provisional = put.changing
        if put.changing:
            report.notes.append("The file was still being written; what was there is loaded, the rest comes next.")
        if put.known and put.known_name != entry.name:
            report.notes.append(f"The same bytes came before as {put.known_name}.")
        if put.same_name:
            report.notes.append(
                f"Another file of this name came before ({', '.join(item[:12] for item in put.same_name)}); "
                "both are kept."
            )

    def _whole_archive(self, entry: RawEntry, path: Path, writer: Writer, pool: ThreadPoolExecutor) -> None:
        """Take in an archive, or say that all of it came before."""
        record = self.store.raw_record(entry.hash)
        if record is not None and record["status"] == "loaded":
            report = FileReport(entry.name, status="repeated", raw_hash=entry.hash, size=entry.size, stream="archive")
            for key, member in self.store.raw_records().items():
                if key.startswith(f"{entry.hash}!") and "memory" in member:
                    report.rows_repeated += int(member["memory"]["rows"])
            self.report.files.append(report)
            return
        start = len(self.report.files)
        self._archive(entry, path, entry.hash, entry.name, writer, pool, depth=1)
        good = all(item.status in {"loaded", "repeated", "empty"} for item in self.report.files[start:])
        status = "loaded" if good else "partly"
        writer.record_raw(entry.hash, _record(entry, status=status, kind="archive"))
        writer.commit(f"intake {entry.name}")

    def _archive(
        self,
        entry: RawEntry,
        path: Path,
        key: str,
        shown: str,
        writer: Writer,
        pool: ThreadPoolExecutor,
        depth: int,
    ) -> None:
        found, whole = _archives.members(path)
        report = FileReport(shown, status="loaded", raw_hash=entry.hash, size=entry.size, stream="archive")
        self.report.files.append(report)
        if not whole:
            report.status = "partly" if found else "refused"
            report.messages.append(
                IntakeError(
                    file=shown,
                    found="an archive whose directory is lost or damaged",
                    expected="a whole zip archive",
                    mend="Members that are intact were read. Copy the archive again.",
                )
            )
        for number, member in enumerate(found):
            name = f"{shown}/{member.name}"
            target = self.raw.root / ".incoming" / f"member-{depth}-{number}"
            try:
                with _archives.unpacked(path, member, target, name) as plain:
                    content = _digest(plain)
                    inner = f"{key}!{member.name}"
                    if _archives.is_archive(plain) and depth < _DEEPEST:
                        self._archive(entry, plain, inner, name, writer, pool, depth + 1)
                    else:
                        short = Path(member.name).name
                        done = self._text(
                            inner, content, plain, short, plain.stat().st_size, None, writer, pool, shown=name
                        )
                        done.raw_hash = entry.hash
            except IntakeError as error:
                self.report.files.append(FileReport(name, status="damaged", raw_hash=entry.hash, messages=[error]))

    def _text(
        self,
        key: str,
        content: str,
        path: Path,
        name: str,
        size: int,
        extends: str | None,
        writer: Writer,
        pool: ThreadPoolExecutor,
        shown: str | None = None,
    ) -> FileReport:
        shown = shown or name
        report = FileReport(shown, raw_hash=key, size=size)
        self.report.files.append(report)
        held_key = self.by_content.get(content)
        record = self.store.raw_record(held_key) if held_key is not None else None
        if record is not None and record["status"] in _DONE:
            self._repeat(report, record)
            if record.get("kind") == "stream" and name != record["name"]:
                self._same_instrument(report, path, name, record)
            return report
        memory: Memory | None = None
        family: tuple[str, ...] = ()
        if record is not None and record["status"] == "loading" and held_key is not None:
            memory, key = Memory.of(record["memory"]), held_key
            family = tuple(record.get("family", ()))
        elif extends is not None:
            shorter = self.store.raw_record(extends)
            if shorter is not None and shorter["status"] in {*_DONE, "loading"} and "memory" in shorter:
                memory = Memory.of(shorter["memory"])
                family = (*shorter.get("family", ()), extends)
        if size == 0:
            self._empty(report, key, content, writer, None)
            return report
        try:
            job = self._job(key, content, path, name, shown, size, family)
        except IntakeError as error:
            report.status = "refused"
            report.messages.append(error)
            self._remember(key, content, report, writer)
            return report
        if job is None:
            report.status = "unknown"
            report.messages.append(self._unknown(shown))
            self._remember(key, content, report, writer)
            return report
        report.layout, report.stream = job.layout.name, job.stream
        load_file(job, writer, pool, report, memory, self.tell)
        self.by_content[content] = key
        self._rate(report)
        if report.status == "empty":
            self._empty(report, key, content, writer, job)
        return report

    def _job(
        self, key: str, content: str, path: Path, name: str, shown: str, size: int, family: tuple[str, ...]
    ) -> Job | None:
        settings = self.settings
        head = read_head(path, "utf-8")
        layout = match_layout(name, head.lines, settings.layouts)
        if layout is None:
            return None
        head = read_head(path, layout.text.encoding)
        stream = bind_instrument(name, head.lines, layout, settings.book)
        record = {
            "name": name,
            "shown": shown,
            "size": size,
            "content": content,
            "kind": "stream",
            "stream": stream,
            "layout": layout.name,
            "layout_hash": settings.layout_hashes[layout.name],
            "family": list(family),
        }
        return Job(
            path=path,
            key=key,
            name=shown,
            size=size,
            head=head,
            layout=layout,
            stream=stream,
            window_ns=settings.window_ns,
            window_text=settings.window_text,
            family=family,
            record=record,
            commit_rows=self.commit_rows,
            raw_name=self._name_of,
            block_bytes=self.block_bytes,
        )

    def _name_of(self, key: str) -> str:
        record = self.store.raw_record(key)
        if record is not None:
            return str(record.get("shown", record.get("name", key[:12])))
        digest = key.partition("!")[0]
        return next((entry.name for entry in self.raw.entries if entry.hash == digest), key[:12])

    def _rate(self, report: FileReport) -> None:
        """Hold the measured rate against the book's."""
        book = self.settings.book
        if book is None or not report.mean_step_s:
            return
        instrument = next((item for item in book.instruments if item.label == report.stream), None)
        if instrument is None:
            return
        stated = instrument.sample_interval_s
        off = report.mean_step_s / stated - 1.0
        if abs(off) > _RATE_WRONG:
            report.messages.append(
                IntakeError(
                    file=report.name,
                    field="time",
                    found=f"a row every {report.mean_step_s:.6g} s",
                    expected=f"one every {stated:g} s, as the mission book says of {report.stream}",
                    mend="Mend sample_interval_s in mission.toml, or find out why the instrument ran otherwise.",
                )
            )
        elif abs(off) > _RATE_OFF:
            report.notes.append(
                f"Measured rate {1.0 / report.mean_step_s:.5g} Hz, the book says {1.0 / stated:.5g} Hz; "
                "stamps are used as they are."
            )

    def _repeat(self, report: FileReport, record: dict[str, Any]) -> None:
        report.status = "repeated"
        report.layout, report.stream = str(record.get("layout", "")), str(record.get("stream", ""))
        memory = record.get("memory")
        if memory is not None:
            report.rows_repeated = int(memory["rows"]) - int(memory["refused_rows"])
            report.first_ns, report.last_ns = memory["first_ns"], memory["last_ns"]
            report.gap_count = int(memory["gap_count"])
            if record["status"] == "partly":
                held = Memory.of(memory)
                report.rows_rejected = held.tally.count(*REJECTED) + held.refused_rows
                report.messages += held.tally.messages(report.name)[0]
            report.median_step_s = None if memory["step_ns"] is None else memory["step_ns"] / 1e9
        if record["status"] == "partly":
            self.unfinished.add(report.raw_hash)
        report.notes.append(f"The same bytes were taken in before, as {record.get('shown', record.get('name'))}.")
        layout = self.settings.layout_hashes.get(report.layout)
        if layout is not None and layout != record.get("layout_hash"):
            report.notes.append(
                f"Layout {report.layout} has changed since; `reeftally intake DIR --rebuild` reads it anew."
            )

    def _same_instrument(self, report: FileReport, path: Path, name: str, record: dict[str, Any]) -> None:
        """Refuse the bytes of one instrument under the name of another."""
        error: IntakeError | None = None
        try:
            job = self._job(report.raw_hash, "", path, name, report.name, report.size, ())
        except IntakeError as caught:
            error = caught
        else:
            if job is not None and job.stream != record["stream"]:
                error = IntakeError(
                    file=report.name,
                    field="instrument",
                    found=f"the very bytes that came as {record['name']} of {record['stream']}",
                    expected=f"a record of {job.stream}",
                    mend="One of the two names is wrong; download the file of this instrument again.",
                )
        if error is not None:
            report.status, report.stream, report.rows_repeated = "refused", "", 0
            report.messages.append(error)

    def _unknown(self, name: str) -> IntakeError:
        known = ", ".join(sorted(self.settings.layouts)) or "none"
        return IntakeError(
            file=name,
            found="a file that no layout fits",
            expected=f"a file of one of the layouts {known}",
            mend="It was left alone; its bytes are in raw/. `reeftally layout FILE` proposes a layout.",
        )

    def _empty(self, report: FileReport, key: str, content: str, writer: Writer, job: Job | None) -> None:
        report.status = "empty"
        expected = "rows"
        if job is not None and self.settings.book is not None:
            rows = expected_rows(self.settings.book, job.stream)
            if rows:
                expected = f"rows; {job.stream} should give some {rows:,} in this mission"
        report.messages.append(
            IntakeError(
                file=report.name,
                found="0 bytes" if job is None else "a header and no rows",
                expected=expected,
                mend="Recorded as present, but empty. Was the instrument started? Copy the file again.",
            )
        )
        if job is None:
            self._remember(key, content, report, writer)

    def _remember(self, key: str, content: str, report: FileReport, writer: Writer) -> None:
        """Keep a record of a file that gave no rows; it is tried again whenever it comes again."""
        digest = key.partition("!")[0]
        entry = RawEntry(digest, report.size, report.name, "")
        writer.record_raw(key, _record(entry, status=report.status, kind="file") | {"content": content})
        writer.commit(f"intake {report.name}: {report.status}")

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
        if report.status == "loaded":
            read = read_table(self.folder / "tables" / source.name)
            report.rows_new = len(read.records)
            report.messages += read.problems
            if read.problems:
                report.status = "partly"
        writer.record_raw(put.entry.hash, _record(put.entry, status="loaded", kind="table"))
        writer.commit(f"intake {source.name}")

    def _leave_inbox(self, source: Path, put: RawPut, reports: list[FileReport]) -> None:
        """Remove a file from the inbox if all of it is safe and nobody is writing it."""
        inbox = self.folder / "inbox"
        if not source.is_relative_to(inbox) or not reports or put.changing:
            return
        if any(
            report.status not in {"loaded", "repeated", "empty"}
            and not (report.layout == "table" and report.status == "partly")
            for report in reports
        ) or self.unfinished.intersection(report.raw_hash for report in reports):
            # Partly loaded, refused and unknown files stay where people see them; a table is seen in tables/.
            return
        if not is_settled(source, put):
            for report in reports:
                report.provisional = True
                report.notes.append("Left in the inbox: it may still be being written.")
            return
        source.unlink()


def _record(entry: RawEntry, *, status: str, kind: str) -> dict[str, Any]:
    return {"name": entry.name, "size": entry.size, "status": status, "kind": kind, "content": entry.hash}


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
