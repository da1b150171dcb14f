"""Alarms are told soon, once, with a reason, and not at all for a healthy record. All data invented."""

from dataclasses import replace

import numpy as np
import pytest

from reeftally.analysis.alarms import (
    Alarm,
    drift_alarms,
    settings_for,
    silence_alarms,
    stream_alarms,
    usual_gap,
)
from reeftally.analysis.mission_alarms import join_alarms

START = 1.9e9


def healthy(days=1.0, interval=5.0, seed=1):
    time = START + interval * np.arange(int(days * 86400 / interval))
    rng = np.random.default_rng(seed)
    return time, 185.0 + 9.0 * np.sin(2 * np.pi * time / 86400.0) + 0.1 * rng.standard_normal(time.size)


def told(time, values, quantity="oxygen", interval=5.0, learn=None):
    settings = settings_for(quantity=quantity, interval=interval, values=values if learn is None else learn)
    return stream_alarms(instrument="OXY-1", quantity=quantity, time=time, values=values, settings=settings)


def test_a_healthy_day_raises_nothing():
    time, values = healthy()

    assert told(time, values) == []
    assert (
        silence_alarms(instrument="OXY-1", time=time, interval=5.0, expected=[(time[0], time[-1])], now=time[-1]) == []
    )


def test_a_value_that_stands_still_is_told_within_a_quarter_of_an_hour_and_ends():
    time, values = healthy()
    onset, over = 6000, 9000
    values[onset:over] = values[onset]

    (alarm,) = told(time, values)

    assert alarm.kind == "stuck"
    assert 0 < alarm.raised_ns / 1e9 - time[onset] <= 900.0
    assert alarm.since_ns / 1e9 == pytest.approx(time[onset], abs=5.0)
    assert alarm.end_ns / 1e9 == pytest.approx(time[over], abs=10.0)
    assert alarm.why
    assert alarm.check


def test_equal_values_for_five_minutes_are_not_told():
    time, values = healthy()
    values[6000:6060] = values[6000]

    assert told(time, values) == []


def test_a_coarse_sensor_is_not_called_stuck():
    time, values = healthy()

    assert told(time, np.round(values / 0.2) * 0.2) == []


def test_values_out_of_range_are_told_and_single_ones_are_not():
    time, values = healthy()
    values[2000] = 900.0
    values[8000:] += 700.0

    (alarm,) = told(time, values)

    assert alarm.kind == "range"
    assert alarm.lasting
    assert 0 <= alarm.raised_ns / 1e9 - time[8000] <= 900.0


def test_light_that_rests_at_zero_all_night_is_no_alarm():
    time = START + 60.0 * np.arange(1440)

    assert told(time, np.zeros(time.size), quantity="par", interval=60.0) == []


def test_silence_is_told_within_a_quarter_of_an_hour_only_where_it_should_speak():
    time, _ = healthy()
    gap = (time < time[4000]) | (time > time[7000])

    (alarm,) = silence_alarms(
        instrument="OXY-1", time=time[gap], interval=5.0, expected=[(time[0], time[-1])], now=time[-1]
    )

    assert alarm.raised_ns / 1e9 - time[4000] <= 900.0
    assert alarm.end_ns / 1e9 == pytest.approx(time[7001], abs=10.0)
    rests = [(time[0], time[4000]), (time[7000], time[-1])]
    assert silence_alarms(instrument="OXY-1", time=time[gap], interval=5.0, expected=rests, now=time[-1]) == []


def test_an_instrument_that_never_spoke_is_told_and_lasts():
    (alarm,) = silence_alarms(
        instrument="OXY-1", time=np.empty(0), interval=60.0, expected=[(START, START + 86400.0)], now=START + 7200.0
    )

    assert alarm.lasting
    assert alarm.since_ns == int(START * 1e9)


def blocks(days=6, seed=2):
    seconds = START + 900.0 * np.arange(96 * days)
    rng = np.random.default_rng(seed)
    water = 8.0 + 0.012 * np.sin(2 * np.pi * seconds / 86400.0)
    step = 0.002 * np.sin(2 * np.pi * seconds / 86400.0)
    return seconds, {
        name: water + k * step + 0.0006 * rng.standard_normal(seconds.size) for k, name in enumerate(("A", "B", "C"))
    }


