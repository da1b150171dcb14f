"""Carbon from pH and oxygen differences."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reeftally import exchange
from reeftally.errors import OutOfRangeError
from reeftally.exchange import Reason

# Sensitivities at TA 2350, DIC 2000, S 35.5, 27 degrees C (computed with a general carbonate solver).
A, B = -0.00153406, 0.00137273


@given(do2=st.floats(-5.0, 5.0), dta=st.floats(-5.0, 5.0), pq=st.floats(0.8, 1.4))
def test_the_linear_system_is_inverted_exactly(do2, dta, pq):
    ddic = -do2 / pq + 0.5 * dta
    found = exchange.carbon_from_ph_and_oxygen(
        ph_difference=A * ddic + B * dta, oxygen_difference=do2, ph_per_dic=A, ph_per_alkalinity=B, pq=pq
    )

    assert_allclose([found.alkalinity, found.dic], [dta, ddic], atol=1e-9)


def test_standard_errors_agree_with_trials():
    rng = np.random.default_rng(1)
    n = 200_000
    found = exchange.carbon_from_ph_and_oxygen(
        ph_difference=-0.001, oxygen_difference=-1.0, ph_per_dic=A, ph_per_alkalinity=B, pq=1.05, pq_sd=0.05,
        ph_random_sd=2e-4, oxygen_random_sd=0.05, oxygen_systematic_sd=0.03, ph_systematic_sd=1e-4,
    )  # fmt: skip
    random = exchange.carbon_from_ph_and_oxygen(
        ph_difference=rng.normal(-0.001, 2e-4, n), oxygen_difference=rng.normal(-1.0, 0.05, n), ph_per_dic=A,
        ph_per_alkalinity=B, pq=1.05,
    )  # fmt: skip
    common = exchange.carbon_from_ph_and_oxygen(
        ph_difference=rng.normal(-0.001, 1e-4, n), oxygen_difference=rng.normal(-1.0, 0.03, n), ph_per_dic=A,
        ph_per_alkalinity=B, pq=rng.normal(1.05, 0.05, n),
    )  # fmt: skip

    assert_allclose(found.alkalinity_random_sd, random.alkalinity.std(), rtol=0.01)
    assert_allclose(found.dic_random_sd, random.dic.std(), rtol=0.01)
    assert_allclose(found.alkalinity_systematic_sd, common.alkalinity.std(), rtol=0.02)
    assert_allclose(found.dic_systematic_sd, common.dic.std(), rtol=0.02)


def test_beyond_0_0003_of_ph_only_a_bound_is_given():
    def found(sd):
        return exchange.carbon_from_ph_and_oxygen(
            ph_difference=0.0, oxygen_difference=0.0, ph_per_dic=A, ph_per_alkalinity=B, ph_systematic_sd=sd
        )

    assert found(0.0002).reason == 0
    assert found(0.001).reason == Reason.ILL_CONDITIONED
    assert_allclose(found(0.001).alkalinity_bound, 1.96 * 1.65098, rtol=1e-4)


def test_dic_from_ph_is_well_conditioned():
    dic, random, systematic = exchange.dic_from_ph(
        ph_difference=-0.002, ph_per_dic=A, ph_per_alkalinity=B, alkalinity_difference=0.1, ph_random_sd=1e-4,
        alkalinity_sd=0.1,
    )  # fmt: skip

    assert_allclose(A * dic + B * 0.1, -0.002)
    assert_allclose(random, 1e-4 / -A)
    assert_allclose(systematic, 0.1 * B / -A)


def test_a_quotient_far_from_any_organism_is_refused():
    with pytest.raises(OutOfRangeError, match="pq"):
        exchange.carbon_from_ph_and_oxygen(
            ph_difference=0.0, oxygen_difference=0.0, ph_per_dic=A, ph_per_alkalinity=B, pq=10.0
        )
