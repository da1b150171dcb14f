"""Clocks: the demo's planted errors (invented numbers) recovered within 0.5 s and 0.05 s a day."""

import numpy as np

from reeftally.calibration.clocks import clock_segments, locate_jump

T0 = 1.9e9


def checks(error, days=10, sd=0.2, seed=0):
    rng = np.random.default_rng(seed)
    true = T0 + np.arange(days + 1) * 86400.0
    return {
        "true_time": true,
        "stamp": true + error((true - T0) / 86400.0) + rng.normal(0, sd, true.size),
        "sd": np.full(true.size, sd),
    }


def test_drift_of_two_seconds_a_day_is_found():
    (segment,) = clock_segments(**checks(lambda d: 2.1 * d))

    assert abs(segment.per_day + 2.1) < 0.05
    assert segment.cause == "drift"


def test_constant_offset_is_found_and_named():
    (segment,) = clock_segments(**checks(lambda d: -41.2 + 0 * d))

    assert abs(segment.seconds - 41.2) < 0.5
    assert segment.cause == "offset"


def test_an_hour_is_named_zone_and_split_where_it_began():
    segments = clock_segments(**checks(lambda d: np.where(d > 4.5, 3600.0, 0.0)))

    assert [s.cause for s in segments] == ["none", "zone"]
    assert abs(segments[1].seconds + 3600) < 0.5
    assert T0 + 4 * 86400 < segments[1].start < T0 + 5 * 86400 + 3600


def test_zone_error_with_a_clock_offset_is_still_a_zone():
    (segment,) = clock_segments(**checks(lambda d: 3607.4 + 0 * d))

    assert segment.cause == "zone"
    assert abs(segment.seconds + 3607.4) < 0.5


def test_jump_is_located_by_the_missing_hour():
    stamps = np.concatenate([T0 + np.arange(0, 5000, 5.0), T0 + 3600 + np.arange(5000, 9000, 5.0)])

    found = locate_jump(stamps=stamps, after=T0 + 1000, before=T0 + 9000, jump=3600.0, interval=5.0)

    assert found == T0 + 8600.0


def test_two_silences_of_that_size_give_no_answer():
    stamps = np.array([0, 5, 3610, 3615, 7220, 7225.0])

    assert locate_jump(stamps=stamps, after=0, before=8000, jump=3600.0, interval=5.0) is None


def test_interval_of_the_drift_holds_the_truth_in_500_repeats():
    # Central 99.9 % band of the binomial for 95 % intervals: 458 to 489 of 500.
    inside = 0
    for seed in range(500):
        (segment,) = clock_segments(**checks(lambda d: 2.1 * d, seed=seed))
        inside += abs(segment.per_day + 2.1) < 1.96 * segment.per_day_sd

    assert 458 <= inside <= 489
