"""Shares of the variance: against closed forms of linear and curved functions."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reeftally.errors import InputError, ShapeError
from reeftally.uncertainty import Trials, budget, shares_from_draws


def linear(trials):
    return (
        trials.systematic("large", distribution=2.0)
        + trials.systematic("small", distribution=1.0)
        + trials.random("noise", block=0, distribution=1.0)
    )


def product(trials):
    return trials.systematic("a", distribution=1.0) * trials.systematic("b", distribution=1.0)


@pytest.mark.parametrize("method", ["redraw", "freeze"])
def test_shares_of_a_sum_are_those_of_the_variances(method):
    trials = Trials(seed=1, size=20_000)
    rows = {row.term: row for row in budget(linear, trials=trials, terms=["small", "large", "*random"], method=method)}

    # Variances 4, 1, 1 of 6.
    for term, share in (("large", 4 / 6), ("small", 1 / 6), ("*random", 1 / 6)):
        assert abs(rows[term].share - share) < 4.0 * rows[term].sampling_sd
        assert_allclose(rows[term].sd, np.sqrt(6.0 * share), rtol=0.1)


def test_largest_cause_comes_first():
    rows = budget(linear, trials=Trials(seed=2, size=3000), terms=["small", "large"])

    assert [row.term for row in rows] == ["large", "small"]


def test_terms_that_act_only_together_each_carry_all_of_it():
    # y = a b: without either the variance is gone, so both total shares are 1 (closed form).
    rows = budget(product, trials=Trials(seed=3, size=20_000), terms=["a", "b"])

    for row in rows:
        assert abs(row.share - 1.0) < 4.0 * row.sampling_sd


def test_a_term_without_effect_has_no_share():
    (row,) = budget(linear, trials=Trials(seed=4, size=1000), terms=["not there"])

    assert row.share == 0.0


def test_freezing_kinds_is_freezing_all_of_a_kind():
    rows = {
        row.term: row.share
        for row in budget(linear, trials=Trials(seed=5, size=20_000), terms=["*systematic", "*random"], method="freeze")
    }

    assert_allclose(rows["*systematic"], 5 / 6, atol=0.05)
    assert_allclose(rows["*random"], 1 / 6, atol=0.05)


def test_shares_from_draws_add_to_one_and_match():
    trials = Trials(seed=6, size=20_000)
    draws = {
        "large": trials.systematic("large", distribution=2.0),
        "small": trials.systematic("small", distribution=1.0),
        "off": np.zeros(20_000),
    }
    shares = shares_from_draws(samples=linear(trials), draws=draws)

    assert_allclose(sum(shares.values()), 1.0)
    assert_allclose(shares["large"], 4 / 6, atol=0.02)
    assert_allclose(shares["small"], 1 / 6, atol=0.02)
    assert_allclose(shares["rest"], 1 / 6, atol=0.02)
    assert shares["off"] == 0.0


def test_impossible_requests_are_refused():
    trials = Trials(seed=7, size=100)

    with pytest.raises(InputError):
        budget(linear, trials=trials, terms=["large"], method="guess")
    with pytest.raises(ShapeError):
        budget(linear, trials=trials, terms=["large"], samples=np.zeros(99))
    with pytest.raises(ShapeError):
        shares_from_draws(samples=np.zeros(5), draws={"a": np.zeros(6)})
