"""Stamps by themselves: daylight saving, resets, whole seconds, rates, order; all records invented."""

import datetime as dt

import numpy as np
import pytest

from reeftally.calibration.stamps import (
    anchor_segment,
    daylight_saving_steps,
    find_resets,
    order_by_counter,
    rebuild_times,
    review_stamps,
    zone_changes,
)
from reeftally.errors import InputError, NotAcceptedError


def utc(*parts):
    return dt.datetime(*parts, tzinfo=dt.UTC).timestamp()


def test_change_dates_follow_the_zone_rules():
    # European Union: last Sunday of March and of October at 01:00 UTC (Directive 2000/84/EC).
    found = zone_changes(zone="Europe/Berlin", start=utc(2031, 1, 1), end=utc(2031, 12, 31))

    assert found == [(utc(2031, 3, 30, 1), 3600.0), (utc(2031, 10, 26, 1), -3600.0)]


@pytest.mark.parametrize(
    ("change", "jump", "words"),
    [((2031, 3, 30, 1), 3600.0, "an hour is missing"), ((2031, 10, 26, 1), -3600.0, "an hour stands twice")],
)
def test_daylight_saving_is_found_in_both_directions(change, jump, words):
    true = utc(*change) + np.arange(-7200, 7200, 5.0)
    stamps = true + jump * (true >= utc(*change))

    (step,) = daylight_saving_steps(stamps=stamps, interval=5.0)

    assert step.kind == "daylight saving"
    assert step.index == 1440
    assert step.jump == jump
    assert words in step.evidence
    assert f"{-jump:+.0f} s" in step.proposal


def test_an_hours_gap_on_another_date_is_no_clock_change():
    stamps = utc(2031, 4, 12) + np.concatenate([np.arange(0, 3600, 5.0), np.arange(7200, 9000, 5.0)])

    assert daylight_saving_steps(stamps=stamps, interval=5.0) == []


def test_an_hour_back_on_a_date_that_goes_forward_is_no_daylight_saving():
    true = utc(2031, 3, 30, 1) + np.arange(-7200, 7200, 5.0)

    assert daylight_saving_steps(stamps=true - 3600.0 * (true >= utc(2031, 3, 30, 1)), interval=5.0) == []


@pytest.mark.parametrize(
    ("epoch", "name"), [((1970, 1, 1), "1970"), ((1980, 1, 6), "1980"), ((2000, 1, 1), "2000"), ((1904, 1, 1), "1904")]
)
def test_resets_to_an_epoch_are_found_and_named(epoch, name):
    start, end = utc(2031, 3, 25), utc(2031, 4, 5)
    stamps = np.concatenate([start + np.arange(1000.0), utc(*epoch) + 30 + np.arange(500.0)])

    (step,) = find_resets(stamps=stamps, start=start, end=end)

    assert step.index == 1000
    assert f"the epoch of {name}" in step.evidence
    assert "anchor it" in step.proposal


def test_a_reset_segment_is_anchored_by_restart_log_or_signal_and_refused_without():
    stamps = utc(2000, 1, 1) + np.arange(100.0)
    restart = utc(2031, 4, 1, 6)

    assert anchor_segment(stamps=stamps, restart_time=restart)[0] == restart - utc(2000, 1, 1)
    assert anchor_segment(stamps=stamps, restart_time=restart, signal_correction=restart - utc(2000, 1, 1) + 12.0) == (
        restart - utc(2000, 1, 1) + 12.0,
        1.0,
    )
    with pytest.raises(NotAcceptedError, match="refused"):
        anchor_segment(stamps=stamps)
    with pytest.raises(NotAcceptedError, match="find out which"):
        anchor_segment(stamps=stamps, restart_time=restart, signal_correction=restart)


@pytest.mark.parametrize("counted", [True, False])
def test_whole_seconds_at_eight_hertz_are_rebuilt(counted):
    number = np.arange(8 * 600)
    true = utc(2031, 4, 1) + 0.37 + number / 8.0

    found = rebuild_times(stamps=np.floor(true), rate=8.0, counter=number if counted else None)

    assert np.abs(found.time - true).max() <= found.start_uncertainty + 0.01
    assert found.start_uncertainty <= 0.0625 + 1e-6
    assert abs(found.rate - 8.0) < 4 * found.rate_sd


def test_lost_samples_need_a_counter():
    number = np.delete(np.arange(4000), slice(1000, 1030))
    stamps = np.floor(number / 8.0)

    with pytest.raises(InputError, match="samples were lost"):
        rebuild_times(stamps=stamps, rate=8.0)
    found = rebuild_times(stamps=stamps, rate=8.0, counter=number)

    assert np.abs(found.time - number / 8.0).max() < 0.13


def test_real_rate_is_measured_against_the_nominal_one():
    # Catalogue row 12: 31.97 not 32 Hz.
    number = np.arange(32 * 3600)
    found = rebuild_times(stamps=np.floor(1000.2 + number / 31.97), rate=32.0, counter=number)

    assert abs(found.rate - 31.97) < 1e-4
    assert abs(found.slide_per_day - 86400 * (31.97 / 32 - 1)) < 0.5


def test_a_clock_that_jumps_has_no_steady_rate():
    number = np.arange(4000)
    stamps = np.floor(number / 8.0 + 5.0 * (number > 2000))

    with pytest.raises(InputError, match="no steady rate"):
        rebuild_times(stamps=stamps, rate=8.0, counter=number)


def test_order_is_restored_only_where_packet_numbers_prove_it():
    stamps = np.array([0.0, 2.0, 1.0, 3.0])

    order, steps = order_by_counter(stamps=stamps, counter=[0, 2, 1, 3])
    kept, back = order_by_counter(stamps=stamps)

    assert order.tolist() == [0, 2, 1, 3]
    assert steps == []
    assert kept.tolist() == [0, 1, 2, 3]
    assert [b.index for b in back] == [2]
    assert "split" in back[0].proposal


def test_every_step_of_a_record_is_listed_once_with_its_kind():
    autumn = utc(2031, 10, 26, 1)
    true = autumn + np.arange(-7200, 7200, 5.0)
    stamps = true - 3600.0 * (true >= autumn)
    stamps[2000] -= 60.0  # one stamp out of order
    stamps[2500:] += utc(2000, 1, 1) - stamps[2500]

    steps = review_stamps(stamps=stamps, interval=5.0, start=utc(2031, 10, 20), end=utc(2031, 11, 1))

    assert [(s.index, s.kind) for s in steps] == [(1440, "daylight saving"), (2000, "back"), (2500, "reset")]


def test_a_clean_record_has_no_steps():
    stamps = utc(2031, 10, 26) + np.arange(0, 7200, 5.0)

    assert review_stamps(stamps=stamps, interval=5.0, start=stamps[0], end=stamps[-1]) == []
