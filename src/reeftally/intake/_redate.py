"""Stamps that cannot be right: clocks that were reset, dates written in another way than the layout says.

Here:     which stamps are those of a clock that counts from an epoch again; how else dates could be read so that they
          lie within the mission.
Not here: finding where a reset stretch belongs (`analysis`), changing a stamp.
Rules:    another reading is proposed, never taken; what cannot be explained is refused.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally.intake._memory import Memory
from reeftally.intake._report import iso
from reeftally.mission import Layout
from reeftally.mission.timescales import EPOCHS

__all__ = ["Reading", "after_epoch", "keep_credible", "other_reading", "other_reading_of_text"]

_SECOND = 1_000_000_000
_DAY = 86_400 * _SECOND
# A clock that lost its time is noticed within about a year (common practice, no source).
_LONGEST = 400 * _DAY
_EPOCHS = np.array([round(seconds) * _SECOND for seconds in EPOCHS.values()], np.int64)
_FACTORS = {
    "unix_s": (1, 0),
    "unix_ms": (1_000_000, 0),
    "serial_1900": (_DAY, -25_569 * _DAY),
    "serial_1904": (_DAY, -24_107 * _DAY),
}


def after_epoch(times: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Return which stamps lie within 400 days after an epoch from which clocks count. [ns]"""
    away = times[:, None] - _EPOCHS[None, :]
    return np.asarray(((away >= 0) & (away < _LONGEST)).any(axis=1))


@dataclass(frozen=True, slots=True)
class Reading:
    """Another way to read the dates of a file."""

    what: str
    """What the dates would be, in words."""
    mend: str
    """What to write in the layout."""
    time_ns: int
    """The stamp so read. [ns UTC]"""

    def text(self) -> str:
        """Return the reading as a sentence for a message."""
        return f"Read as {self.what} it is {iso(self.time_ns)}, within the mission. {self.mend}"


def _swapped(pattern: str) -> str:
    return pattern.replace("%d", "\0").replace("%m", "%d").replace("\0", "%m")


