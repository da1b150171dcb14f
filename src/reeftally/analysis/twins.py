"""Two references of one pH sensor: how two values of one water become one, with what they disagree about.

Here:     the mean of the two as `ph_total`, size and trend of their disagreement as estimates and as a finding, the
          systematic terms that it adds to the sensor's, and the words for it.
Not here: the adjustment that takes the terms in (`offsets`), the sensor equations of either reference (`seawater`).
Rules:    both references speak or neither: a mean of one would jump by half of the disagreement. Nothing tells which
          of the two is right, so the value is their mean and half of their difference is one systematic standard
          uncertainty: that of the mean of two values, s / sqrt(2) with s = |d| / sqrt(2) (JCGM 100:2008, 4.2.3). The
          95 % interval then reaches 0.98 of the difference to either side of the mean and so holds both references.
          Neither noise nor more samples make it smaller; only a bottle does.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.analysis.estimates import iso
from reeftally.analysis.grid import NS
from reeftally.uncertainty import correlated_mean

if TYPE_CHECKING:
    from reeftally.analysis.context import Context
    from reeftally.analysis.finding import Finding
    from reeftally.analysis.grid import Grid
    from reeftally.analysis.records import SlowBlocks
    from reeftally.analysis.run import Chain

__all__ = [
    "EXTERNAL",
    "INTERNAL",
    "Disagreement",
    "combine",
    "disagreement_of",
    "disagreements",
    "estimate_twins",
    "explain_rows",
    "fit_red",
    "reference_disagreement_findings",
    "widened",
]

INTERNAL, EXTERNAL = "ph_total_internal", "ph_total_external"
METHOD = "internal_minus_external"
# Correlations of neighbouring residuals that are tried.
PHI = np.concatenate([np.arange(0.0, 0.9, 0.1), np.arange(0.9, 0.985, 0.01), np.arange(0.985, 0.9995, 0.002)])
DAY_S = 86400.0
# Fewer common blocks than this give no trend.
LEAST_BLOCKS = 8
# Time constants with which two references may settle against each other [h], and the blocks needed to tell.
SETTLING_HOURS = (0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 9.0, 12.0, 24.0)
LEAST_SETTLING_BLOCKS = 48
# Two references of a sensor that was conditioned in seawater agree to better than this; a larger difference wants
# bottles (Bresnahan et al. 2014, Methods in Oceanography 9, 44-60, advise conditioning for days and bottles beside
# the sensor; the number is common practice, no source).
DOUBTFUL_PH = 0.01
# Estimates that hang on pH, by how their names begin.
HANG_ON_PH = (
    "ph_total",
    "dic",
    "aragonite_saturation",
    "local_dic_excess",
    "ph_change_",
    "ph_departure_",
    "diel_amplitude_ph_total",
    "diel_amplitude_dic",
    "diel_amplitude_aragonite_saturation",
)
# The DIC flux of a gradient hangs on differences between sensors, not on the level of one.
NOT_ON_LEVEL = ("dic_flux",)


@dataclass(frozen=True, slots=True, kw_only=True)
class Disagreement:
    """Internal minus external reference of one sensor over one deployment."""

    label: str
    start_ns: int
    end_ns: int
    time: FloatArray
    """Block mid times at which both speak, (n,). [s]"""
    difference: FloatArray
    """Internal minus external, (n,). [pH]"""
    mean: float
    mean_sd: float
    """Standard error of the mean, neighbours being alike."""
    trend: float
    """Drift of one against the other beside their settling. [pH per day]"""
    trend_sd: float
    """Its standard error, neighbours being alike. [pH per day]"""
    settling: float
    """What they lose after the first block, with the time constant below. [pH]"""
    settling_sd: float
    """Its standard error. [pH]"""
    settling_hours: float
    """Time constant of the settling; 0 for a record too short to tell. [h]"""
    line: float
    """Slope of the plain straight line through the whole record, settling included. [pH per day]"""
    rest: float
    """Root mean square about that line. [pH]"""

    @property
    def offset_sd(self) -> float:
        """Half of the disagreement: systematic standard uncertainty of the mean of the two. [pH]"""
        return 0.5 * float(np.hypot(self.mean, self.rest))

    @property
    def drift_sd(self) -> float:
        """Half of the disagreement's trend, the steeper of the two slopes. [pH per day]"""
        return 0.5 * max(abs(self.trend), abs(self.line))

    def brief(self) -> str:
        """Say in a few words what an interval that hangs on this pH holds."""
        return (
            f"its interval holds the disagreement of the two references of {self.label}, {self.difference[0]:+.3f} at "
            f"first to {self.difference[-1]:+.3f} at last"
        )

    def words(self) -> str:
        """Say size, trend and consequence in one sentence."""
        return (
            f"the two references of {self.label} disagree by {self.mean:+.3f} in the mean (internal minus external: "
            f"{self.difference[0]:+.3f} at first, {self.difference[-1]:+.3f} at last; {self.trend:+.4f} a day beside "
            f"their settling) and no bottle says which is right; the value is their mean, and half of the difference "
            f"is part of the interval"
        )


