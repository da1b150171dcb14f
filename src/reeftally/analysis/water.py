"""The water in trials: temperature, salinity, pH, alkalinity, oxygen and DIC of the reef and of the reference.

Here:     block series with their systematic terms drawn once a trial and random terms a block; the carbonate
          system solved on trials and blocks at once.
Not here: what the difference between the two waters means (`account`), fluxes.
Rules:    one laboratory's error is drawn once and enters reef and reference alike; the reference water's values
          come from its own sensors and bottles first, from the book where there are none, and which is said.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from reeftally._checks import FloatArray
from reeftally.analysis.context import Context
from reeftally.analysis.grid import NS, Grid
from reeftally.analysis.offsets import SensorOffsets, usable_bottles
from reeftally.analysis.records import SlowBlocks, Water
from reeftally.calibration.bottle_series import BottleSeries, predict_series
from reeftally.seawater import carbonate
from reeftally.uncertainty import Trials

__all__ = [
    "ReferenceWater",
    "WaterModel",
    "WaterTrials",
    "alkalinity_correction",
    "build_water",
    "mission_constants",
    "solve_water",
]

# Alkalinity of a reef's water keeps its value for a few hours (common practice, no source); the least natural
# scatter keeps a handful of agreeing bottles from claiming a constant.
ALKALINITY_TIME_S = 4 * 3600.0
ALKALINITY_LEAST_SD = 1.5
# What a laboratory's alkalinity may be off after correction with reference material, all bottles alike.
ALKALINITY_COMMON_SD = 1.0


@dataclass(slots=True, kw_only=True)
class SeriesSource:
    """One sensor's share in a series."""

    label: str
    row: int
    values: FloatArray
    """Block means as measured, (blocks,)."""
    noise: float
    """Random standard deviation of a block mean."""


@dataclass(slots=True, kw_only=True)
class ReferenceWater:
    """The reference water over the mission: means with random and shared uncertainty."""

    values: dict[str, float]
    random_sd: dict[str, float]
    source: dict[str, str]
    sensors: dict[str, list[SeriesSource]]
    """Sensors whose error is drawn with the adjustment of their quantity."""
    departures: dict[str, FloatArray]
    """Temperature and salinity less their mission means, (blocks,): the water outside has days of its own. NaN where
    no sensor spoke."""
    hours: float
    """Share of the mission with a record of the reference water. [1]"""


@dataclass(slots=True, kw_only=True)
class WaterModel:
    """Everything known about the two waters, before trials."""

    grid: Grid
    water: Water
    sources: dict[str, list[SeriesSource]]
    """Reef sensors by quantity."""
    offsets: dict[str, SensorOffsets]
    alkalinity: BottleSeries | None
    alkalinity_root: FloatArray | None = None
    """Square root of its covariance; found once, used in every batch of trials."""
    alkalinity_correction: tuple[float, float]
    """Correction from reference materials and its standard uncertainty, common to all bottles. [µmol kg-1]"""
    reference: ReferenceWater
    notes: dict[str, str] = field(default_factory=dict)


@dataclass(slots=True, kw_only=True)
class WaterTrials:
    """The two waters in a batch of trials."""

    temperature: FloatArray
    salinity: FloatArray
    pressure: FloatArray
    ph_total: FloatArray
    """(trials, blocks)"""
    total_alkalinity: FloatArray
    oxygen: FloatArray
    dic: FloatArray
    aragonite_saturation: FloatArray
    fco2: FloatArray
    reference: dict[str, FloatArray]
    """Reference water, mean of the mission: name to (trials,)."""
    reference_departures: dict[str, FloatArray]
    """Reference water in a block less the mission's mean: name to (trials, blocks)."""
    terms: dict[str, FloatArray]
    """Draws of the systematic terms, for budgets."""


def _roles(context: Context, label: str) -> set[str]:
    return {context.book.station(d.station).role for d in context.book.deployments_of(label)}


