"""Fluxes from enclosed water and from profiles of a few millimetres.

Here:     incubations closed and flow-through, blanks, the slope window; the diffusive flux.
Not here: budgets of the open water (`budgets`).
Rules:    the slope window follows the stated rule, never the eye; blanks are subtracted with their error.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import scipy.stats

from reeftally._checks import FloatArray, as_float, one_of, require_range, require_same_length
from reeftally.errors import ShapeError
from reeftally.exchange._common import SECONDS_PER_HOUR, FluxEstimate, Reason, assembled
from reeftally.exchange.budgets import line_slope

__all__ = ["diffusive_flux", "incubation", "slope_window"]


def slope_window(
    *,
    time: npt.ArrayLike,
    concentration: npt.ArrayLike,
    mixing: float = 120.0,
    largest_change: float = np.inf,
    shortest: float = 600.0,
) -> tuple[int, int]:
    """Return the first and one-past-last reading of the slope window.

    Parameters
    ----------
    time, concentration : array-like, shape (t,)
        Since closing. [s, mmol m-3]
    mixing : float
        Left out after closing. [s]
    largest_change : float
        Largest change from the start that still counts. [mmol m-3]
    shortest : float
        [s]

    Returns
    -------
    (first, stop)
        Equal when no window exists.

    Notes
    -----
    Rule (common practice, no source): the longest window that begins after mixing, ends before the
    concentration has changed by `largest_change`, and in which a quadratic term is either not significant at
    99 % or bends the slope by less than a tenth between start and middle.
    """
    t, c = as_float("time", time), as_float("concentration", concentration)
    require_same_length(time=t, concentration=c)
    good = np.flatnonzero(np.isfinite(t) & np.isfinite(c))
    good = good[t[good] >= (t[good[0]] if good.size else 0.0) + mixing]
    if good.size < 4:
        return 0, 0
    first = int(good[0])
    level = float(np.median(c[good[: min(5, good.size)]]))
    # A running median over five readings, so that one bubble does not end the window.
    smooth = np.array([np.median(c[good[max(k - 2, 0) : k + 3]]) for k in range(good.size)])
    beyond = np.flatnonzero(np.abs(smooth - level) > largest_change)
    usable = good[: beyond[0]] if beyond.size else good
    for stop in _halving(usable.size):
        part = usable[:stop]
        if part.size < 4 or t[part[-1]] - t[part[0]] < shortest:
            break
        if _straight(t[part], c[part]):
            return first, int(part[-1]) + 1
    return 0, 0


def _halving(size: int) -> list[int]:
    """Return lengths from the whole downward in steps of a twentieth."""
    return sorted({round(size * k / 20.0) for k in range(1, 21)}, reverse=True)


def _straight(t: FloatArray, c: FloatArray) -> bool:
    arm = (t - t.mean()) / max(float(np.ptp(t)), 1e-9)
    if arm.size < 5:
        return True
    x = np.column_stack([np.ones_like(arm), arm, arm**2])
    answer, *_ = np.linalg.lstsq(x, c, rcond=None)
    residual = c - x @ answer
    variance = float(residual @ residual) / (arm.size - 3)
    error = np.sqrt(max(variance, 0.0) * np.linalg.inv(x.T @ x)[2, 2])
    significant = abs(answer[2]) > scipy.stats.t.ppf(0.995, arm.size - 3) * error
    # Slope at the start minus slope in the middle of c0 + c1 a + c2 a^2 is c2 (a from -1/2 to 0).
    return bool(not significant or abs(answer[2]) < 0.1 * abs(answer[1]))


def incubation(
    *,
    time: npt.ArrayLike,
    concentration: npt.ArrayLike,
    volume: float,
    area: float,
    mode: str = "closed",
    inflow_concentration: npt.ArrayLike = np.nan,
    flow: float = 0.0,
    leak_rate: float = 0.0,
    outside_concentration: float = np.nan,
    blank: npt.ArrayLike = 0.0,
    blank_sd: float | None = None,
    mixing: float = 120.0,
    largest_change: float = np.inf,
    shortest: float = 600.0,
    volume_sd: float = 0.0,
    area_sd: float = 0.0,
    flow_sd: float = 0.0,
    offset_sd: float = 0.0,
    leak_rate_sd: float = 0.0,
    gain_sd: float = 0.0,
) -> FluxEstimate:
    """Return the flux of an enclosed piece of bed.

    Parameters
    ----------
    time, concentration : array-like, shape (t,)
        Inside (closed) or in the outflow (flow-through). [s, mmol m-3]
    volume, area : float
        [m3, m2]
    mode : "closed" or "flow-through"
    inflow_concentration : array-like, broadcast to (t,)
        Flow-through only. [mmol m-3]
    flow : float
        Flow-through only. [m3 h-1]
    leak_rate, outside_concentration : float
        Exchange with outside, from a dye; closed only. [h-1, mmol m-3]
    blank : array-like
        Fluxes of blanks (water alone) in the same enclosure; their mean is subtracted. [mmol m-2 h-1]
    blank_sd : float, optional
        Of the mean blank; default from the scatter of `blank`. [mmol m-2 h-1]
    mixing, largest_change, shortest : float
        See `slope_window`. A change of oxygen above 20 to 30 % or of pH above 0.1 to 0.2 should end it.
    volume_sd, area_sd, flow_sd, offset_sd, leak_rate_sd, gain_sd : float
        Systematic; `offset_sd` is outflow against inflow. [m3, m2, m3 h-1, mmol m-3, h-1, 1]

    Returns
    -------
    FluxEstimate
        Scalar arrays; refused as empty when no window passes the rule.

    Notes
    -----
    Closed: ``F = V/A [dC/dt + k (C - C_out)]``. Flow-through:
    ``F = Q/A (C_out - C_in) + V/A dC_out/dt`` (mass balance).
    """
    t, c = as_float("time", time), as_float("concentration", concentration)
    n = require_same_length(time=t, concentration=c)
    one_of("mode", mode, ("closed", "flow-through"))
    require_range("volume", volume, 1e-9, 1e9, "m3")
    require_range("area", area, 1e-9, 1e9, "m2")
    inflow = np.broadcast_to(as_float("inflow_concentration", inflow_concentration), (n,))
    blanks = np.atleast_1d(as_float("blank", blank))
    blanks = blanks[np.isfinite(blanks)]
    bare = float(blanks.mean()) if blanks.size else 0.0
    bare_sd = blank_sd
    if bare_sd is None:
        bare_sd = float(blanks.std(ddof=1) / np.sqrt(blanks.size)) if blanks.size > 1 else 0.0
    depth = volume / area
    if mode == "closed":
        first, stop = slope_window(
            time=t, concentration=c, mixing=mixing, largest_change=largest_change, shortest=shortest
        )
        part = np.arange(first, stop)
        part = part[np.isfinite(t[part] + c[part])]
        if part.size < 4:
            return assembled(value=np.nan, random={}, systematic={}, reason=int(Reason.EMPTY), hours=np.nan, area=area)
        slope, error = line_slope(t[part] / SECONDS_PER_HOUR, c[part])
        contrast = float(c[part].mean()) - outside_concentration if leak_rate > 0.0 else 0.0
        leak = leak_rate * contrast
        gross = depth * (slope + leak)
        random = {"slope": depth * error, "blank": bare_sd}
        systematic = {
            "volume": gross * volume_sd / volume,
            "area": gross * area_sd / area,
            "leak": depth * leak_rate_sd * contrast,
            "gain": gross * gain_sd,
        }
    else:
        use = np.isfinite(t + c + inflow) & (t >= np.nanmin(t, initial=np.inf) + mixing)
        part = np.flatnonzero(use)
        if part.size < 4 or not flow > 0.0:
            reason = Reason.EMPTY if part.size < 4 else Reason.BAD_INPUT
            return assembled(value=np.nan, random={}, systematic={}, reason=int(reason), hours=np.nan, area=area)
        gain = c[part] - inflow[part]
        slope, slope_error = line_slope(t[part] / SECONDS_PER_HOUR, c[part])
        gross = flow / area * float(gain.mean()) + depth * slope
        scatter = float(gain.std(ddof=1)) / np.sqrt(_independent(gain))
        random = {"difference": flow / area * scatter, "slope": depth * slope_error, "blank": bare_sd}
        systematic = {
            "flow": gain.mean() / area * flow_sd,
            "area": gross * area_sd / area,
            "offset": flow / area * offset_sd,
            "volume": slope / area * volume_sd,
            "gain": gross * gain_sd,
        }
    return assembled(
        value=gross - bare,
        random=dict(random),
        systematic=dict(systematic),
        reason=0,
        hours=np.ptp(t[part]) / SECONDS_PER_HOUR,
        area=area,
        n=part.size,
        parts={"gross": gross, "blank": -bare},
    )


def _independent(values: FloatArray) -> float:
    """Return the number of readings that count as independent, from their lag-one correlation."""
    deviation = values - values.mean()
    power = float(deviation @ deviation)
    if values.size < 5 or power <= 0.0:
        return float(values.size)
    rho = min(max(float(deviation[1:] @ deviation[:-1]) / power, 0.0), 0.98)
    return max(values.size * (1.0 - rho) / (1.0 + rho), 2.0)


def diffusive_flux(
    *,
    height: npt.ArrayLike,
    concentration: npt.ArrayLike,
    diffusivity: float,
    layer: str = "water",
    porosity: float = 1.0,
    diffusivity_sd: float = 0.0,
    porosity_sd: float = 0.0,
) -> FluxEstimate:
    """Return the diffusive flux from microprofiles.

    Parameters
    ----------
    height : array-like, shape (n,) or (profiles, n)
        Above the interface, readings inside the linear part only. [m]
    concentration : array-like, same shape
        [mmol m-3]
    diffusivity : float
        In free water at the temperature. [m2 s-1]
    layer : "water" or "sediment"
        Diffusive boundary layer, or pore water just below the interface.
    porosity : float
        Of the sediment. [1]
    diffusivity_sd, porosity_sd : float
        Systematic. [m2 s-1, 1]

    Returns
    -------
    FluxEstimate
        One value a profile; area is a point, so it is not given.

    Notes
    -----
    Fick: ``F = -D dC/dz``; in sediment ``-phi D/(1 - ln phi^2) dC/dz`` (Boudreau 1996, from memory).
    """
    z, c = np.broadcast_arrays(as_float("height", height), as_float("concentration", concentration))
    one_of("layer", layer, ("water", "sediment"))
    require_range("porosity", porosity, 0.01, 1.0, "")
    require_range("diffusivity", diffusivity, 1e-12, 1e-6, "m2 s-1")
    if z.ndim not in {1, 2}:
        message = f"height {z.shape} needs shape (n,) or (profiles, n)."
        raise ShapeError(message)
    lead = z.shape[:-1]
    z, c = z.reshape(-1, z.shape[-1]), c.reshape(-1, z.shape[-1])

    def transport(phi: float) -> float:
        return 1.0 if layer == "water" else phi / (1.0 - 2.0 * np.log(phi))

    slope, error, n = np.full(len(z), np.nan), np.full(len(z), np.nan), np.zeros(len(z), dtype=np.int64)
    for k in range(len(z)):
        good = np.isfinite(z[k] + c[k])
        n[k] = good.sum()
        if n[k] >= 3 and np.ptp(z[k, good]) > 0.0:
            fit = scipy.stats.linregress(z[k, good], c[k, good])
            slope[k], error[k] = fit.slope, fit.stderr
    scale = diffusivity * transport(porosity) * SECONDS_PER_HOUR
    value = -scale * slope
    bend = (transport(min(porosity * 1.01, 1.0)) - transport(porosity * 0.99)) / (
        min(porosity * 1.01, 1.0) - porosity * 0.99
    )
    return assembled(
        value=value.reshape(lead),
        random={"slope": (scale * error).reshape(lead)},
        systematic={
            "diffusivity": (value * diffusivity_sd / diffusivity).reshape(lead),
            "porosity": (value * bend / transport(porosity) * porosity_sd).reshape(lead),
        },
        reason=np.where(n < 3, int(Reason.EMPTY), 0).reshape(lead),
        hours=0.0,
        n=n.reshape(lead),
    )
