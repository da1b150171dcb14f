"""Estimates of the account: parts of the change of pH and saturation for every period, in trials.

Here:     streaming trials in batches, parts by driver and method, the state of the water, the global part alone
          where there is no reference water.
Not here: the split (`reeftally.ledger`), the waters (`water`).
Rules:    every trial's parts add to its total to 1e-6; parts are never clipped; an account that cannot be made is a
          refused estimate that names what is missing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from reeftally import ledger
from reeftally._checks import FloatArray
from reeftally.analysis.account import Air, Passage, account_of_period, gas_passage, mixing_line
from reeftally.analysis.estimates import SITE
from reeftally.analysis.water import WaterTrials, mission_constants, solve_water
from reeftally.ledger import State
from reeftally.uncertainty import Trials

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = ["AccountSeries", "estimate_account"]

BLOCKS_AT_ONCE = 192
PREFIX = {"ph_total": "ph_change", "aragonite_saturation": "aragonite_saturation_change"}
METHODS = ("shapley_from_past", "shapley_from_reference")


@dataclass(slots=True, kw_only=True)
class AccountSeries:
    """Block series of the water and the account: mean over trials and the two parts."""

    chemistry: dict[str, tuple[FloatArray, FloatArray, FloatArray]] = field(default_factory=dict)
    """By name: mean, random sd, systematic sd; (blocks,)."""
    drivers: tuple[str, ...] = ()
    effects: dict[str, tuple[FloatArray, FloatArray, FloatArray]] = field(default_factory=dict)
    """By quantity (from the reference): mean, random sd, systematic sd; (drivers, blocks)."""
    worst_sum: float = 0.0
    """Largest difference between parts and total in any trial."""


@dataclass(slots=True)
class _Collected:
    """Samples of one estimate over batches, with and without the random terms."""

    full: list[FloatArray] = field(default_factory=list)
    fixed: list[FloatArray] = field(default_factory=list)


def _batches(trials: int) -> int:
    return max(1, -(-trials // 1000))


def estimate_account(
    chain: Chain, progress: Callable[[str, float, float, str], None], *, missing: Callable[..., list[str]]
) -> AccountSeries | None:
    """Write the estimates of chemistry and account; return their block series."""
    context = chain.context
    analysis = context.book.analysis
    probe = solve_water(context, chain.model, Trials(seed=analysis.seed, size=2))
    if not np.isfinite(probe.ph_total).any():
        return None
    lacking = missing(context, probe, chain.air)
    series = _block_series(chain, lacking, progress)
    _period_estimates(chain, lacking, progress, series)
    return series


def _block_series(chain: Chain, lacking: list[str], progress: Callable[..., None]) -> AccountSeries:
    """Compute block series with the block trials, all terms drawn and the random ones held."""
    analysis = chain.context.book.analysis
    trials = Trials(seed=analysis.seed, size=analysis.block_trials)
    series = AccountSeries()
    names = ("temperature", "salinity", "ph_total", "total_alkalinity", "oxygen", "dic", "aragonite_saturation", "fco2")
    found: dict[str, dict[str, FloatArray]] = {}
    for kind, run in (("full", trials), ("fixed", trials.without_random())):
        progress("Block series", 0 if kind == "full" else 1, 2, "")
        water = solve_water(chain.context, chain.model, run)
        found[kind] = {name: getattr(water, name) for name in names}
    for name in names:
        full, fixed = found["full"][name], found["fixed"][name]
        total = full.std(axis=0, ddof=1)
        systematic = np.minimum(fixed.std(axis=0, ddof=1), total)
        series.chemistry[name] = (full.mean(axis=0), np.sqrt(np.maximum(total**2 - systematic**2, 0.0)), systematic)
    if not lacking and chain.air is not None:
        _block_account(chain, trials, series)
    progress("Block series", 2, 2, "")
    return series


def _block_account(chain: Chain, trials: Trials, series: AccountSeries) -> None:
    """Split every block against today's reference water: the parts made here, in time.

    A few blocks at a time, so that memory does not grow with the length of the record; of the trials only mean and
    spread are kept.
    """
    air = chain.air
    if air is None:
        return
    count = chain.grid.count
    mean: dict[str, FloatArray] = {}
    spread: dict[tuple[str, str], FloatArray] = {}
    for kind, run in (("full", trials), ("fixed", trials.without_random())):
        terms: dict[str, FloatArray] = {}
        water = solve_water(chain.context, chain.model, run)
        passage = gas_passage(chain.context, chain.grid, water, air, run, terms)
        for first in range(0, count, BLOCKS_AT_ONCE):
            part = slice(first, min(first + BLOCKS_AT_ONCE, count))
            account = _decompose_blocks(chain, water, passage, run, air, part)
            series.drivers = account.drivers
            if kind == "full":
                sums = account.effects["shapley_from_reference"]["ph_total"].sum(axis=0)
                rest = np.abs(sums - account.totals["shapley_from_reference"]["ph_total"])
                series.worst_sum = max(series.worst_sum, float(np.nanmax(rest, initial=0.0)))
            for quantity in PREFIX:
                effects = account.effects["shapley_from_reference"][quantity]
                if kind == "full":
                    held = mean.setdefault(quantity, np.full((len(account.drivers), count), np.nan))
                    held[:, part] = effects.mean(axis=1)
                wide = spread.setdefault((quantity, kind), np.full((len(account.drivers), count), np.nan))
                wide[:, part] = effects.std(axis=1, ddof=1)
    for quantity in PREFIX:
        total = spread[quantity, "full"]
        systematic = np.minimum(spread[quantity, "fixed"], total)
        series.effects[quantity] = (mean[quantity], np.sqrt(np.maximum(total**2 - systematic**2, 0.0)), systematic)


def _decompose_blocks(
    chain: Chain, water: WaterTrials, passage: Passage, trials: Trials, air: Air, part: slice
) -> ledger.Account:
    """Split some blocks against the reference water, in every trial."""
    analysis = chain.context.book.analysis
    pq = np.maximum(
        analysis.pq + trials.systematic("photosynthetic quotient", distribution=max(analysis.pq_sd, 1e-12)), 0.5
    )
    reference = {name: values[:, None] for name, values in water.reference.items()}
    for name, departure in water.reference_departures.items():
        reference[name] = reference[name] + departure[:, part]
    return ledger.decompose(
        reef=State(
            water.temperature[:, part], water.salinity[:, part], water.total_alkalinity[:, part], water.dic[:, part]
        ),
        reference=State(
            reference["temperature"], reference["salinity"], reference["total_alkalinity"], reference["dic"]
        ),
        xco2_now=air.co2_now,
        xco2_past=air.co2_past,
        air_pressure=air.pressure,
        oxygen_reef=water.oxygen[:, part],
        oxygen_reference=reference["oxygen"],
        oxygen_gas_exchange=passage.oxygen[:, part],
        gas_exchange_dic=passage.dic[:, part],
        pq=pq[:, None],
        mixing_line=mixing_line(chain.context),
        pressure=float(np.nanmean(water.pressure)),
        methods=("shapley_from_reference",),
        constants=mission_constants(chain.context),
    )


def _period_estimates(chain: Chain, lacking: list[str], progress: Callable[..., None], series: AccountSeries) -> None:
    """Run the period trials in batches and write the estimates of every period."""
    context = chain.context
    analysis = context.book.analysis
    whole = Trials(seed=analysis.seed, size=analysis.period_trials)
    samples: dict[tuple[int, str, str], _Collected] = defaultdict(_Collected)
    terms: dict[str, list[FloatArray]] = defaultdict(list)
    counts: dict[int, int] = {}
    steps = _batches(analysis.period_trials)
    for number, batch in enumerate(whole.batches()):
        progress("Account", number, steps, "")
        for kind, run in (("full", batch), ("fixed", batch.without_random())):
            drawn = _one_batch(chain, run, lacking, samples, kind, counts, series)
            if kind == "full":
                for name, values in drawn.items():
                    terms[name].append(values)
    progress("Account", steps, steps, "")
    joined = {name: np.concatenate(parts) for name, parts in terms.items()}
    _write(chain, samples, joined, counts)
    if lacking:
        _refuse(chain, lacking)


def _one_batch(
    chain: Chain,
    trials: Trials,
    lacking: list[str],
    samples: dict[tuple[int, str, str], _Collected],
    kind: str,
    counts: dict[int, int],
    series: AccountSeries,
) -> dict[str, FloatArray]:
    """Solve one batch of trials and collect the samples of every period's estimates."""
    water = solve_water(chain.context, chain.model, trials)
    terms = dict(water.terms)
    passage = None
    if not lacking and chain.air is not None:
        passage = gas_passage(chain.context, chain.grid, water, chain.air, trials, terms)
    for index, span in enumerate(chain.spans):
        use = chain.grid.mids_in(span.start_ns, span.end_ns)
        good = use & np.isfinite(water.ph_total).all(axis=0)
        counts[index] = int(good.sum())
        if good.sum() < 2:
            continue
        for name in ("ph_total", "aragonite_saturation", "dic", "total_alkalinity", "oxygen"):
            values = getattr(water, name)
            part = good & np.isfinite(values).all(axis=0)
            if part.any():
                getattr(samples[index, name, "trials"], kind).append(values[:, part].mean(axis=1))
        if "dic" in water.reference:
            reference = water.reference["dic"]
            part = good & np.isfinite(water.dic).all(axis=0)
            if part.any():
                getattr(samples[index, "local_dic_excess", "reef_minus_reference"], kind).append(
                    water.dic[:, part].mean(axis=1) - reference
                )
        if passage is None or chain.air is None:
            continue
        account = account_of_period(chain.context, water, passage, chain.air, trials, use, terms)
        if account is not None:
            _collect_account(account, samples, index, kind, series)
    if lacking and chain.air is not None:
        _global_alone(chain, water, trials, samples, kind)
    return terms


