"""Lines against Pearson's data with York's weights and the worked mixing sets; sources stand in data/lines.json."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reeftally.errors import InputError, NoSolutionError, OutOfRangeError, ShapeError
from reeftally.uncertainty import (
    deming_line,
    geometric_mean_line,
    least_squares_line,
    theil_sen_slope,
    york_line,
)

ROWS = {
    row["id"]: row
    for row in json.loads((Path(__file__).parent / "data/lines.json").read_text(encoding="utf-8"))["rows"]
}
PEARSON = ROWS["reg-york-slope"]["conditions"]
KEELING = ROWS["keel-noisy-york"]["conditions"]


def pearson_york():
    return york_line(
        x=PEARSON["x"],
        y=PEARSON["y"],
        x_sd=np.array(PEARSON["wx"]) ** -0.5,
        y_sd=np.array(PEARSON["wy"]) ** -0.5,
    )


def keeling_york():
    dic = np.array(KEELING["DIC"])
    return york_line(x=1.0 / dic, y=KEELING["delta13C"], x_sd=2.0 / dic**2, y_sd=KEELING["sd_delta"])


def exact_keeling():
    conditions = ROWS["keel-exact-int"]["conditions"]
    return least_squares_line(x=1.0 / np.array(conditions["DIC"]), y=conditions["delta13C"])


def spaced_se():
    conditions = ROWS["keel-se-rule"]["conditions"]
    x = 1.0 / np.linspace(conditions["DIC_min"], conditions["DIC_max"], conditions["n"])
    return least_squares_line(x=x, y=x, y_sd=conditions["sd_delta"]).intercept_sd


COMPUTED = {
    "reg-york-slope": lambda: pearson_york().slope,
    "reg-york-int": lambda: pearson_york().intercept,
    "reg-york-S": lambda: pearson_york().chi_square,
    "reg-ols-slope": lambda: least_squares_line(x=PEARSON["x"], y=PEARSON["y"]).slope,
    "reg-ols-se": lambda: least_squares_line(x=PEARSON["x"], y=PEARSON["y"]).slope_sd,
    "reg-gmr-slope": lambda: geometric_mean_line(x=PEARSON["x"], y=PEARSON["y"]).slope,
    "reg-orth-slope": lambda: deming_line(x=PEARSON["x"], y=PEARSON["y"]).slope,
    "reg-theil": lambda: theil_sen_slope(x=PEARSON["x"], y=PEARSON["y"]),
    "keel-exact-int": lambda: exact_keeling().intercept,
    "keel-exact-slope": lambda: exact_keeling().slope,
    "keel-noisy-york": lambda: keeling_york().intercept,
    "keel-noisy-york-se": lambda: keeling_york().intercept_sd,
    "keel-noisy-ols": lambda: least_squares_line(x=1.0 / np.array(KEELING["DIC"]), y=KEELING["delta13C"]).intercept,
    "keel-se-rule": spaced_se,
}


@pytest.mark.parametrize("name", COMPUTED)
def test_line_agrees_with_the_check_value(name):
    row = ROWS[name]

    assert_allclose(COMPUTED[name](), row["value"], rtol=0, atol=row["tolerance"])


def test_every_check_row_is_used():
    assert set(ROWS) == set(COMPUTED) | {name for name in ROWS if name.startswith("bias-")}


def test_york_standard_errors_agree_with_the_printed_ones():
    # York, Evensen, Lopez Martinez and De Basabe Delgado 2004, Am. J. Phys. 72, 367, Table II, Pearson's data with
    # York's weights: intercept 5.47991022 +- 0.294970735, slope -0.480533407 +- 0.0579850090 (from memory).
    line = pearson_york()

    assert_allclose(line.slope_sd, 0.0579850090, rtol=0, atol=0.5e-10)
    assert_allclose(line.intercept_sd, 0.294970735, rtol=0, atol=0.5e-9)


@pytest.fixture(scope="module")
def mixing_fits():
    """Keeling intercepts of 2000 invented mixing sets a range: truth -20 permil, as the rows bias-* state."""
    fits = {}
    for dic_range in (20, 100):
        generator = np.random.default_rng(20)
        true_dic = np.linspace(2000.0, 2000.0 + dic_range, 24)
        true_delta = (2000.0 * 1.0 - 20.0 * (true_dic - 2000.0)) / true_dic
        dic = true_dic + 2.0 * generator.standard_normal((2000, 24))
        delta = true_delta + 0.1 * generator.standard_normal((2000, 24))
        x = 1.0 / dic
        fits["ols", dic_range] = least_squares_line(x=x, y=delta)
        fits["gmr", dic_range] = geometric_mean_line(x=x, y=delta)
        fits["york", dic_range] = york_line(x=x, y=delta, x_sd=2.0 / dic**2, y_sd=0.1)
    return fits


@pytest.mark.parametrize("name", [name for name in ROWS if name.startswith("bias-")])
def test_bias_of_the_source_is_that_of_the_published_comparison(name, mixing_fits):
    _, method, dic_range = name.split("-")
    row = ROWS[name]
    intercepts = np.asarray(mixing_fits[method, int(dic_range)].intercept)

    assert_allclose(np.mean(intercepts), row["value"], rtol=0, atol=row["tolerance"])


def test_york_errors_cover_the_truth_at_their_stated_rate(mixing_fits):
    line = mixing_fits["york", 100]
    inside = np.abs(np.asarray(line.intercept) + 20.0) < np.asarray(line.intercept_sd)

    # 68.3 % of 2000, central 99.9 % band of the binomial.
    assert 1296 <= int(inside.sum()) <= 1433


@pytest.mark.parametrize("correlation", [-0.7, 0.0, 0.7])
def test_york_covers_the_true_slope_with_correlated_errors(correlation):
    # Invented truth y = 1 + 2 x with errors of 0.3 in both axes.
    generator = np.random.default_rng(31)
    truth = np.linspace(0.0, 10.0, 15)
    first, second = generator.standard_normal((2, 2000, 15))
    x = truth + 0.3 * first
    y = 1.0 + 2.0 * truth + 0.3 * (correlation * first + np.sqrt(1.0 - correlation**2) * second)
    line = york_line(x=x, y=y, x_sd=0.3, y_sd=0.3, error_correlation=correlation)
    pull = (np.asarray(line.slope) - 2.0) / np.asarray(line.slope_sd)

    # 95 % of 2000, central 99.9 % band of the binomial; S/(n - 2) has mean 1 and standard error sqrt(2/13/2000).
    assert 1867 <= int((np.abs(pull) < 1.96).sum()) <= 1931
    assert_allclose(np.mean(line.goodness), 1.0, atol=4.0 * np.sqrt(2.0 / 13.0 / 2000.0))


def test_both_mixing_plots_agree_once_the_error_correlation_is_given():
    # Miller and Tans 2003, Tellus B 55, 207: delta C against C has the source as slope; its y contains x.
    dic, delta = np.array(KEELING["DIC"]), np.array(KEELING["delta13C"])
    y_sd = np.hypot(delta * 2.0, dic * 0.05)
    line = york_line(x=dic, y=delta * dic, x_sd=2.0, y_sd=y_sd, error_correlation=delta * 2.0 / y_sd)

    # The two forms differ by second-order terms only, far below the standard error of 1.7 permil.
    assert_allclose(line.slope, keeling_york().intercept, rtol=0, atol=0.02)


def test_york_without_errors_in_x_is_weighted_least_squares():
    y_sd = np.array(PEARSON["wy"]) ** -0.5
    best = york_line(x=PEARSON["x"], y=PEARSON["y"], x_sd=0.0, y_sd=y_sd)
    plain = least_squares_line(x=PEARSON["x"], y=PEARSON["y"], y_sd=y_sd)

    for part in ("slope", "intercept", "slope_sd", "intercept_sd", "covariance", "chi_square"):
        assert_allclose(getattr(best, part), getattr(plain, part), rtol=1e-12)


def test_york_with_equal_errors_is_the_orthogonal_line():
    best = york_line(x=PEARSON["x"], y=PEARSON["y"], x_sd=0.3, y_sd=0.3)

    assert_allclose(best.slope, ROWS["reg-orth-slope"]["value"], rtol=0, atol=1e-8)


def test_many_fits_at_once_are_the_same_to_the_last_bit_as_one_by_one():
    generator = np.random.default_rng(3)
    x = np.linspace(0.0, 5.0, 9) + 0.2 * generator.standard_normal((4, 9))
    y = 1.0 - 2.0 * np.linspace(0.0, 5.0, 9) + 0.2 * generator.standard_normal((4, 9))
    errors = {"x_sd": 0.2, "y_sd": 0.2, "error_correlation": 0.3}
    together = york_line(x=x, y=y, **errors)
    turned = york_line(x=np.asfortranarray(x), y=np.asfortranarray(y), **errors)

    for k in range(4):
        alone = york_line(x=x[k], y=y[k], **errors)
        for part in ("slope", "intercept", "slope_sd", "intercept_sd", "chi_square"):
            assert getattr(together, part)[k] == getattr(alone, part)
            assert getattr(turned, part)[k] == getattr(alone, part)


def test_prediction_is_sharpest_within_the_points():
    line = pearson_york()
    value, sd = line.predict(x=[-10.0, 4.0, 20.0])

    assert_allclose(value, line.intercept + line.slope * np.array([-10.0, 4.0, 20.0]))
    assert sd[1] < sd[0]
    assert sd[1] < sd[2]


def test_scaled_errors_are_given_beside_the_unscaled_ones():
    line = pearson_york()

    assert_allclose(line.slope_sd_scaled, line.slope_sd * np.sqrt(line.chi_square / 8))
    assert_allclose(line.intercept_sd_scaled, line.intercept_sd * np.sqrt(line.goodness))


def test_points_without_range_are_refused_and_missing_points_give_nan():
    with pytest.raises(NoSolutionError, match="All x are equal") as refused:
        york_line(x=[1.0, 1.0, 1.0], y=[1.0, 2.0, 3.0], x_sd=0.1, y_sd=0.1)

    assert refused.value.code == "no range in x"
    assert np.isnan(york_line(x=[1.0, np.nan, 3.0], y=[1.0, 2.0, 3.0], x_sd=0.1, y_sd=0.1).slope)
    points = {"x": [1.0, 2.0, 3.0], "y": [1.0, 2.0, 4.0], "x_sd": 0.1, "y_sd": 0.1}
    for name in points:
        hole = {**points, name: [0.5, np.nan, 3.0]}
        assert np.isnan(york_line(**hole).slope)
    assert np.isnan(least_squares_line(x=[1.0, 2.0, 3.0], y=[1.0, np.nan, 3.0]).intercept)
    assert np.isnan(geometric_mean_line(x=[1.0, 2.0, 3.0], y=[1.0, np.nan, 3.0]).slope)
    many = york_line(x=[[1.0, 1.0, 1.0], [1.0, 2.0, 3.0]], y=[1.0, 2.0, 3.0], x_sd=0.1, y_sd=0.1)
    assert not many.converged[0]
    assert np.isnan(many.slope[0])
    assert_allclose(many.slope[1], 1.0, rtol=1e-12)


def test_impossible_errors_are_refused():
    points = {"x": [1.0, 2.0, 3.0], "y": [1.0, 2.0, 4.0]}

    with pytest.raises(OutOfRangeError):
        york_line(**points, x_sd=-0.1, y_sd=0.1)
    with pytest.raises(OutOfRangeError):
        york_line(**points, x_sd=0.1, y_sd=0.1, error_correlation=1.1)
    with pytest.raises(InputError, match="both 0"):
        york_line(**points, x_sd=[0.0, 1.0, 1.0], y_sd=[0.0, 1.0, 1.0])
    with pytest.raises(InputError, match="positive"):
        least_squares_line(**points, y_sd=0.0)
    with pytest.raises(InputError, match="above 0"):
        deming_line(**points, variance_ratio=0.0)


def test_shapes_that_do_not_fit_are_refused():
    with pytest.raises(ShapeError, match="at least 3"):
        york_line(x=[1.0, 2.0], y=[1.0, 2.0], x_sd=0.1, y_sd=0.1)
    with pytest.raises(ShapeError, match="do not fit"):
        least_squares_line(x=[1.0, 2.0, 3.0], y=[1.0, 2.0])
    with pytest.raises(ShapeError, match="one set"):
        theil_sen_slope(x=[[1.0, 2.0, 3.0]], y=[[1.0, 2.0, 3.0]])
    with pytest.raises(NoSolutionError):
        theil_sen_slope(x=[1.0, 1.0, 1.0], y=[1.0, 2.0, 3.0])


finite = st.floats(-100.0, 100.0)


@settings(deadline=None, max_examples=60)
@given(slope=finite, intercept=finite, seed=st.integers(0, 1000))
def test_york_finds_a_line_without_scatter(slope, intercept, seed):
    generator = np.random.default_rng(seed)
    x = np.sort(generator.uniform(-10.0, 10.0, 8)) + np.arange(8)
    line = york_line(
        x=x, y=intercept + slope * x, x_sd=generator.uniform(0.1, 1.0, 8), y_sd=generator.uniform(0.1, 1.0, 8)
    )

    assert_allclose(line.slope, slope, rtol=1e-7, atol=1e-8)
    assert_allclose(line.intercept, intercept, rtol=1e-6, atol=1e-6)


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 10_000), correlation=st.floats(-0.8, 0.8))
def test_york_does_not_care_which_axis_is_called_x(seed, correlation):
    generator = np.random.default_rng(seed)
    t = np.linspace(0.0, 10.0, 12)
    x = t + 0.3 * generator.standard_normal(12)
    y = 3.0 + 1.5 * t + 0.3 * generator.standard_normal(12)
    forth = york_line(x=x, y=y, x_sd=0.3, y_sd=0.3, error_correlation=correlation)
    back = york_line(x=y, y=x, x_sd=0.3, y_sd=0.3, error_correlation=correlation)

    assert_allclose(forth.slope * back.slope, 1.0, rtol=1e-9)
    assert_allclose(forth.chi_square, back.chi_square, rtol=1e-7)
