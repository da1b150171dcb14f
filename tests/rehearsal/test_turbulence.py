"""The unit field against the spectra and constants of wall turbulence."""

from __future__ import annotations

import numpy as np
import pytest

from reeftally.rehearsal.reef import Reef
from reeftally.rehearsal.turbulence import SPACING, UnitField, sample_cubic, spectra

# Sreenivasan 1995 (compilation), as quoted for the velocity inertial subrange: one-dimensional constant
# C1 = 18 C / 55 with C = 1.5, and 4/3 of it across the flow (isotropy; from memory).
C1 = 18.0 / 55.0 * 1.5


@pytest.fixture(scope="module")
def members():
    rows = [UnitField(Reef(), seed, "test").window(0, 400_000).astype(float) for seed in range(1, 9)]
    return np.stack(rows)


def _spectrum(rows: np.ndarray, length: int = 8192) -> tuple[np.ndarray, np.ndarray]:
    """One-sided spectrum over cycles per height, Hann windows, averaged over all rows and pieces."""
    n = rows.shape[-1] // length
    pieces = rows[..., : n * length].reshape(-1, length)
    window = np.hanning(length)
    transform = np.fft.rfft((pieces - pieces.mean(1, keepdims=True)) * window, axis=1)
    return np.fft.rfftfreq(length, SPACING), (np.abs(transform) ** 2).mean(0) * 2.0 * SPACING / (window**2).sum()


def test_covariance_of_u_and_w_is_minus_one_and_of_w_and_c_is_one(members):
    stress = np.mean(members[:, 0] * members[:, 2], axis=1)
    flux = np.mean(members[:, 3] * members[:, 2], axis=1)

    # The mean of eight fields against its own standard error, 4 sigma (a false alarm in 16,000).
    assert abs(stress.mean() + 1.0) < 4.0 * stress.std(ddof=1) / np.sqrt(8.0)
    assert abs(flux.mean() - 1.0) < 4.0 * flux.std(ddof=1) / np.sqrt(8.0)
    assert stress.std(ddof=1) < 0.05


def test_cospectrum_of_the_model_integrates_to_one_exactly():
    n = np.fft.rfftfreq(1 << 19, SPACING)[1:]

    made = spectra(n, von_karman=0.41, kolmogorov=1.5)

    assert np.sum(made.uw) * (n[1] - n[0]) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(("row", "factor"), [(0, 1.0), (1, 4.0 / 3.0), (2, 4.0 / 3.0)])
def test_inertial_subrange_carries_the_dissipation_of_the_log_layer(members, row, factor):
    n, power = _spectrum(members[:, row])
    inside = (n > 3.0) & (n < 10.0)

    # S(k) = C1 eps^(2/3) k^(-5/3) with eps = u*^3/(kappa z); k = 2 pi n / z; u* = z = 1.
    expected = factor * C1 * 0.41 ** (-2.0 / 3.0) * (2.0 * np.pi) ** (-2.0 / 3.0) * n[inside] ** (-5.0 / 3.0)
    ratio = np.mean(power[inside] / expected)

    # What is left of the energy range at n = 3 to 10 is 2 % for u and v, 1 % for w.
    assert ratio == pytest.approx(1.0, abs=0.03)


def test_coherence_of_the_model_never_exceeds_one_for_any_drawn_constants():
    n = np.fft.rfftfreq(1 << 14, SPACING)[1:]
    for kappa in (0.37, 0.41, 0.45):
        for kolmogorov in (1.2, 1.5, 1.8):
            made = spectra(n, von_karman=kappa, kolmogorov=kolmogorov)

            assert np.all(made.uw**2 <= made.u * made.w)


def test_variance_ratios_are_those_of_neutral_layers(members):
    sigma = members.std(axis=(0, 2))

    # Kaimal and Finnigan 1994 (from memory) give 2.4, 1.9, 1.25; the cut at a few depths takes from u and v.
    assert 1.4 < sigma[0] < 2.4
    assert 1.1 < sigma[1] < 1.9
    assert sigma[2] == pytest.approx(1.25, rel=0.05)


def test_pieces_join_without_loss_of_variance_or_jumps():
    field = UnitField(Reef(), 1, "joint")
    joint = (1 << 19) - (1 << 13)
    window = field.window(joint - 40_000, joint + 40_000).astype(float)

    steps = np.abs(np.diff(window[2]))

    assert window[2, 36_000:44_000].std() == pytest.approx(window[2].std(), rel=0.25)
    assert steps[39_000:41_000].max() < 1.5 * np.delete(steps, np.s_[39_000:41_000]).max()


def test_any_window_is_a_part_of_any_larger_one():
    one = UnitField(Reef(), 4, "same").window(1000, 2000)
    two = UnitField(Reef(), 4, "same").window(0, 600_000)[:, 1000:2000]

    assert np.array_equal(one, two)


def test_cubic_sampling_is_exact_for_a_parabola():
    # Catmull and Rom's cubic reproduces polynomials up to the second degree.
    values = np.arange(20.0) ** 2

    assert sample_cubic(values, 7.3) == pytest.approx(7.3**2, abs=1e-12)
