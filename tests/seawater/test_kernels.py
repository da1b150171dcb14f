"""The compiled kernels: what keeps their stored machine code true, and their safeguards."""

from __future__ import annotations

import itertools
import subprocess
import sys

import mpmath
import numpy as np
import pytest
from numba import njit
from numpy.testing import assert_allclose, assert_array_equal

from reeftally.seawater import _constants, _kernels, _kernels_acid, _kernels_math, _kernels_roots
from reeftally.seawater._constants_sets import _BORON, _K1K2, _KB_PRESSURE, _KF, _KS, _KW_PRESSURE
from reeftally.seawater.carbonate import OUTPUTS, Constants, ReasonCode, equilibrium_constants, solve


def test_stored_machine_code_goes_stale_when_a_formula_changes(monkeypatch) -> None:
    def ln_k0(t, r, ln_t, s):
        return 0.0 * t

    ln_k0.__module__ = _constants.__name__
    before = _kernels._fingerprint()
    monkeypatch.setattr(_constants, "ln_k0", ln_k0)

    assert _kernels._fingerprint() != before


def test_stored_machine_code_goes_stale_when_a_number_changes(monkeypatch) -> None:
    before = _kernels._fingerprint()
    monkeypatch.setattr(_constants, "GAS_CONSTANT_BAR", 83.14472 * (1.0 + 1e-15))

    assert _kernels._fingerprint() != before


def test_stored_machine_code_goes_stale_when_the_rounding_changes(monkeypatch) -> None:
    before = _kernels._fingerprint()
    monkeypatch.setattr(_kernels_math, "FUSED", {"error_model": "numpy"})

    assert _kernels._fingerprint() != before


def test_two_processes_agree_on_the_fingerprint() -> None:
    # It must not hold addresses, or nothing would ever be loaded from the cache.
    program = "from reeftally.seawater import _kernels; print(_kernels._fingerprint())"

    other = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True)

    assert int(other.stdout) == _kernels._fingerprint()


def test_acid_and_alkaline_extremes_are_solved_where_the_starting_value_fails() -> None:
    # From strong acid (no alkalinity left) to strong base, many decades of pH; each state is then
    # built up again from its own pH.
    alkalinity = np.concatenate([np.linspace(-5000.0, 0.0, 200), np.linspace(0.0, 15000.0, 400)])
    dic = np.linspace(0.0, 8000.0, 50)[:, None]
    common = {"temperature": 20.0, "salinity": 35.0, "phosphate": 3.0, "silicate": 150.0}

    state = solve(total_alkalinity=alkalinity, dic=dic, **common)
    back = solve(ph_total=state.ph_total, dic=state.dic, **common)

    solved = state.code & ReasonCode.NO_SOLUTION == 0
    assert solved.all()
    scale = np.abs(alkalinity) + dic + 1.0
    assert np.abs((back.total_alkalinity - alkalinity) / scale).max() < 1e-11
    assert state.ph_total.min() < 3.0
    assert state.ph_total.max() > 11.0
    # More alkalinity, higher pH: the root is the only one.
    assert (np.diff(state.ph_total, axis=1) >= 0.0).all()


def test_the_search_stands_any_starting_value() -> None:
    water = {"temperature": 25.0, "salinity": 35.0}
    k, totals, ratio, _ = _reference(water)
    expected = 10.0 ** -solve(total_alkalinity=2300.0, dic=2000.0, **water).ph_total

    found = [
        _kernels_roots.find_root(2300e-6, _kernels_acid.DIC, 2000e-6, h, 1e-12, 1e-2, False, k, totals, ratio)
        for h in (1e-12, 3e-11, 1e-8, 1e-6, 1e-4, 1e-2)
    ]

    assert_allclose(found, expected, rtol=1e-13)


def _reference(water: dict[str, float]):
    return _kernels_acid.equilibrium(
        water["temperature"], water["salinity"], 0.0, 0.0, 0.0, 0.0, 0.0, False, (0, 0, 0, 0, 0, 0)
    )


def test_the_constants_kernel_and_the_solver_use_the_same_numbers() -> None:
    rng = np.random.default_rng(5)
    temperature, salinity = rng.uniform(5.0, 33.0, 50), rng.uniform(20.0, 40.0, 50)

    k = equilibrium_constants(temperature=temperature, salinity=salinity)
    state = solve(total_alkalinity=2300.0, dic=2000.0, temperature=temperature, salinity=salinity)

    h = 10.0**-state.ph_total
    assert_allclose(h * state.bicarbonate / state.co2, k["k1"], rtol=1e-12)
    assert_allclose(h * state.carbonate / state.bicarbonate, k["k2"], rtol=1e-12)
    assert_allclose(state.co2 / state.fco2, k["k0"], rtol=1e-12)
    assert_allclose(10.0 ** (state.ph_free - state.ph_total), k["total_over_free"], rtol=1e-12)
    assert_array_equal(np.isfinite(k["kp1"]), True)


@njit(**_kernels_math.FUSED)
def _exp_of_each(x):
    out = np.empty_like(x)
    for j in range(x.size):
        out[j] = _kernels_math.lane_exp(x[j])
    return out


@njit(**_kernels_math.FUSED)
def _log_of_each(x):
    out = np.empty_like(x)
    for j in range(x.size):
        out[j] = _kernels_math.lane_log(x[j])
    return out


