"""Physical properties of seawater and of the air just above it.

Here:     density, salinities, temperatures, sound speed, gravity and depth (TEOS-10 by gsw), the older
          density EOS-80 for comparison with old records, and the vapour pressure over seawater.
Not here: dissolved gases (oxygen.py, schmidt.py) and the carbonate system.
Rules:    keyword-only; practical salinity, ITS-90 temperature in degC, sea pressure in dbar, air pressure
          and vapour pressure in hPa. Outside the range of a formula: error for numbers, NaN for arrays.
"""

from __future__ import annotations

from typing import Final

import gsw
import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, one_of
from reeftally.errors import InputError
from reeftally.seawater._elementwise import Range, elementwise, reasons

__all__ = [
    "STANDARD_ATMOSPHERE_HPA",
    "absolute_salinity",
    "conductivity_from_practical_salinity",
    "conservative_temperature",
    "density",
    "density_eos80",
    "density_teos10",
    "depth_from_pressure",
    "gravity",
    "potential_density",
    "potential_temperature",
    "practical_salinity_from_conductivity",
    "reasons",
    "reference_salinity",
    "sound_speed",
    "vapour_pressure",
]

STANDARD_ATMOSPHERE_HPA: Final = 1013.25
"""Standard atmosphere. [hPa]"""

# TEOS-10 manual, section 2.5 and Roquet et al. 2015: the expressions hold over the "oceanographic funnel";
# a reef may dry out to brine, so the limits are those of the practical salinity scale.
_SALINITY: Final[Range] = (0.0, 42.0, "")
_ABSOLUTE: Final[Range] = (0.0, 42.2, "g kg-1")
_TEMPERATURE: Final[Range] = (-2.5, 40.0, "degC")
_PRESSURE: Final[Range] = (-10.0, 11000.0, "dbar")
_LONGITUDE: Final[Range] = (-360.0, 360.0, "degrees east")
_LATITUDE: Final[Range] = (-90.0, 90.0, "degrees north")


@elementwise({"salinity": _SALINITY})
def reference_salinity(*, salinity: npt.ArrayLike) -> FloatArray:
    """Reference-composition salinity from practical salinity.

    Parameters
    ----------
    salinity : array-like
        Practical salinity. [1]

    Returns
    -------
    float64 array
        35.16504/35 times practical salinity (Millero et al. 2008). [g kg-1]
    """
    return np.asarray(gsw.SR_from_SP(salinity))


@elementwise({"salinity": _SALINITY, "pressure": _PRESSURE, "longitude": _LONGITUDE, "latitude": _LATITUDE})
def absolute_salinity(
    *,
    salinity: npt.ArrayLike,
    pressure: npt.ArrayLike = 0.0,
    longitude: npt.ArrayLike | None = None,
    latitude: npt.ArrayLike | None = None,
) -> FloatArray:
    """Absolute Salinity from practical salinity.

    Parameters
    ----------
    salinity : array-like
        Practical salinity. [1]
    pressure : array-like, default 0
        Sea pressure. [dbar]
    longitude, latitude : array-like, optional
        Position; without it the reference composition is taken (no regional anomaly). [degrees]

    Returns
    -------
    float64 array
        Absolute Salinity, TEOS-10. [g kg-1] Where the anomaly atlas has no ocean, the position counts as
        not given.

    Raises
    ------
    InputError
        Only one of longitude and latitude is given.
    """
    if (longitude is None) != (latitude is None):
        message = "longitude and latitude belong together; give both or none."
        raise InputError(message)
    reference = np.asarray(gsw.SR_from_SP(salinity))
    if longitude is None or latitude is None:
        return np.broadcast_to(reference, np.broadcast_shapes(np.shape(reference), np.shape(pressure)))
    absolute = np.asarray(gsw.SA_from_SP(salinity, pressure, longitude, latitude))
    # On land, in a lagoon behind a coarse grid, the atlas says nothing and the anomaly is small.
    here = np.isfinite(reference + np.asarray(pressure) + np.asarray(longitude) + np.asarray(latitude))
    return np.where(np.isnan(absolute) & here, reference, absolute)


