"""Properties against TEOS-10 worked examples, the check casts that gsw carries, and EOS-80 check values.

Numbers with an id stand with their sources in data/thermodynamics.json and data/oxygen.json.
"""

from __future__ import annotations

import json
from pathlib import Path

import gsw
import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from reeftally.errors import InputError, OutOfRangeError, ShapeError
from reeftally.seawater import properties

DATA = Path(__file__).parent / "data"
ROWS = {row["id"]: row for row in json.loads((DATA / "thermodynamics.json").read_text(encoding="utf-8"))["rows"]}
OXYGEN_ROWS = {row["id"]: row for row in json.loads((DATA / "oxygen.json").read_text(encoding="utf-8"))["rows"]}
CASTS = np.load(Path(gsw.__file__).parent / "tests" / "gsw_cv_v3_0.npz")


def rho(c):
    return properties.density_teos10(
        absolute_salinity=c["SA_gkg"], conservative_temperature=c["CT_C"], pressure=c["p_dbar"]
    )


def conservative(c):
    return properties.conservative_temperature(
        absolute_salinity=c["SA_gkg"], temperature=c["t_C"], pressure=c["p_dbar"]
    )


def eos80(c):
    return properties.density_eos80(salinity=c["S"], temperature_ipts68=c["t68_C"], pressure=10.0 * c["P_bar"])


def absolute(c):
    return properties.absolute_salinity(salinity=c["SP"], pressure=c["p_dbar"], longitude=c["lon"], latitude=c["lat"])


KINDS = {
    "th-rho-": rho,
    "th-ct-": conservative,
    "th-eos80-": eos80,
    "th-sr-1": lambda c: properties.reference_salinity(salinity=c["SP"]),
    "th-sr-35": lambda c: properties.reference_salinity(salinity=c["SP"]),
    "th-sa-": absolute,
}
CASES = [(name, kind) for name in ROWS for start, kind in KINDS.items() if name.startswith(start)]


@pytest.mark.parametrize(("name", "kind"), CASES, ids=[name for name, _ in CASES])
def test_property_agrees_with_the_check_value(name, kind):
    row = ROWS[name]

    # Exact by definition where the tolerance is 0; five decimals are printed.
    assert_allclose(kind(row["conditions"]), row["value"], rtol=0, atol=row["tolerance"] or 1e-12)


@pytest.mark.parametrize("name", [name for name in OXYGEN_ROWS if name.startswith("ox-ph2o")])
def test_vapour_pressure_agrees_with_the_check_value(name):
    row = OXYGEN_ROWS[name]
    c = row["conditions"]
    found = properties.vapour_pressure(temperature=c["t_C"], salinity=c["S"])

    assert_allclose(found, row["value"], rtol=0, atol=row["tolerance"])


def test_the_two_vapour_pressures_differ_as_published_sources_do():
    # 3.1061 kPa (Weiss and Price 1980) and 3.1106 kPa (Guide 2007) at 25 degC, S 35; both evaluations of the formulas.
    weiss = properties.vapour_pressure(temperature=25.0, salinity=35.0)
    guide = properties.vapour_pressure(temperature=25.0, salinity=35.0, method="dickson2007")

    assert_allclose([weiss, guide], [31.061, 31.106], rtol=0, atol=0.6e-3)


@pytest.fixture(scope="module")
def cast():
    good = np.isfinite(CASTS["SP_chck_cast"])
    shape = CASTS["SP_chck_cast"].shape
    names = {"salinity": "SP", "temperature": "t", "pressure": "p", "longitude": "long", "latitude": "lat"}
    found = {key: np.broadcast_to(CASTS[f"{short}_chck_cast"], shape)[good] for key, short in names.items()}
    return found, good


CAST_CHECKS = {
    # gsw name: our function and the arguments it takes; the published tolerance is the file's own *_ca.
    "SA_from_SP": (properties.absolute_salinity, ("salinity", "pressure", "longitude", "latitude")),
    "rho": (properties.density, ("salinity", "temperature", "pressure", "longitude", "latitude")),
    "sound_speed": (properties.sound_speed, ("salinity", "temperature", "pressure", "longitude", "latitude")),
    "pt0_from_t": (
        properties.potential_temperature,
        ("salinity", "temperature", "pressure", "longitude", "latitude"),
    ),
    "grav": (properties.gravity, ("latitude", "pressure")),
}


@pytest.mark.parametrize("name", CAST_CHECKS)
def test_check_casts_of_teos10_are_met(name, cast):
    inputs, good = cast
    function, arguments = CAST_CHECKS[name]
    found = function(**{key: inputs[key] for key in arguments})
    expected = CASTS[name][good]

    assert_allclose(found, expected, rtol=0, atol=float(CASTS[f"{name}_ca"]))


def test_depth_of_the_check_casts_is_met(cast):
    inputs, good = cast
    found = properties.depth_from_pressure(pressure=inputs["pressure"], latitude=inputs["latitude"])

    assert_allclose(found, -CASTS["z_from_p"][good], rtol=0, atol=float(CASTS["z_from_p_ca"]))


