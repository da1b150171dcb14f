"""Computable statements about acidification. Numbers with an id stand with their sources in data/facts.json."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from reeftally.seawater import carbonate

ROWS = {
    row["id"]: row
    for row in json.loads((Path(__file__).parent / "data/facts.json").read_text(encoding="utf-8"))["rows"]
}
BORON = {"Uppstrom": "uppstrom1974", "Lee 2010": "lee2010"}


def fall(c, output):
    constants = carbonate.Constants(boron=BORON[c["boron"]])
    found = carbonate.solve(
        total_alkalinity=c["TA_umolkg"],
        ph_total=[8.1, 8.0],
        temperature=c["t_C"],
        salinity=c["S"],
        constants=constants,
    )
    start, end = getattr(found, output)
    return start, end - start


def acid(start, end):
    water = {"total_alkalinity": 2300.0, "temperature": 25.0, "salinity": 35.0}
    found = carbonate.solve(ph_total=[start, end], outputs=["hydrogen_free"], **water).hydrogen_free
    return 100.0 * (found[1] / found[0] - 1.0)


def carbonate_at_saturation(temperature):
    # Carbonate ion is proportional to the saturation state in water of one composition.
    found = carbonate.solve(total_alkalinity=2300.0, dic=2100.0, temperature=temperature, salinity=35.0)
    return found.carbonate / found.aragonite_saturation


def trend_from_air(c):
    del c
    # The note of the row: +1.7 µatm a year at TA 2390, S 36.6, 23 degC; the start is not stated, 350 µatm taken.
    water = {"total_alkalinity": 2390.0, "temperature": 23.0, "salinity": 36.6}
    found = carbonate.solve(pco2=[350.0, 351.7], **water).ph_total
    return found[1] - found[0]


KINDS = {
    "co3": lambda c: fall(c, "carbonate")[1],
    "oma": lambda c: fall(c, "aragonite_saturation")[1],
    "dic": lambda c: fall(c, "dic")[1],
    "omastart": lambda c: fall(c, "aragonite_saturation")[0],
}
CASES = {name: KINDS[name.split("-")[-1]] for name in ROWS if name.startswith("fa-01-")}
CASES["fa-h-01"] = lambda c: acid(8.1, 8.0)
CASES["fa-estoc23-h"] = lambda c: acid(8.1, 8.1 - 0.051)
CASES["fa-feely-66"] = lambda c: carbonate_at_saturation(5.0)


@pytest.mark.parametrize("name", CASES)
def test_statement_agrees_with_the_check_value(name):
    row = ROWS[name]

    assert_allclose(CASES[name](row["conditions"]), row["value"], rtol=0, atol=row["tolerance"])


def test_air_alone_lowers_the_ph_at_the_rate_stated():
    # fa-lui-lo: -0.0016 to -0.0018 a year expected from equilibrium with the air (Lui and Chen 2015).
    found = trend_from_air(ROWS["fa-lui-lo"]["conditions"])

    assert -0.0018 <= found <= ROWS["fa-lui-lo"]["value"]


def test_saturation_needs_less_carbonate_ion_in_warm_water():
    # 66.4 at 5 degC and 63.0 at 25 degC, S 35, µmol/kg (evaluations of Mucci 1983).
    assert_allclose([carbonate_at_saturation(5.0), carbonate_at_saturation(25.0)], [66.4, 63.0], rtol=0, atol=0.15)


def test_every_check_row_is_used_or_a_fact():
    trends = {
        name
        for name in ROWS
        if name.startswith("fa-bates-")
        or name
        in {
            "fa-hot",
            "fa-lg14",
            "fa-mid-w",
            "fa-byrne",
            "fa-olaf-ph",
            "fa-stmw",
            "fa-estoc07",
            "fa-cmems",
            "fa-bbmo",
        }
    }

    assert set(ROWS) == set(CASES) | trends | {"fa-lui-lo"}
