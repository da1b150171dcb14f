"""Sums and quotients (invented series)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reeftally import exchange
from reeftally.errors import OutOfRangeError


@pytest.fixture(scope="module")
def series():
    rng = np.random.default_rng(1)
    hours = np.arange(960) * 0.25
    cloud = rng.uniform(0.5, 1.0, 240)[hours.astype(int)]
    light = np.maximum(0.0, np.sin(2.0 * np.pi * (hours - 6.0) / 24.0)) * 870.0 * cloud
    night = light <= 0.0
    truth = 23.0 * np.tanh(light / 330.0) - 13.2
    day = (hours // 24).astype(int)
    return light, night, truth, day, truth + rng.normal(0.0, 3.0, hours.size)


def test_24_h_sum_lies_within_a_tenth_with_a_third_of_the_hours_filled(series):
    light, night, truth, _day, flux = series
    measured = flux.copy()
    measured[np.random.default_rng(2).random(960) < 0.35] = np.nan
    fit = exchange.light_response(light=light, flux=measured)
    found = exchange.period_sums(
        flux=measured, random_sd=np.full(960, 3.0), period=np.zeros(960, dtype=int), block_s=900.0, night=night,
        light=light, response=fit,
    )  # fmt: skip

    assert abs(found.mean[0] * 24.0 / (truth.mean() * 24.0) - 1.0) < 0.1
    assert_allclose(found.measured_hours + found.filled_hours, 240.0)
    assert 70.0 < found.filled_hours[0] < 98.0
    assert_allclose(found.total, found.mean * 240.0)
    assert abs(found.mean[0] - truth.mean()) < 4.0 * found.random_sd[0]


def test_a_sum_from_daylight_alone_is_refused(series):
    _, night, _, day, flux = series
    found = exchange.period_sums(
        flux=np.where(night, np.nan, flux), random_sd=np.full(960, 3.0), period=day, block_s=900.0, night=night,
        largest_missing=0.9,
    )  # fmt: skip

    assert np.isnan(found.mean).all()
    assert all("night" in reason for reason in found.reason)


def test_gaps_in_one_half_of_the_day_do_not_tilt_the_sum(series):
    _, night, truth, _, _ = series
    holed = truth.copy()
    holed[np.flatnonzero(night)[::2]] = np.nan
    found = exchange.period_sums(
        flux=holed, random_sd=np.full(960, 1.0), period=np.zeros(960, dtype=int), block_s=900.0, night=night,
        largest_missing=0.5,
    )  # fmt: skip

    assert_allclose(found.mean[0], truth.mean(), rtol=1e-9)
    assert found.missing_hours[0] > 50.0


def test_periods_with_too_many_gaps_or_nothing_are_refused(series):
    _, _, _, day, flux = series
    holed = flux.copy()
    holed[day == 2] = np.nan
    holed[np.flatnonzero(day == 4)[:60]] = np.nan
    found = exchange.period_sums(flux=holed, random_sd=np.full(960, 3.0), period=day, block_s=900.0)

    assert "no measured" in found.reason[2]
    assert "missing" in found.reason[4]
    assert np.isnan(found.mean[[2, 4]]).all()
    assert np.isfinite(found.mean[[0, 1, 3]]).all()
    with pytest.raises(OutOfRangeError, match="block_s"):
        exchange.period_sums(flux=flux, random_sd=flux, period=day, block_s=0.0)


def test_night_and_day_weighted_by_hours_give_the_24_h(series):
    _, night, _, _, flux = series
    common = {"random_sd": np.full(960, 3.0), "block_s": 900.0}
    parts = exchange.period_sums(flux=flux, period=np.where(night, 0, 1), **common)
    whole = exchange.period_sums(flux=flux, period=np.zeros(960, dtype=int), night=night, **common)

    assert_allclose(parts.total.sum(), whole.total[0])


def test_metabolism_signs_and_stoichiometry():
    # Worked by hand: DIC +12 and TA -2 off the bed: organic release 12 + 1 = 13, calcification 1.
    found = exchange.community_metabolism(
        oxygen_flux=[-13.0, 9.0], oxygen_random_sd=[1.0, 1.0], night=[True, False], dic_flux=12.0,
        dic_random_sd=1.0, alkalinity_flux=-2.0, alkalinity_random_sd=0.5,
    )  # fmt: skip

    assert_allclose(found.net_community_production[0], -13.0)
    assert_allclose(found.net_community_calcification[0], 1.0)
    assert_allclose(found.community_respiration[0], 13.0)
    assert_allclose(found.gross_primary_production[0], 22.0)
    assert_allclose(found.gross_primary_production[1], np.sqrt(2.0))


def test_without_carbon_the_quotient_is_used_and_said():
    found = exchange.community_metabolism(
        oxygen_flux=[-10.5, -10.5], oxygen_random_sd=[1.0, 1.0], night=[True, True], pq=1.05, pq_sd=0.05
    )

    assert_allclose(found.net_community_production[0], -10.0)
    assert_allclose(found.net_community_production[2], 10.0 * 0.05 / 1.05)
    assert "PQ of 1.05" in found.note
    assert np.isnan(found.net_community_calcification[0])
    assert np.isnan(found.gross_primary_production[0])


def test_quotients_are_distributions_and_unbounded_when_not_resolved():
    rng = np.random.default_rng(3)
    carbon = rng.normal(10.0, 1.0, 4000)
    known = exchange.quotient(oxygen=1.05 * carbon * rng.normal(1.0, 0.02, 4000), carbon=carbon)
    rq = exchange.quotient(oxygen=1.05 * carbon, carbon=carbon, kind="rq")
    lost = exchange.quotient(oxygen=rng.normal(1.0, 1.0, 4000), carbon=rng.normal(0.5, 1.0, 4000))

    assert known["lower"] < 1.05 < known["upper"]
    assert known["resolved"] == 1.0
    assert_allclose(rq["median"], 1.0 / 1.05)
    assert lost["resolved"] == 0.0
    assert np.isinf(lost["upper"])
    assert np.isnan(exchange.quotient(oxygen=[1.0], carbon=[1.0])["median"])
