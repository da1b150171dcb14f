"""Visits of a carried sensor: plateaus in its record, and the slate.

Here:     finding stays in an excurrent jet by their steps, and pairing them with slate times.
Not here: the difference between jet and ambient (`differences`); calibration of the sensor.
Rules:    the record finds the plateau, the slate only names it; a slate entry without a plateau is said,
          not filled in from its minutes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_range, require_same_length
from reeftally.errors import ShapeError
from reeftally.exchange._common import fill_gaps

__all__ = ["Plateaus", "SlateMatch", "find_plateaus", "match_slate"]


@dataclass(frozen=True, slots=True)
class Plateaus:
    """Plateaus in order of time."""

    start: FloatArray
    """Arrival in the jet, response removed. [s]"""
    end: FloatArray
    """Leaving it. [s]"""
    step: FloatArray
    """Mean of the steps in and out (jet minus ambient), shape (plateaus, channels). [channel's unit]"""
    score: FloatArray
    """Size of the weaker step against noise. [1]"""
    noise: FloatArray
    """Robust noise of each channel, per sample. [channel's unit]"""


def find_plateaus(
    *,
    time: npt.ArrayLike,
    values: npt.ArrayLike,
    response_time: npt.ArrayLike,
    slate_in: npt.ArrayLike | None = None,
    slate_out: npt.ArrayLike | None = None,
    slate_window: float = 360.0,
    threshold: float = 12.0,
    slate_threshold: float = 9.0,
    shortest: float = 30.0,
    longest: float = 900.0,
    arm: float = 20.0,
    noise_sd: npt.ArrayLike | None = None,
    direction: npt.ArrayLike = -1.0,
) -> Plateaus:
    """Return the stays in excurrent jets that the record of a carried sensor shows.

    Parameters
    ----------
    time : array-like, shape (n,)
        Increasing; gaps allowed. [s]
    values : array-like, shape (channels, n) or (n,)
        For example pH and oxygen; NaN at gaps. [any]
    response_time : array-like, shape (channels,) or scalar
        First-order response times. [s]
    slate_in, slate_out : array-like, optional
        Written times. Steps within `slate_window` of a slate interval need only `slate_threshold`; with
        slate times given, plateaus farther away than `slate_window` are left out. [s]
    slate_window : float
        [s]
    threshold, slate_threshold : float
        Smallest step against its noise. [1]
    shortest, longest : float
        Durations of a stay. [s]
    arm : float
        Seconds averaged on each side of a candidate step. [s]
    noise_sd : array-like, shape (channels,), optional
        Noise per sample; default from the record's own differences. [channel's unit]
    direction : array-like, shape (channels,) or scalar
        Sign of jet minus ambient: -1 for pH and oxygen of a respiring organism, +1 for CO2, 0 for a channel
        that may go either way. Without it the ambient between two visits would look like a visit.

    Returns
    -------
    Plateaus

    Raises
    ------
    ShapeError
        If the arrays do not fit.

    Notes
    -----
    Each channel is restored by ``x + tau dx/dt``. The mean of the seconds after minus the mean of the
    seconds before each instant is set against its noise; channels are added in quadrature, patchiness of
    the water counts as noise. A step in is paired with the next step out that undoes it in all channels.
    """
    when = as_float("time", time)
    channels = np.atleast_2d(as_float("values", values))
    if when.ndim != 1 or channels.shape[-1] != when.size:
        message = f"values {channels.shape} and time {when.shape} do not fit."
        raise ShapeError(message)
    require_range("threshold", threshold, 1.0, 1e6, "")
    count = channels.shape[0]
    tau = np.broadcast_to(as_float("response_time", response_time), (count,))
    empty = Plateaus(np.empty(0), np.empty(0), np.empty((0, count)), np.empty(0), np.full(count, np.nan))
    if when.size < 10:
        return empty
    step = float(np.median(np.diff(when)))
    grid = np.arange(when[0], when[-1] + 0.5 * step, step)
    gridded = np.array([_regular(when, row, grid, 3.0 * step) for row in channels])
    good = np.isfinite(gridded)
    use = good.mean(axis=1) > 0.01
    if not use.any():
        return empty
    width = max(round(arm / step), 3)
    steps, noise, spread = _steps(gridded, tau, step, width, noise_sd)
    scaled = np.where(use[:, None], steps / spread[:, None], 0.0)
    score = np.sqrt(np.nansum(scaled**2, axis=0))
    gate = np.full(grid.size, threshold)
    near = np.ones(grid.size, dtype=bool)
    if slate_in is not None and slate_out is not None:
        near = np.zeros(grid.size, dtype=bool)
        for first, last in zip(as_float("slate_in", slate_in), as_float("slate_out", slate_out), strict=True):
            near |= (grid >= first - slate_window) & (grid <= last + slate_window)
        gate[near] = slate_threshold
    peaks = _peaks(np.where(near, score, 0.0), gate, width)
    sign = np.broadcast_to(as_float("direction", direction), (count,))
    pairs = _paired(peaks, scaled, sign, grid, shortest, longest)
    rows = []
    for first, last in pairs:
        jump = 0.5 * (steps[:, first] - steps[:, last])
        # Neither fit may see the other step, nor a neighbouring visit.
        inner = min(2 * width, max((last - first) * 2 // 3, width // 2))
        rows.append(
            (
                _crossing(gridded, tau, step, spread, first, (width, inner), grid),
                _crossing(gridded, tau, step, spread, last, (inner, 2 * width), grid),
                jump,
                min(score[first], score[last]),
            )
        )
    if not rows:
        return Plateaus(empty.start, empty.end, empty.step, empty.score, noise)
    start, end, jumps, scores = zip(*rows, strict=True)
    return Plateaus(np.array(start), np.array(end), np.array(jumps), np.array(scores), noise)


def _regular(when: FloatArray, row: FloatArray, grid: FloatArray, reach: float) -> FloatArray:
    """Return `row` on an even grid, NaN farther than `reach` from a sample."""
    good = np.isfinite(row) & np.isfinite(when)
    if good.sum() < 2:
        return np.full(grid.size, np.nan)
    at, x = when[good], row[good]
    after = np.clip(np.searchsorted(at, grid), 1, at.size - 1)
    # The nearest sample, not an interpolated one: interpolation would make the noise look smaller.
    nearest = np.where(np.abs(grid - at[after - 1]) <= np.abs(at[after] - grid), after - 1, after)
    return np.where(np.abs(grid - at[nearest]) <= reach, x[nearest], np.nan)


def _restored(row: FloatArray, tau: float, step: float, smooth: int) -> FloatArray:
    filled = fill_gaps(row[None])[0]
    kernel = np.ones(smooth) / smooth
    padded = np.pad(filled, smooth, mode="edge")
    smoothed = np.convolve(padded, kernel, mode="same")[smooth:-smooth]
    return np.asarray(smoothed + tau * np.gradient(smoothed, step))


def _steps(
    gridded: FloatArray, tau: FloatArray, step: float, width: int, noise_sd: npt.ArrayLike | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return steps, noise per sample, and noise of a step, for each channel."""
    steps, noise, spread = [], [], []
    given = None if noise_sd is None else np.broadcast_to(as_float("noise_sd", noise_sd), (len(gridded),))
    for k, row in enumerate(gridded):
        change = np.abs(np.diff(row))
        change = change[np.isfinite(change)]
        own = 1.4826 * float(np.median(change)) / np.sqrt(2.0) if change.size else 0.0
        sample = own if given is None else float(given[k])
        restored = _restored(row, float(tau[k]), step, 3)
        total = np.concatenate([[0.0], np.cumsum(restored)])
        index = np.arange(row.size)
        low, high = np.maximum(index - width, 0), np.minimum(index + width, row.size)
        after = (total[high] - total[index]) / np.maximum(high - index, 1)
        before = (total[index] - total[low]) / np.maximum(index - low, 1)
        change = np.where((index > 2) & (index < row.size - 3), after - before, 0.0)
        change = np.where(np.isfinite(row), change, 0.0)
        # White noise sums to this; the quartile spread adds patchiness, and the larger one counts.
        white = sample * np.sqrt(2.0 / width) * np.sqrt(1.0 + (2.0 * tau[k] / (step * width)) ** 2)
        patchy = float(np.quantile(np.abs(change), 0.5)) * 1.4826
        steps.append(change)
        noise.append(sample)
        spread.append(max(white, min(patchy, 4.0 * white), 1e-12))
    return np.array(steps), np.array(noise), np.array(spread)


def _peaks(score: FloatArray, gate: FloatArray, width: int) -> npt.NDArray[np.int64]:
    """Return instants whose score is the largest within half an arm and above the gate."""
    found: list[int] = []
    for i in np.argsort(score)[::-1]:
        if score[i] <= 0.0:
            break
        if score[i] < gate[i]:
            continue
        if all(abs(int(i) - j) > width // 2 for j in found):
            low, high = max(int(i) - 2, 0), int(i) + 3
            if score[i] >= score[low:high].max():
                found.append(int(i))
    return np.array(sorted(found), dtype=np.int64)


def _paired(
    peaks: npt.NDArray[np.int64],
    scaled: FloatArray,
    sign: FloatArray,
    grid: FloatArray,
    shortest: float,
    longest: float,
) -> list[tuple[int, int]]:
    """Return pairs (in, out) whose steps undo each other; the strongest pairs choose first."""
    options = []
    for a, first in enumerate(peaks):
        one = scaled[:, first]
        if np.any(sign != 0.0) and float(one @ sign) < 0.5 * np.linalg.norm(one[sign != 0.0]):
            continue
        for last in peaks[a + 1 :]:
            stay = grid[last] - grid[first]
            if stay > longest:
                break
            if stay < shortest:
                continue
            other = scaled[:, last]
            size_one, size_other = np.linalg.norm(one), np.linalg.norm(other)
            against = -float(one @ other) / (size_one * size_other)
            even = min(size_one, size_other) / max(size_one, size_other)
            between = peaks[(peaks > first) & (peaks < last)]
            rivals = [np.linalg.norm(scaled[:, k]) for k in between]
            quiet = max(rivals, default=0.0) < 0.6 * min(size_one, size_other)
            if against > 0.8 and even > 0.5 and quiet:
                options.append((against * even * min(size_one, size_other), int(first), int(last)))
    chosen: list[tuple[int, int]] = []
    for _, first, last in sorted(options, reverse=True):
        if all(last <= a or first >= b for a, b in chosen):
            chosen.append((first, last))
    return sorted(chosen)


def _crossing(
    gridded: FloatArray,
    tau: FloatArray,
    step: float,
    spread: FloatArray,
    at: int,
    reach: tuple[int, int],
    grid: FloatArray,
) -> float:
    """Return the instant of a step: least squares of a step seen through each sensor's response."""
    low, high = max(at - reach[0], 0), min(at + reach[1], grid.size)
    t = grid[low:high]
    half = 0.5 * step
    trials = np.arange(grid[max(at - reach[0] // 2, 0)], grid[min(at + reach[1] // 2, grid.size - 1)], half)
    late = np.maximum(t[None, :] - trials[:, None], 0.0)
    misfit = np.zeros(trials.size)
    for k, row in enumerate(gridded):
        y = row[low:high]
        good = np.isfinite(y)
        if good.sum() < 8:
            continue
        shape = 1.0 - np.exp(-late[:, good] / tau[k]) if tau[k] > 0.0 else (late[:, good] > 0.0).astype(float)
        shape = shape - shape.mean(axis=1, keepdims=True)
        centred = y[good] - y[good].mean()
        power = np.maximum((shape**2).sum(axis=1), 1e-12)
        misfit -= ((shape @ centred) ** 2 / power) / spread[k] ** 2
    return float(trials[np.argmin(misfit)]) if trials.size else float(grid[at])


@dataclass(frozen=True, slots=True)
class SlateMatch:
    """Pairing of slate entries with plateaus."""

    plateau: npt.NDArray[np.int64]
    """For each slate entry the index of its plateau, or -1. Shape (entries,)"""
    error: FloatArray
    """Plateau minus slate, mean of start and end; NaN without a plateau. [s]"""
    doubtful: npt.NDArray[np.bool_]
    """Entries to ask about: no plateau (unless a blank), a large error, or a rival nearly as good."""
    unclaimed: npt.NDArray[np.int64]
    """Plateaus that no entry claims."""


def match_slate(
    *,
    start: npt.ArrayLike,
    end: npt.ArrayLike,
    slate_in: npt.ArrayLike,
    slate_out: npt.ArrayLike,
    blank: npt.ArrayLike = False,
    window: float = 360.0,
    ask_beyond: float = 150.0,
) -> SlateMatch:
    """Return which plateau belongs to which slate entry, keeping the order of both.

    Parameters
    ----------
    start, end : array-like, shape (plateaus,)
        From `find_plateaus`. [s]
    slate_in, slate_out : array-like, shape (entries,)
        Written times, in the order in which the visits were made. Where a time steps back by more than
        twice the window the rows cannot be in that order, and they are sorted by time. [s]
    blank : array-like of bool, shape (entries,)
        Entries at rock or a dead organism, where no plateau is expected; they claim none.
    window : float
        Largest error of the slate. [s]
    ask_beyond : float
        Errors beyond this are doubtful. [s]

    Returns
    -------
    SlateMatch

    Notes
    -----
    The sum of time errors is made smallest over all pairings that keep the order (dynamic programming);
    leaving an entry and a plateau unpaired costs twice the window.
    """
    first, last = as_float("start", start), as_float("end", end)
    written_in, written_out = as_float("slate_in", slate_in), as_float("slate_out", slate_out)
    require_same_length(start=first, end=last)
    entries = require_same_length(slate_in=written_in, slate_out=written_out)
    plateaus = first.size
    bare = np.broadcast_to(np.asarray(blank, dtype=bool), (entries,))
    centre = 0.5 * (written_in + written_out)
    order = np.arange(entries)
    if entries and (np.maximum.accumulate(centre) - centre > 2.0 * window).any():
        order = np.argsort(centre, kind="stable")
    rank = np.argsort(first, kind="stable")
    middle = 0.5 * ((first + last)[rank][None, :] - (written_in + written_out)[order][:, None])
    stay = np.abs((last - first)[rank][None, :] - (written_out - written_in)[order][:, None])
    cost = np.abs(middle) + 0.25 * np.minimum(stay, window)
    cost[(np.abs(middle) > window) | bare[order][:, None] | ~np.isfinite(cost)] = np.inf
    table = np.full((entries + 1, plateaus + 1), np.inf)
    skip = np.where(bare[order], 0.0, window)
    table[0] = window * np.arange(plateaus + 1)
    table[1:, 0] = np.cumsum(skip)
    for i in range(1, entries + 1):
        for j in range(1, plateaus + 1):
            table[i, j] = min(
                table[i - 1, j - 1] + cost[i - 1, j - 1],
                table[i - 1, j] + skip[i - 1],
                table[i, j - 1] + window,
            )
    plateau = np.full(entries, -1, dtype=np.int64)
    i, j = entries, plateaus
    while i > 0 and j > 0:
        if table[i, j] == table[i - 1, j - 1] + cost[i - 1, j - 1]:
            plateau[order[i - 1]] = rank[j - 1]
            i, j = i - 1, j - 1
        elif table[i, j] == table[i - 1, j] + skip[i - 1]:
            i -= 1
        else:
            j -= 1
    found = plateau >= 0
    error = np.full(entries, np.nan)
    error[found] = 0.5 * ((first + last)[plateau[found]] - (written_in + written_out)[found])
    claimed = np.zeros(plateaus, dtype=bool)
    claimed[plateau[found]] = True
    with np.errstate(invalid="ignore"):
        doubtful = (~found & ~bare) | (np.abs(error) > ask_beyond)
    free = (first + last)[~claimed] * 0.5
    for k in np.flatnonzero(found):
        rivals = np.abs(free - 0.5 * (written_in[k] + written_out[k]))
        if rivals.size and rivals.min() < np.abs(error[k]):
            doubtful[k] = True
    return SlateMatch(plateau, error, doubtful, np.flatnonzero(~claimed).astype(np.int64))
