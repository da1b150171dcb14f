"""Drift of one sensor from all its anchors, the model chosen by a stated rule, with and without the correction.

Here:     `fit_drift`: offset alone, linear drift, exponential settling, a step at a known event; their posterior
          probabilities, the correction in time with interval, every source of anchors left out in turn.
Not here: joint adjustment of many sensors (`side_by_side`), swaps (they belong to the flux and are never used here),
          fouling between cleanings (`fouling`), applying a correction (people decide).
Rules:    anchor = sensor minus independent value = error(t) + shared error of its source + random error. Priors are
          stated by the caller: how large an offset, a drift, a settling or a step may be. The named model is the one
          of highest posterior probability; the interval is that of the average over all models, so that the choice
          of a model does not make it too narrow.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from reeftally._checks import FloatArray, as_float, one_of, require_same_length
from reeftally.errors import InputError

__all__ = ["MODELS", "Anchors", "DriftFit", "DriftPrior", "LeftOut", "fit_drift"]

DAY_S = 86400.0
MODELS = ("none", "linear", "settling", "step")

# Settling of potentiometric sensors and foils takes from a few hours to some days (common practice, no source).
_SETTLING_DAYS = np.geomspace(0.25, 6.0, 9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchors:
    """Comparisons of the sensor with one independent source (one laboratory, one side by side, one certificate)."""

    time: FloatArray
    """[s]"""
    difference: FloatArray
    """Sensor minus independent value."""
    sd: FloatArray
    """Random standard uncertainty of each, mismatch in place and time included (`mismatch_sd`)."""
    common_sd: float = 0.0
    """Standard uncertainty shared by all anchors of this source."""
    source: str = "anchors"


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftPrior:
    """How large each part of the error may be: standard deviations about zero."""

    offset_sd: float
    drift_sd_per_day: float
    settling_sd: float = 0.0
    """0 if the sensor does not settle."""
    step_sd: float = 0.0
    """0 if no event can have moved it."""
    weights: tuple[float, float, float, float] = (1.0, 1.0, 1.0, 1.0)
    """Relative prior probabilities of `MODELS`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """What the other sources say about the one left out."""

    source: str
    predicted: float
    """Mean error at its times, from all others."""
    observed: float
    """Mean difference it measured."""
    sd: float
    """Standard uncertainty of their difference."""

    @property
    def z(self) -> float:
        """Difference in standard uncertainties; beyond 3 the source disagrees with the rest."""
        return (self.observed - self.predicted) / self.sd


