"""What the crew may write from a page: events, interventions, notes, taking back.

Here:     checked entries appended to the log and to `tables/interventions.csv`.
Not here: raw data (nothing here can reach them), decisions on findings (`reeftally check --accept`).
Rules:    an intervention becomes a row of the table, which is taken in like any file, and an entry of the log that
          says who wrote it when; both or neither; times are UTC and come from the clock that is given, unless the
          form states one.
"""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Callable
from pathlib import Path

from reeftally.errors import ReeftallyError
from reeftally.mission import Intervention, Log, LogEntry, read_book, read_table, write_table
from reeftally.web.times import parse_ns, when

__all__ = ["KINDS", "WRITERS", "RefusedError"]

KINDS = (
    ("cleaning", "Cleaned"),
    ("seen", "Seen: growth, fish, sand"),
    ("moved", "Moved or turned"),
    ("swap", "Swapped"),
    ("touched", "Touched or bumped"),
    ("power", "Power off or on"),
)
"""Kinds of intervention that have a button of their own."""


_TABLE = threading.Lock()
"""Two crew members may tap at once; each row must survive."""


class RefusedError(ReeftallyError):
    """What was entered cannot be written."""

    kind = "refused"


def _by(form: dict[str, str]) -> str:
    by = form.get("by", "").strip()[:40]
    return by or "crew"


def _time(form: dict[str, str], now_ns: int) -> int:
    text = form.get("time", "").strip()
    if not text:
        return now_ns
    found = parse_ns(text)
    if found is None:
        message = f"time is {text[:40]!r}; it must be UTC as 2031-03-30T14:05."
        raise RefusedError(message)
    return found


def write_intervention(folder: Path, form: dict[str, str], now_ns: int) -> str:
    """Write something that was done to an instrument, or to the mast as a whole."""
    kind, label = form.get("kind", "").strip()[:40], form.get("instrument", "").strip()
    if not kind:
        message = "kind is empty; it must say what was done."
        raise RefusedError(message)
    if label:
        labels = [row.label for row in read_book(folder).instruments]
        if label not in labels:
            message = f"instrument is {label[:40]!r}; the book knows {', '.join(labels)}."
            raise RefusedError(message)
    time_ns = _time(form, now_ns) // 1_000_000_000 * 1_000_000_000
    note = " ".join(form.get("note", "").split())[:300]
    row = Intervention(time_ns=time_ns, instrument=label or None, kind=kind, note=note or None, who=_by(form))
    path = folder / "tables" / "interventions.csv"
    with _TABLE:
        rows = _rows(path)
        if row in rows:
            return "/log?said=again"
        path.parent.mkdir(exist_ok=True)
        every = sorted([*rows, row], key=_when)
        write_table(path, every)
    entry = Log(folder).append(
        LogEntry(
            time=dt.datetime.fromtimestamp(now_ns / 1e9, tz=dt.UTC).replace(microsecond=0),
            by=_by(form),
            kind="note",
            subject=label or "mast",
            why=f"{kind}{': ' + note if note else ''}, {when(time_ns)}",
            after={"table": "interventions", "time_ns": time_ns, "kind": kind},
        )
    )
    return f"/log?said={entry.id}"


def _when(row: Intervention) -> int:
    return row.time_ns


def _rows(path: Path) -> list[Intervention]:
    if not path.exists():
        return []
    found = read_table(path)
    if found.problems:
        message = (
            f"{path.name} has rows that cannot be read: {found.problems[0]} Mend them first, so that none is lost."
        )
        raise RefusedError(message)
    return [row for row in found.records if isinstance(row, Intervention)]


def take_back(folder: Path, form: dict[str, str], now_ns: int) -> str:
    """Take back an intervention written from the page: its row goes, the log keeps both entries."""
    name = form.get("entry", "")
    log = Log(folder)
    entry = next((e for e in log.entries() if e.id == name), None)
    made = entry.after if entry is not None and isinstance(entry.after, dict) else {}
    if entry is None or made.get("table") != "interventions":
        message = f"entry is {name[:40]!r}; it must be one that was written from this page."
        raise RefusedError(message)
    path = folder / "tables" / "interventions.csv"
    subject = None if entry.subject == "mast" else entry.subject
    with _TABLE:
        rows = _rows(path)
        kept = [
            r for r in rows if (r.time_ns, r.kind, r.instrument) != (made.get("time_ns"), made.get("kind"), subject)
        ]
        if len(kept) == len(rows):
            message = f"{name} was taken back before, or its row was changed by hand."
            raise RefusedError(message)
        write_table(path, kept)
    log.append(
        LogEntry(
            time=dt.datetime.fromtimestamp(now_ns / 1e9, tz=dt.UTC).replace(microsecond=0),
            by=_by(form),
            kind="note",
            subject=entry.subject,
            why=f"taken back: {entry.id}",
            before=made,
        )
    )
    return "/log?said=back"


def write_note(folder: Path, form: dict[str, str], now_ns: int) -> str:
    """Write a note to the log."""
    why = " ".join(form.get("why", "").split())[:300]
    if not why:
        message = "The note is empty."
        raise RefusedError(message)
    entry = Log(folder).append(
        LogEntry(
            time=dt.datetime.fromtimestamp(now_ns / 1e9, tz=dt.UTC).replace(microsecond=0),
            by=_by(form),
            kind="note",
            subject=form.get("subject", "").strip()[:60],
            why=why,
        )
    )
    return f"/log?said={entry.id}"


WRITERS: dict[str, Callable[[Path, dict[str, str], int], str]] = {
    "intervention": write_intervention,
    "take-back": take_back,
    "note": write_note,
}
"""What may be written, by the last part of the address."""
