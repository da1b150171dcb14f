"""Agreement of methods on series with known differences (invented)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reeftally import exchange
from reeftally.errors import ShapeError


def pair(rng, *, n=400, scale=1.0, shift=0.0):
    hours = np.arange(n) * 0.25
    ustar = 0.01 * (0.4 + np.abs(np.cos(np.pi * hours / 12.42)))
    truth = 23.0 * np.tanh(np.maximum(0.0, np.sin(2.0 * np.pi * (hours - 6.0) / 24.0)) * 2.0) - 13.0
    first = truth + rng.normal(0.0, 2.5, n)
    second = truth * scale + shift * ustar / 0.01 + rng.normal(0.0, 1.5, n)
    return {
        "first": first, "second": second, "first_random_sd": 2.5, "second_random_sd": 1.5,
        "correlates": {"friction_velocity": ustar},
    }, truth  # fmt: skip


def test_methods_that_agree_are_said_to_and_combined():
    data, truth = pair(np.random.default_rng(1))
    found = exchange.agreement(**data, first_systematic_sd=0.3, second_systematic_sd=0.5, shared_systematic_sd=0.2)

    assert found.agree
    assert found.share_inside >= 0.9
    assert found.slope_lower < 1.0 < found.slope_upper
    assert found.suspects == ()
    total = np.hypot(found.combined_random_sd, found.combined_systematic_sd)
    assert abs(found.combined - truth.mean()) < 3.0 * total
    assert found.combined_systematic_sd >= 0.2


def test_a_height_error_of_a_fifth_lowers_the_agreement_and_is_named():
    # Lower height 0.25 taken for 0.30 m above the plane (a fifth), upper 0.90: flux scaled by
    # ln(0.90/0.25)/ln(0.90/0.30).
    data, _ = pair(np.random.default_rng(2), scale=np.log(0.90 / 0.25) / np.log(3.0))
    right, _ = pair(np.random.default_rng(2))
    found, before = exchange.agreement(**data), exchange.agreement(**right)

    assert found.share_inside < before.share_inside
    assert not found.agree
    assert "height" in [suspect.name for suspect in found.suspects]
    assert np.isnan(found.combined)
    assert "disagree" in found.reason


def suspects(found):
    return [suspect.name for suspect in found.suspects]


def test_a_factor_is_named_though_wide_systematic_errors_leave_room_for_it():
    # Invented: a gradient known to 20 % as a whole, of which each block is wrong by the same 24 %.
    data, truth = pair(np.random.default_rng(7), scale=1.24)
    wide = {"second_systematic_sd": 0.2 * np.abs(truth)}
    found = exchange.agreement(**data, **wide)
    clean = exchange.agreement(**pair(np.random.default_rng(7))[0], **wide)

    assert found.slope_lower < 1.0 < found.slope_upper
    assert "height" in suspects(found)
    evidence = next(s.evidence for s in found.suspects if s.name == "height")
    assert "where released" in evidence
    assert "where taken up" in evidence
    assert "leave room" in evidence
    assert clean.suspects == ()


def test_a_friction_velocity_and_a_gain_that_hold_are_cleared():
    data, _ = pair(np.random.default_rng(8), scale=1.24)
    found = exchange.agreement(**data, factor_checks={"friction velocity": (1.01, 0.03), "gain": (0.995, 0.01)})

    assert "height" in suspects(found)
    assert "friction velocity" not in suspects(found)
    assert "gain" not in suspects(found)
    assert "not friction velocity seen apart: 1.010" in found.suspects[0].evidence


@pytest.mark.parametrize("cause", ["friction velocity", "gain"])
def test_a_cause_that_gives_the_factor_leaves_no_need_of_a_height(cause):
    data, _ = pair(np.random.default_rng(9), scale=1.24)
    checks = {"friction velocity": (1.0, 0.03), "gain": (1.0, 0.01)}
    checks[cause] = (1.0 / 1.24, 0.02)
    found = exchange.agreement(**data, factor_checks=checks)

    assert cause in suspects(found)
    assert "height" not in suspects(found)


def test_a_check_too_loose_to_tell_clears_nothing():
    data, _ = pair(np.random.default_rng(10), scale=1.24)
    found = exchange.agreement(**data, factor_checks={"friction velocity": (0.9, 0.2)})

    assert {"height", "friction velocity", "gain"} <= set(suspects(found))


def test_an_offset_is_not_taken_for_a_factor_where_systematic_errors_leave_room():
    data, truth = pair(np.random.default_rng(11), shift=3.0)
    found = exchange.agreement(**data, second_systematic_sd=0.2 * np.abs(truth))

    assert "offset" in suspects(found)
    assert "height" not in suspects(found)


def test_an_offset_that_grows_with_mixing_is_named():
    data, _ = pair(np.random.default_rng(3), shift=3.0)
    found = exchange.agreement(**data)

    assert not found.agree
    assert "offset" in [suspect.name for suspect in found.suspects]
    assert found.bias < -1.0


def test_a_difference_with_direction_points_to_footprint_wake_or_lag():
    data, _ = pair(np.random.default_rng(4))
    direction = np.where(np.arange(400) // 24 % 2, 75.0, 255.0)
    data["second"] = data["second"] + np.where(direction == 75.0, 2.0, -2.0)
    data["correlates"]["direction"] = direction
    found = exchange.agreement(**data)

    assert "footprint by direction" in [suspect.name for suspect in found.suspects]


def test_understated_errors_are_seen_in_the_scatter():
    data, _ = pair(np.random.default_rng(5))
    found = exchange.agreement(**{**data, "first_random_sd": 0.5, "second_random_sd": 0.5})

    assert found.goodness > 4.0
    assert "random errors too small" in [suspect.name for suspect in found.suspects]


@pytest.mark.slow
def test_slopes_of_1000_pairs_hold_their_intervals_and_few_false_alarms(binomial_band):
    rng = np.random.default_rng(6)
    inside = alarms = 0
    for _ in range(1000):
        data, _ = pair(rng, n=120)
        found = exchange.agreement(**data)
        inside += found.slope_lower <= 1.0 <= found.slope_upper
        alarms += not found.agree

    low, high = binomial_band(1000, 0.95)
    assert low <= inside <= high
    # Bias and slope each fail by chance in 5 %, the share of blocks rarely.
    assert alarms < 150


def test_too_few_common_blocks_give_a_reason():
    found = exchange.agreement(
        first=[1.0, np.nan, 3.0], second=[1.0, 2.0, np.nan], first_random_sd=1.0, second_random_sd=1.0
    )

    assert found.n == 1
    assert "common blocks" in found.reason
    assert not found.agree
    with pytest.raises(ShapeError, match="second"):
        exchange.agreement(first=[1.0], second=[1.0, 2.0], first_random_sd=1.0, second_random_sd=1.0)


def test_pair_statistics_of_nothing_are_nan():
    found = exchange.side_by_side(first=[np.nan], second=[1.0])

    assert np.isnan(found["bias"])
    assert_allclose(found["n"], 0.0)