def _sources(
    context: Context, slow: dict[str, SlowBlocks], offsets: SensorOffsets | None, quantity: str, roles: set[str]
) -> list[SeriesSource]:
    """Return the sensors of a quantity whose deployments are at stations of the wanted roles."""
    found = []
    for label, blocks in slow.items():
        if quantity not in blocks.channels or not (_roles(context, label) & roles):
            continue
        if _roles(context, label) <= {"carried", "air"}:
            continue
        if offsets is not None and label not in offsets.labels:
            continue
        means = blocks.channels[quantity]
        row = offsets.row(label) if offsets is not None else -1
        if np.isfinite(means.sd).any():
            with np.errstate(invalid="ignore", divide="ignore"):
                noise = float(np.nanmedian(means.sd / np.sqrt(np.maximum(means.n, 1))))
        else:
            # One sample a block has no spread of its own: the adjustment's noise is that of the book.
            noise = float(offsets.adjustment.sensors_noise[row]) if offsets is not None else 0.0
        values = means.mean.copy()
        # Side by side the sensors are not on the mast; those blocks are for the offsets only.
        inside = np.zeros(values.size, dtype=bool)
        grid = context.grid
        for place in context.book.deployments_of(label):
            if context.book.station(place.station).role in roles:
                inside |= grid.mids_in(place.start_ns, place.end_ns)
        values[~inside] = np.nan
        found.append(SeriesSource(label=label, row=row, values=values, noise=noise))
    return found


def _highest(context: Context, grid: Grid, sources: list[SeriesSource]) -> list[SeriesSource]:
    """Keep in each block the sensors nearest the surface: the water's state is that above the bed's own layer.

    Sensors within a fifth of the highest one's height count as equally high.
    """
    if not sources:
        return sources
    heights = np.stack([context.book.height_at(source.label, grid.mids) for source in sources])
    present = np.stack([np.isfinite(source.values) for source in sources])
    heights = np.where(present, heights, np.nan)
    with np.errstate(invalid="ignore"):
        top = np.max(np.where(np.isfinite(heights), heights, -np.inf), axis=0)
        low = ~(heights >= 0.8 * top)
    for source, drop in zip(sources, low, strict=True):
        source.values = np.where(drop, np.nan, source.values)
    return [source for source in sources if np.isfinite(source.values).any()]


def alkalinity_correction(context: Context) -> tuple[float, float]:
    """Return what to add to bottle alkalinities, from reference materials, and its standard uncertainty."""
    rows = [row for row in context.tables.reference_materials if row.quantity == "total_alkalinity"]
    if not rows:
        return 0.0, ALKALINITY_COMMON_SD
    difference = np.array([row.certified - row.measured for row in rows])
    sd = np.array([max(row.sd, 1e-3) for row in rows])
    weight = 1.0 / sd**2
    own = float(1.0 / np.sqrt(weight.sum()))
    scatter = float(np.std(difference, ddof=1) / np.sqrt(difference.size)) if difference.size > 2 else own
    return float(np.sum(weight * difference) / weight.sum()), max(own, scatter)


def _combine(values: list[tuple[float, float]]) -> tuple[float, float]:
    """Return the inverse-variance mean of (value, sd) pairs and its sd."""
    value = np.array([v for v, _ in values])
    weight = 1.0 / np.maximum(np.array([s for _, s in values]), 1e-9) ** 2
    return float(np.sum(weight * value) / weight.sum()), float(1.0 / np.sqrt(weight.sum()))


