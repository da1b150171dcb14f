"""Offsets of the mission's sensors: side by side, twins at one height, bottles, in one adjustment a quantity.

Here:     which sensors and bottles shared one water in which block; rows, priors and noise for the adjustment.
Not here: the adjustment (`reeftally.calibration.side_by_side`), swaps (`fluxes`).
Rules:    sensors share a water in an intercalibration, or at one station within 2 cm of height. Bottles of one
          laboratory are a row of their own, so their noise never enters the difference between two sensors.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from reeftally._checks import FloatArray
from reeftally.analysis.context import Context
from reeftally.analysis.grid import NS, Grid
from reeftally.analysis.records import SlowBlocks
from reeftally.analysis.twins import disagreements, widened
from reeftally.calibration.side_by_side import SETTLING_TIMES, Adjustment, Anchor, SideBySide, adjust
from reeftally.mission import Bottle

__all__ = [
    "BOTTLE_FIELDS",
    "LABORATORY_SD",
    "MISMATCH_SD",
    "SETTLING_SD",
    "SensorOffsets",
    "adjust_offsets",
    "in_situ",
    "nearest_sensors",
    "sensor_term",
    "usable_bottles",
]

# Heights closer than this are one height: a diver's tape is good to a centimetre (common practice, no source).
SAME_HEIGHT_M = 0.02
# A bottle within this height of a sensor speaks for it; what the profile does between is in the mismatch below.
BOTTLE_REACH_M = 0.6
# Mismatch of a bottle with a block mean, in place and time, on top of its analysis: twice the sd of small-scale
# patches that a block does not average (common practice, no source).
MISMATCH_SD = {"oxygen": 0.8, "ph_total": 0.0015, "temperature": 0.03, "salinity": 0.02}
# Standard uncertainty that all bottles of one laboratory share, where no reference material says better: dye
# impurity (Dickson, Sabine and Christian 2007, SOP 6b: about 0.002 with purified dye, from memory); titration of
# oxygen 0.2 % of 200 µmol/kg (common practice, no source).
LABORATORY_SD = {"oxygen": 0.4, "ph_total": 0.002, "salinity": 0.003, "temperature": 0.005}
SETTLING_SD = {"ph_total": 0.02}
# (value, sd) attributes of a bottle for each quantity.
BOTTLE_FIELDS = {
    "oxygen": ("oxygen", "oxygen_sd"),
    "ph_total": ("ph_total", "ph_sd"),
    "dic": ("dic", "dic_sd"),
    "total_alkalinity": ("total_alkalinity", "total_alkalinity_sd"),
    "delta13c_dic": ("delta13c_dic", "delta13c_sd"),
    "salinity": ("salinity", ""),
}
DEFAULT_BOTTLE_SD = {"oxygen": 0.5, "ph_total": 0.003, "dic": 2.0, "total_alkalinity": 2.0, "salinity": 0.003}


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorOffsets:
    """The adjustment of one quantity."""

    quantity: str
    labels: tuple[str, ...]
    """Sensors, in the order of the adjustment's rows; laboratories follow them."""
    laboratories: tuple[str, ...]
    adjustment: Adjustment
    bottle_times: FloatArray | None = None
    """Times of the bottles that went in, in the order of their residuals. [s]"""

    def row(self, label: str) -> int:
        """Return the row of a sensor."""
        return self.labels.index(label)

    def corrected(self, label: str, time_s: FloatArray, values: FloatArray) -> FloatArray:
        """Return values less the sensor's error at those times."""
        return np.asarray(values - self.adjustment.at(time_s)[self.row(label)])


def usable_bottles(context: Context, quantity: str, *, jets: bool = False) -> list[tuple[Bottle, float, float]]:
    """Return bottles with a good value of a quantity: (bottle, value, random sd).

    Flags 2 and 6 are used (WOCE bottle flags: 2 acceptable, 6 mean of replicates). Water from an organism's jet is
    not the reef's water; it comes only with `jets`.
    """
    value_field, sd_field = BOTTLE_FIELDS[quantity]
    organisms = set() if jets else {row.organism for row in context.tables.visits}
    found = []
    for bottle in context.tables.bottles:
        value = getattr(bottle, value_field)
        if bottle.flag not in {2, 6} or value is None or bottle.near in organisms:
            continue
        sd = getattr(bottle, sd_field) if sd_field else None
        found.append((bottle, float(value), float(sd if sd else DEFAULT_BOTTLE_SD.get(quantity, 0.1))))
    return found


