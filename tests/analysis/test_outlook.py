"""Sun against almanacs, tide against invented harmonics with a known rest."""

import datetime as dt
from itertools import pairwise

import numpy as np
import pytest

from reeftally.analysis.outlook import (
    CURRENT,
    DECIBAR_TO_M,
    DENSITY,
    LEAST_WANDER_M_S,
    TIDE,
    fit_harmonics,
    look_ahead,
)

NS = 1_000_000_000
NOTHING = np.empty(0)
START = np.datetime64("2031-03-25T20:00:00", "s").astype(np.int64).astype(float)


def minutes(text, wanted):
    a, b = (dt.datetime.fromisoformat(t) for t in (text, wanted))
    return abs((a - b).total_seconds()) / 60.0


# Sources: Almanac for Computers 1990 (Nautical Almanac Office, U.S. Naval Observatory), worked example, 25 June 1990 at
# 40.9 N 74.3 W: sunrise 05:26 at UTC-4 (inputs as printed, the result from memory). Reda and Andreas 2003,
# NREL/TP-560-34302, appendix A.5: 17 October 2003 at 39.742476 N 105.1786 W, rise 13:12:43 UTC (from memory).
@pytest.mark.parametrize(
    ("start", "latitude", "longitude", "sunrise"),
    [
        ("1990-06-25T06:00", 40.9, -74.3, "1990-06-25T09:26:00Z"),
        ("2003-10-17T06:00", 39.742476, -105.1786, "2003-10-17T13:12:43Z"),
    ],
)
def test_sunrise_lies_within_two_minutes_of_the_almanac(start, latitude, longitude, sunrise):
    begin = int(np.datetime64(start, "ns").astype(np.int64))

    found = look_ahead(
        start_ns=begin, latitude_deg=latitude, longitude_deg=longitude, seconds=NOTHING, pressure=NOTHING, speed=NOTHING
    )

    assert minutes(found.sun[0]["sunrise"], sunrise) <= 2.0


def tide(seconds, *, setup=0.0):
    """Invented: amplitudes of the four main constituents, and a slow setup."""
    parts = {"M2": (0.42, 1.0), "S2": (0.17, 0.3), "K1": (0.14, 2.0), "O1": (0.09, -1.0)}
    hours = (seconds - START) / 3600.0
    height = sum(a * np.cos(np.radians(TIDE[n][0]) * hours - p) for n, (a, p) in parts.items())
    return height + setup * np.exp(-(((hours - 150.0) / 14.0) ** 2))


@pytest.mark.parametrize("days", [5, 6, 7, 8])
def test_the_tide_of_two_days_ahead_is_good_to_six_centimetres_from_five_days_on(days):
    seconds = START + 900.0 * np.arange(96 * (days + 2)) + 450.0
    noisy = tide(seconds) + 0.01 * np.random.default_rng(days).standard_normal(seconds.size)
    before = seconds < START + days * 86400.0

    fit = fit_harmonics(seconds=seconds[before], values=noisy[before], constituents=TIDE)
    value, sd = fit.at(seconds[~before])
    error = value - tide(seconds[~before])

    assert np.sqrt(np.mean(error**2)) < 0.06
    assert np.mean(np.abs(error) < 1.96 * sd) >= 0.95
    assert fit.amplitude("M2") == pytest.approx(0.42, abs=0.02)


def test_a_swell_before_the_forecast_is_not_taken_for_a_tide():
    # Setup of 12 cm about hour 150; the forecast begins at hour 168, when a quarter of it is left.
    seconds = START + 900.0 * np.arange(96 * 9) + 450.0
    level = tide(seconds, setup=0.12)
    before = seconds < START + 7 * 86400.0

    fit = fit_harmonics(seconds=seconds[before], values=level[before], constituents=TIDE)
    value, sd = fit.at(seconds[~before])

    assert np.sqrt(np.mean((value - level[~before]) ** 2)) < 0.06
    assert np.mean(np.abs(value - level[~before]) < 1.96 * sd) >= 0.95
    assert fit.amplitude("M2") == pytest.approx(0.42, abs=0.03)


def test_speed_ahead_follows_the_tide():
    seconds = START + 900.0 * np.arange(96 * 8) + 450.0
    hours = (seconds - START) / 3600.0
    speed = 0.03 + 0.10 * np.abs(np.cos(np.radians(TIDE["M2"][0]) * hours))
    before = seconds < START + 6 * 86400.0

    fit = fit_harmonics(
        seconds=seconds[before], values=speed[before], constituents=CURRENT, scale=0.03, least_wander=LEAST_WANDER_M_S
    )
    value, sd = fit.at(seconds[~before])

    assert np.sqrt(np.mean((value - speed[~before]) ** 2)) < 0.01
    assert np.mean(np.abs(value - speed[~before]) < 1.96 * sd) >= 0.9


def ahead(days):
    seconds = START + 900.0 * np.arange(96 * days) + 450.0
    pressure = 6.0 + tide(seconds) * DENSITY / DECIBAR_TO_M
    return look_ahead(
        start_ns=int(START + days * 86400) * NS, latitude_deg=-14.2, longitude_deg=78.5, seconds=seconds,
        pressure=pressure, speed=np.full(seconds.size, np.nan),
    )  # fmt: skip


def test_with_less_than_five_days_the_outlook_says_so_and_gives_no_tide():
    found = ahead(4)

    assert found.tide == []
    assert any("5 are needed" in text and "4.0 days" in text for text in found.missing)


def test_high_and_low_waters_come_in_turn_with_an_interval_and_about_their_mean():
    found = ahead(6)

    whats = [row["what"] for row in found.tide]
    assert 6 <= len(whats) <= 9
    assert all(a != b for a, b in pairwise(whats))
    assert all(row["lower"] < row["height_m"] < row["upper"] for row in found.tide)
    assert max(row["height_m"] for row in found.tide) < 0.9
    assert [text for text in found.missing if "current" in text]
    assert found.as_dict()["fit"]["amplitude_m"]["M2"] == pytest.approx(0.42, abs=0.02)


def test_only_what_lies_before_is_used():
    seconds = START + 900.0 * np.arange(96 * 12) + 450.0
    pressure = 6.0 + tide(seconds) * DENSITY / DECIBAR_TO_M
    late = np.where(seconds > START + 6 * 86400.0, 99.0, pressure)
    given = {"latitude_deg": -14.2, "longitude_deg": 78.5, "seconds": seconds, "speed": np.full(seconds.size, np.nan)}
    begin = int(START + 6 * 86400) * NS

    one = look_ahead(start_ns=begin, pressure=pressure, **given)
    two = look_ahead(start_ns=begin, pressure=late, **given)

    assert one.tide == two.tide
