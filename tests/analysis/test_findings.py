"""Findings: the state of a velocimeter's axes from noisy evidence (invented z scores)."""

import numpy as np

from reeftally.analysis.fast_findings import turned_runs


def test_an_hour_upside_down_is_found_with_its_ends():
    z = np.r_[np.full(16, 4.0), np.full(4, -4.6), np.full(100, 4.0)]

    assert [(a, b) for a, b, _ in turned_runs(z)] == [(16, 20)]


def test_slack_water_does_not_cut_a_stretch_in_two():
    z = np.r_[np.full(8, -4.0), np.zeros(6), [np.nan, 0.5], np.full(8, -4.0), np.full(30, 4.0)]

    assert [(a, b) for a, b, _ in turned_runs(z)] == [(0, 24)]


def test_a_right_velocimeter_with_noisy_blocks_is_left_alone():
    rng = np.random.default_rng(1)

    claimed = sum(bool(list(turned_runs(rng.normal(3.0, 1.5, 200)))) for _ in range(200))

    assert claimed == 0


def test_one_bad_block_is_no_stretch():
    z = np.full(60, 3.0)
    z[30] = -6.0

    assert not list(turned_runs(z))
