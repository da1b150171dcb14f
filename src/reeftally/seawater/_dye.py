"""pH from the absorbances of m-cresol purple.

Here:     what `ph` offers about the dye; import it from there.
Not here: other sensors (_isfet.py).
Rules:    absorbance ratios are 578 nm over 434 nm; the pH is that of the cell, at its temperature.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, one_of
from reeftally.errors import InputError
from reeftally.seawater._elementwise import Range, elementwise
from reeftally.uncertainty import Line, least_squares_line

__all__ = ["dye_ratio", "dye_ratio_of", "perturbation_line", "spectrophotometric", "unperturbed_ratio"]

_PH: Final[Range] = (0.0, 14.0, "")
_RATIO: Final[Range] = (0.0, 20.0, "")
# Liu et al. 2011: 278.15-308.15 K and 20-40; Clayton and Byrne 1993: 293-303 K and 30-37.
_DYE_RANGES: Final = {
    "liu2011": {"ratio": _RATIO, "temperature": (5.0, 35.0, "degC"), "salinity": (20.0, 40.0, "")},
    "clayton1993": {"ratio": _RATIO, "temperature": (19.85, 29.85, "degC"), "salinity": (30.0, 37.0, "")},
}


def spectrophotometric(
    *,
    ratio: npt.ArrayLike,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    method: str = "liu2011",
    tris_correction: bool = False,
) -> FloatArray:
    """Total-scale pH from the absorbance ratio of m-cresol purple, at the temperature of the cell.

    Parameters
    ----------
    ratio : array-like
        Absorbance at 578 nm over that at 434 nm, baseline taken off (`dye_ratio`), dye perturbation
        taken out (`unperturbed_ratio`). [1]
    temperature, salinity : array-like
        Temperature of the cell [degC] and practical salinity [1].
    method : {"liu2011", "clayton1993"}, default "liu2011"
        Purified dye, 5 to 35 degC and 20 to 40; or the older constants, 20 to 30 degC and 30 to 37.
    tris_correction : bool, default False
        Add 0.0047 to "clayton1993" (DelValls and Dickson 1998, from memory).

    Returns
    -------
    float64 array
        pH, total scale. [1] NaN where the ratio is beyond what the dye can show. At a ratio of 1, 25 degC and 35
        the two methods lie 0.012 apart, more than either states.

    References
    ----------
    Liu, Patsavas and Byrne 2011, Environ. Sci. Technol. 45, 4862-4868, abstract; Clayton and Byrne 1993,
    Deep-Sea Res. I 40, 2115-2129, abstract, constant 3.8275 from memory.
    """
    one_of("method", method, tuple(_DYE_RANGES))
    if method == "liu2011":
        if tris_correction:
            message = "tris_correction belongs to method 'clayton1993'; the other is on tris already."
            raise InputError(message)
        return _liu2011(ratio=ratio, temperature=temperature, salinity=salinity)
    older = _clayton1993(ratio=ratio, temperature=temperature, salinity=salinity)
    return older + 0.0047 if tris_correction else older


@elementwise(_DYE_RANGES["liu2011"])
def _liu2011(*, ratio: npt.ArrayLike, temperature: npt.ArrayLike, salinity: npt.ArrayLike) -> FloatArray:
    r, s = np.asarray(ratio), np.asarray(salinity)
    kelvin = np.asarray(temperature) + 273.15
    log_k2e2, e1, e3_e2 = _liu_constants(kelvin, s)
    return np.asarray(log_k2e2 + np.log10((r - e1) / (1.0 - r * e3_e2)))


def _liu_constants(kelvin: FloatArray, s: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    a = -246.64209 + 0.315971 * s + 2.8855e-4 * s * s
    b = 7229.23864 - 7.098137 * s - 0.057034 * s * s
    c = 44.493382 - 0.052711 * s
    log_k2e2 = a + b / kelvin + c * np.log(kelvin) - 0.0781344 * kelvin
    e1 = -0.007762 + 4.5174e-5 * kelvin
    e3_e2 = -0.020813 + 2.60262e-4 * kelvin + 1.0436e-4 * (s - 35.0)
    return np.asarray(log_k2e2), np.asarray(e1), np.asarray(e3_e2)


@elementwise(_DYE_RANGES["clayton1993"])
def _clayton1993(*, ratio: npt.ArrayLike, temperature: npt.ArrayLike, salinity: npt.ArrayLike) -> FloatArray:
    r, s = np.asarray(ratio), np.asarray(salinity)
    kelvin = np.asarray(temperature) + 273.15
    pk = 1245.69 / kelvin + 3.8275 + 0.00211 * (35.0 - s)
    return np.asarray(pk + np.log10((r - 0.0069) / (2.2220 - 0.1330 * r)))


@elementwise(
    {
        "ph_total": _PH,
        "temperature": _DYE_RANGES["liu2011"]["temperature"],
        "salinity": _DYE_RANGES["liu2011"]["salinity"],
    }
)
def dye_ratio_of(*, ph_total: npt.ArrayLike, temperature: npt.ArrayLike, salinity: npt.ArrayLike) -> FloatArray:
    """Absorbance ratio that purified m-cresol purple shows at a pH: the inverse of "liu2011". [1]"""
    kelvin = np.asarray(temperature) + 273.15
    log_k2e2, e1, e3_e2 = _liu_constants(kelvin, np.asarray(salinity))
    q = 10.0 ** (np.asarray(ph_total) - log_k2e2)
    return np.asarray((q + e1) / (1.0 + q * e3_e2))


_ABSORBANCE: Final[Range] = (-1.0, 10.0, "")


@elementwise(
    {
        "absorbance_578": _ABSORBANCE,
        "absorbance_434": _ABSORBANCE,
        "baseline": _ABSORBANCE,
        "impurity_434": _ABSORBANCE,
    }
)
def dye_ratio(
    *,
    absorbance_578: npt.ArrayLike,
    absorbance_434: npt.ArrayLike,
    baseline: npt.ArrayLike = 0.0,
    impurity_434: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Absorbance ratio of m-cresol purple, baseline and impurity of the dye taken off.

    Parameters
    ----------
    absorbance_578, absorbance_434 : array-like
        Absorbance with dye less that of the sample alone. [1]
    baseline : array-like, default 0
        Shift of the baseline at a wavelength where the dye does not absorb (730 nm), same blank. [1]
    impurity_434 : array-like, default 0
        Absorbance at 434 nm of impurities at this amount of dye, from a batch test at high pH, where the
        purified ratio is known. Impurities absorb there and make the pH too low. [1]

    Returns
    -------
    float64 array
        (A578 - base) / (A434 - base - impurity). [1]

    References
    ----------
    Guide 2007, SOP 6b; Douglas and Byrne 2017, Mar. Chem. 190, 66-72 (from memory).
    """
    base = np.asarray(baseline)
    above = np.asarray(absorbance_578) - base
    return np.asarray(above / (np.asarray(absorbance_434) - base - np.asarray(impurity_434)))


