"""A doubt: one thing in a record that a person should look at, with evidence and a proposal.

Here:     the record `Doubt`.
Not here: the checks that raise doubts (`values`, `mounting`, `first_hour`).
Rules:    a doubt proposes, it never changes a value.
"""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["Doubt"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """One thing to look at."""

    kind: str
    """Stable short name."""
    severity: int
    """3 spoils results, 2 doubtful, 1 good to know."""
    found: str
    wanted: str
    proposal: str
    start: float | None = None
    end: float | None = None
    """Where in the record. [s]"""
    numbers: dict[str, float] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """One line: found, wanted, mend."""
        return f"found {self.found}; expected {self.wanted}. {self.proposal}"
