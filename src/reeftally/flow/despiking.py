"""Phase-space despiking, and the rules by which gaps are filled.

Here:     spike detection (Goring and Nikora 2002; Wahl 2003; Mori et al. 2007) and replacement.
Not here: correlation and signal thresholds, velocity wrap, noise (`screening`).
Rules:    the record comes back twice, with NaN (for covariances) and filled (for spectra); the
          input is never changed; a record that cannot be despiked is refused with a reason.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, one_of, require_range
from reeftally.errors import ShapeError
from reeftally.flow import _kernels as kernels

__all__ = ["DespikeResult", "despike", "fill", "phase_space_axes", "robust_scale", "universal_threshold"]

_METHODS = ("wahl2003", "goring2002", "mori2007")
_CUBIC_SAMPLES = 12
"""Longest gap filled by a cubic through twelve samples on each side (Goring and Nikora 2002)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DespikeResult:
    """A despiked record."""

    clean: FloatArray
    """The record with NaN where a sample was bad; shape of the input."""
    filled: FloatArray
    """The record with short gaps filled; NaN in gaps longer than allowed."""
    bad: npt.NDArray[np.bool_]
    """True where a sample was missing, screened out or a spike; shape (n,)."""
    spikes: npt.NDArray[np.bool_]
    """True where this function found a spike; shape (n,)."""
    fraction: float
    """Share of all samples called spikes here. [1]"""
    bad_fraction: float
    """Share of all samples bad for any reason. [1]"""
    unfilled_fraction: float
    """Share of all samples in gaps too long to fill. [1]"""
    iterations: int
    """Largest number of passes that any component needed."""
    threshold: float
    """The threshold used, in robust standard deviations. [1]"""
    reasons: tuple[str, ...]
    """Why the record cannot be used; empty if it can."""


def universal_threshold(*, samples: npt.ArrayLike) -> FloatArray:
    """Expected largest of N independent normal values, in standard deviations.

    Parameters
    ----------
    samples : array-like
        Number of samples N, 2 or more. [1]

    Returns
    -------
    float64 array
        sqrt(2 ln N). [1]

    Notes
    -----
    Goring and Nikora (2002), J. Hydraul. Eng. 128, 117-126.
    """
    require_range("samples", samples, 2.0, np.inf)
    return np.asarray(np.sqrt(2.0 * np.log(as_float("samples", samples))))


def robust_scale(*, values: npt.ArrayLike) -> float:
    """Standard deviation from the median absolute deviation: 1.4826 median|x - median x|.

    Parameters
    ----------
    values : array-like, shape (n,)
        Samples; NaN are left out.

    Returns
    -------
    float
        Robust standard deviation, unit of `values`; NaN if no sample is finite.

    Notes
    -----
    Wahl (2003), J. Hydraul. Eng. 129, 484-487, who prints the factor as 1.483.
    """
    array = as_float("values", values).ravel()
    array = array[np.isfinite(array)]
    if array.size == 0:
        return float("nan")
    return float(1.4826 * np.median(np.abs(array - np.median(array))))


def phase_space_axes(*, threshold: float, scale: float, second_scale: float, angle: float) -> tuple[float, float]:
    """Semi-axes of the tilted ellipse of a series and its second difference.

    Parameters
    ----------
    threshold : float
        Lambda. [1]
    scale, second_scale : float
        Standard deviation of the series and of its second difference. [m s-1]
    angle : float
        Tilt theta of the ellipse. [rad]

    Returns
    -------
    tuple of float
        a and b, NaN where the pair of equations has no real answer. [m s-1]

    Notes
    -----
    (lambda s_u)^2 = a^2 cos^2 + b^2 sin^2 ; (lambda s_2)^2 = a^2 sin^2 + b^2 cos^2, Goring and
    Nikora (2002), their equation pair 9-10 (numbers from memory). Near 45 degrees, or if the two
    scales differ much, a square turns negative: despiking then uses the form of Mori et al. (2007).
    """
    cc, ss = np.cos(angle) ** 2, np.sin(angle) ** 2
    p, q = (threshold * scale) ** 2, (threshold * second_scale) ** 2
    det = cc * cc - ss * ss
    if det == 0.0:
        return float("nan"), float("nan")
    first, second = (p * cc - q * ss) / det, (q * cc - p * ss) / det
    nan = float("nan")
    return (
        float(np.sqrt(first)) if first >= 0.0 else nan,
        float(np.sqrt(second)) if second >= 0.0 else nan,
    )


def fill(*, values: npt.ArrayLike, sample_rate: float, longest_gap: float = 1.0, cubic: bool = True) -> FloatArray:
    """Fill short gaps (NaN) of one series.

    Parameters
    ----------
    values : array-like, shape (n,)
        Samples with NaN in the gaps.
    sample_rate : float
        Samples a second. [Hz]
    longest_gap : float
        Gaps longer than this, and gaps at either end, stay NaN. [s]
    cubic : bool
        Up to 12 samples use a cubic through 12 samples on each side; otherwise a straight line.

    Returns
    -------
    float64 array, shape (n,)
    """
    require_range("sample_rate", sample_rate, 0.01, 1000.0, "Hz")
    out = np.array(as_float("values", values), dtype=np.float64)
    if out.ndim != 1:
        message = f"values has shape {out.shape}; it needs one dimension."
        raise ShapeError(message)
    bad = ~np.isfinite(out)
    if bad.all():
        return out
    kernels.fill_gaps(out, bad, int(longest_gap * sample_rate), _CUBIC_SAMPLES if cubic else 0)
    return out


