"""Estimates of fluxes and of the current over periods.

Here:     means of block fluxes over nights, days, 24 h and the mission, with what was left out said.
Not here: the block fluxes (`fluxes`, `currents`).
Rules:    blocks refused by physics are filled from the other blocks of the same record by light and hour, and the
          share that was filled is said; day sums are 24 times the mean.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.analysis.context import Context
from reeftally.analysis.currents import Currents
from reeftally.analysis.estimates import SITE, Estimates
from reeftally.analysis.fluxes import CovarianceBlocks, GradientBlocks
from reeftally.analysis.gaps import fill_error
from reeftally.analysis.grid import Grid
from reeftally.analysis.periods import Span

__all__ = [
    "RATE",
    "SUM",
    "PeriodFlux",
    "estimate_currents",
    "estimate_flux_series",
    "estimate_offsets",
    "fill_series",
    "refuse_covariance",
]

RATE = "mmol m-2 h-1"
SUM = "mmol m-2 d-1"
# With less than this share of a period's blocks the mean is not given.
LEAST_SHARE = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodFlux:
    """Mean of a flux over one period."""

    span: Span
    value: float
    random_sd: float
    systematic_sd: float
    n: int
    filled: int
    """Blocks of the period that were filled."""
    budget: dict[str, float]


def fill_series(values: FloatArray, light: FloatArray, current: FloatArray) -> tuple[FloatArray, float]:
    """Fill missing blocks from light and current by least squares on the blocks that are there.

    Parameters
    ----------
    values : (n,) array
        Flux; NaN where missing.
    light : (n,) array
        Photosynthetic light; NaN where unknown. [µmol m-2 s-1]
    current : (n,) array
        Speed or friction velocity, any unit; NaN where unknown.

    Returns
    -------
    (filled, sd)
        The series with missing blocks filled, and the standard deviation of one filled block about the truth
        (residuals of the fit).

    Notes
    -----
    Regressors: mean, the saturating light ``tanh(I / I_half)`` with I_half the median daylight, and the square root
    of the current: missing blocks lie mostly at slack, where a logarithm would run away. Only missing blocks are
    replaced.
    """
    good = np.isfinite(values)
    if good.all() or good.sum() < 8:
        return values.copy(), float(np.nanstd(values)) if good.any() else np.nan
    bright = light[np.isfinite(light) & (light > 5.0)]
    half = float(np.median(bright)) if bright.size > 4 else 300.0
    shade = np.tanh(np.where(np.isfinite(light), light, 0.0) / half)
    known = np.isfinite(current) & (current >= 0)
    root = np.sqrt(np.where(known, current, np.nan))
    # Where the current itself is unknown the block stands at the mean current: a gap is not slack water.
    root = np.where(known, root, np.nanmean(root) if known.any() else 0.0)
    design = np.column_stack([np.ones(values.size), shade, root / (root.max() or 1.0)])
    usable = design[:, np.ptp(design[good], axis=0) > 1e-6]
    usable = np.column_stack([np.ones(values.size), usable])
    coefficients, *_ = np.linalg.lstsq(usable[good], values[good], rcond=None)
    fitted = usable @ coefficients
    rest = values[good] - fitted[good]
    return np.where(good, values, fitted), float(np.std(rest, ddof=min(usable.shape[1], int(good.sum()) - 1)))


def _mean_over(
    grid: Grid, span: Span, values: FloatArray, filled: FloatArray, fill_sd: float
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_], float, float]:
    """Return the period's blocks, which of them were measured, their mean, and the random error of the filling."""
    inside = grid.mids_in(span.start_ns, span.end_ns)
    measured = inside & np.isfinite(values)
    count = int(inside.sum())
    missing = int((inside & ~measured).sum())
    mean = float(filled[inside].mean()) if count else np.nan
    # Neighbouring filled blocks err alike: four of them (an hour) count as one.
    error = fill_sd * missing / max(count, 1) / np.sqrt(max(missing / 4.0, 1.0)) if missing else 0.0
    return inside, measured, mean, error


