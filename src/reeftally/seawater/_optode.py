"""Sensor equations of optodes: phase to oxygen, pressure on the membrane, response lag.

Here:     what `oxygen` offers about sensors; import it from there.
Not here: units and solubility (oxygen.py), calibration against bottles (`calibration`).
Rules:    as in oxygen.py. Coefficients are always given, never assumed, save the published pressure terms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, one_of, require_range, require_same_length
from reeftally.errors import InputError, ShapeError
from reeftally.seawater._elementwise import Range, elementwise

__all__ = [
    "LagCorrected",
    "lag_correction",
    "phase_stern_volmer",
    "phase_with_pressure",
    "pressure_compensation",
    "pressure_factor",
    "stern_volmer",
    "stern_volmer_two_site",
    "two_point",
]

_TEMPERATURE: Final[Range] = (-2.0, 40.0, "degC")
_PRESSURE: Final[Range] = (-10.0, 11000.0, "dbar")
_OXYGEN: Final[Range] = (-100.0, 3000.0, "µmol kg-1 or mmol m-3")
_ANY: Final[Range] = (-np.inf, np.inf, "")

_PRESSURE_METHODS: Final = ("bittig2015", "uchida2008")


@elementwise({"pressure": _PRESSURE, "temperature": _TEMPERATURE, "coefficient": (0.0, 0.1, "per 1000 dbar")})
def pressure_factor(
    *,
    pressure: npt.ArrayLike,
    temperature: npt.ArrayLike,
    method: str = "bittig2015",
    phase_corrected: bool = False,
    coefficient: npt.ArrayLike | None = None,
) -> FloatArray:
    """Factor on an optode's reading for the pressure on its membrane.

    Parameters
    ----------
    pressure : array-like
        Sea pressure. [dbar]
    temperature : array-like
        Water temperature. [degC]
    method : {"bittig2015", "uchida2008"}, default "bittig2015"
        Growing with temperature, or 1 + C p/1000 with C = 0.032 at any temperature.
    phase_corrected : bool, default False
        For "bittig2015": whether the oxygen was computed from a phase already passed through
        `phase_with_pressure`. If so 1 + (0.00022 t + 0.0419) p/1000, else 1 + (0.00025 t + 0.0328) p/1000, which has
        the mean effect on the phase in it.
    coefficient : array-like, optional
        Another C for "uchida2008", such as 0.040. [per 1000 dbar]

    Returns
    -------
    float64 array
        Factor. [1] Published readings fall 3 to 4 % per 1000 dbar; at reef depth it is below 0.1 %.

    References
    ----------
    Bittig, Fiedler, Fietzek and Körtzinger 2015, J. Atmos. Oceanic Technol. 32, 2305-2317; Uchida, Kawano, Kaneko
    and Fukasawa 2008, ibid. 25, 2271-2281 (coefficients as quoted by users of these papers; the second from memory).
    """
    one_of("method", method, _PRESSURE_METHODS)
    p = np.asarray(pressure) / 1000.0
    if method == "bittig2015":
        if coefficient is not None:
            message = "coefficient belongs to method 'uchida2008'; leave it out or change the method."
            raise InputError(message)
        per_degree, at_zero = (0.00022, 0.0419) if phase_corrected else (0.00025, 0.0328)
        return np.asarray(1.0 + (per_degree * np.asarray(temperature) + at_zero) * p)
    c = 0.032 if coefficient is None else np.asarray(coefficient)
    return np.asarray(1.0 + c * p + 0.0 * np.asarray(temperature))


@elementwise({"oxygen": _OXYGEN, "pressure": _PRESSURE, "temperature": _TEMPERATURE})
def pressure_compensation(
    *,
    oxygen: npt.ArrayLike,
    pressure: npt.ArrayLike,
    temperature: npt.ArrayLike,
    method: str = "bittig2015",
    phase_corrected: bool = False,
) -> FloatArray:
    """Oxygen times `pressure_factor`, with the same arguments; by mass or by volume. [unit of `oxygen`]"""
    factor = pressure_factor(pressure=pressure, temperature=temperature, method=method, phase_corrected=phase_corrected)
    return np.asarray(np.asarray(oxygen) * factor)


@elementwise({"phase": (0.0, 360.0, "degrees"), "pressure": _PRESSURE})
def phase_with_pressure(*, phase: npt.ArrayLike, pressure: npt.ArrayLike) -> FloatArray:
    """Phase of an optode brought to the surface: plus 0.1 degree per 1000 dbar (Bittig et al. 2015). [degrees]"""
    return np.asarray(np.asarray(phase) + 0.1 * np.asarray(pressure) / 1000.0)


@elementwise({"phase": _ANY, "temperature": _TEMPERATURE})
def stern_volmer(*, phase: npt.ArrayLike, temperature: npt.ArrayLike, coefficients: Sequence[float]) -> FloatArray:
    """Oxygen from the phase of an optode, modified Stern-Volmer equation.

    Parameters
    ----------
    phase : array-like
        Phase of the luminescence. [degrees]
    temperature : array-like
        Temperature of the foil. [degC]
    coefficients : sequence of 7 floats
        c0..c6: Ksv = c0 + c1 t + c2 t^2, P0 = c3 + c4 t, Pc = c5 + c6 phase.

    Returns
    -------
    float64 array
        (P0/Pc - 1)/Ksv, in the unit of 1/Ksv; at the salinity of the calibration (0 for most). [mmol m-3]

    References
    ----------
    Uchida, Kawano, Kaneko and Fukasawa 2008, J. Atmos. Oceanic Technol. 25, 2271-2281 (from memory).
    """
    c = _seven(coefficients)
    t = np.asarray(temperature)
    quench = c[0] + (c[1] + c[2] * t) * t
    return np.asarray(((c[3] + c[4] * t) / (c[5] + c[6] * np.asarray(phase)) - 1.0) / quench)


@elementwise({"oxygen_molar": _OXYGEN, "temperature": _TEMPERATURE})
def phase_stern_volmer(
    *, oxygen_molar: npt.ArrayLike, temperature: npt.ArrayLike, coefficients: Sequence[float]
) -> FloatArray:
    """Phase [degrees] that an optode would show: the inverse of `stern_volmer`."""
    c = _seven(coefficients)
    t = np.asarray(temperature)
    quench = c[0] + (c[1] + c[2] * t) * t
    return np.asarray(((c[3] + c[4] * t) / (1.0 + quench * np.asarray(oxygen_molar)) - c[5]) / c[6])


@elementwise({"intensity_ratio": (1e-6, np.inf, ""), "quench": (0.0, np.inf, "m3 mmol-1")})
def stern_volmer_two_site(
    *, intensity_ratio: npt.ArrayLike, quench: npt.ArrayLike, quenched_share: float = 1.0
) -> FloatArray:
    """Oxygen from a luminescence ratio where only a share of the dye is reached by oxygen.

    Parameters
    ----------
    intensity_ratio : array-like
        Signal (intensity or lifetime) at zero oxygen over signal now, at least 1. [1]
    quench : array-like
        Stern-Volmer constant of the part that is reached. [m3 mmol-1]
    quenched_share : float, default 1
        Share of the dye that is reached, above 0 to 1.

    Returns
    -------
    float64 array
        Oxygen from ratio = 1 / (f/(1 + K c) + 1 - f). [mmol m-3] Demas, DeGraff and Xu 1995, Anal. Chem. 67, 1377
        (from memory).
    """
    require_range("quenched_share", quenched_share, 1e-6, 1.0)
    left = 1.0 / np.asarray(intensity_ratio) - (1.0 - quenched_share)
    return np.asarray(np.where(left > 0.0, (quenched_share / left - 1.0) / np.asarray(quench), np.nan))


@elementwise({"reading": _ANY, "reading_zero": _ANY, "reading_full": _ANY, "oxygen_full": _OXYGEN})
def two_point(
    *,
    reading: npt.ArrayLike,
    reading_zero: npt.ArrayLike,
    reading_full: npt.ArrayLike,
    oxygen_full: npt.ArrayLike,
    form: str = "linear",
) -> FloatArray:
    """Oxygen from a zero and a saturated reading.

    Parameters
    ----------
    reading, reading_zero, reading_full : array-like
        Reading now, without oxygen, and in water of known oxygen at the same temperature. [one unit]
    oxygen_full : array-like
        Oxygen of that water. [any unit of oxygen]
    form : {"linear", "stern_volmer"}, default "linear"
        The reading is proportional to oxygen above the zero (fluorescence already linearised, amperometry),
        or its reciprocal is (phase, lifetime, intensity of luminescence).

    Returns
    -------
    float64 array
        Oxygen. [unit of `oxygen_full`]
    """
    one_of("form", form, ("linear", "stern_volmer"))
    now, zero, full = np.asarray(reading), np.asarray(reading_zero), np.asarray(reading_full)
    linear = (now - zero) / (full - zero)
    share = linear if form == "linear" else (zero / now - 1.0) / (zero / full - 1.0)
    return np.asarray(np.asarray(oxygen_full) * share)


@dataclass(frozen=True, slots=True, kw_only=True)
class LagCorrected:
    """Series with the sensor's lag taken out, and what that cost."""

    time: FloatArray
    """Mean time of each window. [s]"""
    values: FloatArray
    """Corrected series, shape (n - window + 1,). [unit of the input]"""
    random_sd: FloatArray
    """Standard uncertainty from the noise of the samples. Windows overlap, so neighbours share noise."""
    systematic_sd: FloatArray
    """Standard uncertainty from that of the response time; the same sign along a slope."""
    noise_gain: FloatArray
    """Noise of the corrected series over noise of the samples."""


