"""The sun against published examples."""

import datetime as dt
import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reeftally.errors import InputError
from reeftally.mission import solar

# Source: Reda, I. and Andreas, A. (2003, revised 2008), Solar Position Algorithm for Solar Radiation
# Applications, NREL/TP-560-34302, appendix A.5: 2003-10-17 12:30:30 local standard time (UTC-7),
# 39.742476 N 105.1786 W, 820 mbar, 11 °C. Values as printed there (from memory).
INSTANT = np.datetime64("2003-10-17T19:30:30", "ns")
LATITUDE, LONGITUDE = 39.742476, -105.1786
ZENITH = 50.11162  # refraction and parallax included
DECLINATION = -9.316179
EQUATION_OF_TIME_MIN = 14.641503
TRANSIT = np.datetime64("2003-10-17T18:46:04", "ns")
SUNRISE = np.datetime64("2003-10-17T13:12:43", "ns")
# The report computes rise and set within one UTC day; the set at 00:20:19 UTC of the 17th is that of
# the local evening of the 16th.
SUNSET = np.datetime64("2003-10-17T00:20:19", "ns")

# Stated accuracy of the low-accuracy coordinates: Meeus (1998), chapter 25, 0.01 degree.
STATED_DEG = 0.01
# Asked for by the people who plan dives: an almanac's times within 2 minutes. The check is sharper:
# the printed values are whole seconds and the coordinates' 0.01 degree is 2.4 s of hour angle; at
# rising the sun's path is slanted by the latitude, so 5 s is asked.
SECONDS = 5.0


def test_elevation_agrees_with_the_published_example():
    # Equation 42 of the report: refraction; equation 35's parallax, 8.794 arc seconds times cosine.
    seen = 90.0 - ZENITH
    refraction = (820.0 / 1010.0) * (283.0 / 284.0) * 1.02 / (60.0 * np.tan(np.radians(seen + 10.3 / (seen + 5.11))))
    parallax = 8.794 / 3600.0 * np.cos(np.radians(seen))

    elevation = solar.elevation(INSTANT, LATITUDE, LONGITUDE)

    assert_allclose(elevation, seen - refraction + parallax, rtol=0, atol=STATED_DEG)


def test_declination_agrees_with_the_published_example():
    assert_allclose(solar.declination(INSTANT), DECLINATION, rtol=0, atol=STATED_DEG)


def test_equation_of_time_agrees_with_the_published_example():
    assert_allclose(solar.equation_of_time(INSTANT), EQUATION_OF_TIME_MIN, rtol=0, atol=4 * STATED_DEG)


# Source: Meeus, J. (1998), Astronomical Algorithms, 2nd ed., example 25.a: 1992 October 13.0 TD, apparent
# declination -7.78507 degrees; example 28.b: equation of time +13 min 42.7 s (from memory). The example
# rounds the sun's longitude to five decimals, so the declination is asked to one unit of its last digit.
def test_declination_agrees_with_the_textbook_example():
    found = solar.declination(np.datetime64("1992-10-13T00:00:00", "ns"))

    assert_allclose(found, -7.78507, rtol=0, atol=1e-5)


def test_equation_of_time_agrees_with_the_textbook_example():
    found = solar.equation_of_time(np.datetime64("1992-10-13T00:00:00", "ns"))

    assert_allclose(found * 60.0, 13 * 60 + 42.7, rtol=0, atol=0.05)


def seconds_between(one, two):
    return abs((one - two) / np.timedelta64(1, "s"))


def test_noon_sunrise_and_sunset_agree_with_the_published_example():
    noon = solar.solar_noon(INSTANT, LONGITUDE).astype("datetime64[ns]")
    rise, _ = solar.sunrise_sunset(INSTANT, LATITUDE, LONGITUDE)
    _, evening_before = solar.sunrise_sunset(INSTANT - np.timedelta64(1, "D"), LATITUDE, LONGITUDE)

    assert seconds_between(noon, TRANSIT) < SECONDS
    assert seconds_between(rise.astype("datetime64[ns]"), SUNRISE) < SECONDS
    assert seconds_between(evening_before.astype("datetime64[ns]"), SUNSET) < SECONDS


