"""Trends of long records: generalised least squares with autocorrelated noise.

Here:     `trend` (trend, seasons, steps, AR(1) noise at irregular times, calibration offsets per
          deployment), `trend_sd`, `local_trend`.
Not here: robust slopes and tests (`robust`), years until a trend can be told, steps (`detect`).
Rules:    nothing is filled in before a fit; gaps stay gaps. The calibration term is a part of its own
          that no number of monthly values shrinks. Time is in decimal years.

Sources: Weatherhead et al. 1998, J. Geophys. Res. 103, 17149-17161 (model); Tiao et al. 1990, J.
Geophys. Res. 95, 20507-20517 (generalised least squares); Sutton et al. 2022, Front. Mar. Sci. 9,
1045667 (order of the steps).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from reeftally._checks import FloatArray, as_float, require_range, require_same_length
from reeftally.errors import InputError, ShapeError

__all__ = [
    "Posterior",
    "Trend",
    "local_trend",
    "trend",
    "trend_sd",
]

_PHI_LIMIT = 0.995


@dataclass(frozen=True)
class Posterior:
    """What a record says of slope and noise together: fits along phi with their weights (m fits)."""

    phi: FloatArray
    """(m,)"""
    weight: FloatArray
    """Sums to 1, (m,)."""
    slope: FloatArray
    slope_sd: FloatArray
    sigma: FloatArray
    freedom: float
    """Of each fit's variance."""

    def draw(self, *, size: int, seed: int) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return draws of (slope, sigma, phi), each (size,)."""
        rng = np.random.default_rng(seed)
        which = rng.choice(self.weight.size, size=size, p=self.weight)
        wider = np.sqrt(self.freedom / rng.chisquare(self.freedom, size))
        slope = self.slope[which] + self.slope_sd[which] * wider * rng.standard_normal(size)
        # Within one step of the grid every phi is alike.
        step = np.gradient(self.phi) if self.phi.size > 1 else np.zeros(1)
        phi = np.clip(self.phi[which] + step[which] * (rng.random(size) - 0.5), 0.0, _PHI_LIMIT)
        return slope, self.sigma[which] * wider, phi


@dataclass(frozen=True)
class Trend:
    """A fitted trend. Slopes are per year."""

    slope: float
    """Of the mid point of the record where `degree` is 2."""
    lower: float
    upper: float
    level: float
    slope_sd: float
    """Noise and calibration together."""
    noise_sd: float
    """From autocorrelated noise alone (random part), with what not knowing `phi` adds."""
    calibration_sd: float
    """From offsets that each deployment keeps (systematic part)."""
    ordinary_slope: float
    ordinary_sd: float
    """What ordinary least squares would print; too small when phi is above zero."""
    phi: float
    """Autocorrelation at one sampling interval (1 / `samples_per_year`)."""
    sigma: float
    """Standard deviation of the noise about the fit."""
    n: int
    span: float
    """From first to last value [yr]."""
    degrees_of_freedom: float
    """Of the noise part, after allowing for autocorrelation."""
    coefficients: dict[str, float]
    """All fitted terms: ``mean``, ``slope``, ``curvature``, ``cos1`` ..., ``step1`` ..."""
    coefficient_sd: dict[str, float]
    """Their standard uncertainties from the noise."""
    fitted: FloatArray
    """Fit at the values used."""
    residual: FloatArray
    """Values minus fit."""
    used: npt.NDArray[np.bool_]
    """Which of the given values were finite."""
    posterior: Posterior
    """Slope and noise together, for what follows from both."""


def _design(
    time: FloatArray, middle: float, degree: int, harmonics: int, steps: Sequence[float]
) -> tuple[FloatArray, list[str]]:
    t = time - middle
    columns = [np.ones_like(t), t]
    names = ["mean", "slope"]
    if degree == 2:
        columns.append(t * t)
        names.append("curvature")
    for k in range(1, harmonics + 1):
        columns += [np.cos(2 * np.pi * k * time), np.sin(2 * np.pi * k * time)]
        names += [f"cos{k}", f"sin{k}"]
    for index, when in enumerate(steps, start=1):
        columns.append((time >= when).astype(np.float64))
        names.append(f"step{index}")
    return np.column_stack(columns), names


def _whiten(rho: FloatArray, array: FloatArray) -> FloatArray:
    """Return `array` turned into independent rows; `rho` is the correlation with the row before."""
    white = array.copy()
    scale = 1.0 / np.sqrt(1.0 - rho**2)
    if array.ndim == 2:
        white[1:] = (array[1:] - rho[:, None] * array[:-1]) * scale[:, None]
    else:
        white[1:] = (array[1:] - rho * array[:-1]) * scale
    return white


@dataclass(frozen=True, slots=True)
class _Fit:
    """Generalised least squares at one autocorrelation."""

    phi: float
    misfit: float
    """Minus the restricted log-likelihood, up to a constant of the record."""
    coefficient: FloatArray
    covariance: FloatArray
    """Noise and calibration together."""
    calibration: FloatArray
    """Covariance from deployment offsets alone."""
    variance: float
    """Of the noise about the fit."""


def _fit_at(phi: float, lag: FloatArray, x: FloatArray, y: FloatArray, z: FloatArray | None, offset_sd: float) -> _Fit:
    """Fit with correlation ``phi ** lag`` and, where `z` names deployments, one unknown offset each.

    In the whitened record the covariance is ``σ² I + s² Z Zᵀ``; the singular vectors of Z make every
    σ cheap to try (Woodbury).
    """
    rho = phi**lag
    white_x, white_y = _whiten(rho, x), _whiten(rho, y)
    free = y.size - x.shape[1]
    stretch = float(np.log1p(-(rho**2)).sum())
    if z is None:
        q, r = np.linalg.qr(white_x)
        inverse = np.linalg.inv(r)
        along = q.T @ white_y
        left = white_y - q @ along
        # A record without noise: the last digits of its values stand in for it.
        variance = max(float(left @ left) / free, (1e-15 * float(np.abs(y).max())) ** 2, 1e-200)
        determinant = stretch + 2.0 * float(np.log(np.abs(np.diag(r))).sum())
        misfit = 0.5 * (free * float(np.log(variance)) + determinant)
        covariance = variance * inverse @ inverse.T
        return _Fit(
            phi, misfit, np.asarray(inverse @ along), np.asarray(covariance), np.zeros((x.shape[1],) * 2), variance
        )
    white_z = _whiten(rho, z)
    u, singular, _ = np.linalg.svd(white_z, full_matrices=False)
    strength = offset_sd**2 * singular**2
    xx, xy, yy = white_x.T @ white_x, white_x.T @ white_y, float(white_y @ white_y)
    ux, uy = u.T @ white_x, u.T @ white_y

    def normal_equations(variance: float) -> tuple[FloatArray, FloatArray, float, FloatArray]:
        taken = strength / (variance + strength)
        a = (xx - (ux.T * taken) @ ux) / variance
        b = (xy - (ux.T * taken) @ uy) / variance
        return a, b, float(yy - (uy * taken) @ uy) / variance, taken

    def misfit_at(log_variance: float) -> float:
        variance = float(np.exp(log_variance))
        a, b, c, _ = normal_equations(variance)
        rest = c - float(b @ np.linalg.solve(a, b))
        spread = y.size * log_variance + float(np.log1p(strength / variance).sum())
        return 0.5 * (spread + stretch + float(np.linalg.slogdet(a)[1]) + rest)

    left = white_y - white_x @ np.linalg.lstsq(white_x, white_y, rcond=None)[0]
    start = float(np.log(max(float(left @ left) / free, (1e-15 * float(np.abs(y).max())) ** 2, 1e-200)))
    found = optimize.minimize_scalar(
        misfit_at, bounds=(start - 8.0, start + 1.0), method="bounded", options={"xatol": 1e-4}
    )
    variance = float(np.exp(found.x))
    a, b, _, taken = normal_equations(variance)
    covariance = np.asarray(np.linalg.inv(a), dtype=np.float64)
    answer = covariance @ (white_x.T @ white_z - (ux.T * taken) @ (u.T @ white_z)) / variance
    return _Fit(phi, float(found.fun), covariance @ b, covariance, offset_sd**2 * answer @ answer.T, variance)


def _estimate(
    lag: FloatArray, x: FloatArray, y: FloatArray, z: FloatArray | None, offset_sd: float
) -> tuple[_Fit, list[_Fit], FloatArray]:
    """Return the fit at the best phi, fits along phi, and their weights.

    The weights are the restricted likelihood with a uniform prior: phi is not known, and leaving
    that out makes intervals of short or slowly varying records too narrow.
    """

    def misfit(phi: float) -> float:
        return _fit_at(phi, lag, x, y, z, offset_sd).misfit

    grid = np.array([*np.arange(0.0, 0.95, 0.05), 0.95, 0.97, 0.985, _PHI_LIMIT])
    values = [misfit(float(phi)) for phi in grid]
    best = int(np.argmin(values))
    low, high = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, grid.size - 1)])
    found = optimize.minimize_scalar(misfit, bounds=(low, high), method="bounded", options={"xatol": 1e-5})
    phi = float(grid[best]) if values[best] <= float(found.fun) else float(found.x)
    width = np.sqrt((1.0 - phi**2) / y.size) + 1e-3
    near = phi + width * np.linspace(-3.0, 3.0, 9)
    points = np.unique(np.concatenate([grid, near[(near > 0.0) & (near < _PHI_LIMIT)], [phi]]))
    fits = [_fit_at(float(p), lag, x, y, z, offset_sd) for p in points]
    height = np.exp(min(f.misfit for f in fits) - np.array([f.misfit for f in fits]))
    step = np.gradient(points) if points.size > 1 else np.ones(1)
    weight = height * step
    return _fit_at(phi, lag, x, y, z, offset_sd), fits, weight / weight.sum()


def _mixture_interval(
    center: FloatArray, scale: FloatArray, freedom: FloatArray, weight: FloatArray, level: float
) -> tuple[float, float]:
    """Return the central interval of a mixture of Student's t."""

    def probability(at: float) -> float:
        return float(weight @ special.stdtr(freedom, (at - center) / scale))

    reach = float((np.abs(center - center.mean()) + 60.0 * scale).max())
    middle = float(weight @ center)
    edges = [
        float(optimize.brentq(lambda at, t=tail: probability(at) - t, middle - reach, middle + reach, xtol=1e-14))
        for tail in (0.5 - level / 2, 0.5 + level / 2)
    ]
    return edges[0], edges[1]