def _reference(
    context: Context, grid: Grid, slow: dict[str, SlowBlocks], offsets: dict[str, SensorOffsets], correction: float
) -> ReferenceWater:
    """Collect the reference water: sensors, then bottles, then the book."""
    stations = {row.name for row in context.book.stations_of_role("reference")}
    values: dict[str, float] = {}
    random_sd: dict[str, float] = {}
    source: dict[str, str] = {}
    sensors: dict[str, list[SeriesSource]] = {}
    departures: dict[str, FloatArray] = {}
    start, end = grid.starts[0], grid.edges[-1]
    hours = 0.0
    for quantity in ("temperature", "salinity", "ph_total", "oxygen", "total_alkalinity", "dic"):
        candidates: list[tuple[float, float]] = []
        said: list[str] = []
        rows = _sources(context, slow, offsets.get(quantity), quantity, {"reference"})
        for row in rows:
            good = np.isfinite(row.values)
            if good.sum() < 4:
                continue
            error = offsets[quantity].adjustment.at(grid.seconds)[row.row] if quantity in offsets else 0.0
            series = (row.values - error)[good]
            hours = max(hours, float(good.mean()))
            if quantity in {"temperature", "salinity"}:
                departures[quantity] = np.where(good, row.values - error - series.mean(), np.nan)
                # Its departures are carried block by block; what is left is the sensor's own noise.
                candidates.append((float(series.mean()), max(row.noise, 1e-4) / np.sqrt(good.sum())))
            else:
                # Neighbouring blocks of open water are alike; a tide's worth of them counts as one (12 h).
                independent = max(1.0, good.sum() * grid.block_s / 43200.0)
                candidates.append((float(series.mean()), float(series.std(ddof=1) / np.sqrt(independent))))
            said.append(row.label)
            sensors.setdefault(quantity, []).append(row)
        if quantity == "total_alkalinity" or not candidates:
            bottles = [
                (value + (correction if quantity == "total_alkalinity" else 0.0), sd)
                for bottle, value, sd in (usable_bottles(context, quantity) if quantity != "temperature" else [])
                if bottle.station in stations and start <= bottle.time_ns < end
            ]
            if bottles:
                mean, sd = _combine(bottles)
                scatter = np.std([v for v, _ in bottles], ddof=1) / np.sqrt(len(bottles)) if len(bottles) > 2 else sd
                candidates.append((mean, float(max(sd, scatter))))
                said.append(f"{len(bottles)} bottles")
        stated = context.book.reference(quantity)
        if stated is not None and (not candidates or quantity in {"total_alkalinity"}):
            candidates.append((stated.value, max(stated.sd, 1e-9)))
            said.append(f"book ({stated.source})")
        if candidates:
            values[quantity], random_sd[quantity] = _combine(candidates)
            source[quantity] = ", ".join(said)
    return ReferenceWater(
        values=values, random_sd=random_sd, source=source, sensors=sensors, departures=departures, hours=hours
    )


def build_water(
    context: Context, grid: Grid, slow: dict[str, SlowBlocks], water: Water, offsets: dict[str, SensorOffsets]
) -> WaterModel:
    """Collect what is known of reef and reference water."""
    correction = alkalinity_correction(context)
    reef = {"bed", "ambient"}
    sources = {
        quantity: _highest(context, grid, _sources(context, slow, offsets.get(quantity), quantity, reef))
        for quantity in ("temperature", "salinity", "ph_total", "oxygen")
    }
    notes: dict[str, str] = {}
    stations = {row.name for row in context.book.stations if row.role in reef | {"side by side"}}
    bottles = [
        (bottle.time_ns / NS, value + correction[0], sd)
        for bottle, value, sd in usable_bottles(context, "total_alkalinity")
        if bottle.station in stations
    ]
    alkalinity: BottleSeries | None = None
    if bottles:
        time, value, sd = (np.array(part) for part in zip(*bottles, strict=True))
        alkalinity = predict_series(
            time=time,
            value=value,
            sd=sd,
            at=grid.seconds,
            correlation_time=ALKALINITY_TIME_S,
            least_natural_sd=ALKALINITY_LEAST_SD,
        )
        notes["total_alkalinity"] = f"from {alkalinity.bottles} bottles"
    else:
        stated = context.book.reference("total_alkalinity")
        if stated is not None:
            notes["total_alkalinity"] = f"from the book: {stated.source}"
    return WaterModel(
        grid=grid,
        water=water,
        sources=sources,
        offsets=offsets,
        alkalinity=alkalinity,
        alkalinity_correction=correction,
        reference=_reference(context, grid, slow, offsets, correction[0]),
        notes=notes,
    )