@elementwise({"absolute_salinity": _ABSOLUTE, "temperature": _TEMPERATURE, "pressure": _PRESSURE})
def conservative_temperature(
    *, absolute_salinity: npt.ArrayLike, temperature: npt.ArrayLike, pressure: npt.ArrayLike = 0.0
) -> FloatArray:
    """Conservative Temperature from in-situ temperature, TEOS-10.

    Parameters
    ----------
    absolute_salinity : array-like
        Absolute Salinity. [g kg-1]
    temperature : array-like
        In-situ temperature, ITS-90. [degC]
    pressure : array-like, default 0
        Sea pressure. [dbar]

    Returns
    -------
    float64 array
        Conservative Temperature. [degC]
    """
    return np.asarray(gsw.CT_from_t(absolute_salinity, temperature, pressure))


@elementwise({"absolute_salinity": _ABSOLUTE, "conservative_temperature": _TEMPERATURE, "pressure": _PRESSURE})
def density_teos10(
    *, absolute_salinity: npt.ArrayLike, conservative_temperature: npt.ArrayLike, pressure: npt.ArrayLike
) -> FloatArray:
    """In-situ density from the TEOS-10 variables (75-term expression, Roquet et al. 2015).

    Parameters
    ----------
    absolute_salinity : array-like
        Absolute Salinity. [g kg-1]
    conservative_temperature : array-like
        Conservative Temperature. [degC]
    pressure : array-like
        Sea pressure. [dbar]

    Returns
    -------
    float64 array
        Density. [kg m-3]
    """
    return np.asarray(gsw.rho(absolute_salinity, conservative_temperature, pressure))


_STATE: Final = {
    "salinity": _SALINITY,
    "temperature": _TEMPERATURE,
    "pressure": _PRESSURE,
    "longitude": _LONGITUDE,
    "latitude": _LATITUDE,
}


@elementwise(_STATE)
def density(
    *,
    salinity: npt.ArrayLike,
    temperature: npt.ArrayLike,
    pressure: npt.ArrayLike = 0.0,
    longitude: npt.ArrayLike | None = None,
    latitude: npt.ArrayLike | None = None,
) -> FloatArray:
    """In-situ density of seawater.

    Parameters
    ----------
    salinity : array-like
        Practical salinity. [1]
    temperature : array-like
        In-situ temperature, ITS-90. [degC]
    pressure : array-like, default 0
        Sea pressure. [dbar]
    longitude, latitude : array-like, optional
        Position, for the regional salinity anomaly. [degrees]

    Returns
    -------
    float64 array
        Density, TEOS-10 (75-term expression). [kg m-3]
    """
    absolute = absolute_salinity(salinity=salinity, pressure=pressure, longitude=longitude, latitude=latitude)
    return np.asarray(gsw.rho(absolute, gsw.CT_from_t(absolute, temperature, pressure), pressure))


@elementwise(_STATE)
def potential_temperature(
    *,
    salinity: npt.ArrayLike,
    temperature: npt.ArrayLike,
    pressure: npt.ArrayLike = 0.0,
    longitude: npt.ArrayLike | None = None,
    latitude: npt.ArrayLike | None = None,
) -> FloatArray:
    """Potential temperature, referred to the surface; arguments as for `density`. [degC]"""
    absolute = absolute_salinity(salinity=salinity, pressure=pressure, longitude=longitude, latitude=latitude)
    return np.asarray(gsw.pt0_from_t(absolute, temperature, pressure))


@elementwise(_STATE)
def potential_density(
    *,
    salinity: npt.ArrayLike,
    temperature: npt.ArrayLike,
    pressure: npt.ArrayLike = 0.0,
    longitude: npt.ArrayLike | None = None,
    latitude: npt.ArrayLike | None = None,
) -> FloatArray:
    """Density the water would have if brought to the surface; arguments as for `density`. [kg m-3]"""
    absolute = absolute_salinity(salinity=salinity, pressure=pressure, longitude=longitude, latitude=latitude)
    return np.asarray(gsw.rho(absolute, gsw.CT_from_t(absolute, temperature, pressure), 0.0))


