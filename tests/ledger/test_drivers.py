"""Increments of the drivers: definitions, sums and refusals."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reeftally.errors import InputError, OutOfRangeError
from reeftally.ledger import (
    DRIVERS,
    MixingLine,
    State,
    concentration_from_flux,
    driver_increments,
    nutrient_alkalinity,
    organic_dic_from_oxygen,
)

REFERENCE = State(28.4, 35.1, 2312.0, 1988.8)
REEF = State(28.4, 35.1, 2308.2, 2004.1)


def increments(**changes):
    given_ = {
        "reef": REEF, "reference": REFERENCE, "global_dic": 87.0, "mixing_line": None,
        "gas_exchange_dic": -0.5, "organic_dic": 17.7,
    }  # fmt: skip
    return driver_increments(**{**given_, **changes})


def test_the_demonstration_basin_is_split_as_its_design_says():
    # Design numbers of the demonstration: organic +17.7 DIC, carbonate -1.9 DIC and -3.8 TA, gas -0.5 DIC.
    found = dict(zip(DRIVERS, increments(), strict=True))

    assert found["organic"] == pytest.approx([0, 0, 0, 17.7], abs=1e-9)
    assert found["carbonate"] == pytest.approx([0, 0, -3.8, -1.9], abs=1e-9)
    assert found["gas_exchange"] == pytest.approx([0, 0, 0, -0.5], abs=1e-9)
    assert found["global"] == pytest.approx([0, 0, 0, 87.0], abs=1e-9)
    assert found["residual"] == pytest.approx([0, 0, 0, 0], abs=1e-9)


number = st.floats(-30.0, 30.0)


@given(number, st.floats(-2, 2), st.floats(-1, 1), number, number, number, number, st.sets(st.sampled_from(DRIVERS)))
def test_the_increments_sum_to_end_minus_start_whatever_drivers_are_asked_for(dg, dt, ds, da, dc, gas, org, chosen):
    reef = State(28.4 + dt, 35.1 + ds, 2312.0 + da, 1988.8 + dc)

    found = increments(
        reef=reef, mixing_line=MixingLine(150.0, 140.0), global_dic=dg, gas_exchange_dic=gas, organic_dic=org,
        organic_alkalinity=0.1 * org, carbonate_alkalinity=0.5 * da, drivers=sorted(chosen),
    )  # fmt: skip

    rise = dg if "global" in chosen else 0.0
    assert found.sum(axis=0) == pytest.approx([dt, ds, da, dc + rise], abs=1e-8)


def test_dilution_alone_is_all_fresh_water():
    share = 0.98
    reef = State(28.4, 35.1 * share, 2312.0 * share + 0.02 * 50.0, 1988.8 * share + 0.02 * 60.0)

    found = dict(
        zip(
            DRIVERS,
            increments(reef=reef, mixing_line=MixingLine(50.0, 60.0), gas_exchange_dic=0.0, organic_dic=0.0),
            strict=True,
        )
    )

    assert found["freshwater"][1:] == pytest.approx([-0.702, (50.0 - 2312.0) * 0.02, (60.0 - 1988.8) * 0.02], abs=1e-9)
    assert found["carbonate"] == pytest.approx([0, 0, 0, 0], abs=1e-9)
    assert found["residual"] == pytest.approx([0, 0, 0, 0], abs=1e-9)


def test_calcification_takes_half_its_alkalinity_from_dic(row):
    # Smith and Key 1975: NEC = -0.5 dTA
    expected = row("ta-calc")
    step = expected["conditions"]["dTA"]
    reef = State(28.4, 35.1, 2312.0 + step, 1988.8)

    found = dict(zip(DRIVERS, increments(reef=reef), strict=True))

    assert found["carbonate"][3] == pytest.approx(-expected["value"], abs=expected["tolerance"])


def test_alkalinity_not_explained_by_a_stated_carbonate_part_stays_in_the_residual():
    found = dict(zip(DRIVERS, increments(carbonate_alkalinity=-3.0), strict=True))

    assert found["carbonate"][2:] == pytest.approx([-3.0, -1.5])
    assert found["residual"][2:] == pytest.approx([-0.8, -0.4], abs=1e-9)


def test_respired_dic_follows_the_ratio_of_redfield(row):
    # Redfield, Ketchum and Richards 1963: 106 C to 138 O2
    expected = row("aou-redfield")

    found = organic_dic_from_oxygen(oxygen_reef=150.0, oxygen_reference=200.0, oxygen_gas_exchange=0.0, pq=138 / 106)

    assert float(found) == pytest.approx(expected["value"], abs=expected["tolerance"])


def test_oxygen_that_came_through_the_surface_hides_respiration():
    with_gas = organic_dic_from_oxygen(oxygen_reef=183.7, oxygen_reference=197.5, oxygen_gas_exchange=4.785, pq=1.05)

    # (13.8 + 4.785) / 1.05, the demonstration's 17.7
    assert float(with_gas) == pytest.approx(17.7, abs=1e-9)


def test_a_flux_over_a_day_in_six_metres_makes_the_expected_change():
    # 3 mmol m-2 h-1 for 34 h in 6.4 m of 1022.4 kg m-3: 102 mmol m-2 / 6543 kg m-2 = 15.59 µmol kg-1
    found = concentration_from_flux(flux=3.0, residence_time=34.0, depth=6.4, density=1022.4)

    assert float(found) == pytest.approx(102.0 / (6.4 * 1022.4) * 1000.0, rel=1e-12)


def test_a_density_in_grams_per_cubic_centimetre_is_refused():
    with pytest.raises(OutOfRangeError, match="density"):
        concentration_from_flux(flux=3.0, residence_time=34.0, depth=6.4, density=1.0224)


def test_salinities_that_differ_need_a_mixing_line():
    with pytest.raises(InputError, match="mixing_line"):
        increments(reef=State(28.4, 35.0, 2308.2, 2004.1))


def test_an_unknown_driver_is_named():
    with pytest.raises(InputError, match="weather"):
        increments(drivers=("organic", "weather"))


def test_trials_and_blocks_broadcast():
    reef = State(np.full((5, 3), 28.4), 35.1, 2308.2, np.full(3, 2004.1))

    found = increments(reef=reef, organic_dic=np.full((5, 1), 17.7))

    assert found.shape == (7, 4, 5, 3)


def test_nutrients_move_alkalinity_by_measurement_or_by_redfield():
    # Redfield, Ketchum and Richards 1963: 17 (16 N + 1 P) for 106 C
    by_ratio = nutrient_alkalinity(organic_dic=106.0)
    measured = nutrient_alkalinity(nitrate_difference=16.0, phosphate_difference=1.0)
    ammonium = nutrient_alkalinity(nitrate_difference=0.0, ammonium_difference=16.0)

    assert float(by_ratio) == pytest.approx(-17.0)
    assert float(measured) == pytest.approx(-17.0)
    assert float(ammonium) == pytest.approx(16.0)
    with pytest.raises(InputError, match="either"):
        nutrient_alkalinity()
