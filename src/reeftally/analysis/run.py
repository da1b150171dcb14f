"""The chain: from the store to estimates, block series and trail.

Here:     the order of the stages and what each hands to the next.
Not here: the stages.
Rules:    results depend only on raw bytes, book, tables, log, settings and code version; a stage that cannot run
          says why in a refused estimate and the others go on.
"""

from __future__ import annotations

import importlib.metadata
import platform
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from reeftally import exchange
from reeftally._checks import FloatArray
from reeftally.analysis.account import Air, air_of, what_is_missing
from reeftally.analysis.atmosphere import atmosphere_table
from reeftally.analysis.bursts import BurstSeries, Workers, velocimeter_blocks
from reeftally.analysis.changes import changes_since
from reeftally.analysis.context import Context, open_context
from reeftally.analysis.contradictions import mark_contradictions
from reeftally.analysis.currents import Currents, join_currents
from reeftally.analysis.diel import estimate_diel
from reeftally.analysis.estimate_account import AccountSeries, estimate_account
from reeftally.analysis.estimate_agreement import estimate_agreement, estimate_box
from reeftally.analysis.estimate_carbon import estimate_dic_fluxes
from reeftally.analysis.estimate_closure import estimate_closure
from reeftally.analysis.estimate_fluxes import (
    PeriodFlux,
    estimate_currents,
    estimate_flux_series,
    estimate_offsets,
    refuse_covariance,
)
from reeftally.analysis.estimate_isotopes import estimate_isotopes
from reeftally.analysis.estimate_metabolism import estimate_metabolism
from reeftally.analysis.estimate_sensors import estimate_sensors
from reeftally.analysis.estimates import Estimates, iso
from reeftally.analysis.findings import findings_of
from reeftally.analysis.fitness_table import fitness_csv, fitness_rows
from reeftally.analysis.fluxes import (
    CovarianceBlocks,
    GradientBlocks,
    covariance_blocks,
    gradient_blocks,
    sensitivities,
)
from reeftally.analysis.grid import Grid
from reeftally.analysis.groups import result_groups
from reeftally.analysis.memory import code_digest
from reeftally.analysis.morning import compose
from reeftally.analysis.morning import files as morning_files
from reeftally.analysis.offsets import SensorOffsets, adjust_offsets
from reeftally.analysis.organisms import VisitResult, estimate_organisms, find_visits
from reeftally.analysis.periods import Span, spans
from reeftally.analysis.records import SlowBlocks, Water, load_slow
from reeftally.analysis.results import write_results
from reeftally.analysis.sensor_table import sensor_csv, sensor_rows
from reeftally.analysis.trail import trail_document
from reeftally.analysis.twins import estimate_twins, explain_rows
from reeftally.analysis.water import WaterModel, build_water
from reeftally.analysis.years import YearsChain, is_long, run_years, years_groups, years_trail
from reeftally.exchange.scaling import CommunityScale
from reeftally.mission import read_book, to_ns
from reeftally.seawater import properties

__all__ = ["Chain", "analyse"]

Progress = Callable[[str, float, float, str], None]


def _silent(step: str, done: float, total: float, note: str = "") -> None:
    """Report nothing."""


@dataclass(slots=True, kw_only=True)
class Chain:
    """What the stages of one run found."""

    context: Context
    grid: Grid
    spans: list[Span]
    slow: dict[str, SlowBlocks] = field(default_factory=dict)
    water: Water
    offsets: dict[str, SensorOffsets] = field(default_factory=dict)
    velocimeters: list[BurstSeries] = field(default_factory=list)
    currents: Currents
    model: WaterModel
    air: Air | None = None
    density: float = 1023.0
    light: FloatArray
    covariance: CovarianceBlocks | None = None
    gradients: list[GradientBlocks] = field(default_factory=list)
    fluxes: dict[tuple[str, str], list[PeriodFlux]] = field(default_factory=dict)
    visits: list[VisitResult] = field(default_factory=list)
    community: CommunityScale | None = None
    account: AccountSeries | None = None
    estimates: Estimates = field(default_factory=Estimates)
    notes: dict[str, str] = field(default_factory=dict)


