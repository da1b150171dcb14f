"""Budgets of the whole water on boxes integrated with known fluxes (invented)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reeftally import exchange
from reeftally.errors import ShapeError
from reeftally.exchange import Reason

DEPTH, RESIDENCE = 6.4, 34.0


def box(
    flux, *, step=60.0, block=900.0, reference=202.0, start=185.0, depth=DEPTH, residence=RESIDENCE, transfer=0.075
):
    """Return block means of time, concentration and gas flux of a box driven by `flux(t)` [mmol m-2 h-1]."""
    t = np.arange(0.0, 10.0 * 86400.0, step)
    c = np.empty(t.size)
    c[0] = start
    for k in range(1, t.size):
        hour = step / 3600.0
        gas = transfer * (200.0 - c[k - 1])
        c[k] = c[k - 1] + hour * ((flux(t[k - 1]) + gas) / depth + (reference - c[k - 1]) / residence)
    many = int(block / step)
    blocks = t.size // many
    when = t[: blocks * many].reshape(blocks, many).mean(axis=1)
    level = c[: blocks * many].reshape(blocks, many).mean(axis=1)
    return when, level, transfer * (200.0 - level)


def diel(t):
    light = max(0.0, np.sin(2.0 * np.pi * (t / 86400.0 - 0.25)))
    return 23.0 * np.tanh(870.0 * light / 330.0) - 13.2


@pytest.fixture(scope="module")
def reef():
    when, level, gas = box(diel)
    hours = (when / 3600.0) % 24.0
    night = (hours < 6.0) | (hours >= 18.0)
    label = np.where(night, ((when / 86400.0) + 0.5).astype(int), -1)
    truth = np.array([np.mean([diel(t) for t in when[label == k]]) for k in np.unique(label[label >= 0])])
    return when, level, gas, label, truth


def test_night_fluxes_are_found_within_two_per_cent_without_noise(reef):
    when, level, gas, label, truth = reef
    found = exchange.open_water_balance(
        time=when, concentration=level, reference=202.0, depth=DEPTH, residence_time=RESIDENCE, gas_flux=gas,
        period=label,
    )  # fmt: skip

    assert_allclose(found.value, truth, rtol=0.02)
    assert_allclose(sum(found.parts.values()), found.value)


def test_the_change_is_that_between_the_ends_also_where_the_flux_is_not_that_of_the_middle(reef):
    # Whole days from noon: the flux at the ends is the largest of the day, that of the middle the smallest.
    when, level, gas, _, _ = reef
    day = np.floor(when / 86400.0 - 0.5).astype(int)
    day[(day < 1) | (day > 7)] = -1
    found = exchange.open_water_balance(
        time=when, concentration=level, reference=202.0, depth=DEPTH, residence_time=RESIDENCE, gas_flux=gas,
        period=day,
    )  # fmt: skip
    alone = [
        exchange.open_water_balance(
            time=when[day == k], concentration=level[day == k], reference=202.0, depth=DEPTH,
            residence_time=RESIDENCE, gas_flux=gas[day == k],
        ).value[0]
        for k in (3, 5)
    ]  # fmt: skip
    truth = np.mean([diel(t) for t in np.arange(0.0, 86400.0, 60.0)])

    assert_allclose(found.value, truth, atol=0.03)
    assert_allclose(found.hours, 24.0)
    # Nothing known beyond the ends: the straight line goes on to them.
    assert_allclose(alone, truth, atol=0.1)


@pytest.mark.slow
def test_night_flux_lies_within_a_fifth_and_intervals_hold_the_truth(reef, binomial_band):
    # Residence known to 15 %, the acceptance value for the box; reference, depth and sensor drawn too.
    when, level, _gas, label, truth = reef
    rng = np.random.default_rng(1)
    keep = np.exp(-900.0 / 1200.0)
    z, mean_error = [], []
    for _ in range(300):
        patch = np.empty(when.size)
        patch[0] = rng.standard_normal()
        for k in range(1, when.size):
            patch[k] = keep * patch[k - 1] + np.sqrt(1.0 - keep**2) * rng.standard_normal()
        offset = rng.normal(0.0, 0.3)
        seen = level + 1.0 * patch + offset
        found = exchange.open_water_balance(
            time=when, concentration=seen, reference=202.0 + rng.normal(0.0, 0.5),
            depth=DEPTH + rng.normal(0.0, 0.1), residence_time=RESIDENCE + rng.normal(0.0, 5.0),
            gas_flux=0.075 * (1.0 + 0.2 * rng.standard_normal()) * (200.0 - seen), period=label,
            concentration_sd=1.0, correlation_time=1200.0, depth_sd=0.1, residence_time_sd=5.0, reference_sd=0.5,
            offset_sd=0.3, gas_relative_sd=0.2, gas_per_concentration=-0.075,
        )  # fmt: skip
        mean_error.append(np.mean(found.value) / np.mean(truth) - 1.0)
        night = int(rng.integers(1, truth.size - 1))
        z.append((found.value[night] - truth[night]) / np.hypot(found.random_sd[night], found.systematic_sd[night]))

    assert np.mean(np.abs(mean_error) < 0.2) > 0.99
    for level_, factor in ((0.68, 0.994458), (0.95, 1.959964)):
        low, high = binomial_band(300, level_)
        assert low <= np.sum(np.abs(z) <= factor) <= high, (level_, np.sum(np.abs(z) <= factor))


def test_periods_without_readings_are_refused(reef):
    when, level, gas, label, _ = reef
    spoilt = level.copy()
    spoilt[label == 3] = np.nan
    half = np.flatnonzero(label == 5)
    spoilt[half[: half.size // 2]] = np.nan
    found = exchange.open_water_balance(
        time=when, concentration=spoilt, reference=202.0, depth=DEPTH, residence_time=RESIDENCE, gas_flux=gas,
        period=label,
    )  # fmt: skip

    assert found.reason[3] & Reason.EMPTY
    assert found.reason[5] & Reason.BAD_INPUT
    assert np.isnan(found.value[[3, 5]]).all()
    assert np.isfinite(found.value[[2, 4]]).all()


def test_a_residence_time_of_zero_gives_no_number(reef):
    when, level, gas, label, _ = reef
    found = exchange.open_water_balance(
        time=when, concentration=level, reference=202.0, depth=DEPTH, residence_time=0.0, gas_flux=gas, period=label
    )

    assert np.isnan(found.value).all()


def bottles(rng, *, flux_day=-17.6, n=64, m=16, sd=1.8):
    """Alkalinity of a steady box with a diel wave; 1 umol kg-1 taken as 1.0223 mmol m-3."""
    truth = flux_day / 24.0
    level = 2363.6 + truth * RESIDENCE / DEPTH
    time = np.sort(rng.uniform(0.0, 10.0 * 86400.0, n))
    wave = 2.0 * np.sin(2.0 * np.pi * time / 86400.0)
    return {
        "time": time,
        "alkalinity": level + wave + rng.normal(0.0, sd, n) + rng.normal(0.0, 0.5, n),
        "alkalinity_sd": np.full(n, sd),
        "reference_time": np.linspace(0.0, 10.0 * 86400.0, m),
        "reference_alkalinity": 2363.6 + rng.normal(0.0, sd, m),
        "reference_alkalinity_sd": np.full(m, sd),
    }, truth


@pytest.mark.slow
def test_alkalinity_budget_holds_its_intervals_with_a_half_width_below_6_a_day(binomial_band):
    rng = np.random.default_rng(2)
    z, half = [], []
    for _ in range(500):
        data, truth = bottles(rng)
        found = exchange.alkalinity_budget(
            **data, depth=DEPTH, residence_time=RESIDENCE + rng.normal(0.0, 5.0), patch_sd=0.5, residence_time_sd=5.0,
            start=0.0, end=10.0 * 86400.0,
        )  # fmt: skip
        sd = np.hypot(found.random_sd, found.systematic_sd)
        z.append(float((found.value - truth) / sd))
        half.append(1.96 * 0.5 * 24.0 * sd)

    assert np.median(half) <= 6.0  # mmol m-2 d-1 of NCC, which is half the alkalinity flux
    for level, factor in ((0.68, 0.994458), (0.95, 1.959964)):
        low, high = binomial_band(500, level)
        assert low <= np.sum(np.abs(z) <= factor) <= high, (level, np.sum(np.abs(z) <= factor))


def test_few_bottles_of_one_day_do_not_take_the_night_for_a_trend():
    # Nine bottles from late morning to noon of the next day: alkalinity rises in the dark and falls by light.
    hours = np.linspace(11.6, 36.1, 9)
    wave = 2.5 * np.sin(2 * np.pi * (hours - 18.0) / 24.0 + np.pi / 2)
    z = []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        found = exchange.alkalinity_budget(
            time=hours * 3600.0, alkalinity=2360.0 - 4.0 + wave + rng.normal(0, 1.8, 9), alkalinity_sd=np.full(9, 1.8),
            reference_time=np.array([60000.0, 100000.0]), reference_alkalinity=2360.0 + rng.normal(0, 1.8, 2),
            reference_alkalinity_sd=np.full(2, 1.8), depth=DEPTH, residence_time=RESIDENCE, start=12 * 3600.0,
            end=36 * 3600.0,
        )  # fmt: skip
        # Over a whole day the wave returns: what is left is the exchange, -4 depth / residence.
        z.append((float(found.value) + 4.0 * DEPTH / RESIDENCE) / np.hypot(found.random_sd, found.systematic_sd))
    assert abs(np.mean(z)) < 0.4
    assert 180 <= np.sum(np.abs(z) < 1.96) <= 200


def test_too_few_bottles_are_refused():
    data, _ = bottles(np.random.default_rng(3), n=4)
    found = exchange.alkalinity_budget(**data, depth=DEPTH, residence_time=RESIDENCE)

    assert np.isnan(found.value)
    assert found.reason & Reason.EMPTY


def test_rain_is_taken_out_of_the_alkalinity_budget():
    data, _ = bottles(np.random.default_rng(4))
    salinity = np.full(64, 35.1) - np.where(data["time"] > 5 * 86400.0, 0.15, 0.0)
    rainy = {**data, "alkalinity": data["alkalinity"] + 67.0 * (salinity - 35.1)}
    dry = exchange.alkalinity_budget(**data, depth=DEPTH, residence_time=RESIDENCE)
    found = exchange.alkalinity_budget(
        **rainy, depth=DEPTH, residence_time=RESIDENCE, salinity=salinity, reference_salinity=np.full(16, 35.1),
        alkalinity_per_salinity=67.0,
    )  # fmt: skip

    assert_allclose(found.value, dry.value, rtol=1e-9)


def test_control_volume_follows_the_water_through_a_turning_tide():
    # Water of changing content is advected; the bed adds 8 mmol m-2 h-1 on the way, whichever way.
    time = np.arange(0.0, 86400.0, 300.0)
    speed = np.where(time < 43200.0, 0.1, -0.1)
    gain = 8.0 / 3600.0 * (500.0 / 0.1) / 1.5
    left = 200.0 + 2.0 * np.sin(2.0 * np.pi * time / 86400.0)
    upstream, downstream = left.copy(), left.copy()
    transit = 500.0 / 0.1
    downstream[speed > 0] = np.interp(time - transit, time, left)[speed > 0] + gain
    upstream[speed < 0] = np.interp(time - transit, time, downstream)[speed < 0] + gain
    found = exchange.control_volume(
        time=time, upstream=upstream, downstream=downstream, speed=speed, distance=500.0, depth=1.5, width=20.0
    )
    inside = (time > transit) & ((speed > 0) | (time > 43200.0 + transit))

    assert_allclose(found.value[inside], 8.0, rtol=0.02)
    assert np.all(found.area[inside] == 10000.0)
    assert np.isnan(found.value[time < transit]).all()


@pytest.mark.parametrize(
    ("change", "bit"),
    [({"speed": 0.005}, Reason.SLACK), ({"angle": 60.0}, Reason.WAKE), ({"depth": 0.0}, Reason.BAD_INPUT)],
)
def test_control_volume_refuses_slack_oblique_and_dry(change, bit):
    time = np.arange(0.0, 86400.0, 900.0)
    chosen = {"speed": 0.1, "depth": 1.5, **change}
    found = exchange.control_volume(
        time=time, upstream=np.full(96, 200.0), downstream=np.full(96, 201.0), distance=100.0, **chosen
    )

    assert np.isnan(found.value).all()
    assert (found.reason & bit).all()


@pytest.mark.slow
def test_slack_water_slopes_hold_the_truth_at_least_as_often_as_they_say(binomial_band):
    rng = np.random.default_rng(5)
    time = np.arange(0.0, 7200.0, 60.0)
    z = []
    for _ in range(2000):
        c = 200.0 - 12.0 / 1.2 * time / 3600.0 + rng.normal(0.0, 0.3, time.size)
        found = exchange.slack_water(time=time, concentration=c, depth=1.2)
        z.append(float((found.value + 12.0) / found.random_sd))

    low, _ = binomial_band(2000, 0.95)
    # Correlation of the residuals is only allowed to widen the error, so white noise gives a little more.
    assert np.sum(np.abs(z) <= 1.959964) >= low
    assert np.std(z) > 0.85


def test_slack_water_without_readings_is_refused():
    found = exchange.slack_water(time=[0.0, 60.0], concentration=[np.nan, 1.0], depth=1.0)

    assert np.isnan(found.value)
    assert found.reason & Reason.EMPTY


def test_concentration_rate_is_a_local_slope_with_gaps_left_open():
    time = np.arange(96) * 900.0
    c = 190.0 + 4.0 * time / 3600.0
    c[40:60] = np.nan
    found = exchange.concentration_rate(time=time, concentration=c)

    assert_allclose(found[np.isfinite(found)], 4.0, rtol=1e-9)
    assert np.isnan(found[45:55]).all()
    with pytest.raises(ShapeError):
        exchange.concentration_rate(time=time, concentration=c[:-1])


def test_the_error_of_the_rate_is_that_of_a_fitted_line():
    rng = np.random.default_rng(4)
    time = 900.0 * np.arange(4000)
    c = 200.0 + 0.5 * time / 3600.0 + 0.8 * rng.standard_normal(4000)
    given = {"time": time, "concentration": c, "window": 5400.0}
    sd = exchange.concentration_rate_sd(**given)
    error = exchange.concentration_rate(**given) - 0.5

    # Seven readings a quarter of an hour apart: sum of squared times 1.75 h2.
    assert_allclose(sd[10:-10], 0.8 / np.sqrt(1.75), rtol=0.05)
    assert np.mean(np.abs(error[10:-10]) < 1.96 * sd[10:-10]) == pytest.approx(0.95, abs=0.02)
    assert np.isnan(exchange.concentration_rate_sd(time=time[:3], concentration=c[:3])).all()