def combine(
    values: Mapping[str, FloatArray], usable: Mapping[str, npt.NDArray[np.bool_]]
) -> tuple[FloatArray, npt.NDArray[np.bool_]] | None:
    """Return the mean of the two references and where it may be used; None unless both are there.

    Parameters
    ----------
    values : mapping of channel to (n,)
        Channels of one record.
    usable : mapping of channel to (n,) bool
        Which samples passed their tests.
    """
    if not {INTERNAL, EXTERNAL} <= values.keys() or "ph_total" in values:
        return None
    both = usable[INTERNAL] & usable[EXTERNAL] & np.isfinite(values[INTERNAL]) & np.isfinite(values[EXTERNAL])
    return np.asarray(np.where(both, 0.5 * (values[INTERNAL] + values[EXTERNAL]), np.nan)), both


@dataclass(frozen=True, slots=True, kw_only=True)
class RedFit:
    """Least squares with residuals that follow a first-order autoregressive series."""

    coefficients: FloatArray
    """(p,)"""
    covariance: FloatArray
    """Of the coefficients, the unknown correlation included, (p, p)."""
    operator: FloatArray
    """Takes a series at the good blocks to the coefficients, (p, n)."""
    phi: float
    """Correlation of neighbouring residuals, mean over what the data allow. [1]"""
    evidence: float
    """Logarithm of the restricted likelihood, mean over phi; comparable between designs of one size."""


def fit_red(*, design: FloatArray, values: FloatArray, steps: FloatArray) -> RedFit:
    """Fit a linear model to a series whose residuals are alike from block to block.

    Parameters
    ----------
    design : (n, p)
        Columns of the model at the good blocks.
    values : (n,)
        Series at the good blocks. [any unit]
    steps : (n,)
        Numbers of the good blocks in time; gaps widen the distance between neighbours.

    Notes
    -----
    Generalised least squares with correlation ``phi**distance`` (Prais and Winsten 1954 whitening). phi is not
    known: coefficients and covariance are means over phi with the restricted likelihood (Patterson and Thompson 1971)
    as weight and the spread of the coefficients over phi added, so that a series which cannot tell a slow change
    from a residual says so.
    """
    n, p = design.shape
    distance = np.diff(steps)
    weights, coefficients, covariances, operators = [], [], [], []
    for phi in PHI:
        rho = phi**distance
        scale = np.concatenate([[1.0], 1.0 / np.sqrt(1.0 - rho**2)])
        x, y = design * scale[:, None], values * scale
        x[1:] -= (rho * scale[1:])[:, None] * design[:-1]
        y[1:] -= rho * scale[1:] * values[:-1]
        information = x.T @ x
        inverse = np.linalg.inv(information)
        found = inverse @ (x.T @ y)
        squares = float(np.sum((y - x @ found) ** 2))
        variance = max(squares / (n - p), 1e-300)
        weights.append(
            float(np.log(scale).sum())
            - 0.5 * float(np.linalg.slogdet(information)[1])
            - 0.5 * (n - p) * float(np.log(variance))
        )
        coefficients.append(found)
        covariances.append(variance * inverse)
        whitened = inverse @ x.T
        operator = whitened * scale
        operator[:, :-1] -= whitened[:, 1:] * (rho * scale[1:])
        operators.append(operator)
    # Equal prior weight for equal steps of phi; the grid is finer where the likelihood is steep.
    weight = np.exp(np.array(weights) - max(weights)) * np.gradient(PHI)
    evidence = max(weights) + float(np.log(weight.sum()))
    weight /= weight.sum()
    mean = np.einsum("k,kp->p", weight, np.array(coefficients))
    apart = np.array(coefficients) - mean
    return RedFit(
        coefficients=mean,
        covariance=np.einsum("k,kpq->pq", weight, np.array(covariances))
        + np.einsum("k,kp,kq->pq", weight, apart, apart),
        operator=np.einsum("k,kpn->pn", weight, np.array(operators)),
        phi=float(weight @ PHI),
        evidence=evidence,
    )


