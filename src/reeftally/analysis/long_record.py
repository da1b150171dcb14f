"""The long record of a station: hours referred to service bottles, and their calendar months.

Here:     `is_long`, `StationRecord`, `station_records`: readings by deployment, misfits of bottles, overlaps, months.
Not here: trends, steps and status (`years`, `status`), the adjustment to bottles (`reeftally.ledger`).
Rules:    nothing is filled in; a month with less than half of its blocks is missing. Every sensor is referred to its
          service bottles; what that leaves open travels with the months as calibration shapes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from reeftally import ledger
from reeftally._checks import FloatArray
from reeftally.analysis.context import Context
from reeftally.analysis.grid import NS, Grid
from reeftally.analysis.offsets import MISMATCH_SD, in_situ, usable_bottles
from reeftally.analysis.records import SlowBlocks, interpolate_within
from reeftally.ledger import Referred
from reeftally.mission import Book, Deployment, to_ns

__all__ = ["LEAST_YEARS", "YEAR_NS", "Change", "Misfits", "StationRecord", "is_long", "station_records", "years_since"]

LEAST_YEARS = 3.0
"""A record at least this long is analysed as a long record: trend, steps, status of its years."""
YEAR_NS = 365.25 * 86_400.0 * NS
DAYS = 365.25
LEAST_SHARE = 0.5
# Two sensors side by side in one water agree no better than this, however long they stand (common practice, no source).
OVERLAP_SD = 0.0005
# Prior of a pH sensor whose book gives no term: a sensor fresh from conditioning (common practice, no source).
UNSTATED_OFFSET_SD = 0.02
PLACES = ("bed", "ambient", "reference")


def is_long(book: Book) -> bool:
    """Return whether a mission is a long record."""
    return (to_ns(book.mission.end) - to_ns(book.mission.start)) >= LEAST_YEARS * YEAR_NS


def years_since(book: Book, time_ns: npt.ArrayLike) -> FloatArray:
    """Return years of 365.25 days since the start of the mission."""
    return np.asarray((np.asarray(time_ns, dtype=np.float64) - to_ns(book.mission.start)) / YEAR_NS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One sensor followed by another at a station."""

    older: str
    newer: str
    time_ns: int
    overlap: tuple[float, float] | None
    """Newer minus older side by side, and its standard uncertainty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Misfits:
    """Sensor minus bottle at service visits."""

    label: npt.NDArray[np.str_]
    time: FloatArray
    """[yr]"""
    value: FloatArray
    sd: float
    """Stated, of one misfit."""


@dataclass(slots=True, kw_only=True)
class StationRecord:
    """What one station's sensors said over the years."""

    name: str
    role: str
    reading: FloatArray
    """pH as read, (blocks,)."""
    deployment: npt.NDArray[np.int64]
    """Which of `labels` read it, -1 where none, (blocks,)."""
    labels: tuple[str, ...]
    spans: dict[str, tuple[float, float]]
    """Stay of every label. [yr]"""
    offset_prior_sd: dict[str, float]
    drift_prior_sd: dict[str, float]
    """[yr-1]"""
    noise_sd: float
    """Largest noise of one reading that the book states for these sensors."""
    referred: Referred
    misfits: Misfits
    changes: tuple[Change, ...]
    corrected: FloatArray
    """pH referred to bottles, (blocks,)."""
    temperature: FloatArray
    salinity: FloatArray
    month: FloatArray
    """Middles of calendar months. [yr]"""
    month_edges_ns: npt.NDArray[np.int64]
    monthly: FloatArray
    """Means of the referred readings, (months,); NaN where half the blocks are missing."""
    monthly_reading: FloatArray
    """The same as read."""
    monthly_temperature: FloatArray
    monthly_salinity: FloatArray
    shapes: FloatArray
    """What one standard uncertainty of each independent calibration error adds to the months, (months, k)."""
    month_label: npt.NDArray[np.str_]
    alkalinity: tuple[float, float] | None
    """Mean of the station's bottles and its standard error. [µmol kg-1]"""
    notes: list[str] = field(default_factory=list)

    @property
    def measured(self) -> int:
        """Months with a value."""
        return int(np.isfinite(self.monthly).sum())


