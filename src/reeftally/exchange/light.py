"""Light response of a community: saturating production with dark respiration.

Here:     the curve, its fit with covariance, compensation and saturation irradiance.
Not here: day sums (`metabolism`); light measurement.
Rules:    respiration may follow the friction velocity; morning and afternoon can be fitted apart by
          passing their blocks alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.optimize

from reeftally._checks import FloatArray, as_float, one_of
from reeftally.errors import ShapeError

__all__ = ["LightResponse", "compensation_irradiance", "light_response", "response_curve"]

_SHAPES = ("tanh", "exponential", "hyperbola")


def response_curve(
    *,
    light: npt.ArrayLike,
    maximum: npt.ArrayLike,
    saturation: npt.ArrayLike,
    respiration: npt.ArrayLike,
    flow_ratio: npt.ArrayLike = 1.0,
    flow_exponent: npt.ArrayLike = 0.0,
    shape: str = "tanh",
) -> FloatArray:
    """Return net production at given light.

    Parameters
    ----------
    light, saturation : array-like
        [umol m-2 s-1] Saturation is maximum over initial slope.
    maximum, respiration : array-like
        Gross production at full light and respiration, both positive. [mmol m-2 h-1]
    flow_ratio : array-like
        Friction velocity over its reference. [1]
    flow_exponent : array-like
        Of respiration on `flow_ratio`. [1]
    shape : "tanh", "exponential" or "hyperbola"
        Jassby and Platt (1976); Webb et al. (1974); Michaelis and Menten.

    Returns
    -------
    float64 array
        [mmol m-2 h-1]
    """
    one_of("shape", shape, _SHAPES)
    x = as_float("light", light) / as_float("saturation", saturation)
    if shape == "tanh":
        gross = np.tanh(x)
    elif shape == "exponential":
        gross = 1.0 - np.exp(-x)
    else:
        gross = x / (1.0 + x)
    dark = as_float("respiration", respiration) * as_float("flow_ratio", flow_ratio) ** as_float(
        "flow_exponent", flow_exponent
    )
    return np.asarray(as_float("maximum", maximum) * gross - dark)


def compensation_irradiance(
    *, maximum: npt.ArrayLike, saturation: npt.ArrayLike, respiration: npt.ArrayLike
) -> FloatArray:
    """Return the light at which production equals respiration (tanh curve).

    Parameters
    ----------
    maximum, respiration : array-like
        [mmol m-2 h-1]
    saturation : array-like
        [umol m-2 s-1]

    Returns
    -------
    float64 array
        [umol m-2 s-1] NaN where respiration is never reached.
    """
    ratio = as_float("respiration", respiration) / as_float("maximum", maximum)
    with np.errstate(invalid="ignore"):
        return np.asarray(as_float("saturation", saturation) * np.arctanh(np.where(np.abs(ratio) < 1.0, ratio, np.nan)))


@dataclass(frozen=True, slots=True)
class LightResponse:
    """Fitted light response."""

    maximum: float
    """Gross production at full light. [mmol m-2 h-1]"""
    saturation: float
    """Maximum over initial slope. [umol m-2 s-1]"""
    respiration: float
    """At the reference friction velocity. [mmol m-2 h-1]"""
    flow_exponent: float
    """Of respiration on friction velocity; 0 if not fitted. [1]"""
    covariance: FloatArray
    """Of (maximum, saturation, respiration, flow_exponent), zero rows where not fitted."""
    flow_reference: float
    """[m s-1]"""
    shape: str
    """Form of the curve."""
    residual_sd: float
    """Scatter about the curve. [mmol m-2 h-1]"""
    n: int
    """Blocks used."""
    reason: str
    """Empty, or why there is no fit or which parameter is not resolved."""

    def predict(
        self, *, light: npt.ArrayLike, friction_velocity: npt.ArrayLike | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Return net production [mmol m-2 h-1] and its standard error from the fit at given light.

        Parameters
        ----------
        light : array-like
            [umol m-2 s-1]
        friction_velocity : array-like, optional
            [m s-1]
        """
        ratio = self._ratio(friction_velocity)
        theta = np.array([self.maximum, self.saturation, self.respiration, self.flow_exponent])
        grid = as_float("light", light)
        value = _curve(theta, grid, ratio, self.shape)
        jacobian = []
        for k in range(4):
            step = 1e-5 * max(abs(theta[k]), 1e-3)
            up, down = theta.copy(), theta.copy()
            up[k] += step
            down[k] -= step
            jacobian.append((_curve(up, grid, ratio, self.shape) - _curve(down, grid, ratio, self.shape)) / (2 * step))
        j = np.array(jacobian)
        return value, np.sqrt(np.maximum(np.einsum("k...,kl,l...->...", j, self.covariance, j), 0.0))

    def _ratio(self, friction_velocity: npt.ArrayLike | None) -> FloatArray:
        if friction_velocity is None:
            return np.asarray(1.0)
        return np.asarray(as_float("friction_velocity", friction_velocity) / self.flow_reference)


