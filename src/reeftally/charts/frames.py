"""From block series to the tables that charts take.

Here:     long tables with value and interval, broken where blocks are missing.
Not here: drawing, and any result: bounds are the stored standard uncertainties times the coverage factor.
Rules:    a missing block stays missing; a time step longer than the rest breaks the line.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import xarray as xr

__all__ = ["SERIES_COLUMNS", "series_frame", "utc"]

COVERAGE = 1.959964
"""Half-width of a 95 % interval of a normal distribution in standard deviations."""

SERIES_COLUMNS = ("time", "name", "value", "lower", "upper", "alone")
"""Columns of a series table: middle of the block (UTC), name, value, bounds of the 95 % interval, and whether the
value stands between two gaps, where a line cannot show it."""


def utc(time_ns: int | np.datetime64) -> pd.Timestamp:
    """Return an instant as a UTC time stamp."""
    value = int(time_ns) if isinstance(time_ns, int | np.integer) else time_ns
    return pd.Timestamp(value, tz="UTC")


def _middles(data: xr.Dataset) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    starts = data["time"].values.astype("datetime64[ns]").astype(np.int64)
    if "time_bounds" in data:
        bounds = data["time_bounds"].values.astype("datetime64[ns]").astype(np.int64)
        return np.asarray(bounds[:, 0] + (bounds[:, 1] - bounds[:, 0]) // 2)
    step = int(np.median(np.diff(starts))) if starts.size > 1 else 0
    return np.asarray(starts + step // 2)


def series_frame(data: xr.Dataset, names: Sequence[str]) -> pd.DataFrame:
    """Return block series as one long table, or an empty one with the same columns.

    Parameters
    ----------
    data : Dataset
        A group of the results; variables may have companions ``_random_sd`` and ``_systematic_sd``.
    names : sequence of str
        Variables wanted; those that are missing or hold no number are left out.

    Returns
    -------
    DataFrame
        Columns `SERIES_COLUMNS`, ordered by name as given, then by time.
    """
    parts: list[pd.DataFrame] = []
    for name in names:
        if name not in data or data[name].dims != ("time",):
            continue
        value = data[name].values.astype(np.float64)
        if not np.isfinite(value).any():
            continue
        sd = np.zeros(value.size)
        known = False
        for part in ("_random_sd", "_systematic_sd"):
            if f"{name}{part}" in data:
                known = True
                sd = np.hypot(sd, np.nan_to_num(data[f"{name}{part}"].values.astype(np.float64)))
        half = COVERAGE * sd if known else np.full(value.size, np.nan)
        middle = _middles(data)
        order = np.argsort(middle, kind="stable")
        middle, value, half = middle[order], value[order], half[order]
        # A longer step than usual breaks the line: one empty row stands in the gap.
        if middle.size > 2:
            step = np.diff(middle)
            wide = np.flatnonzero(step > 1.5 * np.median(step))
            middle = np.insert(middle, wide + 1, middle[wide] + step[wide] // 2)
            value = np.insert(value, wide + 1, np.nan)
            half = np.insert(half, wide + 1, np.nan)
        good = np.isfinite(value)
        before, after = np.roll(good, 1), np.roll(good, -1)
        before[0] = after[-1] = False
        parts.append(
            pd.DataFrame(
                {
                    "time": pd.to_datetime(middle, unit="ns", utc=True),
                    "name": name,
                    "value": value,
                    "lower": value - half,
                    "upper": value + half,
                    "alone": good & ~before & ~after,
                }
            )
        )
    if not parts:
        return pd.DataFrame({column: [] for column in SERIES_COLUMNS})
    return pd.concat(parts, ignore_index=True)
