"""A package holds what it should, says what has changed, and is the same bytes for the same mission."""

import hashlib
import json
import shutil
import zipfile
from importlib import resources

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from click.testing import CliRunner

from reeftally.analysis.trail import table_hashes
from reeftally.cli import commands
from reeftally.errors import ResultError
from reeftally.intake import take_in
from reeftally.mission import accept_revision
from reeftally.report.archive import verify_package, write_archive
from reeftally.store import open_store

RAW = "# optode log\ntime;oxygen;temperature\n" + "".join(
    f"2031-03-26 {6 + k // 720:02d}:{k // 12 % 60:02d}:{k * 5 % 60:02d};{200 + k % 7},5;28,{k % 10}\n"
    for k in range(400)
)
BOTTLES = (
    "bottle,time,station,height_above_bed_m,near,total_alkalinity,total_alkalinity_sd,poison,stored_days,laboratory,flag\n"
    "B1,2031-03-26T07:00:00Z,mast,0.5,OXY-1,2308.1,1.8,mercuric chloride,12,hut,2\n"
)


@pytest.fixture(scope="module")
def packed_mission(tmp_path_factory, build_mission):
    """An invented mission with raw bytes, a table and results; the trail is made to belong to them."""
    folder = build_mission(tmp_path_factory.mktemp("archive") / "INV-1")
    for name in ("layouts", "tables"):
        (folder / name).mkdir()
    layout = resources.files("reeftally.mission") / "template" / "layouts" / "optode.toml"
    (folder / "layouts" / "optode.toml").write_text(layout.read_text("utf-8"), encoding="utf-8")
    (folder / "tables" / "bottles.csv").write_text(BOTTLES, encoding="utf-8")
    outside = tmp_path_factory.mktemp("stick") / "OXY-1_0326.txt"
    outside.write_text(RAW, encoding="utf-8")
    (folder / "truth.json").write_text("[]", encoding="utf-8")
    report = take_in(folder, [outside], now_ns=1_930_000_000_000_000_000)
    assert report.rows_new == 400
    with open_store(folder) as store:
        snapshot = store.snapshot()
    path = folder / "results" / "0001" / "trail.json"
    trail = json.loads(path.read_text(encoding="utf-8"))
    trail |= {"book_revision": accept_revision(folder), "decisions": [], "snapshot": snapshot}
    path.write_text(json.dumps(trail), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def package(packed_mission, tmp_path_factory):
    return write_archive(packed_mission, tmp_path_factory.mktemp("package") / "INV-1-archive")


@pytest.fixture
def own_copy(package, tmp_path):
    return shutil.copytree(package.path, tmp_path / "package")


def run(*arguments):
    return CliRunner().invoke(commands, [str(a) for a in arguments])


def test_the_package_holds_raw_bytes_book_tables_results_series_flags_metadata_and_code(package):
    held = {p.relative_to(package.path).as_posix() for p in package.path.rglob("*") if p.is_file()}
    digest = hashlib.sha256(RAW.encode()).hexdigest()

    assert (package.path / f"mission/raw/{digest[:2]}/{digest}").read_bytes() == RAW.encode()
    assert {
        *("README.md", "LICENCE.txt", "index.json", "checksums.sha256"),
        *(
            "mission/mission.toml",
            "mission/book/0001.toml",
            "mission/layouts/optode.toml",
            "mission/tables/bottles.csv",
        ),
        *("results/estimates.csv", "results/trail.json", "results/results.nc"),
        *("data/INV-1_chemistry.nc", "data/INV-1_chemistry.csv", "data/INV-1_exchange_by_frequency.csv"),
        *("flags/samples.csv", "flags/series.csv", "flags/by_hand.csv"),
        *("metadata/ocean_acidification.json", "metadata/ocean_acidification.csv", "metadata/raw_files.csv"),
        *("metadata/environment.json", "code/src/reeftally/report/archive.py", "code/pyproject.toml"),
    } <= held
    assert package.files == len(held)


def test_the_truth_of_a_rehearsal_is_never_packed(package):
    assert not list(package.path.rglob("truth.json"))


def test_an_unchanged_package_verifies_in_both_forms(packed_mission, package, tmp_path):
    zipped = write_archive(packed_mission, tmp_path / "p.zip")

    assert verify_package(package.path).problems == []
    assert verify_package(zipped.path).problems == []
    assert verify_package(zipped.path).files == package.files - 1


def test_checksums_are_those_of_the_common_tool(package):
    lines = (package.path / "checksums.sha256").read_text().splitlines()

    for line in lines:
        digest, name = line.split("  ", 1)
        assert hashlib.sha256((package.path / name).read_bytes()).hexdigest() == digest
    assert len(lines) == package.files - 1


def test_the_same_mission_gives_the_same_bytes_even_from_another_folder(packed_mission, tmp_path):
    moved = shutil.copytree(packed_mission, tmp_path / "elsewhere" / "other-name", symlinks=True)

    one = write_archive(packed_mission, tmp_path / "one.zip")
    two = write_archive(moved, tmp_path / "two.zip")

    assert one.path.read_bytes() == two.path.read_bytes()


def test_nothing_names_the_folders_of_the_machine(packed_mission, package):
    texts = [p for p in package.path.rglob("*") if p.is_file() and not p.is_relative_to(package.path / "code")]

    for path in texts:
        assert str(packed_mission.parent).encode() not in path.read_bytes(), path
    index = json.loads((package.path / "mission/raw/index.jsonl").read_text().splitlines()[0])
    assert index["source"] == "OXY-1_0326.txt"


def test_the_history_of_a_file_names_run_revision_and_code_and_nothing_else(package):
    with xr.open_dataset(package.path / "data" / "INV-1_flow.nc") as data:
        assert data.attrs["history"] == (
            "2031-02-27T23:06:40Z: run 0001 of book revision 1 by reeftally 0.1.0, code abc123; "
            "written flat for the archive"
        )


def test_a_changed_byte_is_named(own_copy):
    target = next((own_copy / "mission" / "raw").glob("??/*"))
    content = bytearray(target.read_bytes())
    content[100] ^= 1
    target.write_bytes(bytes(content))

    problems = verify_package(own_copy).problems

    assert any("the bytes have changed" in p and target.name in p for p in problems)
    assert any("whose hash is not their name" in p for p in problems)


def test_missing_and_added_files_are_named(own_copy):
    (own_copy / "flags" / "samples.csv").unlink()
    (own_copy / "results" / "extra.txt").write_text("mine")

    problems = verify_package(own_copy).problems

    assert problems == ["flags/samples.csv: missing", "results/extra.txt: not in the index"]


def test_a_changed_index_is_seen_by_the_checksums(own_copy):
    path = own_copy / "index.json"
    path.write_text(path.read_text().replace('"licence": "CC-BY-4.0"', '"licence": "none"'))

    assert any(p.startswith("index.json: the bytes have changed") for p in verify_package(own_copy).problems)


def test_lost_raw_bytes_are_named_by_the_name_the_file_had(own_copy):
    next((own_copy / "mission" / "raw").glob("??/*")).unlink()

    problems = verify_package(own_copy).problems

    assert any("the bytes of OXY-1_0326.txt are missing" in p for p in problems)


def test_a_netcdf_file_against_the_rules_is_named_although_its_hash_fits(own_copy):
    path = own_copy / "data" / "INV-1_flow.nc"
    with xr.open_dataset(path, decode_cf=False) as data:
        bad = data.load()
    bad.attrs["summary"] = ""
    bad["speed"].attrs["ancillary_variables"] = "speed_flag nowhere"
    bad.to_netcdf(path, engine="h5netcdf")
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    index = json.loads((own_copy / "index.json").read_text())
    old = index["files"]["data/INV-1_flow.nc"]["sha256"]
    for name in ("index.json", "checksums.sha256"):
        (own_copy / name).write_text((own_copy / name).read_text().replace(old, digest))

    problems = verify_package(own_copy).problems

    assert any("summary" in p and p.startswith("data/INV-1_flow.nc") for p in problems)
    assert any("nowhere" in p for p in problems)


def test_a_zip_cut_short_is_one_clear_message(packed_mission, tmp_path):
    path = write_archive(packed_mission, tmp_path / "p.zip").path
    path.write_bytes(path.read_bytes()[:5000])

    with pytest.raises(ResultError, match="no whole zip archive"):
        verify_package(path)


def test_a_damaged_member_of_a_zip_is_named_and_the_others_are_checked(packed_mission, tmp_path):
    path = write_archive(packed_mission, tmp_path / "p.zip").path
    with zipfile.ZipFile(path) as archive:
        info = archive.getinfo("results/estimates.csv")
    content = bytearray(path.read_bytes())
    at = info.header_offset + 30 + len(info.filename) + 200
    content[at : at + 8] = bytes(8)
    path.write_bytes(bytes(content))

    found = verify_package(path)

    assert len(found.problems) == 1
    assert "results/estimates.csv" in found.problems[0]
    assert found.files > 100


@pytest.mark.parametrize(
    "content", ["", "{}", '{"format": 1, "files": {"../x": {"sha256": "0"}}}', '{"format": 99, "files": {}}']
)
def test_a_folder_that_is_no_package_is_one_clear_message(tmp_path, content):
    (tmp_path / "p").mkdir()
    if content:
        (tmp_path / "p" / "index.json").write_text(content)

    with pytest.raises(ResultError):
        verify_package(tmp_path / "p")


def test_nothing_is_written_over(packed_mission, package):
    with pytest.raises(ResultError, match="never written over"):
        write_archive(packed_mission, package.path)


def test_results_older_than_the_book_are_not_packed(packed_mission, tmp_path):
    folder = shutil.copytree(packed_mission, tmp_path / "m", symlinks=True)
    path = folder / "mission.toml"
    path.write_text(path.read_text(encoding="utf-8") + "\n# a later thought\n", encoding="utf-8")

    with pytest.raises(ResultError, match="Run `reeftally analyse"):
        write_archive(folder, tmp_path / "p")


def test_results_older_than_the_data_are_not_packed(packed_mission, tmp_path):
    folder = shutil.copytree(packed_mission, tmp_path / "m", symlinks=True)
    (folder / "inbox").mkdir()
    (folder / "inbox" / "OXY-1_0327.txt").write_text(RAW.replace("2031-03-26", "2031-03-27"), encoding="utf-8")
    take_in(folder, now_ns=0)

    with pytest.raises(ResultError, match="data were taken in"):
        write_archive(folder, tmp_path / "p")


def test_results_older_than_a_table_are_not_packed(packed_mission, tmp_path):
    folder = shutil.copytree(packed_mission, tmp_path / "m", symlinks=True)
    trail = folder / "results" / "latest" / "trail.json"
    document = json.loads(trail.read_text(encoding="utf-8"))
    trail.write_text(json.dumps({**document, "tables": table_hashes(folder)}), encoding="utf-8")
    (folder / "tables" / "interventions.csv").write_text("time,kind\n2031-03-26T05:00:00Z,seen\n", encoding="utf-8")

    with pytest.raises(ResultError, match=r"tables were changed \(interventions.csv\)"):
        write_archive(folder, tmp_path / "p")


def test_raw_bytes_that_changed_on_the_disk_are_not_packed(packed_mission, tmp_path):
    folder = shutil.copytree(packed_mission, tmp_path / "m", symlinks=True)
    raw = next(p for p in (folder / "raw").glob("??/*"))
    raw.chmod(0o644)
    raw.write_bytes(raw.read_bytes() + b"x")

    with pytest.raises(ResultError, match="have changed since intake"):
        write_archive(folder, tmp_path / "p")
    assert not list(tmp_path.glob("*p*partial"))


def test_without_results_it_says_what_to_run(tmp_path):
    run("new", tmp_path / "m")

    result = run("archive", tmp_path / "m", "--to", tmp_path / "p")

    assert result.exit_code == 1
    assert "reeftally analyse" in result.stderr


def test_sample_flags_cover_every_sample_once(package):
    flags = pd.read_csv(package.path / "flags" / "samples.csv")

    assert set(flags.instrument) == {"OXY-1"}
    assert (flags.groupby("channel").samples.sum() == 400).all()


def test_csv_twins_hold_the_very_numbers_of_the_netcdf_file(package):
    table = pd.read_csv(package.path / "data" / "INV-1_chemistry.csv")
    with xr.open_dataset(package.path / "data" / "INV-1_chemistry.nc") as data:
        for name in ("ph_total", "dic", "ph_total_random_sd", "ph_total_flag"):
            np.testing.assert_array_equal(table[name].to_numpy(), data[name].to_numpy())


def test_the_readme_says_how_to_check_and_repeat_and_what_is_missing(package):
    text = (package.path / "README.md").read_text(encoding="utf-8")

    assert "sha256sum --check checksums.sha256" in text
    assert "--rebuild PACKAGE" in text
    assert "dataset.funding" in text


def test_the_command_packs_and_verifies(packed_mission, tmp_path):
    made = run("archive", packed_mission, "--to", tmp_path / "p.zip", "--json")
    checked = run("archive", "--verify", tmp_path / "p.zip", "--json")

    assert made.exit_code == 0
    assert "dataset.funding" in json.loads(made.stdout)["missing_metadata"]
    assert checked.exit_code == 0
    assert json.loads(checked.stdout)["problems"] == []


def test_the_command_names_what_differs_with_status_one(own_copy):
    (own_copy / "README.md").write_text("other")

    result = run("archive", "--verify", own_copy)

    assert result.exit_code == 1
    assert "README.md: the bytes have changed" in result.stderr


def test_missing_metadata_are_listed_before_anything_is_packed(tmp_path):
    run("new", tmp_path / "m")

    result = run("archive", tmp_path / "m", "--missing")

    assert result.exit_code == 1
    assert "dataset.institution: where they work. Write it in mission.toml [mission] institution." in result.stderr


@pytest.mark.parametrize(
    "arguments", [(), ("--rebuild", "x"), ("--missing",), (".", "--verify", "x"), (".", "--workers", "2")]
)
def test_wrong_combinations_are_wrong_usage(arguments):
    assert run("archive", *arguments).exit_code == 2