def _draw_errors(model: WaterModel, trials: Trials, quantity: str, terms: dict[str, FloatArray]) -> FloatArray | None:
    """Draw the errors of all sensors of a quantity: (trials, sensors, blocks)."""
    offsets = model.offsets.get(quantity)
    if offsets is None:
        return None
    adjustment = offsets.adjustment
    names = [
        f"{quantity} {term} {k}" for term in range(adjustment.shape.terms) for k in range(adjustment.shape.sensors)
    ]
    scale = np.sqrt(np.maximum(np.diag(adjustment.covariance), 0.0))
    drawn = trials.systematic_group(names, covariance=adjustment.covariance)
    parameters = np.stack([drawn[name] for name in names], axis=-1) + adjustment.parameters
    for position, label in enumerate(offsets.labels):
        if scale[position] > 0:
            terms[f"{quantity} offset of {label}"] = drawn[names[position]]
    shaped = parameters.reshape(trials.count, adjustment.shape.terms, adjustment.shape.sensors)
    return np.asarray(np.einsum("nks,kt->nst", shaped, adjustment.shape.columns(model.grid.seconds)))


def _series(
    model: WaterModel, trials: Trials, quantity: str, errors: FloatArray | None, sources: list[SeriesSource]
) -> FloatArray | None:
    """Return the mean of the corrected sensors of a quantity in every trial, (trials, blocks)."""
    if not sources:
        return None
    blocks = model.grid.starts // NS
    total = np.zeros((trials.count, model.grid.count))
    count = np.zeros(model.grid.count)
    for source in sources:
        corrected = source.values - (errors[:, source.row] if errors is not None and source.row >= 0 else 0.0)
        corrected = corrected + trials.random_blocks(f"{quantity} noise {source.label}", blocks=blocks, sd=source.noise)
        good = np.isfinite(source.values)
        total[:, good] += np.broadcast_to(corrected, total.shape)[:, good]
        count += good
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(count > 0, total / np.where(count > 0, count, 1.0), np.nan))


def _stated(model: WaterModel, trials: Trials, context: Context, name: str) -> FloatArray:
    """Return a stated property of the water: the book's value, its uncertainty drawn once a trial."""
    stated = context.book.reference(name)
    if stated is None:
        return np.full((trials.count, model.grid.count), np.nan)
    draw = trials.systematic(f"stated {name}", distribution=max(stated.sd, 1e-12))
    return np.repeat((stated.value + draw)[:, None], model.grid.count, axis=1)


def solve_water(context: Context, model: WaterModel, trials: Trials) -> WaterTrials:
    """Draw the two waters in a batch of trials and solve the carbonate system."""
    terms: dict[str, FloatArray] = {}
    grid = model.grid
    errors = {q: _draw_errors(model, trials, q, terms) for q in model.offsets}
    drawn: dict[str, FloatArray] = {}
    for quantity in ("temperature", "salinity", "ph_total", "oxygen"):
        series = _series(model, trials, quantity, errors.get(quantity), model.sources.get(quantity, []))
        drawn[quantity] = series if series is not None else _stated(model, trials, context, quantity)
    common = trials.systematic("alkalinity of the laboratory", distribution=max(model.alkalinity_correction[1], 1e-9))
    if model.alkalinity is not None:
        terms["alkalinity of the laboratory"] = common
        drawn["total_alkalinity"] = _alkalinity_trials(model, trials) + common[:, None]
    else:
        drawn["total_alkalinity"] = _stated(model, trials, context, "total_alkalinity")
        terms["stated total_alkalinity"] = trials.systematic(
            "stated total_alkalinity", distribution=_stated_sd(context, "total_alkalinity")
        )
    pressure = np.broadcast_to(np.where(np.isfinite(model.water.pressure), model.water.pressure, 0.0), (grid.count,))
    constants = mission_constants(context)
    solved = carbonate.solve(
        ph_total=drawn["ph_total"],
        total_alkalinity=drawn["total_alkalinity"],
        temperature=drawn["temperature"],
        salinity=drawn["salinity"],
        pressure=pressure,
        constants=constants,
        outputs=("dic", "aragonite_saturation", "fco2"),
    )
    return WaterTrials(
        temperature=drawn["temperature"],
        salinity=drawn["salinity"],
        pressure=np.asarray(pressure),
        ph_total=drawn["ph_total"],
        total_alkalinity=drawn["total_alkalinity"],
        oxygen=drawn["oxygen"],
        dic=np.asarray(solved["dic"]),
        aragonite_saturation=np.asarray(solved["aragonite_saturation"]),
        fco2=np.asarray(solved["fco2"]),
        reference=_reference_trials(context, model, trials, errors, common),
        reference_departures=_departures(model, trials),
        terms=terms,
    )