@dataclass(frozen=True, slots=True)
class _Member:
    """One model with its shape fixed: linear and Gaussian."""

    model: str
    shape: tuple[float, ...]
    mean: FloatArray
    covariance: FloatArray
    log_weight: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftFit:
    """Error of a sensor in time, as all anchors together say."""

    model: str
    """The model of highest posterior probability."""
    probabilities: dict[str, float]
    """Posterior probability of each model."""
    reference_time: float
    """Where offset holds. [s]"""
    offset: float
    offset_sd: float
    """Offset at the reference time."""
    drift_per_day: float
    drift_per_day_sd: float
    """Drift, averaged over the models (0 in those without)."""
    chi_square: float
    """Weighted squares of the residuals of the named model."""
    anchors: int
    left_out: tuple[LeftOut, ...]
    """Leave-one-source-out; empty with a single source."""
    rule: str
    """How the model was chosen, in words."""
    _members: tuple[_Member, ...] = field(repr=False, default=())
    _start: float = 0.0

    @property
    def scatter_ratio(self) -> float:
        """Observed over stated scatter of the anchors (Birge ratio); well above 1 the stated sds are too small."""
        return float(np.sqrt(self.chi_square / max(self.anchors - 1, 1)))

    def _components(self, time: npt.ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
        t = np.atleast_1d(as_float("time", time))
        means, sds, weights = [], [], []
        for member in self._members:
            design = _design(member.model, member.shape, t, self.reference_time, self._start)
            means.append(design @ member.mean)
            sds.append(np.sqrt(np.einsum("ij,jk,ik->i", design, member.covariance, design)))
            weights.append(np.exp(member.log_weight))
        return np.array(means), np.array(sds), np.array(weights)

    def error_at(self, time: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return the sensor's error (subtract it) and its standard uncertainty at `time`: two (times,) arrays."""
        means, sds, weights = self._components(time)
        mean = weights @ means
        variance = weights @ (sds**2 + (means - mean) ** 2)
        return mean, np.sqrt(variance)

    def interval_at(self, time: npt.ArrayLike, *, level: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """Return lower and upper limits of the error at `time`: quantiles of the mixture of all models."""
        means, sds, weights = self._components(time)
        centre, spread = self.error_at(time)
        out = []
        for target in (0.5 * (1.0 - level), 0.5 * (1.0 + level)):
            low, high = centre - 12 * spread, centre + 12 * spread
            # Bisection on the distribution function of the mixture; 60 halvings reach rounding.
            for _ in range(60):
                middle = 0.5 * (low + high)
                below = weights @ ndtr((middle - means) / np.maximum(sds, 1e-300)) < target
                low, high = np.where(below, middle, low), np.where(below, high, middle)
            out.append(0.5 * (low + high))
        return out[0], out[1]

    def with_and_without(self, time: npt.ArrayLike, values: npt.ArrayLike) -> dict[str, FloatArray]:
        """Return a record as measured and as corrected, so that anyone can see the difference.

        Returns
        -------
        dict
            ``without`` and ``with`` (arrays), ``sd`` of the correction.
        """
        record = as_float("values", values)
        error, sd = self.error_at(time)
        return {"without": record, "with": np.asarray(record - error), "sd": sd}


def _design(model: str, shape: tuple[float, ...], time: FloatArray, reference: float, start: float) -> FloatArray:
    columns = [np.ones(time.shape)]
    if model == "linear":
        columns.append((time - reference) / DAY_S)
    elif model == "settling":
        since = np.maximum(time - start, 0.0) / DAY_S
        columns.append(np.exp(-since / shape[0]))
    elif model == "step":
        columns.append((time >= shape[0]).astype(np.float64))
    return np.stack(columns, axis=1)


def _members(
    anchors: list[Anchors], prior: DriftPrior, events: tuple[float, ...], reference: float, start: float
) -> tuple[tuple[_Member, ...], FloatArray, FloatArray, FloatArray]:
    """All models with their posteriors and normalised log weights; stacked times, differences and covariance."""
    time = np.concatenate([a.time for a in anchors])
    y = np.concatenate([a.difference for a in anchors])
    noise = np.diag(np.concatenate([a.sd for a in anchors]) ** 2)
    at = 0
    for a in anchors:
        noise[at : at + a.time.size, at : at + a.time.size] += a.common_sd**2
        at += a.time.size
    candidates: list[tuple[str, tuple[float, ...], float, float]] = []
    weight = dict(zip(MODELS, prior.weights, strict=True))
    candidates.append(("none", (), 0.0, weight["none"]))
    if prior.drift_sd_per_day > 0:
        candidates.append(("linear", (), prior.drift_sd_per_day, weight["linear"]))
    if prior.settling_sd > 0:
        share = weight["settling"] / _SETTLING_DAYS.size
        candidates += [("settling", (float(tau),), prior.settling_sd, share) for tau in _SETTLING_DAYS]
    if prior.step_sd > 0:
        candidates += [("step", (event,), prior.step_sd, weight["step"] / len(events)) for event in events]
    members = []
    for model, shape, sd, prior_weight in candidates:
        if prior_weight <= 0:
            continue
        design = _design(model, shape, time, reference, start)
        prior_sd = np.array([prior.offset_sd, sd][: design.shape[1]])
        total = noise + (design * prior_sd**2) @ design.T
        factor = np.linalg.cholesky(total)
        white = np.linalg.solve(factor, y)
        gain = np.linalg.solve(total, design * prior_sd**2).T
        covariance = np.diag(prior_sd**2) - gain @ (design * prior_sd**2)
        evidence = -0.5 * float(white @ white) - float(np.log(np.diag(factor)).sum()) + float(np.log(prior_weight))
        members.append(_Member(model, shape, np.asarray(gain @ y), 0.5 * (covariance + covariance.T), evidence))
    logs = np.array([m.log_weight for m in members])
    logs -= logs.max() + np.log(np.exp(logs - logs.max()).sum())
    normalised = tuple(
        _Member(m.model, m.shape, m.mean, m.covariance, float(w)) for m, w in zip(members, logs, strict=True)
    )
    return normalised, time, y, noise


def _average(members: tuple[_Member, ...], index: int, model: str | None) -> tuple[float, float]:
    """Mean and sd of one parameter over the models; a model other than `model` has it at zero."""
    weights = np.exp([m.log_weight for m in members])
    has = [model is None or m.model == model for m in members]
    means = np.array([m.mean[index] if h else 0.0 for m, h in zip(members, has, strict=True)])
    variances = np.array([m.covariance[index, index] if h else 0.0 for m, h in zip(members, has, strict=True)])
    mean = float(weights @ means)
    return mean, float(np.sqrt(weights @ (variances + (means - mean) ** 2)))


def _leave_out(
    anchors: list[Anchors], prior: DriftPrior, events: tuple[float, ...], reference: float, start: float
) -> tuple[LeftOut, ...]:
    if len(anchors) < 2:
        return ()
    out = []
    for n, own in enumerate(anchors):
        rest = anchors[:n] + anchors[n + 1 :]
        members, *_ = _members(rest, prior, events, reference, start)
        weights = np.exp([m.log_weight for m in members])
        share = (1.0 / own.sd**2) / np.sum(1.0 / own.sd**2)
        rows = [share @ _design(m.model, m.shape, own.time, reference, start) for m in members]
        means = np.array([float(row @ m.mean) for row, m in zip(rows, members, strict=True)])
        variances = np.array([float(row @ m.covariance @ row) for row, m in zip(rows, members, strict=True)])
        mean = float(weights @ means)
        variance = float(weights @ (variances + (means - mean) ** 2))
        variance += 1.0 / float(np.sum(1.0 / own.sd**2)) + own.common_sd**2
        out.append(
            LeftOut(
                source=own.source, predicted=mean, observed=float(share @ own.difference), sd=float(np.sqrt(variance))
            )
        )
    return tuple(out)


def fit_drift(
    *,
    anchors: list[Anchors],
    prior: DriftPrior,
    reference_time: float | None = None,
    start_time: float | None = None,
    events: npt.ArrayLike = (),
    model: str = "auto",
) -> DriftFit:
    """Fit the error of one sensor in time to all its anchors.

    Parameters
    ----------
    anchors : list of Anchors
        One a source: side by side before and after, bottles, certificates, twins. Never swaps.
    prior : DriftPrior
    reference_time : float, optional
        Where the offset holds; default the mean time of the anchors. [s]
    start_time : float, optional
        When the sensor went in: settling counts from here; default the first anchor. [s]
    events : array-like
        Times at which a step is possible (cleaning, knock, power cut). [s]
    model : {"auto", "none", "linear", "settling", "step"}
        ``auto`` weighs all whose prior is above zero.

    Returns
    -------
    DriftFit

    Raises
    ------
    InputError
        Without an anchor, with a sd that is not above 0, or with a model whose prior is zero.

    Notes
    -----
    Each model is linear with Gaussian priors, so its posterior and its marginal likelihood are exact (Rasmussen and
    Williams 2006, eq. 2.8 and 2.30 for a linear model, from memory); settling times are nine values from 0.25 to
    6 days, equally likely. The rule: highest posterior probability names the model; corrections average over all
    models (Hoeting et al. 1999, Statistical Science 14, 382, from memory). Intervals hold at their rate when truths
    come from the stated priors.
    """
    one_of("model", model, ("auto", *MODELS))
    if not anchors or sum(a.time.size for a in anchors) == 0:
        message = "fit_drift needs at least one anchor."
        raise InputError(message)
    kept = []
    for a in anchors:
        require_same_length(time=a.time, difference=a.difference, sd=a.sd)
        good = np.isfinite(a.time) & np.isfinite(a.difference) & np.isfinite(a.sd)
        if (a.sd[good] <= 0).any():
            message = f"{a.source}: every sd must be above 0; an anchor without uncertainty decides alone."
            raise InputError(message)
        if good.any():
            kept.append(
                Anchors(
                    time=a.time[good],
                    difference=a.difference[good],
                    sd=a.sd[good],
                    common_sd=a.common_sd,
                    source=a.source,
                )
            )
    if not kept:
        message = "fit_drift found no anchor with time, difference and sd."
        raise InputError(message)
    moments = tuple(float(e) for e in np.atleast_1d(as_float("events", events)))
    if model != "auto":
        weights = tuple(1.0 if name == model else 0.0 for name in MODELS)
        prior = DriftPrior(
            offset_sd=prior.offset_sd,
            drift_sd_per_day=prior.drift_sd_per_day,
            settling_sd=prior.settling_sd,
            step_sd=prior.step_sd,
            weights=(weights[0], weights[1], weights[2], weights[3]),
        )
    if not moments and prior.step_sd > 0:
        prior = DriftPrior(
            offset_sd=prior.offset_sd,
            drift_sd_per_day=prior.drift_sd_per_day,
            settling_sd=prior.settling_sd,
            weights=prior.weights,
        )
    possible = {
        "none": True,
        "linear": prior.drift_sd_per_day > 0,
        "settling": prior.settling_sd > 0,
        "step": prior.step_sd > 0,
    }
    if model != "auto" and not possible[model]:
        message = f"model is {model!r}, but its prior is zero (or no event is given); state how large it may be."
        raise InputError(message)
    everything = np.concatenate([a.time for a in kept])
    reference = float(everything.mean()) if reference_time is None else float(reference_time)
    start = float(everything.min()) if start_time is None else float(start_time)
    members, time, y, noise = _members(kept, prior, moments, reference, start)
    probabilities = dict.fromkeys(MODELS, 0.0)
    for member in members:
        probabilities[member.model] += float(np.exp(member.log_weight))
    named = max(MODELS, key=lambda name: probabilities[name])
    best = max((m for m in members if m.model == named), key=lambda m: m.log_weight)
    residual = y - _design(best.model, best.shape, time, reference, start) @ best.mean
    at_reference = np.array([reference])
    partial = DriftFit(
        model=named,
        probabilities=probabilities,
        reference_time=reference,
        offset=0.0,
        offset_sd=0.0,
        drift_per_day=0.0,
        drift_per_day_sd=0.0,
        chi_square=float(residual @ np.linalg.solve(noise, residual)),
        anchors=int(y.size),
        left_out=_leave_out(kept, prior, moments, reference, start),
        rule=_rule(probabilities, named),
        _members=members,
        _start=start,
    )
    offset, offset_sd = partial.error_at(at_reference)
    drift, drift_sd = _drift_of(members)
    return DriftFit(
        model=partial.model,
        probabilities=probabilities,
        reference_time=reference,
        offset=float(offset[0]),
        offset_sd=float(offset_sd[0]),
        drift_per_day=drift,
        drift_per_day_sd=drift_sd,
        chi_square=partial.chi_square,
        anchors=partial.anchors,
        left_out=partial.left_out,
        rule=partial.rule,
        _members=members,
        _start=start,
    )


def _drift_of(members: tuple[_Member, ...]) -> tuple[float, float]:
    if not any(m.model == "linear" for m in members):
        return 0.0, 0.0
    padded = tuple(
        m if m.mean.size > 1 else _Member(m.model, m.shape, np.append(m.mean, 0.0), np.diag([m.covariance[0, 0], 0.0]),
                                          m.log_weight)
        for m in members
    )  # fmt: skip
    return _average(padded, 1, "linear")


def _rule(probabilities: dict[str, float], named: str) -> str:
    parts = ", ".join(f"{name} {p:.0%}" for name, p in probabilities.items() if p > 0)
    return f"{named}: the highest posterior probability ({parts}); the correction averages over all of them."