@elementwise(_STATE)
def sound_speed(
    *,
    salinity: npt.ArrayLike,
    temperature: npt.ArrayLike,
    pressure: npt.ArrayLike = 0.0,
    longitude: npt.ArrayLike | None = None,
    latitude: npt.ArrayLike | None = None,
) -> FloatArray:
    """Speed of sound, TEOS-10 (75-term expression); arguments as for `density`. [m s-1]"""
    absolute = absolute_salinity(salinity=salinity, pressure=pressure, longitude=longitude, latitude=latitude)
    return np.asarray(gsw.sound_speed(absolute, gsw.CT_from_t(absolute, temperature, pressure), pressure))


@elementwise({"conductivity": (0.0, 9.0, "S m-1"), "temperature": _TEMPERATURE, "pressure": _PRESSURE})
def practical_salinity_from_conductivity(
    *, conductivity: npt.ArrayLike, temperature: npt.ArrayLike, pressure: npt.ArrayLike = 0.0
) -> FloatArray:
    """Practical salinity from conductivity (PSS-78, extended below 2 after Hill et al. 1986).

    Parameters
    ----------
    conductivity : array-like
        Conductivity, 0 to 9. [S m-1]
    temperature : array-like
        In-situ temperature, ITS-90. [degC]
    pressure : array-like, default 0
        Sea pressure. [dbar]

    Returns
    -------
    float64 array
        Practical salinity. [1]
    """
    # gsw counts conductivity in mS cm-1.
    return np.asarray(gsw.SP_from_C(10.0 * np.asarray(conductivity), temperature, pressure))


@elementwise({"salinity": _SALINITY, "temperature": _TEMPERATURE, "pressure": _PRESSURE})
def conductivity_from_practical_salinity(
    *, salinity: npt.ArrayLike, temperature: npt.ArrayLike, pressure: npt.ArrayLike = 0.0
) -> FloatArray:
    """Conductivity from practical salinity; the inverse of `practical_salinity_from_conductivity`. [S m-1]"""
    return 0.1 * np.asarray(gsw.C_from_SP(salinity, temperature, pressure))


@elementwise({"latitude": _LATITUDE, "pressure": _PRESSURE})
def gravity(*, latitude: npt.ArrayLike, pressure: npt.ArrayLike = 0.0) -> FloatArray:
    """Gravitational acceleration at latitude [degrees] and sea pressure [dbar]. [m s-2]"""
    return np.asarray(gsw.grav(latitude, pressure))


@elementwise({"pressure": _PRESSURE, "latitude": _LATITUDE})
def depth_from_pressure(*, pressure: npt.ArrayLike, latitude: npt.ArrayLike) -> FloatArray:
    """Depth below the surface, positive down, of a standard water column.

    Parameters
    ----------
    pressure : array-like
        Sea pressure, without the atmosphere. [dbar]
    latitude : array-like
        Latitude. [degrees north]

    Returns
    -------
    float64 array
        Depth (TEOS-10, Saunders 1981 form). [m] In warm shallow water the difference from the
        column's own density is below 0.5 %.
    """
    return -np.asarray(gsw.z_from_p(pressure, latitude))


