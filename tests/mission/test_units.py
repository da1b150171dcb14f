"""Unit spellings and factors.

Sources of the factors stand beside them; the spellings are a closed list of this package.
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reeftally.errors import InputError
from reeftally.mission import units
from reeftally.mission.units import CHANNELS, check_quantity, convert, known_units, normalise

# Source of 44.6596: Bittig et al. (2018), SCOR WG 142, recommendations on the conversion between oxygen
# quantities, doi:10.13155/45915; printed to four decimals. 31.2512 is 1000/31.9988, printed to four decimals.
OXYGEN = [("mL/L", 44.6596, 0.5e-4), ("mg/L", 31.2512, 0.5e-4)]

# Source: SI Brochure, 9th ed. (2019), and NIST Special Publication 811 (2008), appendix B.8: exact by definition
# (knot 1852 m per hour, atmosphere 101325 Pa, bar 100000 Pa, degree Fahrenheit) or to the digits shown.
DEFINED = [
    ("temperature", "degF", 212.0, 100.0),
    ("temperature", "degF", 32.0, 0.0),
    ("temperature", "K", 273.15, 0.0),
    ("velocity_x", "cm/s", 35.0, 0.35),
    ("velocity_x", "mm/s", 35.0, 0.035),
    ("wind_speed", "knots", 3600.0, 1852.0),
    ("wind_speed", "km/h", 36.0, 10.0),
    ("pressure", "kPa", 100.0, 10.0),
    ("pressure", "hPa", 1013.25, 10.1325),
    ("pressure", "mbar", 1013.25, 10.1325),
    ("pressure", "bar", 1.0, 10.0),
    ("pressure", "atm", 1.0, 10.1325),
    ("air_pressure", "mbar", 1011.0, 1011.0),
    ("air_pressure", "dbar", 10.11, 1011.0),
    ("air_pressure", "Pa", 101325.0, 1013.25),
    ("fco2", "Pa", 0.101325, 1.0),
    ("conductivity", "mS/cm", 53.0, 5.3),
    ("conductivity", "uS/cm", 53000.0, 5.3),
    ("oxygen_saturation", "fraction", 1.01, 101.0),
    ("total_alkalinity", "mmol/kg", 2.312, 2312.0),
    ("total_alkalinity", "meq/kg", 2.312, 2312.0),
    ("oxygen_flux", "mmol m-2 d-1", 24.0, 1.0),
    ("oxygen_flux", "umol m-2 s-1", 1.0, 3.6),
    ("par", "mol m-2 d-1", 0.0864, 1.0),
    ("heading", "rad", math.pi, 180.0),
    ("dissipation_rate", "cm2/s3", 1.0, 1e-4),
    ("ph_internal_voltage", "mV", 50.0, 0.05),
    ("air_co2", "ppm", 429.0, 429.0),
]


@pytest.mark.parametrize(("unit", "factor", "tolerance"), OXYGEN)
def test_oxygen_by_volume_converts_with_the_published_factors(unit, factor, tolerance):
    converted = convert(1.0, "oxygen_molar", unit)

    assert_allclose(converted, factor, rtol=0, atol=tolerance)


# Source: NIST Special Publication 811 (2008), appendix B.8: psi to kPa 6.894757, mmHg to kPa 0.1333224,
# inch of mercury (conventional) to kPa 3.386389; the tolerance is half of the last printed digit.
@pytest.mark.parametrize(
    ("unit", "kilopascal", "tolerance"),
    [("psi", 6.894757, 0.5e-6), ("mmHg", 0.1333224, 0.5e-7), ("inHg", 3.386389, 0.5e-6)],
)
def test_old_pressure_units_agree_with_the_printed_factors(unit, kilopascal, tolerance):
    converted = convert(1.0, "air_pressure", unit) / 10.0

    assert_allclose(converted, kilopascal, rtol=0, atol=tolerance)


@pytest.mark.parametrize(("quantity", "unit", "value", "wanted"), DEFINED)
def test_defined_units_convert_exactly(quantity, unit, value, wanted):
    converted = convert(value, quantity, unit)

    assert_allclose(converted, wanted, rtol=1e-14, atol=1e-12)


@pytest.mark.parametrize(
    "spelling", ["µmol/kg", "μmol/kg", "umol/kg", "µmol kg-1", "µmol kg⁻¹", "umol·kg^-1", "[umol/kg]", "umol / kg"]
)
def test_micro_signs_and_superscripts_may_be_written_any_way(spelling):
    converted = convert(2000.0, "dic", spelling)

    assert converted == 2000.0


def test_mb_is_millibar_and_never_an_area():
    converted = convert([1011.0, np.nan], "air_pressure", "mb")

    assert_allclose(converted, [1011.0, np.nan])


@pytest.mark.parametrize(
    ("quantity", "unit", "words"),
    [
        ("oxygen", "umol/L", 'quantity = "oxygen_molar"'),
        ("oxygen_molar", "umol/kg", 'quantity = "oxygen"'),
        ("oxygen_molar", "%", 'quantity = "oxygen_saturation"'),
        ("pco2", "ppm", 'quantity = "xco2"'),
        ("par", "W m-2", "spectrum"),
        ("salinity", "g/kg", "another quantity"),
        ("pressure", "m", "not a pressure"),
        ("dic", "umol/L", "density"),
    ],
)
def test_a_unit_of_another_quantity_is_refused_with_the_way_out(quantity, unit, words):
    with pytest.raises(InputError) as refusal:
        convert(1.0, quantity, unit)

    assert words in str(refusal.value)


def test_an_unknown_spelling_lists_the_known_ones():
    with pytest.raises(InputError, match="known are m/s, cm/s, mm/s"):
        convert(1.0, "velocity_x", "furlong/fortnight")


def test_ph_without_a_scale_is_refused():
    with pytest.raises(InputError, match="Declare the scale: ph_total, ph_free, ph_seawater or ph_nbs"):
        check_quantity("pH")


@pytest.mark.parametrize("quantity", sorted(CHANNELS))
def test_every_channel_knows_its_own_canonical_unit(quantity):
    factor, offset = units.scale_of(quantity, CHANNELS[quantity].unit)

    assert (factor, offset) == (1.0, 0.0)


@pytest.mark.parametrize("quantity", sorted(CHANNELS))
def test_every_channel_knows_its_udunits_spelling(quantity):
    factor, offset = units.scale_of(quantity, CHANNELS[quantity].cf_unit or CHANNELS[quantity].unit)

    assert (factor, offset) == (1.0, 0.0)


@given(value=st.floats(-1e6, 1e6), quantity=st.sampled_from(sorted(CHANNELS)), data=st.data())
def test_conversion_keeps_order_and_never_touches_its_argument(value, quantity, data):
    unit = data.draw(st.sampled_from(known_units(quantity)))
    given_values = np.array([value, value + 1.0])
    before = given_values.copy()

    low, high = convert(given_values, quantity, unit.strip('"'))

    assert low < high
    assert_allclose(given_values, before, rtol=0, atol=0)


@pytest.mark.parametrize("quantity", sorted(CHANNELS))
def test_no_spelling_means_two_units_of_one_quantity(quantity):
    meanings = {}
    for names, scale in units._scales(quantity).items():
        for name in names:
            meanings.setdefault(normalise(name), set()).add(scale)

    assert all(len(scales) == 1 for scales in meanings.values())


@given(quantity=st.sampled_from(sorted(CHANNELS)), data=st.data(), left=st.text(" \t", max_size=3))
def test_blanks_and_the_micro_sign_do_not_change_a_unit(quantity, data, left):
    unit = data.draw(st.sampled_from(known_units(quantity))).strip('"')

    variants = [left + unit, unit + left, f"[{unit}]", f"({unit})", unit.replace("u", "µ"), unit.replace("u", "μ")]
    assert {units.scale_of(quantity, variant) for variant in variants} == {units.scale_of(quantity, unit)}
