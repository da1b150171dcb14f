"""The plane of the mean flow of a deployment, by sector, and the rule that chooses a rotation.

Here:     planar fit from burst means (and wave motion), direction sectors, choice of rotation.
Not here: rotating the samples of a burst (`rotation`).
Rules:    the rule that decided is returned as text; a tilt that nothing shows is left at zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float
from reeftally.errors import InputError, ShapeError
from reeftally.flow._shapes import components
from reeftally.flow.spectrum import spectra

__all__ = ["PlanarFit", "RotationChoice", "choose_rotation", "planar_fit", "wave_tilt_moments"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanarFit:
    """Planes of the mean flow, one a direction sector."""

    edges: FloatArray
    """Directions at which sectors begin, of the flow in instrument axes, from x; shape (s,). [degree]"""
    coefficients: FloatArray
    """b0, b1, b2 of w = b0 + b1 u + b2 v; shape (s, 3). [m s-1, 1, 1]"""
    coefficient_sd: FloatArray
    """Standard errors of the coefficients; shape (s, 3)."""
    bursts: npt.NDArray[np.int64]
    """Bursts used; shape (s,)."""
    spread: FloatArray
    """Arc of directions covered (both ways along one line count as one); shape (s,). [degree]"""

    def sector(self, direction: float) -> int:
        """Return the index of the sector that holds a flow direction. [degree]"""
        return int((np.searchsorted(self.edges, direction % 360.0, side="right") - 1) % self.edges.size)

    def tilt(self, sector: int = 0) -> tuple[float, float]:
        """Return the inclination of the plane along x and along y. [degree]"""
        _, b1, b2 = self.coefficients[sector]
        return float(np.rad2deg(np.arctan(b1))), float(np.rad2deg(np.arctan(b2)))

    def matrix(self, mean_velocity: npt.ArrayLike) -> tuple[FloatArray, float]:
        """Return the rotation for one burst, and the offset b0 to take off w first. [m s-1]"""
        u, v, w = (float(x) for x in components("mean_velocity", mean_velocity))
        b0, b1, b2 = (float(x) for x in self.coefficients[self.sector(float(np.rad2deg(np.arctan2(v, u))))])
        if not np.isfinite(b0):
            message = "no plane was fitted for this direction sector; use double rotation there."
            raise InputError(message)
        normal = np.array([-b1, -b2, 1.0]) / np.sqrt(1.0 + b1 * b1 + b2 * b2)
        along = np.array([u, v, w - b0])
        along -= (along @ normal) * normal
        size = np.sqrt(along @ along)
        along = along / size if size > 0.0 else np.array([1.0, 0.0, b1]) / np.sqrt(1.0 + b1 * b1)
        return np.stack([along, np.cross(normal, along), normal]), b0


def _direction_spread(direction: FloatArray) -> float:
    """Smallest arc that holds all directions, opposite ones taken as one. [degree]"""
    line = np.sort(direction % 180.0)
    gaps = np.diff(np.append(line, line[0] + 180.0))
    return float(180.0 - gaps.max())


def planar_fit(
    *,
    u: npt.ArrayLike,
    v: npt.ArrayLike,
    w: npt.ArrayLike,
    sectors: npt.ArrayLike = (0.0,),
    fewest: int = 5,
    wave_covariance: npt.ArrayLike | None = None,
    wave_samples: npt.ArrayLike | None = None,
) -> PlanarFit:
    """Fit w = b0 + b1 u + b2 v to burst means, by sector of the flow's direction.

    Parameters
    ----------
    u, v, w : array-like, shape (bursts,)
        Burst means in instrument axes; NaN are left out. [m s-1]
    sectors : array-like, shape (s,)
        Directions at which sectors begin, rising, 0 to below 360; one value means one plane. [degree]
    fewest : int
        Sectors with fewer bursts get NaN.
    wave_covariance : array-like, shape (bursts, 3, 3), optional
        In-phase covariance of u, v, w in the wave band (`wave_tilt_moments`): near a level bed orbital
        motion is horizontal, so it shows the same plane in directions that the mean flow never takes.
    wave_samples : array-like, shape (bursts,), optional
        Independent samples behind each covariance; required with it.

    Returns
    -------
    PlanarFit

    Notes
    -----
    Wilczak et al. (2001). b0 is an offset of the instrument, not a flow. If all bursts of a sector
    lie along one line (a reversing tide) and no waves are given, the tilt across it is not determined:
    the coefficients are the shortest that fit, so that the unseen tilt is left at zero. Turbulent
    stress within the wave band biases the wave plane by -stress/orbital variance along the flow, which
    cancels over a reversing tide (our own form; the idea is that of Reimers et al. 2012).
    """
    a, b, c = (as_float(k, x) for k, x in (("u", u), ("v", v), ("w", w)))
    if not a.shape == b.shape == c.shape or a.ndim != 1:
        message = f"u {a.shape}, v {b.shape}, w {c.shape} need one dimension and one length."
        raise ShapeError(message)
    edges = as_float("sectors", sectors).ravel()
    if edges.size == 0 or (np.diff(edges) <= 0.0).any() or edges[0] < 0.0 or edges[-1] >= 360.0:
        message = f"sectors is {edges!r}; it needs rising directions from 0 to below 360 degrees."
        raise InputError(message)
    waves = None if wave_covariance is None else as_float("wave_covariance", wave_covariance)
    if waves is not None and waves.shape != (a.size, 3, 3):
        message = f"wave_covariance has shape {waves.shape}; it needs ({a.size}, 3, 3)."
        raise ShapeError(message)
    number = np.zeros(a.size) if wave_samples is None else as_float("wave_samples", wave_samples)
    direction = np.rad2deg(np.arctan2(b, a)) % 360.0
    member = (np.searchsorted(edges, direction, side="right") - 1) % edges.size
    good = np.isfinite(a + b + c)
    coefficients = np.full((edges.size, 3), np.nan)
    errors = np.full((edges.size, 3), np.nan)
    counts = np.zeros(edges.size, dtype=np.int64)
    spread = np.zeros(edges.size)
    for k in range(edges.size):
        rows = good & (member == k)
        counts[k] = rows.sum()
        if counts[k] < max(fewest, 3):
            continue
        design = np.stack([np.ones(counts[k]), a[rows], b[rows]], axis=1)
        size = max(float(np.sqrt(np.mean(design[:, 1:] ** 2))), 1e-12)
        scale = np.array([1.0, size, size])
        inverse = np.linalg.pinv(design / scale, rcond=1e-3)
        coefficients[k] = inverse @ c[rows] / scale
        left = c[rows] - design @ coefficients[k]
        variance = float(left @ left) / max(counts[k] - 3, 1)
        errors[k] = np.sqrt(variance * np.diag(inverse @ inverse.T)) / scale
        spread[k] = _direction_spread(direction[rows])
        if waves is not None and variance > 0.0:
            coefficients[k], errors[k] = _with_waves(design, c[rows], variance, waves[rows], number[rows])
    return PlanarFit(edges=edges, coefficients=coefficients, coefficient_sd=errors, bursts=counts, spread=spread)


def _with_waves(
    design: FloatArray, w: FloatArray, variance: float, waves: FloatArray, samples: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Plane from burst means and wave-band covariances together, each by its own residual variance."""
    matrix = design.T @ design / variance
    right = design.T @ w / variance
    for covariance, number in zip(waves, samples, strict=True):
        if not (np.isfinite(covariance).all() and number > 4.0):
            continue
        flat, across = covariance[:2, :2], covariance[:2, 2]
        slope = np.linalg.lstsq(flat, across, rcond=1e-4)[0]
        left = float(covariance[2, 2] - slope @ across)
        if left <= 0.0:
            continue
        matrix[1:, 1:] += number / left * flat
        right[1:] += number / left * across
    size = np.sqrt(np.diag(matrix))
    inverse = np.linalg.pinv(matrix / np.outer(size, size), rcond=1e-8, hermitian=True)
    return inverse @ (right / size) / size, np.sqrt(np.diag(inverse)) / size


