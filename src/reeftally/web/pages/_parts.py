"""What several pages share: figures as blocks, rows of estimates, tables of the newest run, numbers with their error.

Here:     small helpers of pages.
Not here: any page; any number that a run does not hold.
Rules:    what cannot be drawn becomes a notice with its reason; a number that is no estimate leads to how it was made.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

from reeftally.charts import method_name
from reeftally.telling import Facts, Number, cautions_for
from reeftally.telling._figure import Figure
from reeftally.telling.words import with_interval
from reeftally.web.blocks import Block, Cell, Chart, Notice, Table, Text, Value, value_of
from reeftally.web.look import Look, stamp_of

__all__ = [
    "cautions", "figure", "figures_of", "lacking", "newest_periods", "number_of", "periods", "plus_minus", "quiet",
    "run_table",
]  # fmt: skip

COVERAGE = 1.959964
NEWEST = 3
"""Periods of each kind that stand open on a page; older ones wait behind their caption."""
PERIODS = ("mission", "24h", "night", "day")


def lacking(look: Look) -> Notice | None:
    """Return the notice to show where book or results are missing."""
    if look.book is None:
        return look.no_book()
    return look.no_results() if look.facts is None else None


def figure(page: str, found: Figure) -> Block:
    """Return a figure of the report as a block, or why there is none."""
    if found.build is None:
        return Notice("missing", f"{found.title}: not drawn.", [found.missing[:1].upper() + found.missing[1:]])
    return Chart(f"{page}/{found.name}", found.title, found.build, found.caption, small=found.small)


def figures_of(page: str, found: Iterable[Figure]) -> list[Block]:
    """Return several figures as blocks."""
    return [figure(page, one) for one in found]


def number_of(text: object) -> float:
    """Return a number of a table of the run; NaN where it has none."""
    try:
        return float(str(text))
    except ValueError:
        return math.nan


def plus_minus(value: float, sd: float, unit: str = "", *, key: str = "", sign: bool = True) -> Cell:
    """Return a value with its 95 % interval, leading to how it was made; empty where there is none."""
    if not (math.isfinite(value) and math.isfinite(sd)):
        return ""
    text = with_interval(value, value - COVERAGE * sd, value + COVERAGE * sd, unit, sign=sign)
    return Value(text, key) if key else text


def run_table(look: Look, name: str) -> list[dict[str, str]]:
    """Return a table of the newest run (``fitness.csv``); empty where it is missing or cannot be read."""
    run = look.run
    if run is None:
        return []
    path = run / name
    if not path.is_file():
        return []

    def read() -> list[dict[str, str]]:
        rows = csv.DictReader(io.StringIO(path.read_text(encoding="utf-8", errors="replace")))
        return [{str(k): str(v or "") for k, v in row.items()} for row in rows]

    found, _ = look.memory.get(f"table {name}", (run.name, stamp_of(path)), read)
    return found or []


def periods(facts: Facts, caption: str, numbers: Sequence[Number], *, sign: bool = True) -> Table:
    """Return estimates of one quantity, one row a period, one column a way: the mission first, then 24 h, nights, days.

    A number that is not given says why.
    """
    place = {p: k for k, p in enumerate(PERIODS)}
    ways = list(dict.fromkeys(n.method for n in numbers))
    units = list(dict.fromkeys(n.unit for n in numbers))
    found: dict[tuple[int, str, str], dict[str, Cell | list[Cell]]] = {}
    names: dict[tuple[int, str, str], str] = {}
    for n in numbers:
        key = (place.get(n.period, 9), n.start, n.unit if len(units) > 1 else "")
        names[key] = facts.period_name(n)
        cell: Cell | list[Cell] = value_of(n, sign=sign)
        if not n.given and n.reason:
            cell = [value_of(n), f": {n.reason}"]
        found.setdefault(key, {})[n.method] = cell
    rows = [[names[key], *(found[key].get(way, "") for way in ways)] for key in sorted(found)]
    return Table(caption, ["period", *(method_name(way) for way in ways)], rows)


def newest_periods(facts: Facts, caption: str, numbers: Sequence[Number]) -> list[Block]:
    """Return estimates as `periods` does: the newest three periods of each kind, then a closed table of all older."""
    newest: set[tuple[str, str]] = set()
    for kind in {n.period for n in numbers}:
        starts = sorted({n.start for n in numbers if n.period == kind})
        newest |= {(kind, start) for start in starts[-NEWEST:]}
    older = [n for n in numbers if (n.period, n.start) not in newest]
    if not older:
        return [periods(facts, f"{caption}, every period", numbers)]
    shown = [n for n in numbers if (n.period, n.start) in newest]
    return [
        periods(facts, f"{caption}, newest periods", shown),
        replace(periods(facts, f"{caption}, older periods", older), closed=True),
    ]


def cautions(place: str) -> list[Block]:
    """Return the cautions of a place as notices."""
    return [Notice("caution", c.hazard, [c.text]) for c in cautions_for(place)]


def quiet(text: str) -> Text:
    """Return a note in small print."""
    return Text([text], quiet=True)
