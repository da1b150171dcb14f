"""A frozen field of turbulence, as long as any mission, made piece by piece.

Here:     `UnitField` (velocity and concentration for unit friction velocity and unit height), its
          spectra, `sample_cubic`.
Not here: how the water carries it past a sensor (`water.Path`, `highrate`).
Rules:    the coordinate is distance over height above the displacement plane. Covariances are exact in
          expectation: ``<u w> = −1``, ``<w c> = +1``; the inertial subrange carries the dissipation
          ``1 / κ`` with the reef's own constants.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from functools import lru_cache

import numba as nb
import numpy as np

from reeftally._checks import FloatArray
from reeftally.rehearsal.reef import Reef, generator

__all__ = ["SPACING", "Spectra", "UnitField", "sample_cubic", "spectra"]

SPACING = 1.0 / 60.0
"""Distance between members of the field, in heights."""
_LENGTH = 1 << 19
_OVERLAP = 1 << 12
_CUT = 0.02
"""Below this wave number (cycles per height) the energy falls: eddies end at a few water depths."""
_COHERENCE = 0.95
_SCALE_W = 5.0
"""Length scale of w in heights: gives a standard deviation near 1.25 u*."""


@dataclass(frozen=True, slots=True)
class Spectra:
    """One-sided spectra over wave number in cycles per height, in units of u*² (c: of (F/u*)²)."""

    n: FloatArray
    u: FloatArray
    v: FloatArray
    w: FloatArray
    c: FloatArray
    uw: FloatArray
    """Minus the cospectrum of u and w; the cospectrum of w and c is the same."""


def spectra(n: FloatArray, *, von_karman: float, kolmogorov: float) -> Spectra:
    """Spectra of neutral wall turbulence with the given inertial subrange.

    Along and across the flow the shapes of Kaimal et al. (1972), ``1/(1+33n)^(5/3)`` and
    ``1/(1+9.5n)^(5/3)``; for w the transverse spectrum of von Karman (1948),
    ``(1 + 8/3 x²) / (1 + x²)^(11/6)`` with x = 5 n, which reaches the inertial subrange sooner. Levels are set
    so that at large n ``S_u = 18/55 C (2πκ)^(−2/3) n^(−5/3)`` and v, w have 4/3 of it, which is
    ``ε = u*³/(κ z)``. The cospectrum is ``1/(1+8n)^2.4`` (8 and not 9.6), coherence is held below 0.95, so
    that the three can belong to one field. All are cut below 0.02 cycles per height, and the cospectrum
    is scaled to integrate to one.
    """
    level = 18.0 / 55.0 * kolmogorov / (2.0 * np.pi * von_karman) ** (2.0 / 3.0)
    cut = n**2 / (n**2 + _CUT**2)
    s_u = cut * level * 33.0 ** (5.0 / 3.0) / (1.0 + 33.0 * n) ** (5.0 / 3.0)
    s_v = cut * 4.0 / 3.0 * level * 9.5 ** (5.0 / 3.0) / (1.0 + 9.5 * n) ** (5.0 / 3.0)
    x = _SCALE_W * n
    s_w = cut * level / 2.0 * _SCALE_W ** (5.0 / 3.0) * (1.0 + 8.0 / 3.0 * x**2) / (1.0 + x**2) ** (11.0 / 6.0)
    shape = cut * 11.2 / (1.0 + 8.0 * n) ** 2.4
    most = _COHERENCE * np.sqrt(s_u * s_w)
    step = np.gradient(n)
    scale = 1.0
    for _ in range(60):
        cospectrum = np.minimum(scale * shape, most)
        scale /= float(np.sum(cospectrum * step))
    cospectrum = np.minimum(scale * shape, most)
    return Spectra(n, s_u, s_v, s_w, s_u, np.asarray(cospectrum))


@lru_cache(maxsize=2)
def _amplitudes(von_karman: float, kolmogorov: float) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Amplitudes of v and w, share of w in u and c, amplitude of the rest of u; the same at all heights."""
    n = np.asarray(np.fft.rfftfreq(_LENGTH, SPACING), dtype=np.float64)
    made = spectra(n[1:], von_karman=von_karman, kolmogorov=kolmogorov)
    power = 0.5 * _LENGTH**2 * (n[1] - n[0])
    rest = np.sqrt(np.clip(made.u - made.uw**2 / made.w, 0.0, None) * power)
    return np.sqrt(made.v * power), np.sqrt(made.w * power), made.uw / made.w, rest


class UnitField:
    """Velocity u, v, w and concentration c along one line, for u* = 1 and F/u* = 1.

    Pieces of half a million members are made by inverse Fourier transform and joined over 4096 members
    with weights whose squares sum to one, so that variances and covariances hold across joints.

    Parameters
    ----------
    reef : Reef
        Gives the constants of the inertial subrange.
    seed, name
        Stream of random numbers.
    """

    def __init__(self, reef: Reef, seed: int, name: str) -> None:
        self._seed, self._name = seed, name
        self._parts = _amplitudes(reef.von_karman, reef.kolmogorov)
        self._pieces: OrderedDict[int, np.ndarray] = OrderedDict()

    def _piece(self, index: int) -> np.ndarray:
        if index in self._pieces:
            self._pieces.move_to_end(index)
            return self._pieces[index]
        rng = generator(self._seed, f"field {self._name} {index}")
        s_v, s_w, coefficient, rest = self._parts
        draws = rng.standard_normal((4, 2, s_w.size))
        waves = (draws[:, 0] + 1j * draws[:, 1]) * np.sqrt(0.5)
        w = s_w * waves[0]
        rows = (-coefficient * w + rest * waves[1], s_v * waves[2], w, coefficient * w + rest * waves[3])
        out = np.empty((4, _LENGTH), dtype=np.float32)
        for row, values in zip(out, rows, strict=True):
            row[:] = np.fft.irfft(np.concatenate([[0.0], values]), _LENGTH)
        fade = np.sin(0.5 * np.pi * (np.arange(_OVERLAP) + 0.5) / _OVERLAP).astype(np.float32)
        out[:, :_OVERLAP] *= fade
        out[:, -_OVERLAP:] *= fade[::-1]
        self._pieces[index] = out
        while len(self._pieces) > 2:
            self._pieces.popitem(last=False)
        return out

    def window(self, low: int, high: int) -> np.ndarray:
        """Return members low to high (exclusive) as float32, shape (4, high − low), rows u v w c."""
        stride = _LENGTH - _OVERLAP
        # Members before the first joint would be faded; the field starts behind it.
        low, high = low + _OVERLAP, high + _OVERLAP
        out = np.zeros((4, high - low), dtype=np.float32)
        for index in range((low - _LENGTH) // stride, high // stride + 1):
            first = index * stride
            a, b = max(low, first), min(high, first + _LENGTH)
            if a < b:
                out[:, a - low : b - low] += self._piece(index)[:, a - first : b - first]
        return out


@nb.njit(cache=True, error_model="numpy", nogil=True, inline="always")
def sample_cubic(values: np.ndarray, at: float) -> float:
    """Value between members by the cubic of Catmull and Rom; `at` in members from the first."""
    i = int(np.floor(at))
    x = at - i
    if i < 1:
        i = 1
        x = at - 1
    elif i > values.size - 3:
        i = values.size - 3
        x = at - i
    a, b, c, d = float(values[i - 1]), float(values[i]), float(values[i + 1]), float(values[i + 2])
    return b + 0.5 * x * (c - a + x * (2.0 * a - 5.0 * b + 4.0 * c - d + x * (3.0 * (b - c) + d - a)))
