"""Targets: the uncertainty that each answer needs, stated once in the book, against what the results reached.

Here:     every result with a target as met, not met or not measured; the one that decides for each target.
Not here: predictions before the mission (`reeftally.planning`), words of a page (`morning`, `reeftally.report`).
Rules:    every target of the book appears, measured or not. The narrowest method of a period counts, and the widest
          period of a kind decides, since a target that holds on most nights does not hold every night.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from reeftally.mission import Target

__all__ = ["COLUMNS", "MET", "NOT_MEASURED", "NOT_MET", "Row", "TargetResult", "deciding", "target_results", "to_csv"]

MET, NOT_MET, NOT_MEASURED = "met", "not met", "not measured"
COLUMNS = (
    "quantity",
    "period",
    "subject",
    "start",
    "end",
    "unit",
    "wanted",
    "reached",
    "state",
    "decides",
    "method",
    "estimate",
    "reason",
)


# Units as people write them in a book, and as estimates carry them.
_SPELLED = {"1": "", "permil": "‰", "per mil": "‰", "umol kg-1": "µmol kg-1", "umol/kg": "µmol kg-1"}


class Row(Protocol):
    """What of an estimate is looked at; a missing number is None or NaN."""

    @property
    def quantity(self) -> str:
        """As of `Estimate`."""

    @property
    def method(self) -> str:
        """As of `Estimate`."""

    @property
    def subject(self) -> str:
        """As of `Estimate`."""

    @property
    def period(self) -> str:
        """As of `Estimate`."""

    @property
    def start(self) -> str:
        """As of `Estimate`."""

    @property
    def end(self) -> str:
        """As of `Estimate`."""

    @property
    def unit(self) -> str:
        """As of `Estimate`."""

    @property
    def lower(self) -> float | None:
        """As of `Estimate`."""

    @property
    def upper(self) -> float | None:
        """As of `Estimate`."""

    @property
    def reason(self) -> str:
        """As of `Estimate`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetResult:
    """One result against its target; a target without any result keeps one row."""

    target: int
    """Number of the target in the book, 0 the first."""
    quantity: str
    period: str
    subject: str
    start: str
    end: str
    unit: str
    wanted: float
    """Half-width of the 95 % interval. [unit]"""
    reached: float | None
    """The same, reached by the narrowest method; None where not measured."""
    state: str
    method: str
    estimate: int | None
    """Row of the table of estimates, 0 the first."""
    decides: bool
    """Whether this result decides the target: the widest of its periods."""
    reason: str = ""


def _half(row: Row) -> float:
    if row.lower is None or row.upper is None:
        return math.nan
    return 0.5 * (row.upper - row.lower)


def _same_unit(one: str, other: str) -> bool:
    return _SPELLED.get(one, one) == _SPELLED.get(other, other)


def target_results(*, targets: Sequence[Target], estimates: Sequence[Row]) -> list[TargetResult]:
    """Hold every estimate that has a target against it.

    Parameters
    ----------
    targets : sequence of Target
        Of the mission book.
    estimates : sequence of rows
        In the order of the table of estimates.

    Returns
    -------
    list of TargetResult
        In the order of the targets, then of time. A period in which every method was refused is not measured, with
        the reason; a target of which nothing was estimated keeps one row.
    """
    out: list[TargetResult] = []
    for number, target in enumerate(targets):
        found: dict[tuple[str, str], list[tuple[int, Row]]] = {}
        for index, row in enumerate(estimates):
            if row.quantity == target.quantity and row.period == target.period and _same_unit(row.unit, target.unit):
                found.setdefault((row.start, row.subject), []).append((index, row))
        results = [_one(number, target, rows) for _, rows in sorted(found.items())]
        if not results:
            results = [_nothing(number, target, estimates)]
        reached = [r.reached for r in results if r.reached is not None]
        widest = max(reached) if reached else None
        decided = False
        for result in results:
            decides = not decided and result.reached == widest
            decided = decided or decides
            out.append(result if not decides else _deciding(result))
    return out


def _deciding(result: TargetResult) -> TargetResult:
    return TargetResult(**{name: getattr(result, name) for name in result.__slots__} | {"decides": True})


def _one(number: int, target: Target, rows: list[tuple[int, Row]]) -> TargetResult:
    given = [(index, row) for index, row in rows if math.isfinite(_half(row))]
    index, best = min(given, key=lambda item: (_half(item[1]), item[0])) if given else rows[0]
    half = _half(best)
    measured = math.isfinite(half)
    return TargetResult(
        target=number,
        quantity=target.quantity,
        period=target.period,
        subject=best.subject,
        start=best.start,
        end=best.end,
        unit=target.unit,
        wanted=target.half_width_95,
        reached=half if measured else None,
        state=NOT_MEASURED if not measured else MET if half <= target.half_width_95 else NOT_MET,
        method=best.method,
        estimate=index,
        decides=False,
        reason=best.reason if not measured else "",
    )


def _nothing(number: int, target: Target, estimates: Sequence[Row]) -> TargetResult:
    own = [r for r in estimates if r.quantity == target.quantity]
    others = sorted({r.unit for r in own if r.period == target.period and math.isfinite(_half(r))})
    reasons = [r.reason for r in own if r.reason and not math.isfinite(_half(r))]
    reason = f"estimated in {', '.join(others)} only" if others else "; ".join(reasons[:1]) or "no estimate"
    return TargetResult(
        target=number,
        quantity=target.quantity,
        period=target.period,
        subject="",
        start="",
        end="",
        unit=target.unit,
        wanted=target.half_width_95,
        reached=None,
        state=NOT_MEASURED,
        method="",
        estimate=None,
        decides=False,
        reason=reason,
    )


def deciding(results: Sequence[TargetResult]) -> list[TargetResult]:
    """Return the result that decides each target, in the order of the book."""
    return [row for row in results if row.decides]


def to_csv(results: Sequence[TargetResult]) -> str:
    """Return the table `targets.csv`."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in results:
        writer.writerow(
            [
                row.quantity,
                row.period,
                row.subject,
                row.start,
                row.end,
                row.unit,
                f"{row.wanted:.6g}",
                "" if row.reached is None else repr(row.reached),
                row.state,
                "yes" if row.decides else "no",
                row.method,
                "" if row.estimate is None else row.estimate,
                row.reason,
            ]
        )
    return buffer.getvalue()
