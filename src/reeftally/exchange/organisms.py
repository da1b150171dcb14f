"""Single organisms as point sources.

Here:     pumping from a dye front or from the jet, round-jet decay, exchange of one individual.
Not here: finding visits in a record (`visits`); all organisms of a community (`scaling`).
Rules:    the profile ratio is a systematic term and never without its uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, one_of, require_range
from reeftally.errors import InputError
from reeftally.exchange._common import root_sum_square

__all__ = [
    "PointSource",
    "Pumping",
    "jet_decay",
    "point_source",
    "power_profile_ratio",
    "profile_ratio",
    "pumping_rate",
]

_RATIO_LOG_RE = (2.0, 3.15, 4.0, 5.0)
_RATIO = (0.50, 0.65, 0.82, 0.85)
_RATIO_SD = 0.06


def power_profile_ratio(*, exponent: npt.ArrayLike) -> FloatArray:
    """Return mean over centreline velocity of the 1/n power profile in a round opening.

    Parameters
    ----------
    exponent : array-like
        n, for example 7. [1]

    Returns
    -------
    float64 array
        ``2 n^2/((n + 1)(2 n + 1))``. [1]
    """
    n = as_float("exponent", exponent)
    return np.asarray(2.0 * n**2 / ((n + 1.0) * (2.0 * n + 1.0)))


def profile_ratio(*, reynolds: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return mean over centreline velocity of an excurrent opening, and its standard uncertainty.

    Parameters
    ----------
    reynolds : array-like
        Mean velocity times diameter over viscosity. [1]

    Returns
    -------
    (ratio, sd)
        From the parabola (0.5) at 100 and below, over 0.65 near 1,400 and 0.82 at 10,000, to 0.85 at
        100,000, linear in the logarithm. Between the two ends only the trend is known, hence the 0.06
        (common practice, no source).
    """
    log = np.log10(np.maximum(as_float("reynolds", reynolds), 1.0))
    ratio = np.interp(log, _RATIO_LOG_RE, _RATIO)
    return np.where(np.isnan(log), np.nan, ratio), np.full(np.shape(log), _RATIO_SD)


@dataclass(frozen=True, slots=True)
class Pumping:
    """Pumping rates; arrays broadcast from the input."""

    rate: FloatArray
    """[L s-1]"""
    random_sd: FloatArray
    """Speed and diameter of this measurement. [L s-1]"""
    systematic_sd: FloatArray
    """Profile ratio and speed scale, common to all individuals. [L s-1]"""
    mean_velocity: FloatArray
    """Over the area of the opening. [m s-1]"""
    reynolds: FloatArray
    """[1]"""
    ratio: FloatArray
    """Mean over measured velocity. [1]"""
    ratio_sd: FloatArray
    """[1]"""


def pumping_rate(
    *,
    speed: npt.ArrayLike,
    diameter: npt.ArrayLike,
    method: str = "jet",
    speed_sd: npt.ArrayLike = 0.0,
    diameter_sd: npt.ArrayLike = 0.0,
    speed_relative_systematic: float = 0.0,
    ratio: npt.ArrayLike | None = None,
    ratio_sd: npt.ArrayLike | None = None,
    viscosity: float = 0.9e-6,
    distance: npt.ArrayLike = 0.0,
) -> Pumping:
    """Return ``Q = ratio x U x A`` of a round opening.

    Parameters
    ----------
    speed, speed_sd : array-like
        Of the dye front or at the centre of the jet. [m s-1]
    diameter, diameter_sd : array-like
        Of the opening. [m]
    method : "dye", "jet" or "mean"
        The front of a dye travels with the fastest water and a velocimeter in the jet sees the centre, so
        the ratio applies to both; "mean" is a velocity already averaged over the area.
    speed_relative_systematic : float
        Scale of the film or the velocimeter. [1]
    ratio, ratio_sd : array-like, optional
        Mean over centreline; default `profile_ratio` at the resulting Reynolds number. [1]
    viscosity : float
        Kinematic; 0.9e-6 for 28 degrees C and salinity 35 (from memory). [m2 s-1]
    distance : array-like
        Of the velocimeter volume above the opening; beyond the core the centreline speed is brought back
        with `jet_decay`. [m]

    Returns
    -------
    Pumping
        NaN where speed is negative or the diameter not positive.

    Raises
    ------
    InputError
        If a ratio is given without its uncertainty.
    """
    one_of("method", method, ("dye", "jet", "mean"))
    require_range("viscosity", viscosity, 1e-7, 1e-5, "m2 s-1")
    u, d = np.broadcast_arrays(as_float("speed", speed), as_float("diameter", diameter))
    u = np.where(u >= 0.0, u, np.nan)
    d = np.where(d > 0.0, d, np.nan)
    if ratio is not None and ratio_sd is None:
        message = "ratio is given without ratio_sd; it is the largest systematic term and needs one."
        raise InputError(message)
    with np.errstate(divide="ignore", invalid="ignore"):
        if method == "jet":
            u = u / jet_decay(distance=distance, diameter=d)[0]
        if method == "mean":
            share, share_sd = np.ones_like(u), np.zeros_like(u)
        elif ratio is not None and ratio_sd is not None:
            share = np.broadcast_to(as_float("ratio", ratio), u.shape)
            share_sd = np.broadcast_to(as_float("ratio_sd", ratio_sd), u.shape)
        else:
            share, share_sd = profile_ratio(reynolds=0.7 * u * d / viscosity)
            # The number is defined with the mean velocity, which the ratio itself gives: two more rounds.
            for _ in range(2):
                share, share_sd = profile_ratio(reynolds=share * u * d / viscosity)
        mean = share * u
        rate = mean * 0.25 * np.pi * d**2 * 1000.0
        random = rate * root_sum_square(
            np.nan_to_num(as_float("speed_sd", speed_sd) / u), 2.0 * as_float("sd", diameter_sd) / d
        )
        systematic = rate * root_sum_square(share_sd / share, speed_relative_systematic)
    return Pumping(rate, random, systematic, mean, mean * d / viscosity, share, share_sd)


