"""Pairs, gains and bottle mismatch."""

from pathlib import Path

import numpy as np
import pytest

from reeftally.calibration.comparison import LEAST_RANGE, disagreement, fit_gain, mismatch_sd, pair_statistics
from reeftally.errors import InputError


def test_pair_statistics_agree_with_a_worked_example():
    # Bland and Altman 1986, Lancet 327, 307 (definitions); six pairs and their results worked by hand to 6 digits.
    first = [8.012, 8.035, 8.051, 8.078, 8.101, 8.064]
    second = [8.02, 8.041, 8.061, 8.083, 8.112, 8.071]

    found = pair_statistics(first=first, second=second)

    assert found.bias == pytest.approx(0.00783333, abs=5e-9)
    assert found.sd == pytest.approx(0.00231661, abs=5e-9)
    assert found.rmsd == pytest.approx(0.00811377, abs=5e-9)
    assert found.lower == pytest.approx(0.00329278, abs=5e-9)
    assert found.upper == pytest.approx(0.0123739, abs=5e-8)


@pytest.mark.parametrize(("quantity", "reach"), [("oxygen", 7.9), ("ph_total", 0.019)])
def test_gain_is_not_fitted_from_too_small_a_range_and_says_so(quantity, reach):
    # Story 24: oxygen range < 8 µmol/kg or pH range < 0.02.
    x = np.linspace(0, reach, 20)

    fit = fit_gain(
        reference=x,
        values=x * 1.02 + 1,
        reference_sd=reach / 50,
        values_sd=reach / 50,
        least_range=LEAST_RANGE[quantity],
    )

    assert not fit.fitted
    assert fit.gain == 1.0
    assert np.isnan(fit.gain_sd)
    assert "Gain not fitted: the range is" in fit.message


@pytest.mark.slow
def test_gain_and_offset_hold_the_truth_in_500_repeats():
    # Central 99.9 % band of the binomial for 95 % intervals: 458 to 489 of 500.
    rng = np.random.default_rng(3)
    inside = np.zeros(2, dtype=int)
    for _ in range(500):
        gain, offset = rng.normal(1, 0.03), rng.normal(0, 3)
        water = rng.uniform(180, 200, 12)
        reference, values = water + rng.normal(0, 0.4, 12), 190 + offset + gain * (water - 190) + rng.normal(0, 0.2, 12)
        fit = fit_gain(
            reference=reference, values=values, reference_sd=0.4, values_sd=0.2, least_range=LEAST_RANGE["oxygen"]
        )
        inside[0] += abs(fit.gain - gain) < 1.96 * fit.gain_sd
        at_centre = offset + (gain - 1) * (fit.centre - 190)
        inside[1] += abs(fit.offset - at_centre) < 1.96 * fit.offset_sd

    assert ((inside >= 458) & (inside <= 489)).all(), inside


def test_predicted_mismatch_of_bottles_agrees_with_the_observed_one():
    # Story 29: ratio of predicted to observed sd between 0.8 and 1.25. Invented: a gradient of 2 µmol/kg per metre,
    # bottles within 0.3 m and 120 s (1 sd), water that changes by up to 6 µmol/kg an hour.
    rng = np.random.default_rng(9)
    n = 96
    rate = 6.0 / 3600 * np.sin(2 * np.pi * np.linspace(0, 10, n))
    difference = (
        rng.normal(0, 0.1, n)
        + rng.normal(0, 0.4, n)
        + 2.0 * rng.normal(0, 0.3, n)
        + rate * rng.normal(0, 120, n)
        + rng.normal(0, 0.3, n)
    )

    predicted = mismatch_sd(
        sensor_sd=0.1, bottle_sd=0.4, vertical_gradient=2.0, height_sd=0.3, rate=rate, time_sd=120.0, patch_sd=0.3
    )

    assert 0.8 < np.sqrt(np.mean(predicted**2)) / difference.std() < 1.25


def test_one_pair_is_refused():
    with pytest.raises(InputError, match="needs 2"):
        pair_statistics(first=[1.0], second=[2.0])


def test_two_references_of_a_real_sensor_are_reported_as_a_disagreement_with_size_and_trend():
    # Besemer, Palacio and Enochs (2022): the two references of one ISFET sensor differ from about +0.03 in the first
    # samples to about -0.03 later, -0.024 on average (internal minus external).
    rows = np.loadtxt(Path(__file__).parent / "data" / "reef_ph_2022.csv", delimiter=",", skiprows=1)

    found = disagreement(
        time=rows[:, 0], first=rows[:, 2], second=rows[:, 1], names=("external", "internal"), tolerance=0.005
    )

    assert found.mean == pytest.approx(-0.024, abs=0.0005)
    assert rows[0, 1] - rows[0, 2] == pytest.approx(0.03, abs=0.005)
    assert found.last_part == pytest.approx(-0.03, abs=0.005)
    assert "They disagree" in found.text
    assert "do not average" in found.text


def test_references_that_agree_are_said_to_agree():
    rng = np.random.default_rng(1)
    first = 8.0 + rng.normal(0, 0.001, 100)

    found = disagreement(
        time=np.arange(100) * 900.0, first=first, second=first + 0.001, names=("a", "b"), tolerance=0.005
    )

    assert found.text.endswith("They agree.")
