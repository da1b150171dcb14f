"""The plot of carbon isotopes and the candidate sources of the mission book.

Here:     δ¹³C against the reciprocal of DIC with errors in both axes; candidates in words.
Not here: fits and limits (`reeftally.ledger.isotopes`), which stand in the estimates.
Rules:    every bottle with both values is drawn; one without a stated error is drawn without a bar.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from reeftally import charts
from reeftally.charts import utc
from reeftally.mission import Book, Tables
from reeftally.telling._figure import Figure, no_figure
from reeftally.telling.facts import Facts
from reeftally.telling.words import with_interval

__all__ = ["Candidate", "candidates", "mixing_plot"]

COVERAGE = 1.959964
PREFIX = "source_delta13c_"
BAD = (3, 4, 9)


@dataclass(frozen=True, slots=True)
class Candidate:
    """One source that the mission book names."""

    name: str
    text: str
    source: str


def candidates(book: Book) -> list[Candidate]:
    """Return the candidate sources of carbon that the book states."""
    out = []
    for row in book.references:
        if not row.quantity.lower().startswith(PREFIX):
            continue
        low, high = row.value - COVERAGE * row.sd, row.value + COVERAGE * row.sd
        name = row.quantity[len(PREFIX) :].replace("_", " ")
        out.append(Candidate(name, with_interval(row.value, low, high, "‰"), row.source))
    return out


def mixing_plot(tables: Tables | None, facts: Facts) -> Figure:
    """Return δ¹³C against 1000/DIC: samples of a two-end-member mixture lie on one line."""
    title = "δ¹³C against the reciprocal of DIC"
    if tables is None:
        return no_figure("mixing", "isotopes", title, "the tables cannot be read.")
    outside = {s.name for s in facts.book.stations if s.role == "reference"}
    rows: list[dict[str, float | str]] = []
    for b in tables.bottles:
        if b.dic is None or b.delta13c_dic is None or b.flag in BAD:
            continue
        x = 1000.0 / b.dic
        dx = COVERAGE * x * (b.dic_sd or 0.0) / b.dic
        dy = COVERAGE * (b.delta13c_sd or 0.0)
        night = facts.is_night([utc(b.time_ns)])[0]
        where = "open water" if b.station in outside else ("reef, night" if night else "reef, day")
        rows.append(
            {
                "x": x, "x_lower": x - dx, "x_upper": x + dx, "y": b.delta13c_dic, "y_lower": b.delta13c_dic - dy,
                "y_upper": b.delta13c_dic + dy, "where": where, "bottle": b.bottle,
            }
        )  # fmt: skip
    if not rows:
        return no_figure("mixing", "isotopes", title, "no bottle holds both DIC and δ¹³C (tables/bottles.csv).")
    table = pd.DataFrame(rows)
    return Figure(
        "mixing",
        "isotopes",
        title,
        "One mark a bottle with its 95 % errors in both axes (random, as the laboratory states them). Where water "
        "mixes with one source, the marks lie on a line that meets the axis 1/DIC = 0 at the source: far outside this "
        "figure, which is why a small slope error is a large error of the source.",
        lambda w: charts.isotope_mixing(table, width=min(w, 420)),
    )