def _waters(context: Context, grid: Grid, labels: list[str]) -> dict[tuple[str, str], np.ndarray]:
    """For each water that sensors can share, which sensor was in it in which block: (sensors, blocks)."""
    waters: dict[tuple[str, str], np.ndarray] = defaultdict(lambda: np.zeros((len(labels), grid.count), dtype=bool))
    for row, label in enumerate(labels):
        beside = np.zeros(grid.count, dtype=bool)
        for period in context.book.intercalibrations:
            if label in period.instruments:
                inside = grid.mask(period.start_ns, period.end_ns)
                waters["side by side", period.name][row] |= inside
                beside |= inside
        for place in context.book.deployments_of(label):
            if context.book.station(place.station).role == "carried":
                continue
            key = (place.station, f"{round(place.height_above_bed_m / SAME_HEIGHT_M) * SAME_HEIGHT_M:.2f} m")
            waters[key][row] |= grid.mask(place.start_ns, place.end_ns) & ~beside
    return waters


def adjust_offsets(context: Context, grid: Grid, slow: dict[str, SlowBlocks], quantity: str) -> SensorOffsets | None:
    """Adjust all sensors of one quantity; None where no sensor measures it."""
    stated = {
        label: _with_twins(context, grid, blocks, quantity)
        for label, blocks in slow.items()
        if quantity in blocks.channels
    }
    known = {label: term for label, term in stated.items() if term is not None}
    labels = list(known)
    if not labels:
        return None
    bottles = usable_bottles(context, quantity) if quantity in BOTTLE_FIELDS else []
    laboratories = sorted({bottle.laboratory or "laboratory" for bottle, _, _ in bottles})
    rows = len(labels) + len(laboratories)
    waters = _waters(context, grid, labels)
    values = np.full((rows, grid.count), np.nan)
    for row, label in enumerate(labels):
        values[row] = slow[label].channels[quantity].mean
    groups = []
    for name, present in sorted(waters.items()):
        part = np.full((rows, grid.count), np.nan)
        part[: len(labels)] = np.where(present, values[: len(labels)], np.nan)
        use = np.isfinite(part).sum(axis=0) >= 2
        if use.any():
            groups.append(SideBySide(time=grid.seconds[use], values=part[:, use], name=" ".join(name)))
    groups += _bottle_groups(context, grid, quantity, labels, laboratories, waters, values, bottles)
    terms = list(known.values())
    offset_sd = np.array(
        [max(t[1], 1e-6) for t in terms] + [LABORATORY_SD.get(quantity, 0.0) or 1e-6] * len(laboratories)
    )
    drift_sd = np.array([t[2] for t in terms] + [0.0] * len(laboratories))
    noise = np.array([_block_noise(slow, label, quantity, term[0]) for label, term in known.items()])
    bottle_noise = [_bottle_noise(quantity, bottles, name) for name in laboratories]
    settles = np.array(
        [
            SETTLING_SD.get(quantity, 0.0) if context.book.instrument(label).kind == "isfet_ph" else 0.0
            for label in labels
        ]
        + [0.0] * len(laboratories)
    )
    settling_start = min(
        (d.start_ns for label in labels for d in context.book.deployments_of(label)), default=int(grid.edges[0])
    )
    settling_start = min([settling_start, *(p.start_ns for p in context.book.intercalibrations)])
    if not groups:
        groups = [SideBySide(time=np.empty(0), values=np.empty((rows, 0)), name="none")]
    adjustment = adjust(
        groups=groups,
        prior_offset_sd=offset_sd,
        prior_drift_sd=drift_sd,
        noise_sd=np.concatenate([noise, bottle_noise]),
        prior_settling_sd=settles,
        settling_start=settling_start / NS,
        settling_times=SETTLING_TIMES if settles.any() else (),
        anchors=certificate_anchors(context, labels, quantity),
        reference_time=float(grid.seconds[grid.count // 2]),
        learn_noise=np.array([True] * len(labels) + [False] * len(laboratories)),
    )
    drawn = next((group.time for group in groups if group.name == "bottles"), None)
    return SensorOffsets(
        quantity=quantity,
        labels=tuple(labels),
        laboratories=tuple(laboratories),
        adjustment=adjustment,
        bottle_times=None if drawn is None else np.asarray(drawn, dtype=np.float64),
    )


def certificate_anchors(context: Context, labels: list[str], quantity: str) -> list[Anchor]:
    """Return what laboratory certificates say of sensors: those that state an offset with its uncertainty, no gain.

    A certificate's offset is what is added to the reading, so the sensor's error is its negative. One far from the
    mission in time counts for little: the drift that the book allows lies between.
    """
    out = []
    for row in context.book.calibrations:
        if row.instrument not in labels or row.quantity != quantity or row.offset is None or not row.offset_sd:
            continue
        if row.gain is not None and row.gain != 1.0:
            # Where on its range the gain turns is not stated, so its offset is not comparable with the mission's.
            continue
        if context.book.instrument(row.instrument).serial != row.serial:
            continue
        out.append(
            Anchor(
                sensor=labels.index(row.instrument),
                time=np.array([row.date_ns / NS]),
                difference=np.array([-row.offset]),
                sd=np.array([row.offset_sd]),
                source=f"certificate of {row.date}",
            )
        )
    return out


def _bottle_groups(
    context: Context,
    grid: Grid,
    quantity: str,
    labels: list[str],
    laboratories: list[str],
    waters: dict[tuple[str, str], np.ndarray],
    values: FloatArray,
    bottles: list[tuple[Bottle, float, float]],
) -> list[SideBySide]:
    """One column a bottle: the bottle and every sensor that was in its water."""
    columns, times = [], []
    for bottle, value, _ in bottles:
        block = int(grid.index(bottle.time_ns))
        if block < 0:
            continue
        column = np.full(len(labels) + len(laboratories), np.nan)
        beside = [key for key, present in waters.items() if key[0] == "side by side" and present[:, block].any()]
        if beside and any(
            p.name == beside[0][1] and p.height_above_bed_m is not None
            and abs(p.height_above_bed_m - bottle.height_above_bed_m) <= BOTTLE_REACH_M
            for p in context.book.intercalibrations
        ):  # fmt: skip
            members = np.flatnonzero(waters[beside[0]][:, block])
        else:
            members = np.array(nearest_sensors(context, labels, bottle, block, grid), dtype=np.int64)
        members = members[np.isfinite(values[members, block])] if members.size else members
        if not members.size:
            continue
        column[members] = values[members, block]
        column[len(labels) + laboratories.index(bottle.laboratory or "laboratory")] = in_situ(
            context, quantity, bottle, value
        )
        columns.append(column)
        times.append(bottle.time_ns / NS)
    if not columns:
        return []
    return [SideBySide(time=np.array(times), values=np.array(columns).T, name="bottles")]


def nearest_sensors(context: Context, labels: list[str], bottle: Bottle, block: int, grid: Grid) -> list[int]:
    """Return the sensor a bottle speaks for: the one named, else the nearest in height at its station."""
    middle = int(grid.mids[block])
    best: tuple[float, int] | None = None
    for row, label in enumerate(labels):
        place = context.book.deployment_at(label, middle)
        if place is None or place.station != bottle.station:
            continue
        if bottle.near == label:
            return [row]
        distance = abs(place.height_above_bed_m - bottle.height_above_bed_m)
        if distance <= BOTTLE_REACH_M and (best is None or distance < best[0]):
            best = (distance, row)
    return [best[1]] if best is not None else []


def in_situ(context: Context, quantity: str, bottle: Bottle, value: float) -> float:
    """Return a bottle's value at the temperature of the water; only pH depends on it."""
    if quantity != "ph_total" or bottle.ph_temperature is None or bottle.temperature is None:
        return value
    if abs(bottle.ph_temperature - bottle.temperature) < 0.01:
        return value
    from reeftally.seawater import ph

    alkalinity = bottle.total_alkalinity
    if alkalinity is None:
        reference = context.book.reference("total_alkalinity")
        alkalinity = reference.value if reference is not None else None
    if alkalinity is None or bottle.salinity is None:
        return float("nan")
    return float(
        ph.convert_temperature(
            ph=value,
            scale="total",
            total_alkalinity=alkalinity,
            salinity=bottle.salinity,
            temperature_from=bottle.ph_temperature,
            temperature_to=bottle.temperature,
        )
    )


def sensor_term(context: Context, label: str, quantity: str) -> tuple[float, float, float] | None:
    """Return (noise, offset, drift per day) of the book for a sensor's quantity; None where it gives none."""
    for term in context.book.instrument(label).terms:
        if term.quantity == quantity or (quantity == "oxygen" and term.quantity == "oxygen_molar"):
            return (term.noise_sd, term.offset_sd, term.drift_sd_per_day or 0.0)
    return None


def _with_twins(context: Context, grid: Grid, blocks: SlowBlocks, quantity: str) -> tuple[float, float, float] | None:
    """Return the book's term, widened by what two references of one pH sensor disagree about."""
    term = sensor_term(context, blocks.label, quantity)
    return widened(term, disagreements(context, grid, blocks)) if quantity == "ph_total" else term


def _block_noise(slow: dict[str, SlowBlocks], label: str, quantity: str, stated: float) -> float:
    """Return the noise of a block mean from the spread of its samples; the stated one where a block has no spread."""
    means = slow[label].channels[quantity]
    with np.errstate(invalid="ignore", divide="ignore"):
        noise = means.sd / np.sqrt(np.maximum(means.n, 1))
    finite = noise[np.isfinite(noise)]
    if finite.size:
        return float(np.median(finite))
    used = means.n[np.isfinite(means.mean)]
    return max(stated, 1e-6) / float(np.sqrt(max(np.median(used), 1.0) if used.size else 1.0))


def _bottle_noise(quantity: str, bottles: list[tuple[Bottle, float, float]], laboratory: str) -> float:
    spreads = [sd for bottle, _, sd in bottles if (bottle.laboratory or "laboratory") == laboratory]
    return float(np.hypot(np.median(spreads), MISMATCH_SD.get(quantity, 0.0)))
