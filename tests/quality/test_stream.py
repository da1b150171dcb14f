"""Real-time form: packets give what the whole record gives; single tests against the manual's definitions.

Thresholds named `manual` are the example thresholds of the QARTOD pH manual v1.0 (2019); records are invented.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reeftally.errors import InputError
from reeftally.quality import qartod as q
from reeftally.quality.stream import StreamSettings, finish, silence, start, step

EVERYTHING = StreamSettings(
    interval=900.0,
    sensor_span=(6.0, 9.5),
    user_span=(7.0, 9.0),
    season=(7.6, 8.4),
    spike=(0.1, 0.2),  # manual, test 6
    rate_deviations=3.0,  # manual, test 7
    rate_window=25 * 3600.0,  # manual, test 7
    flat=(1e-6, 3, 5),  # manual, test 8
    attenuation=(12 * 3600.0, 0.02, 0.005),
)


def record(seed=1, n=400):
    rng = np.random.default_rng(seed)
    time = np.arange(n) * 900.0
    values = 8.0 + 0.05 * np.sin(2 * np.pi * time / 86400) + rng.normal(0, 0.003, n)
    values[50] += 0.15
    values[90] += 0.5
    values[120:130] = values[120]
    values[200:205] = np.nan
    values[300] = 9.3
    values[340:395] = 8.0 + 0.0001 * rng.standard_normal(55)
    return time, values


def run(time, values, cuts, settings=EVERYTHING):
    memory = start()
    parts = []
    for piece in np.split(np.arange(time.size), cuts):
        decided, memory = step(time=time[piece], values=values[piece], memory=memory, settings=settings)
        parts.append(decided)
    parts.append(finish(memory=memory, settings=settings))
    flags = np.concatenate([p.flags for p in parts])
    tests = {name: np.concatenate([p.tests[name] for p in parts]) for name in parts[-1].tests}
    return np.concatenate([p.time for p in parts]), flags, tests


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(0, 400), min_size=2, max_size=6), st.integers(0, 5))
def test_packets_give_what_the_whole_record_gives(cuts, seed):
    time, values = record(seed)

    whole = run(time, values, [])
    packets = run(time, values, sorted(cuts))

    assert (packets[0] == time).all()
    assert (packets[1] == whole[1]).all()
    for name, flags in whole[2].items():
        assert (packets[2][name] == flags).all(), name


def test_three_packets_give_the_flags_of_the_record_tests():
    time, values = record()

    _, flags, tests = run(time, values, [133, 266])

    assert (tests["gross_range"] == q.gross_range(values=values, sensor_span=(6, 9.5), user_span=(7, 9))).all()
    assert (tests["climatology"] == q.climatology(values=values, low=7.6, high=8.4)).all()
    assert (tests["spike"] == q.spike(values=values, suspect_above=0.1, fail_above=0.2)).all()
    assert (tests["flat_line"] == q.flat_line(values=values, tolerance=1e-6, whole_run=False)).all()
    assert flags[50] == 3
    assert flags[90] == 4
    assert (flags[200:205] == 9).all()
    assert flags[300] == 4


def test_real_time_flat_line_leaves_earlier_flags_as_they_were():
    # QARTOD currents manual v2.1, test 17: "historical flags are not changed"; counts 3 and 5 (manual).
    _, _, tests = run(*record(), [125])

    assert tests["flat_line"][119:131].tolist() == [1, 1, 1, 1, 3, 3, 4, 4, 4, 4, 4, 1]


def test_rate_of_change_takes_three_standard_deviations_of_25_hours():
    # QARTOD pH manual v1.0, test 7 (3 SD over 25 h): SD 0.03 and a step of 0.11 is suspect, 0.08 is not.
    n = 120
    values = 8.0 + 0.03 * np.where(np.arange(n) % 2, 1.0, -1.0) * np.sqrt(99 / 100)
    values[110:] = values[109]
    for size, flag in ((0.11, 3), (0.08, 1)):
        values[110] = values[109] + size
        only = StreamSettings(interval=900.0, sensor_span=(6, 9.5), rate_deviations=3.0)

        _, _, tests = run(np.arange(n) * 900.0, values, [60], only)

        assert tests["rate_of_change"][110] == flag


def test_attenuated_signal_is_failed_after_its_window():
    _, _, tests = run(*record(), [100, 250])

    assert tests["attenuated"][390] == 4
    assert tests["attenuated"][100] == 1


def test_a_plume_of_a_carried_sensor_is_not_failed():
    time = np.arange(600.0)
    values = 190 + np.random.default_rng(3).normal(0, 0.15, 600)
    values[200:400] -= 20.0
    carried = StreamSettings(
        interval=1.0, sensor_span=(-5, 700), user_span=(5, 450), spike=(1, 2), rate_limit=1.0, carried=True
    )

    _, flags, _ = run(time, values, [250], carried)

    assert (flags == 1).all()


def test_silence_fails_when_the_next_sample_is_late():
    # QARTOD pH manual v1.0, test 1: NOW - TIM_STMP > TIM_INC is 4.
    decided, memory = step(time=[0.0, 900.0], values=[8.0, 8.0], memory=start(), settings=EVERYTHING)

    assert decided.time.tolist() == [0.0]
    assert silence(memory=start(), now=0.0, settings=EVERYTHING) == 2
    assert silence(memory=memory, now=2000.0, settings=EVERYTHING) == 1
    assert silence(memory=memory, now=2300.0, settings=EVERYTHING) == 4


def test_repeated_stamps_are_refused():
    _, memory = step(time=[0.0, 1.0], values=[8.0, 8.0], memory=start(), settings=EVERYTHING)

    with pytest.raises(InputError, match="increase"):
        step(time=[1.0], values=[8.0], memory=memory, settings=EVERYTHING)
