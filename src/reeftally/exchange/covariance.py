"""Flux by covariance of vertical velocity and a fast concentration.

Here:     lag from geometry and response, response correction, storage, cospectrum and ogive,
          stationarity, random error, sensitivity to lag, detection limit, screening.
Not here: cleaning and rotation of the velocity (`flow`); lags pooled over many blocks (`lag`).
Rules:    blocks on the leading axes, samples on the last; the lag is never chosen by maximising the
          flux unless the caller asks, because in waves that picks the largest bias.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, one_of, require_range
from reeftally.errors import ShapeError
from reeftally.exchange import _samples
from reeftally.exchange._common import DOUBTING, SECONDS_PER_HOUR, Each, Reason
from reeftally.exchange.lag import LAG_WINDOW_S, geometric_lag
from reeftally.exchange.sampling import (
    detrending_retained,
    flux_retained,
    mean_last,
    random_error,
    stationarity,
    sudden_steps,
)

__all__ = ["CovarianceFlux", "eddy_covariance"]

_CHUNK_VALUES = 120_000
"""Samples transformed at once; keeps the work arrays near the processor; five times as many take half as long again."""

_LONE_STEP = 7.0
"""A change of level of velocity or concentration beyond this many usual ones is no turbulence. [1]

Without a step the largest is 5.6 in 144 blocks of a simulated mission and 6.2 in 1440 of synthetic turbulence."""

_JOINT_STEP = 6.0
"""The same for both at one instant, as the geometric mean: together they make a flux, so less is enough. [1]

