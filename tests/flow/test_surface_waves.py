"""Waves against printed linear-theory answers and a synthetic sea."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reeftally.errors import InputError
from reeftally.flow import (
    group_speed,
    near_bed_orbital_rms,
    orbital_amplitude,
    pressure_response,
    wavenumber,
    waves,
)


# University wave-theory example answers (D. Apsley), Q1 and wave A: T = 13 s, h = 20 m gives kh 0.7499,
# 167.6 m, 12.89 m/s; T = 10 s gives kh 1.036 (cut, not rounded: 1.0365). Half of the last printed digit,
# a whole one for the cut value.
def test_dispersion_agrees_with_the_printed_answers():
    k = wavenumber(period=[13.0, 10.0], depth=20.0)

    assert_allclose(k[0] * 20.0, 0.7499, rtol=0, atol=0.5e-4)
    assert_allclose(2 * np.pi / k[0], 167.6, rtol=0, atol=0.05)
    assert_allclose(2 * np.pi / 13.0 / k[0], 12.89, rtol=0, atol=0.005)
    assert_allclose(k[1] * 20.0, 1.036, rtol=0, atol=1e-3)


# Airy theory with g = 9.81 (Dean and Dalrymple 1991; Coastal Engineering Manual II-1; from memory), computed
# from the dispersion relation: k, wavelength, pressure factor at the bed, orbital amplitude per metre, group speed.
@pytest.mark.parametrize(
    ("period", "depth", "wanted"),
    [
        (8.0, 10.0, [0.0886224, 70.8984, 0.704681, 0.390019, 7.17954]),
        (6.0, 3.0, [0.20451, 30.7232, 0.83739, 0.802143, 4.57538]),
    ],
)
def test_linear_waves_have_the_tabulated_properties(period, depth, wanted):
    k = wavenumber(period=period, depth=depth)

    found = [
        k,
        2 * np.pi / k,
        pressure_response(wavenumber=k, depth=depth),
        orbital_amplitude(height=1.0, period=period, depth=depth),
        group_speed(period=period, depth=depth),
    ]
    assert_allclose(found, wanted, rtol=5e-6)  # five to six printed digits


def test_surface_amplitude_follows_from_pressure_above_the_bed():
    # Airy theory: 3000 Pa at 0.5 m above the bed, h = 10 m, T = 8 s, rho = 1023 gives 0.423797 m.
    k = wavenumber(period=8.0, depth=10.0)

    found = 3000.0 / (1023.0 * 9.81 * pressure_response(wavenumber=k, depth=10.0, sensor_height=0.5))

    assert_allclose(found, 0.423797, rtol=0, atol=0.5e-6)


def test_orbital_rms_of_a_narrow_sea():
    # Soulsby (1997), from memory: Hs 0.8 m, T 8 s, h 10 m gives 0.156008 m/s.
    found = near_bed_orbital_rms(significant_height=0.8, period=8.0, depth=10.0)

    assert_allclose(found, 0.156008, rtol=0, atol=0.5e-6)


@given(st.floats(0.5, 200.0), st.floats(0.1, 500.0), st.floats(-0.3, 1.0))
@settings(max_examples=150, deadline=None)
def test_dispersion_relation_holds_or_the_answer_is_nan(period, depth, current):
    k = float(wavenumber(period=period, depth=depth, current=current))

    omega = 2 * np.pi / period
    if np.isfinite(k):
        assert_allclose((omega - k * current) ** 2, 9.81 * k * np.tanh(k * depth), rtol=1e-6)
    else:
        assert current < 0.0


@given(st.floats(0.001, 50.0), st.floats(0.1, 100.0))
@settings(max_examples=60, deadline=None)
def test_pressure_response_lies_between_zero_and_one(k, depth):
    response = float(pressure_response(wavenumber=k, depth=depth, sensor_height=0.3 * depth))

    assert 0.0 <= response <= 1.0


def sea(rng, *, depth=6.4, height=0.8, significant=0.4, period=9.0, toward=30.0, rate=8.0, duration=3600.0):
    """Pressure and horizontal velocity of a narrow long-crested sea by linear theory (invented)."""
    n = round(rate * duration)
    f = np.fft.rfftfreq(n, 1.0 / rate)
    line = np.where(f > 0, np.exp(-0.25 * ((f - 1.0 / period) / 0.01) ** 2), 0.0)
    line = line * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size))
    line *= (significant / 4.0) / np.sqrt(2.0 * np.sum(np.abs(line) ** 2)) * n
    k = np.zeros_like(f)
    k[1:] = wavenumber(period=1.0 / f[1:], depth=depth)
    pressure = np.fft.irfft(
        line * 1023.0 * 9.81 * np.cosh(np.minimum(k * height, 50)) / np.cosh(np.minimum(k * depth, 50)), n
    )
    ratio = np.zeros_like(f)
    ratio[1:] = 2 * np.pi * f[1:] * np.cosh(np.minimum(k[1:] * height, 50)) / np.sinh(np.minimum(k[1:] * depth, 50))
    u = np.fft.irfft(line * ratio, n)
    angle = np.deg2rad(toward)
    return pressure, np.stack([u * np.cos(angle), u * np.sin(angle)])


def test_height_period_direction_and_orbital_motion_are_recovered():
    pressure, velocity = sea(np.random.default_rng(1))
    velocity = velocity + np.array([[0.1], [0.02]])

    found = waves(sample_rate=8.0, depth=6.4, sensor_height=0.8, pressure=65000.0 + pressure, velocity=velocity)

    assert_allclose(found.significant_height, 0.4, rtol=0.03)
    assert_allclose(found.peak_period, 9.0, rtol=0.1)
    assert_allclose(found.direction_to, 30.0, atol=0.5)
    assert found.spread < 3.0
    assert_allclose(found.orbital_rms, np.sqrt(velocity.var(axis=1).sum()), rtol=0.03)


def test_velocity_alone_gives_the_same_height_and_no_direction():
    _, velocity = sea(np.random.default_rng(2))

    found = waves(sample_rate=8.0, depth=6.4, sensor_height=0.8, velocity=velocity)

    assert_allclose(found.significant_height, 0.4, rtol=0.03)
    assert np.isnan(found.direction_to)


def test_stated_height_interval_holds_the_truth():
    # Coverage of 95 % intervals over 200 seas: 179 to 198 is the central 99.9 % binomial band.
    rng = np.random.default_rng(3)
    inside = 0
    for _ in range(200):
        n = 7200
        f = np.fft.rfftfreq(n, 1 / 8.0)
        shape = np.exp(-0.25 * ((f - 0.1) / 0.015) ** 2)
        draw = shape * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size))
        scale = (0.4 / 4.0) / np.sqrt(np.sum(4.0 * shape**2)) * n
        eta = np.fft.irfft(draw * scale, n)
        k = np.zeros_like(f)
        k[1:] = wavenumber(period=1.0 / f[1:], depth=6.4)
        pressure = np.fft.irfft(np.fft.rfft(eta) * 1023.0 * 9.81 / np.cosh(np.minimum(k * 6.4, 50)), n)
        found = waves(sample_rate=8.0, depth=6.4, sensor_height=0.0, pressure=pressure)
        inside += abs(found.significant_height - 0.4) < 1.96 * found.significant_height_random_sd

    assert 179 <= inside <= 198


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"depth": -1.0}, "height_impossible"),
        ({"sensor_height": 7.0}, "height_impossible"),
        ({"pressure": np.full(7200, np.nan)}, "pressure_missing"),
        ({"pressure": np.ones(7200)}, "constant"),
        ({"pressure": np.ones(100)}, "too_few_samples"),
    ],
)
def test_useless_input_has_a_reason_and_no_number(change, reason):
    pressure, _ = sea(np.random.default_rng(4))
    arguments = {"sample_rate": 8.0, "depth": 6.4, "sensor_height": 0.8, "pressure": pressure} | change

    found = waves(**arguments)

    assert found.reasons == (reason,)
    assert np.isnan(found.significant_height)


def test_something_must_be_given():
    with pytest.raises(InputError, match="both missing"):
        waves(sample_rate=8.0, depth=6.4, sensor_height=0.8)
