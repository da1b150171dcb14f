"""pH from sensors and dyes, buffers, scales and temperatures.

Numbers with an id stand with their sources in data/ph.json.
"""

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
from reeftally.seawater import carbonate, ph

ROWS = {
    row["id"]: row for row in json.loads((Path(__file__).parent / "data/ph.json").read_text(encoding="utf-8"))["rows"]
}


def cell(c):
    return {"temperature": c["t_C"], "salinity": c["S"], "pressure": 10.0 * c["P_bar"]}


def dye(c, method):
    return ph.spectrophotometric(ratio=c["R"], temperature=c["t_C"], salinity=c["S"], method=method)


def worked_cell(c):
    coefficients = ph.IsfetCoefficients(potential=c["k0_V"], temperature_slope=c["k2"], reference_temperature=0.0)
    return ph.isfet_external(voltage=c["E_V"], coefficients=coefficients, **cell(c))


def scale_step(c, start, end):
    return ph.convert_scale(ph=8.0, from_scale=start, to_scale=end, **cell(c)) - 8.0


def change_per_degree(c):
    state = {"total_alkalinity": c["TA_umolkg"], "dic": c["DIC_umolkg"], "salinity": c["S"]}
    found = carbonate.solve(temperature=[c["t_C"] - 0.01, c["t_C"] + 0.01], **state).ph_total
    return (found[1] - found[0]) / 0.02


KINDS = {
    "ph-tris-": lambda c: ph.tris(temperature=c["t_C"], salinity=c["S"]),
    # At this ratio the absorbance term is log10 of 1 and the pK alone is left.
    "ph-mcp-cb-pk": lambda c: dye({**c, "R": (2.2220 + 0.0069) / 1.1330}, "clayton1993"),
    "ph-cb-R": lambda c: dye(c, "clayton1993"),
    "ph-liu-R": lambda c: dye(c, "liu2011"),
    "ph-nernst": lambda c: ph.nernst_slope(temperature=c["t_C"]),
    "ph-martz-kint": lambda c: ph.INTERNAL_TEMPERATURE_SLOPE,
    "ph-isfet-cl": lambda c: ph.chloride_molality(salinity=c["S"]),
    "ph-isfet-lg": lambda c: ph.hydrochloric_log_activity(**cell(c)),
    "ph-isfet-example": worked_cell,
    "ph-tot-free": lambda c: scale_step(c, "total", "free"),
    "ph-tot-sws": lambda c: -scale_step(c, "total", "seawater"),
    "ph-dphdt": change_per_degree,
}
CASES = [(name, kind) for name in ROWS for start, kind in KINDS.items() if name.startswith(start)]
# Bare facts, listed in docs/facts.md.
FACTS = {"ph-cb-prec", "ph-takeshita-nernst", "ph-takeshita-br"}


@pytest.mark.parametrize(("name", "kind"), CASES, ids=[name for name, _ in CASES])
def test_ph_agrees_with_the_check_value(name, kind):
    row = ROWS[name]

    assert_allclose(kind(row["conditions"]), row["value"], rtol=0, atol=row["tolerance"])


def test_every_check_row_is_used_or_a_fact():
    assert set(ROWS) == {name for name, _ in CASES} | FACTS


# --- scales ------------------------------------------------------------------------------------------------


def test_free_less_total_scale_in_warm_reef_water():
    # Demo water S 35.1, 28.4 degC: 0.120 (computed from Dickson 1990).
    free = ph.convert_scale(ph=8.03, from_scale="total", to_scale="free", temperature=28.4, salinity=35.1)

    assert_allclose(free - 8.03, 0.120, rtol=0, atol=0.5e-3)


@pytest.mark.parametrize("missing", ["from_scale", "to_scale"])
def test_an_undeclared_scale_is_refused(missing):
    scales = {"from_scale": "total", "to_scale": "free"}
    del scales[missing]

    with pytest.raises(InputError, match=f"{missing} was not given"):
        ph.convert_scale(ph=8.0, temperature=25.0, salinity=35.0, **scales)
    with pytest.raises(InputError, match="scale was not given"):
        ph.convert_temperature(
            ph=8.0, total_alkalinity=2300.0, salinity=35.0, temperature_from=25.0, temperature_to=20.0
        )
    with pytest.raises(InputError, match="needs one of"):
        ph.convert_scale(ph=8.0, temperature=25.0, salinity=35.0, from_scale="total", to_scale="NIST")


@settings(deadline=None, max_examples=60)
@given(
    value=st.floats(7.0, 8.8),
    temperature=st.floats(0.0, 35.0),
    salinity=st.floats(5.0, 42.0),
    start=st.sampled_from(ph.SCALES),
    end=st.sampled_from(ph.SCALES),
)
def test_scales_go_there_and_back(value, temperature, salinity, start, end):
    state = {"temperature": temperature, "salinity": salinity, "pressure": 15.0}
    there = ph.convert_scale(ph=value, from_scale=start, to_scale=end, **state)
    back = ph.convert_scale(ph=there, from_scale=end, to_scale=start, **state)

    assert_allclose(back, value, rtol=0, atol=1e-12)


