"""Results on disk: the contract's files, runs kept, nothing half-written visible."""

import json

import numpy as np
import pytest
import xarray as xr

from reeftally.analysis.estimates import Estimates
from reeftally.analysis.results import latest_run, read_results, write_results
from reeftally.errors import ResultError


def some(value=1.0):
    estimates = Estimates()
    estimates.from_parts(
        quantity="ph_total", method="trials", subject="site", period="mission", start_ns=0, end_ns=10**9, unit="",
        value=value, random_sd=0.1, systematic_sd=0.2, n=3, trail="chemistry",
    )  # fmt: skip
    estimates.refuse(
        quantity="dic_flux", method="gradient", subject="site", period="night", start_ns=0, end_ns=10**9,
        unit="mmol m-2 h-1", reason="no pH gradient", trail="gradient_dic",
    )  # fmt: skip
    return estimates


def group():
    return xr.Dataset({"speed": ("time", np.arange(3.0))}, coords={"time": np.arange(3)})


def test_all_files_of_the_contract_are_there_and_agree(tmp_path):
    run = write_results(tmp_path, estimates=some(), groups={"flow": group()}, trail={"methods": {}}, attributes={})

    rows = json.loads((run / "estimates.json").read_text())
    table = read_results(tmp_path).estimates

    assert {p.name for p in run.iterdir()} == {"estimates.csv", "estimates.json", "results.nc", "trail.json"}
    assert rows[0]["value"] == table["value"][0] == 1.0
    assert rows[1]["value"] is None
    assert np.isnan(table["value"][1])
    assert table["reason"][1] == "no pH gradient"
    assert json.loads((run / "trail.json").read_text())["format"] == 1
    with xr.open_datatree(run / "results.nc", engine="h5netcdf") as tree:
        assert tree["flow"]["speed"].values.tolist() == [0.0, 1.0, 2.0]


def test_older_runs_are_kept_and_latest_points_at_the_newest(tmp_path):
    first = write_results(tmp_path, estimates=some(1.0), groups={}, trail={}, attributes={})
    second = write_results(tmp_path, estimates=some(2.0), groups={}, trail={}, attributes={})

    assert latest_run(tmp_path) == second.resolve()
    assert read_results(tmp_path, first.name).estimates["value"][0] == 1.0
    assert not [p for p in (tmp_path / "results").iterdir() if p.name.endswith(".partial")]


def test_a_run_that_was_killed_is_not_visible(tmp_path):
    (tmp_path / "results" / ".0001.partial").mkdir(parents=True)

    assert latest_run(tmp_path) is None
    with pytest.raises(ResultError, match="no results"):
        read_results(tmp_path)
    write_results(tmp_path, estimates=some(), groups={}, trail={}, attributes={})
    assert latest_run(tmp_path) is not None


def test_a_newer_format_is_refused_with_what_to_do(tmp_path):
    run = write_results(tmp_path, estimates=some(), groups={}, trail={}, attributes={})
    (run / "trail.json").write_text('{"format": 99}')

    with pytest.raises(ResultError, match="Update the package"):
        read_results(tmp_path)
