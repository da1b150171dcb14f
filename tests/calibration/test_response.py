"""Response times: 6 s and 28 s from a common step within 10 % (story 27); invented sensors."""

import numpy as np
import pytest

from reeftally.calibration.response import response_times
from reeftally.errors import InputError


def sensor(rng, tau, interval, noise, step=-20.0, t0=60.3, length=300.0, phase=0.0):
    time = np.arange(phase, length, interval)
    return time, 190.0 + step * (1 - np.exp(-np.maximum(time - t0, 0) / tau)) + rng.normal(0, noise, time.size)


def two(rng):
    fast = sensor(rng, 6.0, 1.0, 0.15)
    slow = sensor(rng, 28.0, 5.0, 0.10, phase=2.0)
    return [fast[0], slow[0]], [fast[1], slow[1]]


def test_six_and_twenty_eight_seconds_are_recovered_within_a_tenth():
    for seed in range(30):
        times, values = two(np.random.default_rng(seed))

        fast, slow = response_times(times=times, values=values)

        assert abs(fast.seconds - 6.0) < 0.6
        assert abs(slow.seconds - 28.0) < 2.8
        assert abs(fast.step_time - 60.3) < 0.5


@pytest.mark.slow
def test_intervals_of_response_times_hold_the_truth_in_500_repeats():
    # Central 99.9 % band of the binomial for 95 % intervals: 458 to 489 of 500.
    inside = np.zeros(2, dtype=int)
    for seed in range(500):
        times, values = two(np.random.default_rng(1000 + seed))
        found = response_times(times=times, values=values)
        inside += [found[0].lower <= 6.0 <= found[0].upper, found[1].lower <= 28.0 <= found[1].upper]

    assert ((inside >= 458) & (inside <= 489)).all(), inside


def test_no_step_is_refused():
    rng = np.random.default_rng(1)
    with pytest.raises(InputError, match="does not stand out"):
        response_times(times=[np.arange(50.0)], values=[rng.normal(0, 1, 50)])
