"""The section of a long record: its trends, steps, years still needed and newest year; none for a mission of days.

All numbers are invented.
"""

from dataclasses import replace

import pytest

from reeftally.report import read_facts
from reeftally.report.html import dates
from reeftally.report.sections import sections
from reeftally.report.tables_years import years_lead, years_tables

SPAN = ("2019-01-01T00:00:00Z", "2025-01-01T00:00:00Z")


@pytest.fixture(scope="module")
def days(build_mission, tmp_path_factory):
    return read_facts(build_mission(tmp_path_factory.mktemp("years") / "m", keep=set()))


@pytest.fixture
def years(days):
    model = days.numbers[0]
    rows = []

    def add(quantity, method, subject, value, lower, upper, *, period="mission", span=SPAN, reason=""):
        rows.append(
            replace(
                model, index=len(rows), quantity=quantity, method=method, subject=subject, period=period, start=span[0],
                end=span[1], value=value, lower=lower, upper=upper, unit="", reason=reason,
            )
        )  # fmt: skip

    nan = float("nan")
    # A sensor that was taken out a year before the record ends stands first in the table.
    add("sensor_drift", "service_bottles", "OXY-1", 0.0, -1.0, 1.0, span=(SPAN[0], "2023-12-25T00:00:00Z"))
    add("sensor_step", "bottles_overlap", "PHL-2", 0.015, 0.014, 0.016, period="instant", reason="bottles saw it too")
    add("ph_trend", "gls_ar1", "basin", -0.002, -0.003, -0.001)
    add("ph_trend", "ordinary_fit", "basin", -0.002, -0.0021, -0.0019)
    add("ph_trend", "gls_ar1", "offshore", 0.001, -0.003, 0.005)
    add("ph_trend_local", "gls_ar1_minus_reference", "basin", nan, nan, nan, reason="the open water has no record")
    add("years_to_detect", "weatherhead_air_trend", "basin", 15.0, 5.0, 33.0)
    for year in ("2023", "2024"):
        add("ph_total", "hours", "basin", 8.0, 7.9, 8.1, period="season", span=(f"{year}-01-01T00:00:00Z", SPAN[1]))
    add("ph_total_rank", "draws", "basin", 2.0, 1.0, 2.0, period="season", span=("2024-01-01T00:00:00Z", SPAN[1]))
    made = replace(days, numbers=tuple(rows))
    made.__dict__.pop("span", None)
    return made


def test_a_mission_of_days_has_no_such_section(days):
    assert years_tables(days) == []
    assert years_lead(days) == ""
    assert "years" not in [s.name for s in sections(days)]


def test_the_section_says_trend_steps_years_needed_and_the_newest_year(years):
    section = next(s for s in sections(years) if s.name == "years")
    trends, steps, needed, newest = section.tables

    assert "basin: falling" in section.lead
    assert "offshore: not yet detectable" in section.lead
    assert "not given" in section.lead
    assert [row[1] for row in trends.rows] == ["basin", "offshore", "basin"]
    assert trends.rows[2][-1] == "the open water has no record"
    assert steps.rows[0][:2] == ("PHL-2", "2019-01-01")
    assert steps.rows[0][-1] == "a"
    assert steps.note.endswith("(a) bottles saw it too.")
    assert needed.rows[0][4] == "9 (0 to 27)"
    assert newest.title.endswith("2024")
    assert newest.rows[0][3].value == 2.0
    assert all({len(row) for row in t.rows} == {len(t.head)} for t in section.tables)


def test_the_dates_are_those_of_the_record_and_not_of_one_sensor(years):
    assert dates(years) == "1 January 2019 to 1 January 2025 (local time)"
