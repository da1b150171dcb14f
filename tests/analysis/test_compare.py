"""Two missions compared: a real change is told, a change of sensor is held for what it may be (invented data)."""

from __future__ import annotations

import csv
import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from reeftally.analysis.compare import compare_folders
from reeftally.analysis.run import analyse
from reeftally.cli import commands
from reeftally.intake import take_in
from reeftally.rehearsal.years import year_record
from reeftally.rehearsal.years_book import write_years

pytestmark = pytest.mark.slow


def _mission(folder, *, change=0.0, sensor_step=0.0, other_sensor=False):
    """Three years at one site; the same water, moved as a whole, or read by another kind of sensor."""
    record = year_record(years=3, seed=5)
    stations = {
        name: replace(held, month=held.month + (change if name == "basin" else 0.0))
        for name, held in record.stations.items()
    }
    sensors = tuple(
        replace(s, offset=sensor_step) if sensor_step and s.station == "basin" else s for s in record.sensors
    )
    write_years(folder, replace(record, stations=stations, sensors=sensors))
    if other_sensor:
        book = folder / "mission.toml"
        text = book.read_text().replace('kind = "isfet_ph"', 'kind = "dye_ph"')
        book.write_text(text.replace('name = "OB-3Y"', 'name = "OB-3Y-dye"'))
        bottles = folder / "tables" / "bottles.csv"
        rows = list(csv.DictReader(bottles.open()))
        with bottles.open("w", newline="") as file:
            writer = csv.DictWriter(file, fieldnames=rows[0], lineterminator="\n")
            writer.writeheader()
            writer.writerows([{**row, "ph_total": "", "ph_sd": "", "ph_temperature": ""} for row in rows])
    take_in(folder, now_ns=0)
    analyse(folder)
    return folder


@pytest.fixture(scope="module")
def missions(tmp_path_factory):
    base = tmp_path_factory.mktemp("missions")
    return {
        "first": _mission(base / "first"),
        "lower": _mission(base / "lower", change=-0.006),
        "dye": _mission(base / "dye", sensor_step=0.015, other_sensor=True),
    }


def test_a_planted_real_change_lies_in_the_interval_and_methods_are_the_same(missions):
    found = compare_folders(missions["first"], missions["lower"])
    row = found.table.set_index("quantity").loc["ph_total"]

    assert row["lower"] <= -0.006 <= row["upper"]
    assert row["upper"] < 0.0
    assert row["verdict"] == "change"
    assert "light and month" in row["conditions"]
    assert found.methods.empty
    assert "No change of method is known." in found.lines()


def test_a_planted_step_of_another_kind_of_sensor_is_a_possible_artefact(missions):
    found = compare_folders(missions["first"], missions["dye"])
    row = found.table.set_index("quantity").loc["ph_total"]

    assert row["difference"] == pytest.approx(0.015, abs=0.012)
    assert row["verdict"] == "possible artefact"
    assert "isfet_ph" in row["changes"]
    assert "dye_ph" in row["changes"]
    methods = found.methods.set_index("what")
    assert methods.loc["pH sensors", "second"] == "1 dye_ph (standing)"
    assert methods.loc["laboratories of bottles", "second"] == "none"
    # The same thermometers and the same water: no difference, and no sensor of pH can have made one.
    assert found.table.set_index("quantity").loc["temperature", "verdict"] != "possible artefact"


def test_a_mission_does_not_differ_from_itself(missions):
    found = compare_folders(missions["first"], missions["first"])

    assert np.allclose(found.table["difference"].dropna(), 0.0)
    assert set(found.table["verdict"]) <= {"no change told", "not compared"}


def test_command_writes_the_comparison(missions):
    answer = CliRunner().invoke(
        commands, ["report", str(missions["dye"]), "--against", str(missions["first"]), "--json"]
    )

    assert answer.exit_code == 0, answer.output
    data = json.loads(answer.stdout)
    table = pd.read_csv(data["comparison"])
    assert table.set_index("quantity").loc["ph_total", "verdict"] == "possible artefact"
    assert {"what", "first", "second"} == set(data["methods"][0])
