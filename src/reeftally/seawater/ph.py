"""pH: from ISFET voltages and dye absorbances, tris, and between scales and temperatures.

Here:     sensor and dye equations to total-scale pH, reference buffers, conversions of scale and temperature.
Not here: drift and bottle calibration (`calibration`), the carbonate system itself (carbonate.py).
Rules:    a pH never travels without its scale: where a function takes a pH of the caller's, the scale must be
          named. Results are on the total scale unless the name says otherwise.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, one_of
from reeftally.errors import InputError
from reeftally.seawater import carbonate
from reeftally.seawater._dye import (
    dye_ratio,
    dye_ratio_of,
    perturbation_line,
    spectrophotometric,
    unperturbed_ratio,
)
from reeftally.seawater._elementwise import Range, elementwise, reasons
from reeftally.seawater._isfet import (
    EXTERNAL_TEMPERATURE_SLOPE,
    INTERNAL_TEMPERATURE_SLOPE,
    IsfetCoefficients,
    IsfetPh,
    chloride_molality,
    hydrochloric_log_activity,
    isfet_external,
    isfet_external_potential,
    isfet_internal,
    isfet_internal_potential,
    isfet_total,
    nernst_slope,
)

__all__ = [
    "EXTERNAL_TEMPERATURE_SLOPE",
    "INTERNAL_TEMPERATURE_SLOPE",
    "SCALES",
    "IsfetCoefficients",
    "IsfetPh",
    "aminopyridine",
    "chloride_molality",
    "convert_scale",
    "convert_temperature",
    "dye_ratio",
    "dye_ratio_of",
    "hydrochloric_log_activity",
    "isfet_external",
    "isfet_external_potential",
    "isfet_internal",
    "isfet_internal_potential",
    "isfet_total",
    "nernst_slope",
    "perturbation_line",
    "reasons",
    "spectrophotometric",
    "tris",
    "unperturbed_ratio",
]

SCALES: Final = ("total", "free", "seawater", "nbs")
"""Scales of pH."""

_TEMPERATURE: Final[Range] = (-2.0, 45.0, "degC")
_SALINITY: Final[Range] = (0.5, 45.0, "")
_PRESSURE: Final[Range] = (-10.0, 11000.0, "dbar")
_PH: Final[Range] = (0.0, 14.0, "")
_STATE: Final = {"temperature": _TEMPERATURE, "salinity": _SALINITY, "pressure": _PRESSURE}


@elementwise({"temperature": (0.0, 45.0, "degC"), "salinity": (20.0, 40.0, "")})
def tris(*, temperature: npt.ArrayLike, salinity: npt.ArrayLike) -> FloatArray:
    """Total-scale pH of equimolal tris (0.04 mol per kg of water) in synthetic seawater.

    DelValls and Dickson 1998, Deep-Sea Res. I 45, 1541-1554, eq. 18 (from memory); 0 to 45 degC, 20 to 40. The table
    prints 8.0936 at 25 degC and 35 where the equation gives 8.09355. [1]
    """
    s = np.asarray(salinity)
    kelvin = np.asarray(temperature) + 273.15
    return np.asarray(
        (11911.08 - 18.2499 * s - 0.039336 * s * s) / kelvin
        - 366.27059
        + 0.53993607 * s
        + 0.00016329 * s * s
        + (64.52243 - 0.084041 * s) * np.log(kelvin)
        - 0.11149858 * kelvin
    )


@elementwise({"temperature": (5.0, 40.0, "degC"), "salinity": (30.0, 40.0, "")})
def aminopyridine(*, temperature: npt.ArrayLike, salinity: npt.ArrayLike) -> FloatArray:
    """Total-scale pH of equimolal 2-aminopyridine in synthetic seawater (Guide 2007, SOP 6a, from memory). [1]"""
    s = np.asarray(salinity)
    kelvin = np.asarray(temperature) + 273.15
    return np.asarray(
        (111.35 + 5.44875 * s) / kelvin
        + 41.6775
        - 0.015683 * s
        - 6.20815 * np.log(kelvin)
        - np.log10(1.0 - 0.00106 * s)
    )


def _declared(name: str, scale: str | None) -> str:
    if scale is None:
        message = f"{name} was not given; a pH means nothing without its scale. Name one of: {', '.join(SCALES)}."
        raise InputError(message)
    return one_of(name, scale, SCALES)


def convert_scale(
    *,
    ph: npt.ArrayLike,
    from_scale: str | None = None,
    to_scale: str | None = None,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    pressure: npt.ArrayLike = 0.0,
    constants: carbonate.Constants = carbonate.DEFAULT_CONSTANTS,
) -> FloatArray:
    """PH on another scale, at the same temperature and pressure.

    Parameters
    ----------
    ph : array-like
        pH. [1]
    from_scale, to_scale : {"total", "free", "seawater", "nbs"}
        Scale it is on and scale wanted; both required.
    temperature, salinity, pressure : array-like
        Temperature [degC], practical salinity [1], sea pressure [dbar] at which the pH holds.
    constants : Constants
        Sets that hold the bisulfate and fluoride constants.

    Returns
    -------
    float64 array
        pH on `to_scale`. [1]

    Raises
    ------
    InputError
        A scale is missing or unknown.

    Notes
    -----
    [H]total = [H]free (1 + ST/KS); [H]seawater = [H]free (1 + ST/KS + FT/KF), constants on the free scale at
    pressure (Guide 2007, ch. 2). "nbs" uses the apparent activity coefficient of Takahashi et al. 1982 (from
    memory); it depends on the electrode and is good to about 0.01 only.
    """
    start, end = _declared("from_scale", from_scale), _declared("to_scale", to_scale)
    return _convert_scale(
        ph=ph,
        temperature=temperature,
        salinity=salinity,
        pressure=pressure,
        start=start,
        end=end,
        constants=constants,
    )


@elementwise({"ph": _PH, **_STATE})
def _convert_scale(
    *,
    ph: npt.ArrayLike,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    pressure: npt.ArrayLike,
    start: str,
    end: str,
    constants: carbonate.Constants,
) -> FloatArray:
    shape = np.broadcast_shapes(np.shape(temperature), np.shape(salinity), np.shape(pressure))
    factors = carbonate.equilibrium_constants(
        temperature=temperature, salinity=salinity, pressure=pressure, constants=constants
    )
    # What to add to a total-scale pH to come to each scale.
    to_seawater = np.log10(factors["total_over_seawater"])
    above_total = {
        "total": np.zeros(shape),
        "free": np.log10(factors["total_over_free"]),
        "seawater": to_seawater,
    }
    if "nbs" in (start, end):
        # Apparent activity coefficient, Takahashi et al. 1982; the tests hold it to that of the carbonate system.
        kelvin, s = np.asarray(temperature) + 273.15, np.asarray(salinity)
        activity = 1.2948 - 0.002036 * kelvin + (0.0004607 - 0.000001475 * kelvin) * s * s
        above_total["nbs"] = to_seawater - np.log10(activity)
    if start == end:
        return np.asarray(ph + 0.0 * above_total[end], dtype=np.float64)
    return np.asarray(np.asarray(ph) - above_total[start] + above_total[end])


def convert_temperature(
    *,
    ph: npt.ArrayLike,
    scale: str | None = None,
    total_alkalinity: npt.ArrayLike,
    salinity: npt.ArrayLike,
    temperature_from: npt.ArrayLike,
    temperature_to: npt.ArrayLike,
    pressure_from: npt.ArrayLike = 0.0,
    pressure_to: npt.ArrayLike = 0.0,
    phosphate: npt.ArrayLike = 0.0,
    silicate: npt.ArrayLike = 0.0,
    constants: carbonate.Constants = carbonate.DEFAULT_CONSTANTS,
) -> FloatArray:
    """PH of the same water at another temperature and pressure, alkalinity and DIC kept.

    Parameters
    ----------
    ph : array-like
        pH at `temperature_from` and `pressure_from`. [1]
    scale : {"total", "free", "seawater", "nbs"}
        Its scale, required; the result is on the same one.
    total_alkalinity : array-like
        Total alkalinity. [µmol kg-1] An error of 100 changes a conversion over 3.4 degC by less
        than 0.0001.
    salinity : array-like
        Practical salinity. [1]
    temperature_from, temperature_to : array-like
        Temperatures. [degC]
    pressure_from, pressure_to : array-like, default 0
        Sea pressures. [dbar]
    phosphate, silicate : array-like, default 0
        Nutrients. [µmol kg-1]
    constants : Constants
        Published sets to use.

    Returns
    -------
    float64 array or DataArray
        pH at the new conditions. [1] NaN where the carbonate system has no solution.
    """
    name = f"ph_{_declared('scale', scale)}"
    given: dict[str, Any] = {name: ph}
    state = carbonate.solve(
        temperature=temperature_from,
        salinity=salinity,
        total_alkalinity=total_alkalinity,
        pressure=pressure_from,
        phosphate=phosphate,
        silicate=silicate,
        temperature_out=temperature_to,
        pressure_out=pressure_to,
        constants=constants,
        outputs=(name,),
        **given,
    )
    result: FloatArray = getattr(state, name)
    return result
