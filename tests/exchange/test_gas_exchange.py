"""Gas exchange: Wanninkhof 2014 and its worked numbers (sources in ../seawater/data/gas_exchange.json)."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from reeftally.errors import InputError, OutOfRangeError
from reeftally.exchange import gas_exchange
from reeftally.seawater import carbonate, oxygen, properties, schmidt

DATA = Path(__file__).parent.parent / "seawater" / "data" / "gas_exchange.json"
ROWS = {row["id"]: row for row in json.loads(DATA.read_text(encoding="utf-8"))["rows"]}
WATER = {"temperature": 28.4, "salinity": 35.1}


def test_transfer_velocity_of_the_check_row():
    row = ROWS["w14-k-7"]
    c = row["conditions"]
    number = schmidt.schmidt_number(gas="co2", temperature=c["T_C"])
    found = 100.0 * gas_exchange.transfer_velocity(wind_speed=c["U10"], schmidt=number)

    assert_allclose(found, row["value"], rtol=0, atol=row["tolerance"])


def test_flux_of_the_check_row():
    row = ROWS["w14-flux"]
    c = row["conditions"]
    found = gas_exchange.co2_flux(
        fco2_water=350.0,
        fco2_air=350.0 + c["dpCO2"],
        temperature=c["T_C"],
        salinity=c["S"],
        wind_speed=c["U10"],
    )

    assert_allclose(24.0 * found.flux, row["value"], rtol=0, atol=row["tolerance"])


def test_air_of_the_demo_has_the_stated_fugacities():
    # Invented demo air: 429.0 and 291.6 µmol/mol dry at 1011 hPa over 28.4 degC, S 35.1; its water is stated at
    # 412 and 280 µatm of CO2, to 0.5 µatm as fCO2 or pCO2 (they differ by 0.3 %).
    found = gas_exchange.air_fco2(air_co2=[429.0, 291.6], air_pressure=1011.0, **WATER)
    factor = schmidt.co2_fugacity_factor(temperature=28.4, air_pressure=1011.0)

    assert_allclose(found / factor, [412.0, 280.0], rtol=0, atol=0.5)


def test_air_fugacity_is_that_of_water_in_equilibrium_with_it():
    state = {"total_alkalinity": 2312.0, "temperature": 28.4, "salinity": 35.1, "air_pressure": 1011.0}
    water = carbonate.solve(xco2=420.0, **state)
    air = gas_exchange.air_fco2(air_co2=420.0, air_pressure=1011.0, **WATER)

    assert_allclose(air, water.fco2, rtol=1e-9)


def test_water_in_equilibrium_exchanges_nothing():
    full = oxygen.solubility(**WATER) * oxygen.air_pressure_factor(air_pressure=1003.0, **WATER)
    of_oxygen = gas_exchange.oxygen_flux(oxygen=full, air_pressure=1003.0, wind_speed=6.0, **WATER)
    of_co2 = gas_exchange.co2_flux(fco2_water=412.0, fco2_air=412.0, wind_speed=6.0, **WATER)

    assert_allclose(of_oxygen.flux, 0.0, atol=1e-9)
    assert of_co2.flux == 0.0
    assert of_co2.systematic_sd == 0.0


def test_signs_are_into_the_water():
    # Invented demo water: more CO2 than the air, less oxygen.
    co2 = gas_exchange.co2_flux(fco2_water=449.0, fco2_air=412.0, wind_speed=5.0, **WATER)
    o2 = gas_exchange.oxygen_flux(oxygen=183.7, wind_speed=5.0, **WATER)

    assert co2.flux < 0.0
    assert o2.flux > 0.0
    assert co2.driving_difference == -37.0


def test_oxygen_flux_is_velocity_times_difference():
    # Invented demo: 0.075 m/h; (195.5 - 183.7) µmol/kg times 1.0224 kg/L.
    found = gas_exchange.oxygen_flux(oxygen=183.7, transfer_velocity_m_h=0.075, **WATER)
    missing = oxygen.solubility(**WATER) - 183.7

    assert_allclose(found.flux, 0.075 * missing * properties.density(**WATER) / 1000.0, rtol=1e-12)
    assert_allclose(found.transfer_velocity, 0.075)


def test_both_parts_of_the_uncertainty_are_kept_apart():
    found = gas_exchange.co2_flux(
        fco2_water=400.0,
        fco2_air=450.0,
        transfer_velocity_m_h=0.1,
        difference_random_sd=4.0,
        difference_systematic_sd=[0.0, 10.0],
        transfer_relative_sd=0.2,
        **WATER,
    )

    assert_allclose(found.random_sd / found.flux, 4.0 / 50.0)
    assert_allclose(found.systematic_sd / found.flux, np.hypot(0.2, [0.0, 10.0 / 50.0]))


def test_first_order_parts_agree_with_trials():
    generator = np.random.default_rng(1)
    n = 40_000
    drawn = gas_exchange.oxygen_flux(
        oxygen=180.0 + 1.5 * generator.standard_normal(n),
        transfer_velocity_m_h=0.1 * (1.0 + 0.1 * generator.standard_normal(n)),
        **WATER,
    ).flux
    stated = gas_exchange.oxygen_flux(
        oxygen=180.0,
        transfer_velocity_m_h=0.1,
        difference_systematic_sd=1.5,
        transfer_relative_sd=0.1,
        **WATER,
    )

    # First order leaves out the product of both (0.1 of 1.5 beside 2.2: 0.3 %); trials know sd to 0.35 %.
    assert_allclose(drawn.std(), stated.systematic_sd, rtol=0.017)


def test_mean_square_wind_counts_more_than_the_square_of_the_mean():
    wind = np.array([2.0, 10.0])
    each = gas_exchange.transfer_velocity(wind_speed=wind, schmidt=660.0).mean()
    mean = gas_exchange.transfer_velocity(wind_speed=6.0, schmidt=660.0, wind_variance=16.0)

    assert_allclose(mean, each)
    assert mean > gas_exchange.transfer_velocity(wind_speed=6.0, schmidt=660.0)


def test_relations_differ_by_their_coefficients_only():
    # k600 = 0.266 U^2 (Ho et al. 2006) and k660 = 0.251 U^2, at one Schmidt number.
    old = gas_exchange.transfer_velocity(wind_speed=7.0, schmidt=500.0, method="ho2006")
    new = gas_exchange.transfer_velocity(wind_speed=7.0, schmidt=500.0)

    assert_allclose(old / new, 0.266 / 0.251 * np.sqrt(600.0 / 660.0))


def test_xarray_goes_by_name_and_missing_members_stay_missing():
    water = xr.DataArray([183.7, np.nan], dims="time")
    wind = xr.DataArray([3.0, 5.0, 7.0], dims="height")
    found = gas_exchange.oxygen_flux(
        oxygen=water, wind_speed=wind, difference_random_sd=0.5, difference_systematic_sd=1.0, **WATER
    )

    assert set(found.flux.dims) == {"time", "height"}
    for part in (found.flux, found.random_sd, found.systematic_sd):
        assert_array_equal(np.isnan(part.sel(time=1)), True)
        assert np.isfinite(part.sel(time=0)).all()


def test_impossible_requests_are_refused():
    with pytest.raises(InputError, match="one of the two"):
        gas_exchange.oxygen_flux(oxygen=190.0, **WATER)
    with pytest.raises(InputError, match="one of the two"):
        gas_exchange.oxygen_flux(oxygen=190.0, wind_speed=5.0, transfer_velocity_m_h=0.1, **WATER)
    with pytest.raises(OutOfRangeError):
        gas_exchange.transfer_velocity(wind_speed=-1.0, schmidt=660.0)
    with pytest.raises(InputError, match="wanninkhof2014"):
        gas_exchange.transfer_velocity(wind_speed=5.0, schmidt=660.0, method="guess")


@settings(deadline=None, max_examples=40)
@given(wind=st.floats(0.1, 20.0), number=st.floats(300.0, 2000.0))
def test_velocity_goes_with_the_square_of_the_wind_and_the_root_of_the_schmidt_number(wind, number):
    base = gas_exchange.transfer_velocity(wind_speed=wind, schmidt=number)

    assert_allclose(gas_exchange.transfer_velocity(wind_speed=2.0 * wind, schmidt=number), 4.0 * base)
    assert_allclose(gas_exchange.transfer_velocity(wind_speed=wind, schmidt=4.0 * number), 0.5 * base)
