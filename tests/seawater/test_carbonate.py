"""The carbonate system: exactness, all pairs, roots, codes, shapes, choices."""

from __future__ import annotations

import subprocess
import sys
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from reeftally.errors import InputError, NoSolutionError, OutOfRangeError, ShapeError
from reeftally.seawater._carbonate_names import GROUPS
from reeftally.seawater.carbonate import (
    INPUTS,
    OUTPUTS,
    STANDARD_OUTPUTS,
    Constants,
    ReasonCode,
    derivatives,
    equilibrium_constants,
    solve,
)

DATA = Path(__file__).parent / "data"
PAIRS = [pair for pair in combinations(INPUTS, 2) if GROUPS[pair[0]] != GROUPS[pair[1]]]
NO_VALUE = (
    ReasonCode.MISSING | ReasonCode.NEGATIVE | ReasonCode.OUT_OF_RANGE | ReasonCode.NO_SOLUTION | ReasonCode.NEAR_FOLD
)
WATER = {"total_alkalinity": 2300.0, "dic": 2000.0, "temperature": 25.0, "salinity": 35.0}


def random_states(n: int, *, wide: bool, seed: int = 7) -> dict[str, np.ndarray]:
    """Invented states; wide ones far outside any ocean, narrow ones of shelf and open sea."""
    rng = np.random.default_rng(seed)
    if wide:
        alkalinity, ratio = rng.uniform(50.0, 6000.0, n), rng.uniform(0.35, 1.3, n)
        span = ((-1.0, 40.0), (1.0, 45.0), (0.0, 6000.0))
    else:
        alkalinity, ratio = rng.uniform(1900.0, 2600.0, n), rng.uniform(0.78, 0.97, n)
        span = ((5.0, 32.0), (30.0, 38.0), (0.0, 500.0))
    return {
        "total_alkalinity": alkalinity,
        "dic": alkalinity * ratio,
        "temperature": rng.uniform(*span[0], n),
        "salinity": rng.uniform(*span[1], n),
        "pressure": rng.uniform(*span[2], n),
        "phosphate": rng.uniform(0.0, 5.0, n),
        "silicate": rng.uniform(0.0, 200.0, n),
        "ammonium": rng.uniform(0.0, 50.0, n),
        "sulfide": rng.uniform(0.0, 50.0, n),
        "air_pressure": rng.uniform(900.0, 1100.0, n),
    }


