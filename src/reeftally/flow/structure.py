"""Dissipation from second-order structure functions of profilers.

Here:     structure function along a beam, fit of r^(2/3) with noise and an r^2 term for waves.
Not here: spectra (`inertial`).
Rules:    one beam at a time; opposing beams differ by the Reynolds stress and are averaged by the caller.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special, stats

from reeftally._checks import FloatArray, as_float, require_range
from reeftally.errors import ShapeError

__all__ = [
    "STRUCTURE_CONSTANT",
    "StructureFit",
    "fit_structure_function",
    "structure_constant_ratio",
    "structure_function",
    "structure_function_dissipation",
]

STRUCTURE_CONSTANT = 2.1
"""C2 of Wiles et al. (2006); later practice 2.0, which raises dissipation by 7 %."""
BATCHES = 20
"""Parts of a burst whose scatter gives the random error: 45 s of 15 min, many times the life of the eddies seen."""
_MOST_RELATIVE = 0.6
"""Largest accepted 95 % half-width over dissipation (SCOR working group 160, quality test 2)."""


def structure_constant_ratio() -> float:
    """C2 / C1 = 2 Int_0^inf x^(-5/3) (1 - cos x) dx for isotropic turbulence. [1]

    The integral is (3/2) Gamma(1/3) sin(pi/6) after one integration by parts.
    """
    return float(2.0 * 1.5 * special.gamma(1.0 / 3.0) * np.sin(np.pi / 6.0))


def _means(array: FloatArray) -> FloatArray:
    good = np.isfinite(array)
    return np.asarray(np.where(good, array, 0.0).sum(axis=1) / np.maximum(good.sum(axis=1), 1))


def structure_function(
    *,
    velocity: npt.ArrayLike,
    bin_size: float,
    longest: float,
    shortest_bins: int = 1,
    mean: npt.ArrayLike | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Centred second-order structure function D(z, r) of one beam.

    Parameters
    ----------
    velocity : array-like, shape (bins, n)
        Along-beam velocity of one burst; NaN where missing. The time mean of each bin is removed. [m s-1]
    bin_size : float
        Distance between bins along the beam. [m]
    longest : float
        Largest separation. [m]
    shortest_bins : int
        Smallest separation in bins; 2 where pulse and bin overlap. [1]
    mean : array-like, shape (bins,), optional
        Mean of each bin to be taken off, where `velocity` is part of a burst; default its own. [m s-1]

    Returns
    -------
    tuple
        Separations (k,) [m] and D (bins, k) [m2 s-2]: the mean of the pairs that straddle a bin evenly
        (to half a bin for odd separations); NaN where there is none.
    """
    array = as_float("velocity", velocity)
    if array.ndim != 2:
        message = f"velocity has shape {array.shape}; it needs (bins, n)."
        raise ShapeError(message)
    require_range("bin_size", bin_size, 1e-4, 100.0, "m")
    bins = array.shape[0]
    fluctuation = array - (_means(array) if mean is None else as_float("mean", mean))[:, None]
    steps = np.arange(max(shortest_bins, 1), min(int(longest / bin_size + 1e-9), bins - 1) + 1)
    out = np.full((bins, steps.size), np.nan)
    for k, step in enumerate(steps):
        square = (fluctuation[step:] - fluctuation[:-step]) ** 2
        number = np.isfinite(square).sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            pair = np.where(np.isfinite(square), square, 0.0).sum(axis=1) / np.where(number > 0, number, np.nan)
        for centre in range(bins):
            first = centre - step / 2.0
            chosen = [int(np.floor(first)), int(np.ceil(first))]
            inside = [pair[i] for i in chosen if 0 <= i < pair.size]
            if len(inside) == 2:
                out[centre, k] = 0.5 * (inside[0] + inside[1])
    return steps * bin_size, out


@dataclass(frozen=True, slots=True, kw_only=True)
class StructureFit:
    """Fit of one structure function."""

    dissipation: float
    """NaN if refused. [W kg-1]"""
    random_sd: float
    """From the scatter of parts of the burst where they were given, else from the regression. [W kg-1]"""
    systematic_sd: float
    """From the constant C2 (7 % between 2.0 and 2.1). [W kg-1]"""
    estimate: float
    """Fitted value even if refused, for inspection. [W kg-1]"""
    noise: float
    """Intercept N, twice the noise variance. [m2 s-2]"""
    wave_term: float
    """Coefficient of r^2, 0 without that term. [s-2]"""
    reasons: tuple[str, ...]
    """``too_few_separations``, ``negative_slope``, ``negative_noise``, ``too_wide``; empty if accepted."""