def _collect_account(
    account: ledger.Account,
    samples: dict[tuple[int, str, str], _Collected],
    index: int,
    kind: str,
    series: AccountSeries,
) -> None:
    for method in METHODS:
        for quantity, prefix in PREFIX.items():
            total = account.total(quantity=quantity, method=method)
            parts = np.zeros_like(total)
            for driver in account.drivers:
                effect = account.effect(quantity=quantity, driver=driver, method=method)
                parts = parts + effect
                if driver == "global" and method == "shapley_from_reference":
                    continue
                getattr(samples[index, f"{prefix}_{driver}", method], kind).append(effect)
            local = account.effect(quantity=quantity, driver="local", method=method)
            getattr(samples[index, f"{prefix}_local", method], kind).append(local)
            getattr(samples[index, f"{prefix}_total", method], kind).append(total)
            series.worst_sum = max(series.worst_sum, float(np.nanmax(np.abs(parts - total))))


def _global_alone(
    chain: Chain, water: WaterTrials, trials: Trials, samples: dict[tuple[int, str, str], _Collected], kind: str
) -> None:
    """Without a reference water: the global part at the reef's own state, and the departure from equilibrium."""
    from reeftally.seawater import carbonate

    air = chain.air
    if air is None or not np.isfinite(water.dic).any():
        return
    constants = mission_constants(chain.context)
    now = air.co2_now + trials.systematic("CO2 of the air", distribution=max(air.co2_now_sd, 1e-12))
    for index, span in enumerate(chain.spans):
        use = chain.grid.mids_in(span.start_ns, span.end_ns) & np.isfinite(water.dic).all(axis=0)
        if use.sum() < 2:
            continue
        state: dict[str, Any] = {
            name: np.broadcast_to(getattr(water, name), water.dic.shape)[:, use].mean(axis=1)
            for name in ("temperature", "salinity", "total_alkalinity", "dic")
        }
        alone = {name: state[name] for name in ("temperature", "salinity", "total_alkalinity")}
        equal = {
            when: np.asarray(
                carbonate.solve(
                    xco2=x, air_pressure=air.pressure, constants=constants, outputs=("dic", "ph_total"), **alone
                )["dic"]
            )
            for when, x in (("now", now), ("past", air.co2_past))
        }

        def ph(dic: FloatArray, conditions: dict[str, Any] = alone) -> FloatArray:
            solved = carbonate.solve(dic=dic, constants=constants, outputs=("ph_total",), **conditions)
            return np.asarray(solved["ph_total"])

        departure = state["dic"] - equal["now"]
        local, risen = _two_factor(ph, equal["past"], equal["now"] - equal["past"], departure)
        method = "shapley_equilibrium_at_own_alkalinity"
        for name, values in (
            ("ph_change_global", risen),
            ("ph_departure_from_equilibrium", local),
            ("dic_departure_from_equilibrium", departure),
        ):
            getattr(samples[index, name, method], kind).append(values)


