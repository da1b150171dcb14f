"""Loading one raw file into the store, block by block, resumable at every commit.

Here:     the pipeline (blocks are decoded ahead in threads, appended in order), the memory that goes from
          block to block, headers in mid-file, the record that makes the work resumable.
Not here: choosing layout and instrument (`_match`), copying (`_raw`).
Rules:    the offset loaded is committed with the rows that came from before it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from reeftally.errors import IntakeError
from reeftally.intake._blocks import BLOCK_BYTES, Block, Head, read_blocks
from reeftally.intake._decode import Parsed, Prepared, parse, prepare
from reeftally.intake._kernel import DATA, SKIP
from reeftally.intake._lines import OddLine, read_odd_line
from reeftally.intake._mapping import Mapping, find_header, make_mapping, split_fields
from reeftally.intake._memory import Memory
from reeftally.intake._redate import keep_credible, other_reading_of_text
from reeftally.intake._report import FileReport, iso
from reeftally.intake._tally import REJECTED, refused_text
from reeftally.intake._times import leap_second_rows, rebuild_from_counter, scale_ahead_s, scale_to_utc, to_utc
from reeftally.mission import Layout
from reeftally.store import AppendResult, Writer

__all__ = ["Job", "load_file"]

_AHEAD = 3
_HOPELESS = 200


@dataclass
class Job:
    """One file to load."""

    path: Path
    """The bytes, in `raw/` (or an unpacked member of an archive)."""
    key: str
    """Key of the raw file in the store."""
    name: str
    """Name for messages."""
    size: int
    """[bytes]"""
    head: Head
    """First lines."""
    layout: Layout
    """How to read it."""
    stream: str
    """Instrument label."""
    window_ns: tuple[int, int]
    """Stamps outside are those of a clock that was reset. [ns]"""
    window_text: str
    """The same for people."""
    mission_ns: tuple[int, int] | None
    """First and last instant of the mission, side-by-side periods included; None without a book. [ns]"""
    family: tuple[str, ...]
    """Keys of shorter states of the same file."""
    record: dict[str, Any]
    """What goes into the store's record besides the memory."""
    commit_rows: int
    """Rows of one commit."""
    raw_name: Callable[[str], str]
    """Name of a raw file, by hash."""
    block_bytes: int = BLOCK_BYTES
    """Raw bytes of one block."""


def load_file(
    job: Job,
    writer: Writer,
    pool: ThreadPoolExecutor,
    report: FileReport,
    memory: Memory | None,
    tell: Callable[[int], None],
) -> None:
    """Load what is not yet loaded of a file, committing as it goes; fill `report`.

    Parameters
    ----------
    tell : callable
        Called with the raw bytes done in this file.
    """
    loader = _Loader(job, writer, report, tell)
    try:
        loader.begin(memory)
        loader.run(pool)
    except IntakeError as error:
        report.messages.append(error)
        report.status = "partly" if loader.memory.rows else "refused"
    loader.finish()


_Piece = tuple[
    npt.NDArray[np.int64], dict[str, npt.NDArray[np.generic]], npt.NDArray[np.int64], npt.NDArray[np.float64]
]
"""Stamps, columns and line numbers of rows."""