def lag_correction(
    *,
    time: npt.ArrayLike,
    values: npt.ArrayLike,
    response_time: npt.ArrayLike,
    response_time_sd: float = 0.0,
    noise_sd: float = 0.0,
    window: int = 2,
) -> LagCorrected:
    """Take the first-order lag of a sensor out of its series.

    Parameters
    ----------
    time : array-like, shape (n,)
        Times, rising. [s]
    values : array-like, shape (n,)
        Series; NaN voids the windows that hold it. [any unit]
    response_time : array-like, shape () or (n,)
        Response time (63 %). [s]
    response_time_sd : float, default 0
        Its standard uncertainty. [s]
    noise_sd : float, default 0
        Standard deviation of the independent noise of one sample. [unit of `values`]
    window : int, default 2
        Samples a window, at least 2. More samples cost time resolution and save noise.

    Returns
    -------
    LagCorrected

    Notes
    -----
    A first-order sensor obeys c = m + tau dm/dt. In each window the line through the samples gives the mean
    m and the slope; their errors are independent, so the noise gain is sqrt(1/n + tau^2/Sxx). With two
    samples this is the bilinear filter of [Bittig2014]_, and the gain sqrt(1/2 + 2 (tau/dt)^2).

    References
    ----------
    .. [Bittig2014] Bittig et al. 2014, Limnol. Oceanogr. Methods 12, 617-636, appendix (from memory).
    """
    t, m = as_float("time", time), as_float("values", values)
    n = require_same_length(time=t, values=m)
    if window < 2 or window > n:
        message = f"window is {window}; it needs 2 to {n} samples."
        raise ShapeError(message)
    if not np.all(np.diff(t) > 0.0):
        message = "time does not rise throughout; sort it and drop repeated stamps first."
        raise InputError(message)
    tau = np.broadcast_to(as_float("response_time", response_time), t.shape)
    require_range("response_time", tau, 0.0, np.inf, "s")
    require_range("response_time_sd", response_time_sd, 0.0, np.inf, "s")
    require_range("noise_sd", noise_sd, 0.0, np.inf)
    view = np.lib.stride_tricks.sliding_window_view
    times, samples, taus = view(t, window), view(m, window), view(tau, window)
    centre = times.mean(1)
    run = times - centre[:, None]
    spread = (run * run).sum(1)
    slope = (run * samples).sum(1) / spread
    lag = taus.mean(1)
    gain = np.sqrt(1.0 / window + lag * lag / spread)
    corrected = samples.mean(1) + lag * slope
    known = np.where(np.isfinite(corrected), 1.0, np.nan)
    return LagCorrected(
        time=centre,
        values=corrected,
        random_sd=noise_sd * gain * known,
        systematic_sd=response_time_sd * np.abs(slope),
        noise_gain=gain,
    )


def _seven(coefficients: Sequence[float]) -> FloatArray:
    c = as_float("coefficients", coefficients)
    if c.shape != (7,):
        message = f"coefficients has shape {c.shape}; it needs 7 numbers, c0 to c6."
        raise ShapeError(message)
    return c
