"""Oxygen: solubility, units, optode equations, and compensation for salinity, pressure and lag.

Here:     the conversions recommended by SCOR working group 142 and the sensor equations of optodes.
Not here: calibration against bottles (`calibration`), exchange with the air (`exchange.gas_exchange`).
Rules:    by mass in µmol kg-1, by volume in mmol m-3 (the same number as µmol L-1), partial pressure in hPa.
          Converting from volume to mass uses the density at potential temperature and surface pressure,
          since that is the water that the volume was calibrated with.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, one_of
from reeftally.seawater._elementwise import Range, elementwise, reasons
from reeftally.seawater._optode import (
    LagCorrected,
    lag_correction,
    phase_stern_volmer,
    phase_with_pressure,
    pressure_compensation,
    pressure_factor,
    stern_volmer,
    stern_volmer_two_site,
    two_point,
)
from reeftally.seawater.properties import STANDARD_ATMOSPHERE_HPA, potential_density, vapour_pressure

__all__ = [
    "DRY_AIR_FRACTION",
    "MICROMOLES_PER_MILLILITRE",
    "MOLAR_MASS",
    "SOLUBILITY_RELATIVE_BOUND",
    "LagCorrected",
    "air_pressure_factor",
    "gravimetric_to_molar",
    "lag_correction",
    "molar_from_partial_pressure",
    "molar_to_gravimetric",
    "partial_pressure",
    "phase_stern_volmer",
    "phase_with_pressure",
    "pressure_compensation",
    "pressure_factor",
    "reasons",
    "salinity_compensation",
    "salinity_factor",
    "saturation",
    "setschenow",
    "solubility",
    "stern_volmer",
    "stern_volmer_two_site",
    "two_point",
    "winkler",
]

MICROMOLES_PER_MILLILITRE: Final = 44.6596
"""Oxygen per volume at standard temperature and pressure, real gas. [µmol mL-1] Bittig et al. 2018."""

MOLAR_MASS: Final = 31.9988
"""Molar mass of O2. [g mol-1]"""

DRY_AIR_FRACTION: Final = 0.20946
"""Mole fraction of oxygen in dry air. [1] Bittig et al. 2018."""

SOLUBILITY_RELATIVE_BOUND: Final = 0.001
"""Possible error of the standard solubilities, an upper bound. [1] Benson and Krause 1984, abstract."""

_MOLAR_VOLUME_PER_GAS_CONSTANT: Final = 0.317 / 8.314
"""Partial molar volume of O2 over the gas constant. [K dbar-1] Enns et al. 1965, Bittig et al. 2018."""

# Garcia and Gordon 1992, Table 1, fits to the Benson and Krause data: by mass and by volume (mL/L).
_A_MASS: Final = (5.80871, 3.20291, 4.17887, 5.10006, -9.86643e-2, 3.80369)
_B_MASS: Final = (-7.01577e-3, -7.70028e-3, -1.13864e-2, -9.51519e-3)
_C_MASS: Final = -2.75915e-7
_A_VOLUME: Final = (2.00907, 3.22014, 4.05010, 4.94457, -2.56847e-1, 3.88767)
_B_VOLUME: Final = (-6.24523e-3, -7.37614e-3, -1.03410e-2, -8.17083e-3)
_C_VOLUME: Final = -4.88682e-7

_SALINITY: Final[Range] = (0.0, 42.0, "")
_TEMPERATURE: Final[Range] = (-2.0, 40.0, "degC")
_PRESSURE: Final[Range] = (-10.0, 11000.0, "dbar")
_OXYGEN: Final[Range] = (-100.0, 3000.0, "µmol kg-1 or mmol m-3")
_AIR: Final[Range] = (300.0, 1200.0, "hPa")
_ANY: Final[Range] = (-np.inf, np.inf, "")


def _scaled_temperature(t: npt.ArrayLike) -> FloatArray:
    celsius = np.asarray(t)
    return np.asarray(np.log((298.15 - celsius) / (273.15 + celsius)))


def _polynomial(x: FloatArray, coefficients: Sequence[float]) -> FloatArray:
    return np.asarray(np.polynomial.polynomial.polyval(x, coefficients))


@elementwise({"temperature": _TEMPERATURE, "salinity": _SALINITY})
def solubility(
    *,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    basis: str = "mass",
    convert_to_ipts68: bool = False,
) -> FloatArray:
    """Oxygen in water in equilibrium with moist air at one standard atmosphere.

    Parameters
    ----------
    temperature : array-like
        Water temperature (potential temperature for deep samples). [degC]
    salinity : array-like
        Practical salinity. [1]
    basis : {"mass", "volume"}, default "mass"
        µmol kg-1, or mmol m-3.
    convert_to_ipts68 : bool, default False
        Multiply the temperature by 1.00024 first, as the TEOS-10 examples do. The check value of the
        source, 274.610 at 10 degC and 35, belongs to the fit without it; the difference is 0.01 %.

    Returns
    -------
    float64 array
        Solubility. [µmol kg-1 or mmol m-3] Its possible error is `SOLUBILITY_RELATIVE_BOUND`.

    Notes
    -----
    [GarciaGordon1992]_ eq. 8 with the coefficients of its Table 1 fitted to Benson and Krause; by volume the
    mL/L column times `MICROMOLES_PER_MILLILITRE`, as recommended by Bittig et al. 2018.

    References
    ----------
    .. [GarciaGordon1992] Garcia and Gordon 1992, Limnol. Oceanogr. 37, 1307-1312.
    """
    one_of("basis", basis, ("mass", "volume"))
    t, s = np.asarray(temperature), np.asarray(salinity)
    ts = _scaled_temperature(1.00024 * t if convert_to_ipts68 else t)
    if basis == "mass":
        return np.asarray(np.exp(_polynomial(ts, _A_MASS) + s * _polynomial(ts, _B_MASS) + _C_MASS * s * s))
    ln_ml = _polynomial(ts, _A_VOLUME) + s * _polynomial(ts, _B_VOLUME) + _C_VOLUME * s * s
    return np.asarray(MICROMOLES_PER_MILLILITRE * np.exp(ln_ml))


@elementwise({"temperature": _TEMPERATURE})
def setschenow(*, temperature: npt.ArrayLike) -> FloatArray:
    """Salting-out coefficient of oxygen: ln(C at 0 / C at S) / S.

    Benson and Krause 1984, Limnol. Oceanogr. 29, 620-632, abstract; temperature in degC. [1 per unit salinity]
    """
    kelvin = np.asarray(temperature) + 273.15
    return np.asarray(0.0225034 - 13.6083 / kelvin + 2565.68 / kelvin**2)


@elementwise({"temperature": _TEMPERATURE, "salinity": _SALINITY, "air_pressure": _AIR})
def air_pressure_factor(
    *, temperature: npt.ArrayLike, salinity: npt.ArrayLike, air_pressure: npt.ArrayLike
) -> FloatArray:
    """Factor on the solubility for air at another pressure than the standard atmosphere.

    Parameters
    ----------
    temperature, salinity : array-like
        Water temperature [degC] and practical salinity [1], for the vapour pressure.
    air_pressure : array-like
        Air pressure at the surface, moist. [hPa]

    Returns
    -------
    float64 array
        (p - pH2O) / (1013.25 - pH2O). [1]
    """
    vapour = vapour_pressure(temperature=temperature, salinity=salinity)
    return np.asarray((np.asarray(air_pressure) - vapour) / (STANDARD_ATMOSPHERE_HPA - vapour))


@elementwise({"oxygen": _OXYGEN, "temperature": _TEMPERATURE, "salinity": _SALINITY, "air_pressure": _AIR})
def saturation(
    *,
    oxygen: npt.ArrayLike,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    basis: str = "mass",
    air_pressure: npt.ArrayLike = STANDARD_ATMOSPHERE_HPA,
) -> FloatArray:
    """Oxygen against its solubility.

    Parameters
    ----------
    oxygen : array-like
        Oxygen. [µmol kg-1, or mmol m-3 for basis "volume"]
    temperature, salinity : array-like
        Water temperature [degC] and practical salinity [1].
    basis : {"mass", "volume"}
        What `oxygen` is counted by.
    air_pressure : array-like, default 1013.25
        Air pressure at the surface. [hPa]

    Returns
    -------
    float64 array
        Saturation. [percent]
    """
    factor = air_pressure_factor(temperature=temperature, salinity=salinity, air_pressure=air_pressure)
    full = solubility(temperature=temperature, salinity=salinity, basis=basis)
    return np.asarray(100.0 * np.asarray(oxygen) / (full * factor))


@elementwise({"oxygen_molar": _OXYGEN, "temperature": _TEMPERATURE, "salinity": _SALINITY, "pressure": _PRESSURE})
def partial_pressure(
    *,
    oxygen_molar: npt.ArrayLike,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    pressure: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Partial pressure of oxygen in the water.

    Parameters
    ----------
    oxygen_molar : array-like
        Oxygen by volume. [mmol m-3]
    temperature, salinity : array-like
        Water temperature [degC] and practical salinity [1].
    pressure : array-like, default 0
        Sea pressure. [dbar]

    Returns
    -------
    float64 array
        Partial pressure. [hPa] Bittig et al. 2018 (SCOR WG 142, doi 10.13155/45915).
    """
    per_molar = _hpa_per_molar(temperature, salinity, pressure)
    return np.asarray(np.asarray(oxygen_molar) * per_molar)


