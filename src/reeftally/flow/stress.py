"""Reynolds stress and friction velocity, with the waves taken out.

Here:     covariance of a burst band by band, removal of the part coherent with pressure or a second
          sensor (Benilov and Filyushkin 1970; Shaw and Trowbridge 2001), the phase method (Bricker
          and Monismith 2007), cospectral fitting (Kirincich et al. 2010), two-sensor differencing
          (Trowbridge 1998); random error.
Not here: dissipation and log law (`inertial`, `wall`), choice of a best value (`best`).
Rules:    the raw value always stands beside the corrected one; stress is -<u'w'> per density, positive
          when momentum goes down into the bed; no friction velocity where it is not positive.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, one_of, require_range
from reeftally.errors import InputError, ShapeError
from reeftally.flow._wave_removal import (
    band_starts,
    band_sums,
    coherent_residual,
    covariance_variance,
    fit_cospectrum,
    phase_method,
    smooth_spectrum,
    transform,
    transform_references,
    wave_band_of,
)
from reeftally.flow.spectrum import kaimal_cospectrum

__all__ = ["ReynoldsStress", "low_frequency_loss", "reynolds_stress", "trowbridge_1998"]

_METHODS = ("auto", "raw", "coherent", "bricker2007", "kirincich2010")
_NOISE_FROM = 0.75
"""Share of the Nyquist frequency from which the noise is read."""
_NO_STRESS_ABOVE = 4.0
"""Reduced frequency n z / U above which less than one per cent of the stress lies (Kaimal et al. 1972)."""
_SHAPE_SD = 0.1
"""Relative standard uncertainty of the stress where a shape stands in for the wave band (our trials)."""
_LOW, _HIGH = 0.04, 0.8
"""Default wave band: swell to short sea on a reef. [Hz]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReynoldsStress:
    """Stress of one burst per density, in the axes given."""

    uw: float
    """<u'w'> with waves removed. [m2 s-2]"""
    vw: float
    """<v'w'> with waves removed. [m2 s-2]"""
    uw_random_sd: float
    """Sampling error of `uw`. [m2 s-2]"""
    vw_random_sd: float
    """Sampling error of `vw`. [m2 s-2]"""
    uw_systematic_sd: float
    """From the angle of the axes and the low-frequency loss. [m2 s-2]"""
    friction_velocity: float
    """Square root of -<u'w'> along the mean flow; NaN if refused. [m s-1]"""
    friction_velocity_random_sd: float
    """Its sampling error. [m s-1]"""
    friction_velocity_systematic_sd: float
    """From `uw_systematic_sd`. [m s-1]"""
    friction_velocity_both: float
    """(<u'w'>^2 + <v'w'>^2)^(1/4); noise only ever adds to it. [m s-1]"""
    raw_uw: float
    """<u'w'> without wave removal. [m2 s-2]"""
    raw_vw: float
    """<v'w'> without wave removal. [m2 s-2]"""
    raw_uw_random_sd: float
    """Sampling error of `raw_uw`. [m2 s-2]"""
    raw_friction_velocity: float
    """Square root of -raw_uw; NaN where that is not positive. [m s-1]"""
    wave_uw: float
    """raw_uw minus uw before the correction for low frequencies. [m2 s-2]"""
    low_frequency_loss: float
    """Share added back to `uw` and `vw` for what a burst of this length cannot see. [1]"""
    method: str
    """Wave removal used."""
    wave_band: tuple[float, float]
    """Band in which waves were removed. [Hz]"""
    frequency: FloatArray
    """Centres of the bands; shape (b,). [Hz]"""
    cospectrum: FloatArray
    """Cospectrum of u and w with waves removed; shape (b,). [m2 s-2 Hz-1]"""
    raw_cospectrum: FloatArray
    """Cospectrum of u and w as measured; shape (b,). [m2 s-2 Hz-1]"""
    ogive: FloatArray
    """Covariance held in bands at and above each; shape (b,). [m2 s-2]"""
    ogive_reversal: float
    """Largest fall back of the cumulative cospectrum, summed from high frequencies, over its total: 0
    where it is monotone, as Feddersen and Williams (2007) ask of a stress without waves. [1]"""
    reasons: tuple[str, ...]
    """Why no friction velocity is given; empty if it is."""