def station_records(context: Context, grid: Grid, slow: dict[str, SlowBlocks]) -> list[StationRecord]:
    """Return the record of every station that holds pH, the reef's first."""
    out = []
    for place in sorted(context.book.stations, key=lambda row: PLACES.index(row.role) if row.role in PLACES else 9):
        if place.role not in PLACES:
            continue
        record = _station(context, grid, slow, place.name, place.role)
        if record is not None:
            out.append(record)
    return out


def _key(label: str, number: int, of: int) -> str:
    return label if of == 1 else f"{label} ({number + 1})"


def _station(context: Context, grid: Grid, slow: dict[str, SlowBlocks], name: str, role: str) -> StationRecord | None:
    book = context.book
    rows = sorted(
        (
            d
            for d in book.deployments
            if d.station == name and d.instrument in slow and "ph_total" in slow[d.instrument].channels
        ),
        key=lambda d: d.start_ns,
    )
    if not rows:
        return None
    reading, temperature, salinity = (np.full(grid.count, np.nan) for _ in range(3))
    which = np.full(grid.count, -1, dtype=np.int64)
    labels: list[str] = []
    spans: dict[str, tuple[float, float]] = {}
    offset_sd: dict[str, float] = {}
    drift_sd: dict[str, float] = {}
    noise = [0.0]
    for number, row in enumerate(rows):
        stays = [d for d in rows if d.instrument == row.instrument]
        key = _key(row.instrument, stays.index(row), len(stays))
        labels.append(key)
        inside = grid.mids_in(row.start_ns, row.end_ns)
        channels = slow[row.instrument].channels
        values = channels["ph_total"].mean
        use = inside & np.isfinite(values)
        reading[use], which[use] = values[use], number
        for held, quantity in ((temperature, "temperature"), (salinity, "salinity")):
            if quantity in channels:
                held[inside] = channels[quantity].mean[inside]
        spans[key] = (float(years_since(book, row.start_ns)), float(years_since(book, row.end_ns)))
        term = book.instrument(row.instrument).term("ph_total")
        offset_sd[key] = term.offset_sd if term is not None else UNSTATED_OFFSET_SD
        noise.append(term.noise_sd if term is not None else 0.0)
        drift_sd[key] = (term.drift_sd_per_day or 0.0) * DAYS if term is not None else 0.0
    misfits = _misfits(context, grid, name, labels, reading, which)
    changes = _changes(context, grid, slow, rows, labels)
    overlaps = [
        (c.older, c.newer, float(years_since(book, c.time_ns)), *c.overlap) for c in changes if c.overlap is not None
    ]
    referred = ledger.refer_to_bottles(
        spans=spans,
        offset_prior_sd=offset_sd,
        drift_prior_sd=drift_sd,
        label=misfits.label,
        time=misfits.time,
        misfit=misfits.value,
        misfit_sd=misfits.sd,
        overlaps=overlaps,
    )
    on = which >= 0
    corrected = reading.copy()
    names = np.asarray(labels)
    at = years_since(book, grid.mids)
    corrected[on] -= referred.correction(label=names[which[on]], time=at[on])
    alkalinity = [value for bottle, value, _ in usable_bottles(context, "total_alkalinity") if bottle.station == name]
    return StationRecord(
        name=name,
        role=role,
        reading=reading,
        deployment=which,
        labels=tuple(labels),
        spans=spans,
        offset_prior_sd=offset_sd,
        drift_prior_sd=drift_sd,
        noise_sd=max(noise),
        referred=referred,
        misfits=misfits,
        changes=changes,
        corrected=corrected,
        temperature=temperature,
        salinity=salinity,
        **_months(context, grid, reading, corrected, which, labels, referred, temperature, salinity),
        alkalinity=(float(np.mean(alkalinity)), float(np.std(alkalinity) / np.sqrt(len(alkalinity))))
        if len(alkalinity) > 2
        else None,
    )


