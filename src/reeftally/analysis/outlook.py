"""Outlook: sun, tide and expected current of the next two days, from the mission's own record.

Here:     harmonic analysis of pressure and speed by least squares with an interval; sun times; high and low water.
Not here: weather and waves (no forecast is fetched), whether anybody dives (never this tool's question).
Rules:    a tide is given from five days of own pressure on; with less the outlook says what is missing. The interval
          holds what the fit does not know and what the record left unexplained.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.analysis.estimates import iso
from reeftally.analysis.grid import NS
from reeftally.mission import solar

__all__ = ["CURRENT", "LEAST_DAYS", "TIDE", "Harmonics", "Outlook", "fit_harmonics", "look_ahead"]

HOUR_NS = 3600 * NS
LEAST_DAYS = 5.0
HOURS_AHEAD = 48
DECIBAR_TO_M = 1.0e4 / 9.81
DENSITY = 1023.0
# Speeds in degrees an hour of the main constituents (Schureman 1958, table 2; from memory), and how large each may
# be before the record speaks [m]: a few days do not part N2 from M2, so a small N2 is taken for granted.
TIDE: dict[str, tuple[float, float]] = {
    "M2": (28.9841042, 1.5),
    "S2": (30.0, 0.7),
    "K1": (15.0410686, 0.7),
    "O1": (13.9430356, 0.5),
    "N2": (28.4397295, 0.1),
    "M4": (57.9682084, 0.05),
}
# The speed, a size without a sign, follows twice the tide's speeds; relative to its own spread.
CURRENT: dict[str, tuple[float, float]] = {
    "M2": (28.9841042, 1.0),
    "M4": (57.9682084, 1.0),
    "MS4": (58.9841042, 1.0),
    "M8": (115.9364166, 0.5),
}
# What the constituents leave over is alike for hours: setup by swell, wind on the water. It is taken as a slow wander
# of this correlation time and of at least this size, since a calm record says little of the next swell (common
# practice, no source).
WANDER_H = 12.0
LEAST_WANDER_M = 0.05
LEAST_WANDER_M_S = 0.01
WHITE_SHARE = 0.1
# Hourly values beyond these many days add nothing that two days ahead need.
LONGEST_DAYS = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Harmonics:
    """Mean and constituents with their covariance, and the wander about them."""

    names: tuple[str, ...]
    degrees_per_hour: FloatArray
    origin: float
    """[s since 1970-01-01 UTC]"""
    coefficients: FloatArray
    """Mean, then cosine and sine of each constituent."""
    covariance: FloatArray
    wander_sd: float
    """Of what the constituents leave unexplained."""
    days: float
    seconds: FloatArray
    """Hourly times that were fitted. [s since 1970-01-01 UTC]"""
    left: FloatArray
    """What was left over at them."""
    inverse: FloatArray
    """Inverse of the covariance of the wander at them."""

    def design(self, seconds: npt.ArrayLike) -> FloatArray:
        """Return the regressors at instants, (n, 1 + 2 constituents)."""
        return _design(np.asarray(seconds, dtype=np.float64) - self.origin, self.degrees_per_hour)

    def at(self, seconds: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return value and standard uncertainty at instants; the wander of the last hours fades out of the value."""
        when = np.atleast_1d(np.asarray(seconds, dtype=np.float64))
        x = self.design(when)
        near = _wander(when, self.seconds, self.wander_sd)
        carried = near @ self.inverse
        short = x - carried @ self.design(self.seconds)
        value = x @ self.coefficients + carried @ self.left
        variance = (
            np.einsum("np,pq,nq->n", short, self.covariance, short)
            + self.wander_sd**2 * (1.0 + WHITE_SHARE**2)
            - np.einsum("nk,nk->n", carried, near)
        )
        return value, np.sqrt(np.maximum(variance, 0.0))

    def amplitude(self, name: str) -> float:
        """Return the amplitude of a constituent."""
        k = 1 + 2 * self.names.index(name)
        return float(np.hypot(self.coefficients[k], self.coefficients[k + 1]))


def _design(seconds: FloatArray, degrees_per_hour: FloatArray) -> FloatArray:
    angle = np.radians(degrees_per_hour)[None, :] * (seconds / 3600.0)[:, None]
    out = np.empty((seconds.size, 1 + 2 * degrees_per_hour.size))
    out[:, 0] = 1.0
    out[:, 1::2], out[:, 2::2] = np.cos(angle), np.sin(angle)
    return out


def _wander(one: FloatArray, two: FloatArray, sd: float) -> FloatArray:
    return np.asarray(sd**2 * np.exp(-np.abs(one[:, None] - two[None, :]) / (3600.0 * WANDER_H)))