def trend(
    *,
    time: npt.ArrayLike,
    value: npt.ArrayLike,
    degree: int = 1,
    harmonics: int = 2,
    steps: Sequence[float] = (),
    phi: float | None = None,
    samples_per_year: float = 12.0,
    deployment: npt.ArrayLike | None = None,
    offset_sd: float | None = None,
    calibration: npt.ArrayLike | None = None,
    level: float = 0.95,
) -> Trend:
    """Trend of a record by generalised least squares.

    ``y = mean + slope t (+ curvature t²) + Σ harmonics + Σ steps + noise``; the noise is AR(1) with
    correlation ``phi ** (|Δt| × samples_per_year)``, so gaps and irregular times need no filling.

    Parameters
    ----------
    time : array_like, shape (n,)
        Decimal years, strictly increasing.
    value : array_like, shape (n,)
        NaN members are left out.
    degree : {1, 2}
        2 adds a curvature; `slope` is then that of the middle of the record.
    harmonics : int
        Of the year; 0, 1 or 2 as a rule.
    steps : sequence of float
        Times at which a step of unknown size is fitted [yr].
    phi : float, optional
        Autocorrelation at one sampling interval. When not given it is estimated by restricted maximum
        likelihood between 0 and 0.995, and the interval is that of the slope over all phi weighted by
        that likelihood (uniform prior): a mixture of Student's t.
    samples_per_year : float
        Gives the interval to which `phi` refers.
    deployment : array_like, optional
        Label of the deployment of every value; needs `offset_sd`.
    offset_sd : float, optional
        Standard uncertainty of the offset that one deployment keeps [unit of value]; a known part of
        the covariance, so that it is not taken for noise as well.
    calibration : array_like, shape (n, k), optional
        In place of the two above: what each of k independent calibration errors, one standard uncertainty
        large, would add to every value. `refer_to_bottles` gives it for offsets and drifts.
    level : float
        Of the interval.

    Returns
    -------
    Trend

    Raises
    ------
    InputError
        Too few values, times not increasing, deployment without offset or the other way round.
    """
    require_range("level", level, 0.5, 0.9999)
    times, values, used = clean_record(time, value)
    middle = 0.5 * (times[0] + times[-1])
    x, names = _design(times, float(middle), degree, harmonics, steps)
    n, parameters = x.shape
    if n < parameters + 3:
        message = f"The record holds {n} values; a fit of {parameters} terms needs at least {parameters + 3}."
        raise InputError(message)
    if np.linalg.matrix_rank(x) < parameters:
        message = "The times do not separate trend, seasons and steps; take fewer terms or a longer record."
        raise InputError(message)
    lag = np.diff(times) * samples_per_year
    z = _deployments(deployment, offset_sd, used)
    known = 0.0 if offset_sd is None else float(offset_sd)
    if calibration is not None:
        if z is not None:
            message = "calibration stands in place of deployment and offset_sd; give one or the other."
            raise InputError(message)
        z, known = _shapes(calibration, used), 1.0
    if phi is None:
        fit, fits, weight = _estimate(lag, x, values, z, known)
    else:
        require_range("phi", phi, 0.0, _PHI_LIMIT)
        fit = _fit_at(float(phi), lag, x, values, z, known)
        fits, weight = [fit], np.ones(1)
    # What not knowing phi adds: the spread of the fits along phi about the one reported.
    apart = np.stack([f.coefficient for f in fits]) - fit.coefficient
    total = np.einsum("f,fij->ij", weight, np.stack([f.covariance for f in fits]))
    total += np.einsum("f,fi,fj->ij", weight, apart, apart)
    known_part = np.einsum("f,fij->ij", weight, np.stack([f.calibration for f in fits]))
    noise_sd = np.sqrt(np.diag(total - known_part))
    slope_sd = np.array([np.sqrt(f.covariance[1, 1]) for f in fits])
    slope_noise = np.array([np.sqrt(f.covariance[1, 1] - f.calibration[1, 1]) for f in fits])
    # Welch-Satterthwaite: the calibration part is a stated sd, of unlimited degrees of freedom.
    freedom = (n - parameters) * (slope_sd / slope_noise) ** 4
    lower, upper = _mixture_interval(np.array([f.coefficient[1] for f in fits]), slope_sd, freedom, weight, level)
    ordinary, *_ = np.linalg.lstsq(x, values, rcond=None)
    ordinary_left = values - x @ ordinary
    ordinary_variance = ordinary_left @ ordinary_left / (n - parameters)
    fitted = x @ fit.coefficient
    return Trend(
        slope=float(fit.coefficient[1]),
        lower=lower,
        upper=upper,
        level=level,
        slope_sd=float(np.sqrt(total[1, 1])),
        noise_sd=float(noise_sd[1]),
        calibration_sd=float(np.sqrt(known_part[1, 1])),
        ordinary_slope=float(ordinary[1]),
        ordinary_sd=float(np.sqrt(ordinary_variance * np.linalg.inv(x.T @ x)[1, 1])),
        phi=fit.phi,
        sigma=float(np.sqrt(fit.variance)),
        n=n,
        span=float(times[-1] - times[0]),
        degrees_of_freedom=_effective_freedom(n, parameters, fit.phi),
        coefficients=dict(zip(names, fit.coefficient.tolist(), strict=True)),
        coefficient_sd=dict(zip(names, noise_sd.tolist(), strict=True)),
        fitted=fitted,
        residual=values - fitted,
        used=used,
        posterior=Posterior(
            phi=np.array([f.phi for f in fits]),
            weight=weight,
            slope=np.array([f.coefficient[1] for f in fits]),
            slope_sd=slope_sd,
            sigma=np.array([np.sqrt(f.variance) for f in fits]),
            freedom=float(n - parameters),
        ),
    )


