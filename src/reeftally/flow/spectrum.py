"""Spectra and cospectra of bursts, and the universal forms of the neutral surface layer.

Here:     one-sided Welch spectra of many channels and bursts at once, their degrees of freedom,
          band averages, cumulative cospectra, the forms of Kaimal et al. (1972).
Not here: what a spectrum means: stress (`stress`), dissipation (`inertial`), waves (`surface_waves`).
Rules:    one-sided, per Hz; the sum over frequencies times the resolution is the (co)variance.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import fft

from reeftally._checks import FloatArray, as_float, one_of, require_range
from reeftally.errors import InputError, ShapeError
from reeftally.flow import _kernels as kernels

__all__ = [
    "Spectra",
    "band_average",
    "band_edges",
    "cumulative_cospectrum",
    "kaimal_cospectrum",
    "kaimal_spectrum",
    "spectra",
]

ComplexArray = npt.NDArray[np.complex128]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spectra:
    """Averaged spectra of some channels of one burst, or of many bursts."""

    frequency: FloatArray
    """Frequencies, the mean left out; shape (f,). [Hz]"""
    matrix: ComplexArray
    """Cross-spectra S_ab = <X_a conj X_b>, one-sided, shape (..., channels, channels, f)."""
    segments: npt.NDArray[np.int64]
    """Segments averaged, one a burst; shape (...) ."""
    degrees_of_freedom: FloatArray
    """Of one frequency's average (chi-square); shape (...). [1]"""
    band_degrees_of_freedom: FloatArray
    """Per frequency when many neighbouring ones are averaged: neighbours share samples. [1]"""
    resolution: float
    """Spacing of the frequencies. [Hz]"""

    def power(self, channel: int) -> FloatArray:
        """Return the spectrum of one channel, shape (..., f). [unit2 Hz-1]"""
        return np.asarray(self.matrix[..., channel, channel, :].real)

    def cospectrum(self, first: int, second: int) -> FloatArray:
        """Return the in-phase part of a cross-spectrum, shape (..., f). [unit2 Hz-1]"""
        return np.asarray(self.matrix[..., first, second, :].real)


@lru_cache(maxsize=32)
def _window(length: int, step: int, kind: str) -> tuple[FloatArray, float, float, float]:
    """Window of mean square one, and squared correlations that averaging has to respect.

    The three numbers: with the next segment at the same frequency; with all frequencies of the
    same segment; with all frequencies of the next segment.
    """
    position = (np.arange(length) + 0.5) / length
    shape = np.sin(np.pi * position) ** 2 if kind == "hann" else np.ones(length)
    shape /= np.sqrt(np.mean(shape**2))
    own = np.abs(np.fft.fft(shape * shape)) ** 2 / length**2
    lagged = np.zeros(length)
    if step < length:
        product = np.zeros(length)
        product[: length - step] = shape[: length - step] * shape[step:]
        lagged = np.abs(np.fft.fft(product)) ** 2 / length**2
    shape.setflags(write=False)
    return shape, float(lagged[0]), float(own.sum()), float(lagged.sum())


