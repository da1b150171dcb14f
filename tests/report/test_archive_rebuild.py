"""Repeating a package: what differs is named, what is the same passes, bad packages are one clear message."""

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest
import xarray as xr
from click.testing import CliRunner

from reeftally.cli import commands
from reeftally.errors import ResultError
from reeftally.intake import take_in
from reeftally.report.archive import rebuild_archive, verify_package, write_archive
from reeftally.report.archive_package import write_package
from reeftally.report.archive_rebuild import RELATIVE, compare_results

EXAMPLE = Path(__file__).parents[2] / "examples" / "reef-diel"
FILES = ("ph.csv", "current.csv", "light.csv")


@pytest.fixture
def twins(mission, tmp_path):
    """Two copies of the same results."""
    one = shutil.copytree(mission, tmp_path / "one", symlinks=True)
    two = shutil.copytree(mission, tmp_path / "two", symlinks=True)
    return one, two


def change_value(folder, factor):
    path = folder / "results" / "0001" / "estimates.csv"
    table = pd.read_csv(path)
    row = table.index[(table.quantity == "ph_total") & (table.period == "mission")][0]
    table.loc[row, "value"] *= factor
    table.to_csv(path, index=False)


def test_the_same_results_have_no_difference(twins):
    found = compare_results(*twins, folder=twins[1])

    assert found.same
    assert found.worst == 0.0
    assert found.estimates > 50
    assert found.values > 10_000


def test_a_number_within_the_tolerance_is_the_same_and_its_difference_is_told(twins):
    change_value(twins[1], 1.0 + 1e-10)

    found = compare_results(*twins, folder=twins[1])

    assert found.same
    assert 0.0 < found.worst < RELATIVE


def test_a_number_beyond_the_tolerance_is_named_with_both_values(twins):
    change_value(twins[1], 1.0 + 1e-8)

    found = compare_results(*twins, folder=twins[1])

    assert len(found.differences) == 1
    assert "value of ph_total trials" in found.differences[0]
    assert "7.9991" in found.differences[0]


def test_rows_that_came_or_went_are_named(twins):
    path = twins[1] / "results" / "0001" / "estimates.csv"
    table = pd.read_csv(path)
    table = table[table.quantity != "community_share"]
    table.to_csv(path, index=False)

    one, other = compare_results(*twins, folder=twins[1]), compare_results(*reversed(twins), folder=twins[1])

    assert [d for d in one.differences if "community_share" in d and "was not repeated" in d]
    assert [d for d in other.differences if "community_share" in d and "is not in the package" in d]


def test_a_changed_series_a_new_gap_and_another_input_are_named(twins):
    path = twins[1] / "results" / "0001" / "results.nc"
    with xr.open_datatree(path, engine="h5netcdf") as tree:
        changed = tree.load()
    path.unlink()
    changed["flow"]["speed"].values[10] *= 1.001
    changed["chemistry"]["ph_total"].values[20] = float("nan")
    changed.to_netcdf(path, engine="h5netcdf")
    trail = twins[1] / "results" / "0001" / "trail.json"
    document = json.loads(trail.read_text())
    document["inputs"]["OXY-1"] = ["0" * 64]
    document["software"]["numpy"] = "9.9"
    trail.write_text(json.dumps(document))

    found = compare_results(*twins, folder=twins[1])

    assert any("flow: speed differs in 1 of" in d for d in found.differences)
    assert any("chemistry: ph_total differs in 1 of" in d for d in found.differences)
    assert "trail: inputs differ" in found.differences
    assert len(found.differences) == 3
    assert any("numpy was 2.4.0" in note for note in found.notes)


def test_a_folder_in_use_is_refused(tmp_path):
    package = write_package(tmp_path / "p", {"mission/mission.toml": b"", "results/estimates.csv": b""}, {})
    (tmp_path / "used").mkdir()
    (tmp_path / "used" / "mine.txt").write_text("precious")

    with pytest.raises(ResultError, match="is not empty"):
        rebuild_archive(package, tmp_path / "used")


def test_a_package_with_lost_or_changed_bytes_is_not_repeated(tmp_path):
    contents = {"mission/mission.toml": b"x", "results/estimates.csv": b"y"}
    lost = write_package(tmp_path / "lost", contents, {})
    (lost / "results" / "estimates.csv").unlink()
    changed = write_package(tmp_path / "changed", contents, {})
    (changed / "mission" / "mission.toml").write_bytes(b"z")

    with pytest.raises(ResultError, match=r"results/estimates\.csv is missing"):
        rebuild_archive(lost, tmp_path / "a")
    with pytest.raises(ResultError, match="is not what was packed"):
        rebuild_archive(changed, tmp_path / "b")


def test_a_package_without_results_says_so(tmp_path):
    package = write_package(tmp_path / "p.zip", {"README.md": b"x"}, {})

    with pytest.raises(ResultError, match="no mission with results"):
        rebuild_archive(package, tmp_path / "a")


@pytest.mark.slow
def test_the_real_example_is_repeated_from_its_package_within_a_billionth(tmp_path):
    from reeftally.analysis.run import analyse

    folder = tmp_path / "reef-diel"
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("raw", "observations", "results", "book", "log"))
    take_in(folder, [folder / name for name in FILES], now_ns=0)
    analyse(folder)
    made = write_archive(folder, tmp_path / "reef-diel.zip")
    shutil.rmtree(folder)

    verified = verify_package(made.path)
    result = CliRunner().invoke(
        commands, ["archive", "--rebuild", str(made.path), "--to", str(tmp_path / "again"), "--json"]
    )
    found = json.loads(result.stdout)

    assert verified.problems == []
    assert found["differences"] == []
    assert result.exit_code == 0
    assert found["estimates"] > 20
    assert found["worst_relative"] <= RELATIVE
