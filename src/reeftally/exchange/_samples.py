"""Blocks of samples: detrending, response restoring, lagged covariances, sub-block covariances.

Here:     the array work below `covariance` and `lag`, batched over blocks, gaps allowed.
Not here: decisions (which lag, which block counts).
Rules:    the last axis is samples; fluctuations carry NaN at gaps; a positive lag means that the
          concentration is later than the velocity.
"""

from __future__ import annotations

import numba
import numpy as np
import numpy.typing as npt
import scipy.fft

from reeftally._checks import FloatArray
from reeftally.exchange._common import fill_gaps

__all__ = [
    "Correlations",
    "at_lag",
    "correlations",
    "cross_and_own_spectra",
    "cross_spectrum",
    "detrended",
    "flat_stretches",
    "log_bins",
    "restored",
    "sub_covariances",
]


def detrended(values: FloatArray, kind: str, window: int) -> FloatArray:
    """Return the fluctuation of each row: ``block`` mean, ``linear`` fit or ``running`` mean removed."""
    bad = ~np.isfinite(values)
    good = ~bad
    n = values.shape[-1]
    count = np.maximum(good.sum(axis=-1, keepdims=True), 1)
    zeroed = np.where(bad, 0.0, values)
    mean = zeroed.sum(axis=-1, keepdims=True) / count
    fluctuation = np.where(bad, 0.0, values - mean)
    if kind == "linear":
        step = np.arange(n) - 0.5 * (n - 1)
        centre = np.where(good, step, 0.0).sum(axis=-1, keepdims=True) / count
        arm = np.where(good, step - centre, 0.0)
        spread = (arm * arm).sum(axis=-1, keepdims=True)
        slope = (arm * fluctuation).sum(axis=-1, keepdims=True) / np.where(spread > 0.0, spread, 1.0)
        fluctuation = fluctuation - slope * arm
    elif kind == "running":
        half = max(window // 2, 1)
        sums = np.cumsum(np.concatenate([np.zeros_like(mean), fluctuation], axis=-1), axis=-1)
        counts = np.cumsum(np.concatenate([np.zeros_like(mean), good.astype(float)], axis=-1), axis=-1)
        low = np.maximum(np.arange(n) - half, 0)
        high = np.minimum(np.arange(n) + half + 1, n)
        running = (sums[..., high] - sums[..., low]) / np.maximum(counts[..., high] - counts[..., low], 1.0)
        fluctuation = fluctuation - running
    return np.where(bad, np.nan, fluctuation)


def flat_stretches(values: FloatArray, noise_sd: FloatArray, window: int) -> npt.NDArray[np.bool_]:
    """Return which samples lie in stretches of `window` samples that are quieter than a tenth of the noise.

    Parameters
    ----------
    values : (blocks, n) array
        NaN at gaps.
    noise_sd : (blocks,) array
        White noise of the sensor per sample; 0 where not known: nothing is called flat there.
    window : int
        [samples]

    Notes
    -----
    A sensor that lives makes its noise: the mean square of first differences is at least twice its variance,
    whatever the water does. A stuck output, a sensor off the bus or a held last value falls far below.
    """
    steps = np.diff(values, axis=1)
    seen = np.isfinite(steps)
    square = np.where(seen, steps, 0.0) ** 2
    blocks, n = values.shape
    width = min(window, n - 1)
    sums = np.zeros((2, blocks, n))
    np.cumsum(square, axis=1, out=sums[0, :, 1:])
    np.cumsum(seen, axis=1, out=sums[1, :, 1:])
    total, counts = sums[:, :, width:] - sums[:, :, :-width]
    quiet = (counts >= 0.5 * width) & (total < 2.0 * (0.1 * noise_sd[:, None]) ** 2 * counts)
    # Each quiet window marks all samples in it.
    edges = np.zeros((blocks, n + 1), dtype=np.int64)
    edges[:, : quiet.shape[1]] += quiet
    edges[:, width + 1 : width + 1 + quiet.shape[1]] -= quiet[:, : n - width]
    return np.asarray(np.cumsum(edges, axis=1)[:, :n] > 0)


def restored(values: FloatArray, response_time: FloatArray, step: float) -> FloatArray:
    """Return the concentration before a first-order sensor: ``C = Cm + tau dCm/dt``.

    The derivative is the fourth-order central difference, whose own roll-off towards the Nyquist
    frequency keeps sample noise from being amplified without bound.
    """
    filled = fill_gaps(values)
    slope = np.gradient(filled, step, axis=-1)
    if values.shape[-1] > 4:
        slope[..., 2:-2] = (8.0 * (filled[..., 3:-1] - filled[..., 1:-3]) - (filled[..., 4:] - filled[..., :-4])) / (
            12.0 * step
        )
    return np.where(np.isfinite(values), filled + response_time[..., None] * slope, np.nan)


class Correlations:
    """Lagged covariances of one batch: `cross` (pairs-normalised), `cross_n`, `ww`, `cc` (1/n)."""

    __slots__ = ("cc", "cross", "cross_n", "max_lag", "ww")

    def __init__(self, cross: FloatArray, cross_n: FloatArray, ww: FloatArray, cc: FloatArray, max_lag: int) -> None:
        self.cross, self.cross_n, self.ww, self.cc, self.max_lag = cross, cross_n, ww, cc, max_lag


def _wrap(spectrum: npt.NDArray[np.complex128], length: int, max_lag: int) -> FloatArray:
    full = scipy.fft.irfft(spectrum, length, axis=-1)
    return np.concatenate([full[..., length - max_lag :], full[..., : max_lag + 1]], axis=-1)


def correlations(w: FloatArray, c: FloatArray, max_lag: int) -> Correlations:
    """Return covariances for lags -max_lag to max_lag of fluctuations `w`, `c` of shape (blocks, n)."""
    n = w.shape[-1]
    max_lag = min(max_lag, n - 2)
    length = scipy.fft.next_fast_len(n + max_lag + 1, real=True)
    good_w, good_c = np.isfinite(w), np.isfinite(c)
    fw = scipy.fft.rfft(np.where(good_w, w, 0.0), length, axis=-1)
    fc = scipy.fft.rfft(np.where(good_c, c, 0.0), length, axis=-1)
    cross = _wrap(np.conj(fw) * fc, length, max_lag)
    lag = np.abs(np.arange(-max_lag, max_lag + 1))
    if good_w.all() and good_c.all():
        pairs = np.broadcast_to((n - lag).astype(float), cross.shape)
    else:
        mw = scipy.fft.rfft(good_w.astype(float), length, axis=-1)
        mc = scipy.fft.rfft(good_c.astype(float), length, axis=-1)
        pairs = np.maximum(np.rint(_wrap(np.conj(mw) * mc, length, max_lag)), 1.0)
    count = np.maximum((good_w & good_c).sum(axis=-1, keepdims=True), 1)
    ww = _wrap((np.abs(fw) ** 2).astype(np.complex128), length, max_lag) / count
    cc = _wrap((np.abs(fc) ** 2).astype(np.complex128), length, max_lag) / count
    return Correlations(cross / pairs, cross / count, ww, cc, max_lag)


def at_lag(curve: FloatArray, max_lag: int, lag: FloatArray) -> FloatArray:
    """Return `curve` (blocks, lags) at fractional `lag` [samples] by a cubic through four points."""
    position = np.clip(np.nan_to_num(lag) + max_lag, 1.0, 2.0 * max_lag - 1.0)
    base = np.clip(np.floor(position).astype(int), 1, max(2 * max_lag - 2, 1))
    t = position - base
    rows = np.arange(curve.shape[0])
    p0, p1, p2, p3 = (curve[rows, np.clip(base + k, 0, 2 * max_lag)] for k in (-1, 0, 1, 2))
    value = p1 + 0.5 * t * (p2 - p0 + t * (2.0 * p0 - 5.0 * p1 + 4.0 * p2 - p3 + t * (3.0 * (p1 - p2) + p3 - p0)))
    return np.where(np.isfinite(lag), value, np.nan)


@numba.njit(cache=True, error_model="numpy", nogil=True)
def sub_covariances(  # pragma: no cover - compiled
    w: FloatArray, c: FloatArray, shift: npt.NDArray[np.int64], parts: int
) -> FloatArray:
    """Return covariances (blocks, parts) of sub-blocks, own means removed, `c` taken `shift` later."""
    blocks, n = w.shape
    out = np.full((blocks, parts), np.nan)
    for b in range(blocks):
        for p in range(parts):
            first, last = p * n // parts, (p + 1) * n // parts
            count, sum_w, sum_c, sum_wc = 0, 0.0, 0.0, 0.0
            for i in range(first, last):
                j = i + shift[b]
                if 0 <= j < n and np.isfinite(w[b, i]) and np.isfinite(c[b, j]):
                    count += 1
                    sum_w += w[b, i]
                    sum_c += c[b, j]
                    sum_wc += w[b, i] * c[b, j]
            if count > 1:
                out[b, p] = sum_wc / count - sum_w * sum_c / count / count
    return out


def cross_spectrum(w: FloatArray, c: FloatArray) -> npt.NDArray[np.complex128]:
    """Return the one-sided cross-spectrum whose real parts sum to the (circular) covariance."""
    product = np.conj(scipy.fft.rfft(np.nan_to_num(w), axis=-1)) * scipy.fft.rfft(np.nan_to_num(c), axis=-1)
    return _one_sided(product, w.shape[-1], np.isfinite(w) & np.isfinite(c))


def cross_and_own_spectra(
    w: FloatArray, c: FloatArray
) -> tuple[npt.NDArray[np.complex128], npt.NDArray[np.complex128], npt.NDArray[np.complex128]]:
    """Return the cross-spectrum of `w` and `c` and the spectrum of each, by one transform of each."""
    good_w, good_c = np.isfinite(w), np.isfinite(c)
    fw, fc = (scipy.fft.rfft(np.where(good, x, 0.0), axis=-1) for good, x in ((good_w, w), (good_c, c)))
    n, turned = w.shape[-1], np.conj(fw)
    return (
        _one_sided(turned * fc, n, good_w & good_c),
        _one_sided(turned * fw, n, good_w),
        _one_sided(np.conj(fc) * fc, n, good_c),
    )


def _one_sided(product: npt.NDArray[np.complex128], n: int, good: npt.NDArray[np.bool_]) -> npt.NDArray[np.complex128]:
    """Scale in place the product of two transforms of `n` samples, of which `good` count."""
    product *= 2.0 / (float(n) * np.maximum(good.sum(axis=-1, keepdims=True), 1))
    product[..., 0] = 0.0
    if n % 2 == 0:
        product[..., -1] *= 0.5
    return np.asarray(product)


def log_bins(n: int, per_decade: int) -> npt.NDArray[np.int64]:
    """Return the first index of each logarithmic frequency bin of a transform of `n` samples."""
    top = n // 2
    edges = np.unique(np.rint(10.0 ** np.arange(0.0, np.log10(max(top, 2)) + 1e-9, 1.0 / per_decade)).astype(np.int64))
    return edges[edges <= top]
