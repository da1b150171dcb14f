"""Synthetic bursts with known spectra, stress, dissipation, tilt and waves (invented data).

Turbulence: the neutral forms of Kaimal et al. (1972), with the cospectrum normalised to carry exactly
u*^2; random phases, so every burst is one draw of a Gaussian process with these spectra.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from reeftally.flow import kaimal_cospectrum, kaimal_spectrum


@dataclass
class Burst:
    velocity: np.ndarray  # (3, n) along, across, up: what the sensor says
    pressure: np.ndarray  # (n,) Pa
    turbulence: np.ndarray  # (3, n) true turbulent part
    sample_rate: float
    friction_velocity: float
    speed: float


def make_burst(
    rng,
    *,
    friction_velocity=0.01,
    height=0.3,
    speed=0.1,
    sample_rate=8.0,
    duration=900.0,
    wave_amplitude=0.0,
    wave_period=11.0,
    wave_direction=0.0,
    wave_bandwidth=0.01,
    wave_w_ratio=0.03,
    tilt=0.0,
    noise=(0.0, 0.0, 0.0),
):
    """Return one burst. `wave_amplitude` is the standard deviation of the horizontal orbital motion."""
    kept = round(duration * sample_rate)
    # Four times as long, then cut: a burst also holds pieces of eddies longer than itself.
    n = 4 * kept
    f = np.fft.rfftfreq(n, 1.0 / sample_rate)[1:]
    z_u = height / speed
    x = f * z_u
    us2 = friction_velocity**2
    s_u, s_v, s_w = (us2 * kaimal_spectrum(component=c, reduced_frequency=x) / f for c in "uvw")
    c_uw = -us2 * kaimal_cospectrum(reduced_frequency=x) / f
    # The printed forms ask for a coherence above one in a small range; keep the cospectrum, raise S_u there.
    s_u = np.maximum(s_u, 1.1 * c_uw**2 / s_w)
    amp = np.sqrt(n * sample_rate / 4.0)
    one, two, three = (rng.normal(size=f.size) + 1j * rng.normal(size=f.size) for _ in range(3))
    w = np.sqrt(s_w) * one
    u = c_uw / np.sqrt(s_w) * one + np.sqrt(s_u - c_uw**2 / s_w) * two
    v = np.sqrt(s_v) * three
    field = np.zeros((3, f.size + 1), complex)
    field[:, 1:] = np.stack([u, v, w]) * amp
    turbulence = np.fft.irfft(field, n, axis=-1)
    pressure = 0.3 * rng.normal(size=n)
    total = turbulence.copy()
    if wave_amplitude > 0.0:
        shape = np.exp(-0.5 * ((f - 1.0 / wave_period) / wave_bandwidth) ** 2)
        line = np.sqrt(shape) * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size))
        line *= wave_amplitude / np.sqrt(2.0 * np.sum(np.abs(line) ** 2)) * n
        spectrum = np.concatenate([[0.0], line])
        horizontal = np.fft.irfft(spectrum, n)
        # Quadrature and proportional to frequency, as linear theory has it near the bed.
        vertical = np.fft.irfft(spectrum * 1j * np.concatenate([[0.0], f]) * wave_period * wave_w_ratio, n)
        angle = np.deg2rad(wave_direction)
        total = total + np.stack([horizontal * np.cos(angle), horizontal * np.sin(angle), vertical])
        pressure = pressure + 8000.0 * horizontal
    start = int(rng.integers(0, n - kept))
    total, turbulence, pressure = (x[..., start : start + kept] for x in (total, turbulence, pressure))
    total[0] += speed
    t = np.deg2rad(tilt)
    measured = total.copy()
    measured[0] = total[0] * np.cos(t) - total[2] * np.sin(t)
    measured[2] = total[0] * np.sin(t) + total[2] * np.cos(t)
    measured += np.asarray(noise)[:, None] * rng.normal(size=measured.shape)
    return Burst(measured, pressure, turbulence, sample_rate, friction_velocity, speed)


@pytest.fixture(scope="session")
def burst_maker():
    return make_burst


def make_inertial_burst(
    rng,
    *,
    dissipation=8e-6,
    speed=0.1,
    orbital_sd=0.0,
    wave_period=9.0,
    constant=1.5,
    sample_rate=32.0,
    duration=900.0,
    noise=0.0035,
    horizontal_noise=0.012,
    outer_wavenumber=15.0,
):
    """Return velocity (3, n): isotropic inertial turbulence frozen along a line, carried by current and waves.

    The field is made in space from the model spectra (rad/m, flat below `outer_wavenumber`) and read off
    along the path that the current and the (narrow-banded, collinear) waves really take, so the effect
    of the waves on the frequency spectrum comes from the motion, not from a formula.
    """
    n = round(duration * sample_rate)
    t = np.arange(n) / sample_rate
    f = np.fft.rfftfreq(4 * n, 1.0 / sample_rate)
    line = np.exp(-0.5 * ((f - 1.0 / wave_period) / 0.008) ** 2) ** 0.5
    orbital = np.fft.irfft(line * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size)), 4 * n)[:n]
    if orbital_sd:
        orbital *= orbital_sd / orbital.std()
    # Each sample is the mean over its interval, as of the many pings behind it.
    path = speed * t + np.cumsum(orbital) / sample_rate
    pings = path + np.outer(np.array([-0.375, -0.125, 0.125, 0.375]) / sample_rate, speed + orbital).reshape(4, n)
    spacing = 0.0015
    first = pings.min() - 0.1
    cells = int((pings.max() - first + 0.1) / spacing) + 8
    size = 1 << int(np.ceil(np.log2(cells)))
    k = 2.0 * np.pi * np.fft.rfftfreq(size, spacing)
    shape = dissipation ** (2 / 3) * np.maximum(k, outer_wavenumber) ** (-5 / 3) * constant
    fields = []
    for a in (18.0 / 55.0, 24.0 / 55.0, 24.0 / 55.0):
        draw = rng.normal(size=k.size) + 1j * rng.normal(size=k.size)
        field = np.fft.irfft(np.sqrt(a * shape * (k[1] - k[0])) * draw * size / 2.0, size)
        where = (pings - first) / spacing
        index = where.astype(int)
        part = where - index
        p0, p1, p2, p3 = (field[index + i] for i in (-1, 0, 1, 2))
        value = p1 + 0.5 * part * (p2 - p0 + part * (2 * p0 - 5 * p1 + 4 * p2 - p3 + part * (3 * (p1 - p2) + p3 - p0)))
        fields.append(value.mean(axis=0))
    out = np.stack(fields)
    out += np.array([horizontal_noise, horizontal_noise, noise])[:, None] * rng.normal(size=out.shape)
    out[0] += speed + orbital
    return out


@pytest.fixture(scope="session")
def inertial_burst_maker():
    return make_inertial_burst
