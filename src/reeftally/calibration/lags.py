"""Lags from signals that two instruments shared: evidence about a clock, with an interval.

Here:     `shared_lag` (pressure, temperature, waves, light in two records), `stamp_position` (which part of its
          averaging interval a stamp names), `light_clock` (sunrise and sunset against the sun).
Not here: comparisons with a reference clock (`clocks`), applying a shift (the log of accepted decisions).
Rules:    lag = stamp of the subject minus true time as the reference has it; the correction is minus the lag.
          A signal that repeats itself can hide a whole period: then the answer says ambiguous.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline
from scipy.signal import fftconvolve
from scipy.stats import t as student

from reeftally._checks import FloatArray, as_float, require_same_length
from reeftally.errors import InputError
from reeftally.mission.solar import solar_noon

__all__ = ["Lag", "LightClock", "StampPosition", "light_clock", "shared_lag", "stamp_position"]

DAY_S = 86400.0
_PARTS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Lag:
    """What a shared signal says about a clock."""

    seconds: float
    """Subject's stamp minus true time, at the middle of the overlap. [s]"""
    sd: float
    lower: float
    upper: float
    """95 % interval. [s]"""
    per_day: float
    """Change of the lag per day; 0 if not asked for. [s per day]"""
    per_day_sd: float
    correlation: float
    """Of the two records after the shift."""
    second: float
    """Best correlation at a lag that is not a neighbour of the best one."""
    ambiguous: bool
    """Whether another lag fits nearly as well."""
    cause: str
    """`none`, `zone` (a multiple of 30 min), `clock` or `unclear`."""
    overlap: float
    """Length of record in common. [s]"""

    @property
    def correction(self) -> float:
        """Seconds to add to the subject's stamps, at the middle of the overlap."""
        return -self.seconds


# Weights that quieten a series before it is shifted by parts of a step: interpolation between noisy samples is
# quieter half way than at a sample, which would draw every lag towards half steps.
_QUIET = np.array([1.0, 2.0, 3.0, 2.0, 1.0]) / 9.0


def _means(time: FloatArray, values: FloatArray, step: float) -> tuple[FloatArray, FloatArray]:
    """Mean time and mean value of bins of `step`, so that a bin's time is that of its samples; quietened."""
    good = np.isfinite(time) & np.isfinite(values)
    t, y = time[good], values[good]
    own = float(np.median(np.diff(t)))
    if own < 0.6 * step:
        index = np.floor((t - t[0]) / step).astype(np.int64)
        count = np.bincount(index)
        has = count >= 0.5 * step / own
        t = (np.bincount(index, weights=t - t[0]) / np.maximum(count, 1))[has] + t[0]
        y = (np.bincount(index, weights=y) / np.maximum(count, 1))[has]
    quiet = np.convolve(y, _QUIET, "same")
    # Ends, and samples beside a gap, have no full set of neighbours.
    whole = np.zeros(y.size, dtype=bool)
    if y.size >= 5:
        whole[2:-2] = (t[4:] - t[:-4]) < 5.0 * step
    return t[whole], quiet[whole]


def _grid(t: FloatArray, y: FloatArray, at: FloatArray, step: float) -> FloatArray:
    """Values on regular times by lines; NaN in gaps."""
    out = np.interp(at, t, y, left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(t, at), 1, t.size - 1)
    out[(t[after] - t[after - 1]) > 2.5 * step] = np.nan
    return np.asarray(out)


def _slow(values: FloatArray, width: int) -> FloatArray:
    """Running mean of `width` samples: slow drift and offset of a sensor are not a shared signal."""
    filled = np.where(np.isfinite(values), values, 0.0)
    weight = np.isfinite(values).astype(np.float64)
    ones = np.ones(min(width, values.size))
    total, count = fftconvolve(filled, ones, "same"), fftconvolve(weight, ones, "same")
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(count > 0.3 * ones.size, total / count, np.nan))


def _correlations(a: FloatArray, b: FloatArray, most: int) -> tuple[npt.NDArray[np.int64], FloatArray]:
    """Correlation of a(i) with b(i - lag) for lags -most..most, over the samples that both have."""
    fa, fb = np.isfinite(a).astype(float), np.isfinite(b).astype(float)
    x, y = np.where(fa > 0, a, 0.0), np.where(fb > 0, b, 0.0)

    def cross(p: FloatArray, q: FloatArray) -> FloatArray:
        full = fftconvolve(p, q[::-1])
        centre = q.size - 1
        return np.asarray(full[centre - most : centre + most + 1])

    # fftconvolve(p, reversed q)[centre + k] = sum_i p(i + k) q(i): lag k.
    n = np.maximum(cross(fa, fb), 1.0)
    mean_x, mean_y = cross(x, fb) / n, cross(fa, y) / n
    covariance = cross(x, y) / n - mean_x * mean_y
    variance = (cross(x**2, fb) / n - mean_x**2) * (cross(fa, y**2) / n - mean_y**2)
    with np.errstate(invalid="ignore", divide="ignore"):
        r = np.where((variance > 1e-300) & (n >= 0.3 * min(fa.sum(), fb.sum())), covariance / np.sqrt(variance), -1.0)
    return np.arange(-most, most + 1), np.asarray(r)


