"""Plain forms of the gradient flux: trials as an axis, one profile, the ratio of two gradients.

Here:     the law of the wall for scalars with stratification, without offsets and budgets.
Not here: the full estimate with offsets, refusals and budget (`gradient`).
Rules:    heights above the bed, displacement apart; positive flux when the lower value is larger.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import scipy.stats

from reeftally._checks import FloatArray, as_float
from reeftally.errors import InputError, ShapeError
from reeftally.exchange._common import KAPPA, SECONDS_PER_HOUR

__all__ = ["eddy_diffusivity", "flux_ratio", "gradient_flux_trials", "profile_flux", "stability_term"]


def eddy_diffusivity(
    *, friction_velocity: npt.ArrayLike, height: npt.ArrayLike, von_karman: npt.ArrayLike = KAPPA
) -> FloatArray:
    """Return the neutral eddy diffusivity ``kappa u* z``.

    Parameters
    ----------
    friction_velocity, height, von_karman : array-like
        [m s-1], above the displacement plane [m], [1]

    Returns
    -------
    float64 array
        [m2 s-1]
    """
    scale = as_float("von_karman", von_karman) * as_float("friction_velocity", friction_velocity)
    return np.asarray(scale * as_float("height", height))


def stability_term(*, height: npt.ArrayLike, obukhov_length: npt.ArrayLike, beta: float = 5.0) -> FloatArray:
    """Return what is added to the logarithm of the profile of a scalar under stratification.

    Parameters
    ----------
    height : array-like
        Above the displacement plane. [m]
    obukhov_length : array-like
        Positive when stable; infinite when neutral. [m]
    beta : float
        Stable coefficient: 5 (Dyer 1974) or 4.7 (Businger et al. 1971). [1]

    Returns
    -------
    float64 array
        ``-psi``: beta z/L when stable; ``-2 ln((1 + sqrt(1 - 16 z/L))/2)`` when unstable. [1]

    Notes
    -----
    Dyer (1974), Boundary-Layer Meteorol. 7 (from memory).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = as_float("height", height) / as_float("obukhov_length", obukhov_length)
        unstable = -2.0 * np.log(0.5 * (1.0 + np.sqrt(np.maximum(1.0 - 16.0 * ratio, 0.0))))
    return np.asarray(np.where(ratio >= 0.0, beta * ratio, np.where(np.isnan(ratio), np.nan, unstable)))


def gradient_flux_trials(
    *,
    differences: npt.ArrayLike,
    friction_velocity: npt.ArrayLike,
    lower_height: npt.ArrayLike,
    upper_height: npt.ArrayLike,
    displacement: npt.ArrayLike = 0.0,
    von_karman: npt.ArrayLike = KAPPA,
    obukhov_length: npt.ArrayLike = np.inf,
    storage_rate: npt.ArrayLike = 0.0,
    stability_beta: float = 5.0,
) -> FloatArray:
    """Return gradient fluxes for many trials of two heights; plain broadcasting.

    Parameters
    ----------
    differences : array-like, shape (trial, t)
        Lower minus upper, offsets removed. [mmol m-3]
    friction_velocity : array-like, broadcast to it
        [m s-1]
    lower_height, upper_height, displacement : array-like, broadcast, for example (trial, 1)
        Above the bed. [m]
    von_karman : array-like, broadcast
        [1]
    obukhov_length : array-like, broadcast
        [m]
    storage_rate : array-like, broadcast
        [mmol m-3 h-1]
    stability_beta : float
        [1]

    Returns
    -------
    float64 array, shape (trial, t)
        ``kappa u* dC / (ln((z2-d)/(z1-d)) + beta (z2-z1)/L)`` and storage. [mmol m-2 h-1] NaN where the
        friction velocity is not positive, a height is not above the displacement, or they are equal.
    """
    low = as_float("lower_height", lower_height) - as_float("displacement", displacement)
    high = as_float("upper_height", upper_height) - as_float("displacement", displacement)
    ustar = as_float("friction_velocity", friction_velocity)
    with np.errstate(divide="ignore", invalid="ignore"):
        valid = (low > 0.0) & (high > low)
        log = np.log(np.where(valid, high / low, np.nan))
        term = log
        if np.isfinite(as_float("obukhov_length", obukhov_length)).any():
            term = log + (
                stability_term(height=high, obukhov_length=obukhov_length, beta=stability_beta)
                - stability_term(height=low, obukhov_length=obukhov_length, beta=stability_beta)
            )
        flux = as_float("von_karman", von_karman) * np.where(ustar > 0.0, ustar, np.nan)
        flux = flux * (SECONDS_PER_HOUR / term) * as_float("differences", differences)
        rate = as_float("storage_rate", storage_rate)
        if (rate != 0.0).any():
            flux = flux + ((high - low) / log + as_float("displacement", displacement)) * rate
    return np.asarray(flux)