def _departures(model: WaterModel, trials: Trials) -> dict[str, FloatArray]:
    """Draw the reference water's departures from its mission means; a gap in its record is one unknown departure."""
    out = {}
    for name, known in model.reference.departures.items():
        gap = np.isnan(known)
        held = np.repeat(np.where(gap, 0.0, known)[None, :], trials.count, axis=0)
        if gap.any():
            spread = max(float(np.nanstd(known)), 1e-12)
            draw = trials.random(f"reference water {name} in gaps", block=0, distribution=spread)
            held[:, gap] = draw[:, None]
        out[name] = held
    return out


def _stated_sd(context: Context, name: str) -> float:
    stated = context.book.reference(name)
    return max(stated.sd, 1e-12) if stated is not None else 1e-12


def mission_constants(context: Context) -> carbonate.Constants:
    """Return the published sets that the book chose."""
    chosen = context.book.analysis.constants
    return carbonate.Constants(k1k2=chosen.k1k2, ks=chosen.ks, kf=chosen.kf, boron=chosen.boron)


def _alkalinity_trials(model: WaterModel, trials: Trials) -> FloatArray:
    """Draw the alkalinity series; the draws of its principal components have names of their own."""
    series = model.alkalinity
    if series is None:
        return np.full((trials.count, model.grid.count), np.nan)
    root = model.alkalinity_root
    if root is None:
        values, vectors = np.linalg.eigh(series.covariance)
        keep = values > 1e-10 * max(float(values.max()), 1e-30)
        root = model.alkalinity_root = vectors[:, keep] * np.sqrt(values[keep])
    unit = trials.random_blocks("alkalinity between bottles", blocks=np.arange(root.shape[1]), sd=1.0)
    return np.asarray(series.mean + unit @ root.T)


def _reference_trials(
    context: Context,
    model: WaterModel,
    trials: Trials,
    errors: dict[str, FloatArray | None],
    laboratory: FloatArray,
) -> dict[str, FloatArray]:
    """Draw the reference water: its sensors' errors with the adjustment, its sampling error as a random term."""
    reference = model.reference
    out: dict[str, FloatArray] = {}
    for quantity, value in reference.values.items():
        random = trials.random(
            f"reference water {quantity}", block=0, distribution=max(reference.random_sd[quantity], 1e-12)
        )
        drawn = value + random
        for source in reference.sensors.get(quantity, []):
            error = errors.get(quantity)
            if error is None or source.row < 0:
                continue
            good = np.isfinite(source.values)
            fixed = model.offsets[quantity].adjustment.at(model.grid.seconds)[source.row][good].mean()
            drawn = drawn - (error[:, source.row][:, good].mean(axis=1) - fixed) / len(reference.sensors[quantity])
        if quantity == "total_alkalinity" and "bottles" in reference.source[quantity]:
            drawn = drawn + laboratory
        out[quantity] = np.asarray(drawn)
    if "ph_total" in out and "total_alkalinity" in out and "temperature" in out and "salinity" in out:
        solved = carbonate.solve(
            ph_total=out["ph_total"],
            total_alkalinity=out["total_alkalinity"],
            temperature=out["temperature"],
            salinity=out["salinity"],
            constants=mission_constants(context),
            outputs=("dic", "fco2", "aragonite_saturation"),
        )
        # The reef's DIC comes from pH and alkalinity; the reference from the same pair, so that what the constants
        # and the laboratory have in common drops out of the difference.
        for name in ("dic", "fco2", "aragonite_saturation"):
            out[name] = np.asarray(solved[name])
    return out