def _misfits(
    context: Context,
    grid: Grid,
    station: str,
    labels: list[str],
    reading: FloatArray,
    which: npt.NDArray[np.int64],
) -> Misfits:
    """Return sensor minus bottle for the bottles of a station."""
    names: list[str] = []
    times: list[float] = []
    values: list[float] = []
    spreads: list[float] = []
    block_s = grid.block_s
    for bottle, value, sd in usable_bottles(context, "ph_total"):
        if bottle.station != station:
            continue
        index = int(grid.index(bottle.time_ns))
        if index < 0 or which[index] < 0:
            continue
        ph = in_situ(context, "ph_total", bottle, value)
        same = which == which[index]
        beside = interpolate_within(
            np.array([bottle.time_ns / NS]),
            grid.seconds,
            np.where(same, reading, np.nan),
            longest=max(3.0 * block_s, 3600.0),
        )[0]
        if not np.isfinite(ph) or not np.isfinite(beside):
            continue
        names.append(labels[int(which[index])])
        times.append(float(years_since(context.book, bottle.time_ns)))
        values.append(float(beside - ph))
        spreads.append(sd)
    single = float(np.hypot(np.median(spreads), MISMATCH_SD["ph_total"])) if spreads else 0.0
    return Misfits(label=np.asarray(names, dtype=np.str_), time=np.array(times), value=np.array(values), sd=single)


def _changes(
    context: Context, grid: Grid, slow: dict[str, SlowBlocks], rows: list[Deployment], labels: list[str]
) -> tuple[Change, ...]:
    """Return every change from one sensor to another, with what they said side by side."""
    out = []
    for number, (older, newer) in enumerate(pairwise(rows), start=1):
        if older.instrument == newer.instrument:
            continue
        differences = []
        for period in context.book.intercalibrations:
            if older.instrument in period.instruments and newer.instrument in period.instruments:
                inside = grid.mids_in(period.start_ns, period.end_ns)
                pair = [slow[d.instrument].channels["ph_total"].mean[inside] for d in (older, newer)]
                rest = pair[1] - pair[0]
                differences.append(rest[np.isfinite(rest)])
        together = np.concatenate(differences) if differences else np.empty(0)
        overlap = None
        if together.size >= 6:
            # Hours of one week are alike: as many independent values as there are days (common practice, no source).
            days = max(2.0, together.size * grid.block_s / 86400.0)
            overlap = float(together.mean()), float(np.hypot(together.std(ddof=1) / np.sqrt(days), OVERLAP_SD))
        out.append(Change(older=labels[number - 1], newer=labels[number], time_ns=newer.start_ns, overlap=overlap))
    return tuple(out)


def _months(
    context: Context,
    grid: Grid,
    reading: FloatArray,
    corrected: FloatArray,
    which: npt.NDArray[np.int64],
    labels: list[str],
    referred: Referred,
    temperature: FloatArray,
    salinity: FloatArray,
) -> dict[str, Any]:
    """Reduce blocks to calendar months."""
    mission = context.book.mission
    first = np.datetime64(mission.start.strftime("%Y-%m"), "M")
    last = np.datetime64(mission.end.strftime("%Y-%m"), "M") + 1
    edges = np.arange(first, last + 1).astype("datetime64[ns]").astype(np.int64)
    edges = edges[: int(np.searchsorted(edges, to_ns(mission.end), side="left")) + 1]
    month = np.searchsorted(edges, grid.mids, side="right") - 1
    inside = (month >= 0) & (month < edges.size - 1)
    count = edges.size - 1
    whole = np.diff(edges) / grid.block_ns

    def mean(values: FloatArray) -> FloatArray:
        use = inside & np.isfinite(values) & (which >= 0)
        n = np.bincount(month[use], minlength=count)
        total = np.bincount(month[use], weights=values[use], minlength=count)
        return np.asarray(np.where(n >= LEAST_SHARE * whole, total / np.maximum(n, 1), np.nan))

    monthly = mean(corrected)
    middles = years_since(context.book, 0.5 * (edges[:-1] + edges[1:]))
    # Shapes of the months: means of the shapes of their blocks, so a month shared by two sensors has parts of both.
    on = inside & (which >= 0) & np.isfinite(corrected)
    at = years_since(context.book, grid.mids)
    by_block = referred.shapes(label=np.asarray(labels)[which[on]], time=at[on])
    n = np.maximum(np.bincount(month[on], minlength=count), 1)
    shapes = np.column_stack([np.bincount(month[on], weights=column, minlength=count) / n for column in by_block.T])
    most = np.zeros((len(labels), count))
    for number in range(len(labels)):
        most[number] = np.bincount(month[on & (which == number)], minlength=count)
    return {
        "month": middles,
        "month_edges_ns": edges,
        "monthly": monthly,
        "monthly_reading": mean(reading),
        "monthly_temperature": mean(temperature),
        "monthly_salinity": mean(salinity),
        "shapes": shapes,
        "month_label": np.asarray(labels)[most.argmax(axis=0)],
    }
