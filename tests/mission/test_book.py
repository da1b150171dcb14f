"""What the mission book refuses, in which words, and what follows from it. All data are invented."""

import datetime as dt
import re

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reeftally.errors import BookError, ReeftallyError
from reeftally.mission import (
    Book,
    BookErrors,
    doubts_of,
    dump_book,
    parse_book,
    read_book,
    read_layouts,
    to_ns,
    write_book,
)
from reeftally.mission import problems_with_layouts as problems_of_layouts


def refusal(text):
    with pytest.raises(BookErrors) as caught:
        parse_book(text)
    return caught.value


def changed(template, *pairs):
    for old, new in pairs:
        assert old in template, old
        template = template.replace(old, new, 1)
    return template


def test_the_commented_template_is_a_whole_book(template):
    book = parse_book(template)

    assert book.mission.name == "OB-31"
    assert [row.label for row in book.instruments] == ["VEL-A", "OXY-1", "OXY-2", "CTD-1"]
    assert doubts_of(book) == ()


# Each row: what is changed in the template, key path, and words of the message.
REFUSED = [
    (
        "heights in centimetres",
        ("= 0.40 ", "= 40.0 "),
        "deployments[0].height_above_bed_m (VEL-A)",
        ["is 40.0", "metres above the bed, from 0 to 6.4", "Centimetres by mistake? Write 40 cm as 0.4."],
    ),
    (
        "an unknown key",
        ("height_above_bed_m = 0.40", "heigt_above_bed_m = 0.40"),
        "deployments[0].heigt_above_bed_m",
        ["no such key is known", "Did you mean 'height_above_bed_m'?"],
    ),
    (
        "a missing key",
        ("height_above_bed_m = 0.40", "# none"),
        "deployments[0].height_above_bed_m (VEL-A)",
        ["is 'missing'", "height of the sensing point above the bed", "Nothing is guessed"],
    ),
    (
        "a time without offset",
        ("start = 2031-03-25T20:00:00Z", "start = 2031-03-25T20:00:00"),
        "mission.start",
        ["a time with its offset from UTC", "Write it without quotes and with Z or an offset"],
    ),
    (
        "a time in quotes",
        ("start = 2031-03-25T20:00:00Z", 'start = "2031-03-25T20:00:00Z"'),
        "mission.start",
        ["a time with its offset from UTC", "without quotes"],
    ),
    (
        "a day alone",
        ("start = 2031-03-25T20:00:00Z", "start = 2031-03-25"),
        "mission.start",
        ["a time with its offset from UTC"],
    ),
    (
        "a number in quotes",
        ("water_depth_m = 6.4", 'water_depth_m = "6.4"'),
        "site.water_depth_m",
        ["a number: mean water depth at the mast", "without quotes"],
    ),
    (
        "text without quotes that is a number",
        ('serial = "0101"', "serial = 101"),
        "instruments[0].serial (VEL-A)",
        ["text in quotes: serial number"],
    ),
    (
        "an unknown kind",
        ('kind = "ctd"', 'kind = "cdt"'),
        "instruments[3].kind (CTD-1)",
        ["'velocimeter'", "Did you mean 'ctd'?"],
    ),
    (
        "a missing salinity setting",
        ("salinity_setting = 0.0", "# none"),
        "instruments[1].salinity_setting (OXY-1)",
        ["is 'missing'", "reports oxygen by volume", "factor of 1.25"],
    ),
    (
        "pH without scale",
        ('quantity = "temperature"', 'quantity = "ph"'),
        "instruments[3].terms[0].quantity (CTD-1)",
        ["Declare the scale: ph_total, ph_free, ph_seawater or ph_nbs"],
    ),
    (
        "pH without scale as a reference",
        ('[[references]]\nquantity = "total_alkalinity"', '[[references]]\nquantity = "ph"'),
        "references[0].quantity",
        ["Declare the scale"],
    ),
    (
        "a mistyped reference",
        ('[[references]]\nquantity = "total_alkalinity"', '[[references]]\nquantity = "total_alkalinty"'),
        "references[0].quantity",
        ["Did you mean 'total_alkalinity'?"],
    ),
    ("a reference without sd", ("sd = 2.0\n", ""), "references[0].sd (total_alkalinity)", ["standard uncertainty"]),
    (
        "a reference without source",
        ('source = "invented for this template"\n', ""),
        "references[0].source (total_alkalinity)",
        ["where the value comes from"],
    ),
    (
        "an unknown instrument",
        ('instrument = "CTD-1"', 'instrument = "CDT-1"'),
        "deployments[7].instrument",
        ["Did you mean 'CTD-1'?"],
    ),
    (
        "an unknown station",
        ('station = "mast"', 'station = "masts"'),
        "deployments[0].station (VEL-A)",
        ["mast, frame, Farpost, hut", "Did you mean 'mast'?"],
    ),
    (
        "an unknown community",
        ('community = "rubble with sponges"', 'community = "rubble"'),
        "deployments[3].community",
        ["rubble with sponges"],
    ),
    (
        "one instrument at two places",
        ("start = 2031-03-28T08:30:00Z", "start = 2031-03-28T07:30:00Z"),
        "deployments[5].start (OXY-1)",
        ["not before the end of deployments[3]", "one place at a time"],
    ),
    (
        "a period that ends before it begins",
        ("end = 2031-04-04T20:00:00Z", "end = 2031-03-04T20:00:00Z"),
        "mission.end",
        ["a time after its start", "Exchanged?"],
    ),
    (
        "two instruments of one label",
        ('label = "OXY-2"', 'label = "OXY-1"'),
        "instruments[2].label",
        ["instruments[1] has it, too"],
    ),
    (
        "an unknown sensor side by side",
        ('instruments = ["OXY-1", "OXY-2"]', 'instruments = ["OXY-1", "OXY-3"]'),
        "intercalibrations[0].instruments[1] (before)",
        ["VEL-A, OXY-1, OXY-2, CTD-1"],
    ),
    (
        "a single sensor side by side",
        ('instruments = ["OXY-1", "OXY-2"]', 'instruments = ["OXY-1"]'),
        "intercalibrations[0].instruments (before)",
        ["at least 2"],
    ),
    (
        "degrees and minutes",
        ("latitude_deg = -14.20 ", "latitude_deg = -1412.0 "),
        "site.latitude_deg",
        ["decimal degrees from -90 to 90", "14° 12′ is -14.2000"],
    ),
    (
        "exchanged coordinates",
        ("latitude_deg = -14.20 ", "latitude_deg = 178.50 "),
        "site.latitude_deg",
        ["exchanged?"],
    ),
    (
        "longitude counted to 360",
        ("longitude_deg = 78.50", "longitude_deg = 281.5"),
        "site.longitude_deg",
        ["Write -78.5."],
    ),
    (
        "a gross range the wrong way round",
        (
            "# gross_range = { oxygen = [0.0, 500.0, 50.0, 400.0] }",
            "gross_range = { oxygen = [0.0, 500.0, 400.0, 50.0] }",
        ),
        "analysis.gross_range",
        ["user span (last two) inside the sensor span", "four numbers of oxygen"],
    ),
    ("a clock nobody has", ('axes = "up" ', 'clock = "HUB" '), "instruments[0].clock (VEL-A)", ["one of instruments"]),
    (
        "a mistyped year",
        ("start = 2031-03-25T20:00:00Z", "start = 0031-03-25T20:00:00Z"),
        "mission.start",
        ["a year from 1901 to 2199"],
    ),
    ("infinity", ("pq = 1.05", "pq = inf"), "analysis.pq", ["finite"]),
    ("no metres at all", ("water_depth_m = 6.4", "water_depth_m = 0.0"), "site.water_depth_m", ["more than 0"]),
]