@pytest.mark.parametrize(
    ("function", "exact", "x"),
    [
        (_exp_of_each, mpmath.exp, np.random.default_rng(1).uniform(-700.0, 700.0, 2000)),
        (_exp_of_each, mpmath.exp, np.random.default_rng(2).uniform(-1.0, 1.0, 2000)),
        (_exp_of_each, mpmath.exp, np.array([0.0, -700.0, 700.0, 1e-300, 0.34657359027997264])),
        (_log_of_each, mpmath.log, 10.0 ** np.random.default_rng(3).uniform(-300.0, 300.0, 2000)),
        (_log_of_each, mpmath.log, np.random.default_rng(4).uniform(0.5, 2.0, 2000)),
        (_log_of_each, mpmath.log, np.array([1.0 - 2.0**-53, 1.0 + 2.0**-52, 0.7071067811865475, 268.15])),
    ],
)
def test_exponential_and_logarithm_are_within_one_unit_of_the_last_place(function, exact, x) -> None:
    with mpmath.workdps(40):
        expected = [exact(mpmath.mpf(float(value))) for value in x]
        units = [
            abs(mpmath.mpf(float(found)) - true) / mpmath.mpf(float(np.spacing(abs(float(true)))))
            for found, true in zip(function(x), expected, strict=True)
        ]

    assert max(units) < 1.0


def test_exponential_of_nothing_and_logarithm_of_one_are_exact() -> None:
    assert _exp_of_each(np.zeros(1))[0] == 1.0
    assert _log_of_each(np.ones(1))[0] == 0.0


def _choices() -> list[Constants]:
    parts = (_K1K2, _KS, _KF, _BORON, _KB_PRESSURE, _KW_PRESSURE)
    names = ("k1k2", "ks", "kf", "boron", "kb_pressure", "kw_pressure")
    return [Constants(**dict(zip(names, choice, strict=True))) for choice in itertools.product(*parts)]


def test_constants_side_by_side_are_those_of_one_state_for_every_choice_of_sets() -> None:
    # The far corners of what the solver accepts: nothing may leave the range of the exponential.
    water = list(itertools.product((-5.0, 20.0, 60.0), (0.0, 35.0, 70.0), (-10.0, 0.0, 12000.0)))
    temperature, salinity, pressure = np.array(water).T

    for choice in _choices():
        found = equilibrium_constants(temperature=temperature, salinity=salinity, pressure=pressure, constants=choice)
        alone = [_kernels_acid.equilibrium(*state, 1.0, 1.0, 1.0, 1.0, True, choice.codes()) for state in water]
        for j, name in enumerate(("k0", "k1", "k2", "kb", "kw", "ks", "kf")):
            assert_allclose(found[name], [k[0][j] for k in alone], rtol=2e-12, err_msg=f"{choice} {name}")
        for j, name in ((10, "ksi"), (11, "knh4"), (12, "kh2s"), (13, "ksp_aragonite"), (14, "ksp_calcite")):
            assert_allclose(found[name], [k[0][j] for k in alone], rtol=2e-12, err_msg=f"{choice} {name}")
        cumulative = 1.0 / (found["kp3"] * found["kp2"] * found["kp1"])
        assert_allclose(cumulative, [k[0][9] for k in alone], rtol=2e-12)
        assert_allclose(found["total_over_seawater"], [k[3] for k in alone], rtol=1e-12)


@pytest.mark.parametrize(
    "pair", ["dic", "ph_total", "ph_free", "ph_seawater", "ph_nbs", "fco2", "bicarbonate", "carbonate"]
)
@pytest.mark.parametrize("moved", [False, True])
def test_a_state_does_not_depend_on_its_neighbours(pair: str, moved: bool) -> None:
    rng = np.random.default_rng(17)
    n = 150
    state = {
        "total_alkalinity": rng.uniform(1500.0, 3000.0, n),
        "temperature": rng.uniform(0.0, 40.0, n),
        "salinity": rng.uniform(2.0, 44.0, n),
        "pressure": rng.uniform(0.0, 5000.0, n),
        # In some states only, so that blocks hold both kinds.
        "phosphate": rng.uniform(0.0, 3.0, n) * (rng.random(n) < 0.5),
        "silicate": rng.uniform(0.0, 100.0, n) * (rng.random(n) < 0.5),
        "ammonium": rng.uniform(0.0, 20.0, n) * (rng.random(n) < 0.1),
        "sulfide": rng.uniform(0.0, 20.0, n) * (rng.random(n) < 0.1),
    }
    dic = state["total_alkalinity"] * rng.uniform(0.7, 1.05, n)
    state[pair] = dic if pair == "dic" else getattr(solve(**state, dic=dic), pair)
    if moved:
        state |= {"temperature_out": rng.uniform(0.0, 40.0, n), "pressure_out": rng.uniform(0.0, 5000.0, n)}
        state["temperature_out"][100] = 300.0
    state["temperature"][3] = np.nan
    state["salinity"][5] = -1.0
    state["pressure"][70] = 1e9
    state[pair][71] = np.nan
    state["total_alkalinity"][72] = np.inf

    together = solve(**state, outputs=OUTPUTS)
    alone = [solve(**{name: values[j : j + 1] for name, values in state.items()}, outputs=OUTPUTS) for j in range(n)]

    # Where the constants of an absent acid stand at one or at their value, no bit of a result changes.
    for name in (*OUTPUTS, "code"):
        assert_array_equal(getattr(together, name), np.concatenate([getattr(a, name) for a in alone]), err_msg=name)
    solved = np.isfinite(together.ph_total)
    assert solved.sum() > 100
    assert not solved[[3, 5, 70, 71, 72]].any()