def profile_flux(
    *,
    concentration: npt.ArrayLike,
    height: npt.ArrayLike,
    friction_velocity: float,
    displacement: float = 0.0,
    von_karman: float = KAPPA,
    level: float = 0.95,
) -> tuple[float, float]:
    """Return the flux of one profile of three or more heights and its half-width from the scatter.

    Parameters
    ----------
    concentration, height : array-like, shape (levels,)
        [mmol m-3, m]
    friction_velocity, displacement, von_karman : float
        [m s-1, m, 1]
    level : float
        Of the half-width. [1]

    Returns
    -------
    (flux, half_width)
        [mmol m-2 h-1] ``-kappa u* dC/d ln(z - d)`` by ordinary least squares, t with n - 2.

    Raises
    ------
    ShapeError, InputError
        With fewer than three levels, or heights not above the displacement.
    """
    c, z = as_float("concentration", concentration), as_float("height", height) - displacement
    if c.ndim != 1 or c.shape != z.shape or c.size < 3:
        message = f"concentration {c.shape} and height {z.shape} need one length of at least 3."
        raise ShapeError(message)
    if not (z > 0.0).all():
        message = "Every height must lie above the displacement height."
        raise InputError(message)
    fit = scipy.stats.linregress(np.log(z), c)
    scale = von_karman * friction_velocity * SECONDS_PER_HOUR
    return float(-fit.slope * scale), float(scipy.stats.t.ppf(0.5 + 0.5 * level, c.size - 2) * fit.stderr * scale)


def flux_ratio(
    *,
    numerator: npt.ArrayLike,
    denominator: npt.ArrayLike,
    numerator_sd: npt.ArrayLike,
    denominator_sd: npt.ArrayLike,
    numerator_offset_sd: float = 0.0,
    denominator_offset_sd: float = 0.0,
) -> Mapping[str, float]:
    """Return the ratio of two fluxes from the ratio of their gradients.

    Parameters
    ----------
    numerator, denominator : array-like, shape (t,)
        Differences lower minus upper of two species over the same heights. [mmol m-3 or any]
    numerator_sd, denominator_sd : array-like, broadcast to (t,)
        Their random uncertainties. [same]
    numerator_offset_sd, denominator_offset_sd : float
        Common uncertainty of the differences. [same]

    Returns
    -------
    mapping
        ``ratio``, ``random_sd``, ``systematic_sd``, ``n``. The friction velocity, heights and the von
        Karman constant cancel, so it stands also where no flux does.

    Notes
    -----
    Line through the origin with errors in both (maximum likelihood for known errors).
    """
    y, x = np.broadcast_arrays(as_float("numerator", numerator), as_float("denominator", denominator))
    y_sd = np.broadcast_to(as_float("numerator_sd", numerator_sd), y.shape)
    x_sd = np.broadcast_to(as_float("denominator_sd", denominator_sd), y.shape)
    use = np.isfinite(y) & np.isfinite(x) & (y_sd > 0.0) & (x_sd >= 0.0)
    y, x, y_sd, x_sd = y[use], x[use], y_sd[use], x_sd[use]
    nothing = {"ratio": np.nan, "random_sd": np.nan, "systematic_sd": np.nan, "n": float(y.size)}
    if y.size < 2 or not (x**2).sum() > 0.0:
        return nothing
    ratio = float((x * y / y_sd**2).sum() / (x**2 / y_sd**2).sum())
    for _ in range(200):
        variance = y_sd**2 + (ratio * x_sd) ** 2
        # Weighted estimate of the true denominator given both readings (York 1966, through the origin).
        true = (x * y_sd**2 + ratio * y * x_sd**2) / variance
        new = float((true * y / variance).sum() / (true * x / variance).sum())
        if abs(new - ratio) <= 1e-12 * max(abs(new), 1e-30):
            ratio = new
            break
        ratio = new
    variance = y_sd**2 + (ratio * x_sd) ** 2
    true = (x * y_sd**2 + ratio * y * x_sd**2) / variance
    power = float((true**2 / variance).sum())
    pull = float((true / variance).sum()) / power
    return {
        "ratio": ratio,
        "random_sd": power**-0.5,
        "systematic_sd": abs(pull) * float(np.hypot(numerator_offset_sd, ratio * denominator_offset_sd)),
        "n": float(y.size),
    }
