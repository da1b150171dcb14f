"""Flux from block means at two or more heights and the friction velocity.

Here:     the flux of each block with its error budget, and means over periods.
Not here: the plain forms with trials or for one profile (`profiles`), the joint estimate of offsets
          (`offsets`), the friction velocity (`flow`), carbon from pH and oxygen (`carbon`).
Rules:    blocks are refused by physics (friction, heights, storage, stratification, wake), never by the
          size of the gradient that was found: dropping small ones would bias every mean.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_range
from reeftally.errors import ShapeError
from reeftally.exchange._common import KAPPA, SECONDS_PER_HOUR, Reason, refused, root_sum_square
from reeftally.exchange.offsets import OffsetSolution, offset_design, process_terms, solve_offsets
from reeftally.exchange.profiles import stability_term

__all__ = ["GradientFlux", "GradientMean", "gradient_flux"]


@dataclass(frozen=True, slots=True)
class GradientMean:
    """Mean over blocks."""

    value: float
    """[mmol m-2 h-1]"""
    random_sd: float
    """[mmol m-2 h-1]"""
    systematic_sd: float
    """[mmol m-2 h-1]"""
    budget: dict[str, float]
    """Standard uncertainty by cause. [mmol m-2 h-1]"""
    n: int
    """Blocks used."""
    refused: int
    """Blocks asked for but refused."""


@dataclass(frozen=True, slots=True)
class GradientFlux:
    """Gradient fluxes of a series of blocks."""

    flux: FloatArray
    """Off the bed, storage included; NaN where refused. Shape (t,). [mmol m-2 h-1]"""
    random_sd: FloatArray
    """[mmol m-2 h-1]"""
    systematic_sd: FloatArray
    """[mmol m-2 h-1]"""
    reason: npt.NDArray[np.int64]
    """Bits of `Reason`."""
    difference: FloatArray
    """Lowest minus highest sensor after offsets. [mmol m-3]"""
    difference_sd: FloatArray
    """Its uncertainty, offsets included. [mmol m-3]"""
    storage: FloatArray
    """Storage below the sensors, included in `flux`. [mmol m-2 h-1]"""
    budget: dict[str, FloatArray]
    """Standard uncertainty by cause and block. [mmol m-2 h-1]"""
    offsets: OffsetSolution
    """Offsets after the swaps."""
    offset_sensitivity: FloatArray
    """Change of the flux per unit of each offset parameter, shape (p, t)."""
    height_sensitivity: FloatArray
    """Change of the flux per height uncertainty of each place, shape (places, t). [mmol m-2 h-1]"""
    gain_sensitivity: FloatArray
    """Change of the flux per gain uncertainty of each sensor, shape (sensors, t). [mmol m-2 h-1]"""

    def mean(self, *, where: npt.ArrayLike = True, correlation_blocks: float = 1.0) -> GradientMean:
        """Return the mean over the accepted blocks of `where`.

        Parameters
        ----------
        where : array-like of bool, shape (t,)
            Blocks of the period.
        correlation_blocks : float
            Number of blocks over which random errors hang together. [1]

        Returns
        -------
        GradientMean
            Systematic terms are averaged with their sign before they are squared.
        """
        asked = np.broadcast_to(np.asarray(where, dtype=bool), self.flux.shape)
        use = asked & np.isfinite(self.flux)
        n = int(use.sum())
        if n == 0:
            return GradientMean(np.nan, np.nan, np.nan, {}, 0, int(asked.sum()))
        budget = {
            name: float(np.sqrt((part[use] ** 2).sum() * correlation_blocks) / n)
            for name, part in self.budget.items()
            if name in _RANDOM
        }
        sensitivity = self.offset_sensitivity[:, use].mean(axis=1)
        budget["offset"] = float(np.sqrt(max(sensitivity @ self.offsets.covariance @ sensitivity, 0.0)))
        budget["height"] = float(np.sqrt((self.height_sensitivity[:, use].mean(axis=1) ** 2).sum()))
        budget["gain"] = float(np.sqrt((self.gain_sensitivity[:, use].mean(axis=1) ** 2).sum()))
        sign = np.sign(self.flux[use] - self.storage[use])
        for name in ("friction_velocity", "von_karman", "chemistry"):
            budget[name] = float(abs((self.budget[name][use] * sign).mean()))
        budget["displacement"] = float(abs((self.budget["displacement"][use] * sign).mean()))
        random = float(np.sqrt(sum(budget[name] ** 2 for name in _RANDOM)))
        systematic = float(np.sqrt(sum(part**2 for name, part in budget.items() if name not in _RANDOM)))
        return GradientMean(float(self.flux[use].mean()), random, systematic, budget, n, int((asked & ~use).sum()))


_RANDOM = ("noise", "friction_velocity_random")


def gradient_flux(
    *,
    concentration: npt.ArrayLike,
    height: npt.ArrayLike,
    time: npt.ArrayLike,
    friction_velocity: npt.ArrayLike,
    noise_sd: npt.ArrayLike,
    prior_offset: npt.ArrayLike,
    prior_covariance: npt.ArrayLike,
    height_sd: npt.ArrayLike = 0.0,
    displacement: float = 0.0,
    displacement_sd: float = 0.0,
    friction_velocity_random: npt.ArrayLike = 0.0,
    friction_velocity_systematic: float = 0.0,
    friction_velocity_by_displacement: float = 0.0,
    friction_velocity_by_von_karman: float = 0.0,
    von_karman: float = KAPPA,
    von_karman_sd: float = 0.0,
    chemistry_sd: npt.ArrayLike = 0.0,
    gain_sd: npt.ArrayLike = 0.0,
    gain_level: npt.ArrayLike | None = None,
    design: npt.ArrayLike | None = None,
    use_swaps: bool = True,
    light: npt.ArrayLike | None = None,
    regressors: npt.ArrayLike | None = None,
    flux_variation: tuple[float, float] | None = None,
    obukhov_length: npt.ArrayLike = np.inf,
    storage_rate: npt.ArrayLike | None = None,
    friction_velocity_floor: float = 0.003,
    wake: npt.ArrayLike = False,
    stability_limit: float = 1.0,
    storage_limit: float = 1.0,
) -> GradientFlux:
    """Return the flux of each block from two or more heights, offsets estimated jointly from swaps.

    Parameters
    ----------
    concentration : array-like, shape (sensors, t)
        Block means; NaN where missing. One sensor with switched inlets is given as one row a level,
        with one shared offset parameter through `design`. [mmol m-3]
    height : array-like, shape (sensors,) or (sensors, t)
        Above the bed; it changes with time where sensors were exchanged. [m]
    time, friction_velocity : array-like, shape (t,)
        [s, m s-1]
    noise_sd : array-like, broadcast to (sensors, t)
        Random standard uncertainty of a block mean. [mmol m-3]
    prior_offset, prior_covariance : array-like, shapes (p,), (p, p)
        From side by side: what to subtract from each sensor, with covariance. [mmol m-3]
    height_sd : array-like, broadcast to (sensors, t)
        Systematic, independent between places. [m]
    displacement, displacement_sd : float
        [m]
    friction_velocity_random : array-like, broadcast to (t,)
        Relative, independent between blocks. [1]
    friction_velocity_systematic : float
        Relative, common to all blocks. [1]
    friction_velocity_by_displacement, friction_velocity_by_von_karman : float
        Relative error of the friction velocity by one standard uncertainty of each, in the direction in which it adds
        to what the same cause does to the profile; `friction_velocity_systematic` is then the rest. [1]
    von_karman, von_karman_sd : float
        [1]
    chemistry_sd : array-like, broadcast to (t,)
        Relative, common: conversion to the species of the flux. [1]
    gain_sd : array-like, broadcast to (sensors,)
        Relative, independent between sensors: error of the slope of each. [1]
    gain_level : array-like, broadcast to (sensors,), optional
        Concentration at which the offsets of the prior hold, where a wrong slope does no harm; default the mean of
        each sensor over the record. [mmol m-3]
    design : array-like, shape (p, sensors, t), optional
        See `offset_design`; default one offset a sensor.
    use_swaps : bool
        False leaves the prior as it is.
    light : array-like, shape (t,), optional
        What the flux may follow while offsets are estimated; default the hour of the day. [umol m-2 s-1]
    regressors, flux_variation
        See `solve_offsets`; `regressors` takes the place of `light`.
    obukhov_length : array-like, broadcast to (t,)
        [m]
    storage_rate : array-like, shape (t,), optional
        Change of the mean concentration with time. [mmol m-3 h-1]
    friction_velocity_floor : float
        Blocks below it are refused. [m s-1]
    wake : array-like of bool, broadcast to (t,)
        Blocks whose flow comes through the mast.
    stability_limit : float
        Largest |z/L| of the upper sensor. [1]
    storage_limit : float
        Blocks are refused where storage exceeds this times the larger of the flux and its median size. [1]

    Returns
    -------
    GradientFlux

    Raises
    ------
    ShapeError, OutOfRangeError
        If arrays do not fit or a constant is impossible. Single bad blocks do not raise.

    Notes
    -----
    ``C_i = C0 + offset_i - F/(kappa u*) [ln(z_i - d) + stability]``; with more than two heights weighted
    least squares in each block. Storage acts at the logarithmic mean height, which is exact for a flux
    that changes linearly with height. Turbulent Schmidt number 1.
    """
    c = as_float("concentration", concentration)
    if c.ndim != 2 or c.shape[0] < 2:
        message = f"concentration {c.shape} needs shape (sensors, blocks) with two sensors or more."
        raise ShapeError(message)
    require_range("von_karman", von_karman, 0.3, 0.5, "")
    sensors, blocks = c.shape
    try:
        z = _rows(height, c.shape)
        z_sd = np.array(_rows(height_sd, c.shape))
        noise = _rows(noise_sd, c.shape)
        when = np.broadcast_to(as_float("time", time), (blocks,))
        ustar = np.broadcast_to(as_float("friction_velocity", friction_velocity), (blocks,))
        relative = np.broadcast_to(as_float("friction_velocity_random", friction_velocity_random), (blocks,))
        length = np.broadcast_to(as_float("obukhov_length", obukhov_length), (blocks,))
        chemistry = np.broadcast_to(as_float("chemistry_sd", chemistry_sd), (blocks,))
        slope_sd = np.broadcast_to(as_float("gain_sd", gain_sd), (sensors,))
        behind = np.broadcast_to(np.asarray(wake, dtype=bool), (blocks,))
        rate = np.broadcast_to(as_float("storage_rate", 0.0 if storage_rate is None else storage_rate), (blocks,))
    except ValueError as error:
        message = f"An argument does not fit {sensors} sensors and {blocks} blocks: {error}"
        raise ShapeError(message) from error
    x = offset_design(sensors=sensors, time=when) if design is None else as_float("design", design)
    prior, cov = as_float("prior_offset", prior_offset), as_float("prior_covariance", prior_covariance)
    if x.shape[1:] != c.shape or prior.shape != (x.shape[0],) or cov.shape != (x.shape[0],) * 2:
        message = f"design {x.shape}, prior_offset {prior.shape} and prior_covariance {cov.shape} do not fit."
        raise ShapeError(message)

    reason = np.zeros(blocks, dtype=np.int64)
    good = np.isfinite(c) & np.isfinite(z) & np.isfinite(noise)
    reason[good.sum(axis=0) < 2] |= Reason.EMPTY
    above = z - displacement
    reason[(good & ~(above > 0.0)).any(axis=0)] |= Reason.IMPOSSIBLE_HEIGHT
    good &= above > 0.0
    lowest = np.where(good, above, np.inf).min(axis=0)
    highest = np.where(good, above, -np.inf).max(axis=0)
    reason[(reason == 0) & ~(highest > lowest * (1.0 + 1e-9))] |= Reason.IMPOSSIBLE_HEIGHT
    reason[~np.isfinite(ustar)] |= Reason.BAD_INPUT
    reason[ustar < friction_velocity_floor] |= Reason.LOW_FRICTION
    reason[behind] |= Reason.WAKE
    with np.errstate(divide="ignore", invalid="ignore"):
        reason[np.abs(highest / length) > stability_limit] |= Reason.STRATIFIED
    reason[~np.isfinite(rate)] |= Reason.BAD_INPUT
    if storage_rate is None:
        reason |= Reason.NO_STORAGE

    usable = np.where((reason & int(~int(Reason.NO_STORAGE))) == 0, ustar, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        profile = np.log(np.where(good, above, np.nan)) + stability_term(height=above, obukhov_length=length)
        gain = -profile / (von_karman * usable * SECONDS_PER_HOUR)
    place = _places(z)
    ok = np.isfinite(usable)
    if use_swaps:
        b = (
            process_terms(time=when, friction_velocity=np.where(ok, ustar, np.nan), light=light)
            if regressors is None
            else as_float("regressors", regressors)
        )
        offsets = solve_offsets(
            concentration=c, gain=gain, place=place, time=when, noise_sd=noise, design=x, prior_value=prior,
            prior_covariance=cov, regressors=b, relative_gain_sd=relative, use=ok,
            flux_variation=flux_variation,
        )  # fmt: skip
    else:
        offsets = OffsetSolution(
            prior, cov, prior, cov, x, swapped=False, flux_sd=np.nan, flux_hours=np.nan, n=0, chi_square=np.nan
        )
    return _assembled(
        c, gain, profile, above, good, noise, x, offsets, place, z_sd, reason, ok, _Terms(
            relative=relative, systematic=friction_velocity_systematic,
            gain=_gain_error(c, x, offsets, slope_sd, gain_level),
            kappa=von_karman_sd / von_karman, by_kappa=friction_velocity_by_von_karman,
            by_displacement=friction_velocity_by_displacement, chemistry=chemistry, displacement_sd=displacement_sd,
            displacement=displacement, rate=rate, storage_limit=storage_limit,
            lowest=lowest, highest=highest, ustar=usable, von_karman=von_karman,
        ),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Terms:
    relative: FloatArray
    systematic: float
    gain: FloatArray
    kappa: float
    by_kappa: float
    by_displacement: float
    chemistry: FloatArray
    displacement: float
    displacement_sd: float
    rate: FloatArray
    storage_limit: float
    lowest: FloatArray
    highest: FloatArray
    ustar: FloatArray
    von_karman: float


def _gain_error(
    c: FloatArray, x: FloatArray, offsets: OffsetSolution, slope_sd: FloatArray, level: npt.ArrayLike | None
) -> FloatArray:
    """Return the error of each reading per unit of the standard score of its sensor's gain, shape (sensors, t)."""
    if not (slope_sd > 0.0).any():
        return np.zeros_like(c)
    seen = np.isfinite(c)
    mean = np.where(seen, c, 0.0).sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
    at = mean if level is None else np.broadcast_to(as_float("gain_level", level), mean.shape)
    error = np.where(seen, c - at[:, None], 0.0) * slope_sd[:, None]
    if not offsets.swapped:
        return error
    # Where swaps told the offsets, they also took up the mean of what the gain does over the record.
    return error - np.where(seen, (error.sum(axis=1) / np.maximum(seen.sum(axis=1), 1))[:, None], 0.0)


