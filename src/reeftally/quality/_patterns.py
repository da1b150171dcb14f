"""Patterns that faults leave in the difference between a sensor and what its neighbours say it should read.

Here:     block means of that difference, and how well each pattern explains them, in nats.
Not here: which cause to name first and why (`faults`).
Rules:    every pattern answers on one scale: the gain in log likelihood over "the sensor is right", less half the
          log of the number of blocks for every number that was fitted, less the log of what was searched through.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from reeftally._checks import FloatArray

__all__ = [
    "Blocks",
    "Fit",
    "fit_columns",
    "make_blocks",
    "mean_of_present",
    "predict_from_neighbours",
    "running_median",
    "runs_of",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """How well one pattern explains the blocks."""

    squares: float
    """Sum of squares left, in units of the noise variance, priors included."""
    cost: float
    """Nats paid for numbers fitted and places searched."""
    bonus: float = 0.0
    """Nats from evidence outside the block means (equal values, lost samples, rough noise)."""
    numbers: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Blocks:
    """Block means of a record, its prediction and their difference."""

    time: FloatArray
    values: FloatArray
    predicted: FloatArray
    slope: FloatArray
    """Change of the quantity per unit of ln(height), from the neighbours; 0 where heights are unknown."""
    rough: FloatArray
    """Scatter of single samples within each block."""
    counts: FloatArray
    sigma: float
    """Noise of a block mean of the difference, slow patches included."""
    length: float

    @property
    def difference(self) -> FloatArray:
        """Values minus prediction."""
        return self.values - self.predicted


def predict_from_neighbours(
    neighbours: FloatArray, heights: FloatArray | None, own_height: float | None
) -> tuple[FloatArray, FloatArray]:
    """What the sensor should read, and the slope against ln(height): least squares through the neighbours."""
    k, n = neighbours.shape
    good = np.isfinite(neighbours)
    count = good.sum(axis=0)
    filled = np.where(good, neighbours, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = filled.sum(axis=0) / count
    if heights is None or own_height is None or k < 2 or np.ptp(heights) == 0.0:
        return mean, np.zeros(n)
    x = np.log(heights)[:, None] * good
    with np.errstate(invalid="ignore", divide="ignore"):
        centre = x.sum(axis=0) / count
        away = np.where(good, np.log(heights)[:, None] - centre, 0.0)
        slope = (away * filled).sum(axis=0) / (away**2).sum(axis=0)
    slope = np.where(np.isfinite(slope), slope, 0.0)
    return mean + slope * (np.log(own_height) - centre), slope


def make_blocks(
    time: FloatArray, values: FloatArray, predicted: FloatArray, slope: FloatArray, noise_sd: float, most: int = 384
) -> Blocks:
    """Average into at most `most` blocks of whole samples."""
    size = max(1, int(np.ceil(time.size / most)))
    n = time.size // size

    def cut(a: FloatArray) -> FloatArray:
        return a[: n * size].reshape(n, size)

    both = np.isfinite(values) & np.isfinite(predicted)
    counts = cut(both.astype(np.float64)).sum(axis=1)

    def mean(a: FloatArray) -> FloatArray:
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(cut(np.where(both, a, 0.0)).sum(axis=1) / counts)

    v, p = mean(values), mean(predicted)
    d = cut(np.where(both, values - predicted, np.nan))
    steps = np.diff(d, axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        found = np.isfinite(steps).sum(axis=1)
        rough = np.sqrt(np.nansum(steps**2, axis=1) / np.maximum(found, 1) / 2.0)
    rough = np.where(found > 0, rough, np.nan)
    difference = v - p
    inner = np.abs(np.diff(difference))
    inner = inner[np.isfinite(inner)]
    by_steps = 1.4826 * float(np.median(inner)) / np.sqrt(2.0) if inner.size else 0.0
    sigma = max(by_steps, noise_sd / np.sqrt(size), 1e-9)
    return Blocks(
        time=cut(time).mean(axis=1),
        values=v,
        predicted=p,
        slope=mean(slope),
        rough=rough,
        counts=counts,
        sigma=sigma,
        length=float(size * np.median(np.diff(time))) if time.size > 1 else 1.0,
    )


def fit_columns(
    difference: FloatArray, columns: list[FloatArray], prior_sd: list[float], sigma: float
) -> tuple[float, FloatArray]:
    """Least squares with Gaussian priors about zero; infinite sd for none. Squares left in units of sigma**2."""
    good = np.isfinite(difference)
    design = np.stack([c[good] for c in columns], axis=1)
    y = difference[good]
    finite = np.isfinite(design).all(axis=1)
    design, y = design[finite], y[finite]
    ridge = np.diag([0.0 if np.isinf(s) else sigma / s for s in prior_sd])
    stacked = np.vstack([design, ridge])
    target = np.concatenate([y, np.zeros(len(prior_sd))])
    beta, *_ = np.linalg.lstsq(stacked, target, rcond=None)
    rest = target - stacked @ beta
    return float(rest @ rest) / sigma**2, beta


def mean_of_present(records: FloatArray) -> FloatArray:
    """Mean of (k, n) records over those that have a value; NaN where none has."""
    good = np.isfinite(records)
    count = good.sum(axis=0)
    total = np.where(good, records, 0.0).sum(axis=0)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))


def running_median(values: FloatArray, half: int) -> FloatArray:
    """Median of the `2 half + 1` samples about each; missing ones are bridged first, so that gaps do not narrow it."""
    good = np.isfinite(values)
    if not good.any():
        return np.full(values.shape, np.nan)
    filled = np.interp(np.arange(values.size), np.flatnonzero(good), values[good])
    half = min(half, (values.size - 1) // 2)
    return np.asarray(ndimage.median_filter(filled, size=2 * half + 1, mode="mirror"))


def runs_of(mask: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return (first, end) of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
