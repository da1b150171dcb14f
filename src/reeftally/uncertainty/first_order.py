"""First-order propagation of uncertainty (the GUM), with correlations and degrees of freedom.

Here:     `first_order` for any function of several inputs, effective degrees of freedom, coverage factors.
Not here: trials (trials.py), which are the default where a function is strongly curved.
Rules:    derivatives are central differences of fourth order on a step tied to the input's uncertainty.
          The chemistry has exact derivatives of its own; this is for everything else and for checking.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from reeftally._checks import FloatArray, as_float
from reeftally.errors import InputError, ShapeError

__all__ = ["FirstOrder", "coverage_factor", "first_order", "welch_satterthwaite"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstOrder:
    """Result of first-order propagation through a function with m outputs and k inputs."""

    value: FloatArray
    """The function at the estimates, shape () or (m,)."""
    sd: FloatArray
    """Combined standard uncertainty, shape of `value`."""
    covariance: FloatArray
    """Covariance matrix of the outputs, shape (m, m)."""
    sensitivities: FloatArray
    """Derivatives, shape (m, k), inputs in the order given."""
    contributions: dict[str, FloatArray]
    """For each input, its own |derivative| times uncertainty, shape of `value`; without correlations."""
    degrees: FloatArray
    """Effective degrees of freedom, shape of `value`; infinite unless `degrees` was given."""


def first_order(
    function: Callable[..., npt.ArrayLike],
    *,
    values: Mapping[str, float],
    sds: Mapping[str, float],
    correlation: npt.ArrayLike | None = None,
    degrees: Mapping[str, float] | None = None,
) -> FirstOrder:
    """Propagate standard uncertainties through `function` to first order.

    Parameters
    ----------
    function : callable
        Takes the inputs by keyword as floats and returns a number or a one-dimensional array.
    values, sds : mapping of name to float
        Estimates of the inputs and their standard uncertainties. [units of the inputs]
    correlation : array-like, shape (k, k), optional
        Correlation matrix of the inputs in the order of `values`; default uncorrelated. [1]
    degrees : mapping of name to float, optional
        Degrees of freedom of each uncertainty; inputs left out count as known exactly.

    Returns
    -------
    FirstOrder

    Raises
    ------
    InputError
        Names do not agree, a negative uncertainty, or a matrix that is no correlation matrix; also
        `degrees` together with `correlation`, for which the Welch-Satterthwaite formula does not hold.

    Notes
    -----
    [GUM]_ eq. 13 (with correlations), eq. H.9 for the covariance of outputs, eq. G.2b for the degrees.

    References
    ----------
    .. [GUM] JCGM 100:2008, Guide to the expression of uncertainty in measurement.
    """
    names = list(values)
    if set(names) != set(sds):
        message = f"values names {sorted(names)} and sds names {sorted(sds)}; they need the same names."
        raise InputError(message)
    x = np.array([float(values[name]) for name in names])
    u = np.array([float(sds[name]) for name in names])
    if not np.all(u >= 0.0):
        message = "sds holds a negative or missing value; each input needs an uncertainty, 0 or above."
        raise InputError(message)
    matrix = _correlation(correlation, len(names))
    if degrees is not None and correlation is not None and np.any(matrix != np.eye(len(names))):
        message = "degrees cannot be combined with correlated inputs: the Welch-Satterthwaite formula does not hold."
        raise InputError(message)

    def call(point: FloatArray) -> FloatArray:
        result = function(**dict(zip(names, point.tolist(), strict=True)))
        return as_float("the function's result", result)

    centre = call(x)
    if centre.ndim > 1:
        message = f"The function returned shape {centre.shape}; it needs a number or a one-dimensional array."
        raise ShapeError(message)
    jacobian = np.empty((centre.size, x.size))
    for k in range(x.size):
        jacobian[:, k] = _derivative(call, x, u, k)
    covariance = (jacobian * u) @ matrix @ (jacobian * u).T
    variance = np.maximum(np.diag(covariance), 0.0)
    parts = np.abs(jacobian * u)
    with np.errstate(all="ignore"):
        if degrees is None:
            effective = np.full(centre.size, np.inf)
        else:
            nu = np.array([float(degrees.get(name, np.inf)) for name in names])
            below = (parts**4 / nu).sum(1)
            effective = np.where(below > 0.0, variance**2 / below, np.inf)
    shape = centre.shape
    return FirstOrder(
        value=centre[()],
        sd=np.sqrt(variance).reshape(shape)[()],
        covariance=covariance,
        sensitivities=jacobian,
        contributions={name: parts[:, k].reshape(shape)[()] for k, name in enumerate(names)},
        degrees=effective.reshape(shape)[()],
    )


def welch_satterthwaite(*, components: npt.ArrayLike, degrees: npt.ArrayLike) -> float:
    """Effective degrees of freedom of a sum of independent components.

    Parameters
    ----------
    components : array-like, shape (k,)
        Standard uncertainty contributed by each component. [one unit]
    degrees : array-like, shape (k,)
        Degrees of freedom of each; infinite for one known exactly.

    Returns
    -------
    float
        u_c^4 / sum(u_i^4 / nu_i), JCGM 100:2008 eq. G.2b; infinite if all components are exact.
    """
    u, nu = as_float("components", components), as_float("degrees", degrees)
    if u.ndim != 1 or u.shape != nu.shape or u.size == 0:
        message = f"components {u.shape} and degrees {nu.shape} need one dimension and one length above 0."
        raise ShapeError(message)
    if np.any(nu <= 0.0) or np.any(u < 0.0):
        message = "degrees need to be above 0 and components 0 or above."
        raise InputError(message)
    below = float((u**4 / nu).sum())
    return float((u * u).sum() ** 2 / below) if below > 0.0 else float("inf")


def coverage_factor(*, degrees: npt.ArrayLike = np.inf, level: float = 0.95) -> FloatArray:
    """Student's t for a two-sided interval of coverage `level` (JCGM 100:2008 table G.2).

    Parameters
    ----------
    degrees : array-like, default infinite
        Degrees of freedom, above 0; not rounded down to whole numbers. NaN in, NaN out.
    level : float, default 0.95
        Coverage.

    Returns
    -------
    float64 array, shape of `degrees`
    """
    nu = as_float("degrees", degrees)
    p = 0.5 * (1.0 + level)
    with np.errstate(all="ignore"):
        finite = special.stdtrit(np.where(np.isfinite(nu), nu, 1.0), p)
    return np.where(np.isposinf(nu), special.ndtri(p), np.where(nu > 0.0, finite, np.nan))[()]


def _correlation(correlation: npt.ArrayLike | None, size: int) -> FloatArray:
    if correlation is None:
        return np.eye(size)
    matrix = as_float("correlation", correlation)
    if matrix.shape != (size, size):
        message = f"correlation has shape {matrix.shape}; {size} inputs need ({size}, {size})."
        raise ShapeError(message)
    bad = not np.allclose(matrix, matrix.T, rtol=0.0, atol=1e-12)
    bad = bad or not np.allclose(np.diag(matrix), 1.0, rtol=0.0, atol=1e-12)
    # A published matrix is rounded, so a slightly negative eigenvalue is no contradiction.
    if bad or float(np.linalg.eigvalsh(matrix).min()) < -1e-6:
        message = "correlation is not a correlation matrix: symmetric, ones on the diagonal, no negative eigenvalue."
        raise InputError(message)
    return matrix


def _derivative(call: Callable[[FloatArray], FloatArray], x: FloatArray, u: FloatArray, k: int) -> FloatArray:
    # The step is a hundredth of the uncertainty, but never so small that rounding of x rules.
    step = max(1e-2 * u[k], 1e-6 * abs(x[k])) if u[k] > 0.0 else 1e-4 * (abs(x[k]) or 1.0)
    total = np.zeros(())
    for multiple, weight in ((-2.0, 1.0), (-1.0, -8.0), (1.0, 8.0), (2.0, -1.0)):
        point = x.copy()
        point[k] += multiple * step
        total = total + weight * call(point)
    return np.asarray(total / (12.0 * step)).reshape(-1)
