"""Currents. Source of every threshold and flag: QARTOD currents manual v2.1 (2019), section 3.3, test named beside."""

import numpy as np
import pytest

from reeftally.errors import InputError
from reeftally.quality import currents as c

MANUAL = [
    # test, function, arguments, flags; examples printed in the manual where it prints one
    (1, c.battery, {"volts": [11.7, 11.6, 11.5, np.nan]}, [1, 1, 4, 9]),
    (3, c.tilt, {"pitch": [3, 16, -16, 3], "roll": [1, 1, 1, np.nan]}, [1, 4, 4, 9]),  # printed: 3, 1 is 1
    (4, c.sound_speed, {"sound_speed": [1528, 1474, 1561]}, [1, 4, 4]),  # printed: 1528 is 1
    (5, c.noise_floor, {"counts": [25, 30, 24, 31]}, [1, 1, 4, 4]),
    (6, c.signal_strength, {"counts": [25, 24]}, [1, 4]),
    (7, c.signal_to_noise, {"signal_to_noise": [12, 8], "least": 10}, [1, 4]),
    (8, c.correlation, {"counts": [64, 65, 140, 141]}, [4, 3, 3, 1]),
    (9, c.percent_good, {"three_beam": [10, 20, 30, 40], "four_beam": [14, 20, 45, 40]}, [4, 3, 3, 1]),
    (10, c.speed, {"speed": [2.5, 2.51]}, [1, 3]),
    (11, c.direction, {"direction": [0, 360, -0.1, 360.1]}, [1, 1, 4, 4]),
    (12, c.horizontal_velocity, {"u": [0.5, 1.1], "v": [0.2, 0.2], "most": (1.0, 1.0)}, [1, 4]),
    (13, c.vertical_velocity, {"w": [0.004, 0.002], "speed": [0.3, 0.3]}, [3, 1]),
    (13, c.vertical_velocity, {"w": [0.15, -0.16], "speed": [0.3, 0.3], "most": 0.15}, [1, 3]),
    (14, c.error_velocity, {"error_velocity": [0.1, 0.15, 0.2, -0.21]}, [1, 3, 3, 4]),
    (15, c.rate_of_change, {"u": [0, 0.1, 0.6, 1.6], "v": [0, 0, 0, 0]}, [2, 1, 3, 4]),
    (16, c.spike, {"u": [0, 0, 0.5, 0, 0, 1, 0], "v": [0] * 7}, [2, 1, 3, 1, 3, 4, 2]),
    (20, c.current_gradient, {"speed": [[0.1], [0.2], [0.6]], "most": 0.3}, [2, 1, 4]),
]


@pytest.mark.parametrize(("number", "function", "arguments", "flags"), MANUAL)
def test_each_test_gives_the_manuals_flags(number, function, arguments, flags):
    found = function(**arguments)

    assert np.ravel(found).tolist() == flags, f"test {number}"


def test_echo_jump_fails_a_bin_with_too_few_beams_and_all_beyond():
    # Test 18: MAXEICNT = 30 counts, NUMBEAM = 4, D = 3.
    echo = np.full((4, 5, 1), 100.0)
    echo[0, 1:] += 31.0
    echo[:2, 3:] += 31.0

    flags = c.echo_jump(echo=echo)

    assert flags[:, 0].tolist() == [1, 3, 1, 4, 4]


def test_echo_dropoff_fails_weak_bins():
    # Test 19: MINEICNT = 20 counts, NUMBEAM = 4, D = 3.
    echo = np.full((4, 4, 1), 50.0)
    echo[0, 2] = 19.0
    echo[:2, 3] = 19.0

    flags = c.echo_dropoff(echo=echo)

    assert flags[:, 0].tolist() == [1, 1, 3, 4]


def test_block_means_of_a_steady_current_pass_and_a_tilted_frame_fails():
    rng = np.random.default_rng(1)
    u = 0.1 + rng.normal(0, 0.01, 96)
    pitch = np.zeros(96)
    pitch[50] = 40.0

    flags, tests = c.flag_currents(u=u, v=0.0 * u + rng.normal(0, 0.01, 96), health={"pitch": pitch, "roll": 0 * pitch})

    assert flags[50] == 4
    assert (np.delete(flags, 50) == 1).all()
    assert set(tests) == {"speed", "rate_of_change", "spike", "flat_line", "tilt"}


def test_unknown_health_channels_are_named():
    with pytest.raises(InputError, match="humidity"):
        c.flag_currents(u=[0.0], v=[0.0], health={"humidity": [1.0]})
