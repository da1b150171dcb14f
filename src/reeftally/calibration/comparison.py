"""Pairs: statistics of two sensors side by side, a gain only where the range allows, bottles and what they differ by.

Here:     `pair_statistics`, `disagreement`, `fit_gain`, `mismatch_sd`.
Not here: the joint adjustment of all sensors (`side_by_side`), drift (`drift`).
Rules:    a gain is never fitted from too small a range; then only an offset is given and the reason is said.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_same_length
from reeftally.calibration._correlated import fit_correlated
from reeftally.errors import InputError
from reeftally.uncertainty import york_line

__all__ = [
    "LEAST_RANGE",
    "Disagreement",
    "GainFit",
    "PairStatistics",
    "disagreement",
    "fit_gain",
    "mismatch_sd",
    "pair_statistics",
]

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
class Disagreement:
    """Two answers of one sensor (two references, two channels) held against each other."""

    mean: float
    """Second minus first, over the whole record."""
    first_part: float
    last_part: float
    """Means over the first and the last sixth of the record."""
    per_day: float
    per_day_sd: float
    """Trend, and its standard uncertainty under correlated noise."""
    settling: bool
    """Whether it changes mostly at the start, as a sensor that is not conditioned does."""
    text: str
    """What to report: it is never averaged away."""


def disagreement(
    *, time: npt.ArrayLike, first: npt.ArrayLike, second: npt.ArrayLike, names: tuple[str, str], tolerance: float
) -> Disagreement:
    """Report how two answers of one sensor differ, with size and trend.

    Parameters
    ----------
    time : array-like, (n,)
        [s]
    first, second : array-like, (n,)
        The two answers.
    names : (str, str)
    tolerance : float
        Difference that is of no concern.

    Raises
    ------
    InputError
        With fewer than 24 pairs.
    """
    require_same_length(time=time, first=first, second=second)
    t = as_float("time", time)
    d = as_float("second", second) - as_float("first", first)
    good = np.isfinite(d) & np.isfinite(t)
    t, d = t[good], d[good]
    if d.size < 24:
        message = f"disagreement found {d.size} pairs; it needs 24."
        raise InputError(message)
    days = (t - t.mean()) / 86400.0
    fit = fit_correlated(
        design=np.stack([np.ones(d.size), days], axis=1), values=d, time=t, interval=float(np.median(np.diff(t)))
    )
    sixth = d.size // 6
    begin, end, middle = float(d[:sixth].mean()), float(d[-sixth:].mean()), float(d[2 * sixth : 3 * sixth].mean())
    settling = bool(abs(begin - middle) > 2.0 * abs(middle - end) and abs(begin - middle) > tolerance)
    agree = max(abs(float(d.mean())), abs(begin), abs(end)) <= tolerance
    text = (
        f"{names[1]} minus {names[0]} is {d.mean():+.4f} on average, {begin:+.4f} in the first sixth and {end:+.4f} in "
        f"the last, a trend of {fit.parameters[1]:+.4f} a day (standard uncertainty {fit.sd[1]:.4f}). "
    )
    text += (
        "They agree."
        if agree
        else "They disagree"
        + (", most of it at the start: the sensor was settling" if settling else "")
        + ". Bottles must tell which is right; do not average them."
    )
    return Disagreement(
        mean=float(d.mean()),
        first_part=begin,
        last_part=end,
        per_day=float(fit.parameters[1]),
        per_day_sd=float(fit.sd[1]),
        settling=settling,
        text=text,
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