Without a step the largest is 4.4 and 5.1 in the same blocks."""

_FLAT_SECONDS = 10.0
"""Shortest stretch that can be called stuck. [s]"""


@dataclass(frozen=True, slots=True)
class CovarianceFlux:
    """Covariance fluxes of one or many blocks; arrays have the leading shape of `w`."""

    flux: FloatArray
    """Flux off the bed, storage included; NaN where refused. [mmol m-2 h-1]"""
    random_sd: FloatArray
    """Sampling error after Finkelstein and Sims, and that of the storage. [mmol m-2 h-1]"""
    systematic_sd: FloatArray
    """Response time, lag, gain and height. [mmol m-2 h-1]"""
    reason: npt.NDArray[np.int64]
    """Bits of `Reason`."""
    turbulent_flux: FloatArray
    """Corrected covariance at the measuring height, also where refused. [mmol m-2 h-1]"""
    uncorrected_flux: FloatArray
    """Covariance of the raw concentration at lag zero, for showing beside. [mmol m-2 h-1]"""
    response_factor: FloatArray
    """Corrected over uncorrected covariance, each at its own lag. [1]"""
    storage: FloatArray
    """Storage between bed and height. [mmol m-2 h-1]"""
    detrending_factor: FloatArray
    """By what detrending was corrected, included in the fluxes; half of the excess over 1 is systematic. [1]"""
    flux_per_lag: FloatArray
    """Change of the flux per second of lag; for trials of the lag. [mmol m-2 h-1 s-1]"""
    flux_per_response_time: FloatArray
    """Change of the flux per second of response time; for trials of it. [mmol m-2 h-1 s-1]"""
    lag: FloatArray
    """Lag used; positive when the concentration is later. [s]"""
    lag_expected: FloatArray
    """From geometry and, unless restored, response. [s]"""
    lag_found: FloatArray
    """Largest absolute covariance inside the allowed window. [s]"""
    lag_sensitivity: FloatArray
    """Largest relative change of the flux for 0.25 s of lag either way. [1]"""
    wave_share: FloatArray
    """Part of the covariance inside the wave band; NaN without a band. [1]"""
    stationarity: FloatArray
    """Relative difference of sub-block mean and whole. [1]"""
    detection_limit: FloatArray
    """Twice the covariance at lags that cannot matter. [mmol m-2 h-1]"""
    sigma_w: FloatArray
    """Standard deviation of the vertical velocity. [m s-1]"""
    sigma_c: FloatArray
    """Standard deviation of the concentration as measured. [mmol m-3]"""
    n: npt.NDArray[np.int64]
    """Samples used."""
    lags: FloatArray
    """Axis of `flux_of_lag`. [s]"""
    flux_of_lag: FloatArray
    """Turbulent flux against lag, shape (..., lags). [mmol m-2 h-1]"""
    frequency: FloatArray
    """Axis of `cospectrum` and `ogive`: means of the bins. [Hz]"""
    cospectrum: FloatArray
    """Cospectral density, shape (..., frequencies). [mmol m-2 h-1 Hz-1]"""
    ogive: FloatArray
    """Flux carried at and above each frequency, shape (..., frequencies). [mmol m-2 h-1]"""


def eddy_covariance(
    *,
    w: npt.ArrayLike,
    concentration: npt.ArrayLike,
    sample_rate: float,
    separation_along: npt.ArrayLike,
    speed: npt.ArrayLike,
    height: npt.ArrayLike,
    response_time: npt.ArrayLike = 0.0,
    displacement: npt.ArrayLike = 0.0,
    lag_window: float | tuple[float, float] = LAG_WINDOW_S,
    lag: str | npt.ArrayLike = "geometry",
    lag_excess: npt.ArrayLike = 0.0,
    response: str = "restore",
    detrend: str = "linear",
    running_window: float = 300.0,
    low_frequency: str = "restore",
    storage_rate: npt.ArrayLike | None = None,
    storage_rate_sd: npt.ArrayLike = 0.0,
    friction_velocity: npt.ArrayLike | None = None,
    friction_velocity_floor: float = 0.003,
    speed_floor: float = 0.02,
    wake: npt.ArrayLike = False,
    wave_band: tuple[npt.ArrayLike, npt.ArrayLike] | None = None,
    sub_blocks: int = 3,
    error_lags: float = 75.0,
    minimum_share: float = 0.7,
    response_time_sd: npt.ArrayLike = 0.0,
    lag_sd: npt.ArrayLike = 0.0,
    gain_sd: npt.ArrayLike = 0.0,
    height_sd: npt.ArrayLike = 0.0,
    noise_sd: npt.ArrayLike = 0.0,
    curve_lags: float = 5.0,
    bins_per_decade: int = 8,
    each: Each = map,
) -> CovarianceFlux:
    """Return the covariance flux of one block, or of many at once.

    Parameters
    ----------
    w, concentration : array-like, shape (..., n)
        Vertical velocity in flow coordinates [m s-1] and concentration [mmol m-3]; NaN at gaps.
    sample_rate : float
        Common rate of both. [Hz]
    separation_along : array-like, shape (...)
        Distance of the concentration sensor downstream of the velocity volume, negative when the flow
        meets the sensor first. [m]
    speed : array-like, shape (...)
        Mean speed, positive. [m s-1]
    height, displacement : array-like, shape (...)
        Above the bed. [m]
    response_time : array-like, shape (...)
        First-order response time of the concentration sensor. [s]
    lag_window : float or (low, high)
        Half-width about the expected lag, or absolute bounds, of the lags that are physically allowed. [s]
    lag : "geometry", "search" or array-like
        Lag used: expected; largest absolute covariance inside the window (expected where that lies on the
        edge); or given. [s]
    lag_excess : array-like, shape (...)
        Added to the expected lag, for example from `pooled_lag`. [s]
    response : "restore", "gain", "bulk" or "none"
        Restore the concentration by ``tau dC/dt`` (lag from geometry alone); or shift by the response
        time and divide the cospectrum by the gain; or Horst's bulk factor at the geometric lag.
    detrend : "linear", "block" or "running"
        With `running_window` [s] for the last.
    low_frequency : "restore" or "none"
        Divide by what detrending leaves of a neutral cospectrum; half of the correction is systematic.
    storage_rate : array-like, shape (...), optional
        Change of the concentration with time below the sensor. [mmol m-3 h-1]
    storage_rate_sd : array-like, shape (...)
        Its random standard error. [mmol m-3 h-1]
    friction_velocity : array-like, shape (...), optional
        With `friction_velocity_floor`, for screening. [m s-1]
    speed_floor : float
        Below it the block is refused. [m s-1]
    wake : array-like of bool, shape (...)
        Blocks whose flow comes through the frame.
    wave_band : (low, high), optional
        Frequencies of the waves, scalars or one a block. [Hz]
    sub_blocks : int
        Parts of the stationarity test; three parts of a 15 min block last 5 min.
    error_lags : float
        Lags summed in the random error. Longer sums add products of noise: at 200 s the error of a 15 min
        block comes out a tenth too large. [s]
    minimum_share : float
        Blocks with a smaller share of good pairs are refused. [1]
    response_time_sd, lag_sd, gain_sd, height_sd : array-like, shape (...)
        Standard uncertainties of the systematic terms. [s, s, 1, m]
    noise_sd : array-like, shape (...)
        White noise of the concentration sensor per sample; stretches of ten seconds that are quieter than a tenth
        of it are left out as stuck. 0: not known, not tested. [mmol m-3]
    curve_lags : float
        Half-width of the lag axis of `flux_of_lag`. [s]
    bins_per_decade : int
        Of the cospectrum.
    each : callable
        Calls a function on each item, in order, as `map` does; a pool's `map` uses several processors. The
        result is the same to the last bit.

    Returns
    -------
    CovarianceFlux

    Raises
    ------
    ShapeError, OutOfRangeError, InputError
        If arrays do not fit, the rate is not positive, or an option is unknown. Single bad blocks do
        not raise; they get a reason.

    Notes
    -----
    Random error: Finkelstein and Sims (2001). Stationarity: Foken and Wichura (1996), with an absolute
    floor of twice the random error inside the sub-blocks, since fluxes near zero would always fail.
    A step of the level of either series that is no turbulence refuses the block too (`sudden_steps`).
    Detection limit: covariance at lags beyond 30 s. Storage: Rheuban, Berg and McGlathery (2014).
    """
    velocity, value = as_float("w", w), as_float("concentration", concentration)
    if velocity.shape != value.shape or velocity.ndim < 1 or velocity.shape[-1] < 16:
        message = f"w {velocity.shape} and concentration {value.shape} need one shape (..., n), n at least 16."
        raise ShapeError(message)
    require_range("sample_rate", sample_rate, 1e-6, 1e6, "Hz")
    require_range("sub_blocks", sub_blocks, 2, 100, "")
    one_of("response", response, ("restore", "gain", "bulk", "none"))
    one_of("low_frequency", low_frequency, ("restore", "none"))
    one_of("detrend", detrend, ("linear", "block", "running"))
    if isinstance(lag, str):
        one_of("lag", lag, ("geometry", "search"))
    lead, n = velocity.shape[:-1], velocity.shape[-1]
    blocks = int(np.prod(lead, dtype=np.int64))

    def per_block(name: str, given: npt.ArrayLike) -> FloatArray:
        return np.broadcast_to(as_float(name, given), lead).reshape(blocks)

    arguments = {
        "separation": per_block("separation_along", separation_along),
        "speed": per_block("speed", speed),
        "height": per_block("height", height),
        "displacement": per_block("displacement", displacement),
        "tau": per_block("response_time", response_time),
        "excess": per_block("lag_excess", lag_excess),
        "given": per_block("lag", np.nan if isinstance(lag, str) else lag),
        "storage_rate": per_block("storage_rate", np.nan if storage_rate is None else storage_rate),
        "storage_sd": per_block("storage_rate_sd", storage_rate_sd),
        "ustar": per_block("friction_velocity", np.nan if friction_velocity is None else friction_velocity),
        "wake": per_block("wake", np.asarray(wake, dtype=float)),
        "band_low": per_block("wave_band", np.nan if wave_band is None else wave_band[0]),
        "band_high": per_block("wave_band", np.nan if wave_band is None else wave_band[1]),
        "tau_sd": per_block("response_time_sd", response_time_sd),
        "lag_sd": per_block("lag_sd", lag_sd),
        "gain_sd": per_block("gain_sd", gain_sd),
        "height_sd": per_block("height_sd", height_sd),
        "noise_sd": per_block("noise_sd", noise_sd),
    }
    settings = _Settings(
        rate=float(sample_rate),
        window=lag_window,
        lag=lag if isinstance(lag, str) else "given",
        response=response,
        detrend=detrend,
        running=int(running_window * sample_rate),
        restore_low=low_frequency == "restore",
        storage=storage_rate is not None,
        friction=friction_velocity is not None,
        floor=friction_velocity_floor,
        speed_floor=speed_floor,
        sub_blocks=sub_blocks,
        error_lags=error_lags,
        share=minimum_share,
        curve=curve_lags,
        bins=bins_per_decade,
    )
    step = max(1, _CHUNK_VALUES // n)
    flat_w, flat_c = velocity.reshape(blocks, n), value.reshape(blocks, n)

    def piece(first: int) -> dict[str, Any]:
        return _chunk(
            flat_w[first : first + step],
            flat_c[first : first + step],
            {key: item[first : first + step] for key, item in arguments.items()},
            settings,
        )

    return _joined(list(each(piece, range(0, max(blocks, 1), step))), lead)


@dataclass(frozen=True, slots=True)
class _Settings:
    rate: float
    window: float | tuple[float, float]
    lag: str
    response: str
    detrend: str
    running: int
    restore_low: bool
    storage: bool
    friction: bool
    floor: float
    speed_floor: float
    sub_blocks: int
    error_lags: float
    share: float
    curve: float
    bins: int


def _joined(pieces: list[dict[str, Any]], lead: tuple[int, ...]) -> CovarianceFlux:
    shared = {"lags", "frequency"}
    out: dict[str, Any] = {}
    for field in fields(CovarianceFlux):
        if field.name in shared:
            out[field.name] = pieces[0][field.name]
            continue
        joined = np.concatenate([piece[field.name] for piece in pieces], axis=0)
        out[field.name] = joined.reshape((*lead, *joined.shape[1:]))
    return CovarianceFlux(**out)


def _chunk(w: FloatArray, c: FloatArray, a: dict[str, FloatArray], s: _Settings) -> dict[str, Any]:
    n, rate = w.shape[1], s.rate
    reason = np.zeros(w.shape[0], dtype=np.int64)
    if (a["noise_sd"] > 0.0).any():
        flat = _samples.flat_stretches(c, a["noise_sd"], max(round(_FLAT_SECONDS * rate), 8))
        c = np.where(flat, np.nan, c)
        reason[flat.sum(axis=1) > (1.0 - s.share) * n] |= Reason.CONSTANT
    good = np.isfinite(w) & np.isfinite(c)
    used = good.sum(axis=1)
    reason[used < max(s.share * n, 16)] |= Reason.EMPTY
    fluctuation_w = _samples.detrended(w, s.detrend, s.running)
    raw_c = _samples.detrended(c, s.detrend, s.running)
    tau = np.maximum(np.nan_to_num(a["tau"]), 0.0)
    if s.response == "restore" and (tau > 0.0).any():
        fluctuation_c = _samples.detrended(_samples.restored(raw_c, tau, 1.0 / rate), "block", 0)
    else:
        fluctuation_c = raw_c
    sigma_w, sigma_c = _sd(fluctuation_w), _sd(raw_c)
    tiny_w, tiny_c = 1e-12 * np.maximum(_peak(w), 1e-9), 1e-12 * np.maximum(_peak(c), 1e-9)
    reason[(used > 0) & ((sigma_w <= tiny_w) | (sigma_c <= tiny_c))] |= Reason.CONSTANT

    max_lag = min(int(np.ceil(s.error_lags * rate)), n - 2)
    found = _samples.correlations(fluctuation_w, fluctuation_c, max_lag)
    raw = found.cross if fluctuation_c is raw_c else _samples.correlations(fluctuation_w, raw_c, max_lag).cross
    travel = geometric_lag(separation_along=a["separation"], speed=a["speed"]) + a["excess"]
    shifts_response = s.response in {"gain", "none"}
    expected = travel + (tau if shifts_response else 0.0)
    lag_found, edge = _searched(found.cross, found.max_lag, expected, s)
    lag = _lag_used(expected, lag_found, edge, a, s)
    if s.lag == "search":
        reason[edge] |= Reason.LAG_AT_EDGE

    covariance = _samples.at_lag(found.cross, found.max_lag, lag * rate)
    bare = _samples.at_lag(raw, found.max_lag, (lag + (0.0 if shifts_response else tau)) * rate)
    factor, corrected = _response_corrected(covariance, bare, fluctuation_w, fluctuation_c, lag, tau, a, s)
    low = np.ones_like(corrected)
    if s.restore_low:
        low = detrending_retained(
            duration=n / rate, height=a["height"] - a["displacement"], speed=a["speed"], detrend=s.detrend,
            running_window=s.running / rate,
        )  # fmt: skip
        # Below half the model says more about the flux than the block does: leave it uncorrected.
        low = np.where(low > 0.5, low, 1.0)
        corrected = corrected / low
    spectral_factor = np.where(covariance != 0.0, corrected / np.where(covariance != 0.0, covariance, 1.0), 1.0)
    turbulent = corrected * SECONDS_PER_HOUR
    random_sd = spectral_factor * random_error(found, lag * rate, used) * SECONDS_PER_HOUR

    quarter = 0.25
    sides = np.stack([_samples.at_lag(found.cross, found.max_lag, (lag + side) * rate) for side in (-quarter, quarter)])
    with np.errstate(divide="ignore", invalid="ignore"):
        sensitivity = np.max(np.abs(sides - covariance), axis=0) / np.abs(covariance)
    reason[sensitivity > 0.25] |= Reason.LAG_SENSITIVE
    lag_slope = (sides[1] - sides[0]) / (2.0 * quarter) * SECONDS_PER_HOUR * spectral_factor

    shift = np.rint(np.nan_to_num(lag) * rate).astype(np.int64)
    parts = _samples.sub_covariances(fluctuation_w, fluctuation_c, shift, s.sub_blocks)
    measure = stationarity(sub_covariances=parts, whole_covariance=covariance)
    gap = np.abs(mean_last(parts) - covariance) * SECONDS_PER_HOUR * spectral_factor
    beyond = gap > 2.0 * random_sd * _steady_share(fluctuation_w, fluctuation_c, sigma_w, s.sub_blocks)
    reason[(measure > 0.3) & (measure <= 1.0) & beyond] |= Reason.PARTLY_UNSTEADY
    reason[(measure > 1.0) & beyond] |= Reason.UNSTEADY
    # Parts cannot see a step inside one of them.
    reason[_stepped(w, c)] |= Reason.UNSTEADY

    far = np.abs(np.arange(-found.max_lag, found.max_lag + 1)) > min(30.0 * rate, 0.5 * found.max_lag)
    limit = 2.0 * np.sqrt(np.mean(found.cross[:, far] ** 2, axis=1)) * SECONDS_PER_HOUR * spectral_factor

    storage = a["height"] * a["storage_rate"] if s.storage else np.zeros_like(turbulent)
    if not s.storage:
        reason |= Reason.NO_STORAGE
    else:
        random_sd = np.hypot(random_sd, a["height"] * np.nan_to_num(a["storage_sd"]))
    total = turbulent + storage
    reason[np.abs(total) < 2.0 * random_sd] |= Reason.WEAK
    _screen(reason, sigma_w, a, s)
    response_slope = _response_slope(lag_slope, turbulent, tau, a, s)
    if s.response == "restore":
        # cov(w, C + tau dC/dt) is linear in tau, so its slope is known without a difference in lag.
        rise = covariance - _samples.at_lag(raw, found.max_lag, lag * rate)
        exact = rise / np.where(tau > 0.0, tau, 1.0) * SECONDS_PER_HOUR * spectral_factor
        response_slope = np.where(tau > 0.0, exact, lag_slope)
    systematic = np.sqrt(
        (total * a["gain_sd"]) ** 2
        + (0.5 * turbulent * (1.0 - low)) ** 2
        + (lag_slope * a["lag_sd"]) ** 2
        + (response_slope * a["tau_sd"]) ** 2
        + (np.nan_to_num(a["storage_rate"]) * a["height_sd"]) ** 2
    )
    reason[~np.isfinite(total) & (reason & int(~DOUBTING) == 0)] |= Reason.BAD_INPUT
    out = (reason & int(~DOUBTING)) != 0
    frequency, cospectrum, ogive, share = _cospectra(fluctuation_w, fluctuation_c, lag, spectral_factor, a, s)
    reach = min(round(s.curve * rate), found.max_lag)
    centre = slice(found.max_lag - reach, found.max_lag + reach + 1)
    return {
        "flux": np.where(out, np.nan, total),
        "random_sd": np.where(out, np.nan, random_sd),
        "systematic_sd": np.where(out, np.nan, systematic),
        "reason": reason,
        "turbulent_flux": turbulent,
        "uncorrected_flux": raw[:, found.max_lag] * SECONDS_PER_HOUR,
        "response_factor": factor,
        "storage": storage,
        "detrending_factor": 1.0 / low,
        "flux_per_lag": lag_slope,
        "flux_per_response_time": response_slope,
        "lag": lag,
        "lag_expected": expected,
        "lag_found": lag_found,
        "lag_sensitivity": sensitivity,
        "wave_share": share,
        "stationarity": measure,
        "detection_limit": limit,
        "sigma_w": sigma_w,
        "sigma_c": sigma_c,
        "n": used.astype(np.int64),
        "lags": np.arange(-reach, reach + 1) / rate,
        "flux_of_lag": found.cross[:, centre] * SECONDS_PER_HOUR * spectral_factor[:, None],
        "frequency": frequency,
        "cospectrum": cospectrum,
        "ogive": ogive,
    }


def _searched(
    cross: FloatArray, max_lag: int, expected: FloatArray, s: _Settings
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    low: npt.ArrayLike
    high: npt.ArrayLike
    low, high = s.window if isinstance(s.window, tuple) else (expected - s.window, expected + s.window)
    axis = np.arange(-max_lag, max_lag + 1) / s.rate
    half = 0.5 / s.rate
    inside = (axis >= np.asarray(low)[..., None] - half) & (axis <= np.asarray(high)[..., None] + half)
    inside = np.broadcast_to(inside, cross.shape)
    size = np.where(inside, np.abs(cross), -1.0)
    best = np.argmax(size, axis=1)
    rows = np.arange(cross.shape[0])
    edge = ~(inside[rows, np.maximum(best - 1, 0)] & inside[rows, np.minimum(best + 1, 2 * max_lag)])
    empty = ~inside.any(axis=1) | ~np.isfinite(cross).all(axis=1)
    return np.where(empty, np.nan, axis[best]), edge & ~empty


def _lag_used(
    expected: FloatArray,
    found: FloatArray,
    edge: npt.NDArray[np.bool_],
    a: dict[str, FloatArray],
    s: _Settings,
) -> FloatArray:
    if s.lag == "given":
        return np.asarray(a["given"])
    if s.lag == "geometry":
        return expected
    # Not the median of neighbours: what a block gets must not depend on the batch it came in.
    return np.where(edge | ~np.isfinite(found), expected, found)


def _response_corrected(
    covariance: FloatArray,
    bare: FloatArray,
    w: FloatArray,
    c: FloatArray,
    lag: FloatArray,
    tau: FloatArray,
    a: dict[str, FloatArray],
    s: _Settings,
) -> tuple[FloatArray, FloatArray]:
    """Return (factor for showing, corrected covariance)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        if s.response == "restore":
            return np.where(tau > 0.0, covariance / bare, 1.0), covariance
        if s.response == "bulk":
            retained = flux_retained(
                response_time=tau, height=np.maximum(a["height"] - a["displacement"], 1e-6), speed=a["speed"]
            )
            return 1.0 / retained, covariance / retained
        if s.response == "gain" and (tau > 0.0).any():
            spectrum = _samples.cross_spectrum(w, c)
            frequency = np.arange(spectrum.shape[1]) * s.rate / w.shape[1]
            turned = (spectrum * np.exp(2j * np.pi * frequency * np.nan_to_num(lag)[:, None])).real
            # A gain below a fifth is not restored further: noise would be amplified instead of flux.
            loss = np.minimum(np.sqrt(1.0 + (2.0 * np.pi * frequency * tau[:, None]) ** 2), 5.0)
            factor = (turned * loss).sum(axis=1) / turned.sum(axis=1)
            return factor, covariance * factor
    return np.ones_like(covariance), covariance


