"""Zones and counters."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reeftally.errors import IntakeError
from reeftally.intake._times import ZoneShift, compile_format, rebuild_from_counter, to_utc

SECOND = 1_000_000_000
HOUR = 3600 * SECOND


def wall_ns(*parts: int) -> int:
    return int(dt.datetime(*parts, tzinfo=dt.UTC).timestamp()) * SECOND


def test_a_fixed_offset_is_taken_off() -> None:
    zone = dt.timezone(dt.timedelta(hours=5))

    assert to_utc(np.array([5 * HOUR]), zone, ZoneShift()).tolist() == [0]


@settings(deadline=None)
@given(
    start=st.integers(wall_ns(2030, 1, 1) // SECOND, wall_ns(2032, 1, 1) // SECOND),
    zone=st.sampled_from(["Europe/Lisbon", "America/Caracas", "Australia/Lord_Howe", "Asia/Kathmandu"]),
)
def test_a_record_in_local_time_turns_back_into_utc(start: int, zone: str) -> None:
    info = ZoneInfo(zone)
    utc = (start + 600 * np.arange(300)) * SECOND
    local = np.array(
        [
            second * SECOND + round(dt.datetime.fromtimestamp(second, info).utcoffset().total_seconds()) * SECOND
            for second in (utc // SECOND).tolist()
        ]
    )
    memory = ZoneShift()

    # Two halves, so that an hour that comes twice may straddle blocks.
    found = np.concatenate([to_utc(local[:150], info, memory), to_utc(local[150:], info, memory)])

    # A record that begins inside the doubled hour cannot be told apart; there the first pass is taken.
    inside = info.utcoffset(dt.datetime.fromtimestamp(start, info).replace(fold=0, tzinfo=None)) != info.utcoffset(
        dt.datetime.fromtimestamp(start, info).replace(fold=1, tzinfo=None)
    )
    if not inside:
        np.testing.assert_array_equal(found, utc)


def test_hours_that_a_zone_leaves_out_or_has_twice_are_counted() -> None:
    zone = ZoneInfo("Europe/Lisbon")
    memory = ZoneShift()

    to_utc(np.array([wall_ns(2031, 3, 30, 1, 30), wall_ns(2031, 10, 26, 1, 30)]), zone, memory)

    assert (memory.missing, memory.ambiguous) == (1, 1)


@settings(deadline=None)
@given(start=st.integers(0, 7), rate=st.sampled_from([8.0, 16.0]), cut=st.integers(1, 99))
def test_sub_second_times_come_back_from_a_counter_within_one_sample(start: int, rate: float, cut: int) -> None:
    number = start + np.arange(100)
    true = np.rint(number / rate * SECOND).astype(np.int64)
    stamps = true // SECOND * SECOND
    memory: dict[str, float] = {}

    found = np.concatenate(
        [
            rebuild_from_counter(stamps[:cut], number[:cut] + 1000.0, rate, memory),
            rebuild_from_counter(stamps[cut:], number[cut:] + 1000.0, rate, memory),
        ]
    )

    whole = slice(int(rate) - start % int(rate), None)  # from the first whole second on
    np.testing.assert_array_equal(found[whole], true[whole])
    assert np.abs(found - true).max() < SECOND


def test_a_lost_packet_shows_in_the_rebuilt_times() -> None:
    counter = np.array([0, 1, 2, 4, 5, 6, 7, 8], float)
    stamps = np.where(counter < 8, 0, SECOND)

    found = rebuild_from_counter(stamps, counter, 8.0, {"started": 1.0, "second": -1.0, "first": 0.0})

    assert (found / SECOND).tolist() == [0, 0.125, 0.25, 0.5, 0.625, 0.75, 0.875, 1.0]


def test_a_directive_that_is_not_known_is_named() -> None:
    with pytest.raises(IntakeError, match="%Q"):
        compile_format("%Y-%Q")
