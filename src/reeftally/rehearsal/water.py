"""Tide, current, waves, light, wind and the water's temperature and salinity: slow series and waves.

Here:     `Water` (series on a one-minute grid, long enough before the mission for the box to forget
          its start), `Waves` (orbital motion four times a second), `Path` (how far the water went).
Not here: chemistry (`box`), turbulence (`turbulence`).
Rules:    times are seconds since the start of the script; velocities east, north, up [m s-1].

Equations and sources stand in ``docs/rehearsal.md``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba as nb
import numpy as np

from reeftally._checks import FloatArray
from reeftally.mission import solar
from reeftally.rehearsal.reef import Reef, generator
from reeftally.rehearsal.script import DAY, HOUR, Script

__all__ = ["SPIN_UP", "Path", "Water", "Waves", "make_path", "make_water", "make_waves", "wave_number"]

SPIN_UP = 9.0 * DAY
STEP = 60.0
WAVE_STEP = 0.25
FLOOD_TO = 75.0
SWELL_TO = 290.0
SEA_TO = 310.0
GRAVITY = 9.80665

_TIDES = (("M2", 0.42, 12.4206012), ("S2", 0.17, 12.0), ("K1", 0.14, 23.9344696), ("O1", 0.09, 25.8193417))
_SPRING_DAY = 9.9


@dataclass(frozen=True, slots=True)
class Water:
    """Slow series on a grid of one minute, from `SPIN_UP` before the start to an hour after the end."""

    t: FloatArray
    tide: FloatArray
    east: FloatArray
    """Velocity at 0.9 m above the displacement plane."""
    north: FloatArray
    friction: FloatArray
    """Friction velocity [m s-1]."""
    swell: FloatArray
    """Significant heights [m]."""
    sea: FloatArray
    infragravity: FloatArray
    wind: FloatArray
    air_pressure: FloatArray
    air_co2: FloatArray
    temperature: FloatArray
    salinity: FloatArray
    reference_temperature: FloatArray
    reference_salinity: FloatArray
    light_surface: FloatArray
    light_bed: FloatArray
    elevation: FloatArray
    spring: FloatArray
    """−1 at neap, +1 at spring."""

    def at(self, name: str, t: FloatArray) -> FloatArray:
        """Return a series at other times, linear between minutes."""
        return np.asarray(np.interp(t, self.t, getattr(self, name)))

    def pressure(self, reef: Reef) -> FloatArray:
        """Pressure of the water column at the mast [dbar], bed level."""
        return (reef.depth + self.tide) * reef.density * GRAVITY / 1e4


def _smooth_noise(rng: np.random.Generator, t: FloatArray, scale: float) -> FloatArray:
    """Gaussian noise of unit variance, smooth over `scale` seconds."""
    knots = int((t[-1] - t[0]) / scale) + 6
    values = rng.standard_normal(knots)
    at = (t - t[0]) / scale + 1.5
    low = np.floor(at).astype(int)
    part = at - low
    ease = part * part * (3.0 - 2.0 * part)
    mixed = values[low] * np.cos(0.5 * np.pi * ease) + values[low + 1] * np.sin(0.5 * np.pi * ease)
    return np.asarray(mixed)


def _clouds(rng: np.random.Generator, t: FloatArray) -> FloatArray:
    """1 under cloud, 0 under clear sky: two states, mean stays 18 and 54 minutes, a quarter cloudy."""
    out = np.empty(t.size)
    state, left = 0.0, float(rng.exponential(54.0 * 60.0))
    for index in range(t.size):
        out[index] = state
        left -= STEP
        if left <= 0.0:
            state = 1.0 - state
            left = float(rng.exponential(18.0 * 60.0 if state > 0.5 else 54.0 * 60.0))
    kernel = np.array([0.15, 0.2, 0.3, 0.2, 0.15])
    return np.convolve(out, kernel, mode="same")


def make_water(script: Script, reef: Reef, seed: int) -> Water:
    """Make the slow series.

    Current at 0.9 m above the displacement plane: ``(0.03 + 0.10 |cos M2|)``, a fifth more at spring,
    turning between 075 and 255 degrees through a slack of about twenty minutes, plus a residual of
    0.012 m/s to 075. Friction velocity from the log law.
    """
    t = np.arange(-SPIN_UP, script.length + HOUR + STEP, STEP)
    origin = t + script.since_origin
    hours = origin / HOUR
    rng = generator(seed, "weather")

    spring_at = _SPRING_DAY * 24.0
    tide = np.zeros(t.size)
    for index, (_, amplitude, period) in enumerate(_TIDES):
        shift = spring_at if index < 2 else 31.0 + 5.0 * index
        tide += amplitude * np.cos(2.0 * np.pi * (hours - shift) / period)
    beat_h = 1.0 / (1.0 / 12.0 - 1.0 / 12.4206012)
    spring = np.cos(2.0 * np.pi * (hours - spring_at) / beat_h)

    days = origin / DAY
    event = np.exp(-(((days - 6.5) / 0.68) ** 4)) if script.size == "full" else np.zeros(t.size)
    swell = 0.25 + 0.20 * event + 0.012 * _smooth_noise(rng, t, 3.0 * HOUR)
    local_hour = ((script.start_ns / 1e9 + t) / HOUR + script.utc_offset_h) % 24.0
    afternoon = np.exp(-0.5 * ((local_hour - 15.5) / 2.6) ** 2)
    wind = np.clip(3.4 + 3.6 * afternoon + 3.0 * event + 0.7 * _smooth_noise(rng, t, 1.5 * HOUR), 0.4, 14.0)
    sea = 0.3 * np.clip((wind - 3.0) / 4.0, 0.05, 1.4)
    infragravity = 0.03 * np.sqrt(swell / 0.25)
    tide = tide + 0.12 * event

    # The direction turns through slack instead of the speed falling to nothing.
    phase = 2.0 * np.pi * (hours - spring_at + 3.1) / 12.4206012
    along_cos = np.cos(phase)
    strength = (0.028 + 0.095 * np.abs(along_cos)) * (1.0 + 0.2 * np.clip(spring, 0.0, 1.0) ** 2)
    along = strength * np.tanh(along_cos / 0.10) + 0.012
    across = 0.015 / np.cosh(along_cos / 0.12)
    angle = np.deg2rad(FLOOD_TO)
    east = along * np.sin(angle) + across * np.cos(angle)
    north = along * np.cos(angle) - across * np.sin(angle)
    friction = reef.von_karman * np.hypot(east, north) / np.log(0.9 / reef.roughness)

    pressure = reef.air_pressure + 1.8 * _smooth_noise(rng, t, 30.0 * HOUR)
    pressure = pressure + 1.0 * np.cos(2.0 * np.pi * (local_hour - 10.0) / 12.0)
    co2 = reef.air_co2 + 0.5 * _smooth_noise(rng, t, 6.0 * HOUR) - 0.3 * np.cos(2.0 * np.pi * (local_hour - 4.0) / 24.0)
    diel = np.cos(2.0 * np.pi * (local_hour - 15.6) / 24.0)
    temperature = reef.temperature + 0.25 * diel - 0.6 * np.exp(-(((days - 7.3) / 0.35) ** 2)) * (script.size == "full")
    reference_temperature = reef.temperature + 0.08 * diel + 0.02 * _smooth_noise(rng, t, 9.0 * HOUR)
    rain = np.zeros(t.size)
    if script.size == "full":
        since = (days - 5.0) * 24.0
        rain = -0.15 * np.clip(since / 0.7, 0.0, 1.0) * np.clip((9.7 - since) / 0.7, 0.0, 1.0)
    salinity = reef.salinity + rain + 0.006 * _smooth_noise(rng, t, 4.0 * HOUR)
    reference_salinity = reef.salinity + 0.006 * _smooth_noise(rng, t, 11.0 * HOUR)

    elevation = solar.elevation(
        script.start_ns + np.rint(t).astype(np.int64) * 1_000_000_000, script.latitude_deg, script.longitude_deg
    )
    cloud = _clouds(generator(seed, "clouds"), t)
    noon = np.sin(np.deg2rad(72.5))
    clear = reef.surface_light * np.clip(np.sin(np.deg2rad(elevation)), 0.0, None) / noon
    surface = clear * (1.0 - 0.17 * cloud)
    attenuation = reef.attenuation + 0.075 * event
    bed = surface * np.exp(-attenuation * (reef.depth + tide))
    return Water(
        t=t,
        tide=tide,
        east=east,
        north=north,
        friction=friction,
        swell=swell,
        sea=sea,
        infragravity=infragravity,
        wind=wind,
        air_pressure=pressure,
        air_co2=co2,
        temperature=temperature,
        salinity=salinity,
        reference_temperature=reference_temperature,
        reference_salinity=reference_salinity,
        light_surface=surface,
        light_bed=bed,
        elevation=elevation,
        spring=spring,
    )


def wave_number(omega: FloatArray, depth: float) -> FloatArray:
    """Wave number of linear theory [rad m-1]: ``ω² = g k tanh(k h)``, by Newton's method."""
    x = omega**2 * depth / GRAVITY
    kh = np.where(x < 1.0, np.sqrt(x) * (1.0 + x / 6.0), x)
    for _ in range(30):
        tanh = np.tanh(kh)
        kh = kh - (kh * tanh - x) / (tanh + kh * (1.0 - tanh**2))
    return np.asarray(kh / depth)