def _response_slope(
    lag_slope: FloatArray, turbulent: FloatArray, tau: FloatArray, a: dict[str, FloatArray], s: _Settings
) -> FloatArray:
    """Return the change of the flux per second of response time."""
    if s.response == "none":
        return lag_slope
    if s.response == "bulk":
        up, down = (
            flux_retained(
                response_time=tau + side,
                height=np.maximum(a["height"] - a["displacement"], 1e-6),
                speed=a["speed"],
            )
            for side in (0.01, 0.0)
        )
        return np.asarray(turbulent * (down / up - 1.0) / 0.01)
    return lag_slope


def _screen(reason: npt.NDArray[np.int64], sigma_w: FloatArray, a: dict[str, FloatArray], s: _Settings) -> None:
    reason[a["speed"] < s.speed_floor] |= Reason.SLACK
    reason[a["wake"] > 0.5] |= Reason.WAKE
    reason[~(a["height"] > a["displacement"])] |= Reason.IMPOSSIBLE_HEIGHT
    if s.friction:
        reason[~(a["ustar"] >= s.floor)] |= Reason.LOW_FRICTION
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = sigma_w / a["ustar"]
        reason[(ratio < 0.7 * 1.25) | (ratio > 1.3 * 1.25)] |= Reason.UNDEVELOPED


