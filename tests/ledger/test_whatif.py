"""The account asked anew (tuning values of an invented reef; shifts known from the definition)."""

from __future__ import annotations

import pytest

from reeftally import ledger
from reeftally.errors import InputError

# Offshore and basin of the invented demonstration reef, 28.4 degC, S 35.1 (invented data).
INPUTS = {
    "reef_temperature": 28.4, "reef_salinity": 35.1, "reef_total_alkalinity": 2308.2, "reef_dic": 2004.1,
    "reef_oxygen": 183.7, "reference_temperature": 28.4, "reference_salinity": 35.1,
    "reference_total_alkalinity": 2312.0, "reference_dic": 1988.8, "reference_oxygen": 197.5, "xco2_now": 429.0,
    "xco2_past": 291.6, "air_pressure": 1011.0, "oxygen_gas_exchange": 4.8, "dic_gas_exchange": -0.5, "pq": 1.05,
    "residence_time": 34.0, "alkalinity_at_zero_salinity": 0.0, "dic_at_zero_salinity": 0.0, "pressure": 0.0,
}  # fmt: skip


def test_nothing_asked_moves_nothing():
    found = ledger.what_if(inputs=INPUTS)

    assert all(value == 0.0 for parts in found.shift.values() for value in parts.values())
    parts = found.stated["shapley_from_reference"]
    drivers = [name for name in parts if name not in ("local", "total")]
    assert sum(parts[name] for name in drivers) == pytest.approx(parts["total"], abs=1e-12)


@pytest.mark.parametrize("offset", [0.01, -0.01])
def test_a_wrong_reference_shifts_the_difference_by_as_much_and_lands_in_the_residual(offset):
    # By definition: reef minus reference moves by minus the offset of the reference.
    shift = ledger.what_if(inputs=INPUTS, reference_ph_offset=offset).shift["shapley_from_reference"]

    assert shift["total"] == pytest.approx(-offset, abs=1e-9)
    # The organic part comes from oxygen and does not see the reference's DIC: nearly all lands in the residual.
    assert shift["residual"] == pytest.approx(-offset, abs=0.0006)
    assert abs(shift["local"]) < 0.0006


def test_longer_stay_brings_more_through_the_surface():
    found = ledger.what_if(inputs=INPUTS, residence_time=68.0)
    shift = found.shift["shapley_from_reference"]

    # Twice the 4.8 µmol/kg of oxygen that came in through the surface: 4.8 more were respired, 4.8 / 1.05 DIC.
    assert shift["organic"] == pytest.approx(-0.00161 * 4.8 / 1.05, rel=0.1)
    assert shift["total"] == pytest.approx(0.0, abs=1e-9)
    assert shift["gas_exchange"] == pytest.approx(found.stated["shapley_from_reference"]["gas_exchange"], rel=0.02)


def test_pq_scales_the_organic_part():
    found = ledger.what_if(inputs=INPUTS, pq=1.05 * 1.1)
    method = "shapley_from_reference"

    assert found.asked[method]["organic"] == pytest.approx(found.stated[method]["organic"] / 1.1, rel=0.01)
    assert "parts made here" in found.sentence


def test_missing_and_wild_wishes_are_refused():
    with pytest.raises(InputError, match="reef_dic"):
        ledger.what_if(inputs={k: v for k, v in INPUTS.items() if k != "reef_dic"})
    with pytest.raises(InputError, match="pq"):
        ledger.what_if(inputs=INPUTS, pq=5.0)