def _effective_freedom(n: int, parameters: int, phi: float) -> float:
    """Return degrees of freedom of the noise variance when neighbours are alike.

    The sum of squares of AR(1) noise carries n (1 − φ²) / (1 + φ²) independent values (Bartlett 1946).
    """
    return max(2.0, (n - parameters) * (1.0 - phi**2) / (1.0 + phi**2))


def _deployments(
    deployment: npt.ArrayLike | None, offset_sd: float | None, used: npt.NDArray[np.bool_]
) -> FloatArray | None:
    """Return which value belongs to which deployment (n, deployments); None without calibration term."""
    if deployment is None and offset_sd is None:
        return None
    if deployment is None or offset_sd is None:
        message = "The calibration term needs both deployment and offset_sd."
        raise InputError(message)
    labels = np.asarray(deployment)
    require_same_length(deployment=labels, value=used)
    require_range("offset_sd", offset_sd, 0.0, np.inf)
    labels = labels[used]
    if offset_sd == 0.0:
        return None
    return np.asarray(labels[:, None] == np.unique(labels), dtype=np.float64)


def _shapes(calibration: npt.ArrayLike, used: npt.NDArray[np.bool_]) -> FloatArray | None:
    """Return the calibration errors of the values used (n, k); None where there is none."""
    shapes = np.asarray(calibration, dtype=np.float64)
    if shapes.ndim != 2 or shapes.shape[0] != used.size:
        message = f"calibration has shape {shapes.shape}; it needs one row for each of the {used.size} values."
        raise ShapeError(message)
    shapes = shapes[used]
    if not np.isfinite(shapes).all():
        message = "calibration holds values that are not finite where the record has values."
        raise InputError(message)
    return shapes if np.any(shapes != 0.0) else None


