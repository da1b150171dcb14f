"""Flags set by hand: who, when, why; in the log, replayed with it, taken back like any decision.

Here:     reading `INSTRUMENT[:CHANNEL]`, checking it against book and store, the entry of the log.
Not here: leaving flagged samples out of a run (`context`), automatic flags (`review_records`).
Rules:    a flag of 3 or 4 keeps the samples out of every result, as an automatic one does; nothing is deleted.
"""

from __future__ import annotations

import datetime as dt
from fnmatch import fnmatchcase
from pathlib import Path

from reeftally.errors import InputError
from reeftally.mission import Exclude, Log, LogEntry, read_book
from reeftally.store import open_store

__all__ = ["add_flag"]


def add_flag(
    folder: Path,
    *,
    what: str,
    start: dt.datetime,
    end: dt.datetime,
    flag: int,
    by: str,
    why: str,
    now: dt.datetime,
) -> LogEntry:
    """Write a flag to the log.

    Parameters
    ----------
    folder : Path
        Mission folder.
    what : str
        ``INSTRUMENT`` or ``INSTRUMENT:CHANNEL``; the channel may be a pattern such as ``*_bin_05``.
    start, end : datetime
        With zone; end not included.
    flag : {3, 4}
        Suspect or fail (QARTOD).
    by, why : str
        Role of who decides, and the reason in words.
    now : datetime
        When it was decided.

    Raises
    ------
    InputError
        If instrument, channel, flag, times or reason cannot be.
    """
    label, _, channel = what.partition(":")
    book = read_book(folder)
    labels = [row.label for row in book.instruments]
    if label not in labels:
        message = f"--flag: found instrument {label}; expected one of {', '.join(labels)}."
        raise InputError(message)
    if flag not in (3, 4):
        message = f"--as: found {flag}; expected 3 (suspect) or 4 (fail)."
        raise InputError(message)
    if not why.strip():
        message = "--why: a flag set by hand needs its reason in words, for those who come after."
        raise InputError(message)
    if not start < end:
        message = f"--flag: found start {start.isoformat()} and end {end.isoformat()}; the end comes after the start."
        raise InputError(message)
    if channel:
        streams = open_store(folder, segments_url=book.store.segments_url).streams()
        known = streams[label].channels if label in streams else ()
        if known and not any(fnmatchcase(name, channel) for name in known):
            message = f"--flag: found channel {channel} of {label}; expected one of {', '.join(known)}."
            raise InputError(message)
    entry = LogEntry(
        time=now,
        by=by,
        kind="flag",
        subject=what,
        why=why,
        after=flag,
        correction=Exclude(instrument=label, channel=channel or None, start=start, end=end),
    )
    return Log(folder).append(entry)
