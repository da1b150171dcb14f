"""Stamps of one record: changes of daylight saving, resets to an epoch, whole seconds rebuilt, real rates, order.

Here:     what the stamps of a record say about their clock by themselves, as evidence with a proposal.
Not here: comparisons with a reference clock (`clocks`), lags of shared signals (`lags`), applying anything.
Rules:    times in POSIX seconds as stamped, in the order in which they were written. Nothing is sorted or shifted
          here without proof; where the proof is missing the answer says what is needed.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_same_length
from reeftally.errors import InputError, NotAcceptedError
from reeftally.mission.timescales import EPOCHS

__all__ = [
    "ClockStep",
    "RebuiltTimes",
    "anchor_segment",
    "daylight_saving_steps",
    "find_resets",
    "order_by_counter",
    "rebuild_times",
    "review_stamps",
    "zone_changes",
]

# Zones whose change dates cover the rules in use where such records are stamped (common practice, no source).
USUAL_ZONES = ("Europe/Berlin", "America/New_York", "Australia/Sydney", "America/Santiago", "Asia/Jerusalem")

_YEAR = 365.25 * 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockStep:
    """A place in a record where stamps jump."""

    index: int
    """First sample after the jump."""
    stamp: float
    """Its stamp."""
    jump: float
    """Step of the stamps beyond the sampling interval. [s]"""
    kind: str
    """`daylight saving`, `reset` or `back`."""
    evidence: str
    proposal: str


def zone_changes(*, zone: str, start: float, end: float) -> list[tuple[float, float]]:
    """Return the changes of a zone's offset within [start, end]: (POSIX second, seconds the wall clock moves on)."""
    rules = ZoneInfo(zone)

    def offset(second: float) -> float:
        moved = dt.datetime.fromtimestamp(second, dt.UTC).astimezone(rules).utcoffset()
        return 0.0 if moved is None else moved.total_seconds()

    out = []
    days = np.arange(start, end + 86400.0, 86400.0)
    for low, high in pairwise(days):
        a, b = float(low), float(high)
        if offset(a) == offset(b):
            continue
        change = offset(b) - offset(a)
        while b - a > 1.0:
            middle = 0.5 * (a + b)
            a, b = (middle, b) if offset(middle) == offset(a) else (a, middle)
        out.append((float(np.ceil(a)), change))
    return [(when, change) for when, change in out if start <= when <= end]


def daylight_saving_steps(
    *, stamps: npt.ArrayLike, interval: float, zones: Sequence[str] = USUAL_ZONES
) -> list[ClockStep]:
    """Find silences and overlaps of an hour that fall on a date on which clocks change.

    Parameters
    ----------
    stamps : array-like, (n,)
        In the order written. [s]
    interval : float
        Sampling interval. [s]
    zones : sequence of str
        Zones whose rules the stamping computer may follow.

    Returns
    -------
    list of ClockStep
        With ``kind = "daylight saving"``: an hour's silence where clocks go forward, an hour's overlap where they go
        back. Other silences are not listed: a gap is not a clock.

    Notes
    -----
    A computer set to local time is taken to write it unchanged or less a constant offset, so a change within
    14 h of the jump counts.
    """
    record = as_float("stamps", stamps)
    if record.size < 2:
        return []
    jump = np.diff(record) - interval
    tolerance = max(2.5 * interval, 5.0)
    out = []
    for at in np.flatnonzero(np.abs(np.abs(jump) - 3600.0) <= tolerance):
        before = float(record[at])
        named = []
        for zone in zones:
            for when, change in zone_changes(zone=zone, start=before - 14 * 3600.0, end=before + 14 * 3600.0):
                if np.sign(change) == np.sign(jump[at]):
                    named.append((zone, when))
        if not named:
            continue
        zone, when = named[0]
        direction = "forward (an hour is missing)" if jump[at] > 0 else "back (an hour stands twice)"
        out.append(
            ClockStep(
                index=int(at) + 1,
                stamp=float(record[at + 1]),
                jump=float(jump[at]),
                kind="daylight saving",
                evidence=f"stamps jump by {jump[at]:+.0f} s where clocks of {zone} go {direction} on "
                f"{dt.datetime.fromtimestamp(when, dt.UTC):%Y-%m-%d %H:%M} UTC",
                proposal=f"split the record here and add {-np.sign(jump[at]) * 3600.0:+.0f} s to the stamps after it",
            )
        )
    return out


