"""First-hour verdict of a mission: is every stream what the book says it is, while the divers are still there.

Here:     the first hour in place of every channel of every instrument, its neighbours with known offsets taken off,
          which way velocimeters point, crossed streams; the worst light of each instrument.
Not here: the checks (`quality.first_hour`), the long look (`findings`).
Rules:    only what was known by then is used: side by side and bottles before the hour's end. Red stops, amber asks,
          green goes; what could not be looked at is said.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from reeftally import flow
from reeftally._checks import FloatArray
from reeftally.analysis.context import Context, Record, open_context
from reeftally.analysis.estimates import iso
from reeftally.analysis.grid import NS, Grid, make_grid
from reeftally.analysis.offsets import SensorOffsets, adjust_offsets
from reeftally.analysis.records import BIN, SlowBlocks, Water, load_slow
from reeftally.mission import Deployment, Instrument
from reeftally.quality.first_hour import FirstHour, Verdict, find_swap
from reeftally.quality.first_hour import first_hour as grade_streams
from reeftally.quality.thresholds import SPANS
from reeftally.seawater.oxygen import solubility

__all__ = ["FirstLook", "first_look"]

HOUR_NS = 3600 * NS
VELOCITY = ("velocity_x", "velocity_y", "velocity_z")
# Channels of a fast stream are thinned to this many samples for the checks of level, noise and rate.
MOST_SAMPLES = 8000
# How far corrected sensors may differ in one hour: gradient and patches of the lower two metres (common practice).
NEIGHBOUR_SD = {"oxygen": 0.8, "ph_total": 0.004, "temperature": 0.03, "salinity": 0.03}
WATER_SD = {"oxygen": 0.25, "ph_total": 0.0008, "temperature": 0.002}
GRADIENT_SD = {"oxygen": 0.6, "ph_total": 0.0015, "temperature": 0.003}
ORDER = {"red": 0, "amber": 1, "green": 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstLook:
    """The verdicts."""

    verdicts: tuple[Verdict, ...]
    """One a channel, worst first."""
    streams: tuple[Verdict, ...]
    """One an instrument: its worst light and the reasons for it."""
    not_looked_at: tuple[str, ...]
    start_ns: int
    """Start of the latest first hour that went in."""

    def as_dict(self) -> dict[str, Any]:
        """Return the parts for JSON."""

        def plain(v: Verdict) -> dict[str, Any]:
            return {
                "stream": v.stream, "quantity": v.quantity, "light": v.light, "reasons": list(v.reasons),
                "not_looked_at": list(v.not_looked_at),
            }  # fmt: skip

        return {
            "streams": [plain(v) for v in self.streams],
            "channels": [plain(v) for v in self.verdicts],
            "not_looked_at": list(self.not_looked_at),
            "start": iso(self.start_ns),
        }


def first_look(folder: Path) -> FirstLook:
    """Grade every stream of a mission by its first hour in place.

    Parameters
    ----------
    folder : Path
        Mission folder.

    Returns
    -------
    FirstLook
    """
    context = open_context(folder)
    hours = {row.label: hour for row in context.book.instruments if (hour := _first_place(context, row)) is not None}
    missing = [
        f"{row.label}: {'it has no place on the reef in the book' if row.label not in hours else 'no samples'}"
        for row in context.book.instruments
        if row.label not in hours or not context.has(row.label)
    ]
    hours = {label: place for label, place in hours.items() if context.has(label)}
    if not hours:
        return FirstLook(verdicts=(), streams=(), not_looked_at=tuple(missing), start_ns=0)
    last = max(place.start_ns for place in hours.values()) + HOUR_NS
    grid = make_grid(start_ns=int(context.grid.edges[0]), end_ns=last, block_s=float(context.book.analysis.block_s))
    slow, water = load_slow(context, grid)
    offsets = {
        quantity: found
        for quantity in ("oxygen", "ph_total", "temperature", "salinity")
        if (found := adjust_offsets(context, grid, slow, quantity)) is not None
    }
    streams: list[FirstHour] = []
    for label, place in sorted(hours.items()):
        streams += _streams(context, grid, slow, water, offsets, label, place, hours)
    verdicts = grade_streams(streams)
    verdicts = _with_crossed(context, grid, slow, offsets, hours, verdicts)
    verdicts.sort(key=lambda v: (ORDER[v.light], v.stream, v.quantity))
    return FirstLook(
        verdicts=tuple(verdicts), streams=_worst(verdicts), not_looked_at=tuple(missing), start_ns=last - HOUR_NS
    )


def _first_place(context: Context, instrument: Instrument) -> Deployment | None:
    """Return the first stay on the reef, outside or in the air: not side by side, not carried."""
    rows = [
        place
        for place in context.book.deployments_of(instrument.label)
        if context.book.station(place.station).role in {"bed", "ambient", "reference", "air"}
    ]
    return min(rows, key=lambda place: place.start_ns) if rows else None


def _streams(
    context: Context,
    grid: Grid,
    slow: Mapping[str, SlowBlocks],
    water: Water,
    offsets: Mapping[str, SensorOffsets],
    label: str,
    place: Deployment,
    hours: Mapping[str, Deployment],
) -> list[FirstHour]:
    instrument = context.book.instrument(label)
    stored = [name for name in context.store.streams()[label].channels if BIN not in name]
    together = max(place.start_ns, *(h.start_ns for h in hours.values() if h.station == place.station))
    start = together if together < place.start_ns + HOUR_NS else place.start_ns
    record = context.read(label, start_ns=start, end_ns=start + HOUR_NS, channels=stored or None)
    if not stored:
        # A profiler without other channels: its rate and count are those of its first bin.
        first = sorted(context.store.streams()[label].channels)[:1]
        record = context.read(label, start_ns=start, end_ns=start + HOUR_NS, channels=first)
    stated = instrument.sample_interval_s
    orientation = _upward(record, stated) if "velocity_z" in record.channels else None
    if orientation is not None and _turned(context, label, start + HOUR_NS // 2):
        orientation = -orientation
    out: list[FirstHour] = []
    for channel, raw in record.channels.items():
        if channel in {"correlation", "signal_to_noise", "inlet"}:
            continue
        values = np.asarray(raw, dtype=np.float64)
        seconds = record.seconds()
        quantity = "oxygen" if channel == "oxygen_molar" else channel
        noise = next((t.noise_sd for t in instrument.terms if t.quantity in {channel, quantity}), 0.0)
        interval = stated
        if values.size > MOST_SAMPLES:
            # Every so many samples; rate and count are judged by what they were.
            stride = int(np.ceil(values.size / MOST_SAMPLES))
            if abs(float(np.median(np.diff(seconds))) / stated - 1.0) <= 0.02:
                values, seconds, interval = values[::stride], seconds[::stride], stated * stride
        one = FirstHour(
            stream=label,
            quantity=channel if channel in SPANS or channel.startswith("velocity") else quantity,
            time=seconds,
            values=values,
            interval=interval,
            # Waves move a velocimeter's samples far more than its noise does, and light is not noise at all.
            noise_sd=0.0 if channel.startswith("velocity") or channel == "par" else noise,
            vertical_z=orientation if channel == "velocity_z" else None,
        )
        if channel.startswith("velocity") and channel != "velocity_z":
            one = replace(one, vertical_z=float("inf"))
        if channel in {"oxygen_molar", "oxygen"} and label in slow and "oxygen" in slow[label].channels:
            one = replace(one, saturation=_saturation(grid, slow[label], water, start))
        if quantity in offsets and label in offsets[quantity].labels:
            one = _beside(context, grid, slow, offsets[quantity], one, label, start, channel)
        if channel == "pressure":
            one = replace(one, depth=context.book.site.water_depth_m - place.height_above_bed_m)
        out.append(one)
    return out


def _upward(record: Record, interval: float) -> float | None:
    """Return the evidence that z points up in an hour: that of four quarters together."""
    parts = []
    for quarter in np.array_split(np.arange(record.time_ns.size), 4):
        if quarter.size < 600:
            continue
        velocity = np.stack([np.asarray(record.channels[name], dtype=np.float64)[quarter] for name in VELOCITY])
        centre = np.nanmedian(velocity, axis=1, keepdims=True)
        spread = 1.4826 * np.nanmedian(np.abs(velocity - centre), axis=1, keepdims=True)
        clipped = np.clip(np.where(np.isfinite(velocity), velocity, centre), centre - 5 * spread, centre + 5 * spread)
        parts.append(float(flow.orientation(velocity=clipped, sample_rate=1.0 / interval).z))
    return float(np.sum(parts) / np.sqrt(len(parts))) if parts else None


def _turned(context: Context, label: str, instant: int) -> bool:
    """Return whether the log has a velocimeter turned over at an instant: then it is known and put right."""
    return any(
        flip.instrument == label
        and (flip.start_ns is None or flip.start_ns <= instant)
        and (flip.end_ns is None or instant < flip.end_ns)
        for flip in context.axis_flips
    )


def _hour(grid: Grid, start: int) -> slice:
    first = int(grid.index(np.array([start + grid.block_ns // 2]))[0])
    return slice(max(first, 0), max(first, 0) + max(round(HOUR_NS / grid.block_ns), 1))


def _saturation(grid: Grid, blocks: SlowBlocks, water: Water, start: int) -> FloatArray | None:
    part = _hour(grid, start)
    own = blocks.channels.get("temperature")
    temperature = own.mean[part] if own is not None else water.temperature[part]
    full = solubility(temperature=temperature, salinity=water.salinity[part])
    share = 100.0 * blocks.channels["oxygen"].mean[part] / np.asarray(full)
    return share if np.isfinite(share).any() else None


def _beside(
    context: Context,
    grid: Grid,
    slow: Mapping[str, SlowBlocks],
    known: SensorOffsets,
    one: FirstHour,
    label: str,
    start: int,
    channel: str,
) -> FirstHour:
    """Add the level of the neighbours, as far as the sensor's own unit allows it."""
    quantity = known.quantity
    part = _hour(grid, start)
    errors = known.adjustment.at(grid.seconds[part])
    levels = []
    for other in known.labels:
        place = context.book.deployment_at(other, start + HOUR_NS // 2)
        if other == label or place is None or context.book.station(place.station).role not in {"bed", "ambient"}:
            continue
        levels.append(slow[other].channels[quantity].mean[part] - errors[known.row(other)])
    own_place = context.book.deployment_at(label, start + HOUR_NS // 2)
    if not levels or own_place is None or context.book.station(own_place.station).role not in {"bed", "ambient"}:
        return one
    with np.errstate(invalid="ignore"):
        level = float(np.nanmean(np.stack(levels))) if np.isfinite(np.stack(levels)).any() else float("nan")
    own = slow[label].channels[quantity].mean[part]
    if not (np.isfinite(level) and np.isfinite(own).any()):
        return one
    # The difference is one of block means of the derived quantity; the check wants it at the samples' times.
    difference = float(np.nanmean(own - errors[known.row(label)])) - level
    covariance = known.adjustment.covariance_at(float(grid.seconds[part][0]))
    row = known.row(label)
    sd = float(np.hypot(NEIGHBOUR_SD.get(quantity, 0.0), np.sqrt(max(covariance[row, row], 0.0))))
    if sd <= 0.0:
        return one
    return replace(one, neighbour=one.values - difference, neighbour_sd=sd)


def _with_crossed(
    context: Context,
    grid: Grid,
    slow: Mapping[str, SlowBlocks],
    offsets: Mapping[str, SensorOffsets],
    hours: Mapping[str, Deployment],
    verdicts: list[Verdict],
) -> list[Verdict]:
    """Turn streams red that fit better in each other's place."""
    reasons: dict[str, str] = {}
    for kind in sorted({context.book.instrument(label).kind for label in hours}):
        labels = [
            label
            for label, place in sorted(hours.items())
            if context.book.instrument(label).kind == kind
            and context.book.station(place.station).role in {"bed", "ambient"}
            and label in slow
        ]
        if len(labels) < 2:
            continue
        for quantity, known in offsets.items():
            members = [label for label in labels if label in known.labels and quantity in WATER_SD]
            if len(members) < 2:
                continue
            for swap in _swaps(context, grid, slow, known, members, hours):
                text = (
                    f"its {quantity.replace('_', ' ')} fits in the place of {{other}}, and that one's here: "
                    f"look whether the two cables are crossed ({swap.evidence})"
                )
                reasons.setdefault(swap.first, text.format(other=swap.second))
                reasons.setdefault(swap.second, text.format(other=swap.first))
    if not reasons:
        return verdicts
    out, told = [], set()
    for verdict in verdicts:
        words = reasons.get(verdict.stream)
        if words is not None and verdict.stream not in told:
            told.add(verdict.stream)
            out.append(replace(verdict, light="red", reasons=(words, *verdict.reasons)))
        else:
            out.append(verdict)
    return out


def _swaps(
    context: Context,
    grid: Grid,
    slow: Mapping[str, SlowBlocks],
    known: SensorOffsets,
    members: list[str],
    hours: Mapping[str, Deployment],
) -> list[Any]:
    quantity = known.quantity
    start = max(hours[label].start_ns for label in members)
    part = _hour(grid, start)
    middle = float(grid.seconds[part].mean())
    covariance = known.adjustment.covariance_at(middle)
    errors = known.adjustment.at(middle)[:, 0]
    rows = [known.row(label) for label in members]
    readings = np.stack([slow[label].channels[quantity].mean[part] for label in members])
    if not np.isfinite(readings).any(axis=1).all():
        return []
    displacement = context.book.site.displacement_height_m
    heights = [max(hours[label].height_above_bed_m - displacement, 0.02) for label in members]
    # What all offsets share does not tell one stream from another; what is left is each one's own.
    own = covariance[np.ix_(rows, rows)] - covariance[np.ix_(rows, rows)].mean()
    return find_swap(
        names=tuple(members),
        readings=readings,
        offsets=errors[rows],
        offset_sd=np.sqrt(np.maximum(np.diag(own), 0.0)),
        heights=heights,
        water_sd=WATER_SD[quantity],
        gradient_sd=GRADIENT_SD[quantity],
    )


def _worst(verdicts: list[Verdict]) -> tuple[Verdict, ...]:
    """Return one verdict an instrument: its worst light, and all reasons of that light."""
    out: dict[str, Verdict] = {}
    for verdict in verdicts:
        held = out.get(verdict.stream)
        if held is None:
            out[verdict.stream] = replace(verdict, quantity="all" if not verdict.reasons else verdict.quantity)
            continue
        reasons = (*held.reasons, *verdict.reasons) if held.light == verdict.light else held.reasons
        skipped = tuple(dict.fromkeys((*held.not_looked_at, *verdict.not_looked_at)))
        out[verdict.stream] = replace(held, reasons=reasons, not_looked_at=skipped)
    return tuple(out.values())
