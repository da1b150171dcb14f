"""Pumping and exchange of individuals; table values of the invented reef's sponges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reeftally import exchange
from reeftally.errors import InputError

# Invented forms: (diameter m, area-mean jet m/s, mean/centre, rate L/s, Reynolds number).
URN = (0.11, 0.075, 0.82, 0.71, 9700)
PIPE = (0.022, 0.055, 0.65, 0.021, 1400)
CUSHION = (0.035, 0.035, 0.65, 0.034, 1450)


@pytest.mark.parametrize("form", [URN, PIPE, CUSHION], ids=["urn", "pipe", "cushion"])
@pytest.mark.parametrize("method", ["dye", "jet"])
def test_pumping_of_the_invented_forms_lies_inside_the_interval(form, method):
    diameter, mean, share, rate, reynolds = form
    found = exchange.pumping_rate(speed=mean / share, diameter=diameter, method=method, speed_sd=0.05 * mean)

    total = np.hypot(found.random_sd, found.systematic_sd)
    assert abs(found.rate - rate) < 1.96 * total
    assert found.systematic_sd > 0.05 * found.rate  # the ratio is always carried
    assert_allclose(found.reynolds, reynolds, rtol=0.15)


def test_peak_times_area_would_be_up_to_twice_too_much():
    parabola = exchange.pumping_rate(speed=0.01, diameter=0.006)
    area = np.pi * 0.006**2 / 4.0

    assert_allclose(parabola.rate, 0.5 * 0.01 * area * 1000.0, rtol=0.05)


def test_a_mean_velocity_needs_no_ratio():
    found = exchange.pumping_rate(speed=0.075, diameter=0.11, method="mean")

    assert found.systematic_sd == 0.0
    assert_allclose(found.rate, 0.7127, rtol=1e-3)  # pi/4 0.11^2 0.075 m3/s


def test_beyond_the_core_the_centre_speed_is_brought_back():
    near = exchange.pumping_rate(speed=0.10, diameter=0.05, distance=0.1, ratio=0.8, ratio_sd=0.05)
    far = exchange.pumping_rate(speed=0.06, diameter=0.05, distance=0.5, ratio=0.8, ratio_sd=0.05)

    assert_allclose(far.rate, near.rate)  # 6 D/x = 0.6 at ten diameters


def test_where_the_current_takes_over_the_jet_formula_stops():
    velocity, growth = exchange.jet_decay(distance=[0.2, 3.0], diameter=0.1, ambient_ratio=0.5)

    assert velocity[0] == 1.0
    assert np.isnan(velocity[1])
    assert np.isnan(growth[1])


def test_a_ratio_without_its_uncertainty_is_refused():
    with pytest.raises(InputError, match="ratio_sd"):
        exchange.pumping_rate(speed=0.1, diameter=0.1, ratio=0.8)
    with pytest.raises(InputError, match="method"):
        exchange.pumping_rate(speed=0.1, diameter=0.1, method="guess")


def test_impossible_speeds_and_openings_are_nan():
    found = exchange.pumping_rate(speed=[-0.1, 0.1, np.nan], diameter=[0.1, 0.0, 0.1])

    assert np.isnan(found.rate).all()


@given(re=st.floats(1.0, 1e6), more=st.floats(1.0, 10.0))
def test_the_ratio_rises_with_the_reynolds_number_between_its_ends(re, more):
    low, high = exchange.profile_ratio(reynolds=[re, re * more])[0]

    assert 0.5 <= low <= high <= 0.85


def test_rates_take_blanks_volumes_and_both_error_parts():
    found = exchange.point_source(
        pumping=0.71, difference=[-9.0, -9.5], diameter=0.11, pumping_systematic_sd=0.06, difference_random_sd=0.3,
        blank=[0.1, -0.1, 0.2, 0.0], tissue_volume=10.0,
    )  # fmt: skip

    assert_allclose(found.release, 3.6 * 0.71 * (np.array([-9.0, -9.5]) - 0.05))
    assert_allclose(found.random_sd, 3.6 * 0.71 * 0.3)
    assert np.all(found.systematic_sd > 3.6 * 9.0 * 0.06)
    assert_allclose(found.per_volume, found.release / 10.0)
    assert_allclose(found.per_osculum_area, found.release / (np.pi * 0.11**2 / 4.0))


def test_the_invented_urn_takes_up_23_mmol_an_hour():
    # Table of the invented reef: 0.71 L/s, 9 umol/kg, 23.1 mmol/h; 1 umol/kg is 1.0223 mmol m-3 there,
    # printed to three digits from inputs of two.
    found = exchange.point_source(pumping=0.71, difference=-9.0 * 1.0223, diameter=0.11)

    assert_allclose(-found.release, 23.1, rtol=0.02)
