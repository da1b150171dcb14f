"""Trends of long records: generalised least squares with autocorrelated noise, robust ones beside it.

Here:     `trend` (trend, seasons, steps, AR(1) noise at irregular times, calibration offsets per
          deployment), `trend_sd`, `local_trend`, `theil_sen`, `mann_kendall`, `seasonal_kendall`.
Not here: years until a trend can be told, steps, emergence (`detect`).
Rules:    nothing is filled in before a fit; gaps stay gaps. The calibration term is a part of its own
          that no number of monthly values shrinks. Time is in decimal years.

Sources: Weatherhead et al. 1998, J. Geophys. Res. 103, 17149-17161 (model); Tiao et al. 1990, J.
Geophys. Res. 95, 20507-20517 (generalised least squares); Sutton et al. 2022, Front. Mar. Sci. 9,
1045667 (order of the steps); Sen 1968; Mann 1945; Kendall 1975; Hirsch et al. 1982.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import factorial
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import optimize, special, stats

from reeftally._checks import FloatArray, as_float, require_range, require_same_length
from reeftally.errors import InputError

__all__ = [
    "Kendall",
    "RobustSlope",
    "Trend",
    "local_trend",
    "mann_kendall",
    "seasonal_kendall",
    "theil_sen",
    "trend",
    "trend_sd",
]

_PHI_LIMIT = 0.995


@dataclass(frozen=True)
class Trend:
    """A fitted trend. Slopes are per year."""

    slope: float
    """Of the mid point of the record where `degree` is 2."""
    lower: float
    upper: float
    level: float
    slope_sd: float
    """Noise and calibration together."""
    noise_sd: float
    """From autocorrelated noise alone (random part)."""
    calibration_sd: float
    """From offsets that each deployment keeps (systematic part)."""
    ordinary_slope: float
    ordinary_sd: float
    """What ordinary least squares would print; too small when phi is above zero."""
    phi: float
    """Autocorrelation at one sampling interval (1 / `samples_per_year`)."""
    sigma: float
    """Standard deviation of the noise about the fit."""
    n: int
    span: float
    """From first to last value [yr]."""
    degrees_of_freedom: float
    """Of the noise part, after allowing for autocorrelation."""
    coefficients: dict[str, float]
    """All fitted terms: ``mean``, ``slope``, ``curvature``, ``cos1`` ..., ``step1`` ..."""
    coefficient_sd: dict[str, float]
    """Their standard uncertainties from the noise."""
    fitted: FloatArray
    """Fit at the values used."""
    residual: FloatArray
    """Values minus fit."""
    used: npt.NDArray[np.bool_]
    """Which of the given values were finite."""


def _design(
    time: FloatArray, middle: float, degree: int, harmonics: int, steps: Sequence[float]
) -> tuple[FloatArray, list[str]]:
    t = time - middle
    columns = [np.ones_like(t), t]
    names = ["mean", "slope"]
    if degree == 2:
        columns.append(t * t)
        names.append("curvature")
    for k in range(1, harmonics + 1):
        columns += [np.cos(2 * np.pi * k * time), np.sin(2 * np.pi * k * time)]
        names += [f"cos{k}", f"sin{k}"]
    for index, when in enumerate(steps, start=1):
        columns.append((time >= when).astype(np.float64))
        names.append(f"step{index}")
    return np.column_stack(columns), names


def _whiten(rho: FloatArray, array: FloatArray) -> FloatArray:
    """Return `array` turned into independent rows; `rho` is the correlation with the row before."""
    white = array.copy()
    scale = 1.0 / np.sqrt(1.0 - rho**2)
    if array.ndim == 2:
        white[1:] = (array[1:] - rho[:, None] * array[:-1]) * scale[:, None]
    else:
        white[1:] = (array[1:] - rho * array[:-1]) * scale
    return white


def _restricted_likelihood(phi: float, lag: FloatArray, x: FloatArray, y: FloatArray) -> float:
    """Return minus the restricted log-likelihood of AR(1) noise, up to a constant."""
    rho = phi**lag
    white_x, white_y = _whiten(rho, x), _whiten(rho, y)
    q, r = np.linalg.qr(white_x)
    left = white_y - q @ (q.T @ white_y)
    free = y.size - x.shape[1]
    variance = float(left @ left) / free
    determinant = float(np.log1p(-(rho**2)).sum()) + 2.0 * float(np.log(np.abs(np.diag(r))).sum())
    return float(0.5 * (free * np.log(variance) + determinant))


def _estimate_phi(lag: FloatArray, x: FloatArray, y: FloatArray) -> float:
    grid = np.concatenate([np.linspace(0.0, 0.9, 19), [0.93, 0.96, 0.98, 0.99]])
    value = [_restricted_likelihood(float(phi), lag, x, y) for phi in grid]
    best = int(np.argmin(value))
    low, high = float(grid[max(best - 1, 0)]), float(grid[best + 1]) if best + 1 < grid.size else _PHI_LIMIT
    found = optimize.minimize_scalar(
        _restricted_likelihood, bounds=(low, high), args=(lag, x, y), method="bounded", options={"xatol": 1e-7}
    )
    phi = float(found.x)
    return 0.0 if best == 0 and value[0] <= float(found.fun) else phi


def _effective_freedom(n: int, parameters: int, phi: float) -> float:
    """Return degrees of freedom of the noise variance when neighbours are alike.

    The sum of squares of AR(1) noise carries n (1 − φ²) / (1 + φ²) independent values (Bartlett 1946).
    """
    return max(2.0, (n - parameters) * (1.0 - phi**2) / (1.0 + phi**2))


def trend(
    *,
    time: npt.ArrayLike,
    value: npt.ArrayLike,
    degree: int = 1,
    harmonics: int = 2,
    steps: Sequence[float] = (),
    phi: float | None = None,
    samples_per_year: float = 12.0,
    deployment: npt.ArrayLike | None = None,
    offset_sd: float | None = None,
    level: float = 0.95,
) -> Trend:
    """Trend of a record by generalised least squares.

    ``y = mean + slope t (+ curvature t²) + Σ harmonics + Σ steps + noise``; the noise is AR(1) with
    correlation ``phi ** (|Δt| × samples_per_year)``, so gaps and irregular times need no filling.

    Parameters
    ----------
    time : array_like, shape (n,)
        Decimal years, strictly increasing.
    value : array_like, shape (n,)
        NaN members are left out.
    degree : {1, 2}
        2 adds a curvature; `slope` is then that of the middle of the record.
    harmonics : int
        Of the year; 0, 1 or 2 as a rule.
    steps : sequence of float
        Times at which a step of unknown size is fitted [yr].
    phi : float, optional
        Autocorrelation at one sampling interval; estimated by restricted maximum likelihood between
        0 and 0.995 when not given.
    samples_per_year : float
        Gives the interval to which `phi` refers.
    deployment : array_like, optional
        Label of the deployment of every value; needs `offset_sd`.
    offset_sd : float, optional
        Standard uncertainty of the offset that one deployment keeps [unit of value].
    level : float
        Of the interval.

    Returns
    -------
    Trend

    Raises
    ------
    InputError
        Too few values, times not increasing, deployment without offset or the other way round.
    """
    require_range("level", level, 0.5, 0.9999)
    times, values, used = _clean(time, value)
    middle = 0.5 * (times[0] + times[-1])
    x, names = _design(times, float(middle), degree, harmonics, steps)
    n, parameters = x.shape
    if n < parameters + 3:
        message = f"The record holds {n} values; a fit of {parameters} terms needs at least {parameters + 3}."
        raise InputError(message)
    if np.linalg.matrix_rank(x) < parameters:
        message = "The times do not separate trend, seasons and steps; take fewer terms or a longer record."
        raise InputError(message)
    lag = np.diff(times) * samples_per_year
    if phi is None:
        phi = _estimate_phi(lag, x, values)
    else:
        require_range("phi", phi, 0.0, _PHI_LIMIT)
    rho = float(phi) ** lag
    q, r = np.linalg.qr(_whiten(rho, x))
    inverse = np.linalg.inv(r)
    white = _whiten(rho, values)
    coefficient = inverse @ (q.T @ white)
    fitted = x @ coefficient
    left = white - q @ (q.T @ white)
    variance = float(left @ left) / (n - parameters)
    covariance = variance * inverse @ inverse.T
    sd = np.sqrt(np.diag(covariance))

    ordinary, *_ = np.linalg.lstsq(x, values, rcond=None)
    ordinary_left = values - x @ ordinary
    ordinary_sd = float(np.sqrt(ordinary_left @ ordinary_left / (n - parameters) * np.linalg.inv(x.T @ x)[1, 1]))
    calibration = _calibration_sd(deployment, offset_sd, used, rho, inverse, q, n)
    total = float(np.hypot(sd[1], calibration))
    freedom = _effective_freedom(n, parameters, float(phi))
    # Welch-Satterthwaite: the calibration part is a stated sd, of unlimited degrees of freedom.
    combined = freedom * (total / sd[1]) ** 4 if sd[1] > 0 else np.inf
    half = float(special.stdtrit(combined, 0.5 + level / 2)) * total
    return Trend(
        slope=float(coefficient[1]),
        lower=float(coefficient[1]) - half,
        upper=float(coefficient[1]) + half,
        level=level,
        slope_sd=total,
        noise_sd=float(sd[1]),
        calibration_sd=calibration,
        ordinary_slope=float(ordinary[1]),
        ordinary_sd=ordinary_sd,
        phi=float(phi),
        sigma=float(np.sqrt(variance)),
        n=n,
        span=float(times[-1] - times[0]),
        degrees_of_freedom=freedom,
        coefficients=dict(zip(names, coefficient.tolist(), strict=True)),
        coefficient_sd=dict(zip(names, sd.tolist(), strict=True)),
        fitted=fitted,
        residual=values - fitted,
        used=used,
    )


def _clean(time: npt.ArrayLike, value: npt.ArrayLike) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    times, values = as_float("time", time), as_float("value", value)
    require_same_length(time=times, value=values)
    used = np.isfinite(times) & np.isfinite(values)
    times, values = times[used], values[used]
    if times.size < 2:
        message = f"The record holds {times.size} finite values; a trend needs more."
        raise InputError(message)
    if np.any(np.diff(times) <= 0.0):
        message = "time is not strictly increasing; sort the record and merge values of one time."
        raise InputError(message)
    return times, values, used


def _calibration_sd(
    deployment: npt.ArrayLike | None,
    offset_sd: float | None,
    used: npt.NDArray[np.bool_],
    rho: FloatArray,
    inverse: FloatArray,
    q: FloatArray,
    n: int,
) -> float:
    """Return the slope's sd from one unknown offset a deployment, through the fit's own weights."""
    if deployment is None and offset_sd is None:
        return 0.0
    if deployment is None or offset_sd is None:
        message = "The calibration term needs both deployment and offset_sd."
        raise InputError(message)
    labels = np.asarray(deployment)
    require_same_length(deployment=labels, value=used)
    require_range("offset_sd", offset_sd, 0.0, np.inf)
    labels = labels[used]
    variance = 0.0
    for label in np.unique(labels):
        member = (labels == label).astype(np.float64)
        variance += float((inverse[1] @ (q.T @ _whiten(rho, member))) ** 2)
    return float(offset_sd * np.sqrt(variance))


def trend_sd(
    *,
    time: npt.ArrayLike,
    phi: float,
    sigma: float,
    harmonics: int = 0,
    samples_per_year: float = 12.0,
) -> float:
    """Standard error of a trend for the real sampling times, before there are any values.

    Parameters
    ----------
    time : array_like
        Decimal years of the values to come, strictly increasing.
    phi : float
        Autocorrelation at one sampling interval.
    sigma : float
        Standard deviation of the noise.
    harmonics : int
        Fitted beside constant and trend.
    samples_per_year : float
        Gives the interval to which `phi` refers.

    Returns
    -------
    float
        [unit of sigma per yr]
    """
    times = as_float("time", time)
    require_range("phi", phi, 0.0, _PHI_LIMIT)
    x, _ = _design(times, float(times.mean()), 1, harmonics, ())
    white = _whiten(phi ** (np.diff(times) * samples_per_year), x)
    return float(sigma * np.sqrt(np.linalg.inv(white.T @ white)[1, 1]))


def local_trend(*, time: npt.ArrayLike, reef: npt.ArrayLike, reference: npt.ArrayLike, **options: Any) -> Trend:
    """Trend of reef minus reference: the part of the trend that is made here.

    Parameters
    ----------
    time : array_like
        Decimal years.
    reef, reference : array_like
        Values at the same times: offshore water, or equilibrium with the air at the water's own
        temperature, salinity and alkalinity. NaN where either is missing.
    **options
        As for `trend`. A calibration offset refers to the difference.
    """
    difference = as_float("reef", reef) - as_float("reference", reference)
    return trend(time=time, value=difference, **options)


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
    times, values, _ = _clean(time, value)
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
