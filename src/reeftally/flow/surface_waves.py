"""Surface waves from pressure, or from velocity, of one burst.

Here:     dispersion, pressure response, surface spectrum, height, period, direction, orbital velocity.
Not here: removal of waves from turbulence (`stress`).
Rules:    linear theory; the cut-off frequency is always returned; direction is where waves go to.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_range
from reeftally.errors import InputError
from reeftally.flow.spectrum import spectra

__all__ = [
    "Waves",
    "group_speed",
    "near_bed_orbital_rms",
    "orbital_amplitude",
    "pressure_response",
    "wavenumber",
    "waves",
]


def wavenumber(
    *, period: npt.ArrayLike, depth: npt.ArrayLike, current: npt.ArrayLike = 0.0, gravity: float = 9.81
) -> FloatArray:
    """Wavenumber k of linear waves: (omega - k U)^2 = g k tanh(k h).

    Parameters
    ----------
    period : array-like
        Wave period seen by a fixed sensor, more than 0. [s]
    depth : array-like
        Water depth, more than 0. [m]
    current : array-like
        Current along the waves, positive with them. [m s-1]
    gravity : float
        [m s-2]

    Returns
    -------
    float64 array, broadcast shape
        k; NaN where opposing current stops the waves. [rad m-1]

    Notes
    -----
    Airy theory; Newton's method from kh = sqrt(x)(1 + x/6) or x, x = omega^2 h / g.
    """
    t, h, u = np.broadcast_arrays(as_float("period", period), as_float("depth", depth), as_float("current", current))
    require_range("period", t, 1e-3, 1e6, "s")
    require_range("depth", h, 1e-3, 1.2e4, "m")
    omega = 2.0 * np.pi / t
    x = omega**2 * h / gravity
    k = np.where(x < 1.5, np.sqrt(x) * (1.0 + x / 6.0), x) / h
    with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
        for _ in range(60):
            tanh = np.tanh(k * h)
            root = np.sqrt(gravity * k * tanh)
            value = root + k * u - omega
            slope = 0.5 * root / k * (1.0 + k * h * (1.0 - tanh**2) / np.maximum(tanh, 1e-300)) + u
            step = value / slope
            k = np.maximum(k - step, 0.1 * k)
            if not (np.abs(step) > 1e-13 * k).any():
                break
        settled = np.abs(np.sqrt(gravity * k * np.tanh(k * h)) + k * u - omega) < 1e-9 * omega
    return np.where(settled, k, np.nan)


def group_speed(*, period: npt.ArrayLike, depth: npt.ArrayLike, gravity: float = 9.81) -> FloatArray:
    """Group speed of linear waves, n c with n = (1 + 2kh / sinh 2kh) / 2. [m s-1]"""
    k = wavenumber(period=period, depth=depth, gravity=gravity)
    kh = k * as_float("depth", depth)
    c = 2.0 * np.pi / as_float("period", period) / k
    return np.asarray(0.5 * (1.0 + 2.0 * kh / np.sinh(np.minimum(2.0 * kh, 700.0))) * c)


def pressure_response(
    *, wavenumber: npt.ArrayLike, depth: npt.ArrayLike, sensor_height: npt.ArrayLike = 0.0
) -> FloatArray:
    """Kp = cosh(k z) / cosh(k h): share of the surface's pressure felt at a height above the bed. [1]"""
    k, h, z = (as_float("x", x) for x in (wavenumber, depth, sensor_height))
    # Written with exponentials of differences so that deep, short waves give 0 and not a quotient of infinities.
    return np.asarray(np.exp(k * (z - h)) * (1.0 + np.exp(-2.0 * k * z)) / (1.0 + np.exp(-2.0 * k * h)))


def orbital_amplitude(
    *, height: npt.ArrayLike, period: npt.ArrayLike, depth: npt.ArrayLike, gravity: float = 9.81
) -> FloatArray:
    """Orbital velocity amplitude at the bed of a wave of given height: pi H / (T sinh kh). [m s-1]"""
    k = wavenumber(period=period, depth=depth, gravity=gravity)
    sinh = np.sinh(np.minimum(k * as_float("depth", depth), 700.0))
    return np.asarray(np.pi * as_float("height", height) / (as_float("period", period) * sinh))


