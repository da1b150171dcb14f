"""Estimates of friction velocity side by side, and a reasoned best value.

Here:     weighted median of covariance, dissipation and log law in logarithms, their agreement.
Not here: the estimates themselves.
Rules:    no value without an estimate; the spread is always shown; disagreement widens the interval.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_range
from reeftally.errors import InputError, ShapeError

__all__ = ["METHODS", "BestFrictionVelocity", "friction_velocity_best", "friction_velocity_interval"]

METHODS = ("covariance", "dissipation", "log_law")


def friction_velocity_interval(
    *,
    value: npt.ArrayLike,
    random_sd: npt.ArrayLike,
    systematic_sd: npt.ArrayLike = 0.0,
    level: float = 0.95,
) -> tuple[FloatArray, FloatArray]:
    """Interval of a friction velocity (or of a stress), formed in logarithms.

    Parameters
    ----------
    value, random_sd, systematic_sd : array-like
        Estimate and its standard uncertainties. [m s-1]
    level : float
        Coverage, 0 to 1. [1]

    Returns
    -------
    tuple of float64 array
        Lower and upper end; NaN where the value is NaN or not positive. [m s-1]

    Notes
    -----
    A burst that happens to hold strong eddies has a large stress and a large estimated error: the two
    are correlated by about 0.9, so that value -+ k sd misses the truth too often on one side. The
    relative error hardly varies, and value * exp(-+ k sd / value) holds it as often as it says.
    """
    require_range("level", level, 0.0, 1.0)
    middle = as_float("value", value)
    middle = np.where(middle > 0.0, middle, np.nan)
    relative = np.hypot(as_float("random_sd", random_sd), as_float("systematic_sd", systematic_sd)) / middle
    step = np.exp(NormalDist().inv_cdf(0.5 + 0.5 * level) * relative)
    return np.asarray(middle / step), np.asarray(middle * step)


@dataclass(frozen=True, slots=True, kw_only=True)
class BestFrictionVelocity:
    """Best friction velocity of each block."""

    value: FloatArray
    """NaN where refused; shape (blocks,). [m s-1]"""
    random_sd: FloatArray
    """Random part, widened where the estimates disagree. [m s-1]"""
    systematic_sd: FloatArray
    """Systematic part. [m s-1]"""
    spread: FloatArray
    """Largest over smallest estimate; 1 with one estimate. [1]"""
    count: npt.NDArray[np.int64]
    """Estimates used."""
    chi_square: FloatArray
    """Sum of squared normalised deviations over (count - 1); NaN with one estimate. [1]"""
    reason: npt.NDArray[np.str_]
    """How the value came about: ``none``, ``below_floor``, ``only_<method>``, ``agree``, ``disagree``."""


def _weighted_median(value: FloatArray, weight: FloatArray) -> float:
    """Median of a few weighted values, linear between the middles of their weights."""
    order = np.argsort(value)
    v, w = value[order], weight[order]
    position = (np.cumsum(w) - 0.5 * w) / w.sum()
    return float(np.interp(0.5, position, v))


def friction_velocity_best(
    *,
    covariance: npt.ArrayLike | None = None,
    covariance_sd: npt.ArrayLike | None = None,
    dissipation: npt.ArrayLike | None = None,
    dissipation_sd: npt.ArrayLike | None = None,
    log_law: npt.ArrayLike | None = None,
    log_law_sd: npt.ArrayLike | None = None,
    systematic_relative: tuple[float, float, float] = (0.03, 0.04, 0.05),
    floor: float = 0.0,
    disagreement: float = 3.0,
) -> BestFrictionVelocity:
    """Combine up to three estimates of friction velocity, block by block.

    Parameters
    ----------
    covariance, dissipation, log_law : array-like, shape (blocks,), optional
        Estimates; NaN where a method was refused. [m s-1]
    covariance_sd, dissipation_sd, log_law_sd : array-like, optional
        Their random standard uncertainty; required with the estimate. [m s-1]
    systematic_relative : tuple of float
        Relative systematic standard uncertainty of each method, for weights and the combined part. [1]
    floor : float
        Best values below this are refused: turbulence is then not established. [m s-1]
    disagreement : float
        chi-square per degree of freedom above which the estimates disagree. [1]

    Returns
    -------
    BestFrictionVelocity

    Raises
    ------
    InputError, ShapeError
        If none is given, one lacks its sd, or lengths differ.

    Notes
    -----
    Weighted median of ln u*, weights from random and systematic variance together: one wild estimate
    of three does not pull it, as a mean would be. Where they disagree the random part is widened by
    the root of chi-square per degree of freedom (as Birge 1932 does for means). Each estimate weighs
    at most as if it were good to 5 %.
    """
    require_range("floor", floor, 0.0, 1.0, "m s-1")
    given = ((covariance, covariance_sd), (dissipation, dissipation_sd), (log_law, log_law_sd))
    if all(value is None for value, _ in given):
        message = "covariance, dissipation and log_law are all missing; at least one is needed."
        raise InputError(message)
    sizes = {np.size(value) for value, _ in given if value is not None}
    if len(sizes) > 1:
        message = f"estimates have lengths {sorted(sizes)}; they need one length."
        raise ShapeError(message)
    blocks = sizes.pop()
    values, relative = np.full((3, blocks), np.nan), np.full((3, blocks), np.nan)
    for k, (value, sd) in enumerate(given):
        if value is None:
            continue
        if sd is None:
            message = f"{METHODS[k]}_sd is missing; an estimate without uncertainty cannot be weighed."
            raise InputError(message)
        row = as_float(METHODS[k], value).ravel()
        values[k] = np.where(row > 0.0, row, np.nan)
        relative[k] = as_float(f"{METHODS[k]}_sd", sd).ravel() / values[k]
    total = np.maximum(np.hypot(relative, np.array(systematic_relative)[:, None]), 0.05)
    usable = np.isfinite(values) & np.isfinite(total)
    out = {k: np.full(blocks, np.nan) for k in ("value", "random", "systematic", "spread", "chi")}
    count = usable.sum(axis=0).astype(np.int64)
    reason = np.full(blocks, "none", dtype="U16")
    for b in np.flatnonzero(count):
        rows = np.flatnonzero(usable[:, b])
        logs, sd = np.log(values[rows, b]), total[rows, b]
        weight = 1.0 / sd**2
        middle = _weighted_median(logs, weight)
        share = weight / weight.sum()
        random = float(np.sqrt((share**2 * relative[rows, b] ** 2).sum()))
        common = float((share * np.array(systematic_relative)[rows]).sum())
        widen = 1.0
        if rows.size > 1:
            mean = float((share * logs).sum())
            out["chi"][b] = float((weight * (logs - mean) ** 2).sum() / (rows.size - 1))
            widen = max(float(np.sqrt(out["chi"][b])), 1.0)
            # A median of normal values is less certain than their mean.
            widen *= 1.0 if rows.size == 2 else 1.15
            reason[b] = "disagree" if out["chi"][b] > disagreement else "agree"
        else:
            reason[b] = f"only_{METHODS[rows[0]]}"
        best = float(np.exp(middle))
        out["spread"][b] = float(np.exp(np.ptp(logs)))
        if best < floor:
            reason[b] = "below_floor"
            continue
        out["value"][b] = best
        out["random"][b] = best * random * widen
        out["systematic"][b] = best * common
    return BestFrictionVelocity(
        value=out["value"], random_sd=out["random"], systematic_sd=out["systematic"], spread=out["spread"],
        count=count, chi_square=out["chi"], reason=reason,
    )  # fmt: skip