def _light(slow: dict[str, SlowBlocks], grid: Grid) -> FloatArray:
    """Return photosynthetic light at the bed, zero where the record says so; NaN without a light sensor."""
    for blocks in slow.values():
        if "par" in blocks.channels:
            return np.where(np.isfinite(blocks.channels["par"].mean), blocks.channels["par"].mean, np.nan)
    return np.full(grid.count, np.nan)


def _storage_rate(chain: Chain, quantity: str, scale: float) -> FloatArray:
    """Return the rate of change of the water above the bed in mmol m-3 h-1 of what flows."""
    return _storage(chain, quantity, scale)[0]


def _storage(chain: Chain, quantity: str, scale: float) -> tuple[FloatArray, FloatArray]:
    """Return that rate and its random standard error."""
    sources = chain.model.sources.get(quantity, [])
    offsets = chain.offsets.get(quantity)
    if not sources or offsets is None:
        return np.zeros(chain.grid.count), np.zeros(chain.grid.count)
    errors = offsets.adjustment.at(chain.grid.seconds)
    stack = np.stack([s.values - errors[s.row] for s in sources])
    with np.errstate(invalid="ignore"):
        count = np.isfinite(stack).sum(axis=0)
        mean = np.where(count > 0, np.nansum(stack, axis=0) / np.maximum(count, 1), np.nan)
    when, level = chain.grid.seconds, mean * scale
    rate = exchange.concentration_rate(time=when, concentration=level, window=5400.0)
    sd = exchange.concentration_rate_sd(time=when, concentration=level, window=5400.0)
    return np.where(np.isfinite(rate), rate, 0.0), np.where(np.isfinite(sd), sd, 0.0)


def _flux_stage(chain: Chain, progress: Progress) -> None:
    """Compute covariance and gradient fluxes and their means."""
    progress("Fluxes", 0, 3, "")
    per_mass = chain.density / 1000.0
    oxygen_rate, oxygen_rate_sd = _storage(chain, "oxygen", per_mass)
    for series in chain.velocimeters:
        found = covariance_blocks(chain.context, chain.grid, series, chain.currents, oxygen_rate, oxygen_rate_sd)
        if found is not None:
            chain.covariance = found
    progress("Fluxes", 1, 3, "")
    if "oxygen" in chain.offsets:
        oxygen = gradient_blocks(
            chain.context,
            chain.grid,
            chain.slow,
            chain.offsets["oxygen"],
            chain.currents,
            quantity="oxygen",
            scale=per_mass,
            storage_rate=oxygen_rate,
            light=chain.light,
        )
        if oxygen is not None:
            chain.gradients.append(oxygen)
    if "ph_total" in chain.offsets and np.isfinite(chain.water.salinity).any():
        by_dic, by_alkalinity = _mean_sensitivities(chain)
        if np.isfinite(by_dic):
            scale = per_mass / by_dic
            carbon = gradient_blocks(
                chain.context,
                chain.grid,
                chain.slow,
                chain.offsets["ph_total"],
                chain.currents,
                quantity="ph_total",
                scale=scale,
                storage_rate=_storage_rate(chain, "ph_total", scale),
                light=chain.light,
            )
            if carbon is not None:
                chain.gradients.append(carbon)
                chain.notes["dpH/dDIC"] = f"{by_dic:.6f} kg µmol-1"
                chain.notes["dpH/dTA"] = f"{by_alkalinity:.6f} kg µmol-1"
    progress("Fluxes", 2, 3, "")
    sources: list[tuple[str, str, CovarianceBlocks | GradientBlocks]] = []
    if chain.covariance is not None:
        sources.append(("oxygen_flux", "covariance", chain.covariance))
    else:
        refuse_covariance(chain.context, chain.spans[0], chain.estimates)
    sources += [("oxygen_flux", "gradient", g) for g in chain.gradients if g.quantity == "oxygen"]
    for quantity, method, source in sources:
        chain.fluxes[quantity, method] = estimate_flux_series(
            chain.context,
            chain.grid,
            chain.spans,
            source,
            chain.currents,
            chain.light,
            chain.estimates,
            quantity=quantity,
            method=method,
            trail=method,
        )
    estimate_dic_fluxes(chain, _mean_sensitivities(chain))
    estimate_offsets(chain.context, chain.gradients, chain.estimates, chain.grid)
    progress("Fluxes", 3, 3, "")


