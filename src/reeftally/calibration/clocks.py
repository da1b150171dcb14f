"""Clocks: from comparisons with the reference clock to shifts, drifts and jumps, with evidence.

Here:     a piecewise-linear clock error from a few comparisons, jumps located by silences in the stamps.
Not here: applying a correction (the log of accepted decisions does), shared-signal lags.
Rules:    error = stamp - true; a correction is true = stamp + seconds. Nothing is applied here.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_same_length

__all__ = ["ClockSegment", "clock_segments", "locate_jump"]

# A comparison read from two displays is good to a second; jumps below this are drift or reading error.
SMALLEST_JUMP_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockSegment:
    """A stretch of stamps with one linear clock error."""

    start: float
    """First stamp of the segment; -inf for the first. [s, as stamped]"""
    end: float
    """End of the segment, not included; +inf for the last. [s, as stamped]"""
    reference: float
    """Stamp at which `seconds` holds. [s, as stamped]"""
    seconds: float
    """Add this to a stamp at `reference` to get true time. [s]"""
    per_day: float
    """Change of that correction per day of stamps. [s per day]"""
    sd: float
    """Standard uncertainty of the correction within the segment. [s]"""
    per_day_sd: float
    """Standard uncertainty of `per_day`. [s per day]"""
    checks: int
    """How many comparisons it rests on."""
    cause: str
    """`none`, `offset`, `drift`, `zone` (a multiple of 30 min) or `reset` (decades)."""


def _cause(seconds: float, sd: float, per_day: float, per_day_sd: float) -> str:
    if abs(seconds) > 365.25 * 86400:
        return "reset"
    halves = seconds / 1800.0
    # A zone or daylight-saving error is a multiple of 30 min, give or take an ordinary clock offset.
    if abs(round(halves)) >= 1 and abs(seconds - 1800.0 * round(halves)) < 60.0:
        return "zone"
    if abs(per_day) > 3.0 * per_day_sd and abs(per_day) > 0.05:
        return "drift"
    if abs(seconds) > 3.0 * sd:
        return "offset"
    return "none"


def _line(stamp: FloatArray, correction: FloatArray, sd: FloatArray) -> tuple[float, float, float, float, float]:
    """Weighted line through the corrections: reference, value there, slope per day, and their sds."""
    weight = 1.0 / sd**2
    reference = float(np.sum(weight * stamp) / weight.sum())
    value = float(np.sum(weight * correction) / weight.sum())
    value_sd = float(1.0 / np.sqrt(weight.sum()))
    days = (stamp - reference) / 86400.0
    spread = float(np.sum(weight * days**2))
    if stamp.size < 2 or spread <= 0:
        return reference, value, 0.0, value_sd, 0.0
    slope = float(np.sum(weight * days * correction) / spread)
    return reference, value, slope, value_sd, float(1.0 / np.sqrt(spread))


def clock_segments(
    *, true_time: npt.ArrayLike, stamp: npt.ArrayLike, sd: npt.ArrayLike, largest_drift_per_day: float = 20.0
) -> list[ClockSegment]:
    """Split the comparisons at jumps and fit a line to each stretch.

    Parameters
    ----------
    true_time, stamp : array-like, (n,)
        Reference clock and the instrument's clock at the same instants. [s]
    sd : array-like, (n,)
        Standard uncertainty of each comparison. [s]
    largest_drift_per_day : float
        What a clock can drift without having jumped. [s per day] 20 s a day is beyond any crystal in use
        (common practice, no source).

    Returns
    -------
    list of ClockSegment
        In order of stamps. Boundaries between segments lie midway between the two comparisons that saw the
        jump; `locate_jump` narrows them with the record itself.

    Notes
    -----
    A straight line of correction against stamp is fitted by weighted least squares. With one comparison in a
    stretch the drift is taken as zero and is not known.
    """
    n = require_same_length(true_time=true_time, stamp=stamp, sd=sd)
    true_s, stamp_s, sd_s = as_float("true_time", true_time), as_float("stamp", stamp), as_float("sd", sd)
    if n == 0:
        return []
    order = np.argsort(true_s)
    true_s, stamp_s, sd_s = true_s[order], stamp_s[order], sd_s[order]
    correction = true_s - stamp_s
    step = np.diff(correction)
    days = np.diff(true_s) / 86400.0
    limit = np.maximum(SMALLEST_JUMP_S, 5.0 * np.hypot(sd_s[1:], sd_s[:-1])) + largest_drift_per_day * days
    breaks = [0, *(np.flatnonzero(np.abs(step) > limit) + 1).tolist(), n]
    segments: list[ClockSegment] = []
    for first, last in pairwise(breaks):
        part = slice(first, last)
        reference, value, slope, value_sd, slope_sd = _line(stamp_s[part], correction[part], sd_s[part])
        segments.append(
            ClockSegment(
                start=-np.inf if first == 0 else 0.5 * (stamp_s[first - 1] + stamp_s[first]),
                end=np.inf if last == n else 0.5 * (stamp_s[last - 1] + stamp_s[last]),
                reference=reference,
                seconds=value,
                per_day=slope,
                sd=value_sd,
                per_day_sd=slope_sd,
                checks=last - first,
                cause=_cause(value, value_sd, slope, slope_sd),
            )
        )
    return segments


def locate_jump(*, stamps: npt.ArrayLike, after: float, before: float, jump: float, interval: float) -> float | None:
    """Find where in a record the stamps jump by about `jump` seconds.

    Parameters
    ----------
    stamps : array-like, (n,)
        Stamps in the order in which they were written. [s]
    after, before : float
        The stamps of the two comparisons between which the clock jumped. [s]
    jump : float
        Expected jump of the stamps: positive leaves a silence, negative an overlap. [s]
    interval : float
        Sampling interval. [s]

    Returns
    -------
    float or None
        The first stamp after the jump; None if no step of that size stands there, or more than one does.
    """
    record = as_float("stamps", stamps)
    if record.size < 2:
        return None
    step = np.diff(record)
    inside = (record[1:] > after) & (record[1:] <= before + max(0.0, -jump))
    tolerance = max(3.0 * interval, 0.02 * abs(jump))
    hits = np.flatnonzero(inside & (np.abs(step - interval - jump) <= tolerance))
    return float(record[hits[0] + 1]) if hits.size == 1 else None
