"""Covariance flux on bursts of known flux (spectra of Kaimal et al. 1972; all numbers invented)."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from reeftally import exchange
from reeftally.errors import InputError, OutOfRangeError, ShapeError
from reeftally.exchange import Reason

REEF = {"sample_rate": 8.0, "height": 0.4, "displacement": 0.1}


def run(b, **kwargs):
    chosen = {"separation_along": b.separation, "speed": b.speed, "response_time": 0.45, **REEF, **kwargs}
    return exchange.eddy_covariance(w=b.w, concentration=b.c, **chosen)


@pytest.fixture(scope="module")
def tide(bursts):
    sign = np.where(np.arange(100) % 2 == 0, 1.0, -1.0)
    return bursts(
        np.random.default_rng(11), blocks=100, separation=0.03 * sign,
        speed=np.random.default_rng(12).uniform(0.04, 0.13, 100),
    )  # fmt: skip


def test_mean_flux_is_found_though_the_travel_time_changes_sign(tide):
    found = run(tide)

    error = np.mean(found.turbulent_flux) / tide.flux - 1.0
    assert abs(error) < 0.05  # three standard errors of 100 blocks at a relative error of 16 %
    assert_allclose(found.lag, tide.separation / tide.speed)


def test_raw_covariance_at_lag_zero_loses_flux_that_response_and_lag_restore(tide):
    found = run(tide)
    bare = run(tide, response="none")

    assert abs(found.uncorrected_flux.mean()) < abs(found.turbulent_flux.mean())
    assert 1.005 < np.median(found.response_factor) < 1.12
    assert abs(bare.turbulent_flux.mean()) < abs(found.turbulent_flux.mean())


def test_the_three_response_corrections_agree_within_a_twentieth(tide):
    means = [run(tide, response=kind).turbulent_flux.mean() for kind in ("restore", "gain", "bulk")]

    assert_allclose(means, means[0], rtol=0.05)


def test_one_block_and_many_give_the_same(tide):
    many = run(tide)
    one = exchange.eddy_covariance(
        w=tide.w[7], concentration=tide.c[7], separation_along=tide.separation[7], speed=tide.speed[7],
        response_time=0.45, **REEF,
    )  # fmt: skip

    assert one.flux.shape == ()
    assert one.flux == many.flux[7]  # bit for bit: a block must not depend on its batch
    assert one.random_sd == many.random_sd[7]
    assert one.stationarity == many.stationarity[7]


@pytest.mark.slow
def test_intervals_of_2000_bursts_hold_the_truth_as_often_as_they_say(bursts, binomial_band):
    rng = np.random.default_rng(5)
    error, sd = [], []
    for _ in range(20):
        b = bursts(rng, blocks=100)
        found = run(b)
        error.append(found.turbulent_flux - b.flux)
        sd.append(np.hypot(found.random_sd, found.systematic_sd))
    error, sd = np.concatenate(error), np.concatenate(sd)

    for level, factor in ((0.68, 0.994458), (0.95, 1.959964)):
        low, high = binomial_band(2000, level)
        assert low <= np.sum(np.abs(error) <= factor * sd) <= high, level
    assert abs(error.mean()) < 0.02 * 12.0


def test_ogive_reaches_the_flux_and_cospectrum_integrates_to_it(tide):
    found = run(tide)

    assert found.ogive.shape == found.cospectrum.shape == (100, found.frequency.size)
    # The cospectrum is circular, the flux is not: block by block they differ by end effects only.
    assert_allclose(found.ogive[:, 0].mean(), found.turbulent_flux.mean(), rtol=0.02)
    assert np.all(np.diff(found.frequency) > 0.0)


def test_pieces_on_a_pool_give_the_same_bits(tide):
    kind = {"sample_rate": 8.0, "separation_along": tide.separation, "speed": tide.speed, "response_time": 0.45}
    with ThreadPoolExecutor(3) as pool:
        assert_array_equal(run(tide, each=pool.map).flux, run(tide).flux)
        spread = exchange.pooled_lag(w=tide.w, concentration=tide.c, each=pool.map, **kind)
    alone = exchange.pooled_lag(w=tide.w, concentration=tide.c, **kind)

    assert (spread.lag, spread.excess_sd) == (alone.lag, alone.excess_sd)


def test_storage_is_added_and_missing_storage_is_said(tide):
    bare = run(tide)
    stored = run(tide, storage_rate=5.0)

    assert np.all(bare.reason & Reason.NO_STORAGE)
    assert not np.any(stored.reason & Reason.NO_STORAGE)
    assert_allclose(stored.flux - bare.turbulent_flux, 0.4 * 5.0)  # h dC/dt, see data/published.json s3_11


def test_search_stays_in_its_window_and_flags_the_edge(tide):
    found = run(tide, lag="search", lag_window=(1.5, 2.5))

    assert np.all((found.lag_found >= 1.5 - 0.07) & (found.lag_found <= 2.5 + 0.07))
    assert np.any(found.reason & Reason.LAG_AT_EDGE)


def test_white_noise_has_no_flux_and_lies_below_its_detection_limit():
    rng = np.random.default_rng(2)
    w, c = 0.01 * rng.standard_normal((200, 7200)), 200.0 + 0.5 * rng.standard_normal((200, 7200))
    found = exchange.eddy_covariance(w=w, concentration=c, separation_along=0.0, speed=0.1, response_time=0.0, **REEF)

    assert abs(found.flux.mean()) < 4.0 * found.random_sd.mean() / np.sqrt(200)
    assert np.mean(np.abs(found.flux) < found.detection_limit) > 0.9


def test_waves_raise_the_wave_share_and_a_wrong_lag_is_flagged(bursts):
    b = bursts(
        np.random.default_rng(3), blocks=40, wave_w=0.02, wave_period=2.0, wave_displacement_gradient=-150.0,
        speed=0.04,
    )  # fmt: skip
    found = run(b, wave_band=(0.35, 0.65))
    late = run(b, wave_band=(0.35, 0.65), lag_excess=0.25)

    assert np.median(np.abs(found.wave_share)) < 0.1
    assert np.median(np.abs(late.wave_share)) > 0.5
    assert np.mean((found.reason & Reason.LAG_SENSITIVE) > 0) > 0.9
    # At the right lag orbital motion carries little, a quarter second off it carries half of the flux
    # (Berg et al. 2015 report a factor of two in their example), and the curve over lags shows it.
    swing = found.flux_of_lag.max(axis=1) - found.flux_of_lag.min(axis=1)
    assert np.median(swing) > 20.0


def test_fluxes_near_zero_are_not_refused_as_unsteady(bursts):
    b = bursts(np.random.default_rng(8), blocks=60, flux=-0.02, c_noise=0.3)
    found = run(b)

    assert np.mean((found.reason & Reason.UNSTEADY) > 0) < 0.1
    assert np.any(found.stationarity > 0.3)


def test_a_front_that_passes_makes_the_block_unsteady(bursts):
    b = bursts(np.random.default_rng(9), blocks=10)
    n = b.w.shape[1]
    b.c[:, n // 2 :] += 30.0
    b.w[:, n // 2 :] -= 0.02
    found = run(b, detrend="block")

    assert np.all(found.reason & (Reason.UNSTEADY | Reason.PARTLY_UNSTEADY))


@pytest.mark.parametrize("at", [0.2, 0.5, 0.8])
def test_a_step_of_level_refuses_the_block(bursts, at):
    # In the middle of the middle part of three, the parts alone do not see it.
    b = bursts(np.random.default_rng(10), blocks=20)
    first = int(at * b.w.shape[1])
    both = run(b)
    assert not np.any(both.reason & Reason.UNSTEADY)
    spread_w, spread_c = b.w.std(axis=1, keepdims=True), b.c.std(axis=1, keepdims=True)
    b.c[:10, first:] += 12.0 * spread_c[:10]
    b.w[10:, first:] -= 8.0 * spread_w[10:]
    b.c[10:, first:] += 8.0 * spread_c[10:]
    both = run(b)

    assert np.all(both.reason & Reason.UNSTEADY)
    assert np.all(np.isnan(both.flux))


def test_turbulence_has_no_sudden_steps(bursts):
    b = bursts(np.random.default_rng(11), blocks=200, speed=0.04)
    b.c[:, 100:900] = np.nan
    b.c[0] = np.nan
    found = run(b)

    assert not np.any(found.reason & Reason.UNSTEADY)


def test_no_blocks_give_empty_arrays():
    found = exchange.eddy_covariance(
        w=np.empty((0, 64)), concentration=np.empty((0, 64)), separation_along=0.0, speed=0.1, **REEF
    )

    assert found.flux.shape == (0,)


@pytest.mark.parametrize(
    ("change", "bit"),
    [
        ({"friction_velocity": 0.001}, Reason.LOW_FRICTION),
        ({"speed": 0.005}, Reason.SLACK),
        ({"wake": True}, Reason.WAKE),
        ({"height": 0.05}, Reason.IMPOSSIBLE_HEIGHT),
        ({"speed": np.nan}, Reason.BAD_INPUT),
        ({"storage_rate": np.nan}, Reason.BAD_INPUT),
    ],
)
def test_planted_bad_blocks_have_no_value_and_a_reason(tide, change, bit):
    found = run(tide, **change)

    assert np.all(np.isnan(found.flux))
    assert np.all(np.isnan(found.random_sd))
    assert np.all(found.reason & bit)
    assert all(exchange.reason_texts(int(code)) for code in found.reason)


@pytest.mark.parametrize(
    ("spoil", "bit"),
    [
        (lambda w, c: (w * np.nan, c), Reason.EMPTY),
        (lambda w, c: (w, np.where(np.arange(c.shape[-1]) % 2, np.nan, c)), Reason.EMPTY),
        (lambda w, c: (w, np.full_like(c, 7.0)), Reason.CONSTANT),
        (lambda w, c: (np.zeros_like(w), c), Reason.CONSTANT),
    ],
)
def test_spoilt_samples_give_a_reason_and_never_a_number(tide, spoil, bit):
    w, c = spoil(tide.w[:3], tide.c[:3])
    found = exchange.eddy_covariance(
        w=w, concentration=c, separation_along=0.03, speed=0.08, response_time=0.45, **REEF
    )

    assert np.all(np.isnan(found.flux))
    assert np.all(found.reason & bit)


def test_gaps_below_the_limit_change_the_flux_by_less_than_its_error(tide):
    w = tide.w.copy()
    w[np.random.default_rng(4).random(w.shape) < 0.03] = np.nan
    whole, holed = run(tide), exchange.eddy_covariance(
        w=w, concentration=tide.c, separation_along=tide.separation, speed=tide.speed, response_time=0.45, **REEF
    )  # fmt: skip

    assert np.all(np.abs(holed.flux - whole.flux) < whole.random_sd)
    assert np.all(holed.n < whole.n)


@given(scale=st.floats(0.01, 100.0), shift=st.floats(-1e3, 1e3))
@settings(max_examples=15, deadline=None)
def test_flux_scales_with_the_concentration_and_ignores_its_level(scale, shift):
    rng = np.random.default_rng(1)
    w = rng.standard_normal(1024) * 0.01
    c = 50.0 * w + rng.standard_normal(1024)
    common = {"separation_along": 0.0, "speed": 0.1, "response_time": 0.3, **REEF}
    plain = exchange.eddy_covariance(w=w, concentration=c, **common)
    moved = exchange.eddy_covariance(w=w, concentration=scale * c + shift, **common)

    assert_allclose(moved.flux, scale * plain.flux, rtol=1e-6, atol=1e-9 * (1.0 + abs(shift)))
    assert_allclose(moved.random_sd, scale * plain.random_sd, rtol=1e-6)


def test_systematic_terms_follow_their_inputs(tide):
    none, gain, slow = run(tide, low_frequency="none"), run(tide, low_frequency="none", gain_sd=0.02), run(
        tide, low_frequency="none", response_time_sd=0.1
    )  # fmt: skip

    assert np.all(none.systematic_sd == 0.0)
    assert_allclose(gain.systematic_sd, np.abs(gain.flux) * 0.02)
    assert np.all(slow.systematic_sd > 0.0)
    # 0.1 s of response at 0.45 s, whose whole correction is a few per cent, moves the mean by about 1 %.
    assert slow.systematic_sd.mean() < 0.04 * abs(slow.flux.mean())


def test_stated_slopes_are_those_of_the_flux(tide):
    base = run(tide)
    late, early = run(tide, lag_excess=0.25), run(tide, lag_excess=-0.25)
    slow, quick = run(tide, response_time=0.5), run(tide, response_time=0.4)

    assert_allclose(base.flux_per_lag, (late.turbulent_flux - early.turbulent_flux) / 0.5, rtol=1e-6)
    assert_allclose(
        base.flux_per_response_time, (slow.turbulent_flux - quick.turbulent_flux) / 0.1, rtol=1e-6, atol=1e-6
    )
    assert_allclose(base.detrending_factor * run(tide, low_frequency="none").turbulent_flux, base.turbulent_flux)


def test_what_detrending_takes_is_given_back_on_average(bursts):
    b = bursts(np.random.default_rng(21), blocks=300, speed=0.05, c_noise=0.1)
    kept = exchange.detrending_retained(duration=900.0, height=0.3, speed=0.05)
    plain, full = run(b, low_frequency="none"), run(b)

    assert 0.85 < kept < 0.97
    assert_allclose(plain.turbulent_flux.mean() / full.turbulent_flux.mean(), kept, rtol=1e-9)
    # Three standard errors of the mean of 300 blocks, plus what lies below the lowest frequency drawn.
    assert abs(full.turbulent_flux.mean() - b.flux) < 3.0 * full.random_sd.mean() / np.sqrt(300) + 0.015 * 12.0


def test_bad_arguments_raise_with_their_name():
    w = np.zeros(64)
    with pytest.raises(ShapeError, match="concentration"):
        exchange.eddy_covariance(w=w, concentration=w[:-1], separation_along=0, speed=0.1, **REEF)
    with pytest.raises(OutOfRangeError, match="sample_rate"):
        exchange.eddy_covariance(w=w, concentration=w, separation_along=0, speed=0.1, height=0.4, sample_rate=0.0)
    with pytest.raises(InputError, match="detrend"):
        exchange.eddy_covariance(w=w, concentration=w, separation_along=0, speed=0.1, detrend="none", **REEF)


def test_a_stuck_sensor_is_refused_as_constant_and_a_short_stretch_is_left_out(bursts):
    b = bursts(np.random.default_rng(21), blocks=12)
    clean = run(b, noise_sd=0.25)
    rng = np.random.default_rng(22)
    b.c[3] = 430.0 * (1.0 + 1e-6 * np.linspace(0, 1, b.c.shape[1]))
    b.c[5, 4000:] = 431.0
    b.c[7, 4000:4800] = 431.0 + 0.004 * rng.standard_normal(800)
    found = run(b, noise_sd=0.25)

    assert (found.reason[[3, 5]] & Reason.CONSTANT).all()
    assert np.isnan(found.flux[[3, 5]]).all()
    assert found.n[7] == pytest.approx(b.c.shape[1] - 800, abs=80)
    assert abs(found.flux[7] - clean.flux[7]) < 3.0 * clean.random_sd[7]
    others = [k for k in range(12) if k not in {3, 5, 7}]
    assert_allclose(found.flux[others], clean.flux[others])
    assert not run(b).reason[5] & Reason.CONSTANT, "without a stated noise nothing is called stuck"