class _Loader:
    def __init__(self, job: Job, writer: Writer, report: FileReport, tell: Callable[[int], None]) -> None:
        self.job, self.writer, self.report, self.tell = job, writer, report, tell
        self.memory = Memory()
        self.mapping: Mapping | None = None
        self.checksum = job.layout.text.checksum is not None
        # Overflow text of the lines now at hand: channel -> line numbers in the block.
        self.overflow: dict[str, list[int]] = {}

    # -- beginning ---------------------------------------------------------------------------------

    def begin(self, memory: Memory | None) -> None:
        """Take up the memory of an earlier state, or find the header of a new file."""
        job = self.job
        if memory is not None:
            self.memory = memory
        else:
            self.memory.offset = job.head.mark
        if job.layout.text.header == "none":
            if not self.memory.fields:
                self.memory.fields = self._usual_fields()
            self.mapping = make_mapping(job.layout, None, self.memory.fields, file=job.name)
        elif self.memory.header is not None:
            self.mapping = make_mapping(job.layout, self.memory.header, 0, file=job.name)
        else:
            place = find_header(job.head.lines, job.layout)
            complete = job.head.complete or place < len(job.head.lines) - 1
            if place < 0:
                raise self._no_header()
            if not complete:
                return  # the header line itself is not yet whole
            header = split_fields(job.head.lines[place].lstrip("\ufeff"), job.layout.text.delimiter)
            self.mapping = make_mapping(job.layout, header, 0, file=job.name, line=place + 1)
            self.memory.header = list(self.mapping.header)
            self.memory.offset = job.head.ends[place]
            self.memory.line = place + 2
        if job.head.encoding != _plain_encoding(job.layout.text.encoding):
            self.report.notes.append(f"decoded as {job.head.encoding}, not {job.layout.text.encoding}")

    def _no_header(self) -> IntakeError:
        job = self.job
        first = next((line for line in job.head.lines if line.strip()), "")
        start = job.layout.text.header_start
        wanted = f"beginning with {start!r}" if start else f"with {', '.join(job.layout.time.columns)}"
        return IntakeError(
            file=job.name,
            line=1,
            found=f"no line of column names; the file begins with {first[:60]!r}",
            expected=f"a line of column names {wanted}",
            mend="Was the head of the file cut off? Else mend [text] in the layout.",
        )

    def _usual_fields(self) -> int:
        layout = self.job.layout
        counts: dict[int, int] = {}
        for line in self.job.head.lines[:200]:
            if line.strip() and not (layout.text.comment and line.startswith(layout.text.comment)):
                text = line.rpartition("*")[0] if self.checksum else line
                fields = split_fields(text, layout.text.delimiter)
                while fields and not fields[-1]:
                    fields.pop()
                counts[len(fields)] = counts.get(len(fields), 0) + 1
        return max(counts, key=lambda number: (counts[number], number), default=0)

    # -- the pipeline ------------------------------------------------------------------------------

    def run(self, pool: ThreadPoolExecutor) -> None:
        """Decode ahead, absorb in order, commit."""
        if self.mapping is None:
            return
        blocks = read_blocks(self.job.path, self.memory.offset, self.job.head.encoding, self.job.block_bytes)
        ahead: deque[tuple[Block, Mapping, Future[tuple[Parsed, Prepared | None]]]] = deque()
        try:
            more = True
            while more or ahead:
                while more and len(ahead) < _AHEAD:
                    block = next(blocks, None)
                    if block is None:
                        more = False
                    else:
                        job = pool.submit(_decode, block.data, self.mapping, self.checksum)
                        ahead.append((block, self.mapping, job))
                if not ahead:
                    break
                block, mapping, job = ahead.popleft()
                parsed, prepared = job.result()
                if mapping is not self.mapping:
                    # A header came between; what was decoded ahead used the old one.
                    parsed, prepared = _decode(block.data, self.mapping, self.checksum)
                self._absorb(block, parsed, prepared)
        finally:
            for _, _, job in ahead:
                job.cancel()

    def _absorb(self, block: Block, parsed: Parsed, prepared: Prepared | None) -> None:
        memory = self.memory
        if block.overlong:
            memory.tally.add("overlong", line=memory.line, found="a line of over 1 MB", count=block.overlong)
            memory.line += block.overlong
        pieces: list[_Piece] = []
        error: IntakeError | None = None
        while True:
            upto = parsed.status.size
            header: OddLine | None = None
            if prepared is None:
                upto, header = self._look_closely(parsed)
                prepared = prepare(parsed, upto)
            pieces.append(self._rows(parsed, prepared))
            memory.line += upto
            if header is None:
                break
            begin = int(parsed.starts[upto + 1])
            memory.line += 1
            memory.headers += 1
            try:
                self.mapping = make_mapping(self.job.layout, header.header, 0, file=self.job.name, line=memory.line - 1)
            except IntakeError as caught:
                error = caught
                break
            memory.header = list(self.mapping.header)
            parsed = parse(parsed.data, self.mapping, checksum=self.checksum, begin=begin)
            prepared = None
        memory.offset = block.offset_to
        times = np.concatenate([piece[0] for piece in pieces])
        columns = {
            name: np.concatenate([piece[1][name] for piece in pieces]) for name in pieces[0][1]
        } if len(pieces) > 1 else pieces[0][1]  # fmt: skip
        result = self.writer.append(
            self.job.stream,
            {"time": times, **columns},
            self.job.key,
            block.offset_from,
            block.offset_to,
            earlier=self.job.family,
        )
        memory.rows += times.size
        lines = np.concatenate([piece[2] for piece in pieces])
        kept = slice(None) if result.left_out is None else ~result.left_out
        packets = np.concatenate([piece[3] for piece in pieces])
        known, where, packets = times[kept], lines[kept], packets[kept]
        if memory.reset_rows:
            usual = known >= self.job.window_ns[0]
            known, where, packets = known[usual], where[usual], packets[usual]
        memory.count_back(known, where, " ".join(self.job.layout.time.columns), packets)
        self._count(result)
        self.report.rows_new += result.new
        self.report.rows_repeated += result.repeated
        self.tell(memory.offset)
        if error is not None:
            raise error
        if self.writer.pending_rows() >= self.job.commit_rows:
            self.commit("loading")

    def _look_closely(self, parsed: Parsed) -> tuple[int, OddLine | None]:
        """Read odd lines one by one; stop at a header. Return how many lines were dealt with."""
        memory, layout = self.memory, self.job.layout
        odd = parsed.odd()
        nothing_good = not memory.rows and not (parsed.status == DATA).any()
        for tried, number in enumerate(odd.tolist()):
            data = parsed.line(number)
            found = read_odd_line(data, int(parsed.status[number]), parsed.mapping, layout, self.job.head.encoding)
            line = memory.line + number
            if found.kind == "header":
                return number, found
            if found.kind == "row":
                nothing_good = False
                parsed.status[number] = DATA
                parsed.times[number] = found.time_ns
                parsed.values[:, number] = found.values
                for kind, rows in (("overflow", found.overflow), ("missing", found.missing)):
                    for row in rows:
                        self._undeclared(kind, row, number, line)
                continue
            parsed.status[number] = SKIP
            memory.tally.lines += 1
            mend = ""
            if found.kind == "time" and self.job.mission_ns is not None:
                reading = other_reading_of_text(found.found, layout, self.job.mission_ns)
                mend = "" if reading is None else reading.text()
            memory.tally.add(
                found.kind,
                line=line,
                field=found.field_name,
                found=found.found,
                expected=found.expected,
                mend=mend,
            )
            if nothing_good and tried >= _HOPELESS:
                raise self._hopeless()
        if nothing_good and odd.size and not memory.tally.lines - memory.tally.count(*REJECTED):
            raise self._hopeless()
        return parsed.status.size, None

    def _undeclared(self, kind: str, row: int, number: int, line: int) -> None:
        mapping = self.mapping
        assert mapping is not None
        name = mapping.columns[row].name if row < len(mapping.columns) else "counter"
        text = "overflow text(s), taken as missing and flagged" if kind == "overflow" else "word(s) taken as missing"
        self.memory.tally.add(kind, line=line, field=name, found=f"{text} in column {name}")
        if kind == "overflow" and row < len(mapping.columns):
            self.overflow.setdefault(mapping.columns[row].channel, []).append(number)

    def _flag_overflow(self, prepared: Prepared, times: npt.NDArray[np.int64]) -> None:
        """Flag rows whose cell was overflow text as failed: the instrument said so itself."""
        order = np.argsort(times, kind="stable")
        for channel, numbers in self.overflow.items():
            flags = np.ones(times.size, np.uint8)
            rows = np.array(numbers) if prepared.lines is None else np.searchsorted(prepared.lines, numbers)
            flags[rows] = 4
            self.writer.set_flags(self.job.stream, channel, "overflow", times=times[order], flags=flags[order])
        self.overflow = {}

    def _hopeless(self) -> IntakeError:
        """Say what is wrong with every line, by the example of the first."""
        tally = self.memory.tally
        key = max(tally.kinds, key=lambda kind: int(tally.kinds[kind]["count"]))
        entry = tally.kinds[key]
        tally.kinds = {}
        self.memory.tally.lines = 0
        mend = {
            "time": "Mend [time] in the layout.",
            "number": "Mend delimiter and decimal mark in the layout; a thousands mark cannot be read.",
            "mangled": "A spreadsheet changed this file; take in the one that the instrument wrote.",
            "junk": "This is no text of this layout; is the file damaged?",
        }.get(key.partition("\x1f")[0], "Mend the layout, or make one for this kind of file.")
        return IntakeError(
            file=self.job.name,
            line=entry["line"],
            field=entry["field"],
            found=f"{entry['found']}, and no line that can be read",
            expected=entry["expected"],
            mend=entry.get("mend") or mend,
        )

    # -- rows --------------------------------------------------------------------------------------

    def _rows(self, parsed: Parsed, prepared: Prepared) -> _Piece:
        """Turn prepared rows into UTC, count, and leave out those of a clock that was reset."""
        memory, job = self.memory, self.job
        times = prepared.times
        tally = memory.tally
        tally.lines += int(times.size)

        numbers = memory.line + (np.arange(times.size) if prepared.lines is None else prepared.lines)

        def line_of(row: int) -> int:
            return int(numbers[row])

        for kind, text, found in (
            ("outside", "value(s) outside the plausible span, the first", prepared.outside),
            ("sentinel", "undeclared missing-value code(s), the first", prepared.sentinels),
        ):
            for name, (count, row, value) in found.items():
                column = next(item for item in parsed.mapping.columns if item.name == name)
                span = f"{_number(column.minimum)} to {_number(column.maximum)} {column.unit}".strip()
                tally.add(
                    kind,
                    line=line_of(row),
                    field=name,
                    found=f"{text} {value:g}",
                    expected=span if kind == "outside" else "codes declared under `missing`",
                    count=count,
                )
        if not times.size:
            return times, prepared.columns, numbers, np.empty(0)
        if prepared.counter is not None and job.layout.time.rate_hz is not None:
            times = rebuild_from_counter(times, prepared.counter, job.layout.time.rate_hz, memory.counter)
        before = (memory.zone.ambiguous, memory.zone.missing)
        times = scale_to_utc(to_utc(times, parsed.mapping.rule.zone, memory.zone), job.layout.time.scale)
        memory.leap_rows += leap_second_rows(times)
        zone = job.layout.time.zone
        for kind, many, text in (
            ("twice", memory.zone.ambiguous - before[0], f"row(s) in an hour that {zone} has twice"),
            ("left_out", memory.zone.missing - before[1], f"row(s) in an hour that {zone} leaves out"),
        ):
            if many:
                tally.add(kind, line=line_of(0), found=text, expected="stamps without summer time", count=many)
        if self.overflow:
            self._flag_overflow(prepared, times)
        columns = prepared.columns
        packets = np.full(times.size, np.nan) if prepared.counter is None else prepared.counter
        low, high = job.window_ns
        if int(times.min()) < low or int(times.max()) > high:
            kept = keep_credible(times, numbers, memory, job.layout, job.window_ns, job.window_text, job.mission_ns)
            return times[kept], {name: value[kept] for name, value in columns.items()}, numbers[kept], packets[kept]
        memory.count_steps(times, line_of, " ".join(job.layout.time.columns))
        return times, columns, numbers, packets

    def _count(self, result: AppendResult) -> None:
        memory = self.memory
        memory.duplicates += result.repeated
        memory.refused_rows += result.refused
        stamp = " ".join(self.job.layout.time.columns)
        # The second 60 and the one after it are one second of UTC as computers count it: a repeat that is right.
        leap = min(result.kept_twice, memory.leap_rows)
        memory.leap_rows -= leap
        if leap:
            memory.tally.add("leap", found="row(s) of a leap second, which stand at the second after it", count=leap)
        if result.kept_twice > leap:
            memory.tally.add(
                "kept_twice",
                field=stamp,
                found="row(s) at a stamp that this file gives twice, with other values",
                expected="one row a stamp",
                count=result.kept_twice - leap,
            )
        if result.refused and result.refused_first_ns is not None and result.refused_last_ns is not None:
            shown = [
                f"{iso(item.time_ns)} {item.channel} {item.held:g} held, {item.found:g} here"
                for item in result.differences
            ]
            held = result.differences[0].raw_hash if result.differences else ""
            memory.tally.add(
                "refused",
                field=stamp,
                found=refused_text(result.refused_first_ns, result.refused_last_ns, self.job.raw_name(held), shown),
                expected="the same values where two files overlap",
                count=result.refused,
            )

    # -- ending ------------------------------------------------------------------------------------

    def commit(self, status: str) -> None:
        """Commit the rows with the memory that goes with them."""
        self.writer.record_raw(self.job.key, {**self.job.record, "status": status, "memory": self.memory.plain()})
        self.writer.commit(f"intake {self.job.name}")

    def finish(self) -> None:
        """Say what is to be said and commit the rest."""
        memory, report, job = self.memory, self.report, self.job
        messages, notes = memory.tally.messages(job.name)
        report.messages += messages
        report.notes += notes
        if memory.headers:
            report.notes.append(f"{memory.headers} more header(s) in mid-file; columns mapped by name.")
        time = job.layout.time
        if time.scale != "UTC" and memory.first_ns is not None:
            ahead = scale_ahead_s(memory.first_ns, time.scale)
            report.notes.append(f"Stamps are {time.scale} time; {ahead:g} s were taken off (leap seconds as of 2017).")
        if time.counter is not None:
            report.notes.append(
                f"Times within a second are rebuilt from counter {time.counter!r} at {time.rate_hz:g} Hz: the first "
                "sample of each second stands at the second."
            )
        if memory.duplicates and report.status != "repeated":
            report.notes.append(f"{memory.duplicates} row(s) were there already and were merged.")
        held = job.size - memory.offset
        if report.status not in {"refused", "partly"} and held > 0:
            self._held_back(held)
        report.rows_rejected = memory.tally.count(*REJECTED) + memory.refused_rows
        report.first_ns, report.last_ns = memory.first_ns, memory.last_ns
        report.median_step_s = None if memory.step_ns is None else memory.step_ns / 1e9
        if memory.step_count:
            report.mean_step_s = memory.step_sum_ns / memory.step_count / 1e9
        report.gaps = [(low, high) for low, high in memory.gaps]
        report.gap_count = memory.gap_count
        if report.status == "unknown":
            # Serial noise that was skipped costs a file nothing unless there is much of it.
            if report.rows_rejected > memory.tally.tolerated():
                report.status = "partly"
            else:
                report.status = "loaded" if memory.rows else "empty"
        self.commit(report.status)

    def _held_back(self, held: int) -> None:
        with self.job.path.open("rb") as file:
            file.seek(self.memory.offset)
            rest = file.read(200)
        if not rest.strip(b"\0\r\n\t "):
            return
        text = rest.decode(self.job.head.encoding, errors="replace")
        self.report.status = "partly"
        self.report.messages.append(
            IntakeError(
                file=self.job.name,
                line=self.memory.line,
                found=f"a last line without an end: {text[:60]!r} ({held} bytes)",
                expected="a line end",
                mend="It is held back, so that no cut number is believed. Take in the file again when it is complete.",
            )
        )


def _decode(data: npt.NDArray[np.uint8], mapping: Mapping, checksum: bool) -> tuple[Parsed, Prepared | None]:
    """Parse a block; prepare it as well if no line needs a closer look."""
    parsed = parse(data, mapping, checksum=checksum)
    return parsed, None if parsed.odd().size else prepare(parsed)


def _number(value: float | None) -> str:
    return "…" if value is None else f"{value:g}"


def _plain_encoding(name: str) -> str:
    import codecs

    plain = codecs.lookup(name).name
    return {"utf-16": "utf-16-le", "utf-8-sig": "utf-8"}.get(plain, plain)
