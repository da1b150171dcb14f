"""Incubations and microprofiles (synthetic, invented)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reeftally import exchange
from reeftally.errors import InputError, OutOfRangeError
from reeftally.exchange import Reason

CHAMBER = {"volume": 0.030, "area": 0.1}


def record(rng, *, flux=-10.0, seconds=5400.0, noise=0.2, bend=0.0, mixing=0.0):
    t = np.arange(0.0, seconds, 10.0)
    rate = flux * CHAMBER["area"] / CHAMBER["volume"]  # mmol m-3 h-1
    hours = t / 3600.0
    c = 200.0 + rate * hours + bend * hours**2 + mixing * np.exp(-t / 40.0)
    return t, c + rng.normal(0.0, noise, t.size)


def test_closed_chamber_gives_the_flux():
    t, c = record(np.random.default_rng(1))
    found = exchange.incubation(time=t, concentration=c, **CHAMBER)

    assert abs(found.value + 10.0) < 4.0 * found.random_sd
    assert found.hours > 1.0


def test_mixing_and_saturation_are_kept_out_of_the_slope():
    t, c = record(np.random.default_rng(2), mixing=15.0)
    late = np.maximum(c, 200.0 - 20.0)
    first, stop = exchange.slope_window(time=t, concentration=late, mixing=300.0, largest_change=18.0)
    found = exchange.incubation(time=t, concentration=late, mixing=300.0, largest_change=18.0, **CHAMBER)

    assert t[first] >= 300.0
    assert c[stop - 1] > 180.0
    assert abs(found.value + 10.0) < 4.0 * found.random_sd + 0.2


def test_a_bend_shortens_the_window():
    t, c = record(np.random.default_rng(3), bend=18.0)
    _, stop_bent = exchange.slope_window(time=t, concentration=c)
    _, stop_straight = exchange.slope_window(time=t, concentration=record(np.random.default_rng(3))[1])

    assert stop_bent < stop_straight


def test_blanks_are_subtracted_with_their_scatter():
    t, c = record(np.random.default_rng(4))
    bare = exchange.incubation(time=t, concentration=c, **CHAMBER)
    found = exchange.incubation(time=t, concentration=c, blank=[-1.0, -2.0, -1.5], **CHAMBER)

    assert_allclose(found.value - bare.value, 1.5)
    assert_allclose(found.budget["blank"], 0.5 / np.sqrt(3.0))
    assert_allclose(sum(found.parts.values()), found.value)


def test_a_leak_is_given_back():
    t = np.arange(0.0, 5400.0, 10.0)
    c = np.full(t.size, 200.0)
    for k in range(1, t.size):
        c[k] = c[k - 1] + (10.0 / 3600.0) * (-33.33333 - 0.2 * (c[k - 1] - 200.0))
    found = exchange.incubation(
        time=t, concentration=c, leak_rate=0.2, outside_concentration=200.0, largest_change=60.0, **CHAMBER
    )

    assert_allclose(found.value, -10.0, rtol=0.01)


def test_flow_through_balances_inflow_and_outflow():
    rng = np.random.default_rng(5)
    t = np.arange(0.0, 3600.0, 30.0)
    found = exchange.incubation(
        time=t, concentration=195.0 + rng.normal(0.0, 0.1, t.size), inflow_concentration=200.0, flow=0.2,
        mode="flow-through", mixing=0.0, flow_sd=0.01, offset_sd=0.2, **CHAMBER,
    )  # fmt: skip

    assert abs(found.value + 10.0) < 4.0 * found.random_sd
    assert_allclose(found.budget["offset"], 0.2 / 0.1 * 0.2)


@pytest.mark.slow
def test_intervals_of_1000_incubations_hold_the_truth(binomial_band):
    rng = np.random.default_rng(6)
    z = []
    for _ in range(1000):
        t, c = record(rng, seconds=3600.0)
        found = exchange.incubation(time=t, concentration=c, **CHAMBER)
        z.append(float((found.value + 10.0) / found.random_sd))

    low, high = binomial_band(1000, 0.95)
    assert low <= np.sum(np.abs(z) <= 1.959964) <= high


@pytest.mark.parametrize(
    "spoil", [lambda c: c * np.nan, lambda c: c[:0], lambda c: np.where(np.arange(c.size) < 3, c, np.nan)]
)
def test_spoilt_incubations_have_a_reason(spoil):
    t, c = record(np.random.default_rng(7))
    c = spoil(c)
    found = exchange.incubation(time=t[: c.size], concentration=c, **CHAMBER)

    assert np.isnan(found.value)
    assert found.reason & Reason.EMPTY


def test_impossible_chambers_raise():
    with pytest.raises(OutOfRangeError, match="volume"):
        exchange.incubation(time=[0.0], concentration=[1.0], volume=-1.0, area=1.0)
    with pytest.raises(InputError, match="mode"):
        exchange.incubation(time=[0.0], concentration=[1.0], mode="open", **CHAMBER)


def test_diffusive_flux_is_ficks_law_in_water_and_sediment():
    # Uptake by the bed: concentration rises upward through the boundary layer, flux into the water < 0.
    z = np.linspace(0.0, 4e-4, 9)
    water = exchange.diffusive_flux(height=z, concentration=150.0 + 1e5 * z, diffusivity=2.3e-9)
    sediment = exchange.diffusive_flux(
        height=-z, concentration=150.0 - 1e5 * z, diffusivity=2.3e-9, layer="sediment", porosity=0.4
    )

    assert_allclose(water.value, -2.3e-9 * 1e5 * 3600.0)
    assert_allclose(sediment.value, -0.4 * 2.3e-9 / (1.0 - np.log(0.16)) * 1e5 * 3600.0)


def test_profiles_side_by_side_and_short_ones_refused():
    z = np.tile(np.linspace(0.0, 4e-4, 9), (2, 1))
    c = 150.0 + 1e5 * z
    c[1, 2:] = np.nan
    found = exchange.diffusive_flux(height=z, concentration=c, diffusivity=2.3e-9, diffusivity_sd=1e-10)

    assert found.value.shape == (2,)
    assert np.isnan(found.value[1])
    assert_allclose(found.systematic_sd[0], abs(found.value[0]) * 1e-10 / 2.3e-9)
