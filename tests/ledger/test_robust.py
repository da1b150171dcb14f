"""Robust slopes and rank tests."""

import numpy as np
import pytest

from reeftally.ledger import mann_kendall, seasonal_kendall, theil_sen


def test_theil_sen_is_the_median_of_all_pairs(row):
    series = row("mk-sen")["conditions"]["series"]

    found = theil_sen(time=np.arange(14.0), value=series)

    assert found.slope == pytest.approx(row("mk-sen")["value"], abs=row("mk-sen")["tolerance"])
    assert found.lower < found.slope < found.upper


def test_mann_kendall_of_the_classroom_example(row):
    series = row("mk-S")["conditions"]["series"]

    found = mann_kendall(value=series)

    assert found.s == row("mk-S")["value"]
    # 332 2/3; the value is printed with seven decimals
    assert found.variance == pytest.approx(row("mk-Var")["value"], abs=5e-8)
    assert found.z == pytest.approx(53 / np.sqrt(332.6666667), abs=1e-9)


def test_four_values_have_an_exact_probability(row):
    expected = row("mk-small")

    found = mann_kendall(value=expected["conditions"]["series"])

    assert found.s == expected["value"][0]
    assert found.p_exact_one_sided == pytest.approx(expected["value"][1], abs=expected["tolerance"])


def test_seasons_are_compared_with_themselves_only():
    # Two seasons with opposite level: between seasons nothing counts, within each S is that of its series.
    value = np.array([1.0, 50.0, 2.0, 51.0, 3.0, 52.0, 4.0, 49.0])

    found = seasonal_kendall(value=value, season=[0, 1] * 4)

    # 1,2,3,4: S 6; 50,51,52,49: S 3 - 3 = 0; variances 4*3*13/18 each (Kendall 1975)
    assert found.s == 6
    assert found.variance == pytest.approx(2 * 4 * 3 * 13 / 18)
