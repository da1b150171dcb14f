"""First-order propagation and trials against the worked examples of the GUM and its Supplement 1.

Numbers marked with an id stand with their sources in data/metrology.json.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reeftally.errors import InputError, ShapeError
from reeftally.uncertainty import (
    Arcsine,
    CurvilinearTrapezoid,
    Normal,
    Rectangular,
    Student,
    Trials,
    coverage_factor,
    first_order,
    least_squares_line,
    summarise,
    welch_satterthwaite,
)

ROWS = {
    row["id"]: row
    for row in json.loads((Path(__file__).parent / "data/metrology.json").read_text(encoding="utf-8"))["rows"]
}
FACTS = {"goa-pH", "goa-TA", "goa-pCO2"}


def check(name, found):
    assert_allclose(found, ROWS[name]["value"], rtol=0, atol=ROWS[name]["tolerance"])


# --- GUM H.1, end gauge ---------------------------------------------------------------------------------


def test_end_gauge_has_the_printed_uncertainty_and_degrees():
    conditions = ROWS["gum-h1-nu"]["conditions"]
    components, degrees = conditions["components_nm"], conditions["nu"]
    result = first_order(
        lambda **parts: sum(parts.values()),
        values={"ls": 50_000_623.0, "d": 215.0, "dalpha": 0.0, "dtheta": 0.0},
        sds=dict(zip(("ls", "d", "dalpha", "dtheta"), components, strict=True)),
        degrees=dict(zip(("ls", "d", "dalpha", "dtheta"), degrees, strict=True)),
    )

    check("gum-h1-uc", result.sd)
    check("gum-h1-nu", result.degrees)
    assert_allclose(welch_satterthwaite(components=components, degrees=degrees), result.degrees, rtol=1e-6)


# --- GUM H.2, simultaneous resistance and reactance -------------------------------------------------------


def impedance(*, volt, milliampere, phase):
    total = volt / (milliampere * 1e-3)
    return np.array([total * np.cos(phase), total * np.sin(phase), total])


@pytest.fixture(scope="module")
def impedance_result():
    data = ROWS["gum-h2-R"]["conditions"]
    table = np.array([data["V"], data["I_mA"], data["phi_rad"]])
    means, sds = table.mean(1), table.std(1, ddof=1) / np.sqrt(5)
    names = ("volt", "milliampere", "phase")
    return first_order(
        impedance,
        values=dict(zip(names, means, strict=True)),
        sds=dict(zip(names, sds, strict=True)),
        correlation=np.corrcoef(table),
    )


def test_impedance_from_correlated_readings(impedance_result):
    check("gum-h2-R", impedance_result.value[0])
    check("gum-h2-Z", impedance_result.value[2])
    check("gum-h2-uR", impedance_result.sd[0])
    check("gum-h2-uZ", impedance_result.sd[2])


def test_impedance_outputs_are_correlated_as_printed(impedance_result):
    covariance = impedance_result.covariance
    check("gum-h2-rRX", covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1]))
    # JCGM 100:2008, Table H.4: X = 219.847 ohm, u = 0.295 ohm (from memory).
    assert_allclose(impedance_result.value[1], 219.847, rtol=0, atol=0.001)
    assert_allclose(impedance_result.sd[1], 0.295, rtol=0, atol=0.001)


# --- GUM H.3, calibration of a thermometer ---------------------------------------------------------------


def test_calibration_line_of_a_thermometer():
    data = ROWS["gum-h3-y1"]["conditions"]
    line = least_squares_line(x=np.array(data["t_C"]) - data["t0"], y=data["b_C"])
    at_30, sd_30 = line.predict(x=10.0)

    check("gum-h3-y1", line.intercept)
    check("gum-h3-uy1", line.intercept_sd)
    check("gum-h3-y2", line.slope)
    check("gum-h3-b30", at_30)
    # JCGM 100:2008, H.3.3 and H.3.4: s(y2) = 0.000 67, r = -0.930, s = 0.0035, u(b30) = 0.0041 (from memory).
    assert_allclose(line.slope_sd, 0.00067, rtol=0, atol=0.5e-5)
    assert_allclose(line.covariance / (line.slope_sd * line.intercept_sd), -0.930, rtol=0, atol=0.5e-3)
    assert_allclose(np.sqrt(line.goodness), 0.0035, rtol=0, atol=0.5e-4)
    assert_allclose(sd_30, 0.0041, rtol=0, atol=0.5e-4)


# --- JCGM 101, clause 9 ------------------------------------------------------------------------------------


def test_sum_of_four_rectangular_inputs():
    trials = Trials(seed=92, size=1_000_000)
    total = sum(trials.systematic(f"x{k}", distribution=Rectangular(float(np.sqrt(3.0)))) for k in range(4))
    found = summarise(total)

    check("mc-rect4", 0.5 * (found.upper - found.lower))
    # 9.2.3: standard uncertainty 2.00 where first order has the interval at 3.92.
    assert_allclose(found.sd, 2.0, rtol=0, atol=0.005)


def mass_difference(*, m, dm, rho_a, rho_w, rho_r):
    return (m + dm) * (1.0 + (rho_a - 1.2) * (1.0 / rho_w - 1.0 / rho_r)) - 100_000.0


def test_mass_calibration_by_trials_and_to_first_order():
    trials = Trials(seed=93, size=1_000_000)
    drawn = mass_difference(
        m=100_000.0 + trials.systematic("m", distribution=0.050),
        dm=1.234 + trials.systematic("dm", distribution=0.020),
        rho_a=1.2 + trials.systematic("rho_a", distribution=Rectangular(0.1)),
        rho_w=8000.0 + trials.systematic("rho_w", distribution=Rectangular(1000.0)),
        rho_r=8000.0 + trials.systematic("rho_r", distribution=Rectangular(50.0)),
    )
    found = summarise(drawn, interval="shortest")
    first = first_order(
        mass_difference,
        values={"m": 100_000.0, "dm": 1.234, "rho_a": 1.2, "rho_w": 8000.0, "rho_r": 8000.0},
        sds={
            "m": 0.050,
            "dm": 0.020,
            "rho_a": Rectangular(0.1).sd,
            "rho_w": Rectangular(1000.0).sd,
            "rho_r": Rectangular(50.0).sd,
        },
    )

    check("mc-mass-u", found.sd)
    check("mc-mass-guf", first.sd)
    # 9.3, Table 6: estimate 1.2341 mg, shortest 95 % interval 1.0834 to 1.3825 (from memory). Where a shortest interval
    # lies scatters by some 0.003 at a million trials, its width by a tenth of that.
    assert_allclose(found.mean, 1.2341, rtol=0, atol=0.0003)
    assert_allclose(found.upper - found.lower, 1.3825 - 1.0834, rtol=0, atol=0.001)


@pytest.mark.parametrize(
    ("x1", "mean", "sd", "lower", "upper"),
    # JCGM 101:2008, Table 7 (r = 0), in 1e-6: estimate, uncertainty, shortest 95 % interval (from memory).
    [(0.0, 50, 50, 0, 150), (0.010, 150, 112, 0, 367), (0.050, 2551, 502, 1590, 3543)],
)
def test_comparison_loss_near_zero(x1, mean, sd, lower, upper):
    trials = Trials(seed=94, size=1_000_000)
    first = x1 + trials.systematic("x1", distribution=0.005)
    second = trials.systematic("x2", distribution=0.005)
    found = summarise(1e6 * (first**2 + second**2), interval="shortest")

    if x1 == 0.0:
        check("mc-loss-0", [found.mean, found.sd])
    # Scatter at a million trials: 0.001 sd for the mean, 0.0007 sd for sd; more for the ends of a shortest interval.
    assert_allclose(found.mean, mean, rtol=0, atol=0.5 + 0.004 * sd)
    assert_allclose(found.sd, sd, rtol=0, atol=0.5 + 0.003 * sd)
    assert_allclose([found.lower, found.upper], [lower, upper], rtol=0, atol=0.5 + 0.04 * sd)


def test_first_order_sees_no_uncertainty_where_the_slope_is_zero():
    result = first_order(lambda *, x1, x2: x1**2 + x2**2, values={"x1": 0.0, "x2": 0.0}, sds={"x1": 0.005, "x2": 0.005})

    # 9.4.2.2: at x1 = 0 the law of propagation gives 0; this is why trials are the default.
    assert_allclose(result.sd, 0.0, atol=1e-12)


def test_gauge_block_of_clause_9_5():
    trials = Trials(seed=95, size=1_000_000)
    standard = 50_000_623.0 + trials.systematic("ls", distribution=Student(25.0, 18.0))
    difference = 215.0 + trials.systematic("d", distribution=Student(6.0, 24.0))
    first = trials.systematic("d1", distribution=Student(4.0, 5.0))
    second = trials.systematic("d2", distribution=Student(7.0, 8.0))
    expansion = 11.5e-6 + trials.systematic("alpha", distribution=Rectangular(2e-6))
    cycle = trials.systematic("cycle", distribution=Arcsine(0.5))
    warm = -0.1 + trials.systematic("theta0", distribution=Normal(0.2)) + cycle
    other_expansion = trials.systematic("dalpha", distribution=CurvilinearTrapezoid(1e-6, 0.1e-6))
    other_warm = trials.systematic("dtheta", distribution=CurvilinearTrapezoid(0.050, 0.025))
    length = (standard * (1.0 + expansion * (warm - other_warm)) + difference + first + second) / (
        1.0 + (expansion + other_expansion) * warm
    )
    found = summarise(length - 50_000_000.0)

    check("mc-95-mean", found.mean)
    check("mc-95-u", found.sd)


# --- the pieces --------------------------------------------------------------------------------------------


def test_coverage_factors_are_those_of_the_table():
    # JCGM 100:2008, Table G.2, column 95 % (from memory).
    degrees = [1, 2, 5, 10, 16, 20, 50, np.inf]
    printed = [12.71, 4.30, 2.57, 2.23, 2.12, 2.09, 2.01, 1.960]

    assert_allclose(coverage_factor(degrees=degrees), printed, rtol=0, atol=0.005)
    assert np.isnan(coverage_factor(degrees=np.nan))


def test_fully_correlated_inputs_add_straight():
    values, sds = {"a": 1.0, "b": 2.0}, {"a": 0.3, "b": 0.4}
    together = first_order(lambda *, a, b: a + b, values=values, sds=sds, correlation=[[1.0, 1.0], [1.0, 1.0]])
    apart = first_order(lambda *, a, b: a + b, values=values, sds=sds)

    assert_allclose(together.sd, 0.7)
    assert_allclose(apart.sd, 0.5)
    assert_allclose([apart.contributions["a"], apart.contributions["b"]], [0.3, 0.4])


def test_derivatives_of_a_curved_function_are_sharp():
    result = first_order(lambda *, x: np.exp(x), values={"x": 2.0}, sds={"x": 0.1})

    assert_allclose(result.sensitivities[0, 0], np.exp(2.0), rtol=1e-9)


def test_an_input_known_exactly_adds_nothing():
    result = first_order(lambda *, a, b: a * b, values={"a": 3.0, "b": 2.0}, sds={"a": 0.0, "b": 0.1})

    assert_allclose(result.sd, 0.3)
    assert_allclose(result.sensitivities, [[2.0, 3.0]], rtol=1e-8)


def test_impossible_requests_are_refused():
    def add(*, a, b):
        return a + b

    values, sds = {"a": 1.0, "b": 2.0}, {"a": 0.1, "b": 0.1}
    with pytest.raises(InputError, match="same names"):
        first_order(add, values=values, sds={"a": 0.1})
    with pytest.raises(InputError, match="negative"):
        first_order(add, values=values, sds={"a": 0.1, "b": -0.1})
    with pytest.raises(InputError, match="correlation matrix"):
        first_order(add, values=values, sds=sds, correlation=[[1.0, 2.0], [2.0, 1.0]])
    with pytest.raises(ShapeError):
        first_order(add, values=values, sds=sds, correlation=np.eye(3))
    with pytest.raises(InputError, match="Welch"):
        first_order(add, values=values, sds=sds, correlation=[[1.0, 0.5], [0.5, 1.0]], degrees={"a": 3.0})
    with pytest.raises(InputError):
        welch_satterthwaite(components=[1.0], degrees=[0.0])
    with pytest.raises(ShapeError):
        welch_satterthwaite(components=[1.0], degrees=[1.0, 2.0])
    assert welch_satterthwaite(components=[1.0], degrees=[np.inf]) == np.inf


def test_every_check_row_is_used_or_a_fact():
    used = set(re.findall(r'check\("([^"]+)"', Path(__file__).read_text(encoding="utf-8")))

    assert set(ROWS) == used | FACTS