def _refine(
    t: FloatArray, a: FloatArray, rt: FloatArray, b: FloatArray, lag: float, step: float, *, drift: bool
) -> tuple[float, float, float, float, float] | None:
    """Lag, its drift, their sds and the correlation, by least squares with the slope of the reference."""
    if rt.size < 20:
        return None
    spline = CubicSpline(rt, b)
    days = (t - 0.5 * (t[0] + t[-1])) / DAY_S
    parameters = np.array([lag, 0.0])
    rows: list[FloatArray] = []
    for _ in range(15):
        where = t - parameters[0] - parameters[1] * days
        after = np.clip(np.searchsorted(rt, where), 1, rt.size - 1)
        use = (where > rt[0]) & (where < rt[-1]) & ((rt[after] - rt[after - 1]) < 2.5 * step)
        if use.sum() < 20:
            return None
        model, slope = spline(where[use]), spline(where[use], 1)
        columns = [np.ones(model.size), model, -slope]
        if drift:
            columns.append(-slope * days[use])
        design = np.stack(columns, axis=1)
        rows = [design, a[use]]
        beta, *_ = np.linalg.lstsq(design, a[use], rcond=None)
        if abs(beta[1]) < 1e-12:
            break
        move = float(np.clip(beta[2] / beta[1], -2 * step, 2 * step))  # the line holds only near by
        parameters[0] += move
        if drift:
            parameters[1] += float(np.clip(beta[3] / beta[1], -2 * step, 2 * step))
        if abs(move) < 1e-4 * step:
            break
    design, target = rows
    r = float(np.corrcoef(design[:, 1], target)[0, 1])
    # Jackknife over stretches of the record: neighbours' errors are alike within a stretch.
    estimates = []
    for part in np.array_split(np.arange(target.size), _PARTS):
        keep = np.ones(target.size, dtype=bool)
        keep[part] = False
        beta, *_ = np.linalg.lstsq(design[keep], target[keep], rcond=None)
        estimates.append([beta[2] / beta[1], beta[3] / beta[1] if drift else 0.0])
    spread = np.array(estimates)
    sds = np.sqrt((_PARTS - 1) / _PARTS * ((spread - spread.mean(axis=0)) ** 2).sum(axis=0))
    return float(parameters[0]), float(parameters[1]), float(sds[0]), float(sds[1]), r


