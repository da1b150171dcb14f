"""Unit spellings that files may use, and the conversion to the canonical unit of each quantity.

Here:     the closed list of spellings, one conversion a quantity, the names of channels.
Not here: reading files (`intake`), oxygen by mass from oxygen by volume (`seawater`: needs density).
Rules:    a spelling not in the list is refused and the known ones are listed; nothing is guessed
          from values; a conversion needs no second quantity (no density, no spectrum, no salinity).

Notes
-----
Factors are exact by definition (SI Brochure, 9th ed., 2019; NIST Special Publication 811, 2008,
appendix B.8 for psi, mmHg, inHg and knot), but for oxygen: 44.6596 µmol per mL at standard
temperature and pressure ([Bittig2018]_, from a molar volume of 22.3916 L mol-1) and 31.9988 g mol-1.

References
----------
.. [Bittig2018] Bittig, H., Körtzinger, A., Johnson, K., et al. (2018). SCOR WG 142: Quality Control
   Procedures for Oxygen and Other Biogeochemical Sensors on Floats and Gliders. Recommendations on
   the conversion between oxygen quantities. doi:10.13155/45915.
"""

from __future__ import annotations

import math
import re

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally._names import QUANTITIES, Quantity
from reeftally.errors import InputError
from reeftally.mission._problems import did_you_mean

__all__ = ["CHANNELS", "check_quantity", "check_unit", "convert", "known_units", "normalise", "scale_of"]

_EXTRA = (
    Quantity("inlet", "", "inlet", "", "number of the open inlet of a switched pump, 1 is the lowest"),
    Quantity("optical_phase", "", "φ", "°", "phase of an optical oxygen sensor", "degree"),
    Quantity("battery_voltage", "", "V_bat", "V", "voltage of the supply"),
    Quantity("sample_number", "", "n", "", "the instrument's own count of samples"),
    Quantity("air_temperature", "air_temperature", "T_air", "°C", "air temperature", "degree_C"),
    Quantity("wind_direction_from", "wind_from_direction", "dir_w", "°", "direction of the wind", "degree"),
    Quantity("rainfall", "lwe_thickness_of_precipitation_amount", "rain", "mm", "rain since the last row"),
)

CHANNELS: dict[str, Quantity] = QUANTITIES | {row.name: row for row in _EXTRA if row.name not in QUANTITIES}
"""Every quantity a channel may hold: the names table and what only instruments report."""

_KELVIN = 273.15
_MGL = 1000.0 / 31.9988  # mmol m-3 for each mg L-1
_MLL = 44.6596  # mmol m-3 for each mL L-1, [Bittig2018]
_PSI = 6894.757293168  # Pa, NIST SP 811
_MMHG = 133.322387415  # Pa, NIST SP 811
_INHG = 25.4 * _MMHG  # Pa, conventional, 0 °C
_KNOT = 1852.0 / 3600.0  # m s-1
_DEGREE = math.pi / 180.0


