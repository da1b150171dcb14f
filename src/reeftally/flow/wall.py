"""The law of the wall: friction velocity and roughness from a profile; drag; stratification; diffusivity.

Here:     regression of speed on the logarithm of height, scan of the displacement, drag coefficient,
          Obukhov length and stability functions, eddy diffusivity.
Not here: stress and dissipation (`stress`, `inertial`); fluxes by gradient (`exchange`).
Rules:    heights in are above the bed, the displacement is taken off here; levels inside the canopy or
          too far from the bed do not enter; a profile that is no log profile has a reason and no value.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from reeftally._checks import FloatArray, as_float, one_of, require_range
from reeftally.errors import InputError, ShapeError

__all__ = [
    "LawOfTheWall",
    "displacement_scan",
    "drag_coefficient",
    "eddy_diffusivity",
    "law_of_the_wall",
    "log_fit_half_width",
    "obukhov_length",
    "stability_function",
]


def stability_function(
    *, stability: npt.ArrayLike, quantity: str = "momentum", beta: float = 5.0, gamma: float = 16.0
) -> FloatArray:
    """Monin-Obukhov phi: 1 + beta z/L when stable, (1 - gamma z/L)^(-1/4 or -1/2) when unstable.

    Parameters
    ----------
    stability : array-like
        z / L; 0 is neutral. [1]
    quantity : {"momentum", "scalar"}
        Exponent -1/4 or -1/2 on the unstable side.
    beta, gamma : float
        5 (Dyer 1974) or 4.7 (Businger et al. 1971); 15 to 16.

    Returns
    -------
    float64 array
        phi. [1]
    """
    one_of("quantity", quantity, ("momentum", "scalar"))
    x = as_float("stability", stability)
    power = -0.25 if quantity == "momentum" else -0.5
    return np.asarray(np.where(x >= 0.0, 1.0 + beta * x, (1.0 - gamma * np.minimum(x, 0.0)) ** power))


def obukhov_length(
    *,
    friction_velocity: npt.ArrayLike,
    density_flux: npt.ArrayLike,
    density: float = 1023.0,
    von_karman: float = 0.41,
    gravity: float = 9.81,
) -> FloatArray:
    """Obukhov length L = rho u*^3 / (kappa g <rho'w'>).

    Parameters
    ----------
    friction_velocity : array-like
        u*. [m s-1]
    density_flux : array-like
        <rho'w'>, positive when heavy water moves up: that damps turbulence (stable). [kg m-2 s-1]
    density, von_karman, gravity : float
        [kg m-3, 1, m s-2]

    Returns
    -------
    float64 array
        L, positive when stable; infinite without a density flux. [m]
    """
    flux = as_float("density_flux", density_flux)
    top = density * as_float("friction_velocity", friction_velocity) ** 3
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(flux == 0.0, np.inf, top / (von_karman * gravity * flux)))


def drag_coefficient(
    *,
    roughness: npt.ArrayLike,
    reference_height: npt.ArrayLike = 1.0,
    displacement: npt.ArrayLike = 0.0,
    von_karman: float = 0.41,
) -> FloatArray:
    """Drag coefficient (kappa / ln((z - d) / z0))^2 at a reference height. [1]

    Keep the reference height with the value: published ones differ mostly through it. NaN where the
    reference height lies at or below d + z0.
    """
    height = as_float("reference_height", reference_height) - as_float("displacement", displacement)
    ratio = height / as_float("roughness", roughness)
    return np.asarray((von_karman / np.log(np.where(ratio > 1.0, ratio, np.nan))) ** 2)


def eddy_diffusivity(
    *,
    friction_velocity: npt.ArrayLike,
    height: npt.ArrayLike,
    displacement: npt.ArrayLike = 0.0,
    inverse_obukhov: npt.ArrayLike = 0.0,
    von_karman: float = 0.41,
    schmidt_turbulent: float = 1.0,
    beta: float = 5.0,
) -> FloatArray:
    """Eddy diffusivity K = kappa u* (z - d) / (Sc_t phi). [m2 s-1]

    Parameters
    ----------
    friction_velocity : array-like
        [m s-1]
    height, displacement : array-like
        Above the bed. [m]
    inverse_obukhov : array-like
        1 / L, 0 in neutral water. [m-1]
    von_karman, schmidt_turbulent, beta : float
        Constants; the turbulent Schmidt number is 0.7 to 1 in the literature. [1]

    Returns
    -------
    float64 array
        NaN at or below the displacement plane.
    """
    z = as_float("height", height) - as_float("displacement", displacement)
    z = np.where(z > 0.0, z, np.nan)
    phi = stability_function(stability=z * as_float("inverse_obukhov", inverse_obukhov), quantity="scalar", beta=beta)
    return np.asarray(von_karman * as_float("friction_velocity", friction_velocity) * z / (schmidt_turbulent * phi))


def log_fit_half_width(*, r_squared: npt.ArrayLike, levels: int) -> FloatArray:
    """Relative 95 % half-width of u* from a log fit: t sqrt((1 - R2) / (R2 (n - 2))). [1]

    Gross and Nowell (1983), Wilkinson (1983), from memory. `levels` is n, 3 or more.
    """
    if levels < 3:
        message = f"levels is {levels}; a regression interval needs 3."
        raise InputError(message)
    r2 = as_float("r_squared", r_squared)
    t = float(stats.t.ppf(0.975, levels - 2))
    return np.asarray(t * np.sqrt((1.0 - r2) / (r2 * (levels - 2))))


@dataclass(frozen=True, slots=True, kw_only=True)
class LawOfTheWall:
    """Log-law fits, one a block (arrays of shape (...) of the speeds without the level axis)."""

    friction_velocity: FloatArray
    """u*; NaN where refused. [m s-1]"""
    random_sd: FloatArray
    """Standard error of u* from the regression (n - 2 degrees of freedom). [m s-1]"""
    systematic_sd: FloatArray
    """From the von Karman constant, the displacement and common height errors. [m s-1]"""
    lower: FloatArray
    """Lower end of the 95 % interval: Student's t on the random part, and the systematic one. [m s-1]"""
    upper: FloatArray
    """Upper end. [m s-1]"""
    roughness: FloatArray
    """z0, apparent roughness length. [m]"""
    log_roughness_sd: FloatArray
    """Standard error of ln z0; the error is a factor. [1]"""
    log_roughness_systematic_sd: FloatArray
    """Of ln z0, from the displacement and common height errors. [1]"""
    r_squared: FloatArray
    """Share of variance explained. [1]"""
    levels: npt.NDArray[np.int64]
    """Levels used."""
    drag: FloatArray
    """Drag coefficient at the reference height, from the fit. [1]"""
    reference_height: float
    """Height of that drag coefficient above the bed. [m]"""
    reason: npt.NDArray[np.str_]
    """Why a block has no value; empty where it has."""