def disagreement_of(
    *, label: str, start_ns: int, end_ns: int, time: FloatArray, difference: FloatArray
) -> Disagreement | None:
    """Describe the disagreement of one deployment; None with fewer than eight blocks.

    Parameters
    ----------
    time : (blocks,)
        Block mid times, evenly spaced. [s]
    difference : (blocks,)
        Internal minus external; NaN where one is silent.

    Notes
    -----
    References settle against each other when they come into the water, within hours, and drift after that. Mean and
    `line` are those of the record as it is. `trend` is the drift beside a settling ``a exp(-(t - t_first) / tau)``, tau
    the likeliest of `SETTLING_HOURS`; standard errors know that neighbouring residuals are alike (`fit_red`). Without
    the settling term its first hour would pass for the scatter of the whole record.
    """
    good = np.isfinite(difference)
    if good.sum() < LEAST_BLOCKS:
        return None
    t, d = time[good], difference[good]
    days = (t - t.mean()) / DAY_S
    steps = np.flatnonzero(good).astype(np.float64)
    plain = np.stack([np.ones(days.size), days], axis=-1)
    settling_hours, fit = 0.0, fit_red(design=plain, values=d, steps=steps)
    if good.sum() >= LEAST_SETTLING_BLOCKS:
        tried = {
            hours: fit_red(
                design=np.column_stack([plain, np.exp(-(t - t[0]) / (3600.0 * hours))]), values=d, steps=steps
            )
            for hours in SETTLING_HOURS
        }
        settling_hours, fit = max(tried.items(), key=lambda item: item[1].evidence)
    sd = np.sqrt(np.diag(fit.covariance))
    line = float(np.sum(days * d) / np.sum(days**2))
    return Disagreement(
        label=label,
        start_ns=start_ns,
        end_ns=end_ns,
        time=t,
        difference=d,
        mean=float(d.mean()),
        # The mean holds the settling, the fitted level does not; what parts them belongs to the error.
        mean_sd=float(np.hypot(sd[0], d.mean() - fit.coefficients[0])),
        trend=float(fit.coefficients[1]),
        trend_sd=float(sd[1]),
        settling=float(fit.coefficients[2]) if settling_hours else 0.0,
        settling_sd=float(sd[2]) if settling_hours else 0.0,
        settling_hours=settling_hours,
        line=line,
        rest=float(np.sqrt(np.mean((d - d.mean() - line * days) ** 2))),
    )


def disagreements(context: Context, grid: Grid, blocks: SlowBlocks) -> list[Disagreement]:
    """Return the disagreement of one sensor in each of its deployments; none without two references."""
    if not {INTERNAL, EXTERNAL} <= blocks.channels.keys():
        return []
    difference = blocks.channels[INTERNAL].mean - blocks.channels[EXTERNAL].mean
    found = []
    for place in context.book.deployments_of(blocks.label):
        inside = grid.mids_in(place.start_ns, place.end_ns)
        row = disagreement_of(
            label=blocks.label,
            start_ns=place.start_ns,
            end_ns=place.end_ns,
            time=grid.seconds[inside],
            difference=difference[inside],
        )
        if row is not None:
            found.append(row)
    return found


def widened(
    term: tuple[float, float, float] | None, found: Iterable[Disagreement]
) -> tuple[float, float, float] | None:
    """Add what the references disagree about to a sensor's noise, offset and drift terms.

    Parameters
    ----------
    term : (noise, offset sd, drift sd per day), optional
        What the book states for `ph_total`; None where it states nothing.
    found : iterable of Disagreement
        One a deployment; the largest counts, since one sensor has one offset and one drift.

    Returns
    -------
    (noise, offset sd, drift sd per day) or None
        None only where there is neither a stated term nor a disagreement.
    """
    rows = list(found)
    if not rows:
        return term
    noise, offset, drift = term if term is not None else (0.0, 0.0, 0.0)
    return (
        noise,
        float(np.hypot(offset, max(row.offset_sd for row in rows))),
        float(np.hypot(drift, max(row.drift_sd for row in rows))),
    )


def _all(chain: Chain) -> list[Disagreement]:
    return [row for _, blocks in sorted(chain.slow.items()) for row in disagreements(chain.context, chain.grid, blocks)]


def estimate_twins(chain: Chain) -> None:
    """Write mean, first day, last day, first and last block, and trend of each disagreement, with the reason."""
    for row in _all(chain):
        chain.notes[f"two references of {row.label}"] = row.words()
        half = 0.5 * chain.grid.block_s
        first, last = float(row.time[0]) - half, float(row.time[-1]) + half
        _write(chain, row, "mission", row.start_ns, row.end_ns, row.mean, row.mean_sd, row.time.size)
        for low in dict.fromkeys((first, max(first, last - DAY_S))):
            high = min(low + DAY_S, last)
            inside = (row.time >= low) & (row.time < high)
            mean = correlated_mean(values=row.difference[inside])
            _write(
                chain, row, "24h", round(low * NS), round(high * NS), mean.mean, mean.standard_error, int(inside.sum())
            )
        noise = _step_noise(row.difference)
        for position in (0, -1):
            at = round((float(row.time[position]) - half) * NS)
            _write(chain, row, "instant", at, at, float(row.difference[position]), noise, 1)
        _write(
            chain, row, "mission", row.start_ns, row.end_ns, row.trend, row.trend_sd, row.time.size,
            quantity="reference_disagreement_trend", unit="d-1",
        )  # fmt: skip
        if row.settling_hours:
            _write(
                chain, row, "mission", row.start_ns, row.end_ns, row.settling, row.settling_sd, row.time.size,
                quantity="reference_disagreement_settling",
                reason=f"what the references of {row.label} lost of their difference after the first block, with a "
                f"time constant near {row.settling_hours:g} h",
            )  # fmt: skip


