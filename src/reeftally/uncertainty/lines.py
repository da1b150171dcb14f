"""Straight lines through points with errors: York, least squares, geometric mean, Deming.

Here:     the line with errors in both axes and their correlation (York et al. 2004), and the three older
          lines to print beside it.
Not here: what the slope or the intercept means (mixing plots, calibrations and trends live elsewhere).
Rules:    points lie along the last axis; leading axes are independent fits, done at once. Standard errors
          are those of the stated errors ("unscaled"); the scaled ones are given only beside them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_range
from reeftally.errors import InputError, NoSolutionError, ShapeError

__all__ = ["Line", "deming_line", "geometric_mean_line", "least_squares_line", "theil_sen_slope", "york_line"]

ITERATION_LIMIT = 500
RELATIVE_TOLERANCE = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A straight line ``y = intercept + slope x`` with its uncertainty.

    Every number is a float for one fit, or an array over the leading axes for many.
    """

    method: str
    """Author and year of the fit."""
    slope: FloatArray
    """Slope. [unit of y / unit of x]"""
    intercept: FloatArray
    """Value of y at x = 0. [unit of y]"""
    slope_sd: FloatArray
    """Standard error of the slope; NaN where the method has no error model."""
    intercept_sd: FloatArray
    """Standard error of the intercept; NaN where the method has no error model."""
    covariance: FloatArray
    """Covariance of slope and intercept."""
    chi_square: FloatArray
    """Weighted sum of squared misfits (York's S), or the residual sum of squares."""
    goodness: FloatArray
    """`chi_square` over its degrees of freedom, n - 2; near 1 where the stated errors explain the scatter."""
    n: int
    """Number of points of one fit."""
    iterations: int
    """Iterations used; 0 for closed forms."""
    converged: npt.NDArray[np.bool_]
    """Whether the iteration settled; where it did not, the numbers are NaN."""

    @property
    def slope_sd_scaled(self) -> FloatArray:
        """Standard error of the slope times the square root of `goodness`."""
        return np.asarray(self.slope_sd * np.sqrt(self.goodness))[()]

    @property
    def intercept_sd_scaled(self) -> FloatArray:
        """Standard error of the intercept times the square root of `goodness`."""
        return np.asarray(self.intercept_sd * np.sqrt(self.goodness))[()]

    def predict(self, *, x: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return the line at `x` and the standard error of the line there.

        The scatter of a new point is not included. For one fit `x` may have any shape; for many
        fits it must broadcast with their leading axes.
        """
        at = as_float("x", x)
        value = self.intercept + self.slope * at
        variance = self.intercept_sd**2 + 2.0 * at * self.covariance + (at * self.slope_sd) ** 2
        return np.asarray(value)[()], np.asarray(np.sqrt(np.maximum(variance, 0.0)))[()]


def york_line(
    *,
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    x_sd: npt.ArrayLike,
    y_sd: npt.ArrayLike,
    error_correlation: npt.ArrayLike = 0.0,
) -> Line:
    """Best line with errors in both coordinates and their correlation.

    Parameters
    ----------
    x, y : array-like, shape (..., n)
        Points along the last axis, n at least 3. [any unit]
    x_sd, y_sd : array-like, broadcastable with `x`
        Standard uncertainty of each coordinate; one of the two may be 0 at a point. [unit of x, of y]
    error_correlation : array-like, broadcastable with `x`, default 0
        Correlation of the errors of x and y at each point, -1 to 1. [1]

    Returns
    -------
    Line
        Unscaled standard errors. NaN in any point of a fit gives NaN for that fit.

    Raises
    ------
    ShapeError
        Fewer than three points.
    InputError
        A negative uncertainty, or both uncertainties 0 at one point.
    NoSolutionError
        One fit only: x has no range, or 500 iterations did not settle. Among many fits such a
        member is NaN with ``converged`` False.

    Notes
    -----
    [York2004]_ eq. 13, in variances instead of weights so that one error may be zero: W = 1/(sy^2 +
    b^2 sx^2 - 2 b r sx sy), beta = W [U sy^2 + b V sx^2 - (b U + V) r sx sy], b = sum(W beta V) /
    sum(W beta U); standard errors from the adjusted points.

    References
    ----------
    .. [York2004] York, Evensen, Lopez Martinez and De Basabe Delgado 2004, Am. J. Phys. 72, 367-375.
    """
    xs, ys = _points(x, y)
    sx, sy, r = (
        np.broadcast_to(as_float(name, value), xs.shape)
        for name, value in (("x_sd", x_sd), ("y_sd", y_sd), ("error_correlation", error_correlation))
    )
    require_range("x_sd", sx, 0.0, np.inf)
    require_range("y_sd", sy, 0.0, np.inf)
    require_range("error_correlation", r, -1.0, 1.0)
    if np.any((sx == 0.0) & (sy == 0.0)):
        message = "x_sd and y_sd are both 0 at one point; it needs an uncertainty in at least one axis."
        raise InputError(message)

    var_x, var_y, cov = sx * sx, sy * sy, r * sx * sy
    with np.errstate(all="ignore"):
        slope = _ordinary_slope(xs, ys)
        # A slope near 0 has no relative precision of its own; the spread of the points gives the scale.
        scale = np.sqrt(ys.var(-1) / xs.var(-1))
        settled = np.zeros(slope.shape, dtype=bool)
        iterations = 0
        while iterations < ITERATION_LIMIT and not np.all(settled | ~np.isfinite(slope)):
            iterations += 1
            new = _york_step(xs, ys, var_x, var_y, cov, slope)
            done = np.abs(new - slope) <= RELATIVE_TOLERANCE * np.maximum(np.abs(new), scale)
            slope = np.where(settled, slope, new)
            settled |= done
        slope = np.where(settled, slope, np.nan)
        weight, x_mean, y_mean, beta = _york_beta(xs, ys, var_x, var_y, cov, slope)
        total = weight.sum(-1)
        intercept = y_mean[..., 0] - slope * x_mean[..., 0]
        adjusted = x_mean + beta
        adjusted_mean = (weight * adjusted).sum(-1) / total
        u = adjusted - adjusted_mean[..., None]
        slope_var = 1.0 / (weight * u * u).sum(-1)
        intercept_var = 1.0 / total + adjusted_mean**2 * slope_var
        misfit = ys - slope[..., None] * xs - intercept[..., None]
        chi_square = (weight * misfit * misfit).sum(-1)
    return _finish(
        "york2004",
        xs,
        slope,
        intercept,
        np.sqrt(slope_var),
        np.sqrt(intercept_var),
        -adjusted_mean * slope_var,
        chi_square,
        iterations,
        settled,
        _complete(xs, ys, sx, sy, r),
    )


def least_squares_line(*, x: npt.ArrayLike, y: npt.ArrayLike, y_sd: npt.ArrayLike | None = None) -> Line:
    """Least squares of y on x; with `y_sd` weighted, without it scaled by the scatter.

    Parameters
    ----------
    x, y : array-like, shape (..., n)
        Points along the last axis, n at least 3. [any unit]
    y_sd : array-like, broadcastable with `y`, optional
        Standard uncertainty of y. Without it all points weigh the same and the standard errors come
        from the residuals (n - 2 degrees of freedom). [unit of y]

    Returns
    -------
    Line
    """
    xs, ys = _points(x, y)
    if y_sd is None:
        weight = np.ones_like(xs)
    else:
        sd = np.broadcast_to(as_float("y_sd", y_sd), xs.shape)
        if np.any(sd <= 0.0):
            message = "y_sd holds a value that is not above 0; each point needs a positive uncertainty."
            raise InputError(message)
        weight = 1.0 / (sd * sd)
    with np.errstate(all="ignore"):
        total = weight.sum(-1)
        x_mean = (weight * xs).sum(-1) / total
        y_mean = (weight * ys).sum(-1) / total
        u, v = xs - x_mean[..., None], ys - y_mean[..., None]
        sxx = (weight * u * u).sum(-1)
        slope = (weight * u * v).sum(-1) / sxx
        intercept = y_mean - slope * x_mean
        misfit = v - slope[..., None] * u
        chi_square = (weight * misfit * misfit).sum(-1)
        scale = chi_square / (xs.shape[-1] - 2) if y_sd is None else np.ones_like(total)
        slope_var = scale / sxx
        intercept_var = scale / total + x_mean**2 * slope_var
    return _finish(
        "least_squares",
        xs,
        slope,
        intercept,
        np.sqrt(slope_var),
        np.sqrt(intercept_var),
        -x_mean * slope_var,
        chi_square,
        0,
        np.isfinite(slope),
        _complete(xs, ys, weight),
    )


def geometric_mean_line(*, x: npt.ArrayLike, y: npt.ArrayLike) -> Line:
    """Geometric mean (reduced major axis) line: slope sign(r) sd(y)/sd(x).

    No error model stands behind it, so its standard errors are NaN; [Ricker1973]_. It is pulled away
    strongly where the range is small; print it beside the York line, never alone.

    References
    ----------
    .. [Ricker1973] Ricker 1973, J. Fish. Res. Board Can. 30, 409-434.
    """
    xs, ys = _points(x, y)
    with np.errstate(all="ignore"):
        u = xs - xs.mean(-1, keepdims=True)
        v = ys - ys.mean(-1, keepdims=True)
        sxx, syy, sxy = (u * u).sum(-1), (v * v).sum(-1), (u * v).sum(-1)
        slope = np.sign(sxy) * np.sqrt(syy / sxx)
        slope = np.where(sxy == 0.0, np.nan, slope)
        intercept = ys.mean(-1) - slope * xs.mean(-1)
        chi_square = ((v - slope[..., None] * u) ** 2).sum(-1)
    missing = np.full_like(slope, np.nan)
    return _finish(
        "geometric_mean",
        xs,
        slope,
        intercept,
        missing,
        missing,
        missing,
        chi_square,
        0,
        np.isfinite(slope),
        _complete(xs, ys),
    )


def deming_line(*, x: npt.ArrayLike, y: npt.ArrayLike, variance_ratio: float = 1.0) -> Line:
    """Deming line: one error variance for all x, one for all y; ratio 1 is the orthogonal line.

    Parameters
    ----------
    x, y : array-like, shape (..., n)
        Points along the last axis. [any unit]
    variance_ratio : float, default 1
        Error variance of y over error variance of x. [(unit of y / unit of x)^2]

    Returns
    -------
    Line
        Standard errors are NaN: with one unknown error level there is no unique model. Where the
        level is known, `york_line` gives the same line with its errors.
    """
    if not variance_ratio > 0.0:
        message = f"variance_ratio is {variance_ratio}; it needs a number above 0."
        raise InputError(message)
    xs, ys = _points(x, y)
    with np.errstate(all="ignore"):
        u = xs - xs.mean(-1, keepdims=True)
        v = ys - ys.mean(-1, keepdims=True)
        sxx, syy, sxy = (u * u).sum(-1), (v * v).sum(-1), (u * v).sum(-1)
        half = syy - variance_ratio * sxx
        slope = (half + np.sqrt(half * half + 4.0 * variance_ratio * sxy * sxy)) / (2.0 * sxy)
        intercept = ys.mean(-1) - slope * xs.mean(-1)
        misfit = v - slope[..., None] * u
        chi_square = (misfit * misfit).sum(-1) / (1.0 + slope * slope / variance_ratio)
    missing = np.full_like(slope, np.nan)
    return _finish(
        "deming",
        xs,
        slope,
        intercept,
        missing,
        missing,
        missing,
        chi_square,
        0,
        np.isfinite(slope),
        _complete(xs, ys),
    )


def theil_sen_slope(*, x: npt.ArrayLike, y: npt.ArrayLike) -> float:
    """Median of the slopes of all pairs of points with different x ([Sen1968]_).

    References
    ----------
    .. [Sen1968] Sen 1968, J. Am. Stat. Assoc. 63, 1379-1389.
    """
    xs, ys = _points(x, y)
    if xs.ndim != 1:
        message = f"x has shape {xs.shape}; this slope is made for one set of points, shape (n,)."
        raise ShapeError(message)
    first, second = np.triu_indices(xs.size, k=1)
    run = xs[second] - xs[first]
    if not np.any(run != 0.0):
        message = "All x are equal; a slope needs two different x."
        raise NoSolutionError(message, code="no range in x")
    return float(np.median((ys[second] - ys[first])[run != 0.0] / run[run != 0.0]))


def _points(x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    try:
        given = np.broadcast_arrays(as_float("x", x), as_float("y", y))
    except ValueError as error:
        message = f"x {np.shape(x)} and y {np.shape(y)} do not fit together."
        raise ShapeError(message) from error
    # Points together in memory: then the last digit of a fit does not depend on the fits beside it.
    xs, ys = (np.ascontiguousarray(part) for part in given)
    if xs.ndim == 0 or xs.shape[-1] < 3:
        message = f"x has shape {xs.shape}; a line with its uncertainty needs at least 3 points."
        raise ShapeError(message)
    return xs, ys


def _complete(*arrays: FloatArray) -> bool:
    return all(bool(np.all(np.isfinite(array))) for array in arrays)


def _ordinary_slope(xs: FloatArray, ys: FloatArray) -> FloatArray:
    u = xs - xs.mean(-1, keepdims=True)
    return np.asarray((u * ys).sum(-1) / (u * u).sum(-1))


def _york_beta(
    xs: FloatArray,
    ys: FloatArray,
    var_x: FloatArray,
    var_y: FloatArray,
    cov: FloatArray,
    slope: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    b = slope[..., None]
    weight = 1.0 / (var_y + b * b * var_x - 2.0 * b * cov)
    total = weight.sum(-1, keepdims=True)
    x_mean = (weight * xs).sum(-1, keepdims=True) / total
    y_mean = (weight * ys).sum(-1, keepdims=True) / total
    u, v = xs - x_mean, ys - y_mean
    beta = weight * (u * var_y + b * v * var_x - (b * u + v) * cov)
    return weight, x_mean, y_mean, beta


def _york_step(
    xs: FloatArray,
    ys: FloatArray,
    var_x: FloatArray,
    var_y: FloatArray,
    cov: FloatArray,
    slope: FloatArray,
) -> FloatArray:
    weight, x_mean, y_mean, beta = _york_beta(xs, ys, var_x, var_y, cov, slope)
    above = (weight * beta * (ys - y_mean)).sum(-1)
    below = (weight * beta * (xs - x_mean)).sum(-1)
    return np.asarray(above / below)


def _finish(
    method: str,
    xs: FloatArray,
    slope: FloatArray,
    intercept: FloatArray,
    slope_sd: FloatArray,
    intercept_sd: FloatArray,
    covariance: FloatArray,
    chi_square: FloatArray,
    iterations: int,
    settled: npt.NDArray[np.bool_],
    complete: bool,
) -> Line:
    n = xs.shape[-1]
    if xs.ndim == 1 and not bool(settled) and complete:
        if np.ptp(xs) == 0.0:
            message = "All x are equal; a line needs a range in x."
            raise NoSolutionError(message, code="no range in x")
        message = (
            f"The {method} line did not settle in {max(iterations, 1)} iterations; "
            "the points do not fix a slope. Give more range, or look at the plot first."
        )
        raise NoSolutionError(message, code="not settled")
    with np.errstate(all="ignore"):
        goodness = chi_square / (n - 2)
    return Line(
        method=method,
        slope=np.asarray(slope)[()],
        intercept=np.asarray(intercept)[()],
        slope_sd=np.asarray(slope_sd)[()],
        intercept_sd=np.asarray(intercept_sd)[()],
        covariance=np.asarray(covariance)[()],
        chi_square=np.asarray(chi_square)[()],
        goodness=np.asarray(goodness)[()],
        n=n,
        iterations=iterations,
        converged=np.asarray(settled)[()],
    )
