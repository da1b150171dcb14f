"""Fitness for purpose: every sensor and day graded, and what a sensor's uncertainty costs in flux units.

Here:     grades for ambient use, gradient, covariance and point source; `flux_cost` and its sentence.
Not here: the uncertainty itself (`reeftally.calibration`), fluxes (`reeftally.exchange`).
Rules:    a grade is for one purpose: a sensor may serve the day's course of the water and not a gradient. Every grade
          below "fit" names what would mend it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from reeftally._checks import one_of, require_range
from reeftally.errors import InputError
from reeftally.seawater import carbonate

__all__ = ["PURPOSES", "FluxCost", "Grade", "SensorDay", "flux_cost", "grade_day"]

PURPOSES = ("ambient", "gradient", "covariance", "point source")

# A cost of more than a fifth of the flux asks for action, of a tenth for a look (common practice, no source).
_ACT, _LOOK = 0.20, 0.10
# Accuracy asked of the water's own state: 0.02 of pH for "weather" and 0.003 for "climate" goals (Newton et al. 2015,
# from memory); 2 % of oxygen near saturation (common practice, no source); others are not graded for accuracy.
_AMBIENT = {"ph_total": 0.02, "oxygen": 4.0, "oxygen_molar": 4.0, "temperature": 0.05, "salinity": 0.05, "fco2": 5.0}
# Clocks: 0.1 s relative for covariance, 10 s for gradients and point sources, 60 s for the day (common practice).
_CLOCK = {"ambient": 60.0, "gradient": 10.0, "covariance": 0.1, "point source": 10.0}
_SHARE = {"ambient": 0.5, "gradient": 0.5, "covariance": 0.8, "point source": 0.5}


@dataclass(frozen=True, slots=True, kw_only=True)
class FluxCost:
    """What an offset between two heights does to a flux."""

    flux: float
    """False flux, size only. [mmol m-2 h-1]"""
    of: str
    """`oxygen`, `dic` or the quantity itself."""
    per_unit: float
    """False flux per unit of the sensor's quantity. [mmol m-2 h-1 per unit]"""
    sentence: str


