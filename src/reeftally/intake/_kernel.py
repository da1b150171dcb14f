"""The compiled reader of delimited lines: one pass over the bytes, exact numbers, exact times.

Here:     numbers, fields and line ends of the regular case; a status for every line.
Not here: times (`_kernel_time`), everything irregular (`_lines` looks at it line by line, in plain Python).
Rules:    a number is accepted only if it can be formed exactly as Python's `float` would; otherwise the
          line goes the slow way. No line is repaired here.

Notes
-----
A decimal of at most 15 to 16 digits whose mantissa is below 2**53 and whose power of ten is at most 22
has an exact mantissa and an exact power, so one division or multiplication rounds once, correctly
(Clinger, W. D. (1990). How to read floating point numbers accurately. Proc. ACM SIGPLAN '90, 92-101).
Longer ones, of up to 19 digits, are formed as the sum of two doubles (Dekker, T. J. (1971). A floating-point
technique for extending the available precision. Numer. Math. 18, 224-242) and accepted if the rounding of
that sum is beyond doubt.
"""

# The compiler needs np.int64 where mypy wants int; the annotations say what Python callers see.
# mypy: disable-error-code="assignment,return-value,no-any-return"

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from reeftally.intake._kernel_time import BAD_TIME, PATTERN, is_blank, parse_count, parse_pattern

__all__ = ["CHECKSUM", "DATA", "IGNORE", "ODD", "SKIP", "TIME_PART", "WHITESPACE", "parse_lines"]

# Status of a line.
DATA, SKIP, ODD, CHECKSUM = 0, 1, 2, 3
# Role of a field: a column number >= 0, or one of these; time part k is TIME_PART - k.
IGNORE, TIME_PART = -1, -2
# Delimiter: any run of blanks and tabs.
WHITESPACE = 0

_POWERS = np.array([10.0**k for k in range(23)])

_OPTIONS = {"nogil": True, "cache": True, "error_model": "numpy"}


@njit(inline="always", **_OPTIONS)
def _is_end(byte: int) -> bool:
    return byte == 10 or byte == 13  # noqa: PLR1714 - compiled: two comparisons, no tuple


@njit(**_OPTIONS)
def _product(a: float, b: float) -> tuple[float, float]:  # pragma: no cover - compiled
    """Return the product of two doubles as an unevaluated sum of two (exactly)."""
    product = a * b
    big = 134217729.0 * a
    a_high = big - (big - a)
    a_low = a - a_high
    big = 134217729.0 * b
    b_high = big - (big - b)
    b_low = b - b_high
    return product, ((a_high * b_high - product) + a_high * b_low + a_low * b_high) + a_low * b_low


@njit(**_OPTIONS)
def _long(mantissa: int, power: int) -> tuple[bool, float]:  # pragma: no cover - compiled
    """Return (sure, value) of mantissa * 10**power for a mantissa that no double holds."""
    high = float(mantissa & np.uint64(0xFFFFFFFFFFFFF800))
    low = float(mantissa & np.uint64(0x7FF))
    if power < 0:
        scale = _POWERS[-power]
        first = high / scale
        product, rest = _product(first, scale)
        second = (((high - product) - rest) + low) / scale
    else:
        scale = _POWERS[power]
        first, rest = _product(high, scale)
        second = rest + low * scale
    # first + second is good to some 2**-100; sure if that doubt cannot change the rounding.
    doubt = abs(first) * 2.0**-90
    value = first + second
    return (first + (second - doubt)) == value and (first + (second + doubt)) == value, value


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
    if digits == 0 or significant > 19:
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
    if power < -22 or power > 22:
        return False, 0.0, at
    if mantissa >= np.uint64(9007199254740992):
        exact, value = _long(mantissa, power)
        return exact, sign * value, at
    value = float(mantissa)
    value = value / _POWERS[-power] if power < 0 else value * _POWERS[power]
    return True, sign * value, at


@njit(**_OPTIONS)
def _is_mark(
    buffer: npt.NDArray[np.uint8],
    at: int,
    stop: int,
    marks: npt.NDArray[np.uint8],
    mark_ends: npt.NDArray[np.int64],
) -> bool:  # pragma: no cover - compiled
    while stop > at and is_blank(buffer[stop - 1]):
        stop -= 1
    while at < stop and is_blank(buffer[at]):
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
                while at < stop and is_blank(buffer[at]) and buffer[at] != delimiter:
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
                        while at < stop and is_blank(buffer[at]) and buffer[at] != delimiter:
                            at += 1
                    if at < stop and not _is_end(buffer[at]):
                        if delimiter == WHITESPACE:
                            exact = exact and is_blank(buffer[at])
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
                            if is_blank(buffer[at]):
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
                        moment = parse_count(buffer, low, high, time_kind, unit_ns, decimal)
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
