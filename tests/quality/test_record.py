"""Flags of whole records: invented records with planted faults."""

import numpy as np

from reeftally.quality.record import flag_record
from reeftally.quality.thresholds import flat_count


def optode(rng, n=17280):
    time = np.arange(n) * 5.0
    return time, 185 + 8 * np.sin(2 * np.pi * time / 86400) + rng.normal(0, 0.1, n)


def test_a_clean_day_of_an_optode_fails_at_most_half_a_percent():
    # Story 21: at most 0.5 % of good samples failed.
    failed = total = 0
    for seed in range(20):
        time, values = optode(np.random.default_rng(seed))
        flags = flag_record(time=time, values=values, quantity="oxygen", interval=5.0, noise_sd=0.1).flags
        failed += int((flags >= 3).sum())
        total += flags.size

    assert failed / total < 0.005


def test_a_stuck_hour_is_failed_and_nothing_else():
    time, values = optode(np.random.default_rng(1))
    values[5000:5720] = values[5000]

    flags = flag_record(time=time, values=values, quantity="oxygen", interval=5.0, noise_sd=0.1).flags

    assert (flags[5001:5720] == 4).all()
    assert (np.delete(flags, slice(5000, 5721)) == 4).sum() <= 3


def test_spikes_are_found():
    rng = np.random.default_rng(2)
    time, values = optode(rng)
    where = rng.choice(np.arange(100, 17000, 10), 100, replace=False)
    values[where] += rng.choice([-1, 1], 100) * rng.uniform(3, 10, 100)

    flags = flag_record(time=time, values=values, quantity="oxygen", interval=5.0, noise_sd=0.1).flags

    assert (flags[where] >= 3).mean() >= 0.95


def test_a_plume_of_a_carried_sensor_is_not_failed():
    rng = np.random.default_rng(3)
    time = np.arange(1800) * 1.0
    values = 190 + rng.normal(0, 0.15, 1800)
    values[600:780] -= 20.0

    flags = flag_record(time=time, values=values, quantity="oxygen", interval=1.0, noise_sd=0.15, carried=True).flags

    assert not (flags == 4).any()


def test_a_coarse_sensor_is_not_called_stuck():
    rng = np.random.default_rng(4)
    coarse = np.round(28.4 + rng.normal(0, 0.005, 20000), 2)

    flags = flag_record(
        time=np.arange(20000) * 5.0, values=coarse, quantity="temperature", interval=5.0, noise_sd=0.002
    ).tests["flat_line"]

    assert (flags == 4).mean() < 0.005
    assert flat_count(values=coarse, tolerance=1e-9) > 5
