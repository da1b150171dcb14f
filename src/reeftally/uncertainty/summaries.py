"""Summaries of trials: value, interval, random and systematic parts, and whether the trials suffice.

Here:     `summarise`, `split_parts`, `Moments` (running mean and spread over batches), the numerical
          tolerance of JCGM 101 and a check that the number of trials suffices.
Not here: drawing (trials.py), shares by cause (budget.py).
Rules:    the value is the mean over trials, so that parts add up; the interval is made of percentiles.
          Trials without a number are counted, and too many of them void the summary.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, one_of
from reeftally.errors import InputError, ShapeError

__all__ = ["Moments", "Parts", "Summary", "numerical_tolerance", "split_parts", "summarise", "trials_suffice"]

_SLAB = 4_000_000
"""Numbers sorted at one time, which bounds the memory beside the samples."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """What the trials say about one quantity or an array of them."""

    mean: FloatArray
    """Mean over trials."""
    lower: FloatArray
    """Lower end of the interval."""
    upper: FloatArray
    """Upper end of the interval."""
    sd: FloatArray
    """Standard deviation over trials: the combined standard uncertainty."""
    level: float
    """Coverage of the interval."""
    valid: npt.NDArray[np.int64]
    """Number of trials that gave a number."""
    trials: int
    """Number of trials run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """Random and systematic parts of a standard uncertainty."""

    random_sd: FloatArray
    """Part that averages out over blocks."""
    systematic_sd: FloatArray
    """Part shared by all blocks."""


