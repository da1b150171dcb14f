"""One finding: what it is about, how serious, its evidence and a correction the chain understands.

Here:     the record that `check` prints and `--accept` writes to the log.
Not here: what is looked for (`findings`, `growth`, `twins`).
Rules:    a finding has a stable id; a correction is proposed, never applied.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

from reeftally.analysis.estimates import iso
from reeftally.analysis.grid import NS
from reeftally.quality.faults import Cause

__all__ = ["DOUBTFUL", "NOTED", "SERIOUS", "Finding", "stretch"]

SERIOUS, DOUBTFUL, NOTED = 3, 2, 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that needs a look or a decision."""

    id: str
    severity: int
    """3 spoils results, 2 doubtful, 1 good to know."""
    subject: str
    what: str
    evidence: str
    proposal: str
    correction: dict[str, Any] | None = None
    """What accepting it writes to the log; None where a person must mend the book, a table or the sensor."""
    accepted: bool = False
    start_ns: int | None = None
    end_ns: int | None = None
    details: dict[str, Any] = field(default_factory=dict)
    causes: tuple[Cause, ...] = ()
    """What may have done it, likeliest first; empty where nothing is in question."""
    test: str = ""
    """The one test that would separate the first two causes."""

    @property
    def open(self) -> bool:
        """Whether a decision is still needed."""
        return not self.accepted and self.severity >= DOUBTFUL

    def as_dict(self) -> dict[str, Any]:
        """Return the parts for JSON."""
        return {
            "id": self.id,
            "severity": self.severity,
            "subject": self.subject,
            "what": self.what,
            "evidence": self.evidence,
            "proposal": self.proposal,
            "correction": self.correction,
            "accepted": self.accepted,
            "start": iso(self.start_ns),
            "end": iso(self.end_ns),
            "causes": [cause.name for cause in self.causes],
            "test": self.test,
        }


def stretch(time_ns: int | None) -> dt.datetime | None:
    """Return an instant as the date that a correction in the log carries; None stays open."""
    if time_ns is None:
        return None
    return dt.datetime.fromtimestamp(time_ns // NS, tz=dt.UTC) + dt.timedelta(microseconds=(time_ns % NS) // 1000)