def estimate_flux_series(
    context: Context,
    grid: Grid,
    spans: list[Span],
    source: CovarianceBlocks | GradientBlocks,
    currents: Currents,
    light: FloatArray,
    estimates: Estimates,
    *,
    quantity: str,
    method: str,
    trail: str,
) -> list[PeriodFlux]:
    """Write the means of one flux by one method over all periods."""
    values = source.series("flux", grid.count)
    whole = spans[0]
    inside_mission = grid.mids_in(whole.start_ns, whole.end_ns)
    current = currents.filled.value
    filled = np.full(grid.count, np.nan)
    part, fill_sd = fill_series(values[inside_mission], light[inside_mission], current[inside_mission])
    filled[inside_mission] = part
    out: list[PeriodFlux] = []
    for span in spans:
        inside, measured, mean, fill_error = _mean_over(grid, span, values, filled, fill_sd)
        common: dict[str, Any] = {
            "quantity": quantity, "method": method, "subject": SITE, "period": span.kind,
            "start_ns": span.start_ns, "end_ns": span.end_ns, "trail": trail,
        }  # fmt: skip
        share = measured.sum() / max(int(inside.sum()), 1)
        if share < LEAST_SHARE or not np.isfinite(mean):
            estimates.refuse(
                **common, unit=RATE, n=int(measured.sum()),
                reason=f"only {measured.sum()} of {inside.sum()} blocks have a flux ({100 * share:.0f} %)",
            )  # fmt: skip
            continue
        random, systematic, budget = _parts_over(source, grid, measured)
        random = float(np.hypot(random * share, fill_error))
        budget = {**budget, "filled blocks": fill_error}
        n_filled = int((inside & ~measured).sum())
        reason = f"{n_filled} of {inside.sum()} blocks filled by light and current" if n_filled else ""
        if not span.complete:
            reason = "; ".join(filter(None, [reason, "period cut by the mission"]))
        if isinstance(source, GradientBlocks):
            reason = "; ".join(filter(None, [reason, *source.notes]))
        result = PeriodFlux(
            span=span, value=mean, random_sd=random, systematic_sd=systematic, n=int(measured.sum()),
            filled=n_filled, budget=budget,
        )  # fmt: skip
        out.append(result)
        _write(estimates, result, common, RATE, 1.0, reason)
        if span.kind == "24h":
            _write(estimates, result, common, SUM, 24.0, reason)
    return out


def refuse_covariance(context: Context, span: Span, estimates: Estimates) -> None:
    """Say why there is no covariance flux where a fast sensor stands beside a velocimeter and was recorded."""
    for place in context.book.deployments:
        if place.velocimeter is None or not context.has(place.instrument):
            continue
        reason = f"no block of {place.instrument} beside {place.velocimeter} has oxygen that can be used"
        if context.book.instrument(place.instrument).salinity_setting is not None:
            reason += "; a sensor that reports by volume needs the salinity of the water"
        estimates.refuse(
            quantity="oxygen_flux", method="covariance", subject=SITE, period=span.kind, start_ns=span.start_ns,
            end_ns=span.end_ns, unit=RATE, n=0, trail="covariance", reason=reason,
        )  # fmt: skip
        return


def _write(
    estimates: Estimates, result: PeriodFlux, common: dict[str, Any], unit: str, factor: float, reason: str
) -> None:
    row = estimates.from_parts(
        **common,
        unit=unit,
        value=factor * result.value,
        random_sd=factor * result.random_sd,
        systematic_sd=factor * result.systematic_sd,
        n=result.n,
        reason=reason,
    )
    total = sum(v**2 for v in result.budget.values())
    if total > 0:
        shares = sorted(((v**2 / total, name) for name, v in result.budget.items()), reverse=True)
        text = "; ".join(f"{name.replace('_', ' ')} {share:.2f}" for share, name in shares[:4] if share >= 0.02)
        estimates.rows[-1] = replace(row, budget=text)


def _parts_over(
    source: CovarianceBlocks | GradientBlocks, grid: Grid, measured: npt.NDArray[np.bool_]
) -> tuple[float, float, dict[str, float]]:
    """Return random and systematic standard uncertainty of the mean of measured blocks, and the budget."""
    if isinstance(source, GradientBlocks):
        mean = source.flux.mean(where=measured[source.use])
        return mean.random_sd, mean.systematic_sd, mean.budget
    random = source.series("random_sd", grid.count)[measured]
    systematic = source.series("systematic_sd", grid.count)[measured]
    n = random.size
    own = float(np.sqrt(np.nansum(random**2)) / n)
    # Lag, response and gain err alike in all blocks.
    common = float(np.nanmean(systematic))
    return own, common, {"turbulence sampling": own, "lag, response, gain": common}


def estimate_currents(
    context: Context, grid: Grid, spans: list[Span], currents: Currents, estimates: Estimates
) -> None:
    """Write friction velocity (best and by route), roughness and dissipation over periods."""
    site = SITE
    series: list[tuple[str, FloatArray, FloatArray, FloatArray]] = [
        (
            "best_of_three",
            currents.friction_velocity,
            currents.friction_velocity_random_sd,
            currents.friction_velocity_systematic_sd,
        )
    ]
    series += [
        (method, value, random, currents.systematic[method]) for method, (value, random) in currents.estimates.items()
    ]
    for span in spans:
        inside = grid.mids_in(span.start_ns, span.end_ns)
        for method, value, random, systematic in series:
            good = inside & np.isfinite(value)
            common: dict[str, Any] = {
                "quantity": "friction_velocity", "method": method, "subject": site, "period": span.kind,
                "start_ns": span.start_ns, "end_ns": span.end_ns, "unit": "m s-1", "trail": "currents",
            }  # fmt: skip
            share = good.sum() / max(int(inside.sum()), 1)
            if share < LEAST_SHARE:
                estimates.refuse(
                    **common, n=int(good.sum()), reason=f"only {good.sum()} of {inside.sum()} blocks have a value"
                )
                continue
            mean, spread, unknown = _mean_with_gaps(value, currents, inside)
            missing = 1.0 - share
            estimates.from_parts(
                **common,
                value=mean,
                random_sd=float(np.hypot(np.sqrt(np.nansum(random[good] ** 2)) / inside.sum(), spread)),
                systematic_sd=float(np.nanmean(systematic[good])),
                n=int(good.sum()),
                reason=_said(missing, unknown),
            )
    _estimate_roughness(context, grid, spans[0], currents, estimates)


