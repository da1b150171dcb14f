"""Summaries of trials against exact quantiles, closed forms and NumPy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from reeftally.errors import InputError, ShapeError
from reeftally.uncertainty import (
    Moments,
    Trials,
    numerical_tolerance,
    split_parts,
    summarise,
    trials_suffice,
)


def test_summary_of_an_even_ladder_is_exact():
    found = summarise(np.arange(1001.0)[::-1])

    assert found.mean == 500.0
    assert_allclose([found.lower, found.upper], [25.0, 975.0], rtol=0, atol=1e-9)
    assert_allclose(found.sd, np.sqrt((1001.0**2 - 1) / 12.0 * 1001.0 / 1000.0))


def test_summary_agrees_with_numpy_along_any_axis():
    values = np.random.default_rng(1).lognormal(size=(7, 400, 3))
    found = summarise(values, axis=1)

    assert_allclose(found.mean, values.mean(1))
    assert_allclose(found.sd, values.std(1, ddof=1))
    assert_allclose(found.lower, np.quantile(values, 0.025, axis=1))
    assert_allclose(found.upper, np.quantile(values, 0.975, axis=1))


@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 1000))
def test_order_of_the_trials_does_not_change_a_bit(seed):
    values = np.random.default_rng(seed).standard_normal(501)
    shuffled = np.random.default_rng(seed + 1).permutation(values)

    for field in ("mean", "sd", "lower", "upper"):
        assert_array_equal(getattr(summarise(values), field), getattr(summarise(shuffled), field))


def test_neighbours_do_not_change_a_bit():
    values = np.random.default_rng(8).standard_normal((3001, 6))
    together, running = summarise(values), Moments()
    running.update(values)
    for k in range(6):
        alone, one = summarise(values[:, k]), Moments()
        one.update(values[:, k : k + 1])

        for field in ("mean", "sd", "lower", "upper"):
            assert_array_equal(getattr(together, field)[k], getattr(alone, field))
        assert_array_equal(running.sd[k], one.sd[0])


def test_means_add_up():
    a, b = np.random.default_rng(2).standard_normal((2, 10_000))

    assert_allclose(summarise(a + b).mean, summarise(a).mean + summarise(b).mean, atol=1e-14)


def test_shortest_interval_of_a_one_sided_quantity_begins_at_its_edge():
    # Exponential distribution: the shortest 95 % interval is [0, -ln 0.05] (closed form).
    values = np.random.default_rng(3).exponential(size=200_000)
    found = summarise(values, interval="shortest")

    assert_allclose(found.lower, 0.0, atol=0.002)
    assert_allclose(found.upper, -np.log(0.05), rtol=0.01)
    assert found.upper - found.lower < np.ptp([summarise(values).lower, summarise(values).upper])


def test_lost_trials_are_counted_and_too_many_void_the_summary():
    values = np.random.default_rng(4).standard_normal((1000, 2))
    values[:20, 0] = np.nan
    values[:80, 1] = np.nan
    found = summarise(values)

    assert_array_equal(found.valid, [980, 920])
    assert found.trials == 1000
    assert_allclose(found.mean[0], np.nanmean(values[:, 0]))
    assert np.isnan(found.mean[1])
    assert np.isnan(found.upper[1])


def test_an_infinite_trial_is_a_lost_one():
    values = np.arange(1000.0)
    values[:3] = [np.inf, -np.inf, np.nan]
    found = summarise(values)

    assert found.valid == 997
    assert_allclose([found.lower, found.upper], np.quantile(values[3:], [0.025, 0.975]))


def test_parts_are_told_apart_to_a_small_share():
    trials = Trials(seed=5, size=10_000)

    def model(batch):
        return 10.0 * batch.systematic("offset", distribution=1.0) + batch.random("noise", block=0, distribution=0.2)

    parts = split_parts(model(trials), systematic_only=model(trials.without_random()))

    # Relative standard error of a standard deviation from n normal trials: 1/sqrt(2 n) = 0.7 %; four of them.
    assert_allclose(parts.systematic_sd, 10.0, rtol=0.028)
    assert_allclose(parts.random_sd, 0.2, rtol=0.028)
    with pytest.raises(ShapeError):
        split_parts(np.zeros(5), systematic_only=np.zeros(6))


@settings(deadline=None, max_examples=40)
@given(cuts=st.lists(st.integers(1, 299), max_size=5), seed=st.integers(0, 100))
def test_running_moments_agree_with_all_at_once(cuts, seed):
    values = 1e3 + np.random.default_rng(seed).standard_normal((300, 2))
    values[::17, 1] = np.nan
    running = Moments()
    for part in np.split(values, sorted(set(cuts))):
        running.update(part)

    assert_allclose(running.mean, np.nanmean(values, axis=0), rtol=1e-13)
    assert_allclose(running.sd, np.nanstd(values, axis=0, ddof=1), rtol=1e-10)
    assert_array_equal(running.count, np.isfinite(values).sum(0))


def test_merged_moments_are_those_of_the_whole():
    values = np.random.default_rng(6).standard_normal((90, 4))
    left, right = Moments(), Moments()
    left.update(values[:50])
    right.update(values[50:])
    left.merge(right)

    assert_allclose(left.mean, values.mean(0), rtol=1e-12)
    assert_allclose(left.sd, values.std(0, ddof=1), rtol=1e-12)
    assert np.isnan(Moments().mean)
    assert np.isnan(Moments().sd)


def test_numerical_tolerance_is_that_of_the_supplement():
    # JCGM 101:2008, 7.9.2, examples 1 to 3 (from memory): 0.000 35 (2 digits), 0.000 35 g (1), 2 K (1).
    assert_allclose(numerical_tolerance(sd=0.00035, digits=2), 0.000005)
    assert_allclose(numerical_tolerance(sd=0.00035, digits=1), 0.00005)
    assert_allclose(numerical_tolerance(sd=2.0, digits=1), 0.5)
    assert_allclose(numerical_tolerance(sd=9.96, digits=2), 0.5)
    with pytest.raises(InputError):
        numerical_tolerance(sd=0.0)


def test_few_trials_do_not_suffice_and_many_do():
    generator = np.random.default_rng(7)
    spread = 1.2 * generator.standard_normal(1_000_000)

    assert not trials_suffice(spread[:500], digits=1)
    assert not trials_suffice(spread[:5000], digits=2)
    assert trials_suffice(spread, digits=1)


def test_impossible_requests_are_refused():
    with pytest.raises(InputError):
        summarise([1.0, 2.0], level=1.0)
    with pytest.raises(InputError):
        summarise([1.0, 2.0], interval="widest")
    with pytest.raises(ShapeError):
        summarise([1.0])
    with pytest.raises(ShapeError):
        Moments().update(1.0)