def find_resets(*, stamps: npt.ArrayLike, start: float, end: float) -> list[ClockStep]:
    """Find places where stamps fall back to an epoch years away from the mission.

    Parameters
    ----------
    stamps : array-like, (n,)
        In the order written. [s]
    start, end : float
        The mission's window. [s]
    """
    record = as_float("stamps", stamps)
    outside = (record < start - _YEAR) | (record > end + _YEAR)
    begins = np.flatnonzero(outside & ~np.concatenate(([False], outside[:-1])))
    out = []
    for at in begins:
        stamp = float(record[at])
        name, epoch = min(EPOCHS.items(), key=lambda item: abs(item[1] - stamp))
        away = (stamp - epoch) / 86400.0
        known = f"{away:.2f} days after the epoch of {name}" if 0 <= away < 366 else "near no usual epoch"
        previous = float(record[at - 1]) if at else float("nan")
        out.append(
            ClockStep(
                index=int(at),
                stamp=stamp,
                jump=stamp - previous,
                kind="reset",
                evidence=f"stamps go to {dt.datetime.fromtimestamp(stamp, dt.UTC):%Y-%m-%d %H:%M:%S}, {known}",
                proposal="begin a new segment; anchor it by the time power came back or by a signal shared with a "
                "neighbour, else it cannot be used",
            )
        )
    return out


def anchor_segment(
    *,
    stamps: npt.ArrayLike,
    restart_time: float | None = None,
    restart_sd: float = 60.0,
    signal_correction: float | None = None,
    signal_sd: float = 1.0,
) -> tuple[float, float]:
    """Return the seconds to add to a segment after a reset, and their standard uncertainty.

    Parameters
    ----------
    stamps : array-like, (n,)
        Stamps of the segment. [s]
    restart_time, restart_sd : float
        When power came back, by log or power meter, taken as the first sample's time. [s]
    signal_correction, signal_sd : float
        From a shared signal (`lags`), if any; preferred where both exist and agree. [s]

    Raises
    ------
    NotAcceptedError
        If there is neither, or if they disagree by more than five standard uncertainties.
    """
    record = as_float("stamps", stamps)
    by_log = None if restart_time is None else restart_time - float(record[0])
    if signal_correction is None and by_log is None:
        message = (
            "The segment's clock was reset and nothing says when it began; it is refused until a restart time "
            "or a shared signal anchors it."
        )
        raise NotAcceptedError(message)
    if signal_correction is None:
        return float(by_log or 0.0), restart_sd
    if by_log is not None and abs(by_log - signal_correction) > 5.0 * np.hypot(restart_sd, signal_sd):
        message = (
            f"The restart log says {by_log:+.1f} s and the shared signal {signal_correction:+.1f} s; "
            "find out which is wrong before either is used."
        )
        raise NotAcceptedError(message)
    return signal_correction, signal_sd


@dataclass(frozen=True, slots=True, kw_only=True)
class RebuiltTimes:
    """Times rebuilt from a counter and coarse stamps."""

    time: FloatArray
    """[s]"""
    rate: float
    """Measured samples per second of the stamping clock. [Hz]"""
    rate_sd: float
    nominal: float
    start_uncertainty: float
    """Half the range in which the first instant can lie. [s]"""
    rule: str

    @property
    def slide_per_day(self) -> float:
        """Seconds a day by which times built with the nominal rate would run away from the clock."""
        return 86400.0 * (self.rate / self.nominal - 1.0)


