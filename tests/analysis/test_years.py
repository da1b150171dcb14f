"""A standing record taken in, checked and analysed like any mission (invented data with known truth)."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from reeftally.analysis import estimate_years, long_record
from reeftally.analysis.context import open_context
from reeftally.analysis.findings import find
from reeftally.analysis.grade import grade
from reeftally.analysis.results import read_results
from reeftally.analysis.run import analyse
from reeftally.cli import commands
from reeftally.intake import take_in
from reeftally.mission import read_book
from reeftally.rehearsal import rehearse_years
from reeftally.rehearsal.years import year_record
from reeftally.rehearsal.years_book import write_years


@pytest.fixture(scope="module")
def standing(tmp_path_factory):
    """Six years: the change of sensor at year five is in it."""
    folder = tmp_path_factory.mktemp("standing") / "mission"
    rehearse_years(folder, years=6, seed=1)
    take_in(folder, now_ns=0)
    analyse(folder)
    return folder


def _rows(folder, quantity, **keys):
    table = read_results(folder).estimates
    table = table[table["quantity"] == quantity]
    for name, value in keys.items():
        table = table[table[name] == value]
    return table


def test_intervals_hold_the_truth(standing):
    result = grade(standing)

    # 60 intervals of 95 %, many of them moved by the same sensor: nine of ten is the least that can be asked of one.
    assert result.total > 40
    assert result.inside >= 0.9 * result.total
    trends = result.table[result.table["quantity"].str.startswith("ph_trend")]
    assert trends["inside"].all()


def test_step_is_found_by_bottles_and_overlap_and_the_power_of_the_series_is_told(standing):
    row = _rows(standing, "sensor_step").iloc[0]

    assert row["subject"] == "PHL-2"
    assert row["lower"] <= 0.015 <= row["upper"]
    assert "A step of" in row["reason"]
    assert "The series alone would find a step of 0.015 in" in row["reason"]


def test_ordinary_fit_stands_beside_as_too_narrow(standing):
    honest = _rows(standing, "ph_trend", subject="basin", method="gls_ar1").iloc[0]
    ordinary = _rows(standing, "ph_trend", subject="basin", method="ordinary_fit").iloc[0]

    assert ordinary["upper"] - ordinary["lower"] < honest["upper"] - honest["lower"]
    assert ordinary["flag"] == 3
    assert "too narrow" in ordinary["reason"]
    assert honest["systematic_sd"] > 0.0
    assert honest["budget"].startswith("autocorrelated noise")


def test_local_trend_is_the_difference_to_offshore_and_to_the_air(standing):
    methods = set(_rows(standing, "ph_trend_local")["method"])

    assert {"gls_ar1_minus_reference", "gls_ar1_minus_equilibrium"} <= methods
    basin = _rows(standing, "ph_trend", subject="basin", method="gls_ar1").iloc[0]["value"]
    offshore = _rows(standing, "ph_trend", subject="offshore", method="gls_ar1").iloc[0]["value"]
    local = _rows(standing, "ph_trend_local", method="gls_ar1_minus_reference").iloc[0]["value"]
    # Fits with their own correlations differ a little from the difference of the fits.
    assert local == pytest.approx(basin - offshore, abs=3e-4)


def test_an_open_sign_refuses_an_upper_limit_of_years(standing):
    row = _rows(standing, "years_to_detect_local", method="weatherhead_fitted_trend").iloc[0]

    assert np.isnan(row["value"])
    assert "sign of the trend is still open" in row["reason"]


def test_years_are_ranked_against_the_sites_own_history(standing):
    table = _rows(standing, "ph_total_night_minimum", period="season")
    rank = _rows(standing, "ph_total_night_minimum_rank").iloc[0]

    assert len(table) == 6
    place = 1 + int((table["value"].iloc[:-1] < table["value"].iloc[-1]).sum())
    assert rank["value"] == place
    assert rank["lower"] <= place <= rank["upper"]
    assert rank["n"] == 6
    hours = _rows(standing, "ph_total_hours_below_site_value")
    assert (hours["lower"] >= 0.0).all()
    assert set(hours["unit"]) == {"h"}


def test_check_tells_the_step_and_asks_nothing(standing):
    steps = [f for f in find(standing) if f.id.startswith("step-")]

    assert [f.subject for f in steps] == ["PHL-2"]
    assert not steps[0].open
    assert "bottles" in steps[0].evidence


def test_trail_and_series_are_complete(standing):
    results = read_results(standing)

    assert set(results.estimates["trail"]) <= set(results.trail["methods"])
    assert set(results.trail["inputs"]) == {"FAR-1", "PHL-1", "PHL-2"}
    months = results.group("chemistry")
    assert months.sizes["time"] == 72
    assert {"ph_total_basin", "ph_total_basin_systematic_sd", "ph_total_as_read_basin"} <= set(months.data_vars)


def test_run_again_gives_the_same_numbers(standing):
    before = (standing / "results" / "0001" / "estimates.csv").read_bytes()
    run, _ = analyse(standing)

    assert (run / "estimates.csv").read_bytes() == before


def test_air_is_not_carried_beyond_its_years(standing):
    book = read_book(standing)
    start, end = book.mission.start, book.mission.end
    inside, _ = estimate_years.air_co2(book, np.array([(start.timestamp() + 1e6) * 1e9]))
    beyond, _ = estimate_years.air_co2(book, np.array([(end.timestamp() + 1e6) * 1e9]))

    assert np.isfinite(inside[0])
    assert np.isnan(beyond[0])


def test_a_clean_change_claims_no_step(tmp_path):
    folder = tmp_path / "clean"
    rehearse_years(folder, years=6, seed=2, step=0.0)
    take_in(folder, now_ns=0)
    analyse(folder)

    row = _rows(folder, "sensor_step").iloc[0]
    assert "No step is claimed" in row["reason"]
    assert row["lower"] <= 0.0 <= row["upper"]


def test_evidence_that_contradicts_itself_is_not_averaged(tmp_path):
    # The overlap says 0.025, the bottles of both sensors say 0.015.
    folder = tmp_path / "torn"
    write_years(folder, replace(year_record(years=6, seed=2), overlap=0.01))
    take_in(folder, now_ns=0)
    analyse(folder)

    step = _rows(folder, "sensor_step").iloc[0]
    assert np.isnan(step["value"])
    assert "Not resolved: the pieces of evidence disagree" in step["reason"]
    assert "overlap +0.02" in step["reason"]
    trend = _rows(folder, "ph_trend", subject="basin", method="gls_ar1").iloc[0]
    assert trend["flag"] == 3
    assert trend["reason"].startswith("not resolved")
    assert _rows(folder, "ph_trend", subject="offshore", method="gls_ar1").iloc[0]["flag"] == 1
    assert next(f for f in find(folder) if f.id == "step-PHL-2").open


def test_without_offshore_water_the_local_trend_is_refused_by_name(tmp_path):
    folder = tmp_path / "alone"
    rehearse_years(folder, years=3, seed=2)
    for path in (folder / "inbox").glob("FAR-1*"):
        path.unlink()
    take_in(folder, now_ns=0)
    analyse(folder)

    row = _rows(folder, "ph_trend_local", method="gls_ar1_minus_reference").iloc[0]
    assert np.isnan(row["value"])
    assert row["reason"] == "not given: a record of the reference water"


def test_month_with_less_than_half_of_its_hours_is_missing(standing):
    context = open_context(standing)
    from reeftally.analysis.records import load_slow

    slow, _ = load_slow(context, context.grid)
    means = slow["PHL-1"].channels["ph_total"].mean
    means[: 24 * 20] = np.nan
    record = long_record.station_records(context, context.grid, slow)[0]

    assert np.isnan(record.monthly[0])
    assert np.isfinite(record.monthly[1])


def test_command_writes_and_refuses(tmp_path):
    runner = CliRunner()
    good = runner.invoke(commands, ["rehearse", str(tmp_path / "m"), "--years", "3", "--json"])
    assert good.exit_code == 0
    assert json.loads(good.stdout)["years"] == 3
    assert runner.invoke(commands, ["rehearse", str(tmp_path / "n"), "--years", "3", "--faults", "2"]).exit_code == 2
    assert runner.invoke(commands, ["rehearse", str(tmp_path / "n"), "--years", "2"]).exit_code == 2
