"""Rows 38 and 65 to 75 of the catalogue: calibrations, bottles, logs, people (all numbers invented)."""

import shutil
from pathlib import Path

import catalogue_kit as kit
import numpy as np
import pytest

from reeftally.analysis.context import open_context
from reeftally.analysis.heights import unmeasured_at_recovery
from reeftally.mission import doubts_of, parse_table, read_book
from reeftally.mission._tables import Survey
from reeftally.seawater import properties

HEAD = (
    "bottle,time,station,height_above_bed_m,salinity,dic,dic_sd,total_alkalinity,total_alkalinity_sd,"
    "duplicate_of,laboratory,per,laboratory_temperature,poison,stored_days,flag\n"
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = kit.mission(tmp_path / "mission")
    book = folder / "mission.toml"
    book.write_text(book.read_text() + '\n[[stations]]\nname = "offshore"\nrole = "reference"\n')
    kit.neighbours(folder)
    kit.take(folder)
    return folder


def bottle(number: int, station: str = "mast", **changed: object) -> dict[str, object]:
    reef = station == "mast"
    row: dict[str, object] = {
        "bottle": f"B{number:02d}", "time": f"2031-04-04T{number % 24:02d}:00:00Z", "station": station,
        "height_above_bed_m": 0.5, "salinity": 35.1, "dic": (2012.0 if reef else 1958.0) + number % 3, "dic_sd": 1.5,
        "total_alkalinity": (2296.0 if reef else 2312.0) + number % 2, "total_alkalinity_sd": 1.8, "duplicate_of": "",
        "laboratory": "shore", "per": "", "laboratory_temperature": "", "poison": "mercuric chloride",
        "stored_days": 20, "flag": 2,
    }  # fmt: skip
    return row | changed


def bottles(folder: Path, rows: list[dict[str, object]]) -> None:
    names = HEAD.strip().split(",")
    text = HEAD + "".join(",".join(str(row[name]) for name in names) + "\n" for row in rows)
    (folder / "tables" / "bottles.csv").write_text(text)


def usual() -> list[dict[str, object]]:
    return [bottle(n) for n in range(6)] + [bottle(n, "offshore") for n in range(6, 12)]


def test_a_usual_table_gives_no_finding(folder):
    bottles(folder, usual())

    assert [key for key in kit.check(folder) if not key.startswith(("stuck", "heights"))] == []


def test_row_65_the_exchange_of_two_labels_that_mends_most_is_listed_and_asked(folder):
    rows = usual()
    for name in ("dic", "total_alkalinity"):
        rows[2][name], rows[9][name] = rows[9][name], rows[2][name]
    bottles(folder, rows)

    found = {key: item for key, item in kit.check(folder).items() if key.startswith("bottles-swapped")}

    assert set(found) == {"bottles-swapped-B02-B09"}
    kit.full(found["bottles-swapped-B02-B09"], "tables/bottles.csv, line 4", "B09 (offshore)", "exchange the two names")


def test_row_65_one_odd_bottle_is_no_exchange(folder):
    rows = usual()
    rows[2]["dic"] = 2090.0
    bottles(folder, rows)

    assert not [key for key in kit.check(folder) if key.startswith("bottles-swapped")]


def test_row_66_duplicates_that_disagree_are_flagged_3_and_both_kept(folder):
    rows = [*usual(), bottle(12, dic=2012.0, duplicate_of="B00"), bottle(13, dic=2021.0, duplicate_of="B03")]
    bottles(folder, rows)

    found = kit.check(folder)

    kit.full(found["duplicates-B03-B13-dic"], "line 15", "both are flagged 3", "standard uncertainty")
    assert "duplicates-B00-B12-dic" not in found
    context = open_context(folder)
    flags = {row.bottle: row.flag for row in context.tables.bottles}
    assert (flags["B03"], flags["B13"], flags["B00"], flags["B12"]) == (3, 3, 2, 2)
    assert {row.bottle: row.flag for row in context.stated.bottles}["B13"] == 2
    assert len(context.tables.bottles) == len(rows)


def test_row_67_dic_without_poison_is_flagged_and_the_entry_asked_for(folder):
    rows = usual()
    rows[1] |= {"poison": "", "stored_days": ""}
    rows[2] |= {"poison": "", "stored_days": 0.2}
    bottles(folder, rows)

    found = kit.check(folder)

    kit.full(found["bottles-not-preserved"], "line 3", "B01", "SOP 1", "stored_days", "licensed")
    flags = {row.bottle: row.flag for row in open_context(folder).tables.bottles}
    assert (flags["B01"], flags["B02"]) == (3, 2)


def test_row_68_amounts_per_litre_are_converted_at_the_laboratorys_density_or_left_out(folder):
    rows = usual()
    density = float(properties.density(salinity=35.1, temperature=25.0, pressure=0.0))
    rows[0] |= {"per": "litre", "laboratory_temperature": 25.0, "dic": 2012.0 * density / 1000}
    rows[1] |= {"per": "litre"}
    bottles(folder, rows)

    found = kit.check(folder)

    by_name = {row.bottle: row for row in open_context(folder).tables.bottles}
    assert by_name["B00"].dic == pytest.approx(2012.0, abs=1e-6)
    assert by_name["B00"].dic_sd == pytest.approx(1.5 * 1000 / density)
    assert by_name["B01"].dic is None
    kit.full(found["bottles-per-litre"], "line 3", "laboratory_temperature", "left out")


def test_row_68_a_laboratory_two_percent_high_is_asked_for_its_unit(folder):
    rows = usual()
    for row in rows[6:]:
        row |= {"laboratory": "inland", "total_alkalinity": 2346.0}
    bottles(folder, rows)

    found = kit.check(folder)

    kit.full(found["bottles-per-litre-inland"], "2.2 %", "per litre", "ask the laboratory")


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("2031-04-04T12:00:00Z,dic,2071.46,2018.0,1.5,shore", ("found 2071.46", "recovery 97.4")),
        (
            "2031-04-04T12:00:00Z,total_alkalinity,2279.31,2297.9,1.8,shore",
            ("found 2279.31", "2297.31, which the other runs"),
        ),
    ],
)
def test_row_69_a_mistyped_certified_value_is_found_by_recovery_and_by_the_other_runs(folder, line, words):
    good = [f"2031-04-04T0{h}:00:00Z,total_alkalinity,2297.31,2298.1,1.8,shore" for h in range(3)]
    head = "time,quantity,certified,measured,sd,laboratory"
    (folder / "tables" / "reference_materials.csv").write_text("\n".join([head, *good, line]) + "\n")

    found = [item for key, item in kit.check(folder).items() if key.startswith("material-")]

    (finding,) = found
    kit.full(finding, "line 5", "field certified", "certificate of the batch", *words)


