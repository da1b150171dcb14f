"""Compiled reading of times: patterns, counts of seconds, serial days.

Here:     one time of one line, from bytes to nanoseconds.
Not here: lines (`_kernel`), zones (`_times`).
Rules:    exact to the nanosecond where the text is; days by the proleptic Gregorian calendar.
"""

# The compiler needs np.int64 where mypy wants int; the annotations say what Python callers see.
# mypy: disable-error-code="assignment,return-value,no-any-return"

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["BAD_TIME", "PATTERN", "SERIAL", "UNIX", "is_blank", "parse_count", "parse_pattern"]

# How time is written.
PATTERN, UNIX, SERIAL = 0, 1, 2
BAD_TIME = -(2**63)

_DAY_NS = 86_400_000_000_000
_DAYS_BEFORE = np.array([0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334])
_MONTH_DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
_MONTHS = np.frombuffer(b"janfebmaraprmayjunjulaugsepoctnovdec", np.uint8)

_OPTIONS = {"nogil": True, "cache": True, "error_model": "numpy"}


@njit(inline="always", **_OPTIONS)
def is_blank(byte: int) -> bool:
    return byte == 32 or byte == 9  # noqa: PLR1714 - compiled: two comparisons, no tuple


@njit(**_OPTIONS)
def _days(year: int, month: int, day: int) -> int:  # pragma: no cover - compiled
    """Days since 1970-01-01; -2**62 for a date that is not."""
    if month < 1 or month > 12 or day < 1 or year < 1 or year > 2260:
        return -(2**62)
    leap = (year % 4 == 0 and year % 100 != 0) or year % 400 == 0
    longest = _MONTH_DAYS[month - 1]
    if month == 2 and leap:
        longest = 29
    if day > longest:
        return -(2**62)
    before = year - 1
    days = before * 365 + before // 4 - before // 100 + before // 400 - 719162
    days += _DAYS_BEFORE[month - 1] + day - 1
    if leap and month > 2:
        days += 1
    return days