def fit_structure_function(
    *,
    separation: npt.ArrayLike,
    structure: npt.ArrayLike,
    constant: float = STRUCTURE_CONSTANT,
    constant_sd: float = 0.05,
    waves: bool = False,
    noise_sd: float = 0.0,
    parts: npt.ArrayLike | None = None,
) -> StructureFit:
    """Dissipation from D(r) = N + C2 eps^(2/3) r^(2/3) (+ a r^2 under waves).

    Parameters
    ----------
    separation : array-like, shape (k,)
        r. [m]
    structure : array-like, shape (k,)
        D; NaN are left out. [m2 s-2]
    constant, constant_sd : float
        C2 and its relative standard uncertainty. [1]
    waves : bool
        Add the term in (r^(2/3))^3 for orbital shear (Scannell et al. 2017, form from memory).
    noise_sd : float
        Sampling error of D, by which the noise may be negative. [m2 s-2]
    parts : array-like, shape (m, k), optional
        D of m parts of the burst, for the random error. [m2 s-2]

    Returns
    -------
    StructureFit

    Notes
    -----
    Wiles et al. (2006), Geophys. Res. Lett. 33, L21608: least squares on r^(2/3). Refused below four
    separations (five with the wave term), for eps or N negative (by more than two standard errors),
    or a 95 % half-width above 0.6 of the value.

    D at neighbouring separations comes from the same eddies, so it lies smoothly about the line however wrong the
    line is: residuals of the regression state less than half of the error. The slope is linear in D and D is a mean
    over time, so the scatter of the slope between parts of the burst holds all of it (batch means); it is widened
    as a t distribution asks (JCGM 101:2008, 6.4.9).
    """
    r, d = as_float("separation", separation), as_float("structure", structure)
    if r.shape != d.shape or r.ndim != 1:
        message = f"separation {r.shape} and structure {d.shape} need one dimension and one length."
        raise ShapeError(message)
    good = np.isfinite(d) & (r > 0.0)
    nan = float("nan")
    if good.sum() < (5 if waves else 4):
        return StructureFit(
            dissipation=nan, random_sd=nan, systematic_sd=nan, estimate=nan, noise=nan, wave_term=nan,
            reasons=("too_few_separations",),
        )  # fmt: skip
    x = r[good] ** (2.0 / 3.0)
    columns = [np.ones_like(x), x] + ([x**3] if waves else [])
    design = np.stack(columns, axis=1)
    size = np.linalg.norm(design, axis=0)
    inverse = np.linalg.pinv(design / size)
    answer = inverse @ d[good] / size
    left = d[good] - design @ answer
    freedom = good.sum() - design.shape[1]
    variance = float(left @ left) / max(freedom, 1)
    errors = np.sqrt(variance * np.diag(inverse @ inverse.T)) / size
    slope = float(answer[1])
    freedom_t = max(int(freedom), 1)
    if parts is not None:
        batch = as_float("parts", parts)
        slopes = (inverse @ batch[:, good].T / size[:, None])[1]
        slopes = slopes[np.isfinite(slopes)]
        if slopes.size >= 6:
            freedom_t = slopes.size - 1
            errors[1] = slopes.std(ddof=1) / np.sqrt(slopes.size) * np.sqrt(freedom_t / (freedom_t - 2.0))
    eps = (slope / constant) ** 1.5 if slope > 0.0 else nan
    random = 1.5 * eps * float(errors[1]) / slope if slope > 0.0 else nan
    reasons = []
    if not slope > 0.0:
        reasons.append("negative_slope")
    if answer[0] < -2.0 * float(np.hypot(errors[0], noise_sd)):
        reasons.append("negative_noise")
    t = float(stats.t.ppf(0.975, freedom_t))
    if slope > 0.0 and t * random > _MOST_RELATIVE * eps:
        reasons.append("too_wide")
    kept = not reasons
    return StructureFit(
        dissipation=eps if kept else nan, random_sd=random if kept else nan,
        systematic_sd=1.5 * constant_sd * eps if kept else nan, estimate=eps, noise=float(answer[0]),
        wave_term=float(answer[2]) if waves else 0.0, reasons=tuple(reasons),
    )  # fmt: skip


def structure_function_dissipation(
    *,
    velocity: npt.ArrayLike,
    bin_size: float,
    height: npt.ArrayLike,
    waves: bool = True,
    longest: float | None = None,
    shortest_bins: int = 1,
    constant: float = STRUCTURE_CONSTANT,
) -> list[StructureFit]:
    """Dissipation at every bin of one beam.

    Parameters
    ----------
    velocity : array-like, shape (bins, n)
        Along-beam velocity of one burst. [m s-1]
    bin_size : float
        Distance between bins along the beam. [m]
    height : array-like, shape (bins,)
        Height of each bin above the displacement plane. [m]
    waves : bool
        Use the r^2 term.
    longest : float, optional
        Largest separation; never more than the height of the bin. [m]
    shortest_bins : int
        Smallest separation in bins.
    constant : float
        C2.

    Returns
    -------
    list of StructureFit, one a bin
        ``height_impossible`` for bins at or below the displacement plane.
    """
    z = as_float("height", height)
    array = as_float("velocity", velocity)
    if array.ndim != 2 or z.shape != (array.shape[0],):
        message = f"velocity {array.shape} and height {z.shape}; they need (bins, n) and (bins,)."
        raise ShapeError(message)
    reach = float(np.nanmax(z)) if longest is None else float(longest)
    r, d = structure_function(
        velocity=array, bin_size=bin_size, longest=max(reach, bin_size), shortest_bins=shortest_bins
    )
    means = _means(array)
    pieces = [
        structure_function(
            velocity=part, bin_size=bin_size, longest=max(reach, bin_size), shortest_bins=shortest_bins, mean=means
        )[1]
        for part in np.array_split(array, BATCHES, axis=1)
        if part.shape[1] >= 2
    ]
    parts = np.stack(pieces) if pieces else np.empty((0, *d.shape))
    fits = []
    for k in range(z.size):
        near = r <= max(z[k], 0.0)
        fit = fit_structure_function(
            separation=r, structure=np.where(near, d[k], np.nan), waves=waves, constant=constant,
            parts=np.where(near, parts[:, k], np.nan),
        )  # fmt: skip
        if not z[k] > 0.0:
            nan = float("nan")
            fit = StructureFit(
                dissipation=nan, random_sd=nan, systematic_sd=nan, estimate=nan, noise=nan, wave_term=nan,
                reasons=("height_impossible",),
            )  # fmt: skip
        fits.append(fit)
    return fits