@elementwise(
    {
        "oxygen_partial_pressure": (-100.0, 5000.0, "hPa"),
        "temperature": _TEMPERATURE,
        "salinity": _SALINITY,
        "pressure": _PRESSURE,
    }
)
def molar_from_partial_pressure(
    *,
    oxygen_partial_pressure: npt.ArrayLike,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    pressure: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Oxygen by volume [mmol m-3] from its partial pressure [hPa]; the inverse of `partial_pressure`."""
    return np.asarray(np.asarray(oxygen_partial_pressure) / _hpa_per_molar(temperature, salinity, pressure))


def _hpa_per_molar(temperature: npt.ArrayLike, salinity: npt.ArrayLike, pressure: npt.ArrayLike) -> FloatArray:
    vapour = vapour_pressure(temperature=temperature, salinity=salinity)
    full = solubility(temperature=temperature, salinity=salinity, basis="volume")
    kelvin = np.asarray(temperature) + 273.15
    squeeze = np.exp(_MOLAR_VOLUME_PER_GAS_CONSTANT * np.asarray(pressure) / kelvin)
    return np.asarray(DRY_AIR_FRACTION * (STANDARD_ATMOSPHERE_HPA - vapour) / full * squeeze)


_CONVERT: Final = {
    "oxygen_molar": _OXYGEN,
    "oxygen": _OXYGEN,
    "temperature": _TEMPERATURE,
    "salinity": _SALINITY,
    "pressure": _PRESSURE,
    "longitude": (-360.0, 360.0, "degrees east"),
    "latitude": (-90.0, 90.0, "degrees north"),
}


@elementwise(_CONVERT)
def molar_to_gravimetric(
    *,
    oxygen_molar: npt.ArrayLike,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    pressure: npt.ArrayLike = 0.0,
    longitude: npt.ArrayLike | None = None,
    latitude: npt.ArrayLike | None = None,
) -> FloatArray:
    """Oxygen by mass from oxygen by volume.

    Parameters
    ----------
    oxygen_molar : array-like
        Oxygen by volume, with the true salinity in it. [mmol m-3]
    temperature, salinity : array-like
        In-situ temperature [degC] and practical salinity [1].
    pressure : array-like, default 0
        Sea pressure, used for the potential temperature only. [dbar]
    longitude, latitude : array-like, optional
        Position, for the regional salinity anomaly. [degrees]

    Returns
    -------
    float64 array
        Oxygen by mass. [µmol kg-1] Density at potential temperature and surface pressure (SCOR WG 142).
    """
    water = potential_density(
        salinity=salinity, temperature=temperature, pressure=pressure, longitude=longitude, latitude=latitude
    )
    return np.asarray(1000.0 * np.asarray(oxygen_molar) / water)


@elementwise(_CONVERT)
def gravimetric_to_molar(
    *,
    oxygen: npt.ArrayLike,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    pressure: npt.ArrayLike = 0.0,
    longitude: npt.ArrayLike | None = None,
    latitude: npt.ArrayLike | None = None,
) -> FloatArray:
    """Oxygen by volume [mmol m-3] from oxygen by mass [µmol kg-1]; the inverse of `molar_to_gravimetric`."""
    water = potential_density(
        salinity=salinity, temperature=temperature, pressure=pressure, longitude=longitude, latitude=latitude
    )
    return np.asarray(0.001 * np.asarray(oxygen) * water)


@elementwise({"temperature": _TEMPERATURE, "salinity": _SALINITY, "salinity_setting": _SALINITY})
def salinity_factor(
    *, temperature: npt.ArrayLike, salinity: npt.ArrayLike, salinity_setting: npt.ArrayLike
) -> FloatArray:
    """Factor that turns oxygen by volume computed at the sensor's salinity setting into the true one.

    Parameters
    ----------
    temperature : array-like
        Water temperature. [degC]
    salinity : array-like
        Practical salinity of the water. [1]
    salinity_setting : array-like
        Practical salinity the instrument was told. [1]

    Returns
    -------
    float64 array
        Factor. [1] Bittig et al. 2018: ratio of the solubilities by volume times the ratio of the
        dry-air pressures. A partial-pressure sensor sees the same phase in both waters.
    """
    ts = _scaled_temperature(temperature)
    s, s0 = np.asarray(salinity), np.asarray(salinity_setting)
    exponent = (s - s0) * _polynomial(ts, _B_VOLUME) + _C_VOLUME * (s * s - s0 * s0)
    set_vapour = vapour_pressure(temperature=temperature, salinity=salinity_setting)
    true_vapour = vapour_pressure(temperature=temperature, salinity=salinity)
    dry = (STANDARD_ATMOSPHERE_HPA - set_vapour) / (STANDARD_ATMOSPHERE_HPA - true_vapour)
    return np.asarray(dry * np.exp(exponent))


@elementwise(
    {
        "oxygen_molar": _OXYGEN,
        "temperature": _TEMPERATURE,
        "salinity": _SALINITY,
        "salinity_setting": _SALINITY,
    }
)
def salinity_compensation(
    *,
    oxygen_molar: npt.ArrayLike,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    salinity_setting: npt.ArrayLike,
) -> FloatArray:
    """Oxygen by volume at the water's salinity from what the sensor wrote at its own setting.

    Parameters
    ----------
    oxygen_molar : array-like
        What the sensor wrote. [mmol m-3]
    temperature, salinity : array-like
        Water temperature [degC] and practical salinity [1].
    salinity_setting : array-like
        Salinity set inside the instrument; required, since 0 instead of 35 is a factor of 1.22 (1.25 once
        the conversion to µmol kg-1 has been made with the wrong salinity as well). [1]

    Returns
    -------
    float64 array
        Oxygen by volume. [mmol m-3]
    """
    factor = salinity_factor(temperature=temperature, salinity=salinity, salinity_setting=salinity_setting)
    return np.asarray(np.asarray(oxygen_molar) * factor)


@elementwise(
    {
        "titrant": _ANY,
        "titrant_blank": _ANY,
        "titrant_standard": _ANY,
        "standard_volume": _ANY,
        "standard_normality": _ANY,
        "bottle_volume": (1.0, 5000.0, "mL"),
        "reagent_volume": (0.0, 100.0, "mL"),
    }
)
def winkler(
    *,
    titrant: npt.ArrayLike,
    titrant_blank: npt.ArrayLike,
    titrant_standard: npt.ArrayLike,
    standard_volume: npt.ArrayLike,
    standard_normality: npt.ArrayLike,
    bottle_volume: npt.ArrayLike,
    reagent_volume: npt.ArrayLike = 2.0,
) -> FloatArray:
    """Oxygen from a Winkler titration.

    Parameters
    ----------
    titrant, titrant_blank, titrant_standard : array-like
        Thiosulfate used by sample, blank and iodate standard. [mL]
    standard_volume : array-like
        Volume of the iodate standard. [mL]
    standard_normality : array-like
        Its normality. [mol of electrons per L]
    bottle_volume : array-like
        Volume of the sample bottle. [mL]
    reagent_volume : array-like, default 2
        Volume of the pickling reagents; they bring 0.0017 mL of oxygen per 2 mL. [mL]

    Returns
    -------
    float64 array
        Oxygen by volume at the temperature of sampling. [mmol m-3] Reproducibility of the method: 0.4 µmol kg-1
        (2 sd).

    References
    ----------
    Culberson 1991, WOCE methods; Carpenter 1965, Limnol. Oceanogr. 10, 141-143 (from memory).
    """
    net = np.asarray(titrant) - np.asarray(titrant_blank)
    standard = np.asarray(titrant_standard) - np.asarray(titrant_blank)
    in_reagents = 0.0017 * np.asarray(reagent_volume) / 2.0
    equivalents = np.asarray(standard_volume) * np.asarray(standard_normality) / standard
    ml = net * equivalents * 5598.0 / 1000.0 - in_reagents
    sample = (np.asarray(bottle_volume) - np.asarray(reagent_volume)) / 1000.0
    return np.asarray(MICROMOLES_PER_MILLILITRE * ml / sample)