def without_pair(states: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    return {k: v for k, v in states.items() if k not in ("total_alkalinity", "dic")}


def test_the_reference_water_has_the_expected_ph_and_saturation() -> None:
    # An independent solution with the constants of Lueker et al. 2000: 8.046 and 3.386.
    state = solve(**WATER)

    assert round(state.ph_total, 3) == 8.046
    assert abs(state.aragonite_saturation - 3.386) <= 0.0005
    assert isinstance(state.ph_total, float)
    assert state.code == ReasonCode.OK


def test_ten_thousand_random_states_agree_with_the_forty_digit_solution() -> None:
    # Source: an independent solution in arbitrary precision, make_reference_states.py. Double
    # precision and the condition of these states leave 1e-12 with a wide margin.
    file = np.load(DATA / "carbonate_reference.npz")
    temperature, salinity, pressure, alkalinity, dic, phosphate, silicate = file["inputs"].T
    names = (
        "ph_total",
        "co2",
        "bicarbonate",
        "carbonate",
        "fco2",
        "aragonite_saturation",
        "calcite_saturation",
        "revelle_factor",
    )

    state = solve(
        temperature=temperature,
        salinity=salinity,
        pressure=pressure,
        total_alkalinity=alkalinity,
        dic=dic,
        phosphate=phosphate,
        silicate=silicate,
    )

    from_ph = solve(
        temperature=temperature,
        salinity=salinity,
        pressure=pressure,
        total_alkalinity=alkalinity,
        ph_total=file["outputs"][:, names.index("ph_total")],
        phosphate=phosphate,
        silicate=silicate,
    )

    assert temperature.size == 10_000
    for name, expected in zip(names, file["outputs"].T, strict=True):
        assert_allclose(state[name], expected, rtol=1e-12, atol=0.0, err_msg=name)
        assert_allclose(from_ph[name], expected, rtol=1e-12, atol=0.0, err_msg=f"{name} from pH")


@pytest.mark.parametrize("wide", [True, False], ids=["far beyond any ocean", "sea water"])
@pytest.mark.parametrize("pair", PAIRS, ids="+".join)
def test_every_pair_gives_back_the_state_it_came_from(pair: tuple[str, str], wide: bool) -> None:
    states = random_states(3000, wide=wide)
    truth = solve(**states)
    values = {name: truth[name] for name in pair}
    common = without_pair(states)
    names = ("total_alkalinity", "dic", "ph_total")

    found = [solve(**values, **common, root=root) for root in ("high_ph", "low_ph")]
    slope = derivatives(**values, **common, root="high_ph", wrt=pair, outputs=("dic", "ph_total"))

    # Relative change of DIC or of [H+] for a relative change of either input.
    condition = np.zeros(3000)
    for name in pair:
        size = np.abs(values[name])
        condition = np.fmax(condition, np.abs(slope["dic"][name]) * size / found[0].dic)
        condition = np.fmax(condition, np.abs(slope["ph_total"][name]) * size * np.log(10.0))
    good = (condition < 1e4) & ((found[0].code & NO_VALUE) == 0)
    errors = [np.max([np.abs(state[name] / truth[name] - 1.0) for name in names], axis=0) for state in found]
    assert good.mean() > 0.99
    assert np.fmin(*errors)[good].max() < 1e-10
    if not wide:
        ordinary = solve(**values, **common)
        expected = truth.ph_total[good]
        # The default root is the one of sea water, where that is the question.
        sea = expected > 7.6
        assert_allclose(ordinary.ph_total[good][sea], expected[sea], rtol=0.0, atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    pair=st.sampled_from([("total_alkalinity", "dic"), ("dic", "ph_free"), ("total_alkalinity", "xco2")]),
    alkalinity=st.floats(500.0, 5000.0),
    ratio=st.floats(0.5, 1.2),
    temperature=st.floats(-1.0, 40.0),
    salinity=st.floats(0.0, 45.0),
    pressure=st.floats(0.0, 10000.0),
)
def test_any_single_state_comes_back(
    pair: tuple[str, str],
    alkalinity: float,
    ratio: float,
    temperature: float,
    salinity: float,
    pressure: float,
) -> None:
    common = {"temperature": temperature, "salinity": salinity, "pressure": pressure}
    truth = solve(total_alkalinity=alkalinity, dic=alkalinity * ratio, **common)

    state = solve(**{name: truth[name] for name in pair}, **common)

    assert_allclose(state.ph_total, truth.ph_total, rtol=1e-10)
    assert_allclose(state.dic, truth.dic, rtol=1e-10)


@settings(max_examples=60, deadline=None)
@given(
    # With less DIC there is so little CO2 that more of it also makes carbonate ion.
    dic=st.floats(1600.0, 3000.0),
    more=st.floats(1.0, 200.0),
    temperature=st.floats(0.0, 35.0),
    salinity=st.floats(20.0, 40.0),
)
def test_carbon_makes_water_more_acid_and_alkalinity_less(
    dic: float, more: float, temperature: float, salinity: float
) -> None:
    common = {"temperature": temperature, "salinity": salinity}

    base = solve(total_alkalinity=2300.0, dic=dic, **common)
    carbon = solve(total_alkalinity=2300.0, dic=dic + more, **common)
    alkaline = solve(total_alkalinity=2300.0 + more, dic=dic, **common)

    assert carbon.ph_total < base.ph_total < alkaline.ph_total
    assert carbon.fco2 > base.fco2 > alkaline.fco2
    assert carbon.aragonite_saturation < base.aragonite_saturation < alkaline.aragonite_saturation


def test_species_add_up_to_dic_and_alkalinity() -> None:
    states = random_states(500, wide=True)
    plain = {**states, "ammonium": 0.0, "sulfide": 0.0}

    s = solve(**plain, outputs=OUTPUTS)

    assert_allclose(s.co2 + s.bicarbonate + s.carbonate, s.dic, rtol=1e-13)
    # Dickson 1981, Deep-Sea Res. 28A, 609: the definition of total alkalinity.
    alkalinity = (
        s.bicarbonate
        + 2.0 * s.carbonate
        + s.borate
        + s.hydroxide
        + s.hydrogen_phosphate
        + 2.0 * s.phosphate_ion
        + s.silicate_ion
        - s.hydrogen_free
        - s.hydrogen_sulfate
        - s.hydrogen_fluoride
        - s.phosphoric_acid
    )
    assert_allclose(alkalinity, states["total_alkalinity"], rtol=1e-12)
    phosphate = s.phosphoric_acid + s.dihydrogen_phosphate + s.hydrogen_phosphate + s.phosphate_ion
    assert_allclose(phosphate, states["phosphate"], rtol=1e-12)


def test_free_and_total_scale_differ_by_the_stated_amount() -> None:
    # 0.120 at salinity 35.1 and 28.4 °C: computed independently.
    state = solve(total_alkalinity=2312.0, dic=1988.8, temperature=28.4, salinity=35.1)

    assert round(state.ph_free - state.ph_total, 3) == 0.120


def test_ph_at_25_degrees_differs_from_in_situ_by_the_stated_amount() -> None:
    # +0.051 within 0.002 for water at 28.4 °C: computed independently.
    water = {"total_alkalinity": 2312.0, "dic": 1988.8, "temperature": 28.4, "salinity": 35.1}

    in_situ = solve(**water)
    at_25 = solve(**water, temperature_out=25.0)

    assert abs(at_25.ph_total - in_situ.ph_total - 0.051) <= 0.002


def test_results_at_other_conditions_keep_alkalinity_and_dic() -> None:
    states = random_states(300, wide=False)
    there = solve(**states, temperature_out=25.0, pressure_out=0.0)

    back = solve(
        ph_total=there.ph_total,
        dic=there.dic,
        **(without_pair(states) | {"temperature": 25.0, "pressure": 0.0}),
        temperature_out=states["temperature"],
        pressure_out=states["pressure"],
    )

    assert_allclose(there.total_alkalinity, states["total_alkalinity"], rtol=1e-13)
    assert_allclose(back.ph_total, solve(**states).ph_total, rtol=1e-13)


def test_dic_with_bicarbonate_gives_the_high_ph_root_and_the_other_on_request() -> None:
    truth = solve(**WATER)
    pair = {"dic": truth.dic, "bicarbonate": truth.bicarbonate, "temperature": 25.0, "salinity": 35.0}

    default, high, low = (solve(**pair, **r) for r in ({}, {"root": "high_ph"}, {"root": "low_ph"}))

    assert default.code & ReasonCode.TWO_ROOTS
    assert default.ph_total == high.ph_total > low.ph_total
    assert_allclose(high.ph_total, truth.ph_total, rtol=1e-12)
    assert_allclose(low.bicarbonate, truth.bicarbonate, rtol=1e-12)
    assert_allclose(low.dic, truth.dic, rtol=1e-12)


def test_alkalinity_with_carbonate_gives_the_root_of_sea_water_and_the_other_on_request() -> None:
    truth = solve(**WATER)
    pair = {
        "total_alkalinity": 2300.0,
        "carbonate": truth.carbonate,
        "temperature": 25.0,
        "salinity": 35.0,
    }

    default, high = solve(**pair), solve(**pair, root="high_ph")

    assert default.code & ReasonCode.TWO_ROOTS
    assert_allclose(default.ph_total, truth.ph_total, rtol=1e-12)
    assert high.ph_total > 10.0
    assert_allclose(high.carbonate, truth.carbonate, rtol=1e-12)
    assert_allclose(high.total_alkalinity, 2300.0, rtol=1e-12)


@pytest.mark.parametrize("other", ["dic", "total_alkalinity"])
def test_near_the_fold_comes_a_code_and_no_number(other: str) -> None:
    common = {"temperature": 25.0, "salinity": 35.0}
    k = equilibrium_constants(**common)
    if other == "dic":
        # The two roots meet where [H+]^2 = K1 K2.
        pair = {"bicarbonate": 1000.0, "dic": 1000.0 * (1.0 + 2.0 * np.sqrt(k["k2"] / k["k1"]))}
    else:
        # Least alkalinity at fixed carbonate ion, found here by scanning pH.
        ph = np.linspace(8.0, 11.0, 300_001)
        least = solve(ph_total=ph, carbonate=300.0, **common).total_alkalinity.min()
        pair = {"carbonate": 300.0, "total_alkalinity": least}

    at_fold = solve(**{n: np.array([v]) for n, v in pair.items()}, **common)
    beyond = solve(**{n: np.array([v]) for n, v in (pair | {other: pair[other] * 0.99}).items()}, **common)

    assert at_fold.code[0] & ReasonCode.NEAR_FOLD
    assert np.isnan(at_fold.ph_total[0])
    assert beyond.code[0] & ReasonCode.NO_SOLUTION
    with pytest.raises(NoSolutionError, match="nearly coincide") as raised:
        solve(**pair, **common)
    assert raised.value.code == "near_fold"


@pytest.mark.parametrize(
    ("changes", "bit"),
    [
        ({"dic": np.nan}, ReasonCode.MISSING),
        ({"temperature": np.nan}, ReasonCode.MISSING),
        ({"dic": -1.0}, ReasonCode.NEGATIVE),
        ({"salinity": -0.1}, ReasonCode.NEGATIVE),
        ({"phosphate": -0.1}, ReasonCode.NEGATIVE),
        ({"temperature": 99.0}, ReasonCode.OUT_OF_RANGE),
        ({"pressure": 13000.0}, ReasonCode.OUT_OF_RANGE),
        ({"dic": np.inf}, ReasonCode.OUT_OF_RANGE),
        ({"total_alkalinity": 90000.0}, ReasonCode.NO_SOLUTION),
        ({"total_alkalinity": -30000.0}, ReasonCode.NO_SOLUTION),
    ],
)
def test_a_bad_member_of_an_array_is_nan_with_its_reason_and_leaves_the_others(
    changes: dict[str, float], bit: ReasonCode
) -> None:
    arrays = {name: np.array([value, value]) for name, value in (WATER | {"pressure": 0.0, "phosphate": 0.0}).items()}
    for name, value in changes.items():
        arrays[name][1] = value

    state = solve(**arrays)

    assert state.code[1] & bit
    assert all(np.isnan(state[name][1]) for name in STANDARD_OUTPUTS)
    assert state.code[0] == ReasonCode.OK
    assert_allclose(state.ph_total[0], solve(**WATER).ph_total, rtol=1e-15)


@pytest.mark.parametrize(
    ("pair", "code"),
    [
        ({"total_alkalinity": 2300.0, "pco2": -5.0}, "negative"),
        ({"total_alkalinity": 2300.0, "ph_total": 11.9}, "no_solution"),
        ({"dic": 2000.0, "co2": 2000.0}, "no_solution"),
        ({"dic": 2000.0, "carbonate": 2100.0}, "no_solution"),
        ({"dic": 2000.0, "bicarbonate": 1999.0}, "no_solution"),
        ({"total_alkalinity": 100.0, "carbonate": 300.0}, "no_solution"),
        ({"total_alkalinity": 2300.0, "co2": 0.0}, "no_solution"),
        ({"total_alkalinity": -30000.0, "dic": 2000.0}, "no_solution"),
    ],
)
def test_impossible_single_states_raise_and_say_why(pair: dict[str, float], code: str) -> None:
    with pytest.raises(NoSolutionError) as raised:
        solve(**pair, temperature=25.0, salinity=35.0)

    assert raised.value.code == code
    for value in pair.values():
        assert f"{value:g}" in str(raised.value)


def test_a_single_nan_gives_nan_and_no_error() -> None:
    state = solve(**(WATER | {"dic": np.nan}))

    assert np.isnan(state.ph_total)
    assert state.code == ReasonCode.MISSING


def test_a_single_value_out_of_range_names_itself() -> None:
    with pytest.raises(OutOfRangeError, match="temperature is 99"):
        solve(**(WATER | {"temperature": 99.0}))
    with pytest.raises(OutOfRangeError, match="ph_total is 81"):
        solve(ph_total=81.0, dic=2000.0, temperature=25.0, salinity=35.0)


@pytest.mark.parametrize(
    "pair",
    [{"dic": 2000.0}, {"dic": 2000.0, "ph_total": 8.0, "fco2": 400.0}, {"ph_total": 8.0, "ph_free": 8.1}, {}],
)
def test_anything_but_two_different_quantities_is_refused(pair: dict[str, float]) -> None:
    with pytest.raises(InputError, match=r"exactly two|same thing"):
        solve(**pair, temperature=25.0, salinity=35.0)


def test_unknown_names_are_refused_with_the_known_ones() -> None:
    with pytest.raises(InputError, match="lueker2000"):
        Constants(k1k2="lueker2001")
    with pytest.raises(InputError, match="revelle_factor"):
        solve(**WATER, outputs=("revelle",))
    with pytest.raises(InputError, match="high_ph"):
        solve(**WATER, root="upper")
    with pytest.raises(ShapeError):
        solve(**(WATER | {"dic": np.ones(3), "temperature": np.ones(4)}))


def test_leaving_the_range_of_a_source_sets_its_bit_and_still_computes() -> None:
    # Ranges: see Constants.validity.
    cold = solve(**(WATER | {"temperature": 1.0}))
    fresh = solve(**(WATER | {"salinity": 12.0}))
    moved = solve(**WATER, temperature_out=1.0)

    for state in (cold, fresh, moved):
        assert state.code & ReasonCode.OUTSIDE_K1K2
        assert np.isfinite(state.ph_total)
    assert cold.code & ReasonCode.OUTSIDE_KF
    assert not solve(**WATER, constants=Constants(k1k2="millero2006")).code


@pytest.mark.parametrize(
    ("choice", "low", "high"),
    [
        # Differences of pH at the reference water as collected from the sources: boron of Lee et
        # al. 2010 -0.0057; Roy et al. 1993 about -0.028 in Hawaiian water; KF invisible (< 0.0001).
        ({"boron": "lee2010"}, -0.00575, -0.00565),
        ({"k1k2": "roy1993"}, -0.032, -0.026),
        ({"kf": "dickson1979"}, -0.0001, 0.0001),
    ],
)
def test_choosing_another_source_changes_ph_as_published(choice: dict[str, str], low: float, high: float) -> None:
    change = solve(**WATER, constants=Constants(**choice)).ph_total - solve(**WATER).ph_total

    assert low <= change <= high


def test_total_minus_seawater_scale_depends_on_the_fluoride_source_as_published() -> None:
    # 0.0129 with Perez and Fraga, 0.0097 with Dickson and Riley, at salinity 35 and 25 °C.
    perez = solve(**WATER)
    riley = solve(**WATER, constants=Constants(kf="dickson1979"))

    assert round(perez.ph_total - perez.ph_seawater, 4) == 0.0129
    assert round(riley.ph_total - riley.ph_seawater, 4) == 0.0097


def test_buffer_factors_are_the_derivatives_that_define_them() -> None:
    # Egleston, Sabine and Morel 2010, Global Biogeochem. Cycles 24, GB1002: definitions.
    states = random_states(200, wide=False)
    s = solve(**states)
    d = derivatives(
        **states,
        wrt=("dic", "total_alkalinity"),
        outputs=("co2", "ph_total", "aragonite_saturation", "fco2"),
    )
    ten = np.log(10.0)

    assert_allclose(1.0 / s.gamma_dic, d["co2"]["dic"] / s.co2, rtol=1e-9)
    assert_allclose(1.0 / s.beta_dic, -ten * d["ph_total"]["dic"], rtol=1e-9)
    assert_allclose(1.0 / s.omega_dic, d["aragonite_saturation"]["dic"] / s.aragonite_saturation, rtol=1e-8, atol=1e-12)
    assert_allclose(1.0 / s.gamma_alk, d["co2"]["total_alkalinity"] / s.co2, rtol=1e-9)
    assert_allclose(1.0 / s.beta_alk, -ten * d["ph_total"]["total_alkalinity"], rtol=1e-9)
    assert_allclose(
        1.0 / s.omega_alk, d["aragonite_saturation"]["total_alkalinity"] / s.aragonite_saturation, rtol=1e-9
    )
    assert_allclose(s.revelle_factor, d["fco2"]["dic"] * s.dic / s.fco2, rtol=1e-9)


def test_arrays_broadcast_and_give_what_single_states_give() -> None:
    alkalinity, dic, temperature = np.array([[2200.0], [2400.0]]), 2000.0, np.array([20.0, 25.0, 30.0])

    state = solve(total_alkalinity=alkalinity, dic=dic, temperature=temperature, salinity=35.0)

    assert state.ph_total.shape == (2, 3)
    for i, j in np.ndindex(2, 3):
        one = solve(total_alkalinity=alkalinity[i, 0], dic=dic, temperature=temperature[j], salinity=35.0)
        assert state.ph_total[i, j] == one.ph_total


def test_dimensions_of_labelled_arrays_are_matched_by_name() -> None:
    alkalinity = xr.DataArray([2200.0, 2400.0], dims="time", coords={"time": [10, 20]})
    dic = xr.DataArray([1950.0, 2000.0, np.nan], dims="trial")

    state = solve(total_alkalinity=alkalinity, dic=dic, temperature=25.0, salinity=35.0)

    assert state.ph_total.dims == ("time", "trial")
    assert_array_equal(state.ph_total.time, [10, 20])
    assert state.fco2.attrs["units"] == "µatm"
    single = solve(total_alkalinity=2400.0, dic=1950.0, temperature=25.0, salinity=35.0)
    assert float(state.ph_total.sel(time=20, trial=0)) == single.ph_total
    assert (state.code.isel(trial=2) == ReasonCode.MISSING).all()


def test_large_inputs_give_bit_for_bit_what_small_pieces_give() -> None:
    # More than one slab and more than one thread, with a broadcast over the last axis.
    rng = np.random.default_rng(3)
    alkalinity, dic = 2300.0 + rng.normal(size=(400, 500)), 2000.0 + rng.normal(size=(400, 1))
    temperature = 25.0 + rng.normal(size=500)

    whole = solve(total_alkalinity=alkalinity, dic=dic, temperature=temperature, salinity=35.0)

    for row in (0, 131, 399):
        part = solve(total_alkalinity=alkalinity[row], dic=dic[row], temperature=temperature, salinity=35.0)
        assert_array_equal(whole.ph_total[row], part.ph_total)
        assert_array_equal(whole.omega_dic[row], part.omega_dic)


def test_threads_that_come_first_together_all_get_an_answer() -> None:
    # In a fresh process, where the machine code is not there yet.
    program = (
        "from concurrent.futures import ThreadPoolExecutor as Pool\n"
        "from reeftally.seawater.carbonate import solve\n"
        "one = lambda _: solve(total_alkalinity=2300, dic=2000, temperature=25, salinity=35).ph_total\n"
        "with Pool(8) as pool:\n"
        "    print(len(set(pool.map(one, range(16)))))\n"
    )

    done = subprocess.run([sys.executable, "-W", "error", "-c", program], capture_output=True, check=True)

    assert done.stdout.split() == [b"1"]


def test_inputs_of_any_layout_are_read_and_left_alone() -> None:
    alkalinity = np.asfortranarray(np.full((20, 30), 2300.0))[::2, ::-1]
    alkalinity.flags.writeable = False

    state = solve(total_alkalinity=alkalinity, dic=np.float32(2000.0), temperature=25, salinity=35)

    assert state.ph_total.shape == (10, 30)
    assert_array_equal(state.ph_total, solve(**WATER).ph_total)
    assert (alkalinity == 2300.0).all()


def test_empty_arrays_give_empty_results() -> None:
    state = solve(**(WATER | {"dic": np.empty((0, 3))}))

    assert state.ph_total.shape == (0, 3)


def test_asking_for_few_outputs_gives_the_same_numbers_and_nothing_else() -> None:
    everything = solve(**WATER, outputs=OUTPUTS)

    for name in OUTPUTS:
        only = solve(**WATER, outputs=(name,))
        assert only[name] == everything[name]
        assert list(only) == [name]


def test_constants_accept_arrays_and_carry_nan() -> None:
    k = equilibrium_constants(temperature=np.array([25.0, np.nan, 99.0]), salinity=35.0)

    assert k["k1"][0] == equilibrium_constants(temperature=25.0, salinity=35.0)["k1"]
    assert all(np.isnan(row[1:]).all() for row in k.values())
    with pytest.raises(NoSolutionError):
        equilibrium_constants(temperature=25.0, salinity=-1.0)


def test_constants_keep_labels() -> None:
    temperature = xr.DataArray([20.0, 25.0], dims="time")

    k = equilibrium_constants(temperature=temperature, salinity=xr.DataArray([35.0], dims="station"))

    assert k["k1"].dims == ("time", "station")
    assert float(k["k1"][1, 0]) == equilibrium_constants(temperature=25.0, salinity=35.0)["k1"]


def test_water_without_salt_is_solved() -> None:
    # No outside value: the alkalinity of pure carbonate in water without salt, all pairs agree.
    state = solve(total_alkalinity=1000.0, dic=1000.0, temperature=20.0, salinity=0.0)

    again = solve(ph_total=state.ph_total, fco2=state.fco2, temperature=20.0, salinity=0.0)

    assert_allclose(again.dic, 1000.0, rtol=1e-12)
    assert state.code & ReasonCode.OUTSIDE_K1K2