@dataclass(frozen=True, slots=True)
class Waves:
    """Orbital motion near the bed, four times a second, from `t0` on."""

    t0: float
    elevation: FloatArray
    east: FloatArray
    """Horizontal orbital velocity near the bed [m s-1]."""
    north: FloatArray
    strain: FloatArray
    """∂w/∂z near the bed [s-1]; the vertical orbital velocity at height z is z times this."""
    stretch: FloatArray
    """Vertical orbital displacement per metre above the bed [1]."""


@nb.njit(cache=True, error_model="numpy", nogil=True)
def _sum_waves(
    n: int,
    step: float,
    omega: FloatArray,
    phase: FloatArray,
    factors: FloatArray,
    scale: FloatArray,
    group: FloatArray,
    out: FloatArray,
) -> None:
    """Add components; factors hold amplitude of elevation, east, north, strain; scale the slow growth."""
    for j in range(omega.size):
        cos_step = np.cos(omega[j] * step)
        sin_step = np.sin(omega[j] * step)
        which = int(group[j])
        c = 1.0
        s = 0.0
        for i in range(n):
            # The recurrence loses digits slowly; it starts anew every 2048 samples.
            if i % 2048 == 0:
                c = np.cos(omega[j] * step * i + phase[j])
                s = np.sin(omega[j] * step * i + phase[j])
            grow = scale[which, i]
            out[0, i] += grow * factors[0, j] * c
            out[1, i] += grow * factors[1, j] * c
            out[2, i] += grow * factors[2, j] * c
            out[3, i] += grow * factors[3, j] * s
            out[4, i] += grow * factors[4, j] * c
            c, s = c * cos_step - s * sin_step, s * cos_step + c * sin_step


