"""Screening against published thresholds and invented faults."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reeftally.errors import InputError, ShapeError
from reeftally.flow import beam_pair_noise, correlation_threshold, noise_floor, screen, spectra, unwrap


def test_correlation_threshold_depends_on_the_rate():
    # Elgar, Raubenheimer and Guza (2005), Meas. Sci. Technol. 16, 1889 (from memory): 16 of 25 Hz gives 0.62.
    assert_allclose(correlation_threshold(sample_rate=16.0, highest_rate=25.0), 0.62, atol=1e-12)


def test_samples_below_70_percent_or_15_db_or_impossible_are_refused():
    # Makers' defaults for turbulence, 70 % and 15 dB (from memory).
    correlation = np.array([96.0, 69.9, 70.0, 101.0, -1.0, np.nan, 95.0])
    signal = np.array([30.0, 30.0, 30.0, 30.0, 30.0, 30.0, 14.9])

    result = screen(correlation=correlation, signal_to_noise=signal, most_bad=1.0)

    np.testing.assert_array_equal(result.bad, [False, True, False, True, True, True, True])
    assert_allclose(result.impossible, 2 / 7)


def test_one_weak_beam_refuses_the_sample():
    result = screen(correlation=np.array([[90.0, 90.0], [90.0, 50.0], [90.0, 90.0]]))

    np.testing.assert_array_equal(result.bad, [False, True])


def test_an_instrument_in_air_is_named():
    rng = np.random.default_rng(1)

    result = screen(correlation=rng.uniform(0, 60, 1000), signal_to_noise=rng.uniform(-2, 4, 1000))

    assert result.reasons == ("in_air",)


def test_a_burst_with_too_many_weak_samples_is_refused():
    correlation = np.where(np.arange(1000) % 5 < 2, 60.0, 95.0)

    assert screen(correlation=correlation).reasons == ("low_correlation",)
    assert screen(correlation=np.full(10, np.nan)).reasons == ("all_missing",)


def test_screening_needs_something_that_fits():
    with pytest.raises(InputError, match="both missing"):
        screen()
    with pytest.raises(ShapeError):
        screen(correlation=np.ones(5), signal_to_noise=np.ones(6))


def test_single_wraps_are_undone_exactly():
    rng = np.random.default_rng(2)
    t = np.arange(9600) / 32.0
    truth = 0.2 + 0.12 * np.sin(2 * np.pi * t / 9.0) + 0.01 * rng.normal(size=t.size)
    measured = (truth + 0.3) % 0.6 - 0.3

    result = unwrap(velocity=measured, ambiguity=0.3, sample_rate=32.0, window=12.0)

    assert (np.abs(measured - truth) > 0.1).mean() > 0.1
    assert_allclose(result.velocity, truth, atol=1e-12)


def test_a_spike_is_not_taken_for_a_wrap_and_a_calm_record_is_left_alone():
    x = 0.01 * np.random.default_rng(3).normal(size=2000)
    spiked = x.copy()
    spiked[1000] += 0.42

    calm = unwrap(velocity=x, ambiguity=0.3, sample_rate=16.0)
    result = unwrap(velocity=spiked, ambiguity=0.3, sample_rate=16.0)

    np.testing.assert_array_equal(calm.velocity, x)
    assert result.undecided[1000]
    assert np.isnan(result.velocity[1000])
    assert not result.wrapped.any()


def test_white_noise_is_recovered_from_the_flat_end():
    # White noise of standard deviation s has the one-sided density s^2 / Nyquist frequency.
    x = 0.0035 * np.random.default_rng(4).normal(size=(1, 28800))
    found = spectra(series=x, sample_rate=32.0)

    noise = noise_floor(
        frequency=found.frequency, spectrum=found.power(0), degrees_of_freedom=float(found.band_degrees_of_freedom)
    )

    assert noise.flat
    assert_allclose(noise.sd, 0.0035, rtol=0.03)


def test_a_sloping_end_is_called_an_upper_bound(burst_maker):
    burst = burst_maker(np.random.default_rng(6), sample_rate=8.0)
    found = spectra(series=burst.velocity, sample_rate=8.0)

    noise = noise_floor(
        frequency=found.frequency, spectrum=found.power(2), degrees_of_freedom=float(found.band_degrees_of_freedom)
    )

    assert not noise.flat


def test_redundant_beams_give_the_noise_of_one():
    rng = np.random.default_rng(7)
    water = rng.normal(size=20000)

    found = beam_pair_noise(first=water + 0.01 * rng.normal(size=20000), second=water + 0.01 * rng.normal(size=20000))

    assert_allclose(found, 0.01, rtol=0.03)
