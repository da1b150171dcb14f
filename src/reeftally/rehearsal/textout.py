"""Fast text: rows of numbers and times as the bytes that loggers write.

Here:     `Dialect` (how a row looks) and `format_rows`, compiled.
Not here: which columns a file has (`layouts`), opening files (`writer`).
Rules:    fixed decimals, halves rounded away from zero; NaN becomes the missing mark; the same numbers
          give the same bytes everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba as nb
import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.errors import InputError

__all__ = ["TIME_STYLES", "Dialect", "format_rows"]

TIME_STYLES = ("iso", "unix_s", "unix_ms", "dmy", "ymd", "ymd_slash", "serial_1900")
"""``iso`` 2031-03-25T20:00:00; ``dmy`` 25.03.2031 20:00:00; ``ymd`` 2031-03-25 20:00:00;
``ymd_slash`` 2031/03/25 20:00:00; serial_1900 days since 1899-12-30."""

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a row of one kind of file is written."""

    time_style: str
    time_decimals: int = 0
    """Decimals of the seconds (of the days for serial dates)."""
    delimiter: str = ","
    decimal_mark: str = "."
    missing: str = "NaN"
    split_time: bool = False
    """Date and time of day are two fields instead of one."""
    zone_hours: float = 0.0
    """Added to UTC before writing."""
    line_end: str = "\n"


@nb.njit(cache=True, error_model="numpy", nogil=True, inline="always")
def _put_whole(out: npt.NDArray[np.uint8], at: int, value: int, digits: int) -> int:
    """Write a non-negative whole number with at least `digits` digits."""
    count = 1
    rest = value
    while rest >= 10:
        rest //= 10
        count += 1
    count = max(count, digits)
    place = at + count - 1
    rest = value
    for _ in range(count):
        out[place] = 48 + rest % 10
        rest //= 10
        place -= 1
    return int(at + count)


@nb.njit(cache=True, error_model="numpy", nogil=True, inline="always")
def _put_fraction(out: np.ndarray, at: int, fraction: int, decimals: int, mark: int) -> int:
    out[at] = mark
    return int(_put_whole(out, at + 1, fraction, decimals))


