"""Is the instrument upside down, or are its axes swapped? Evidence, never a repair.

Here:     phase of vertical velocity against pressure, agreement with a neighbour, direction of the
          stress, noise of the axes; evidence of many bursts put together.
Not here: the rotation itself (`rotation`): it is offered to people and applied only when they accept.
Rules:    every line of evidence carries a z value; without evidence the verdict is ``undecided``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float
from reeftally.errors import ShapeError
from reeftally.flow.rotation import rotate
from reeftally.flow.spectrum import Spectra, spectra
from reeftally.flow.stress import reynolds_stress

__all__ = ["Evidence", "Orientation", "combine_orientations", "orientation"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One line of evidence about the z axis."""

    name: str
    """``wave_phase``, ``neighbour``, ``stress_sign``."""
    value: float
    """The statistic: positive speaks for z up as stated, negative for upside down."""
    z: float
    """The statistic over its standard error. [1]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Orientation:
    """What one burst, or many, say about the axes."""

    verdict: str
    """``as_stated``, ``upside_down``, ``axes_swapped`` or ``undecided``."""
    z: float
    """Combined z: negative speaks for upside down. [1]"""
    vertical_axis: int
    """Axis that looks vertical by noise and wave variance: 0, 1, 2; -1 if not clear."""
    evidence: tuple[Evidence, ...]
    """Lines of evidence."""


def _coherent_sign(
    found: Spectra, first: int, second: int, band: npt.NDArray[np.bool_], imaginary: bool
) -> tuple[float, float]:
    """Band-averaged cross-spectrum part in units of the two amplitudes, and its z."""
    cross = found.matrix[first, second, band]
    a, b = found.matrix[first, first, band].real, found.matrix[second, second, band].real
    part = cross.imag if imaginary else cross.real
    other = cross.real if imaginary else cross.imag
    freedom = float(found.band_degrees_of_freedom)
    variance = np.maximum(a * b + part**2 - other**2, 1e-12 * a * b).sum() / freedom
    scale = np.sqrt(a.sum() * b.sum())
    return float(part.sum() / scale), float(part.sum() / np.sqrt(variance))


def orientation(
    *,
    velocity: npt.ArrayLike,
    sample_rate: float,
    pressure: npt.ArrayLike | None = None,
    neighbour: npt.ArrayLike | None = None,
    wave_band: tuple[float, float] = (0.05, 0.4),
    least_z: float = 4.0,
) -> Orientation:
    """Evidence that z points up as stated, from one burst.

    Parameters
    ----------
    velocity : array-like, shape (3, n)
        Instrument axes as stated, z up; short gaps filled. [m s-1]
    sample_rate : float
        [Hz]
    pressure : array-like, shape (n,), optional
        On the same clock (better than a tenth of a wave period).
    neighbour : array-like, shape (n,), optional
        Vertical velocity of a neighbour known to be right, same clock. [m s-1]
    wave_band : tuple of float
        [Hz]
    least_z : float
        |z| from which a verdict is given. [1]

    Returns
    -------
    Orientation

    Notes
    -----
    Under linear waves w is the rate of change of pressure: Im <W conj P> is positive when z points up.
    Near a rough bed momentum goes down: <u'w'> is negative with x along the mean flow; if z alone is
    stated wrongly the sign turns. The axis with the least noise is the vertical one, since slanted
    beams see the horizontal ones 2/tan^2(angle) times worse; it also has the least wave motion.
    """
    array = as_float("velocity", velocity)
    if array.ndim != 2 or array.shape[0] != 3:
        message = f"velocity has shape {array.shape}; it needs (3, n)."
        raise ShapeError(message)
    rows = [array]
    rows.extend(as_float("reference", x)[None] for x in (pressure, neighbour) if x is not None)
    undecided = Orientation(verdict="undecided", z=0.0, vertical_axis=-1, evidence=())
    if array.shape[1] / sample_rate < 120.0 or not np.isfinite(array).any():
        return undecided
    found = spectra(series=np.concatenate(rows), sample_rate=sample_rate, segment=64.0)
    if found.segments < 3:
        return undecided
    f = found.frequency
    band = (f >= wave_band[0]) & (f <= wave_band[1])
    evidence: list[Evidence] = []
    if pressure is not None:
        value, z = _coherent_sign(found, 2, 3, band, imaginary=True)
        evidence.append(Evidence(name="wave_phase", value=value, z=z))
    if neighbour is not None:
        value, z = _coherent_sign(found, 2, len(rows) + 1, band, imaginary=False)
        evidence.append(Evidence(name="neighbour", value=value, z=z))
    turned, _ = rotate(velocity=array, method="double")
    stress = reynolds_stress(u=turned[0], v=turned[1], w=turned[2], sample_rate=sample_rate)
    speed = float(np.hypot(*np.nanmean(array[:2], axis=1)))
    if np.isfinite(stress.uw) and stress.uw_random_sd > 0.0 and speed > 0.02:
        evidence.append(Evidence(name="stress_sign", value=-stress.uw, z=-stress.uw / stress.uw_random_sd))
    top = f >= 0.75 * f[-1]
    noise = np.array([found.power(k)[top].mean() for k in range(3)])
    motion = np.array([found.power(k)[band].mean() for k in range(3)])
    order = np.argsort(noise)
    vertical = int(order[0]) if noise[order[1]] > 2.0 * noise[order[0]] else -1
    if vertical >= 0 and vertical != int(np.argmin(motion)):
        vertical = -1
    return _decide(evidence, vertical, least_z)


def _decide(evidence: Sequence[Evidence], vertical: int, least_z: float) -> Orientation:
    """Weigh the lines: the strongest one decides, unless another strong one contradicts it."""
    strong = [e for e in evidence if abs(e.z) >= least_z]
    verdict = "undecided"
    z = max(evidence, key=lambda e: abs(e.z)).z if evidence else 0.0
    if vertical in {0, 1}:
        verdict = "axes_swapped"
    elif strong and all(np.sign(e.z) == np.sign(strong[0].z) for e in strong):
        verdict = "as_stated" if strong[0].z > 0.0 else "upside_down"
    return Orientation(verdict=verdict, z=float(z), vertical_axis=vertical, evidence=tuple(evidence))


def combine_orientations(*, orientations: Sequence[Orientation], least_z: float = 4.0) -> Orientation:
    """Put the evidence of many bursts together (sum of z over the root of their number, line by line).

    Parameters
    ----------
    orientations : sequence of Orientation
        Of independent bursts with the same mounting.
    least_z : float
        |z| from which a verdict is given. [1]

    Returns
    -------
    Orientation
    """
    lines: dict[str, list[Evidence]] = {}
    for item in orientations:
        for line in item.evidence:
            lines.setdefault(line.name, []).append(line)
    evidence = [
        Evidence(
            name=name,
            value=float(np.median([e.value for e in found])),
            # Clipped, so that one burst with a huge z (a knock) cannot speak for all.
            z=float(np.clip([e.z for e in found], -6.0, 6.0).sum() / np.sqrt(len(found))),
        )
        for name, found in lines.items()
    ]
    axes: FloatArray = np.array([o.vertical_axis for o in orientations if o.vertical_axis >= 0], dtype=float)
    vertical = -1
    if axes.size:
        counts = np.bincount(axes.astype(int), minlength=3)
        if counts.max() > 0.7 * axes.size:
            vertical = int(np.argmax(counts))
    return _decide(evidence, vertical, least_z)
