"""Planes of the mean flow against a constructed data set and planted tilts."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reeftally.errors import InputError, ShapeError
from reeftally.flow import choose_rotation, planar_fit, rotate, wave_tilt_moments


def test_plane_is_recovered_from_constructed_means():
    # Plane equation of Wilczak et al. (2001), NCAR EOL note; data constructed with 0.002, 0.03, -0.015.
    u, v = [0.1, 0.2, -0.1, -0.2, 0.05], [0.05, -0.1, 0.15, -0.05, 0.2]
    w = [0.00425, 0.0095, -0.00325, -0.00325, 0.0005]

    found = planar_fit(u=u, v=v, w=w)

    assert_allclose(found.coefficients[0], [0.002, 0.03, -0.015], rtol=0, atol=1e-9)


def tilt_matrix(pitch, roll):
    """Instrument to level axes, pitch and roll as in the makers' note. [degree]"""
    p, r = np.deg2rad(pitch), np.deg2rad(roll)
    return np.array([
        [np.cos(p), -np.sin(p) * np.sin(r), -np.cos(r) * np.sin(p)],
        [0.0, np.cos(r), -np.sin(r)],
        [np.sin(p), np.sin(r) * np.cos(p), np.cos(p) * np.cos(r)],
    ])  # fmt: skip


@pytest.fixture(scope="module")
def tilted(burst_maker):
    """Bursts of a reversing tide in waves at 45 degrees to it, pitch 3.2, roll -1.8 degrees (invented)."""
    rng = np.random.default_rng(48)
    turn = tilt_matrix(3.2, -1.8)
    means, covariances, samples, bursts = [], [], [], []
    for i in range(300):
        phase = 2.0 * np.pi * i / 50.0
        speed = 0.03 + 0.1 * abs(np.cos(phase))
        direction = 15.0 + (180.0 if np.cos(phase) < 0 else 0.0) + 3.0 * rng.normal()
        burst = burst_maker(
            rng, friction_velocity=0.1 * speed, speed=speed, wave_amplitude=0.1,
            wave_direction=60.0 - direction, sample_rate=4.0, noise=(0.004, 0.004, 0.001),
        )  # fmt: skip
        c, s = np.cos(np.deg2rad(direction)), np.sin(np.deg2rad(direction))
        x, y, z = burst.velocity
        inside = turn.T @ np.stack([c * x - s * y, s * x + c * y, z])
        covariance, number = wave_tilt_moments(velocity=inside, sample_rate=4.0)
        means.append(inside.mean(axis=1))
        covariances.append(covariance)
        samples.append(number)
        bursts.append(inside)
    return turn, np.array(means), np.array(covariances), np.array(samples), bursts


def test_planted_pitch_and_roll_are_recovered_within_a_tenth_of_a_degree(tilted):
    turn, means, covariances, samples, bursts = tilted

    found = planar_fit(u=means[:, 0], v=means[:, 1], w=means[:, 2], wave_covariance=covariances, wave_samples=samples)

    normal = turn[2]
    wanted = -normal[:2] / normal[2]
    assert_allclose(found.tilt(), np.rad2deg(np.arctan(wanted)), rtol=0, atol=0.1)
    ups = [rotate(velocity=b, method="planar", plane=found)[0][2].mean() for b in bursts]
    assert abs(np.mean(ups)) < 0.0002


def test_interval_of_the_plane_holds_the_planted_tilt(tilted):
    turn, means, covariances, samples, _ = tilted
    normal = turn[2]
    wanted = -normal[:2] / normal[2]

    for waves in ({}, {"wave_covariance": covariances, "wave_samples": samples}):
        found = planar_fit(u=means[:, 0], v=means[:, 1], w=means[:, 2], **waves)
        z = (found.coefficients[0, 1:] - wanted) / found.coefficient_sd[0, 1:]

        assert (np.abs(z) < 3.3).all()


def test_a_tilt_that_nothing_shows_is_left_at_zero():
    u = np.array([-0.2, -0.1, 0.1, 0.2, 0.15])

    found = planar_fit(u=u, v=np.zeros(5), w=0.001 + 0.03 * u)

    assert_allclose(found.coefficients[0], [0.001, 0.03, 0.0], atol=1e-12)


def test_sectors_have_their_own_planes():
    rng = np.random.default_rng(1)
    u, v = rng.uniform(-0.2, 0.2, (2, 400))
    w = np.where(u > 0, 0.05 * u, -0.02 * u) + 0.001

    found = planar_fit(u=u, v=v, w=w, sectors=[90.0, 270.0])

    assert_allclose(found.coefficients[found.sector(0.0)], [0.001, 0.05, 0.0], atol=1e-9)
    assert_allclose(found.coefficients[found.sector(180.0)], [0.001, -0.02, 0.0], atol=1e-9)


def test_rotation_by_the_plane_takes_offset_and_tilt_away():
    rng = np.random.default_rng(2)
    u, v = rng.uniform(-0.2, 0.2, (2, 50))
    plane = planar_fit(u=u, v=v, w=0.004 + 0.05 * u - 0.03 * v)
    burst = np.array([[0.1], [0.08], [0.004 + 0.005 - 0.0024]]) + np.zeros((3, 20))

    found, matrix = rotate(velocity=burst, method="planar", plane=plane)

    assert_allclose(found[1:], 0.0, atol=1e-12)
    assert_allclose(matrix @ matrix.T, np.eye(3), atol=1e-12)


@pytest.mark.parametrize(
    ("number", "arc", "method"),
    [(3, 180.0, "double"), (20, 40.0, "double"), (20, 170.0, "planar"), (40, 40.0, "planar")],
)
def test_rotation_is_chosen_by_the_stated_rule(number, arc, method):
    # Planar fit from 90 degrees of directions or 30 bursts (NCAR EOL note for the spread; the count is
    # common practice, no source).
    rng = np.random.default_rng(3)
    angle = np.deg2rad(np.linspace(0.0, arc, number))
    u, v = 0.1 * np.cos(angle), 0.1 * np.sin(angle)

    choice = choose_rotation(u=u, v=v, w=0.01 * u + 1e-5 * rng.normal(size=number))

    assert choice.method == method
    assert choice.method in choice.reason or choice.reason.startswith("planar fit")


def test_unusable_arguments_are_named():
    with pytest.raises(ShapeError):
        planar_fit(u=np.zeros(4), v=np.zeros(5), w=np.zeros(5))
    with pytest.raises(InputError, match="sectors"):
        planar_fit(u=np.zeros(5), v=np.zeros(5), w=np.zeros(5), sectors=[90.0, 10.0])
    plane = planar_fit(u=[0.1] * 3, v=[0.0] * 3, w=[0.0] * 3, sectors=[0.0, 180.0])
    with pytest.raises(InputError, match="double rotation"):
        rotate(velocity=np.array([[-0.1], [-0.1], [0.0]]) + np.zeros((3, 5)), method="planar", plane=plane)
