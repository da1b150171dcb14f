"""Alkalinity from salinity, normalisation, third water. Numbers with an id: data/alkalinity.json."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from reeftally.errors import InputError, NoSolutionError, OutOfRangeError, ShapeError
from reeftally.seawater import alkalinity

ROWS = {
    row["id"]: row
    for row in json.loads((Path(__file__).parent / "data/alkalinity.json").read_text(encoding="utf-8"))["rows"]
}


def lee(c):
    return alkalinity.lee2006(temperature=c["SST_C"], salinity=c["S"], region="subtropics")


def normalised(c):
    value = next(c[key] for key in ("DIC_umolkg", "TA_umolkg", "X_umolkg") if key in c)
    return alkalinity.normalise_salinity(
        value=value,
        salinity=c["S"],
        reference_salinity=c["S_ref"],
        value_at_zero=c.get("X_at_S0", 0.0),
    )


KINDS = {"ta-lee-3": lee, "ta-hot0": normalised, "ta-friis": normalised}
CASES = [(name, kind) for name in ROWS for start, kind in KINDS.items() if name.startswith(start)]
# Bare facts, listed in docs/facts.md.
FACTS = {"ta-lee-unc", "ta-lee-share", "ta-hot-nta", "ta-m98-lin"}


@pytest.mark.parametrize(("name", "kind"), CASES, ids=[name for name, _ in CASES])
def test_alkalinity_agrees_with_the_check_value(name, kind):
    row = ROWS[name]

    assert_allclose(kind(row["conditions"]), row["value"], rtol=0, atol=row["tolerance"])


def test_every_check_row_is_used_or_a_fact():
    assert set(ROWS) == {name for name, _ in CASES} | FACTS


def test_traditional_normalisation_differs_as_noted():
    # 2313.8889 without an end member against 2322.2222 with 300 µmol/kg.
    found = alkalinity.normalise_salinity(value=2380.0, salinity=36.0)

    assert_allclose(found, 2313.8889, rtol=0, atol=0.5e-4)


# --- Lee et al. 2006 ---------------------------------------------------------------------------------------


def test_all_regions_meet_at_their_reference_point():
    # At S 35 and the temperature offset the relation is its constant: 2305, in the equatorial Pacific 2294.
    for region in alkalinity.LEE2006_REGIONS:
        offset = 29.0 if region == "equatorial_pacific" else 20.0
        extra = {"longitude": 200.0} if region == "north_pacific" else {}
        found = alkalinity.lee2006(temperature=offset, salinity=35.0, region=region, **extra)
        assert found == (2294.0 if region == "equatorial_pacific" else 2305.0)


def test_a_region_is_never_used_outside_its_validity():
    found = alkalinity.lee2006(temperature=[28.0, 15.0, 28.0], salinity=[36.0, 36.0, 39.0], region="subtropics")
    why = alkalinity.lee2006_reasons(temperature=[28.0, 15.0, 28.0], salinity=[36.0, 36.0, 39.0], region="subtropics")

    assert_array_equal(np.isfinite(found), [True, False, False])
    assert_array_equal(why, ["", "temperature is outside 20 to 40 degC", "salinity is outside 31 to 38"])
    with pytest.raises(OutOfRangeError, match="salinity"):
        alkalinity.lee2006(temperature=28.0, salinity=39.0, region="subtropics")


def test_the_north_pacific_needs_a_longitude_and_a_region_needs_a_name():
    with pytest.raises(InputError, match="longitude"):
        alkalinity.lee2006(temperature=10.0, salinity=33.0, region="north_pacific")
    with pytest.raises(InputError, match="subtropics"):
        alkalinity.lee2006(temperature=10.0, salinity=33.0, region="reef")


def test_uncertainty_of_the_regions_is_near_the_published_mean():
    # Area-weighted 8.1 µmol/kg (ta-lee-unc).
    assert min(alkalinity.LEE2006_SD.values()) < ROWS["ta-lee-unc"]["value"]
    assert max(alkalinity.LEE2006_SD.values()) > ROWS["ta-lee-unc"]["value"]
    assert set(alkalinity.LEE2006_SD) == set(alkalinity.LEE2006_REGIONS)


# --- the user's own line -----------------------------------------------------------------------------------


def fitted(seed=1, n=30):
    """Invented samples about 300 + 57.4 S with 4 µmol/kg of scatter."""
    generator = np.random.default_rng(seed)
    salinity = generator.uniform(34.0, 36.5, n)
    ta = 300.0 + 57.4 * salinity + 4.0 * generator.standard_normal(n)
    return alkalinity.fit_alkalinity_salinity(total_alkalinity=ta, salinity=salinity)


def test_prediction_interval_covers_new_samples_at_its_rate():
    generator = np.random.default_rng(2)
    hits = 0
    for seed in range(500):
        line = fitted(seed=seed, n=12)
        new = 35.2
        found = line.predict(salinity=new, inside_reef=False)
        sample = 300.0 + 57.4 * new + 4.0 * generator.standard_normal()
        hits += bool(found.lower <= sample <= found.upper)

    # Central 99.9 % band of the binomial for 95 % of 500.
    assert 458 <= hits <= 489


def test_a_line_used_inside_a_reef_carries_the_deficit_and_says_so():
    line = fitted()
    outside = line.predict(salinity=35.2, inside_reef=False)
    inside = line.predict(salinity=35.2, inside_reef=True, reef_deficit=4.0)

    assert inside.total_alkalinity == outside.total_alkalinity
    assert inside.systematic_sd >= 4.0
    assert_allclose(inside.systematic_sd**2 - outside.systematic_sd**2, 16.0)
    assert inside.upper - inside.lower > outside.upper - outside.lower
    assert "inside the reef" in inside.label
    assert "30 samples" in outside.label
    with pytest.raises(InputError, match="reef_deficit is missing"):
        line.predict(salinity=35.2, inside_reef=True)
    with pytest.raises(InputError, match="inside_reef is False"):
        line.predict(salinity=35.2, inside_reef=False, reef_deficit=4.0)


def test_a_line_is_not_drawn_beyond_its_samples():
    found = fitted().predict(salinity=[30.0, 35.0], inside_reef=False)

    assert np.isnan(found.total_alkalinity[0])
    assert np.isnan(found.upper[0])
    assert np.isfinite(found.total_alkalinity[1])


def test_too_few_samples_make_no_line():
    with pytest.raises(NoSolutionError, match="3 complete pairs"):
        alkalinity.fit_alkalinity_salinity(
            total_alkalinity=[2300.0, 2310.0, np.nan, 2305.0], salinity=[35.0, 35.2, 35.1, 35.1]
        )
    with pytest.raises(NoSolutionError, match="All x are equal"):
        alkalinity.fit_alkalinity_salinity(total_alkalinity=[2300.0, 2301.0, 2302.0, 2303.0], salinity=[35.0] * 4)
    with pytest.raises(ShapeError):
        alkalinity.fit_alkalinity_salinity(total_alkalinity=[2300.0], salinity=[35.0, 36.0])


# --- mixing ------------------------------------------------------------------------------------------------


def test_rain_and_normalisation_undo_each_other():
    # Rain has neither salt nor alkalinity, so normalisation with end member 0 brings the water back.
    salinity = alkalinity.mix_third_water(value=35.1, third_value=0.0, third_share=0.02)
    ta = alkalinity.mix_third_water(value=2312.0, third_value=0.0, third_share=0.02)
    back = alkalinity.normalise_salinity(value=ta, salinity=salinity, reference_salinity=35.1)

    assert_allclose(back, 2312.0, rtol=1e-13)


@settings(deadline=None, max_examples=60)
@given(share=st.floats(0.0, 0.5), zero=st.floats(0.0, 3000.0))
def test_groundwater_and_friis_normalisation_undo_each_other(share, zero):
    salinity = alkalinity.mix_third_water(value=35.1, third_value=0.0, third_share=share)
    ta = alkalinity.mix_third_water(value=2312.0, third_value=zero, third_share=share)
    back = alkalinity.normalise_salinity(value=ta, salinity=salinity, reference_salinity=35.1, value_at_zero=zero)

    assert_allclose(back, 2312.0, rtol=1e-10)


@settings(deadline=None, max_examples=60)
@given(second=st.floats(0.0, 1.0), third=st.floats(0.0, 1.0))
def test_shares_of_three_waters_are_found(second, third):
    waters = np.array([[35.0, 28.0], [34.0, 20.0], [0.0, 26.0]])
    shares = np.array([1.0 - second - third, second, third])
    found = alkalinity.third_water_share(sample=shares @ waters, first=waters[0], second=waters[1], third=waters[2])

    assert_allclose(found, shares, rtol=0, atol=1e-12)


def test_waters_on_one_line_cannot_be_told_apart():
    with pytest.raises(NoSolutionError, match="one line"):
        alkalinity.third_water_share(sample=[1.0, 1.0], first=[0.0, 0.0], second=[1.0, 1.0], third=[2.0, 2.0])
    many = alkalinity.third_water_share(sample=[[1.0, 1.0]], first=[0.0, 0.0], second=[1.0, 1.0], third=[2.0, 2.0])
    assert np.isnan(many).all()
    with pytest.raises(ShapeError):
        alkalinity.third_water_share(sample=[1.0], first=[0.0], second=[1.0], third=[2.0])