def _curve(theta: FloatArray, light: FloatArray, ratio: FloatArray, shape: str) -> FloatArray:
    return response_curve(
        light=light, maximum=theta[0], saturation=theta[1], respiration=theta[2], flow_ratio=ratio,
        flow_exponent=theta[3], shape=shape,
    )  # fmt: skip


def light_response(
    *,
    light: npt.ArrayLike,
    flux: npt.ArrayLike,
    flux_sd: npt.ArrayLike | None = None,
    friction_velocity: npt.ArrayLike | None = None,
    fit_flow_exponent: bool = False,
    flow_reference: float = 0.01,
    shape: str = "tanh",
    robust: bool = True,
    correlation_blocks: float = 1.0,
) -> LightResponse:
    """Return the light response fitted to block fluxes of oxygen (or of carbon, sign turned by the caller).

    Parameters
    ----------
    light, flux : array-like, shape (t,)
        [umol m-2 s-1, mmol m-2 h-1]; NaN left out.
    flux_sd : array-like, broadcast to (t,), optional
        Random uncertainty of each block, used as weight. [mmol m-2 h-1]
    friction_velocity : array-like, shape (t,), optional
        Needed for `fit_flow_exponent`. [m s-1]
    fit_flow_exponent : bool
        Let respiration follow a power of the friction velocity.
    flow_reference : float
        [m s-1]
    shape : "tanh", "exponential" or "hyperbola"
    robust : bool
        Soft loss, so that single bad blocks do not carry the curve.
    correlation_blocks : float
        Blocks over which residuals hang together; the covariance grows with it.

    Returns
    -------
    LightResponse
        With NaN parameters and a reason when there are too few blocks or too little light.

    Notes
    -----
    ``P = Pmax tanh(I/Ik) - R (u*/u*_ref)^p``: Jassby and Platt (1976), Limnol. Oceanogr. 21; flow
    dependence as an option. Covariance from the Jacobian and the scatter found;
    with the soft loss the sandwich of Huber (1967, from memory).
    """
    one_of("shape", shape, _SHAPES)
    x, y = as_float("light", light), as_float("flux", flux)
    if x.shape != y.shape or x.ndim != 1:
        message = f"light {x.shape} and flux {y.shape} need one shape (t,)."
        raise ShapeError(message)
    sd = np.broadcast_to(as_float("flux_sd", 1.0 if flux_sd is None else flux_sd), x.shape)
    ratio = np.ones_like(x)
    if friction_velocity is not None:
        ratio = np.broadcast_to(as_float("friction_velocity", friction_velocity) / flow_reference, x.shape)
    use = np.isfinite(x + y + sd + ratio) & (sd > 0.0) & (ratio > 0.0)
    x, y, sd, ratio = x[use], y[use], sd[use], ratio[use]
    flow = fit_flow_exponent and friction_velocity is not None and x.size > 8
    nothing = LightResponse(
        np.nan, np.nan, np.nan, np.nan, np.full((4, 4), np.nan), flow_reference, shape, np.nan, int(x.size), ""
    )
    bright = float(np.quantile(x, 0.95)) if x.size else 0.0
    if x.size < 8 or not bright > 0.0:
        return _without(nothing, "fewer than 8 blocks, or no light")
    dark = y[x < 0.02 * bright]
    respiration = max(-float(np.median(dark)) if dark.size else -float(y.min()), 0.01)
    size = max(float(np.quantile(y, 0.95)) + respiration, 0.1)
    start = np.array([size, 0.4 * bright, respiration, 0.2 if flow else 0.0])
    free = 4 if flow else 3
    scale = np.array([size, bright, max(respiration, 0.05 * size), 1.0])

    def misfit(theta: FloatArray) -> FloatArray:
        full = np.zeros(4)
        full[:free] = theta * scale[:free]
        return np.asarray((_curve(full, x, ratio, shape) - y) / sd)

    low = np.array([0.0, 1e-4, -5.0, -2.0])[:free]
    high = np.array([20.0, 20.0, 20.0, 3.0])[:free]
    level = 1.0
    fit = scipy.optimize.least_squares(
        misfit, np.clip(start / scale, [0, 1e-4, -5, -2], [20, 20, 20, 3])[:free], bounds=(low, high)
    )
    if robust:
        level = max(1.4826 * float(np.median(np.abs(fit.fun))), 1e-9)
        fit = scipy.optimize.least_squares(misfit, fit.x, bounds=(low, high), loss="soft_l1", f_scale=2.0 * level)
    theta = np.zeros(4)
    theta[:free] = fit.x * scale[:free]
    residual = fit.fun
    freedom = max(x.size - free, 1)
    covariance = np.zeros((4, 4))
    jacobian = _jacobian(misfit, fit.x)
    if robust:
        # Sandwich of Huber (1967): slope and square of the influence of each block under the soft loss.
        z = (residual / (2.0 * level)) ** 2
        bread = np.linalg.pinv((jacobian * ((1.0 + z) ** -1.5)[:, None]).T @ jacobian, hermitian=True)
        pull = jacobian * (residual / np.sqrt(1.0 + z))[:, None]
        inner = bread @ (pull.T @ pull) @ bread * x.size / freedom
    else:
        variance = max(float(residual @ residual) / freedom, 1.0 if flux_sd is not None else 0.0)
        inner = np.linalg.pinv(jacobian.T @ jacobian, hermitian=True) * variance
    covariance[:free, :free] = inner * np.outer(scale[:free], scale[:free]) * correlation_blocks
    scatter = float(np.sqrt(np.mean((residual * sd) ** 2) * x.size / freedom))
    reason = ""
    if not np.isfinite(theta[:3]).all():
        return _without(nothing, "the fit did not converge")
    if np.sqrt(covariance[1, 1]) > 0.5 * theta[1] or fit.x[1] > 0.99 * high[1] or theta[1] > 1.5 * x.max():
        reason = "saturation is not resolved: the light never reached it"
    return LightResponse(
        float(theta[0]), float(theta[1]), float(theta[2]), float(theta[3]), covariance, flow_reference, shape,
        scatter, int(x.size), reason,
    )  # fmt: skip


def _jacobian(misfit: Callable[[FloatArray], FloatArray], theta: FloatArray) -> FloatArray:
    """Return central differences of the weighted misfit, without the weights of the loss."""
    columns = []
    for k in range(theta.size):
        step = np.zeros(theta.size)
        step[k] = 1e-5 * max(abs(float(theta[k])), 1e-2)
        columns.append((misfit(theta + step) - misfit(theta - step)) / (2.0 * step[k]))
    return np.array(columns).T


def _without(nothing: LightResponse, reason: str) -> LightResponse:
    return LightResponse(
        nothing.maximum, nothing.saturation, nothing.respiration, nothing.flow_exponent, nothing.covariance,
        nothing.flow_reference, nothing.shape, nothing.residual_sd, nothing.n, reason,
    )  # fmt: skip