def _regress(x: FloatArray, y: FloatArray, weight: FloatArray) -> tuple[FloatArray, ...]:
    """Weighted straight line along axis 0: slope, intercept, their standard errors, R2, covariance, count."""
    good = np.isfinite(y) & np.isfinite(x) & (weight > 0.0)
    wt = np.where(good, weight, 0.0)
    xx, yy = np.where(good, x, 0.0), np.where(good, y, 0.0)
    n = good.sum(axis=0)
    total = wt.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mx, my = (wt * xx).sum(axis=0) / total, (wt * yy).sum(axis=0) / total
        dx, dy = np.where(good, xx - mx, 0.0), np.where(good, yy - my, 0.0)
        sxx, sxy, syy = (wt * dx * dx).sum(axis=0), (wt * dx * dy).sum(axis=0), (wt * dy * dy).sum(axis=0)
        slope = sxy / sxx
        intercept = my - slope * mx
        left = np.maximum(syy - slope * sxy, 0.0)
        variance = np.where(n > 2, left / np.maximum(n - 2, 1), np.nan)
        slope_sd = np.sqrt(variance / sxx)
        intercept_sd = np.sqrt(variance * (1.0 / total + mx * mx / sxx))
        covariance = -variance * mx / sxx
        r2 = np.where(syy > 0.0, 1.0 - left / syy, np.nan)
    return slope, intercept, slope_sd, intercept_sd, r2, covariance, n