@nb.njit(cache=True, error_model="numpy", nogil=True, inline="always")
def _put_date(out: np.ndarray, at: int, days: int, style: int) -> int:
    """Write a date from days since 1970-01-01 (civil calendar from days, Hinnant's algorithm)."""
    z = days + 719468
    era = z // 146097
    doe = z - era * 146097
    yoe = (doe - doe // 1460 + doe // 36524 - doe // 146096) // 365
    doy = doe - (365 * yoe + yoe // 4 - yoe // 100)
    mp = (5 * doy + 2) // 153
    day = doy - (153 * mp + 2) // 5 + 1
    month = mp + 3 if mp < 10 else mp - 9
    year = yoe + era * 400 + (1 if month <= 2 else 0)
    if style == 3:
        at = _put_whole(out, at, day, 2)
        out[at] = 46
        at = _put_whole(out, at + 1, month, 2)
        out[at] = 46
        return int(_put_whole(out, at + 1, year, 4))
    mark = 47 if style == 5 else 45
    at = _put_whole(out, at, year, 4)
    out[at] = mark
    at = _put_whole(out, at + 1, month, 2)
    out[at] = mark
    return int(_put_whole(out, at + 1, day, 2))


@nb.njit(cache=True, error_model="numpy", nogil=True)
def _rows(
    time_ns: IntArray,
    style: int,
    time_decimals: int,
    split: int,
    columns: FloatArray,
    decimals: IntArray,
    delimiter: int,
    mark: int,
    missing: np.ndarray,
    line_end: np.ndarray,
    out: np.ndarray,
) -> int:
    at = 0
    powers = 10.0 ** np.arange(16)
    unit = 1
    for _ in range(9 - time_decimals):
        unit *= 10
    scale = 1
    for _ in range(time_decimals):
        scale *= 10
    n, m = columns.shape
    for i in range(n):
        t = time_ns[i]
        if style == 1:
            # Rounded to the printed digits.
            ticks = (t + unit // 2) // unit
            at = _put_whole(out, at, ticks // scale, 1)
            if time_decimals > 0:
                at = _put_fraction(out, at, ticks % scale, time_decimals, mark)
        elif style == 2:
            at = _put_whole(out, at, (t + 500_000) // 1_000_000, 1)
        elif style == 6:
            serial = t / 86400e9 + 25569.0
            whole = int(np.floor(serial * powers[time_decimals] + 0.5))
            at = _put_whole(out, at, whole // scale, 1)
            at = _put_fraction(out, at, whole % scale, time_decimals, mark)
        else:
            ticks = (t + unit // 2) // unit
            seconds = ticks // scale
            days = seconds // 86400
            rest = seconds - days * 86400
            at = _put_date(out, at, days, style)
            out[at] = 84 if style == 0 else 32
            if split == 1:
                out[at] = delimiter
            at = _put_whole(out, at + 1, rest // 3600, 2)
            out[at] = 58
            at = _put_whole(out, at + 1, rest % 3600 // 60, 2)
            out[at] = 58
            at = _put_whole(out, at + 1, rest % 60, 2)
            if time_decimals > 0:
                at = _put_fraction(out, at, ticks % scale, time_decimals, 46)
        for j in range(m):
            out[at] = delimiter
            at += 1
            value = columns[i, j]
            if np.isnan(value):
                for k in range(missing.size):
                    out[at + k] = missing[k]
                at += missing.size
                continue
            places = decimals[j]
            number = int(np.floor(abs(value) * powers[places] + 0.5))
            if value < 0.0 and number > 0:
                out[at] = 45
                at += 1
            whole = int(powers[places])
            at = _put_whole(out, at, number // whole, 1)
            if places > 0:
                at = _put_fraction(out, at, number % whole, places, mark)
        for k in range(line_end.size):
            out[at + k] = line_end[k]
        at += line_end.size
    return at


def format_rows(time_ns: IntArray, columns: FloatArray, decimals: tuple[int, ...], dialect: Dialect) -> memoryview:
    """Return rows as bytes.

    Parameters
    ----------
    time_ns : int64 array, shape (n,)
        Stamps. [ns since 1970-01-01 UTC]
    columns : float64 array, shape (n, m)
        Values in the units of the file.
    decimals : m whole numbers
        Decimals of each column.
    dialect : Dialect
        How the row looks.

    Raises
    ------
    InputError
        Columns and decimals do not fit, or the time style is unknown.
    """
    if columns.ndim != 2 or columns.shape[1] != len(decimals) or columns.shape[0] != time_ns.size:
        message = f"columns {columns.shape}, times {time_ns.size} and decimals {len(decimals)} do not fit."
        raise InputError(message)
    if dialect.time_style not in TIME_STYLES:
        message = f"time_style is {dialect.time_style!r}; it needs one of: {', '.join(TIME_STYLES)}."
        raise InputError(message)
    room = 48 + 24 * (columns.shape[1] + 1)
    out = np.empty(room * max(time_ns.size, 1), dtype=np.uint8)
    used = _rows(
        time_ns + int(dialect.zone_hours * 3600) * 1_000_000_000,
        TIME_STYLES.index(dialect.time_style),
        dialect.time_decimals,
        int(dialect.split_time),
        np.ascontiguousarray(columns, dtype=np.float64),
        np.asarray(decimals, dtype=np.int64),
        ord(dialect.delimiter),
        ord(dialect.decimal_mark),
        np.frombuffer(dialect.missing.encode(), dtype=np.uint8),
        np.frombuffer(dialect.line_end.encode(), dtype=np.uint8),
        out,
    )
    return memoryview(out[:used].data)