def rebuild_times(
    *, stamps: npt.ArrayLike, rate: float, counter: npt.ArrayLike | None = None, resolution: float = 1.0
) -> RebuiltTimes:
    """Rebuild sample times from stamps that were cut to whole seconds.

    Parameters
    ----------
    stamps : array-like, (n,)
        Stamps, cut down to `resolution`. [s]
    rate : float
        Nominal samples per second. [Hz]
    counter : array-like, (n,), optional
        Sample counter; without it samples are counted, which needs a record without losses.
    resolution : float
        Step of the stamps. [s]

    Returns
    -------
    RebuiltTimes
        With the measured rate, which is used for the times.

    Raises
    ------
    InputError
        If, without a counter, a stamp has too few or too many samples; or if no steady rate fits the stamps.

    Notes
    -----
    Rule: time = t0 + counter / rate, where every time must lie in [stamp, stamp + resolution). The rate is the
    least-squares slope of the stamps (errors of cutting are uniform, so its standard uncertainty follows from
    resolution / sqrt(12)); t0 is the middle of the values that all stamps allow.
    """
    record = as_float("stamps", stamps)
    if record.size < 3:
        message = f"rebuild_times found {record.size} stamps; it needs 3."
        raise InputError(message)
    if counter is None:
        _, counts = np.unique(record, return_counts=True)
        expected = rate * resolution
        middle = counts[1:-1]
        if middle.size and (np.abs(middle - expected) > max(1.0, 0.02 * expected)).any():
            message = (
                f"a stamp has {int(middle[np.argmax(np.abs(middle - expected))])} samples where {expected:g} are due: "
                "samples were lost, and without a counter their places are not known."
            )
            raise InputError(message)
        number = np.arange(record.size, dtype=np.float64)
    else:
        number = as_float("counter", counter)
        require_same_length(stamps=record, counter=number)
    centred = number - number.mean()
    spread = float(centred @ centred)
    slope = float(centred @ (record - record.mean())) / spread
    slope_sd = resolution / np.sqrt(12.0) / np.sqrt(spread)
    lowest = float(np.max(record - number * slope))
    highest = float(np.min(record + resolution - number * slope))
    # Rounding of the slope may cross the limits by a hair; more than a tenth of the resolution is no steady clock.
    if lowest - highest > 0.1 * resolution:
        message = (
            f"no steady rate fits the stamps (they miss by {lowest - highest:.2f} s); the clock jumped or samples "
            "were lost: split the record there."
        )
        raise InputError(message)
    return RebuiltTimes(
        time=0.5 * (lowest + highest) + number * slope,
        rate=1.0 / slope,
        rate_sd=slope_sd / slope**2,
        nominal=rate,
        start_uncertainty=0.5 * abs(highest - lowest),
        rule=f"time = t0 + counter / {1.0 / slope:.6f} Hz, each within its whole second",
    )


def order_by_counter(
    *, stamps: npt.ArrayLike, counter: npt.ArrayLike | None = None
) -> tuple[npt.NDArray[np.int64], list[ClockStep]]:
    """Return the order of samples that packet numbers prove, or the places where stamps go back.

    Parameters
    ----------
    stamps : array-like, (n,)
        In the order written. [s]
    counter : array-like, (n,), optional
        Packet or sample numbers.

    Returns
    -------
    order : int array, (n,)
        Sorting indices if the counter proves an order in which stamps never go back; else the order written.
    steps : list of ClockStep
        Places where stamps go back or stand still and no counter explains it: split and flag there.
    """
    record = as_float("stamps", stamps)
    written = np.arange(record.size)
    if counter is not None:
        number = as_float("counter", counter)
        require_same_length(stamps=record, counter=number)
        order = np.argsort(number, kind="stable")
        if np.unique(number).size == number.size and (np.diff(record[order]) > 0).all():
            return order.astype(np.int64), []
    steps = [
        ClockStep(
            index=int(at) + 1,
            stamp=float(record[at + 1]),
            jump=float(record[at + 1] - record[at]),
            kind="back",
            evidence=f"the stamp goes from {record[at]:.3f} to {record[at + 1]:.3f} and no packet number explains it",
            proposal="split the record here and flag both sides until the clock is known",
        )
        for at in np.flatnonzero(np.diff(record) <= 0)
    ]
    return written, steps


def review_stamps(
    *,
    stamps: npt.ArrayLike,
    interval: float,
    start: float,
    end: float,
    counter: npt.ArrayLike | None = None,
    zones: Sequence[str] = USUAL_ZONES,
) -> list[ClockStep]:
    """Everything that the stamps of one record say against their clock, in the order written.

    Parameters
    ----------
    stamps : array-like, (n,)
        In the order written. [s]
    interval : float
        Sampling interval. [s]
    start, end : float
        The mission's window. [s]
    counter : array-like, (n,), optional
        Packet or sample numbers.
    zones : sequence of str
        Zones whose daylight-saving rules the stamping computer may follow.

    Returns
    -------
    list of ClockStep
        Daylight saving, resets, and places where stamps go back for none of these reasons.
    """
    named = [
        *daylight_saving_steps(stamps=stamps, interval=interval, zones=zones),
        *find_resets(stamps=stamps, start=start, end=end),
    ]
    taken = {step.index for step in named}
    _, back = order_by_counter(stamps=stamps, counter=counter)
    return sorted([*named, *[step for step in back if step.index not in taken]], key=lambda step: step.index)
