"""The compiled reader: numbers as Python reads them, times as the calendar says, odd lines left alone."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from reeftally.intake._kernel import CHECKSUM, DATA, ODD, SKIP, TIME_PART, WHITESPACE, parse_lines
from reeftally.intake._kernel_time import BAD_TIME, PATTERN, parse_pattern
from reeftally.intake._times import compile_format, time_rule

NONE = np.empty(0, np.uint8)
ISO = "%Y-%m-%dT%H:%M:%S.%f"


def read(
    text: bytes,
    *,
    roles: list[int] | None = None,
    delimiter: int = ord(";"),
    decimal: int = ord("."),
    fields: int = 0,
    comment: bytes = b"",
    marks: list[bytes] | None = None,
    pattern: str = ISO,
    checksum: bool = False,
) -> tuple[list[int], np.ndarray, np.ndarray]:
    """Run the kernel; status of each line, values, times."""
    role = np.array([TIME_PART, 0] if roles is None else roles, np.int32)
    rule = time_rule(pattern, dt.UTC)
    most = text.count(b"\n") + text.count(b"\r") + 1
    values = np.full((max(role.max() + 1, 1), most), np.nan)
    times = np.zeros(most, np.int64)
    status = np.zeros(most, np.uint8)
    marks = marks or []
    count = parse_lines(
        np.frombuffer(text, np.uint8),
        0,
        len(text),
        delimiter,
        decimal,
        np.frombuffer(comment, np.uint8),
        role,
        fields,
        int((role < -1).sum()),
        np.frombuffer(b"".join(marks), np.uint8) if marks else NONE,
        np.cumsum([len(mark) for mark in marks]).astype(np.int64),
        rule.kind,
        rule.program,
        rule.unit_ns,
        rule.utc,
        checksum,
        values,
        times,
        status,
        np.zeros(most + 1, np.int64),
    )
    return status[:count].tolist(), values[:, :count], times[:count] + rule.epoch_ns


def one_number(text: str, decimal: str = ".") -> float | None:
    """The number the kernel reads, or None if it leaves the line to the slow way."""
    status, values, _ = read(f"2031-03-25T20:00:00;{text}\n".encode(), decimal=ord(decimal))
    return float(values[0, 0]) if status == [DATA] else None


@settings(max_examples=400, deadline=None)
@given(value=st.floats(allow_nan=False, allow_infinity=False))
@example(value=0.1)
@example(value=-0.0)
@example(value=5e-324)
@example(value=9007199254740993.0)
def test_a_number_is_read_exactly_as_python_reads_it_or_not_at_all(value: float) -> None:
    for text in (repr(value), f"{value:.3f}", f"{value:.6e}"):
        found = one_number(text)

        assert found is None or found == float(text)
        assert found is None or math.copysign(1, found) == math.copysign(1, float(text))


@settings(deadline=None)
@given(whole=st.integers(0, 99999), part=st.integers(0, 9999), digits=st.integers(1, 4), sign=st.sampled_from("-+ "))
def test_the_decimals_that_instruments_write_are_never_left_to_the_slow_way(
    whole: int, part: int, digits: int, sign: str
) -> None:
    text = f"{sign}{whole}.{part % 10**digits:0{digits}d}".strip()

    assert one_number(text) == float(text)
    assert one_number(text.replace(".", ","), ",") == float(text)


@settings(max_examples=500, deadline=None)
@given(value=st.floats(-1e6, 1e6).filter(lambda value: abs(value) > 1e-4), digits=st.integers(15, 19))
def test_numbers_of_all_the_digits_a_double_has_go_the_quick_way(value: float, digits: int) -> None:
    text = repr(value)
    long = f"{value:.{digits - 1 - len(str(int(abs(value))))}f}"

    assert one_number(text) == value
    assert one_number(long) in {None, float(long)}


def test_a_number_half_way_between_two_doubles_is_left_to_the_slow_way() -> None:
    assert one_number("9007199254740993") is None


@pytest.mark.parametrize(
    "text", ["1,234", "1.2.3", "12a", "--1", "1e", "0x10", "****", "1.#INF", "1 2", "1_000", "1e99999", "inf", "."]
)
def test_what_is_no_number_is_left_to_the_slow_way(text: str) -> None:
    assert one_number(text) is None


@settings(deadline=None)
@given(when=st.datetimes(dt.datetime(1700, 1, 1), dt.datetime(2250, 1, 1)))
def test_iso_times_agree_with_the_calendar_of_the_standard_library(when: dt.datetime) -> None:
    text = when.strftime("%Y-%m-%dT%H:%M:%S.%f").rjust(26, "0").encode()
    _, _, times = read(text + b";1\n")

    microseconds = (when - dt.datetime(1970, 1, 1)) // dt.timedelta(microseconds=1)
    assert int(times[0]) == microseconds * 1000


@settings(deadline=None)
@given(
    when=st.datetimes(dt.datetime(1970, 1, 1), dt.datetime(2068, 12, 31)),
    pattern=st.sampled_from(
        [
            "%d.%m.%Y %H:%M:%S",
            "%m/%d/%Y %H:%M:%S",
            "%Y%m%d %H%M%S",
            "%y-%m-%d %H:%M:%S",
            "%Y %j %H:%M:%S",
            "%d-%b-%Y %I:%M:%S %p",
        ]
    ),
)
def test_other_patterns_agree_with_strptime(when: dt.datetime, pattern: str) -> None:
    when = when.replace(microsecond=0)
    text = when.strftime(pattern).encode()
    data = np.frombuffer(text, np.uint8)

    found = parse_pattern(data, 0, data.size, compile_format(pattern), True)

    assert found == (when - dt.datetime(1970, 1, 1)) // dt.timedelta(seconds=1) * 1_000_000_000


@pytest.mark.parametrize(
    "text",
    [
        "2031-02-29T00:00:00.0",
        "2031-13-01T00:00:00.0",
        "2031-04-31T00:00:00.0",
        "2031-03-25T24:00:00.0",
        "2031-03-25T20:60:00.0",
        "2031-03-25T20:00:61.0",
        "2031-03-25 20:00:00.0",
        "31-03-25T20:00:00.0",
        "2031-03-25T20:00:00.0junk",
        "2031-03-25",
        "",
    ],
)
def test_times_that_are_none_are_refused(text: str) -> None:
    data = np.frombuffer(text.encode() or b" ", np.uint8)

    assert parse_pattern(data, 0, data.size, compile_format(ISO), True) == BAD_TIME


def test_a_leap_second_is_the_next_second_and_a_zero_fraction_may_be_left_out() -> None:
    _, _, times = read(b"2016-12-31T23:59:60;1\n2017-01-01T00:00:00.000;1\n2017-01-01T00:00:00Z;1\n")

    assert len(set(times.tolist())) == 1


def test_offsets_in_the_stamp_are_taken_off() -> None:
    _, _, times = read(
        b"2031-03-26T01:00:00+0500;1\n2031-03-25T20:00:00Z;1\n2031-03-25T17:30:00-02:30;1\n",
        pattern="%Y-%m-%dT%H:%M:%S%z",
    )

    assert len(set(times.tolist())) == 1


def test_line_ends_quotes_blanks_and_trailing_separators_make_no_difference() -> None:
    plain = b"2031-03-25T20:00:00;1.5\n2031-03-25T20:00:01;2.5\n2031-03-25T20:00:02;3.5\n"
    odd = b'2031-03-25T20:00:00;1.5;;\r\n"2031-03-25T20:00:01";"2.5"\r2031-03-25T20:00:02 ; 3.5 ;\n'

    status, values, times = read(odd, fields=2)
    _, wanted, wanted_times = read(plain, fields=2)

    assert status == [DATA] * 3
    np.testing.assert_array_equal(values, wanted)
    np.testing.assert_array_equal(times, wanted_times)


def test_blank_lines_and_comments_are_skipped_and_cut_or_long_lines_are_odd() -> None:
    status, _, _ = read(
        b"# note\n\n2031-03-25T20:00:00;1.5;2\n2031-03-25T20:00:00;1.5\n2031-03-25T20:00:00;1.5;2;3\n",
        comment=b"#",
        fields=3,
    )

    assert status == [SKIP, SKIP, DATA, ODD, ODD]


def test_declared_marks_and_empty_cells_are_missing() -> None:
    status, values, _ = read(b"2031-03-25T20:00:00;\n2031-03-25T20:00:00; bad \n", marks=[b"x", b"bad"])

    assert status == [DATA, DATA]
    assert np.isnan(values).all()


def test_blanks_and_tabs_may_part_the_fields_and_time_may_take_two() -> None:
    status, values, times = read(
        b"  2031-03-25 \t20:00:00   1.5  2.5\n",
        roles=[TIME_PART, TIME_PART - 1, 0, 1],
        delimiter=WHITESPACE,
        pattern="%Y-%m-%d %H:%M:%S",
        fields=4,
    )

    assert status == [DATA]
    assert values[:, 0].tolist() == [1.5, 2.5]
    assert times[0] == 1_932_235_200_000_000_000


def test_a_line_with_a_wrong_checksum_is_told_from_the_others() -> None:
    body = b"2031-03-25T20:00:00;1.5"
    total = 0
    for byte in body:
        total ^= byte
    good = body + b"*%02X\n" % total

    status, values, _ = read(good + good.replace(b"1.5", b"1.7") + body + b"\n", checksum=True)

    assert status == [DATA, CHECKSUM, CHECKSUM]
    assert values[0, 0] == 1.5


def test_seconds_and_milliseconds_since_1970_keep_every_decimal() -> None:
    _, _, seconds = read(b"1932235200.031250001;1\n", pattern="unix_s")
    _, _, milliseconds = read(b"1932235200031.250001;1\n", pattern="unix_ms")

    assert seconds[0] == milliseconds[0] == 1_932_235_200_031_250_001


def test_serial_days_begin_where_spreadsheets_begin() -> None:
    # Source: ECMA-376 part 1 (2016), 18.17.4.1: serial 44197 of the 1900 system is 2021-01-01 (from memory);
    # the 1904 system counts 1462 days less for the same date.
    new_year = int(dt.datetime(2021, 1, 1, 12, tzinfo=dt.UTC).timestamp()) * 1_000_000_000

    _, _, first = read(b"44197.5;1\n", pattern="serial_1900")
    _, _, second = read(b"42735.5;1\n", pattern="serial_1904")

    assert first[0] == second[0] == new_year


def test_the_kernel_time_kinds_are_distinct() -> None:
    assert time_rule(ISO, dt.UTC).kind == PATTERN
