"""Gases at the surface: Schmidt numbers, and CO2 as a real gas in moist air.

Here:     kinematic viscosity over diffusivity for CO2 and O2; virial coefficients, fugacity and the older
          solubility functions of CO2.
Not here: the transfer velocity built on them (`exchange.gas_exchange`); K0 by mass (carbonate.py).
Rules:    Schmidt polynomials hold for -2 to 40 degC; between fresh water and 35 the number is interpolated.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, one_of
from reeftally.seawater._elementwise import Range, elementwise, reasons

__all__ = [
    "GASES",
    "REFERENCE_SCHMIDT",
    "co2_cross_virial",
    "co2_fugacity_factor",
    "co2_solubility_moist_air",
    "co2_solubility_volume",
    "co2_virial",
    "reasons",
    "schmidt_number",
]

GASES: Final = ("co2", "o2")
"""Gases with a polynomial here."""

REFERENCE_SCHMIDT: Final = 660.0
"""Schmidt number that transfer velocities are referred to. The 2014 polynomial has 668 for CO2 at 20 degC."""

_GAS_CONSTANT_ATM: Final = 82.05736
"""Gas constant. [cm3 atm mol-1 K-1]"""

_CELSIUS: Final[Range] = (-2.0, 40.0, "degC")
_SALINITY: Final[Range] = (0.0, 42.0, "")

# Wanninkhof 2014, Table 1: seawater of 35, then fresh water; a + b t + c t^2 + d t^3 + e t^4.
_SEAWATER: Final = {
    "co2": (2116.8, -136.25, 4.7353, -0.092307, 0.0007555),
    "o2": (1920.4, -135.6, 5.2122, -0.10939, 0.00093777),
}
_FRESH: Final = {
    "co2": (1923.6, -125.06, 4.3773, -0.085681, 0.00070284),
    "o2": (1745.1, -124.34, 4.8055, -0.10115, 0.00086842),
}


@elementwise({"temperature": _CELSIUS, "salinity": _SALINITY})
def schmidt_number(*, gas: str, temperature: npt.ArrayLike, salinity: npt.ArrayLike = 35.0) -> FloatArray:
    """Schmidt number of a gas in seawater.

    Parameters
    ----------
    gas : {"co2", "o2"}
        The gas.
    temperature : array-like
        Water temperature, -2 to 40. [degC]
    salinity : array-like, default 35
        Practical salinity; straight line between the fits for 0 and 35. [1]

    Returns
    -------
    float64 array
        Schmidt number. [1]

    References
    ----------
    Wanninkhof 2014, Limnol. Oceanogr. Methods 12, 351-362, Table 1 (fresh-water row as quoted by several users; it
    gives 600 for CO2 at 20 degC).
    """
    one_of("gas", gas, GASES)
    t = np.asarray(temperature)
    salt = np.asarray(salinity) / 35.0
    sea = np.polynomial.polynomial.polyval(t, _SEAWATER[gas])
    fresh = np.polynomial.polynomial.polyval(t, _FRESH[gas])
    return np.asarray(fresh + salt * (sea - fresh))


@elementwise({"temperature": _CELSIUS})
def co2_virial(*, temperature: npt.ArrayLike) -> FloatArray:
    """Second virial coefficient of CO2 at temperature [degC], Weiss 1974, eq. 6 (from memory). [cm3 mol-1]"""
    kelvin = np.asarray(temperature) + 273.15
    return np.asarray(-1636.75 + (12.0408 + (-0.0327957 + 3.16528e-5 * kelvin) * kelvin) * kelvin)


@elementwise({"temperature": _CELSIUS})
def co2_cross_virial(*, temperature: npt.ArrayLike) -> FloatArray:
    """Cross virial coefficient of CO2 in air at temperature [degC], Weiss 1974, eq. 11 (from memory). [cm3 mol-1]"""
    return np.asarray(57.7 - 0.118 * (np.asarray(temperature) + 273.15))


@elementwise({"temperature": _CELSIUS, "air_pressure": (300.0, 1200.0, "hPa")})
def co2_fugacity_factor(*, temperature: npt.ArrayLike, air_pressure: npt.ArrayLike) -> FloatArray:
    """Fugacity over partial pressure of a trace of CO2 in air.

    Parameters
    ----------
    temperature : array-like
        Temperature. [degC]
    air_pressure : array-like
        Air pressure. [hPa]

    Returns
    -------
    float64 array
        exp[(B + 2 delta) p / (R T)], Weiss 1974, Mar. Chem. 2, 203-215, eq. 9. [1]
    """
    kelvin = np.asarray(temperature) + 273.15
    volume = co2_virial(temperature=temperature) + 2.0 * co2_cross_virial(temperature=temperature)
    return np.asarray(np.exp(volume * (np.asarray(air_pressure) / 1013.25) / (_GAS_CONSTANT_ATM * kelvin)))


@elementwise({"temperature": _CELSIUS, "salinity": _SALINITY})
def co2_solubility_volume(*, temperature: npt.ArrayLike, salinity: npt.ArrayLike) -> FloatArray:
    """Solubility K0 of CO2 by volume, Weiss 1974, eq. 12, Table I, litre column (from memory). [mol L-1 atm-1]"""
    h = (np.asarray(temperature) + 273.15) / 100.0
    salt = 0.027766 + (-0.025888 + 0.0050578 * h) * h
    return np.asarray(np.exp(-58.0931 + 90.5069 / h + 22.2940 * np.log(h) + np.asarray(salinity) * salt))


@elementwise({"temperature": _CELSIUS, "salinity": _SALINITY})
def co2_solubility_moist_air(*, temperature: npt.ArrayLike, salinity: npt.ArrayLike) -> FloatArray:
    """Dissolved CO2 over its dry mole fraction, moist air at one atmosphere.

    Parameters
    ----------
    temperature, salinity : array-like
        Water temperature [degC] and practical salinity [1].

    Returns
    -------
    float64 array
        F of Weiss and Price 1980, Mar. Chem. 8, 347-359, eq. 13, Table VI (from memory). [mol kg-1 atm-1]
    """
    h = (np.asarray(temperature) + 273.15) / 100.0
    salt = 0.025695 + (-0.025225 + 0.0049867 * h) * h
    fresh = -162.8301 + 218.2968 / h + 90.9241 * np.log(h) - 1.47696 * h * h
    return np.asarray(np.exp(fresh + np.asarray(salinity) * salt))
