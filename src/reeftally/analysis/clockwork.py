"""True time of stamps: accepted clock corrections applied when a record is read, never to what is stored.

Here:     the map from stamps to true time of one instrument, and back for a window.
Not here: finding clock errors (`reeftally.calibration.clocks`), accepting them (the log).
Rules:    true = stamp + seconds + per_day * days since the mission's start, within the correction's stretch of
          stamps; where no accepted correction holds, stamps are true.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally.analysis.grid import NS

__all__ = ["ClockMap", "ClockShift"]

_FOREVER = np.iinfo(np.int64).max // 4
DAY_NS = 86_400 * NS
_LONGEST_NS = 400 * DAY_NS


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockShift:
    """One accepted correction of one clock."""

    start_ns: int | None
    """First stamp it holds for; None from the beginning. [ns, as stamped]"""
    end_ns: int | None
    """End of the stamps it holds for, not included; None to the end. [ns, as stamped]"""
    seconds: float
    """Added to stamps, at the mission's start. [s]"""
    per_day: float = 0.0
    """Added for every day since the mission's start. [s per day]"""
    sd_s: float = 0.0
    """Standard uncertainty of `seconds`. [s]"""


@dataclass(frozen=True, slots=True)
class ClockMap:
    """All accepted corrections of one clock."""

    shifts: tuple[ClockShift, ...]
    mission_start_ns: int

    def _bounds(self, shift: ClockShift) -> tuple[int, int]:
        # An open start means the beginning of the record, not stamps of a clock that lost its time decades away.
        first = self.mission_start_ns - _LONGEST_NS
        low = shift.start_ns
        if low is None:
            low = first if shift.end_ns is None or shift.end_ns > first else -_FOREVER
        return low, _FOREVER if shift.end_ns is None else shift.end_ns

    def _amount(self, shift: ClockShift, stamps: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        days = (stamps - self.mission_start_ns) / DAY_NS
        return np.asarray(np.rint((shift.seconds + shift.per_day * days) * NS), dtype=np.int64)

    def true(self, stamps: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Return true time of stamps. [ns UTC]"""
        if not self.shifts:
            return stamps
        out = stamps.copy()
        for shift in self.shifts:
            low, high = self._bounds(shift)
            inside = (stamps >= low) & (stamps < high)
            if inside.all():
                # The usual case; picking by mask costs more than the sum.
                out += self._amount(shift, stamps)
                continue
            out[inside] += self._amount(shift, stamps[inside])
        return out

    def stamp_windows(self, start_ns: int, end_ns: int) -> list[tuple[int, int]]:
        """Return the windows of stamps that can hold the true times [start, end), merged and in order.

        A window may also hold stamps that fall outside once corrected; the reader filters by true time.
        """
        if not self.shifts:
            return [(start_ns, end_ns)]
        windows = [(start_ns, end_ns)]
        for shift in self.shifts:
            low, high = self._bounds(shift)
            probe = np.array([start_ns, end_ns], dtype=np.int64)
            # One step of fixed-point iteration inverts a drift of seconds a day to better than a millisecond.
            moved = probe - self._amount(shift, probe - self._amount(shift, probe))
            first, last = max(low, int(moved.min()) - NS), min(high, int(moved.max()) + NS)
            if first < last:
                windows.append((first, last))
        windows.sort()
        merged = [windows[0]]
        for first, last in windows[1:]:
            if first <= merged[-1][1]:
                merged[-1] = (merged[-1][0], max(merged[-1][1], last))
            else:
                merged.append((first, last))
        return merged
