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


@dataclass
class Mast:
    hours: np.ndarray
    ustar: np.ndarray  # as estimated
    flux: np.ndarray  # mmol m-2 h-1, truth
    height: np.ndarray  # as in the book, (sensors, t)
    concentration: np.ndarray
    offset: np.ndarray
    night: np.ndarray
    light: np.ndarray


def make_mast(
    rng,
    *,
    days=10.0,
    swaps=(2.5, 5.5, 8.5),
    offset_sd=0.3,
    noise=0.0075,
    ustar_random=0.15,
    ustar_systematic=0.0,
    height_sd=0.0,
    displacement_sd=0.0,
    kappa_sd=0.0,
    places=(0.35, 1.00),
    displacement=0.10,
):
    """Return block means of a mast with sensors that change places; all truths drawn from the priors."""
    blocks = int(days * 96)
    hours = np.arange(blocks) * 0.25
    ustar = 0.01 * (0.4 + abs(np.cos(np.pi * hours / 12.42))) * (1.0 + 0.15 * np.sin(2 * np.pi * hours / 340.0))
    cloud = rng.uniform(0.5, 1.0, int(days) + 1)[(hours // 24).astype(int)]
    light = np.maximum(0.0, np.sin(2.0 * np.pi * (hours - 6.0) / 24.0)) * 870.0 * cloud
    flux = 23.0 * np.tanh(light / 330.0) - 13.5 * (ustar / 0.01) ** 0.35
    estimated = ustar * np.exp(rng.normal(-0.5 * ustar_random**2, ustar_random, blocks))
    estimated = estimated * (1.0 + ustar_systematic * rng.standard_normal())
    kappa = 0.41 + kappa_sd * rng.standard_normal()
    depth = displacement + displacement_sd * rng.standard_normal()
    levels = np.array(places)
    true_levels = levels + height_sd * rng.standard_normal(levels.size)
    seat = np.zeros((levels.size, blocks), dtype=int) + np.arange(levels.size)[:, None]
    first, last = 0, levels.size - 1
    for day in swaps:
        late = hours >= 24.0 * day
        seat[first, late], seat[last, late] = seat[last, late], seat[first, late]
    offset = rng.normal(0.0, offset_sd, levels.size)
    level = 190.0 + 5.0 * np.sin(2.0 * np.pi * hours / 24.0) + np.cumsum(rng.normal(0.0, 0.3, blocks))
    profile = flux / (kappa * ustar * 3600.0) * np.log(true_levels[seat] - depth)
    concentration = level - profile + offset[:, None] + rng.normal(0.0, noise, seat.shape)
    night = (hours % 24.0 < 6.0) | (hours % 24.0 >= 18.0)
    return Mast(hours, estimated, flux, levels[seat], concentration, offset, night, light)


@pytest.fixture(scope="session")
def mast():
    return make_mast


@dataclass
class Dives:
    time: np.ndarray
    values: np.ndarray  # (pH, oxygen)
    start: np.ndarray
    end: np.ndarray
    step: np.ndarray  # (visits, 2)
    blank_start: np.ndarray
    blank_end: np.ndarray


FORMS = ((-0.014, -9.0), (-0.011, -7.0), (-0.025, -16.0), (-0.0093, -6.0))


def make_dives(rng, *, dives=6, visits=12, patch_o2=1.0, noise=(0.0015, 0.15), tau=(10.0, 6.0)):
    """Return 1 Hz records of a carried pH (10 s) and oxygen (6 s) sensor over several dives."""
    time, values, start, end, steps, blank_start, blank_end = [], [], [], [], [], [], []
    for dive in range(dives):
        base = np.round(86400.0 * dive + rng.uniform(4.0, 12.0) * 3600.0)
        now, stays = 300.0, []
        for k in range(visits + 1):
            stay = rng.uniform(90.0, 180.0)
            if k == visits:
                blank_start.append(base + now)
                blank_end.append(base + now + stay)
            else:
                jump = np.array(FORMS[rng.integers(len(FORMS))]) * rng.normal(1.0, 0.12)
                stays.append((now, now + stay, jump))
                start.append(base + now)
                end.append(base + now + stay)
                steps.append(jump)
            now += stay + rng.uniform(120.0, 300.0)
        t = np.arange(int(now + 200.0), dtype=float)
        keep = np.exp(-1.0 / 1200.0)
        drive = rng.standard_normal(t.size) * np.sqrt(1.0 - keep**2)
        patch = np.empty(t.size)
        patch[0] = rng.standard_normal()
        for k in range(1, t.size):
            patch[k] = keep * patch[k - 1] + drive[k]
        water = np.stack([8.0 + 0.0015 * patch_o2 * patch + 2e-7 * t, 185.0 + patch_o2 * patch + 3e-4 * t])
        for first, last, jump in stays:
            water[:, (t >= first) & (t < last)] += jump[:, None]
        seen = np.empty_like(water)
        seen[:, 0] = water[:, 0]
        share = 1.0 - np.exp(-1.0 / np.array(tau))
        for k in range(1, t.size):
            seen[:, k] = seen[:, k - 1] + share * (water[:, k - 1] - seen[:, k - 1])
        time.append(base + t)
        values.append(seen + np.array(noise)[:, None] * rng.standard_normal(seen.shape))
    return Dives(
        np.concatenate(time), np.concatenate(values, axis=1), np.array(start), np.array(end), np.array(steps),
        np.array(blank_start), np.array(blank_end),
    )  # fmt: skip


@pytest.fixture(scope="session")
def dives():
    return make_dives


def band(n, level):
    """Return the central 99.9 % band of the count of intervals that hold the truth."""
    from scipy.stats import binom

    return binom.ppf(0.0005, n, level), binom.ppf(0.9995, n, level)


@pytest.fixture(scope="session")
def binomial_band():
    return band
