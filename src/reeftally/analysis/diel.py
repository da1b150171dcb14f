"""The diel cycle: how far pH, temperature, light and DIC swing in a day, and when.

Here:     a cycle of 24 h and 12 h with a straight line through block series, its swing, its hours of maximum and
          minimum, and the lowest pH of every night, with intervals.
Not here: the block series (`estimate_account`, `run`), what drives the cycle (`account`).
Rules:    the cycle is that of the whole record, not of its extremes: the range of noisy values grows with their
          number. Residuals of neighbouring blocks are alike, and the errors know it. A record shorter than a day and
          a half gives no cycle, and says so. Hours are local, by the book's offset from UTC.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally._names import unit_of
from reeftally.analysis.estimates import SITE, Estimate, iso
from reeftally.analysis.twins import EXTERNAL, INTERNAL, fit_red
from reeftally.analysis.water import solve_water
from reeftally.uncertainty import Trials

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = ["Cycle", "estimate_diel", "fit_cycle"]

DAY_S = 86400.0
HOUR_S = 3600.0
# Below a day and a half the straight line and the cycle cannot be told apart (common practice, no source).
LEAST_DAYS = 1.5
LEAST_BLOCKS = 24
# Random draws of the coefficients, for the hours of maximum and minimum.
DRAWS = 4000
# Trials of the systematic terms; a standard uncertainty from 200 is known to 5 %.
TRIALS = 200
# An hour whose 95 % interval is wider than half a day is none.
WEAK_HOURS = 12.0
METHOD = "harmonics_24h_12h"
QUANTITIES = ("ph_total", "temperature", "dic", "aragonite_saturation")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """A straight line and a cycle of 24 h and 12 h through a series."""

    coefficients: FloatArray
    """Level, slope a day, then cosine and sine of 24 h and of 12 h; (6,)."""
    covariance: FloatArray
    """Random covariance, (6, 6); residuals of neighbouring blocks alike."""
    middle: float
    """Time at which the level holds. [s]"""
    n: int
    operator: FloatArray
    """Takes a series at the good blocks to the coefficients, (6, n)."""
    good: npt.NDArray[np.bool_]
    """Which blocks were used, (blocks,) bool."""


def _design(time: FloatArray, middle: float) -> FloatArray:
    columns = [np.ones(time.size), (time - middle) / DAY_S]
    for cycles in (1.0, 2.0):
        # The phase counts from midnight UTC, so that hours can be read off.
        angle = 2.0 * np.pi * cycles * time / DAY_S
        columns += [np.cos(angle), np.sin(angle)]
    return np.stack(columns, axis=-1)


def fit_cycle(*, time: FloatArray, values: FloatArray) -> Cycle | None:
    """Fit a straight line and a cycle of 24 h and 12 h; None for fewer than 24 blocks or 1.5 days.

    Parameters
    ----------
    time : (blocks,)
        Block mid times, evenly spaced. [s since 1970]
    values : (blocks,)
        Series; NaN where there is a gap. [any unit]

    Notes
    -----
    Generalised least squares with residuals that are alike from block to block, their correlation not known
    beforehand (`reeftally.analysis.twins.fit_red`).
    """
    good = np.isfinite(values)
    if good.sum() < LEAST_BLOCKS or np.ptp(time[good]) < LEAST_DAYS * DAY_S:
        return None
    middle = float(time[good].mean())
    fit = fit_red(
        design=_design(time[good], middle), values=values[good], steps=np.flatnonzero(good).astype(np.float64)
    )
    return Cycle(
        coefficients=fit.coefficients,
        covariance=fit.covariance,
        middle=middle,
        n=int(good.sum()),
        operator=fit.operator,
        good=good,
    )


_HOURS = np.arange(0.0, 24.0, 0.05)
_ANGLE = 2.0 * np.pi * _HOURS / 24.0
# The cycle at each hour of a day in UTC as a row of its coefficients; level and slope have no part in it.
_BASIS = np.stack(
    [
        np.zeros(_HOURS.size),
        np.zeros(_HOURS.size),
        np.cos(_ANGLE),
        np.sin(_ANGLE),
        np.cos(2.0 * _ANGLE),
        np.sin(2.0 * _ANGLE),
    ]
)


def _amplitude_row(coefficients: FloatArray) -> FloatArray:
    """Return the row that gives half the swing of the 24 h part, first order about the fitted phase, (6,)."""
    amplitude = max(float(np.hypot(coefficients[2], coefficients[3])), 1e-300)
    return np.array([0.0, 0.0, coefficients[2] / amplitude, coefficients[3] / amplitude, 0.0, 0.0])


def _range_row(coefficients: FloatArray) -> FloatArray:
    """Return the row that gives highest less lowest of the cycle, first order about the fitted hours, (6,)."""
    curve = coefficients @ _BASIS
    return np.asarray(_BASIS[:, int(np.argmax(curve))] - _BASIS[:, int(np.argmin(curve))])


def _sd(row: FloatArray, covariance: FloatArray) -> float:
    """Return the standard uncertainty of a linear function of the coefficients."""
    return math.sqrt(max(float(row @ covariance @ row), 0.0))


def _draws(cycle: Cycle, seed: int) -> FloatArray:
    """Draw coefficients with their random covariance, (draws, 6)."""
    trials = Trials(seed=seed, size=DRAWS)
    unit = trials.random_blocks("coefficients of the diel cycle", blocks=np.arange(6), sd=1.0)
    values, vectors = np.linalg.eigh(cycle.covariance)
    return np.asarray(cycle.coefficients + unit @ (vectors * np.sqrt(np.maximum(values, 0.0))).T)


def _around(hours: FloatArray, centre: float) -> FloatArray:
    """Return hours of the day as the nearest ones to a centre, so that midnight parts nothing."""
    return np.asarray(centre + (hours - centre + 12.0) % 24.0 - 12.0)


def estimate_diel(chain: Chain) -> None:
    """Write the diel estimates of pH, temperature, DIC, saturation and light."""
    whole = chain.spans[0]
    use = chain.grid.mids_in(whole.start_ns, whole.end_ns)
    series: dict[str, FloatArray] = {}
    systematic: dict[str, FloatArray] = {}
    if chain.account is not None:
        water = solve_water(
            chain.context, chain.model, Trials(seed=chain.context.book.analysis.seed, size=TRIALS).without_random()
        )
        for name in QUANTITIES:
            series[name] = np.where(use, chain.account.chemistry[name][0], np.nan)
            systematic[name] = np.broadcast_to(getattr(water, name), (TRIALS, chain.grid.count))
    series["par"] = np.where(use, chain.light, np.nan)
    for name, values in series.items():
        if not np.isfinite(values).any():
            continue
        cycle = fit_cycle(time=chain.grid.seconds, values=values)
        if cycle is None:
            _refuse(chain, name, values)
            continue
        fixed = systematic.get(name)
        drawn = fixed[:, cycle.good] @ cycle.operator.T if fixed is not None else cycle.coefficients[None, :]
        _write(chain, name, cycle, np.asarray(drawn))
        if name == "ph_total" and fixed is not None:
            _night_minima(chain, cycle, np.asarray(drawn))


def _refuse(chain: Chain, name: str, values: FloatArray) -> None:
    whole = chain.spans[0]
    span = float(np.ptp(chain.grid.seconds[np.isfinite(values)])) / HOUR_S
    chain.estimates.refuse(
        quantity=f"diel_amplitude_{name}",
        method=METHOD,
        subject=SITE,
        period="mission",
        start_ns=whole.start_ns,
        end_ns=whole.end_ns,
        unit=unit_of(name),
        reason=f"a cycle needs {LEAST_BLOCKS} blocks over {LEAST_DAYS * 24:.0f} h; {name} spans {span:.1f} h",
        n=int(np.isfinite(values).sum()),
        trail="diel",
    )


def _twin_share(chain: Chain, row: FloatArray) -> float:
    """Return half of what the two references of the reef's pH sensors say differently of a cycle; 0 for one."""
    worst = 0.0
    for source in chain.model.sources.get("ph_total", []):
        channels = chain.slow[source.label].channels
        if not {INTERNAL, EXTERNAL} <= channels.keys():
            continue
        difference = np.where(np.isfinite(source.values), channels[INTERNAL].mean - channels[EXTERNAL].mean, np.nan)
        cycle = fit_cycle(time=chain.grid.seconds, values=difference)
        if cycle is not None:
            worst = max(worst, 0.5 * abs(float(row @ cycle.coefficients)))
    return worst