def _write(
    chain: Chain,
    row: Disagreement,
    period: str,
    start_ns: int,
    end_ns: int,
    value: float,
    random_sd: float,
    n: int,
    *,
    quantity: str = "reference_disagreement",
    unit: str = "",
    reason: str = "",
) -> None:
    chain.estimates.from_parts(
        quantity=quantity,
        method=METHOD,
        subject=row.label,
        period=period,
        start_ns=start_ns,
        end_ns=end_ns,
        unit=unit,
        value=value,
        random_sd=random_sd,
        systematic_sd=0.0,
        n=n,
        trail="twins",
        reason=reason or row.words(),
    )


def _step_noise(difference: FloatArray) -> float:
    """Return the noise of one block of the difference, from second differences (robust; variance ratio 6)."""
    second = np.diff(difference, n=2)
    return float(max(1.4826 * np.median(np.abs(second - np.median(second))) / np.sqrt(6.0), 1e-4))


def explain_rows(chain: Chain) -> None:
    """Say at every estimate that hangs on pH what its interval contains."""
    own = [row for row in _all(chain) if row.label in _in_the_water(chain)]
    if not own:
        return
    words = "; ".join(row.brief() for row in own)
    for position, row in enumerate(chain.estimates.rows):
        hangs = row.quantity.startswith(HANG_ON_PH) and not row.quantity.startswith(NOT_ON_LEVEL)
        if hangs and row.value is not None and words not in row.reason:
            reason = f"{row.reason}; {words}" if row.reason else words
            chain.estimates.rows[position] = replace(row, reason=reason)


def _in_the_water(chain: Chain) -> set[str]:
    """Labels of the sensors from which the reef's pH comes."""
    return {source.label for source in chain.model.sources.get("ph_total", [])}


def reference_disagreement_findings(context: Context) -> Iterator[Finding]:
    """Yield a finding for each deployment in which the two references of a pH sensor disagree."""
    from reeftally.analysis.finding import DOUBTFUL, NOTED, Finding
    from reeftally.analysis.records import load_slow

    streams = context.store.streams()
    if not any({INTERNAL, EXTERNAL} <= set(info.channels) for info in streams.values()):
        return
    grid = context.grid
    slow, _ = load_slow(context, grid)
    for label, blocks in sorted(slow.items()):
        for number, row in enumerate(disagreements(context, grid, blocks), start=1):
            worst = max(abs(row.mean), float(np.abs(row.difference).max()))
            drifts = abs(row.trend) > 2.0 * row.trend_sd
            settled = (
                f" beside a settling of {row.settling:+.3f} with a time constant near {row.settling_hours:g} h"
                if row.settling_hours
                else ""
            )
            yield Finding(
                id=f"references-{label}-{number}",
                severity=DOUBTFUL if worst > DOUBTFUL_PH else NOTED,
                subject=label,
                what=f"{label}: its two references disagree by {row.mean:+.4f} in the mean, from "
                f"{row.difference[0]:+.4f} at {iso(round((float(row.time[0]) - 0.5 * grid.block_s) * NS))} to "
                f"{row.difference[-1]:+.4f} at {iso(round((float(row.time[-1]) - 0.5 * grid.block_s) * NS))}.",
                evidence=f"internal minus external in {row.time.size} blocks: trend {row.trend:+.4f} a day (standard "
                f"error {row.trend_sd:.4f}{'' if drifts else ', not beyond its uncertainty'}){settled}; "
                f"extremes {row.difference.min():+.4f} and {row.difference.max():+.4f}",
                proposal="no bottle says which is right: close bottles for pH beside the sensor, early and late, and "
                "let it stand powered in seawater for days beforehand (Bresnahan et al. 2014). Until then the mean of "
                f"the two is used, with {row.offset_sd:.4f} and {row.drift_sd:.4f} a day more systematic uncertainty",
                start_ns=row.start_ns,
                end_ns=row.end_ns,
                details={"mean": row.mean, "trend_per_day": row.trend, "trend_sd_per_day": row.trend_sd},
            )
