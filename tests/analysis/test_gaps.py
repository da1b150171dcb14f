"""Filling of the friction velocity for means over periods. All series are invented."""

import numpy as np
import pytest

from reeftally.analysis.gaps import fill_error, fill_friction_velocity, tidal_course

BLOCK_S = 900.0
TIDE_S = 12.4206012 * 3600.0


def tide(days, rng, noise=0.004):
    """A reversing current with springs and neaps; friction velocity 0.114 of the speed."""
    t = np.arange(int(days * 96)) * BLOCK_S
    phase = 2 * np.pi * t / TIDE_S
    spring = 1.0 + 0.15 * np.cos(2 * np.pi * t / (14.77 * 86400))
    along = 0.11 * spring * np.tanh(np.cos(phase) / 0.3) * (0.4 + 0.6 * np.abs(np.cos(phase)))
    across = 0.015 / np.cosh(np.cos(phase) / 0.12)
    true = 0.114 * np.hypot(along, across)
    east, north = (part + noise * rng.standard_normal(t.size) for part in (along, across))
    speed, toward = np.hypot(east, north), np.rad2deg(np.arctan2(east, north)) % 360
    seen = 0.114 * speed * (1 + 0.04 * rng.standard_normal(t.size))
    return t, speed, toward, np.where(seen < 0.003, np.nan, seen), true


@pytest.mark.parametrize("days", [1.5, 10.0])
def test_a_power_cut_at_full_stream_is_not_taken_for_slack_water(days):
    rng = np.random.default_rng(1)
    z, naive = [], []
    for k in range(40):
        t, speed, toward, seen, true = tide(days, rng)
        cut = slice(40 + k, 48 + k)
        speed[cut], toward[cut], seen[cut] = np.nan, np.nan, np.nan
        found = fill_friction_velocity(
            friction_velocity=seen, speed=speed, direction_to=toward, seconds=t, floor=0.003
        )  # fmt: skip
        night = slice(24, 72 + 24)
        z.append(
            (found.value[night].mean() - true[night].mean())
            / max(fill_error(found.sd[night], found.source[night]), 4e-5)
        )
        naive.append(np.where(np.isfinite(seen), seen, 0.0015)[night].mean() / true[night].mean() - 1)
        assert (found.source[cut] == 2).all()
        assert (found.value[np.isfinite(seen)] == seen[np.isfinite(seen)]).all()

    assert np.mean(np.abs(z) < 1.96) > 0.8
    assert np.mean(naive) < -0.05


def test_slow_blocks_with_a_known_speed_stand_at_the_drag_ratio():
    t, speed, toward, seen, _ = tide(2.0, np.random.default_rng(2))
    slack = ~np.isfinite(seen)
    found = fill_friction_velocity(friction_velocity=seen, speed=speed, direction_to=toward, seconds=t, floor=0.003)

    assert found.ratio == pytest.approx(0.114, rel=0.01)
    assert (found.source[slack] == 1).all()
    assert found.value[slack] == pytest.approx(found.ratio * speed[slack])


def test_less_than_two_tides_give_no_course_and_unknown_blocks_stay_empty():
    t, speed, toward, seen, _ = tide(0.9, np.random.default_rng(3))
    speed[30:40] = seen[30:40] = np.nan
    found = fill_friction_velocity(friction_velocity=seen, speed=speed, direction_to=toward, seconds=t, floor=0.003)

    assert np.isnan(tidal_course(seconds=t, values=speed)).all()
    assert np.isnan(found.value[30:40]).all()
    assert (found.source[30:40] == 9).all()


def test_errors_of_a_long_gap_hang_together():
    sd = np.full(48, 0.001)
    one, many = np.zeros(48, dtype=int), np.zeros(48, dtype=int)
    one[:12], many[::4] = 2, 1

    assert fill_error(sd, one) == pytest.approx(0.001 * 12 / 48)
    assert fill_error(sd, many) == pytest.approx(0.001 * np.sqrt(12 * 4) / 48)
    assert fill_error(sd, np.zeros(48, dtype=int)) == 0.0