@pytest.mark.parametrize(("pair", "key", "words"), [row[1:] for row in REFUSED], ids=[row[0] for row in REFUSED])
def test_a_wrong_book_is_refused_with_key_found_wanted_and_mend(template, pair, key, words):
    error = refusal(changed(template, pair))

    told = next((problem for problem in error.problems if problem.key.startswith(key)), None)
    assert told is not None, str(error)
    for word in (*words, "mission.toml: ", "; it needs "):
        assert word in str(told)


def test_a_velocimeter_that_is_none_is_refused(template):
    error = refusal(changed(template, ("heading_deg = 75.0", 'heading_deg = 75.0\nvelocimeter = "OXY-1"')))

    assert "deployments[0].velocimeter (VEL-A) is 'OXY-1'; it needs the label of a velocimeter" in str(error)
    assert "OXY-1 is of kind optode" in str(error)


def test_a_certificate_of_another_serial_number_is_refused(template):
    certificate = '\n[[calibrations]]\ninstrument = "OXY-1"\nserial = "0999"\nquantity = "oxygen"\ndate = 2031-02-10\n'

    error = refusal(template + certificate)

    assert "calibrations[0].serial (OXY-1) is '0999'; it needs the serial number of OXY-1, '0201'" in str(error)


def test_zero_zero_is_no_position(template):
    error = refusal(
        changed(
            template, ("latitude_deg = -14.20", "latitude_deg = 0.0"), ("longitude_deg = 78.50", "longitude_deg = 0.0")
        )
    )

    assert "what instruments write without a fix" in str(error)