def test_row_69_certified_values_are_held_against_the_list_that_the_user_gave(folder):
    (folder / "tables" / "reference_materials.csv").write_text(
        "time,quantity,certified,measured,sd,laboratory\n2031-04-04T12:00:00Z,total_alkalinity,2279.31,2280.0,1.8,shore\n"
    )
    (folder / "tables" / "reference_values.csv").write_text(
        "quantity,value,sd,start,end,source\ncertified_total_alkalinity,2297.31,0.6,,,certificate of batch 1\n"
    )

    (finding,) = [item for key, item in kit.check(folder).items() if key.startswith("material-")]

    kit.full(finding, "found 2279.31", "2297.31", "reference_values.csv")


def test_row_70_heights_that_nobody_measured_at_recovery_are_said_with_their_cost(folder):
    (folder / "tables" / "heights.csv").write_text(
        "instrument,time,height_above_bed_m,sd_m,note\nT-1,2031-04-03T20:05:00Z,0.5,0.01,\nT-2,2031-04-03T20:05:00Z,0.5,0.01,\n"
        "T-2,2031-04-06T19:00:00Z,0.5,0.01,\n"
    )

    finding = kit.check(folder)["heights-at-recovery"]

    kit.full(finding, "T-1", "5 cm", "height_sd_m = 0.05")
    assert "T-2" not in finding["what"]
    context = open_context(folder)
    sds = {row.instrument: row.height_sd_m for row in context.book.deployments}
    assert sds["T-1"] == 0.05
    assert sds["T-2"] < 0.05
    assert context.wide_heights == ("T-1",)
    # The book on the disk stays as it was written, and a record that has not come to the end asks for nothing.
    assert read_book(folder).deployments != context.book.deployments
    assert unmeasured_at_recovery(read_book(folder), context.tables, newest_ns=context.grid.start_ns + 1) == ()


