"""Response times of sensors that went through one step together.

Here:     `response_times`: time constants (63 %) with intervals, the moment of the step shared by all.
Not here: taking the lag out of a series (`reeftally.seawater.oxygen.lag_correction`).
Rules:    first-order response; the moment of the step is estimated, never read from a slate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.stats import t as student

from reeftally._checks import FloatArray
from reeftally.errors import InputError

__all__ = ["Response", "response_times"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """How fast one sensor follows."""

    seconds: float
    """Time to 63 % of a step. [s]"""
    sd: float
    lower: float
    upper: float
    """95 % interval. [s]"""
    step: float
    """Size of the step it saw."""
    noise: float
    """Scatter about the curve."""
    step_time: float
    """Moment of the step, shared by all sensors. [s]"""


def _start(time: FloatArray, values: FloatArray) -> tuple[float, float, float, float]:
    """Rough level before, step, moment of the step and time constant."""
    tail = max(3, values.size // 10)
    before, after = float(np.median(values[:tail])), float(np.median(values[-tail:]))
    share = (values - before) / (after - before) if after != before else np.zeros(values.size)
    begun = int(np.argmax(share > 0.1))
    most = begun + int(np.argmax(share[begun:] > 0.63))
    step_s = float(np.median(np.diff(time)))
    return before, after - before, float(time[begun]), max(float(time[most] - time[begun]), step_s)


def response_times(*, times: list[FloatArray], values: list[FloatArray]) -> list[Response]:
    """Time constants of sensors that met one step together.

    Parameters
    ----------
    times, values : list of arrays
        One pair a sensor: the record around the step, each with its own sampling. [s], any unit.

    Returns
    -------
    list of Response

    Raises
    ------
    InputError
        With fewer than eight samples of a sensor, or where no step stands out of the noise.

    Notes
    -----
    Least squares of ``a + b (1 - exp(-(t - t0) / tau))`` with one t0 for all sensors, weighted by each sensor's own
    scatter; standard uncertainties from the Jacobian at the minimum.
    """
    clean = []
    for number, (t, y) in enumerate(zip(times, values, strict=True)):
        good = np.isfinite(t) & np.isfinite(y)
        if good.sum() < 8:
            message = f"sensor {number}: {int(good.sum())} samples around the step; it needs 8."
            raise InputError(message)
        clean.append((np.asarray(t[good], dtype=np.float64), np.asarray(y[good], dtype=np.float64)))
    origin = min(float(t[0]) for t, _ in clean)
    guesses = []
    scatter = []
    for number, (t, y) in enumerate(clean):
        guess = _start(t, y)
        noise = 1.4826 * float(np.median(np.abs(np.diff(y) - np.median(np.diff(y))))) / np.sqrt(2.0)
        noise = max(noise, 1e-6 * max(abs(guess[1]), 1e-12))
        if abs(guess[1]) < 5.0 * noise:
            message = f"sensor {number}: its step of {guess[1]:.3g} does not stand out of its noise of {noise:.2g}."
            raise InputError(message)
        guesses.append(guess)
        scatter.append(noise)

    def residuals(p: FloatArray) -> FloatArray:
        parts = []
        for (t, y), (a, b, log_tau), s in zip(clean, p[1:].reshape(-1, 3), scatter, strict=True):
            since = np.maximum(t - origin - p[0], 0.0)
            parts.append((y - a - b * (1.0 - np.exp(-since / np.exp(log_tau)))) / s)
        return np.concatenate(parts)

    first = np.concatenate([[0.0], *[[g[0], g[1], np.log(g[3])] for g in guesses]])
    scale = np.concatenate([[1.0], *[[abs(g[1]), abs(g[1]), 1.0] for g in guesses]])
    earliest = min(g[2] for g in guesses) - origin
    slowest = min(float(np.median(np.diff(t))) for t, _ in clean)
    best = None
    # The moment of the step makes the sum of squares kinked: several starts around the first sign of it.
    for shift in np.linspace(-6.0, 2.0, 9) * slowest:
        first[0] = earliest + shift
        result = least_squares(residuals, first, x_scale=scale)
        if best is None or result.cost < best.cost:
            best = result
    if best is None:  # pragma: no cover - nine starts always leave a result
        message = "response_times found no fit."
        raise InputError(message)
    rest = residuals(best.x)
    covariance = np.linalg.pinv(best.jac.T @ best.jac)
    out = []
    at = 0
    for number, (t, _) in enumerate(clean):
        own = rest[at : at + t.size]
        at += t.size
        degrees = max(t.size - 3.0 - 1.0 / len(clean), 1.0)
        ratio = float(np.sqrt(own @ own / degrees))
        log_sd = float(np.sqrt(covariance[3 + 3 * number, 3 + 3 * number])) * ratio
        tau = float(np.exp(best.x[3 + 3 * number]))
        wide = float(student.ppf(0.975, degrees)) * log_sd
        out.append(
            Response(
                seconds=tau,
                sd=tau * log_sd,
                lower=tau * float(np.exp(-wide)),
                upper=tau * float(np.exp(wide)),
                step=float(best.x[2 + 3 * number]),
                noise=ratio * scatter[number],
                step_time=origin + float(best.x[0]),
            )
        )
    return out
