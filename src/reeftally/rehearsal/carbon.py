"""The carbonate system as the rehearsal asks for it: thin calls of `seawater.carbonate`.

Here:     `ph_of`, `fco2_of`, `solubility_of`, `saturation_of`.
Not here: the solver.
Rules:    the constants are the defaults of the mission book; pH and saturation are in situ, at one
          pressure (`PRESSURE`; the tide moves pH by less than 0.00002), fCO2 is the surface's.
"""

from __future__ import annotations

import numpy as np

from reeftally._checks import FloatArray
from reeftally.seawater import carbonate

__all__ = ["PRESSURE", "fco2_of", "free_minus_total", "ph_of", "saturation_of", "solubility_of"]

PRESSURE = 5.6
"""Of the water column at the mast [dbar]."""


def ph_of(
    *, dic: FloatArray, total_alkalinity: FloatArray, temperature: FloatArray, salinity: FloatArray
) -> FloatArray:
    """Return pH on the total scale, in situ."""
    state = carbonate.solve(
        dic=dic,
        total_alkalinity=total_alkalinity,
        temperature=temperature,
        salinity=salinity,
        pressure=PRESSURE,
    )
    return np.asarray(state["ph_total"])


def saturation_of(
    *, dic: FloatArray, total_alkalinity: FloatArray, temperature: FloatArray, salinity: FloatArray
) -> FloatArray:
    """Return the saturation state of aragonite."""
    state = carbonate.solve(
        dic=dic,
        total_alkalinity=total_alkalinity,
        temperature=temperature,
        salinity=salinity,
        pressure=PRESSURE,
    )
    return np.asarray(state["aragonite_saturation"])


def fco2_of(
    *,
    temperature: FloatArray,
    salinity: FloatArray,
    dic: FloatArray | None = None,
    total_alkalinity: FloatArray | None = None,
    xco2_air: FloatArray | None = None,
    air_pressure: FloatArray | None = None,
    every: int = 1,
) -> FloatArray:
    """Return fCO2 [µatm] of water with DIC and alkalinity, or in equilibrium with air.

    With `every`, the system is solved at every so manieth member and joined by straight lines.
    """
    n = temperature.size
    at = np.unique(np.append(np.arange(0, n, every), n - 1))
    if dic is not None:
        state = carbonate.solve(
            dic=dic[at],
            total_alkalinity=np.asarray(total_alkalinity)[at],
            temperature=temperature[at],
            salinity=salinity[at],
        )
    else:
        state = carbonate.solve(
            xco2=np.asarray(xco2_air)[at],
            total_alkalinity=2300.0,
            temperature=temperature[at],
            salinity=salinity[at],
            air_pressure=np.asarray(air_pressure)[at],
        )
    return np.asarray(np.interp(np.arange(n), at, state["fco2"]))


def free_minus_total(temperature: float, salinity: float) -> float:
    """PH on the free scale minus pH on the total scale (Dickson 1990 for bisulfate)."""
    constants = carbonate.equilibrium_constants(temperature=temperature, salinity=salinity)
    return float(np.log10(constants["total_over_free"]))


def solubility_of(temperature: FloatArray, salinity: FloatArray) -> FloatArray:
    """Solubility of carbon dioxide [mol kg-1 atm-1] (Weiss 1974)."""
    return np.asarray(carbonate.equilibrium_constants(temperature=temperature, salinity=salinity)["k0"])
