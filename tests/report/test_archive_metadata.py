"""Every field of the metadata is filled from the mission, stated, or missing by name."""

import csv
import io
import json

import pytest

from reeftally.errors import BookError
from reeftally.mission import new_mission
from reeftally.telling.archive_metadata import archive_metadata, metadata_csv, metadata_json, missing_metadata

# What ocean-acidification metadata ask for: Jiang et al. (2015), Earth System Science Data 7, 117-125, from memory.
ASKED = (
    *("title", "summary", "investigators", "institution", "funding", "time_start", "time_end", "platform"),
    *("latitude_south", "latitude_north", "longitude_west", "longitude_east", "licence", "project", "citation"),
)
ASKED_OF_PH = ("ph_scale", "temperature_of_measurement", "temperature_of_reporting", "calibration", "dye", "dye_purity")
ASKED_OF_A_VARIABLE = (
    *("abbreviation", "full_name", "unit", "observation_type", "in_situ_or_manipulated", "measured_or_calculated"),
    *(
        "method",
        "instrument",
        "sampling",
        "analysing",
        "uncertainty",
        "flag_scheme",
        "method_reference",
        "who_measured",
    ),
)
ASKED_OF_ALKALINITY = (
    *("titration_type", "titration_cell", "curve_fitting", "titrant_standard", "poison", "poison_volume", "storage"),
    *("reference_material_batch", "reference_material_date", "blank_correction"),
)
BOTTLES = (
    "bottle,time,station,height_above_bed_m,total_alkalinity,total_alkalinity_sd,ph_total,ph_sd,ph_temperature,"
    "poison,stored_days,laboratory,flag\n"
    "B1,2031-03-26T07:00:00Z,mast,0.5,2308.1,1.8,7.99,0.002,25.0,mercuric chloride,12,hut,2\n"
)


@pytest.fixture
def fresh(tmp_path):
    """A mission on its first day."""
    return new_mission(tmp_path / "day-one").parent


def names(fields):
    return [row.name for row in fields]


def state_all(folder, *, but=()):
    """Write `metadata.toml` with everything that is missing, save for `but`."""
    tables = {}
    for row in missing_metadata(folder):
        if row.name in but:
            continue
        part, key = row.name.rsplit(".", 1)
        tables.setdefault(part, []).append(f'{key} = "stated"')
    text = "\n".join(f"[{part}]\n" + "\n".join(lines) for part, lines in tables.items())
    (folder / "metadata.toml").write_text(text, encoding="utf-8")


def test_the_list_asks_for_more_than_forty_fields_and_for_those_of_the_template(fresh):
    (fresh / "tables" / "bottles.csv").write_text(BOTTLES, encoding="utf-8")

    held = set(names(archive_metadata(fresh)))

    assert len(held) >= 40
    assert {f"dataset.{name}" for name in ASKED} <= held
    for variable in ("oxygen_molar_optode", "total_alkalinity_bottle", "ph_total_bottle"):
        assert {f"variables.{variable}.{name}" for name in ASKED_OF_A_VARIABLE} <= held
    assert {f"variables.total_alkalinity_bottle.{name}" for name in ASKED_OF_ALKALINITY} <= held
    for name in (
        "ph_scale",
        "temperature_of_measurement",
        "temperature_of_reporting",
        "calibration",
        "dye",
        "dye_purity",
    ):
        assert f"variables.ph_total_bottle.{name}" in held


def test_exactly_the_seven_fields_left_out_are_missing(fresh):
    left_out = [
        "dataset.funding",
        "dataset.citation",
        "dataset.project",
        "variables.oxygen_molar_optode.method_reference",
        "variables.dic_bottle.poison_volume",
        "variables.total_alkalinity_bottle.titration_cell",
        "variables.total_alkalinity_bottle.reference_material_batch",
    ]
    book = fresh / "mission.toml"
    text = book.read_text(encoding="utf-8")
    for key in ("summary", "investigators", "institution", "licence"):
        text = text.replace("[mission]\n", f'[mission]\n{key} = "stated"\n', 1)
    book.write_text(text, encoding="utf-8")
    # The software is known only after a run: on the first day nothing else than it may be left.
    state_all(fresh, but=(*left_out, "dataset.software"))

    assert sorted(set(names(missing_metadata(fresh))) - {"dataset.software"}) == sorted(left_out)