def test_all_problems_are_told_at_once_and_the_error_carries_the_parts_of_the_first(template):
    error = refusal(
        changed(
            template,
            ("utc_offset_h", "utc_ofset_h"),
            ('kind = "ctd"', 'kind = "cdt"'),
            ("block_s = 900", 'block_s = "900"'),
        )
    )

    assert len(error.problems) == 4  # the mistyped key is one problem, the key that it leaves missing another
    assert error.others == error.problems[1:]
    assert (error.key, error.file, error.kind) == ("site.utc_offset_h", "mission.toml", "book")
    assert str(error).startswith("4 problems:\n  1. mission.toml: site.utc_offset_h is 'missing'")
    assert isinstance(error, BookError)
    assert isinstance(error, ReeftallyError)


def test_a_book_of_a_newer_format_says_update(template):
    error = refusal(changed(template, ("format = 1", "format = 2\nwhatever = 3")))

    assert str(error) == (
        "mission.toml: format is 2; it needs at most 1, the newest format this version reads. "
        "A newer Reeftally wrote this mission book: update Reeftally."
    )


def test_text_that_is_no_toml_names_the_line(template):
    error = refusal(changed(template, ('bottom = "rubble"', "bottom = rubble")))

    number = template[: template.index("bottom = ")].count("\n") + 1
    assert error.key == f"line {number}"
    assert "bottom = rubble" in str(error)


def test_a_book_that_is_not_utf8_names_line_and_byte(tmp_path, template):
    path = tmp_path / "mission.toml"
    path.write_bytes(template.replace("rubble with sponges", "récif", 1).encode("latin-1", "replace"))

    with pytest.raises(BookErrors, match=r"byte 0xe9.*UTF-8"):
        read_book(path)


def test_a_missing_book_says_how_to_start_one(tmp_path):
    with pytest.raises(BookErrors, match="Start one with `reeftally new`"):
        read_book(tmp_path)


@pytest.mark.parametrize(
    ("pair", "words"),
    [
        (("utc_offset_h = 5.0", "utc_offset_h = -5.0"), "Is the sign of longitude_deg right?"),
        (('station = "frame"', 'station = "mast"'), "side by side with the others"),
        (('quantity = "total_alkalinity"', 'quantity = "swell"'), "No step is known to use it"),
        (("sd = 2.0\n", "sd = 0.0\n"), "0 says that the value is exact"),
        (
            ("start = 2031-03-26T18:00:00Z\nend = 2031", "start = 2013-03-26T18:00:00Z\nend = 2013"),
            "Is the year right?",
        ),
    ],
)
def test_what_is_doubtful_is_told_but_does_not_stop(template, pair, words):
    book = parse_book(changed(template, pair))

    doubts = doubts_of(book)

    assert len(doubts) >= 1
    assert words in " ".join(str(doubt) for doubt in doubts)


def test_a_certificate_far_from_the_one_before_is_doubtful(template):
    row = """
[[calibrations]]
instrument = "OXY-1"
serial = "0201"
quantity = "oxygen"
date = {}
gain = {}
equation = "stern_volmer"
coefficients = {{ c0 = {} }}
"""
    book = parse_book(template + row.format("2030-01-10", 1.0, 0.00412) + row.format("2031-02-10", 1.02, 0.00421))
    exchanged = parse_book(template + row.format("2030-01-10", 1.0, 0.00412) + row.format("2031-02-10", 1.20, 0.00142))

    assert doubts_of(book) == ()
    assert [doubt.key for doubt in doubts_of(exchanged)] == [
        "calibrations[1].gain (OXY-1)",
        "calibrations[1].coefficients.c0 (OXY-1)",
    ]


