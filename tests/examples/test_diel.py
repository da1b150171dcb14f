"""The diel cycle: swing and hours of a made-up day come back, with intervals that hold them."""

import numpy as np
import pytest

from reeftally.analysis.diel import fit_cycle

START = np.datetime64("2031-03-26T00:00", "s").astype(float)


def hours_of(n):
    """Middles of n blocks of 15 min from a midnight in UTC. [s]"""
    return START + 900.0 * (np.arange(n) + 0.5)


def cycle(time, *, high=20.0):
    """A cosine of amplitude 0.01 with its maximum at an hour in UTC, on a drifting level (invented)."""
    days = (time - START) / 86400.0
    return 8.0 - 0.004 * days + 0.01 * np.cos(2.0 * np.pi * (days - high / 24.0))


def test_amplitude_and_hour_come_back_exactly_without_noise():
    """A cosine is a harmonic: amplitude 0.01, phase of 20 h."""
    time = hours_of(288)

    found = fit_cycle(time=time, values=cycle(time))

    assert np.hypot(found.coefficients[2], found.coefficients[3]) == pytest.approx(0.01, abs=1e-9)
    phase = np.arctan2(found.coefficients[3], found.coefficients[2]) * 24.0 / (2.0 * np.pi) % 24.0
    assert phase == pytest.approx(20.0, abs=1e-6)
    assert found.coefficients[1] == pytest.approx(-0.004, abs=1e-9)


def test_a_gap_in_the_night_leaves_the_cycle_alone():
    """Missing blocks are left out, not filled."""
    time = hours_of(288)
    values = cycle(time)
    values[100:120] = np.nan

    found = fit_cycle(time=time, values=values)

    assert found.n == 268
    assert np.hypot(found.coefficients[2], found.coefficients[3]) == pytest.approx(0.01, abs=1e-9)


@pytest.mark.parametrize("blocks", [20, 130])
def test_less_than_a_day_and_a_half_gives_no_cycle(blocks):
    """1.5 d are 144 blocks of 15 min."""
    time = hours_of(blocks)

    assert fit_cycle(time=time, values=cycle(time)) is None


@pytest.mark.parametrize("phi", [0.0, 0.9])
def test_intervals_of_the_amplitude_hold_the_truth_as_often_as_they_say(phi):
    """200 made-up missions of three days: 179 to 198 of the 95 % intervals hold it (binomial, 99.9 %)."""
    rng = np.random.default_rng(21)
    time = hours_of(288)

    inside = 0
    for _ in range(200):
        noise = np.empty(288)
        noise[0] = rng.normal()
        for i in range(1, 288):
            noise[i] = phi * noise[i - 1] + np.sqrt(1.0 - phi**2) * rng.normal()
        found = fit_cycle(time=time, values=cycle(time) + 0.002 * noise)
        # First order about the true phase: the part along it.
        along = np.array([np.cos(2 * np.pi * 20 / 24), np.sin(2 * np.pi * 20 / 24)])
        sd = np.sqrt(along @ found.covariance[2:4, 2:4] @ along)
        inside += abs(along @ found.coefficients[2:4] - 0.01) <= 1.96 * sd

    assert 179 <= inside <= 198
