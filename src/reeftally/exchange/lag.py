"""Lag of a concentration behind the velocity: from geometry, and pooled over many blocks.

Here:     travel time between the two volumes; the excess over it, pooled by flow direction.
Not here: the flux (`covariance`).
Rules:    a positive lag means that the concentration is later; the search never leaves its window.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.signal

from reeftally._checks import FloatArray, as_float, require_range
from reeftally.errors import ShapeError
from reeftally.exchange import _samples
from reeftally.exchange._common import Each

__all__ = ["LAG_WINDOW_S", "PooledLag", "geometric_lag", "pooled_lag"]


LAG_WINDOW_S = 1.0
"""Half-width about the expected lag of what is searched and allowed, unless a caller states another. [s]"""


def geometric_lag(*, separation_along: npt.ArrayLike, speed: npt.ArrayLike) -> FloatArray:
    """Return the travel time from the velocity volume to the concentration sensor.

    Parameters
    ----------
    separation_along : array-like
        Distance downstream of the velocity volume; negative upstream. [m]
    speed : array-like
        Mean speed, positive. [m s-1]

    Returns
    -------
    float64 array
        [s] Negative when the water meets the sensor first; NaN where the speed is not positive.
    """
    distance, rate = as_float("separation_along", separation_along), as_float("speed", speed)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(rate > 0.0, distance / rate, np.nan))


@dataclass(frozen=True, slots=True)
class PooledLag:
    """Lag of each group of blocks (for example ebb and flood)."""

    group: npt.NDArray[np.int64]
    """Group numbers."""
    lag: FloatArray
    """Median expected lag of the group plus its excess. [s]"""
    excess: FloatArray
    """Lag beyond the expected one, common to the group. [s]"""
    excess_sd: FloatArray
    """Standard error of the excess by leaving out a tenth of the blocks at a time. [s]"""
    at_edge: npt.NDArray[np.bool_]
    """The optimum lies on the edge of the window; the excess is then 0 and the lag the expected one."""
    n: npt.NDArray[np.int64]
    """Blocks used."""


def pooled_lag(
    *,
    w: npt.ArrayLike,
    concentration: npt.ArrayLike,
    sample_rate: float,
    separation_along: npt.ArrayLike,
    speed: npt.ArrayLike,
    response_time: npt.ArrayLike = 0.0,
    group: npt.ArrayLike = 0,
    use: npt.ArrayLike = True,
    lag_window: float = LAG_WINDOW_S,
    wave_band: tuple[float, float] | None = None,
    restore: bool = True,
    speed_floor: float = 0.02,
    each: Each = map,
) -> PooledLag:
    """Return the lag of many blocks, pooled by flow direction.

    Parameters
    ----------
    w, concentration : array-like, shape (blocks, n)
        Vertical velocity [m s-1] and concentration [mmol m-3]; NaN at gaps.
    sample_rate : float
        [Hz]
    separation_along, speed, response_time : array-like, shape (blocks,)
        As in `eddy_covariance`. [m, m s-1, s]
    group : array-like of int, shape (blocks,)
        Blocks with one number are pooled, for example ebb 0 and flood 1.
    use : array-like of bool, shape (blocks,)
        Blocks that may count.
    lag_window : float
        The excess is searched within plus and minus this. [s]
    wave_band : (low, high), optional
        Frequencies left out, since orbital motion is coherent with the concentration at the wrong lag. [Hz]
    restore : bool
        Restore the sensor response first (lag from geometry alone); otherwise the expected lag is
        travel time plus response time.
    speed_floor : float
        Slower blocks do not count. [m s-1]
    each : callable
        Calls a function on each item, in order, as `map` does; a pool's `map` uses several processors. The
        result is the same to the last bit.

    Returns
    -------
    PooledLag

    Notes
    -----
    Each block's cross-spectrum is turned by its own expected lag, scaled to unit variances and averaged
    in the group. The excess maximises the in-phase part weighted by coherence as in Hannan and Thomson
    (1973), Biometrika 60 (from memory); a plain maximum of the covariance is much broader, since the
    largest eddies, which carry most of it, say least about time.
    """
    velocity, value = as_float("w", w), as_float("concentration", concentration)
    if velocity.ndim != 2 or velocity.shape != value.shape:
        message = f"w {velocity.shape} and concentration {value.shape} need one shape (blocks, n)."
        raise ShapeError(message)
    require_range("lag_window", lag_window, 1e-3, 1e3, "s")
    blocks, n = velocity.shape
    tau = np.broadcast_to(as_float("response_time", response_time), (blocks,))
    travel = geometric_lag(separation_along=separation_along, speed=speed)
    expected = np.broadcast_to(travel + (0.0 if restore else tau), (blocks,))
    usable = (
        np.broadcast_to(np.asarray(use, dtype=bool), (blocks,))
        & (np.broadcast_to(as_float("speed", speed), (blocks,)) >= speed_floor)
        & ((np.isfinite(velocity) & np.isfinite(value)).mean(axis=1) > 0.7)
    )
    groups = np.broadcast_to(np.asarray(group, dtype=np.int64), (blocks,))
    frequency = np.arange(n // 2 + 1) * sample_rate / n
    keep = frequency > 0.0
    if wave_band is not None:
        keep &= (frequency < wave_band[0]) | (frequency > wave_band[1])
    numbers = np.unique(groups)
    rows = []
    for number in numbers:
        members = np.flatnonzero(usable & (groups == number))
        parts = _tenths(velocity, value, members, expected, tau, sample_rate, restore=restore, each=each)
        rows.append(_excess(parts, frequency, keep, expected[members], lag_window, members.size))
    lag, excess, sd, edge, count = (np.array(column) for column in zip(*rows, strict=True))
    return PooledLag(
        group=numbers,
        lag=lag,
        excess=excess,
        excess_sd=sd,
        at_edge=edge.astype(bool),
        n=count.astype(np.int64),
    )


def _tenths(
    w: FloatArray,
    c: FloatArray,
    members: npt.NDArray[np.intp],
    expected: FloatArray,
    tau: FloatArray,
    rate: float,
    *,
    restore: bool,
    each: Each,
) -> npt.NDArray[np.complex128]:
    """Return sums of (cross, ww, cc) spectra over ten interleaved parts, shape (parts, 3, frequencies)."""
    n = w.shape[1]
    frequency = np.arange(n // 2 + 1) * rate / n
    parts = np.zeros((10, 3, frequency.size), dtype=np.complex128)
    step = max(1, 120_000 // n)

    def piece(first: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.complex128]] | None:
        some = members[first : first + step]
        fw = _samples.detrended(w[some], "linear", 0)
        fc = _samples.detrended(c[some], "linear", 0)
        if restore:
            fc = _samples.detrended(_samples.restored(fc, tau[some], 1.0 / rate), "block", 0)
        scale_w = np.sqrt(np.nanmean(fw**2, axis=1, keepdims=True))
        scale_c = np.sqrt(np.nanmean(fc**2, axis=1, keepdims=True))
        good = ((scale_w > 0.0) & (scale_c > 0.0) & np.isfinite(expected[some])[:, None])[:, 0]
        if not good.any():
            return None
        some, fw, fc = some[good], fw[good] / scale_w[good], fc[good] / scale_c[good]
        turn = np.exp(2j * np.pi * frequency * expected[some][:, None])
        cross, own_w, own_c = _samples.cross_and_own_spectra(fw, fc)
        return (first + np.flatnonzero(good)) % 10, np.stack([cross * turn, own_w, own_c], axis=1)

    for found in each(piece, range(0, members.size, step)):
        if found is not None:
            np.add.at(parts, *found)
    return parts


def _best(
    total: npt.NDArray[np.complex128],
    frequency: FloatArray,
    keep: npt.NDArray[np.bool_],
    window: float,
) -> tuple[float, bool]:
    first = _samples.log_bins(2 * (frequency.size - 1), 20)
    width = np.diff(np.append(first, frequency.size))
    kept = np.where(keep, total, 0.0)
    share = np.maximum(np.add.reduceat(keep.astype(float), first), 1.0)
    cross, ww, cc = (np.add.reduceat(kept[row], first) / share for row in range(3))
    with np.errstate(divide="ignore", invalid="ignore"):
        coherence = np.clip(np.abs(cross) ** 2 / (ww.real * cc.real), 0.0, 0.98)
        weight = np.nan_to_num(coherence / (1.0 - coherence) / np.abs(cross))
    fine = np.repeat(weight, width)
    select = np.zeros_like(keep)
    select[first[0] :] = keep[first[0] :]
    phase = total[0][select] * fine[select[first[0] :]]
    trial = np.linspace(-window, window, 401)
    # Sum of phase exp(2 pi i f t) at even steps of f and t: a chirp z-transform.
    turned = np.zeros(frequency.size, dtype=np.complex128)
    turned[select] = phase
    turn = 2j * np.pi * (frequency[1] - frequency[0])
    score = scipy.signal.czt(
        turned, m=trial.size, w=np.exp(turn * (trial[1] - trial[0])), a=np.exp(-turn * trial[0])
    ).real
    # Uptake and release give covariances of either sign; the larger absolute in-phase part counts.
    size = np.abs(score)
    best = int(np.argmax(size))
    edge = best in {0, trial.size - 1}
    if edge or not np.isfinite(size).all() or size[best] == 0.0:
        return 0.0, True
    left, mid, right = size[best - 1 : best + 2]
    bend = left - 2.0 * mid + right
    return float(trial[best] + (0.5 * (left - right) / bend if bend < 0.0 else 0.0) * (trial[1] - trial[0])), False


def _excess(
    parts: npt.NDArray[np.complex128],
    frequency: FloatArray,
    keep: npt.NDArray[np.bool_],
    expected: FloatArray,
    window: float,
    count: int,
) -> tuple[float, float, float, bool, int]:
    if count == 0:
        return np.nan, np.nan, np.nan, False, 0
    total = parts.sum(axis=0)
    excess, edge = _best(total, frequency, keep, window)
    held = [_best(total - part, frequency, keep, window)[0] for part in parts if np.abs(part).any()]
    parts_used = len(held)
    sd = np.nan
    if parts_used > 1 and not edge:
        sd = float(np.sqrt((parts_used - 1) / parts_used * np.sum((np.array(held) - np.mean(held)) ** 2)))
    return float(np.nanmedian(expected)) + excess, excess, sd, edge, count