def _two_factor(
    ph: Callable[[FloatArray], FloatArray], past: FloatArray, risen: FloatArray, departure: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Shapley effects of two steps of DIC on pH: (local departure, global rise)."""
    f00, f10, f01, f11 = ph(past), ph(past + risen), ph(past + departure), ph(past + risen + departure)
    return 0.5 * ((f01 - f00) + (f11 - f10)), 0.5 * ((f10 - f00) + (f11 - f01))


UNITS = {
    "dic": "µmol kg-1",
    "total_alkalinity": "µmol kg-1",
    "oxygen": "µmol kg-1",
    "local_dic_excess": "µmol kg-1",
    "dic_departure_from_equilibrium": "µmol kg-1",
}


def _write(
    chain: Chain,
    samples: dict[tuple[int, str, str], _Collected],
    terms: dict[str, FloatArray],
    counts: dict[int, int],
) -> None:
    site = SITE
    for (index, quantity, method), held in sorted(samples.items(), key=lambda item: item[0]):
        span = chain.spans[index]
        chain.estimates.from_trials(
            quantity=quantity,
            method=method,
            subject=site,
            period=span.kind,
            start_ns=span.start_ns,
            end_ns=span.end_ns,
            unit=UNITS.get(quantity, ""),
            samples=np.concatenate(held.full),
            systematic_samples=np.concatenate(held.fixed),
            terms=terms,
            n=counts[index],
            trail="account" if quantity.startswith(tuple(PREFIX.values())) else "chemistry",
            reason="" if span.complete else "period cut by the mission",
        )


def _refuse(chain: Chain, lacking: list[str]) -> None:
    """Keep the rows of the account that could not be made."""
    span = chain.spans[0]
    for quantity in ("ph_change_local", "ph_change_organic", "ph_change_carbonate", "ph_change_gas_exchange"):
        chain.estimates.refuse(
            quantity=quantity,
            method="shapley_from_reference",
            subject=SITE,
            period=span.kind,
            start_ns=span.start_ns,
            end_ns=span.end_ns,
            unit="",
            reason="not given: " + "; ".join(lacking),
            trail="account",
        )
