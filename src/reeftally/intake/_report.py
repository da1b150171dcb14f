"""What an intake says: one report a file, and their sum.

Here:     statuses, counts, messages, and their plain form for JSON.
Not here: drawing (`cli`).
Rules:    every file that was looked at has exactly one report; messages name file, line, field, found,
          expected and how to mend it.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

from reeftally.errors import IntakeError

__all__ = ["FileReport", "IntakeReport", "iso"]


def iso(time_ns: int) -> str:
    """Return a stamp as ISO 8601 with Z, with as many decimals as it needs."""
    whole, part = divmod(int(time_ns), 1_000_000_000)
    text = (dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=whole)).strftime("%Y-%m-%dT%H:%M:%S")
    return text + (f".{part:09d}".rstrip("0") if part else "") + "Z"


@dataclass
class FileReport:
    """What became of one file (or of one member of an archive)."""

    name: str
    """Name of the file; members of an archive as ``archive.zip/member``."""
    status: str = "unknown"
    """loaded, partly, empty, unknown, refused, repeated, or damaged (a member that cannot be read)."""
    raw_hash: str = ""
    """SHA-256 of the bytes in `raw/`."""
    size: int = 0
    """[bytes]"""
    layout: str = ""
    """Layout it was read by."""
    stream: str = ""
    """Instrument label, or the name of the table."""
    rows_new: int = 0
    """Rows added by this intake."""
    rows_repeated: int = 0
    """Rows that were there already."""
    rows_rejected: int = 0
    """Lines that gave no row although they were meant to, and rows refused as contradicting others."""
    first_ns: int | None = None
    """First stamp of the whole file. [ns]"""
    last_ns: int | None = None
    """Last stamp of the whole file. [ns]"""
    median_step_s: float | None = None
    """Median step between stamps. [s]"""
    mean_step_s: float | None = None
    """Mean step with the gaps left out; its inverse is the measured rate. [s]"""
    gaps: list[tuple[int, int]] = field(default_factory=list)
    """Last stamp before and first stamp after each gap, the first hundred. [ns]"""
    gap_count: int = 0
    """All gaps: steps longer than one and a half median steps."""
    messages: list[IntakeError] = field(default_factory=list)
    """What needs attention."""
    notes: list[str] = field(default_factory=list)
    """What is good to know."""
    provisional: bool = False
    """The file was still being written."""

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "name": self.name,
            "status": self.status,
            "raw_hash": self.raw_hash,
            "size": self.size,
            "layout": self.layout,
            "stream": self.stream,
            "rows_new": self.rows_new,
            "rows_repeated": self.rows_repeated,
            "rows_rejected": self.rows_rejected,
            "first": None if self.first_ns is None else iso(self.first_ns),
            "last": None if self.last_ns is None else iso(self.last_ns),
            "median_step_s": self.median_step_s,
            "mean_step_s": self.mean_step_s,
            "gap_count": self.gap_count,
            "gaps": [[iso(low), iso(high)] for low, high in self.gaps],
            "provisional": self.provisional,
            "messages": [message_dict(message) for message in self.messages],
            "notes": list(self.notes),
        }


def message_dict(message: IntakeError) -> dict[str, Any]:
    """Return the parts of a message for JSON."""
    return {
        "file": message.file,
        "line": message.line,
        "field": message.field,
        "found": message.found,
        "expected": message.expected,
        "mend": message.mend,
        "text": str(message),
    }


@dataclass
class IntakeReport:
    """What an intake did."""

    files: list[FileReport] = field(default_factory=list)
    """One a file, in the order of work."""
    messages: list[IntakeError] = field(default_factory=list)
    """What needs attention and belongs to no file (layouts, mission book)."""
    notes: list[str] = field(default_factory=list)
    """What is good to know and belongs to no file."""
    snapshot: int = 0
    """The store's snapshot after it."""

    @property
    def rows_new(self) -> int:
        """Rows added to the store; those of tables are not counted here."""
        return sum(report.rows_new for report in self.files if report.layout != "table")

    @property
    def rows_repeated(self) -> int:
        """Rows that were there already."""
        return sum(report.rows_repeated for report in self.files)

    @property
    def rows_rejected(self) -> int:
        """Lines and rows left out."""
        return sum(report.rows_rejected for report in self.files)

    @property
    def needs_attention(self) -> bool:
        """Whether any message was raised."""
        return bool(self.messages) or any(report.messages for report in self.files)

    def count(self, status: str) -> int:
        """Return how many files have `status`."""
        return sum(report.status == status for report in self.files)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "rows_new": self.rows_new,
            "rows_repeated": self.rows_repeated,
            "rows_rejected": self.rows_rejected,
            "snapshot": self.snapshot,
            "messages": [message_dict(message) for message in self.messages],
            "notes": list(self.notes),
            "files": [report.as_dict() for report in self.files],
        }