@njit(**_OPTIONS)
def parse_pattern(
    buffer: npt.NDArray[np.uint8], at: int, stop: int, program: npt.NDArray[np.int32], utc: bool
) -> int:  # pragma: no cover - compiled
    """Return nanoseconds since 1970 of a time written by `program`; `BAD_TIME` if it is not so written.

    `program` is a row of (code, argument) pairs made by `_times.compile_format`.
    """
    year, month, day, hour, minute, second = 1970, 1, 1, 0, 0, 0
    nanos = np.int64(0)
    yearday = 0
    half = -1
    offset = np.int64(0)
    while stop > at and (is_blank(buffer[stop - 1])):
        stop -= 1
    while at < stop and is_blank(buffer[at]):
        at += 1
    for step in range(0, program.size, 2):
        code = program[step]
        if code == 0:  # a literal sign
            if at >= stop or buffer[at] != program[step + 1]:
                return BAD_TIME
            at += 1
        elif code <= 9:  # digits: at least one, at most as many as the field has
            most = program[step + 1]
            value = 0
            count = 0
            while at < stop and count < most and 48 <= buffer[at] <= 57:
                value = value * 10 + np.int64(buffer[at] - 48)
                count += 1
                at += 1
            if count == 0 or (code == 1 and count != 4) or (code == 7 and count != 2):
                return BAD_TIME
            if code == 1:
                year = value
            elif code == 2:
                month = value
            elif code == 3:
                day = value
            elif code == 4:
                hour = value
                if value > 23:
                    return BAD_TIME
            elif code == 5:
                minute = value
                if value > 59:
                    return BAD_TIME
            elif code == 6:
                second = value
                if value > 60:
                    return BAD_TIME
            elif code == 7:  # two digits of a year, as POSIX reads them
                year = 1900 + value if value >= 69 else 2000 + value
            elif code == 8:
                yearday = value
                if value < 1 or value > 366:
                    return BAD_TIME
            else:  # hour of a 12-hour clock
                hour = value
                if value < 1 or value > 12:
                    return BAD_TIME
        elif code == 10:  # a fraction that may be left out when it is zero
            if at < stop and (buffer[at] == 46 or buffer[at] == 44):
                at += 1
                count = 0
                while at < stop and count < 9 and 48 <= buffer[at] <= 57:
                    nanos = nanos * 10 + np.int64(buffer[at] - 48)
                    count += 1
                    at += 1
                if count == 0:
                    return BAD_TIME
                for _ in range(9 - count):
                    nanos *= 10
        elif code == 11:  # name of a month, three letters, English
            if at + 3 > stop:
                return BAD_TIME
            month = 0
            for name in range(12):
                if (
                    (buffer[at] | 32) == _MONTHS[3 * name]
                    and (buffer[at + 1] | 32) == _MONTHS[3 * name + 1]
                    and (buffer[at + 2] | 32) == _MONTHS[3 * name + 2]
                ):
                    month = name + 1
            at += 3
        elif code == 12:  # AM or PM
            if at + 2 > stop or (buffer[at + 1] | 32) != 109:
                return BAD_TIME
            if (buffer[at] | 32) == 97:
                half = 0
            elif (buffer[at] | 32) == 112:
                half = 1
            else:
                return BAD_TIME
            at += 2
        elif code == 13:  # offset from UTC: Z, +hhmm or +hh:mm
            if at < stop and (buffer[at] == 90 or buffer[at] == 122):
                at += 1
            elif at + 5 <= stop and (buffer[at] == 43 or buffer[at] == 45):
                sign = 1 if buffer[at] == 43 else -1
                at += 1
                value = 0
                count = 0
                while at < stop and count < 4:
                    if 48 <= buffer[at] <= 57:
                        value = value * 10 + np.int64(buffer[at] - 48)
                        count += 1
                    elif not (buffer[at] == 58 and count == 2):
                        return BAD_TIME
                    at += 1
                if count != 4:
                    return BAD_TIME
                offset = sign * np.int64((value // 100) * 60 + value % 100) * 60_000_000_000
            else:
                return BAD_TIME
    if at < stop and utc and (buffer[at] == 90 or buffer[at] == 122):
        at += 1  # a Z after a stamp that the layout declares as UTC says the same thing
    if at != stop:
        return BAD_TIME
    if half == 0 and hour == 12:
        hour = 0
    elif half == 1 and hour < 12:
        hour += 12
    if yearday:
        days = _days(year, 1, 1)
        leap = (year % 4 == 0 and year % 100 != 0) or year % 400 == 0
        if yearday == 366 and not leap:
            return BAD_TIME
        days += yearday - 1
    else:
        days = _days(year, month, day)
    if days < -(2**61) or year < 1678:
        return BAD_TIME
    return np.int64(days) * _DAY_NS + np.int64(hour * 3600 + minute * 60 + second) * 1_000_000_000 + nanos - offset


@njit(**_OPTIONS)
def parse_count(
    buffer: npt.NDArray[np.uint8], at: int, stop: int, kind: int, unit_ns: int, decimal: int
) -> int:  # pragma: no cover - compiled
    """Return nanoseconds of a count of seconds, milliseconds or days with decimals."""
    while stop > at and is_blank(buffer[stop - 1]):
        stop -= 1
    while at < stop and is_blank(buffer[at]):
        at += 1
    negative = False
    if at < stop and (buffer[at] == 45 or buffer[at] == 43):
        negative = buffer[at] == 45
        at += 1
    whole = np.int64(0)
    digits = 0
    while at < stop and 48 <= buffer[at] <= 57 and digits < 15:
        whole = whole * 10 + np.int64(buffer[at] - 48)
        digits += 1
        at += 1
    part = np.int64(0)
    places = 0
    if digits and at < stop and (buffer[at] == decimal or buffer[at] == 46):
        at += 1
        while at < stop and 48 <= buffer[at] <= 57:
            if places < 18:
                part = part * 10 + np.int64(buffer[at] - 48)
                places += 1
            at += 1
    if digits == 0 or at != stop or whole > 9_200_000_000_000_000_000 // unit_ns:
        return BAD_TIME
    total = whole * unit_ns
    if kind == UNIX:
        # Whole nanoseconds by integers, so that decimal seconds lose nothing.
        while places > 9:
            part //= 10
            places -= 1
        scale = np.int64(1)
        for _ in range(places):
            scale *= 10
        total += part * unit_ns // scale
    else:
        total += np.int64(np.rint(float(part) / 10.0**places * unit_ns))
    return -total if negative else total
