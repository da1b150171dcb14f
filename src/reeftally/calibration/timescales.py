"""Time scales: leap seconds, the constant between satellite time and UTC, dates that can be read two ways.

Here:     TAI - UTC and GPS - UTC at any date since 1972, stamps with second 60, serial dates, day and month exchanged.
Not here: reading text (`intake`), deciding between two readings (people).
Rules:    times are POSIX seconds (UTC without leap seconds). A reading is proposed with its evidence, never chosen.
"""

from __future__ import annotations

import calendar
import datetime as dt
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float
from reeftally.errors import InputError

__all__ = [
    "LEAP_SECONDS",
    "DateReading",
    "gps_minus_utc",
    "gps_to_utc",
    "leap_seconds_between",
    "read_date_both_ways",
    "serial_dates",
    "tai_minus_utc",
]

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


def leap_seconds_between(start: float, end: float) -> tuple[float, ...]:
    """Return the POSIX seconds at which a leap second was inserted in (start, end]."""
    return tuple(float(s) for s in _STARTS[1:] if start < s <= end)


@dataclass(frozen=True, slots=True, kw_only=True)
class DateReading:
    """One way to read a column of dates."""

    name: str
    share_inside: float
    """Share of stamps that then lie within the mission."""
    increasing: bool
    """Whether stamps then never go back."""
    first: float
    last: float
    """POSIX seconds."""


def read_date_both_ways(
    *, texts: list[str], start: float, end: float, separator: str = "/"
) -> tuple[list[DateReading], str]:
    """Read dates such as 03/04/31 as day-month and as month-day and hold both against the mission's window.

    Parameters
    ----------
    texts : list of str
        Dates of three numbers, the year last, two- or four-digit; a time of day may follow after a blank.
    start, end : float
        The mission's window. [POSIX s]
    separator : str
        Between the numbers.

    Returns
    -------
    readings : list of DateReading
        Those that every text allows.
    verdict : str
        What to ask; names the single reading that fits, or says that both do.

    Raises
    ------
    InputError
        For a text that is no such date.
    """
    parts = []
    for text in texts:
        day, _, clock = text.partition(" ")
        numbers = day.split(separator)
        if len(numbers) != 3 or not all(n.strip().isdigit() for n in numbers):
            message = f"{text!r} is not a date of three numbers with {separator!r} between them."
            raise InputError(message)
        hours = [float(x) for x in clock.split(":")] if clock else []
        seconds = sum(value * unit for value, unit in zip(hours, (3600.0, 60.0, 1.0), strict=False))
        parts.append((int(numbers[0]), int(numbers[1]), int(numbers[2]), seconds))
    readings = []
    for name, day_at, month_at in (("day first", 0, 1), ("month first", 1, 0)):
        stamps = _stamps(parts, day_at, month_at)
        if stamps is None:
            continue
        readings.append(
            DateReading(
                name=name,
                share_inside=float(((stamps >= start) & (stamps <= end)).mean()),
                increasing=bool((np.diff(stamps) >= 0).all()),
                first=float(stamps[0]),
                last=float(stamps[-1]),
            )
        )
    fits = [r for r in readings if r.share_inside > 0.95 and r.increasing]
    if len(fits) == 1:
        return readings, f"{fits[0].name}: only so do the dates lie within the mission and in order. Confirm it."
    which = "both readings fit" if len(fits) == 2 else "no reading fits"
    return readings, f"{which} the mission's window; state the order of day and month in the layout."


def _stamps(parts: list[tuple[int, int, int, float]], day_at: int, month_at: int) -> FloatArray | None:
    out = []
    for part in parts:
        year = part[2] + (2000 if part[2] < 100 else 0)
        try:
            moment = dt.datetime(year, int(part[month_at]), int(part[day_at]), tzinfo=dt.UTC)
        except ValueError:
            return None
        out.append(moment.timestamp() + part[3])
    return np.array(out)


_DAY_ZERO = {
    "serial_1900": dt.datetime(1899, 12, 30, tzinfo=dt.UTC).timestamp(),
    "serial_1904": dt.datetime(1904, 1, 1, tzinfo=dt.UTC).timestamp(),
}


def serial_dates(*, values: npt.ArrayLike, start: float, end: float) -> tuple[dict[str, float], str]:
    """Hold numbers that may be times against the mission's window, by every epoch and unit in use.

    Parameters
    ----------
    values : array-like, (n,)
        Numbers of a time column.
    start, end : float
        The mission's window. [POSIX s]

    Returns
    -------
    shares : dict
        Share of values within the window as ``serial_1900``, ``serial_1904`` (days), ``unix_s``, ``unix_ms``, and
        with a century lost (``two_digit_year``: 100 years added).
    verdict : str
        The single reading that fits, or a question.

    Notes
    -----
    Spreadsheet days count from 1900 (day 0 is 30 December 1899 for dates after February 1900) or from 1904; the two
    differ by 1462 days.
    """
    numbers = as_float("values", values)
    century = dt.datetime(2000, 1, 1, tzinfo=dt.UTC).timestamp() - dt.datetime(1900, 1, 1, tzinfo=dt.UTC).timestamp()
    readings = {
        "serial_1900": numbers * 86400.0 + _DAY_ZERO["serial_1900"],
        "serial_1904": numbers * 86400.0 + _DAY_ZERO["serial_1904"],
        "unix_s": numbers,
        "unix_ms": numbers / 1000.0,
        "two_digit_year": numbers + century,
    }
    shares = {name: float(((t >= start) & (t <= end)).mean()) for name, t in readings.items()}
    fits = [name for name, share in shares.items() if share > 0.95]
    if len(fits) == 1:
        return shares, f"{fits[0]}: only so do the times lie within the mission. Confirm it in the layout."
    return shares, f"{len(fits)} readings fit the mission's window; state the time format in the layout."