def _per_ph(chain: Chain, name: str, cycle: Cycle) -> float:
    """Return how much a quantity swings for each unit of pH; 0 for what does not hang on pH."""
    if name == "ph_total":
        return 1.0
    if name not in {"dic", "aragonite_saturation"} or chain.account is None:
        return 0.0
    ph, own = chain.account.chemistry["ph_total"][0], chain.account.chemistry[name][0]
    good = cycle.good & np.isfinite(ph) & np.isfinite(own)
    return abs(float(np.polyfit(ph[good], own[good], 1)[0])) if good.sum() > 2 and np.ptp(ph[good]) > 0 else 0.0


def _write(chain: Chain, name: str, cycle: Cycle, fixed: FloatArray) -> None:
    """Write amplitude, range and hours of one quantity; random and systematic parts apart."""
    whole = chain.spans[0]
    per_ph = _per_ph(chain, name, cycle)
    base = "a cycle of 24 h and 12 h beside a straight line through the whole record"
    for quantity, row, words in (
        (f"diel_amplitude_{name}", _amplitude_row(cycle.coefficients), f"half the swing of the 24 h part of {base}"),
        (f"{name}_range", _range_row(cycle.coefficients), f"highest less lowest of {base}"),
    ):
        if name == "par" and quantity == "par_range":
            # Light is nil all night and peaked at noon; two harmonics give its size and hour, not its extremes.
            continue
        spread = float(np.std(fixed @ row, ddof=1)) if fixed.shape[0] > 1 else 0.0
        chain.estimates.from_parts(
            quantity=quantity,
            method=METHOD,
            subject=SITE,
            period="mission",
            start_ns=whole.start_ns,
            end_ns=whole.end_ns,
            unit=unit_of(name),
            value=float(row @ cycle.coefficients),
            random_sd=_sd(row, cycle.covariance),
            systematic_sd=float(np.hypot(spread, per_ph * _twin_share(chain, row))),
            n=cycle.n,
            trail="diel",
            reason=words,
        )
    _hours(chain, name, cycle, base)


