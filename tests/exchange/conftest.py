"""Synthetic bursts, masts and carried-sensor records with known truth; all numbers invented."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest


@dataclass
class Bursts:
    w: np.ndarray
    c: np.ndarray
    flux: float  # mmol m-2 h-1, of all frequencies in the record
    separation: np.ndarray
    speed: np.ndarray
    rate: float


def make_bursts(
    rng,
    *,
    blocks=60,
    seconds=900.0,
    rate=8.0,
    flux=-12.0,
    ustar=0.01,
    height=0.3,
    speed=0.08,
    separation=0.03,
    tau=0.45,
    w_noise=0.0018,
    c_noise=0.25,
    wave_w=0.0,
    wave_period=4.0,
    wave_displacement_gradient=0.0,
):
    """Return bursts whose spectra follow Kaimal et al. (1972) in f = n z/U, with a known covariance.

    Scalar spectrum as that of w's cospectral shape plus an independent part; sensor of first order, then
    white noise. Waves: vertical orbital motion and the concentration that follows its displacement, which
    carries no flux.
    """
    n, long = int(seconds * rate), 4 * int(seconds * rate)
    speeds = np.broadcast_to(np.asarray(speed, dtype=float), (blocks,))
    apart = np.broadcast_to(np.asarray(separation, dtype=float), (blocks,))
    frequency = np.fft.rfftfreq(long, 1.0 / rate)
    f = frequency[None, :] * height / speeds[:, None]
    spectrum_w = ustar**2 * height / speeds[:, None] * 2.0 / (1.0 + 5.3 * f ** (5.0 / 3.0))
    shape = 1.0 / (1.0 + 9.6 * f) ** 2.4
    for s in (spectrum_w, shape):
        s[:, 0] = 0.0
    width = rate / long
    c_star = flux / 3600.0 / ustar
    cospectrum = flux / 3600.0 * shape / (shape.sum(axis=1, keepdims=True) * width)
    spectrum_c = 105.0 * c_star**2 * height / speeds[:, None] / (1.0 + 33.0 * f) ** (5.0 / 3.0)
    spectrum_c[:, 0] = 0.0
    filter_c = np.divide(cospectrum, spectrum_w, out=np.zeros_like(cospectrum), where=spectrum_w > 0.0)
    independent = np.maximum(spectrum_c - filter_c**2 * spectrum_w, 0.0)

    def noise():
        z = rng.standard_normal((blocks, frequency.size)) + 1j * rng.standard_normal((blocks, frequency.size))
        return z * np.sqrt(width / 4.0) * long

    z_w = noise() * np.sqrt(spectrum_w)
    z_c = filter_c * z_w + noise() * np.sqrt(independent)
    turn = 2.0 * np.pi * frequency
    z_c = z_c * np.exp(-1j * turn * (apart / speeds)[:, None]) / (1.0 + 1j * turn * tau)
    w = np.fft.irfft(z_w, long, axis=1)[:, :n]
    c = np.fft.irfft(z_c, long, axis=1)[:, :n]
    if wave_w > 0.0:
        t = np.arange(n) / rate
        omega = 2.0 * np.pi / wave_period
        start = rng.uniform(0.0, 2.0 * np.pi, (blocks, 1))
        w = w + wave_w * np.sqrt(2.0) * np.cos(omega * t + start)
        seen = omega * (t - (apart / speeds)[:, None]) + start - np.arctan(omega * tau)
        amplitude = wave_w * np.sqrt(2.0) / omega * wave_displacement_gradient
        c = c - amplitude * np.sin(seen) / np.sqrt(1.0 + (omega * tau) ** 2)
    w = w + w_noise * rng.standard_normal(w.shape)
    c = 190.0 + c + c_noise * rng.standard_normal(c.shape)
    return Bursts(w, c, flux, apart.copy(), speeds.copy(), rate)


@pytest.fixture(scope="session")
def bursts():
    return make_bursts
