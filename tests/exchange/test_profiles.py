"""Plain forms of the gradient flux."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reeftally import exchange
from reeftally.errors import InputError, ShapeError


def test_trials_are_an_axis_and_systematic_terms_one_number_a_trial():
    rng = np.random.default_rng(1)
    found = exchange.gradient_flux_trials(
        differences=rng.normal(1.0, 0.1, (1000, 40)), friction_velocity=rng.normal(0.012, 0.001, (1000, 40)),
        lower_height=rng.normal(0.2, 0.005, (1000, 1)), upper_height=1.0,
        von_karman=rng.normal(0.41, 0.01, (1000, 1)),
    )  # fmt: skip

    assert found.shape == (1000, 40)
    assert_allclose(found.mean(), 11.0051, rtol=0.01)  # see data/published.json s4_01


def test_impossible_heights_and_still_water_give_nan():
    found = exchange.gradient_flux_trials(
        differences=1.0, friction_velocity=[0.01, 0.0, 0.01, 0.01], lower_height=[0.2, 0.2, 0.05, 1.0],
        upper_height=1.0, displacement=0.1,
    )  # fmt: skip

    assert np.isfinite(found[0])
    assert np.isnan(found[1:]).all()


@given(
    flux=st.floats(-100.0, 100.0), ustar=st.floats(0.003, 0.03), low=st.floats(0.15, 0.5), step=st.floats(0.1, 2.0),
    rate=st.floats(-10.0, 10.0),
)  # fmt: skip
def test_a_profile_made_from_a_flux_gives_it_back(flux, ustar, low, step, rate):
    d = 0.1
    high = low + step
    log = np.log((high - d) / (low - d))
    storage = rate * ((high - low) / log + d)
    difference = (flux - storage) * log / (0.41 * ustar * 3600.0)
    found = exchange.gradient_flux_trials(
        differences=difference, friction_velocity=ustar, lower_height=low, upper_height=high, displacement=d,
        storage_rate=rate,
    )  # fmt: skip

    assert_allclose(found, flux, rtol=1e-9, atol=1e-9)


def test_stable_water_needs_a_larger_gradient_for_the_same_flux():
    # phi = 1 + beta z/L with beta 5: Dyer (1974), from memory.
    neutral, stable, unstable = (
        exchange.gradient_flux_trials(
            differences=1.0, friction_velocity=0.01, lower_height=0.2, upper_height=1.0, obukhov_length=length
        )
        for length in (np.inf, 10.0, -10.0)
    )

    assert stable < neutral < unstable
    assert_allclose(neutral / stable, 1.0 + 5.0 * 0.08 / np.log(5.0))


def test_ratio_is_known_where_the_flux_is_not():
    rng = np.random.default_rng(2)
    oxygen = rng.normal(0.0, 1.0, 300)
    found = exchange.flux_ratio(
        numerator=-0.952 * oxygen + rng.normal(0.0, 0.1, 300), denominator=oxygen + rng.normal(0.0, 0.1, 300),
        numerator_sd=0.1, denominator_sd=0.1,
    )  # fmt: skip

    assert abs(found["ratio"] + 0.952) < 3.0 * found["random_sd"]
    assert found["random_sd"] < 0.02


@pytest.mark.slow
def test_intervals_of_2000_ratios_hold_the_truth_as_often_as_they_say(binomial_band):
    rng = np.random.default_rng(3)
    z = []
    for _ in range(2000):
        x = rng.normal(1.0, 1.0, 40)
        found = exchange.flux_ratio(
            numerator=0.9 * x + rng.normal(0.0, 0.2, 40), denominator=x + rng.normal(0.0, 0.3, 40),
            numerator_sd=0.2, denominator_sd=0.3,
        )  # fmt: skip
        z.append((found["ratio"] - 0.9) / found["random_sd"])

    for level, factor in ((0.68, 0.994458), (0.95, 1.959964)):
        low, high = binomial_band(2000, level)
        assert low <= np.sum(np.abs(z) <= factor) <= high, level


def test_ratio_without_readings_is_nan():
    found = exchange.flux_ratio(numerator=[np.nan, 1.0], denominator=[1.0, 0.0], numerator_sd=0.1, denominator_sd=0.1)

    assert np.isnan(found["ratio"])


def test_a_profile_needs_three_levels_above_the_plane():
    with pytest.raises(ShapeError, match="at least 3"):
        exchange.profile_flux(concentration=[1.0, 2.0], height=[0.1, 0.2], friction_velocity=0.01)
    with pytest.raises(InputError, match="displacement"):
        exchange.profile_flux(
            concentration=[1.0, 2.0, 3.0], height=[0.1, 0.2, 0.4], friction_velocity=0.01, displacement=0.15
        )