def perturbation_line(*, ratio_first: npt.ArrayLike, ratio_second: npt.ArrayLike, dye_added: npt.ArrayLike) -> Line:
    """Line of the change of the ratio per amount of dye against the ratio, from double additions.

    Parameters
    ----------
    ratio_first, ratio_second : array-like, shape (n,)
        Ratio after the first and after the second addition, n at least 3. [1]
    dye_added : array-like, shape (n,)
        Dye of the second addition. [any unit, the one used in `unperturbed_ratio`]

    Returns
    -------
    Line
        Intercept a and slope b of (R2 - R1)/dye = a + b R1, Guide 2007, SOP 6b.
    """
    first = np.asarray(ratio_first, dtype=np.float64)
    change = (np.asarray(ratio_second, dtype=np.float64) - first) / np.asarray(dye_added, dtype=np.float64)
    return least_squares_line(x=first, y=change)


@elementwise({"ratio": _RATIO, "dye": (0.0, np.inf, "")})
def unperturbed_ratio(*, ratio: npt.ArrayLike, dye: npt.ArrayLike, intercept: float, slope: float) -> FloatArray:
    """Ratio the sample had before its dye moved its pH: R - dye (a + b R), Guide 2007, SOP 6b. [1]"""
    r = np.asarray(ratio)
    return np.asarray(r - np.asarray(dye) * (intercept + slope * r))
