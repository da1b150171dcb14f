"""Stamps to true time: arithmetic by hand, and windows that never lose a sample."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from reeftally.analysis.clockwork import ClockMap, ClockShift
from reeftally.analysis.grid import NS

DAY = 86400 * NS


def test_without_corrections_stamps_are_true():
    stamps = np.arange(5) * NS

    assert (ClockMap((), 0).true(stamps) == stamps).all()


def test_an_hour_is_taken_off_only_after_the_jump():
    clock = ClockMap((ClockShift(start_ns=10 * NS, end_ns=None, seconds=-3600.0),), 0)

    true = clock.true(np.array([9 * NS, 10 * NS, 4000 * NS]))

    assert true.tolist() == [9 * NS, -3590 * NS, 400 * NS]


def test_drift_grows_from_the_missions_start():
    clock = ClockMap((ClockShift(start_ns=None, end_ns=None, seconds=0.0, per_day=-2.1),), 0)

    assert clock.true(np.array([10 * DAY]))[0] == 10 * DAY - 21 * NS


@given(
    st.lists(st.tuples(st.integers(0, 10), st.floats(-7200, 7200), st.floats(-3, 3)), max_size=3),
    st.integers(0, 9 * 86400),
)
def test_windows_of_stamps_hold_every_sample_of_the_true_window(pieces, start):
    shifts, edges = [], sorted(p[0] for p in pieces)
    for (_, seconds, per_day), low, high in zip(pieces, edges, [*edges[1:], 10][: len(edges)], strict=True):
        shifts.append(ClockShift(start_ns=low * DAY, end_ns=high * DAY, seconds=seconds, per_day=per_day))
    clock = ClockMap(tuple(shifts), 0)
    stamps = np.arange(0, 10 * DAY, 997 * NS)
    a, b = start * NS, (start + 3600) * NS

    true = clock.true(stamps)
    wanted = stamps[(true >= a) & (true < b)]
    held = np.zeros(wanted.size, bool)
    for low, high in clock.stamp_windows(a, b):
        held |= (wanted >= low) & (wanted < high)

    assert held.all()


def test_a_drift_without_beginning_leaves_the_stamps_of_a_reset_clock_to_their_own_shift():
    start = 1_932_000_000 * NS
    reset = 946_684_800 * NS
    drift = ClockShift(start_ns=None, end_ns=None, seconds=-1.0, per_day=-2.0)
    moved = ClockShift(start_ns=reset, end_ns=reset + 86_400 * NS, seconds=985_400_000.0)
    clock = ClockMap((drift, moved), start)

    true = clock.true(np.array([reset + 5 * NS, start + 86_400 * NS], dtype=np.int64))

    assert true.tolist() == [reset + 985_400_005 * NS, start + 86_400 * NS - 3 * NS]
    low, high = reset + 985_400_000 * NS, reset + 985_500_000 * NS
    assert any(a <= reset + 5 * NS < b for a, b in clock.stamp_windows(low, high))
