"""Whether two methods agree on the blocks they share, and who is to blame if not.

Here:     bias, slope with errors in both axes, share inside 95 %, suspects, a combination if justified.
Not here: the methods.
Rules:    methods that disagree are never averaged; the table says what the disagreement looks like.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.stats

from reeftally._checks import FloatArray, as_float
from reeftally.errors import ShapeError
from reeftally.uncertainty import york_line

__all__ = ["Agreement", "Suspect", "agreement", "side_by_side"]

_FACTORS = ("height", "displacement height", "friction velocity", "gain", "response", "footprint")
_Z95 = 1.959964


@dataclass(frozen=True, slots=True)
class Suspect:
    """One possible cause of a disagreement."""

    name: str
    """Cause, in the words of the checklist."""
    score: float
    """Size of the evidence in standard errors."""
    evidence: str
    """What was seen, with its number."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """Comparison of two methods over their common blocks."""

    n: int
    """Common blocks."""
    bias: float
    """Mean of first minus second. [mmol m-2 h-1]"""
    bias_sd: float
    """Random and systematic parts together. [mmol m-2 h-1]"""
    slope: float
    """First against second, errors in both. [1]"""
    slope_lower: float
    """Lower end of its 95 % interval, systematic parts included. [1]"""
    slope_upper: float
    """Upper end. [1]"""
    intercept: float
    """[mmol m-2 h-1]"""
    intercept_sd: float
    """[mmol m-2 h-1]"""
    share_inside: float
    """Share of blocks whose difference lies inside its own 95 % interval. [1]"""
    goodness: float
    """Chi-square of the line per degree of freedom; near 1 where the stated errors explain the scatter."""
    agree: bool
    """Bias, slope and share all pass."""
    suspects: tuple[Suspect, ...]
    """Strongest first; empty when nothing stands out."""
    combined: float
    """Weighted mean over the common blocks; NaN unless justified. [mmol m-2 h-1]"""
    combined_random_sd: float
    """[mmol m-2 h-1]"""
    combined_systematic_sd: float
    """[mmol m-2 h-1]"""
    reason: str
    """Why there is no comparison or no combined value; empty when there is."""


def agreement(
    *,
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    first_random_sd: npt.ArrayLike,
    second_random_sd: npt.ArrayLike,
    first_systematic_sd: npt.ArrayLike = 0.0,
    second_systematic_sd: npt.ArrayLike = 0.0,
    shared_systematic_sd: npt.ArrayLike = 0.0,
    use: npt.ArrayLike = True,
    correlates: Mapping[str, npt.ArrayLike] | None = None,
    factor_checks: Mapping[str, tuple[float, float]] | None = None,
    least_share: float = 0.90,
    least_factor: float = 0.10,
    smallest: int = 8,
) -> Agreement:
    """Return how far two flux series agree over the blocks that both have.

    Parameters
    ----------
    first, second : array-like, shape (t,)
        Flux of the same blocks; NaN where a method has none. [mmol m-2 h-1]
    first_random_sd, second_random_sd : array-like, broadcast to (t,)
        [mmol m-2 h-1]
    first_systematic_sd, second_systematic_sd : array-like, broadcast to (t,)
        Fully common to the blocks of each method. [mmol m-2 h-1]
    shared_systematic_sd : array-like, broadcast to (t,)
        Part of both systematic terms that the methods share; it cancels in the difference. [mmol m-2 h-1]
    use : array-like of bool, broadcast to (t,)
    correlates : mapping of name to array-like, shape (t,), optional
        Series that a wrong term would follow: ``friction_velocity``, ``storage``, ``wave_height``,
        ``direction`` (degrees) or any other.
    factor_checks : mapping of name to (factor, sd), optional
        What a cause alone would make of first over second, seen without the fluxes, for ``friction velocity``
        (its value without heights over the one used) or ``gain`` (of the first's sensor over the second's). A
        cause that is found to be 1 is cleared; one that gives the slope leaves no need of the others. [1]
    least_share : float
        Smallest share inside 95 % that counts as agreement. [1]
    least_factor : float
        A slope farther than this from 1 is looked into where random errors do not explain it, though the
        stated systematic errors would (common practice, no source). [1]
    smallest : int
        Fewest common blocks.

    Returns
    -------
    Agreement

    Notes
    -----
    Line: York et al. (2004), Am. J. Phys. 72, random errors. Systematic parts enter the interval of the
    slope as relative errors at the mean size of the flux. The suspects follow from the shape of the
    disagreement (common practice, no source).
    """
    a, b = as_float("first", first), as_float("second", second)
    if a.shape != b.shape or a.ndim != 1:
        message = f"first {a.shape} and second {b.shape} need one shape (t,)."
        raise ShapeError(message)

    def series(name: str, given: npt.ArrayLike) -> FloatArray:
        return np.broadcast_to(as_float(name, given), a.shape)

    a_sd, b_sd = series("first_random_sd", first_random_sd), series("second_random_sd", second_random_sd)
    shared = series("shared_systematic_sd", shared_systematic_sd)
    a_sys = np.sqrt(np.maximum(series("first_systematic_sd", first_systematic_sd) ** 2 - shared**2, 0.0))
    b_sys = np.sqrt(np.maximum(series("second_systematic_sd", second_systematic_sd) ** 2 - shared**2, 0.0))
    good = np.isfinite(a + b + a_sd + b_sd + a_sys + b_sys) & (a_sd > 0.0) & (b_sd > 0.0)
    good &= np.broadcast_to(np.asarray(use, dtype=bool), a.shape)
    n = int(good.sum())
    if n < smallest:
        return _nothing(n, f"only {n} common blocks; {smallest} are needed")
    index = np.flatnonzero(good)
    a, b, a_sd, b_sd, a_sys, b_sys, shared = (row[good] for row in (a, b, a_sd, b_sd, a_sys, b_sys, shared))
    difference = a - b
    block_sd = np.sqrt(a_sd**2 + b_sd**2 + a_sys**2 + b_sys**2)
    inside = float((np.abs(difference) <= 1.959964 * block_sd).mean())
    scatter = np.sqrt(a_sd**2 + b_sd**2)
    bias, random = float(difference.mean()), float(np.sqrt((scatter**2).sum())) / n
    bias_sd = float(np.hypot(random, np.hypot(a_sys.mean(), b_sys.mean())))
    line = york_line(x=b, y=a, x_sd=b_sd, y_sd=a_sd)
    slope, slope_random = float(line.slope), float(line.slope_sd)
    stretch = max(1.0, float(line.goodness)) ** 0.5
    size = max(float(np.sqrt(np.mean(b**2))), 1e-12)
    relative = np.hypot(a_sys.mean(), b_sys.mean()) / size
    slope_sd = float(np.hypot(slope_random * stretch, slope * relative))
    lower, upper = slope - 1.959964 * slope_sd, slope + 1.959964 * slope_sd
    intercept, intercept_sd = float(line.intercept), float(line.intercept_sd) * stretch
    agree = abs(bias) <= 1.959964 * bias_sd and lower <= 1.0 <= upper and inside >= least_share
    suspects = _suspects(
        difference, a, b, scatter, slope, intercept, intercept_sd, float(line.goodness),
        {name: as_float(name, given)[index] for name, given in (correlates or {}).items()},
        _factors(a, b, a_sd, b_sd, slope, slope_sd, slope_random * stretch, dict(factor_checks or {}), least_factor),
    )  # fmt: skip
    combined, combined_random, combined_systematic, reason = np.nan, np.nan, np.nan, ""
    if agree:
        combined, combined_random, combined_systematic = _combined(a, b, a_sd, b_sd, a_sys, b_sys, shared)
    else:
        reason = "the methods disagree; no combined value"
    return Agreement(
        n, bias, bias_sd, slope, lower, upper, intercept, intercept_sd, inside, float(line.goodness), agree,
        suspects, combined, combined_random, combined_systematic, reason,
    )  # fmt: skip


def _nothing(n: int, reason: str) -> Agreement:
    nan = float("nan")
    return Agreement(
        n, nan, nan, nan, nan, nan, nan, nan, nan, nan, agree=False, suspects=(), combined=nan,
        combined_random_sd=nan, combined_systematic_sd=nan, reason=reason,
    )  # fmt: skip


def _combined(
    a: FloatArray,
    b: FloatArray,
    a_sd: FloatArray,
    b_sd: FloatArray,
    a_sys: FloatArray,
    b_sys: FloatArray,
    shared: FloatArray,
) -> tuple[float, float, float]:
    n = a.size
    ran_a, ran_b = float((a_sd**2).sum()) / n**2, float((b_sd**2).sum()) / n**2
    var_a, var_b = ran_a + float(a_sys.mean()) ** 2, ran_b + float(b_sys.mean()) ** 2
    weight = var_b / (var_a + var_b)
    random = np.sqrt(weight**2 * ran_a + (1.0 - weight) ** 2 * ran_b)
    systematic = np.sqrt((weight * a_sys.mean()) ** 2 + ((1.0 - weight) * b_sys.mean()) ** 2 + shared.mean() ** 2)
    return float(weight * a.mean() + (1.0 - weight) * b.mean()), float(random), float(systematic)


def _suspects(
    difference: FloatArray,
    a: FloatArray,
    b: FloatArray,
    scatter: FloatArray,
    slope: float,
    intercept: float,
    intercept_sd: float,
    goodness: float,
    correlates: dict[str, FloatArray],
    factors: list[Suspect],
) -> tuple[Suspect, ...]:
    found = list(factors)
    shifted = intercept / intercept_sd if intercept_sd > 0.0 else 0.0
    if abs(shifted) > 1.959964:
        text = f"intercept {intercept:.2f} +/- {intercept_sd:.2f} mmol m-2 h-1"
        found += [Suspect(name, abs(shifted), text) for name in ("offset", "storage")]
    if goodness > 1.0 + 4.0 * np.sqrt(2.0 / max(difference.size - 2, 1)):
        text = f"scatter about the line is {np.sqrt(goodness):.2f} times what the random errors say"
        found.append(Suspect("random errors too small", float(np.sqrt(goodness)), text))
    residual = (a - intercept - slope * b) / np.sqrt(scatter**2)
    names = {"friction_velocity": "offset", "storage": "storage", "wave_height": "lag in waves"}
    for name, series in correlates.items():
        good = np.isfinite(series)
        if good.sum() < 8:
            continue
        if name == "direction":
            found += _direction(residual[good], series[good])
            continue
        if not np.ptp(series[good]) > 0.0:
            continue
        # A wrong offset shows as a difference that follows the friction velocity, so the difference
        # itself is tested there, the residual of the line elsewhere.
        target = difference / scatter if name == "friction_velocity" else residual
        rho = float(scipy.stats.spearmanr(target[good], series[good]).statistic)
        score = abs(rho) * np.sqrt(good.sum() - 1.0)
        if score > 3.0:
            text = f"the difference follows {name.replace('_', ' ')} (rank correlation {rho:.2f})"
            found.append(Suspect(names.get(name, name.replace("_", " ")), float(score), text))
    return tuple(sorted(found, key=lambda suspect: -suspect.score))


def _factors(
    a: FloatArray,
    b: FloatArray,
    a_sd: FloatArray,
    b_sd: FloatArray,
    slope: float,
    slope_sd: float,
    random_sd: float,
    checks: dict[str, tuple[float, float]],
    least: float,
) -> list[Suspect]:
    """Return what makes one method a multiple of the other, by day and by night alike.

    A wrong height, friction velocity or gain multiplies each block by one number. The stated systematic errors of
    the methods usually leave room for such a number, so they do not decide whether it is told, only how.
    """
    beyond = slope_sd > 0.0 and abs(slope - 1.0) > _Z95 * slope_sd
    seen = random_sd > 0.0 and abs(slope - 1.0) > max(_Z95 * random_sd, least)
    halves = _ratio_by_sign(a, b, a_sd, b_sd)
    # An offset makes the ratio depart from 1 in opposite senses, or for one sign alone.
    alike = bool(halves) and all(abs(r - 1.0) > _Z95 * sd and (r > 1.0) == (slope > 1.0) for r, sd in halves.values())
    if not (beyond or (seen and alike)):
        return []
    text = f"slope {slope:.3f} +/- {random_sd:.3f} by random errors: the methods differ by a factor"
    if alike:
        text += " (" + ", ".join(f"{ratio:.2f} where {sign}" for sign, (ratio, _) in halves.items()) + ")"
    if not beyond:
        text += f"; the systematic errors stated leave room for it (+/- {slope_sd:.2f})"
    score = abs(slope - 1.0) / max(random_sd, 1e-12)
    explains, cleared = [], []
    for name, (factor, sd) in checks.items():
        near = abs(factor - slope) <= _Z95 * float(np.hypot(sd, random_sd))
        plain = abs(factor - 1.0) <= _Z95 * sd
        if near and not plain:
            explains.append(name)
        elif plain and not near:
            cleared.append(name)
    said = {name: f"{name} seen apart: {checks[name][0]:.3f} +/- {checks[name][1]:.3f}" for name in checks}
    if explains:
        return [Suspect(name, score, f"{text}; {said[name]} explains it") for name in explains]
    for name in cleared:
        text += f"; not {said[name]}"
    return [Suspect(name, score, text) for name in _FACTORS if name not in cleared]


def _ratio_by_sign(a: FloatArray, b: FloatArray, a_sd: FloatArray, b_sd: FloatArray) -> dict[str, tuple[float, float]]:
    """Return first over second with its standard error for blocks that release and blocks that take up."""
    # Both methods choose the blocks, weighted alike, so that the noise of neither is selected.
    both = (a / a_sd**2 + b / b_sd**2) / (1.0 / a_sd**2 + 1.0 / b_sd**2)
    large = np.abs(both) > 2.0 / np.sqrt(1.0 / a_sd**2 + 1.0 / b_sd**2)
    out = {}
    for name, side in (("released", large & (both > 0.0)), ("taken up", large & (both < 0.0))):
        if side.sum() >= 8:
            ratio = float(a[side].sum() / b[side].sum())
            noise = float(np.sqrt((a_sd[side] ** 2 + ratio**2 * b_sd[side] ** 2).sum()))
            out[name] = (ratio, noise / abs(float(b[side].sum())))
    return out


def _direction(residual: FloatArray, direction: FloatArray) -> list[Suspect]:
    angle = np.deg2rad(direction)
    x = np.column_stack([np.ones_like(angle), np.cos(angle), np.sin(angle)])
    if np.linalg.matrix_rank(x) < 3:
        x = x[:, :2] if np.ptp(np.cos(angle)) > np.ptp(np.sin(angle)) else x[:, [0, 2]]
    if np.linalg.matrix_rank(x) < x.shape[1]:
        return []
    answer, *_ = np.linalg.lstsq(x, residual, rcond=None)
    left = residual - x @ answer
    variance = float(left @ left) / max(residual.size - x.shape[1], 1)
    cov = np.linalg.inv(x.T @ x)[1:, 1:] * variance
    power = float(answer[1:] @ np.linalg.solve(cov, answer[1:]))
    chance = float(scipy.stats.chi2.sf(power, x.shape[1] - 1))
    if chance > 0.0027:
        return []
    text = f"the difference depends on flow direction (probability of chance {chance:.1g})"
    return [Suspect(name, power**0.5, text) for name in ("footprint by direction", "wake", "lag")]


def side_by_side(*, first: npt.ArrayLike, second: npt.ArrayLike) -> Mapping[str, float]:
    """Return the pair statistics of Bland and Altman (1986) for second minus first.

    Parameters
    ----------
    first, second : array-like, shape (n,)
        Synchronised, response-matched readings. [any]

    Returns
    -------
    mapping
        ``bias``, ``sd`` (n - 1), ``rmsd``, ``lower`` and ``upper`` limits of agreement
        (bias -/+ 1.96 sd), ``n``.
    """
    difference = as_float("second", second) - as_float("first", first)
    difference = difference[np.isfinite(difference)]
    bias = float(difference.mean()) if difference.size else np.nan
    sd = float(difference.std(ddof=1)) if difference.size > 1 else np.nan
    return {
        "bias": bias,
        "sd": sd,
        "rmsd": float(np.sqrt(np.mean(difference**2))) if difference.size else np.nan,
        "lower": bias - 1.96 * sd,
        "upper": bias + 1.96 * sd,
        "n": float(difference.size),
    }
