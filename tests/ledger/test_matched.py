"""Two records compared under like conditions: known answers, intervals counted (invented data)."""

from __future__ import annotations

import numpy as np
import pytest

from reeftally import ledger
from reeftally.errors import InputError


def _record(rng, days, hours, level, day_sd=0.004):
    hour = np.tile(hours, days)
    day = np.repeat(np.arange(days), len(hours))
    value = level + 0.012 * np.cos(2 * np.pi * (hour - 17) / 24) + rng.normal(0, day_sd, days)[day]
    return value + 0.001 * rng.standard_normal(day.size), hour // 3, day


def test_matching_takes_the_daily_cycle_out():
    rng = np.random.default_rng(1)
    # The second record has nights only; its plain mean is lower by the cycle alone.
    one, bin_one, day_one = _record(rng, 10, np.arange(24), 8.0, day_sd=0.0)
    two, bin_two, day_two = _record(rng, 10, np.arange(0, 6), 8.0 - 0.006, day_sd=0.0)
    found = ledger.matched_difference(
        first=one, second=two, first_bin=bin_one, second_bin=bin_two, first_day=day_one, second_day=day_two
    )

    assert two.mean() - one.mean() < -0.012
    assert found.difference == pytest.approx(-0.006, abs=3e-4)
    assert found.bins == 2
    assert found.share_first == pytest.approx(0.25)
    assert found.share_second == 1.0


def test_intervals_hold_the_truth_when_days_differ_as_a_whole():
    rng = np.random.default_rng(2)
    inside = 0
    for _ in range(500):
        one, bin_one, day_one = _record(rng, 9, np.arange(24), 8.0)
        two, bin_two, day_two = _record(rng, 9, np.arange(24), 7.994)
        found = ledger.matched_difference(
            first=one, second=two, first_bin=bin_one, second_bin=bin_two, first_day=day_one, second_day=day_two
        )
        inside += found.lower <= -0.006 <= found.upper

    # Central 99.9 % of the binomial is 458 to 489 of 500; the t of the shorter record errs on the wide side.
    assert 458 <= inside <= 498


def test_nothing_in_common_is_refused():
    with pytest.raises(InputError, match="no conditions in common"):
        ledger.matched_difference(
            first=[1.0, 2.0], second=[1.0, 2.0], first_bin=[0, 0], second_bin=[1, 1], first_day=[0, 1],
            second_day=[0, 1],
        )  # fmt: skip
    with pytest.raises(InputError, match="two on each side"):
        ledger.matched_difference(
            first=[1.0, 2.0], second=[1.0, 2.0], first_bin=[0, 0], second_bin=[0, 0], first_day=[0, 0],
            second_day=[0, 1],
        )  # fmt: skip
