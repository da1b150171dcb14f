"""Structure functions against constructed values, theory and fields with known dissipation."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import integrate

from reeftally.errors import ShapeError
from reeftally.flow import (
    fit_structure_function,
    structure_constant_ratio,
    structure_function,
    structure_function_dissipation,
)
from reeftally.flow.structure import STRUCTURE_CONSTANT

SEPARATION = np.array([0.06, 0.12, 0.18, 0.24, 0.3, 0.36])


def test_constant_follows_from_the_spectral_one():
    # Isotropic turbulence (Pope 2000; Monin and Yaglom 1975, from memory): 2 Int x^(-5/3)(1 - cos x) dx = 4.01841.
    # Independent: quadrature with x = y^3, which takes the singularity away, and the tail in closed form.
    top = 2.0e3 * np.pi
    body = integrate.quad(lambda y: 3.0 * y**-3 * (1.0 - np.cos(y**3)), 0.0, top ** (1 / 3), limit=6000)[0]
    tail = 1.5 * top ** (-2 / 3)

    assert_allclose(structure_constant_ratio(), 4.01841, rtol=0, atol=0.5e-5)
    assert_allclose(2.0 * (body + tail), structure_constant_ratio(), rtol=1e-5)


def test_constant_of_profilers_lies_between_the_spectral_ones():
    # Wiles et al. (2006): 2.1, later practice 2.0 (from memory); 4.018 C1 is 1.97 for 27/55 and 2.13 for 0.53.
    assert STRUCTURE_CONSTANT == 2.1
    assert_allclose(structure_constant_ratio() * np.array([27 / 55, 0.53]), [1.97, 2.13], rtol=0, atol=0.005)


def test_constructed_structure_function_gives_back_dissipation_and_noise():
    # Constructed with eps = 2e-6 W/kg, N = 3e-5 m2/s2, C2 = 2.1; D printed to six digits.
    d = [8.10905e-05, 0.000111101, 0.000136273, 0.00015874, 0.000179389, 0.000198697]

    found = fit_structure_function(separation=SEPARATION, structure=d)

    assert_allclose(found.dissipation, 2e-6, rtol=0, atol=4e-9)
    assert_allclose(found.noise, 3e-5, rtol=0, atol=5e-8)


def test_wave_term_keeps_orbital_shear_out_of_dissipation():
    # Scannell et al. (2017), form from memory: orbital shear adds a term in r^2.
    d = 3e-5 + 2.1 * (2e-6) ** (2 / 3) * SEPARATION ** (2 / 3) + 8e-4 * SEPARATION**2

    plain = fit_structure_function(separation=SEPARATION, structure=d)
    found = fit_structure_function(separation=SEPARATION, structure=d, waves=True)

    assert plain.estimate > 2.4e-6
    assert_allclose(found.dissipation, 2e-6, rtol=1e-6)
    assert_allclose(found.wave_term, 8e-4, rtol=1e-6)


def test_a_wide_interval_is_refused_at_sixty_percent():
    # SCOR working group 160, quality test 2: 95 % half-width over eps above 0.6 is refused.
    exact = 3e-5 + 2.1 * (2e-6) ** (2 / 3) * SEPARATION ** (2 / 3)
    rough = exact + np.array([1, -1, 1, -1, 1, -1]) * 3e-5

    found = fit_structure_function(separation=SEPARATION, structure=rough)

    assert found.reasons == ("too_wide",)
    assert np.isnan(found.dissipation)


@pytest.mark.parametrize(
    ("structure", "reason"),
    [
        (np.full(6, np.nan), "too_few_separations"),
        (3e-5 - 1e-5 * SEPARATION, "negative_slope"),
        (-1e-4 + 1e-3 * SEPARATION ** (2 / 3), "negative_noise"),
    ],
)
def test_impossible_fits_have_a_reason_and_no_number(structure, reason):
    found = fit_structure_function(separation=SEPARATION, structure=structure)

    assert reason in found.reasons
    assert np.isnan(found.dissipation)


def turbulent_beam(rng, *, dissipation=2e-6, bins=30, bin_size=0.02, times=900, noise=0.004):
    """Independent snapshots along a beam of a field with the longitudinal inertial spectrum (invented)."""
    size, spacing = 4096, 0.005
    k = 2 * np.pi * np.fft.rfftfreq(size, spacing)
    # C1 such that C2 = 4.01841 C1 is the constant of the fit.
    shape = 2.1 / 4.01841 * dissipation ** (2 / 3) * np.maximum(k, 3.0) ** (-5 / 3)
    draw = rng.normal(size=(times, k.size)) + 1j * rng.normal(size=(times, k.size))
    field = np.fft.irfft(np.sqrt(shape * (k[1] - k[0])) * draw * size / 2.0, size, axis=1)
    step = round(bin_size / spacing)
    return (field[:, : bins * step : step] + noise * rng.normal(size=(times, bins))).T


def test_planted_dissipation_is_recovered_from_a_beam():
    velocity = turbulent_beam(np.random.default_rng(1))

    r, d = structure_function(velocity=velocity, bin_size=0.02, longest=0.2)
    fits = [fit_structure_function(separation=r, structure=row) for row in d[10:20]]

    # Outer scale 2 m against separations to 0.2 m lowers D by a few percent.
    assert_allclose(np.mean([f.dissipation for f in fits]), 2e-6, rtol=0.12)
    assert_allclose(np.mean([f.noise for f in fits]), 2 * 0.004**2, rtol=0.2)


def test_every_bin_gets_its_fit_and_low_bins_a_reason():
    velocity = turbulent_beam(np.random.default_rng(2))
    height = 0.05 + 0.02 * np.arange(30) - 0.1

    fits = structure_function_dissipation(velocity=velocity, bin_size=0.02, height=height, waves=False)

    assert len(fits) == 30
    assert fits[0].reasons == ("height_impossible",)
    assert fits[4].reasons == ("too_few_separations",)
    assert np.isfinite(fits[15].dissipation)


def test_missing_samples_do_not_spoil_the_rest():
    velocity = turbulent_beam(np.random.default_rng(3))
    velocity[5] = np.nan
    velocity[12, ::3] = np.nan

    _, d = structure_function(velocity=velocity, bin_size=0.02, longest=0.1)

    assert np.isfinite(d[12]).all()
    assert np.isnan(d[5, 0])


def test_shapes_must_fit():
    with pytest.raises(ShapeError):
        structure_function(velocity=np.zeros(10), bin_size=0.02, longest=0.1)
    with pytest.raises(ShapeError):
        fit_structure_function(separation=[1, 2], structure=[1, 2, 3])
    with pytest.raises(ShapeError):
        structure_function_dissipation(velocity=np.zeros((3, 10)), bin_size=0.02, height=[0.1])
