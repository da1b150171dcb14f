"""Lags of shared signals: invented tides, waves, temperature and light with planted clock errors."""

import datetime as dt
from pathlib import Path

import numpy as np
import pytest

from reeftally.calibration.lags import light_clock, shared_lag, stamp_position
from reeftally.errors import InputError

DAY = 86400.0
T0 = dt.datetime(2031, 3, 26, tzinfo=dt.UTC).timestamp()


def tide(time):
    """Tide with quarter-diurnal parts, seiche and weather: nothing that repeats within the day."""
    t = time - T0
    return (
        0.6 * np.sin(2 * np.pi * t / 44712)
        + 0.2 * np.sin(2 * np.pi * t / 86164 + 1)
        + 0.05 * np.sin(2 * np.pi * t / 22356 + 2)
        + 0.03 * np.sin(2 * np.pi * t / 5400 * (1 + 0.05 * np.sin(2 * np.pi * t / DAY / 2.7)))
    )


class Noise:
    """A shared random signal: sums of many sines with periods of 5 min to 3 h, seeded."""

    def __init__(self, seed, fastest=300.0, slowest=10800.0):
        rng = np.random.default_rng(seed)
        self.period = np.exp(rng.uniform(np.log(fastest), np.log(slowest), 120))
        self.phase = rng.uniform(0, 2 * np.pi, 120)

    def __call__(self, time):
        return np.sin(2 * np.pi * (time - T0)[:, None] / self.period + self.phase).sum(axis=1) / np.sqrt(60)


def pair(seed, error, *, days=1.0, noise=0.2, step=30.0, drift=0.0):
    rng = np.random.default_rng(seed)
    signal = Noise(seed)
    true = T0 + np.arange(0, days * DAY, step)
    stamp = true + error + drift * (true - true.mean()) / DAY
    other = T0 + 11.0 + np.arange(0, days * DAY, 60.0)
    return {
        "time": stamp,
        "values": 5 + 2 * (signal(true) + rng.normal(0, noise, true.size)),
        "reference_time": other,
        "reference_values": signal(other) + rng.normal(0, noise, other.size),
    }


@pytest.mark.parametrize("error", [0.0, -41.2, 612.5, 3607.4])
def test_planted_lags_are_found(error):
    lag = shared_lag(**pair(1, error), largest=7200.0)

    assert abs(lag.seconds - error) < max(4 * lag.sd, 0.5)
    assert lag.sd < 5.0
    assert not lag.ambiguous
    assert lag.cause == {0.0: "none", -41.2: "clock", 612.5: "clock", 3607.4: "zone"}[error]
    assert lag.correction == -lag.seconds


@pytest.mark.slow
def test_intervals_of_the_lag_hold_the_truth_in_500_repeats():
    # Central 99.9 % band of the binomial for 95 % intervals: 458 to 489 of 500.
    inside = 0
    for seed in range(500):
        truth = float(np.random.default_rng(seed).normal(0, 60))
        lag = shared_lag(**pair(seed, truth, days=0.5), largest=300.0)
        inside += lag.lower <= truth <= lag.upper

    assert 458 <= inside <= 489


def test_a_lag_that_grows_gives_the_drift_of_the_clock():
    lag = shared_lag(**pair(3, 20.0, days=4.0, drift=20.0), largest=300.0, drift=True)

    assert abs(lag.per_day - 20.0) < 4 * lag.per_day_sd < 4.0
    assert abs(lag.seconds - 20.0) < 5.0


def test_pressure_of_the_tide_gives_a_zone():
    rng = np.random.default_rng(5)
    time = T0 + np.arange(0, 3 * DAY, 60.0)

    lag = shared_lag(
        time=time + 5 * 3600.0,
        values=6.4 + tide(time) + rng.normal(0, 0.01, time.size),
        reference_time=time,
        reference_values=6.0 + tide(time) + rng.normal(0, 0.01, time.size),
        largest=8 * 3600.0,
        flatten=2 * DAY,
    )

    assert lag.cause == "zone"
    assert abs(lag.seconds - 18000.0) < 60.0


def test_a_pure_swell_is_called_ambiguous():
    time = np.arange(0, 1200.0, 0.5)
    swell = np.sin(2 * np.pi * time / 11.0)

    lag = shared_lag(time=time, values=swell, reference_time=time, reference_values=swell, largest=60.0)

    assert lag.ambiguous


def test_unrelated_records_are_unclear():
    rng = np.random.default_rng(6)
    time = np.arange(0, DAY, 60.0)

    lag = shared_lag(
        time=time,
        values=rng.normal(0, 1, time.size),
        reference_time=time,
        reference_values=rng.normal(0, 1, time.size),
        largest=3600.0,
    )

    assert lag.cause == "unclear"


def test_short_records_are_refused():
    time = np.arange(0, 600.0, 10.0)
    with pytest.raises(InputError, match="needs twice that"):
        shared_lag(time=time, values=time, reference_time=time, reference_values=time, largest=3600.0)


@pytest.mark.parametrize(("position", "shift"), [("start", -300.0), ("middle", 0.0), ("end", 300.0)])
def test_stamp_position_is_found_from_the_lag_of_ten_minute_means(position, shift):
    rng = np.random.default_rng(7)
    signal = Noise(7, fastest=900.0, slowest=20000.0)
    fine = T0 + np.arange(0, 3 * DAY, 10.0)
    means = signal(fine).reshape(-1, 60).mean(axis=1) + rng.normal(0, 0.05, fine.size // 60)
    stamps = fine.reshape(-1, 60).mean(axis=1) + shift
    lag = shared_lag(
        time=stamps, values=means, reference_time=fine[::6], reference_values=signal(fine[::6]), largest=1800.0
    )

    assert stamp_position(lag=lag.seconds, lag_sd=max(lag.sd, 20.0), averaging=600.0).position == position


def test_stamp_position_is_unclear_when_the_lag_is_too_rough():
    assert stamp_position(lag=-150.0, lag_sd=100.0, averaging=600.0).position == "unclear"


def sunlight(time, longitude, latitude=-14.2, rng=None):
    from reeftally.mission.solar import elevation

    height = np.clip(np.sin(np.radians(elevation(np.rint(time * 1e9).astype(np.int64), latitude, longitude))), 0, None)
    clouds = 1.0 if rng is None else rng.uniform(0.3, 1.0, time.size)
    return 1500 * height * clouds


@pytest.mark.parametrize("hours", [0.0, 5.0, -3.5, 12.0])
def test_sunrise_tells_the_zone(hours):
    time = T0 + np.arange(0, 6 * DAY, 60.0)

    found = light_clock(
        time=time + hours * 3600, light=sunlight(time, 78.5, rng=np.random.default_rng(1)), longitude=78.5
    )

    assert found.cause == ("zone" if hours else "none")
    assert abs(found.zone_hours) == abs(hours)
    assert found.days >= 4


def test_light_of_a_real_reef_agrees_with_its_stamped_zone():
    # Besemer, Palacio and Enochs (2022): light at a reef near 27.9 N 93.6 W (position from memory), stamped UTC,
    # 4 to 7 October 2022; 10 min means of the published 1 Hz bursts.
    rows = np.loadtxt(Path(__file__).parent / "data" / "reef_light_2022.csv", delimiter=",", skiprows=1)

    found = light_clock(time=rows[:, 0], light=rows[:, 1], longitude=-93.6)

    assert found.cause == "none"
    assert abs(found.seconds) < 3 * found.sd


def test_darkness_is_unclear():
    assert light_clock(time=np.arange(100) * 900.0, light=np.zeros(100), longitude=0.0).cause == "unclear"
