"""Tables: good lines load, bad ones are told line by line. All data are invented."""

import dataclasses

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reeftally.mission import (
    TABLES,
    Bottle,
    ClockCheck,
    ReferenceValue,
    Survey,
    Tables,
    Visit,
    check_tables,
    parse_table,
    read_book,
    read_table,
    read_tables,
    table_frame,
    table_header,
    write_table,
)
from reeftally.mission._tables import fields_of

HEAD = "bottle,time,station,height_above_bed_m,dic,dic_sd,flag,note"
GOOD = "B1,2031-03-27T05:00:00Z,mast,0.9,2004.1,1.5,2,"
NS = 1_000_000_000


def bottles(*lines, head=HEAD):
    return parse_table("\n".join([head, *lines, ""]).encode(), Bottle, "tables/bottles.csv")


def test_a_good_line_becomes_a_typed_record():
    read = bottles(GOOD)

    (bottle,) = read.records
    assert read.problems == ()
    assert bottle == Bottle(
        bottle="B1",
        time_ns=int(np.datetime64("2031-03-27T05:00:00", "ns").astype(np.int64)),
        station="mast",
        height_above_bed_m=0.9,
        dic=2004.1,
        dic_sd=1.5,
        flag=2,
    )
    assert bottle.line == 2
    assert bottle.oxygen is None


# Each row: a bad line, the field named, what was found, and words of the rest.
DAMAGED = [
    ("B2,2031-03-27 05:00,mast,0.9,,,2,", "time", "'2031-03-27 05:00'", "Add Z or +05:00."),
    ("B2,27.03.2031,mast,0.9,,,2,", "time", "'27.03.2031'", "year-month-day"),
    ("B2,,mast,0.9,,,2,", "time", "nothing", "Fill it in."),
    (",2031-03-27T05:00:00Z,mast,0.9,,,2,", "bottle", "nothing", "number of the bottle"),
    ('B2,2031-03-27T05:00:00Z,mast,"0,9",,,2,', "height_above_bed_m", "'0,9'", "Decimal comma? Write 0.9."),
    ("B2,2031-03-27T05:00:00Z,mast,0.9 m,,,2,", "height_above_bed_m", "'0.9 m'", "unit is fixed by the column"),
    ("B2,2031-03-27T05:00:00Z,mast,nan,,,2,", "height_above_bed_m", "'nan'", "Leave the field empty"),
    ("B2,2031-03-27T05:00:00Z,mast,0.9,2.0041,1.5,2,", "dic", "2.0041", "In mmol kg-1? Write 2004.1."),
    ("B2,2031-03-27T05:00:00Z,mast,0.9,-999,1.5,2,", "dic", "-999", "A mark of a missing value?"),
    ("B2,2031-03-27T05:00:00Z,mast,0.9,2004.1,,2,", "dic_sd", "nothing", "standard uncertainty of dic"),
    ("B2,2031-03-27T05:00:00Z,mast,0.9,,,7,", "flag", "7", "one of 2, 3, 4, 6, 9"),
    ("B2,2031-03-27T05:00:00Z,mast,0.9,,,2.5,", "flag", "2.5", "a whole number"),
    ("B2,2031-03-27T05:00:00Z,mast,1_0,,,2,", "height_above_bed_m", "'1_0'", "a number"),
    ("B2,0031-03-27T05:00:00Z,mast,0.9,,,2,", "time", "'0031-03-27T05:00:00Z'", "a year from 1901 to 2199"),
    ("B1,2031-03-27T06:00:00Z,mast,0.9,,,2,", "bottle", "'B1', as in line 2", "give it its own number"),
]


@pytest.mark.parametrize(("line", "field", "found", "words"), DAMAGED, ids=[row[0] for row in DAMAGED])
def test_a_bad_line_is_told_by_file_line_field_found_expected_and_mend(line, field, found, words):
    read = bottles(GOOD, line, GOOD.replace("B1", "B3"))

    (problem,) = read.problems
    assert (problem.file, problem.line, problem.field) == ("tables/bottles.csv", 3, field)
    assert str(problem).startswith(f"tables/bottles.csv, line 3, field {field}: found {found}; expected ")
    assert words in str(problem)
    assert [bottle.bottle for bottle in read.records] == ["B1", "B3"]


def test_all_bad_fields_of_a_line_are_told_together():
    read = bottles("B2,yesterday,mast,high,,,x,")

    assert [problem.field for problem in read.problems] == ["time", "height_above_bed_m", "flag"]