EVERYTHING = """
[[instruments]]
label = "PRO-N"
kind = "profiler"
serial = "0501"
layout = "velocimeter"
sample_interval_s = 1
axes = "up"
bins = { first_m = 0.05, size_m = 0.02, count = 46 }

[[instruments]]
label = "FAST-O"
kind = "fast_oxygen"
serial = "0601"
layout = "optode"
sample_interval_s = 0.125
response_time_s = 0.45
response_time_sd_s = 0.05
salinity_setting = 0.0
clock = "VEL-A"

[[instruments]]
label = "MET-1"
kind = "weather"
serial = "0701"
layout = "ctd"
sample_interval_s = 60.0

[[deployments]]
instrument = "FAST-O"
station = "mast"
start = 2031-03-27T01:00:00+05:00
end = 2031-04-04T02:00:00Z
height_above_bed_m = 0.40
height_sd_m = 0.01
pitch_deg = 3.2
roll_deg = -1.8
offset_downstream_m = 0.03
offset_cross_m = 0.0
offset_up_m = 0.0
offset_direction_deg = 75.0
velocimeter = "VEL-A"

[[deployments]]
instrument = "MET-1"
station = "hut"
start = 2031-03-26T18:00:00Z
end = 2031-04-04T02:00:00Z
height_above_bed_m = 16.4
height_sd_m = 0.5
"""


def test_everything_the_contract_names_has_its_place(template):
    text = template + EVERYTHING
    text = text.replace(
        "# gross_range = { oxygen = [0.0, 500.0, 50.0, 400.0] }", "gross_range = { oxygen = [0, 500, 50, 400] }"
    )

    book = parse_book(text)

    assert book.instrument("PRO-N").bins.heights()[[0, -1]] == pytest.approx([0.05, 0.95])
    assert book.analysis.gross_range == {"oxygen": (0.0, 500.0, 50.0, 400.0)}
    fast = book.deployments_of("FAST-O")[0]
    assert fast.start == dt.datetime(2031, 3, 26, 20, tzinfo=dt.UTC)
    assert (book.axes_of(fast), book.axes_of(book.deployments_of("VEL-A")[0])) == (None, "up")
    assert book.intercalibration_at("OXY-1", book.mission.start_ns).name == "before"
    assert book.intercalibration_at("OXY-1", book.mission.end_ns) is None
    assert book.span_ns() == (book.mission.start_ns, book.mission.end_ns)


def test_an_offset_downstream_needs_its_direction(template):
    error = refusal(template + EVERYTHING.replace("offset_direction_deg = 75.0\n", ""))

    assert "deployments[8].offset_direction_deg (FAST-O) is 'missing'" in str(error)


def test_a_profiler_needs_its_bins(template):
    error = refusal(template + EVERYTHING.replace("bins = {", "# bins = {"))

    assert "instruments[4].bins (PRO-N) is 'missing'" in str(error)


def test_layouts_may_ask_for_more_declarations(folder, template):
    book = parse_book(
        changed(template, ("pressure_includes_atmosphere = true", ""), ('layout = "optode"', 'layout = "optodes"'))
    )

    told = [str(problem) for problem in problems_of_layouts(book, read_layouts(folder))]

    assert len(told) == 2
    assert "instruments[1].layout (OXY-1) is 'optodes'" in told[0]
    assert "Did you mean 'optode'?" in told[0]
    assert "instruments[3].pressure_includes_atmosphere (CTD-1) is 'missing'; it needs true or false" in told[1]


# ---------------------------------------------------------------- what follows from a book


@pytest.fixture(scope="module")
def book(template):
    return parse_book(template)


def test_look_ups_of_names_that_are_not_there_guess_the_near_one(book):
    with pytest.raises(BookError, match="Did you mean 'OXY-1'"):
        book.instrument("OXI-1")
    with pytest.raises(BookError, match="Did you mean 'Farpost'"):
        book.station("Farpots")


def test_height_follows_the_deployments_and_is_nan_elsewhere(book):
    hours = [-1, 0, 19, 21, 22, 59, 60.25, 60.5, 100, 500]
    times = np.array([book.mission.start_ns + round(hour * 3.6e12) for hour in hours])

    heights = book.height_at("OXY-1", times)

    # From the template: frame 0-20 h at 2.0, mast 22-60 h at 0.35, then from 60.5 h at 1.00 m.
    assert_allclose(heights, [np.nan, 2.0, 2.0, np.nan, 0.35, 0.35, np.nan, 1.0, 1.0, np.nan])
    assert_allclose(book.height_sd_at("OXY-1", times[1]), 0.02)
    assert book.deployment_at("OXY-1", int(times[0])) is None
    assert book.deployment_at("OXY-1", int(times[1])).station == "frame"


