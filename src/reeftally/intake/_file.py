"""One file: what kind it is, which layout and instrument, whether its rows came before, and loading them.

Here:     text files and archives of them, repeats, growth, files that nobody knows, empty files, the measured rate.
Not here: the order of work, copying, the inbox (`_take`); reading lines (`_load` and what it uses).
Rules:    bytes are in `raw/` before they come here; one bad file never stops the others.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from reeftally.errors import IntakeError
from reeftally.intake import _archives
from reeftally.intake._blocks import read_head
from reeftally.intake._load import Job, load_file
from reeftally.intake._match import bind_instrument, match_layout
from reeftally.intake._memory import Memory
from reeftally.intake._netcdf import NETCDF, is_netcdf, load_netcdf, netcdf_instrument
from reeftally.intake._raw import RawEntry, RawFiles, RawPut, label_of_source
from reeftally.intake._redate import other_reading
from reeftally.intake._report import FileReport, IntakeReport, iso
from reeftally.intake._settings import Settings, expected_rows
from reeftally.intake._tally import REJECTED
from reeftally.mission import Layout
from reeftally.store import Store, Writer

__all__ = ["FileWork", "raw_record"]

_DEEPEST = 3
# Shares by which a measured sampling rate may differ from the book's: a clock's error, and a wrong book.
_RATE_OFF, _RATE_WRONG = 2e-4, 0.1
_DONE = {"loaded", "partly", "empty"}


@dataclass
class FileWork:
    """Everything that loading one file after the other needs."""

    settings: Settings
    store: Store
    raw: RawFiles
    report: IntakeReport
    writer: Writer
    pool: ThreadPoolExecutor
    tell: Callable[[int], None]
    commit_rows: int
    block_bytes: int
    unfinished: set[str] = field(default_factory=set)
    """Raw hashes of files of which some lines are not loaded."""

    def __post_init__(self) -> None:
        self.by_content = {str(record.get("content", key)): key for key, record in self.store.raw_records().items()}

    def take(self, entry: RawEntry, put: RawPut) -> None:
        """Take in one file of `raw/`."""
        path = self.raw.path(entry.hash)
        if _archives.is_archive(path):
            self._whole_archive(entry, path)
            return
        live = label_of_source(entry.source)
        report = self._text(entry.hash, entry.hash, path, entry.name, entry.size, put.extends, live=live)
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

    def _whole_archive(self, entry: RawEntry, path: Path) -> None:
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
        self._archive(entry, path, entry.hash, entry.name, depth=1)
        good = all(item.status in {"loaded", "repeated", "empty"} for item in self.report.files[start:])
        status = "loaded" if good else "partly"
        self.writer.record_raw(entry.hash, raw_record(entry, status=status, kind="archive"))
        self.writer.commit(f"intake {entry.name}")

    def _archive(
        self,
        entry: RawEntry,
        path: Path,
        key: str,
        shown: str,
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
                        self._archive(entry, plain, inner, name, depth + 1)
                    else:
                        short = Path(member.name).name
                        done = self._text(inner, content, plain, short, plain.stat().st_size, None, shown=name)
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
        shown: str | None = None,
        live: str | None = None,
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
        if record is not None and record["status"] == "loading" and held_key is not None and "memory" in record:
            memory, key = Memory.of(record["memory"]), held_key
            family = tuple(record.get("family", ()))
        elif extends is not None:
            shorter = self.store.raw_record(extends)
            if shorter is not None and shorter["status"] in {*_DONE, "loading"} and "memory" in shorter:
                memory = Memory.of(shorter["memory"])
                family = (*shorter.get("family", ()), extends)
        if size == 0:
            self._empty(report, key, content, None)
            return report
        if live is None and is_netcdf(path):
            self._netcdf(report, key, content, path, name)
            return report
        try:
            job = self._job(key, content, path, name, shown, size, family, live)
        except IntakeError as error:
            report.status = "refused"
            report.messages.append(error)
            self._remember(key, content, report)
            return report
        if job is None:
            report.status = "unknown"
            report.messages.append(self._unknown(shown))
            self._remember(key, content, report)
            return report
        report.layout, report.stream = job.layout.name, job.stream
        load_file(job, self.writer, self.pool, report, memory, self.tell)
        self.by_content[content] = key
        self._rate(report)
        self._dates(report, job)
        if report.status == "empty":
            self._empty(report, key, content, job)
        return report

    def _job(
        self,
        key: str,
        content: str,
        path: Path,
        name: str,
        shown: str,
        size: int,
        family: tuple[str, ...],
        live: str | None = None,
    ) -> Job | None:
        settings = self.settings
        if live is not None:
            layout, stream = self._bound(live, name)
            head = read_head(path, layout.text.encoding)
        else:
            head = read_head(path, "utf-8")
            matched = match_layout(name, head.lines, settings.layouts)
            if matched is None:
                return None
            layout = matched
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
            mission_ns=settings.mission_ns,
            family=family,
            record=record,
            commit_rows=self.commit_rows,
            raw_name=self._name_of,
            block_bytes=self.block_bytes,
        )

    def _netcdf(self, report: FileReport, key: str, content: str, path: Path, name: str) -> None:
        """Load a NetCDF file."""
        settings = self.settings
        report.layout = NETCDF
        try:
            report.stream = netcdf_instrument(path, name, settings.book)
            load_netcdf(
                path,
                key=key,
                name=report.name,
                label=report.stream,
                size=report.size,
                record={
                    "name": name,
                    "shown": report.name,
                    "size": report.size,
                    "content": content,
                    "kind": NETCDF,
                    "stream": report.stream,
                    "layout": NETCDF,
                },
                writer=self.writer,
                report=report,
                window_ns=settings.window_ns,
                window_text=settings.window_text,
            )
        except IntakeError as error:
            report.status = "refused"
            report.messages.append(error)
            self._remember(key, content, report)
        else:
            self.by_content[content] = key

    def live(self, path: Path, key: str, label: str, name: str) -> FileReport:
        """Load what is new of a growing feed of an instrument.

        Parameters
        ----------
        path, key : Path, str
            Its raw file, and the key under which the store knows it.
        label : str
            Instrument; the mission book says which layout its lines have.

        Raises
        ------
        IntakeError
            If the book has no such instrument, or its layout is not there.
        """
        record = self.store.raw_record(key)
        report = FileReport(name, raw_hash=key, size=path.stat().st_size, stream=label)
        memory = Memory.of(record["memory"]) if record is not None and "memory" in record else None
        job = self._job(key, key, path, name, name, report.size, (), live=label)
        assert job is not None
        report.layout = job.layout.name
        load_file(job, self.writer, self.pool, report, memory, self.tell)
        # The last line of a feed is always under way.
        report.messages = [item for item in report.messages if "without an end" not in item.found]
        self.by_content.pop(key, None)
        return report

    def _bound(self, label: str, name: str) -> tuple[Layout, str]:
        """Return layout and label of a feed, as the mission book says."""
        book = self.settings.book
        instrument = None if book is None else next((i for i in book.instruments if i.label == label), None)
        layout = None if instrument is None else self.settings.layouts.get(instrument.layout)
        if instrument is None or layout is None:
            raise IntakeError(
                file=name,
                field="instrument",
                found=f"a feed of {label!r}",
                expected="an instrument of the mission book whose layout is in layouts/",
                mend="Add the instrument to mission.toml, and its layout.",
            )
        return layout, label

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

    def _dates(self, report: FileReport, job: Job) -> None:
        """Say so if the whole file lies outside the mission, and how else its dates could be read."""
        mission = self.settings.mission_ns
        if mission is None or report.first_ns is None or report.last_ns is None:
            return
        outside = [at for at in (report.first_ns, report.last_ns) if not mission[0] <= at <= mission[1]]
        readings = [other_reading(at, job.layout, mission) for at in outside]
        found = {reading.what: reading for reading in readings if reading is not None}
        same = next(iter(found.values())) if len(found) == 1 and None not in readings else None
        apart = report.first_ns > mission[1] or report.last_ns < mission[0]
        # A record may begin before the mission and go on after it; dates read wrongly jump by months.
        if not outside or not (apart or (same is not None and same.what.startswith("day and month"))):
            return
        mend = "The rows are kept and not used. Is the file of another mission, or was the clock wrong?"
        if same is not None:
            mend = "The rows are kept as they are. " + same.text()
        report.messages.append(
            IntakeError(
                file=report.name,
                field=" ".join(job.layout.time.columns),
                found=f"stamps from {iso(report.first_ns)} to {iso(report.last_ns)}",
                expected=f"stamps within the mission, {iso(mission[0])} to {iso(mission[1])}",
                mend=mend,
            )
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

    def _empty(self, report: FileReport, key: str, content: str, job: Job | None) -> None:
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
            self._remember(key, content, report)

    def _remember(self, key: str, content: str, report: FileReport) -> None:
        """Keep a record of a file that gave no rows; it is tried again whenever it comes again."""
        digest = key.partition("!")[0]
        entry = RawEntry(digest, report.size, report.name, "")
        self.writer.record_raw(key, raw_record(entry, status=report.status, kind="file") | {"content": content})
        self.writer.commit(f"intake {report.name}: {report.status}")


def raw_record(entry: RawEntry, *, status: str, kind: str) -> dict[str, Any]:
    """Return what the store remembers of a raw file."""
    return {"name": entry.name, "size": entry.size, "status": status, "kind": kind, "content": entry.hash}


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