def test_sensors_that_stay_together_over_a_gradient_raise_no_drift():
    seconds, series = blocks()

    assert drift_alarms(quantity="ph_total", seconds=seconds, series=series) == []


@pytest.mark.parametrize("name", ["A", "B", "C"])
def test_a_drift_is_told_within_twelve_hours_of_a_hundredth_and_the_sensor_is_named(name):
    seconds, series = blocks()
    onset = seconds[0] + 2 * 86400.0
    series[name] = series[name] + np.clip(seconds - onset, 0.0, None) / 86400.0 * 0.02

    first = drift_alarms(quantity="ph_total", seconds=seconds, series=series)[0]

    assert name in first.text
    assert onset < first.raised_ns / 1e9 <= onset + 0.5 * 86400.0 + 12 * 3600.0


def test_a_cleaning_step_is_no_drift_and_two_sensors_are_named_as_a_pair():
    seconds, series = blocks()
    moment = float(seconds[200])
    series["B"] = series["B"] + np.where(seconds >= moment, 0.02, 0.0)

    assert drift_alarms(quantity="ph_total", seconds=seconds, series=series, resets={"B": [moment]}) == []
    pair = {k: series[k] for k in "AB"}
    (alarm,) = drift_alarms(quantity="ph_total", seconds=seconds, series=pair)
    assert "A and B" in alarm.text
    assert "nothing says which" in alarm.why


def silent(name, since):
    return Alarm(
        kind="silent", instrument=name, quantity="", since_ns=since, raised_ns=since + 600 * 10**9, end_ns=None,
        severity=3, text=f"{name}: nothing came", why="w", check="c",
    )  # fmt: skip


def test_instruments_that_fall_silent_together_are_one_alarm():
    together = [silent(n, 10**18 + k * 10**9) for k, n in enumerate(("CTD-1", "OXY-1", "PHI-1", "PAR-1"))]

    (one,) = join_alarms(together)

    assert "4 instruments" in one.text
    assert "power" in one.check
    assert len(join_alarms([silent("CTD-1", 10**18), silent("OXY-1", 2 * 10**18)])) == 2


def bursts(days=3, pause=900.0, count=10):
    starts = START + pause * np.arange(int(days * 86400 / pause))
    return (starts[:, None] + np.arange(count)).ravel()


@pytest.mark.parametrize(("time", "usual"), [(START + 900.0 * np.arange(300), 900.0), (bursts(), 891.0)])
def test_a_sensors_own_pauses_are_its_habit_and_no_alarm(time, usual):
    span = [(float(time[0]), float(time[-1]))]
    told = silence_alarms(instrument="PAR-1", time=time, interval=1.0, expected=span, now=time[-1])
    assert len(told) > 200  # by the rate of the book alone every pause would be one

    gap = usual_gap(time)

    assert gap == pytest.approx(usual)
    assert silence_alarms(instrument="PAR-1", time=time, interval=gap, expected=span, now=time[-1]) == []


def test_a_sensor_in_bursts_that_stops_is_told_once():
    time = bursts()
    time = time[(time < START + 86400.0) | (time > START + 108000.0)]

    (alarm,) = silence_alarms(
        instrument="PAR-1", time=time, interval=usual_gap(time), expected=[(time[0], time[-1])], now=time[-1]
    )

    assert alarm.raised_ns / 1e9 - (START + 86400.0) < 3600.0


def test_outages_at_uneven_times_teach_no_habit():
    time, _ = healthy()
    rng = np.random.default_rng(4)
    broken = np.zeros(time.size, dtype=bool)
    for start in rng.uniform(time[0], time[-1], 12):
        broken |= (time > start) & (time < start + rng.uniform(900.0, 7200.0))

    gap = usual_gap(time[~broken])

    assert not gap > 5.0


def test_the_same_trouble_again_and_again_is_one_alarm_a_stretch():
    hour = 3600 * 10**9
    again = [replace(silent("CTD-1", 10**18 + k * hour), end_ns=10**18 + k * hour + hour // 2) for k in range(8)]
    later = silent("CTD-1", 10**18 + 40 * hour)

    first, second = join_alarms([*again, later])

    assert "8 times" in first.text
    assert (first.since_ns, first.end_ns) == (again[0].since_ns, again[-1].end_ns)
    assert second == later
