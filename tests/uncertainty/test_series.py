"""Means of correlated series: against the exact variance of autoregressive series, by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reeftally.errors import ShapeError
from reeftally.uncertainty import autocorrelation, correlated_mean


def autoregressive(generator, *, phi, n, count):
    """Stationary first-order series of unit variance."""
    shocks = generator.standard_normal((count, n))
    series = np.empty((count, n))
    series[:, 0] = shocks[:, 0]
    for k in range(1, n):
        series[:, k] = phi * series[:, k - 1] + np.sqrt(1.0 - phi * phi) * shocks[:, k]
    return series


# Binomial 99.9 % band of 500 intervals of 95 %: 458 to 489. Where a series is short against its time scale the
# documented shortfall applies instead, and is tested as a bound.
@pytest.mark.parametrize(("phi", "n"), [(0.5, 48), (0.8, 200), (0.8, 96)])
def test_interval_of_a_long_series_holds_the_true_mean_at_its_rate(phi, n):
    generator = np.random.default_rng(7)
    found = [correlated_mean(values=s) for s in autoregressive(generator, phi=phi, n=n, count=500)]
    hits = sum(m.lower < 0.0 < m.upper for m in found)

    assert 458 <= hits <= 489


def test_interval_of_a_short_series_falls_short_no_more_than_documented():
    generator = np.random.default_rng(8)
    found = [correlated_mean(values=s) for s in autoregressive(generator, phi=0.8, n=24, count=500)]
    hits = sum(m.lower < 0.0 < m.upper for m in found)

    # 90 % of 500 less three standard deviations of the count.
    assert hits >= 430


def test_standard_error_is_that_of_the_exact_formula_for_a_long_series():
    # Variance of the mean of a first-order series: s^2/n (1 + phi)/(1 - phi) for large n (textbook).
    generator = np.random.default_rng(9)
    found = [correlated_mean(values=s) for s in autoregressive(generator, phi=0.6, n=2000, count=40)]
    expected = np.sqrt(1.6 / 0.4 / 2000)

    assert_allclose(np.mean([m.standard_error for m in found]), expected, rtol=0.1)
    assert_allclose(np.mean([m.effective_n for m in found]), 500, rtol=0.15)


def test_independent_values_are_worth_nearly_their_number():
    generator = np.random.default_rng(10)
    found = correlated_mean(values=generator.standard_normal(1000))

    assert 800 < found.effective_n <= 1000
    assert_allclose(found.standard_error, 1.0 / np.sqrt(1000), rtol=0.15)


def test_a_gap_takes_values_away_and_never_closes_up():
    generator = np.random.default_rng(11)
    series = autoregressive(generator, phi=0.7, n=300, count=1)[0]
    gapped = series.copy()
    gapped[100:200] = np.nan
    whole, part = correlated_mean(values=series), correlated_mean(values=gapped)

    assert part.n == 200
    assert part.standard_error > 0.9 * whole.standard_error
    assert_allclose(part.mean, np.nanmean(gapped))


def test_shift_and_scale_pass_through():
    generator = np.random.default_rng(12)
    series = autoregressive(generator, phi=0.5, n=100, count=1)[0]
    base, moved = correlated_mean(values=series), correlated_mean(values=10.0 - 3.0 * series)

    assert_allclose(moved.mean, 10.0 - 3.0 * base.mean)
    assert_allclose(moved.standard_error, 3.0 * base.standard_error, rtol=1e-7)
    assert_allclose(moved.effective_n, base.effective_n, rtol=1e-7)


def test_too_few_values_give_a_mean_without_error():
    found = correlated_mean(values=[1.0, 2.0, np.nan, 3.0])

    assert found.mean == 2.0
    assert np.isnan(found.standard_error)
    assert np.isnan(correlated_mean(values=[np.nan]).mean)


def test_a_constant_series_has_no_scatter():
    found = correlated_mean(values=np.full(10, 4.0))

    assert found.mean == 4.0
    assert found.standard_error == 0.0


def test_autocorrelation_of_an_alternating_series_alternates():
    found = autocorrelation(values=[1.0, -1.0] * 50, lags=3)

    # Tapered by (n - k)/n.
    assert_allclose(found, [1.0, -0.99, 0.98, -0.97], atol=1e-12)


def test_only_one_dimension_is_taken():
    with pytest.raises(ShapeError):
        correlated_mean(values=np.zeros((3, 3)))
    with pytest.raises(ShapeError):
        autocorrelation(values=3.0)
    assert np.isnan(autocorrelation(values=[np.nan, np.nan], lags=1)).all()