def test_a_line_with_too_few_fields_is_told_and_the_rest_loads():
    read = bottles("B2,2031-03-27T05:00:00Z,mast", GOOD)

    assert str(read.problems[0]) == (
        "tables/bottles.csv, line 2: found 3 fields; expected 8. "
        "A comma inside a field? Put the field in double quotes."
    )
    assert len(read.records) == 1


def test_a_quote_that_is_never_closed_costs_only_its_own_line():
    read = bottles('B2,2031-03-27T05:00:00Z,mast,0.9,,,2,"lost', GOOD, GOOD.replace("B1", "B3"))

    (problem,) = read.problems
    assert (problem.line, problem.found) == (2, "a double quote that is never closed")
    assert [bottle.bottle for bottle in read.records] == ["B1", "B3"]


def test_a_note_may_hold_commas_and_go_on_over_lines():
    read = bottles('B2,2031-03-27T05:00:00Z,mast,0.9,,,2,"cap loose,\nsecond try"', GOOD)

    assert read.problems == ()
    assert read.records[0].note == "cap loose,\nsecond try"
    assert read.records[1].line == 4


def test_an_unknown_column_is_told_and_its_lines_load():
    read = bottles(GOOD + ",red", head=HEAD + ",colour")

    (problem,) = read.problems
    assert (problem.line, problem.field) == (1, "colour")
    assert "Remove it, or put its content under note." in str(problem)
    assert len(read.records) == 1


def test_a_mistyped_required_column_stops_the_table_with_a_guess():
    read = bottles(GOOD, head=HEAD.replace("height_above_bed_m", "heigth_above_bed_m"))

    assert read.records == ()
    assert "Did you mean 'height_above_bed_m'?" in str(read.problems[0])
    assert read.problems[1].field == "height_above_bed_m"
    assert "found no such column" in str(read.problems[1])


def test_semicolons_an_empty_file_and_a_wrong_encoding_are_named():
    semicolons = bottles(GOOD.replace(",", ";"), head=HEAD.replace(",", ";"))
    empty = parse_table(b"", Bottle, "tables/bottles.csv")
    latin = parse_table(f"{HEAD}\n{GOOD}µ\n".encode("latin-1"), Bottle, "tables/bottles.csv")

    assert "found semicolons; expected commas" in str(semicolons.problems[0])
    assert "found an empty file; expected a header line" in str(empty.problems[0])
    assert "line 2: found byte 0xb5; expected UTF-8 text" in str(latin.problems[0])


def test_marks_that_spreadsheets_leave_do_no_harm():
    text = "\ufeff" + HEAD + ",,\r\n" + GOOD + ",,\r\n,,,,,,,\r\n"

    read = parse_table(text.encode(), Bottle, "tables/bottles.csv")

    # Two nameless columns are told; blank lines and the mark at the file's start are not worth a word.
    assert [problem.field for problem in read.problems] == ["column 9", "column 10"]
    assert len(read.records) == 1


def test_ph_needs_its_temperature_and_its_scale():
    head = "bottle,time,station,height_above_bed_m,ph_total,ph_sd,flag"
    read = bottles("B1,2031-03-27T05:00:00Z,mast,0.9,7.99,0.002,2", head=head)
    values = parse_table(
        b"quantity,value,sd,source\npH,8.1,0.01,invented\n", ReferenceValue, "tables/reference_values.csv"
    )

    assert read.problems[0].field == "ph_temperature"
    assert "Write ph_total, ph_free, ph_seawater or ph_nbs." in str(values.problems[0])


def test_millimetres_for_centimetres_are_suspected():
    read = parse_table(
        b"transect,area_m2,form,count,mean_osculum_diameter_cm\nT1,10,urn,3,110\n", Survey, "tables/surveys.csv"
    )

    assert "Millimetres by mistake? Write 11." in str(read.problems[0])


def test_a_visit_that_ends_before_it_begins_is_refused():
    head = table_header("visits")
    line = "V1,U-3,urn,2031-03-27T05:10:00Z,2031-03-27T05:00:00Z,OXY-H PHI-H,no,11,0.075,0.01,dye,"

    read = parse_table(f"{head}\n{line}\n".encode(), Visit, "tables/visits.csv")
    turned = parse_table(f"{head}\n{line.replace('05:10', '04:55')}\n".encode(), Visit, "tables/visits.csv")

    assert read.problems[0].field == "time_out"
    (visit,) = turned.records
    assert (visit.instruments, visit.blank) == (("OXY-H", "PHI-H"), False)


