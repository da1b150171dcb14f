"""Isotope notation, mixing and fractionation. Numbers with an id stand with their sources in data/isotopes.json."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reeftally.errors import InputError
from reeftally.seawater import carbonate, isotopes

ROWS = {
    row["id"]: row
    for row in json.loads((Path(__file__).parent / "data/isotopes.json").read_text(encoding="utf-8"))["rows"]
}
STANDARD = {0.0111105: "dunn2024", 0.0112372: "craig1957"}


def add(c, *, exact):
    sign = 1.0 if "added_DIC" in c else -1.0
    return isotopes.delta_after_addition(
        amount=c["DIC0"],
        delta=c["delta0"],
        added=sign * c.get("added_DIC", c.get("removed_DIC")),
        delta_added=c.get("delta_added", c.get("delta_removed")),
        exact=exact,
    )


def pair(of, relative_to, method):
    return lambda c: isotopes.fractionation(of=of, relative_to=relative_to, temperature=c["T_C"], method=method)


KINDS = {
    "iso-001": lambda c: isotopes.VPDB_RATIOS["dunn2024"],
    "iso-002": lambda c: isotopes.VPDB_RATIOS["chang1990"],
    "iso-003": lambda c: isotopes.VPDB_RATIOS["craig1957"],
    "iso-004": lambda c: isotopes.NBS19_DELTA,
    "iso-01": lambda c: isotopes.atom_fraction(delta=c["delta_permil"], standard=STANDARD[c["Rstd"]]),
    "iso-02": lambda c: add(c, exact=False),
    "iso-03": lambda c: add(c, exact=True),
    "frac-mook-gb": pair("co2_gas", "bicarbonate", "mook1974"),
    "frac-mook-ab": pair("co2_aqueous", "bicarbonate", "mook1974"),
    "frac-zhang-bg": pair("bicarbonate", "co2_gas", "zhang1995"),
    "frac-zhang-cg": pair("carbonate", "co2_gas", "zhang1995"),
    "frac-zhang-ag": pair("co2_aqueous", "co2_gas", "zhang1995"),
    "frac-zhang-dic": lambda c: isotopes.dic_gas_zhang1995(temperature=c["T_C"], carbonate_share=c["fCO3"]),
    "frac-halas": pair("carbonate", "co2_gas", "halas1997"),
    "frac-aragonite": lambda c: isotopes.ARAGONITE_BICARBONATE,
    "frac-kinetic": lambda c: isotopes.KINETIC_UPTAKE_FACTOR,
}
CASES = [(name, kind) for name in ROWS for start, kind in KINDS.items() if name.startswith(start)]
EXACT = 1e-15


@pytest.mark.parametrize(("name", "kind"), CASES, ids=[name for name, _ in CASES])
def test_isotopes_agree_with_the_check_value(name, kind):
    row = ROWS[name]
    tolerance = row["tolerance"] if isinstance(row["tolerance"], float) else EXACT

    assert_allclose(kind(row["conditions"]), row["value"], rtol=0, atol=tolerance)


def test_every_check_row_is_used_or_a_fact():
    # End members and rates of change stand in docs/facts.md.
    facts = {name for name in ROWS if name.startswith(("end-", "suess-"))}

    assert set(ROWS) == {name for name, _ in CASES} | facts


def test_the_co2_of_a_membrane_is_lighter_than_its_dic_by_the_known_amount():
    # Evaluation of the cited lines: 9.13 permil at 25 degC (carbonate share 0.105), about 11.3 at 5 degC.
    warm = isotopes.delta_of_dic(delta_co2=0.0, temperature=25.0, carbonate_share=0.105)
    cold = isotopes.delta_of_dic(delta_co2=0.0, temperature=5.0, carbonate_share=0.05)

    # 9.13 is the plain difference of two fractionations; the exact quotient adds 0.01.
    assert_allclose(warm, 9.13 * (1.0 + 1.19e-3), rtol=0, atol=0.5e-2)
    assert_allclose(cold, 11.3, rtol=0, atol=0.05)


def test_sum_over_species_and_direct_line_differ_by_what_the_choice_is_said_to_cost():
    # 7.66 against 7.94 permil at 25 degC with the speciation of ordinary surface water.
    state = carbonate.solve(total_alkalinity=2300.0, dic=2000.0, temperature=25.0, salinity=35.0)
    species = isotopes.dic_gas_from_species(
        temperature=25.0, co2_share=state.co2 / state.dic, carbonate_share=state.carbonate / state.dic
    )
    direct = isotopes.dic_gas_zhang1995(temperature=25.0, carbonate_share=state.carbonate / state.dic)

    assert_allclose(species, 7.66, rtol=0, atol=0.03)
    assert direct - species < 2.0 * isotopes.SET_CHOICE_SD


def test_sources_disagree_on_carbonate_ion_as_recorded():
    # 25 degC: 5.0 (Halas 1997), 5.9 (Zhang 1995), 6.4 (Deines 1974).
    found = [
        isotopes.fractionation(of="carbonate", relative_to="co2_gas", temperature=25.0, method=method)
        for method in ("halas1997", "zhang1995", "deines1974")
    ]

    assert_allclose(found, [5.0, 5.9, 6.4], rtol=0, atol=0.05)


def test_a_source_at_one_temperature_says_nothing_elsewhere():
    found = isotopes.fractionation(of="carbonate", relative_to="co2_gas", temperature=[15.0, 25.0], method="halas1997")

    assert np.isnan(found[0])
    assert_allclose(found[1], 5.0, rtol=1e-12)


def test_turned_and_chained_pairs_are_exact():
    forth = isotopes.fractionation(of="bicarbonate", relative_to="co2_gas", temperature=20.0)
    back = isotopes.fractionation(of="co2_gas", relative_to="bicarbonate", temperature=20.0)
    chained = isotopes.fractionation(of="bicarbonate", relative_to="co2_aqueous", temperature=20.0)
    aqueous = isotopes.fractionation(of="co2_aqueous", relative_to="co2_gas", temperature=20.0)

    assert_allclose((1.0 + forth / 1000.0) * (1.0 + back / 1000.0), 1.0, rtol=1e-14)
    assert_allclose((1.0 + chained / 1000.0) * (1.0 + aqueous / 1000.0), 1.0 + forth / 1000.0, rtol=1e-14)
    assert isotopes.fractionation(of="carbonate", relative_to="carbonate", temperature=20.0) == 0.0
    with pytest.raises(InputError, match="No fractionation of carbonate"):
        isotopes.fractionation(of="carbonate", relative_to="co2_gas", temperature=20.0, method="mook1974")


def test_equilibrium_with_todays_air_would_make_dic_lighter_than_tropical_water():
    # Air of -8.71 permil at 25 degC gives DIC of about -0.8 (evaluation of the direct line).
    enrichment = isotopes.dic_gas_zhang1995(temperature=25.0, carbonate_share=0.10)

    assert_allclose(isotopes.shift(delta=-8.71, enrichment=enrichment), -0.8, rtol=0, atol=0.05)


def test_mixing_of_deltas_is_good_to_the_stated_bound():
    for name in ("iso-030", "iso-031"):
        c = ROWS[name]["conditions"]
        assert abs(add(c, exact=True) - add(c, exact=False)) < 0.0003


def test_nothing_left_has_no_delta():
    assert np.isnan(isotopes.delta_after_addition(amount=[10.0], delta=[1.0], added=[-10.0], delta_added=[1.0])).all()


deltas = st.floats(-60.0, 60.0)


@settings(deadline=None, max_examples=60)
@given(delta=deltas, standard=st.sampled_from(sorted(isotopes.VPDB_RATIOS)))
def test_notation_goes_there_and_back(delta, standard):
    ratio = isotopes.ratio_from_delta(delta=delta, standard=standard)
    fraction = isotopes.atom_fraction(delta=delta, standard=standard)

    assert_allclose(isotopes.delta_from_ratio(ratio=ratio, standard=standard), delta, rtol=0, atol=1e-9)
    assert_allclose(isotopes.delta_from_atom_fraction(fraction=fraction, standard=standard), delta, rtol=0, atol=1e-9)


@settings(deadline=None, max_examples=60)
@given(
    delta=deltas,
    temperature=st.floats(0.0, 35.0),
    share=st.floats(0.02, 0.2),
    phase=st.sampled_from(["co2_aqueous", "co2_gas"]),
    method=st.sampled_from(["zhang1995", "species"]),
)
def test_dic_and_its_co2_go_there_and_back(delta, temperature, share, phase, method):
    setting = {"temperature": temperature, "carbonate_share": share, "phase": phase, "method": method}
    seen = isotopes.delta_of_co2(delta_dic=delta, **setting)

    assert_allclose(isotopes.delta_of_dic(delta_co2=seen, **setting), delta, rtol=0, atol=1e-9)
    assert seen < delta


@settings(deadline=None, max_examples=60)
@given(first=deltas, second=deltas, added=st.floats(0.0, 500.0), exact=st.booleans())
def test_a_mixture_lies_between_its_parts(first, second, added, exact):
    found = isotopes.delta_after_addition(amount=2000.0, delta=first, added=added, delta_added=second, exact=exact)

    assert min(first, second) - 1e-9 <= found <= max(first, second) + 1e-9
