"""Dissipation against model constants, printed factors and fields carried past a sensor."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from reeftally.errors import ShapeError
from reeftally.flow import (
    dissipation,
    friction_velocity_from_dissipation,
    inertial_spectrum,
    log_layer_dissipation,
    wave_advection_factor,
)
from reeftally.flow.inertial import ALONG, CROSS, KOLMOGOROV, KOLMOGOROV_ONE_DIMENSIONAL


def test_constants_are_those_of_the_working_group():
    # SCOR working group 160, best-practice pages: C = 1.5, a1 = 18/55 = 0.327273, a2 = a3 = 0.436364;
    # one-dimensional constant 0.53 +- 0.03 (Sreenivasan 1995), which 18/55 * 1.5 = 0.491 just misses.
    assert_allclose([ALONG, CROSS], [0.327273, 0.436364], rtol=0, atol=0.5e-6)
    assert KOLMOGOROV == 1.5
    assert KOLMOGOROV_ONE_DIMENSIONAL == (0.53, 0.03)
    assert_allclose(ALONG * KOLMOGOROV, KOLMOGOROV_ONE_DIMENSIONAL[0], rtol=0.08)


def test_model_spectra_have_the_tabulated_levels():
    # Same pages, with k = 2 pi f / U, worked by hand for eps 1e-5 W/kg, U 0.2 m/s, f 1 Hz; six digits.
    vertical = inertial_spectrum(dissipation=1e-5, advection=0.2, frequency=1.0)
    along = inertial_spectrum(dissipation=1e-5, advection=0.2, frequency=1.0, component="u")

    assert_allclose([vertical, along], [3.05145e-05, 2.28859e-05], rtol=0, atol=1e-10)


def test_two_sided_radian_form_is_the_same_spectrum():
    # Trowbridge and Elgar (2001) eqs 6-7 (from memory): 12/55 for two-sided radian spectra; 2.42827e-6.
    found = inertial_spectrum(dissipation=1e-5, advection=0.2, frequency=2.0 * np.pi, two_sided_radian=True)

    assert_allclose(found, 2.42827e-06, rtol=0, atol=0.5e-11)
    assert_allclose(found * 2 * 2 * np.pi, inertial_spectrum(dissipation=1e-5, advection=0.2, frequency=1.0), rtol=1e-9)


# Lumley and Terray (1983), Trowbridge and Elgar (2001) A13 (from memory), integral evaluated independently.
@pytest.mark.parametrize(
    ("ratio", "angle", "value"), [(0.5, 0.0, 0.975105), (1.0, 0.0, 1.04313), (1.0, 90.0, 1.21369), (4.0, 0.0, 2.0637)]
)
def test_waves_raise_the_spectrum_by_the_tabulated_factor(ratio, angle, value):
    assert_allclose(wave_advection_factor(ratio=ratio, angle=angle), value, rtol=0, atol=1e-5)


def test_advection_factor_has_the_known_limits():
    # 1 - r^2/9 along, 1 + r^2/3 across, 0.80238 r^(2/3) for strong waves (derived from the integral).
    r = 0.05

    assert_allclose(wave_advection_factor(ratio=r, angle=0.0), 1 - r**2 / 9, atol=1e-5)
    assert_allclose(wave_advection_factor(ratio=r, angle=90.0), 1 + r**2 / 3, atol=1e-5)
    assert_allclose(wave_advection_factor(ratio=1e3, angle=0.0) / 1e3 ** (2 / 3), 0.80238, atol=1e-5)


def test_production_equals_dissipation_in_the_log_layer():
    # 0.02^3 / (0.41 * 0.5) = 3.90244e-5 W/kg.
    assert_allclose(log_layer_dissipation(friction_velocity=0.02, height=0.5), 3.90244e-05, rtol=0, atol=0.5e-10)


@given(st.floats(0.001, 0.1), st.floats(0.05, 3.0))
@settings(max_examples=50, deadline=None)
def test_friction_velocity_and_dissipation_are_inverse(friction, height):
    eps = log_layer_dissipation(friction_velocity=friction, height=height)

    assert_allclose(friction_velocity_from_dissipation(dissipation=eps, height=height).value, friction, rtol=1e-9)


def test_air_balance_lowers_dissipation_by_a_fifth():
    # Hartogensis and De Bruin (2005), abstract: phi = 0.8 + 2.5 z/L; neutral dissipation is 20 % below
    # production, so u* from local balance is 7 % low.
    local = friction_velocity_from_dissipation(dissipation=1e-6, height=0.5)
    air = friction_velocity_from_dissipation(dissipation=1e-6, height=0.5, balance="hartogensis2005")
    stable = friction_velocity_from_dissipation(dissipation=1e-6, height=0.5, balance="hartogensis2005", stability=0.2)

    assert_allclose(local.value / air.value, 0.8 ** (1 / 3), rtol=1e-9)
    assert_allclose(local.value / stable.value, 1.3 ** (1 / 3), rtol=1e-9)


def test_a_third_of_the_relative_error_reaches_friction_velocity():
    found = friction_velocity_from_dissipation(
        dissipation=1e-5, height=0.5, random_sd=1e-6, systematic_sd=0.9e-6, height_sd=0.01, von_karman_sd=0.01
    )

    assert_allclose(found.random_sd / found.value, 0.1 / 3)
    assert_allclose(found.systematic_sd / found.value, np.sqrt(0.09**2 + 0.02**2 + (1 / 41) ** 2) / 3)


@pytest.mark.parametrize(
    "water", [{}, {"orbital_sd": 0.1}, {"orbital_sd": 0.2, "speed": 0.06}, {"dissipation": 1e-6}, {"noise": 0.001}]
)
def test_planted_dissipation_is_recovered_with_and_without_waves(inertial_burst_maker, water):
    rng = np.random.default_rng(50)
    true = water.get("dissipation", 8e-6)
    found = []
    for _ in range(12):
        u, v, w = inertial_burst_maker(rng, **water)
        peak = 1 / 9.0 if "orbital_sd" in water else None
        result = dissipation(u=u, v=v, w=w, sample_rate=32.0, height=0.3, wave_peak=peak)
        assert result.reasons == ()
        found.append(result.dissipation / true)

    # 5 % is the sampling error of one burst; the form (averaging of pings, sweeping) is asked within 6 %.
    assert_allclose(np.mean(found), 1.0, rtol=0, atol=0.08)


def test_neglecting_the_waves_overstates_dissipation(inertial_burst_maker):
    # With orbital motion 3.3 times the current the factor is 1.8, to the power 1.5.
    u, v, w = inertial_burst_maker(np.random.default_rng(51), orbital_sd=0.2, speed=0.06)

    result = dissipation(u=u, v=v, w=w, sample_rate=32.0, height=0.3, wave_peak=1 / 9.0, advect_by_waves=False)

    assert "not_frozen" in result.reasons
    assert np.isnan(result.dissipation)
    assert result.estimate > 1.8 * 8e-6


def test_noise_floor_is_recovered(inertial_burst_maker):
    u, v, w = inertial_burst_maker(np.random.default_rng(52))

    result = dissipation(u=u, v=v, w=w, sample_rate=32.0, height=0.3)

    assert_allclose(np.sqrt(result.noise_floor * 16.0), 0.0035, rtol=0.1)


def interval_counts(maker, rng, number):
    """Count intervals that hold the truth, the Kolmogorov constant drawn from its stated prior."""
    inside, kept = np.zeros(2, dtype=int), 0
    for _ in range(number):
        constant = 1.5 * (1.0 + 0.06 * rng.normal())
        u, v, w = maker(rng, constant=constant, duration=450.0, sample_rate=16.0)
        result = dissipation(u=u, v=v, w=w, sample_rate=16.0, height=0.3, full=False)
        # One burst in a hundred fails a test by chance; it then states no interval.
        kept += result.reasons == ()
        z = (result.dissipation - 8e-6) / np.hypot(result.random_sd, result.systematic_sd)
        inside += np.abs(z) < np.array([0.99446, 1.95996])
    return inside, kept


def band(level, number):
    """Return the central 99.9 % of the binomial count."""
    return stats.binom.ppf([0.0005, 0.9995], number, level)


@pytest.mark.parametrize("number", [200, pytest.param(2000, marks=pytest.mark.slow)])
def test_stated_intervals_hold_the_true_dissipation(inertial_burst_maker, number):
    (half, most), kept = interval_counts(inertial_burst_maker, np.random.default_rng(53), number)

    assert kept > 0.97 * number

    for found, level in ((half, 0.68), (most, 0.95)):
        low, high = band(level, kept)
        assert low <= found <= high


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"height": -0.1}, "height_impossible"),
        ({"height": 0.0}, "height_impossible"),
        ({"u": np.full(28800, np.nan)}, "too_many_missing"),
        ({"w": np.zeros(28800)}, "constant"),
        ({"sample_rate": 0.5}, "range_too_short"),
        ({"wave_peak": 6.0}, "range_too_short"),
    ],
)
def test_useless_bursts_have_a_reason_and_no_number(inertial_burst_maker, change, reason):
    u, v, w = inertial_burst_maker(np.random.default_rng(54))
    arguments = {"u": u, "v": v, "w": w, "sample_rate": 32.0, "height": 0.3} | change

    result = dissipation(**arguments)

    assert reason in result.reasons
    assert np.isnan([result.dissipation, result.random_sd, result.systematic_sd]).all()


def test_pure_noise_is_refused():
    rng = np.random.default_rng(55)
    u, v, w = rng.normal(size=(3, 28800)) * np.array([[0.012], [0.012], [0.0035]])

    result = dissipation(u=u + 0.1, v=v, w=w, sample_rate=32.0, height=0.3)

    assert "noise_hides_subrange" in result.reasons
    assert np.isnan(result.dissipation)


def test_a_steep_spectrum_is_refused_by_its_slope():
    rng = np.random.default_rng(56)
    f = np.fft.rfftfreq(28800, 1 / 32.0)
    rows = []
    for size in (0.05, 0.05, 0.04):
        x = np.fft.irfft(np.maximum(f, 0.1) ** -1.15 * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size)), 28800)
        rows.append(x / x.std() * size)

    result = dissipation(u=rows[0] + 0.1, v=rows[1], w=rows[2], sample_rate=32.0, height=0.3)

    assert "slope" in result.reasons


def test_shapes_must_fit():
    with pytest.raises(ShapeError):
        dissipation(u=np.zeros(10), v=np.zeros(9), w=np.zeros(10), sample_rate=8.0, height=0.3)