def test_bottles_fill_poison_storage_laboratory_and_temperature(fresh):
    (fresh / "tables" / "bottles.csv").write_text(BOTTLES, encoding="utf-8")

    value = {row.name: row.value for row in archive_metadata(fresh)}

    assert value["variables.total_alkalinity_bottle.poison"] == "mercuric chloride"
    assert value["variables.total_alkalinity_bottle.storage"] == "12 days until analysis"
    assert value["variables.total_alkalinity_bottle.who_measured"] == "hut"
    assert value["variables.ph_total_bottle.temperature_of_measurement"] == "25 °C"
    assert value["variables.ph_total_bottle.dye"] is None
    assert "variables.dic_bottle.poison" not in value


def test_not_applicable_stands_only_where_the_mission_says_so(fresh):
    (fresh / "metadata.toml").write_text(
        '[dataset]\nfunding = "not applicable"\n[variables]\ndic_bottle = "not applicable"\n', encoding="utf-8"
    )

    fields = {row.name: row for row in archive_metadata(fresh)}
    without = {name for name, row in fields.items() if row.status == "not applicable"}

    assert without == {"dataset.funding", *(n for n in fields if n.startswith("variables.dic_bottle."))}


def test_a_default_for_all_variables_fills_what_no_variable_says_itself(fresh):
    (fresh / "metadata.toml").write_text('[variables.all]\nmethod_reference = "our handbook"\n', encoding="utf-8")

    rows = [row for row in archive_metadata(fresh) if row.name.endswith(".method_reference")]

    assert rows
    assert {row.value for row in rows} == {"our handbook"}


@pytest.mark.parametrize(
    ("text", "guess"),
    [
        ('[dataset]\nfundin = "x"\n', "funding"),
        ('[variables.dic_botle]\npoison = "x"\n', "dic_bottle"),
        ('[variables.dic_bottle]\npoisn_volume = "x"\n', "poison_volume"),
        ('[datset]\nfunding = "x"\n', "dataset"),
    ],
)
def test_an_unknown_key_is_refused_with_a_guess(fresh, text, guess):
    (fresh / "metadata.toml").write_text(text, encoding="utf-8")

    with pytest.raises(BookError, match=f"Did you mean '{guess}'") as caught:
        archive_metadata(fresh)
    assert "metadata.toml" in str(caught.value)


@pytest.mark.parametrize(
    "text", ["[dataset", '[dataset]\nfunding = ""\n', "[dataset]\nfunding = true\n", "dataset = 3\n"]
)
def test_a_bad_file_is_one_clear_message(fresh, text):
    (fresh / "metadata.toml").write_text(text, encoding="utf-8")

    with pytest.raises(BookError, match=r"metadata\.toml"):
        archive_metadata(fresh)


def test_json_and_csv_say_the_same(fresh):
    fields = archive_metadata(fresh)

    document = json.loads(metadata_json(fields))
    rows = list(csv.DictReader(io.StringIO(metadata_csv(fields))))

    assert document["missing"] == [row["field"] for row in rows if row["status"] == "missing"]
    assert document["dataset"]["title"]["value"] == next(r["value"] for r in rows if r["field"] == "dataset.title")
    assert len(rows) == document["fields"] == len(fields)


def test_results_add_the_calculated_series_with_method_and_sources(mission):
    value = {row.name: row.value for row in archive_metadata(mission)}

    assert value["variables.ph_total_calculated.measured_or_calculated"] == "calculated"
    assert "chemistry: Words" in value["variables.ph_total_calculated.method"]
    assert value["variables.ph_total_calculated.method_reference"] == "An invented source 2030, eq. 1"
    assert value["dataset.software"] == "reeftally 0.1.0, code abc123"
