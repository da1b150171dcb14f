"""Gas exchange through the surface: transfer velocity, and the fluxes of CO2 and oxygen.

Here:     wind-driven transfer velocity and bulk fluxes with their random and systematic parts.
Not here: Schmidt numbers and solubilities (`seawater`), bubbles, and rates measured with a floating chamber.
Rules:    fluxes are positive into the water, mmol m-2 h-1. The relations were made over the open ocean; in
          shallow reef water current and depth stir as well, so the transfer velocity carries a relative
          standard uncertainty of its own (default 0.2), which is systematic: the same for every block.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, one_of
from reeftally.errors import InputError
from reeftally.seawater import carbonate, properties
from reeftally.seawater import oxygen as oxygen_
from reeftally.seawater._elementwise import Range, elementwise, reasons
from reeftally.seawater.schmidt import co2_fugacity_factor, schmidt_number

__all__ = [
    "TRANSFER_METHODS",
    "TRANSFER_RELATIVE_SD",
    "GasFlux",
    "air_fco2",
    "co2_flux",
    "oxygen_flux",
    "reasons",
    "transfer_velocity",
]

TRANSFER_METHODS: Final = {"wanninkhof2014": (0.251, 660.0), "ho2006": (0.266, 600.0)}
"""Coefficient of the mean square wind [(cm/h) / (m/s)^2] and Schmidt number it is referred to: Wanninkhof 2014,
Limnol. Oceanogr. Methods 12, 351-362; Ho et al. 2006, Geophys. Res. Lett. 33, L16611 (0.266 +- 0.019, from memory)."""

TRANSFER_RELATIVE_SD: Final = 0.2
"""Relative standard uncertainty of the transfer velocity over open water, Wanninkhof 2014."""

_CM_PER_M: Final = 100.0
_WIND: Final[Range] = (0.0, 50.0, "m s-1")
_POSITIVE: Final[Range] = (0.0, np.inf, "")
_UNCERTAIN: Final[Range] = (0.0, np.inf, "")


@dataclass(frozen=True, slots=True, kw_only=True)
class GasFlux:
    """Flux through the surface with its two uncertainty parts; xarray in, xarray out."""

    flux: Any
    """Flux, positive into the water. [mmol m-2 h-1]"""
    random_sd: Any
    """Random standard uncertainty: noise of the difference, independent between blocks. [mmol m-2 h-1]"""
    systematic_sd: Any
    """Systematic standard uncertainty: transfer velocity, and offsets of the difference. [mmol m-2 h-1]"""
    transfer_velocity: Any
    """Transfer velocity used. [m h-1]"""
    driving_difference: Any
    """What drives the flux, air minus water: CO2 in µatm, oxygen in µmol kg-1."""


@elementwise({"wind_speed": _WIND, "schmidt": (10.0, 10000.0, ""), "wind_variance": (0.0, 500.0, "m2 s-2")})
def transfer_velocity(
    *,
    wind_speed: npt.ArrayLike,
    schmidt: npt.ArrayLike,
    wind_variance: npt.ArrayLike = 0.0,
    method: str = "wanninkhof2014",
) -> FloatArray:
    """Gas transfer velocity from the wind.

    Parameters
    ----------
    wind_speed : array-like
        Wind at 10 m; a mean, or (with `wind_variance` 0) the root of the mean square. [m s-1]
    schmidt : array-like
        Schmidt number of the gas. [1]
    wind_variance : array-like, default 0
        Variance of the wind within the averaging time: the relation takes the mean of the square, which is
        larger than the square of the mean. [m2 s-2]
    method : {"wanninkhof2014", "ho2006"}, default "wanninkhof2014"
        Relation.

    Returns
    -------
    float64 array
        Transfer velocity: a <U^2> (Sc/Sc0)^-1/2. [m h-1]
    """
    one_of("method", method, tuple(TRANSFER_METHODS))
    coefficient, reference = TRANSFER_METHODS[method]
    square = np.asarray(wind_speed) ** 2 + np.asarray(wind_variance)
    return np.asarray(coefficient * square * np.sqrt(reference / np.asarray(schmidt)) / _CM_PER_M)


@elementwise(
    {
        "air_co2": (0.0, 1e5, "µmol mol-1"),
        "air_pressure": (300.0, 1200.0, "hPa"),
        "temperature": (-2.0, 40.0, "degC"),
        "salinity": (0.0, 42.0, ""),
    }
)
def air_fco2(
    *,
    air_co2: npt.ArrayLike,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    air_pressure: npt.ArrayLike = properties.STANDARD_ATMOSPHERE_HPA,
) -> FloatArray:
    """Fugacity of CO2 in the air at the surface, saturated with water vapour.

    Parameters
    ----------
    air_co2 : array-like
        Dry mole fraction. [µmol mol-1]
    temperature, salinity : array-like
        Water temperature [degC] and practical salinity [1].
    air_pressure : array-like, default 1013.25
        Air pressure. [hPa]

    Returns
    -------
    float64 array
        fCO2: x (p - pH2O) times the fugacity coefficient of Weiss 1974, Mar. Chem. 2, 203-215, eq. 9. [µatm]
    """
    pressure = np.asarray(air_pressure)
    vapour = properties.vapour_pressure(temperature=temperature, salinity=salinity)
    dry_atm = (pressure - vapour) / properties.STANDARD_ATMOSPHERE_HPA
    factor = co2_fugacity_factor(temperature=temperature, air_pressure=air_pressure)
    return np.asarray(np.asarray(air_co2) * dry_atm * factor)


def co2_flux(
    *,
    fco2_water: npt.ArrayLike,
    fco2_air: npt.ArrayLike,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    wind_speed: npt.ArrayLike | None = None,
    wind_variance: npt.ArrayLike = 0.0,
    transfer_velocity_m_h: npt.ArrayLike | None = None,
    method: str = "wanninkhof2014",
    difference_random_sd: npt.ArrayLike = 0.0,
    difference_systematic_sd: npt.ArrayLike = 0.0,
    transfer_relative_sd: npt.ArrayLike = TRANSFER_RELATIVE_SD,
) -> GasFlux:
    """Flux of CO2 through the surface, positive into the water.

    Parameters
    ----------
    fco2_water, fco2_air : array-like
        Fugacity of CO2 in the water and in the air (`air_fco2`). [µatm]
    temperature, salinity : array-like
        Water temperature at the surface [degC] and practical salinity [1].
    wind_speed, wind_variance : array-like, optional
        Wind at 10 m and its variance. [m s-1, m2 s-2]
    transfer_velocity_m_h : array-like, optional
        A transfer velocity of this gas measured on the site, instead of the wind. [m h-1]
    method : str
        Wind relation, as in `transfer_velocity`.
    difference_random_sd, difference_systematic_sd : array-like, default 0
        Standard uncertainty of the fugacity difference: noise of one block; offsets. [µatm]
    transfer_relative_sd : array-like, default 0.2
        Relative standard uncertainty of the transfer velocity. [1]

    Returns
    -------
    GasFlux
        k K0 rho (fCO2air - fCO2water), K0 of Weiss 1974.

    Raises
    ------
    InputError
        Not exactly one of wind and transfer velocity.
    """
    k = _velocity("co2", temperature, salinity, wind_speed, wind_variance, transfer_velocity_m_h, method)
    difference = _minus(first=fco2_air, second=fco2_water)
    # mol kg-1 atm-1 times kg m-3 times 1e-6 atm, in mmol m-3 for each µatm.
    per_unit = _co2_per_microatmosphere(temperature=temperature, salinity=salinity)
    return _flux(k, difference, per_unit, difference_random_sd, difference_systematic_sd, transfer_relative_sd)


def oxygen_flux(
    *,
    oxygen: npt.ArrayLike,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    air_pressure: npt.ArrayLike = properties.STANDARD_ATMOSPHERE_HPA,
    wind_speed: npt.ArrayLike | None = None,
    wind_variance: npt.ArrayLike = 0.0,
    transfer_velocity_m_h: npt.ArrayLike | None = None,
    method: str = "wanninkhof2014",
    difference_random_sd: npt.ArrayLike = 0.0,
    difference_systematic_sd: npt.ArrayLike = 0.0,
    transfer_relative_sd: npt.ArrayLike = TRANSFER_RELATIVE_SD,
) -> GasFlux:
    """Flux of oxygen through the surface, positive into the water.

    Parameters
    ----------
    oxygen : array-like
        Oxygen in the surface water. [µmol kg-1]
    temperature, salinity : array-like
        Water temperature at the surface [degC] and practical salinity [1].
    air_pressure : array-like, default 1013.25
        Air pressure. [hPa]
    wind_speed, wind_variance, transfer_velocity_m_h, method
        As in `co2_flux`.
    difference_random_sd, difference_systematic_sd : array-like, default 0
        Standard uncertainty of solubility minus oxygen: noise of one block; offsets. [µmol kg-1]
    transfer_relative_sd : array-like, default 0.2
        Relative standard uncertainty of the transfer velocity. [1]

    Returns
    -------
    GasFlux
        k rho (solubility at the air pressure - oxygen); bubbles, which push oxygen in under breaking waves,
        are not in it.
    """
    k = _velocity("o2", temperature, salinity, wind_speed, wind_variance, transfer_velocity_m_h, method)
    full = _oxygen_at_equilibrium(temperature=temperature, salinity=salinity, air_pressure=air_pressure)
    difference = _minus(first=full, second=oxygen)
    # µmol kg-1 times kg m-3, in mmol m-3.
    per_unit = _times(first=properties.density(salinity=salinity, temperature=temperature), second=1e-3)
    return _flux(k, difference, per_unit, difference_random_sd, difference_systematic_sd, transfer_relative_sd)


@elementwise({"first": (-np.inf, np.inf, ""), "second": (-np.inf, np.inf, "")})
def _minus(*, first: npt.ArrayLike, second: npt.ArrayLike) -> FloatArray:
    return np.asarray(np.asarray(first) - np.asarray(second))


@elementwise({"first": (-np.inf, np.inf, ""), "second": (-np.inf, np.inf, "")})
def _times(*, first: npt.ArrayLike, second: npt.ArrayLike) -> FloatArray:
    return np.asarray(np.asarray(first) * np.asarray(second))


@elementwise({"temperature": (-2.0, 40.0, "degC"), "salinity": (0.0, 42.0, "")})
def _co2_per_microatmosphere(*, temperature: npt.ArrayLike, salinity: npt.ArrayLike) -> FloatArray:
    constants = carbonate.equilibrium_constants(temperature=temperature, salinity=salinity)
    return np.asarray(1e-3 * constants["k0"] * properties.density(salinity=salinity, temperature=temperature))


@elementwise(
    {
        "temperature": (-2.0, 40.0, "degC"),
        "salinity": (0.0, 42.0, ""),
        "air_pressure": (300.0, 1200.0, "hPa"),
    }
)
def _oxygen_at_equilibrium(
    *, temperature: npt.ArrayLike, salinity: npt.ArrayLike, air_pressure: npt.ArrayLike
) -> FloatArray:
    factor = oxygen_.air_pressure_factor(temperature=temperature, salinity=salinity, air_pressure=air_pressure)
    return np.asarray(factor * oxygen_.solubility(temperature=temperature, salinity=salinity))


def _velocity(
    gas: str,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    wind_speed: npt.ArrayLike | None,
    wind_variance: npt.ArrayLike,
    given: npt.ArrayLike | None,
    method: str,
) -> Any:
    if (wind_speed is None) == (given is None):
        message = "Give either wind_speed or transfer_velocity_m_h, one of the two."
        raise InputError(message)
    if given is not None:
        return _times(first=given, second=1.0)
    schmidt = schmidt_number(gas=gas, temperature=temperature, salinity=salinity)
    assert wind_speed is not None
    return transfer_velocity(wind_speed=wind_speed, schmidt=schmidt, wind_variance=wind_variance, method=method)


@elementwise(
    {
        "k": _POSITIVE,
        "difference": (-np.inf, np.inf, ""),
        "per_unit": _POSITIVE,
        "random_sd": _UNCERTAIN,
        "systematic_sd": _UNCERTAIN,
        "relative_sd": _UNCERTAIN,
    }
)
def _part(
    *,
    k: npt.ArrayLike,
    difference: npt.ArrayLike,
    per_unit: npt.ArrayLike,
    random_sd: npt.ArrayLike,
    systematic_sd: npt.ArrayLike,
    relative_sd: npt.ArrayLike,
    which: str,
) -> FloatArray:
    # A flux that is missing has no uncertainty either.
    there = np.where(np.isfinite(np.asarray(difference)), 1.0, np.nan)
    scale = np.asarray(k) * np.asarray(per_unit) * there
    if which == "flux":
        return np.asarray(scale * np.asarray(difference))
    if which == "random":
        return np.asarray(scale * np.asarray(random_sd))
    of_velocity = np.asarray(relative_sd) * np.asarray(difference)
    return np.asarray(scale * np.hypot(of_velocity, np.asarray(systematic_sd)))


def _flux(
    k: Any,
    difference: Any,
    per_unit: Any,
    random_sd: npt.ArrayLike,
    systematic_sd: npt.ArrayLike,
    relative_sd: npt.ArrayLike,
) -> GasFlux:
    inputs = {
        "k": k,
        "difference": difference,
        "per_unit": per_unit,
        "random_sd": random_sd,
        "systematic_sd": systematic_sd,
        "relative_sd": relative_sd,
    }
    return GasFlux(
        flux=_part(**inputs, which="flux"),
        random_sd=_part(**inputs, which="random"),
        systematic_sd=_part(**inputs, which="systematic"),
        transfer_velocity=k,
        driving_difference=difference,
    )