def _said(missing: float, unknown: float) -> str:
    """Return what a mean with gaps has to say about them."""
    parts = [f"{100 * missing:.0f} % of the blocks filled"] if missing > 0.005 else []
    if unknown > 0.005:
        parts.append(f"{100 * unknown:.0f} % without current or tide stand at the mean of the rest")
    return "; ".join(parts)


def _mean_with_gaps(value: FloatArray, currents: Currents, inside: npt.NDArray[np.bool_]) -> tuple[float, float, float]:
    """Return the mean of a period's friction velocity, the error of what was filled, and the share not known at all.

    A block that this route refused stands at the filled best value (`gaps`) times the usual ratio of the two.
    """
    best, course = currents.friction_velocity, currents.filled
    both = np.isfinite(value) & np.isfinite(best)
    ratios = value[both] / best[both]
    ratio = float(np.median(ratios)) if both.any() else 1.0
    scatter = 1.4826 * float(np.median(np.abs(ratios - ratio))) if both.sum() > 3 else 0.2
    good = np.isfinite(value)
    filled = np.where(good, value, ratio * course.value)[inside]
    by_best = ~good & (course.source == 0)
    sd = np.where(good, 0.0, np.where(by_best, scatter * best, ratio * course.sd))[inside]
    source = np.where(good, 0, np.where(by_best, 1, course.source))[inside]
    unknown = ~np.isfinite(filled)
    error = fill_error(sd, source)
    if unknown.any():
        # The rest of the period stands for what is not known; its spread is what that can be wrong by.
        spread = float(np.nanstd(filled)) * unknown.mean() / np.sqrt(max(unknown.sum() / 12.0, 1.0))
        error = float(np.hypot(error, spread))
    return float(np.nanmean(filled)), error, float(unknown.mean())


def _estimate_roughness(context: Context, grid: Grid, span: Span, currents: Currents, estimates: Estimates) -> None:
    """Write the apparent roughness of the mission: the median of the logarithms, which a few bad fits cannot move."""
    good = grid.mids_in(span.start_ns, span.end_ns) & np.isfinite(currents.roughness) & (currents.roughness > 0)
    common: dict[str, Any] = {
        "quantity": "roughness_length", "method": "log_law", "subject": SITE, "period": "mission",
        "start_ns": span.start_ns, "end_ns": span.end_ns, "unit": "m", "trail": "currents",
    }  # fmt: skip
    if good.sum() < 8:
        if np.isfinite(currents.roughness).any():
            estimates.refuse(**common, reason=f"only {good.sum()} log-law fits", n=int(good.sum()))
        return
    logs = np.log(currents.roughness[good])
    centre = float(np.median(logs))
    spread = 1.4826 * float(np.median(np.abs(logs - centre)))
    # One displacement for all blocks; the offset of the profiler works against itself when the tide turns.
    shift = float(
        np.hypot(
            np.nanmedian(currents.log_roughness_systematic_sd[good]), np.nanmean(currents.log_roughness_by_offset[good])
        )
    )
    value = float(np.exp(centre))
    estimates.from_parts(
        **common,
        value=value,
        random_sd=value * 1.2533 * spread / np.sqrt(good.sum()),
        systematic_sd=value * shift,
        n=int(good.sum()),
    )


def estimate_offsets(
    context: Context,
    gradients: list[GradientBlocks],
    estimates: Estimates,
    grid: Grid,
) -> None:
    """Write the offsets that the swaps moved, at the middle of the record."""
    units = {"oxygen": "µmol kg-1", "ph_total": ""}
    for blocks in gradients:
        middle = int(grid.mids[blocks.use].mean())
        for label, (_, _, after, after_sd) in blocks.offset_change.items():
            if not blocks.flux.offsets.swapped:
                continue
            estimates.from_parts(
                quantity="sensor_offset",
                method="swap",
                subject=label,
                period="instant",
                start_ns=middle,
                end_ns=middle,
                unit=units[blocks.quantity],
                value=after,
                random_sd=0.0,
                systematic_sd=after_sd,
                n=int(blocks.use.sum()),
                trail="gradient",
                channel=blocks.quantity,
            )
