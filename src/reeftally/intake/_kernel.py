"""The compiled reader of delimited lines: one pass over the bytes, exact numbers, exact times.

Here:     numbers, time patterns and line ends of the regular case; a status for every line.
Not here: everything irregular (`_lines` looks at those lines one by one, in plain Python).
Rules:    a number is accepted only if it can be formed exactly as Python's `float` would; otherwise the
          line goes the slow way. No line is repaired here.

Notes
-----
A decimal of at most 15 to 16 digits whose mantissa is below 2**53 and whose power of ten is at most 22
has an exact mantissa and an exact power, so one division or multiplication rounds once, correctly
(Clinger, W. D. (1990). How to read floating point numbers accurately. Proc. ACM SIGPLAN '90, 92-101).
Days are counted by the proleptic Gregorian calendar in the usual closed form.
"""

# The compiler needs np.int64 where mypy wants int; the annotations say what Python callers see.
# mypy: disable-error-code="assignment,return-value,no-any-return"

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = [
    "BAD_TIME",
    "CHECKSUM",
    "DATA",
    "IGNORE",
    "ODD",
    "PATTERN",
    "SERIAL",
    "SKIP",
    "TIME_PART",
    "UNIX",
    "WHITESPACE",
    "parse_lines",
    "parse_pattern",
]

# Status of a line.
DATA, SKIP, ODD, CHECKSUM = 0, 1, 2, 3
# Role of a field: a column number >= 0, or one of these; time part k is TIME_PART - k.
IGNORE, TIME_PART = -1, -2
# How time is written.
PATTERN, UNIX, SERIAL = 0, 1, 2
WHITESPACE = 0
BAD_TIME = -(2**63)

_DAY_NS = 86_400_000_000_000
_POWERS = np.array([10.0**k for k in range(23)])
_DAYS_BEFORE = np.array([0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334])
_MONTH_DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
_MONTHS = np.frombuffer(b"janfebmaraprmayjunjulaugsepoctnovdec", np.uint8)

_OPTIONS = {"nogil": True, "cache": True, "error_model": "numpy"}


@njit(inline="always", **_OPTIONS)
def _is_end(byte: int) -> bool:
    return byte == 10 or byte == 13  # noqa: PLR1714 - compiled: two comparisons, no tuple


@njit(inline="always", **_OPTIONS)
def _is_blank(byte: int) -> bool:
    return byte == 32 or byte == 9  # noqa: PLR1714 - compiled: two comparisons, no tuple


@njit(**_OPTIONS)
def _number(
    buffer: npt.NDArray[np.uint8], at: int, stop: int, decimal: int
) -> tuple[bool, float, int]:  # pragma: no cover - compiled
    """Return (exact, value, next position)."""
    sign = 1.0
    if at < stop and (buffer[at] == 45 or buffer[at] == 43):
        if buffer[at] == 45:
            sign = -1.0
        at += 1
    mantissa = np.uint64(0)
    digits = 0
    significant = 0
    places = 0
    while at < stop:
        byte = buffer[at]
        if byte < 48 or byte > 57:
            break
        mantissa = mantissa * np.uint64(10) + np.uint64(byte - 48)
        if mantissa:
            significant += 1
        digits += 1
        at += 1
    if at < stop and buffer[at] == decimal:
        at += 1
        while at < stop:
            byte = buffer[at]
            if byte < 48 or byte > 57:
                break
            mantissa = mantissa * np.uint64(10) + np.uint64(byte - 48)
            if mantissa:
                significant += 1
            digits += 1
            places += 1
            at += 1
    if digits == 0 or significant > 18:
        return False, 0.0, at
    power = -places
    if at < stop and (buffer[at] == 101 or buffer[at] == 69):
        at += 1
        down = False
        if at < stop and (buffer[at] == 45 or buffer[at] == 43):
            down = buffer[at] == 45
            at += 1
        exponent = 0
        count = 0
        while at < stop and 48 <= buffer[at] <= 57:
            exponent = exponent * 10 + np.int64(buffer[at] - 48)
            count += 1
            at += 1
            if count > 4:
                return False, 0.0, at
        if count == 0:
            return False, 0.0, at
        power += -exponent if down else exponent
    if mantissa == 0:
        return True, sign * 0.0, at
    if mantissa >= np.uint64(9007199254740992) or power < -22 or power > 22:
        return False, 0.0, at
    value = float(mantissa)
    value = value / _POWERS[-power] if power < 0 else value * _POWERS[power]
    return True, sign * value, at


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
    while stop > at and (_is_blank(buffer[stop - 1])):
        stop -= 1
    while at < stop and _is_blank(buffer[at]):
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
def _counted(
    buffer: npt.NDArray[np.uint8], at: int, stop: int, kind: int, unit_ns: int, decimal: int
) -> int:  # pragma: no cover - compiled
    """Return nanoseconds of a count of seconds, milliseconds or days with decimals."""
    while stop > at and _is_blank(buffer[stop - 1]):
        stop -= 1
    while at < stop and _is_blank(buffer[at]):
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


