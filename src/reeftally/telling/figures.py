"""The figures of the report: which chart from which series, its caption, and what to do where it cannot be drawn.

Here:     tables for the charts, taken from estimates and block series; captions.
Not here: drawing (`reeftally.charts`), the page (`html`).
Rules:    a figure that cannot be drawn says what is missing and what to do next; a chart is built for the width of a
          laptop and for that of a phone from the same table.
"""

from __future__ import annotations

from reeftally.telling._figure import Figure
from reeftally.telling.facts import Facts
from reeftally.telling.figures_account import budgets, ledger_series, lines, steps
from reeftally.telling.figures_exchange import (
    against,
    cospectrum,
    flux_of_lag,
    flux_series,
    lag_used,
    light,
    organisms,
    subrange,
)
from reeftally.telling.figures_water import hours, offsets, properties, routes, strip
from reeftally.telling.map_figures import site_map_of
from reeftally.telling.years_figures import long_record, stations_of

__all__ = ["Figure", "figures"]


def figures(facts: Facts) -> list[Figure]:
    """Return all figures of the report in the order of its sections."""
    return [
        site_map_of(facts),
        strip(facts),
        *offsets(facts),
        hours(facts, "chemistry"),
        *properties(facts),
        routes(facts),
        *flux_series(facts),
        against(facts),
        light(facts),
        cospectrum(facts),
        flux_of_lag(facts),
        lag_used(facts),
        subrange(facts),
        hours(facts, "exchange"),
        *organisms(facts),
        steps(facts),
        ledger_series(facts),
        lines(facts),
        budgets(facts),
        *(long_record(facts, station) for station in stations_of(facts)),
    ]
