"""Gradient flux on synthetic masts whose truths are drawn from the stated priors (invented)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reeftally import exchange
from reeftally.errors import OutOfRangeError, ShapeError
from reeftally.exchange import Reason

PRIORS = {
    "friction_velocity_systematic": 0.05,
    "height_sd": 0.01,
    "displacement_sd": 0.01,
    "von_karman_sd": 0.01,
}


def solve(m, **kwargs):
    sensors = len(m.offset)
    chosen = {
        "concentration": m.concentration,
        "height": m.height,
        "time": m.hours * 3600.0,
        "friction_velocity": m.ustar,
        "noise_sd": 0.0075,
        "prior_offset": np.zeros(sensors),
        "prior_covariance": np.eye(sensors) * 0.3**2,
        "displacement": 0.10,
        "friction_velocity_random": 0.15,
        "friction_velocity_floor": 0.003,
        **kwargs,
    }
    return exchange.gradient_flux(**chosen)


def drawn(mast, rng, **kwargs):
    return mast(rng, ustar_systematic=0.05, height_sd=0.01, displacement_sd=0.01, kappa_sd=0.01, **kwargs)


def test_night_mean_of_ten_days_lies_within_a_tenth_when_sensors_were_swapped(mast):
    m = mast(np.random.default_rng(1))
    found = solve(m).mean(where=m.night)

    assert abs(found.value / m.flux[m.night].mean() - 1.0) < 0.10
    assert found.n == m.night.sum()


def test_without_swaps_the_interval_is_at_least_twice_as_wide(mast):
    m = mast(np.random.default_rng(2))
    with_swaps, without = solve(m).mean(where=m.night), solve(m, use_swaps=False).mean(where=m.night)

    ratio = np.hypot(without.random_sd, without.systematic_sd) / np.hypot(
        with_swaps.random_sd, with_swaps.systematic_sd
    )
    assert ratio > 2.0
    assert without.budget["offset"] > without.budget["friction_velocity_random"]


@pytest.mark.slow
def test_intervals_of_500_missions_hold_the_truth_as_often_as_they_say(mast, binomial_band):
    rng = np.random.default_rng(3)
    whole, single = [], []
    for _ in range(500):
        m = drawn(mast, rng)
        found = solve(m, **PRIORS)
        one = m.night & (m.hours // 24 == 4)
        for where, kept in ((m.night, whole), (one, single)):
            mean = found.mean(where=where)
            kept.append((mean.value - m.flux[where].mean()) / np.hypot(mean.random_sd, mean.systematic_sd))

    for kept in (whole, single):
        for level, factor in ((0.68, 0.994458), (0.95, 1.959964)):
            low, high = binomial_band(500, level)
            assert low <= np.sum(np.abs(kept) <= factor) <= high, (level, np.sum(np.abs(kept) <= factor))


def test_budget_adds_up_and_names_what_dominates(mast):
    m = mast(np.random.default_rng(4))
    found = solve(m, **PRIORS, chemistry_sd=0.02)
    block = found.budget
    good = np.isfinite(found.flux)

    total = np.sqrt(sum(part[good] ** 2 for part in block.values()))
    assert_allclose(total, np.hypot(found.random_sd, found.systematic_sd)[good])
    mean = found.mean(where=m.night)
    assert_allclose(
        np.sqrt(sum(part**2 for part in mean.budget.values())), np.hypot(mean.random_sd, mean.systematic_sd)
    )
    assert set(mean.budget) == set(block)


def test_height_sensitivity_is_the_derivative_of_the_flux(mast):
    # Published rule: 1 cm at 0.10 m above the plane is about 4 % over 0.1 to 1 m (1/(ln 10 * 10)).
    m = mast(np.random.default_rng(5), swaps=(), places=(0.20, 1.10))
    found = solve(m, height_sd=[0.01, 0.0], use_swaps=False, prior_covariance=np.zeros((2, 2)))
    good = np.isfinite(found.flux)

    assert_allclose((found.budget["height"] / np.abs(found.flux))[good], 0.1 / np.log(10.0), rtol=1e-9)


def test_three_heights_agree_with_two_and_narrow_the_noise(mast):
    m = mast(np.random.default_rng(6), places=(0.35, 0.55, 1.00), offset_sd=0.0, swaps=())
    cov = np.zeros((3, 3))
    three = solve(m, prior_covariance=cov, use_swaps=False)
    two = exchange.gradient_flux(
        concentration=m.concentration[[0, 2]], height=m.height[[0, 2]], time=m.hours * 3600.0,
        friction_velocity=m.ustar, noise_sd=0.0075, prior_offset=np.zeros(2), prior_covariance=cov[:2, :2],
        displacement=0.10,
    )  # fmt: skip

    good = np.isfinite(three.flux) & np.isfinite(two.flux)
    assert np.all(three.budget["noise"][good] <= two.budget["noise"][good] + 1e-12)
    assert_allclose(np.nanmean(three.flux), np.nanmean(two.flux), rtol=0.02)


def test_a_missing_sensor_leaves_the_flux_of_the_other_two(mast):
    m = mast(np.random.default_rng(7), places=(0.35, 0.55, 1.00), offset_sd=0.0, swaps=())
    m.concentration[1, 100:200] = np.nan
    m.concentration[:2, 300] = np.nan
    found = solve(m, prior_covariance=np.zeros((3, 3)), use_swaps=False)

    assert np.isfinite(found.flux[100:200]).all()
    assert np.isnan(found.flux[300])
    assert found.reason[300] & Reason.EMPTY


def test_one_sensor_with_switched_inlets_has_no_offset_error(mast):
    m = mast(np.random.default_rng(8), offset_sd=0.0, swaps=())
    m.concentration += 4.0
    shared = np.ones((1, 2, m.hours.size))
    found = exchange.gradient_flux(
        concentration=m.concentration, height=m.height, time=m.hours * 3600.0, friction_velocity=m.ustar,
        noise_sd=0.0075, prior_offset=[0.0], prior_covariance=[[9.0]], design=shared, displacement=0.10,
    )  # fmt: skip

    assert_allclose(found.budget["offset"][np.isfinite(found.flux)], 0.0, atol=1e-9)


def test_weak_gradients_are_doubted_but_stay_in_the_mean(mast):
    m = mast(np.random.default_rng(9))
    found = solve(m)
    weak = (found.reason & Reason.WEAK) > 0

    assert weak.any()
    assert np.isfinite(found.flux[weak]).all()


@pytest.mark.parametrize(
    ("change", "bit"),
    [
        ({"friction_velocity": np.full(96, 0.002)}, Reason.LOW_FRICTION),
        ({"friction_velocity": np.full(96, np.nan)}, Reason.BAD_INPUT),
        ({"wake": True}, Reason.WAKE),
        ({"height": [0.05, 1.0]}, Reason.IMPOSSIBLE_HEIGHT),
        ({"height": [0.5, 0.5]}, Reason.IMPOSSIBLE_HEIGHT),
        ({"obukhov_length": 0.3}, Reason.STRATIFIED),
        ({"storage_rate": np.full(96, 500.0)}, Reason.STORAGE),
        ({"storage_rate": np.full(96, np.nan)}, Reason.BAD_INPUT),
        ({"concentration": np.full((2, 96), np.nan)}, Reason.EMPTY),
    ],
)
def test_no_value_where_physics_fails(mast, change, bit):
    m = mast(np.random.default_rng(10), days=1.0, swaps=())
    found = solve(m, **change)

    assert np.isnan(found.flux).all()
    assert (found.reason & bit).all()
    mean = found.mean()
    assert np.isnan(mean.value)
    assert mean.refused == 96


def test_all_planted_bad_blocks_are_left_out_of_the_mean_and_counted(mast):
    m = mast(np.random.default_rng(11))
    bad = np.random.default_rng(0).random(m.hours.size) < 0.1
    m.concentration[0, bad] += 50.0
    found = solve(m, wake=bad)
    mean = found.mean()

    assert np.isnan(found.flux[bad]).all()
    assert mean.refused >= bad.sum()
    assert mean.n + mean.refused == m.hours.size
    assert abs(mean.value - m.flux[np.isfinite(found.flux)].mean()) < 1.0


def test_storage_enters_at_the_logarithmic_mean_height():
    # Flux falling linearly with height, F(z) = F0 - z dC/dt, d = 0: profile integrated in closed form.
    low, high, f0, rate, ustar = 0.2, 1.0, 10.0, 6.0, 0.01
    scale = 0.41 * ustar * 3600.0
    difference = (f0 * np.log(high / low) - rate * (high - low)) / scale
    found = exchange.gradient_flux(
        concentration=[[difference], [0.0]], height=[low, high], time=[0.0], friction_velocity=[ustar],
        noise_sd=0.01, prior_offset=[0, 0], prior_covariance=np.zeros((2, 2)), storage_rate=[rate],
    )  # fmt: skip

    assert_allclose(found.flux, f0, rtol=1e-12)


def test_arguments_that_do_not_fit_raise():
    with pytest.raises(ShapeError, match="two sensors"):
        exchange.gradient_flux(
            concentration=[[1.0]], height=[0.2], time=[0.0], friction_velocity=[0.01], noise_sd=0.1,
            prior_offset=[0.0], prior_covariance=[[1.0]],
        )  # fmt: skip
    with pytest.raises(OutOfRangeError, match="von_karman"):
        exchange.gradient_flux(
            concentration=[[1.0], [0.0]], height=[0.2, 1.0], time=[0.0], friction_velocity=[0.01], noise_sd=0.1,
            prior_offset=[0.0, 0.0], prior_covariance=np.eye(2), von_karman=4.1,
        )  # fmt: skip
    with pytest.raises(ShapeError, match="prior_covariance"):
        exchange.gradient_flux(
            concentration=[[1.0], [0.0]], height=[0.2, 1.0], time=[0.0], friction_velocity=[0.01], noise_sd=0.1,
            prior_offset=[0.0], prior_covariance=np.eye(2),
        )  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("swaps", [(2.5, 5.5, 8.5), ()])
def test_the_gain_of_the_sensors_is_in_the_interval(mast, binomial_band, swaps):
    rng = np.random.default_rng(12)
    gain_sd, z, narrow = 0.01, [], []
    for _ in range(200):
        m = mast(rng, swaps=swaps, days=4.0 if not swaps else 10.0, offset_sd=0.02 if not swaps else 0.3)
        slope = gain_sd * rng.standard_normal(2)
        level = 180.0
        m.concentration += slope[:, None] * (m.concentration - level)
        prior = {"prior_covariance": np.eye(2) * (0.02 if not swaps else 0.3) ** 2}
        night = m.night & (m.hours // 24 == 2)
        for kept, more in ((z, {"gain_sd": gain_sd, "gain_level": level}), (narrow, {})):
            mean = solve(m, **prior, **more).mean(where=night)
            kept.append((mean.value - m.flux[night].mean()) / np.hypot(mean.random_sd, mean.systematic_sd))

    low, _ = binomial_band(200, 0.95)
    assert np.sum(np.abs(z) <= 1.959964) >= low
    assert np.std(z) < np.std(narrow)


def test_one_cause_of_profile_and_friction_adds_up_before_it_is_squared(mast):
    m = mast(np.random.default_rng(4))
    apart = solve(m, **PRIORS).mean(where=m.night)
    joined = solve(
        m, **{**PRIORS, "friction_velocity_systematic": 0.04}, friction_velocity_by_displacement=0.03,
        friction_velocity_by_von_karman=0.01,
    ).mean(where=m.night)  # fmt: skip
    # Storage is no part of what the friction velocity scales.
    level = apart.budget["friction_velocity"] / 0.05

    assert joined.budget["displacement"] == pytest.approx(apart.budget["displacement"] + 0.03 * level, rel=1e-9)
    assert joined.budget["von_karman"] == pytest.approx(apart.budget["von_karman"] + 0.01 * level, rel=1e-9)
    assert joined.budget["friction_velocity"] == pytest.approx(0.04 * level, rel=1e-9)
