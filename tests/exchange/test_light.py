"""Light response on synthetic blocks (invented)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reeftally import exchange
from reeftally.errors import InputError, ShapeError


def blocks(rng, *, days=10, noise=2.0, exponent=0.0):
    hours = np.arange(days * 96) * 0.25
    cloud = rng.uniform(0.4, 1.0, days * 24)[(hours).astype(int)]
    light = np.maximum(0.0, np.sin(2.0 * np.pi * (hours - 6.0) / 24.0)) * 870.0 * cloud
    ustar = 0.01 * (0.4 + np.abs(np.cos(np.pi * hours / 12.42)))
    truth = 23.0 * np.tanh(light / 330.0) - 13.2 * (ustar / 0.01) ** exponent
    return light, ustar, truth, truth + rng.normal(0.0, noise, hours.size)


def test_maximum_and_saturation_are_found_within_a_tenth():
    light, _, _, flux = blocks(np.random.default_rng(1), noise=4.0)
    found = exchange.light_response(light=light, flux=flux, flux_sd=4.0)

    assert abs(found.maximum / 23.0 - 1.0) < 0.1
    assert abs(found.saturation / 330.0 - 1.0) < 0.1
    assert abs(found.respiration / 13.2 - 1.0) < 0.1
    assert found.reason == ""


@pytest.mark.slow
@pytest.mark.parametrize("robust", [True, False])
def test_intervals_of_500_fits_hold_the_truth(binomial_band, robust):
    rng = np.random.default_rng(2)
    z = []
    for _ in range(500):
        light, _, _, flux = blocks(rng, days=4)
        found = exchange.light_response(light=light, flux=flux, flux_sd=2.0, robust=robust)
        sd = np.sqrt(np.diag(found.covariance)[:3])
        z.append((np.array([found.maximum, found.saturation, found.respiration]) - [23.0, 330.0, 13.2]) / sd)
    z = np.abs(z)

    for level, factor in ((0.68, 0.994458), (0.95, 1.959964)):
        low, high = binomial_band(500, level)
        inside = (z <= factor).sum(axis=0)
        assert np.all((inside >= low) & (inside <= high)), (level, inside)


def test_flow_dependence_of_respiration_is_an_option():
    light, ustar, _, flux = blocks(np.random.default_rng(3), exponent=0.35)
    found = exchange.light_response(light=light, flux=flux, friction_velocity=ustar, fit_flow_exponent=True)

    assert abs(found.flow_exponent - 0.35) < 3.0 * np.sqrt(found.covariance[3, 3])
    assert np.sqrt(found.covariance[3, 3]) < 0.1


def test_a_few_wild_blocks_do_not_carry_the_curve():
    light, _, _, flux = blocks(np.random.default_rng(4))
    flux[::50] += 200.0
    found = exchange.light_response(light=light, flux=flux)

    assert abs(found.maximum / 23.0 - 1.0) < 0.1


def test_prediction_carries_the_error_of_the_fit():
    light, _, truth, flux = blocks(np.random.default_rng(5))
    found = exchange.light_response(light=light, flux=flux)
    value, sd = found.predict(light=light)

    assert np.all(sd < 1.0)
    assert np.abs(value - truth).max() < 5.0 * sd.max()


def test_light_that_never_saturates_is_said():
    rng = np.random.default_rng(6)
    light = rng.uniform(0.0, 60.0, 300)
    flux = 23.0 * np.tanh(light / 330.0) - 13.2 + rng.normal(0.0, 1.0, 300)

    assert "not resolved" in exchange.light_response(light=light, flux=flux).reason


@pytest.mark.parametrize("light", [np.zeros(50), np.full(50, np.nan), np.zeros(3)])
def test_without_light_or_blocks_there_is_no_fit_but_a_reason(light):
    found = exchange.light_response(light=light, flux=np.ones(light.size))

    assert np.isnan(found.maximum)
    assert found.reason


def test_unknown_shapes_and_lengths_raise():
    with pytest.raises(InputError, match="shape"):
        exchange.light_response(light=np.zeros(9), flux=np.zeros(9), shape="linear")
    with pytest.raises(ShapeError, match="light"):
        exchange.light_response(light=np.zeros(9), flux=np.zeros(8))


def test_curves_share_slope_and_ceiling():
    for shape in ("tanh", "exponential", "hyperbola"):
        low, high = exchange.response_curve(
            light=[1e-6, 1e9], maximum=20.0, saturation=300.0, respiration=0.0, shape=shape
        )
        assert_allclose(low / 1e-6, 20.0 / 300.0, rtol=1e-5)
        assert_allclose(high, 20.0, rtol=1e-5)
