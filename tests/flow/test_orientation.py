"""Upside-down and swapped instruments, planted."""

import numpy as np
import pytest

from reeftally.errors import ShapeError
from reeftally.flow import combine_orientations, orientation


def record(burst_maker, seed, **more):
    arguments = {"sample_rate": 8.0, "wave_amplitude": 0.1, "noise": (0.012, 0.012, 0.002)} | more
    return burst_maker(np.random.default_rng(seed), **arguments)


def test_right_way_up_is_confirmed_by_the_phase_of_w_and_pressure(burst_maker):
    burst = record(burst_maker, 1)

    found = orientation(velocity=burst.velocity, sample_rate=8.0, pressure=burst.pressure)

    assert found.verdict == "as_stated"
    assert {e.name: e.z > 4.0 for e in found.evidence}["wave_phase"]
    assert found.vertical_axis == 2


@pytest.mark.parametrize("flip", [[1.0, 1.0, -1.0], [1.0, -1.0, -1.0]])
def test_upside_down_is_caught_with_and_without_pressure(burst_maker, flip):
    burst = record(burst_maker, 2)
    wrong = burst.velocity * np.array(flip)[:, None]

    with_pressure = orientation(velocity=wrong, sample_rate=8.0, pressure=burst.pressure)
    neighbour = orientation(velocity=wrong, sample_rate=8.0, neighbour=burst.velocity[2])
    alone = combine_orientations(
        orientations=[
            orientation(velocity=record(burst_maker, k).velocity * np.array(flip)[:, None], sample_rate=8.0)
            for k in range(10, 14)
        ]
    )

    assert with_pressure.verdict == "upside_down"
    assert neighbour.verdict == "upside_down"
    assert alone.verdict == "upside_down"


def test_swapped_axes_are_seen_in_noise_and_wave_motion(burst_maker):
    burst = record(burst_maker, 3)

    found = orientation(velocity=burst.velocity[[2, 1, 0]], sample_rate=8.0, pressure=burst.pressure)

    assert found.verdict == "axes_swapped"
    assert found.vertical_axis == 0


def test_random_numbers_give_no_verdict():
    rng = np.random.default_rng(4)
    verdicts = [
        orientation(velocity=rng.normal(size=(3, 3600)) * 0.01, sample_rate=8.0, pressure=rng.normal(size=3600)).verdict
        for _ in range(30)
    ]

    assert verdicts.count("undecided") >= 29


def test_a_burst_without_data_gives_no_verdict():
    assert orientation(velocity=np.full((3, 7200), np.nan), sample_rate=8.0).verdict == "undecided"
    assert orientation(velocity=np.zeros((3, 50)), sample_rate=8.0).verdict == "undecided"
    with pytest.raises(ShapeError):
        orientation(velocity=np.zeros((2, 7200)), sample_rate=8.0)