def _hourly(seconds: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return means of the good values of each hour, at their mean time."""
    good = np.isfinite(values)
    if not good.any():
        return np.empty(0), np.empty(0)
    t, y = seconds[good], values[good]
    recent = t > t[-1] - LONGEST_DAYS * 86400.0
    t, y = t[recent], y[recent]
    _, place = np.unique(np.floor(t / 3600.0), return_inverse=True)
    n = np.bincount(place)
    return np.bincount(place, weights=t) / n, np.bincount(place, weights=y) / n


def fit_harmonics(
    *,
    seconds: FloatArray,
    values: FloatArray,
    constituents: dict[str, tuple[float, float]],
    scale: float = 1.0,
    least_wander: float = LEAST_WANDER_M,
) -> Harmonics | None:
    """Fit mean and constituents by generalised least squares with prior sizes.

    Parameters
    ----------
    seconds : (n,) array
        Increasing. [s since 1970-01-01 UTC]
    values : (n,) array
        Height of the tide or speed; NaN where missing.
    constituents : dict
        Name to (degrees an hour, prior standard deviation of its cosine and sine part).
    scale : float
        Unit of the prior standard deviations.
    least_wander : float
        Least standard deviation of what the constituents leave over. [unit of `values`]

    Returns
    -------
    Harmonics or None
        None with fewer than 24 hourly values.

    Notes
    -----
    Least squares for the main constituents after Foreman and Henry 1989 (from memory); priors in place of inference
    of what a short record cannot part; the rest a first-order wander, so that a swell of two days is not taken for
    a tide, and fades out of the forecast.
    """
    t, y = _hourly(seconds, values)
    if t.size < 24:
        return None
    origin, centre = float(0.5 * (t[0] + t[-1])), float(y.mean())
    names = tuple(constituents)
    speed = np.array([constituents[n][0] for n in names])
    prior = np.concatenate([[1e3 * scale], np.repeat([constituents[n][1] for n in names], 2) * scale])
    x = _design(t - origin, speed)
    sd = least_wander
    for _ in range(3):
        inverse = np.linalg.inv(_wander(t, t, sd) + np.diag(np.full(t.size, (WHITE_SHARE * sd) ** 2)))
        covariance = np.linalg.inv(x.T @ inverse @ x + np.diag(1.0 / prior**2))
        beta = covariance @ (x.T @ inverse @ (y - centre))
        left = y - centre - x @ beta
        sd = max(float(np.sqrt(np.mean(left**2))), least_wander)
    inverse = np.linalg.inv(_wander(t, t, sd) + np.diag(np.full(t.size, (WHITE_SHARE * sd) ** 2)))
    beta = beta.copy()
    beta[0] += centre
    return Harmonics(
        names=names, degrees_per_hour=speed, origin=origin, coefficients=beta,
        covariance=np.asarray(covariance, dtype=np.float64), wander_sd=sd, days=float((t[-1] - t[0]) / 86400.0),
        seconds=t, left=left, inverse=np.asarray(inverse, dtype=np.float64),
    )  # fmt: skip


@dataclass(slots=True, kw_only=True)
class Outlook:
    """What the next two days bring, as plain data."""

    start_ns: int
    sun: list[dict[str, str]] = field(default_factory=list)
    """Sunrise, noon and sunset of each day. [UTC]"""
    tide: list[dict[str, Any]] = field(default_factory=list)
    """High and low waters: time, height about the record's mean [m] and its 95 % interval."""
    current: list[dict[str, Any]] = field(default_factory=list)
    """Strongest and weakest currents: time, speed [m s-1] and its 95 % interval."""
    hours: list[dict[str, Any]] = field(default_factory=list)
    """Height and speed on every hour."""
    tide_fit: Harmonics | None = None
    current_fit: Harmonics | None = None
    missing: list[str] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """Return everything for JSON."""
        fit = self.tide_fit
        return {
            "format": 1,
            "start": iso(self.start_ns),
            "end": iso(self.start_ns + HOURS_AHEAD * HOUR_NS),
            "sun": self.sun,
            "tide": self.tide,
            "current": self.current,
            "hours": self.hours,
            "fit": None
            if fit is None
            else {
                "days": round(fit.days, 2),
                "unexplained_sd_m": round(fit.wander_sd, 4),
                "amplitude_m": {name: round(fit.amplitude(name), 4) for name in fit.names},
            },
            "missing": self.missing,
        }


def look_ahead(
    *,
    start_ns: int,
    latitude_deg: float,
    longitude_deg: float,
    seconds: FloatArray,
    pressure: FloatArray,
    speed: FloatArray,
) -> Outlook:
    """Return sun, tide and expected current of the two days after an instant.

    Parameters
    ----------
    start_ns : int
        [ns since 1970-01-01 UTC]
    latitude_deg, longitude_deg : float
        [degree]
    seconds : (n,) array
        Times of the record. [s since 1970-01-01 UTC] Only what lies before `start_ns` is used.
    pressure : (n,) array
        Of the sea at the bed, air taken off; NaN where missing. [dbar]
    speed : (n,) array
        Of the current; NaN where missing. [m s-1]

    Returns
    -------
    Outlook
    """
    out = Outlook(start_ns=start_ns)
    out.sun = _sun(start_ns, latitude_deg, longitude_deg)
    before = seconds < start_ns / NS
    ahead: FloatArray = np.asarray(start_ns / NS + 600.0 * np.arange(HOURS_AHEAD * 6 + 1), dtype=np.float64)
    height = np.where(np.isfinite(pressure), pressure, np.nan) * DECIBAR_TO_M / DENSITY
    out.tide_fit = _enough(
        seconds[before], height[before], TIDE, 1.0, LEAST_WANDER_M, "tide", "sea pressure", out.missing
    )
    if out.tide_fit is not None:
        mean = float(out.tide_fit.coefficients[0])
        value, sd = out.tide_fit.at(ahead)
        out.tide = _turns(ahead, value - mean, sd, ("high water", "low water"), "height_m")
    spread = float(np.nanstd(speed[before])) if np.isfinite(speed[before]).sum() > 2 else 0.0
    out.current_fit = _enough(
        seconds[before], speed[before], CURRENT, max(spread, 1e-3), LEAST_WANDER_M_S,
        "current", "speed of the current", out.missing,
    )  # fmt: skip
    if out.current_fit is not None:
        value, sd = out.current_fit.at(ahead)
        out.current = _turns(ahead, np.maximum(value, 0.0), sd, ("strongest", "weakest"), "speed_m_s")
    hourly = ahead[::6]
    for when in hourly:
        row: dict[str, Any] = {"time": iso(round(float(when)) * NS)}
        if out.tide_fit is not None:
            (value,), (sd,) = out.tide_fit.at([when])
            row["height_m"] = round(float(value) - float(out.tide_fit.coefficients[0]), 3)
            row["height_half_width_m"] = round(1.96 * float(sd), 3)
        if out.current_fit is not None:
            (value,), (sd,) = out.current_fit.at([when])
            row["speed_m_s"] = round(max(float(value), 0.0), 3)
            row["speed_half_width_m_s"] = round(1.96 * float(sd), 3)
        if len(row) > 1:
            out.hours.append(row)
    return out


def _enough(
    seconds: FloatArray,
    values: FloatArray,
    constituents: dict[str, tuple[float, float]],
    scale: float,
    least: float,
    what: str,
    source: str,
    missing: list[str],
) -> Harmonics | None:
    good = np.isfinite(values)
    days = float(seconds[good][-1] - seconds[good][0]) / 86400.0 if good.sum() > 1 else 0.0
    if days < LEAST_DAYS - 0.05:
        missing.append(f"no {what} ahead: {days:.1f} days of {source} so far, {LEAST_DAYS:g} are needed")
        return None
    return fit_harmonics(seconds=seconds, values=values, constituents=constituents, scale=scale, least_wander=least)


def _sun(start_ns: int, latitude_deg: float, longitude_deg: float) -> list[dict[str, str]]:
    end_ns = start_ns + HOURS_AHEAD * HOUR_NS
    noons = solar.solar_noon(start_ns + np.arange(-1, 4, dtype=np.int64) * 24 * HOUR_NS, longitude_deg)
    rise, down = solar.sunrise_sunset(noons, latitude_deg, longitude_deg)
    out = []
    for noon, up, below in zip(noons.tolist(), rise.tolist(), down.tolist(), strict=True):
        if below < start_ns or up >= end_ns or up < 0 or below < 0:
            continue
        rounded = [iso(round(t / (60 * NS)) * 60 * NS) for t in (up, noon, below)]
        out.append(dict(zip(("sunrise", "noon", "sunset"), rounded, strict=True)))
    return out


def _turns(
    seconds: FloatArray, values: FloatArray, sd: FloatArray, names: tuple[str, str], key: str
) -> list[dict[str, Any]]:
    """Return the highest and lowest points between the ends."""
    out = []
    for k in range(1, seconds.size - 1):
        top = values[k] > values[k - 1] and values[k] >= values[k + 1]
        foot = values[k] < values[k - 1] and values[k] <= values[k + 1]
        if top or foot:
            half = 1.96 * float(sd[k])
            out.append(
                {
                    "what": names[0] if top else names[1],
                    "time": iso(round(float(seconds[k])) * NS),
                    key: round(float(values[k]), 3),
                    "lower": round(float(values[k]) - half, 3),
                    "upper": round(float(values[k]) + half, 3),
                }
            )
    return out