def test_a_deployment_ends_before_its_end(book):
    first, second = book.deployments_of("OXY-1")[:2]

    assert book.deployment_at("OXY-1", first.end_ns - 1) == first
    assert book.deployment_at("OXY-1", first.end_ns) is None
    assert book.deployment_at("OXY-1", second.start_ns) == second


def test_two_sensors_that_exchange_heights_are_a_swap(book):
    (swap,) = book.swaps()

    assert (swap.lower_before, swap.upper_before, swap.kind, swap.station) == ("OXY-1", "OXY-2", "optode", "mast")
    assert (swap.lower_height_m, swap.upper_height_m) == (0.35, 1.0)
    assert swap.end_ns - swap.start_ns == 1800 * 10**9


def test_a_move_of_one_sensor_alone_is_no_swap(template):
    moved = parse_book(
        template.replace(
            "height_above_bed_m = 0.35\nheight_sd_m = 0.01\n", "height_above_bed_m = 0.50\nheight_sd_m = 0.01\n", 1
        )
    )

    assert moved.swaps() == ()


def test_the_most_special_reference_that_holds_is_taken(template):
    more = """
[[references]]
quantity = "total_alkalinity"
value = 2300.0
sd = 1.0
start = 2031-03-28T00:00:00Z
end = 2031-03-29T00:00:00Z
source = "invented"
"""
    book = parse_book(template + more)

    inside = book.reference("total_alkalinity", dt.datetime(2031, 3, 28, 12, tzinfo=dt.UTC))
    outside = book.reference("total_alkalinity", dt.datetime(2031, 3, 29, tzinfo=dt.UTC))

    assert (inside.value, outside.value) == (2300.0, 2312.0)
    assert book.reference("dic") is None


def test_depth_position_and_clock_come_from_the_row_or_from_what_it_names(template):
    book = parse_book(changed(template, ("salinity_setting = 0.0", 'salinity_setting = 0.0\nclock = "VEL-A"')))

    assert (book.water_depth_of("mast"), book.water_depth_of("Farpost")) == (6.4, 60.0)
    assert book.position_of("mast") == (-14.20, 78.50)
    assert (book.clock_of("OXY-1"), book.clock_of("OXY-2")) == ("VEL-A", "OXY-2")
    assert [row.label for row in book.instruments_of_kind("optode")] == ["OXY-1", "OXY-2"]
    assert [row.name for row in book.stations_of_role("reference")] == ["Farpost"]


def test_certificates_are_bound_to_the_serial_number_and_sorted_by_date(template):
    row = '\n[[calibrations]]\ninstrument = "OXY-1"\nserial = "0201"\nquantity = "oxygen"\ndate = {}\noffset = {}\n'
    book = parse_book(template + row.format("2031-02-10", 1.0) + row.format("2031-01-10T12:00:00+05:00", 2.0))

    rows = book.calibrations_of("OXY-1", "oxygen")

    assert [found.offset for found in rows] == [2.0, 1.0]
    assert rows[1].date == dt.datetime(2031, 2, 10, tzinfo=dt.UTC)
    assert book.calibrations_of("OXY-2", "oxygen") == ()


def test_the_books_nights_are_those_of_its_site(book):
    nights = book.nights()

    assert nights[1].name == "2031-03-26"
    assert len(nights) == 11
    assert len(book.days24()) == len(book.days()) + 1 == 11


def test_a_book_cannot_be_changed_in_place(book):
    with pytest.raises(ValueError, match="frozen"):
        book.site.water_depth_m = 3.0


def test_times_become_nanoseconds_without_rounding():
    time = dt.datetime(2031, 3, 25, 20, 0, 0, 123457, tzinfo=dt.UTC)

    assert to_ns(time) == np.datetime64("2031-03-25T20:00:00.123457", "ns").astype(np.int64)


# ---------------------------------------------------------------- round trip

WORDS = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
LABELS = st.from_regex(re.compile(r"[A-Z]{2,4}-[0-9A-Z]{1,2}", re.ASCII), fullmatch=True)
NUMBERS = st.floats(-1e9, 1e9)
SDS = st.floats(0.0, 1e6)
TIMES = st.datetimes(
    dt.datetime(2020, 1, 1),
    dt.datetime(2090, 1, 1),
    timezones=st.sampled_from([dt.UTC, dt.timezone(dt.timedelta(hours=5))]),
)


