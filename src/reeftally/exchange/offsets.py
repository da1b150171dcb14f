"""Offsets of the sensors of a gradient mast, estimated jointly with the flux from swaps.

Here:     the linear model of block means at several heights and its closed-form solution.
Not here: priors from sensors side by side (`calibration`); the flux per block (`gradient`).
Rules:    only the exchange of heights in time may move an offset. Each place on the mast has a nuisance
          term of its own, so that neither noise in the friction velocity nor an error of the profile can
          pass for an offset; without a swap the prior comes back unchanged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.linalg

from reeftally._checks import FloatArray, as_float
from reeftally.errors import ShapeError

__all__ = ["OffsetSolution", "offset_design", "process_terms", "solve_offsets"]

_DIFFUSE = 1e6
"""Prior variance, relative to the scale of the term, that stands for "not known"."""


@dataclass(frozen=True, slots=True)
class OffsetSolution:
    """Offsets (and drifts) after the swaps."""

    value: FloatArray
    """Posterior mean of the parameters; subtract `design @ value` from what was measured. [mmol m-3, per day]"""
    covariance: FloatArray
    """Posterior covariance. [same, squared]"""
    prior_value: FloatArray
    """As given."""
    prior_covariance: FloatArray
    """As given."""
    design: FloatArray
    """Reading of sensor s in block t per unit of parameter p, shape (p, s, t)."""
    swapped: bool
    """Whether any sensor changed its height, so that the offsets could be moved."""
    flux_sd: float
    """Size of the slow flux variation in the model. [mmol m-2 h-1]"""
    flux_hours: float
    """Its correlation time. [h]"""
    n: int
    """Blocks used."""
    chi_square: float
    """Misfit per degree of freedom; far above 1: the noise, the heights or the offsets do not fit."""


def offset_design(
    *, sensors: int, time: npt.ArrayLike, drift: bool = False, epoch: npt.ArrayLike | None = None
) -> FloatArray:
    """Return the design of one offset a sensor (or a sensor and epoch), and a drift a sensor.

    Parameters
    ----------
    sensors : int
        Number of sensors.
    time : array-like, shape (t,)
        Block times; drift is counted from the first. [s]
    drift : bool
        Add one drift parameter a sensor, in units a day.
    epoch : array-like of int, shape (sensors, t), optional
        Index of the offset parameter that holds for each sensor and block, for example a new one after
        each cleaning. Default: the number of the sensor.

    Returns
    -------
    float64 array, shape (parameters, sensors, t)
        Offsets first, then drifts.
    """
    when = as_float("time", time)
    index = (
        np.broadcast_to(np.arange(sensors)[:, None], (sensors, when.size))
        if epoch is None
        else np.asarray(epoch, dtype=np.int64)
    )
    offsets = (index[None] == np.arange(int(index.max()) + 1)[:, None, None]).astype(float)
    if not drift:
        return np.asarray(offsets)
    days = (when - when[0]) / 86400.0
    drifts = np.eye(sensors)[:, :, None] * days[None, None, :]
    return np.concatenate([offsets, drifts])


def process_terms(
    *,
    time: npt.ArrayLike,
    friction_velocity: npt.ArrayLike,
    light: npt.ArrayLike | None = None,
    harmonics: int = 3,
) -> FloatArray:
    """Return regressors of the flux: mean, light or harmonics of the day, each also times log of u*.

    Parameters
    ----------
    time, friction_velocity : array-like, shape (t,)
        [s, m s-1]
    light : array-like, shape (t,), optional
        With it the flux may follow two saturating curves of light, which says far more about a cloudy day
        than its hour; gaps fall back to the mean of the series. [umol m-2 s-1]
    harmonics : int
        Number of harmonics of 24 h used without light; those longer than the record are left out.

    Returns
    -------
    float64 array, shape (terms, t)
    """
    when, ustar = as_float("time", time), as_float("friction_velocity", friction_velocity)
    terms = [np.ones_like(when)]
    seen = np.zeros_like(when) if light is None else as_float("light", light)
    bright = seen[np.isfinite(seen) & (seen > 0.0)]
    if bright.size > 8:
        middle = float(np.median(bright))
        for scale in (0.5 * middle, 1.5 * middle):
            curve = np.tanh(np.maximum(seen, 0.0) / scale)
            terms.append(np.where(np.isfinite(curve), curve, np.nanmean(curve)))
    else:
        span = float(np.ptp(when)) / 86400.0
        for k in range(1, harmonics + 1):
            if span * k >= 1.0:
                angle = 2.0 * np.pi * k * when / 86400.0
                terms += [np.cos(angle), np.sin(angle)]
    good = np.isfinite(ustar) & (ustar > 0.0)
    if good.sum() > 8:
        log = np.log(np.where(good, ustar, np.exp(np.log(ustar[good]).mean())))
        log = log - log.mean()
        if log.std() > 1e-3:
            # With the other terms too: noise of the friction velocity makes the flux seem to follow it in
            # proportion to the flux, and what that does must not be left to the offsets.
            terms += [term * log / log.std() for term in list(terms)]
    return np.array(terms)


def _ou_precision(time: FloatArray, sd: float, seconds: float) -> FloatArray:
    """Return the tridiagonal precision of an Ornstein-Uhlenbeck process, upper banded form (2, t)."""
    gap = np.diff(time)
    rho = np.exp(-np.maximum(gap, 1e-9) / seconds)
    inner = 1.0 / np.maximum(1.0 - rho**2, 1e-12)
    diagonal = np.ones(time.size)
    diagonal[1:] += rho**2 * inner
    diagonal[:-1] += rho**2 * inner
    bands = np.zeros((2, time.size))
    bands[1] = diagonal / sd**2
    bands[0, 1:] = -rho * inner / sd**2
    return bands


def solve_offsets(
    *,
    concentration: npt.ArrayLike,
    gain: npt.ArrayLike,
    place: npt.ArrayLike,
    time: npt.ArrayLike,
    noise_sd: npt.ArrayLike,
    design: npt.ArrayLike,
    prior_value: npt.ArrayLike,
    prior_covariance: npt.ArrayLike,
    regressors: npt.ArrayLike,
    relative_gain_sd: npt.ArrayLike = 0.0,
    use: npt.ArrayLike = True,
    flux_variation: tuple[float, float] | None = None,
) -> OffsetSolution:
    """Return the offsets of the sensors, in closed form, from blocks before and after swaps.

    Parameters
    ----------
    concentration : array-like, shape (s, t)
        Block means of each sensor; NaN where missing. [mmol m-3]
    gain : array-like, shape (s, t)
        Concentration at the sensor per unit of flux, against the reference height:
        ``-[ln((z-d)/z_ref) + ...]/(kappa u* 3600)``. [mmol m-3 per mmol m-2 h-1]
    place : array-like of int, shape (s, t)
        Number of the place on the mast where the sensor sits.
    time : array-like, shape (t,)
        [s]
    noise_sd : array-like, broadcast to (s, t)
        Random standard uncertainty of a block mean. [mmol m-3]
    design, prior_value, prior_covariance : array-like, shapes (p, s, t), (p,), (p, p)
        What the parameters do to a reading, and what is known of them from side by side.
    regressors : array-like, shape (k, t)
        What the flux may follow, coefficients unknown; see `process_terms`.
    relative_gain_sd : array-like, broadcast to (t,)
        Random relative uncertainty of the friction velocity. [1]
    use : array-like of bool, shape (t,)
        Blocks that may count.
    flux_variation : (sd, hours), optional
        Slow departure of the flux from the regressors, an Ornstein-Uhlenbeck process. Default: chosen by
        the likelihood among a few. [mmol m-2 h-1, h]

    Returns
    -------
    OffsetSolution

    Raises
    ------
    ShapeError
        If arrays do not fit together.

    Notes
    -----
    Generalised least squares (Aitken 1935) of ``C_s = C0 + x theta + k_place + g_s F + e`` with
    ``F = B beta + f``; C0 is eliminated by differences to the block's first good sensor, ``f`` by its
    tridiagonal precision, so the cost grows linearly with the record.
    """
    c, g = as_float("concentration", concentration), as_float("gain", gain)
    if c.ndim != 2 or g.shape != c.shape:
        message = f"concentration {c.shape} and gain {g.shape} need one shape (sensors, blocks)."
        raise ShapeError(message)
    sensors, blocks = c.shape
    x, b = as_float("design", design), as_float("regressors", regressors)
    mean, cov = as_float("prior_value", prior_value), as_float("prior_covariance", prior_covariance)
    if x.shape[1:] != c.shape or b.shape[-1] != blocks or cov.shape != (mean.size, mean.size):
        message = (
            f"design {x.shape}, regressors {b.shape} and prior {cov.shape} do not fit {sensors} sensors "
            f"and {blocks} blocks."
        )
        raise ShapeError(message)
    seat = np.broadcast_to(np.asarray(place, dtype=np.int64), c.shape)
    noise = np.broadcast_to(as_float("noise_sd", noise_sd), c.shape)
    relative = np.broadcast_to(as_float("relative_gain_sd", relative_gain_sd), (blocks,))
    swapped = bool(_moved(seat, c).any())
    good = np.isfinite(c) & np.isfinite(g) & (noise > 0.0)
    enough = (good.sum(axis=0) >= 2) & np.broadcast_to(np.asarray(use, dtype=bool), (blocks,))
    index = np.flatnonzero(enough & np.isfinite(relative))
    unmoved = OffsetSolution(mean, cov, mean, cov, x, swapped, np.nan, np.nan, int(index.size), np.nan)
    if not swapped or index.size < 4:
        return unmoved
    whitened = _whitened(c, g, seat, noise, x, good, index)
    choices = (
        [flux_variation]
        if flux_variation is not None
        else [(sd, hours) for sd in (0.5, 2.0, 6.0) for hours in (1.0, 6.0)]
    )
    when = as_float("time", time)[index]
    # One size for all blocks: a size taken from each block's own flux would weigh blocks by their noise.
    flux_noise = relative[index] * _typical_flux(whitened, mean)
    best: tuple[float, FloatArray, FloatArray, float, tuple[float, float]] | None = None
    for choice in choices:
        found = _solve(whitened, when, b[:, index], flux_noise, mean, cov, choice)
        if best is None or found[0] > best[0]:
            best = (*found, choice)
    if best is None:
        return unmoved
    _, value, posterior, chi, (sd, hours) = best
    return OffsetSolution(value, posterior, mean, cov, x, True, sd, hours, int(index.size), chi)


def _moved(seat: npt.NDArray[np.int64], c: FloatArray) -> npt.NDArray[np.bool_]:
    """Return for each sensor whether it was seen at more than one place."""
    moved = np.zeros(seat.shape, dtype=bool)
    for s in range(seat.shape[0]):
        seen = np.unique(seat[s, np.isfinite(c[s])])
        moved[s] = seen.size > 1
    return moved


def _whitened(
    c: FloatArray,
    g: FloatArray,
    seat: npt.NDArray[np.int64],
    noise: FloatArray,
    x: FloatArray,
    good: npt.NDArray[np.bool_],
    index: npt.NDArray[np.intp],
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return per-block (y, gain, H, weight) with the common concentration projected out.

    In each block the readings are scaled to unit noise and the component along the common concentration
    is removed, which equals estimating it freely. Shapes (s, t), (s, t), (s, t, p + places), (s, t).
    """
    weight = np.where(good, 1.0 / np.where(noise > 0.0, noise, 1.0), 0.0)[:, index]
    places = int(seat.max()) + 1
    nuisance = (seat[:, index, None] == np.arange(places)).astype(float)
    stacked = np.concatenate(
        [
            np.where(good, c, 0.0)[:, index, None],
            np.where(good, g, 0.0)[:, index, None],
            np.moveaxis(x, 0, -1)[:, index],
            nuisance,
        ],
        axis=-1,
    )
    stacked = stacked * weight[..., None]
    unit = weight / np.sqrt((weight**2).sum(axis=0))
    stacked = stacked - unit[..., None] * (unit[..., None] * stacked).sum(axis=0)
    return stacked[..., 0], stacked[..., 1], stacked[..., 2:], weight