def law_of_the_wall(
    *,
    height: npt.ArrayLike,
    speed: npt.ArrayLike,
    displacement: float,
    displacement_sd: float = 0.0,
    height_sd: float = 0.0,
    speed_sd: npt.ArrayLike | None = None,
    canopy_height: float = 0.0,
    top: float | None = None,
    inverse_obukhov: npt.ArrayLike = 0.0,
    beta: float = 5.0,
    von_karman: float = 0.41,
    von_karman_sd: float = 0.0,
    reference_height: float = 1.0,
    fewest_levels: int = 4,
    least_r_squared: float = 0.9,
    widest: float = 0.6,
    slowest: float = 0.01,
) -> LawOfTheWall:
    """Friction velocity and roughness from mean speeds at several heights.

    Parameters
    ----------
    height : array-like, shape (levels,)
        Height above the bed. [m]
    speed : array-like, shape (levels,) or (levels, blocks)
        Mean speed along the mean flow; NaN where missing. [m s-1]
    displacement, displacement_sd : float
        Displacement height d and its standard uncertainty. [m]
    height_sd : float
        Standard uncertainty common to all heights. [m]
    speed_sd : array-like, broadcastable with `speed`, optional
        Standard error of each mean; weights the regression. [m s-1]
    canopy_height : float
        Levels below 1.5 times this are in the roughness sublayer and are left out. [m]
    top : float, optional
        Levels above this are left out (0.1 to 0.2 of the layer depth). [m]
    inverse_obukhov : array-like, shape () or (blocks,)
        1 / L; the regressor becomes ln(z - d) + beta (z - d) / L. [m-1]
    beta : float
        Stability coefficient. [1]
    von_karman, von_karman_sd : float
        Constant and its standard uncertainty. [1]
    reference_height : float
        Height of the drag coefficient. [m]
    fewest_levels, least_r_squared, widest, slowest : int, float
        Blocks are refused with fewer levels, a worse fit, a relative 95 % half-width of u* above
        `widest`, or a fastest level slower than `slowest` [m s-1].

    Returns
    -------
    LawOfTheWall
        Reasons: ``levels`` (too few), ``heights`` (cannot be), ``slack``, ``not_increasing``, ``not_logarithmic``,
        ``too_wide``.

    Notes
    -----
    U = (u*/kappa) [ln((z-d)/z0) + beta (z-d)/L]. Slope s, intercept c: u* = kappa s, z0 = exp(-c/s).
    The displacement is not fitted: with fewer than about eight levels d, u* and z0 cannot be told
    apart; see `displacement_scan`.
    """
    z = as_float("height", height)
    values = as_float("speed", speed)
    if z.ndim != 1 or values.ndim not in {1, 2} or values.shape[0] != z.size:
        message = f"height {z.shape} and speed {values.shape}; they need (levels,) and (levels, ...)."
        raise ShapeError(message)
    require_range("displacement_sd", displacement_sd, 0.0, 10.0, "m")
    flat = values.reshape(z.size, -1)
    weight = np.ones_like(flat)
    if speed_sd is not None:
        sd = as_float("speed_sd", speed_sd)
        sd = np.broadcast_to(sd[:, None] if sd.ndim == 1 else sd, flat.shape)
        weight = np.where(sd > 0.0, 1.0 / sd**2, 0.0)
    usable = (z > displacement) & (z >= 1.5 * canopy_height)
    if top is not None:
        usable &= z <= top
    weight = np.where(usable[:, None], weight, 0.0)
    inverse = np.broadcast_to(as_float("inverse_obukhov", inverse_obukhov), (flat.shape[1],))

    def regressor(d: float) -> FloatArray:
        above = np.where(usable & (z > d), z - d, np.nan)[:, None]
        return np.asarray(np.log(above) + beta * above * inverse)

    slope, intercept, slope_sd, intercept_sd, r2, covariance, n = _regress(regressor(displacement), flat, weight)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        ratio = intercept / slope
        log_sd = np.sqrt(
            np.maximum(intercept_sd**2 - 2.0 * ratio * covariance + (ratio * slope_sd) ** 2, 0.0)
        ) / np.abs(slope)
        roughness = np.exp(-ratio)
        shift = float(np.hypot(displacement_sd, height_sd))
        sensitivity, log_common = np.zeros_like(slope), np.zeros_like(slope)
        if shift > 0.0:
            step = min(0.5 * shift, 0.5 * float((z[usable] - displacement).min())) if usable.any() else 0.5 * shift
            up = _regress(regressor(displacement + step), flat, weight)
            down = _regress(regressor(displacement - step), flat, weight)
            sensitivity = (up[0] - down[0]) / (2.0 * step) * shift
            # A plane set too high bends the profile at its foot: slope and intercept both move, and ln z0 with them.
            log_common = np.abs(down[1] / down[0] - up[1] / up[0]) / (2.0 * step) * shift
        friction = von_karman * slope
        random = von_karman * slope_sd
        systematic = np.hypot(friction * von_karman_sd / von_karman, von_karman * sensitivity)
        t = np.where(n > 2, stats.t.ppf(0.975, np.maximum(n - 2, 1)), np.nan)
        half = np.hypot(t * random, 1.96 * systematic)
        relative = t * random / friction
    reason = np.full(flat.shape[1], "", dtype="U16")
    finite = np.isfinite(flat)
    fastest = np.where(finite.any(axis=0), np.where(finite, flat, -np.inf).max(axis=0), np.nan)
    possible = bool(np.isfinite(z).all() and (z > 0.0).all() and np.unique(z).size == z.size)
    rules = (
        ("too_wide", ~(relative <= widest)),
        ("not_logarithmic", ~(r2 >= least_r_squared)),
        ("not_increasing", ~(slope > 0.0)),
        ("slack", ~(fastest >= slowest)),
        ("levels", n < max(fewest_levels, 3)),
        ("heights", np.full(flat.shape[1], not possible)),
    )
    for code, rows in rules:
        reason[rows] = code
    kept = reason == ""
    shape = values.shape[1:]

    def masked(x: FloatArray) -> FloatArray:
        return np.where(kept, x, np.nan).reshape(shape)

    drag = drag_coefficient(
        roughness=masked(roughness), reference_height=reference_height, displacement=displacement,
        von_karman=von_karman,
    )  # fmt: skip
    return LawOfTheWall(
        friction_velocity=masked(friction), random_sd=masked(random), systematic_sd=masked(systematic),
        lower=masked(friction - half), upper=masked(friction + half), roughness=masked(roughness),
        log_roughness_sd=masked(log_sd), log_roughness_systematic_sd=masked(log_common),
        r_squared=np.asarray(r2).reshape(shape),
        levels=n.astype(np.int64).reshape(shape), drag=drag, reference_height=reference_height,
        reason=reason.reshape(shape),
    )  # fmt: skip


def displacement_scan(
    *, height: npt.ArrayLike, speed: npt.ArrayLike, displacements: npt.ArrayLike, von_karman: float = 0.41
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Refit one profile for several displacement heights, to show how much hangs on it.

    Parameters
    ----------
    height, speed : array-like, shape (levels,)
        Above the bed; mean speed. [m, m s-1]
    displacements : array-like, shape (k,)
        Displacement heights to try. [m]
    von_karman : float
        [1]

    Returns
    -------
    tuple
        u*, z0 and R2 for each displacement, shape (k,); NaN where fewer than three levels are left.
    """
    trials = as_float("displacements", displacements).ravel()
    rows = [
        law_of_the_wall(
            height=height, speed=speed, displacement=float(d), von_karman=von_karman, fewest_levels=3,
            least_r_squared=0.0, widest=np.inf, slowest=0.0,
        )
        for d in trials
    ]  # fmt: skip
    return (
        np.array([float(row.friction_velocity) for row in rows]),
        np.array([float(row.roughness) for row in rows]),
        np.array([float(row.r_squared) for row in rows]),
    )
