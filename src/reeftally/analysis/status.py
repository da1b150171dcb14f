"""The state of a site, year by year, against its own history.

Here:     mean, night minimum, daily range, hours below the site's own value, reef minus reference, and their ranks.
Not here: trends (`estimate_years`).
Rules:    a year is told only when every month of it was measured; errors that years share (one sensor, one laboratory)
          are drawn once, so they do not make a year stand out from its neighbours. No value from elsewhere is a limit.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from reeftally import ledger
from reeftally._checks import FloatArray
from reeftally.analysis.context import Context
from reeftally.analysis.estimates import Estimate, Estimates, iso
from reeftally.analysis.grid import Grid
from reeftally.analysis.long_record import StationRecord, years_since
from reeftally.analysis.offsets import LABORATORY_SD

__all__ = ["estimate_status"]

DRAWS = 400
"""Trials of the errors that years share."""
SITE_VALUE = "ph_site_value"


@dataclass(slots=True, kw_only=True)
class _Year:
    """One calendar year of the record."""

    start_ns: int
    end_ns: int
    complete: bool
    measured: int
    """Months."""
    values: dict[str, FloatArray]
    """Draws by quantity, (draws,)."""
    n: int
    bias: dict[str, float] = field(default_factory=dict)
    """By how much noise of the blocks was found to move a mean of extremes; taken off its value."""


def estimate_status(
    context: Context, grid: Grid, record: StationRecord, reference: StationRecord | None, estimates: Estimates
) -> None:
    """Write the state of every year, and the ranks of the newest complete one."""
    rng = np.random.default_rng(np.random.SeedSequence([context.book.analysis.seed, 7]))
    on = record.deployment >= 0
    at = years_since(context.book, grid.mids)
    labels = np.asarray(record.labels)
    shapes = np.zeros((grid.count, record.shapes.shape[1]))
    shapes[on] = record.referred.shapes(label=labels[record.deployment[on]], time=at[on])
    # What all bottles of the laboratory share moves every year alike; it has no part in reef minus reference.
    drawn = rng.standard_normal((shapes.shape[1], DRAWS))
    laboratory = LABORATORY_SD["ph_total"] * rng.standard_normal(DRAWS)
    other = None if reference is None else rng.standard_normal((reference.shapes.shape[1], DRAWS))
    chosen = context.book.reference(SITE_VALUE)
    nights = [(row.start_ns, row.end_ns) for row in context.book.nights() if row.complete]
    years = []
    for first in range(0, record.month.size - 11, 12):
        edges = record.month_edges_ns[first : first + 13]
        inside = grid.mids_in(int(edges[0]), int(edges[-1])) & np.isfinite(record.corrected)
        measured = int(np.isfinite(record.monthly[first : first + 12]).sum())
        year = _Year(
            start_ns=int(edges[0]), end_ns=int(edges[-1]), complete=measured == 12, measured=measured, values={},
            n=int(inside.sum()),
        )  # fmt: skip
        years.append(year)
        if not year.complete:
            continue
        error = shapes[inside] @ drawn
        noise = record.noise_sd * rng.standard_normal(int(inside.sum()))
        value = None if chosen is None else chosen.value
        _fill(year, grid, record.corrected, inside, error, laboratory, nights, value, noise)
        if reference is not None and other is not None and np.isfinite(reference.monthly[first : first + 12]).all():
            # Mean over the months, each weighted by its hours, at both stations alike.
            weight = np.diff(edges) / float(edges[-1] - edges[0])
            part = slice(first, first + 12)
            difference = float(weight @ (record.monthly[part] - reference.monthly[part]))
            spread = weight @ record.shapes[part] @ drawn - weight @ reference.shapes[part] @ other
            year.values["ph_reef_minus_reference"] = difference - spread
    _write(record, years, estimates)
    _ranks(record, years, estimates)


def _fill(
    year: _Year,
    grid: Grid,
    ph: FloatArray,
    inside: npt.NDArray[np.bool_],
    error: FloatArray,
    laboratory: FloatArray,
    nights: list[tuple[int, int]],
    site_value: float | None,
    noise: FloatArray,
) -> None:
    """Compute what one year was, in every draw of the calibration errors.

    Noise makes minima too low and ranges too wide. By how much is seen by adding as much noise once more.
    """
    values, mids = ph[inside], grid.mids[inside]
    # Errors move slowly: their mean over a night or a day is that of its hours.
    year.values["ph_total"] = values.mean() - error.mean(axis=0) - laboratory
    low: list[int] = []
    again = values + noise
    lower: list[float] = []
    for start, end in nights:
        if year.start_ns <= start < year.end_ns:
            a, b = np.searchsorted(mids, [start, end])
            # A night with less than half of its blocks has no minimum worth the name.
            if (b - a) * grid.block_ns >= 0.5 * (end - start):
                low.append(a + int(np.argmin(values[a:b])))
                lower.append(float(again[a:b].min() - values[a:b].min()))
    if low:
        bias = year.bias["ph_total_night_minimum"] = float(np.mean(lower))
        year.values["ph_total_night_minimum"] = values[low].mean() - bias - error[low].mean(axis=0) - laboratory
    day = (mids - year.start_ns) // 86_400_000_000_000
    starts = np.flatnonzero(np.diff(np.concatenate([[-1], day])))
    if starts.size:
        full = np.diff(np.concatenate([starts, [day.size]])) * grid.block_ns >= 0.9 * 86_400_000_000_000
        span, wider = (np.maximum.reduceat(v, starts) - np.minimum.reduceat(v, starts) for v in (values, again))
        if full.any():
            # An offset has no part in a range.
            bias = year.bias["ph_total_daily_range"] = float((wider - span)[full].mean())
            year.values["ph_total_daily_range"] = np.full(laboratory.size, float(span[full].mean()) - bias)
    if site_value is not None:
        hours = grid.block_ns / 3.6e12
        below = np.array([(values - error[:, k] - laboratory[k] < site_value).sum() for k in range(laboratory.size)])
        year.values["ph_total_hours_below_site_value"] = below * hours


_UNITS = {"ph_total_hours_below_site_value": "h"}
_WORDS = {
    "ph_total": "mean of the year",
    "ph_total_night_minimum": "mean over nights of the lowest block",
    "ph_total_daily_range": "mean over days of highest minus lowest block",
    "ph_total_hours_below_site_value": "blocks below the value that the book gives as the site's own",
    "ph_reef_minus_reference": "the local share: mean of the year at the reef minus that at the reference",
}


_EXTREMES = ("ph_total_night_minimum", "ph_total_daily_range")


def _spread(record: StationRecord, quantity: str, year: _Year) -> tuple[float, float]:
    """Return what the draws of calibration errors do not hold: random sd, and sd of the bias taken off extremes."""
    if quantity == "ph_total_hours_below_site_value":
        return 0.0, 0.0
    independent = 365.0 if quantity in _EXTREMES else float(max(year.n, 1))
    # Noise added to noise shows its effect only to about half (common practice, no source).
    return record.noise_sd / float(np.sqrt(independent)), 0.5 * abs(year.bias.get(quantity, 0.0))


def _write(record: StationRecord, years: list[_Year], estimates: Estimates) -> None:
    for year in years:
        for quantity in _WORDS:
            common: dict[str, Any] = {
                "quantity": quantity, "method": "hours_referred_to_bottles", "subject": record.name, "period": "season",
                "start": iso(year.start_ns), "end": iso(year.end_ns), "unit": _UNITS.get(quantity, ""),
                "trail": "history", "n": year.n,
            }  # fmt: skip
            draws = year.values.get(quantity)
            if draws is None:
                if not year.complete and quantity == "ph_total":
                    reason = f"{year.measured} of 12 months were measured; a year with gaps is not comparable"
                    estimates.add(Estimate(**common, value=None, lower=None, upper=None, flag=4, reason=reason))
                continue
            estimates.add(_row(record, year, quantity, draws, common))


def _row(record: StationRecord, year: _Year, quantity: str, draws: FloatArray, common: dict[str, Any]) -> Estimate:
    random, bias = _spread(record, quantity, year)
    value, extra = float(draws.mean()), float(np.hypot(random, bias))
    low, high = (float(v) for v in np.percentile(draws, [2.5, 97.5]))
    lower = value - float(np.hypot(value - low, 1.96 * extra))
    upper = value + float(np.hypot(high - value, 1.96 * extra))
    if quantity == "ph_total_hours_below_site_value":
        lower = max(lower, 0.0)
    return Estimate(
        **common, value=value, lower=lower, upper=upper, random_sd=random,
        systematic_sd=float(np.hypot(np.std(draws, ddof=1), bias)),
        reason=_WORDS[quantity],
    )  # fmt: skip


def _ranks(record: StationRecord, years: list[_Year], estimates: Estimates) -> None:
    """Write the place of the newest complete year among the complete years before it; 1 is the lowest."""
    complete = [year for year in years if year.complete]
    if len(complete) < 2:
        return
    newest, earlier = complete[-1], complete[:-1]
    for quantity in _WORDS:
        draws = newest.values.get(quantity)
        if draws is None:
            continue
        history = [year.values[quantity] for year in earlier if quantity in year.values]
        if not history:
            continue
        means = [float(past.mean()) for past in history]
        random, _ = _spread(record, quantity, newest)
        best = ledger.rank_in_history(value=float(draws.mean()), sd=random, history=means)
        places = 1 + np.sum([past < draws for past in history], axis=0)
        lower = min(float(np.percentile(places, 2.5)), float(best.lower))
        upper = max(float(np.percentile(places, 97.5)), float(best.upper))
        estimates.add(
            Estimate(
                quantity=f"{quantity}_rank", method="draws_of_shared_errors", subject=record.name, period="season",
                start=iso(newest.start_ns), end=iso(newest.end_ns), value=float(best.rank), unit="1", lower=lower,
                upper=upper, random_sd=0.0, systematic_sd=float(np.std(places, ddof=1)), n=best.of, trail="history",
                reason=f"place among {best.of} complete years, 1 is the lowest",
            )
        )  # fmt: skip