def clean_record(time: npt.ArrayLike, value: npt.ArrayLike) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    """Return finite times and values, and which they were; times must increase."""
    times, values = as_float("time", time), as_float("value", value)
    require_same_length(time=times, value=values)
    used = np.isfinite(times) & np.isfinite(values)
    times, values = times[used], values[used]
    if times.size < 2:
        message = f"The record holds {times.size} finite values; a trend needs more."
        raise InputError(message)
    if np.any(np.diff(times) <= 0.0):
        message = "time is not strictly increasing; sort the record and merge values of one time."
        raise InputError(message)
    return times, values, used


def trend_sd(
    *,
    time: npt.ArrayLike,
    phi: float,
    sigma: float,
    harmonics: int = 0,
    samples_per_year: float = 12.0,
) -> float:
    """Standard error of a trend for the real sampling times, before there are any values.

    Parameters
    ----------
    time : array_like
        Decimal years of the values to come, strictly increasing.
    phi : float
        Autocorrelation at one sampling interval.
    sigma : float
        Standard deviation of the noise.
    harmonics : int
        Fitted beside constant and trend.
    samples_per_year : float
        Gives the interval to which `phi` refers.

    Returns
    -------
    float
        [unit of sigma per yr]
    """
    times = as_float("time", time)
    require_range("phi", phi, 0.0, _PHI_LIMIT)
    x, _ = _design(times, float(times.mean()), 1, harmonics, ())
    white = _whiten(phi ** (np.diff(times) * samples_per_year), x)
    return float(sigma * np.sqrt(np.linalg.inv(white.T @ white)[1, 1]))


def local_trend(*, time: npt.ArrayLike, reef: npt.ArrayLike, reference: npt.ArrayLike, **options: Any) -> Trend:
    """Trend of reef minus reference: the part of the trend that is made here.

    Parameters
    ----------
    time : array_like
        Decimal years.
    reef, reference : array_like
        Values at the same times: offshore water, or equilibrium with the air at the water's own
        temperature, salinity and alkalinity. NaN where either is missing.
    **options
        As for `trend`. A calibration offset refers to the difference.
    """
    difference = as_float("reef", reef) - as_float("reference", reference)
    return trend(time=time, value=difference, **options)
