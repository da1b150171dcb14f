"""Pairs: statistics of two sensors side by side, a gain only where the range allows, bottles and what they differ by.

Here:     `pair_statistics`, `fit_gain`, `mismatch_sd`.
Not here: the joint adjustment of all sensors (`side_by_side`), drift (`drift`).
Rules:    a gain is never fitted from too small a range; then only an offset is given and the reason is said.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_same_length
from reeftally.errors import InputError
from reeftally.uncertainty import york_line

__all__ = ["LEAST_RANGE", "GainFit", "PairStatistics", "fit_gain", "mismatch_sd", "pair_statistics"]

# Ranges below which a gain cannot be told from an offset: 8 µmol/kg of oxygen, 0.02 of pH (common practice, no source).
LEAST_RANGE = {"oxygen": 8.0, "oxygen_molar": 8.0, "ph_total": 0.02}


@dataclass(frozen=True, slots=True, kw_only=True)
class PairStatistics:
    """Two sensors in one water."""

    bias: float
    """Mean of second minus first."""
    sd: float
    """Standard deviation of the differences (n - 1)."""
    rmsd: float
    lower: float
    upper: float
    """Limits of agreement, bias -+ 1.96 sd."""
    n: int


def pair_statistics(*, first: npt.ArrayLike, second: npt.ArrayLike) -> PairStatistics:
    """Bias, scatter and limits of agreement of two sensors (Bland and Altman 1986)."""
    require_same_length(first=first, second=second)
    d = as_float("second", second) - as_float("first", first)
    d = d[np.isfinite(d)]
    if d.size < 2:
        message = f"pair_statistics found {d.size} pairs; it needs 2."
        raise InputError(message)
    bias, sd = float(d.mean()), float(d.std(ddof=1))
    return PairStatistics(
        bias=bias,
        sd=sd,
        rmsd=float(np.sqrt(np.mean(d**2))),
        lower=bias - 1.96 * sd,
        upper=bias + 1.96 * sd,
        n=int(d.size),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class GainFit:
    """Sensor = centre + offset + gain * (reference - centre)."""

    gain: float
    """1 where it was not fitted."""
    gain_sd: float
    """NaN where it was not fitted: the prior of the caller holds."""
    offset: float
    """Sensor minus reference at the centre."""
    offset_sd: float
    centre: float
    """Weighted mean of the reference."""
    range: float
    fitted: bool
    message: str
    """What was done and why."""


def fit_gain(
    *,
    reference: npt.ArrayLike,
    values: npt.ArrayLike,
    reference_sd: npt.ArrayLike,
    values_sd: npt.ArrayLike,
    least_range: float,
) -> GainFit:
    """Offset of a sensor against a reference, and its gain where the range allows.

    Parameters
    ----------
    reference, values : array-like, (n,)
        Reference (bottles, best sensor) and sensor at the same instants.
    reference_sd, values_sd : array-like, broadcastable to (n,)
        Standard uncertainties of each.
    least_range : float
        Range of the reference from which a gain is fitted; `LEAST_RANGE` by quantity.

    Notes
    -----
    Line with errors in both axes (York et al. 2004). The offset is given at the weighted mean of the reference,
    where it does not depend on the gain.
    """
    n = require_same_length(reference=reference, values=values)
    x, y = as_float("reference", reference), as_float("values", values)
    x_sd = np.broadcast_to(as_float("reference_sd", reference_sd), (n,))
    y_sd = np.broadcast_to(as_float("values_sd", values_sd), (n,))
    good = np.isfinite(x) & np.isfinite(y)
    x, y, x_sd, y_sd = x[good], y[good], x_sd[good], y_sd[good]
    if x.size < 2:
        message = f"fit_gain found {x.size} pairs; it needs 2."
        raise InputError(message)
    weight = 1.0 / (x_sd**2 + y_sd**2)
    centre = float(weight @ x / weight.sum())
    offset, offset_sd = float(weight @ (y - x) / weight.sum()), float(1.0 / np.sqrt(weight.sum()))
    reach = float(np.ptp(x))
    if reach < least_range or x.size < 3:
        why = (
            f"the range is {reach:.3g}; a gain needs {least_range:.3g}"
            if reach < least_range
            else f"there are {x.size} pairs; a gain needs 3"
        )
        return GainFit(
            gain=1.0, gain_sd=float("nan"), offset=offset, offset_sd=offset_sd, centre=centre, range=reach,
            fitted=False, message=f"Gain not fitted: {why}. Offset {offset:+.4g} at {centre:.4g} only.",
        )  # fmt: skip
    line = york_line(x=x - centre, y=y - centre, x_sd=x_sd, y_sd=y_sd)
    return GainFit(
        gain=float(line.slope),
        gain_sd=float(line.slope_sd),
        offset=float(line.intercept),
        offset_sd=float(line.intercept_sd),
        centre=centre,
        range=reach,
        fitted=True,
        message=f"Gain {float(line.slope):.4f} fitted over a range of {reach:.3g}.",
    )


def mismatch_sd(
    *,
    sensor_sd: npt.ArrayLike,
    bottle_sd: npt.ArrayLike,
    vertical_gradient: npt.ArrayLike = 0.0,
    height_sd: npt.ArrayLike = 0.0,
    rate: npt.ArrayLike = 0.0,
    time_sd: npt.ArrayLike = 0.0,
    patch_sd: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Standard deviation expected between a bottle and the sensor beside it.

    Parameters
    ----------
    sensor_sd, bottle_sd : array-like
        Random standard uncertainties of the sensor's mean over the time of filling, and of the analysis.
    vertical_gradient : array-like
        Change with height at the time. [unit m-1]
    height_sd : array-like
        Uncertainty of the bottle's height above or below the sensor. [m]
    rate : array-like
        Change with time. [unit s-1]
    time_sd : array-like
        Uncertainty of the time of filling. [s]
    patch_sd : array-like
        Small-scale scatter of the water between the two places.

    Returns
    -------
    float array
        Root of the sum of squares: the parts are independent.
    """
    squares = (
        as_float("sensor_sd", sensor_sd) ** 2
        + as_float("bottle_sd", bottle_sd) ** 2
        + (as_float("vertical_gradient", vertical_gradient) * as_float("height_sd", height_sd)) ** 2
        + (as_float("rate", rate) * as_float("time_sd", time_sd)) ** 2
        + as_float("patch_sd", patch_sd) ** 2
    )
    return np.asarray(np.sqrt(squares))
