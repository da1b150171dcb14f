"""Slopes and tests for records that need no model of the noise's distribution.

Here:     `theil_sen`, `mann_kendall`, `seasonal_kendall`.
Not here: trends with autocorrelated noise (`trends`).
Rules:    all assume independent values; give them annual means or seasonally adjusted ones.

Sources: Sen 1968, J. Am. Stat. Assoc. 63, 1379-1389; Mann 1945; Kendall 1975; Hirsch et al. 1982.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import factorial

import numpy as np
import numpy.typing as npt
from scipy import special, stats

from reeftally._checks import FloatArray, as_float, require_same_length
from reeftally.ledger.trends import clean_record

__all__ = ["Kendall", "RobustSlope", "mann_kendall", "seasonal_kendall", "theil_sen"]


@dataclass(frozen=True, slots=True)
class RobustSlope:
    """Median of the slopes of all pairs."""

    slope: float
    intercept: float
    lower: float
    upper: float
    n: int


def theil_sen(*, time: npt.ArrayLike, value: npt.ArrayLike, level: float = 0.95) -> RobustSlope:
    """Theil-Sen slope with Sen's interval.

    Parameters
    ----------
    time, value : array_like
        NaN members are left out. Take seasonally adjusted values; the interval assumes independence.
    level : float
        Of the interval (Sen 1968, with the normal approximation to Kendall's S).
    """
    times, values, _ = clean_record(time, value)
    i, j = np.triu_indices(times.size, k=1)
    slopes = np.sort((values[j] - values[i]) / (times[j] - times[i]))
    half = float(special.ndtri(0.5 + level / 2)) * np.sqrt(_kendall_variance(values))
    low = round((slopes.size - half) / 2) - 1
    high = round((slopes.size + half) / 2)
    slope = float(np.median(slopes))
    return RobustSlope(
        slope=slope,
        intercept=float(np.median(values - slope * times)),
        lower=float(slopes[max(low, 0)]),
        upper=float(slopes[min(high, slopes.size - 1)]),
        n=int(times.size),
    )


@dataclass(frozen=True, slots=True)
class Kendall:
    """Result of a Mann-Kendall test."""

    s: int
    variance: float
    z: float
    """With continuity correction."""
    p: float
    """Two-sided, normal approximation."""
    p_exact_one_sided: float | None
    """P(S ≥ |s|) under no trend, for up to 10 values without ties."""
    n: int


def _kendall_variance(values: FloatArray) -> float:
    n = values.size
    _, ties = np.unique(values, return_counts=True)
    return float(n * (n - 1) * (2 * n + 5) - (ties * (ties - 1) * (2 * ties + 5)).sum()) / 18.0


def _kendall_s(values: FloatArray) -> int:
    i, j = np.triu_indices(values.size, k=1)
    return int(np.sign(values[j] - values[i]).sum())


def _exact_tail(n: int, s: int) -> float:
    """Return P(S ≥ s) without ties: permutations of n counted by their inversions."""
    counts = np.ones(1)
    for size in range(2, n + 1):
        counts = np.convolve(counts, np.ones(size))
    concordant = np.arange(counts.size)
    return float(counts[2 * concordant - n * (n - 1) // 2 >= s].sum() / factorial(n))


def mann_kendall(*, value: npt.ArrayLike) -> Kendall:
    """Mann-Kendall test for a monotonic trend.

    Parameters
    ----------
    value : array_like
        In order of time, NaN left out. Independent values; autocorrelated monthly values make the
        test claim too often, so take annual means or `seasonal_kendall`.
    """
    values = as_float("value", value)
    values = values[np.isfinite(values)]
    s, variance = _kendall_s(values), _kendall_variance(values)
    z = (s - np.sign(s)) / np.sqrt(variance) if variance > 0 else 0.0
    exact = None
    if values.size <= 10 and np.unique(values).size == values.size:
        exact = _exact_tail(int(values.size), abs(s))
    return Kendall(s, variance, float(z), float(2 * stats.norm.sf(abs(z))), exact, int(values.size))


def seasonal_kendall(*, value: npt.ArrayLike, season: npt.ArrayLike) -> Kendall:
    """Mann-Kendall test within seasons, S and variance summed (Hirsch et al. 1982).

    Parameters
    ----------
    value : array_like
        In order of time.
    season : array_like
        Label of the season (month) of each value.
    """
    values, seasons = as_float("value", value), np.asarray(season)
    require_same_length(value=values, season=seasons)
    good = np.isfinite(values)
    s, variance = 0, 0.0
    for name in np.unique(seasons[good]):
        member = values[good & (seasons == name)]
        s += _kendall_s(member)
        variance += _kendall_variance(member)
    z = (s - np.sign(s)) / np.sqrt(variance) if variance > 0 else 0.0
    return Kendall(s, variance, float(z), float(2 * stats.norm.sf(abs(z))), None, int(good.sum()))