@elementwise({"temperature": _TEMPERATURE, "salinity": _SALINITY})
def vapour_pressure(*, temperature: npt.ArrayLike, salinity: npt.ArrayLike, method: str = "weiss1980") -> FloatArray:
    """Saturation vapour pressure of water over seawater.

    Parameters
    ----------
    temperature : array-like
        Water temperature. [degC]
    salinity : array-like
        Practical salinity. [1]
    method : {"weiss1980", "dickson2007"}, default "weiss1980"
        [WeissPrice1980]_ eq. 10, or the form of the [Guide2007]_ (ch. 5): Wagner and Pruss over pure water,
        lowered by the osmotic coefficient of Millero 1974. They differ by 0.14 % at 25 degC.

    Returns
    -------
    float64 array
        Vapour pressure. [hPa]

    References
    ----------
    .. [WeissPrice1980] Weiss and Price 1980, Mar. Chem. 8, 347-359.
    .. [Guide2007] Dickson, Sabine and Christian 2007, PICES Special Publication 3 (from memory).
    """
    one_of("method", method, ("weiss1980", "dickson2007"))
    t, s = np.asarray(temperature), np.asarray(salinity)
    kelvin = t + 273.15
    if method == "weiss1980":
        hundred = kelvin / 100.0
        ln_atm = 24.4543 - 67.4509 / hundred - 4.8489 * np.log(hundred) - 0.000544 * s
        return np.asarray(STANDARD_ATMOSPHERE_HPA * np.exp(ln_atm))
    tau = 1.0 - kelvin / 647.096
    ln_ratio = (647.096 / kelvin) * (
        -7.85951783 * tau
        + 1.84408259 * tau**1.5
        - 11.7866497 * tau**3
        + 22.6807411 * tau**3.5
        - 15.9618719 * tau**4
        + 1.80122502 * tau**7.5
    )
    molality = 31.998 * s / (1000.0 - 1.005 * s)
    half = 0.5 * molality
    osmotic = 0.90799 + half * (-0.08992 + half * (0.18458 + half * (-0.07395 - 0.00221 * half)))
    return np.asarray(220640.0 * np.exp(ln_ratio) * np.exp(-0.018 * osmotic * molality))


@elementwise(
    {
        "salinity": (0.0, 42.0, ""),
        "temperature_ipts68": (-2.0, 40.0, "degC"),
        "pressure": (0.0, 10000.0, "dbar"),
    }
)
def density_eos80(
    *, salinity: npt.ArrayLike, temperature_ipts68: npt.ArrayLike, pressure: npt.ArrayLike = 0.0
) -> FloatArray:
    """Density by the 1980 equation of state, for comparison with old records only.

    Parameters
    ----------
    salinity : array-like
        Practical salinity. [1]
    temperature_ipts68 : array-like
        Temperature on IPTS-68 (1.00024 times ITS-90). [degC]
    pressure : array-like, default 0
        Sea pressure. [dbar]

    Returns
    -------
    float64 array
        Density. [kg m-3]

    Notes
    -----
    Fofonoff and Millard 1983, UNESCO Technical Papers in Marine Science 44, section 3 (from memory;
    reproduces the printed check values to five decimals).
    """
    s, t, p = np.asarray(salinity), np.asarray(temperature_ipts68), np.asarray(pressure) / 10.0
    root = np.sqrt(s)
    pure = np.polynomial.polynomial.polyval(
        t, [999.842594, 6.793952e-2, -9.095290e-3, 1.001685e-4, -1.120083e-6, 6.536332e-9]
    )
    a = np.polynomial.polynomial.polyval(t, [0.824493, -4.0899e-3, 7.6438e-5, -8.2467e-7, 5.3875e-9])
    b = np.polynomial.polynomial.polyval(t, [-5.72466e-3, 1.0227e-4, -1.6546e-6])
    at_surface = pure + (a + b * root + 4.8314e-4 * s) * s
    bulk = np.polynomial.polynomial.polyval(t, [19652.21, 148.4206, -2.327105, 1.360477e-2, -5.155288e-5]) + s * (
        np.polynomial.polynomial.polyval(t, [54.6746, -0.603459, 1.09987e-2, -6.1670e-5])
        + root * np.polynomial.polynomial.polyval(t, [7.944e-2, 1.6483e-2, -5.3009e-4])
    )
    first = (
        np.polynomial.polynomial.polyval(t, [3.239908, 1.43713e-3, 1.16092e-4, -5.77905e-7])
        + s * np.polynomial.polynomial.polyval(t, [2.2838e-3, -1.0981e-5, -1.6078e-6])
        + 1.91075e-4 * s * root
    )
    second = np.polynomial.polynomial.polyval(
        t, [8.50935e-5, -6.12293e-6, 5.2787e-8]
    ) + s * np.polynomial.polynomial.polyval(t, [-9.9348e-7, 2.0816e-8, 9.1697e-10])
    return np.asarray(at_surface / (1.0 - p / (bulk + (first + second * p) * p)))