def _rows(given: npt.ArrayLike, shape: tuple[int, int]) -> FloatArray:
    array = np.asarray(given, dtype=np.float64)
    if array.ndim == 1 and array.shape[0] == shape[0]:
        array = array[:, None]
    return np.broadcast_to(array, shape)


def _places(z: FloatArray) -> npt.NDArray[np.int64]:
    """Return the number of the place for each height, rounded to the centimetre."""
    rounded = np.where(np.isfinite(z), np.rint(z * 100.0), -1.0)
    return np.asarray(np.unique(rounded, return_inverse=True)[1].reshape(z.shape), dtype=np.int64)


def _assembled(
    c: FloatArray,
    gain: FloatArray,
    profile: FloatArray,
    above: FloatArray,
    good: npt.NDArray[np.bool_],
    noise: FloatArray,
    x: FloatArray,
    offsets: OffsetSolution,
    place: npt.NDArray[np.int64],
    z_sd: FloatArray,
    reason: npt.NDArray[np.int64],
    ok: npt.NDArray[np.bool_],
    terms: _Terms,
) -> GradientFlux:
    seen = good & ok
    weight = np.where(seen, 1.0 / np.maximum(noise, 1e-12) ** 2, 0.0)
    total = np.where(ok, weight.sum(axis=0), np.nan)
    g = np.where(seen, gain, 0.0)
    corrected = np.where(seen, c, 0.0) - np.einsum("p,pst->st", offsets.value, x) * seen
    with np.errstate(divide="ignore", invalid="ignore"):
        arm = np.where(seen, g - (weight * g).sum(axis=0) / total, 0.0)
        alpha = weight * arm / (weight * arm * arm).sum(axis=0)
        turbulent = (alpha * corrected).sum(axis=0)
        log_mean = (terms.highest - terms.lowest) / np.log(terms.highest / terms.lowest) + terms.displacement
        storage = np.where(ok, log_mean * terms.rate, np.nan)
        typical = np.nanmedian(np.abs(turbulent)) if np.isfinite(turbulent).any() else 0.0
        size = np.maximum(np.abs(turbulent), typical)
        reason[np.abs(storage) > terms.storage_limit * np.where(size > 0.0, size, np.inf)] |= Reason.STORAGE
        per_metre = -1.0 / (np.where(seen, above, np.inf) * terms.von_karman * terms.ustar * SECONDS_PER_HOUR)
    flux = turbulent + storage
    move = -turbulent * alpha * np.where(seen, per_metre, 0.0)
    places = int(place.max()) + 1
    height_sensitivity = np.array([(move * z_sd * (place == k)).sum(axis=0) for k in range(places)])
    gain_sensitivity = alpha * np.where(seen, terms.gain, 0.0)
    sensitivity = -np.einsum("st,pst->pt", alpha, x * seen)
    offset_sd = np.sqrt(np.maximum(np.einsum("pt,pq,qt->t", sensitivity, offsets.covariance, sensitivity), 0.0))
    budget = {
        "noise": np.sqrt((alpha**2 * np.where(seen, noise, 0.0) ** 2).sum(axis=0)),
        "friction_velocity_random": np.abs(turbulent) * terms.relative,
        "offset": offset_sd,
        "friction_velocity": np.abs(turbulent) * terms.systematic,
        "height": root_sum_square(*height_sensitivity),
        "gain": root_sum_square(*gain_sensitivity),
        "displacement": np.abs(move.sum(axis=0)) * terms.displacement_sd + np.abs(turbulent) * terms.by_displacement,
        "von_karman": np.abs(turbulent) * (terms.kappa + terms.by_kappa),
        "chemistry": np.abs(turbulent) * terms.chemistry,
    }
    # The displacement moves all heights together: its sign goes with the flux, as `mean` expects.
    random = root_sum_square(*(budget[name] for name in _RANDOM))
    systematic = root_sum_square(*(part for name, part in budget.items() if name not in _RANDOM))
    with np.errstate(invalid="ignore"):
        reason[np.abs(flux) < 2.0 * random] |= Reason.WEAK
    reason[~np.isfinite(flux) & ~refused(reason)] |= Reason.BAD_INPUT
    out = refused(reason)
    rows = np.arange(c.shape[1])
    low, high = (
        np.where(good, above, np.inf).argmin(axis=0),
        np.where(good, above, -np.inf).argmax(axis=0),
    )
    difference = corrected[low, rows] - corrected[high, rows]
    spread = x[:, low, rows] - x[:, high, rows]
    difference_sd = np.sqrt(
        noise[low, rows] ** 2
        + noise[high, rows] ** 2
        + np.maximum(np.einsum("pt,pq,qt->t", spread, offsets.covariance, spread), 0.0)
    )

    def empty(values: FloatArray) -> FloatArray:
        return np.where(out, np.nan, values)

    return GradientFlux(
        flux=empty(flux),
        random_sd=empty(random),
        systematic_sd=empty(systematic),
        reason=reason,
        difference=np.where(ok, difference, np.nan),
        difference_sd=np.where(ok, difference_sd, np.nan),
        storage=empty(storage),
        budget={name: empty(part) for name, part in budget.items()},
        offsets=offsets,
        offset_sensitivity=np.where(out, np.nan, sensitivity),
        height_sensitivity=np.where(out, np.nan, height_sensitivity),
        gain_sensitivity=np.where(out, np.nan, gain_sensitivity),
    )
