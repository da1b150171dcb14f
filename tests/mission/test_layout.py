"""Layouts: what is refused in which words, and what follows from one. All data are invented."""

import datetime as dt
from importlib import resources
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reeftally.errors import BookError, InputError
from reeftally.mission import (
    BookErrors,
    channel_name,
    parse_layout,
    parse_zone,
    read_layout,
    read_layouts,
    write_layout,
)


@pytest.fixture(scope="module")
def optode():
    return (resources.files("reeftally.mission") / "template" / "layouts" / "optode.toml").read_text("utf-8")


REFUSED = [
    (
        "no stamp position",
        ('stamp = "end"', ""),
        "time.stamp",
        ["is 'missing'", "an instant, or start, middle or end of the averaging interval", "Nothing is guessed"],
    ),
    (
        "no averaging",
        ("averaging_s = 5.0", ""),
        "time.averaging_s",
        ["because stamp = 'end'", "shifts the record by the whole interval"],
    ),
    ("no zone", ('zone = "UTC"', ""), "time.zone", ["is 'missing'"]),
    ("an ambiguous zone", ('zone = "UTC"', 'zone = "CEST"'), "time.zone", ["'CEST'", "ambiguous"]),
    (
        "oxygen by mass in a unit by volume",
        ('quantity = "oxygen_molar" ', 'quantity = "oxygen" '),
        "columns[0].unit (oxygen)",
        ["'umol/L'", "umol/kg", "By volume?"],
    ),
    (
        "pH without scale",
        ('quantity = "temperature"', 'quantity = "pH"'),
        "columns[1].quantity (temperature)",
        ["Declare the scale: ph_total, ph_free, ph_seawater or ph_nbs"],
    ),
    ("an unknown unit", ('unit = "degC"', 'unit = "degR"'), "columns[1].unit (temperature)", ["degC, K, degF"]),
    (
        "an unknown quantity",
        ('quantity = "temperature"', 'quantity = "temprature"'),
        "columns[1].quantity (temperature)",
        ["Did you mean 'temperature'?"],
    ),
    ("no missing-value marks", ('missing = ["-999", ""]', ""), "text.missing", ["marks of missing values"]),
    ("one sign for two things", ('delimiter = ";"', 'delimiter = ","'), "text.decimal_mark", ["another sign"]),
    (
        "a broken expression",
        ('pattern = "^(OXY-[0-9])"', 'pattern = "^(OXY-[0-9]"'),
        "instrument.pattern",
        ["regular expression"],
    ),
    (
        "an expression without group",
        ('pattern = "^(OXY-[0-9])"', 'pattern = "^OXY-[0-9]"'),
        "instrument.pattern",
        ["around the label"],
    ),
    ("no expression", ('pattern = "^(OXY-[0-9])"', ""), "instrument.pattern", ["because from = 'filename'"]),
    ("fixed without label", ('from = "filename"', 'from = "fixed"'), "instrument.label", ["because from"]),
    ("another name than the file", ('name = "optode"', 'name = "opto"'), "name", ["the name of its file, 'optode'"]),
    ("an unknown key", ('decimal_mark = ","', 'decimal_mark = ","\nquotes = true'), "text.quotes", ["no such key"]),
    (
        "two columns of one channel",
        ('quantity = "temperature"\nunit = "degC"', 'quantity = "oxygen_molar"\nunit = "mg/L"'),
        "columns[1].quantity",
        ["a channel that no other column has"],
    ),
    (
        "a counter without rate",
        ('stamp = "end" ', 'counter = "n"\nstamp = "end" '),
        "time.rate_hz",
        ["because counter is given"],
    ),
    ("a time format of no kind", ('format = "%Y-%m-%d %H:%M:%S"', 'format = "unix"'), "time.format", ["unix_s"]),
    (
        "unix time in a local zone",
        ('format = "%Y-%m-%d %H:%M:%S"\nzone = "UTC"', 'format = "unix_s"\nzone = "+05:00"'),
        "time.zone",
        ["count from 1970 in UTC"],
    ),
    (
        "a span the wrong way round",
        ("maximum = 600.0", "maximum = -1.0"),
        "columns[0].maximum (oxygen)",
        ["more than 0"],
    ),
    ("names where there is no header", ('header = "names"', 'header = "none"'), "columns", ["1-based position"]),
    ("an unknown encoding", ('encoding = "utf-8"', 'encoding = "utf-99"'), "text.encoding", ["latin-1"]),
    (
        "a newer format",
        ("format = 1", "format = 3"),
        "format",
        ["A newer Reeftally wrote this layout: update Reeftally."],
    ),
]