def near_bed_orbital_rms(
    *, significant_height: npt.ArrayLike, period: npt.ArrayLike, depth: npt.ArrayLike, gravity: float = 9.81
) -> FloatArray:
    """Root mean square bed orbital velocity of a narrow sea: pi Hrms/(T sinh kh)/sqrt 2, Hrms = Hs/sqrt 2.

    Soulsby (1997), Dynamics of Marine Sands. [m s-1]
    """
    rms_height = as_float("significant_height", significant_height) / np.sqrt(2.0)
    amplitude = orbital_amplitude(height=rms_height, period=period, depth=depth, gravity=gravity)
    return np.asarray(amplitude / np.sqrt(2.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Waves:
    """Wave statistics of one burst."""

    significant_height: float
    """4 sqrt(m0). [m]"""
    significant_height_random_sd: float
    """Sampling error, from the spectrum's degrees of freedom. [m]"""
    peak_period: float
    """Period at the largest density. [s]"""
    mean_period: float
    """m0 / m1. [s]"""
    direction_to: float
    """Direction the waves go to, anticlockwise from the x axis of the velocities; NaN without them. [degree]"""
    spread: float
    """Directional spread at the energy-weighted mean. [degree]"""
    orbital_rms: float
    """Root mean square horizontal orbital velocity at the velocity sensor, or at the bed by theory. [m s-1]"""
    infragravity_height: float
    """4 sqrt(m0) of 0.004 to 0.04 Hz. [m]"""
    cut_off: float
    """Highest frequency used. [Hz]"""
    frequency: FloatArray
    """[Hz]"""
    surface: FloatArray
    """Surface spectrum up to the cut-off. [m2 Hz-1]"""
    reasons: tuple[str, ...]
    """Why there is no value; empty if there is."""


def _refused(reason: str) -> Waves:
    nan, none = float("nan"), np.empty(0)
    return Waves(
        significant_height=nan, significant_height_random_sd=nan, peak_period=nan, mean_period=nan,
        direction_to=nan, spread=nan, orbital_rms=nan, infragravity_height=nan, cut_off=nan,
        frequency=none, surface=none, reasons=(reason,),
    )  # fmt: skip


def waves(
    *,
    sample_rate: float,
    depth: float,
    sensor_height: float,
    pressure: npt.ArrayLike | None = None,
    velocity: npt.ArrayLike | None = None,
    velocity_height: float | None = None,
    density: float = 1023.0,
    gravity: float = 9.81,
    lowest: float = 0.04,
    least_response: float = 0.05,
    highest: float = 0.5,
) -> Waves:
    """Wave height, period, direction and orbital velocity of one burst.

    Parameters
    ----------
    sample_rate : float
        Samples a second. [Hz]
    depth : float
        Water depth. [m]
    sensor_height : float
        Height of the pressure sensor above the bed. [m]
    pressure : array-like, shape (n,), optional
        Water pressure; the mean does not matter. [Pa]
    velocity : array-like, shape (2, n) or (3, n), optional
        Horizontal velocity first; gives direction with pressure, and the waves alone without it. [m s-1]
    velocity_height : float, optional
        Height of the velocity sample above the bed; default `sensor_height`. [m]
    density, gravity : float
        [kg m-3, m s-2]
    lowest, highest : float
        Band of the waves. [Hz]
    least_response : float
        Stop where Kp^2 falls below this; noise would be blown up. [1]

    Returns
    -------
    Waves
        With reasons and NaN (not an exception) if refused: ``pressure_missing``, ``too_few_samples``,
        ``constant``, ``height_impossible``, ``band_empty``, ``too_many_missing``.

    Notes
    -----
    S_eta = S_p / (rho g Kp)^2; from velocity S_eta = (S_u + S_v) (sinh kh / (omega cosh kz))^2. Direction
    from the co-spectra of pressure with u and v (PUV). Linear theory is wrong by 5 to 15 % close to
    breaking. From velocity alone the direction has a 180 degree ambiguity and is not given.
    """
    if pressure is None and velocity is None:
        message = "pressure and velocity are both missing; one of them is needed."
        raise InputError(message)
    require_range("sample_rate", sample_rate, 0.05, 1000.0, "Hz")
    at = sensor_height if velocity_height is None else velocity_height
    if not (0.0 < depth < 1.2e4 and 0.0 <= sensor_height < depth and 0.0 <= at < depth):
        return _refused("height_impossible")
    p = None if pressure is None else as_float("pressure", pressure)
    flow = None if velocity is None else as_float("velocity", velocity)[:2]
    if p is not None and not np.isfinite(p).any():
        return _refused("pressure_missing")
    rows = ([] if p is None else [p]) + ([] if flow is None else [flow[0], flow[1]])
    n = rows[0].size
    if n / sample_rate < 240.0:
        return _refused("too_few_samples")
    for row in rows:
        seen = row[np.isfinite(row)]
        if seen.size < 0.7 * n:
            return _refused("too_many_missing")
        if np.ptp(seen) == 0.0:
            return _refused("constant")
    # Waves need no more than 4 Hz: average down, which keeps the transforms small.
    factor = max(int(sample_rate // 4.0), 1)
    length = n // factor * factor
    series = np.stack([row[:length].reshape(-1, factor).mean(axis=1) for row in rows])
    rate = sample_rate / factor
    found = spectra(series=series, sample_rate=rate, segment=128.0)
    if found.segments < 3:
        return _refused("too_many_missing")
    f = found.frequency
    # The mean over `factor` samples lowers each line by the kernel below.
    kernel = np.sin(np.pi * f / rate) / (factor * np.sin(np.pi * f / sample_rate)) if factor > 1 else 1.0
    matrix = found.matrix / kernel**2
    k = wavenumber(period=1.0 / f, depth=depth, gravity=gravity)
    response = pressure_response(wavenumber=k, depth=depth, sensor_height=sensor_height)
    orbital = 2.0 * np.pi * f * np.cosh(np.minimum(k * at, 300.0)) / np.sinh(np.minimum(k * depth, 300.0))
    if p is not None:
        surface = matrix[0, 0].real / (density * gravity * response) ** 2
    else:
        surface = (matrix[0, 0].real + matrix[1, 1].real) / orbital**2
    band = (f >= lowest) & (f <= highest) & (response**2 >= least_response)
    if band.sum() < 4:
        return _refused("band_empty")
    df = found.resolution
    m0 = float(surface[band].sum() * df)
    m1 = float((surface * f)[band].sum() * df)
    per_bin = float(found.band_degrees_of_freedom)
    relative = float(np.sqrt(2.0 / per_bin * (surface[band] ** 2).sum()) / surface[band].sum())
    height = 4.0 * np.sqrt(m0)
    direction, spread = float("nan"), float("nan")
    if flow is not None:
        first = 0 if p is None else 1
        rms = float(np.sqrt((matrix[first, first].real + matrix[first + 1, first + 1].real)[band].sum() * df))
        if p is not None:
            east = float(matrix[0, 1].real[band].sum())
            north = float(matrix[0, 2].real[band].sum())
            direction = float(np.rad2deg(np.arctan2(north, east)))
            whole = np.sqrt(
                matrix[0, 0].real * (matrix[1, 1].real + matrix[2, 2].real)
            )[band].sum()  # fmt: skip
            spread = float(np.rad2deg(np.sqrt(max(2.0 * (1.0 - np.hypot(east, north) / whole), 0.0))))
    else:
        bed = (2.0 * np.pi * f / np.sinh(np.minimum(k * depth, 300.0))) ** 2
        rms = float(np.sqrt((surface * bed)[band].sum() * df))
    low = (f >= 0.004) & (f < lowest) & (f < 0.04)
    top = f[band][int(np.argmax(surface[band]))]
    return Waves(
        significant_height=height, significant_height_random_sd=0.5 * relative * height,
        peak_period=float(1.0 / top), mean_period=m0 / m1, direction_to=direction, spread=spread,
        orbital_rms=rms, infragravity_height=float(4.0 * np.sqrt(surface[low].sum() * df)),
        cut_off=float(f[band].max()), frequency=f[band], surface=surface[band], reasons=(),
    )  # fmt: skip
