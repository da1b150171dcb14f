"""The fast instruments: two point velocimeters and the fast oxygen sensor beside one of them.

Here:     noise, tilt, spikes, correlation, clocks, sensor lag; hour by hour into raw files.
Not here: the true motion (`highrate`).
Rules:    x points along the heading the book states, y to its left, z up (as mounted); bounded memory.
"""

from __future__ import annotations

from collections.abc import Callable

import numba as nb
import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.rehearsal.highrate import World, chunks, scalar_at, velocity_chunk
from reeftally.rehearsal.reef import GAIN_PIVOT, SensorTruth, generator
from reeftally.rehearsal.script import DAY
from reeftally.rehearsal.writer import RawFiles
from reeftally.seawater import oxygen as oxygen_of

__all__ = ["FAST_SALINITY_SETTING", "HEADING_DEG", "TILT_DEG", "molar_at_setting", "true_time", "write_fast"]

HEADING_DEG = 75.0
TILT_DEG = {"VEL-A": (3.2, -1.8), "VEL-B": (0.0, 0.0)}
NOISE_HORIZONTAL = 0.012
SPIKE_SHARE = {"VEL-A": 0.01, "VEL-B": 0.001}
FAST_SALINITY_SETTING = 35.0
SEPARATION = 0.03
Progress = Callable[[str, float], None]


def true_time(sensor: SensorTruth, stamp: FloatArray) -> FloatArray:
    """Return the true time of stamps of an instrument's clock [s since the start of the script]."""
    return np.asarray((stamp - sensor.clock_offset) / (1.0 + sensor.clock_drift / DAY))


def rotation(pitch_deg: float, roll_deg: float) -> FloatArray:
    """Return the matrix from level axes to the instrument's: nose up by pitch, then left side up by roll.

    ``x = (cos p, 0, sin p)``; y and z turned about it by the roll.
    """
    p, r = np.deg2rad([pitch_deg, roll_deg])
    pitch = np.array([[np.cos(p), 0.0, np.sin(p)], [0.0, 1.0, 0.0], [-np.sin(p), 0.0, np.cos(p)]])
    roll = np.array([[1.0, 0.0, 0.0], [0.0, np.cos(r), np.sin(r)], [0.0, -np.sin(r), np.cos(r)]])
    return np.asarray(roll @ pitch)


def to_axes(velocity: FloatArray, heading_deg: float) -> FloatArray:
    """Return east, north, up as x (along the heading), y (to its left), z (up)."""
    angle = np.deg2rad(heading_deg)
    sine, cosine = np.sin(angle), np.cos(angle)
    turn = np.array([[sine, cosine, 0.0], [-cosine, sine, 0.0], [0.0, 0.0, 1.0]])
    return np.asarray(velocity @ turn.T)


def molar_at_setting(world: World, oxygen: FloatArray, t: FloatArray, setting: float) -> FloatArray:
    """What a sensor told a salinity shows by volume for oxygen by mass [mmol m-3].

    The factor is taken at whole minutes; it moves by less than 1e-5 between them.
    """
    minutes = np.arange(t[0] - 60.0, t[-1] + 120.0, 60.0)
    temperature = world.water.at("temperature", minutes)
    salinity = world.water.at("salinity", minutes)
    factor = oxygen_of.gravimetric_to_molar(
        oxygen=np.ones(minutes.size), temperature=temperature, salinity=salinity
    ) / oxygen_of.salinity_factor(temperature=temperature, salinity=salinity, salinity_setting=setting)
    return np.asarray(oxygen * np.interp(t, minutes, factor))


def _spikes(rng: np.random.Generator, n: int, share: float) -> tuple[npt.NDArray[np.int64], FloatArray]:
    """Indices and sizes of spikes: runs of one to three samples, 0.15 to 1.2 m/s."""
    starts = np.flatnonzero(rng.random(n) < share / 1.5)
    length = rng.choice([1, 2, 3], size=starts.size, p=[0.65, 0.2, 0.15])
    index = np.unique(np.concatenate([starts[length > k] + k for k in range(3)]))
    index = index[index < n]
    size = rng.uniform(0.15, 1.2, (index.size, 3)) * rng.choice([-1.0, 1.0], (index.size, 3))
    size[:, 2] *= 0.4
    return index, size


def _bubbles(world: World, t: FloatArray) -> FloatArray:
    """Share of bubbles in the water, 0 to 1, in the minutes when waves break at the rim."""
    if world.script.bubbles is None:
        return np.zeros(t.size)
    a, b = world.script.bubbles
    rng = generator(world.seed, "bubbles")
    minutes = np.arange(a, b, 60.0)
    state = np.convolve(rng.standard_normal(minutes.size), np.ones(12) / np.sqrt(12.0), mode="same")
    return np.asarray(np.interp(t, minutes, np.clip(state - 0.6, 0.0, 1.0), left=0.0, right=0.0))


