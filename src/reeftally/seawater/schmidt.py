"""Schmidt numbers of dissolved gases in seawater.

Here:     kinematic viscosity over diffusivity for CO2 and O2.
Not here: the transfer velocity built on them (`exchange.gas_exchange`).
Rules:    polynomials hold for -2 to 40 degC; between fresh water and 35 the number is interpolated.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, one_of
from reeftally.seawater._elementwise import elementwise, reasons

__all__ = ["GASES", "REFERENCE_SCHMIDT", "reasons", "schmidt_number"]

GASES: Final = ("co2", "o2")
"""Gases with a polynomial here."""

REFERENCE_SCHMIDT: Final = 660.0
"""Schmidt number that transfer velocities are referred to. The 2014 polynomial has 668 for CO2 at 20 degC."""

# Wanninkhof 2014, Table 1: seawater of 35, then fresh water; a + b t + c t^2 + d t^3 + e t^4.
_SEAWATER: Final = {
    "co2": (2116.8, -136.25, 4.7353, -0.092307, 0.0007555),
    "o2": (1920.4, -135.6, 5.2122, -0.10939, 0.00093777),
}
_FRESH: Final = {
    "co2": (1923.6, -125.06, 4.3773, -0.085681, 0.00070284),
    "o2": (1745.1, -124.34, 4.8055, -0.10115, 0.00086842),
}


@elementwise({"temperature": (-2.0, 40.0, "degC"), "salinity": (0.0, 42.0, "")})
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
    Wanninkhof 2014, Limnol. Oceanogr. Methods 12, 351-362, Table 1 (fresh-water row from memory; it gives 600 for
    CO2 at 20 degC).
    """
    one_of("gas", gas, GASES)
    t = np.asarray(temperature)
    salt = np.asarray(salinity) / 35.0
    sea = np.polynomial.polynomial.polyval(t, _SEAWATER[gas])
    fresh = np.polynomial.polynomial.polyval(t, _FRESH[gas])
    return np.asarray(fresh + salt * (sea - fresh))
