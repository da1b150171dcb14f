"""Carbon dioxide between air and water at equilibrium.

Here:     dry mole fraction to fugacity and back; DIC of water in equilibrium with air.
Not here: transfer across the surface (`exchange`); solving (`_carbonate_solve`).
Rules:    the mole fraction is that of dry air; the air at the surface is saturated with vapour
          at the temperature and salinity of the water.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from reeftally._checks import as_float
from reeftally.errors import NoSolutionError
from reeftally.seawater import _kernels_acid
from reeftally.seawater._carbonate_solve import DEFAULT_CONSTANTS, solve
from reeftally.seawater._constants_sets import Constants

__all__ = ["dic_in_equilibrium_with_air", "fco2_from_xco2", "xco2_from_fco2"]

STANDARD_ATMOSPHERE_HPA = 1013.25


def _fugacity_per_dry_fraction(temperature: Any, salinity: Any, air_pressure: Any) -> Any:
    """Return fCO2 [µatm] for one µmol of CO2 per mol of dry air."""
    vapour = _kernels_acid.vapour_pressure(temperature, salinity, np.log, np.exp)
    factor = _kernels_acid.fugacity_factor(temperature, air_pressure, np.exp)
    return (air_pressure / STANDARD_ATMOSPHERE_HPA - vapour) * factor


def _plain(name: str, value: Any) -> Any:
    """Return a DataArray as it is and anything else as a float array."""
    return value if hasattr(value, "dims") and hasattr(value, "coords") else as_float(name, value)


def _refuse_negative(name: str, value: Any) -> Any:
    """Return `value` with NaN where it is below zero; raise for a single number."""
    below = value < 0.0
    if np.ndim(value) == 0 and bool(below):
        message = f"{name} is {float(value):g}; it cannot be below zero."
        raise NoSolutionError(message, code="negative")
    return value + np.where(below, np.nan, 0.0)


def _tidy(value: Any) -> Any:
    """Return a float for a single number."""
    return float(value) if isinstance(value, np.ndarray | np.floating) and np.ndim(value) == 0 else value


def fco2_from_xco2(*, xco2: Any, temperature: Any, salinity: Any, air_pressure: Any = STANDARD_ATMOSPHERE_HPA) -> Any:
    """Return the fugacity of CO2 in moist air from the dry mole fraction.

    Parameters
    ----------
    xco2 : array-like or DataArray, any shape
        Dry mole fraction of CO2. [µmol mol-1]
    temperature, salinity : array-like or DataArray, broadcastable
        Of the water that saturates the air. [°C, 1]
    air_pressure : array-like or DataArray
        Pressure of the moist air. [hPa]

    Returns
    -------
    float, float64 array or DataArray
        Fugacity. [µatm] NaN in, NaN out; NaN where `xco2` is below zero.

    Raises
    ------
    NoSolutionError
        If a single `xco2` is below zero.

    Notes
    -----
    Vapour: Weiss and Price 1980, Mar. Chem. 8, 347, eq. 10. Fugacity over partial pressure:
    Weiss 1974, Mar. Chem. 2, 203, eq. 9, in the limit of a trace of CO2 in air.
    """
    fraction = _refuse_negative("xco2", _plain("xco2", xco2))
    per_fraction = _fugacity_per_dry_fraction(
        _plain("temperature", temperature),
        _plain("salinity", salinity),
        _plain("air_pressure", air_pressure),
    )
    return _tidy(fraction * per_fraction)


def xco2_from_fco2(*, fco2: Any, temperature: Any, salinity: Any, air_pressure: Any = STANDARD_ATMOSPHERE_HPA) -> Any:
    """Return the dry mole fraction of CO2 from its fugacity in moist air.

    Parameters
    ----------
    fco2 : array-like or DataArray, any shape
        Fugacity of CO2. [µatm]
    temperature, salinity, air_pressure : array-like or DataArray, broadcastable
        As for `fco2_from_xco2`. [°C, 1, hPa]

    Returns
    -------
    float, float64 array or DataArray
        Dry mole fraction. [µmol mol-1] NaN in, NaN out; NaN where `fco2` is below zero.

    Raises
    ------
    NoSolutionError
        If a single `fco2` is below zero.

    Notes
    -----
    The inverse of `fco2_from_xco2`, same sources.
    """
    fugacity = _refuse_negative("fco2", _plain("fco2", fco2))
    per_fraction = _fugacity_per_dry_fraction(
        _plain("temperature", temperature),
        _plain("salinity", salinity),
        _plain("air_pressure", air_pressure),
    )
    return _tidy(fugacity / per_fraction)


def dic_in_equilibrium_with_air(
    *,
    xco2_air: Any,
    total_alkalinity: Any,
    temperature: Any,
    salinity: Any,
    air_pressure: Any = STANDARD_ATMOSPHERE_HPA,
    pressure: Any = 0.0,
    phosphate: Any = 0.0,
    silicate: Any = 0.0,
    ammonium: Any = 0.0,
    sulfide: Any = 0.0,
    constants: Constants = DEFAULT_CONSTANTS,
) -> Any:
    """Return the DIC of water of a given alkalinity in equilibrium with air.

    Parameters
    ----------
    xco2_air : array-like or DataArray, any shape
        Dry mole fraction of CO2 in the air. [µmol mol-1]
    total_alkalinity : array-like or DataArray
        Total alkalinity. [µmol kg-1]
    temperature, salinity : array-like or DataArray
        Of the water. [°C, 1]
    air_pressure : array-like or DataArray
        Pressure of the moist air. [hPa]
    pressure : array-like or DataArray
        Pressure of the water column at which the equilibrium is taken; leave it zero for the
        surface. [dbar]
    phosphate, silicate, ammonium, sulfide : array-like or DataArray
        Totals of the minor acids. [µmol kg-1]
    constants : Constants
        The published sets to use.

    Returns
    -------
    float, float64 array or DataArray
        Dissolved inorganic carbon. [µmol kg-1] NaN where there is no answer.

    Raises
    ------
    InputError
        As `solve`.
    """
    state = solve(
        total_alkalinity=total_alkalinity,
        xco2=xco2_air,
        temperature=temperature,
        salinity=salinity,
        pressure=pressure,
        phosphate=phosphate,
        silicate=silicate,
        ammonium=ammonium,
        sulfide=sulfide,
        air_pressure=air_pressure,
        constants=constants,
        outputs=("dic",),
    )
    return state.dic
