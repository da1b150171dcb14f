"""Time scales: leap seconds, the constant between satellite time and UTC, dates that can be read two ways.

Here:     dates that can be read two ways: serial dates, centuries, day and month exchanged.
Not here: leap seconds (`mission.timescales`), reading text (`intake`), deciding between two readings (people).
Rules:    times are POSIX seconds (UTC without leap seconds). A reading is proposed with its evidence, never chosen.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float
from reeftally.errors import InputError
from reeftally.mission.timescales import (
    LEAP_SECONDS,
    gps_minus_utc,
    gps_to_utc,
    leap_seconds_between,
    tai_minus_utc,
)

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
