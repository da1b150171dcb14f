"""Schmidt numbers and CO2 as a gas. Numbers with an id stand with their sources in data/thermodynamics.json."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reeftally.errors import InputError, OutOfRangeError
from reeftally.exchange import gas_exchange
from reeftally.seawater import carbonate, properties, schmidt

DATA = Path(__file__).parent / "data"
ROWS = {row["id"]: row for row in json.loads((DATA / "thermodynamics.json").read_text(encoding="utf-8"))["rows"]}
OTHER = {row["id"]: row for row in json.loads((DATA / "gas_exchange.json").read_text(encoding="utf-8"))["rows"]}


def k0(c):
    return carbonate.equilibrium_constants(temperature=c["t_C"], salinity=c["S"])["k0"]


def velocity_cm_h(c):
    return 100.0 * gas_exchange.transfer_velocity(wind_speed=c["U10_ms"], schmidt=c["Sc"])


def fugacity(c):
    return c["x_ppm"] * schmidt.co2_fugacity_factor(temperature=c["t_C"], air_pressure=10.0 * c["p_kPa"])


def log_pco2_per_degree(c):
    # The published number is a mean over 2 to 25 degC of warmed surface water.
    found = carbonate.solve(total_alkalinity=2300.0, dic=2000.0, salinity=35.0, temperature=[2.0, 25.0]).pco2
    return np.log(found[1] / found[0]) / 23.0


KINDS = {
    "th-k0v": lambda c: schmidt.co2_solubility_volume(temperature=c["t_C"], salinity=c["S"]),
    "th-k0-": k0,
    "th-B-": lambda c: schmidt.co2_virial(temperature=c["t_C"]),
    "th-f-": fugacity,
    "th-F-": lambda c: schmidt.co2_solubility_moist_air(temperature=c["t_C"], salinity=c["S"]),
    "th-sc-o2": lambda c: schmidt.schmidt_number(gas="o2", temperature=c["t_C"]),
    "th-sc-co2": lambda c: schmidt.schmidt_number(gas="co2", temperature=c["t_C"]),
    "th-k-": velocity_cm_h,
    "th-ho": lambda c: gas_exchange.TRANSFER_METHODS["ho2006"][0],
    "th-taka": log_pco2_per_degree,
}
CASES = [(name, kind) for name in ROWS for start, kind in KINDS.items() if name.startswith(start)]
IN_PROPERTIES = ("th-rho-", "th-ct-", "th-eos80-", "th-sr-", "th-sa-")


@pytest.mark.parametrize(("name", "kind"), CASES, ids=[name for name, _ in CASES])
def test_gas_agrees_with_the_check_value(name, kind):
    row = ROWS[name]

    assert_allclose(kind(row["conditions"]), row["value"], rtol=0, atol=row["tolerance"])


def test_every_check_row_is_used():
    assert {name for name in ROWS if not name.startswith(IN_PROPERTIES)} == {name for name, _ in CASES}


@pytest.mark.parametrize("gas", schmidt.GASES)
def test_schmidt_number_at_20_degrees_is_the_table_value(gas):
    row = OTHER[f"w14-sc-{gas}-20"]
    found = schmidt.schmidt_number(gas=gas, temperature=row["conditions"]["T_C"])

    assert_allclose(found, row["value"], rtol=0, atol=row["tolerance"])


def test_fresh_water_at_20_degrees_has_the_number_that_600_is_named_after():
    # Wanninkhof 2014, Table 1: CO2 in fresh water at 20 degC, 600 (from memory).
    found = schmidt.schmidt_number(gas="co2", temperature=20.0, salinity=0.0)

    assert_allclose(found, 600.0, rtol=0, atol=0.5)


def test_moist_air_function_is_close_to_solubility_times_dry_share():
    # Noted by the sources: F at 25 degC 0.02744, K0 (1 - pH2O) with fugacity 0.027434; 0 degC 0.062261 and 0.062224.
    t = np.array([0.0, 25.0])
    dry = 1.0 - properties.vapour_pressure(temperature=t, salinity=35.0) / 1013.25
    factor = schmidt.co2_fugacity_factor(temperature=t, air_pressure=1013.25)
    built = k0({"t_C": t, "S": 35.0}) * dry * factor

    assert_allclose(built, [0.062224, 0.027434], rtol=0, atol=0.6e-6)


@settings(deadline=None, max_examples=40)
@given(temperature=st.floats(-1.0, 38.0), salinity=st.floats(0.0, 40.0))
def test_warm_water_lets_gas_through_more_easily(temperature, salinity):
    for gas in schmidt.GASES:
        cold, warm = schmidt.schmidt_number(gas=gas, temperature=[temperature, temperature + 1.0], salinity=salinity)
        assert warm < cold


def test_unknown_gases_and_temperatures_are_refused():
    with pytest.raises(InputError, match="co2, o2"):
        schmidt.schmidt_number(gas="n2", temperature=20.0)
    with pytest.raises(OutOfRangeError):
        schmidt.schmidt_number(gas="o2", temperature=50.0)
    assert np.isnan(schmidt.schmidt_number(gas="o2", temperature=[50.0])).all()
