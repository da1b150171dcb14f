"""Straight models under correlated noise: weights for a series whose neighbours are alike.

Here:     generalised least squares with first-order autoregressive noise whose strength is itself uncertain.
Not here: what the columns of the model mean.
Rules:    the strength of the correlation is averaged over its restricted likelihood, so it widens the result.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import t as student

from reeftally._checks import FloatArray

__all__ = ["CorrelatedFit", "fit_correlated"]

_PHI = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.86, 0.9, 0.93, 0.955, 0.975])


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrelatedFit:
    """Parameters of a linear model with noise that remembers."""

    parameters: FloatArray
    covariance: FloatArray
    phi: float
    """Mean correlation of neighbouring samples."""
    noise_sd: float
    """Standard deviation of the noise."""
    degrees: int
    """Samples minus parameters."""
    log_likelihood: float
    """Log of the restricted likelihood, averaged over phi."""

    @property
    def sd(self) -> FloatArray:
        """Standard uncertainties of the parameters."""
        return np.sqrt(np.diag(self.covariance))

    def half_width(self, level: float = 0.95) -> FloatArray:
        """Half widths of the intervals of the parameters."""
        return np.asarray(self.sd * student.ppf(0.5 + 0.5 * level, max(self.effective, 2.0)))

    @property
    def effective(self) -> float:
        """Degrees of freedom with the correlation counted: n (1 - phi) / (1 + phi), less the parameters."""
        n = self.degrees + self.parameters.size
        return max(n * (1.0 - self.phi) / (1.0 + self.phi) - self.parameters.size, 2.0)


def fit_correlated(*, design: FloatArray, values: FloatArray, time: FloatArray, interval: float) -> CorrelatedFit:
    """Fit ``values = design @ parameters + noise`` where noise has correlation phi**(dt / interval).

    Notes
    -----
    Restricted likelihood of the regression with autoregressive errors (Patterson and Thompson 1971, from memory),
    on a grid of phi with equal prior weight; means and variances are averaged over the grid.
    """
    n, k = design.shape
    steps = np.diff(time) / interval
    logs, means, covariances, sds = [], [], [], []
    for phi in _PHI:
        rho = phi ** np.maximum(steps, 1e-9) if phi > 0 else np.zeros(steps.size)
        scale = np.sqrt(1.0 - rho**2)
        white_x, white_y = design.copy(), values.copy()
        white_x[1:] = (design[1:] - rho[:, None] * design[:-1]) / scale[:, None]
        white_y[1:] = (values[1:] - rho * values[:-1]) / scale
        normal = white_x.T @ white_x
        beta = np.linalg.solve(normal, white_x.T @ white_y)
        rest = white_y - white_x @ beta
        squares = max(float(rest @ rest), 1e-300)
        variance = squares / (n - k)
        logs.append(
            -float(np.log(scale).sum()) - 0.5 * float(np.linalg.slogdet(normal)[1]) - 0.5 * (n - k) * np.log(squares)
        )
        means.append(beta)
        covariances.append(variance * np.linalg.inv(normal))
        sds.append(np.sqrt(variance))
    log = np.array(logs)
    weight = np.exp(log - log.max())
    total = float(log.max() + np.log(weight.sum() / weight.size))
    weight /= weight.sum()
    all_means, all_covariances = np.array(means), np.array(covariances)
    mean = weight @ all_means
    away = all_means - mean
    covariance = np.einsum("g,gij->ij", weight, all_covariances) + np.einsum("g,gi,gj->ij", weight, away, away)
    return CorrelatedFit(
        parameters=np.asarray(mean),
        covariance=np.asarray(covariance),
        phi=float(weight @ _PHI),
        noise_sd=float(weight @ np.array(sds)),
        degrees=n - k,
        log_likelihood=total,
    )
