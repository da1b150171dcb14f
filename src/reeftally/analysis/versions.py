"""Two runs of results side by side: which estimates changed, by how much, against their own interval.

Here:     rows of two runs joined by what they estimate, their differences, how one changed row is said.
Not here: why they changed (constants, a late laboratory file: the caller knows), the runs themselves (`run`).
Rules:    a row of one run only is shown as come or gone, never dropped; a refused row counts as a row without value.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

import pandas as pd

from reeftally.analysis.results import Results

__all__ = ["KEY", "RowChange", "change_frame", "changed", "compare_estimates", "compare_runs", "say_change"]

KEY = ("quantity", "method", "subject", "period", "start", "end", "channel")
"""What makes two rows estimates of the same thing."""

Kind = Literal["same", "changed", "come", "gone", "now given", "now refused", "still refused"]

# Two runs of the same code on one machine agree bit for bit, elsewhere to 1e-9: less is no change.
_SAME = 1e-9
_READ = 1e-5


@dataclass(frozen=True, slots=True, kw_only=True)
class RowChange:
    """One estimate in an old and a new run."""

    quantity: str
    method: str
    subject: str
    period: str
    start: str
    end: str
    channel: str
    unit: str
    kind: Kind
    old: float | None
    old_lower: float | None
    old_upper: float | None
    new: float | None
    new_lower: float | None
    new_upper: float | None
    difference: float | None
    """New minus old."""
    in_half_widths: float | None
    """Size of the difference over half the old interval: above 1 the new value lies outside the old interval
    (for an interval that is even about its value)."""
    old_reason: str
    new_reason: str

    @property
    def outside(self) -> bool:
        """Whether the new value lies outside the old interval."""
        if self.new is None or self.old_lower is None or self.old_upper is None:
            return False
        return not self.old_lower <= self.new <= self.old_upper


def _number(value: Any) -> float | None:
    if value is None:
        return None
    number = float(value)
    return number if math.isfinite(number) else None


def _kind(old: dict[str, Any] | None, new: dict[str, Any] | None) -> Kind:
    if old is None:
        return "come"
    if new is None:
        return "gone"
    before, after = _number(old["value"]), _number(new["value"])
    if before is None and after is None:
        return "still refused"
    if before is None:
        return "now given"
    if after is None:
        return "now refused"
    pairs = [(_number(old[name]), _number(new[name])) for name in ("value", "lower", "upper")]
    if any((one is None) is not (two is None) for one, two in pairs):
        return "changed"
    known = [(one, two) for one, two in pairs if one is not None and two is not None]
    size = max((abs(number) for pair in known for number in pair), default=0.0)
    if any(abs(one - two) > _SAME * size for one, two in known):
        return "changed"
    return "same"


def _change(key: tuple[str, ...], old: dict[str, Any] | None, new: dict[str, Any] | None) -> RowChange:
    before: dict[str, Any] = old or {}
    after: dict[str, Any] = new or {}
    one, two = _number(before.get("value")), _number(after.get("value"))
    low, high = _number(before.get("lower")), _number(before.get("upper"))
    difference = two - one if one is not None and two is not None else None
    half = 0.5 * (high - low) if low is not None and high is not None else 0.0
    quantity, method, subject, period, start, end, channel = key
    return RowChange(
        quantity=quantity,
        method=method,
        subject=subject,
        period=period,
        start=start,
        end=end,
        channel=channel,
        unit=str(after.get("unit", before.get("unit", ""))),
        kind=_kind(old, new),
        old=one,
        old_lower=low,
        old_upper=high,
        new=two,
        new_lower=_number(after.get("lower")),
        new_upper=_number(after.get("upper")),
        difference=difference,
        in_half_widths=abs(difference) / half if difference is not None and half > 0 else None,
        old_reason=str(before.get("reason", "")),
        new_reason=str(after.get("reason", "")),
    )


def _by_key(table: pd.DataFrame) -> dict[tuple[str, ...], dict[str, Any]]:
    # Two rows of one key (two visits of one organism within a second) keep their order.
    out: dict[tuple[str, ...], dict[str, Any]] = {}
    seen: dict[tuple[str, ...], int] = {}
    for row in table.to_dict("records"):
        key = tuple(str(row[name]) for name in KEY)
        number = seen.get(key, 0)
        seen[key] = number + 1
        out[(*key, str(number))] = {str(name): value for name, value in row.items()}
    return out


def compare_estimates(old: pd.DataFrame, new: pd.DataFrame) -> tuple[RowChange, ...]:
    """Join two tables of estimates and return what changed in each row.

    Parameters
    ----------
    old, new : DataFrame
        Columns of `estimates.csv`, as `Results.estimates` or `Estimates.frame` give them.

    Returns
    -------
    tuple of RowChange
        One for each row of either table. Largest change against its own interval first; rows that came, went, or
        were refused before those; unchanged rows last.
    """
    before, after = _by_key(old), _by_key(new)
    keys = [*before, *(key for key in after if key not in before)]
    rows = [_change(key[:-1], before.get(key), after.get(key)) for key in keys]

    def place(item: tuple[int, RowChange]) -> tuple[int, float, int]:
        number, row = item
        if row.kind in ("same", "still refused"):
            return 3, 0.0, number
        if row.kind == "changed":
            # Digits that nobody reads come last, however narrow the interval that they leave.
            small = abs(row.difference or 0.0) <= _READ * max(abs(row.old or 0.0), abs(row.new or 0.0))
            return (2 if small else 1), -(row.in_half_widths or 0.0), number
        return 0, 0.0, number

    return tuple(row for _, row in sorted(enumerate(rows), key=place))


def compare_runs(old: Results, new: Results) -> tuple[RowChange, ...]:
    """Return what changed between two runs of one mission; see `compare_estimates`."""
    return compare_estimates(old.estimates, new.estimates)


def changed(rows: Sequence[RowChange]) -> tuple[RowChange, ...]:
    """Return the rows that are not the same in both runs."""
    return tuple(row for row in rows if row.kind not in ("same", "still refused"))


def change_frame(rows: Sequence[RowChange]) -> pd.DataFrame:
    """Return the rows as a table, for CSV and for a page; `outside` says whether the old interval was left."""
    names = [*(RowChange.__dataclass_fields__), "outside"]
    return pd.DataFrame([{**asdict(row), "outside": row.outside} for row in rows], columns=names)


def _with_interval(value: float | None, lower: float | None, upper: float | None) -> str:
    if value is None:
        return "nothing"
    if lower is None or upper is None:
        return f"{value:.4g}"
    return f"{value:.4g} ({lower:.4g} to {upper:.4g})"


def say_change(row: RowChange) -> str:
    """Return one changed row as a line for people."""
    where = f"{row.subject}, {row.period} {row.start[:10]}".strip()
    name = f"{row.quantity} [{row.method}; {where}]"
    unit = f" {row.unit}" if row.unit else ""
    old = _with_interval(row.old, row.old_lower, row.old_upper)
    new = _with_interval(row.new, row.new_lower, row.new_upper)
    if row.kind == "come":
        return f"{name}: new row, {new}{unit}" if row.new is not None else f"{name}: new row, refused: {row.new_reason}"
    if row.kind == "gone":
        return f"{name}: no longer given, was {old}{unit}"
    if row.kind == "now given":
        return f"{name}: now {new}{unit}; was refused: {row.old_reason}"
    if row.kind == "now refused":
        return f"{name}: now refused: {row.new_reason}; was {old}{unit}"
    if row.kind in ("same", "still refused"):
        return f"{name}: unchanged, {new}{unit}"
    against = "" if row.in_half_widths is None else f", {row.in_half_widths:.2f} of the old half interval"
    return f"{name}: {old} -> {new}{unit}; {row.difference:+.3g}{against}"
