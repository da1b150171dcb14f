"""Small pieces of the stages: arithmetic that has a closed form."""

import numpy as np
import pytest

from reeftally.analysis.account import _filtered
from reeftally.analysis.estimate_fluxes import fill_series
from reeftally.analysis.records import interpolate_within


def test_a_constant_source_stays_at_source_times_residence():
    left = _filtered(np.full((2, 50), 0.3), 0.25, np.array([34.0, 10.0]))

    assert left[0] == pytest.approx(0.3 * 34.0)
    assert left[1] == pytest.approx(0.3 * 10.0)


def test_a_diel_source_lags_and_shrinks_as_one_box_does():
    # One box with time constant tau: amplitude 1/sqrt(1 + (w tau)^2) of steady state, phase atan(w tau).
    hours = np.arange(0, 24 * 40, 0.25) + 0.125
    w, tau = 2 * np.pi / 24, 34.0
    left = _filtered(np.sin(w * hours)[None, :], 0.25, np.array([tau]))[0]
    late = hours > 24 * 30
    expected = tau / np.sqrt(1 + (w * tau) ** 2) * np.sin(w * hours - np.arctan(w * tau))

    assert np.abs(left[late] - expected[late]).max() < 0.01 * np.abs(expected).max()


def test_a_gap_in_the_source_is_carried_by_the_records_mean():
    source = np.full((1, 20), 2.0)
    source[0, 5:9] = np.nan

    assert _filtered(source, 0.25, np.array([10.0]))[0] == pytest.approx(20.0)


def test_a_part_of_a_day_does_not_count_twice_at_the_start():
    # 30 h that begin and end in the windy afternoon: the start is the mean of one whole day, not of 30 h.
    hours = np.arange(0, 30, 0.25) + 0.125
    source = 1.0 + np.cos(2 * np.pi * (hours - 3.0) / 24)
    tau = 1e6
    left = _filtered(source[None, :], 0.25, np.array([tau]), np.array([1.1]))[0]

    assert source.mean() > 1.1
    assert left[0] / tau == pytest.approx(1.1, rel=1e-3)


def test_nothing_is_interpolated_across_a_long_gap():
    time = np.array([0.0, 900.0, 9000.0, 9900.0])
    values = np.array([1.0, 2.0, 10.0, 11.0])

    got = interpolate_within(np.array([450.0, 4000.0, 9450.0, 20000.0]), time, values, longest=3600.0)

    assert got[0] == 1.5
    assert np.isnan(got[1])
    assert got[2] == 10.5
    assert np.isnan(got[3])


def test_missing_blocks_are_filled_by_light_and_current_and_others_left_alone():
    rng = np.random.default_rng(3)
    light = np.maximum(0, 800 * np.sin(np.linspace(0, 4 * np.pi, 192)))
    current = 0.01 * (0.4 + np.abs(np.cos(np.linspace(0, 12, 192))))
    truth = 23 * np.tanh(light / 330) - 13.5 * (current / 0.01) ** 0.35
    seen = truth + rng.normal(0, 0.5, 192)
    seen[current < 0.005] = np.nan

    filled, sd = fill_series(seen, light, current)

    missing = np.isnan(seen)
    assert (filled[~missing] == seen[~missing]).all()
    assert missing.sum() > 5
    assert abs((filled - truth)[missing].mean()) < 1.0
    assert 0.3 < sd < 2.0


def test_a_full_record_is_returned_as_it_is():
    values = np.arange(10.0)

    filled, _ = fill_series(values, np.zeros(10), np.ones(10))

    assert (filled == values).all()


def test_the_mean_of_359_and_1_degree_is_north():
    from reeftally.analysis.grid import NS, block_means, make_grid
    from reeftally.analysis.records import _mean_direction

    grid = make_grid(start_ns=0, end_ns=900 * NS, block_s=900)
    time = np.array([0, 300, 600, 899]) * NS

    def reduced(time_ns, series, use):
        return block_means(grid=grid, time_ns=time_ns, values=series, good=use, interval_s=225.0)

    found = _mean_direction(reduced, time, np.array([359.0, 1.0, 350.0, 10.0]), np.ones(4, bool))

    assert min(found.mean[0], 360.0 - found.mean[0]) < 1e-9