def spectra(
    *,
    series: npt.ArrayLike,
    sample_rate: float,
    segment: float = 128.0,
    overlap: float = 0.5,
    window: str = "hann",
    detrend: str = "linear",
) -> Spectra:
    """One-sided spectra and cross-spectra by averaging overlapping windowed segments (Welch).

    Parameters
    ----------
    series : array-like, shape (channels, n) or (bursts, channels, n), or (n,) for one channel
        Samples, time last. Segments with a NaN in any channel are left out.
    sample_rate : float
        Samples a second. [Hz]
    segment : float
        Length of a segment; rounded to a length that transforms fast. [s]
    overlap : float
        Share of a segment that the next one repeats, 0 to 0.9. [1]
    window : {"hann", "boxcar"}
        Window.
    detrend : {"linear", "constant"}
        What is taken off each segment.

    Returns
    -------
    Spectra
        NaN for bursts without a single complete segment.

    Raises
    ------
    ShapeError, OutOfRangeError, InputError
        If the arguments do not fit together, or the burst is shorter than one segment of 16 samples.

    Notes
    -----
    Welch (1967), IEEE Trans. Audio Electroacoust. AU-15, 70-73, with the variance of overlapped
    averages computed from the window itself.
    """
    one_of("window", window, ("hann", "boxcar"))
    one_of("detrend", detrend, ("linear", "constant"))
    require_range("sample_rate", sample_rate, 0.001, 1000.0, "Hz")
    require_range("overlap", overlap, 0.0, 0.9)
    array = as_float("series", series)
    if array.ndim not in {1, 2, 3}:
        message = f"series has shape {array.shape}; it needs (n,), (channels, n) or (bursts, channels, n)."
        raise ShapeError(message)
    lead = array.shape[:-2]
    cube = np.ascontiguousarray(array).reshape((-1, array.shape[-2] if array.ndim > 1 else 1, array.shape[-1]))
    bursts, channels, n = cube.shape
    length = min(fft.next_fast_len(max(round(segment * sample_rate), 1), real=True), n)
    length = min(length, n - n % 2)
    if length < 16:
        message = f"series has {n} samples; a spectrum needs segments of at least 16."
        raise InputError(message)
    step = max(round(length * (1.0 - overlap)), 1)
    shape, neighbour, own, lagged = _window(length, step, window)
    bins = length // 2 + 1
    matrix = np.full((bursts, channels, channels, bins - 1), np.nan, dtype=np.complex128)
    used = np.zeros(bursts, dtype=np.int64)
    sums = np.empty((channels, channels, bins), dtype=np.complex128)
    scale = np.full(bins, 2.0)
    if length % 2 == 0:
        scale[-1] = 1.0
    for burst in range(bursts):
        kept = kernels.tapered_segments(cube[burst], step, shape, detrend == "linear")
        if kept.shape[1] == 0:
            continue
        transforms = fft.rfft(kept, axis=-1)
        kernels.cross_sums(transforms, sums)
        used[burst] = kept.shape[1]
        matrix[burst] = (sums * (scale / (sample_rate * length * kept.shape[1])))[..., 1:]
    count = np.maximum(used, 1).astype(np.float64)
    single = count / (1.0 + 2.0 * neighbour * (count - 1.0) / count)
    share = (count - 1.0) / count
    banded = count / (own + 2.0 * lagged * share)
    return Spectra(
        frequency=np.arange(1, bins) * (sample_rate / length),
        matrix=matrix.reshape((*lead, channels, channels, bins - 1)),
        segments=used.reshape(lead),
        degrees_of_freedom=np.where(used > 0, 2.0 * single, np.nan).reshape(lead),
        band_degrees_of_freedom=np.where(used > 0, 2.0 * banded, np.nan).reshape(lead),
        resolution=sample_rate / length,
    )


def band_edges(*, low: float, high: float, per_decade: int = 24) -> FloatArray:
    """Logarithmic band edges from `low` to `high`. [Hz]"""
    require_range("low", low, 1e-9, high, "Hz")
    bands = max(round(per_decade * float(np.log10(high / low))), 1)
    return np.geomspace(low, high, bands + 1)


