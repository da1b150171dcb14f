"""Times in words, and how fresh the data are."""

import numpy as np
import pytest

from reeftally.web.times import freshness, lasting, parse_ns, when

NS = 10**9
NEWEST = int(np.datetime64("2031-03-26T14:00:00", "ns").astype(np.int64))
END = NEWEST + 5 * 86400 * NS
HOUR = 3600 * NS


def state(now, arrivals, newest=NEWEST):
    return freshness(newest_ns=newest, end_ns=END, now_ns=now, arrivals_ns=arrivals, offset_h=5.0)


def test_times_stand_in_utc_with_local_beside():
    assert when(NEWEST, 5.0) == "26 Mar 2031 14:00 UTC (19:00 local)"
    assert when(NEWEST + 8 * HOUR, 5.0) == "26 Mar 2031 22:00 UTC (27 Mar 03:00 local)"
    assert when(NEWEST) == "26 Mar 2031 14:00 UTC"


@pytest.mark.parametrize(
    ("seconds", "words"), [(59, "1 min"), (3599, "1 h"), (22_200, "6 h 10 min"), (180_000, "2 d 2 h"), (-5, "0 min")]
)
def test_lengths_of_time_in_words(seconds, words):
    assert lasting(seconds) == words


@pytest.mark.parametrize("text", ["", "yesterday", "NaT", "0001-01-01", "9999-01-01", "2031-13-01", "2031-03-26T99:00"])
def test_what_is_no_time_is_none(text):
    assert parse_ns(text) is None


def test_times_are_read_with_and_without_seconds():
    assert parse_ns("2031-03-26T14:00") == parse_ns(" 2031-03-26T14:00:00Z ") == NEWEST


def test_data_of_the_hour_are_fresh():
    assert state(NEWEST + 600 * NS, [NEWEST - 600 * NS, NEWEST]).state == "fresh"


def test_a_link_down_for_six_hours_is_stale_since_the_newest_data():
    found = state(NEWEST + 6 * HOUR + 600 * NS, [NEWEST - k * 60 * NS for k in range(90, -1, -1)])

    assert found.state == "stale"
    assert found.text == "Stale since 26 Mar 2031 14:00 UTC (19:00 local): nothing new for 6 h 10 min."


def test_a_crew_that_takes_in_once_a_day_is_not_stale_at_noon():
    days = [NEWEST - k * 24 * HOUR for k in (3, 2, 1, 0)]

    assert state(NEWEST + 12 * HOUR, days).state == "fresh"
    assert state(NEWEST + 80 * HOUR, days).state == "stale"


def test_a_clock_of_another_year_is_named_and_dates_nothing():
    now = int(np.datetime64("2001-01-01", "ns").astype(np.int64))
    found = state(now, [now - 60 * NS])

    assert found.state == "clock"
    assert "26 Mar 2031 14:00 UTC" in found.text
    assert "1 Jan 2001" in found.text


def test_a_complete_mission_is_never_stale():
    assert state(END + 900 * HOUR, [END], newest=END - 60 * NS).state == "over"


def test_before_any_data():
    assert freshness(newest_ns=None, end_ns=None, now_ns=0, arrivals_ns=[]).text == "No data yet."