def optional(strategy):
    return st.none() | strategy


@st.composite
def books(draw):
    labels = draw(st.lists(LABELS, min_size=2, max_size=4, unique=True))
    start = draw(TIMES)
    span = draw(st.integers(1, 10**9))
    later = start + dt.timedelta(microseconds=span)
    terms = st.lists(
        st.fixed_dictionaries(
            {"quantity": st.just("oxygen"), "noise_sd": SDS, "offset_sd": SDS, "gain_sd": optional(SDS)}
        ),
        max_size=1,
    )
    data = {
        "format": 1,
        "mission": {
            "name": "OB-31",
            "title": draw(WORDS),
            "start": start,
            "end": later,
            "question": draw(optional(WORDS)),
        },
        "site": {
            "name": "Ossimer Basin",
            "latitude_deg": draw(st.floats(-90, 90)),
            "longitude_deg": draw(st.floats(1, 180)),
            "utc_offset_h": draw(st.floats(-12, 14)),
            "water_depth_m": draw(st.floats(1.0, 5000.0)),
            "bottom": draw(WORDS),
            "canopy_height_m": draw(st.floats(0, 1)),
            "displacement_height_m": draw(st.floats(0, 1)),
            "displacement_height_sd_m": draw(SDS),
            "magnetic_declination_deg": draw(st.floats(-180, 180)),
        },
        "stations": [{"name": "mast", "role": draw(st.sampled_from(["bed", "ambient", "side by side"]))}],
        "instruments": [
            {
                "label": label,
                "kind": draw(st.sampled_from(["optode", "ctd", "isfet_ph", "light"])),
                "serial": draw(WORDS),
                "layout": draw(WORDS),
                "sample_interval_s": draw(st.floats(1e-3, 1e5)),
                "salinity_setting": draw(st.floats(0, 40)),
                "terms": draw(terms),
            }
            for label in labels
        ],
        "deployments": [
            {
                "instrument": label,
                "station": "mast",
                "start": start,
                "end": later,
                "height_above_bed_m": draw(st.floats(0.0, 1.0)),
                "height_sd_m": draw(st.floats(0.0, 0.5)),
                "pitch_deg": draw(optional(st.floats(-180, 180))),
            }
            for label in labels
        ],
        "intercalibrations": [{"name": "before", "start": start, "end": later, "instruments": labels}],
        "references": [{"quantity": "dic", "value": draw(NUMBERS), "sd": draw(SDS), "source": "invented"}],
        "analysis": {
            "pq": draw(st.floats(0.5, 2.0)),
            "gross_range": draw(optional(st.just({"oxygen": [0.0, 500.0, 50.0, 400.0]}))),
        },
    }
    return Book.model_validate(data)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(book=books())
def test_a_book_written_and_read_is_the_same_book(book):
    text = dump_book(book)

    assert parse_book(text) == book


def test_writing_a_book_with_problems_is_refused(tmp_path, book):
    wrong = book.model_copy(update={"site": book.site.model_copy(update={"latitude_deg": 200.0})})

    with pytest.raises(BookErrors, match=r"site\.latitude_deg"):
        write_book(tmp_path / "mission.toml", wrong)
    assert list(tmp_path.iterdir()) == []


def test_writing_a_book_and_reading_it_gives_the_same_book(tmp_path, book):
    write_book(tmp_path / "mission.toml", book)

    assert read_book(tmp_path) == book


def test_named_sources_and_chosen_values_raise_no_doubt(tmp_path):
    from reeftally.mission import new_mission

    book = tmp_path / "m" / "mission.toml"
    new_mission(tmp_path / "m", name="m")
    extra = "".join(
        f'\n[[references]]\nquantity = "{quantity}"\nvalue = {value}\nsd = {sd}\nsource = "invented"\n'
        for quantity, value, sd in (("source_delta13c_sponges", -18.5, 1.0), ("ph_site_value", 7.98, 0.0))
    )
    book.write_text(book.read_text(encoding="utf-8") + extra, encoding="utf-8")

    said = " ".join(str(problem) for problem in doubts_of(read_book(tmp_path / "m")))
    assert "source_delta13c_sponges" not in said
    assert "ph_site_value" not in said
