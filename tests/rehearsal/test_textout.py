"""Fast text against the standard library's own formatting."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reeftally.errors import InputError
from reeftally.rehearsal.textout import Dialect, format_rows

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SECONDS = st.integers(min_value=0, max_value=4_000_000_000)


def _one(dialect: Dialect, time_ns: int, values: list[float], decimals: tuple[int, ...]) -> str:
    return bytes(format_rows(np.array([time_ns]), np.array([values]), decimals, dialect)).decode()


@given(second=_SECONDS, milli=st.integers(min_value=0, max_value=999))
@settings(max_examples=60, deadline=None)
def test_iso_times_are_those_of_the_standard_library(second, milli):
    when = _EPOCH + timedelta(seconds=second, milliseconds=milli)

    text = _one(Dialect("iso", 3), second * 10**9 + milli * 10**6, [0.0], (0,))

    assert text == f"{when:%Y-%m-%dT%H:%M:%S}.{milli:03d},0\n"


@given(value=st.floats(min_value=-1e7, max_value=1e7), decimals=st.integers(min_value=0, max_value=6))
@settings(max_examples=100, deadline=None)
def test_numbers_read_back_within_half_a_unit_of_the_last_digit(value, decimals):
    text = _one(Dialect("unix_s"), 0, [value], (decimals,)).strip().split(",")[1]

    assert abs(float(text) - value) <= 0.5000001 * 10.0**-decimals + 1e-9
    assert len(text.partition(".")[2]) == decimals
    assert text != "-" + "0" * len(text[1:])


@pytest.mark.parametrize(
    ("dialect", "expected"),
    [
        (
            Dialect("dmy", 0, ";", ",", "", split_time=True, zone_hours=5.0, line_end="\r\n"),
            "29.03.2031;05:00:07;1,50;\r\n",
        ),
        (Dialect("ymd_slash", 0, " ", ".", "-99.0", split_time=True), "2031/03/29 00:00:07 1.50 -99.0\n"),
        (Dialect("ymd", 0, "\t"), "2031-03-29 00:00:07\t1.50\tNaN\n"),
        (Dialect("unix_ms", 0, ","), "1932508807000,1.50,NaN\n"),
        (Dialect("unix_s", 5, ","), "1932508807.00000,1.50,NaN\n"),
    ],
)
def test_each_dialect_writes_what_its_layout_says(dialect, expected):
    assert _one(dialect, 1_932_508_807 * 10**9, [1.5, np.nan], (2, 2)) == expected


def test_serial_days_count_from_the_end_of_1899():
    # Day 25569 is 1970-01-01 in the 1900 system.
    assert _one(Dialect("serial_1900", 8, ";", ","), 43_200 * 10**9, [2.0], (1,)) == "25569,50000000;2,0\n"


def test_leap_days_are_days():
    leap = int(datetime(2032, 2, 29, 23, 59, 59, tzinfo=UTC).timestamp())

    assert _one(Dialect("iso"), leap * 10**9, [1.0], (0,)) == "2032-02-29T23:59:59,1\n"


def test_shapes_that_do_not_fit_are_refused():
    with pytest.raises(InputError, match="do not fit"):
        format_rows(np.array([0]), np.zeros((1, 2)), (1,), Dialect("iso"))
    with pytest.raises(InputError, match="time_style"):
        format_rows(np.array([0]), np.zeros((1, 1)), (1,), Dialect("roman"))
