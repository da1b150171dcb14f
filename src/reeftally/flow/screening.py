"""What to believe of raw velocimeter samples: correlation, signal, air, wrap, noise.

Here:     thresholds on correlation and signal-to-noise ratio, recognition of an instrument in air,
          velocity wrap, white noise from the flat end of a spectrum or from redundant beams.
Not here: spikes (`despiking`).
Rules:    correlation in percent; a sample refused here is missing from then on, never repaired.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from reeftally._checks import FloatArray, as_float, require_range
from reeftally.errors import InputError, ShapeError

__all__ = [
    "Noise",
    "Screening",
    "Unwrapped",
    "beam_pair_noise",
    "correlation_threshold",
    "noise_floor",
    "screen",
    "unwrap",
]

BoolArray = npt.NDArray[np.bool_]


def correlation_threshold(*, sample_rate: npt.ArrayLike, highest_rate: npt.ArrayLike) -> FloatArray:
    """Least correlation that depends on the rate: 0.3 + 0.4 sqrt(fs / fs_max). [fraction]

    Elgar, Raubenheimer and Guza (2005), Meas. Sci. Technol. 16, 1889-1894 (from memory). Rates in Hz.
    """
    rate, highest = as_float("sample_rate", sample_rate), as_float("highest_rate", highest_rate)
    require_range("sample_rate", rate, 0.0, 1e4, "Hz")
    return np.asarray(0.3 + 0.4 * np.sqrt(rate / highest))


@dataclass(frozen=True, slots=True, kw_only=True)
class Screening:
    """Samples refused by correlation and signal."""

    bad: BoolArray
    """True where refused; shape (n,)."""
    fraction: float
    """Share refused. [1]"""
    low_correlation: float
    """Share with too low a correlation. [1]"""
    low_signal: float
    """Share with too weak a signal. [1]"""
    impossible: float
    """Share with a correlation below 0 or above 100 %. [1]"""
    median_correlation: float
    """[%]"""
    median_signal: float
    """[dB]"""
    reasons: tuple[str, ...]
    """``in_air``, ``low_correlation``, ``all_missing``; empty if the burst is usable."""


def screen(
    *,
    correlation: npt.ArrayLike | None = None,
    signal_to_noise: npt.ArrayLike | None = None,
    least_correlation: float = 70.0,
    least_signal: float = 15.0,
    most_bad: float = 0.3,
) -> Screening:
    """Refuse samples of low correlation or weak signal, and bursts taken in air.

    Parameters
    ----------
    correlation, signal_to_noise : array-like, shape (n,) or (beams, n)
        Lowest of the beams, or all beams (any below refuses the sample). [%, dB] NaN refuses.
    least_correlation, least_signal : float
        Thresholds: 70 % and 15 dB for turbulence; 60-65 % and 5 dB do for mean speed. [%, dB]
    most_bad : float
        Largest share refused before the burst is; 0.3 for means, 0.1 for dissipation. [1]

    Returns
    -------
    Screening

    Raises
    ------
    InputError, ShapeError
        If neither is given, or their lengths differ.

    Notes
    -----
    Thresholds: makers' defaults, from memory. In air: both medians are at the noise (below 50 % and
    5 dB; common practice, no source).
    """
    if correlation is None and signal_to_noise is None:
        message = "correlation and signal_to_noise are both missing; one of them is needed."
        raise InputError(message)
    require_range("least_correlation", least_correlation, 0.0, 100.0, "%")
    lows: list[FloatArray] = []
    for name, value in (("correlation", correlation), ("signal_to_noise", signal_to_noise)):
        array = as_float(name, np.empty(0) if value is None else value)
        if array.ndim > 2:
            message = f"{name} has shape {array.shape}; it needs (n,) or (beams, n)."
            raise ShapeError(message)
        lows.append(array.min(axis=0) if array.ndim == 2 else array)
    low, signal = lows
    n = max(low.size, signal.size)
    if (correlation is not None and low.size != n) or (signal_to_noise is not None and signal.size != n):
        message = f"correlation has {low.size} samples and signal_to_noise {signal.size}; they need the same."
        raise ShapeError(message)
    nothing = np.zeros(n, dtype=np.bool_)
    weak_correlation = nothing if correlation is None else ~(low >= least_correlation)
    impossible = nothing if correlation is None else (low < 0.0) | (low > 100.0)
    weak_signal = nothing if signal_to_noise is None else ~(signal >= least_signal)
    bad = weak_correlation | weak_signal | impossible
    reasons: list[str] = []
    middle = float(np.nanmedian(low)) if np.isfinite(low).any() else float("nan")
    level = float(np.nanmedian(signal)) if np.isfinite(signal).any() else float("nan")
    if n == 0 or (np.isnan(middle) and np.isnan(level)):
        reasons.append("all_missing")
    elif not (middle >= 50.0) and not (level >= 5.0):
        reasons.append("in_air")
    elif bad.mean() > most_bad:
        reasons.append("low_correlation")

    def share(mask: BoolArray) -> float:
        return float(mask.mean()) if n else 1.0

    return Screening(
        bad=bad, fraction=share(bad), low_correlation=share(weak_correlation), low_signal=share(weak_signal),
        impossible=share(impossible), median_correlation=middle, median_signal=level, reasons=tuple(reasons),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Unwrapped:
    """Velocity after removal of ambiguity jumps."""

    velocity: FloatArray
    """Unwrapped record, NaN where it cannot be decided."""
    wrapped: BoolArray
    """Samples moved by twice the ambiguity velocity."""
    undecided: BoolArray
    """Samples refused: off by an amount that is no multiple, or by more than one."""


def unwrap(*, velocity: npt.ArrayLike, ambiguity: float, sample_rate: float, window: float = 2.0) -> Unwrapped:
    """Undo single velocity wraps of one beam (or component measured alone).

    Parameters
    ----------
    velocity : array-like, shape (n,)
        Beam velocity. [m s-1]
    ambiguity : float
        Ambiguity velocity V: values lie within -V to V. [m s-1]
    sample_rate : float
        [Hz]
    window : float
        Length of the running median that says where the velocity should be. [s]

    Returns
    -------
    Unwrapped

    Notes
    -----
    A jump of about twice V is undone if one step of 2 V brings the sample within V/2 of the running
    median of its unwrapped neighbours; otherwise the sample is refused (common practice, no source). Wraps
    lasting longer than half the window cannot be seen by this and are refused by other tests.
    """
    require_range("ambiguity", ambiguity, 1e-3, 50.0, "m s-1")
    require_range("sample_rate", sample_rate, 0.05, 1000.0, "Hz")
    x = as_float("velocity", velocity)
    if x.ndim != 1:
        message = f"velocity has shape {x.shape}; it needs one dimension: unwrap each beam by itself."
        raise ShapeError(message)
    nothing = np.zeros(x.size, dtype=np.bool_)
    good = np.isfinite(x)
    if not good.any() or np.ptp(x[good]) < 1.2 * ambiguity:
        return Unwrapped(velocity=x.copy(), wrapped=nothing, undecided=nothing.copy())
    held = np.where(good, x, np.interp(np.arange(x.size), np.flatnonzero(good), x[good]))
    size = max(int(window * sample_rate) // 2 * 2 + 1, 5)
    centre = ndimage.median_filter(held, size=size, mode="reflect")
    turns = np.round((held - centre) / (2.0 * ambiguity))
    moved = held - 2.0 * ambiguity * turns
    # Judged against the unwrapped neighbours of half a second: waves are slow against that.
    near = ndimage.median_filter(moved, size=max(int(0.5 * sample_rate) // 2 * 2 + 1, 5), mode="reflect")
    wrapped = good & (np.abs(turns) == 1.0) & (np.abs(moved - near) < 0.5 * ambiguity)
    undecided = good & (turns != 0.0) & ~wrapped
    return Unwrapped(
        velocity=np.where(undecided, np.nan, np.where(wrapped, moved, x)), wrapped=wrapped, undecided=undecided
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """White noise of one component."""

    sd: float
    """Standard deviation per sample. [m s-1]"""
    floor: float
    """One-sided density. [m2 s-2 Hz-1]"""
    flat: bool
    """Whether the top end of the spectrum is flat; if not, the value is an upper bound."""


def noise_floor(
    *, frequency: npt.ArrayLike, spectrum: npt.ArrayLike, degrees_of_freedom: float, top: float = 0.75
) -> Noise:
    """White noise from the flat top end of a spectrum: sigma^2 = floor * Nyquist frequency.

    Parameters
    ----------
    frequency, spectrum : array-like, shape (f,)
        Up to the Nyquist frequency, one-sided. [Hz, m2 s-2 Hz-1]
    degrees_of_freedom : float
        Of one frequency for band averages. [1]
    top : float
        The end above this share of the Nyquist frequency is used. [1]

    Returns
    -------
    Noise
        `flat` compares the two halves of that end: their ratio is within 3 standard errors, or 3 %, of one.
    """
    f, s = as_float("frequency", frequency), as_float("spectrum", spectrum)
    end = np.flatnonzero(f >= top * f[-1])[:-1]
    if end.size < 8 or not np.isfinite(s[end]).all():
        return Noise(sd=float("nan"), floor=float("nan"), flat=False)
    half = end.size // 2
    first, second = float(s[end[:half]].mean()), float(s[end[half:]].mean())
    floor = float(s[end].mean())
    error = np.sqrt(2.0 * 2.0 / (degrees_of_freedom * half))
    flat = floor > 0.0 and abs(first - second) / floor <= max(3.0 * error, 0.03)
    return Noise(sd=float(np.sqrt(floor * f[-1])), floor=floor, flat=bool(flat))


def beam_pair_noise(*, first: npt.ArrayLike, second: npt.ArrayLike) -> float:
    """Noise of one of two vertical estimates of the same water: sqrt(var(w1 - w2) / 2). [m s-1]"""
    difference = as_float("first", first) - as_float("second", second)
    return float(np.sqrt(0.5 * np.nanvar(difference))) if np.isfinite(difference).any() else float("nan")
