"""Estimates of the DIC flux from pH: with alkalinity from the budget of the water, and with oxygen.

Here:     from the flux of pH (DIC at constant alkalinity) to DIC, by two routes.
Not here: the gradient flux itself (`fluxes`), the alkalinity budget (`reeftally.exchange`).
Rules:    what the alkalinity flux is not known to goes into the interval; the route with oxygen is a bound where
          it amplifies the error of pH beyond use, and says so.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from reeftally import exchange
from reeftally.analysis.estimate_fluxes import LEAST_SHARE, RATE, SUM, PeriodFlux, fill_series
from reeftally.analysis.estimates import COMMUNITY, SITE, Estimates
from reeftally.analysis.grid import NS
from reeftally.analysis.offsets import usable_bottles
from reeftally.exchange._common import FluxEstimate

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = ["AlkalinityFlux", "alkalinity_flux", "estimate_dic_fluxes"]

# Standard deviation of the alkalinity flux of a night or a day about the mission's mean: twice the swing of net
# calcification of a rubble or coral community between night and noon, about 2 mmol m-2 h-1 (common practice, no
# source).
WITHIN_DAY_SD = 2.0
# What is known of the mean alkalinity flux of a reef without any bottle: net calcification of 0 to 5 mmol m-2 h-1.
UNKNOWN_SD = 5.0


class AlkalinityFlux(tuple[float, float]):
    """Mean alkalinity flux and its standard uncertainty. [mmol m-2 h-1]"""


def alkalinity_flux(chain: Chain) -> FluxEstimate | None:
    """Return the mean alkalinity flux off the bed from bottles inside and outside; None without bottles."""
    context, site = chain.context, chain.context.book.site
    if site.residence_time_h is None:
        return None
    inside = {row.name for row in context.book.stations if row.role in {"bed", "ambient"}}
    outside = {row.name for row in context.book.stations_of_role("reference")}
    whole = chain.spans[0]
    bottles = [
        (b, value, sd)
        for b, value, sd in usable_bottles(context, "total_alkalinity")
        if whole.start_ns <= b.time_ns < whole.end_ns
    ]
    reef = [row for row in bottles if row[0].station in inside]
    ref = [row for row in bottles if row[0].station in outside]
    if len(reef) < 6 or len(ref) < 2:
        return None
    per_mass = chain.density / 1000.0

    def column(rows: list[Any], index: int) -> np.ndarray:
        return np.array([row[index] for row in rows]) * per_mass

    line = context.book.reference("mixing_line_alkalinity_at_zero_salinity")
    zero = line.value if line is not None else 0.0
    level = float(np.mean([row[1] for row in ref]))
    salt = all(row[0].salinity is not None for row in bottles)
    return exchange.alkalinity_budget(
        time=np.array([row[0].time_ns / NS for row in reef]),
        alkalinity=column(reef, 1),
        alkalinity_sd=column(reef, 2),
        reference_time=np.array([row[0].time_ns / NS for row in ref]),
        reference_alkalinity=column(ref, 1),
        reference_alkalinity_sd=column(ref, 2),
        depth=site.water_depth_m,
        residence_time=site.residence_time_h,
        residence_time_sd=site.residence_time_sd_h or 0.0,
        salinity=np.array([row[0].salinity for row in reef]) if salt else None,
        reference_salinity=np.array([row[0].salinity for row in ref]) if salt else None,
        alkalinity_per_salinity=per_mass * (level - zero) / 35.0 if salt else 0.0,
        start=whole.start_ns / NS,
        end=whole.end_ns / NS,
    )


def estimate_dic_fluxes(chain: Chain, per: tuple[float, float]) -> None:
    """Write the DIC flux of every period by pH with alkalinity, and by pH with oxygen; and the alkalinity flux."""
    budget = alkalinity_flux(chain)
    site = SITE
    whole = chain.spans[0]
    known = budget is not None and np.isfinite(float(budget.value))
    if known and budget is not None:
        value, random, systematic = (float(x) for x in (budget.value, budget.random_sd, budget.systematic_sd))
        chain.estimates.from_parts(
            quantity="alkalinity_flux", method="budget_of_bottles", subject=site, period="mission",
            start_ns=whole.start_ns, end_ns=whole.end_ns, unit=RATE, value=value, random_sd=random,
            systematic_sd=systematic, n=int(budget.n), trail="alkalinity_budget",
        )  # fmt: skip
        chain.estimates.from_parts(
            quantity="net_community_calcification", method="budget_of_bottles", subject=COMMUNITY, period="mission",
            start_ns=whole.start_ns, end_ns=whole.end_ns, unit=RATE, value=-0.5 * value, random_sd=0.5 * random,
            systematic_sd=0.5 * systematic, n=int(budget.n), trail="alkalinity_budget",
        )  # fmt: skip
        mean, mean_sd = value, float(np.hypot(random, systematic))
    else:
        mean, mean_sd = 0.0, UNKNOWN_SD
    carbon = next((g for g in chain.gradients if g.quantity == "ph_total"), None)
    if carbon is None or not np.isfinite(per[0]):
        return
    ratio = per[1] / per[0]
    series = carbon.series("flux", chain.grid.count)
    whole_mask = chain.grid.mids_in(whole.start_ns, whole.end_ns)
    filled = np.full(chain.grid.count, np.nan)
    part, fill_sd = fill_series(series[whole_mask], chain.light[whole_mask], chain.currents.filled.value[whole_mask])
    filled[whole_mask] = part
    oxygen = {row.span: row for row in chain.fluxes.get(("oxygen_flux", "gradient"), [])}
    for span in chain.spans:
        inside = chain.grid.mids_in(span.start_ns, span.end_ns)
        measured = inside & np.isfinite(series)
        share = measured.sum() / max(int(inside.sum()), 1)
        common: dict[str, Any] = {
            "quantity": "dic_flux", "subject": site, "period": span.kind, "start_ns": span.start_ns,
            "end_ns": span.end_ns, "n": int(measured.sum()),
        }  # fmt: skip
        if share < LEAST_SHARE:
            chain.estimates.refuse(
                **common, method="gradient_ph_alkalinity", unit=RATE, trail="gradient_dic",
                reason=f"only {measured.sum()} of {inside.sum()} blocks have a pH gradient and mixing"
                + _silent(chain, carbon.labels, inside),
            )  # fmt: skip
            continue
        found = carbon.flux.mean(where=measured[carbon.use])
        missing = int((inside & ~measured).sum())
        fill = fill_sd * missing / max(int(inside.sum()), 1) / np.sqrt(max(missing / 4.0, 1.0)) if missing else 0.0
        random = float(np.hypot(found.random_sd * share, fill))
        value = float(filled[inside].mean())
        # The mission's mean alkalinity flux is shared by its nights and days; within a day it swings.
        swing = 0.0 if span.kind in {"mission", "24h"} else WITHIN_DAY_SD
        alkalinity_sd = float(np.hypot(mean_sd, swing))
        parts = {**found.budget, "alkalinity flux": abs(ratio) * alkalinity_sd}
        systematic = float(np.hypot(found.systematic_sd, abs(ratio) * alkalinity_sd))
        result = PeriodFlux(
            span=span, value=value - ratio * mean, random_sd=random, systematic_sd=systematic,
            n=int(measured.sum()), filled=missing, budget=parts,
        )  # fmt: skip
        said = "alkalinity flux from the budget of bottles" if known else "alkalinity flux not measured"
        said = "; ".join([said, *carbon.notes])
        _add(chain.estimates, result, {**common, "method": "gradient_ph_alkalinity", "trail": "gradient_dic"}, said)
        if span in oxygen:
            _with_oxygen(chain, result, found.systematic_sd, value, ratio, oxygen[span], common, carbon.notes)


def _silent(chain: Chain, labels: tuple[str, ...], inside: np.ndarray) -> str:
    """Name the sensors of the mast that have no good value in most of a period: a gradient needs two of them."""
    without = [
        label
        for label in labels
        if np.isfinite(chain.slow[label].channels["ph_total"].mean[inside]).mean() < LEAST_SHARE
    ]
    return (
        f"; {', '.join(without)} {'has' if len(without) == 1 else 'have'} no good pH in most of them" if without else ""
    )


def _add(estimates: Estimates, result: PeriodFlux, common: dict[str, Any], reason: str, flag: int = 1) -> None:
    factors = ((RATE, 1.0), (SUM, 24.0)) if result.span.kind == "24h" else ((RATE, 1.0),)
    total = sum(v**2 for v in result.budget.values())
    shares = sorted(((v**2 / total, name) for name, v in result.budget.items()), reverse=True) if total > 0 else []
    text = "; ".join(f"{name.replace('_', ' ')} {share:.2f}" for share, name in shares[:4] if share >= 0.02)
    for unit, factor in factors:
        row = estimates.from_parts(
            **common, unit=unit, value=factor * result.value, random_sd=factor * result.random_sd,
            systematic_sd=factor * result.systematic_sd, reason=reason, flag=flag,
        )  # fmt: skip
        estimates.rows[-1] = replace(row, budget=text)


def _with_oxygen(
    chain: Chain, result: PeriodFlux, ph_systematic: float, ph_flux: float, ratio: float, oxygen: PeriodFlux,
    common: dict[str, Any], notes: tuple[str, ...],
) -> None:  # fmt: skip
    """Write the DIC flux from pH and oxygen together: two fluxes, two unknowns (DIC and alkalinity).

    ``F_pH = F_DIC + (b/a) F_TA`` and ``F_DIC = -F_O2 / PQ + F_TA / 2``.
    """
    analysis = chain.context.book.analysis
    denominator = ratio + 0.5
    respired = oxygen.value / analysis.pq
    alkalinity = (ph_flux + respired) / denominator
    value = -respired + 0.5 * alkalinity
    d_ph = 0.5 / denominator
    d_respired = -1.0 + 0.5 / denominator
    pq_part = abs(d_respired * respired) * analysis.pq_sd / analysis.pq
    random = float(np.hypot(d_ph * result.random_sd, d_respired * oxygen.random_sd / analysis.pq))
    # Friction velocity, heights and the von Karman constant move both fluxes together; counted apart they are
    # on the safe side.
    systematic = float(
        np.sqrt((d_ph * ph_systematic) ** 2 + (d_respired * oxygen.systematic_sd / analysis.pq) ** 2 + pq_part**2)
    )
    parts = {
        "pH flux": abs(d_ph) * float(np.hypot(result.random_sd, ph_systematic)),
        "oxygen flux": abs(d_respired) / analysis.pq * float(np.hypot(oxygen.random_sd, oxygen.systematic_sd)),
        "photosynthetic quotient": pq_part,
    }
    both = replace_flux(result, value, random, systematic, parts)
    _add(
        chain.estimates, both, {**common, "method": "gradient_ph_oxygen", "trail": "gradient_dic"},
        "; ".join(["pH and oxygen together; amplifies the error of both", *notes]), flag=3,
    )  # fmt: skip


def replace_flux(
    result: PeriodFlux, value: float, random: float, systematic: float, parts: dict[str, float]
) -> PeriodFlux:
    """Return a period's flux with other numbers."""
    return replace(result, value=value, random_sd=random, systematic_sd=systematic, budget=parts)