def _hours(chain: Chain, name: str, cycle: Cycle, base: str) -> None:
    """Write the local hours of maximum and minimum, from draws: they are no linear function of the cycle."""
    whole = chain.spans[0]
    offset = chain.context.book.site.utc_offset_h
    curves = _draws(cycle, chain.context.book.analysis.seed) @ _BASIS
    best = cycle.coefficients @ _BASIS
    for which, found, centre in (
        ("maximum", _HOURS[np.argmax(curves, axis=-1)], _HOURS[int(np.argmax(best))]),
        ("minimum", _HOURS[np.argmin(curves, axis=-1)], _HOURS[int(np.argmin(best))]),
    ):
        if name == "par" and which == "minimum":
            continue
        quantity = f"diel_hour_of_{which}_{name}"
        # Hours nearest to the fitted one, so that midnight parts nothing; the mean lies within the day.
        local = _around(np.asarray(found), float(centre)) + offset
        local = local - 24.0 * math.floor(float(np.mean(local)) / 24.0)
        lower, upper = (float(v) for v in np.percentile(local, [2.5, 97.5]))
        if upper - lower > WEAK_HOURS:
            chain.estimates.refuse(
                quantity=quantity, method=METHOD, subject=SITE, period="mission", start_ns=whole.start_ns,
                end_ns=whole.end_ns, unit="h", n=cycle.n, trail="diel",
                reason=f"the cycle is too weak to have an hour: its interval spans {upper - lower:.0f} h",
            )  # fmt: skip
            continue
        late = ", hours above 24 belong to the next day" if upper > 24.0 else ""
        early = ", hours below 0 to the day before" if lower < 0.0 else ""
        chain.estimates.add(
            Estimate(
                quantity=quantity, method=METHOD, subject=SITE, period="mission", start=iso(whole.start_ns),
                end=iso(whole.end_ns), value=float(np.mean(local)), unit="h", lower=lower, upper=upper,
                random_sd=float(np.std(local, ddof=1)), systematic_sd=0.0, n=cycle.n, trail="diel",
                reason=f"local hour of the {which} of {base}{late}{early}",
            )
        )  # fmt: skip


def _night_minima(chain: Chain, cycle: Cycle, fixed: FloatArray) -> None:
    """Write the lowest pH of every night's fitted curve, its level's systematic error with it."""
    for span in chain.spans:
        if span.kind != "night":
            continue
        inside = chain.grid.mids_in(span.start_ns, span.end_ns) & cycle.good
        if inside.sum() < 4:
            continue
        design = _design(chain.grid.seconds[inside], cycle.middle)
        curve = design @ cycle.coefficients
        at = int(np.argmin(curve))
        row = design[at]
        chain.estimates.from_parts(
            quantity="ph_total_night_minimum",
            method=METHOD,
            subject=SITE,
            period="night",
            start_ns=span.start_ns,
            end_ns=span.end_ns,
            unit="",
            value=float(curve[at]),
            random_sd=_sd(row, cycle.covariance),
            systematic_sd=float(np.std(fixed @ row, ddof=1)),
            n=int(inside.sum()),
            trail="diel",
            reason="lowest of the night on the fitted cycle" + ("" if span.complete else "; night cut by the mission"),
        )
