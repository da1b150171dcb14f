"""The grid of blocks: arithmetic that can be done by hand, and invariants."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from reeftally.analysis.grid import NS, block_means, make_grid


def test_blocks_are_aligned_to_utc_midnight():
    grid = make_grid(
        start_ns=np.datetime64("2031-03-25T20:07:00", "ns").astype(int),
        end_ns=np.datetime64("2031-03-25T21:00:00", "ns").astype(int),
        block_s=900,
    )

    assert np.datetime64(int(grid.starts[0]), "ns") == np.datetime64("2031-03-25T20:00:00")
    assert grid.count == 4


def test_mean_count_and_spread_of_a_block():
    grid = make_grid(start_ns=0, end_ns=1800 * NS, block_s=900)
    time = np.arange(0, 1800, 100) * NS
    values = np.arange(18.0)
    good = np.ones(18, bool)
    good[3] = False

    reduced = block_means(grid=grid, time_ns=time, values=values, good=good, interval_s=100.0)

    assert reduced.n.tolist() == [8, 9]
    assert reduced.bad.tolist() == [1, 0]
    assert abs(reduced.mean[1] - 13.0) < 1e-12
    assert abs(reduced.mean[0] - (36 - 3) / 8) < 1e-12
    assert np.all(reduced.sd < 1e-9)  # a straight line has no spread


def test_a_block_with_too_few_samples_is_nan():
    grid = make_grid(start_ns=0, end_ns=900 * NS, block_s=900)

    reduced = block_means(
        grid=grid, time_ns=np.array([0, 100 * NS]), values=np.ones(2), good=np.ones(2, bool), interval_s=100.0
    )

    assert np.isnan(reduced.mean[0])
    assert reduced.n[0] == 2


def test_a_small_difference_on_a_large_value_survives():
    grid = make_grid(start_ns=0, end_ns=900 * NS, block_s=900)
    time = np.arange(900) * NS
    values = 1e6 + np.where(np.arange(900) % 2 == 0, 1e-6, -1e-6)

    reduced = block_means(grid=grid, time_ns=time, values=values, good=np.ones(900, bool), interval_s=1.0)

    assert abs(reduced.mean[0] - 1e6) < 1e-9
    assert abs(reduced.sd[0] - 1e-6) < 2e-9


@given(st.integers(0, 10**18), st.integers(1, 10**6))
def test_every_instant_of_a_span_has_one_block(start, length_s):
    grid = make_grid(start_ns=start, end_ns=start + length_s * NS, block_s=900)
    probe = start + (length_s * NS) // 2

    index = int(grid.index(probe))

    assert 0 <= index < grid.count
    assert grid.edges[index] <= probe < grid.edges[index + 1]