def normalise(text: str) -> str:
    """Return a unit's spelling with micro signs, superscripts, dots and blanks made alike."""
    text = text.strip("[]() \t\r\n")
    text = text.replace("µ", "u").replace("μ", "u").replace("°", "deg").replace("º", "deg")
    text = text.translate(str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻−–", "0123456789---"))
    text = re.sub(r"(?<=\w)\s*[·*]\s*(?=\w)", " ", text).replace("^", "")
    text = re.sub(r"\s*/\s*", "/", text)
    text = re.sub(r"(?<=[A-Za-z])\.(?=[A-Za-z])", " ", text)
    text = re.sub(r"\s+", " ", text)
    return re.sub(r"^deg (?=[CFK]\b)", "deg", text)


def _per(top: str, *bottoms: str) -> tuple[str, ...]:
    """Return the ways to write top per bottom, for example umol/kg and umol kg-1."""
    slash = [f"{top}/{bottom}" for bottom in bottoms]
    powers = [f"{top} {bottom}-1" for bottom in bottoms]
    return (*slash, *powers, *(f"{top}{bottom}-1" for bottom in bottoms))


def _by_mass(top: str) -> tuple[str, ...]:
    return (*_per(top, "kg"), f"{top}/kg-sw", f"{top} per kg")


def _by_volume(top: str) -> tuple[str, ...]:
    return (*_per(top, "L", "l"), f"{top} per L")


def _flux(top: str, time: str) -> tuple[str, ...]:
    return (f"{top} m-2 {time}-1", f"{top}/m2/{time}", f"{top}/(m2 {time})", f"{top} m-2{time}-1")


def _pressure(unit_pa: float) -> dict[tuple[str, ...], tuple[float, float]]:
    """Return the spellings of pressure, converted to a unit of `unit_pa` pascal."""
    rows = {
        ("dbar", "decibar", "dBar", "db"): 1e4,
        ("bar",): 1e5,
        ("mbar", "mb", "millibar"): 1e2,
        ("hPa", "hpa"): 1e2,
        ("kPa", "kpa"): 1e3,
        ("Pa",): 1.0,
        ("MPa",): 1e6,
        ("psi", "PSI"): _PSI,
        ("atm",): 101325.0,
        ("mmHg", "Torr", "torr"): _MMHG,
        ("inHg",): _INHG,
    }
    return {names: (pascal / unit_pa, 0.0) for names, pascal in rows.items()}


_Scales = dict[tuple[str, ...], tuple[float, float]]

_ONE: _Scales = {("", "1", "-"): (1.0, 0.0)}
_SALINITY: _Scales = {("", "1", "-", "psu", "PSU", "pss", "PSS", "PSS-78", "PSS78"): (1.0, 0.0)}
_PH: _Scales = {("", "1", "-", "pH", "ph", "pH units"): (1.0, 0.0)}
_TEMPERATURE: _Scales = {
    ("degC", "C", "deg C", "degreeC", "degree_C", "degrees_C", "degree_Celsius", "Celsius", "celsius"): (
        1.0,
        0.0,
    ),
    ("K", "kelvin", "Kelvin"): (1.0, -_KELVIN),
    ("degF", "F", "deg F", "Fahrenheit"): (5.0 / 9.0, -160.0 / 9.0),
    ("mdegC", "mC"): (1e-3, 0.0),
}
_CONDUCTIVITY: _Scales = {
    _per("S", "m"): (1.0, 0.0),
    (*_per("mS", "cm"), "mmho/cm"): (0.1, 0.0),
    (*_per("uS", "cm"), "umho/cm"): (1e-4, 0.0),
    _per("mS", "m"): (1e-3, 0.0),
    _per("S", "cm"): (100.0, 0.0),
}
_MASS: _Scales = {
    _by_mass("umol"): (1.0, 0.0),
    _by_mass("mmol"): (1e3, 0.0),
    _by_mass("mol"): (1e6, 0.0),
    _by_mass("nmol"): (1e-3, 0.0),
}
_EQUIVALENTS: _Scales = {
    **_MASS,
    (*_by_mass("ueq"), *_by_mass("uequiv")): (1.0, 0.0),
    (*_by_mass("meq"), *_by_mass("mequiv")): (1e3, 0.0),
}
_OXYGEN_VOLUME: _Scales = {
    (*_by_volume("umol"), "uM", "uMol", "uMol/L", "uMol/l"): (1.0, 0.0),
    ("mmol m-3", "mmol/m3", "mmol m3-1"): (1.0, 0.0),
    (*_by_volume("mmol"), "mM"): (1e3, 0.0),
    (*_by_volume("mol"), "M"): (1e6, 0.0),
    (*_by_volume("mg"), "g m-3", "g/m3"): (_MGL, 0.0),
    (*_by_volume("mL"), *_by_volume("ml")): (_MLL, 0.0),
}
_PERCENT: _Scales = {
    ("%", "percent", "pct", "% sat", "%sat", "% air sat"): (1.0, 0.0),
    ("1", "fraction"): (100.0, 0.0),
}
_UATM = 0.101325  # Pa
_PARTIAL: _Scales = {("uatm",): (1.0, 0.0), **_pressure(_UATM)}
_MOLE_FRACTION: _Scales = {
    ("ppm", "ppmv", *_per("umol", "mol"), "umol mol-1"): (1.0, 0.0),
    ("ppb", "ppbv", *_per("nmol", "mol")): (1e-3, 0.0),
    ("%",): (1e4, 0.0),
    (*_per("mol", "mol"), "1"): (1e6, 0.0),
}
_PERMIL: _Scales = {
    ("permil", "per mil", "per mill", "permille", "‰", "o/oo", "0/00", "1e-3"): (1.0, 0.0),
    ("ppm",): (1e-3, 0.0),
}
_SPEED: _Scales = {
    _per("m", "s"): (1.0, 0.0),
    (*_per("cm", "s"), "cm/sec"): (0.01, 0.0),
    (*_per("mm", "s"), "mm/sec"): (0.001, 0.0),
    (*_per("km", "h"), "kph"): (1.0 / 3.6, 0.0),
    ("kn", "kt", "kts", "knot", "knots"): (_KNOT, 0.0),
}
_ANGLE: _Scales = {
    ("deg", "degree", "degrees"): (1.0, 0.0),
    ("rad", "radian", "radians"): (1.0 / _DEGREE, 0.0),
    ("ddeg", "0.1 deg", "deg/10"): (0.1, 0.0),
}
_VOLT: _Scales = {("V", "volt", "volts"): (1.0, 0.0), ("mV",): (1e-3, 0.0), ("uV",): (1e-6, 0.0)}
_LENGTH: _Scales = {("m",): (1.0, 0.0), ("cm",): (0.01, 0.0), ("mm",): (0.001, 0.0)}
_FLUX: _Scales = {
    _flux("mmol", "h"): (1.0, 0.0),
    _flux("mmol", "d"): (1.0 / 24.0, 0.0),
    _flux("umol", "s"): (3.6, 0.0),
    _flux("umol", "h"): (1e-3, 0.0),
    _flux("mol", "d"): (1e3 / 24.0, 0.0),
}
_PHOTONS: _Scales = {
    (*_flux("umol", "s"), "umol photons m-2 s-1", "umol photons/m2/s", "uE m-2 s-1", "uE/m2/s"): (1.0, 0.0),
    _flux("mmol", "s"): (1e3, 0.0),
    (*_flux("mol", "d"), "mol photons m-2 d-1"): (1e6 / 86400.0, 0.0),
    (*_flux("mol", "h"),): (1e6 / 3600.0, 0.0),
}
_DISSIPATION: _Scales = {("W kg-1", "W/kg", "m2 s-3", "m2/s3"): (1.0, 0.0), ("cm2 s-3", "cm2/s3"): (1e-4, 0.0)}
_DECIBEL: _Scales = {("dB",): (1.0, 0.0)}
_MILLIMETRE: _Scales = {("mm",): (1.0, 0.0), ("cm",): (10.0, 0.0), ("m",): (1000.0, 0.0)}
_SECOND: _Scales = {("s", "sec", "second", "seconds"): (1.0, 0.0), ("ms",): (1e-3, 0.0)}

_BY_QUANTITY: dict[str, _Scales] = {
    "salinity": _SALINITY,
    "conductivity": _CONDUCTIVITY,
    "pressure": _pressure(1e4),
    "absolute_pressure": _pressure(1e4),
    "air_pressure": _pressure(1e2),
    "oxygen_molar": _OXYGEN_VOLUME,
    "oxygen_saturation": _PERCENT,
    "correlation": _PERCENT,
    "fco2": _PARTIAL,
    "pco2": _PARTIAL,
    "par": _PHOTONS,
    "dissipation_rate": _DISSIPATION,
    "signal_to_noise": _DECIBEL,
    "rainfall": _MILLIMETRE,
    "total_alkalinity": _EQUIVALENTS,
}
_BY_UNIT: dict[str, _Scales] = {
    "°C": _TEMPERATURE,
    "µmol kg-1": _MASS,
    "µmol mol-1": _MOLE_FRACTION,
    "‰": _PERMIL,
    "m s-1": _SPEED,
    "°": _ANGLE,
    "V": _VOLT,
    "m": _LENGTH,
    "s": _SECOND,
    "mmol m-2 h-1": _FLUX,
    "": _ONE,
}

_HINTS: tuple[tuple[str, str, str], ...] = (
    # quantity, pattern of the normalised spelling, what to do instead
    (
        "oxygen",
        r"(L|l|m-?3|uM)",
        'By volume? Declare quantity = "oxygen_molar"; by mass it follows from density.',
    ),
    ("oxygen_molar", r"kg", 'By mass? Declare quantity = "oxygen".'),
    ("oxygen_molar", r"%|sat", 'A saturation? Declare quantity = "oxygen_saturation".'),
    ("pco2", r"ppm|mol", 'A mole fraction? Declare quantity = "xco2".'),
    ("fco2", r"ppm|mol", 'A mole fraction? Declare quantity = "xco2".'),
    ("par", r"W", "Watts become photons only with a spectrum; have the sensor report µmol m-2 s-1."),
    ("salinity", r"g/kg|g kg|ppt|o/oo", "Absolute or old-scale salinity is another quantity than practical."),
    ("pressure", r"^m$", "A depth is not a pressure; have the instrument report dbar."),
    ("absolute_pressure", r"^m$", "A depth is not a pressure; have the instrument report dbar."),
    ("total_alkalinity", r"(L|l|m-?3|uM)", "Per volume needs the density in the laboratory; give it per kg."),
    ("dic", r"(L|l|m-?3|uM)", "Per volume needs the density in the laboratory; give it per kg."),
)


def check_quantity(quantity: str) -> str:
    """Return `quantity` if a channel may hold it; otherwise raise `InputError` with the likely mend."""
    if quantity in CHANNELS:
        return quantity
    if quantity.lower() in {"ph", "ph_scale"}:
        mend = "Declare the scale: ph_total, ph_free, ph_seawater or ph_nbs."
    elif quantity.lower() in {"do", "o2", "dissolved_oxygen"}:
        mend = "Declare oxygen (by mass), oxygen_molar (by volume) or oxygen_saturation."
    elif quantity == "depth":
        mend = "Declare pressure (water alone) or absolute_pressure (air included)."
    else:
        mend = did_you_mean(quantity, CHANNELS) or f"Known are: {', '.join(CHANNELS)}."
    message = f"{quantity!r} is no known quantity. {mend}"
    raise InputError(message)


def _scales(quantity: str) -> _Scales:
    check_quantity(quantity)
    if quantity in _BY_QUANTITY:
        return _BY_QUANTITY[quantity]
    if quantity.startswith("ph_") and CHANNELS[quantity].unit == "":
        return _PH
    return _BY_UNIT[CHANNELS[quantity].unit]


def known_units(quantity: str) -> tuple[str, ...]:
    """Return the spellings known for `quantity`, one a unit (other spellings of it are known, too)."""
    return tuple(next((name for name in names if name), '""') for names in _scales(quantity))


def scale_of(quantity: str, unit: str) -> tuple[float, float]:
    """Return factor and offset with which canonical = factor × value + offset.

    Parameters
    ----------
    quantity : str
        Name of a channel's quantity.
    unit : str
        The unit as a file spells it.

    Returns
    -------
    tuple of two floats
        Factor and offset. [canonical unit per unit], [canonical unit]

    Raises
    ------
    InputError
        If the quantity or the spelling is not known; the message lists the known ones.
    """
    wanted = normalise(unit)
    scales = _scales(quantity)
    for names, scale in scales.items():
        if any(normalise(name) == wanted for name in names):
            return scale
    hint = next((mend for name, pattern, mend in _HINTS if name == quantity and re.search(pattern, wanted)), "")
    message = f"{unit!r} is no known unit of {quantity}; known are {', '.join(known_units(quantity))}. {hint}"
    raise InputError(message.strip())


def check_unit(quantity: str, unit: str) -> str:
    """Return `unit` if it is a known spelling for `quantity`; otherwise raise `InputError`."""
    scale_of(quantity, unit)
    return unit


def convert(values: npt.ArrayLike, quantity: str, unit: str) -> FloatArray:
    """Convert values in a file's unit to the canonical unit of a quantity.

    Parameters
    ----------
    values : array-like, any shape
        Values as the file gives them. [`unit`]
    quantity : str
        Name of the quantity.
    unit : str
        The unit as the file spells it; micro signs and superscripts may be written any way.

    Returns
    -------
    float64 array, the shape of `values`
        A new array. [canonical unit of the quantity] NaN in, NaN out.

    Raises
    ------
    InputError
        If the quantity or the spelling is not known.
    """
    factor, offset = scale_of(quantity, unit)
    array = np.asarray(values, dtype=np.float64)
    if factor == 1.0 and offset == 0.0:
        return array.copy()
    return np.asarray(array * factor + offset)
