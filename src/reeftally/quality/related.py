"""QARTOD tests that need a second series: multivariate, neighbour, T-S curve, density inversion, location.

Here:     tests 3 (location), 9 (multivariate), 11 (neighbour), and 12 and 13 of temperature and salinity.
Not here: bringing two series to common times (callers do), tests of one series (`qartod`).
Rules:    a test that lacks its partner's value is not evaluated (2), it does not fail. None of these fails a
          value on a neighbour's word alone, save the two of density, which rest on physics.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_same_length
from reeftally.errors import InputError
from reeftally.quality.qartod import FAIL, GOOD, MISSING, NOT_EVALUATED, SUSPECT, FlagArray

__all__ = ["density_inversion", "location", "multivariate", "neighbour", "temperature_salinity_curve"]

# Mean radius of the earth. [m]
_EARTH_RADIUS = 6.371e6


def _steps(values: FloatArray) -> FloatArray:
    out: FloatArray = np.full(values.shape, np.nan)
    out[1:] = np.abs(np.diff(values))
    return out


def _jumps_alone(values: FloatArray, other: FloatArray, limit: float, other_limit: float) -> FlagArray:
    for name, number in (("limit", limit), ("other_limit", other_limit)):
        if not number > 0:
            message = f"{name} is {number}; it must be above 0."
            raise InputError(message)
    own, second = _steps(values), _steps(other)
    flags = np.full(values.shape, GOOD, dtype=np.uint8)
    flags[np.isnan(own) | np.isnan(second)] = NOT_EVALUATED
    flags[(own > limit) & (second <= other_limit)] = SUSPECT
    flags[np.isnan(values)] = MISSING
    return flags


def multivariate(*, values: npt.ArrayLike, second: npt.ArrayLike, limit: float, second_limit: float) -> FlagArray:
    """Flag 3 where a value jumps while a related quantity does not (QARTOD test 9; never fails).

    Parameters
    ----------
    values, second : array-like, (n,)
        Record under test, and one of another quantity at the same times (pH with oxygen, say).
    limit, second_limit : float
        N standard deviations of each series, each in its own unit; the pH manual's example has N = 2.

    Returns
    -------
    uint8 array, (n,)
        Flags; 2 where either step is unknown.
    """
    require_same_length(values=values, second=second)
    return _jumps_alone(as_float("values", values), as_float("second", second), limit, second_limit)


def neighbour(*, values: npt.ArrayLike, neighbour: npt.ArrayLike, limit: float, neighbour_limit: float) -> FlagArray:
    """Flag 3 where a value jumps while the same quantity at a neighbouring sensor does not (QARTOD test 11)."""
    require_same_length(values=values, neighbour=neighbour)
    return _jumps_alone(as_float("values", values), as_float("neighbour", neighbour), limit, neighbour_limit)


def temperature_salinity_curve(
    *,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    coefficients: npt.ArrayLike,
    warn_at: float,
    fail_above: float,
) -> FlagArray:
    """Flag salinity that lies off the site's T-S curve: 4 above `fail_above`, 3 from `warn_at`.

    Parameters
    ----------
    temperature, salinity : array-like, (n,)
        [degC], practical salinity.
    coefficients : array-like
        Polynomial S(T), highest power first, from the site's own earlier data.
    warn_at, fail_above : float
        Distances in practical salinity.

    Notes
    -----
    QARTOD temperature and salinity manual v2, test 12: abs(S - S_fit) > fail is 4, >= warn is 3.
    """
    if not 0.0 < warn_at < fail_above:
        message = f"warn_at {warn_at} must be above 0 and below fail_above {fail_above}."
        raise InputError(message)
    require_same_length(temperature=temperature, salinity=salinity)
    t, s = as_float("temperature", temperature), as_float("salinity", salinity)
    distance = np.abs(s - np.polyval(as_float("coefficients", coefficients), t))
    flags = np.full(s.shape, GOOD, dtype=np.uint8)
    flags[np.isnan(distance)] = NOT_EVALUATED
    flags[distance >= warn_at] = SUSPECT
    flags[distance > fail_above] = FAIL
    flags[np.isnan(s)] = MISSING
    return flags


def density_inversion(*, upper: npt.ArrayLike, lower: npt.ArrayLike, allowed: float = 0.03) -> FlagArray:
    """Flag 4 where denser water seems to lie over lighter water by more than `allowed`.

    Parameters
    ----------
    upper, lower : array-like, broadcastable
        Potential density of the shallower and of the deeper sample at the same time. [kg m-3]
    allowed : float
        [kg m-3]

    Returns
    -------
    uint8 array
        The flag goes to both samples: which of them is wrong the test cannot say.

    Notes
    -----
    QARTOD temperature and salinity manual v2, test 13: the deeper sample's potential density plus DT must
    exceed the upper one's; DT about 0.03 kg m-3.
    """
    if not allowed >= 0:
        message = f"allowed is {allowed}; it must be at least 0."
        raise InputError(message)
    above, below = np.broadcast_arrays(as_float("upper", upper), as_float("lower", lower))
    flags = np.full(above.shape, GOOD, dtype=np.uint8)
    flags[below + allowed < above] = FAIL
    flags[np.isnan(above) | np.isnan(below)] = NOT_EVALUATED
    return flags


def location(
    *,
    latitude: npt.ArrayLike,
    longitude: npt.ArrayLike,
    home: tuple[float, float] | None = None,
    range_max: float | None = None,
) -> FlagArray:
    """Flag positions: 4 off the globe, 3 farther than `range_max` [m] from `home` (latitude, longitude in degrees).

    QARTOD test 3. The distance is the great circle on a sphere (haversine form).
    """
    lat, lon = np.broadcast_arrays(as_float("latitude", latitude), as_float("longitude", longitude))
    flags = np.full(lat.shape, GOOD, dtype=np.uint8)
    if home is not None and range_max is not None:
        a, b = np.radians(lat), np.radians(home[0])
        half = np.sin((a - b) / 2) ** 2 + np.cos(a) * np.cos(b) * np.sin(np.radians(lon - home[1]) / 2) ** 2
        flags[2 * _EARTH_RADIUS * np.arcsin(np.sqrt(np.clip(half, 0, 1))) > range_max] = SUSPECT
    flags[(np.abs(lat) > 90) | (np.abs(lon) > 180)] = FAIL
    flags[np.isnan(lat) | np.isnan(lon)] = MISSING
    return flags
