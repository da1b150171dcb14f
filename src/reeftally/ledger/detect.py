"""What a record can tell: years to detect a trend, emergence, steps at sensor changes.

Here:     `years_to_detect`, `time_of_emergence`, `deployment_offset_term`, `step_test`.
Not here: the trend itself (`trends`), differences between missions (`missions`).
Rules:    two definitions of "detected" exist and are labelled: detection with a stated power
          (Weatherhead) and signal above a multiple of the noise. Time is in decimal years.

Sources: Weatherhead et al. 1998, J. Geophys. Res. 103, 17149-17161 (formulae from memory; abstract read);
Tiao et al. 1990, J. Geophys. Res. 95, 20507-20517.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, stats

from reeftally._checks import FloatArray, as_float, require_range
from reeftally.errors import InputError
from reeftally.ledger._words import chance
from reeftally.ledger.trends import trend

__all__ = [
    "Detection",
    "Emergence",
    "Step",
    "deployment_offset_term",
    "detection_years",
    "step_test",
    "time_of_emergence",
    "years_to_detect",
]

WEATHERHEAD_FACTOR = 3.3
"""2 for the 95 % level and 1.3 for 90 % power, as the source rounds them."""


@dataclass(frozen=True, slots=True)
class Detection:
    """Years until a trend is told from noise."""

    years: float
    lower: float
    upper: float
    """Limits from not knowing the autocorrelation well: years × exp(±B)."""
    definition: str


def deployment_offset_term(*, offset_sd: float, time: npt.ArrayLike) -> float:
    """Trend error from offsets that each deployment keeps.

    ``offset_sd / √Σ(t_d − t̄)²``: least squares through one value a deployment.

    Parameters
    ----------
    offset_sd : float
        Standard uncertainty of one deployment's offset, independent between deployments.
    time : array_like
        Middle of every deployment [yr].

    Returns
    -------
    float
        [unit of offset_sd per yr]; infinite for a single deployment.
    """
    times = as_float("time", time)
    spread = float(((times - times.mean()) ** 2).sum())
    return float(offset_sd / np.sqrt(spread)) if spread > 0 else float("inf")


def years_to_detect(
    *,
    trend: float,
    noise_sd: float,
    phi: float,
    months_of_data: float | None = None,
    samples_per_year: float = 12.0,
    step_fraction: float | None = None,
    offset_sd: float = 0.0,
    deployments_per_year: float = 1.0,
) -> Detection:
    """Years of record until a trend is detected at the 95 % level with 90 % power.

    ``n* = [3.3 σ / |ω| · √((1+φ)/(1−φ))]^(2/3)`` for monthly values; limits ``n* exp(±B)`` with
    ``B = 4 / (3 √D) · √((1+φ)/(1−φ))``.

    Parameters
    ----------
    trend : float
        Trend to detect [unit per yr].
    noise_sd : float
        Standard deviation of the deseasoned noise of one sampling interval [unit].
    phi : float
        Autocorrelation at one sampling interval.
    months_of_data : float, optional
        D, number of months from which `noise_sd` and `phi` were taken; 12 n* when not given, as for a
        record just long enough.
    samples_per_year : float
        12 for monthly values; another number multiplies σ by √(12/m).
    step_fraction : float, optional
        A step of unknown size at this fraction of the record: n* × (1 − 3τ(1−τ))^(−1/3).
    offset_sd : float
        Standard uncertainty of the offset of one deployment [unit]; its term is added in quadrature.
    deployments_per_year : float
        Used with `offset_sd`.

    Returns
    -------
    Detection
        Infinite years for a trend of zero.
    """
    require_range("noise_sd", noise_sd, 0.0, np.inf)
    require_range("phi", phi, 0.0, 0.999)
    root = np.sqrt((1.0 + phi) / (1.0 - phi))
    if trend == 0.0:
        return Detection(np.inf, np.inf, np.inf, _WEATHERHEAD)
    effective = noise_sd * root * np.sqrt(12.0 / samples_per_year)
    years = (WEATHERHEAD_FACTOR * effective / abs(trend)) ** (2.0 / 3.0)
    if step_fraction is not None:
        require_range("step_fraction", step_fraction, 1e-6, 1.0 - 1e-6)
        effective *= (1.0 - 3.0 * step_fraction * (1.0 - step_fraction)) ** -0.5
        years = (WEATHERHEAD_FACTOR * effective / abs(trend)) ** (2.0 / 3.0)
    if offset_sd > 0.0:
        years = _with_offsets(abs(trend), effective, offset_sd, deployments_per_year)
    if years == 0.0:
        return Detection(0.0, 0.0, 0.0, _WEATHERHEAD)
    months = 12.0 * years if months_of_data is None else months_of_data
    spread = float(np.exp(4.0 / (3.0 * np.sqrt(months)) * root))
    return Detection(float(years), float(years / spread), float(years * spread), _WEATHERHEAD)


def detection_years(*, trend: npt.ArrayLike, noise_sd: npt.ArrayLike, phi: npt.ArrayLike) -> FloatArray:
    """Weatherhead's number of years for monthly values, over arrays of trends and noises.

    The bare formula of `years_to_detect`, for carrying the uncertainty of a fitted record through it.

    Parameters
    ----------
    trend, noise_sd, phi : array_like
        As for `years_to_detect`; they broadcast. A trend of zero gives infinite years.
    """
    slope, sd, p = as_float("trend", trend), as_float("noise_sd", noise_sd), as_float("phi", phi)
    with np.errstate(divide="ignore"):
        return np.asarray((WEATHERHEAD_FACTOR * sd / np.abs(slope) * np.sqrt((1.0 + p) / (1.0 - p))) ** (2.0 / 3.0))


_WEATHERHEAD = "95 % level, 90 % power (Weatherhead et al. 1998)"


def _with_offsets(size: float, effective: float, offset_sd: float, per_year: float) -> float:
    """Solve 3.3 √(noise² + calibration²) = |trend| for the number of years."""

    def excess(years: float) -> float:
        count = max(years * per_year, 1.0)
        # Σ(t−t̄)² of equally spaced deployments: D (D² − 1) / 12 / per_year².
        spread = count * (count**2 - 1.0) / 12.0 / per_year**2
        calibration = offset_sd**2 / spread if spread > 0 else np.inf
        return float(WEATHERHEAD_FACTOR * np.sqrt(effective**2 / years**3 + calibration) - size)

    low, high = 1.0 / per_year + 1e-9, 1e4
    if excess(high) > 0:
        return float("inf")
    return float(optimize.brentq(excess, low, high)) if excess(low) > 0 else float(low)


@dataclass(frozen=True, slots=True)
class Emergence:
    """Years until the signal exceeds a multiple of the noise."""

    years: float
    lower: float
    upper: float
    """From the trend's uncertainty at 95 %; the upper limit is infinite when the trend's sign is open."""
    definition: str


def time_of_emergence(*, trend: float, noise_sd: float, trend_sd: float = 0.0, multiple: float = 2.0) -> Emergence:
    """Time of emergence: ``multiple × noise / |trend|``.

    Not the same as `years_to_detect`: it asks when the mean has moved out of the noise, not when a
    test would find the trend.

    Parameters
    ----------
    trend : float
        [unit per yr]
    noise_sd : float
        Standard deviation of the variability the signal must leave [unit].
    trend_sd : float
        Standard uncertainty of the trend.
    multiple : float
        Usually 1 or 2.
    """
    require_range("noise_sd", noise_sd, 0.0, np.inf)
    need = multiple * noise_sd
    low, high = abs(trend) - 1.96 * trend_sd, abs(trend) + 1.96 * trend_sd
    return Emergence(
        years=float(need / abs(trend)) if trend != 0 else float("inf"),
        lower=float(need / high) if high > 0 else float("inf"),
        upper=float(need / low) if low > 0 else float("inf"),
        definition=f"signal above {multiple:g} × noise",
    )


@dataclass(frozen=True, slots=True)
class Step:
    """Step at a logged sensor change (after minus before, signal excluded)."""

    size: float
    """Weighted mean of the evidence."""
    sd: float
    lower: float
    upper: float
    p: float
    """Two-sided, that there is no step."""
    claimed: bool
    """p below the level, and the pieces of evidence do not contradict each other."""
    evidence: dict[str, tuple[float, float]]
    """Estimate and standard uncertainty from ``series``, ``overlap``, ``bottles``."""
    series_power: float
    """Chance that the monthly series alone finds a step of `power_for` at this level."""
    power_for: float
    consistent: bool
    """The pieces of evidence agree (chi-square, 99 %)."""
    sentence: str


def step_test(
    *,
    time: npt.ArrayLike,
    value: npt.ArrayLike,
    step_time: float,
    overlap_difference: float | None = None,
    overlap_sd: float | None = None,
    bottle_time: npt.ArrayLike | None = None,
    bottle_misfit: npt.ArrayLike | None = None,
    bottle_sd: float | None = None,
    bottle_difference: tuple[float, float] | None = None,
    power_for: float = 0.015,
    significance: float = 0.01,
    samples_per_year: float = 12.0,
) -> Step:
    """Test for a step at a sensor change that the log records.

    Three independent pieces of evidence: the series itself (trend, seasons and step fitted together
    with autocorrelated noise), old and new sensor run side by side, and sensor minus service bottles
    before and after. The pieces are combined by inverse variance.

    Parameters
    ----------
    time, value : array_like
        The record; times in decimal years.
    step_time : float
        Of the logged change.
    overlap_difference, overlap_sd : float, optional
        New minus old sensor in one water, with its standard uncertainty.
    bottle_time, bottle_misfit : array_like, optional
        Sensor minus bottle at service visits.
    bottle_sd : float, optional
        Standard uncertainty of one misfit; its scatter about the two means when larger.
    bottle_difference : (float, float), optional
        In place of the three above: new minus old sensor by their bottles at the change, and its standard
        uncertainty, where drifts were adjusted with the offsets (`refer_to_bottles`).
    power_for : float
        Size of step for which the power of the series alone is computed.
    significance : float
        Level of the claim.
    samples_per_year : float
        As for `trend`.

    Raises
    ------
    InputError
        A piece of evidence is given in part, or no bottles on one side of the change.
    """
    fit = trend(time=time, value=value, steps=(step_time,), samples_per_year=samples_per_year)
    series_sd = fit.coefficient_sd["step1"]
    freedom = fit.degrees_of_freedom
    evidence: dict[str, tuple[float, float]] = {"series": (fit.coefficients["step1"], series_sd)}
    if (overlap_difference is None) != (overlap_sd is None):
        message = "The overlap needs both overlap_difference and overlap_sd."
        raise InputError(message)
    if overlap_difference is not None and overlap_sd is not None:
        evidence["overlap"] = (float(overlap_difference), float(overlap_sd))
    if bottle_misfit is not None:
        if bottle_time is None or bottle_sd is None:
            message = "Bottles need bottle_time, bottle_misfit and bottle_sd."
            raise InputError(message)
        evidence["bottles"] = _bottle_step(bottle_time, bottle_misfit, bottle_sd, step_time)
    if bottle_difference is not None:
        if bottle_misfit is not None:
            message = "bottle_difference stands in place of bottle_misfit; give one or the other."
            raise InputError(message)
        evidence["bottles"] = (float(bottle_difference[0]), float(bottle_difference[1]))
    sizes = np.array([pair[0] for pair in evidence.values()])
    weights = np.array([pair[1] ** -2.0 for pair in evidence.values()])
    size = float((weights * sizes).sum() / weights.sum())
    sd = float(weights.sum() ** -0.5)
    chi_square = float((weights * (sizes - size) ** 2).sum())
    consistent = sizes.size < 2 or float(stats.chi2.sf(chi_square, sizes.size - 1)) > 0.01
    # Welch-Satterthwaite with the series as the only part of limited degrees of freedom.
    share = weights[0] / weights.sum()
    combined_freedom = freedom / share**2 if share > 0 else np.inf
    p = float(2.0 * stats.t.sf(abs(size) / sd, combined_freedom))
    half = float(stats.t.ppf(0.975, combined_freedom)) * sd
    critical = float(stats.t.ppf(1.0 - significance / 2.0, freedom))
    shift = abs(power_for) / series_sd
    power = float(stats.nct.sf(critical, freedom, shift) + stats.nct.cdf(-critical, freedom, shift))
    claimed = p < significance and consistent
    return Step(
        size=size,
        sd=sd,
        lower=size - half,
        upper=size + half,
        p=p,
        claimed=claimed,
        evidence=evidence,
        series_power=power,
        power_for=power_for,
        consistent=consistent,
        sentence=_step_sentence(size, sd, p, consistent, claimed, evidence, power, power_for),
    )


def _bottle_step(time: npt.ArrayLike, misfit: npt.ArrayLike, sd: float, step_time: float) -> tuple[float, float]:
    times, values = as_float("bottle_time", time), as_float("bottle_misfit", misfit)
    good = np.isfinite(values)
    before, after = values[good & (times < step_time)], values[good & (times >= step_time)]
    if before.size == 0 or after.size == 0:
        message = "There are bottles on one side of the change only; the step needs both sides."
        raise InputError(message)
    scatter = 0.0
    if before.size + after.size > 2:
        squares = float(((before - before.mean()) ** 2).sum() + ((after - after.mean()) ** 2).sum())
        scatter = float(np.sqrt(squares / (before.size + after.size - 2)))
    single = max(sd, scatter)
    error = single * float(np.sqrt(1.0 / before.size + 1.0 / after.size))
    return float(after.mean() - before.mean()), error


def _step_sentence(
    size: float,
    sd: float,
    p: float,
    consistent: bool,
    claimed: bool,
    evidence: dict[str, tuple[float, float]],
    power: float,
    power_for: float,
) -> str:
    pieces = ", ".join(f"{name} {value:+.4f} ± {error:.4f}" for name, (value, error) in evidence.items())
    alone = f"The series alone would find a step of {power_for:g} in {100 * power:.0f} of 100 such records."
    if not consistent:
        return f"Not resolved: the pieces of evidence disagree ({pieces}). {alone}"
    verdict = (
        f"A step of {size:+.4f} ± {sd:.4f} (1 sd, {chance(p)}) at the sensor change"
        if claimed
        else f"No step is claimed ({size:+.4f} ± {sd:.4f}, 1 sd, {chance(p)})"
    )
    return f"{verdict}: {pieces}. {alone}"