@njit(**_OPTIONS)
def _is_mark(
    buffer: npt.NDArray[np.uint8],
    at: int,
    stop: int,
    marks: npt.NDArray[np.uint8],
    mark_ends: npt.NDArray[np.int64],
) -> bool:  # pragma: no cover - compiled
    while stop > at and _is_blank(buffer[stop - 1]):
        stop -= 1
    while at < stop and _is_blank(buffer[at]):
        at += 1
    if stop == at:
        return True
    begin = 0
    for mark in range(mark_ends.size):
        end = mark_ends[mark]
        if end - begin == stop - at:
            same = True
            for k in range(end - begin):
                if buffer[at + k] != marks[begin + k]:
                    same = False
                    break
            if same:
                return True
        begin = end
    return False


@njit(**_OPTIONS)
def _hex(byte: int) -> int:  # pragma: no cover - compiled
    if 48 <= byte <= 57:
        return byte - 48
    if 65 <= byte <= 70:
        return byte - 55
    if 97 <= byte <= 102:
        return byte - 87
    return -1


@njit(**_OPTIONS)
def parse_lines(
    buffer: npt.NDArray[np.uint8],
    begin: int,
    end: int,
    delimiter: int,
    decimal: int,
    comment: npt.NDArray[np.uint8],
    roles: npt.NDArray[np.int32],
    fields: int,
    parts: int,
    marks: npt.NDArray[np.uint8],
    mark_ends: npt.NDArray[np.int64],
    time_kind: int,
    program: npt.NDArray[np.int32],
    unit_ns: int,
    utc: bool,
    checksum: bool,
    values: npt.NDArray[np.float64],
    times: npt.NDArray[np.int64],
    status: npt.NDArray[np.uint8],
    starts: npt.NDArray[np.int64],
) -> int:  # pragma: no cover - compiled
    """Read lines from buffer[begin:end] into the arrays; return how many lines there were.

    Parameters
    ----------
    buffer : uint8 array
        Bytes, cut at a line end.
    delimiter, decimal : int
        Byte values; delimiter 0 is any run of blanks and tabs.
    comment : uint8 array
        A line that begins so is skipped; empty for none.
    roles : int32 array
        What each field is: column number, IGNORE, or part of the time.
    fields : int
        Fields a line must have (empty ones at the end of a line do not count); 0 for any number that
        covers `roles`.
    parts : int
        Fields the time is written in.
    marks, mark_ends : arrays
        Marks of missing values, one after the other, and where each ends.
    time_kind, program, unit_ns, utc
        How the time is written.
    checksum : bool
        The line ends in ``*HH``, the exclusive or of the bytes before the star.
    values : float64 array (columns, lines), times, status, starts : arrays (lines,)
        Filled: values with NaN for missing, nanoseconds, status, position of each line.
    """
    line = 0
    at = begin
    part_from = np.zeros(8, np.int64)
    part_to = np.zeros(8, np.int64)
    scratch = np.zeros(96, np.uint8)
    quote = np.uint8(34)
    while at < end and line < status.size:
        starts[line] = at
        status[line] = DATA
        stop = end
        if _is_end(buffer[at]):
            status[line] = SKIP
        elif comment.size and at + comment.size <= end and buffer[at] == comment[0]:
            same = True
            for k in range(1, comment.size):
                if buffer[at + k] != comment[k]:
                    same = False
            if same:
                status[line] = SKIP
        if status[line] == DATA and checksum:
            stop = at
            star = -1
            while stop < end and not _is_end(buffer[stop]):
                if buffer[stop] == 42:
                    star = stop
                stop += 1
            if star < 0 or star + 3 > stop or _hex(buffer[star + 1]) < 0 or _hex(buffer[star + 2]) < 0:
                status[line] = CHECKSUM
            else:
                total = np.uint8(0)
                for k in range(at, star):
                    total ^= buffer[k]
                if total != 16 * _hex(buffer[star + 1]) + _hex(buffer[star + 2]):
                    status[line] = CHECKSUM
                stop = star
                if stop > at and delimiter and buffer[stop - 1] == delimiter:
                    stop -= 1
        if status[line] == DATA:
            field = 0
            filled = 0
            good = True
            while True:
                while at < stop and _is_blank(buffer[at]) and buffer[at] != delimiter:
                    at += 1
                if delimiter == WHITESPACE and (at >= stop or _is_end(buffer[at])):
                    break
                role = roles[field] if field < roles.size else IGNORE
                quoted = at < stop and buffer[at] == quote
                if quoted:
                    at += 1
                first = at
                exact = False
                if role >= 0:
                    exact, value, at = _number(buffer, at, stop, decimal)
                    if quoted:
                        if exact and at < stop and buffer[at] == quote:
                            at += 1
                        else:
                            exact = False
                    if delimiter != WHITESPACE:
                        while at < stop and _is_blank(buffer[at]) and buffer[at] != delimiter:
                            at += 1
                    if at < stop and not _is_end(buffer[at]):
                        if delimiter == WHITESPACE:
                            exact = exact and _is_blank(buffer[at])
                        else:
                            exact = exact and buffer[at] == delimiter
                    if exact:
                        values[role, line] = value
                if not exact:
                    # Find the end of the field: past a closing quote, at the next delimiter.
                    at = first
                    last = first
                    if quoted:
                        while at < stop and buffer[at] != quote and not _is_end(buffer[at]):
                            at += 1
                        last = at
                        if at < stop and buffer[at] == quote:
                            at += 1
                        else:
                            good = False
                    while at < stop and not _is_end(buffer[at]):
                        if delimiter == WHITESPACE:
                            if _is_blank(buffer[at]):
                                break
                        elif buffer[at] == delimiter:
                            break
                        at += 1
                    if not quoted:
                        last = at
                    if role >= 0:
                        if _is_mark(buffer, first, last, marks, mark_ends):
                            values[role, line] = np.nan
                        else:
                            good = False
                    elif role <= TIME_PART:
                        part_from[TIME_PART - role] = first
                        part_to[TIME_PART - role] = last
                field += 1
                if at > first:
                    filled = field
                if at >= stop or _is_end(buffer[at]):
                    break
                at += 1
            if field < fields or field < roles.size or (fields and filled > fields):
                good = False
            if good:
                low, high = part_from[0], part_to[0]
                if parts == 1:
                    if time_kind == PATTERN:
                        moment = parse_pattern(buffer, low, high, program, utc)
                    else:
                        moment = _counted(buffer, low, high, time_kind, unit_ns, decimal)
                else:
                    size = 0
                    for part in range(parts):
                        if part and size < 96:
                            scratch[size] = 32
                            size += 1
                        for k in range(part_from[part], part_to[part]):
                            if size < 96:
                                scratch[size] = buffer[k]
                                size += 1
                    moment = parse_pattern(scratch, 0, size, program, utc)
                if moment == BAD_TIME:
                    good = False
                times[line] = moment
            if not good:
                status[line] = ODD
        # To the end of the line, which may be \n, \r\n or \r.
        while at < end and not _is_end(buffer[at]):
            at += 1
        if at < end and buffer[at] == 13 and at + 1 < end and buffer[at + 1] == 10:
            at += 1
        at += 1
        line += 1
    starts[line] = min(at, end)
    return line
