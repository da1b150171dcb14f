"""Rotations against makers' matrices, published equations and planted attitudes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reeftally.errors import InputError, OutOfRangeError, ShapeError
from reeftally.flow import (
    apply_rotation,
    beam_matrix,
    beam_to_instrument,
    double_rotation,
    instrument_to_earth,
    noise_variance_ratio,
    profiler_beams,
    rotate,
    tilt_stress_error,
)

# Transform matrix printed in a maker's published example, times 4096, and one beam sample.
MAKERS = np.array([[11134, -5672, -5486], [-115, 9484, -9390], [1441, 1417, 1317]])
BEAMS = np.array([0.10, -0.05, 0.02])


def test_ideal_three_beam_matrix_follows_from_geometry():
    # Inverse of the beams' unit vectors at 15 degrees, azimuths 0, 120, 240 (Lohrmann, Cabrera and Kraus
    # 1994; Voulgaris and Trowbridge 1998, structure from memory); five decimals.
    found = beam_matrix(beam_angle=15.0)

    wanted = [[2.5758, -1.2879, -1.2879], [0.0, 2.23071, -2.23071], [0.345092] * 3]
    assert_allclose(found, wanted, rtol=0, atol=0.5e-5)


def test_horizontal_noise_is_28_times_the_vertical_at_15_degrees():
    # 2 / tan^2(beta), geometry; compare Voulgaris and Trowbridge (1998); four decimals.
    assert_allclose(noise_variance_ratio(beam_angle=15.0), 27.8564, rtol=0, atol=0.5e-4)

    matrix = beam_matrix(beam_angle=15.0)
    rows = (matrix**2).sum(axis=1)
    assert_allclose((rows[0] + rows[1]) / 2 / rows[2], 27.8564, rtol=0, atol=1e-4)


def test_makers_matrix_turns_beams_into_axes():
    # Product of the printed matrix and the sample, six decimals.
    found = beam_to_instrument(beams=BEAMS, matrix=MAKERS, scale=4096.0)

    assert_allclose(found, [0.314277, -0.164429, 0.024314], rtol=0, atol=0.5e-6)


def test_pointing_down_turns_y_and_z():
    up = beam_to_instrument(beams=BEAMS, matrix=MAKERS, scale=4096.0)
    down = beam_to_instrument(beams=BEAMS, matrix=MAKERS, scale=4096.0, pointing_down=True)

    assert_allclose(down, up * [1.0, -1.0, -1.0])


# Makers' note, heading-minus-90 convention (third tilt row from memory), worked by hand; six decimals.
@pytest.mark.parametrize(
    ("attitude", "wanted"),
    [
        ((0.0, 0.0, 0.0), [0.164429, 0.314277, 0.024314]),
        ((230.0, 2.5, -1.5), [-0.344813, -0.0755902, 0.0422912]),
    ],
)
def test_earth_axes_agree_with_the_makers_convention(attitude, wanted):
    xyz = beam_to_instrument(beams=BEAMS, matrix=MAKERS, scale=4096.0)
    heading, pitch, roll = attitude

    found = instrument_to_earth(velocity=xyz, heading=heading, pitch=pitch, roll=roll)

    assert_allclose(found, wanted, rtol=0, atol=1e-6)


def test_declination_is_added_once_to_the_heading():
    xyz = np.array([0.1, 0.02, 0.01])

    found = instrument_to_earth(velocity=xyz, heading=100.0, pitch=1.0, roll=2.0, declination=7.0)

    assert_allclose(found, instrument_to_earth(velocity=xyz, heading=107.0, pitch=1.0, roll=2.0))


@given(st.floats(0, 360), st.floats(-30, 30), st.floats(-30, 30))
@settings(max_examples=60, deadline=None)
def test_going_to_earth_keeps_the_speed(heading, pitch, roll):
    xyz = np.array([[0.3], [-0.2], [0.1]])

    found = instrument_to_earth(velocity=xyz, heading=heading, pitch=pitch, roll=roll)

    assert_allclose(np.linalg.norm(found), np.linalg.norm(xyz), rtol=1e-12)


def test_large_tilt_is_refused():
    with pytest.raises(OutOfRangeError, match="pitch"):
        instrument_to_earth(velocity=np.zeros(3), heading=0.0, pitch=70.0, roll=0.0)


def test_double_rotation_has_the_published_angles():
    # Wilczak, Oncley and Stage (2001), Boundary-Layer Meteorol. 99, 127, first two rotations, by hand:
    # yaw 28.0725, pitch -2.02136 degrees, speed 0.170106 m/s.
    mean = np.array([0.15, 0.08, -0.006])

    matrix, yaw, pitch = double_rotation(mean_velocity=mean)

    assert_allclose([yaw, pitch], [28.0725, -2.02136], rtol=0, atol=1e-4)
    assert_allclose(matrix @ mean, [0.170106, 0.0, 0.0], rtol=0, atol=1e-6)


@given(st.lists(st.floats(-1, 1), min_size=3, max_size=3).filter(lambda x: np.hypot(x[0], x[1]) > 1e-3))
@settings(max_examples=80, deadline=None)
def test_double_rotation_leaves_no_mean_across_and_up(mean):
    matrix, _, _ = double_rotation(mean_velocity=mean)

    assert_allclose(matrix @ matrix.T, np.eye(3), atol=1e-12)
    assert_allclose((matrix @ np.array(mean))[1:], 0.0, atol=1e-12)


def test_rotating_a_burst_ignores_missing_samples_in_the_mean():
    rng = np.random.default_rng(1)
    velocity = rng.normal(size=(3, 500)) * 0.01 + np.array([[0.1], [0.05], [-0.01]])
    velocity[:, 100:120] = np.nan

    found, matrix = rotate(velocity=velocity)

    assert_allclose(np.nanmean(found, axis=1)[1:], 0.0, atol=1e-12)
    assert_allclose(apply_rotation(velocity=velocity, matrix=matrix), found)


def test_tilt_costs_about_five_percent_of_the_stress_per_degree():
    # NCAR EOL note on sonic tilt corrections, first paragraph: about 5 % per degree (asked within 2 %).
    # Variances of the neutral atmosphere by Kaimal et al. (1972): sigma_u, sigma_w = 2.185, 1.207 u*.
    found = 100.0 * tilt_stress_error(tilt=1.0, horizontal_sd=2.185, vertical_sd=1.207)

    assert_allclose(found, 5.0, rtol=0, atol=2.0)


def test_one_degree_in_waves_makes_more_stress_than_the_bed():
    # Trowbridge (1998), J. Atmos. Oceanic Technol. 15, 290 (expression from memory), 0.20 and 0.01 m/s; six digits.
    found = tilt_stress_error(tilt=1.0, horizontal_sd=0.2, vertical_sd=0.01)

    assert_allclose(found, 0.000696386, rtol=0, atol=0.5e-9)


def test_four_beam_profiler_gives_back_the_velocity_and_no_error_velocity():
    angle = np.deg2rad(25.0)
    u, v, w = 0.3, -0.1, 0.02
    sine, cosine = np.sin(angle), np.cos(angle)
    beams = [u * sine + w * cosine, -u * sine + w * cosine, v * sine + w * cosine, -v * sine + w * cosine]

    velocity, error = profiler_beams(beams=np.array(beams), beam_angle=25.0)

    assert_allclose(velocity, [u, v, w], atol=1e-12)
    assert_allclose(error, 0.0, atol=1e-12)


def test_shapes_that_do_not_fit_are_named():
    with pytest.raises(ShapeError, match="3 components"):
        rotate(velocity=np.zeros((2, 10)))
    with pytest.raises(ShapeError):
        beam_to_instrument(beams=np.zeros(4), matrix=MAKERS)
    with pytest.raises(InputError, match="plane"):
        rotate(velocity=np.ones((3, 10)), method="planar")