def despike(
    *,
    velocity: npt.ArrayLike,
    sample_rate: float,
    method: str = "wahl2003",
    high_pass: float | None = 0.5,
    threshold: float | None = None,
    protect: float = 1.5,
    most_passes: int = 20,
    longest_gap: float = 1.0,
    bad: npt.ArrayLike | None = None,
) -> DespikeResult:
    """Find and replace spikes in a velocity record of one burst.

    Parameters
    ----------
    velocity : array-like, shape (n,) or (components, n)
        Velocity, time last; NaN where missing. [m s-1]
    sample_rate : float
        Samples a second. [Hz]
    method : {"wahl2003", "goring2002", "mori2007"}
        Robust ellipsoid (default), the original three projections with plain standard deviations,
        or the ellipsoid whose principal axes are lambda times the scales.
    high_pass : float or None
        Length of the running mean (over a running median of five) that is removed first, so that
        waves do not hide small spikes. None removes the median only. [s]
    threshold : float, optional
        Lambda; default sqrt(2 ln n). [1]
    protect : float
        Samples closer to the median than this many robust standard deviations are never spikes
        (Parsheh et al. 2010). [1]
    most_passes : int
        Cap on passes. The replaced series feeds the next pass.
    longest_gap : float
        Longest gap that is filled. [s]
    bad : array-like of bool, shape (n,), optional
        Samples already known to be bad (screened); left out of the statistics.

    Returns
    -------
    DespikeResult
        A spike in one component marks the sample in all, since the beams share every component.

    Raises
    ------
    ShapeError, OutOfRangeError, InputError
        If the arguments cannot be meant. A record without usable samples does not raise: it comes
        back with reasons ``too_few_samples``, ``all_missing`` or ``constant``.

    Notes
    -----
    Goring and Nikora (2002), J. Hydraul. Eng. 128, 117-126; Wahl (2003), 129, 484-487; Mori, Suzuki
    and Kakuno (2007), J. Eng. Mech. 133, 122-125; Parsheh et al. (2010), J. Hydraul. Eng. 136,
    131-136. Two rules are ours: scales are taken about zero after the high-pass, and within a
    group of samples outside the ellipsoid only those with at least half of the largest deviation
    within the high-pass window are taken in one pass, since the differences of good samples beside
    a spike, and their distance from the running mean, are large only because of the spike.
    """
    one_of("method", method, _METHODS)
    require_range("sample_rate", sample_rate, 0.01, 1000.0, "Hz")
    require_range("protect", protect, 0.0, 10.0)
    array = as_float("velocity", velocity)
    if array.ndim not in {1, 2}:
        message = f"velocity has shape {array.shape}; it needs (n,) or (components, n)."
        raise ShapeError(message)
    work = np.array(np.atleast_2d(array), dtype=np.float64)
    n = work.shape[1]
    missing: npt.NDArray[np.bool_] = np.asarray(~np.isfinite(work).all(axis=0))
    if bad is not None:
        given = np.asarray(bad, dtype=np.bool_)
        if given.shape != (n,):
            message = f"bad has shape {given.shape}; it needs ({n},), one a sample."
            raise ShapeError(message)
        missing |= given
    reason = ""
    if n < 32:
        reason = "too_few_samples"
    elif missing.all():
        reason = "all_missing"
    elif ((work == work[:, [int(np.argmin(missing))]]) | missing).all(axis=1).any():
        reason = "constant"
    if reason:
        nothing = np.full_like(work, np.nan).reshape(array.shape)
        share = float(missing.mean()) if n else 1.0
        return DespikeResult(
            clean=nothing, filled=nothing.copy(), bad=np.ones(n, np.bool_), spikes=np.zeros(n, np.bool_),
            fraction=0.0, bad_fraction=share, unfilled_fraction=1.0, iterations=0,
            threshold=float("nan"), reasons=(reason,),
        )  # fmt: skip
    limit = float(universal_threshold(samples=n)) if threshold is None else float(threshold)
    half = -1 if high_pass is None else max(round(0.5 * high_pass * sample_rate), 2)
    kind = {"goring2002": 0, "wahl2003": 1, "mori2007": 2}[method]
    robust = method != "goring2002"
    every = missing.copy()
    passes = 0
    for row in work:
        mask = missing.copy()
        series = row.copy()
        passes = max(
            passes,
            kernels.despike_component(series, mask, half, kind, robust, limit, float(protect), most_passes),
        )
        every |= mask
    clean = work.copy()
    clean[:, every] = np.nan
    filled = clean.copy()
    left = 0
    for row in filled:
        left = kernels.fill_gaps(row, every, int(longest_gap * sample_rate), _CUBIC_SAMPLES)
    spikes = every & ~missing
    return DespikeResult(
        clean=clean.reshape(array.shape),
        filled=filled.reshape(array.shape),
        bad=every,
        spikes=spikes,
        fraction=float(spikes.mean()),
        bad_fraction=float(every.mean()),
        unfilled_fraction=left / n,
        iterations=passes,
        threshold=limit,
        reasons=(),
    )