@pytest.mark.parametrize(("pair", "key", "words"), [row[1:] for row in REFUSED], ids=[row[0] for row in REFUSED])
def test_a_wrong_layout_is_refused_with_key_found_wanted_and_mend(optode, pair, key, words):
    assert pair[0] in optode

    with pytest.raises(BookErrors) as caught:
        parse_layout(optode.replace(*pair), "layouts/optode.toml")

    told = next((problem for problem in caught.value.problems if problem.key == key), None)
    assert told is not None, str(caught.value)
    for word in (*words, "layouts/optode.toml: ", "; it needs "):
        assert word in str(told)


def test_a_layout_that_would_match_every_file_is_refused(optode):
    text = optode.replace('filename = "OXY-*.txt"', "").replace('line = "^# optode log"', "")

    with pytest.raises(BookErrors, match="by which a file is recognised"):
        parse_layout(text, "layouts/optode.toml")


def test_all_wrong_layouts_of_a_folder_are_told_together(folder):
    for name in ("ctd", "optode"):
        path = folder / "layouts" / f"{name}.toml"
        path.write_text(path.read_text().replace('zone = "UTC"', ""))

    with pytest.raises(BookErrors) as caught:
        read_layouts(folder)

    assert [problem.file for problem in caught.value.problems] == ["layouts/ctd.toml", "layouts/optode.toml"]


def test_what_a_layout_says_can_be_used_at_once(folder):
    layouts = read_layouts(folder)
    optode = layouts["optode"]

    assert sorted(layouts) == ["ctd", "optode", "velocimeter"]
    assert optode.channels == ("oxygen_molar", "temperature")
    assert_allclose(optode.column("oxygen").to_canonical(np.array([200.0, np.nan])), [200.0, np.nan])
    with pytest.raises(BookError, match="Did you mean 'oxygen'"):
        optode.column("oxigen")


@pytest.mark.parametrize(("stamp", "seconds"), [("start", 2.5), ("middle", 0.0), ("end", -2.5)])
def test_the_middle_of_an_average_follows_from_its_stamp(optode, stamp, seconds):
    layout = parse_layout(optode.replace('stamp = "end"', f'stamp = "{stamp}"'), "layouts/optode.toml")

    assert layout.time.shift_ns == seconds * 1e9


def test_zones_are_names_or_offsets():
    summer = dt.datetime(2031, 7, 1)

    assert parse_zone("UTC") is dt.UTC
    assert parse_zone("+05:00").utcoffset(summer) == dt.timedelta(hours=5)
    assert parse_zone("-0330").utcoffset(summer) == -dt.timedelta(hours=3, minutes=30)
    assert parse_zone("Europe/Berlin") == ZoneInfo("Europe/Berlin")
    for wrong in ("+25:00", "Mars/Olympus", "../etc/passwd", ""):
        with pytest.raises(InputError, match="no known time zone"):
            parse_zone(wrong)


def test_profiler_bins_have_their_number_in_the_channels_name():
    assert channel_name("velocity_x", 1) == "velocity_x_bin_01"
    assert channel_name("velocity_x") == "velocity_x"


@pytest.mark.parametrize("name", ["ctd", "optode", "velocimeter"])
def test_a_layout_written_and_read_is_the_same_layout(folder, tmp_path, name):
    layout = read_layout(folder / "layouts" / f"{name}.toml")
    path = tmp_path / f"{name}.toml"

    write_layout(path, layout, comments=["proposed", "from 100 lines"])

    assert read_layout(path) == layout
    assert path.read_text().startswith("# proposed\n# from 100 lines\n\nformat = 1\n")
