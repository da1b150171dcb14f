"""Lags from geometry and pooled by flow direction (synthetic bursts, invented)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reeftally import exchange
from reeftally.errors import ShapeError


def test_travel_time_turns_with_the_flow_and_is_unknown_at_rest():
    found = exchange.geometric_lag(separation_along=[0.03, -0.03, 0.03], speed=[0.1, 0.1, 0.0])

    assert_allclose(found, [0.3, -0.3, np.nan])


@pytest.mark.parametrize("waves", [0.0, 0.005])
def test_pooled_lag_lies_within_0_15_s_of_the_truth_for_both_flow_directions(bursts, waves):
    # Tolerance: the acceptance value for a response of 0.45 s and a separation of 3 cm.
    rng = np.random.default_rng(6)
    sign = np.where(np.arange(160) % 2 == 0, 1.0, -1.0)
    b = bursts(
        rng, blocks=160, separation=0.03 * sign, speed=rng.uniform(0.04, 0.13, 160), wave_w=waves,
        wave_period=3.2, wave_displacement_gradient=-5.0,
    )  # fmt: skip
    found = exchange.pooled_lag(
        w=b.w, concentration=b.c, sample_rate=8.0, separation_along=b.separation, speed=b.speed,
        response_time=0.45, group=(sign > 0).astype(int), wave_band=(0.2, 0.5),
    )  # fmt: skip

    truth = [np.median((b.separation / b.speed)[sign < 0]), np.median((b.separation / b.speed)[sign > 0])]
    assert np.all(np.abs(found.lag - truth) < 0.15)
    assert np.all(np.abs(found.excess) <= 1.0)
    assert not found.at_edge.any()
    assert list(found.n) == [80, 80]


def test_a_clock_error_shows_as_excess(bursts):
    b = bursts(np.random.default_rng(7), blocks=100)
    found = exchange.pooled_lag(
        w=b.w, concentration=np.roll(b.c, 4, axis=1), sample_rate=8.0, separation_along=b.separation,
        speed=b.speed, response_time=0.45,
    )  # fmt: skip

    assert abs(found.excess[0] - 0.5) < 0.15


def test_groups_without_usable_blocks_are_nan():
    found = exchange.pooled_lag(
        w=np.full((3, 64), np.nan), concentration=np.zeros((3, 64)), sample_rate=8.0, separation_along=0.0,
        speed=0.1,
    )  # fmt: skip

    assert np.isnan(found.lag).all()
    assert list(found.n) == [0]


def test_one_dimensional_samples_are_refused():
    with pytest.raises(ShapeError, match="blocks"):
        exchange.pooled_lag(
            w=np.zeros(64), concentration=np.zeros(64), sample_rate=8.0, separation_along=0.0, speed=0.1
        )
