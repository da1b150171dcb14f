"""Leap seconds, satellite time, dates read two ways."""

import datetime as dt
import importlib.resources
from itertools import pairwise

import numpy as np
import pytest

from reeftally.calibration.timescales import (
    LEAP_SECONDS,
    gps_minus_utc,
    gps_to_utc,
    leap_seconds_between,
    read_date_both_ways,
    serial_dates,
    tai_minus_utc,
)
from reeftally.errors import InputError


def utc(*parts):
    return dt.datetime(*parts, tzinfo=dt.UTC).timestamp()


def test_table_agrees_with_the_published_list_of_leap_seconds():
    # Lines "Leap YEAR MONTH DAY 23:59:60 + S" of the leapseconds file of the time zone database (tzdata package).
    text = importlib.resources.files("tzdata").joinpath("zoneinfo/leapseconds").read_text()
    published = []
    for line in text.splitlines():
        if line.startswith("Leap"):
            _, year, month, day, *_ = line.split()
            moment = dt.datetime.strptime(f"{year} {month} {day}", "%Y %b %d").replace(tzinfo=dt.UTC)
            published.append(int(moment.timestamp()) + 86400)

    assert [start for start, _ in LEAP_SECONDS[1:]] == published
    assert all(b[1] - a[1] == 1 for a, b in pairwise(LEAP_SECONDS))


def test_satellite_time_is_18_seconds_ahead_since_2017():
    # IERS Bulletin C 52 (July 2016): UTC - TAI = -37 s from 1 January 2017; GPS = TAI - 19 s.
    assert tai_minus_utc(utc(2017, 1, 1)) == 37
    assert tai_minus_utc(utc(2016, 12, 31, 23, 59, 59)) == 36
    assert gps_minus_utc(utc(2031, 3, 26)) == 18
    assert gps_minus_utc(utc(1980, 1, 6)) == 0
    assert np.isnan(tai_minus_utc(utc(1971, 1, 1)))


def test_stamps_in_satellite_time_are_brought_to_utc_on_both_sides_of_a_leap_second():
    true = np.array([utc(2016, 12, 31, 23, 59, 50), utc(2017, 1, 1, 0, 0, 5)])

    assert gps_to_utc(true + np.array([17.0, 18.0])).tolist() == true.tolist()


def test_leap_seconds_within_a_record_are_listed():
    assert leap_seconds_between(utc(2014, 1, 1), utc(2018, 1, 1)) == (utc(2015, 7, 1), utc(2017, 1, 1))
    assert leap_seconds_between(utc(2020, 1, 1), utc(2026, 1, 1)) == ()


def test_day_and_month_exchanged_are_told_by_the_mission_window():
    texts = [f"{day:02d}/04/31 12:00:00" for day in (1, 2, 3)]

    readings, verdict = read_date_both_ways(texts=texts, start=utc(2031, 3, 25), end=utc(2031, 4, 4, 20))

    assert {r.name: r.share_inside for r in readings} == {"day first": 1.0, "month first": pytest.approx(0.0)}
    assert verdict.startswith("day first")


def test_dates_that_both_readings_fit_are_asked():
    _, verdict = read_date_both_ways(texts=["03/04/31", "03/04/31"], start=utc(2031, 1, 1), end=utc(2031, 12, 31))

    assert "both readings fit" in verdict


def test_a_thirteenth_leaves_one_reading():
    readings, _ = read_date_both_ways(texts=["13/04/2031"], start=utc(2031, 1, 1), end=utc(2031, 12, 31))

    assert [r.name for r in readings] == ["day first"]


def test_text_that_is_no_date_is_refused():
    with pytest.raises(InputError, match="three numbers"):
        read_date_both_ways(texts=["yesterday"], start=0.0, end=1.0)


def test_serial_dates_of_both_epochs_and_unix_times_are_recognised():
    # 1 January 2000 is day 36526 of the 1900 count and 35064 of the 1904 count, 1462 apart (documentation of
    # spreadsheets, from memory).
    window = {"start": utc(2000, 1, 1), "end": utc(2000, 1, 2)}

    assert serial_dates(values=[36526.5], **window)[1].startswith("serial_1900")
    assert serial_dates(values=[35064.5], **window)[1].startswith("serial_1904")
    assert serial_dates(values=[utc(2000, 1, 1, 6)], **window)[1].startswith("unix_s")
    assert serial_dates(values=[1000 * utc(2000, 1, 1, 6)], **window)[1].startswith("unix_ms")
    assert serial_dates(values=[utc(1900, 1, 1, 6)], **window)[1].startswith("two_digit_year")
    assert "0 readings" in serial_dates(values=[17.0], **window)[1]
