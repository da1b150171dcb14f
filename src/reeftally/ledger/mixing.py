"""Shares of sources in a mixture, with errors and with bounded posteriors.

Here:     `mix` for two sources with one tracer, three with two, and the posterior when there are too
          few tracers.
Not here: the signature of the mixture (`isotopes`).
Rules:    shares are not clipped; a share outside 0 to 1 says that a source or an error is wrong. The
          bounded posterior stands beside, with its prior, because it is mostly prior when tracers
          are too few.

Sources: Phillips and Gregg 2001, Oecologia 127, 171-179 (errors); Moore and Semmens 2008, Ecol. Lett.
11, 470-480 (posterior). Concentration-weighted mixing is not offered: one element is shared out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from reeftally._checks import FloatArray, as_float
from reeftally.errors import InputError, NoSolutionError, ShapeError

__all__ = ["Mixture", "mix"]


@dataclass(frozen=True)
class Mixture:
    """Shares of the sources; arrays in the order given."""

    share: FloatArray
    """Linear solution; NaN when tracers are too few."""
    sd: FloatArray
    degrees_of_freedom: FloatArray
    """Satterthwaite; infinite when no sample sizes are given."""
    lower: FloatArray
    upper: FloatArray
    """95 % from Student's t, unbounded."""
    posterior_mean: FloatArray
    posterior_sd: FloatArray
    posterior_lower: FloatArray
    posterior_upper: FloatArray
    """95 %, with a uniform prior on the shares."""
    prior_sd: float
    """Of one share under that prior: compare with `posterior_sd`."""
    bounded: bool
    """A share's unbounded interval leaves 0 to 1: report the posterior."""


def mix(
    *,
    mixture: npt.ArrayLike,
    sources: npt.ArrayLike,
    mixture_sd: npt.ArrayLike,
    sources_sd: npt.ArrayLike,
    mixture_n: npt.ArrayLike | None = None,
    sources_n: npt.ArrayLike | None = None,
    mixture_correlation: float = 0.0,
    sources_correlation: npt.ArrayLike = 0.0,
) -> Mixture:
    """Shares of two or three sources.

    Parameters
    ----------
    mixture : array_like, shape () or (tracers,)
        Signature of the mixture.
    sources : array_like, shape (sources,) or (sources, tracers)
        Signatures of two or three sources.
    mixture_sd, sources_sd : array_like
        Standard deviations of single values when `mixture_n`, `sources_n` are given, otherwise
        standard uncertainties of the means. Zero for a source taken as known.
    mixture_n, sources_n : array_like, optional
        Numbers of samples (one a source).
    mixture_correlation, sources_correlation : float, array_like
        Between two tracers, within the mixture and within each source.

    Returns
    -------
    Mixture

    Raises
    ------
    ShapeError
        Other than two or three sources, or tracers that do not match.
    NoSolutionError
        Sources that lie on one point (or line), so that shares do not follow.
    """
    ends = np.atleast_1d(as_float("sources", sources))
    ends = ends[:, None] if ends.ndim == 1 else ends
    target = np.atleast_1d(as_float("mixture", mixture))
    count, tracers = ends.shape
    if count not in (2, 3) or target.shape != (tracers,) or tracers > 2:
        message = (
            f"mixture {target.shape} and sources {ends.shape} do not fit: it needs two or three sources "
            "and one or two tracers."
        )
        raise ShapeError(message)
    if not (np.isfinite(ends).all() and np.isfinite(target).all()):
        message = "A signature of mixture or sources is not a finite number."
        raise InputError(message)
    end_sd = np.broadcast_to(_column(as_float("sources_sd", sources_sd), tracers), ends.shape)
    target_sd = np.broadcast_to(as_float("mixture_sd", mixture_sd), target.shape)
    end_n = None if sources_n is None else np.broadcast_to(as_float("sources_n", sources_n), (count,))
    target_n = None if mixture_n is None else float(as_float("mixture_n", mixture_n))
    end_var = end_sd**2 / (1.0 if end_n is None else end_n[:, None])
    target_var = target_sd**2 / (1.0 if target_n is None else target_n)
    end_r = np.broadcast_to(as_float("sources_correlation", sources_correlation), (count,))
    target_cov = _covariance(target_var, mixture_correlation)
    end_cov = np.stack([_covariance(end_var[i], float(end_r[i])) for i in range(count)])

    share = np.full(count, np.nan)
    sd, freedom = share.copy(), share.copy()
    if tracers == count - 1:
        share, sd, freedom = _linear(target, ends, target_cov, end_cov, target_n, end_n)
    quantile = np.full(count, 1.959963984540054)
    limited = np.isfinite(freedom)
    if limited.any():
        quantile[limited] = special.stdtrit(freedom[limited], 0.975)
    lower, upper = share - quantile * sd, share + quantile * sd
    mean, spread, low, high = _posterior(target, ends, target_cov, end_cov)
    return Mixture(
        share=share,
        sd=sd,
        degrees_of_freedom=freedom,
        lower=lower,
        upper=upper,
        posterior_mean=mean,
        posterior_sd=spread,
        posterior_lower=low,
        posterior_upper=high,
        prior_sd=float(np.sqrt((count - 1.0) / (count**2 * (count + 1.0)))),
        bounded=bool(np.any(lower < 0.0) or np.any(upper > 1.0) or tracers < count - 1),
    )