def test_scales_are_those_of_the_carbonate_system():
    state = {"temperature": 26.0, "salinity": 34.0, "pressure": 100.0}
    solved = carbonate.solve(total_alkalinity=2300.0, dic=2000.0, **state)

    for scale in ("free", "seawater", "nbs"):
        found = ph.convert_scale(ph=solved.ph_total, from_scale="total", to_scale=scale, **state)
        assert_allclose(found, getattr(solved, f"ph_{scale}"), rtol=0, atol=1e-12)


def test_choice_of_the_fluoride_constant_moves_only_the_seawater_scale():
    # Total less seawater scale: 0.0129 with Perez and Fraga 1987, 0.0097 with Dickson and Riley 1979 (S 35, 25 degC).
    older = carbonate.Constants(kf="dickson1979")
    state = {"ph": 8.0, "from_scale": "total", "temperature": 25.0, "salinity": 35.0}

    found = ph.convert_scale(to_scale="seawater", constants=older, **state)
    assert_allclose(8.0 - found, 0.0097, rtol=0, atol=0.5e-4)
    assert ph.convert_scale(to_scale="free", constants=older, **state) == ph.convert_scale(to_scale="free", **state)


# --- temperature -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("in_situ", [8.0299, 7.9991])
def test_ph_at_25_degrees_less_in_situ_in_warm_reef_water(in_situ):
    # Invented demo water, offshore and basin: TA 2312, S 35.1, 28.4 degC; +0.051 +- 0.002.
    found = ph.convert_temperature(
        ph=in_situ,
        scale="total",
        total_alkalinity=2312.0,
        salinity=35.1,
        temperature_from=28.4,
        temperature_to=25.0,
    )

    assert_allclose(found - in_situ, 0.051, rtol=0, atol=0.002)


@settings(deadline=None, max_examples=40)
@given(
    value=st.floats(7.4, 8.4),
    start=st.floats(5.0, 34.0),
    end=st.floats(5.0, 34.0),
    depth=st.floats(0.0, 300.0),
    scale=st.sampled_from(ph.SCALES),
)
def test_temperature_and_pressure_go_there_and_back(value, start, end, depth, scale):
    water = {"scale": scale, "total_alkalinity": 2300.0, "salinity": 35.0}
    there = ph.convert_temperature(
        ph=value, temperature_from=start, temperature_to=end, pressure_from=0.0, pressure_to=depth, **water
    )
    back = ph.convert_temperature(
        ph=there, temperature_from=end, temperature_to=start, pressure_from=depth, pressure_to=0.0, **water
    )

    assert_allclose(back, value, rtol=0, atol=1e-9)


# --- ISFET -------------------------------------------------------------------------------------------------


def test_one_point_calibration_gives_its_own_ph_back_by_both_references():
    state = {"temperature": 27.3, "salinity": 34.8, "pressure": 12.0}
    inside = ph.IsfetCoefficients(
        potential=ph.isfet_internal_potential(
            voltage=0.061, ph_total=8.012, temperature=27.3, pressure=12.0, pressure_terms=(-2e-6, 1e-10)
        ),
        temperature_slope=ph.INTERNAL_TEMPERATURE_SLOPE,
        reference_temperature=25.0,
        pressure_terms=(-2e-6, 1e-10),
    )
    outer = ph.IsfetCoefficients(
        potential=ph.isfet_external_potential(voltage=-0.98, ph_total=8.012, **state),
        temperature_slope=ph.EXTERNAL_TEMPERATURE_SLOPE,
        reference_temperature=25.0,
    )
    found = ph.isfet_total(internal_voltage=0.061, internal=inside, external_voltage=-0.98, external=outer, **state)

    assert_allclose([found.internal, found.external], 8.012, rtol=0, atol=1e-12)
    assert_allclose(found.difference, 0.0, atol=1e-12)


def test_a_voltage_step_of_one_nernst_slope_is_one_unit_of_ph():
    coefficients = ph.IsfetCoefficients(potential=-1.4, temperature_slope=-0.001, reference_temperature=25.0)
    slope = ph.nernst_slope(temperature=25.0)
    base, up = ph.isfet_external(
        voltage=np.array([-1.0, -1.0 + slope]), coefficients=coefficients, temperature=25.0, salinity=35.0
    )

    assert_allclose(up - base, 1.0, rtol=0, atol=1e-12)


def test_references_read_a_change_of_salinity_differently():
    # The chloride reference follows log10 of chloride, the internal one does not feel salt at all.
    coefficients = ph.IsfetCoefficients(potential=-1.4, temperature_slope=0.0, reference_temperature=25.0)
    low, high = ph.isfet_external(voltage=-1.0, coefficients=coefficients, temperature=25.0, salinity=[34.0, 35.0])

    assert 0.009 < high - low < 0.016