@lru_cache(maxsize=4096)
def low_frequency_loss(*, duration: float, height: float, speed: float) -> float:
    """Share of the momentum cospectrum lost by taking a straight line off a finite burst.

    Parameters
    ----------
    duration : float
        Length of the burst. [s]
    height : float
        Above the displacement plane. [m]
    speed : float
        Advection speed. [m s-1]

    Returns
    -------
    float
        Lost share of <u'w'>, 0 to 1. [1]

    Notes
    -----
    Cospectrum of Kaimal et al. (1972); transfer of linear detrending
    1 - sinc^2 - 3 ((sinc - cos)/x)^2 with x = pi f T, Rannik and Vesala (1999),
    Boundary-Layer Meteorol. 91, 259 (from memory).
    """
    require_range("duration", duration, 1.0, 1e7, "s")
    require_range("height", height, 1e-4, 1e3, "m")
    require_range("speed", speed, 1e-5, 100.0, "m s-1")
    log_f = np.linspace(np.log(1e-6), np.log(1e2), 4001)
    f = np.exp(log_f)
    x = np.pi * f * duration
    sinc = np.sin(x) / x
    with np.errstate(invalid="ignore"):
        kept = 1.0 - sinc**2 - 3.0 * np.where(x > 0.02, ((sinc - np.cos(x)) / x) ** 2, (x / 3.0) ** 2)
    density = kaimal_cospectrum(reduced_frequency=f * height / speed)
    return float((density * (1.0 - np.clip(kept, 0.0, 1.0))).sum() * (log_f[1] - log_f[0]))


def _refused(reasons: tuple[str, ...], method: str, band: tuple[float, float]) -> ReynoldsStress:
    nan, none = float("nan"), np.empty(0)
    return ReynoldsStress(
        uw=nan, vw=nan, uw_random_sd=nan, vw_random_sd=nan, uw_systematic_sd=nan, friction_velocity=nan,
        friction_velocity_random_sd=nan, friction_velocity_systematic_sd=nan, friction_velocity_both=nan,
        raw_uw=nan, raw_vw=nan, raw_uw_random_sd=nan, raw_friction_velocity=nan, wave_uw=nan,
        low_frequency_loss=nan, method=method, wave_band=band, frequency=none, cospectrum=none,
        raw_cospectrum=none, ogive=none, ogive_reversal=nan, reasons=reasons,
    )  # fmt: skip


def _without_noise(
    parts: npt.NDArray[np.complex128],
    variance: FloatArray,
    middle: FloatArray,
    count: FloatArray,
    nyquist: float,
    height: float | None,
    speed: float,
) -> tuple[npt.NDArray[np.complex128], FloatArray]:
    """Take the covariance of the instrument's noise off the cross-spectra (2, bands).

    Horizontal noise is several times the vertical one. A rotation by a few degrees mixes them, and their covariance,
    white like the noise itself, passes for stress. Its level is read at the upper end of the spectrum; nothing is taken
    off where turbulence still reaches up there.
    """
    top = middle >= _NOISE_FROM * nyquist
    if height is None or not height > 0.0 or not top.any():
        return parts, variance
    if not _NOISE_FROM * nyquist * height > _NO_STRESS_ABOVE * max(speed, 1e-4):
        return parts, variance
    number = float(count[top].sum())
    level = parts[:, top].real.sum(axis=1) / number
    share = count / number
    # The bands of the upper end are used twice: they keep nothing of their own error, and give it to all others.
    shared = variance[:, top].sum(axis=1, keepdims=True)
    out = np.where(top, 0.0, variance)
    grown = float(share[~top].sum()) ** 2
    out[:, -1] = grown * shared[:, 0]
    return parts - level[:, None] * count, out