def summarise(
    samples: npt.ArrayLike,
    *,
    axis: int = 0,
    level: float = 0.95,
    interval: str = "symmetric",
    lost_share_allowed: float = 0.05,
) -> Summary:
    """Mean, interval and standard deviation of trials.

    Parameters
    ----------
    samples : array-like
        Results of the trials. [any unit]
    axis : int, default 0
        Axis of the trials.
    level : float, default 0.95
        Coverage of the interval, between 0 and 1.
    interval : {"symmetric", "shortest"}, default "symmetric"
        Probabilistically symmetric (equal tails) or the shortest interval, JCGM 101 clause 7.7.
    lost_share_allowed : float, default 0.05
        Where more than this share of the trials gave no number, the summary is NaN: what is left
        would be conditional on success.

    Returns
    -------
    Summary
        Over the remaining axes.

    Notes
    -----
    Percentiles interpolate linearly between order statistics (definition 7 of Hyndman and Fan 1996),
    [JCGM101]_ 7.7.

    References
    ----------
    .. [JCGM101] JCGM 101:2008, Evaluation of measurement data, Supplement 1 to the GUM.
    """
    one_of("interval", interval, ("symmetric", "shortest"))
    if not 0.0 < level < 1.0:
        message = f"level is {level}; it needs a number between 0 and 1."
        raise InputError(message)
    values = as_float("samples", samples)
    if values.ndim == 0 or values.shape[axis] < 2:
        message = f"samples has shape {values.shape}; axis {axis} needs at least 2 trials."
        raise ShapeError(message)
    trials = values.shape[axis]
    # Trials last and together in memory: then a result's sums do not depend on how many others stand beside it.
    rows = np.moveaxis(values, axis, -1)
    shape = rows.shape[:-1]
    rows = rows.reshape(-1, trials)
    found = np.empty((4, rows.shape[0]))
    valid = np.empty(rows.shape[0], dtype=np.int64)
    slab = max(1, _SLAB // trials)
    for first in range(0, rows.shape[0], slab):
        part = slice(first, first + slab)
        found[:, part], valid[part] = _summarise_rows(np.ascontiguousarray(rows[part]), level, interval)
    found[:, valid < max(2.0, (1.0 - lost_share_allowed) * trials)] = np.nan
    mean, sd, lower, upper = (field.reshape(shape)[()] for field in found)
    return Summary(
        mean=mean, lower=lower, upper=upper, sd=sd, level=level, valid=valid.reshape(shape)[()], trials=trials
    )


def split_parts(samples: npt.ArrayLike, *, systematic_only: npt.ArrayLike, axis: int = 0) -> Parts:
    """Random and systematic parts from two runs of the same trials.

    Parameters
    ----------
    samples : array-like
        Results with every term drawn. [any unit]
    systematic_only : array-like, shape of `samples`
        Results of the same trials with the random terms held at 0 (`Trials.without_random`).
    axis : int, default 0
        Axis of the trials.

    Returns
    -------
    Parts
        ``systematic_sd`` is the spread of the second run; ``random_sd`` that of the difference trial by trial, so
        a small part beside a large one is still known to about 1/sqrt(2 n) of itself. Terms that act
        together only (a product of both kinds) count as random.
    """
    full, fixed = as_float("samples", samples), as_float("systematic_only", systematic_only)
    if full.shape != fixed.shape:
        message = f"samples {full.shape} and systematic_only {fixed.shape} need one shape."
        raise ShapeError(message)
    both = np.isfinite(full) & np.isfinite(fixed)
    full, fixed = np.where(both, full, np.nan), np.where(both, fixed, np.nan)
    return Parts(random_sd=summarise(full - fixed, axis=axis).sd, systematic_sd=summarise(fixed, axis=axis).sd)


class Moments:
    """Running count, mean and standard deviation over batches of trials, in bounded memory.

    Batches have the trial as first axis. Feed them in order of trial number, or merge partial
    accumulators in that order: then the result does not depend on who computed them.
    """

    __slots__ = ("_mean", "_squares", "count")

    def __init__(self) -> None:
        self.count: npt.NDArray[np.int64] = np.zeros((), dtype=np.int64)
        self._mean: FloatArray = np.zeros(())
        self._squares: FloatArray = np.zeros(())

    def update(self, batch: npt.ArrayLike) -> None:
        """Take in one batch, shape (trials, ...); members without a number are left out."""
        values = as_float("batch", batch)
        if values.ndim == 0:
            message = "batch is a single number; it needs the trial as first axis."
            raise ShapeError(message)
        # Trials last and together in memory, as in `summarise`.
        rows = np.ascontiguousarray(np.moveaxis(values, 0, -1))
        there = np.isfinite(rows)
        count = np.asarray(there.sum(-1))
        with np.errstate(all="ignore"):
            mean = np.where(count > 0, np.where(there, rows, 0.0).sum(-1) / count, 0.0)
        departure = np.where(there, rows - mean[..., None], 0.0)
        self._combine(count, mean, np.asarray((departure * departure).sum(-1)))

    def merge(self, other: Moments) -> None:
        """Take in what another accumulator holds (Chan, Golub and LeVeque 1983)."""
        self._combine(other.count, other._mean, other._squares)

    @property
    def mean(self) -> FloatArray:
        """Mean so far; NaN where nothing came."""
        return np.where(self.count > 0, self._mean, np.nan)[()]

    @property
    def sd(self) -> FloatArray:
        """Standard deviation so far (n - 1); NaN with fewer than two trials."""
        with np.errstate(all="ignore"):
            return np.where(self.count > 1, np.sqrt(self._squares / (self.count - 1)), np.nan)[()]

    def _combine(self, count: npt.NDArray[np.int64], mean: FloatArray, squares: FloatArray) -> None:
        total = self.count + count
        step = mean - self._mean
        with np.errstate(all="ignore"):
            share = np.where(total > 0, count / total, 0.0)
        self._squares = self._squares + squares + step * step * self.count * share
        self._mean = self._mean + step * share
        self.count = total


def numerical_tolerance(*, sd: float, digits: int = 2) -> float:
    """Half a unit of the last of `digits` significant digits of `sd` (JCGM 101, 7.9.2)."""
    if not (np.isfinite(sd) and sd > 0.0) or digits < 1:
        message = f"sd is {sd} and digits {digits}; both need to be above 0."
        raise InputError(message)
    exponent = int(np.floor(np.log10(sd))) - (digits - 1)
    # 9.96 with two digits is written 10, one decade up.
    if round(sd / 10.0**exponent) >= 10**digits:
        exponent += 1
    return float(0.5 * 10.0**exponent)


def trials_suffice(samples: npt.ArrayLike, *, digits: int = 1, level: float = 0.95) -> bool:
    """Whether more trials would leave the first `digits` digits alone (JCGM 101, 7.9.4).

    Parameters
    ----------
    samples : array-like, shape (n,)
        Results of the trials in order; cut into at least ten runs. [any unit]
    digits : int, default 1
        Significant digits of the standard uncertainty wanted.
    level : float, default 0.95
        Coverage of the interval.

    Returns
    -------
    bool
        True if twice the standard error of mean, sd and both ends of the interval, from the scatter
        between runs, is below the numerical tolerance.
    """
    values = as_float("samples", samples)
    values = values[np.isfinite(values)]
    if values.size < 1000:
        return False
    tolerance = numerical_tolerance(sd=float(values.std(ddof=1)), digits=digits)
    run = values.size // 10
    parts = summarise(values[: 10 * run].reshape(10, run), axis=1, level=level)
    for part in (parts.mean, parts.sd, parts.lower, parts.upper):
        if 2.0 * np.std(part, ddof=1) / np.sqrt(10.0) > tolerance:
            return False
    return True


def _summarise_rows(rows: FloatArray, level: float, interval: str) -> tuple[FloatArray, npt.NDArray[np.int64]]:
    """Return mean, sd, lower and upper of each row, and how many of its members are numbers."""
    # Sorted, so that the order of the trials cannot change the last digit of a sum; NaN goes last.
    ordered = np.where(np.isfinite(rows), rows, np.nan)
    ordered.sort(axis=1)
    there = np.isfinite(ordered)
    valid = there.sum(1)
    with np.errstate(all="ignore"):
        mean = np.where(there, ordered, 0.0).sum(1) / valid
        departure = np.where(there, ordered - mean[:, None], 0.0)
        sd = np.sqrt((departure * departure).sum(1) / (valid - 1))
    if interval == "symmetric":
        lower = _order_statistic(ordered, (valid - 1) * 0.5 * (1.0 - level))
        upper = _order_statistic(ordered, (valid - 1) * 0.5 * (1.0 + level))
    else:
        lower, upper = _shortest(ordered, valid, level)
    return np.stack([mean, sd, lower, upper]), valid


def _order_statistic(ordered: FloatArray, position: FloatArray) -> FloatArray:
    last = ordered.shape[1] - 1
    below = np.clip(np.floor(position).astype(np.int64), 0, last)
    above = np.clip(below + 1, 0, last)
    low = np.take_along_axis(ordered, below[:, None], axis=1)[:, 0]
    high = np.take_along_axis(ordered, above[:, None], axis=1)[:, 0]
    part = position - below
    with np.errstate(all="ignore"):
        return np.asarray(np.where(part > 0.0, low + part * (high - low), low))


def _shortest(ordered: FloatArray, valid: npt.NDArray[np.int64], level: float) -> tuple[FloatArray, FloatArray]:
    lower, upper = np.full(valid.size, np.nan), np.full(valid.size, np.nan)
    for row, n in enumerate(valid.tolist()):
        span = round(level * n)
        if n < 2 or span >= n:
            continue
        values = ordered[row, :n]
        width = values[span:] - values[: n - span]
        first = int(np.argmin(width))
        lower[row], upper[row] = values[first], values[first + span]
    return lower, upper
