"""Periods of the estimates: mission, nights, days, 24 h.

Here:     the stretches of time that estimates stand for.
Not here: the sun (`reeftally.mission.solar`).
Rules:    the mission is the time in which sensors stood on the bed, within the book's start and end. Night is the
          sun below -0.833 degrees, named by the date of its dusk; 24 h runs from solar noon to noon. A period cut
          by the mission's ends is kept if an hour or more is left, and says that it is not complete.
"""

from __future__ import annotations

from dataclasses import dataclass

from reeftally.analysis.context import Context
from reeftally.mission import to_ns

__all__ = ["Span", "mission_span", "spans"]

HOUR_NS = 3_600_000_000_000


@dataclass(frozen=True, slots=True)
class Span:
    """One period."""

    kind: str
    """mission, night, day or 24h"""
    name: str
    start_ns: int
    end_ns: int
    complete: bool

    @property
    def hours(self) -> float:
        """Length. [h]"""
        return (self.end_ns - self.start_ns) / HOUR_NS


def mission_span(context: Context) -> Span:
    """Return the time in place: first to last deployment on the bed, within the mission of the book."""
    book = context.book
    start, end = to_ns(book.mission.start), to_ns(book.mission.end)
    roles = {"bed", "ambient"}
    places = [d for d in book.deployments if book.station(d.station).role in roles]
    if places:
        start = max(start, min(d.start_ns for d in places))
        end = min(end, max(d.end_ns for d in places))
    return Span("mission", book.mission.name, start, end, complete=True)


def spans(context: Context) -> list[Span]:
    """Return all periods of the mission, the mission itself first."""
    whole = mission_span(context)
    out = [whole]
    for kind, rows in (
        ("night", context.book.nights()),
        ("day", context.book.days()),
        ("24h", context.book.days24()),
    ):
        for row in rows:
            start, end = max(row.start_ns, whole.start_ns), min(row.end_ns, whole.end_ns)
            if end - start >= HOUR_NS:
                complete = row.start_ns >= whole.start_ns and row.end_ns <= whole.end_ns
                out.append(Span(kind, row.name, start, end, complete=complete))
    return out