def _typical_flux(whitened: tuple[FloatArray, FloatArray, FloatArray, FloatArray], value: FloatArray) -> float:
    y, g, h, _ = whitened
    power = (g * g).sum(axis=0)
    left = y - h[..., : value.size] @ value
    flux = (g * left).sum(axis=0) / np.where(power > 0.0, power, np.inf)
    return float(np.median(np.abs(flux)))


def _precision(covariance: FloatArray) -> FloatArray:
    """Return the inverse of a prior covariance; a direction without variance is known, not unknown."""
    size, axes = np.linalg.eigh(covariance)
    floor = max(float(size.max(initial=0.0)) * 1e-10, 1e-14)
    return np.asarray((axes / np.maximum(size, floor)) @ axes.T)


def _solve(
    whitened: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    when: FloatArray,
    b: FloatArray,
    flux_noise: FloatArray,
    mean: FloatArray,
    cov: FloatArray,
    choice: tuple[float, float],
) -> tuple[float, FloatArray, FloatArray, float]:
    """Return (log likelihood, mean, covariance, chi square per degree of freedom)."""
    y, g, h, _ = whitened
    p = mean.size
    # Regressors act through the gain; noise of the friction velocity acts like noise of the flux.
    columns = np.concatenate([h, g[..., None] * b.T[None]], axis=-1)
    power = (g * g).sum(axis=0)
    extra = flux_noise**2
    shrink = extra / (1.0 + extra * power)
    gy, gx = (g * y).sum(axis=0), (g[..., None] * columns).sum(axis=0)
    # Sums with the noise (I + extra g g')^-1 of each block (Sherman and Morrison 1950).
    xx = np.einsum("stp,stq->pq", columns, columns) - np.einsum("t,tp,tq->pq", shrink, gx, gx)
    xy = np.einsum("stp,st->p", columns, y) - np.einsum("t,tp,t->p", shrink, gx, gy)
    yy = float((y * y).sum() - (shrink * gy * gy).sum())
    shaped = 1.0 - shrink * power
    gg, gxs, gys = power * shaped, gx * shaped[:, None], gy * shaped
    bands = _ou_precision(when, choice[0], choice[1] * 3600.0)
    prior_log = -2.0 * np.log(scipy.linalg.cholesky_banded(bands)[1]).sum()
    bands = bands.copy()
    bands[1] += gg
    factor = scipy.linalg.cholesky_banded(bands)
    solved = scipy.linalg.cho_solve_banded((factor, False), np.column_stack([gxs, gys]))
    xx = xx - gxs.T @ solved[:, :-1]
    xy = xy - gxs.T @ solved[:, -1]
    yy = yy - float(gys @ solved[:, -1])
    log_det = 2.0 * np.log(factor[1]).sum() + prior_log + np.log1p(extra * power).sum()
    # Prior: known for the offsets, nearly nothing for places and regressors.
    prior = np.zeros((columns.shape[-1],) * 2)
    prior[:p, :p] = _precision(cov)
    scale = np.maximum(np.diag(xx)[p:], 1e-30)
    prior[range(p, prior.shape[0]), range(p, prior.shape[0])] = scale / _DIFFUSE
    start = np.concatenate([mean, np.zeros(prior.shape[0] - p)])
    left = xx + prior
    right = xy + prior @ start
    norm = 1.0 / np.sqrt(np.diag(left))
    inverse = np.linalg.pinv(left * norm[:, None] * norm, hermitian=True, rcond=1e-13) * norm[:, None] * norm
    value = inverse @ right
    misfit = yy - 2.0 * float(value @ xy) + float(value @ xx @ value)
    penalty = float((value - start) @ prior @ (value - start))
    sign, log_left = np.linalg.slogdet(left * norm[:, None] * norm)
    log_left = log_left - 2.0 * np.log(norm).sum()
    likelihood = -0.5 * (misfit + penalty + log_det + (log_left if sign > 0 else 0.0))
    freedom = max(int((np.abs(g) > 0.0).sum() - g.shape[1]) - columns.shape[-1], 1)
    return likelihood, value[:p], inverse[:p, :p], misfit / freedom
