"""One figure of the report, and the tables that several figures take from a run.

Here:     `Figure`, and series by method, complete rows, composites.
Not here: the figures themselves (`figures` and its neighbours).
Rules:    quartiles by the hour are drawn, never reported as numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from reeftally.charts import series_frame
from reeftally.telling.facts import Facts, Number

__all__ = ["Figure", "by_hour", "has_numbers", "method_series", "no_figure", "plain_term", "side_by_side_table"]


WIDE, NARROW = 740, 300
"""Widths of the plotting area on laptop and phone. [px]"""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of the report."""

    name: str
    """Anchor; lower case, no blanks."""
    section: str
    title: str
    caption: str
    build: Callable[[int], Any] | None
    """From the width of the plotting area to a chart; None where it cannot be drawn."""
    missing: str = ""
    """What is missing and what to do next."""
    small: bool = False
    """Whether the figure takes half the column."""
    numbers: tuple[Number, ...] = ()
    """Estimates that it shows."""

    def chart(self, *, narrow: bool) -> Any:
        """Return the chart for laptop or phone."""
        if self.build is None:
            message = f"{self.name} cannot be drawn: {self.missing}"
            raise ValueError(message)
        wide = 330 if self.small else WIDE
        return self.build(NARROW if narrow else wide)


def no_figure(name: str, section: str, title: str, missing: str) -> Figure:
    """Return a figure that cannot be drawn, with what is missing."""
    return Figure(name, section, title, "", None, missing)


def has_numbers(data: xr.Dataset, name: str) -> bool:
    """Return whether a variable is there and holds a number."""
    return name in data and bool(np.isfinite(data[name].values.astype(float)).any())


def by_hour(facts: Facts, series: pd.DataFrame) -> pd.DataFrame:
    """Blocks by local hour, and the quartiles of each hour."""
    good = series[series["value"].notna()].copy()
    local = good["time"] + pd.Timedelta(hours=facts.book.site.utc_offset_h)
    good["hour"] = local.dt.hour + local.dt.minute / 60.0
    good["kind"] = "block"
    rows = []
    for name in dict.fromkeys(good["name"]):
        part = good[good["name"] == name]
        bins = part["hour"].astype(int)
        for hour in range(24):
            values = part.loc[bins == hour, "value"].to_numpy()
            low, middle, high = np.percentile(values, [25, 50, 75]) if values.size else (np.nan,) * 3
            rows.append(
                {"name": name, "kind": "summary", "hour": float(hour), "median": middle, "low": low, "high": high}
            )
            if hour == 23:
                # The last step reaches midnight.
                rows.append({**rows[-1], "hour": 24.0})
    return pd.concat([good[["name", "kind", "hour", "value"]], pd.DataFrame(rows)], ignore_index=True)


def side_by_side_table(facts: Facts, group: str, names: list[str]) -> pd.DataFrame:
    """Return variables of a group side by side, complete rows only, with time and night."""
    data = facts.inside(facts.group(group))
    if not all(has_numbers(data, name) for name in names):
        return pd.DataFrame(columns=[*names, "time", "night"])
    table = pd.DataFrame({name: data[name].values.astype(float) for name in names})
    table["time"] = pd.to_datetime(data["time"].values, utc=True)
    table = table.dropna()
    table["night"] = facts.is_night(table["time"])
    return table


def method_series(facts: Facts, quantity: str) -> tuple[pd.DataFrame, list[str]]:
    """Return block fluxes as a long table whose names are methods, and the methods."""
    data = facts.inside(facts.group("exchange"))
    names = [str(n) for n in data.data_vars if str(n).startswith(f"{quantity}_") and data[n].dims == ("time",)]
    ends = ("_sd", "_flag", "_reason", "_n")
    methods = sorted(n.removeprefix(f"{quantity}_") for n in names if not n.endswith(ends))
    series = series_frame(data, [f"{quantity}_{m}" for m in methods])
    if series.empty:
        return series, []
    series = series.assign(name=series["name"].str.removeprefix(f"{quantity}_"))
    return series, [m for m in methods if (series["name"] == m).any()]


_PLAIN = {"ph_total": "pH", "total_alkalinity": "alkalinity", "dic": "DIC"}


def plain_term(term: str) -> str:
    """Return a term of a budget in words: names of quantities as people write them."""
    return " ".join(_PLAIN.get(word, word.replace("_", " ")) for word in term.split())
