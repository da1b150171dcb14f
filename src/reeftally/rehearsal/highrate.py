"""Fast instruments: velocity and oxygen many times a second, in chunks of bounded memory.

Here:     `World` (everything true, gathered), `velocity_chunk`, `scalar_at`.
Not here: noise, spikes, tilt and text (`velocimeters`, `slow`).
Rules:    one field of turbulence a height; velocity and concentration at one height come from the same
          field, so spectra, stress, covariance and dissipation agree.

Equations stand in ``docs/rehearsal.md``.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import numba as nb
import numpy as np

from reeftally._checks import FloatArray
from reeftally.rehearsal.box import Chemistry, make_chemistry
from reeftally.rehearsal.reef import Reef, SensorTruth, reef_of, sensors_of
from reeftally.rehearsal.script import HOUR, Script, script_of
from reeftally.rehearsal.turbulence import SPACING, UnitField, sample_cubic
from reeftally.rehearsal.water import (
    SPIN_UP,
    STEP,
    WAVE_STEP,
    Path,
    Water,
    Waves,
    make_path,
    make_water,
    make_waves,
)

__all__ = ["World", "make_world", "scalar_at", "velocity_chunk"]

_LEAD = 200.0
"""The path starts this many heights into the field, so that upstream sensors stay inside."""


STATED_HEIGHTS = {"low": 0.35, "middle": 0.55, "high": 1.00, "VEL-A": 0.40, "VEL-B": 0.80, "ambient": 2.0}
"""Places on the mast of the two scripts and their heights above the bed [m]."""


@dataclass
class World:
    """Everything true about one rehearsal; paths and fields are made when first asked for."""

    script: Script
    reef: Reef
    sensors: dict[str, SensorTruth]
    water: Water
    waves: Waves
    chemistry: Chemistry
    seed: int
    heights: dict[str, float] = field(default_factory=lambda: dict(STATED_HEIGHTS))
    """Stated height above the bed of each place [m]."""
    _paths: dict[float, Path] = field(default_factory=dict)

    def path(self, above: float) -> Path:
        """Path of the water past a height above the displacement plane."""
        key = round(above, 6)
        if key not in self._paths:
            self._paths[key] = make_path(self.water, self.waves, self.reef, above)
        return self._paths[key]

    def above(self, height: float) -> float:
        """Height above the displacement plane of a height above the bed."""
        return max(height - self.reef.displacement, 2.0 * self.reef.roughness)

    def field(self, name: str) -> UnitField:
        """Return the field of turbulence of one height, by its name (a new one: it keeps a cache)."""
        return UnitField(self.reef, self.seed, name)

    def stated_height(self, place: str) -> float:
        """Height above the bed that the mission book states for a place on the mast [m]."""
        return self.heights[place]

    def true_height(self, place: str) -> float:
        """Height above the bed where the place really is [m]."""
        return self.stated_height(place) + self.reef.height_error(place)


def make_world(size: str, seed: int, *, scenario: str = "A", draw: bool = False) -> World:
    """Make the true reef of a size, seed and scenario; with `draw` its properties come from the priors."""
    script = script_of(size)
    reef = reef_of(seed, scenario=scenario, draw=draw)
    water = make_water(script, reef, seed)
    return World(
        script=script,
        reef=reef,
        sensors=sensors_of(seed, draw=draw),
        water=water,
        waves=make_waves(script, water, reef, seed),
        chemistry=make_chemistry(water, reef, seed, script.place),
        seed=seed,
    )


@nb.njit(cache=True, error_model="numpy", nogil=True)
def _velocity(
    t: FloatArray,
    wave_t0: float,
    distance: FloatArray,
    wave_east: FloatArray,
    wave_north: FloatArray,
    strain: FloatArray,
    minute_t0: float,
    east: FloatArray,
    north: FloatArray,
    friction: FloatArray,
    turbulence: np.ndarray,
    first: float,
    above: float,
    height: float,
    log_over_kappa: float,
    out: np.ndarray,
) -> None:
    for i in range(t.size):
        x = (t[i] - wave_t0) / WAVE_STEP
        slow = (t[i] - minute_t0) / STEP
        j = int(slow)
        part = slow - j
        e = east[j] + part * (east[j + 1] - east[j])
        n = north[j] + part * (north[j + 1] - north[j])
        u_star = friction[j] + part * (friction[j + 1] - friction[j])
        fast = np.sqrt(e * e + n * n)
        e /= fast
        n /= fast
        p = sample_cubic(distance, x) / above / SPACING - first
        u = u_star * (log_over_kappa + sample_cubic(turbulence[0], p))
        v = u_star * sample_cubic(turbulence[1], p)
        w = u_star * sample_cubic(turbulence[2], p)
        out[i, 0] = u * e - v * n + sample_cubic(wave_east, x)
        out[i, 1] = u * n + v * e + sample_cubic(wave_north, x)
        out[i, 2] = w + height * sample_cubic(strain, x)


def _window(field: UnitField, low: float, high: float, above: float) -> tuple[np.ndarray, float]:
    """Members of the field between two distances, and the index of the first (path lead included)."""
    lead = _LEAD / SPACING
    a = int(np.floor(low / above / SPACING + lead)) - 8
    b = int(np.ceil(high / above / SPACING + lead)) + 8
    return field.window(a, b), a - lead


def velocity_chunk(world: World, turbulence: UnitField, t: FloatArray, height: float) -> np.ndarray:
    """Velocity east, north, up at true times, shape (n, 3) [m s-1].

    Parameters
    ----------
    world, turbulence
        The reef and the field of this height.
    t : float64 array
        True times, increasing. [s since the start of the script]
    height : float
        Height above the bed. [m]
    """
    above = world.above(height)
    path = world.path(above)
    piece, first = _window(turbulence, *_reach(path, t), above)
    out = np.empty((t.size, 3))
    water, waves = world.water, world.waves
    _velocity(
        t, waves.t0, path.distance, waves.east, waves.north, waves.strain,
        -SPIN_UP, water.east, water.north, water.friction,
        piece, first, above, height,
        float(np.log(above / world.reef.roughness) / world.reef.von_karman), out,
    )  # fmt: skip
    return out


def _reach(path: Path, t: FloatArray, margin: float = 0.5) -> tuple[float, float]:
    """Smallest and largest distance within a stretch of time, with a margin [m]."""
    a = max(int((t[0] - path.t0) / WAVE_STEP) - 2, 0)
    b = int((t[-1] - path.t0) / WAVE_STEP) + 4
    piece = path.distance[a:b]
    return float(piece.min()) - margin, float(piece.max()) + margin


@nb.njit(cache=True, error_model="numpy", nogil=True)
def _scalar(
    t: FloatArray,
    wave_t0: float,
    distance: FloatArray,
    stretch: FloatArray,
    minute_t0: float,
    east: FloatArray,
    north: FloatArray,
    mean: FloatArray,
    scale: FloatArray,
    gradient: FloatArray,
    turbulence: np.ndarray,
    first: float,
    above: float,
    height: float,
    ahead_east: float,
    ahead_north: float,
    out: FloatArray,
) -> None:
    for i in range(t.size):
        x = (t[i] - wave_t0) / WAVE_STEP
        slow = (t[i] - minute_t0) / STEP
        j = int(slow)
        part = slow - j
        e = east[j] + part * (east[j + 1] - east[j])
        n = north[j] + part * (north[j + 1] - north[j])
        fast = np.sqrt(e * e + n * n)
        # Water reaches a sensor downstream later: the sensor sees what lies further back.
        behind = (ahead_east * e + ahead_north * n) / fast
        p = (sample_cubic(distance, x) - behind) / above / SPACING - first
        value = mean[j] + part * (mean[j + 1] - mean[j])
        value += (scale[j] + part * (scale[j + 1] - scale[j])) * sample_cubic(turbulence[3], p)
        # Orbital motion lifts the profile: c = −ζ dC/dz.
        value -= height * sample_cubic(stretch, x) * (gradient[j] + part * (gradient[j + 1] - gradient[j]))
        out[i] = value


def scalar_at(
    world: World,
    turbulence: UnitField,
    name: str,
    t: FloatArray,
    height: float,
    *,
    ahead: float = 0.0,
    ahead_to: float = 75.0,
) -> FloatArray:
    """Concentration at true times with turbulence and orbital motion [µmol kg-1].

    Parameters
    ----------
    name : {"oxygen", "dic", "total_alkalinity"}
        What is carried; the three share the fluctuation of the one field, scaled with their fluxes.
    t : float64 array
        True times, increasing. [s since the start of the script]
    height : float
        Height above the bed. [m]
    ahead, ahead_to : float
        Distance of the sensor from the place of the field, and the direction it lies in. [m, degree]
    """
    above = world.above(height)
    path = world.path(above)
    piece, first = _window(turbulence, *_reach(path, t), above)
    chemistry, water, waves = world.chemistry, world.water, world.waves
    out = np.empty(t.size)
    angle = np.deg2rad(ahead_to)
    dilution = chemistry.dilution if name != "oxygen" else np.ones(water.t.size)
    _scalar(
        t, waves.t0, path.distance, waves.stretch, -SPIN_UP, water.east, water.north,
        chemistry.at_height(name, height),
        chemistry.fluctuation(name, height) * dilution,
        chemistry.gradient(name, height) * dilution,
        piece, first, above, height,
        ahead * float(np.sin(angle)), ahead * float(np.cos(angle)), out,
    )  # fmt: skip
    return out


def chunks(start: float, end: float, length: float = HOUR) -> list[tuple[float, float]]:
    """Cut a stretch into pieces that begin at multiples of `length`."""
    edges = [start, *np.arange(np.floor(start / length) + 1, np.ceil(end / length)) * length, end]
    return [(float(a), float(b)) for a, b in itertools.pairwise(edges) if b > a]