def wave_tilt_moments(
    *, velocity: npt.ArrayLike, sample_rate: float, wave_band: tuple[float, float] = (0.05, 0.5)
) -> tuple[FloatArray, float]:
    """In-phase covariance of u, v, w in the wave band, for `planar_fit`.

    Parameters
    ----------
    velocity : array-like, shape (3, n)
        Instrument axes, short gaps filled. [m s-1]
    sample_rate : float
        [Hz]
    wave_band : tuple of float
        [Hz]

    Returns
    -------
    tuple
        Covariance (3, 3) [m2 s-2] and the number of independent samples behind it; NaN and 0 where
        the burst has no complete segment.
    """
    array = components("velocity", velocity)
    factor = max(int(sample_rate // 4.0), 1)
    length = array.shape[1] // factor * factor
    if length < 64 * factor:
        return np.full((3, 3), np.nan), 0.0
    series = array[:, :length].reshape(3, -1, factor).mean(axis=2)
    found = spectra(series=series, sample_rate=sample_rate / factor, segment=64.0)
    if found.segments < 2:
        return np.full((3, 3), np.nan), 0.0
    band = (found.frequency >= wave_band[0]) & (found.frequency <= wave_band[1])
    covariance = found.matrix[..., band].real.sum(axis=-1) * found.resolution
    # A narrow swell has few independent samples: count them by the spread of its energy.
    power = found.power(0)[band] + found.power(1)[band]
    if not power.sum() > 0.0:
        return np.full((3, 3), np.nan), 0.0
    wide = float(power.sum() ** 2 / (power**2).sum())
    return np.asarray(covariance), 0.5 * wide * float(found.band_degrees_of_freedom)


@dataclass(frozen=True, slots=True, kw_only=True)
class RotationChoice:
    """Which rotation a deployment gets, and why."""

    method: str
    """``planar`` or ``double``."""
    reason: str
    """The rule that decided."""
    plane: PlanarFit | None
    """The planes, where ``planar``."""


def choose_rotation(
    *,
    u: npt.ArrayLike,
    v: npt.ArrayLike,
    w: npt.ArrayLike,
    sectors: npt.ArrayLike = (0.0,),
    least_spread: float = 90.0,
    least_bursts: int = 30,
    least_speed: float = 0.02,
    wave_covariance: npt.ArrayLike | None = None,
    wave_samples: npt.ArrayLike | None = None,
) -> RotationChoice:
    """Choose planar fit or double rotation for one deployment by a stated rule.

    Parameters
    ----------
    u, v, w : array-like, shape (bursts,)
        Burst means in instrument axes. [m s-1]
    sectors : array-like
        As in `planar_fit`.
    least_spread : float
        Planar fit if the directions cover this arc ... [degree]
    least_bursts : int
        ... or if there are this many bursts.
    least_speed : float
        Slower bursts do not enter the fit: their mean w is noise and offset. [m s-1]
    wave_covariance, wave_samples : array-like, optional
        As in `planar_fit`.

    Returns
    -------
    RotationChoice
        Sectors without enough bursts fall back to one plane for all directions.
    """
    a, b, c = as_float("u", u), as_float("v", v), as_float("w", w)
    usable = np.isfinite(a + b + c) & (np.hypot(a, b) >= least_speed)
    number = int(usable.sum())
    if number < 5:
        reason = f"double rotation: {number} bursts faster than {least_speed:g} m/s, a plane needs 5"
        return RotationChoice(method="double", reason=reason, plane=None)
    waves = None if wave_covariance is None else as_float("wave_covariance", wave_covariance)[usable]
    samples = None if wave_samples is None else as_float("wave_samples", wave_samples)[usable]
    plane = planar_fit(
        u=a[usable], v=b[usable], w=c[usable], wave_covariance=waves, wave_samples=samples
    )  # fmt: skip
    arc = float(plane.spread[0])
    if arc < least_spread and number < least_bursts:
        reason = (
            f"double rotation: directions cover {arc:.0f} degrees (planar fit from {least_spread:g}) "
            f"and {number} bursts (planar fit from {least_bursts})"
        )
        return RotationChoice(method="double", reason=reason, plane=None)
    if np.size(sectors) > 1:
        parts = planar_fit(
            u=a[usable], v=b[usable], w=c[usable], sectors=sectors, fewest=10, wave_covariance=waves,
            wave_samples=samples,
        )  # fmt: skip
        coefficients = np.where(np.isfinite(parts.coefficients), parts.coefficients, plane.coefficients)
        errors = np.where(np.isfinite(parts.coefficients), parts.coefficient_sd, plane.coefficient_sd)
        plane = PlanarFit(
            edges=parts.edges, coefficients=coefficients, coefficient_sd=errors, bursts=parts.bursts,
            spread=parts.spread,
        )  # fmt: skip
    reason = f"planar fit: directions cover {arc:.0f} degrees, {number} bursts"
    return RotationChoice(method="planar", reason=reason, plane=plane)