# Source: the definition of the June solstice: the sun's declination equals the obliquity, 23.4° (Meeus 1998,
# chapter 27: 2024 June 20, 20:51 TD; from memory); at the equator at noon the zenith distance is that.
def test_the_sun_stands_at_the_tropic_at_the_june_solstice():
    found = solar.declination(np.datetime64("2024-06-20T20:51:00", "ns"))

    assert_allclose(found, 23.4366, rtol=0, atol=STATED_DEG)


SPAN = (dt.datetime(2031, 3, 25, 20, tzinfo=dt.UTC), dt.datetime(2031, 4, 4, 20, tzinfo=dt.UTC))


def test_nights_are_named_by_the_local_date_of_their_dusk():
    nights = solar.nights(*SPAN, -14.2, 78.5, utc_offset_h=5.0)

    assert [night.name for night in nights] == [
        "2031-03-25",
        *(f"2031-03-{day}" for day in range(26, 32)),
        *(f"2031-04-{day:02d}" for day in range(1, 5)),
    ]
    # 20:00 UTC is 01:00 local: the first night is cut by the mission's start, the last by its end.
    assert [night.complete for night in nights] == [False, *[True] * 9, False]
    assert all(11.8 < night.hours < 12.2 for night in nights)


def test_a_day_runs_from_solar_noon_to_noon_and_holds_its_night():
    nights = {night.name: night for night in solar.nights(*SPAN, -14.2, 78.5, utc_offset_h=5.0)}
    whole = solar.days24(*SPAN, 78.5, utc_offset_h=5.0)

    for day in whole:
        # Near the equinox a solar day is 24 h less some 18 s (the equation of time grows by 18 s a day).
        assert abs(day.hours - 24.0) < 30.0 / 3600.0
        if day.complete:
            assert day.start_ns < nights[day.name].start_ns < nights[day.name].end_ns < day.end_ns
    assert [one.end_ns for one in whole[:-1]] == [two.start_ns for two in whole[1:]]


def test_days_and_nights_fill_time_without_gap():
    place = (-14.2, 78.5)
    nights = solar.nights(*SPAN, *place, utc_offset_h=5.0)
    days = solar.days(*SPAN, *place, utc_offset_h=5.0)

    turns = sorted([(row.start_ns, row.end_ns) for row in (*nights, *days)])
    assert all(one[1] == two[0] for one, two in itertools.pairwise(turns))
    assert turns[0][0] <= np.datetime64(SPAN[0].replace(tzinfo=None), "ns").astype(np.int64)
    assert turns[-1][1] >= np.datetime64(SPAN[1].replace(tzinfo=None), "ns").astype(np.int64)


def test_without_a_sunset_there_is_no_night():
    june = (dt.datetime(2031, 6, 15, tzinfo=dt.UTC), dt.datetime(2031, 6, 20, tzinfo=dt.UTC))

    nights = solar.nights(*june, 80.0, 15.0, utc_offset_h=1.0)
    rise, _ = solar.sunrise_sunset(june[0], 80.0, 15.0)

    assert nights == ()
    assert np.isnat(rise.astype("datetime64[ns]"))


@given(day=st.integers(0, 36500), latitude=st.floats(-45.0, 45.0), longitude=st.floats(-180.0, 180.0))
def test_the_sun_is_at_the_horizon_when_it_rises_and_sets(day, latitude, longitude):
    noon = solar.solar_noon(day * 86_400_000_000_000, longitude)
    events = np.array(solar.sunrise_sunset(noon, latitude, longitude))

    found = solar.elevation(events, latitude, longitude)

    assert_allclose(found, solar.HORIZON_DEG, rtol=0, atol=1e-4)
    assert events[0] < noon < events[1]


@given(day=st.integers(0, 36500), longitude=st.floats(-180.0, 180.0), minutes=st.integers(-300, 300))
def test_noon_is_the_highest_point(day, longitude, minutes):
    noon = solar.solar_noon(day * 86_400_000_000_000, longitude)

    highest = solar.elevation(noon, 20.0, longitude)
    other = solar.elevation(noon + minutes * 60_000_000_000, 20.0, longitude)

    # Declination moves by up to 0.4° a day, so the top lies up to some seconds from noon: below 1e-4°.
    assert other <= highest + 1e-4


def test_naive_and_fractional_times_are_refused():
    with pytest.raises(InputError, match="offset from UTC"):
        solar.elevation(dt.datetime(2031, 3, 25), 0.0, 0.0)
    with pytest.raises(InputError, match="int64 nanoseconds"):
        solar.elevation(1.5e18, 0.0, 0.0)
