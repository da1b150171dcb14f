"""Trials: what decides a draw, and what must never change it."""

from __future__ import annotations

import pickle
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from reeftally.errors import InputError, ShapeError
from reeftally.uncertainty import (
    Arcsine,
    CurvilinearTrapezoid,
    Normal,
    Rectangular,
    Student,
    Trials,
    Triangular,
    collect,
)


def simple_model(trials):
    offset = trials.systematic("offset", distribution=1.0)
    noise = trials.random_blocks("noise", blocks=np.arange(5), sd=0.5)
    return offset[:, None] + noise


def test_a_draw_depends_on_seed_name_and_kind_alone():
    trials = Trials(seed=5, size=1500)
    first = trials.systematic("offset", distribution=2.0)
    trials.systematic("another", distribution=1.0)
    trials.random("offset", block=3, distribution=1.0)

    assert_array_equal(Trials(seed=5, size=1500).systematic("offset", distribution=2.0), first)
    assert not np.array_equal(Trials(seed=6, size=1500).systematic("offset", distribution=2.0), first)
    assert not np.array_equal(trials.systematic("offset2", distribution=2.0), first)
    assert not np.array_equal(trials.random("offset", block=0, distribution=2.0), first)


def test_more_trials_begin_with_the_same_ones():
    few, many = Trials(seed=1, size=700), Trials(seed=1, size=2300)

    for distribution in (Normal(1.0), Student(1.0, 5.0), Triangular(1.0), CurvilinearTrapezoid(1.0, 0.5)):
        short = few.systematic("term", distribution=distribution)
        assert_array_equal(many.systematic("term", distribution=distribution)[:700], short)


@settings(deadline=None, max_examples=20)
@given(batch_size=st.integers(1, 4000), size=st.integers(1, 3500))
def test_batches_give_what_the_whole_gives(batch_size, size):
    trials = Trials(seed=2, size=size)

    assert_array_equal(collect(trials, simple_model, batch_size=batch_size), simple_model(trials))


def test_any_number_of_workers_gives_the_same_bits():
    trials = Trials(seed=3, size=5000)
    alone = collect(trials, simple_model)
    with ThreadPoolExecutor(max_workers=4) as pool:
        together = np.concatenate(list(pool.map(simple_model, trials.batches())))

    assert_array_equal(together, alone)


def test_trials_travel_to_another_process():
    trials = Trials(seed=3, size=2000).without("a").redrawn("b").without_random()
    arrived = pickle.loads(pickle.dumps(trials))

    assert arrived == trials
    assert_array_equal(simple_model(arrived), simple_model(trials))


def test_a_block_does_not_depend_on_the_others():
    trials = Trials(seed=4, size=1200)
    start_ns = 1_932_000_000_000_000_000
    blocks = start_ns + 900_000_000_000 * np.arange(6)
    all_of_them = trials.random_blocks("noise", blocks=blocks, sd=1.0)

    assert_array_equal(trials.random_blocks("noise", blocks=blocks[[4]], sd=1.0)[:, 0], all_of_them[:, 4])
    assert np.abs(np.corrcoef(all_of_them.T) - np.eye(6)).max() < 0.12


def test_terms_can_be_held_or_drawn_anew_and_the_rest_stays():
    trials = Trials(seed=8, size=2000)
    base = simple_model(trials)
    noise_only = simple_model(trials.without("offset"))
    offset_only = simple_model(trials.without_random())

    assert_allclose(noise_only + offset_only, base, rtol=0, atol=1e-15)
    assert_array_equal(simple_model(trials.without_systematic()), noise_only)
    assert_array_equal(offset_only, offset_only[:, :1] * np.ones(5))
    anew = simple_model(trials.redrawn("*random"))
    assert_allclose((base - anew).mean(), 0.0, atol=0.05)
    assert_allclose((base - anew).std(), 0.5 * np.sqrt(2.0), rtol=0.05)
    assert not np.array_equal(anew, simple_model(trials.redrawn("*random", number=2)))


def test_group_has_the_covariance_it_was_given():
    covariance = np.array([[4.0, 1.5, 0.0], [1.5, 1.0, -0.3], [0.0, -0.3, 0.25]])
    drawn = Trials(seed=9, size=40_000).systematic_group(["a", "b", "c"], covariance=covariance)

    found = np.cov(np.stack([drawn[name] for name in "abc"]))
    # Standard error of a covariance of n normal draws: sqrt((s11 s22 + s12^2)/n); four of them allowed.
    error = np.sqrt((np.outer(np.diag(covariance), np.diag(covariance)) + covariance**2) / 40_000)
    assert np.all(np.abs(found - covariance) < 4.0 * error)


