"""Estimates: value is the mean over trials, the interval its percentiles (results contract)."""

import numpy as np
import pytest

from reeftally.analysis.estimates import COLUMNS, Estimates, iso
from reeftally.errors import InputError

CONTRACT = [
    "quantity", "method", "subject", "period", "start", "end", "value", "unit", "lower", "upper", "level",
    "random_sd", "systematic_sd", "n", "flag", "reason", "trail",
]  # fmt: skip


def common(**more):
    return {
        "quantity": "oxygen_flux", "method": "covariance", "subject": "site", "period": "night", "start_ns": 0,
        "end_ns": 10**9, "unit": "mmol m-2 h-1", "trail": "covariance", **more,
    }  # fmt: skip


def test_columns_begin_with_those_of_the_contract():
    assert list(COLUMNS[: len(CONTRACT)]) == CONTRACT


def test_value_interval_and_parts_of_trials():
    rng = np.random.default_rng(1)
    systematic = rng.normal(0, 3, 20000)
    samples = 5 + systematic + rng.normal(0, 4, 20000)
    estimates = Estimates()

    row = estimates.from_trials(
        **common(), samples=samples, systematic_samples=5 + systematic, terms={"gain": systematic}, n=7
    )

    assert row.value == pytest.approx(samples.mean())
    assert (row.lower, row.upper) == pytest.approx(tuple(np.percentile(samples, [2.5, 97.5])))
    assert row.systematic_sd == pytest.approx(3, rel=0.03)
    assert row.random_sd == pytest.approx(4, rel=0.03)
    assert "gain 0.3" in row.budget
    assert "random 0.6" in row.budget


def test_a_refused_estimate_keeps_its_row_with_empty_value_and_the_reason():
    estimates = Estimates()

    row = estimates.refuse(**common(), reason="too few blocks")

    assert row.value is None
    assert row.lower is None
    assert row.reason == "too few blocks"
    assert len(estimates.frame()) == 1


def test_a_refusal_without_a_reason_is_an_error():
    with pytest.raises(InputError, match="without a reason"):
        Estimates().refuse(**common(), reason="")


def test_nan_trials_end_in_a_refusal_not_in_a_number():
    row = Estimates().from_trials(**common(), samples=np.full(1000, np.nan), n=0)

    assert row.value is None
    assert "0 of 1000 trials" in row.reason


def test_first_order_interval_is_196_standard_uncertainties():
    row = Estimates().from_parts(**common(), value=10.0, random_sd=3.0, systematic_sd=4.0, n=3)

    assert (row.lower, row.upper) == pytest.approx((10 - 1.959964 * 5, 10 + 1.959964 * 5))


def test_instants_are_iso_8601_with_z():
    assert iso(0) == "1970-01-01T00:00:00Z"
    assert iso(1_500_000_000) == "1970-01-01T00:00:01.500Z"
    assert iso(None) == ""