def other_reading(stamp_ns: int, layout: Layout, window_ns: tuple[int, int]) -> Reading | None:
    """Return the one other reading of a stamp that lies within the mission.

    Parameters
    ----------
    stamp_ns : int
        The stamp as the layout reads it. [ns UTC]
    layout : Layout
        The layout.
    window_ns : tuple
        First and last instant of the mission. [ns UTC]

    Returns
    -------
    Reading or None
        None if no other reading fits, or more than one does.
    """
    time, name = layout.time, layout.name
    low, high = window_ns
    found: list[Reading] = []

    def consider(what: str, mend: str, moment: int) -> None:
        if low <= moment <= high:
            found.append(Reading(what, f"{mend} in layouts/{name}.toml if that is right, then rebuild.", moment))

    if time.format in _FACTORS:
        unit, epoch = _FACTORS[time.format]
        number = (stamp_ns - epoch) / unit
        for other, (factor, start) in _FACTORS.items():
            if other != time.format:
                consider(f"{other} ({number:.6g})", f'Write format = "{other}"', round(number * factor) + start)
        return found[0] if len(found) == 1 else None
    local = dt.datetime.fromtimestamp(stamp_ns // _SECOND, time.tzinfo)
    rest = stamp_ns % _SECOND
    if "%d" in time.format and "%m" in time.format and local.day <= 12 and local.day != local.month:
        moved = local.replace(month=local.day, day=local.month)
        consider(
            "day and month exchanged",
            f'Write format = "{_swapped(time.format)}"',
            round(moved.timestamp()) * _SECOND + rest,
        )
    if "%y" in time.format or "%Y" in time.format:
        for years in (100, -100):
            try:
                moved = local.replace(year=local.year + years)
                moment = round(moved.timestamp()) * _SECOND + rest
            except (ValueError, OverflowError):
                continue
            consider(f"a stamp {years:+d} years away (a century was lost)", "State the century", moment)
    # Receivers of satellite time count weeks by 1024 and begin again.
    weeks = 1024 * 7 * _DAY
    for count in (1, 2):
        consider(
            f"satellite weeks that began again {count} times", "Correct the clock by a note", stamp_ns + count * weeks
        )
    return found[0] if len(found) == 1 else None


def other_reading_of_text(text: str, layout: Layout, window_ns: tuple[int, int]) -> Reading | None:
    """Return the reading of a text that is no time of the layout, with day and month exchanged."""
    pattern = layout.time.format
    if "%d" not in pattern or "%m" not in pattern:
        return None
    swapped = _swapped(pattern)
    try:
        moment = dt.datetime.strptime(text.strip().strip("'\""), swapped)
    except ValueError:
        return None
    aware = moment if moment.tzinfo is not None else moment.replace(tzinfo=layout.time.tzinfo)
    stamp = round(aware.timestamp() * 1e6) * 1000
    if not window_ns[0] <= stamp <= window_ns[1]:
        return None
    return Reading(
        "day and month exchanged",
        f'Write format = "{swapped}" in layouts/{layout.name}.toml if that is right, then rebuild.',
        stamp,
    )


def keep_credible(
    times: npt.NDArray[np.int64],
    numbers: npt.NDArray[np.int64],
    memory: Memory,
    layout: Layout,
    window_ns: tuple[int, int],
    window_text: str,
    mission_ns: tuple[int, int] | None,
) -> npt.NDArray[np.bool_]:
    """Return which rows to keep of a block that has stamps outside the window, and count the others.

    Stamps of a clock that was reset are kept as they are; a second restart in one file, and stamps that nothing
    explains, are left out.

    Parameters
    ----------
    times, numbers : int64 arrays, (n,)
        Stamps [ns UTC] and line numbers, in the order of the file.
    memory : Memory
        Changed: steps, resets and what was odd.
    window_ns, window_text
        What counts as credible, also in words.
    mission_ns : tuple, optional
        The mission, side-by-side periods included.
    """
    field_name = " ".join(layout.time.columns)
    low, high = window_ns
    outside = (times < low) | (times > high)
    reset = outside & (times < low)
    reset[reset] = after_epoch(times[reset])
    again = np.zeros(times.size, bool)
    if reset.any():
        stamps = times[reset]
        before = stamps[0] if memory.reset_ns is None else memory.reset_ns
        latest = np.maximum.accumulate(np.concatenate(([before], stamps)))
        # A second restart gives the same stamps once more; they, and all that follow, cannot stand beside the first.
        back = stamps < latest[:-1]
        back = np.logical_or.accumulate(back) | memory.restarted
        memory.restarted = bool(back[-1])
        again[reset] = back
        reset &= ~again
        memory.reset_first_ns = int(stamps[0]) if memory.reset_first_ns is None else memory.reset_first_ns
        memory.reset_ns = int(latest[-1])
        memory.reset_rows += int(reset.sum())
    other = outside & ~reset & ~again
    for kind, bad, expected in (
        ("reset", reset, window_text),
        ("restart", again, "one restart of the clock in this file"),
        ("clock", other, window_text),
    ):
        if not bad.any():
            continue
        first = int(np.argmax(bad))
        mend = ""
        if kind == "clock" and mission_ns is not None:
            reading = other_reading(int(times[first]), layout, mission_ns)
            mend = "" if reading is None else reading.text()
        words = "row(s) of a clock that was reset: " if kind == "reset" else ""
        memory.tally.add(
            kind,
            line=int(numbers[first]),
            field=field_name,
            found=f"{words}a stamp of {iso(int(times[first]))}",
            expected=expected,
            count=int(bad.sum()),
            mend=mend,
        )
    usual = ~outside
    spots = numbers[usual]
    memory.count_steps(times[usual], lambda row: int(spots[row]), field_name)
    kept = usual | reset
    return np.asarray(kept)