def test_a_term_added_to_a_group_leaves_the_earlier_ones():
    small = np.array([[1.0, 0.5], [0.5, 1.0]])
    large = np.array([[1.0, 0.5, 0.2], [0.5, 1.0, 0.1], [0.2, 0.1, 1.0]])
    trials = Trials(seed=10, size=1000)
    before = trials.systematic_group(["a", "b"], covariance=small)
    after = trials.systematic_group(["a", "b", "c"], covariance=large)

    assert_array_equal(after["a"], before["a"])
    assert_array_equal(after["b"], before["b"])


def test_a_singular_covariance_is_taken_and_an_impossible_one_refused():
    trials = Trials(seed=11, size=100)
    drawn = trials.systematic_group(["a", "b"], covariance=[[1.0, 2.0], [2.0, 4.0]])

    assert_allclose(drawn["b"], 2.0 * drawn["a"])
    with pytest.raises(InputError, match="positive semi-definite"):
        trials.systematic_group(["a", "b"], covariance=[[1.0, 2.0], [2.0, 1.0]])
    with pytest.raises(InputError, match="symmetric"):
        trials.systematic_group(["a", "b"], covariance=[[1.0, 0.2], [0.3, 1.0]])
    with pytest.raises(InputError, match="twice"):
        trials.systematic_group(["a", "a"], covariance=np.eye(2))
    with pytest.raises(ShapeError):
        trials.systematic_group(["a"], covariance=np.eye(2))
    with pytest.raises(ShapeError):
        trials.systematic_group(["a"], covariance=[1.0])


def test_correlated_blocks_have_the_correlation_asked_for():
    drawn = Trials(seed=12, size=20_000).random_blocks(
        "patches", blocks=np.arange(4), sd=[1.0, 2.0, 1.0, 1.0], autocorrelation=0.6
    )
    correlation = np.corrcoef(drawn.T)

    assert_allclose(drawn.std(0), [1.0, 2.0, 1.0, 1.0], rtol=0.03)
    assert_allclose([correlation[0, k] for k in range(4)], 0.6 ** np.arange(4), atol=0.025)


@pytest.mark.parametrize(
    "distribution",
    [
        Normal(2.0),
        Rectangular(3.0),
        Triangular(3.0),
        Arcsine(3.0),
        Student(1.5, 9.0),
        CurvilinearTrapezoid(1.0, 0.4),
    ],
)
def test_distribution_is_centred_with_the_stated_standard_deviation(distribution):
    drawn = Trials(seed=13, size=100_000).systematic("term", distribution=distribution)
    error = distribution.sd / np.sqrt(100_000)

    assert abs(drawn.mean()) < 4.0 * error
    assert_allclose(drawn.std(), distribution.sd, rtol=0.015)


def test_stated_standard_deviations_are_those_of_the_supplement():
    # JCGM 101:2008, 6.4.2, 6.4.5, 6.4.6, 6.4.9 and 6.4.3 (from memory): a/sqrt 3, a/sqrt 6, a/sqrt 2, ...
    assert_allclose(Rectangular(3.0).sd ** 2, 3.0)
    assert_allclose(Triangular(6.0).sd ** 2, 6.0)
    assert_allclose(Arcsine(2.0).sd ** 2, 2.0)
    assert_allclose(Student(1.0, 4.0).sd ** 2, 2.0)
    assert_allclose(CurvilinearTrapezoid(3.0, 3.0).sd ** 2, 4.0)


def test_impossible_requests_are_refused():
    for arguments in (
        {"seed": -1, "size": 1},
        {"seed": 0, "size": 0},
        {"seed": 0, "size": 2000, "start": 10},
        {"seed": 0, "size": 10, "stop": 20},
    ):
        with pytest.raises(InputError):
            Trials(**arguments)
    trials = Trials(seed=0, size=10)
    with pytest.raises(InputError):
        trials.random("noise", block=-1, distribution=1.0)
    with pytest.raises(InputError):
        trials.redrawn("noise", number=0)
    with pytest.raises(InputError):
        trials.systematic("offset", distribution=-1.0)
    with pytest.raises(InputError):
        trials.random_blocks("noise", blocks=[0, 1], sd=1.0, autocorrelation=1.5)
    with pytest.raises(ShapeError):
        trials.random_blocks("noise", blocks=[0.5], sd=1.0)
    with pytest.raises(InputError):
        Student(1.0, 2.0)
    with pytest.raises(ShapeError, match="first axis is the trial"):
        collect(trials, lambda batch: np.zeros(batch.count + 1))