def _band(
    rng: np.random.Generator, peak: float, width: float, count: int, gamma: float
) -> tuple[FloatArray, FloatArray]:
    """Angular frequencies and amplitudes of unit significant height, narrow peaked spectrum.

    JONSWAP shape (Hasselmann et al. 1973, from memory); frequencies are jittered so that the sum does
    not repeat.
    """
    edges = np.linspace(peak * (1.0 - width), peak * (1.0 + 1.8 * width), count + 1)
    omega = edges[:-1] + np.diff(edges) * rng.random(count)
    ratio = peak / omega
    sigma = np.where(omega <= peak, 0.07, 0.09)
    spectrum = ratio**5 * np.exp(-1.25 * ratio**4) * gamma ** np.exp(-0.5 * ((omega - peak) / (sigma * peak)) ** 2)
    power = spectrum * np.diff(edges)
    power /= power.sum()
    # Significant height 1 m is a variance of 1/16 m2; each component has variance a2 / 2.
    return omega, np.sqrt(2.0 * power / 16.0)


def make_waves(script: Script, water: Water, reef: Reef, seed: int) -> Waves:
    """Sum swell, wind sea and infragravity motion by linear theory at the mean depth.

    Near-bed horizontal velocity ``a ω / sinh(k h)``; vertical velocity at height z ``z`` times
    ``a ω k / sinh(k h)``, a quarter period ahead (linear theory, ``sinh(k z) ≈ k z``: 2 % at 0.8 m for
    the wind sea, less for the rest).
    """
    rng = generator(seed, "waves")
    t0 = -120.0
    n = int((script.length + 240.0) / WAVE_STEP)
    swell, sea = _band(rng, 2 * np.pi / 11.0, 0.35, 36, 3.3), _band(rng, 2 * np.pi / 3.2, 0.35, 28, 2.0)
    slow_omega = 2.0 * np.pi / rng.uniform(80.0, 140.0, 8)
    slow_speed = np.full(8, np.sqrt(2.0 / 8.0) / np.sqrt(2.0))
    omega = np.concatenate([swell[0], sea[0], slow_omega])
    k = wave_number(omega, reef.depth)
    sinh = np.sinh(k * reef.depth)
    speed = np.concatenate([swell[1], sea[1], np.zeros(8)]) * omega / sinh
    speed[-8:] = slow_speed
    amplitude = np.concatenate([swell[1], sea[1], slow_speed * sinh[-8:] / slow_omega])
    direction = np.concatenate(
        [
            SWELL_TO + 9.0 * rng.standard_normal(36),
            SEA_TO + 18.0 * rng.standard_normal(28),
            SWELL_TO + 15.0 * rng.standard_normal(8),
        ]
    )
    radians = np.deg2rad(direction)
    # w = ∂(displacement)/∂t: with elevation a cos(ωt), w = −z a ω k sin(ωt) / sinh(kh).
    factors = np.stack([amplitude, speed * np.sin(radians), speed * np.cos(radians), -speed * k, speed * k / omega])
    at = np.asarray(t0 + WAVE_STEP * np.arange(n), dtype=np.float64)
    scale = np.stack([water.at(name, at) for name in ("swell", "sea", "infragravity")])
    del at
    group = np.concatenate([np.zeros(36), np.ones(28), np.full(8, 2.0)])
    out = np.zeros((5, n))
    _sum_waves(n, WAVE_STEP, omega, rng.uniform(0, 2 * np.pi, omega.size), factors, scale, group, out)
    return Waves(t0, out[0], out[1], out[2], out[3], out[4])


