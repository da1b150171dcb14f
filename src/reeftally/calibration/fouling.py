"""Fouling: growth since the last cleaning, the step at a cleaning, settling after deployment; all with intervals.

Here:     `cleaning_steps` around each intervention, `FoulingCorrection` (linear in time since cleaning), `settling`.
Not here: the series of differences to neighbours or bottles (callers form block means of it), applying anything.
Rules:    a step is claimed only where it stands 3.5 standard uncertainties clear of zero; a sham cleaning thus
          seldom shows one. The correction is proposed, never applied unseen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import norm
from scipy.stats import t as student

from reeftally._checks import FloatArray, as_float, require_same_length
from reeftally.calibration._correlated import CorrelatedFit, fit_correlated
from reeftally.errors import InputError

__all__ = ["CleaningStep", "FoulingCorrection", "Settling", "cleaning_steps", "settling"]

DAY_S = 86400.0
_LEAST_BLOCKS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class CleaningStep:
    """What one cleaning did to a sensor."""

    time: float
    """[s]"""
    step: float
    """Level after minus level before, at the cleaning: what fouling had taken away."""
    sd: float
    lower: float
    upper: float
    """95 % interval."""
    claimed: bool
    """Whether the step stands 3.5 standard uncertainties (as stated by `clear`) clear of zero."""
    growth_per_day: float
    """Slope of the difference before the cleaning."""
    growth_sd: float
    asymmetry: float
    """How much more it grows a day at full light than in the dark (algae on a foil); NaN without light."""
    blocks: int
    """Blocks used before and after."""
    reason: str
    """Empty, or why no step could be computed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoulingCorrection:
    """Proposed correction: fouling grew linearly from `start` to `end`, where cleaning took `step` of it away."""

    start: float
    end: float
    step: float
    step_sd: float

    def at(self, time: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return what to add to the readings, and its standard uncertainty, at `time` [s]; zero outside."""
        t = as_float("time", time)
        share = np.where((t >= self.start) & (t < self.end), (t - self.start) / (self.end - self.start), 0.0)
        return share * self.step, share * self.step_sd


def _empty(moment: float, blocks: int, reason: str) -> CleaningStep:
    nan = float("nan")
    return CleaningStep(
        time=moment, step=nan, sd=nan, lower=nan, upper=nan, claimed=False, growth_per_day=nan, growth_sd=nan,
        asymmetry=nan, blocks=blocks, reason=reason,
    )  # fmt: skip


def cleaning_steps(
    *,
    time: npt.ArrayLike,
    difference: npt.ArrayLike,
    cleanings: npt.ArrayLike,
    light: npt.ArrayLike | None = None,
    window: float = DAY_S,
    guard: float = 1800.0,
    clear: float = 3.5,
) -> list[CleaningStep]:
    """Step of a sensor at each cleaning, and its growth before.

    Parameters
    ----------
    time, difference : array-like, (n,)
        Block mid times [s], increasing, and block means of the sensor minus its neighbours (or a reference).
    cleanings : array-like, (m,)
        When it was cleaned. [s]
    light : array-like, (n,), optional
        Light at the same blocks, any unit, to see growth that differs between day and night.
    window : float
        How far before and after a cleaning to look; other cleanings end it. [s]
    guard : float
        Left out on both sides: hands, bubbles and settling of the foil. [s]
    clear : float
        Standard uncertainties from which a step is claimed; 3.5 keeps ten looks together below one false claim in
        a hundred (normal tail 0.0005 a look).

    Returns
    -------
    list of CleaningStep
        One a cleaning, in order.

    Notes
    -----
    Two straight lines, before and after, whose values at the cleaning differ by the step; generalised least squares
    with autoregressive noise of unknown strength. Water that differs between the places of the sensors changes
    slowly and is taken up by the lines.
    """
    require_same_length(time=time, difference=difference)
    t, d = as_float("time", time), as_float("difference", difference)
    lit = None if light is None else as_float("light", light)
    moments = np.sort(np.atleast_1d(as_float("cleanings", cleanings)))
    good = np.isfinite(d) & np.isfinite(t)
    if lit is not None:
        good &= np.isfinite(lit)
        lit = lit[good] / max(float(np.nanmax(lit)), 1e-12)
    t, d = t[good], d[good]
    if t.size < 2:
        return [_empty(float(m), 0, "no differences") for m in moments]
    interval = float(np.median(np.diff(t)))
    out = []
    for n, moment in enumerate(moments):
        low = max(moment - window, moments[n - 1] + guard if n else -np.inf)
        high = min(moment + window, moments[n + 1] - guard if n + 1 < moments.size else np.inf)
        use = (t > low) & (t < high) & (np.abs(t - moment) > guard)
        before, after = use & (t < moment), use & (t > moment)
        if min(before.sum(), after.sum()) < _LEAST_BLOCKS:
            found = f"{int(before.sum())} blocks before and {int(after.sum())} after"
            out.append(_empty(float(moment), int(use.sum()), f"{found}; it needs {_LEAST_BLOCKS} on each side"))
            continue
        out.append(_step(float(moment), t[use], d[use], None if lit is None else lit[use], interval, clear))
    return out


def _step(
    moment: float, t: FloatArray, d: FloatArray, lit: FloatArray | None, interval: float, clear: float
) -> CleaningStep:
    since = (t - moment) / DAY_S
    later = (t > moment).astype(np.float64)
    columns = [np.ones(t.size), later, since * (1.0 - later), since * later]
    if lit is not None and np.ptp(lit) > 0:
        columns.append((since - since.min()) * (1.0 - later) * (lit - lit.mean()))
    fit = fit_correlated(design=np.stack(columns, axis=1), values=d, time=t, interval=interval)
    step, sd, half = float(fit.parameters[1]), float(fit.sd[1]), float(fit.half_width()[1])
    threshold = float(student.isf(norm.sf(clear), fit.effective)) * sd
    return CleaningStep(
        time=moment,
        step=step,
        sd=sd,
        lower=step - half,
        upper=step + half,
        claimed=bool(abs(step) > threshold),
        growth_per_day=float(fit.parameters[2]),
        growth_sd=float(fit.sd[2]),
        asymmetry=float(fit.parameters[4]) if len(columns) > 4 else float("nan"),
        blocks=t.size,
        reason="",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Settling:
    """Exponential settling after a start."""

    amplitude: float
    """Error at the start, beyond the final level."""
    amplitude_sd: float
    days: float
    """Time constant. [d]"""
    days_low: float
    days_high: float
    """95 % interval of the time constant. [d]"""
    claimed: bool
    """Whether settling explains the series better than a straight line."""
    until: float
    """Days after the start at which the error falls below the tolerance; 0 if it never exceeds it."""


def _profile(
    t: FloatArray, d: FloatArray, days: FloatArray, taus: FloatArray, interval: float
) -> tuple[FloatArray, list[CorrelatedFit]]:
    """Log of the restricted likelihood and the fit at each time constant."""
    fits, logs = [], []
    for tau in taus:
        decay = np.exp(-days / tau)
        fit = fit_correlated(design=np.stack([np.ones(t.size), decay], axis=1), values=d, time=t, interval=interval)
        fits.append(fit)
        # The restricted likelihood depends on the scale of the columns; unit length makes models comparable.
        logs.append(fit.log_likelihood + float(np.log(np.linalg.norm(decay))))
    return np.array(logs), fits


def settling(*, time: npt.ArrayLike, difference: npt.ArrayLike, start: float, tolerance: float) -> Settling:
    """Fit ``level + amplitude * exp(-(t - start) / tau)`` to a series of differences.

    Parameters
    ----------
    time, difference : array-like, (n,)
        Block mid times [s] and sensor minus neighbours or reference.
    start : float
        When the sensor went in or was switched on. [s]
    tolerance : float
        Error that is small enough; says how much of the record to cut or to correct.

    Raises
    ------
    InputError
        With fewer than 16 blocks after the start.

    Notes
    -----
    Profile over 40 time constants from 0.05 to 8 days (61 more about a sharp top) with restricted likelihood under
    autoregressive noise; the interval is that of the likelihood with a uniform prior on log tau. Claimed if the
    best settling curve is at
    least e^3 times as likely as a straight line, which has as many parameters less one (common practice).
    """
    require_same_length(time=time, difference=difference)
    t, d = as_float("time", time), as_float("difference", difference)
    use = np.isfinite(t) & np.isfinite(d) & (t >= start)
    t, d = t[use], d[use]
    if t.size < 16:
        message = f"settling found {t.size} blocks after the start; it needs 16."
        raise InputError(message)
    interval = float(np.median(np.diff(t)))
    days = (t - start) / DAY_S
    taus = np.geomspace(0.05, 8.0, 40)
    logs, fits = _profile(t, d, days, taus, interval)
    best = int(np.argmax(logs))
    if np.exp(logs - logs.max()).sum() < 5.0:
        # A sharp likelihood falls between the steps of the grid: look closer around its top.
        taus = np.geomspace(taus[max(best - 2, 0)], taus[min(best + 2, taus.size - 1)], 61)
        logs, fits = _profile(t, d, days, taus, interval)
        best = int(np.argmax(logs))
    line = fit_correlated(design=np.stack([np.ones(t.size), days], axis=1), values=d, time=t, interval=interval)
    straight = line.log_likelihood + float(np.log(np.linalg.norm(days)))
    weight = np.exp(logs - logs.max())
    weight /= weight.sum()
    cumulated = np.cumsum(weight) - 0.5 * weight
    amplitudes = np.array([f.parameters[1] for f in fits])
    mean = float(weight @ amplitudes)
    sd = float(np.sqrt(weight @ (np.array([f.covariance[1, 1] for f in fits]) + (amplitudes - mean) ** 2)))
    tau = float(taus[best])
    size = abs(float(amplitudes[best]))
    return Settling(
        amplitude=mean,
        amplitude_sd=sd,
        days=float(np.exp(weight @ np.log(taus))),
        days_low=float(np.exp(np.interp(0.025, cumulated, np.log(taus)))),
        days_high=float(np.exp(np.interp(0.975, cumulated, np.log(taus)))),
        claimed=bool(logs[best] - straight > 3.0),
        until=tau * float(np.log(size / tolerance)) if size > tolerance else 0.0,
    )