def _column(array: FloatArray, tracers: int) -> FloatArray:
    """Return one value a source as a column, so that it serves all tracers."""
    return array[:, None] if array.ndim == 1 and tracers == 1 else array


def _covariance(variance: FloatArray, correlation: float) -> FloatArray:
    matrix = np.diag(variance)
    if variance.size == 2:
        matrix[0, 1] = matrix[1, 0] = correlation * np.sqrt(variance[0] * variance[1])
    return matrix


def _linear(
    target: FloatArray,
    ends: FloatArray,
    target_cov: FloatArray,
    end_cov: FloatArray,
    target_n: float | None,
    end_n: FloatArray | None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Solve for the shares; errors to first order with exact derivatives of the linear system."""
    count = ends.shape[0]
    system = np.vstack([ends.T, np.ones(count)])
    if abs(np.linalg.det(system)) < 1e-12 * np.abs(ends).max() ** (count - 1):
        message = "The sources lie on one point or line in the tracers; their shares do not follow."
        raise NoSolutionError(message, code="sources_alike")
    share = np.linalg.solve(system, np.append(target, 1.0))
    # A share answers a change of the mixture by `inverse`, and one of source j by −share_j × inverse.
    inverse = np.linalg.inv(system)[:, :-1]
    parts = [np.einsum("it,tu,iu->i", inverse, target_cov, inverse)]
    parts += [share[j] ** 2 * np.einsum("it,tu,iu->i", inverse, end_cov[j], inverse) for j in range(count)]
    terms = np.stack(parts)
    variance = terms.sum(axis=0)
    if target_n is None or end_n is None:
        return share, np.sqrt(variance), np.full(count, np.inf)
    sizes = np.append(target_n, end_n)
    with np.errstate(divide="ignore", invalid="ignore"):
        pieces = np.where(terms > 0.0, terms**2 / (sizes - 1.0)[:, None], 0.0)
        freedom = variance**2 / pieces.sum(axis=0)
    return share, np.sqrt(variance), np.where(np.isfinite(freedom), freedom, np.inf)


def _posterior(
    target: FloatArray, ends: FloatArray, target_cov: FloatArray, end_cov: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Mean, sd and 95 % interval of the shares with a uniform prior, by quadrature on the simplex."""
    count = ends.shape[0]
    if count == 2:
        grid = np.linspace(0.0, 1.0, 20001)
        shares = np.stack([grid, 1.0 - grid], axis=1)
        weight = np.ones(grid.size)
        weight[[0, -1]] = 0.5
    else:
        steps = 600
        centres = (np.arange(steps) + 0.5) / steps
        first, ratio = np.meshgrid(centres, centres, indexing="ij")
        # Uniform on the triangle: the second share is (1 − first) × ratio, with area 1 − first.
        second = (1.0 - first) * ratio
        shares = np.stack([first, second, 1.0 - first - second], axis=-1).reshape(-1, 3)
        weight = (1.0 - first).reshape(-1)
    misfit = target - shares @ ends
    covariance = target_cov + np.einsum("gi,itu->gtu", shares**2, end_cov)
    if np.any(np.linalg.det(covariance) <= 0.0):
        message = "Mixture and sources are all without error; a posterior needs an uncertainty."
        raise InputError(message)
    solved = np.linalg.solve(covariance, misfit[..., None])[..., 0]
    log_density = -0.5 * (misfit * solved).sum(axis=1) - 0.5 * np.log(np.linalg.det(covariance))
    density = weight * np.exp(log_density - log_density.max())
    density /= density.sum()
    mean = density @ shares
    spread = np.sqrt(np.maximum(density @ shares**2 - mean**2, 0.0))
    low, high = np.empty(count), np.empty(count)
    for i in range(count):
        order = np.argsort(shares[:, i], kind="stable")
        at = shares[order, i]
        cumulative = np.cumsum(density[order]) - 0.5 * density[order]
        low[i], high[i] = np.interp([0.025, 0.975], cumulative, at)
    return mean, spread, low, high