def shared_lag(
    *,
    time: npt.ArrayLike,
    values: npt.ArrayLike,
    reference_time: npt.ArrayLike,
    reference_values: npt.ArrayLike,
    largest: float,
    flatten: float | None = None,
    average: float | None = None,
    drift: bool = False,
    least_correlation: float = 0.5,
) -> Lag:
    """Lag of one clock against another from a signal both instruments saw.

    Parameters
    ----------
    time, values : array-like, (n,)
        Stamps of the subject [s], increasing, and its record.
    reference_time, reference_values : array-like, (m,)
        The same of an instrument whose clock is right.
    largest : float
        Largest lag looked for. [s]
    flatten : float, optional
        Slower variations than this are taken off first; default six times `largest`, at most a third of the
        overlap. [s] Give a day or more if the tide itself is the signal, infinity if nothing is to be taken off.
    average : float, optional
        Both records are averaged to at least this step first. [s] A slow signal needs it: the slope of the reference
        must stand clear of its noise, which between neighbouring samples it does not.
    drift : bool
        Whether to let the lag change linearly.
    least_correlation : float
        Below this the cause is ``unclear`` and the lag says nothing.

    Returns
    -------
    Lag

    Raises
    ------
    InputError
        If the records have too little in common.

    Notes
    -----
    Cross-correlation over the samples both have gives the lag to a step; Gauss-Newton with the slope of the
    reference refines it; the standard uncertainty is a jackknife over twelve stretches of the record (Efron and
    Stein 1981, Annals of Statistics 9, 586, from memory), the interval Student's with eleven degrees of freedom.
    """
    require_same_length(time=time, values=values)
    require_same_length(reference_time=reference_time, reference_values=reference_values)
    t, y = as_float("time", time), as_float("values", values)
    rt, ry = as_float("reference_time", reference_time), as_float("reference_values", reference_values)
    if t.size < 20 or rt.size < 20:
        message = f"shared_lag found {t.size} and {rt.size} samples; it needs 20 of each."
        raise InputError(message)
    step = max(float(np.median(np.diff(t))), float(np.median(np.diff(rt))), average or 0.0)
    low, high = min(t[0], rt[0]), max(t[-1], rt[-1])
    at = np.arange(low, high + step, step)
    t, y = _means(t, y, step)
    rt, ry = _means(rt, ry, step)
    if min(t.size, rt.size) < 20:
        message = f"the records have {t.size} and {rt.size} means of {step:g} s without gaps; shared_lag needs 20."
        raise InputError(message)
    a, b = _grid(t, y, at, step), _grid(rt, ry, at, step)
    common = min(np.isfinite(a).sum(), np.isfinite(b).sum()) * step
    if common < 2.0 * largest or common < 60 * step:
        message = f"the records have {common:.0f} s each at most; a lag of up to {largest:g} s needs twice that."
        raise InputError(message)
    width = flatten if flatten is not None else min(6.0 * largest, common / 3.0)
    if np.isinf(width):
        slow_a, slow_b = (np.full(at.size, np.nanmean(x)) for x in (a, b))
    else:
        slow_a, slow_b = (_slow(x, max(3, round(width / step))) for x in (a, b))
    a, b = a - slow_a, b - slow_b
    y, ry = y - np.interp(t, at, slow_a), ry - np.interp(rt, at, slow_b)
    t, y = t[np.isfinite(y)], y[np.isfinite(y)]
    rt, ry = rt[np.isfinite(ry)], ry[np.isfinite(ry)]
    lags, r = _correlations(a, b, min(round(largest / step), at.size - 2))
    best = int(np.argmax(r))
    # The top's own flanks end where the correlation has fallen by a fifth of its height.
    left = best
    while left > 0 and r[left - 1] > r[best] - 0.2 * abs(r[best]):
        left -= 1
    right = best
    while right < r.size - 1 and r[right + 1] > r[best] - 0.2 * abs(r[best]):
        right += 1
    others = np.concatenate([r[:left], r[right + 1 :]])
    second = float(others.max()) if others.size else -1.0
    found = _refine(t, y, rt, ry, float(lags[best]) * step, step, drift=drift)
    if found is None:
        message = "the records overlap too little at the best lag; give a smaller `largest` or longer records."
        raise InputError(message)
    lag, per_day, sd, per_day_sd, correlation = found
    half = float(student.ppf(0.975, _PARTS - 1)) * sd
    # A broad top alone is no doubt: a slow signal of little noise tells its lag to a small part of the search.
    broad = right - left > 0.5 * r.size and sd > 0.01 * largest
    ambiguous = bool(second > 0.9 * r[best] or broad)
    return Lag(
        seconds=lag,
        sd=sd,
        lower=lag - half,
        upper=lag + half,
        per_day=per_day,
        per_day_sd=per_day_sd,
        correlation=correlation,
        second=second,
        ambiguous=ambiguous,
        cause=_cause(lag, sd, correlation, least_correlation, step),
        overlap=float(common),
    )


def _cause(lag: float, sd: float, correlation: float, least: float, step: float) -> str:
    if correlation < least:
        return "unclear"
    halves = round(lag / 1800.0)
    # A zone is a multiple of 30 min, give or take an ordinary clock offset of a minute.
    if halves != 0 and abs(lag - 1800.0 * halves) < max(60.0, 3.0 * sd):
        return "zone"
    return "clock" if abs(lag) > max(3.0 * sd, 0.02 * step) else "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class StampPosition:
    """Which part of its averaging interval a stamp names."""

    position: str
    """`start`, `middle`, `end` or `unclear`."""
    z: dict[str, float]
    """Distance of the lag from what each position would give, in standard uncertainties."""
    evidence: str


