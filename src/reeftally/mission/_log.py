"""The log: who decided what, when and why; append-only.

Here:     typed entries of ``log/entries.jsonl``, appending, and the corrections that are in force.
Not here: applying a correction to samples (`calibration`, `analysis`).
Rules:    an entry is whole and synced before `append` returns, and is never changed after; the time
          is the caller's; replaying the file in order gives the same corrections, always.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    ValidationError,
)

from reeftally.errors import BookError
from reeftally.mission._files import sync_folder
from reeftally.mission._problems import BookErrors, Refusal, from_validation
from reeftally.mission._rows import Tup, to_ns, to_utc

if os.name == "posix":
    import fcntl

__all__ = ["AddValue", "AxisFlip", "ClockShift", "Correction", "Exclude", "Log", "LogEntry", "SwapStreams"]


def _parse(value: Any) -> Any:
    return dt.datetime.fromisoformat(value) if isinstance(value, str) else value


def _show(value: dt.datetime) -> str:
    return value.astimezone(dt.UTC).isoformat().replace("+00:00", "Z")


Time = Annotated[
    AwareDatetime, BeforeValidator(_parse), AfterValidator(to_utc), PlainSerializer(_show, when_used="json")
]


class _Entry(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class _Stretch(_Entry):
    start: Time | None = Field(default=None, description="first instant, as stamped; open if null")
    end: Time | None = Field(default=None, description="end of the stretch, as stamped; open if null")

    @property
    def start_ns(self) -> int | None:
        """First instant, as stamped. [ns since 1970-01-01 UTC] None if open."""
        return None if self.start is None else to_ns(self.start)

    @property
    def end_ns(self) -> int | None:
        """End, not included, as stamped. [ns since 1970-01-01 UTC] None if open."""
        return None if self.end is None else to_ns(self.end)


class ClockShift(_Stretch):
    """True time = stamp + seconds + per_day × days since the start of the stretch."""

    type: Literal["clock_shift"] = "clock_shift"
    instrument: str = Field(description="label of the instrument")
    seconds: float = Field(description="what to add to a stamp [s]")
    per_day: float = Field(default=0.0, description="drift of `seconds` [s d-1]")
    sd_s: float = Field(default=0.0, ge=0.0, description="standard uncertainty of `seconds` [s]")


class AxisFlip(_Stretch):
    """The instrument stood upside down: y and z change sign."""

    type: Literal["axis_flip"] = "axis_flip"
    instrument: str = Field(description="label of the instrument")


class Exclude(_Stretch):
    """Samples that count as bad."""

    type: Literal["exclude"] = "exclude"
    instrument: str = Field(description="label of the instrument")
    channel: str | None = Field(
        default=None, description="channel, or a pattern such as *_bin_05 for several; all if null"
    )


class SwapStreams(_Stretch):
    """Two instruments whose cables were crossed."""

    type: Literal["swap_streams"] = "swap_streams"
    instruments: Tup[str] = Field(description="the two labels")


class AddValue(_Stretch):
    """Readings that stand off by a known amount: another pH scale, a wrong zero."""

    type: Literal["add"] = "add"
    instrument: str = Field(description="label of the instrument")
    channel: str = Field(description="channel")
    value: float = Field(description="what to add to the readings, in the unit of the channel")
    sd: float = Field(default=0.0, ge=0.0, description="standard uncertainty of `value`")


Correction = Annotated[ClockShift | AxisFlip | Exclude | SwapStreams | AddValue, Field(discriminator="type")]
"""What the chain understands."""


def _words(value: str) -> str:
    if not value.strip():
        raise Refusal(wanted="some words", found=value)
    return value


class LogEntry(_Entry):
    """One decision."""

    id: str = Field(default="", description="number of the entry; given by `Log.append`")
    time: Time = Field(description="when it was decided, UTC")
    by: Annotated[str, AfterValidator(_words)] = Field(description="role of who decided")
    kind: Literal["accept", "undo", "flag", "note"] = Field(description="what kind of entry")
    subject: str = Field(default="", description="instrument, bottle, key of the book or result it is about")
    finding: str = Field(
        default="", description="id of the finding accepted; for undo, of the finding or entry taken back"
    )
    why: str = Field(default="", description="reason, in words")
    before: Any = Field(default=None, description="value before")
    after: Any = Field(default=None, description="value after")
    correction: Correction | None = Field(default=None, description="what the chain is to do")

    @property
    def time_ns(self) -> int:
        """When it was decided. [ns since 1970-01-01 UTC]."""
        return to_ns(self.time)


@contextlib.contextmanager
def _locked(handle: int) -> Iterator[None]:
    if os.name != "posix":
        yield  # two writers at once are not kept apart there
        return
    fcntl.flock(handle, fcntl.LOCK_EX)
    try:
        yield
    finally:
        fcntl.flock(handle, fcntl.LOCK_UN)


class Log:
    """The log of one mission folder.

    Parameters
    ----------
    folder : path
        The mission folder. Nothing is created until the first entry.
    """

    def __init__(self, folder: Path | str) -> None:
        self.path = Path(folder) / "log" / "entries.jsonl"

    def _lines(self) -> list[bytes]:
        """Return the whole lines; a tail without line end was never acknowledged and is left out."""
        if not self.path.exists():
            return []
        content = self.path.read_bytes()
        lines = content.split(b"\n")
        tail = lines.pop()
        if tail.strip() and _is_json(tail):
            lines.append(tail)  # someone's editor left out the last line end
        return lines

    def entries(self) -> tuple[LogEntry, ...]:
        """Return all entries in the order they were written.

        Raises
        ------
        BookErrors
            With every line that is no entry.
        """
        found: list[LogEntry] = []
        problems: list[BookError] = []
        file = "log/entries.jsonl"
        for number, line in enumerate(self._lines(), 1):
            if not line.strip():
                continue
            try:
                data = json.loads(line)
                found.append(LogEntry.model_validate(data))
            except ValidationError as error:
                problems.extend(
                    BookError(
                        key=f"line {number}, {part.key}",
                        found=part.found,
                        wanted=part.wanted,
                        mend=part.mend,
                        file=file,
                    )
                    for part in from_validation(error, LogEntry, data, file)
                )
            except ValueError:
                problems.append(
                    BookError(
                        key=f"line {number}",
                        found=line[:60].decode("utf-8", "replace"),
                        wanted="one JSON object",
                        mend="The log is only ever appended to; put back the line from a copy of the folder.",
                        file=file,
                    )
                )
        if problems:
            raise BookErrors(problems)
        return tuple(found)

    def append(self, entry: LogEntry) -> LogEntry:
        """Write an entry at the end and sync it.

        Parameters
        ----------
        entry : LogEntry
            Without id: the next number (``E0001``, ``E0002``, …) is given here.

        Returns
        -------
        LogEntry
            The entry with its id.

        Raises
        ------
        BookError
            If an undo finds nothing to take back, or an id is taken.
        """
        self.path.parent.mkdir(parents=True, exist_ok=True)
        created = not self.path.exists()
        handle = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o644)
        try:
            with _locked(handle):
                self._mend_tail(handle)
                known = self.entries()
                entry = self._numbered(entry, known)
                if entry.kind == "undo":
                    _require_something_to_undo(entry, known)
                line = json.dumps(entry.model_dump(mode="json"), ensure_ascii=False, sort_keys=True) + "\n"
                content = line.encode()
                written = os.write(handle, content)
                if written != len(content):
                    # A short write leaves a tail that the next append sets aside.
                    message = f"only {written} of {len(content)} bytes went to {self.path}"
                    raise OSError(message)
                os.fsync(handle)
        finally:
            os.close(handle)
        if created:
            sync_folder(self.path.parent)
        return entry

    def _mend_tail(self, handle: int) -> None:
        """End a last line that has no end; set aside what a crash left of an entry."""
        content = self.path.read_bytes()
        if not content or content.endswith(b"\n"):
            return
        start = content.rfind(b"\n") + 1
        tail = content[start:]
        if _is_json(tail):
            os.write(handle, b"\n")
            return
        aside = self.path.with_name("torn.jsonl")
        with aside.open("ab") as stream:
            stream.write(tail + b"\n")
            stream.flush()
            os.fsync(stream.fileno())
        os.ftruncate(handle, start)

    @staticmethod
    def _numbered(entry: LogEntry, known: tuple[LogEntry, ...]) -> LogEntry:
        taken = {other.id for other in known}
        if entry.id:
            if entry.id in taken:
                raise BookError(key="id", found=entry.id, wanted="an id that no entry has", file="log/entries.jsonl")
            return entry
        number = len(known) + 1
        while f"E{number:04d}" in taken:
            number += 1
        return entry.model_copy(update={"id": f"E{number:04d}"})

    def active(self) -> tuple[LogEntry, ...]:
        """Return the entries of kind accept and flag that are in force, in order.

        Replays the log: an undo takes back the newest entry in force whose id or finding it names;
        accepting a finding again replaces the earlier acceptance.
        """
        return _replay(self.entries())

    def active_corrections(self) -> tuple[ClockShift | AxisFlip | Exclude | SwapStreams | AddValue, ...]:
        """Return the corrections in force, in the order they were decided."""
        return tuple(entry.correction for entry in self.active() if entry.correction is not None)

    def accepted_findings(self) -> frozenset[str]:
        """Return the ids of the findings whose acceptance is in force."""
        return frozenset(entry.finding for entry in self.active() if entry.kind == "accept" and entry.finding)


def _is_json(line: bytes) -> bool:
    try:
        return isinstance(json.loads(line), dict)
    except ValueError:
        return False


def _replay(entries: tuple[LogEntry, ...]) -> tuple[LogEntry, ...]:
    in_force: list[LogEntry] = []
    for entry in entries:
        if entry.kind == "undo":
            _take_back(entry, in_force)
        elif entry.kind in {"accept", "flag"}:
            if entry.kind == "accept" and entry.finding:
                in_force = [other for other in in_force if other.kind != "accept" or other.finding != entry.finding]
            in_force.append(entry)
    return tuple(in_force)


def _take_back(undo: LogEntry, in_force: list[LogEntry]) -> bool:
    for place in range(len(in_force) - 1, -1, -1):
        if undo.finding in {in_force[place].id, in_force[place].finding}:
            del in_force[place]
            return True
    return False


def _require_something_to_undo(undo: LogEntry, known: tuple[LogEntry, ...]) -> None:
    in_force = list(_replay(known))
    names = [entry.finding or entry.id for entry in in_force]
    if not undo.finding or not _take_back(undo, in_force):
        raise BookError(
            key="finding",
            found=undo.finding,
            wanted=f"the id of a decision in force ({', '.join(names) or 'there is none'})",
            file="log/entries.jsonl",
        )
