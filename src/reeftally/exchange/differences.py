"""Difference between an excurrent jet and the ambient water, visit by visit.

Here:     the difference with ambient before and after and the response removed; how many more visits.
Not here: finding the visits (`visits`); what the difference means for the organism (`organisms`).
Rules:    the ambient water may wander during a visit, and that wandering is part of the random error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.stats

from reeftally._checks import FloatArray, as_float, require_range, require_same_length
from reeftally.errors import InputError

__all__ = ["Differences", "excurrent_difference", "replicates_needed"]

_POINTS = 120
"""Readings of one visit that enter its fit."""


@dataclass(frozen=True, slots=True)
class Differences:
    """Jet minus ambient of each visit; arrays of shape (visits,)."""

    value: FloatArray
    """NaN where the visit cannot be used. [channel's unit]"""
    random_sd: FloatArray
    """Noise and the ambient water's own wandering during the visit. [channel's unit]"""
    systematic_sd: FloatArray
    """Response time and gain; the offset cancels. [channel's unit]"""
    ambient: FloatArray
    """Ambient level at the middle of the visit. [channel's unit]"""
    settled: npt.NDArray[np.bool_]
    """The stay exceeded five response times."""
    n: npt.NDArray[np.int64]
    """Samples inside the jet that counted."""
    wander: float
    """Variance growth of the ambient water used. [unit2 s-1]"""


def excurrent_difference(
    *,
    time: npt.ArrayLike,
    values: npt.ArrayLike,
    start: npt.ArrayLike,
    end: npt.ArrayLike,
    response_time: float,
    response_time_sd: float = 0.0,
    gain_sd: float = 0.0,
    noise_sd: float | None = None,
    wander: float | None = None,
    margin: float = 90.0,
    other_start: npt.ArrayLike | None = None,
    other_end: npt.ArrayLike | None = None,
) -> Differences:
    """Return jet minus ambient, ambient taken before and after, sensor response removed.

    Parameters
    ----------
    time, values : array-like, shape (n,)
        Record of one channel. [s, any]
    start, end : array-like, shape (visits,)
        Stays in the jet (or at the blank). [s]
    response_time, response_time_sd : float
        [s]
    gain_sd : float
        Relative. [1]
    noise_sd : float, optional
        Per sample; default from the record's differences.
    wander : float, optional
        Growth of the variance of the ambient water with time; default from the record outside visits.
        [unit2 s-1]
    margin : float
        Ambient used before and after. [s]
    other_start, other_end : array-like, optional
        Further stays to keep out of the ambient, when `start` is a part of all.

    Returns
    -------
    Differences

    Notes
    -----
    Generalised least squares of a level and the sensor's response to a box of unit height, with white
    noise and a random walk of the ambient water; this is the best linear interpolation between ambient
    before and after. The first three response times after each step are left out. With a stay of fewer
    than two response times there is no value.
    """
    when, y = as_float("time", time), as_float("values", values)
    require_same_length(time=when, values=y)
    first, last = as_float("start", start), as_float("end", end)
    require_same_length(start=first, end=last)
    require_range("response_time", response_time, 0.0, 1e4, "s")
    all_first = np.concatenate([first, [] if other_start is None else as_float("other_start", other_start)])
    all_last = np.concatenate([last, [] if other_end is None else as_float("other_end", other_end)])
    tau = float(response_time)
    visits = first.size
    good = np.isfinite(when) & np.isfinite(y)
    when, y = when[good], y[good]
    steps = np.diff(y)
    noise = noise_sd if noise_sd is not None else _noise(steps)
    in_visit = np.zeros(when.size, dtype=bool)
    for a, b in zip(all_first, all_last, strict=True):
        in_visit |= (when > a - 3.0) & (when < b + 4.0 * tau)
    growth, eddies = _wander(when[~in_visit], y[~in_visit], noise)
    growth = growth if wander is None else wander
    noise = float(np.hypot(noise, eddies))
    value, random, systematic, ambient = (np.full(visits, np.nan) for _ in range(4))
    count = np.zeros(visits, dtype=np.int64)
    for k in range(visits):
        if not last[k] - first[k] > 2.0 * tau:
            continue
        before = np.max(all_last[all_last <= first[k]] + 4.0 * tau, initial=-np.inf)
        after = np.min(all_first[all_first >= last[k]] - 3.0, initial=np.inf)
        skip = min(3.0 * tau, 0.5 * (last[k] - first[k]))
        inside = (when >= first[k] + skip) & (when <= last[k] - 2.0)
        # A short gap to the next visit still needs some ambient: its tail is modelled, not dropped.
        lead = (when >= max(first[k] - margin, before)) & (when <= first[k] - 2.0)
        trail = (when >= last[k] + 3.0 * tau) & (when <= min(last[k] + 3.0 * tau + margin, after))
        use = inside | lead | trail
        if inside.sum() < 5 or (lead.sum() + trail.sum()) < 5:
            continue
        fit = _fitted(when[use], y[use], first[k], last[k], tau, noise, growth)
        other = _fitted(when[use], y[use], first[k], last[k], tau * 1.05 + 1e-6, noise, growth)
        slope = (other[0] - fit[0]) / (0.05 * tau + 1e-6)
        value[k], random[k], ambient[k] = fit
        systematic[k] = np.hypot(slope * response_time_sd, fit[0] * gain_sd)
        count[k] = inside.sum()
    return Differences(value, random, systematic, ambient, np.asarray(last - first >= 5.0 * tau), count, float(growth))


def _noise(steps: FloatArray) -> float:
    return float(1.4826 * np.median(np.abs(steps)) / np.sqrt(2.0)) if steps.size else np.nan


def _wander(when: FloatArray, y: FloatArray, noise: float, span: float = 20.0) -> tuple[float, float]:
    """Return how the ambient water wanders: the growth of its variance with time, and its eddies as white noise.

    Means of `span` seconds differ by the sensor's noise, by eddies that pass within seconds, and by a slow walk. Only
    the walk makes means farther apart differ more, so differences one and three spans apart tell the two from each
    other. The eddies come back as the standard deviation a sample that white noise would need for the same scatter
    of the means.
    """
    least = (max(noise**2 * 1e-3, 1e-18), 0.0)
    if when.size < 50:
        return least
    bins = np.floor((when - when[0]) / span).astype(np.int64)
    number, start = np.unique(bins, return_index=True)
    size = np.diff(np.append(start, when.size))
    means = np.add.reduceat(y, start) / size
    full = size >= 0.7 * size.max()
    pair = {int(b): m for b, m in zip(number[full], means[full], strict=True)}
    typical = max(float(np.median(size)), 1.0)

    def spread(steps: int) -> float:
        change = np.array([pair[b + steps] - m for b, m in pair.items() if b + steps in pair])
        return float((1.4826 * np.median(np.abs(change))) ** 2) if change.size >= 5 else np.nan

    near, far = spread(1), spread(3)
    if not np.isfinite(near + far):
        return least
    white = 2.0 * noise**2 / typical
    # Two means of length `span` whose centres lie `apart`: a random walk grows by apart - span/3.
    growth = max((far - near) / (2.0 * span), 0.0)
    eddies = max(near - white - growth * (span - span / 3.0), 0.0)
    return max(growth, noise**2 * 1e-5, 1e-18), float(np.sqrt(0.5 * eddies * typical))


def _fitted(
    t: FloatArray, y: FloatArray, first: float, last: float, tau: float, noise: float, growth: float
) -> tuple[float, float, float]:
    """Return (difference, its standard error, ambient level at the middle)."""
    if t.size > _POINTS:
        # Neighbouring samples are averaged: the walk hardly moves within seconds, and the cost falls with
        # the cube of the number of points. No average may reach over a gap, where the steps are.
        count = t.size // _POINTS + 1
        after_gap = np.append(True, np.diff(t) > 2.0 * float(np.median(np.diff(t))))
        since = np.arange(t.size) - np.flatnonzero(after_gap)[np.cumsum(after_gap) - 1]
        edge = np.flatnonzero(since % count == 0)
        size = np.diff(np.append(edge, t.size)).astype(np.float64)
        t_mean, y_mean = np.add.reduceat(t, edge) / size, np.add.reduceat(y, edge) / size
    else:
        size, t_mean, y_mean = np.ones(t.size), t, y
    rise = np.where(t_mean > first, 1.0, 0.0)
    fall = np.where(t_mean > last, 1.0, 0.0)
    if tau > 0.0:
        rise = np.where(t_mean > first, 1.0 - np.exp(-np.maximum(t_mean - first, 0.0) / tau), 0.0)
        fall = np.where(t_mean > last, 1.0 - np.exp(-np.maximum(t_mean - last, 0.0) / tau), 0.0)
    middle = 0.5 * (first + last)
    columns = np.column_stack([np.ones(t_mean.size), rise - fall])
    # Random walk pinned at the middle of the visit, so that the level is the ambient there.
    s = t_mean - middle
    walk = np.where(np.sign(s)[:, None] == np.sign(s), np.minimum(np.abs(s)[:, None], np.abs(s)), 0.0)
    covariance = growth * walk
    covariance[np.diag_indices_from(covariance)] += noise**2 / size
    solved = np.linalg.solve(covariance, np.column_stack([columns, y_mean]))
    normal = columns.T @ solved[:, :2]
    answer = np.linalg.solve(normal, columns.T @ solved[:, 2])
    return float(answer[1]), float(np.sqrt(np.linalg.inv(normal)[1, 1])), float(answer[0])


def replicates_needed(*, sd: float, half_width: float, level: float = 0.95, done: int = 0) -> dict[str, float]:
    """Return how many visits make the interval of a mean as narrow as wished.

    Parameters
    ----------
    sd : float
        Standard deviation between visits. [any]
    half_width : float
        Wished half-width of the interval. [same]
    level : float
        [1]
    done : int
        Visits already made.

    Returns
    -------
    dict
        ``solution``: the real-valued n that solves ``n = (t_{n-1} sd/half_width)^2``; ``needed``: the
        smallest whole number that keeps the promise; ``more``: those still to be made.

    Raises
    ------
    InputError
        If `sd` or `half_width` is not positive.
    """
    if not (sd > 0.0 and half_width > 0.0):
        message = f"sd {sd} and half_width {half_width} must be positive."
        raise InputError(message)
    require_range("level", level, 0.5, 0.9999, "")

    def width(n: float) -> float:
        return float(scipy.stats.t.ppf(0.5 + 0.5 * level, n - 1.0) * sd / np.sqrt(n))

    low, high = 1.0 + 1e-6, 4.0
    while width(high) > half_width:
        high *= 2.0
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if width(middle) > half_width else (low, middle)
    needed = max(int(np.ceil(high - 1e-5)), 2)
    return {"solution": high, "needed": float(needed), "more": float(max(needed - done, 0))}