def test_row_71_two_people_who_edited_a_log_apart_are_both_kept_and_asked(folder):
    head = "visit,organism,form,time_in,time_out,instruments,blank,note\n"
    row = "V1,urn-1,urn,2031-04-04T08:00:00Z,2031-04-04T08:05:00Z,T-1,no,{}\n"
    (folder / "tables" / "visits.csv").write_text(head + row.format("calm"))
    kit.take(folder)
    (folder / "inbox" / "visits.csv").write_text(head + row.format("swell") + row.format("").replace("V1", "V2"))

    report = kit.take(folder)

    (message,) = kit.messages(report)
    kit.complete(message, file="visits.csv", field="note", words=("'swell' for V1", "'calm'", "by hand"))
    assert (folder / "tables" / "visits.csv").read_text() == head + row.format("calm")
    raw = [path.read_text() for path in (folder / "raw").glob("??/*") if b"visit,organism" in path.read_bytes()]
    assert sum("swell" in text for text in raw) == 1
    assert sum("calm" in text for text in raw) == 1


def offshore(folder: Path, kept: np.ndarray) -> None:
    book = folder / "mission.toml"
    text = book.read_text()
    i = text.index('instrument = "T-4"')
    book.write_text(text[:i] + text[i:].replace('station = "mast"', 'station = "offshore"', 1))
    for path in (folder / "observations").iterdir():
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    shutil.rmtree(folder / "raw")
    kit.write(folder, "T-4_a.csv", kit.iso(kit.moments(kit.SECONDS[kept])), kit.values(kit.SECONDS[kept]))
    kit.take(folder)


def test_row_72_a_gap_of_the_reference_water_is_said_with_the_share_of_hours(folder):
    offshore(folder, (kit.SECONDS < 20 * 3600) | (kit.SECONDS > 51 * 3600))

    finding = kit.check(folder)["reference-gap-T-4"]

    kit.full(finding, "31 h", "57 % of the hours", "widened", "bottles")


def test_row_73_sensors_never_side_by_side_are_said_with_the_prior_that_widens_their_gradient(folder):
    book = folder / "mission.toml"
    text = book.read_text()
    kit.layout(folder, prefix="H", quantity="ph_total", unit="1")
    for label, height in (("H-1", 0.35), ("H-2", 1.0)):
        text += kit.INSTRUMENT.format(
            label=label, kind="isfet_ph", layout="kind-h", interval=10.0, start=kit.START,
            end=kit.START + (kit.dt.timedelta(days=3)),
        ).replace("height_above_bed_m = 0.5", f"height_above_bed_m = {height}").replace(
            "[[deployments]]",
            f'[[instruments.terms]]\nquantity = "ph_total"\nnoise_sd = 0.001\noffset_sd = 0.0{label[-1]}\n'
            "[[deployments]]",
        )  # fmt: skip
    book.write_text(text)
    for label in ("H-1", "H-2"):
        kit.write(
            folder,
            f"{label}_a.csv",
            kit.iso(kit.moments(kit.SECONDS)),
            8.0 + 0.01 * kit.values(kit.SECONDS, int(label[-1])),
        )
    kit.take(folder)

    finding = kit.check(folder)["never-side-by-side-ph_total"]

    kit.full(finding, "H-1, H-2", "H-1 0.01, H-2 0.02", "widened", "[[intercalibrations]]")
    period = (
        '\n[[intercalibrations]]\nname = "before"\nstart = 2031-04-03T20:00:00Z\nend = 2031-04-03T23:00:00Z\n'
        'instruments = ["H-1", "H-2"]\n'
    )
    book.write_text(text + period)
    assert "never-side-by-side-ph_total" not in kit.check(folder)


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("latitude_deg = -14.2", "latitude_deg = -1412.0", ("-14.2000", "Degrees and minutes")),
        ("latitude_deg = -14.2\nlongitude_deg = 78.5", "latitude_deg = 0.0\nlongitude_deg = 0.0", ("without a fix",)),
        ("longitude_deg = 78.5", "longitude_deg = -78.5", ("Is the sign of longitude_deg right?",)),
    ],
)
def test_row_74_positions_that_cannot_be_are_asked_about(folder, key, value, words):
    book = folder / "mission.toml"
    book.write_text(book.read_text().replace(key, value))

    status, said = kit.run("check", folder)

    assert status == 1
    text = " ".join(said.get("messages", [])) + " ".join(item["what"] for item in said.get("findings", []))
    assert "mission.toml" in text or "site." in text
    for word in words:
        assert word in text


