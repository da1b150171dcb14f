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