def reynolds_stress(
    *,
    u: npt.ArrayLike,
    v: npt.ArrayLike,
    w: npt.ArrayLike,
    sample_rate: float,
    pressure: npt.ArrayLike | None = None,
    second: npt.ArrayLike | None = None,
    method: str = "auto",
    wave_band: tuple[float, float] | None = None,
    height: float | None = None,
    tilt_sd: float = 0.1,
    most_missing: float = 0.3,
) -> ReynoldsStress:
    """Reynolds stress of one burst with the waves taken out, and the friction velocity.

    Parameters
    ----------
    u, v, w : array-like, shape (n,)
        Velocity along and across the mean flow and up; NaN in gaps. [m s-1]
    sample_rate : float
        Samples a second. [Hz]
    pressure : array-like, shape (n,), optional
        Pressure or surface elevation on the same clock; any unit.
    second : array-like, shape (m, n), optional
        Horizontal velocity of a second sensor, further away than the turbulence reaches and much
        nearer than a wavelength, on the same clock.
    method : {"auto", "raw", "coherent", "bricker2007", "kirincich2010"}
        ``coherent`` removes what is coherent with `pressure` and `second` (Benilov and Filyushkin
        1970; Shaw and Trowbridge 2001 in the frequency domain). ``auto`` takes it if either is
        given, else ``kirincich2010`` if a wave peak stands out, else ``raw``.
    wave_band : tuple of float, optional
        Lower and upper frequency of the waves. Default 0.04 to 0.8 Hz for ``coherent``, found from
        the spectrum of u and v otherwise. [Hz]
    height : float, optional
        Height above the displacement plane. With it the stress that lies at frequencies too low for
        the burst is added back (`low_frequency_loss`), half of it as systematic uncertainty. [m]
    tilt_sd : float
        Standard uncertainty of the vertical after rotation; times the difference of horizontal and
        vertical variance left after wave removal it is a systematic part. [degree]
    most_missing : float
        Largest share of missing samples. [1]

    Returns
    -------
    ReynoldsStress
        With reasons and NaN (not an exception) for a burst that cannot be used:
        ``too_few_samples``, ``too_many_missing``, ``constant``, ``stress_not_downward``,
        ``pressure_missing`` (the pressure given has no usable variation), ``no_wave_band``.

    Raises
    ------
    ShapeError, OutOfRangeError, InputError
        If the arguments cannot be meant.

    Notes
    -----
    One transform of the whole detrended burst a channel; bands of at least 0.02 Hz. The sampling
    error is the sum over bands of (S_u S_w + C^2 - Q^2)/2, which is the sum over lags of Finkelstein
    and Sims (2001) by Parseval's theorem: the integral time scale is in it. Removing p coherent
    references from a band of m frequencies leaves m - p degrees of freedom, and the residual is
    scaled for that. Along-flow stress is used for u*, since the root of a sum of two squares turns
    noise into friction velocity; the other form stands in `friction_velocity_both`.
    """
    one_of("method", method, _METHODS)
    require_range("sample_rate", sample_rate, 0.05, 1000.0, "Hz")
    require_range("most_missing", most_missing, 0.0, 0.9)
    velocity = np.stack([as_float(k, x) for k, x in (("u", u), ("v", v), ("w", w))])
    if velocity.ndim != 2:
        message = f"u, v and w have shape {velocity.shape[1:]}; they need one dimension."
        raise ShapeError(message)
    n = velocity.shape[1]
    band = (_LOW, _HIGH) if wave_band is None else (float(wave_band[0]), float(wave_band[1]))
    if not 0.0 < band[0] < band[1]:
        message = f"wave_band is {wave_band!r}; it needs two rising positive frequencies."
        raise InputError(message)
    given = (("pressure", pressure), ("second", second))
    reference_rows = [np.atleast_2d(as_float(k, x)) for k, x in given if x is not None]
    references = np.concatenate(reference_rows) if reference_rows else np.empty((0, n))
    if references.shape[1] != n:
        message = f"the reference has {references.shape[1]} samples and the velocity {n}; they need the same."
        raise ShapeError(message)
    if method == "coherent" and references.shape[0] == 0:
        message = "method 'coherent' needs pressure or second."
        raise InputError(message)
    good: npt.NDArray[np.bool_] = np.asarray(np.isfinite(velocity).all(axis=0))
    if n < 256 or n / sample_rate < 60.0:
        return _refused(("too_few_samples",), method, band)
    if good.mean() < 1.0 - most_missing:
        return _refused(("too_many_missing",), method, band)
    if ((velocity == velocity[:, [int(np.argmax(good))]]) | ~good).all(axis=1).any():
        return _refused(("constant",), method, band)
    reasons: list[str] = []
    reference_good = np.isfinite(references)
    usable = [
        k for k in range(references.shape[0])
        if reference_good[k].mean() >= 1.0 - most_missing and np.ptp(references[k][reference_good[k]]) > 0.0
    ]  # fmt: skip
    if references.shape[0] and not usable:
        reasons.append("pressure_missing")
    if method == "auto":
        method = "coherent" if usable else "kirincich2010"
    elif method == "coherent" and not usable:
        return _refused(("pressure_missing",), method, band)
    resolution = sample_rate / n
    signals = transform(velocity, good)
    frequency = resolution * np.arange(1, signals.shape[1] + 1)
    starts = band_starts(frequency.size, resolution)
    count = np.diff(starts).astype(np.float64)
    middle = band_sums(frequency, starts).astype(np.float64) / count
    power = band_sums(np.abs(signals) ** 2, starts).astype(np.float64) / count
    uw = signals[0] * signals[2].conj()
    vw = signals[1] * signals[2].conj()
    raw = np.stack([band_sums(uw, starts), band_sums(vw, starts)])
    raw_variance = count * covariance_variance(power[0], power[2], raw[0] / count, count)
    raw_uw, raw_vw = float(raw[0].real.sum()), float(raw[1].real.sum())
    raw_sd = float(np.sqrt(raw_variance.sum()))
    if method in {"bricker2007", "kirincich2010"} and wave_band is None:
        found = wave_band_of(power=power[0] + power[1], frequency=middle, count=count)
        if found is None:
            method = "raw"
        else:
            band = found
    parts = raw
    powers = power
    if method == "coherent":
        wave = transform_references(references[usable], reference_good[usable])
        touched = np.flatnonzero((middle >= band[0]) & (middle <= band[1])).astype(np.float64)
        residual = coherent_residual(signals, wave, starts, touched)
        powers = band_sums(np.abs(residual) ** 2, starts).astype(np.float64) / count
        parts = np.stack([
            band_sums(residual[0] * residual[2].conj(), starts),
            band_sums(residual[1] * residual[2].conj(), starts),
        ])  # fmt: skip
    elif method == "bricker2007":
        parts = np.stack([
            raw[k] - band_sums(phase_method(signals[k], signals[2], frequency, band), starts) for k in (0, 1)
        ])  # fmt: skip
    variance = np.stack([
        count * covariance_variance(powers[k], powers[2], parts[k] / count, count) for k in (0, 1)
    ])  # fmt: skip
    mean_speed = float(np.hypot(velocity[0][good].mean(), velocity[1][good].mean()))
    parts, variance = _without_noise(parts, variance, middle, count, 0.5 * sample_rate, height, mean_speed)
    values = [float(x) for x in parts.real.sum(axis=1)]
    errors = [float(np.sqrt(max(x, 0.0))) for x in variance.sum(axis=1)]
    if method == "kirincich2010":
        # Far above the waves the tail would decide the fit, though it carries no stress.
        outside = ((middle < band[0]) | (middle > band[1])) & (middle < max(3.0 * band[1], 0.5))
        for k in (0, 1):
            smooth = [smooth_spectrum(powers[i][outside], middle[outside], count[outside]) for i in (k, 2)]
            values[k], errors[k] = fit_cospectrum(
                middle[outside], parts[k].real[outside], 0.5 * count[outside] * smooth[0] * smooth[1],
                (count * resolution)[outside],
            )  # fmt: skip
    lost = 0.0
    if height is not None and height > 0.0 and mean_speed > 1e-4:
        # A burst much slower than its own length cannot be mended: at most a third is added back.
        lost = low_frequency_loss(duration=round(n / sample_rate, 1), height=height, speed=round(mean_speed, 4))
        if lost > 1.0 / 3.0:
            reasons.append("burst_too_short")
    uncorrected = values[0]
    values = [x / (1.0 - min(lost, 1.0 / 3.0)) for x in values]
    errors = [x / (1.0 - min(lost, 1.0 / 3.0)) for x in errors]
    anisotropy = float(((powers[0] - powers[2]) * count).sum())
    leak = abs(float(np.deg2rad(tilt_sd)) * anisotropy)
    if method in {"bricker2007", "kirincich2010"}:
        # The wave band is not cleaned, only left out: a tilt acts on what is outside.
        outside = (middle < band[0]) | (middle > band[1])
        leak = abs(float(np.deg2rad(tilt_sd)) * float(((powers[0] - powers[2]) * count)[outside].sum()))
    shape = _SHAPE_SD if method in {"bricker2007", "kirincich2010"} else 0.0
    common = float(np.sqrt(leak**2 + ((0.5 * lost) ** 2 + shape**2) * values[0] ** 2))
    if not values[0] < 0.0:
        reasons.append("stress_not_downward")
    rising = np.cumsum(parts[0].real[::-1])
    toward = rising * np.sign(rising[-1])
    fall = float((np.maximum.accumulate(toward) - toward).max())
    reversal = fall / abs(float(rising[-1])) if rising[-1] != 0.0 else float("nan")
    root = float(np.sqrt(-values[0])) if values[0] < 0.0 else float("nan")
    density = parts[0].real / (count * resolution)
    return ReynoldsStress(
        uw=values[0], vw=values[1], uw_random_sd=errors[0], vw_random_sd=errors[1], uw_systematic_sd=common,
        friction_velocity=root,
        friction_velocity_random_sd=errors[0] / (2.0 * root) if root > 0.0 else float("nan"),
        friction_velocity_systematic_sd=common / (2.0 * root) if root > 0.0 else float("nan"),
        friction_velocity_both=float((values[0] ** 2 + values[1] ** 2) ** 0.25),
        raw_uw=raw_uw, raw_vw=raw_vw, raw_uw_random_sd=raw_sd,
        raw_friction_velocity=float(np.sqrt(-raw_uw)) if raw_uw < 0.0 else float("nan"),
        wave_uw=raw_uw - uncorrected, low_frequency_loss=lost, method=method, wave_band=band, frequency=middle,
        cospectrum=density, raw_cospectrum=raw[0].real / (count * resolution),
        ogive=rising[::-1], ogive_reversal=reversal, reasons=tuple(reasons),
    )  # fmt: skip


def trowbridge_1998(*, u: npt.ArrayLike, w: npt.ArrayLike, second_u: npt.ArrayLike, second_w: npt.ArrayLike) -> float:
    """Covariance <u'w'> from the difference of two sensors: cov(u1 - u2, w1 - w2) / 2.

    Parameters
    ----------
    u, w, second_u, second_w : array-like, shape (n,)
        Along and up, of two sensors further apart than turbulence is coherent and much less than a
        wavelength; NaN in gaps. [m s-1]

    Returns
    -------
    float
        Mean of the two sensors' <u'w'>; NaN without two complete samples. [m2 s-2]

    Notes
    -----
    Trowbridge (1998), J. Atmos. Oceanic Technol. 15, 290-298. A tilt of either sensor leaves a
    wave part; in shallow water it can dominate (Feddersen and Williams 2007).
    """
    a, b, c, d = (as_float("velocity", x) for x in (u, w, second_u, second_w))
    across, up = a - c, b - d
    good = np.isfinite(across + up)
    if good.sum() < 2:
        return float("nan")
    across, up = across[good], up[good]
    return float(0.5 * np.mean((across - across.mean()) * (up - up.mean())))
