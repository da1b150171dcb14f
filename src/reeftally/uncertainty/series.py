"""Means of correlated series: how many independent values a series is worth.

Here:     autocorrelation with gaps, integral time scale, and the mean with its standard error and degrees of
          freedom.
Not here: trends (ledger), spectra (flow).
Rules:    values are evenly spaced; a gap is NaN at its place, never closed up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float
from reeftally.errors import ShapeError
from reeftally.uncertainty.first_order import coverage_factor

__all__ = ["CorrelatedMean", "autocorrelation", "correlated_mean"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrelatedMean:
    """Mean of a correlated series."""

    mean: float
    """Mean of the values there are."""
    standard_error: float
    """Standard uncertainty of the mean, correlation between values respected."""
    sd: float
    """Standard deviation of the values, corrected for their correlation."""
    n: int
    """Values there are."""
    effective_n: float
    """Number of independent values with the same standard error."""
    integral_steps: float
    """Integral time scale, 1/2 + sum of the autocorrelations, in steps; 1/2 for independent values."""
    degrees: float
    """Degrees of freedom of the standard error."""
    lower: float
    """Lower end of the interval."""
    upper: float
    """Upper end of the interval."""


def autocorrelation(*, values: npt.ArrayLike, lags: int | None = None, mean: float | None = None) -> FloatArray:
    """Autocorrelation of an evenly spaced series with gaps.

    Parameters
    ----------
    values : array-like, shape (n,)
        Series; NaN where there is a gap. [any unit]
    lags : int, optional
        Largest lag; default a third of the length.
    mean : float, optional
        Known mean; default the mean of the values. [unit of `values`]

    Returns
    -------
    float64 array, shape (lags + 1,)
        Correlation at lags 0, 1, ...: the sum of the products there are over n, as a share of lag 0, with the
        missing pairs made up for in proportion. NaN where no pair exists.
    """
    series = as_float("values", values)
    if series.ndim != 1:
        message = f"values has shape {series.shape}; it needs one dimension."
        raise ShapeError(message)
    there = np.isfinite(series)
    n = series.size
    most = max(1, n // 3) if lags is None else lags
    most = min(most, max(n - 1, 0))
    if not there.any():
        return np.full(most + 1, np.nan)
    centre = float(series[there].mean()) if mean is None else mean
    departure = np.where(there, series - centre, 0.0)
    size = 1 << int(2 * n - 1).bit_length()
    products = _self_products(departure, size)[: most + 1]
    pairs = np.rint(_self_products(there.astype(np.float64), size)[: most + 1])
    possible = n - np.arange(most + 1)
    with np.errstate(all="ignore"):
        # Tapered by the share of possible pairs, so that far lags from few pairs stay small.
        covariance = np.where(pairs > 0, products / pairs, np.nan) * (possible / n)
        return np.asarray(covariance / covariance[0])


def correlated_mean(*, values: npt.ArrayLike, level: float = 0.95, window: float = 5.0) -> CorrelatedMean:
    """Mean of an evenly spaced, correlated series with its standard error.

    Parameters
    ----------
    values : array-like, shape (n,)
        Series; NaN where there is a gap. [any unit]
    level : float, default 0.95
        Coverage of the interval.
    window : float, default 5
        The sum of autocorrelations stops at the first lag above `window` times the integral time scale.

    Returns
    -------
    CorrelatedMean
        Standard error, degrees of freedom and interval are NaN for fewer than 4 values.

    Notes
    -----
    Variance of the mean = (s^2 / n) [1 + 2 sum_k (1 - k/n) rho_k] (for gaps, sums over the pairs there
    are). Two estimates of the sum are made and the larger is taken: the autocorrelations seen, up to the
    self-consistent window of [Sokal1997]_ and raised by what the removal of the sample mean takes from them;
    and those of a first-order autoregressive series with its lag-1 coefficient freed of bias. Degrees of freedom:
    effective n - 1. No more than n independent values are claimed. In simulations of first-order series the
    95 % interval holds the true mean in 94 to 97 % where the series is 20 integral time scales or longer, in
    93 % at 10 and 90 to 92 % at 5; a series shorter than that cannot tell its own time scale.

    References
    ----------
    .. [Sokal1997] Sokal 1997, in Functional Integration: Basics and Applications, NATO ASI B 361, 131-192.
       Kendall 1954, Biometrika 41, 403-404 (bias of the lag-1 coefficient; both from memory).
    """
    series = as_float("values", values)
    if series.ndim != 1:
        message = f"values has shape {series.shape}; it needs one dimension."
        raise ShapeError(message)
    there = np.isfinite(series)
    n = int(there.sum())
    mean = float(series[there].mean()) if n else float("nan")
    if n < 4:
        return _unknown(mean, n)
    departure = np.where(there, series - mean, 0.0)
    size = 1 << int(2 * series.size - 1).bit_length()
    pairs = np.rint(_self_products(there.astype(np.float64), size)[: series.size])
    products = _self_products(departure, size)[: series.size]
    raw = np.where(pairs >= 2, products / np.maximum(pairs, 1.0), 0.0)
    if raw[0] <= 0.0:
        # A constant series: no scatter was seen, so its mean is as sharp as the values claim to be.
        return CorrelatedMean(
            mean=mean, standard_error=0.0, sd=0.0, n=n, effective_n=float(n), integral_steps=0.5,
            degrees=float(n - 1), lower=mean, upper=mean,
        )  # fmt: skip
    # Share of all pairs of values that lie k steps apart: (n - k) / n^2 without gaps.
    share = pairs / float(n) ** 2
    windowed, scale = _windowed_share(raw, share, window)
    first, first_scale = _first_order_share(raw, share, n)
    part = max(windowed, first, 1.0 / n)
    # The sample variance is too small by the variance of the mean, part of the true variance.
    true_variance = float(raw[0]) / max(1.0 - part, 1.0 / n)
    effective = float(np.clip(1.0 / part, 1.0, n))
    degrees = max(effective - 1.0, 1.0)
    error = float(np.sqrt(true_variance * part))
    half = float(coverage_factor(degrees=degrees, level=level)) * error
    return CorrelatedMean(
        mean=mean,
        standard_error=error,
        sd=float(np.sqrt(true_variance)),
        n=n,
        effective_n=effective,
        integral_steps=first_scale if first > windowed else scale,
        degrees=degrees,
        lower=mean - half,
        upper=mean + half,
    )


def _windowed_share(raw: FloatArray, share: FloatArray, window: float) -> tuple[float, float]:
    """Return variance of the mean over variance of a value, from the autocovariances seen; and the scale."""
    most = max(1, raw.size // 2)
    covariance, weight = raw[: most + 1], share[: most + 1]
    part, scale = float(share[0]), 0.5
    for _ in range(100):
        # What the sample autocovariances lack, in units of the true variance.
        added = raw[0] * part / max(1.0 - part, 1e-6)
        rho = (covariance + added) / (raw[0] + added)
        sums = 0.5 + np.cumsum(rho[1:])
        stop = np.flatnonzero(np.arange(1, most + 1) >= window * np.maximum(sums, 0.5))
        cut = int(stop[0]) + 1 if stop.size else most
        scale = max(0.5, float(sums[cut - 1]))
        new = float(weight[0] + 2.0 * (rho[1 : cut + 1] * weight[1 : cut + 1]).sum())
        new = min(max(new, float(share[0])), 0.9)
        if abs(new - part) <= 1e-9 * new:
            break
        part = new
    return part, scale


def _first_order_share(raw: FloatArray, share: FloatArray, n: int) -> tuple[float, float]:
    """Return the same for a first-order autoregressive series, its coefficient freed of bias (Kendall 1954)."""
    seen = float(raw[1] / raw[0]) if raw.size > 1 else 0.0
    phi = min(max((n * seen + 1.0) / (n - 3.0), 0.0), 1.0 - 1.0 / n)
    powers = phi ** np.arange(raw.size)
    part = float(share[0] + 2.0 * (powers[1:] * share[1:]).sum())
    return min(part, 0.9), 0.5 + phi / (1.0 - phi)


def _self_products(values: FloatArray, size: int) -> FloatArray:
    spectrum = np.fft.rfft(values, size)
    return np.fft.irfft(spectrum * np.conj(spectrum), size)


def _unknown(mean: float, n: int) -> CorrelatedMean:
    nan = float("nan")
    return CorrelatedMean(
        mean=mean, standard_error=nan, sd=nan, n=n, effective_n=nan, integral_steps=nan,
        degrees=nan, lower=nan, upper=nan,
    )  # fmt: skip
