"""One burst of a velocimeter, from raw samples to a flat record.

Here:     the order of the steps: screen, despike, rotate, stress, spectra, noise, dissipation, waves.
Not here: the steps themselves; blocks, stores and parallel work (the caller's).
Rules:    never raises for bad data: the record says why there is no number. Stress and dissipation
          are accepted or refused separately; `reasons` are those that refuse the burst as a whole.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_range
from reeftally.errors import ShapeError
from reeftally.flow._wave_removal import wave_band_of
from reeftally.flow.despiking import DespikeResult, despike
from reeftally.flow.inertial import (
    Dissipation,
    dissipation,
    friction_velocity_from_dissipation,
    inertial_spectrum,
)
from reeftally.flow.planar import PlanarFit
from reeftally.flow.rotation import rotate
from reeftally.flow.screening import Screening, noise_floor, screen
from reeftally.flow.spectrum import Spectra, band_average, band_edges, spectra
from reeftally.flow.stress import reynolds_stress
from reeftally.flow.surface_waves import waves

__all__ = ["BurstRecord", "PreparedBurst", "burst", "prepare"]

_NAN = float("nan")
_SHOWN_PER_DECADE = 16
"""Bands a decade of the spectrum that a record keeps."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedBurst:
    """Velocity of one burst after screening, despiking and rotation."""

    velocity: FloatArray
    """Along, across, up; short gaps filled, NaN in long ones; shape (3, n). [m s-1]"""
    clean: FloatArray
    """The same with NaN at every bad sample, for covariances; shape (3, n). [m s-1]"""
    bad: npt.NDArray[np.bool_]
    """Bad samples; shape (n,)."""
    matrix: FloatArray
    """Rotation from instrument axes; shape (3, 3)."""
    mean_instrument: FloatArray
    """Mean velocity in instrument axes; shape (3,). [m s-1]"""
    screened_fraction: float
    """Refused by correlation and signal. [1]"""
    low_correlation_fraction: float
    """Refused by correlation alone. [1]"""
    spike_fraction: float
    """Called spikes. [1]"""
    bad_fraction: float
    """Bad for any reason. [1]"""
    unfilled_fraction: float
    """In gaps too long to fill. [1]"""
    passes: int
    """Despiking passes."""
    reasons: tuple[str, ...]
    """Why the burst cannot be used."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BurstRecord:
    """Everything one burst says; plain numbers, NaN where refused, and the spectrum they were read from."""

    accepted: bool
    """The burst as a whole: means and statistics stand."""
    stress_accepted: bool
    """The covariance friction velocity stands."""
    dissipation_accepted: bool
    """The dissipation stands."""
    reasons: tuple[str, ...]
    """Why the burst is refused."""
    stress_reasons: tuple[str, ...]
    """Why there is no covariance friction velocity."""
    dissipation_reasons: tuple[str, ...]
    """Why there is no dissipation."""
    notes: tuple[str, ...]
    """Tests that could not be made, inputs that were missing."""
    samples: int
    """Samples given."""
    good_fraction: float
    """Share of good samples. [1]"""
    screened_fraction: float
    """Share refused by correlation and signal. [1]"""
    spike_fraction: float
    """Share of spikes. [1]"""
    unfilled_fraction: float
    """Share in gaps too long to fill. [1]"""
    mean_u: float
    """Mean in instrument axes. [m s-1]"""
    mean_v: float
    """[m s-1]"""
    mean_w: float
    """[m s-1]"""
    speed: float
    """Mean horizontal speed after rotation. [m s-1]"""
    speed_random_sd: float
    """Its sampling error from turbulence. [m s-1]"""
    direction: float
    """Direction of the mean flow from the x axis, anticlockwise. [degree]"""
    turning: float
    """Largest angle between the mean flows of the three thirds. [degree]"""
    steadiness: float
    """Slowest over fastest mean speed of the three thirds. [1]"""
    mean_up: float
    """Mean vertical velocity after rotation. [m s-1]"""
    tilt: float
    """Angle between the z axis before and after rotation. [degree]"""
    sd_u: float
    """Standard deviation along, waves included. [m s-1]"""
    sd_v: float
    """[m s-1]"""
    sd_w: float
    """[m s-1]"""
    turbulent_energy: float
    """Half the variance outside the wave band, noise taken off. [m2 s-2]"""
    noise_u: float
    """White noise per sample. [m s-1]"""
    noise_v: float
    """[m s-1]"""
    noise_w: float
    """[m s-1]"""
    uw: float
    """<u'w'>, waves removed. [m2 s-2]"""
    vw: float
    """<v'w'>, waves removed. [m2 s-2]"""
    uw_random_sd: float
    """[m2 s-2]"""
    vw_random_sd: float
    """[m2 s-2]"""
    uw_systematic_sd: float
    """[m2 s-2]"""
    raw_uw: float
    """<u'w'> as measured. [m2 s-2]"""
    raw_vw: float
    """[m2 s-2]"""
    stress_method: str
    """Wave removal used."""
    friction_velocity: float
    """From covariance. [m s-1]"""
    friction_velocity_random_sd: float
    """[m s-1]"""
    friction_velocity_systematic_sd: float
    """[m s-1]"""
    raw_friction_velocity: float
    """From covariance without wave removal. [m s-1]"""
    dissipation: float
    """[W kg-1]"""
    dissipation_random_sd: float
    """[W kg-1]"""
    dissipation_systematic_sd: float
    """[W kg-1]"""
    dissipation_slope: float
    """Slope of the noise-free spectrum in the fitted range. [1]"""
    dissipation_isotropy: float
    """[1]"""
    dissipation_low: float
    """Lower end of the fit. [Hz]"""
    dissipation_high: float
    """Upper end of the fit. [Hz]"""
    advection: float
    """(E|V|^(2/3))^(3/2). [m s-1]"""
    frozen_ratio: float
    """Horizontal standard deviation over mean speed. [1]"""
    friction_velocity_dissipation: float
    """From dissipation. [m s-1]"""
    friction_velocity_dissipation_random_sd: float
    """[m s-1]"""
    friction_velocity_dissipation_systematic_sd: float
    """[m s-1]"""
    wave_low: float
    """Wave band, lower end; NaN without waves. [Hz]"""
    wave_high: float
    """Wave band, upper end. [Hz]"""
    orbital_sd: float
    """Standard deviation of the horizontal velocity in the wave band. [m s-1]"""
    significant_wave_height: float
    """NaN without depth. [m]"""
    peak_wave_period: float
    """[s]"""
    wave_direction: float
    """Direction waves go to, from the x axis after rotation; NaN without pressure. [degree]"""
    spectrum_frequency: FloatArray
    """Means of the bands of the spectrum, shape (bands,); empty where the burst is refused. [Hz]"""
    spectrum_w: FloatArray
    """Vertical velocity, noise included. [m2 s-2 Hz-1]"""
    spectrum_fit: FloatArray
    """Inertial subrange and noise as fitted; NaN outside the range of the fit, or where it is refused."""

    def as_dict(self) -> dict[str, object]:
        """Return the fields by name."""
        return {f.name: getattr(self, f.name) for f in fields(self)}


def prepare(
    *,
    velocity: npt.ArrayLike,
    sample_rate: float,
    correlation: npt.ArrayLike | None = None,
    signal_to_noise: npt.ArrayLike | None = None,
    least_correlation: float = 70.0,
    least_signal: float = 15.0,
    rotation: str = "double",
    plane: PlanarFit | None = None,
    duration: float | None = None,
    most_bad: float = 0.3,
) -> PreparedBurst:
    """Screen, despike and rotate one burst.

    Parameters
    ----------
    velocity : array-like, shape (3, n)
        Instrument axes, z up. [m s-1]
    sample_rate : float
        [Hz]
    correlation, signal_to_noise : array-like, shape (n,), optional
        [%, dB]
    least_correlation, least_signal : float
        Thresholds of `screen`. [%, dB]
    rotation : {"double", "planar", "none"}
        As in `rotate`.
    plane : PlanarFit, optional
        For ``planar``.
    duration : float, optional
        Length that the burst should have; a burst off by more than 2 % is refused: its rate is wrong. [s]
    most_bad : float
        Largest share of bad samples. [1]

    Returns
    -------
    PreparedBurst
        With reasons ``too_few_samples``, ``all_missing``, ``constant``, ``wrong_rate``, ``in_air``,
        ``low_correlation``, ``too_many_bad``; never an exception for bad data.
    """
    array = as_float("velocity", velocity)
    if array.ndim != 2 or array.shape[0] != 3:
        message = f"velocity has shape {array.shape}; it needs (3, n)."
        raise ShapeError(message)
    require_range("sample_rate", sample_rate, 0.05, 1000.0, "Hz")
    n = array.shape[1]
    reasons: list[str] = []
    if duration is not None and n > 0 and n / sample_rate > 1.02 * duration:
        reasons.append("wrong_rate")
    found: Screening | None = None
    if n and (correlation is not None or signal_to_noise is not None):
        found = screen(
            correlation=correlation, signal_to_noise=signal_to_noise, least_correlation=least_correlation,
            least_signal=least_signal, most_bad=most_bad,
        )  # fmt: skip
        reasons.extend(found.reasons)
    result: DespikeResult = despike(velocity=array, sample_rate=sample_rate, bad=None if found is None else found.bad)
    reasons.extend(result.reasons)
    if not result.reasons and result.bad_fraction > most_bad:
        reasons.append("too_many_bad")
    if result.reasons or n == 0:
        nothing = np.full((3, n), np.nan)
        turned, clean, matrix, mean = nothing, nothing.copy(), np.full((3, 3), np.nan), np.full(3, np.nan)
    else:
        turned, matrix = rotate(velocity=result.filled, method=rotation, plane=plane)
        clean = turned.copy()
        clean[:, result.bad] = np.nan
        good = ~np.isnan(result.filled[0])
        mean = result.filled.mean(axis=1) if good.all() else result.filled[:, good].mean(axis=1)
    return PreparedBurst(
        velocity=turned, clean=clean, bad=result.bad, matrix=matrix, mean_instrument=mean,
        screened_fraction=0.0 if found is None else found.fraction,
        low_correlation_fraction=0.0 if found is None else found.low_correlation,
        spike_fraction=result.fraction, bad_fraction=result.bad_fraction,
        unfilled_fraction=result.unfilled_fraction, passes=result.iterations,
        reasons=tuple(dict.fromkeys(reasons)),
    )  # fmt: skip


def _empty(prepared: PreparedBurst, n: int) -> BurstRecord:
    values: dict[str, object] = {f.name: _NAN for f in fields(BurstRecord)}
    values.update(
        accepted=False, stress_accepted=False, dissipation_accepted=False, reasons=prepared.reasons,
        stress_reasons=("burst_refused",), dissipation_reasons=("burst_refused",), notes=(), samples=n,
        good_fraction=1.0 - prepared.bad_fraction if n else 0.0,
        screened_fraction=prepared.screened_fraction, spike_fraction=prepared.spike_fraction,
        unfilled_fraction=prepared.unfilled_fraction, stress_method="",
        spectrum_frequency=np.empty(0), spectrum_w=np.empty(0), spectrum_fit=np.empty(0),
    )  # fmt: skip
    return BurstRecord(**values)  # type: ignore[arg-type]


def burst(
    *,
    velocity: npt.ArrayLike,
    sample_rate: float,
    height: float,
    displacement: float = 0.0,
    correlation: npt.ArrayLike | None = None,
    signal_to_noise: npt.ArrayLike | None = None,
    pressure: npt.ArrayLike | None = None,
    second: npt.ArrayLike | None = None,
    prepared: PreparedBurst | None = None,
    rotation: str = "double",
    plane: PlanarFit | None = None,
    depth: float | None = None,
    pressure_height: float | None = None,
    duration: float | None = None,
    least_correlation: float = 70.0,
    least_signal: float = 15.0,
    von_karman: float = 0.41,
    von_karman_sd: float = 0.0,
    height_sd: float = 0.0,
    constant_sd: float = 0.06,
    tilt_sd: float = 0.1,
    most_bad_means: float = 0.3,
    most_bad_dissipation: float = 0.1,
    slowest: float = 0.0,
    most_turning: float = 45.0,
    least_steadiness: float = 0.4,
) -> BurstRecord:
    """Turn one burst of a velocimeter into a record of means, stress, dissipation and waves.

    Parameters
    ----------
    velocity : array-like, shape (3, n)
        Instrument axes, z up. Ignored (may be empty) if `prepared` is given. [m s-1]
    sample_rate : float
        [Hz]
    height, displacement : float
        Of the sample volume above the bed, and of the displacement plane. [m]
    correlation, signal_to_noise : array-like, shape (n,), optional
        [%, dB]
    pressure : array-like, shape (n,), optional
        Water pressure at this sensor and clock. [Pa]
    second : array-like, shape (m, n), optional
        Horizontal velocity of a second sensor on this clock, for wave removal.
    prepared : PreparedBurst, optional
        Result of `prepare`, if the caller needs the samples as well.
    rotation, plane, duration, least_correlation, least_signal
        As in `prepare`.
    depth, pressure_height : float, optional
        Water depth; height of the pressure sensor (default `height`). Without depth no wave height. [m]
    von_karman, von_karman_sd, height_sd, constant_sd, tilt_sd : float
        Constants and standard uncertainties. [1, 1, m, relative, degree]
    most_bad_means, most_bad_dissipation : float
        Largest shares of bad samples. [1]
    slowest : float
        Bursts slower than this have their stress refused (``too_slow``). [m s-1]
    most_turning, least_steadiness : float
        Bursts whose thirds turn more, or differ more in speed, have their stress refused
        (``unsteady``): around slack one friction velocity says nothing. Common practice, no source.
        [degree, 1]

    Returns
    -------
    BurstRecord

    Raises
    ------
    ShapeError, OutOfRangeError
        If arguments cannot be meant (shapes, rate); bad data never raise.
    """
    if prepared is None:
        prepared = prepare(
            velocity=velocity, sample_rate=sample_rate, correlation=correlation,
            signal_to_noise=signal_to_noise, least_correlation=least_correlation,
            least_signal=least_signal, rotation=rotation, plane=plane, duration=duration,
            most_bad=most_bad_means,
        )  # fmt: skip
    n = prepared.velocity.shape[1]
    z = height - displacement
    reasons = list(prepared.reasons)
    if not (0.0 < z < 100.0) or (depth is not None and not height < depth):
        reasons.append("height_impossible")
    if reasons:
        return _empty(
            PreparedBurst(**{
                **{f.name: getattr(prepared, f.name) for f in fields(prepared)}, "reasons": tuple(reasons),
            }),
            n,
        )  # fmt: skip
    u, v, w = prepared.velocity
    notes: list[str] = []
    if pressure is None and second is None:
        notes.append("no_wave_reference")
    stress = reynolds_stress(
        u=prepared.clean[0], v=prepared.clean[1], w=prepared.clean[2], sample_rate=sample_rate,
        pressure=pressure, second=second, height=z, tilt_sd=tilt_sd, most_missing=most_bad_means,
    )  # fmt: skip
    stress_reasons = [r for r in stress.reasons if r != "pressure_missing"]
    if "pressure_missing" in stress.reasons:
        notes.append("pressure_missing")
    try:
        found = spectra(series=prepared.velocity, sample_rate=sample_rate, segment=128.0)
    except ValueError:
        found = None
    if found is None or found.segments < 3 or n / sample_rate < 200.0:
        return _empty(
            PreparedBurst(**{
                **{f.name: getattr(prepared, f.name) for f in fields(prepared)},
                "reasons": ("too_few_samples" if found is None or n / sample_rate < 200.0 else "too_many_missing",),
            }),
            n,
        )  # fmt: skip
    powers = [found.power(k) for k in range(3)]
    freedom = float(found.band_degrees_of_freedom)
    noise = [noise_floor(frequency=found.frequency, spectrum=p, degrees_of_freedom=freedom) for p in powers]
    band = _wave_band(found, powers)
    eps = dissipation(
        u=u, v=v, w=w, sample_rate=sample_rate, height=z, wave_peak=0.5 * band[1] if band else None,
        spectrum=(found.frequency, np.stack(powers), freedom), constant_sd=constant_sd,
        most_missing=most_bad_dissipation, full=False,
    )  # fmt: skip
    dissipation_reasons = list(eps.reasons)
    if prepared.bad_fraction > most_bad_dissipation:
        dissipation_reasons.append("too_many_bad")
    average = np.mean if prepared.unfilled_fraction == 0.0 else np.nanmean
    mean = np.asarray(average(prepared.velocity, axis=1), dtype=np.float64)
    speed = float(np.hypot(mean[0], mean[1]))
    if speed < slowest:
        stress_reasons.append("too_slow")
        dissipation_reasons.append("too_slow")
    turning, steadiness = _steadiness(prepared.velocity)
    if not (turning <= most_turning and steadiness >= least_steadiness):
        stress_reasons.append("unsteady")
    from_eps = friction_velocity_from_dissipation(
        dissipation=_NAN if dissipation_reasons else eps.dissipation, height=z, random_sd=eps.random_sd,
        systematic_sd=eps.systematic_sd, height_sd=height_sd, von_karman=von_karman,
        von_karman_sd=von_karman_sd,
    )  # fmt: skip
    variance = [float(p.sum()) * found.resolution for p in powers]
    # The fit tells noise from turbulence where the top end of the spectrum is not yet flat.
    noise_w = noise[2].sd if np.isnan(eps.noise_floor) else float(np.sqrt(0.5 * sample_rate * eps.noise_floor))
    inside = (
        (found.frequency >= band[0]) & (found.frequency <= band[1])
        if band
        else np.zeros(found.frequency.size, np.bool_)
    )
    in_band = [float(p[inside].sum()) * found.resolution for p in powers]
    white = [0.0 if np.isnan(sd) else sd**2 for sd in (noise[0].sd, noise[1].sd, noise_w)]
    calm = [whole - waved - own for whole, waved, own in zip(variance, in_band, white, strict=True)]
    height_of_waves, period, toward = _NAN, _NAN, _NAN
    if depth is not None:
        at = height if pressure_height is None else pressure_height
        sea = waves(
            sample_rate=sample_rate, depth=depth, sensor_height=at, pressure=pressure,
            velocity=prepared.velocity[:2], velocity_height=height,
        )  # fmt: skip
        height_of_waves, period, toward = sea.significant_height, sea.peak_period, sea.direction_to
        notes.extend(f"waves_{r}" for r in sea.reasons)
    ok_stress, ok_eps = not stress_reasons, not dissipation_reasons
    bands, shown, _ = band_average(
        frequency=found.frequency, values=powers[2],
        edges=band_edges(low=0.005, high=0.5 * sample_rate, per_decade=_SHOWN_PER_DECADE),
    )  # fmt: skip
    return BurstRecord(
        accepted=True, stress_accepted=ok_stress, dissipation_accepted=ok_eps, reasons=(),
        stress_reasons=tuple(stress_reasons), dissipation_reasons=tuple(dict.fromkeys(dissipation_reasons)),
        notes=(*notes, *eps.notes), samples=n, good_fraction=1.0 - prepared.bad_fraction,
        screened_fraction=prepared.screened_fraction, spike_fraction=prepared.spike_fraction,
        unfilled_fraction=prepared.unfilled_fraction,
        mean_u=float(prepared.mean_instrument[0]), mean_v=float(prepared.mean_instrument[1]),
        mean_w=float(prepared.mean_instrument[2]), speed=speed,
        speed_random_sd=_mean_sd(found, powers[0], inside, n / sample_rate),
        direction=float(np.rad2deg(np.arctan2(prepared.mean_instrument[1], prepared.mean_instrument[0]))),
        turning=turning, steadiness=steadiness,
        mean_up=float(mean[2]), tilt=float(np.rad2deg(np.arccos(np.clip(prepared.matrix[2, 2], -1.0, 1.0)))),
        sd_u=float(np.sqrt(variance[0])), sd_v=float(np.sqrt(variance[1])), sd_w=float(np.sqrt(variance[2])),
        turbulent_energy=0.5 * sum(calm), noise_u=noise[0].sd, noise_v=noise[1].sd, noise_w=noise_w,
        uw=stress.uw, vw=stress.vw, uw_random_sd=stress.uw_random_sd, vw_random_sd=stress.vw_random_sd,
        uw_systematic_sd=stress.uw_systematic_sd, raw_uw=stress.raw_uw, raw_vw=stress.raw_vw,
        raw_friction_velocity=stress.raw_friction_velocity, stress_method=stress.method,
        friction_velocity=stress.friction_velocity if ok_stress else _NAN,
        friction_velocity_random_sd=stress.friction_velocity_random_sd if ok_stress else _NAN,
        friction_velocity_systematic_sd=stress.friction_velocity_systematic_sd if ok_stress else _NAN,
        dissipation=eps.dissipation if ok_eps else _NAN,
        dissipation_random_sd=eps.random_sd if ok_eps else _NAN,
        dissipation_systematic_sd=eps.systematic_sd if ok_eps else _NAN,
        dissipation_slope=eps.slope, dissipation_isotropy=eps.isotropy, dissipation_low=eps.low,
        dissipation_high=eps.high, advection=eps.advection, frozen_ratio=eps.frozen_ratio,
        friction_velocity_dissipation=float(from_eps.value),
        friction_velocity_dissipation_random_sd=float(from_eps.random_sd),
        friction_velocity_dissipation_systematic_sd=float(from_eps.systematic_sd),
        wave_low=band[0] if band else _NAN, wave_high=band[1] if band else _NAN,
        orbital_sd=float(np.sqrt(in_band[0] + in_band[1])) if band else 0.0,
        significant_wave_height=height_of_waves, peak_wave_period=period, wave_direction=toward,
        spectrum_frequency=bands, spectrum_w=shown, spectrum_fit=_fitted(eps, bands, ok_eps),
    )  # fmt: skip


def _fitted(eps: Dissipation, frequency: FloatArray, accepted: bool) -> FloatArray:
    """Return the fitted subrange and noise inside the range of the fit."""
    if not accepted or not np.isfinite(eps.estimate + eps.noise_floor + eps.advection):
        return np.full(frequency.size, np.nan)
    model = inertial_spectrum(dissipation=eps.estimate, advection=eps.advection, frequency=frequency, component="w")
    return np.where((frequency >= eps.low) & (frequency <= eps.high), model + max(eps.noise_floor, 0.0), np.nan)


def _steadiness(velocity: FloatArray) -> tuple[float, float]:
    """Largest angle between the mean flows of the thirds, and their slowest over fastest speed."""
    thirds = np.array([
        [x[np.isfinite(x)].mean() if np.isfinite(x).any() else np.nan for x in part[:2]]
        for part in np.array_split(velocity, 3, axis=1)
    ])  # fmt: skip
    thirds = thirds[np.isfinite(thirds).all(axis=1)]
    speed = np.hypot(thirds[:, 0], thirds[:, 1])
    if speed.size < 2 or not speed.max() > 0.0:
        return _NAN, _NAN
    heading = np.arctan2(thirds[:, 1], thirds[:, 0])
    apart = np.abs(np.angle(np.exp(1j * (heading[:, None] - heading[None, :]))))
    return float(np.rad2deg(apart.max())), float(speed.min() / speed.max())


def _wave_band(found: Spectra, powers: list[FloatArray]) -> tuple[float, float] | None:
    """Wave band of the horizontal spectrum, from the averaged spectrum."""
    f, power, count = band_average(
        frequency=found.frequency,
        values=powers[0] + powers[1],
        edges=band_edges(low=0.005, high=min(2.0, 0.9 * float(found.frequency[-1]))),
    )
    looks: FloatArray = np.asarray(0.5 * float(found.band_degrees_of_freedom) * count, dtype=np.float64)
    return wave_band_of(power=power, frequency=f, count=looks)


def _mean_sd(found: Spectra, power: FloatArray, waves_in: npt.NDArray[np.bool_], duration: float) -> float:
    """Sampling error of the mean: spectrum toward zero frequency over twice the duration."""
    lowest = power[: max(int(np.sum(found.frequency < 0.04)), 2)]
    calm = lowest[~waves_in[: lowest.size]] if (~waves_in[: lowest.size]).any() else lowest
    return float(np.sqrt(float(calm[:3].mean()) / (2.0 * duration)))
