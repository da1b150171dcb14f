"""Band-by-band removal of waves from the transforms of one burst.

Here:     scaled transforms, bands, coherent removal, the phase method, cospectral fitting, wave band.
Not here: choosing among them and turning covariances into friction velocity (`stress`).
Rules:    transforms are scaled so that sums over frequencies are (co)variances of the good samples.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import fft, special

from reeftally._checks import FloatArray
from reeftally.flow import _kernels as kernels

__all__ = [
    "band_starts",
    "band_sums",
    "coherent_residual",
    "covariance_variance",
    "fit_cospectrum",
    "phase_method",
    "smooth_spectrum",
    "transform",
    "transform_references",
    "wave_band_of",
]

_WIDTH = 0.02
"""Width of the bands in which a transfer function is taken as constant. [Hz]"""
ComplexArray = npt.NDArray[np.complex128]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


def transform(series: FloatArray, good: npt.NDArray[np.bool_]) -> ComplexArray:
    """Transforms of the detrended rows, scaled so that sums over frequencies are (co)variances.

    Bad samples are held at the trend and the rest weighs more: the covariance is that of the good ones.
    """
    n = series.shape[-1]
    number = float(np.count_nonzero(good))
    clean = kernels.detrended(np.ascontiguousarray(series, dtype=np.float64), good)
    coefficients = fft.rfft(clean, axis=-1)[:, 1:]
    if n % 2 == 0:
        coefficients[:, -1] *= np.sqrt(0.5)
    return np.asarray(coefficients * np.sqrt(2.0 / (n * number)))


def band_starts(bins: int, resolution: float) -> npt.NDArray[np.int64]:
    """Band starts: four bins wide at first, then the fixed width, then about an eighth of an octave."""
    starts = [0]
    while starts[-1] < bins:
        here = starts[-1]
        width = max(min(here // 3, round(_WIDTH / resolution)), 4)
        starts.append(here + max(width, int(here * 0.09)))
    starts[-1] = bins
    if len(starts) > 2 and starts[-1] - starts[-2] < 4:
        del starts[-2]
    return np.array(starts, dtype=np.int64)


def band_sums(product: npt.NDArray[np.generic], starts: npt.NDArray[np.int64]) -> npt.NDArray[np.generic]:
    return np.add.reduceat(product, starts[:-1], axis=-1)


def coherent_residual(
    signals: ComplexArray, references: ComplexArray, starts: npt.NDArray[np.int64], bands: FloatArray
) -> ComplexArray:
    """Take off the part of `signals` (s, f) coherent with `references` (r, f), band by band.

    Least squares uses up one complex degree of freedom a reference; the residual is scaled so that
    residual (co)spectra are unbiased. Only bands of the list are touched.
    """
    out = signals.copy()
    work = np.empty_like(references)
    for k in bands.astype(int):
        first, last = int(starts[k]), int(starts[k + 1])
        if last - first >= 3 * references.shape[0]:
            kernels.coherent_band(out, references, first, last, work)
    return out


def _line(x: FloatArray, y: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """Slope and intercept of a weighted straight line."""
    total = weight.sum()
    mx, my = float(weight @ x / total), float(weight @ y / total)
    dx = x - mx
    slope = float((weight * dx) @ (y - my) / ((weight * dx) @ dx))
    return slope, my - slope * mx


def wave_band_of(*, power: FloatArray, frequency: FloatArray, count: FloatArray) -> tuple[float, float] | None:
    """Band in which the horizontal spectrum stands above the -5/3-like background; None if it does not.

    The background is a straight line in logarithms, fitted again and again to the bands that stand
    less than a factor two above it.
    """
    inside = (frequency > 0.008) & (frequency < 2.0) & (power > 0.0)
    if inside.sum() < 8:
        return None
    x, y, weight = np.log(frequency[inside]), np.log(power[inside]), count[inside]
    keep = np.ones(x.size, dtype=np.bool_)
    fitted = y
    for _ in range(20):
        slope, level = _line(x[keep], y[keep], weight[keep])
        fitted = level + slope * x
        fresh = y < fitted + np.log(2.0)
        if fresh.sum() < 5 or (fresh == keep).all():
            break
        keep = fresh
    # Chance peaks of bands with few degrees of freedom are no waves: four standard errors.
    limit = np.maximum(np.log(2.0), 4.0 / np.sqrt(weight))
    above = (y > fitted + limit) & (frequency[inside] > 0.03) & (weight >= 3)
    if not above.any():
        return None
    peak = int(np.argmax(np.where(above, y - fitted, -np.inf)))
    if y[peak] - fitted[peak] < np.log(4.0):
        return None
    f = frequency[inside]
    return float(f[above].min() * 0.85), float(f[above].max() * 1.15)


def _background(power: FloatArray, frequency: FloatArray, band: tuple[float, float]) -> FloatArray:
    """Spectrum under the waves: straight line in logarithms through bins on both sides of the band."""
    side = ((frequency >= band[0] / 3.0) & (frequency < band[0])) | (
        (frequency > band[1]) & (frequency <= band[1] * 3.0)
    )
    side &= power > 0.0
    if side.sum() < 4:
        return np.zeros_like(power)
    # The mean of the logarithm of a chi-square with 2 degrees of freedom is low by Euler's constant.
    x, y = np.log(frequency[side]), np.log(power[side]) + np.euler_gamma
    slope, level = _line(x, y, 1.0 / frequency[side])
    return np.asarray(np.exp(level + slope * np.log(frequency)))


def phase_method(a: ComplexArray, b: ComplexArray, frequency: FloatArray, band: tuple[float, float]) -> FloatArray:
    """Wave part of the cospectrum per bin, Bricker and Monismith (2007)."""
    inside = (frequency >= band[0]) & (frequency <= band[1])
    power_a, power_b = np.abs(a) ** 2, np.abs(b) ** 2
    wave_a = np.sqrt(np.maximum(power_a - _background(power_a, frequency, band), 0.0))
    wave_b = np.sqrt(np.maximum(power_b - _background(power_b, frequency, band), 0.0))
    cosine = np.cos(np.angle(a) - np.angle(b))
    return np.where(inside, wave_a * wave_b * cosine, 0.0)


def covariance_variance(power_a: FloatArray, power_b: FloatArray, cross: ComplexArray, count: FloatArray) -> FloatArray:
    """Variance of a bin's Re(A conj B) in each band, from the band's own means over `count` bins.

    For complex normal bins it is (S_a S_b + C^2 - Q^2) / 2. Means over m bins put into that exceed it
    by C^2 / m, since the powers in them go up and down together with the cross-spectrum; that is
    taken off, which is exact in expectation.
    """
    plain = 0.5 * (power_a * power_b + cross.real**2 - cross.imag**2)
    mended = (plain - cross.real**2 / count) / (1.0 - 1.0 / np.maximum(count, 2.0) ** 2)
    return np.asarray(np.where(count >= 2.0, np.maximum(mended, 0.0), plain))


def fit_cospectrum(
    frequency: FloatArray, sums: FloatArray, variance: FloatArray, widths: FloatArray
) -> tuple[float, float]:
    """Covariance and its sd by fitting the turbulence cospectrum to bands outside the waves.

    Two shapes, each with its roll-off scanned and all averaged by their likelihood, so that not
    knowing shape and roll-off widens the interval:
    (7/(3 pi)) sin(3 pi/7) (1/f0) / (1 + (f/f0)^(7/3)) (Kirincich, Lentz and Gerbi 2010, from memory)
    and 1.4 a / (1 + a f)^2.4 (Kaimal et al. 1972).
    """
    weight = 1.0 / np.maximum(variance, 1e-30)
    roll = np.geomspace(0.003, 0.5, 45)[:, None]
    sharp = 7.0 / (3.0 * np.pi) * np.sin(3.0 * np.pi / 7.0) / roll / (1.0 + (frequency / roll) ** (7.0 / 3.0))
    round_ = 1.4 / roll / (1.0 + frequency / roll) ** 2.4
    columns = np.concatenate([sharp, round_]) * widths
    information = (weight * columns**2).sum(axis=1)
    value = (columns * (weight * sums)).sum(axis=1) / information
    misfit = (weight * (sums - value[:, None] * columns) ** 2).sum(axis=1)
    best = float(misfit.min())
    # The roll-off is averaged over by its likelihood, so that not knowing it widens the interval.
    odds = np.exp(-0.5 * (misfit - best))
    odds /= odds.sum()
    mean = float(odds @ value)
    total = float(odds @ (1.0 / information + (value - mean) ** 2))
    # A misfit beyond chance means that the shape is not that of this water: widen, never narrow.
    total *= max(best / max(frequency.size - 2, 1), 1.0)
    return mean, float(np.sqrt(total))


def smooth_spectrum(power: FloatArray, frequency: FloatArray, count: FloatArray) -> FloatArray:
    """Smooth spectrum by a cubic in logarithms, for weights.

    Weights from the bands' own powers would favour bands that happen to be small. The mean logarithm
    of a mean of m chi-squares is digamma(m) - ln m.
    """
    x = np.log(frequency)
    y = np.log(np.maximum(power, 1e-300)) - special.digamma(count) + np.log(count)
    return np.asarray(np.exp(np.polyval(np.polyfit(x, y, 3, w=np.sqrt(count)), x)))


def transform_references(references: FloatArray, good: npt.NDArray[np.bool_]) -> ComplexArray:
    """Transforms of reference rows, each with its own gaps held at its trend."""
    return np.concatenate([transform(row[None], ok) for row, ok in zip(references, good, strict=True)])
