"""Statistics of one block of covariance: lags, random error, stationarity, response.

Here:     lagged covariances, the random error of Finkelstein and Sims, the stationarity measure, what a
          slow sensor loses.
Not here: the flux itself (`covariance`).
Rules:    as in `_samples`: samples on the last axis, NaN at gaps, positive lag when the concentration is
          later.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_range
from reeftally.exchange import _samples

__all__ = [
    "detrending_retained",
    "finkelstein_sims",
    "flux_retained",
    "lagged_covariance",
    "lenschow_bound",
    "mean_last",
    "random_error",
    "response_transfer",
    "stationarity",
    "sudden_steps",
]


def random_error(found: _samples.Correlations, lag: FloatArray, used: npt.NDArray[np.intp]) -> FloatArray:
    """Return the Finkelstein and Sims error of covariances already computed, at `lag` [samples]."""
    m = found.max_lag
    shift = np.clip(np.rint(np.nan_to_num(lag)).astype(int), -m, m)
    product = (found.ww * found.cc).sum(axis=1)
    rows = np.arange(found.cross.shape[0])[:, None]
    p = np.arange(-m, m + 1)[None, :]
    # Each block by itself: what a block gets must not depend on the batch it came in.
    reach = np.abs(p) <= m - np.abs(shift[:, None])
    later = np.where(reach, found.cross_n[rows, np.clip(m + shift[:, None] + p, 0, 2 * m)], 0.0)
    product = product + (later * later[:, ::-1]).sum(axis=1)
    return np.asarray(np.sqrt(np.maximum(product, 0.0) / np.maximum(used, 1)))


def mean_last(values: FloatArray) -> FloatArray:
    """Return the mean of the finite members along the last axis, NaN where there are none."""
    good = np.isfinite(values)
    return np.asarray(np.where(good, values, 0.0).sum(axis=-1) / np.where(good.any(axis=-1), good.sum(axis=-1), np.nan))


def lagged_covariance(*, w: npt.ArrayLike, concentration: npt.ArrayLike, max_lag: int) -> FloatArray:
    """Return covariances for lags -max_lag to max_lag samples; positive: the concentration is later.

    Parameters
    ----------
    w, concentration : array-like, shape (..., n)
        Samples; block means are removed. [m s-1, mmol m-3]
    max_lag : int
        Largest lag, below n - 1. [samples]

    Returns
    -------
    float64 array, shape (..., 2 max_lag + 1)
        Each lag divided by its number of pairs. [mmol m-2 s-1]
    """
    a, b = np.broadcast_arrays(as_float("w", w), as_float("concentration", concentration))
    require_range("max_lag", max_lag, 0, a.shape[-1] - 2, "samples")
    flat_a, flat_b = a.reshape(-1, a.shape[-1]), b.reshape(-1, a.shape[-1])
    found = _samples.correlations(
        _samples.detrended(flat_a, "block", 0), _samples.detrended(flat_b, "block", 0), max_lag
    )
    return found.cross.reshape(*a.shape[:-1], 2 * max_lag + 1)


def finkelstein_sims(*, w: npt.ArrayLike, concentration: npt.ArrayLike, max_lag: int) -> FloatArray:
    """Return the random standard error of the covariance at lag zero.

    Parameters
    ----------
    w, concentration : array-like, shape (..., n)
        Samples; block means are removed. [m s-1, mmol m-3]
    max_lag : int
        Lags summed. [samples]

    Returns
    -------
    float64 array, shape (...)
        [mmol m-2 s-1]

    Notes
    -----
    Finkelstein and Sims (2001), J. Geophys. Res. 106(D4), the sum of products of auto- and
    cross-covariances over all lags; by Fourier transform, so the cost grows as n log n.
    """
    a, b = np.broadcast_arrays(as_float("w", w), as_float("concentration", concentration))
    flat_a, flat_b = a.reshape(-1, a.shape[-1]), b.reshape(-1, a.shape[-1])
    found = _samples.correlations(
        _samples.detrended(flat_a, "block", 0), _samples.detrended(flat_b, "block", 0), max_lag
    )
    used = (np.isfinite(flat_a) & np.isfinite(flat_b)).sum(axis=1)
    return random_error(found, np.zeros(flat_a.shape[0]), used).reshape(a.shape[:-1])


def stationarity(*, sub_covariances: npt.ArrayLike, whole_covariance: npt.ArrayLike) -> FloatArray:
    """Return the stationarity measure of Foken and Wichura (1996).

    Parameters
    ----------
    sub_covariances : array-like, shape (..., parts)
        Covariances of the parts. [any]
    whole_covariance : array-like, shape (...)
        Covariance of the whole. [same]

    Returns
    -------
    float64 array, shape (...)
        ``|mean(parts) - whole| / |whole|``: below 0.3 good, to 1.0 usable in sums. [1]
    """
    parts, whole = as_float("sub_covariances", sub_covariances), as_float("whole_covariance", whole_covariance)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.abs(mean_last(parts) - whole) / np.abs(whole))


def sudden_steps(values: FloatArray) -> FloatArray:
    """Return how the level changes along each row, in units of how it usually changes there.

    Parameters
    ----------
    values : (blocks, n) array
        Samples; NaN at gaps.

    Returns
    -------
    float64 array, shape (blocks, instants)
        At instants an eighth of a window apart: mean of the window after less mean of the window before, its median
        over the block taken off, over its robust standard deviation in the block. A window is a fifteenth of the
        block (a minute of a quarter of an hour). NaN where half of either window is missing. [1]

    Notes
    -----
    Our own form. A step lifts the difference only while the windows straddle it, an eighth of the block, so the
    median absolute deviation still tells what the turbulence does; a trend lifts all differences alike and goes with
    the median.
    """
    blocks, n = values.shape
    window = max(n // 15, 1)
    at = np.arange(window, n - window + 1, max(window // 8, 1))
    seen = np.isfinite(values)
    sums = np.zeros((2, blocks, n + 1))
    np.cumsum(np.where(seen, values, 0.0), axis=1, out=sums[0, :, 1:])
    np.cumsum(seen, axis=1, out=sums[1, :, 1:])
    before, after = sums[:, :, at] - sums[:, :, at - window], sums[:, :, at + window] - sums[:, :, at]
    enough = (before[1] >= 0.5 * window) & (after[1] >= 0.5 * window)
    change = after[0] / np.maximum(after[1], 1.0) - before[0] / np.maximum(before[1], 1.0)
    change = np.where(enough, change, np.nan)
    some = enough.any(axis=1)
    out = np.full(change.shape, np.nan)
    out[some] = change[some] - np.nanmedian(change[some], axis=1, keepdims=True)
    usual = np.zeros((blocks, 1))
    usual[some] = 1.4826 * np.nanmedian(np.abs(out[some]), axis=1, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(out == 0.0, 0.0, out / usual))


def flux_retained(
    *,
    response_time: npt.ArrayLike,
    height: npt.ArrayLike,
    speed: npt.ArrayLike,
    peak_frequency: float = 0.085,
) -> FloatArray:
    """Return the share of the flux that a slow sensor keeps without lag removal.

    Parameters
    ----------
    response_time, height, speed : array-like
        First-order response [s], height above the displacement plane [m], speed [m s-1].
    peak_frequency : float
        Normalised frequency of the cospectral peak, neutral. [1]

    Returns
    -------
    float64 array
        [1]

    Notes
    -----
    Horst (1997), Boundary-Layer Meteorol. 82: ``1/(1 + (2 pi n_m tau U/z)^(7/8))`` (from memory).
    """
    number = (
        2.0
        * np.pi
        * peak_frequency
        * as_float("response_time", response_time)
        * as_float("speed", speed)
        / as_float("height", height)
    )
    return np.asarray(1.0 / (1.0 + number ** (7.0 / 8.0)))


def detrending_retained(
    *,
    duration: float,
    height: npt.ArrayLike,
    speed: npt.ArrayLike,
    detrend: str = "linear",
    running_window: float = 300.0,
) -> FloatArray:
    """Return the share of a neutral flux that is left after a block has been detrended.

    Parameters
    ----------
    duration : float
        Of the block. [s]
    height, speed : array-like
        Above the displacement plane [m], mean speed [m s-1].
    detrend : "linear", "block" or "running"
    running_window : float
        [s]

    Returns
    -------
    float64 array
        [1] NaN where height or speed is not positive.

    Notes
    -----
    Neutral cospectrum ``f/(1 + 9.6 f)^2.4`` of Kaimal et al. (1972) times the transfer of block averaging
    ``1 - sinc^2(pi n T)`` and of the fitted line ``- 3 [(sin x - x cos x)/x^2]^2``, x = pi n T (Rannik and
    Vesala 1999, Boundary-Layer Meteorol. 91; both transfers from memory, re-derived). At reef speeds
    eddies slower than the block carry several per cent.
    """
    z, u = as_float("height", height), as_float("speed", speed)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where((z > 0.0) & (u > 0.0), z / u, np.nan)
    edges = np.geomspace(1e-3 / duration, 1e3 / duration, 241)
    n = np.sqrt(edges[1:] * edges[:-1])
    x = np.pi * n * duration
    if detrend == "running":
        kept = (1.0 - np.sinc(n * running_window)) ** 2
    else:
        kept = 1.0 - np.sinc(n * duration) ** 2
        if detrend == "linear":
            arm = np.where(x > 1e-2, (np.sin(x) - x * np.cos(x)) / x**2, x / 3.0)
            kept = kept - 3.0 * arm**2
    # Integral of 14/(1 + 9.6 f)^2.4 between the edges, closed form, so that no tail is cut.
    tail = (1.0 + 9.6 * edges * scale[..., None]) ** -1.4
    weight = tail[..., :-1] - tail[..., 1:]
    return np.asarray((weight * kept).sum(axis=-1) + tail[..., -1])


def response_transfer(
    *, response_time: npt.ArrayLike, frequency: npt.ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return gain [1], phase lag [rad], equivalent time lag [s] and in-phase transfer [1] of a sensor.

    Parameters
    ----------
    response_time, frequency : array-like
        First-order response time [s] and frequency, above zero [Hz].
    """
    turn = 2.0 * np.pi * as_float("frequency", frequency)
    angle = turn * as_float("response_time", response_time)
    in_phase = 1.0 / (1.0 + angle**2)
    phase = np.arctan(angle)
    return np.sqrt(in_phase), phase, phase / turn, in_phase


def lenschow_bound(
    *, sigma_w: npt.ArrayLike, sigma_c: npt.ArrayLike, integral_time: npt.ArrayLike, duration: npt.ArrayLike
) -> FloatArray:
    """Return the upper bound of the random error of a covariance from integral time scales alone.

    Parameters
    ----------
    sigma_w, sigma_c : array-like
        Standard deviations. [m s-1, mmol m-3]
    integral_time : array-like
        The smaller of the two integral time scales. [s]
    duration : array-like
        Of the block. [s]

    Returns
    -------
    float64 array
        ``2 sw sc sqrt(tau/T)``. [mmol m-2 s-1]

    Notes
    -----
    Lenschow, Mann and Kristensen (1994), JTECH 11 (inequality from memory).
    """
    share = as_float("integral_time", integral_time) / as_float("duration", duration)
    return np.asarray(2.0 * as_float("sigma_w", sigma_w) * as_float("sigma_c", sigma_c) * np.sqrt(share))