def write_velocimeter(world: World, label: str, files: RawFiles, progress: Progress | None = None) -> None:
    """Write the record of one velocimeter while it is in place."""
    sensor = world.sensors[label]
    rate = world.script.velocimeter_hz if label == "VEL-A" else 16
    start, end = world.script.place
    height = world.true_height(label)
    field = world.field(label)
    turn = rotation(*TILT_DEG[label])
    flipped = world.script.upside_down
    for a, b in chunks(start, end):
        rng = generator(world.seed, f"{label} {round(a)}")
        first, last = int(np.ceil(a * rate)), int(np.ceil(b * rate))
        ticks = np.arange(first, last)
        stamp = ticks / rate
        t = true_time(sensor, stamp)
        velocity = to_axes(velocity_chunk(world, field, t, height), HEADING_DEG) @ turn.T
        if label == flipped[0]:
            down = (t >= flipped[1]) & (t < flipped[2])
            velocity[down, 1:] *= -1.0
        n = t.size
        noise = rng.standard_normal((n, 3), dtype=np.float32)
        bubble = _bubbles(world, t)
        grow = 1.0 + 1.5 * bubble
        velocity[:, 0] += NOISE_HORIZONTAL * grow * noise[:, 0]
        velocity[:, 1] += NOISE_HORIZONTAL * grow * noise[:, 1]
        velocity[:, 2] += sensor.noise * grow * noise[:, 2]
        velocity += [sensor.others.get(f"velocity_{axis}", 0.0) for axis in "xyz"]
        correlation = 96.0 + 1.2 * rng.standard_normal(n, dtype=np.float32).astype(np.float64)
        correlation -= 26.0 * bubble * (0.6 + 0.4 * rng.random(n, dtype=np.float32))
        index, size = _spikes(rng, n, SPIKE_SHARE[label])
        velocity[index] += size
        low = rng.random(index.size) < 0.5
        correlation[index[low]] = rng.uniform(15.0, 62.0, int(low.sum()))
        snr = 24.0 + 1.5 * rng.standard_normal(n, dtype=np.float32) - 6.0 * bubble
        keep = _powered(world, t)
        stamps_ns = world.script.start_ns + ticks * (1_000_000_000 // rate)
        rows = np.column_stack([velocity, np.clip(correlation, 0.0, 99.0), snr])
        if keep is not None:
            stamps_ns, rows = stamps_ns[keep], rows[keep]
        files.write(stamps_ns, rows)
        if progress is not None:
            progress(label, (b - start) / (end - start))


def _powered(world: World, t: FloatArray) -> npt.NDArray[np.bool_] | None:
    cut = world.script.power_cut
    if cut is None or t[-1] < cut[0] or t[0] >= cut[1]:
        return None
    return np.asarray((t < cut[0]) | (t >= cut[1]))


@nb.njit(cache=True, error_model="numpy", nogil=True)
def first_order(values: FloatArray, step: float, tau: float, state: float) -> float:
    """Pass values through a sensor with time constant tau, in place; return the last state.

    Exact for input that runs straight between samples.
    """
    if tau <= 0.0:
        return float(values[-1])
    r = step / tau
    keep = np.exp(-r)
    mean = (1.0 - keep) / r
    previous = values[0]
    for i in range(values.size):
        x = values[i]
        state = keep * state + (mean - keep) * previous + (1.0 - mean) * x
        previous = x
        values[i] = state
    return float(state)


def write_fast(world: World, files: RawFiles, progress: Progress | None = None) -> None:
    """Write the fast oxygen sensor: 3 cm to the east-north-east of VEL-A, digitised by it."""
    sensor = world.sensors["FAST-O"]
    start, end = world.script.place
    height = world.true_height("VEL-A")
    field = world.field("VEL-A")
    rate, dense = 8, 32
    state: float | None = None
    broken = world.script.fast_broken
    for a, b in chunks(start, end):
        rng = generator(world.seed, f"FAST-O {round(a)}")
        first, last = int(np.ceil(a * rate)), int(np.ceil(b * rate))
        stamp = np.arange(first * 4 - 3, last * 4 - 3) / dense
        t = true_time(sensor, stamp)
        value = scalar_at(world, field, "oxygen", t, height, ahead=SEPARATION, ahead_to=HEADING_DEG)
        state = first_order(value, 1.0 / dense, sensor.lag, value[0] if state is None else state)
        value, t = value[3::4], t[3::4]
        value = value + sensor.gain * (value - GAIN_PIVOT) + sensor.offset + sensor.drift * t / DAY
        value += sensor.noise * rng.standard_normal(t.size)
        if broken is not None:
            value[(t >= broken[0]) & (t < broken[1])] = 430.0
            value[t >= broken[1]] += 0.8 - sensor.offset
        shown = molar_at_setting(world, value, t, FAST_SALINITY_SETTING)
        ticks = np.arange(first, last)
        stamps_ns = world.script.start_ns + ticks * (1_000_000_000 // rate)
        keep = _powered(world, t)
        if keep is not None:
            stamps_ns, shown = stamps_ns[keep], shown[keep]
        files.write(stamps_ns, shown[:, None])
        if progress is not None:
            progress("FAST-O", (b - start) / (end - start))
