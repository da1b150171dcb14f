"""Plateaus of a carried sensor and the slate (synthetic dives, invented)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reeftally import exchange
from reeftally.errors import ShapeError


def hits(found, d, within=10.0):
    count = 0
    for first, last in zip(d.start, d.end, strict=True):
        if found.start.size:
            k = np.argmin(np.abs(found.start - first))
            count += abs(found.start[k] - first) < within and abs(found.end[k] - last) < within
    return count


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_at_least_70_of_72_visits_are_found_within_10_s(dives, seed):
    d = dives(np.random.default_rng(seed))
    found = exchange.find_plateaus(time=d.time, values=d.values, response_time=[10.0, 6.0])

    assert d.start.size == 72
    assert hits(found, d) >= 70
    assert found.start.size - hits(found, d) <= 2  # hardly anything that was no visit
    assert np.all(np.diff(found.start) > 0.0)


def test_the_slate_narrows_the_search_though_its_minutes_are_wrong_by_4(dives):
    rng = np.random.default_rng(4)
    d = dives(rng)
    error = rng.uniform(-240.0, 240.0, d.start.size)
    found = exchange.find_plateaus(
        time=d.time, values=d.values, response_time=[10.0, 6.0], slate_in=d.start + error, slate_out=d.end + error
    )

    assert hits(found, d) >= 70


def test_visits_far_from_any_slate_entry_are_left_out(dives):
    d = dives(np.random.default_rng(5), dives=2)
    found = exchange.find_plateaus(
        time=d.time, values=d.values, response_time=[10.0, 6.0], slate_in=d.start[:12], slate_out=d.end[:12]
    )

    assert np.all(found.start < d.start[12] - 3600.0)
    assert hits(found, d) >= 11


def test_steps_and_noise_are_near_the_truth(dives):
    d = dives(np.random.default_rng(6))
    found = exchange.find_plateaus(time=d.time, values=d.values, response_time=[10.0, 6.0])
    nearest = [np.argmin(np.abs(d.start - start)) for start in found.start]

    assert np.median(np.abs(found.step[:, 1] / d.step[nearest, 1] - 1.0)) < 0.15
    assert abs(found.noise[0] / 0.0015 - 1.0) < 0.1
    assert abs(found.noise[1] / 0.15 - 1.0) < 0.1


def test_water_without_visits_gives_none(dives):
    d = dives(np.random.default_rng(7), dives=2, visits=0)
    found = exchange.find_plateaus(time=d.time, values=d.values, response_time=[10.0, 6.0])

    assert found.start.size == 0


def test_one_dead_channel_does_not_stop_the_other(dives):
    d = dives(np.random.default_rng(8), dives=2)
    values = d.values.copy()
    values[0] = np.nan
    found = exchange.find_plateaus(time=d.time, values=values, response_time=[10.0, 6.0])

    assert hits(found, d) >= 23


@pytest.mark.parametrize("n", [0, 5, 200])
def test_empty_short_and_dead_records_give_no_plateaus(n):
    found = exchange.find_plateaus(time=np.arange(n) * 1.0, values=np.full((2, n), np.nan), response_time=6.0)

    assert found.start.size == 0


def test_values_and_time_must_fit():
    with pytest.raises(ShapeError, match="time"):
        exchange.find_plateaus(time=np.arange(10.0), values=np.zeros((2, 9)), response_time=6.0)


def test_slate_entries_find_their_plateaus_and_blanks_claim_none(dives):
    rng = np.random.default_rng(9)
    d = dives(rng)
    error = rng.uniform(-240.0, 240.0, d.start.size)
    rows = sorted(
        [(a, a + e, b + e, False) for a, b, e in zip(d.start, d.end, error, strict=True)]
        + [(a, a, b, True) for a, b in zip(d.blank_start, d.blank_end, strict=True)]
    )
    true, written_in, written_out, blank = (np.array(column) for column in zip(*rows, strict=True))
    found = exchange.match_slate(
        start=d.start, end=d.end, slate_in=written_in, slate_out=written_out, blank=blank.astype(bool)
    )

    right = d.start[found.plateau[~blank]] == true[~blank]
    assert right.mean() > 0.95
    assert np.all(found.plateau[blank] == -1)
    assert not found.doubtful[blank].any()


def test_an_entry_without_a_plateau_is_said_not_filled_in():
    found = exchange.match_slate(
        start=[1000.0, 3000.0], end=[1100.0, 3100.0], slate_in=[990.0, 2000.0, 3060.0],
        slate_out=[1090.0, 2100.0, 3160.0],
    )  # fmt: skip

    assert list(found.plateau) == [0, -1, 1]
    assert list(found.doubtful) == [False, True, False]
    assert np.isnan(found.error[1])


def test_large_errors_and_unclaimed_plateaus_are_asked_about():
    found = exchange.match_slate(start=[1000.0, 5000.0], end=[1100.0, 5100.0], slate_in=[1200.0], slate_out=[1300.0])

    assert list(found.plateau) == [0]
    assert found.doubtful[0]
    assert list(found.unclaimed) == [1]


@given(st.lists(st.floats(0.0, 1e5), max_size=12), st.lists(st.floats(0.0, 1e5), max_size=12))
@settings(deadline=None)
def test_pairing_keeps_the_order_and_uses_each_plateau_once(plateaus, slate):
    first, written = np.sort(np.array(plateaus)), np.sort(np.array(slate))
    found = exchange.match_slate(start=first, end=first + 60.0, slate_in=written, slate_out=written + 60.0)

    used = found.plateau[found.plateau >= 0]
    assert np.all(np.diff(used) > 0)
    assert np.all(np.abs(found.error[found.plateau >= 0]) <= 360.0)
    assert used.size + found.unclaimed.size == first.size
