"""Where the sun stands: elevation, noon, sunrise, sunset, nights and days.

Here:     sun angles from time and position, and the periods that estimates are given for.
Not here: light in the water (`rehearsal`), local clock time beyond a fixed offset from UTC.
Rules:    time is int64 nanoseconds since 1970-01-01 UTC; sunrise and sunset are the centre of the
          sun at −0.833° (refraction 34′ and radius 16′), as almanacs and the contract have it.

Notes
-----
Low-accuracy solar coordinates of [Meeus1998]_, chapter 25 (equations 25.2 to 25.8), and the equation
of time of its chapter 28 (equation 28.3), the basis of the solar calculator of NOAA's Global
Monitoring Laboratory. The error of the coordinates is about 0.01°, that of times well below a minute
at reef latitudes. Universal time is used for dynamical time: about 70 s, 0.001° of the sun's path.

References
----------
.. [Meeus1998] Meeus, J. (1998). Astronomical Algorithms, 2nd ed. Willmann-Bell, Richmond.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.errors import InputError

__all__ = [
    "HORIZON_DEG",
    "Period",
    "days",
    "days24",
    "declination",
    "elevation",
    "equation_of_time",
    "nights",
    "solar_noon",
    "sunrise_sunset",
]

HORIZON_DEG = -0.833
"""Elevation of the sun's centre at sunrise and sunset. [degree]"""

IntArray = npt.NDArray[np.int64]

_DAY_NS = 86_400_000_000_000
_MINUTE_NS = 60_000_000_000
_J2000_DAYS = 10957.5  # days from 1970-01-01 0 h to 2000-01-01 12 h
_NEVER = np.iinfo(np.int64).min  # the pattern of numpy's NaT


@dataclass(frozen=True, slots=True)
class Period:
    """A night, a day, or 24 hours from noon to noon."""

    name: str
    """Local date: of dusk for a night, of dawn for a day, of the first noon for 24 h."""
    start_ns: int
    """Start. [ns since 1970-01-01 UTC]"""
    end_ns: int
    """End, not included. [ns since 1970-01-01 UTC]"""
    complete: bool
    """Whether all of it lies between the start and end that were asked for."""

    @property
    def hours(self) -> float:
        """Length. [h]."""
        return (self.end_ns - self.start_ns) / 3.6e12


def _as_ns(time: npt.ArrayLike | dt.datetime) -> IntArray:
    if isinstance(time, dt.datetime):
        if time.tzinfo is None:
            message = f"time is {time}; it needs an offset from UTC."
            raise InputError(message)
        return np.asarray(np.datetime64(time.astimezone(dt.UTC).replace(tzinfo=None), "ns").astype(np.int64))
    array = np.asarray(time)
    if array.dtype.kind == "M":
        return array.astype("datetime64[ns]").astype(np.int64)
    if array.dtype.kind not in "iu":
        message = f"time is of type {array.dtype}; it needs int64 nanoseconds or datetime64."
        raise InputError(message)
    return array.astype(np.int64)