def test_conductivity_of_the_check_casts_comes_back_as_salinity(cast):
    inputs, good = cast
    found = properties.practical_salinity_from_conductivity(
        conductivity=CASTS["C_from_SP"][good] / 10.0,
        temperature=inputs["temperature"],
        pressure=inputs["pressure"],
    )

    assert_allclose(found, CASTS["SP_from_C"][good], rtol=0, atol=float(CASTS["SP_from_C_ca"]))


def test_standard_seawater_has_its_defined_conductivity():
    # PSS-78: S = 35 at 15 degC (IPTS-68) and 0 dbar is 4.2914 S/m (TEOS-10 manual, appendix E, from memory).
    found = properties.conductivity_from_practical_salinity(salinity=35.0, temperature=15.0 / 1.00024, pressure=0.0)

    assert_allclose(found, 4.2914, rtol=0, atol=0.5e-4)


def test_a_place_without_atlas_counts_as_reference_composition():
    inland = properties.absolute_salinity(salinity=35.0, pressure=5.0, longitude=20.0, latitude=48.0)

    assert_allclose(inland, properties.reference_salinity(salinity=35.0), rtol=0, atol=1e-12)
    with pytest.raises(InputError, match="belong together"):
        properties.absolute_salinity(salinity=35.0, longitude=20.0)


# --- how every function of the room takes its input ------------------------------------------------------


def test_numbers_outside_the_range_raise_and_members_of_arrays_become_nan_with_a_reason():
    with pytest.raises(OutOfRangeError, match="salinity is -1"):
        properties.density(salinity=-1.0, temperature=20.0)
    found = properties.density(salinity=[35.0, -1.0, np.nan, 35.0], temperature=[20.0, 20.0, 20.0, 99.0])
    why = properties.reasons(
        properties.density, salinity=[35.0, -1.0, np.nan, 35.0], temperature=[20.0, 20.0, 20.0, 99.0]
    )

    assert_array_equal(np.isfinite(found), [True, False, False, False])
    assert_array_equal(
        why,
        ["", "salinity is outside 0 to 42", "salinity is missing", "temperature is outside -2.5 to 40 degC"],
    )


def test_xarray_broadcasts_by_name_and_keeps_coordinates():
    salinity = xr.DataArray([34.0, 35.0], dims="site", coords={"site": ["a", "b"]})
    temperature = xr.DataArray([20.0, 25.0, 30.0], dims="time", coords={"time": [0.0, 1.0, 2.0]})
    found = properties.density(salinity=salinity, temperature=temperature, pressure=5.0)

    assert found.dims == ("site", "time")
    assert_array_equal(found.site, ["a", "b"])
    plain = properties.density(salinity=salinity.values[:, None], temperature=temperature.values[None, :], pressure=5.0)
    assert_array_equal(found.values, plain)


def test_lazy_xarray_stays_lazy():
    salinity = xr.DataArray([34.0, 35.0], dims="time").chunk({"time": 1})
    found = properties.density(salinity=salinity, temperature=25.0)

    assert found.chunks is not None
    assert_allclose(found.values, properties.density(salinity=[34.0, 35.0], temperature=25.0))


def test_shapes_that_do_not_fit_are_named():
    with pytest.raises(ShapeError, match=r"salinity \(2,\), temperature \(3,\)"):
        properties.density(salinity=[34.0, 35.0], temperature=[20.0, 21.0, 22.0])


def test_arguments_go_by_name_and_must_be_numbers():
    with pytest.raises(InputError, match="by name only"):
        properties.gravity(10.0)
    with pytest.raises(InputError, match="number"):
        properties.gravity(latitude="north")
    with pytest.raises(InputError, match="weiss1980"):
        properties.vapour_pressure(temperature=20.0, salinity=35.0, method="guess")


@settings(deadline=None, max_examples=50)
@given(salinity=st.floats(2.0, 41.0), temperature=st.floats(0.0, 35.0), pressure=st.floats(0.0, 500.0))
def test_salinity_goes_to_conductivity_and_back(salinity, temperature, pressure):
    state = {"temperature": temperature, "pressure": pressure}
    there = properties.conductivity_from_practical_salinity(salinity=salinity, **state)
    back = properties.practical_salinity_from_conductivity(conductivity=there, **state)

    assert_allclose(back, salinity, rtol=0, atol=1e-9)


@settings(deadline=None, max_examples=50)
@given(salinity=st.floats(0.0, 41.0), temperature=st.floats(5.0, 35.0))
def test_salt_makes_water_heavier_and_its_vapour_thinner(salinity, temperature):
    heavy = properties.density(salinity=[salinity, salinity + 1.0], temperature=temperature)
    vapour = properties.vapour_pressure(temperature=temperature, salinity=[salinity, salinity + 1.0])

    assert heavy[1] > heavy[0]
    assert vapour[1] < vapour[0]


def test_teos10_and_eos80_agree_to_a_few_hundredths():
    # Known difference of the two equations of state at reef conditions, below 0.02 kg/m3 (common practice, no source).
    new = properties.density(salinity=35.0, temperature=28.0)
    old = properties.density_eos80(salinity=35.0, temperature_ipts68=28.0 * 1.00024)

    assert_allclose(new, old, rtol=0, atol=0.02)