@pytest.mark.parametrize(
    ("latitude", "longitude", "words"),
    [
        (14.21, 78.51, "sign of latitude_deg right? -14.2100"),
        (-14.21, -78.51, "sign of longitude_deg right? -14.2100, 78.5100"),
        (78.51, -14.21, "exchanged? -14.2100, 78.5100"),
        (-14.12, 78.30, "Degrees and minutes by mistake? -14.2000, 78.5000"),
        (-20.0, 60.0, "Read the position again."),
        (-14.30, 78.60, None),
    ],
)
def test_row_74_a_station_far_from_its_site_is_asked_about(folder, latitude, longitude, words):
    book = folder / "mission.toml"
    near = f'name = "offshore"\nlatitude_deg = {latitude}\nlongitude_deg = {longitude}\n'
    book.write_text(book.read_text().replace('name = "offshore"\n', near))

    said = [doubt for doubt in doubts_of(read_book(folder)) if "stations[" in doubt.key]

    assert len(said) == (words is not None)
    for doubt in said:
        assert "(offshore)" in doubt.key
        assert "km from the site" in str(doubt.found)
        assert words in doubt.mend


def test_row_75_a_survey_needs_its_area_and_centimetres():
    head = b"transect,area_m2,form,count,mean_osculum_diameter_cm\n"
    without = parse_table(head + b"1,,urn,4,11.0\n", Survey, "tables/surveys.csv")
    millimetres = parse_table(head + b"1,10.0,urn,4,110.0\n", Survey, "tables/surveys.csv")

    (one,), (two,) = without.problems, millimetres.problems
    for problem, field in ((one, "area_m2"), (two, "mean_osculum_diameter_cm")):
        assert (problem.file, problem.line, problem.field) == ("tables/surveys.csv", 2, field)
        assert problem.expected
        assert problem.mend
    assert "illimetres" in str(two)


def test_row_38_a_foreign_certificate_is_refused_and_a_raw_voltage_is_loaded_and_withheld(folder):
    book = folder / "mission.toml"
    text = book.read_text()
    kit.layout(folder, prefix="V", quantity="ph_internal_voltage", unit="V")
    text += kit.INSTRUMENT.format(
        label="V-1", kind="isfet_ph", layout="kind-v", interval=10.0, start=kit.START,
        end=kit.START + kit.dt.timedelta(days=3),
    )  # fmt: skip
    book.write_text(text)
    kit.write(
        folder, "V-1_a.csv", kit.iso(kit.moments(kit.SECONDS[:4000])), 1.0 + 0.001 * kit.values(kit.SECONDS[:4000])
    )
    report = kit.take(folder)
    assert report["rows_new"] == 4000

    finding = kit.check(folder)["withheld-V-1-ph_total"]

    kit.full(finding, "ph_total is withheld", "ph_internal_voltage", "certificate of serial number 'V-1'")
    foreign = (
        '\n[[calibrations]]\ninstrument = "V-1"\nserial = "99"\nquantity = "ph_total"\n'
        "date = 2031-03-01T00:00:00Z\noffset = 0.01\n"
    )
    book.write_text(text + foreign)
    status, said = kit.run("check", folder)
    assert status == 1
    assert any("Coefficients of another instrument do not apply" in message for message in said["messages"])
