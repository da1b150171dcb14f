"""QARTOD tests: definitions from the U.S. IOOS manuals (pH v1.0 2019; dissolved oxygen v2.1 2018).

Numbers named `manual` are the manuals' own example thresholds; the records are invented.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reeftally.errors import InputError
from reeftally.quality import qartod as q


def test_gross_range_fails_outside_the_sensor_and_suspects_outside_the_user_span():
    # QARTOD pH manual v1.0 (2019), test 4.
    flags = q.gross_range(values=[2.0, 6.5, 8.0, 9.5, 14.5, np.nan], sensor_span=(3, 14), user_span=(7, 9))

    assert flags.tolist() == [4, 3, 1, 3, 4, 9]


def test_reversed_user_span_of_the_manuals_example_is_refused():
    # QARTOD pH manual v1.0 (2019), test 4 example prints USER_MAX = 7 and USER_MIN = 9, exchanged.
    with pytest.raises(InputError, match="lower limit first"):
        q.gross_range(values=[8.0], sensor_span=(3, 14), user_span=(9, 7))


def test_spike_uses_the_mean_of_both_neighbours_and_leaves_the_newest_point_unevaluated():
    # QARTOD pH manual v1.0 (2019), test 6, thresholds 0.1 and 0.2 (manual).
    flags = q.spike(values=[8.0, 8.0, 8.15, 8.0, 8.0, 8.5, 8.0], suspect_above=0.1, fail_above=0.2)

    assert flags.tolist() == [2, 1, 3, 1, 4, 4, 2]


def test_rate_of_change_only_suspects():
    # QARTOD pH manual v1.0 (2019), test 7: "no fail" flag exists for this test.
    flags = q.rate_of_change(values=[8.0, 8.01, 8.9, 8.9], limit=0.3)

    assert flags.tolist() == [2, 1, 3, 1]


def test_flat_line_compares_with_three_and_five_previous_values():
    # QARTOD pH manual v1.0 (2019), test 8: REP_CNT_SUSPECT 3, REP_CNT_FAIL 5 (manual).
    stuck5 = q.flat_line(values=[1, 2, 2, 2, 2, 2, 2, 3], tolerance=1e-6)
    stuck3 = q.flat_line(values=[1, 2, 2, 2, 2, 3], tolerance=1e-6)
    two = q.flat_line(values=[1, 2, 2, 2, 3], tolerance=1e-6)

    assert stuck5.tolist() == [1, 1, 4, 4, 4, 4, 4, 1]
    assert stuck3.tolist() == [1, 1, 3, 3, 3, 1]
    assert two.tolist() == [1, 1, 1, 1, 1]


def test_a_slow_ramp_is_not_a_flat_line():
    flags = q.flat_line(values=np.arange(200) * 0.009, tolerance=0.01)

    assert (flags == 1).all()


def test_gap_marks_the_sample_that_ends_the_silence():
    flags = q.gap(time=[0, 5, 10, 40, 45], interval=5.0)

    assert flags.tolist() == [1, 1, 1, 3, 1]


def test_attenuated_signal_refuses_the_manuals_unreachable_thresholds():
    # QARTOD pH manual v1.0 (2019), test 10 example has WARN 0.1 below FAIL 0.2: suspect can never be reached.
    with pytest.raises(InputError, match="fail_below"):
        q.attenuated_signal(values=np.zeros(10), window=5, warn_below=0.1, fail_below=0.2)


def test_attenuated_signal_finds_the_quiet_stretch():
    rng = np.random.default_rng(1)
    record = np.concatenate([rng.normal(0, 1, 50), rng.normal(0, 0.01, 50)])

    flags = q.attenuated_signal(values=record, window=50, warn_below=0.3, fail_below=0.1)

    assert (flags[:50] == 1).all()
    assert (flags[50:] == 4).all()


@given(st.lists(st.sampled_from([1, 2, 3, 4, 9]), min_size=1, max_size=30), st.randoms())
def test_roll_up_does_not_depend_on_order_and_keeps_missing(flags, rand):
    one = np.array(flags, dtype=np.uint8)
    other = one.copy()
    rand.shuffle(other)

    forward, backward = q.roll_up(one, other), q.roll_up(other, one)

    assert (forward == backward).all()
    assert (forward[(one == 9) | (other == 9)] == 9).all()
    assert (q.roll_up(one, one) == one).all()


@given(st.lists(st.floats(-1e3, 1e3), min_size=3, max_size=50))
def test_no_test_changes_a_value(values):
    record = np.array(values)
    before = record.copy()

    q.spike(values=record, suspect_above=1, fail_above=2)
    q.flat_line(values=record, tolerance=0.1)
    q.gross_range(values=record, sensor_span=(-10, 10))

    assert (record == before).all()