def jet_decay(
    *,
    distance: npt.ArrayLike,
    diameter: npt.ArrayLike,
    virtual_origin: npt.ArrayLike = 0.0,
    decay: float = 6.0,
    ambient_ratio: npt.ArrayLike = 0.0,
) -> tuple[FloatArray, FloatArray]:
    """Return centreline velocity over its value at the opening, and volume flux over its value there.

    Parameters
    ----------
    distance, diameter, virtual_origin : array-like
        Along the axis. [m]
    decay : float
        5.8 to 6.1 for a turbulent round jet; falls towards 1.35 at low Reynolds numbers. [1]
    ambient_ratio : array-like
        Ambient over jet velocity: where the jet has slowed to the ambient current the formula stops. [1]

    Returns
    -------
    (velocity_ratio, flux_ratio)
        [1] NaN beyond the point where the current takes over.

    Notes
    -----
    Pope (2000) ch. 5; Ricou and Spalding (1961), J. Fluid Mech. 11: flux 0.32 x/D (from memory).
    """
    x, d = as_float("distance", distance), as_float("diameter", diameter)
    with np.errstate(divide="ignore", invalid="ignore"):
        away = (x - as_float("virtual_origin", virtual_origin)) / d
        velocity = np.where(away > 0.0, np.minimum(decay / away, 1.0), 1.0)
        flux = np.maximum(0.32 * x / d, 1.0)
    taken = velocity < as_float("ambient_ratio", ambient_ratio)
    velocity = np.where(np.isnan(away) | taken, np.nan, velocity)
    return np.asarray(velocity), np.where(np.isnan(velocity), np.nan, flux)


@dataclass(frozen=True, slots=True)
class PointSource:
    """Exchange of individuals; arrays broadcast from the input."""

    release: FloatArray
    """Into the water; oxygen uptake is negative. [mmol h-1]"""
    random_sd: FloatArray
    """[mmol h-1]"""
    systematic_sd: FloatArray
    """[mmol h-1]"""
    per_osculum_area: FloatArray
    """[mmol h-1 per m2 of opening]"""
    per_volume: FloatArray
    """[mmol h-1 per L of tissue] NaN without a volume."""
    per_pumped_litre: FloatArray
    """[mmol L-1]"""


def point_source(
    *,
    pumping: npt.ArrayLike,
    difference: npt.ArrayLike,
    diameter: npt.ArrayLike,
    pumping_random_sd: npt.ArrayLike = 0.0,
    pumping_systematic_sd: npt.ArrayLike = 0.0,
    difference_random_sd: npt.ArrayLike = 0.0,
    difference_systematic_sd: npt.ArrayLike = 0.0,
    blank: npt.ArrayLike = 0.0,
    blank_sd: npt.ArrayLike | None = None,
    tissue_volume: npt.ArrayLike = np.nan,
) -> PointSource:
    """Return what one organism takes up or releases: pumping times excurrent minus ambient.

    Parameters
    ----------
    pumping, pumping_random_sd, pumping_systematic_sd : array-like
        [L s-1]
    difference, difference_random_sd, difference_systematic_sd : array-like
        Excurrent minus ambient; 1 umol kg-1 is about 1.023 mmol m-3. [mmol m-3]
    diameter : array-like
        Of the opening. [m]
    blank, blank_sd : array-like, optional
        Differences seen at rock or dead organisms; their mean is subtracted, with the standard error of
        the mean unless `blank_sd` is given. [mmol m-3]
    tissue_volume : array-like
        [L]

    Returns
    -------
    PointSource

    Notes
    -----
    In-Ex method of Yahel et al. (2005), Limnol. Oceanogr. Methods 3.
    """
    q, dc, d, tissue = np.broadcast_arrays(
        as_float("pumping", pumping),
        as_float("difference", difference),
        as_float("diameter", diameter),
        as_float("tissue_volume", tissue_volume),
    )
    bare = np.atleast_1d(as_float("blank", blank))
    bare = bare[np.isfinite(bare)]
    level = float(bare.mean()) if bare.size else 0.0
    spread = float(bare.std(ddof=1) / np.sqrt(bare.size)) if bare.size > 1 else 0.0
    level_sd = as_float("blank_sd", spread if blank_sd is None else blank_sd)
    net = dc - level
    q_random, q_common = as_float("sd", pumping_random_sd), as_float("sd", pumping_systematic_sd)
    dc_random, dc_common = as_float("sd", difference_random_sd), as_float("sd", difference_systematic_sd)
    # L s-1 times mmol m-3 is umol s-1; 3.6 makes it mmol h-1.
    rate = 3.6 * q * net
    random = 3.6 * root_sum_square(net * q_random, q * dc_random)
    systematic = 3.6 * root_sum_square(net * q_common, q * dc_common, q * level_sd)
    with np.errstate(divide="ignore", invalid="ignore"):
        return PointSource(
            release=np.asarray(rate),
            random_sd=random,
            systematic_sd=systematic,
            per_osculum_area=rate / (0.25 * np.pi * d**2),
            per_volume=rate / tissue,
            per_pumped_litre=net * 1e-3,
        )