@dataclass(frozen=True, slots=True)
class Path:
    """Distance that water passed a height, forward with its mean flow, on the wave grid [m]."""

    t0: float
    distance: FloatArray


def make_path(water: Water, waves: Waves, reef: Reef, height_above_plane: float) -> Path:
    """Integrate mean flow plus orbital motion at a height above the displacement plane.

    The frozen field is fixed to the water, so waves carry it to and fro past the sensor: this is what
    widens the observed spectrum (Lumley and Terray 1983).
    """
    count = waves.east.size
    distance = np.empty(count)
    reached = 0.0
    # In pieces: a dozen temporary series of ten days would be half a gigabyte.
    for first in range(0, count, 400_000):
        part = slice(first, min(first + 400_000, count))
        t = np.asarray(waves.t0 + WAVE_STEP * np.arange(part.start, part.stop), dtype=np.float64)
        east, north = water.at("east", t), water.at("north", t)
        fast = np.hypot(east, north)
        mean = water.at("friction", t) / reef.von_karman * np.log(height_above_plane / reef.roughness)
        orbital = (waves.east[part] * east + waves.north[part] * north) / fast
        across = (waves.north[part] * east - waves.east[part] * north) / fast
        # Small eddies are alike in all directions, so water that moves across the line brings new ones as
        # well: the distance grows with the whole speed, forward or back as the part along the mean flow goes.
        along = mean + orbital
        distance[part] = reached + np.cumsum(np.copysign(np.hypot(along, across), along) * WAVE_STEP)
        reached = float(distance[part.stop - 1])
    return Path(waves.t0, distance)