def _mean_sensitivities(chain: Chain) -> tuple[float, float]:
    """Return dpH/dDIC and dpH/dTA at the mission's mean state; NaN where the state is not known."""
    ph = [s.values for s in chain.model.sources.get("ph_total", [])]
    alkalinity = chain.model.alkalinity
    stated = chain.context.book.reference("total_alkalinity")
    level = alkalinity.level if alkalinity is not None else (stated.value if stated is not None else np.nan)
    if not ph or not np.isfinite(level) or not np.isfinite(chain.water.temperature).any():
        return float("nan"), float("nan")
    return sensitivities(
        ph_total=float(np.nanmean(np.stack(ph))),
        total_alkalinity=float(level),
        temperature=float(np.nanmean(chain.water.temperature)),
        salinity=float(np.nanmean(chain.water.salinity)),
        pressure=float(np.nanmean(chain.water.pressure)),
    )


def _velocimeters(
    context: Context, grid: Grid, water: Water, workers: Workers, progress: Progress
) -> list[BurstSeries]:
    return [
        velocimeter_blocks(
            context,
            grid,
            instrument.label,
            temperature=water.temperature,
            salinity=water.salinity,
            workers=workers,
            progress=progress,
        )
        for instrument in context.book.instruments_of_kind("velocimeter")
        if context.has(instrument.label)
    ]


def run_chain(
    folder: Path, *, workers: str | None, progress: Progress, constants: Mapping[str, str] | None = None
) -> Chain:
    """Run all stages on a mission and return what they found; nothing is written but the memory of blocks."""
    context = open_context(folder, constants=constants)
    grid = context.grid
    progress("Slow records", 0, 2, "")
    slow, water = load_slow(context, grid)
    progress("Slow records", 1, 2, "")
    offsets = {
        quantity: found
        for quantity in ("temperature", "salinity", "oxygen", "ph_total")
        if (found := adjust_offsets(context, grid, slow, quantity)) is not None
    }
    progress("Slow records", 2, 2, "")
    with Workers(address=workers) as pool:
        velocimeters = _velocimeters(context, grid, water, pool, progress)
    currents = join_currents(context, grid, velocimeters, slow)
    model = build_water(context, grid, slow, water, offsets)
    density = 1023.0
    if np.isfinite(water.salinity).any() and np.isfinite(water.temperature).any():
        density = float(
            np.nanmean(
                properties.density(
                    salinity=water.salinity, temperature=water.temperature, pressure=np.nan_to_num(water.pressure)
                )
            )
        )
    chain = Chain(
        context=context,
        grid=grid,
        spans=spans(context),
        slow=slow,
        water=water,
        offsets=offsets,
        velocimeters=velocimeters,
        currents=currents,
        model=model,
        air=air_of(context, grid, slow, atmosphere_table()),
        density=density,
        light=_light(slow, grid),
    )
    estimate_sensors(chain)
    estimate_twins(chain)
    if velocimeters or np.isfinite(currents.friction_velocity).any():
        estimate_currents(context, grid, chain.spans, currents, chain.estimates)
    _flux_stage(chain, progress)
    estimate_metabolism(chain)
    estimate_agreement(chain)
    progress("Organisms", 0, 1, "")
    chain.visits = find_visits(context, water)
    chain.community = estimate_organisms(
        context,
        chain.visits,
        chain.estimates,
        mission_ns=(chain.spans[0].start_ns, chain.spans[0].end_ns),
        community_respiration=_respiration(chain),
    )
    progress("Organisms", 1, 1, "")
    chain.account = estimate_account(chain, progress, missing=what_is_missing)
    estimate_box(chain)
    estimate_isotopes(chain)
    estimate_closure(chain, _mean_sensitivities(chain))
    estimate_diel(chain)
    mark_contradictions(chain)
    explain_rows(chain)
    return chain


def _respiration(chain: Chain) -> tuple[float, float]:
    """Return the oxygen that the community takes up at night, positive, and its standard uncertainty."""
    best: tuple[float, float] | None = None
    for (quantity, _), rows in chain.fluxes.items():
        if quantity != "oxygen_flux":
            continue
        nights = [row for row in rows if row.span.kind == "night"]
        if not nights:
            continue
        hours = np.array([row.span.hours for row in nights])
        value = float(np.average([-row.value for row in nights], weights=hours))
        random = float(np.sqrt(np.sum((hours * [row.random_sd for row in nights]) ** 2)) / hours.sum())
        systematic = float(np.average([row.systematic_sd for row in nights], weights=hours))
        sd = float(np.hypot(random, systematic))
        if best is None or sd < best[1]:
            best = (value, sd)
    return best if best is not None else (float("nan"), 0.0)


