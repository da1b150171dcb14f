"""The best friction velocity: weighing, disagreement and refusal."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reeftally.errors import InputError, ShapeError
from reeftally.flow import friction_velocity_best, friction_velocity_interval


def best(c, d, g, sd=0.1, **more):
    c, d, g = (np.atleast_1d(np.asarray(x, float)) for x in (c, d, g))
    return friction_velocity_best(
        covariance=c, covariance_sd=sd * c, dissipation=d, dissipation_sd=sd * d, log_law=g, log_law_sd=sd * g, **more
    )


def test_three_equal_estimates_give_themselves():
    found = best(0.01, 0.01, 0.01)

    assert_allclose(found.value, 0.01)
    assert found.reason[0] == "agree"
    assert found.random_sd[0] < 0.001


def test_one_wild_estimate_does_not_pull_the_median_and_is_named():
    found = best(0.0099, 0.0101, 0.03)

    assert_allclose(found.value, 0.0101, rtol=0.05)
    assert found.reason[0] == "disagree"
    assert found.random_sd[0] > 0.2 * found.value[0]
    assert_allclose(found.spread, 0.03 / 0.0099)


@given(st.lists(st.floats(0.002, 0.05), min_size=3, max_size=3))
@settings(max_examples=60, deadline=None)
def test_best_lies_between_the_estimates(values):
    found = best(*values)

    assert min(values) * (1 - 1e-12) <= found.value[0] <= max(values) * (1 + 1e-12)


def test_missing_estimates_are_left_out_and_none_gives_none():
    found = best([0.01, np.nan, np.nan], [0.012, 0.012, np.nan], [np.nan, np.nan, np.nan])

    np.testing.assert_array_equal(found.count, [2, 1, 0])
    assert list(found.reason) == ["agree", "only_dissipation", "none"]
    assert np.isnan(found.value[2])


def test_below_the_floor_there_is_no_value():
    # Turbulence is not established below 2 to 3 mm/s (Brand et al. 2008 saw none below 2 cm/s of current).
    found = best(0.002, 0.0021, 0.0019, floor=0.003)

    assert found.reason[0] == "below_floor"
    assert np.isnan(found.value[0])


def test_stated_interval_holds_the_truth():
    # Errors drawn as stated; 500 blocks: 458 to 489 of the 95 % intervals (central 99.9 % of the binomial).
    rng = np.random.default_rng(1)
    truth, n = 0.01, 500
    random, systematic = (0.15, 0.06, 0.1), (0.03, 0.04, 0.05)
    c, d, g = (
        truth * np.exp(r * rng.normal(size=n) + s * rng.normal(size=n)) for r, s in zip(random, systematic, strict=True)
    )
    found = friction_velocity_best(
        covariance=c, covariance_sd=0.15 * c, dissipation=d, dissipation_sd=0.06 * d, log_law=g, log_law_sd=0.1 * g
    )

    low, high = friction_velocity_interval(
        value=found.value, random_sd=found.random_sd, systematic_sd=found.systematic_sd
    )
    inside = int(((low <= truth) & (truth <= high)).sum())

    assert inside >= 458
    # The systematic parts are added as if common to all three; here they are drawn apart, so it may be wider.
    assert inside <= 500


def test_interval_in_logarithms():
    low, high = friction_velocity_interval(value=0.01, random_sd=0.001, systematic_sd=0.0, level=0.95)

    assert_allclose([low, high], [0.01 * np.exp(-0.195996), 0.01 * np.exp(0.195996)], rtol=1e-5)
    assert np.isnan(friction_velocity_interval(value=-0.01, random_sd=0.001)).all()


def test_arguments_that_cannot_be_meant_are_refused():
    with pytest.raises(InputError, match="all missing"):
        friction_velocity_best()
    with pytest.raises(InputError, match="covariance_sd"):
        friction_velocity_best(covariance=[0.01])
    with pytest.raises(ShapeError):
        friction_velocity_best(covariance=[0.01], covariance_sd=[0.1], log_law=[0.01, 0.02], log_law_sd=[0.1, 0.1])
