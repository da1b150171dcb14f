"""Two references of one sensor: their mean, their disagreement, and what it does to the sensor's terms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reeftally.analysis.twins import EXTERNAL, INTERNAL, combine, disagreement_of, fit_red, widened

BLOCK_S = 900.0
DAY_S = 86400.0


def describe(difference, *, label="PH-1"):
    """Describe a made-up difference in blocks of 15 min."""
    difference = np.asarray(difference, dtype=float)
    time = 1.9e9 + BLOCK_S * np.arange(difference.size)
    return disagreement_of(label=label, start_ns=0, end_ns=1, time=time, difference=difference)


def red(rng, n, phi, sd):
    """A first-order autoregressive series of a stated standard deviation."""
    out = np.empty(n)
    out[0] = rng.normal()
    for i in range(1, n):
        out[i] = phi * out[i - 1] + np.sqrt(1.0 - phi**2) * rng.normal()
    return sd * out


def test_value_is_the_mean_where_both_speak_and_nothing_where_one_is_silent():
    """Invented numbers: the third sample lacks one reference, the fourth failed a test."""
    values = {INTERNAL: np.array([8.0, 8.1, np.nan, 8.2]), EXTERNAL: np.array([8.02, 8.1, 8.1, 8.0])}
    usable = {INTERNAL: np.ones(4, dtype=bool), EXTERNAL: np.array([True, True, True, False])}

    mean, both = combine(values, usable)

    assert mean[:2] == pytest.approx([8.01, 8.1])
    assert np.isnan(mean[2:]).all()
    assert both.tolist() == [True, True, False, False]


def test_one_reference_or_a_ph_of_its_own_is_left_alone():
    """A sensor that already gives one pH is not averaged over."""
    one, usable = np.full(3, 8.0), np.ones(3, dtype=bool)

    assert combine({INTERNAL: one}, {INTERNAL: usable}) is None
    assert combine({INTERNAL: one, EXTERNAL: one, "ph_total": one}, dict.fromkeys((INTERNAL, EXTERNAL), usable)) is None


@given(level=st.floats(-0.1, 0.1), slope=st.floats(-0.02, 0.02))
def test_half_of_a_constant_disagreement_covers_both_references(level, slope):
    """JCGM 100:2008, 4.2.3: u of the mean of two is half their difference; 1.96 u reaches beyond either."""
    days = (np.arange(200) - 99.5) * BLOCK_S / DAY_S
    found = describe(level + slope * days)

    noise, offset, drift = widened((0.001, 0.0, 0.0), [found])

    assert noise == 0.001
    assert offset == pytest.approx(0.5 * abs(level), abs=1e-9)
    assert 1.96 * np.hypot(offset, drift * np.abs(days)).max() >= 0.5 * abs(level)
    assert 1.96 * drift >= 0.5 * abs(slope) - 1e-9


def test_stated_terms_are_kept_and_widened_in_quadrature():
    """Offset sd 0.02 of the book and a disagreement of 0.03: sqrt(0.02^2 + 0.015^2) = 0.025."""
    found = describe(np.full(100, 0.03))

    assert widened((0.001, 0.02, 0.001), [found]) == pytest.approx((0.001, 0.025, 0.001), abs=1e-6)
    assert widened((0.001, 0.02, 0.001), []) == (0.001, 0.02, 0.001)
    assert widened(None, []) is None
    assert widened(None, [found])[1] == pytest.approx(0.015, abs=1e-6)


def test_too_short_a_record_gives_no_disagreement():
    """Seven blocks are too few for a trend."""
    assert describe(np.full(7, 0.01)) is None
    assert describe(np.full(8, 0.01)).settling_hours == 0.0


def test_settling_and_drift_are_told_apart():
    """Invented: a settling of 0.05 in 1.5 h beside a drift of -0.003 a day, noise 0.0003."""
    rng = np.random.default_rng(5)
    hours = 0.25 * np.arange(288)
    truth = -0.02 + 0.05 * np.exp(-hours / 1.5) - 0.003 * hours / 24.0

    found = describe(truth + rng.normal(0.0, 0.0003, hours.size))

    assert found.settling_hours == 1.5
    assert found.settling == pytest.approx(0.05, abs=1.96 * found.settling_sd + 1e-6)
    assert found.trend == pytest.approx(-0.003, abs=4.0 * found.trend_sd)
    assert found.trend_sd < 0.0003
    assert "+0.03" in found.words()


@pytest.mark.parametrize("phi", [0.0, 0.6, 0.95])
def test_intervals_of_the_trend_hold_the_truth_as_often_as_they_say(phi):
    """200 series with first-order residuals: 179 to 198 of 95 % intervals hold the slope (binomial, 99.9 %)."""
    rng = np.random.default_rng(11)
    steps = np.arange(200.0)
    design = np.stack([np.ones(200), (steps - steps.mean()) / 96.0], axis=-1)

    inside = 0
    for _ in range(200):
        values = design @ np.array([0.02, -0.004]) + red(rng, 200, phi, 0.002)
        fit = fit_red(design=design, values=values, steps=steps)
        inside += abs(fit.coefficients[1] + 0.004) <= 1.96 * np.sqrt(fit.covariance[1, 1])

    assert 179 <= inside <= 198


def test_gaps_do_not_matter_to_independent_residuals():
    """Ordinary least squares on what is there (its textbook covariance) where neighbours are not alike."""
    rng = np.random.default_rng(3)
    steps = np.sort(rng.choice(400, 250, replace=False)).astype(float)
    design = np.stack([np.ones(250), steps / 100.0], axis=-1)
    values = design @ np.array([1.0, 0.5]) + rng.normal(0.0, 0.1, 250)

    fit = fit_red(design=design, values=values, steps=steps)

    plain, squares = np.linalg.lstsq(design, values, rcond=None)[:2]
    inverse = np.linalg.inv(design.T @ design) * squares[0] / 248
    assert fit.phi < 0.2
    assert fit.coefficients == pytest.approx(plain, abs=0.3 * np.sqrt(inverse[0, 0]))
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(np.sqrt(np.diag(inverse)), rel=0.2)


def test_operator_takes_the_series_to_the_coefficients():
    """What a systematic error does to a coefficient is the operator on its shape."""
    rng = np.random.default_rng(4)
    steps = np.arange(120.0)
    design = np.stack([np.ones(120), steps / 50.0], axis=-1)
    values = red(rng, 120, 0.8, 1.0)

    fit = fit_red(design=design, values=values, steps=steps)

    assert fit.operator @ values == pytest.approx(fit.coefficients, abs=1e-9)
    assert fit.operator @ design == pytest.approx(np.eye(2), abs=1e-9)
