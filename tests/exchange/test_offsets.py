"""Offsets from swaps on synthetic masts (invented)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reeftally import exchange
from reeftally.errors import ShapeError


def solve(m, **kwargs):
    gain = -np.log(m.height - 0.10) / (0.41 * m.ustar * 3600.0)
    place = (m.height > 0.6).astype(int)
    time = m.hours * 3600.0
    chosen = {
        "concentration": m.concentration,
        "gain": gain,
        "place": place,
        "time": time,
        "noise_sd": 0.0075,
        "design": exchange.offset_design(sensors=2, time=time),
        "prior_value": np.zeros(2),
        "prior_covariance": np.eye(2) * 0.3**2,
        "regressors": exchange.process_terms(time=time, friction_velocity=m.ustar),
        "relative_gain_sd": 0.15,
        **kwargs,
    }
    return exchange.solve_offsets(**chosen)


CONTRAST = np.array([1.0, -1.0])


@pytest.mark.slow
def test_offsets_of_500_missions_lie_in_their_intervals_as_often_as_they_say(mast, binomial_band):
    rng = np.random.default_rng(1)
    z = []
    for _ in range(500):
        m = mast(rng)
        found = solve(m)
        sd = np.sqrt(CONTRAST @ found.covariance @ CONTRAST)
        z.append(CONTRAST @ (found.value - m.offset) / sd)

    for level, factor in ((0.68, 0.994458), (0.95, 1.959964)):
        low, high = binomial_band(500, level)
        assert low <= np.sum(np.abs(z) <= factor) <= high, (level, np.sum(np.abs(z) <= factor))


def test_swaps_sharpen_the_difference_of_offsets_tenfold(mast):
    found = solve(mast(np.random.default_rng(2)))
    before = np.sqrt(CONTRAST @ found.prior_covariance @ CONTRAST)
    after = np.sqrt(CONTRAST @ found.covariance @ CONTRAST)

    assert found.swapped
    assert after < before / 10.0


def test_the_common_part_of_the_offsets_cannot_move(mast):
    found = solve(mast(np.random.default_rng(3)))

    assert_allclose(found.value.sum(), 0.0, atol=1e-3)
    assert_allclose(np.ones(2) @ found.covariance @ np.ones(2), 2 * 0.3**2, rtol=1e-3)


def test_without_a_swap_the_prior_comes_back_unchanged(mast):
    found = solve(mast(np.random.default_rng(4), swaps=()), prior_value=[0.1, -0.2])

    assert not found.swapped
    assert_allclose(found.value, [0.1, -0.2])
    assert_allclose(found.covariance, np.eye(2) * 0.09)


def test_offsets_known_without_doubt_stay_where_they_are(mast):
    found = solve(mast(np.random.default_rng(4)), prior_value=[0.1, -0.2], prior_covariance=np.zeros((2, 2)))

    assert found.swapped
    assert_allclose(found.value, [0.1, -0.2], atol=1e-6)
    assert np.abs(found.covariance).max() < 1e-10


def test_a_drift_is_told_from_an_offset(mast):
    m = mast(np.random.default_rng(5))
    m.concentration[0] += 0.05 * m.hours / 24.0
    time = m.hours * 3600.0
    found = solve(
        m, design=exchange.offset_design(sensors=2, time=time, drift=True), prior_value=np.zeros(4),
        prior_covariance=np.diag([0.3, 0.3, 0.1, 0.1]) ** 2,
    )  # fmt: skip

    drift = found.value[2] - found.value[3]
    contrast = np.array([0, 0, 1.0, -1.0])
    assert abs(drift - 0.05) < 3.0 * np.sqrt(contrast @ found.covariance @ contrast)
    assert np.sqrt(contrast @ found.covariance @ contrast) < 0.05


def test_an_epoch_after_cleaning_has_an_offset_of_its_own(mast):
    m = mast(np.random.default_rng(6))
    late = m.hours >= 24.0 * 7.0
    m.concentration[1, late] += 0.4
    epoch = np.stack([np.zeros(late.size, dtype=int), np.where(late, 2, 1)])
    time = m.hours * 3600.0
    found = solve(
        m, design=exchange.offset_design(sensors=2, time=time, epoch=epoch), prior_value=np.zeros(3),
        prior_covariance=np.eye(3) * 0.5**2,
    )  # fmt: skip

    step = np.array([0.0, -1.0, 1.0])
    sd = np.sqrt(step @ found.covariance @ step)
    assert abs(step @ found.value - 0.4) < 3.0 * sd
    assert sd < 0.15


def test_cost_grows_linearly_in_memory_with_a_long_record(mast):
    # 200 days in one solve: a dense covariance of 19,200 blocks would need 2.9 GB.
    m = mast(np.random.default_rng(7), days=200.0, swaps=tuple(np.arange(2.5, 200.0, 3.0)))
    found = solve(m)

    assert abs(CONTRAST @ (found.value - m.offset)) < 0.02
    assert found.n == 19200


def test_arrays_that_do_not_fit_are_refused(mast):
    m = mast(np.random.default_rng(8), days=1.0)
    with pytest.raises(ShapeError, match="design"):
        solve(m, prior_value=np.zeros(3), prior_covariance=np.eye(3), design=np.zeros((3, 2, 4)))


def test_light_as_regressor_sharpens_the_offset_of_a_short_mission(mast):
    m = mast(np.random.default_rng(9), days=1.5, swaps=(0.5, 1.0))
    time = m.hours * 3600.0
    hours = solve(m)
    light = solve(m, regressors=exchange.process_terms(time=time, friction_velocity=m.ustar, light=m.light))
    before, after = (np.sqrt(CONTRAST @ found.covariance @ CONTRAST) for found in (hours, light))

    assert after < before
    assert abs(CONTRAST @ (light.value - m.offset)) < 3.0 * after