def test_clock_checks_hold_both_times():
    text = "instrument,time,instrument_time,sd_s\nCTD-1,2031-03-31T04:00:00Z,2031-03-31T03:00:00.25Z,0.2\n"

    (check,) = parse_table(text.encode(), ClockCheck, "tables/clock_checks.csv").records

    assert check.time_ns - check.instrument_time_ns == 3600 * NS - NS // 4


def test_a_table_nobody_knows_is_named_with_a_guess(tmp_path):
    path = tmp_path / "bottels.csv"
    path.write_text("x\n")

    assert "Did you mean 'bottles'?" in str(read_table(path).problems[0])


def test_a_folders_tables_load_together_with_the_problems_of_all(folder):
    (folder / "tables" / "bottles.csv").write_text(f"{HEAD}\n{GOOD}\n")
    (folder / "tables" / "organisms.csv").write_text("form,osculum_diameter_cm\nurn,eleven\nurn,11\n")

    tables = read_tables(folder)

    assert (len(tables.bottles), len(tables.organisms), tables.visits) == (1, 1, ())
    assert [str(problem).split(":")[0] for problem in tables.problems] == [
        "tables/organisms.csv, line 2, field osculum_diameter_cm"
    ]


def test_tables_are_held_against_the_book(folder):
    (folder / "tables" / "bottles.csv").write_text(
        f"{HEAD}\n{GOOD.replace('mast', 'masts')}\n{GOOD.replace('B1', 'B2').replace(',0.9,', ',90,')}\n"
    )
    (folder / "tables" / "clock_checks.csv").write_text(
        "instrument,time,instrument_time,sd_s\nCDT-1,2031-03-31T04:00:00Z,2031-03-31T03:00:00Z,0.2\n"
    )

    told = [str(problem) for problem in check_tables(read_book(folder), read_tables(folder))]

    assert len(told) == 3
    assert "tables/bottles.csv, line 2, field station: found 'masts'" in told[0]
    assert "Did you mean 'mast'?" in told[0]
    assert "expected 0 to 6.4 m, the water depth at mast" in told[1]
    assert "field instrument: found 'CDT-1'" in told[2]
    assert "Did you mean 'CTD-1'?" in told[2]


def test_a_data_frame_has_utc_times_and_nan_for_what_was_not_measured():
    frame = table_frame(bottles(GOOD, GOOD.replace("B1", "B2").replace("2004.1,1.5", ",")).records)

    assert frame["time"].dtype == "datetime64[ns]"
    assert np.isnan(frame["dic"].iloc[1])
    assert list(frame["bottle"]) == ["B1", "B2"]


# ---------------------------------------------------------------- round trip


def values_for(field):
    if field.kind == "number":
        return st.floats(max(field.low, -1e9), min(field.high, 1e9))
    if field.kind == "whole":
        return st.sampled_from(field.choices) if field.choices else st.integers(int(field.low), int(field.high))
    if field.kind == "time":
        return st.integers(0, 4 * 10**12).map(lambda ms: ms * 1_000_000)
    if field.kind == "flag":
        return st.booleans()
    if field.kind == "labels":
        return st.lists(st.from_regex("[A-Z]{3}-[0-9]", fullmatch=True), min_size=1, max_size=3).map(tuple)
    return st.text(st.characters(categories=["L", "N", "P"]), min_size=1, max_size=12)


def records(record):
    columns = {}
    for field in fields_of(record):
        values = values_for(field)
        columns[field.attribute] = values if field.required else st.none() | values
    return st.lists(st.fixed_dictionaries(columns).map(lambda data: record(**data)), max_size=4)


@pytest.mark.parametrize("name", [name for name in TABLES if name not in {"bottles", "visits"}])
@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_table_written_and_read_is_the_same_table(tmp_path, name, data):
    rows = data.draw(records(TABLES[name]))
    if name == "reference_values":
        rows = [dataclasses.replace(row, quantity="dic") for row in rows]

    write_table(tmp_path / f"{name}.csv", rows)
    read = read_table(tmp_path / f"{name}.csv")

    assert (read.problems, read.records) == ((), tuple(rows))


def test_every_table_has_its_place_in_the_whole():
    assert {field.name for field in dataclasses.fields(Tables)} == {*TABLES, "problems"}
