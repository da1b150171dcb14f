"""The figure of a long record.

Here:     monthly means of every station with changes of sensor marked, and the trend with its interval.
Not here: fits and tests (`reeftally.ledger`), which stand in the estimates.
Rules:    as in `figures`; the line is drawn through the middle of the record with the slope of the estimate.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd

from reeftally import charts
from reeftally.charts import series_frame
from reeftally.telling._figure import Figure, has_numbers, no_figure
from reeftally.telling.facts import Facts

__all__ = ["changes_of", "long_record", "stations_of"]

YEAR_NS = 365.25 * 86_400e9


def stations_of(facts: Facts) -> list[str]:
    """Return the stations that have a monthly record; empty for a mission of days."""
    data = facts.group("chemistry")
    names = [str(n) for n in data.data_vars if str(n).startswith("ph_total_as_read_")]
    stations = [n.removeprefix("ph_total_as_read_") for n in names if not n.endswith(("_flag", "_sd"))]
    return [s for s in stations if f"ph_total_{s}" in data]


def changes_of(facts: Facts, station: str) -> list[tuple[pd.Timestamp, str, str]]:
    """Return when one sensor followed another at a station, from the book."""
    rows = sorted((d for d in facts.book.deployments if d.station == station), key=lambda d: d.start_ns)
    return [
        (pd.Timestamp(newer.start_ns, tz="UTC"), older.instrument, newer.instrument)
        for older, newer in pairwise(rows)
        if older.instrument != newer.instrument
    ]


def long_record(facts: Facts, station: str) -> Figure:
    """Return the monthly record of a station with its trend and the changes of sensor."""
    title = f"pH at {station}, month by month"
    data = facts.group("chemistry")
    name = f"ph_total_{station}"
    anchor = f"record-{stations_of(facts).index(station) + 1}" if station in stations_of(facts) else "record"
    if not has_numbers(data, name):
        return no_figure(anchor, "years", title, "no month was measured through.")
    series = series_frame(data, [name]).assign(what="referred to service bottles")
    read = series_frame(data, [f"ph_total_as_read_{station}"]).assign(what="as the sensors read")
    months = pd.concat([series, read], ignore_index=True)
    marks = pd.DataFrame(
        [{"time": t, "text": f"{older} → {newer}"} for t, older, newer in changes_of(facts, station)],
        columns=["time", "text"],
    )
    found = [n for n in facts.find("ph_trend", subject=station) if n.method == "gls_ar1"]
    line = pd.DataFrame(columns=["time", "value", "lower", "upper"])
    if found:
        good = series.dropna(subset=["value"])
        stamps = good["time"].astype("int64").to_numpy(dtype=np.float64)
        unit = 1e9 if stamps.max() < 1e11 else (1e3 if stamps.max() < 1e17 else 1.0)
        years = stamps * unit / YEAR_NS
        middle, level = float(years.mean()), float(good["value"].mean())
        ends = np.linspace(years.min(), years.max(), 25)
        line = pd.DataFrame(
            {
                "time": pd.to_datetime((ends * YEAR_NS).astype(np.int64), utc=True),
                **{
                    part: level + slope * (ends - middle)
                    for part, slope in (
                        ("value", found[0].value),
                        ("lower", found[0].lower),
                        ("upper", found[0].upper),
                    )
                },
            }
        )
    return Figure(
        anchor,
        "years",
        title,
        "Every month is a mark; hollow as the sensors read, filled after they were referred to service bottles. "
        "Upright lines are changes of sensor. The line has the slope of the trend and goes through the middle of the "
        "record; its band is the 95 % interval of the slope. The season stays in the marks.",
        lambda w: charts.long_record(months, line, marks, width=w),
    )
