"""Tide, current, waves and light of the invented basin, against linear theory and its description."""

from __future__ import annotations

import numpy as np
import pytest

from reeftally.mission import solar
from reeftally.rehearsal.water import wave_number


def _in_place(world):
    t = world.water.t
    return (t >= world.script.place[0]) & (t < world.script.place[1])


def test_wave_number_meets_a_worked_value():
    # h = 10 m, T = 8 s, g = 9.81: k = 0.088622 rad/m (worked from the dispersion relation of linear
    # theory, Dean and Dalrymple 1991 eq. 3.34 from memory). Here g is 9.80665: k grows by half the share.
    k = wave_number(np.array([2.0 * np.pi / 8.0]), 10.0)[0]

    assert k == pytest.approx(0.088622 * (1.0 + 0.5 * (9.81 / 9.80665 - 1.0)), abs=3e-5)


def test_wave_number_solves_the_dispersion_relation():
    omega = np.linspace(0.02, 6.0, 50)

    k = wave_number(omega, 6.4)

    assert np.allclose(9.80665 * k * np.tanh(k * 6.4), omega**2, rtol=1e-12)


def test_near_bed_orbital_motion_has_the_size_of_the_tuning_values(demo):
    # Tuning values of the invented reef: swell Hs 0.25 m, Tp 11 s gives 0.14 m/s amplitude near the bed and
    # 4 mm/s upward at 0.4 m for a regular wave of that height; a spectrum has 1/sqrt(2) of it as rms of Hs/2.
    waves = demo.waves
    horizontal = np.sqrt(np.mean(waves.east**2 + waves.north**2))
    vertical = 0.4 * waves.strain.std()

    assert horizontal == pytest.approx(0.14 / 2.0, rel=0.20)
    assert vertical == pytest.approx(0.004 / np.sqrt(2.0), rel=0.20)


def test_vertical_displacement_is_the_integral_of_vertical_velocity(demo):
    waves = demo.waves
    n = 40_000
    integrated = np.cumsum(waves.strain[:n]) * 0.25

    left = integrated - waves.stretch[:n]

    # What is left is the constant of integration and the slow growth of the waves.
    assert (left - left.mean()).std() < 0.15 * waves.stretch[:n].std()


def test_current_reverses_and_slack_lasts_fifteen_to_twenty_five_minutes(full):
    water = full.water
    chosen = _in_place(full)
    angle = np.deg2rad(75.0)
    along = water.east[chosen] * np.sin(angle) + water.north[chosen] * np.cos(angle)
    slow = np.abs(along) < 0.02
    edges = np.flatnonzero(np.diff(np.concatenate([[0], slow.astype(int), [0]])))
    lengths = edges[1::2] - edges[::2]

    assert along.max() > 0.10
    assert along.min() < -0.08
    assert 15.0 <= np.median(lengths) <= 25.0


def test_friction_velocity_follows_the_log_law_at_the_reference_height(demo):
    water, reef = demo.water, demo.reef

    expected = reef.von_karman * np.hypot(water.east, water.north) / np.log(0.9 / reef.roughness)

    assert np.allclose(water.friction, expected)


def test_friction_velocity_has_the_tuned_range_and_mean(full):
    friction = full.water.friction[_in_place(full)]

    assert friction.mean() == pytest.approx(0.010, rel=0.20)
    assert friction.max() == pytest.approx(0.017, rel=0.20)


def test_light_is_dark_at_night_and_has_the_tuned_noon(full):
    water = full.water
    chosen = _in_place(full)

    assert np.all(water.light_bed[water.elevation < -1.0] == 0.0)
    # Clear noon at the bed is tuned to 870 at mean depth; the tide moves it by some per cent.
    assert water.light_bed[chosen].max() == pytest.approx(870.0, rel=0.20)


def test_the_sun_of_the_water_is_the_sun_of_the_mission(demo):
    script = demo.script
    at = np.array([0.0, 7200.0, 40_000.0])
    own = demo.water.at("elevation", at)

    theirs = solar.elevation(script.start_ns + (at * 1e9).astype(np.int64), -14.20, 78.50)

    assert np.allclose(own, theirs, atol=0.01)


def test_spring_and_neap_fall_on_the_days_described(full):
    water, script = full.water, full.script
    days = (water.t - script.place[0]) / 86400.0
    inside = (days > 0.0) & (days < 10.0)

    assert days[inside][np.argmin(water.spring[inside])] == pytest.approx(2.5, abs=0.2)
    assert water.spring[inside][-1] == pytest.approx(1.0, abs=0.02)