def analyse(
    folder: Path,
    *,
    workers: str | None = None,
    everything: bool = False,
    made: str | None = None,
    constants: Mapping[str, str] | None = None,
    progress: Progress = _silent,
) -> tuple[Path, Chain | YearsChain]:
    """Run the chain on a mission and write its results.

    Parameters
    ----------
    folder : Path
        Mission folder.
    workers : str, optional
        A number of local Dask workers, or the address of a scheduler; threads otherwise.
    everything : bool
        Forget remembered blocks and compute all.
    made : str, optional
        When the morning page was made, ISO 8601; default the end of the newest data, so that the same data give the
        same bytes.
    constants : mapping, optional
        Choices of equilibrium constants in place of the book's, for this run alone; a table of what that changed
        against the run before goes into the folder.
    progress : callable
        ``progress(step, done, total, note)``.

    Returns
    -------
    (run folder, chain)
    """
    memory = folder / "observations" / "blocks.sqlite"
    if everything:
        for suffix in ("", "-wal", "-shm"):
            memory.with_name(memory.name + suffix).unlink(missing_ok=True)
    if is_long(read_book(folder)):
        return _analyse_years(folder, progress=progress, constants=constants)
    chain = run_chain(folder, workers=workers, progress=progress, constants=constants)
    groups = result_groups(chain)
    found = findings_of(chain.context, chain.slow, chain.water, chain.offsets)
    morning = compose(chain, groups=groups, findings=found, made=made)
    trail = trail_document(chain, software=_software())
    changes = changes_since(folder, estimates=chain.estimates, trail=trail)
    run = write_results(
        folder,
        estimates=chain.estimates,
        groups=groups,
        files={
            **morning_files(morning, found),
            **changes.files(),
            "fitness.csv": fitness_csv(fitness_rows(chain)),
            "sensors.csv": sensor_csv(sensor_rows(chain)),
        },
        trail=trail,
        attributes=_attributes(chain.context, chain.spans[0].start_ns, chain.spans[0].end_ns),
    )
    return run, chain


def _analyse_years(folder: Path, *, progress: Progress, constants: Mapping[str, str] | None) -> tuple[Path, YearsChain]:
    """Run the chain of a long record, which has no bursts and no fluxes, and write its results."""
    context = open_context(folder, constants=constants)
    chain = run_years(context, progress=progress)
    mission = context.book.mission
    trail = years_trail(chain, software=_software())
    run = write_results(
        folder,
        estimates=chain.estimates,
        groups=years_groups(chain),
        files=changes_since(folder, estimates=chain.estimates, trail=trail).files(),
        trail=trail,
        attributes=_attributes(context, to_ns(mission.start), to_ns(mission.end)),
    )
    return run, chain


def _software() -> dict[str, Any]:
    names = ("numpy", "scipy", "numba", "xarray", "gsw", "pyarrow", "pandas")
    return {
        "reeftally": importlib.metadata.version("reeftally"),
        "code": code_digest(),
        "python": platform.python_version(),
        **{name: importlib.metadata.version(name) for name in names},
    }


def _attributes(context: Context, start_ns: int, end_ns: int) -> dict[str, Any]:
    book = context.book
    return {
        "title": book.mission.title,
        "summary": book.mission.summary or book.mission.title,
        "institution": book.mission.institution or "not stated",
        "license": book.mission.licence or "not stated",
        "source": "in-situ observations reduced to blocks",
        "geospatial_lat_min": book.site.latitude_deg,
        "geospatial_lat_max": book.site.latitude_deg,
        "geospatial_lon_min": book.site.longitude_deg,
        "geospatial_lon_max": book.site.longitude_deg,
        "time_coverage_start": iso(start_ns),
        "time_coverage_end": iso(end_ns),
        "book_revision": context.revision,
        "store_snapshot": context.snapshot,
    }
