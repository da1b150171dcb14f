"""The law of the wall against constructed profiles, printed intervals and planted truths."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reeftally.errors import InputError, ShapeError
from reeftally.flow import (
    displacement_scan,
    drag_coefficient,
    eddy_diffusivity,
    law_of_the_wall,
    log_fit_half_width,
    obukhov_length,
    stability_function,
)


def test_constructed_profile_gives_back_its_friction_velocity_and_roughness():
    # Constructed with u* = 0.015 m/s, z0 = 0.02 m, kappa = 0.41; speeds printed to six decimals.
    found = law_of_the_wall(
        height=[0.15, 0.3, 0.6, 1.0], speed=[0.073716, 0.099075, 0.124434, 0.143123], displacement=0.0
    )

    assert_allclose(found.friction_velocity, 0.015, rtol=0, atol=2e-6)
    assert_allclose(found.roughness, 0.02, rtol=0, atol=1e-5)


def test_half_width_of_a_four_level_fit():
    # Gross and Nowell (1983), Wilkinson (1983), form from memory: R2 0.997, n = 4 gives 0.166892.
    assert_allclose(log_fit_half_width(r_squared=0.997, levels=4), 0.166892, rtol=0, atol=0.5e-6)


def test_regression_error_equals_the_closed_form():
    speed = [0.075, 0.098, 0.126, 0.142]

    found = law_of_the_wall(height=[0.15, 0.3, 0.6, 1.0], speed=speed, displacement=0.0)

    relative = float(log_fit_half_width(r_squared=float(found.r_squared), levels=4))
    assert_allclose((found.upper - found.friction_velocity) / found.friction_velocity, relative, rtol=1e-9)


def test_drag_coefficient_at_one_metre():
    # (0.41 / ln 100)^2 = 0.00792641.
    assert_allclose(drag_coefficient(roughness=0.01), 0.00792641, rtol=0, atol=0.5e-8)


def test_measured_reef_drag_belongs_to_roughness_of_centimetres():
    # Reidenbach et al. (2006), abstract: 0.009 to 0.015 over a fringing fore-reef; at 1 m this is z0 of 1 to 4 cm.
    found = drag_coefficient(roughness=[0.0133, 0.0352])

    assert_allclose(found, [0.009, 0.015], rtol=0, atol=0.0005)


def test_deep_water_drag_lies_in_the_published_span():
    # Lentz et al. (2017), abstract: field and laboratory 0.005 to 0.2, falling with depth; z0 about 5 cm
    # gives 0.005 in 10 m. The point form with z = h is asked to lie in the span for 1 to 10 m.
    found = drag_coefficient(roughness=0.05, reference_height=np.array([1.0, 3.0, 10.0]))

    assert (np.diff(found) < 0).all()
    assert ((found >= 0.005) & (found <= 0.2)).all()


def test_obukhov_length_of_a_weak_freshwater_flux():
    # Monin and Obukhov (1954): u* 0.01, 1e-4 kg m-2 s-1, rho 1023, kappa 0.41, g 9.81 gives 2.54345 m.
    assert_allclose(obukhov_length(friction_velocity=0.01, density_flux=1e-4), 2.54345, rtol=0, atol=0.5e-5)
    assert obukhov_length(friction_velocity=0.01, density_flux=0.0) == np.inf


def test_stability_functions_have_the_published_forms():
    # Dyer (1974), beta 5; unstable (1 - 16 z/L)^(-1/4) and ^(-1/2).
    assert_allclose(stability_function(stability=[0.0, 0.1]), [1.0, 1.5])
    assert_allclose(stability_function(stability=-1.0), 17.0**-0.25)
    assert_allclose(stability_function(stability=-1.0, quantity="scalar"), 17.0**-0.5)


def test_diffusivity_of_the_log_layer():
    # kappa u* z: 0.41 * 0.012 * 0.5 = 2.46e-3 m2/s.
    assert_allclose(eddy_diffusivity(friction_velocity=0.012, height=0.5), 2.46e-3, rtol=1e-12)
    assert np.isnan(eddy_diffusivity(friction_velocity=0.012, height=0.1, displacement=0.1))


def profile(heights, friction, roughness, displacement=0.0, inverse_obukhov=0.0, kappa=0.41):
    above = heights - displacement
    return friction / kappa * (np.log(above / roughness) + 5.0 * above * inverse_obukhov)


@given(st.floats(0.003, 0.05), st.floats(1e-4, 0.03), st.floats(0.0, 0.1), st.floats(0.0, 0.3))
@settings(max_examples=60, deadline=None)
def test_any_log_profile_is_given_back(friction, roughness, displacement, inverse):
    z = np.array([0.2, 0.3, 0.45, 0.6, 0.9])
    speed = profile(z, friction, roughness, displacement, inverse)

    found = law_of_the_wall(
        height=z, speed=speed, displacement=displacement, inverse_obukhov=inverse, slowest=0.0, least_r_squared=0.0
    )

    assert_allclose(found.friction_velocity, friction, rtol=1e-7)
    assert_allclose(found.roughness, roughness, rtol=1e-6)


def test_ignoring_stratification_overstates_friction_velocity():
    z = np.array([0.2, 0.4, 0.6, 0.9])
    speed = profile(z, 0.01, 0.02, 0.0, 1.0 / 2.5)

    found = law_of_the_wall(height=z, speed=speed, displacement=0.0)

    assert found.friction_velocity > 0.013


def test_many_blocks_at_once_equal_one_at_a_time():
    rng = np.random.default_rng(1)
    z = np.array([0.15, 0.25, 0.4, 0.6, 0.9])
    speed = profile(z, 0.01, 0.02, 0.1)[:, None] * rng.uniform(0.5, 2.0, 20) + 0.001 * rng.normal(size=(5, 20))
    speed[2, 3] = np.nan

    together = law_of_the_wall(height=z, speed=speed, displacement=0.1, displacement_sd=0.02)

    for k in range(20):
        alone = law_of_the_wall(height=z, speed=speed[:, k], displacement=0.1, displacement_sd=0.02)
        assert_allclose(together.friction_velocity[k], alone.friction_velocity)
        assert_allclose(together.systematic_sd[k], alone.systematic_sd)


def test_canopy_and_outer_levels_do_not_enter():
    z = np.array([0.12, 0.25, 0.4, 0.6, 0.9, 3.0])
    speed = profile(z, 0.01, 0.02, 0.1)
    speed[0], speed[-1] = 0.2, 0.9

    found = law_of_the_wall(height=z, speed=speed, displacement=0.1, canopy_height=0.14, top=1.0)

    assert_allclose(found.friction_velocity, 0.01, rtol=1e-9)
    assert found.levels == 4


def test_stated_intervals_hold_the_truth():
    # kappa, displacement and random errors drawn from the stated priors; 500 blocks: 458 to 489 of the 95 %
    # intervals hold the truth (central 99.9 % of the binomial).
    rng = np.random.default_rng(2)
    z = np.array([0.25, 0.35, 0.45, 0.6, 0.75, 0.9])
    inside = 0
    for _ in range(500):
        kappa, d = rng.normal(0.41, 0.01), rng.normal(0.1, 0.02)
        speed = profile(z, 0.01, 0.02, d, kappa=kappa) + 0.001 * rng.normal(size=6)
        found = law_of_the_wall(
            height=z, speed=speed, displacement=0.1, displacement_sd=0.02, von_karman_sd=0.01, least_r_squared=0.0,
            widest=np.inf,
        )  # fmt: skip
        inside += found.lower <= 0.01 <= found.upper

    assert 458 <= inside <= 489


def test_displacement_scan_shows_how_much_hangs_on_it():
    z = np.array([0.25, 0.4, 0.6, 0.9])

    friction, roughness, r2 = displacement_scan(
        height=z, speed=profile(z, 0.01, 0.02, 0.1), displacements=[0.0, 0.1, 0.2]
    )

    assert_allclose(friction[1], 0.01, rtol=1e-9)
    assert_allclose(r2[1], 1.0, rtol=1e-9)
    assert (np.diff(friction) < 0).all()
    assert (np.diff(roughness) < 0).all()


@pytest.mark.parametrize(
    ("height", "speed", "reason"),
    [
        ([0.2, 0.4, 0.6, 0.9], [0.1, 0.08, 0.07, 0.05], "not_increasing"),
        ([0.2, 0.4, 0.6, 0.9], [0.002, 0.003, 0.004, 0.005], "slack"),
        ([0.2, 0.4, 0.6, 0.9], [0.05, 0.14, 0.06, 0.12], "not_logarithmic"),
        ([0.2, 0.4, 0.6, 0.9], [0.05, np.nan, np.nan, 0.12], "levels"),
        ([0.2, 0.4, 0.6, 0.9], [np.nan] * 4, "levels"),
        ([-0.2, 0.4, 0.6, 0.9], [0.05, 0.08, 0.1, 0.12], "heights"),
        ([0.2, 0.2, 0.6, 0.9], [0.05, 0.08, 0.1, 0.12], "heights"),
    ],
)
def test_a_profile_that_is_no_log_profile_has_a_reason_and_no_value(height, speed, reason):
    found = law_of_the_wall(height=height, speed=speed, displacement=0.0)

    assert str(found.reason) == reason
    assert np.isnan(found.friction_velocity)
    assert np.isnan(found.roughness)
    assert np.isnan(found.drag)


def test_arguments_that_do_not_fit_are_refused():
    with pytest.raises(ShapeError):
        law_of_the_wall(height=[0.2, 0.4], speed=[0.1], displacement=0.0)
    with pytest.raises(InputError, match="3"):
        log_fit_half_width(r_squared=0.9, levels=2)