def _coordinates(time_ns: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return declination [rad] and equation of time [min] at `time_ns`."""
    century = (np.asarray(time_ns, dtype=np.float64) / _DAY_NS - _J2000_DAYS) / 36525.0
    longitude = np.mod(280.46646 + century * (36000.76983 + century * 0.0003032), 360.0)  # 25.2
    anomaly = np.radians(357.52911 + century * (35999.05029 - 0.0001537 * century))  # 25.3
    eccentricity = 0.016708634 - century * (0.000042037 + 0.0000001267 * century)  # 25.4
    centre = (
        np.sin(anomaly) * (1.914602 - century * (0.004817 + 0.000014 * century))
        + np.sin(2 * anomaly) * (0.019993 - 0.000101 * century)
        + np.sin(3 * anomaly) * 0.000289
    )
    node = np.radians(125.04 - 1934.136 * century)
    apparent = np.radians(longitude + centre - 0.00569 - 0.00478 * np.sin(node))
    mean_obliquity = (
        23.0 + (26.0 + (21.448 - century * (46.815 + century * (0.00059 - century * 0.001813))) / 60.0) / 60.0
    )
    obliquity = np.radians(mean_obliquity + 0.00256 * np.cos(node))  # 22.2 and 25.8
    declination_rad = np.arcsin(np.sin(obliquity) * np.sin(apparent))  # 25.7
    y = np.tan(obliquity / 2.0) ** 2
    mean = np.radians(longitude)
    equation = (  # 28.3
        y * np.sin(2 * mean)
        - 2 * eccentricity * np.sin(anomaly)
        + 4 * eccentricity * y * np.sin(anomaly) * np.cos(2 * mean)
        - 0.5 * y**2 * np.sin(4 * mean)
        - 1.25 * eccentricity**2 * np.sin(2 * anomaly)
    )
    return np.asarray(declination_rad), np.asarray(4.0 * np.degrees(equation))


def declination(time: npt.ArrayLike | dt.datetime) -> FloatArray:
    """Return the sun's declination at `time` (ns or datetime64). [degree]."""
    return np.degrees(_coordinates(_as_ns(time))[0])


def equation_of_time(time: npt.ArrayLike | dt.datetime) -> FloatArray:
    """Return apparent minus mean solar time at `time` (ns or datetime64). [min]."""
    return _coordinates(_as_ns(time))[1]


def elevation(
    time: npt.ArrayLike | dt.datetime, latitude_deg: npt.ArrayLike, longitude_deg: npt.ArrayLike
) -> FloatArray:
    """Elevation of the sun's centre above the horizon, without refraction.

    Parameters
    ----------
    time : array-like of int64 ns since 1970-01-01 UTC or datetime64, or an aware datetime
        Instants.
    latitude_deg, longitude_deg : array-like, broadcastable with `time`
        Position, south and west negative. [degree]

    Returns
    -------
    float64 array, the broadcast shape
        Elevation. [degree]

    Raises
    ------
    InputError
        If `time` is neither whole nanoseconds nor datetime64.

    Notes
    -----
    [Meeus1998]_ equation 13.6 with the hour angle from the equation of time (chapter 28).
    """
    time_ns = _as_ns(time)
    dec, equation = _coordinates(time_ns)
    minutes = np.mod(time_ns, _DAY_NS) / _MINUTE_NS
    hour_angle = np.radians((minutes + equation) / 4.0 + np.asarray(longitude_deg, dtype=float) - 180.0)
    latitude = np.radians(np.asarray(latitude_deg, dtype=float))
    sine = np.sin(latitude) * np.sin(dec) + np.cos(latitude) * np.cos(dec) * np.cos(hour_angle)
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))))