def test_only_one_reference_may_be_given_but_not_without_its_coefficients():
    inside = ph.IsfetCoefficients(potential=-0.4, temperature_slope=-0.0011, reference_temperature=25.0)
    found = ph.isfet_total(internal_voltage=0.06, internal=inside, temperature=25.0, salinity=35.0)

    assert found.external is None
    assert found.difference is None
    assert found.internal is not None
    with pytest.raises(InputError, match="No voltage"):
        ph.isfet_total(temperature=25.0, salinity=35.0)
    with pytest.raises(InputError, match="belong together"):
        ph.isfet_total(internal_voltage=0.06, temperature=25.0, salinity=35.0)


# --- dye ---------------------------------------------------------------------------------------------------


def test_the_two_sets_of_dye_constants_lie_apart_as_published():
    # At R = 1, S 35, 25 degC: 7.6826 against 7.6708.
    state = {"ratio": 1.0, "temperature": 25.0, "salinity": 35.0}
    older = ph.spectrophotometric(method="clayton1993", **state)

    assert_allclose(older - ph.spectrophotometric(**state), 0.0118, rtol=0, atol=0.5e-4)
    assert_allclose(ph.spectrophotometric(method="clayton1993", tris_correction=True, **state) - older, 0.0047)
    with pytest.raises(InputError):
        ph.spectrophotometric(tris_correction=True, **state)


@settings(deadline=None, max_examples=60)
@given(value=st.floats(7.2, 8.4), temperature=st.floats(5.0, 35.0), salinity=st.floats(20.0, 40.0))
def test_dye_ratio_and_ph_are_each_others_inverse(value, temperature, salinity):
    ratio = ph.dye_ratio_of(ph_total=value, temperature=temperature, salinity=salinity)

    assert_allclose(
        ph.spectrophotometric(ratio=ratio, temperature=temperature, salinity=salinity),
        value,
        rtol=0,
        atol=1e-10,
    )


def test_each_method_keeps_its_own_range():
    found = ph.spectrophotometric(ratio=1.2, temperature=[10.0, 25.0], salinity=35.0, method="clayton1993")

    assert_array_equal(np.isnan(found), [True, False])
    assert np.isfinite(ph.spectrophotometric(ratio=1.2, temperature=10.0, salinity=35.0))
    with pytest.raises(OutOfRangeError, match="temperature"):
        ph.spectrophotometric(ratio=1.2, temperature=40.0, salinity=35.0)


def test_impurity_that_is_not_taken_off_lowers_the_ph():
    clean = ph.dye_ratio(absorbance_578=0.9, absorbance_434=0.6, baseline=0.0)
    dirty = ph.dye_ratio(absorbance_578=0.9, absorbance_434=0.605, baseline=0.0)
    mended = ph.dye_ratio(absorbance_578=0.902, absorbance_434=0.607, baseline=0.002, impurity_434=0.005)
    state = {"temperature": 25.0, "salinity": 35.0}

    assert ph.spectrophotometric(ratio=dirty, **state) < ph.spectrophotometric(ratio=clean, **state)
    assert_allclose(mended, clean, rtol=1e-12)


def test_double_additions_take_the_dye_out():
    # Invented dye that pulls the ratio towards 1.1 by 2 % a dose.
    before = np.array([0.8, 1.0, 1.3, 1.6])

    def after(ratio, dose):
        return ratio + dose * (0.022 - 0.02 * ratio)

    once, twice = after(before, 1.0), after(before, 2.0)
    line = ph.perturbation_line(ratio_first=once, ratio_second=twice, dye_added=np.ones(4))
    found = ph.unperturbed_ratio(ratio=once, dye=1.0, intercept=float(line.intercept), slope=float(line.slope))

    assert_allclose(found, before, rtol=0, atol=1e-12)


# --- buffers -----------------------------------------------------------------------------------------------


def test_tris_falls_by_three_hundredths_a_degree():
    # dpH/dT of tris near 25 degC is -0.031 a degree (Guide 2007, SOP 6a, from memory).
    found = ph.tris(temperature=[24.5, 25.5], salinity=35.0)

    assert_allclose(found[1] - found[0], -0.031, rtol=0, atol=0.5e-3)


def test_aminopyridine_has_its_known_value():
    # 2-aminopyridine in synthetic seawater at 25 degC, S 35: 6.7866 (Guide 2007, SOP 6a, from memory).
    assert_allclose(ph.aminopyridine(temperature=25.0, salinity=35.0), 6.7866, rtol=0, atol=1e-4)


def test_xarray_goes_through_sensor_and_conversion_by_name():
    voltage = xr.DataArray([-1.0, -0.99], dims="time")
    salinity = xr.DataArray([34.0, 35.0, 36.0], dims="site")
    coefficients = ph.IsfetCoefficients(potential=-1.4, temperature_slope=0.0, reference_temperature=25.0)
    found = ph.isfet_external(voltage=voltage, coefficients=coefficients, temperature=25.0, salinity=salinity)
    free = ph.convert_scale(ph=found, from_scale="total", to_scale="free", temperature=25.0, salinity=salinity)

    assert found.dims == ("time", "site")
    assert free.dims == ("time", "site")
    assert np.isfinite(free).all()
