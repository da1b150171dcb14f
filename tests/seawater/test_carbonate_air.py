"""CO2 between air and water at equilibrium."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reeftally.errors import NoSolutionError
from reeftally.seawater.carbonate import (
    dic_in_equilibrium_with_air,
    equilibrium_constants,
    fco2_from_xco2,
    solve,
    xco2_from_fco2,
)

REEF = {"temperature": 28.4, "salinity": 35.1}


@pytest.mark.parametrize(
    ("temperature", "expected"),
    [(0.0, 0.062224), (20.0, 0.031567), (25.0, 0.027434)],
)
def test_dissolved_co2_per_dry_fraction_is_the_moist_air_solubility(temperature: float, expected: float) -> None:
    # Weiss and Price 1980, Mar. Chem. 8, 347: K0 times (1 - vapour pressure) times the fugacity
    # coefficient at one atmosphere, salinity 35; computed independently to six decimals. The
    # fitted function F of the same paper differs by up to 4e-5 (0.062261 at 0 °C).
    k0 = equilibrium_constants(temperature=temperature, salinity=35.0)["k0"]

    per_fraction = k0 * fco2_from_xco2(xco2=1.0, temperature=temperature, salinity=35.0)

    assert abs(per_fraction - expected) <= 0.5e-6


def test_fugacity_of_a_known_mixture_in_dry_air() -> None:
    # 348.88 µatm for 350 µmol/mol of dry air at 25 °C and 1013.25 hPa, within 0.02: computed
    # independently from Weiss 1974, Mar. Chem. 2, 203. Dry air is had by taking the vapour out.
    moist = fco2_from_xco2(xco2=350.0, temperature=25.0, salinity=35.0)
    state = solve(total_alkalinity=2300.0, xco2=350.0, temperature=25.0, salinity=35.0)
    share_of_dry_air = state.pco2 / 350.0

    assert abs(moist / share_of_dry_air - 348.88) <= 0.02


def test_the_vapour_pressure_at_25_degrees_is_the_printed_one() -> None:
    # Weiss and Price 1980: 3.1061 kPa over seawater of salinity 35 at 25 °C (the 2007 guide has
    # 3.1106); four decimals.
    state = solve(total_alkalinity=2300.0, xco2=350.0, temperature=25.0, salinity=35.0)

    vapour_kpa = (1.0 - state.pco2 / 350.0) * 101.325

    assert abs(vapour_kpa - 3.1061) <= 0.5e-4


def test_water_in_equilibrium_has_the_dry_fraction_of_the_air() -> None:
    xco2 = np.linspace(180.0, 1000.0, 7)

    dic = dic_in_equilibrium_with_air(xco2_air=xco2, total_alkalinity=2312.0, air_pressure=1011.0, **REEF)

    state = solve(total_alkalinity=2312.0, dic=dic, air_pressure=1011.0, **REEF)
    assert_allclose(state.xco2, xco2, rtol=1e-12)
    assert (np.diff(dic) > 0.0).all()


def test_the_global_part_of_the_change_is_as_computed_independently() -> None:
    # fCO2 280 to 412 µatm at alkalinity 2312, salinity 35.1, 28.4 °C: pH 8.1615 less 0.132 (three
    # decimals), DIC of the past 1901.8 (one decimal).
    past, now = (solve(total_alkalinity=2312.0, fco2=f, **REEF) for f in (280.0, 412.0))

    assert round(now.ph_total - past.ph_total, 3) == -0.132
    assert abs(past.ph_total - 8.1615) <= 0.5e-4
    assert abs(past.dic - 1901.8) <= 0.05


@settings(max_examples=50, deadline=None)
@given(
    xco2=st.floats(50.0, 5000.0),
    temperature=st.floats(-1.0, 40.0),
    salinity=st.floats(0.0, 40.0),
    air_pressure=st.floats(900.0, 1050.0),
)
def test_fugacity_and_dry_fraction_invert_each_other(
    xco2: float, temperature: float, salinity: float, air_pressure: float
) -> None:
    where = {"temperature": temperature, "salinity": salinity, "air_pressure": air_pressure}

    fco2 = fco2_from_xco2(xco2=xco2, **where)

    assert fco2 < xco2 * air_pressure / 1013.25
    assert_allclose(xco2_from_fco2(fco2=fco2, **where), xco2, rtol=1e-13)


def test_shapes_labels_nan_and_impossible_values() -> None:
    array = fco2_from_xco2(xco2=[400.0, np.nan, -1.0], **REEF)
    named = fco2_from_xco2(xco2=xr.DataArray([400.0, -1.0], dims="time"), **REEF)

    assert isinstance(fco2_from_xco2(xco2=400.0, **REEF), float)
    assert np.isnan(array[1:]).all()
    assert named.dims == ("time",)
    assert float(named[0]) == array[0]
    assert np.isnan(named[1])
    with pytest.raises(NoSolutionError, match="cannot be below zero"):
        fco2_from_xco2(xco2=-1.0, **REEF)
    with pytest.raises(NoSolutionError):
        xco2_from_fco2(fco2=-1.0, **REEF)
