"""Tables of a long record: trends, steps at changes of sensor, years still needed, the newest year.

Here:     rows of estimates as tables of the section "The long record".
Not here: fits (`reeftally.ledger`), the figure (`reeftally.telling.years_figures`), other sections (`sections`).
Rules:    a number that is not given keeps its row and its reason; a trend whose interval holds zero is "not yet
          detectable".
"""

from __future__ import annotations

from reeftally.charts import method_name
from reeftally.telling.facts import Facts, Number
from reeftally.telling.words import number as format_number
from reeftally.telling.years_words import STATE, TRENDS, honest, name_of, said, way_of

__all__ = ["YearsTable", "years_lead", "years_tables"]

YearsTable = tuple[str, tuple[str, ...], list[tuple[str | Number, ...]], str]
"""Title, head, rows, note."""

NEEDED = ("years_to_detect", "years_to_detect_local")


def years_lead(facts: Facts) -> str:
    """Return what the long record says; empty where there is none."""
    found = _trends(facts)
    if not found:
        return ""
    parts = [
        f"{n.subject}: {said(n)}" if n.given else f"{n.subject}: not given" for n in found if n.quantity == "ph_trend"
    ]
    local = next((n for n in found if n.quantity == "ph_trend_local" and n.method.endswith("_minus_reference")), None)
    if local is not None:
        parts.append(f"{local.subject} less the open water: {said(local) if local.given else 'not given'}")
    return (
        f"Trend of pH. {'; '.join(parts)}. Every sensor is referred to its service bottles, and what those leave open "
        "is in the intervals."
    )


def years_tables(facts: Facts) -> list[YearsTable]:
    """Return the tables of the long record; none for a mission of days."""
    trends = _trends(facts)
    if not trends:
        return []
    out: list[YearsTable] = [
        (
            "Trends of pH a year",
            ("What", "Station", "Way", "Value and 95 % interval", "So"),
            [(name_of(n.quantity), n.subject, way_of(n), n, said(n) if n.given else n.reason) for n in trends],
            "",
        )
    ]
    steps = facts.find("sensor_step", given=False)
    if steps:
        out.append(
            (
                "Was there a step at a change of sensor?",
                ("Sensor", "When", "Way", "Value and 95 % interval", "Remark"),
                [(n.subject, n.start[:10], method_name(n.method), n, n.reason) for n in steps],
                "A step is not taken out by hand: each sensor is referred to its own bottles.",
            )
        )
    needed = [n for q in NEEDED for n in facts.find(q, given=False)]
    if needed:
        length = _years(trends[0])
        out.append(
            (
                "Years of record until a trend can be told here",
                ("What", "Station", "Way", "Years in all", "Still needed", "Remark"),
                [(name_of(n.quantity), n.subject, way_of(n), n, _still(n, length), n.reason) for n in needed],
                f"The record is {length:.1f} years long.",
            )
        )
    out += _newest_year(facts)
    return [_noted(*table) for table in out]


def _noted(title: str, head: tuple[str, ...], rows: list[tuple[str | Number, ...]], note: str) -> YearsTable:
    """Move the remarks of the last column below the table, each once; long ones make a table unreadable on a phone."""
    if head[-1] != "Remark":
        return title, head, rows, note
    remarks = list(dict.fromkeys(str(row[-1]) for row in rows if row[-1]))
    marks = {text: chr(97 + k) for k, text in enumerate(remarks)}
    below = " ".join(f"({mark}) {text.rstrip('.')}." for text, mark in marks.items())
    shown = [(*row[:-1], marks.get(str(row[-1]), "")) for row in rows]
    return title, (*head[:-1], "Note"), shown, " ".join(filter(None, [note, below]))


def _trends(facts: Facts) -> list[Number]:
    return [n for q in TRENDS for n in facts.find(q, given=False) if honest(n)]


def _years(n: Number) -> float:
    begin, end = (
        int(text[:4]) + (int(text[5:7]) - 1) / 12.0 + (int(text[8:10]) - 1) / 365.25 for text in (n.start, n.end)
    )
    return end - begin


def _still(n: Number, length: float) -> str:
    """Return the years that are still missing, with their interval; nothing below none."""
    if not n.given:
        return "not given"
    value, low, high = (max(0.0, x - length) for x in (n.value, n.lower, n.upper))
    if high == 0.0:
        return "none"
    shown = [format_number(x, lower=n.lower, upper=n.upper) for x in (value, low, high)]
    return f"{shown[0]} ({shown[1]} to {shown[2]})"


def _newest_year(facts: Facts) -> list[YearsTable]:
    seasons = [n for q in STATE for n in facts.find(q, period="season", given=False)]
    if not seasons:
        return []
    newest = max(n.start for n in seasons)
    rows: list[tuple[str | Number, ...]] = []
    for n in (n for n in seasons if n.start == newest):
        rank = next(iter(facts.find(f"{n.quantity}_rank", subject=n.subject, period="season")), None)
        rows.append((name_of(n.quantity), n.subject, n, rank if rank is not None else "–", n.reason))
    return [
        (
            f"The newest year, {newest[:4]}",
            ("What", "Station", "Value and 95 % interval", "Place among the years", "Remark"),
            rows,
            "Place 1 is the lowest of all whole years of this record.",
        )
    ]