def flux_cost(
    *,
    quantity: str,
    offset: float,
    friction_velocity: float,
    lower_height: float,
    upper_height: float,
    von_karman: float = 0.41,
    density: float = 1022.0,
    ph: float = 8.02,
    total_alkalinity: float = 2308.0,
    temperature: float = 28.4,
    salinity: float = 35.1,
    dic_per_ph: float | None = None,
) -> FluxCost:
    """False flux that an uncorrected offset between two sensors makes in the gradient method.

    Parameters
    ----------
    quantity : {"oxygen", "dic", "total_alkalinity", "ph_total"}
        What the sensors measure; for pH the flux is that of DIC at constant alkalinity.
    offset : float
        Offset of one sensor against the other. [µmol kg-1 or pH]
    friction_velocity : float
        [m s-1]
    lower_height, upper_height : float
        Above the displacement plane. [m]
    von_karman : float
    density : float
        [kg m-3]
    ph, total_alkalinity, temperature, salinity : float
        State of the water, for pH only. [1], [µmol kg-1], [degC], [1]
    dic_per_ph : float, optional
        Change of DIC per unit of pH at constant alkalinity, size only; default from the state. [µmol kg-1]

    Raises
    ------
    OutOfRangeError, InputError
        For heights or velocities that cannot be.

    Notes
    -----
    F = kappa u* dC / ln(z2 / z1) with neutral stratification, the inverse of the law of the wall for a scalar.
    """
    one_of("quantity", quantity, ("oxygen", "dic", "total_alkalinity", "ph_total"))
    require_range("friction_velocity", friction_velocity, 0.0, 1.0, "m s-1")
    if not 0.0 < lower_height < upper_height:
        message = f"heights are {lower_height} and {upper_height} m; the lower one comes first, both above 0."
        raise InputError(message)
    velocity = von_karman * friction_velocity / float(np.log(upper_height / lower_height))
    # µmol kg-1 times kg m-3 times m s-1 is µmol m-2 s-1; 3600 s and 1000 µmol a mmol.
    per_unit = velocity * density * 3.6
    of = quantity
    if quantity == "ph_total":
        if dic_per_ph is None:
            low, high = (
                float(
                    carbonate.solve(
                        ph_total=ph + half,
                        total_alkalinity=total_alkalinity,
                        temperature=temperature,
                        salinity=salinity,
                        outputs=["dic"],
                    ).dic
                )
                for half in (-0.0005, 0.0005)
            )
            dic_per_ph = abs(high - low) / 0.001
        per_unit *= dic_per_ph
        of = "dic"
    flux = abs(offset) * per_unit
    unit = "" if quantity == "ph_total" else " µmol kg-1"
    name = {"ph_total": "pH", "oxygen": "oxygen", "dic": "DIC", "total_alkalinity": "alkalinity"}[quantity]
    false = {"dic": "DIC", "oxygen": "oxygen", "total_alkalinity": "alkalinity"}[of]
    sentence = (
        f"{'An' if name[0].lower() in 'aoe' else 'A'} {name} offset of {abs(offset):.3g}{unit} here is a false {false} "
        f"flux of {flux:.2g} mmol m-2 h-1 (u* {100 * friction_velocity:.2g} cm/s, {lower_height:.2f} to "
        f"{upper_height:.2f} m)."
    )
    return FluxCost(flux=flux, of=of, per_unit=per_unit, sentence=sentence)


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorDay:
    """What is known of one sensor on one day."""

    sensor: str
    day: str
    quantity: str
    good_share: float
    """Share of the expected samples that carry flag 1."""
    offset_sd: float
    """Standard uncertainty of its offset against the truth."""
    pair_offset_sd: float | None = None
    """Of its offset against its partner at the other height; None without a partner."""
    noise_sd: float = 0.0
    """Of one sample."""
    interval: float = 60.0
    """[s]"""
    response_time: float | None = None
    """63 %. [s]"""
    clock_sd: float = 1.0
    """[s]"""
    near_velocimeter: bool = False
    """Whether it samples beside a velocimeter."""
    flux_target: float | None = None
    """Size of the flux that matters. [mmol m-2 h-1]"""
    cost_per_unit: float | None = None
    """From `flux_cost`. [mmol m-2 h-1 per unit]"""
    plume: float | None = None
    """Smallest difference of a point source that matters, in the sensor's unit."""
    visit: float = 300.0
    """Length of a visit. [s]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Grade:
    """Grade of one sensor and day for one purpose."""

    sensor: str
    day: str
    purpose: str
    grade: str
    """`fit`, `limited`, `unfit` or `not for this` (it was never meant to)."""
    reasons: tuple[str, ...] = field(default=())
    """What keeps it from being fit, and what would mend it."""


def grade_day(day: SensorDay) -> tuple[Grade, ...]:
    """Grade one sensor and day for the four purposes.

    Returns
    -------
    tuple of Grade
        In the order of `PURPOSES`.

    Notes
    -----
    Limits are common practice: a gradient's cost above a fifth of the flux is unfit, above a tenth limited; a
    covariance sensor answers within 0.5 s (5 % of the flux lost before correction) and samples at 4 Hz; a visit lasts
    five response times; the day needs half its samples, covariance four fifths.
    """
    checks = {"ambient": _ambient, "gradient": _gradient, "covariance": _covariance, "point source": _point}
    out = []
    for purpose in PURPOSES:
        grade, reasons = checks[purpose](day)
        if grade != "not for this":
            common = []
            need, limit = _SHARE[purpose], _CLOCK[purpose]
            if day.good_share < need:
                text = f"only {day.good_share:.0%} of its samples are good; it needs {need:.0%}"
                common.append((2 if day.good_share < 0.5 * need else 1, text))
            if day.clock_sd > limit:
                text = f"its clock is known to {day.clock_sd:g} s; it needs {limit:g} s: compare it"
                common.append((2 if day.clock_sd > 3 * limit else 1, text))
            level = max([("fit", "limited", "unfit").index(grade), *[c for c, _ in common]])
            grade, reasons = ("fit", "limited", "unfit")[level], (*reasons, *[text for _, text in common])
        out.append(Grade(sensor=day.sensor, day=day.day, purpose=purpose, grade=grade, reasons=tuple(reasons)))
    return tuple(out)


def _ambient(day: SensorDay) -> tuple[str, tuple[str, ...]]:
    limit = _AMBIENT.get(day.quantity)
    if limit is None or day.offset_sd <= limit / 2.0:
        return "fit", ()
    text = f"its offset is known to {day.offset_sd:.3g} (1 sd); it needs {limit / 2:.3g}: bottles or a side by side"
    return ("limited" if day.offset_sd <= limit else "unfit"), (text,)


def _gradient(day: SensorDay) -> tuple[str, tuple[str, ...]]:
    if day.cost_per_unit is None or day.flux_target is None:
        return "not for this", ()
    sd = day.pair_offset_sd if day.pair_offset_sd is not None else day.offset_sd
    cost = sd * day.cost_per_unit
    share = cost / day.flux_target
    if share <= _LOOK:
        return "fit", ()
    text = (
        f"its offset to its partner is known to {sd:.2g}: {cost:.2g} mmol m-2 h-1, {share:.0%} of the flux: "
        "swap the two, pump one sensor, or set them side by side"
    )
    return ("limited" if share <= _ACT else "unfit"), (text,)


def _covariance(day: SensorDay) -> tuple[str, tuple[str, ...]]:
    if not day.near_velocimeter:
        return "not for this", ()
    reasons, level = [], 0
    if day.response_time is None:
        return "unfit", ("its response time is not known: find it from a step",)
    if day.response_time > 0.5:
        level = 1 if day.response_time <= 2.0 else 2
        reasons.append(f"its response of {day.response_time:g} s loses flux at high frequency; it needs 0.5 s")
    if day.interval > 0.25:
        level = max(level, 1 if day.interval <= 1.0 else 2)
        reasons.append(f"it samples every {day.interval:g} s; it needs 0.25 s")
    return ("fit", "limited", "unfit")[level], tuple(reasons)


def _point(day: SensorDay) -> tuple[str, tuple[str, ...]]:
    if day.plume is None:
        return "not for this", ()
    reasons, level = [], 0
    if day.response_time is None:
        level, reasons = 1, ["its response time is not known: find it from a step"]
    elif 5.0 * day.response_time > day.visit:
        level = 2 if 3.0 * day.response_time > day.visit else 1
        reasons.append(
            f"it needs {5 * day.response_time:.0f} s to settle and a visit lasts {day.visit:.0f} s: stay longer"
        )
    settled = max(day.visit - 5.0 * (day.response_time or 0.0), day.interval)
    mean_sd = day.noise_sd / np.sqrt(max(settled / day.interval, 1.0))
    if mean_sd > 0.1 * day.plume:
        level = max(level, 2 if mean_sd > 0.3 * day.plume else 1)
        reasons.append(f"the mean of a visit is good to {mean_sd:.2g}, the plume is {day.plume:.2g}: more visits")
    return ("fit", "limited", "unfit")[level], tuple(reasons)
