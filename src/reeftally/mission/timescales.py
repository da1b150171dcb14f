"""Time scales: leap seconds, satellite time against UTC, the days from which clocks count that lost their time.

Here:     TAI - UTC and GPS - UTC at any date since 1972, and the epochs of clocks that were reset.
Not here: reading text (`intake`), which of two readings of a date is right (`calibration.timescales`).
Rules:    times are POSIX seconds (UTC without leap seconds).
"""

from __future__ import annotations

import calendar
import datetime as dt

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float

__all__ = [
    "EPOCHS",
    "LEAP_SECONDS",
    "gps_minus_utc",
    "gps_to_utc",
    "leap_seconds_between",
    "tai_minus_utc",
    "tai_to_utc",
]

EPOCHS: dict[str, float] = {
    "1904": dt.datetime(1904, 1, 1, tzinfo=dt.UTC).timestamp(),
    "1970": 0.0,
    "1980 (PC)": dt.datetime(1980, 1, 1, tzinfo=dt.UTC).timestamp(),
    "1980 (satellite time)": dt.datetime(1980, 1, 6, tzinfo=dt.UTC).timestamp(),
    "2000": dt.datetime(2000, 1, 1, tzinfo=dt.UTC).timestamp(),
}
"""POSIX second of the dates from which clocks count that lost their power (common practice, no source)."""

# First instant of each new value of TAI - UTC (year, month) and the value [s]. Source: International Earth Rotation
# and Reference Systems Service, leap-seconds.list (Bulletin C); no leap second since 2017.
_TABLE = (
    (1972, 1, 10), (1972, 7, 11), (1973, 1, 12), (1974, 1, 13), (1975, 1, 14), (1976, 1, 15), (1977, 1, 16),
    (1978, 1, 17), (1979, 1, 18), (1980, 1, 19), (1981, 7, 20), (1982, 7, 21), (1983, 7, 22), (1985, 7, 23),
    (1988, 1, 24), (1990, 1, 25), (1991, 1, 26), (1992, 7, 27), (1993, 7, 28), (1994, 7, 29), (1996, 1, 30),
    (1997, 7, 31), (1999, 1, 32), (2006, 1, 33), (2009, 1, 34), (2012, 7, 35), (2015, 7, 36), (2017, 1, 37),
)  # fmt: skip

LEAP_SECONDS: tuple[tuple[int, int], ...] = tuple(
    (calendar.timegm((year, month, 1, 0, 0, 0)), value) for year, month, value in _TABLE
)
"""POSIX second from which each value of TAI - UTC holds, and that value."""

# GPS time was set equal to UTC on 6 January 1980, when TAI - UTC was 19 s.
_TAI_MINUS_GPS = 19.0
_STARTS = np.array([start for start, _ in LEAP_SECONDS], dtype=np.float64)
_VALUES = np.array([value for _, value in LEAP_SECONDS], dtype=np.float64)


def tai_minus_utc(utc: npt.ArrayLike) -> FloatArray:
    """Return TAI - UTC at POSIX seconds `utc`. [s] NaN before 1972."""
    seconds = as_float("utc", utc)
    index = np.searchsorted(_STARTS, seconds, side="right") - 1
    return np.asarray(np.where(index >= 0, _VALUES[np.maximum(index, 0)], np.nan))


def gps_minus_utc(utc: npt.ArrayLike) -> FloatArray:
    """Return GPS - UTC at POSIX seconds `utc`: 18 s since 2017. [s]"""
    return np.asarray(tai_minus_utc(utc) - _TAI_MINUS_GPS)


def gps_to_utc(gps: npt.ArrayLike) -> FloatArray:
    """Return POSIX seconds of stamps written in GPS time as if it were UTC. [s]

    A stamp within a leap second maps to the second after it: POSIX time has no name for second 60.
    """
    stamps = as_float("gps", gps)
    first = stamps - gps_minus_utc(stamps)
    # Near a change the difference must be taken at the UTC found, not at the stamp.
    return np.asarray(stamps - gps_minus_utc(np.where(np.isnan(first), stamps, first)))


def tai_to_utc(tai: npt.ArrayLike) -> FloatArray:
    """Return POSIX seconds of stamps written in TAI as if it were UTC. [s]"""
    return gps_to_utc(as_float("tai", tai) - _TAI_MINUS_GPS)


def leap_seconds_between(start: float, end: float) -> tuple[float, ...]:
    """Return the POSIX seconds at which a leap second was inserted in (start, end]."""
    return tuple(float(s) for s in _STARTS[1:] if start < s <= end)