def band_average(
    *, frequency: npt.ArrayLike, values: npt.ArrayLike, edges: npt.ArrayLike
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.int64]]:
    """Average spectral values over bands.

    Parameters
    ----------
    frequency : array-like, shape (f,)
        Rising frequencies. [Hz]
    values : array-like, shape (..., f)
        Spectral densities.
    edges : array-like, shape (b + 1,)
        Band edges; a band holds low <= f < high. [Hz]

    Returns
    -------
    tuple
        Mean frequency, mean density (..., bands) and count of frequencies of every band that holds any.
    """
    f = as_float("frequency", frequency)
    density = as_float("values", values)
    starts = np.searchsorted(f, as_float("edges", edges))
    first, last = starts[:-1], starts[1:]
    first, last = first[last > first], last[last > first]
    if first.size == 0:
        nothing = np.empty((*density.shape[:-1], 0))
        return np.empty(0), nothing, np.empty(0, dtype=np.int64)
    count = last - first
    cut = slice(int(first[0]), int(last[-1]))
    at = first - first[0]
    mean_f = np.add.reduceat(f[cut], at) / count
    mean = np.add.reduceat(density[..., cut], at, axis=-1) / count
    return mean_f, mean, count.astype(np.int64)


def cumulative_cospectrum(*, frequency: npt.ArrayLike, cospectrum: npt.ArrayLike) -> FloatArray:
    """Sum a cospectrum from the highest frequency down (ogive).

    Parameters
    ----------
    frequency : array-like, shape (f,)
        Evenly spaced, rising. [Hz]
    cospectrum : array-like, shape (..., f)
        One-sided density. [unit2 Hz-1]

    Returns
    -------
    float64 array, shape (..., f)
        Covariance held at and above each frequency. [unit2]
    """
    f = as_float("frequency", frequency)
    if f.size < 2:
        message = f"frequency has {f.size} values; an ogive needs at least 2."
        raise ShapeError(message)
    density = as_float("cospectrum", cospectrum)
    return np.asarray(np.cumsum(density[..., ::-1], axis=-1)[..., ::-1] * (f[1] - f[0]))


_KAIMAL = {"u": (105.0, 33.0), "v": (17.0, 9.5), "w": (2.0, 5.3)}


def kaimal_spectrum(*, component: str, reduced_frequency: npt.ArrayLike) -> FloatArray:
    """Neutral surface-layer spectrum n S(n) / u*^2 of one velocity component.

    Parameters
    ----------
    component : {"u", "v", "w"}
        Along, across, up.
    reduced_frequency : array-like
        f = n z / U. [1]

    Returns
    -------
    float64 array
        n S / u*^2. [1]

    Notes
    -----
    Kaimal et al. (1972), Q. J. R. Meteorol. Soc. 98, 563-589: 105 f/(1+33f)^(5/3),
    17 f/(1+9.5f)^(5/3), 2 f/(1+5.3 f^(5/3)). At high f the ratio w : u is 1.22, not 4/3.
    """
    one_of("component", component, ("u", "v", "w"))
    f = as_float("reduced_frequency", reduced_frequency)
    top, bottom = _KAIMAL[component]
    if component == "w":
        return np.asarray(top * f / (1.0 + bottom * f ** (5.0 / 3.0)))
    return np.asarray(top * f / (1.0 + bottom * f) ** (5.0 / 3.0))


def kaimal_cospectrum(
    *, reduced_frequency: npt.ArrayLike, form: str = "kaimal1972", normalised: bool = True
) -> FloatArray:
    """Neutral surface-layer cospectrum -n C_uw(n) / u*^2.

    Parameters
    ----------
    reduced_frequency : array-like
        f = n z / U. [1]
    form : {"kaimal1972", "kaimal1994"}
        14 f/(1+9.6f)^2.4 or 12 f/(1+9.6f)^(7/3) (both from memory of the sources).
    normalised : bool
        Divide by the integral of the printed form (1.0417 or 0.9375), so that it carries exactly u*^2.

    Returns
    -------
    float64 array
        -n C_uw / u*^2. [1]
    """
    one_of("form", form, ("kaimal1972", "kaimal1994"))
    f = as_float("reduced_frequency", reduced_frequency)
    top, power = (14.0, 2.4) if form == "kaimal1972" else (12.0, 7.0 / 3.0)
    whole = top / (9.6 * (power - 1.0)) if normalised else 1.0
    return np.asarray(top * f / (1.0 + 9.6 * f) ** power / whole)
