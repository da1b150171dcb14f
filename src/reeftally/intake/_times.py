"""Time stamps: patterns compiled for the kernel, zones turned into UTC, sub-second times from a counter.

Here:     what a layout's `[time]` means for the reader.
Not here: corrections of a clock (`calibration`); stamps are kept as stamped, only in UTC.
Rules:    the zone is declared, never guessed; an hour that a zone has twice is told apart only by the
          order of the file, and the report says so.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally.errors import IntakeError
from reeftally.intake._kernel_time import PATTERN, SERIAL, UNIX
from reeftally.mission.timescales import LEAP_SECONDS, gps_minus_utc, gps_to_utc, tai_minus_utc, tai_to_utc

__all__ = [
    "TimeRule",
    "ZoneShift",
    "compile_format",
    "leap_second_rows",
    "rebuild_from_counter",
    "scale_ahead_s",
    "scale_to_utc",
    "time_rule",
    "to_utc",
]

_CODES = {"Y": (1, 4), "m": (2, 2), "d": (3, 2), "H": (4, 2), "M": (5, 2), "S": (6, 2)}
_CODES |= {"y": (7, 2), "j": (8, 3), "I": (9, 2), "b": (11, 0), "p": (12, 0), "z": (13, 0)}

_SECOND = 1_000_000_000
_DAY = 86_400 * _SECOND
# Day numbers of 1899-12-30 and 1904-01-01, before 1970-01-01.
_SERIAL_START = {"serial_1900": -25_569, "serial_1904": -24_107}


def compile_format(pattern: str) -> npt.NDArray[np.int32]:
    """Return the kernel's program for a strptime pattern.

    Raises
    ------
    IntakeError
        For a directive that the reader does not know.
    """
    program: list[int] = []
    at = 0
    while at < len(pattern):
        sign = pattern[at]
        if sign in ".," and pattern[at + 1 : at + 3] == "%f":
            program += [10, 0]
            at += 3
        elif sign == "%" and at + 1 < len(pattern):
            code = pattern[at + 1]
            if code == "%":
                program += [0, ord("%")]
            elif code in _CODES:
                program += list(_CODES[code])
            else:
                raise IntakeError(
                    file="layout",
                    field="time.format",
                    found=f"%{code}",
                    expected="%Y %y %m %b %d %j %H %I %M %S %p %z, and %f after a point or comma",
                    mend="Write the pattern with these.",
                )
            at += 2
        else:
            program += [0, ord(sign)] if ord(sign) < 128 else [0, 0]
            at += 1
    return np.array(program, np.int32)


@dataclass(frozen=True, slots=True)
class TimeRule:
    """How the kernel reads the time of a line."""

    kind: int
    """PATTERN, UNIX or SERIAL."""
    program: npt.NDArray[np.int32]
    """Compiled pattern; empty for counts."""
    unit_ns: int
    """What one count is. [ns]"""
    epoch_ns: int
    """Where the count begins, against 1970. [ns]"""
    zone: dt.tzinfo
    """Zone of the stamps."""
    utc: bool
    """Whether that zone is UTC, so that a trailing Z says nothing new."""


def time_rule(pattern: str, zone: dt.tzinfo) -> TimeRule:
    """Return the rule for a layout's time format and zone."""
    utc = zone == dt.UTC
    none = np.empty(0, np.int32)
    if pattern in {"unix_s", "unix_ms"}:
        return TimeRule(UNIX, none, _SECOND if pattern == "unix_s" else 1_000_000, 0, zone, utc)
    if pattern in _SERIAL_START:
        return TimeRule(SERIAL, none, _DAY, _SERIAL_START[pattern] * _DAY, zone, utc)
    return TimeRule(PATTERN, compile_format(pattern), 1, 0, zone, utc)


@dataclass
class ZoneShift:
    """Memory of the conversion to UTC, from one block of a file to the next."""

    second_pass: bool = False
    """Whether an hour that the zone has twice is being passed for the second time."""
    last_local_ns: int | None = None
    """Local stamp of the last row. [ns]"""
    ambiguous: int = 0
    """Rows in an hour that the zone has twice."""
    missing: int = 0
    """Rows in an hour that the zone leaves out."""


_BIN = 900 * _SECOND


