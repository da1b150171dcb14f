"""Series between bottles: invented water, coverage by the binomial band of 500 repeats."""

import numpy as np
import pytest

from reeftally.calibration.bottle_series import predict_series
from reeftally.errors import InputError


def test_intervals_between_bottles_hold_the_truth_in_500_repeats():
    # Central 99.9 % band of the binomial for 95 % intervals: 458 to 489 of 500. Truth is drawn from the very
    # process (natural sd 2 µmol/kg, 4 h) with 16 bottles, so the estimated natural sd is the only approximation.
    rng = np.random.default_rng(11)
    times = np.arange(0, 36 * 3600, 900.0)
    kernel = 4.0 * np.exp(-0.5 * ((times[:, None] - times[None, :]) / 14400) ** 2) + 1e-9 * np.eye(times.size)
    root = np.linalg.cholesky(kernel)
    inside = 0
    for _ in range(500):
        truth = 2308 + root @ rng.standard_normal(times.size)
        where = np.sort(rng.choice(times.size, 16, replace=False))
        series = predict_series(
            time=times[where],
            value=truth[where] + rng.normal(0, 1.8, 16),
            sd=np.full(16, 1.8),
            at=times,
            correlation_time=14400,
            least_natural_sd=2.0,
        )
        sd = np.sqrt(np.diag(series.covariance))
        inside += abs(series.mean[70] - truth[70]) < 1.96 * sd[70]

    assert 458 <= inside <= 489


def test_far_from_bottles_the_uncertainty_is_the_natural_scatter():
    series = predict_series(
        time=[0.0, 600.0, 1200.0],
        value=[2300.0, 2301.0, 2299.0],
        sd=[0.1] * 3,
        at=[1e7],
        correlation_time=3600.0,
        least_natural_sd=2.0,
    )

    assert 2.0 < np.sqrt(series.covariance[0, 0]) < 3.5


def test_draws_have_the_stated_covariance():
    series = predict_series(
        time=[0.0, 7200.0],
        value=[1.0, 2.0],
        sd=[0.1, 0.1],
        at=np.arange(0, 7200, 1800.0),
        correlation_time=3600.0,
        least_natural_sd=1.0,
    )

    draws = series.sample(np.random.default_rng(1), 40000)

    assert np.allclose(np.cov(draws.T), series.covariance, atol=0.02)
    assert np.allclose(draws.mean(axis=0), series.mean, atol=0.02)


def test_no_bottle_is_refused():
    with pytest.raises(InputError, match="at least one"):
        predict_series(time=[], value=[], sd=[], at=[0.0], correlation_time=1.0)
