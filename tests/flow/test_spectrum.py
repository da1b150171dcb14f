"""Spectra against analytic variances, published forms and their analytic integrals."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import integrate, signal

from reeftally.errors import InputError, ShapeError
from reeftally.flow import (
    band_average,
    band_edges,
    cumulative_cospectrum,
    kaimal_cospectrum,
    kaimal_spectrum,
    spectra,
)


def test_spectra_equal_those_of_scipy():
    # Independent code for the same method of Welch (1967).
    rng = np.random.default_rng(1)
    x = rng.normal(size=(2, 5000)).cumsum(axis=1)
    found = spectra(series=x, sample_rate=8.0, segment=64.0)
    length = round(8.0 / found.resolution)

    taper = np.sin(np.pi * (np.arange(length) + 0.5) / length) ** 2
    f, wanted = signal.csd(x[1], x[0], fs=8.0, window=taper, nperseg=length, noverlap=length // 2, detrend="linear")

    assert_allclose(found.frequency, f[1:])
    assert_allclose(found.matrix[0, 1], wanted[1:], rtol=1e-8)


def test_area_under_the_spectrum_is_the_variance():
    x = np.random.default_rng(2).normal(size=(3, 28800)) * np.array([[1.0], [2.0], [0.1]])

    found = spectra(series=x, sample_rate=32.0)

    area = [found.power(k).sum() * found.resolution for k in range(3)]
    assert_allclose(area, x.var(axis=1), rtol=0.03)


def test_many_bursts_at_once_equal_one_at_a_time():
    x = np.random.default_rng(3).normal(size=(4, 2, 2000))

    together = spectra(series=x, sample_rate=8.0, segment=32.0)

    for k in range(4):
        alone = spectra(series=x[k], sample_rate=8.0, segment=32.0)
        np.testing.assert_array_equal(together.matrix[k], alone.matrix)


def test_segments_with_gaps_are_left_out_and_bursts_without_any_are_nan():
    x = np.random.default_rng(4).normal(size=(2, 1, 4096))
    x[0, 0, 100] = np.nan
    x[1, 0, ::100] = np.nan

    found = spectra(series=x, sample_rate=8.0, segment=64.0)

    np.testing.assert_array_equal(found.segments, [14, 0])
    assert np.isfinite(found.power(0)[0]).all()
    assert np.isnan(found.power(0)[1]).all()
    assert np.isnan(found.degrees_of_freedom[1])


def test_stated_degrees_of_freedom_are_those_of_white_noise():
    # Variance of an average of chi-squares: var/mean^2 = 2/nu, for one frequency and for a band of them.
    rng = np.random.default_rng(5)
    found = spectra(series=rng.normal(size=(400, 1, 2048)), sample_rate=1.0, segment=256.0)

    power = found.power(0)[:, 20:120]
    one = 2.0 * power.mean() ** 2 / power.var(axis=0).mean()
    band = 2.0 * power.mean() ** 2 / power.mean(axis=1).var() / power.shape[1]
    # Standard error of a variance from 400 bursts is 7 %.
    assert_allclose(one, found.degrees_of_freedom[0], rtol=0.1)
    assert_allclose(band, found.band_degrees_of_freedom[0], rtol=0.25)


def test_neutral_spectra_at_one_tenth():
    # Kaimal et al. (1972), Q. J. R. Meteorol. Soc. 98, 563, neutral forms at f = 0.1, by hand; six digits.
    found = [float(kaimal_spectrum(component=c, reduced_frequency=0.1)) for c in "uvw"]

    assert_allclose(found, [0.92344, 0.558545, 0.179503], rtol=0, atol=1e-5)


def test_neutral_spectra_integrate_to_the_known_variances():
    # Analytic integrals of the forms of Kaimal et al. (1972): sigma/u* = 2.18466, 1.63836, 1.2072.
    log_f = np.linspace(np.log(1e-9), np.log(1e9), 400001)
    sigma = [
        np.sqrt(integrate.trapezoid(kaimal_spectrum(component=c, reduced_frequency=np.exp(log_f)), log_f))
        for c in "uvw"
    ]

    assert_allclose(sigma, [2.18466, 1.63836, 1.2072], rtol=0, atol=1e-4)


def test_neutral_forms_miss_the_isotropic_ratio():
    # (2/5.3) / (105/33^(5/3)) = 1.22017 where isotropy asks 4/3.
    f = 1e7
    ratio = kaimal_spectrum(component="w", reduced_frequency=f) / kaimal_spectrum(component="u", reduced_frequency=f)

    assert_allclose(ratio, 1.22017, rtol=0, atol=1e-4)


@pytest.mark.parametrize(("form", "area"), [("kaimal1972", 1.04167), ("kaimal1994", 0.9375)])
def test_printed_cospectra_do_not_carry_exactly_the_stress(form, area):
    # 14/(9.6*1.4) and 12/(9.6*4/3), integrals of the printed forms (from memory).
    log_f = np.linspace(np.log(1e-9), np.log(1e9), 200001)
    f = np.exp(log_f)
    printed = kaimal_cospectrum(reduced_frequency=f, form=form, normalised=False)
    scaled = kaimal_cospectrum(reduced_frequency=f, form=form)

    assert_allclose(integrate.trapezoid(printed, log_f), area, rtol=0, atol=1e-4)
    assert_allclose(integrate.trapezoid(scaled, log_f), 1.0, rtol=0, atol=1e-4)


@given(st.integers(20, 300))
@settings(max_examples=30, deadline=None)
def test_band_averages_keep_the_area(count):
    rng = np.random.default_rng(count)
    f = np.arange(1, count + 1) * 0.01
    s = rng.random((2, count))

    _, mean, number = band_average(frequency=f, values=s, edges=band_edges(low=0.005, high=f[-1] * 1.01))

    assert number.sum() == count
    assert_allclose((mean * number).sum(axis=1), s.sum(axis=1))


def test_ogive_begins_with_the_whole_covariance():
    f = np.arange(1, 101) * 0.1
    c = np.random.default_rng(6).normal(size=100)

    found = cumulative_cospectrum(frequency=f, cospectrum=c)

    assert_allclose(found[0], c.sum() * 0.1)
    assert_allclose(found[-1], c[-1] * 0.1)


def test_arguments_that_cannot_be_meant_are_refused():
    with pytest.raises(InputError, match="16"):
        spectra(series=np.zeros(8), sample_rate=8.0)
    with pytest.raises(ShapeError):
        spectra(series=np.zeros((2, 2, 2, 100)), sample_rate=8.0)
    with pytest.raises(InputError, match="hann"):
        spectra(series=np.zeros(100), sample_rate=8.0, window="none")
