"""From a few bottles to a series: best linear prediction between samples, with its covariance.

Here:     simple kriging of a slowly changing property (total alkalinity, say) at block times.
Not here: bottle flags, reference-material corrections (callers apply them first).
Rules:    far from any bottle the prediction returns to the mean and its uncertainty to the natural scatter;
          the laboratory's shared error is kept apart (systematic), it does not shrink with more bottles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_same_length
from reeftally.errors import InputError

__all__ = ["BottleSeries", "predict_series"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BottleSeries:
    """A property predicted between bottles."""

    mean: FloatArray
    """Prediction, (times,)."""
    covariance: FloatArray
    """Covariance of its random error, (times, times)."""
    natural_sd: float
    """Standard deviation of the property itself, measurement scatter removed."""
    level: float
    """Mean level of the bottles."""
    bottles: int
    """How many were used."""

    def sample(self, generator: np.random.Generator, trials: int) -> FloatArray:
        """Draw `trials` series, (trials, times)."""
        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.clip(values, 0.0, None))
        return np.asarray(self.mean + generator.standard_normal((trials, self.mean.size)) @ root.T)


def predict_series(
    *,
    time: npt.ArrayLike,
    value: npt.ArrayLike,
    sd: npt.ArrayLike,
    at: npt.ArrayLike,
    correlation_time: float,
    least_natural_sd: float = 0.0,
) -> BottleSeries:
    """Predict a property at `at` from samples.

    Parameters
    ----------
    time, value, sd : array-like, (n,)
        Sample times [s], values, and random standard uncertainties.
    at : array-like, (m,)
        Times wanted. [s]
    correlation_time : float
        Time over which the property keeps its value (e-folding of a squared-exponential covariance). [s]
    least_natural_sd : float
        Lower limit of the natural scatter; keeps few bottles that happen to agree from claiming a constant.

    Raises
    ------
    InputError
        If there is no sample.

    Notes
    -----
    Gaussian-process regression with known mean and squared-exponential covariance plus measurement variance
    (Rasmussen and Williams 2006, eq. 2.25 and 2.26, from memory); the unknown mean level adds the variance of
    its generalised-least-squares estimate (eq. 2.41 and 2.42, from memory).
    """
    n = require_same_length(time=time, value=value, sd=sd)
    if n == 0:
        message = "predict_series needs at least one sample."
        raise InputError(message)
    t, y, s = as_float("time", time), as_float("value", value), as_float("sd", sd)
    wanted: FloatArray = np.asarray(np.atleast_1d(as_float("at", at)), dtype=np.float64)
    weight = 1.0 / np.maximum(s, 1e-12) ** 2
    rough = float(np.sum(weight * y) / weight.sum())
    natural = float(max(float(np.var(y, ddof=1)) - float(np.mean(s**2)), 0.0) ** 0.5) if n > 2 else 0.0
    natural = max(natural, least_natural_sd, 1e-9)

    def kernel(a: FloatArray, b: FloatArray) -> FloatArray:
        return np.asarray(natural**2 * np.exp(-0.5 * ((a[:, None] - b[None, :]) / correlation_time) ** 2))

    observed = kernel(t, t) + np.diag(s**2)
    ones = np.ones(n)
    inverse_ones = np.linalg.solve(observed, ones)
    level = rough + float(inverse_ones @ (y - rough)) / float(inverse_ones @ ones)
    cross: FloatArray = kernel(np.asarray(wanted, dtype=np.float64), t)
    gain = np.linalg.solve(observed, cross.T).T
    mean = level + gain @ (y - level)
    rest = 1.0 - gain @ ones
    covariance = kernel(wanted, wanted) - gain @ cross.T + np.outer(rest, rest) / float(inverse_ones @ ones)
    return BottleSeries(
        mean=np.asarray(mean), covariance=0.5 * (covariance + covariance.T), natural_sd=natural, level=level, bottles=n
    )
