"""Derivatives and first-order uncertainty of the carbonate system."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from reeftally.errors import InputError, NoSolutionError, ShapeError
from reeftally.seawater._carbonate_names import GROUPS
from reeftally.seawater.carbonate import (
    INPUTS,
    ORR2018,
    OUTPUTS,
    STANDARD_OUTPUTS,
    Constants,
    derivatives,
    propagate,
    solve,
)

DATA = Path(__file__).parent / "data"
WATER = {"total_alkalinity": 2300.0, "dic": 2000.0, "temperature": 25.0, "salinity": 35.0}
RICH = {
    "temperature": 18.0,
    "salinity": 34.0,
    "pressure": 250.0,
    "phosphate": 1.5,
    "silicate": 20.0,
    "ammonium": 3.0,
    "sulfide": 2.0,
    "air_pressure": 1005.0,
}


def differenced(function, arguments: dict, name: str, outputs: tuple[str, ...]) -> dict[str, float]:
    """Fourth-order central differences of `function` by the argument `name`."""
    step = 1e-3 * max(abs(arguments[name]), 1.0)
    total = dict.fromkeys(outputs, 0.0)
    for shift, weight in ((1, 8.0), (-1, -8.0), (2, -1.0), (-2, 1.0)):
        state = function(**(arguments | {name: arguments[name] + shift * step}))
        for output in outputs:
            total[output] += weight * state[output] / (12.0 * step)
    return total


@pytest.mark.parametrize(
    "pair",
    [
        ("total_alkalinity", "dic"),
        ("total_alkalinity", "ph_nbs"),
        ("ph_seawater", "xco2"),
        ("dic", "bicarbonate"),
        ("pco2", "carbonate"),
    ],
    ids="+".join,
)
@pytest.mark.parametrize("moved", [False, True], ids=["in place", "moved"])
@pytest.mark.parametrize("k1k2", ["lueker2000", "millero2006"])
def test_derivatives_by_inputs_and_conditions_agree_with_differences(
    pair: tuple[str, str], moved: bool, k1k2: str
) -> None:
    # Differences of fourth order leave about 1e-9; the published target is 1e-4 (Orr et al. 2018).
    constants = Constants(k1k2=k1k2)
    truth = solve(total_alkalinity=2280.0, dic=2010.0, **RICH, constants=constants)
    arguments = {name: truth[name] for name in pair} | RICH
    if moved:
        arguments |= {"temperature_out": 6.0, "pressure_out": 900.0}

    exact = derivatives(**arguments, constants=constants, outputs=OUTPUTS)

    def at(**kwargs: float):
        return solve(**kwargs, constants=constants, outputs=OUTPUTS)

    for name in arguments:
        numerical = differenced(at, arguments, name, OUTPUTS)
        for output in OUTPUTS:
            scale = abs(at(**arguments)[output]) / max(abs(arguments[name]), 1.0)
            assert_allclose(
                exact[output][name], numerical[output], rtol=1e-6, atol=1e-7 * scale, err_msg=f"{output} {name}"
            )


def test_derivatives_by_every_constant_agree_with_the_forty_digit_solution() -> None:
    # Source: differences in arbitrary precision, make_reference_states.py.
    file = np.load(DATA / "carbonate_reference_slopes.npz")
    temperature, salinity, pressure, alkalinity, dic, phosphate, silicate = file["inputs"].T
    constants = (
        "ln_k0",
        "ln_k1",
        "ln_k2",
        "ln_kb",
        "ln_kw",
        "ln_ks",
        "ln_kf",
        "ln_kp1",
        "ln_kp2",
        "ln_kp3",
        "ln_ksi",
        "ln_ksp_aragonite",
        "ln_ksp_calcite",
        "ln_total_boron",
        "ln_calcium",
    )
    outputs = ("ph_total", "fco2", "carbonate", "aragonite_saturation")

    exact = derivatives(
        temperature=temperature,
        salinity=salinity,
        pressure=pressure,
        total_alkalinity=alkalinity,
        dic=dic,
        phosphate=phosphate,
        silicate=silicate,
        outputs=outputs,
        wrt=constants,
    )

    for column, output in enumerate(outputs):
        for row, name in enumerate(constants):
            expected = file["slopes"][:, row, column]
            assert_allclose(exact[output][name], expected, rtol=1e-9, atol=1e-12, err_msg=f"{output} {name}")


def test_derivatives_keep_shape_labels_and_nan() -> None:
    dic = xr.DataArray([2000.0, np.nan], dims="time")

    table = derivatives(
        total_alkalinity=2300.0, dic=dic, temperature=25.0, salinity=35.0, outputs=("ph_total",), wrt=("dic",)
    )

    result = table["ph_total"]["dic"]
    assert result.dims == ("time",)
    assert np.isnan(result[1])
    single = derivatives(**WATER)
    assert float(result[0]) == single["ph_total"]["dic"]
    assert isinstance(single["ph_total"]["dic"], float)
    assert solve(**WATER, derivatives=True).derivatives == single


def test_temperature_moves_the_results_unless_they_have_their_own() -> None:
    lifted = derivatives(**WATER, pressure=100.0, pressure_out=0.0, outputs=("ph_total",))["ph_total"]

    def at(t: float) -> float:
        return solve(**(WATER | {"temperature": t}), pressure=100.0, pressure_out=0.0).ph_total

    assert_allclose(lifted["temperature"], (at(25.01) - at(24.99)) / 0.02, rtol=1e-6)
    assert lifted["pressure"] == pytest.approx(0.0, abs=1e-12)


def monte_carlo_case(rng: np.random.Generator) -> dict:
    """Return a random case of story: a pair, conditions, uncertainties and correlations."""
    pairs = [
        p for p in combinations(INPUTS, 2) if GROUPS[p[0]] != GROUPS[p[1]] and set(p) - {"bicarbonate", "carbonate"}
    ]
    pair = pairs[rng.integers(len(pairs))]
    alkalinity = rng.uniform(2100.0, 2500.0)
    conditions = {
        "temperature": rng.uniform(12.0, 31.0),
        "salinity": rng.uniform(32.0, 37.0),
        "pressure": rng.uniform(0.0, 100.0),
        "phosphate": rng.uniform(0.0, 1.5),
        "silicate": rng.uniform(0.0, 30.0),
    }
    truth = solve(total_alkalinity=alkalinity, dic=alkalinity * rng.uniform(0.82, 0.93), **conditions)
    values = {name: getattr(truth, name) for name in pair}
    sd = {name: _typical_sd(name, value) for name, value in values.items()}
    sd |= {"temperature": rng.uniform(0.01, 0.1), "salinity": rng.uniform(0.01, 0.1)}
    correlation = {pair: rng.uniform(-0.9, 0.9), ("temperature", "salinity"): rng.uniform(-0.9, 0.9)}
    return {"values": values | conditions, "sd": sd, "correlation": correlation}


def _typical_sd(name: str, value: float) -> float:
    """Return a small uncertainty, so that the first order is what is tested."""
    return 0.002 if name.startswith("ph") else 0.0005 * value


@pytest.mark.slow
def test_propagation_agrees_with_monte_carlo_within_two_percent_for_a_thousand_cases() -> None:
    # 10^5 draws leave 0.22 % (one standard deviation) on a standard deviation.
    rng = np.random.default_rng(41)
    outputs = ("total_alkalinity", "dic", "ph_total", "fco2", "aragonite_saturation")
    worst, checked = 0.0, 0
    for _ in range(1000):
        case = monte_carlo_case(rng)
        names = tuple(case["sd"])
        sd = np.array([case["sd"][name] for name in names])
        rho = np.eye(len(names))
        for (one, other), value in case["correlation"].items():
            i, j = names.index(one), names.index(other)
            rho[i, j] = rho[j, i] = value
        draws = rng.standard_normal((100_000, len(names))) @ np.linalg.cholesky(rho).T * sd

        drawn = solve(
            **(case["values"] | {n: case["values"][n] + draws[:, k] for k, n in enumerate(names)}), outputs=outputs
        )
        first_order = propagate(
            **case["values"], sd=case["sd"], correlation=case["correlation"], constants_sd={}, outputs=outputs
        )

        for output in outputs:
            spread = np.std(drawn[output])
            if output in names:
                assert_allclose(spread, first_order.sd[output], rtol=0.02)
                continue
            worst = max(worst, abs(first_order.sd[output] / spread - 1.0))
            checked += 1
    assert checked >= 3000
    assert worst <= 0.02


def test_correlation_changes_the_uncertainty_as_the_law_says() -> None:
    sd = {"total_alkalinity": 2.0, "dic": 2.0}
    slope = derivatives(**WATER)["ph_total"]
    by_ta, by_dic = 2.0 * slope["total_alkalinity"], 2.0 * slope["dic"]

    for rho in (-1.0, -0.5, 0.0, 0.5, 1.0):
        result = propagate(**WATER, sd=sd, correlation={("dic", "total_alkalinity"): rho}, constants_sd={})

        expected = np.sqrt(by_ta**2 + by_dic**2 + 2.0 * rho * by_ta * by_dic)
        assert_allclose(result.sd["ph_total"], expected, rtol=1e-9)
        # The quantities given keep the uncertainty they were given with.
        assert_allclose(result.sd["total_alkalinity"], 2.0, rtol=1e-9)


def test_random_and_systematic_parts_stay_apart_and_add_in_squares() -> None:
    result = propagate(
        **WATER, sd={"dic": 2.0}, systematic_sd={"dic": 3.0, "temperature": 0.1}, outputs=("ph_total", "fco2")
    )

    for name in ("ph_total", "fco2"):
        parts = result.contributions[name]
        assert_allclose(result.random_sd[name], parts["dic"], rtol=1e-12)
        assert_allclose(parts["dic_systematic"], 1.5 * parts["dic"], rtol=1e-12)
        systematic = np.sqrt(sum(v**2 for k, v in parts.items() if k != "dic"))
        assert_allclose(result.systematic_sd[name], systematic, rtol=1e-12)
        assert_allclose(result.sd[name], np.hypot(result.random_sd[name], systematic), rtol=1e-12)
        assert set(parts) == {"dic", "dic_systematic", "temperature_systematic", *ORR2018}


def test_a_correlated_pair_of_constants_partly_cancels() -> None:
    # pCO2 from alkalinity and DIC depends on K2 / K1, so that a common error cancels.
    alone = propagate(**WATER, sd={}, constants_sd={"pk1": 0.01, "pk2": 0.01}, outputs=("pco2",))
    together = propagate(
        **WATER,
        sd={},
        constants_sd={"pk1": 0.01, "pk2": 0.01},
        systematic_correlation={("pk1", "pk2"): 1.0},
        outputs=("pco2",),
    )

    assert together.sd["pco2"] < 0.3 * alone.sd["pco2"]


def test_arrays_and_labels_are_propagated_member_by_member() -> None:
    dic = xr.DataArray([2000.0, 2050.0, np.nan], dims="time")

    result = propagate(
        total_alkalinity=2300.0, dic=dic, temperature=25.0, salinity=35.0, sd={"dic": 2.0, "total_alkalinity": 2.0}
    )

    single = propagate(**(WATER | {"dic": 2050.0}), sd={"dic": 2.0, "total_alkalinity": 2.0})
    for name in STANDARD_OUTPUTS:
        assert result.sd[name].dims == ("time",)
        assert_allclose(float(result.sd[name][1]), single.sd[name], rtol=1e-12)
        assert np.isnan(result.sd[name][2])


def test_what_cannot_be_propagated_is_refused() -> None:
    with pytest.raises(InputError, match="below zero"):
        propagate(**WATER, sd={"dic": -2.0})
    with pytest.raises(InputError, match="wrt"):
        propagate(**WATER, sd={"fco2": 2.0})
    with pytest.raises(InputError, match="constants_sd"):
        propagate(**WATER, sd={}, constants_sd={"pk9": 0.1})
    with pytest.raises(InputError, match="possible"):
        propagate(**WATER, sd={"dic": 1.0, "total_alkalinity": 1.0}, correlation={("dic", "total_alkalinity"): 1.5})
    with pytest.raises(InputError, match="correlation"):
        propagate(**WATER, sd={"dic": 1.0}, correlation={("dic", "salinity"): 0.5})
    with pytest.raises(ShapeError):
        propagate(**(WATER | {"dic": np.full(3, 2000.0)}), sd={"dic": np.ones(4)})
    with pytest.raises(NoSolutionError):
        propagate(**(WATER | {"dic": -1.0}), sd={"dic": 1.0})