def stamp_position(*, lag: float, lag_sd: float, averaging: float) -> StampPosition:
    """Tell from a lag whether stamps name the start, the middle or the end of the averaging interval.

    Parameters
    ----------
    lag, lag_sd : float
        Stamp minus true time of the mean, from `shared_lag` against an instrument sampled at instants. [s]
    averaging : float
        Length of the interval. [s]
    """
    expected = {"start": -0.5 * averaging, "middle": 0.0, "end": 0.5 * averaging}
    z = {name: abs(lag - value) / max(lag_sd, 1e-12) for name, value in expected.items()}
    near = [name for name, value in z.items() if value < 3.0]
    position = near[0] if len(near) == 1 else "unclear"
    return StampPosition(
        position=position,
        z=z,
        evidence=f"lag {lag:+.1f} s (standard uncertainty {lag_sd:.1f} s), interval {averaging:g} s: "
        + (f"stamps name the {position}" if near and position != "unclear" else "no position or more than one fits"),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LightClock:
    """What sunrise and sunset in a record of light say about its clock."""

    seconds: float
    """Stamp minus true time. [s]"""
    sd: float
    days: int
    """Days that had a clear enough rise and set."""
    cause: str
    """`zone`, `clock`, `none` or `unclear`."""
    zone_hours: float
    """Nearest multiple of half an hour. [h]"""
    evidence: str


def light_clock(*, time: npt.ArrayLike, light: npt.ArrayLike, longitude: float, share: float = 0.05) -> LightClock:
    """Hold the middle between sunrise and sunset in a record of light against solar noon.

    Parameters
    ----------
    time : array-like, (n,)
        Stamps. [POSIX s]
    light : array-like, (n,)
        Light, any unit, dark at night.
    longitude : float
        [degree east]
    share : float
        Light has risen where it exceeds this share of the day's high level (its 90th percentile).

    Returns
    -------
    LightClock
        Good to some minutes: clouds, shadow and turbid water at one end of a day shift its middle. Enough to tell a
        zone, not to set a clock.
    """
    require_same_length(time=time, light=light)
    t, y = as_float("time", time), as_float("light", light)
    good = np.isfinite(t) & np.isfinite(y)
    t, y = t[good], y[good]
    if t.size < 48 or np.ptp(t) < 0.75 * DAY_S or not y.max() > 0:
        return LightClock(
            seconds=float("nan"), sd=float("nan"), days=0, cause="unclear", zone_hours=0.0,
            evidence="the record holds no whole day of light",
        )  # fmt: skip
    # The first harmonic of the day finds about when noon is, whatever the clock says.
    angle = 2 * np.pi * t / DAY_S
    rough = float(np.angle(np.sum(np.maximum(y, 0) * np.exp(1j * angle)))) / (2 * np.pi) * DAY_S
    first = np.ceil((t[0] - rough) / DAY_S)
    noons = rough + DAY_S * np.arange(first - 1, np.floor((t[-1] - rough) / DAY_S) + 2)
    middles, centres = [], []
    step = float(np.median(np.diff(t)))
    for noon in noons:
        day = (t > noon - 0.5 * DAY_S) & (t <= noon + 0.5 * DAY_S)
        stamp, level = t[day], y[day]
        edges = np.concatenate(([noon - 0.5 * DAY_S], stamp, [noon + 0.5 * DAY_S]))
        if np.diff(edges).max() > max(5400.0, 3.0 * step):
            continue
        high = float(np.percentile(level, 90))
        lit = np.flatnonzero(level > share * high)
        if high <= 0 or lit.size == 0 or lit[0] == 0 or lit[-1] == level.size - 1:
            continue
        rise = _crossing(stamp, level, lit[0] - 1, share * high)
        fall = _crossing(stamp, level, lit[-1], share * high)
        middles.append(0.5 * (rise + fall))
        centres.append(noon)
    if not middles:
        return LightClock(
            seconds=float("nan"), sd=float("nan"), days=0, cause="unclear", zone_hours=0.0,
            evidence="no day of the record has both a dark morning and a dark evening",
        )  # fmt: skip
    middle = np.array(middles)
    true = solar_noon(np.rint(middle * 1e9).astype(np.int64), longitude).astype(np.float64) / 1e9
    away = middle - true
    seconds = float(np.median(away))
    scatter = 1.4826 * float(np.median(np.abs(away - seconds))) if away.size > 2 else 600.0
    # Five minutes stand for what all days share: shadow of the frame, slope of the bed (common practice, no source).
    sd = float(np.hypot(300.0, max(scatter, step) / np.sqrt(away.size)))
    halves = round(seconds / 1800.0)
    if abs(seconds) < 3.0 * sd:
        cause = "none"
    elif halves != 0 and abs(seconds - 1800.0 * halves) < 900.0 - 1e-9 and abs(seconds - 1800.0 * halves) < 2.0 * sd:
        cause = "zone"
    else:
        cause = "clock"
    return LightClock(
        seconds=seconds,
        sd=sd,
        days=away.size,
        cause=cause,
        zone_hours=0.5 * halves,
        evidence=f"the middle of the light lies {seconds / 60:+.0f} min from solar noon on {away.size} days "
        f"(standard uncertainty {sd / 60:.0f} min); the nearest zone is {0.5 * halves:+.1f} h",
    )


def _crossing(time: FloatArray, level: FloatArray, at: int, threshold: float) -> float:
    """Instant between samples `at` and `at` + 1 at which the level passes the threshold."""
    rise = level[at + 1] - level[at]
    share = (threshold - level[at]) / rise if rise != 0 else 0.5
    return float(time[at] + np.clip(share, 0.0, 1.0) * (time[at + 1] - time[at]))