def to_utc(local_ns: npt.NDArray[np.int64], zone: dt.tzinfo, memory: ZoneShift) -> npt.NDArray[np.int64]:
    """Return UTC stamps of local ones, in the order of the file.

    Parameters
    ----------
    local_ns : int64 array
        Stamps as if they were UTC. [ns]
    zone : tzinfo
        Zone of the stamps. Offsets are taken as constant over a quarter of an hour of local time, which
        holds for every zone since 1972.
    memory : ZoneShift
        Changed: what the next block needs to know, and what the report says.

    Returns
    -------
    int64 array
        [ns since 1970 UTC]
    """
    if zone == dt.UTC or not local_ns.size:
        return local_ns
    fixed = zone.utcoffset(None)
    if fixed is not None:
        return local_ns - round(fixed.total_seconds()) * _SECOND
    bins, place = np.unique(local_ns // _BIN, return_inverse=True)
    first = np.empty(bins.size, np.int64)
    second = np.empty(bins.size, np.int64)
    start = dt.datetime(1970, 1, 1)
    for k, number in enumerate(bins.tolist()):
        wall = start + dt.timedelta(seconds=number * 900)
        for fold, out in ((0, first), (1, second)):
            offset = zone.utcoffset(wall.replace(fold=fold, tzinfo=zone)) or dt.timedelta()
            out[k] = round(offset.total_seconds()) * _SECOND
    early, late = first[place], second[place]
    twice = early > late
    memory.missing += int((early < late).sum())
    offset_ns = early
    if twice.any() or memory.second_pass:
        memory.ambiguous += int(twice.sum())
        previous = local_ns[0] if memory.last_local_ns is None else memory.last_local_ns
        step = np.diff(local_ns, prepend=previous)
        # A step back by a good part of the doubled time, inside it: the clock was put back there.
        back = twice & (step <= -(early - late) // 10)
        turned = np.maximum.accumulate(back)
        turned |= memory.second_pass
        offset_ns = np.where(twice & turned, late, early)
        memory.second_pass = bool(turned[-1] and twice[-1])
    memory.last_local_ns = int(local_ns[-1])
    return local_ns - offset_ns


_LEAPS = np.array([second for second, _ in LEAP_SECONDS[1:]], np.int64) * _SECOND


def leap_second_rows(times: npt.NDArray[np.int64]) -> int:
    """Return how many rows more than one a stamp stand in the second after a leap second: those of second 60."""
    if not times.size:
        return 0
    low, high = int(times.min()), int(times.max())
    count = 0
    for leap in _LEAPS[(low - _SECOND <= _LEAPS) & (high >= _LEAPS)].tolist():
        inside = times[(times >= leap) & (times < leap + _SECOND)]
        count += int(inside.size - np.unique(inside).size)
    return count


def scale_ahead_s(time_ns: int, scale: str) -> float:
    """Return how far a time scale is ahead of UTC at an instant. [s]"""
    ahead = gps_minus_utc(time_ns / 1e9) if scale == "GPS" else tai_minus_utc(time_ns / 1e9)
    return float(ahead)


def scale_to_utc(times: npt.NDArray[np.int64], scale: str) -> npt.NDArray[np.int64]:
    """Return UTC stamps of those of another time scale, by the table of leap seconds.

    Parameters
    ----------
    times : int64 array
        Stamps read as if they were UTC. [ns]
    scale : str
        UTC, GPS or TAI.
    """
    if scale == "UTC" or not times.size:
        return times
    to_seconds = gps_to_utc if scale == "GPS" else tai_to_utc
    # Whole seconds: the difference of two scales has no decimals, and doubles would cost some.
    whole = times // _SECOND
    moved = np.rint(to_seconds(whole.astype(np.float64))).astype(np.int64)
    return np.asarray(times + (moved - whole) * _SECOND)


def rebuild_from_counter(
    stamps: npt.NDArray[np.int64],
    counter: npt.NDArray[np.float64],
    rate_hz: float,
    memory: dict[str, float],
) -> npt.NDArray[np.int64]:
    """Return sub-second times of rows stamped with whole seconds, from their sample counter.

    The rule: the first sample of each second stands at the second, the others follow by their counter at
    the stated rate; the first, incomplete second of a file is counted back from the second that follows.
    So a time is never off by more than one sample, whatever the true rate.

    Parameters
    ----------
    stamps : int64 array
        Whole seconds. [ns]
    counter : float64 array
        Sample numbers, growing by one a sample; where they do not grow, rows are counted instead.
    rate_hz : float
        Samples per second. [Hz]
    memory : dict
        Changed: the second under way, for the next block (keys `second`, `first`, `started`).
    """
    if not stamps.size:
        return stamps
    change = np.flatnonzero(stamps[1:] != stamps[:-1]) + 1
    begins = np.concatenate(([0], change))
    lengths = np.diff(np.concatenate((begins, [stamps.size])))
    row_first = np.repeat(counter[begins], lengths)
    started = bool(memory.get("started", 0.0))
    going_on = started and memory.get("second") == float(stamps[0])
    if going_on:
        row_first[: lengths[0]] = memory["first"]
    steps = counter - row_first
    rank = np.arange(stamps.size) - np.repeat(begins, lengths)
    bad = ~np.isfinite(steps) | (steps < 0) | (steps > 10 * rate_hz)
    steps = np.where(bad, rank, steps)
    if not started and begins.size > 1:
        # Count back from the next second: its first sample stands at the second.
        ahead = counter[begins[1]] - counter[: lengths[0]]
        if np.all(np.isfinite(ahead)) and ahead.max() <= rate_hz and ahead.min() > 0:
            steps[: lengths[0]] = rate_hz * (stamps[begins[1]] - stamps[0]) / _SECOND - ahead
    memory["started"] = 1.0
    memory["second"] = float(stamps[-1])
    memory["first"] = float(row_first[-1])
    return stamps + np.rint(steps / rate_hz * _SECOND).astype(np.int64)


def looks_mangled(text: str) -> bool:
    """Return whether a cell looks like a number that a spreadsheet turned into a date."""
    return bool(_MANGLED.match(text.strip()))


_MONTH = "(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)"
_MANGLED = re.compile(rf"^(?:\d{{1,2}}-{_MONTH}(?:-\d{{2,4}})?|{_MONTH}-\d{{2,4}})$", re.IGNORECASE)
