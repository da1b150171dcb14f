"""The compiled kernels: what keeps their stored machine code true, and their safeguards."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
from numpy.testing import assert_allclose, assert_array_equal

from reeftally.seawater import _constants, _kernels, _kernels_acid, _kernels_roots
from reeftally.seawater.carbonate import ReasonCode, equilibrium_constants, solve


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