def solar_noon(time: npt.ArrayLike | dt.datetime, longitude_deg: float) -> IntArray:
    """Return the solar noon nearest to `time` at `longitude_deg`. [ns since 1970-01-01 UTC]."""
    time_ns = _as_ns(time)
    lead_ns = round((180.0 - longitude_deg) * 4.0 * _MINUTE_NS)
    # Mean noons lie at lead + k days; the equation of time moves the true one by up to 17 minutes.
    day = np.floor_divide(time_ns - lead_ns + _DAY_NS // 2, _DAY_NS)
    mean = day * _DAY_NS + lead_ns
    noon = mean
    for _ in range(2):
        noon = mean - np.rint(equation_of_time(noon) * _MINUTE_NS).astype(np.int64)
    return np.asarray(noon)


def sunrise_sunset(
    noon_ns: npt.ArrayLike | dt.datetime,
    latitude_deg: float,
    longitude_deg: float,
    horizon_deg: float = HORIZON_DEG,
) -> tuple[IntArray, IntArray]:
    """Sunrise before and sunset after the solar noon nearest to an instant.

    Parameters
    ----------
    noon_ns : array-like of int64 ns since 1970-01-01 UTC or datetime64, or an aware datetime
        Instants near the noons asked for.
    latitude_deg, longitude_deg : float
        Position, south and west negative. [degree]
    horizon_deg : float
        Elevation that counts as rising and setting. [degree]

    Returns
    -------
    rise, set : int64 arrays
        [ns since 1970-01-01 UTC] The smallest int64 (NaT) where the sun does not cross the horizon.

    Notes
    -----
    [Meeus1998]_ equation 15.1, iterated with the coordinates at the event itself.
    """
    noon = solar_noon(noon_ns, longitude_deg)
    latitude = np.radians(latitude_deg)
    events: list[IntArray] = []
    for sign in (-1.0, 1.0):
        event = noon
        never = np.zeros(np.shape(noon), dtype=bool)
        for _ in range(4):
            dec, equation = _coordinates(event)
            cosine = (np.sin(np.radians(horizon_deg)) - np.sin(latitude) * np.sin(dec)) / (
                np.cos(latitude) * np.cos(dec)
            )
            never = np.abs(cosine) > 1.0
            angle = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
            # True noon by the equation of time at the event, then 4 minutes a degree of hour angle.
            shift = np.rint((equation_of_time(noon) - equation + sign * 4.0 * angle) * _MINUTE_NS)
            event = noon + shift.astype(np.int64)
        events.append(np.asarray(np.where(never, _NEVER, event)))
    return events[0], events[1]


def _noons(start_ns: int, end_ns: int, longitude_deg: float) -> IntArray:
    """Return all solar noons from the one before `start_ns` to the one after `end_ns`."""
    count = int((end_ns - start_ns) // _DAY_NS) + 4
    return solar_noon(start_ns + (np.arange(count, dtype=np.int64) - 1) * _DAY_NS, longitude_deg)


def _date(time_ns: int, utc_offset_h: float) -> str:
    local = np.datetime64(int(time_ns + round(utc_offset_h * 3.6e12)), "ns")
    return str(local.astype("datetime64[D]"))


def _periods(begins: IntArray, ends: IntArray, start_ns: int, end_ns: int, utc_offset_h: float) -> tuple[Period, ...]:
    found: list[Period] = []
    for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
        if _NEVER in (begin, end) or end <= start_ns or begin >= end_ns:
            continue
        found.append(Period(_date(begin, utc_offset_h), begin, end, complete=begin >= start_ns and end <= end_ns))
    return tuple(found)


def nights(
    start: int | dt.datetime, end: int | dt.datetime, latitude_deg: float, longitude_deg: float, *, utc_offset_h: float
) -> tuple[Period, ...]:
    """Nights (sun below −0.833°) that overlap a stretch of time, each whole.

    Parameters
    ----------
    start, end : int (ns since 1970-01-01 UTC) or aware datetime
        The stretch.
    latitude_deg, longitude_deg : float
        Position, south and west negative. [degree]
    utc_offset_h : float
        Local time minus UTC; a night is named by the local date of its dusk. [h]

    Returns
    -------
    tuple of Period
        In order of time; `complete` is False where the stretch cuts a night. Where the sun does not
        set or rise there is no night of this kind, and none is returned.
    """
    start_ns, end_ns = int(_as_ns(start)), int(_as_ns(end))
    noons = _noons(start_ns, end_ns, longitude_deg)
    rises, sets = sunrise_sunset(noons, latitude_deg, longitude_deg)
    return _periods(sets[:-1], rises[1:], start_ns, end_ns, utc_offset_h)


def days(
    start: int | dt.datetime, end: int | dt.datetime, latitude_deg: float, longitude_deg: float, *, utc_offset_h: float
) -> tuple[Period, ...]:
    """Days (sun above −0.833°) that overlap a stretch of time; arguments as for `nights`."""
    start_ns, end_ns = int(_as_ns(start)), int(_as_ns(end))
    noons = _noons(start_ns, end_ns, longitude_deg)
    rises, sets = sunrise_sunset(noons, latitude_deg, longitude_deg)
    return _periods(rises, sets, start_ns, end_ns, utc_offset_h)


def days24(
    start: int | dt.datetime, end: int | dt.datetime, longitude_deg: float, *, utc_offset_h: float
) -> tuple[Period, ...]:
    """Stretches from local solar noon to noon that overlap a stretch of time, named by the first noon's date."""
    start_ns, end_ns = int(_as_ns(start)), int(_as_ns(end))
    noons = _noons(start_ns, end_ns, longitude_deg)
    return _periods(noons[:-1], noons[1:], start_ns, end_ns, utc_offset_h)
