"""Counting what was odd in a file, and saying it once, clearly.

Here:     counts by kind with the first example of each; the messages and notes made of them.
Not here: finding the oddities.
Rules:    one message a kind and file; every count survives an interruption (it is part of the record).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from reeftally.errors import IntakeError
from reeftally.intake._report import iso

__all__ = ["REJECTED", "Tally"]

REJECTED = ("short", "long", "time", "number", "mangled", "checksum", "junk", "overlong", "clock", "restart")
"""Kinds of lines that give no row."""
_JUNK = ("junk", "checksum", "overlong")
JUNK_SHARE = 0.01

_MEND = {
    "short": "The lines were left out. Cut in transfer? Copy the file again from the instrument.",
    "long": "The lines were left out. If columns were added, the file needs a new header line before them.",
    "time": "The lines were left out. Mend [time] in the layout if all lines look so.",
    "number": "The lines were left out. Declare the text under `missing` in the layout if it means that.",
    "mangled": "The lines were left out. Take in the file as the instrument wrote it.",
    "junk": "The lines were left out. Look at the cable and the baud rate; copy the file again if you can.",
    "checksum": "The lines were left out. Copy the file again from the instrument if you can.",
    "overlong": "They were left out. Is this a text file of this layout?",
    "clock": "The rows were left out; their bytes are in raw/. Mend [time] in the layout, then rebuild.",
    "restart": (
        "The rows were left out, since their stamps stand in the store already; their bytes are in raw/. Cut the file "
        "at the restart and correct the stamps of its second part."
    ),
}


@dataclass
class Tally:
    """Counts of one file."""

    kinds: dict[str, dict[str, Any]] = field(default_factory=dict)
    """By kind (and field): count, line, field, found, expected of the first."""
    lines: int = 0
    """All lines that are neither blank, comment nor header."""

    def add(
        self,
        kind: str,
        *,
        line: int | None = None,
        field: str | None = None,
        found: str = "",
        expected: str = "",
        count: int = 1,
        mend: str = "",
    ) -> None:
        """Count `count` cases of `kind`; only the first one is described.

        `mend` says how to mend this very case; default what is usual for its kind.
        """
        key = kind if field is None else f"{kind}\x1f{field}"
        entry = self.kinds.setdefault(
            key, {"count": 0, "line": line, "field": field, "found": found, "expected": expected, "mend": mend}
        )
        entry["count"] += count

    def count(self, *kinds: str) -> int:
        """Return how many cases of `kinds` there were."""
        return sum(int(entry["count"]) for key, entry in self.kinds.items() if key.partition("\x1f")[0] in kinds)

    def tolerated(self) -> int:
        """Return the lines of serial noise, if they are few."""
        junk = self.count(*_JUNK)
        return junk if junk <= JUNK_SHARE * max(self.lines, 1) else 0

    def messages(self, file: str) -> tuple[list[IntakeError], list[str]]:
        """Return messages that need attention, and notes."""
        messages: list[IntakeError] = []
        notes: list[str] = []
        for key, entry in sorted(self.kinds.items(), key=lambda item: item[1]["line"] or 0):
            kind = key.partition("\x1f")[0]
            count = int(entry["count"])
            if kind in _JUNK and self.tolerated():
                notes.append(f"{count} line(s) of {kind} left out, the first at line {entry['line']}.")
            elif kind in REJECTED:
                messages.append(self._message(file, entry, f"{count} line(s) like {entry['found']}", _MEND[kind]))
            elif kind in _OTHER:
                messages.append(self._message(file, entry, f"{count} {entry['found']}", _OTHER[kind]))
            else:
                notes.append(f"{count} {entry['found']}{_where(entry)}.")
        return messages, notes

    @staticmethod
    def _message(file: str, entry: dict[str, Any], found: str, mend: str) -> IntakeError:
        return IntakeError(
            file=file,
            line=entry["line"],
            field=entry["field"],
            found=found,
            expected=entry["expected"],
            mend=entry.get("mend") or mend,
        )


_OTHER = {
    "outside": "The rows are kept. Wrong unit, swapped columns or another sensor? Mend the layout, then rebuild.",
    "sentinel": "They were taken as missing. Declare the code under `missing` in the layout.",
    "kept_twice": "Both are kept; the quality tests will flag them.",
    "refused": (
        "The rows at these stamps were left out, the earlier ones stay. Find out which file is right; the "
        "other one can be kept out of the inbox and the store rebuilt."
    ),
    "reset": (
        "The rows are kept with these stamps and not used. `reeftally check DIR` proposes where they belong, from "
        "restart log, clock comparisons and signals shared with neighbours."
    ),
    "bunched": "Give the layout a sample `counter` and `rate_hz`, from which sub-second times are rebuilt.",
    "backwards": (
        "The rows are kept, sorted by time; nothing proves that order. Was the clock set back, or did packets come "
        "late? See the clock checks; a packet number named as `counter` in the layout would tell."
    ),
    "set_back": (
        "The rows are kept with these stamps. The clock was set back: write the comparison with the reference "
        "clock into tables/clock_checks.csv, then run `reeftally check DIR`."
    ),
    "twice": "Told apart by the order of the file. Have the logger write UTC.",
    "left_out": "Read with the offset before the change. Have the logger write UTC.",
}


def _where(entry: dict[str, Any]) -> str:
    return "" if entry["line"] is None else f", the first at line {entry['line']}"


def refused_text(first_ns: int, last_ns: int, held_name: str, differences: list[str]) -> str:
    """Return what is said about rows that contradict another file."""
    return (
        f"row(s) from {iso(first_ns)} to {iso(last_ns)} whose values differ from those of {held_name} at the "
        f"same stamps ({'; '.join(differences)})"
    )