def _cospectra(
    w: FloatArray, c: FloatArray, lag: FloatArray, factor: FloatArray, a: dict[str, FloatArray], s: _Settings
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    n = w.shape[1]
    spectrum = _samples.cross_spectrum(w, c)
    frequency = np.arange(spectrum.shape[1]) * s.rate / n
    turned = (spectrum * np.exp(2j * np.pi * frequency * np.nan_to_num(lag)[:, None])).real
    turned *= SECONDS_PER_HOUR * factor[:, None]
    first = _samples.log_bins(n, s.bins)
    last = np.append(first[1:], spectrum.shape[1])
    power = np.add.reduceat(turned, first, axis=1)
    centre = 0.5 * (first + last - 1) * s.rate / n
    inside = (frequency >= a["band_low"][:, None]) & (frequency <= a["band_high"][:, None])
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(inside, turned, 0.0).sum(axis=1) / turned.sum(axis=1)
    share = np.where(np.isfinite(a["band_low"] + a["band_high"]), share, np.nan)
    return centre, power / ((last - first) * s.rate / n), np.cumsum(power[:, ::-1], axis=1)[:, ::-1], share


def _stepped(w: FloatArray, c: FloatArray) -> npt.NDArray[np.bool_]:
    """Return which blocks hold a step of velocity or concentration that is no turbulence."""
    rise_w, rise_c = np.abs(sudden_steps(w)), np.abs(sudden_steps(c))
    lone = (rise_w > _LONE_STEP).any(axis=1) | (rise_c > _LONE_STEP).any(axis=1)
    with np.errstate(invalid="ignore"):
        joint = (rise_w * rise_c > _JOINT_STEP**2).any(axis=1)
    return np.asarray(lone | joint)


def _steady_share(w: FloatArray, c: FloatArray, sigma_w: FloatArray, parts: int) -> FloatArray:
    """Return the share of the two standard deviations that is left inside the sub-blocks.

    A front raises the random error along with the covariance; without it the floor would hide the front.
    """
    n = w.shape[1] // parts * parts
    left = []
    for series in (w, c):
        cut = series[:, :n].reshape(series.shape[0], parts, n // parts)
        good = np.isfinite(cut)
        count = np.maximum(good.sum(axis=2, keepdims=True), 1)
        inner = np.where(good, cut - np.where(good, cut, 0.0).sum(axis=2, keepdims=True) / count, 0.0)
        left.append((inner**2).sum(axis=(1, 2)) / np.maximum(good.sum(axis=(1, 2)), 1))
    whole = (sigma_w * _sd(c)) ** 2
    return np.sqrt(np.where(whole > 0.0, left[0] * left[1] / np.where(whole > 0.0, whole, 1.0), 1.0))


def _sd(values: FloatArray) -> FloatArray:
    count = np.maximum(np.isfinite(values).sum(axis=1), 1)
    return np.asarray(np.sqrt(np.where(np.isfinite(values), values, 0.0).__pow__(2).sum(axis=1) / count))


def _peak(values: FloatArray) -> FloatArray:
    return np.asarray(np.abs(np.where(np.isfinite(values), values, 0.0)).max(axis=1))
