"""Despiking against published formulas and planted spikes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reeftally.errors import InputError, OutOfRangeError, ShapeError
from reeftally.flow import _kernels as kernels
from reeftally.flow import despike, fill, phase_space_axes, robust_scale, universal_threshold


# Goring and Nikora (2002), J. Hydraul. Eng. 128, 117: universal threshold sqrt(2 ln N), evaluated by hand
# for a burst of 4096 samples and for 15 min at 16 Hz; five decimals.
@pytest.mark.parametrize(("samples", "value"), [(4096, 4.07867), (14400, 4.37607)])
def test_threshold_is_that_of_the_2002_paper(samples, value):
    found = universal_threshold(samples=samples)

    assert_allclose(found, value, rtol=0, atol=0.5e-5)


def test_tilted_ellipse_has_the_axes_of_the_equation_pair():
    # Goring and Nikora (2002), equation pair for a and b (numbers 9-10 from memory), solved by hand for
    # N = 4096, s_u = 0.05, s_2 = 0.03, theta = -0.35 rad; six decimals.
    lam = float(universal_threshold(samples=4096))
    found = phase_space_axes(threshold=lam, scale=0.05, second_scale=0.03, angle=-0.35)

    assert_allclose(found, [0.21373, 0.104308], rtol=0, atol=1e-5)


def test_ellipse_without_a_real_answer_is_nan():
    found = phase_space_axes(threshold=4.0, scale=0.05, second_scale=0.005, angle=0.7)

    assert np.isnan(found).any()


def test_robust_scale_is_1_4826_times_the_median_deviation():
    # Wahl (2003), J. Hydraul. Eng. 129, 484 (factor from memory); median 0.12, deviations' median 0.01.
    found = robust_scale(values=[0.11, 0.13, 0.12, 0.1, 0.95, 0.14, 0.12, 0.09, 0.13])

    assert_allclose(found, 0.014826, rtol=0, atol=0.5e-6)


@given(st.lists(st.floats(-1e3, 1e3, width=32), min_size=1, max_size=400))
@settings(max_examples=80, deadline=None)
def test_histogram_median_equals_the_sorted_one(values):
    x = np.array(values)
    scratch = np.empty(x.size, np.float32)

    found = kernels.absolute_median(x, scratch, np.zeros(4096, np.int64), np.empty(x.size, np.float32))

    assert_allclose(found, np.median(np.abs(x)), rtol=2e-7, atol=1e-37)


@pytest.fixture
def spiked(burst_maker):
    """A burst in waves with 1 % planted spikes, 0.15 to 1.2 m/s horizontally (invented)."""
    rng = np.random.default_rng(47)
    burst = burst_maker(rng, sample_rate=32.0, wave_amplitude=0.1, noise=(0.012, 0.012, 0.0035))
    good = burst.velocity
    n = good.shape[1]
    planted = rng.random(n) < 0.01
    size = rng.uniform(0.15, 1.2, n) * rng.choice([-1.0, 1.0], n)
    spiked = good + planted * size * np.array([[1.0], [0.8], [0.25]])
    return good, spiked, planted


@pytest.mark.parametrize("method", ["wahl2003", "goring2002", "mori2007"])
def test_planted_spikes_are_caught_and_good_samples_left_alone(spiked, method):
    good, record, planted = spiked

    result = despike(velocity=record, sample_rate=32.0, method=method)

    caught = result.spikes[planted].mean()
    lost = result.spikes[~planted].mean()
    assert caught >= 0.95
    assert lost <= 0.002
    for series in (result.clean[2], result.filled[2]):
        assert_allclose(np.nanvar(series), np.var(good[2]), rtol=0.03)


@pytest.mark.parametrize("seed", range(6))
def test_runs_of_large_spikes_do_not_take_their_neighbours_along(burst_maker, seed):
    # Runs of one to three samples, 0.15 to 1.2 m/s: they defeat a median of five and tilt the ellipse.
    rng = np.random.default_rng(seed)
    burst = burst_maker(rng, sample_rate=32.0, wave_amplitude=0.1, noise=(0.012, 0.012, 0.0035))
    good = burst.velocity
    n = good.shape[1]
    planted = np.zeros(n, bool)
    size = np.zeros((3, n))
    for start in rng.integers(0, n - 3, n // 200):
        run = slice(start, start + rng.integers(1, 4))
        planted[run] = True
        size[:, run] = (rng.uniform(0.15, 1.2) * rng.choice([-1.0, 1.0]) * np.array([1.0, 0.9, 0.4]))[:, None]

    result = despike(velocity=good + size, sample_rate=32.0)

    assert result.spikes[planted].mean() >= 0.95
    assert result.spikes[~planted].mean() <= 0.002
    assert_allclose(np.nanvar(result.clean[2]), np.var(good[2]), rtol=0.03)


def test_spectrum_of_the_filled_record_is_that_of_the_good_one(spiked):
    good, record, _ = spiked

    result = despike(velocity=record, sample_rate=32.0)

    high = np.abs(np.fft.rfft(good[2] - good[2].mean()))[2000:] ** 2
    found = np.abs(np.fft.rfft(result.filled[2] - result.filled[2].mean()))[2000:] ** 2
    assert_allclose(found.sum(), high.sum(), rtol=0.05)


def test_a_clean_record_loses_almost_nothing(burst_maker):
    burst = burst_maker(np.random.default_rng(5), sample_rate=32.0, noise=(0.012, 0.012, 0.0035))

    result = despike(velocity=burst.velocity, sample_rate=32.0)

    assert result.fraction < 0.001


def test_input_is_not_changed_and_nan_stays_missing():
    rng = np.random.default_rng(1)
    x = rng.normal(size=(3, 1000))
    x[1, 100:110] = np.nan
    before = x.copy()

    result = despike(velocity=x, sample_rate=8.0)

    np.testing.assert_array_equal(x, before)
    assert result.bad[100:110].all()
    assert np.isnan(result.clean[:, 100:110]).all()


def test_gaps_up_to_one_second_are_filled_and_longer_ones_stay_missing():
    # Rule of the method: linear or cubic up to 1 s, longer gaps left missing (common practice, no source).
    x = np.sin(np.arange(1000) / 50.0)
    gappy = x.copy()
    gappy[100:108] = np.nan
    gappy[300:309] = np.nan

    found = fill(values=gappy, sample_rate=8.0)

    assert_allclose(found[100:108], x[100:108], atol=1e-3)
    assert np.isnan(found[300:309]).all()


def test_gaps_at_the_ends_are_never_filled():
    x = np.arange(50.0)
    x[:2] = np.nan
    x[-1] = np.nan

    found = fill(values=x, sample_rate=8.0)

    assert np.isnan(found[[0, 1, -1]]).all()


@given(st.integers(20, 60), st.floats(-2, 2), st.floats(-2, 2), st.floats(-2, 2), st.floats(-2, 2))
@settings(max_examples=40, deadline=None)
def test_cubic_fill_reproduces_any_cubic(start, a, b, c, d):
    t = np.linspace(-1.0, 1.0, 100)
    x = a + b * t + c * t**2 + d * t**3
    gappy = x.copy()
    gappy[start : start + 5] = np.nan

    found = fill(values=gappy, sample_rate=10.0)

    assert_allclose(found, x, atol=1e-9)


@pytest.mark.parametrize(
    ("record", "reason"),
    [
        (np.empty((3, 0)), "too_few_samples"),
        (np.full((3, 500), np.nan), "all_missing"),
        (np.vstack([np.random.default_rng(0).normal(size=(2, 500)), np.ones((1, 500))]), "constant"),
    ],
)
def test_useless_records_come_back_with_a_reason_and_no_number(record, reason):
    result = despike(velocity=record, sample_rate=8.0)

    assert result.reasons == (reason,)
    assert np.isnan(result.filled).all()


def test_arguments_that_cannot_be_meant_are_refused():
    with pytest.raises(ShapeError):
        despike(velocity=np.zeros((2, 2, 100)), sample_rate=8.0)
    with pytest.raises(OutOfRangeError, match="sample_rate"):
        despike(velocity=np.zeros(100), sample_rate=-1.0)
    with pytest.raises(InputError, match="wahl2003"):
        despike(velocity=np.zeros(100), sample_rate=8.0, method="best")
