"""Findings about whole sensors: another pH scale for a dive, settling after the start, units and settings.

Here:     the level of each dive of a carried pH sensor against the water, settling that the adjustment found, checks of
          unit, voltage, salinity setting, thermometer and pressure against physics, neighbours and bottles.
Not here: the checks themselves (`quality.values`), the adjustment (`offsets`).
Rules:    a unit or scale is never guessed into use: what would explain the readings is proposed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.analysis.causes import named_causes
from reeftally.analysis.context import Context
from reeftally.analysis.estimates import iso
from reeftally.analysis.finding import NOTED, SERIOUS, Finding, stretch
from reeftally.analysis.grid import NS
from reeftally.analysis.offsets import SensorOffsets, usable_bottles
from reeftally.analysis.records import SlowBlocks, Water, interpolate_within
from reeftally.mission import AddValue
from reeftally.quality import values as checks
from reeftally.quality.doubts import Doubt
from reeftally.quality.faults import ph_scale_shifts

__all__ = ["sensor_findings"]

HOUR_NS = 3600 * NS
# A silence of half an hour ends a dive of a carried sensor.
DIVE_PAUSE_NS = HOUR_NS // 2
# A dive on another scale stands apart from the others by this much, and lies this near to the distance of two scales.
APART, NEAR = 0.03, 0.015
# Settling is told from so many standard uncertainties and from this size.
CLEAR, LEAST_SETTLING = 3.5, 0.004


def sensor_findings(
    context: Context, slow: Mapping[str, SlowBlocks], water: Water, offsets: Mapping[str, SensorOffsets]
) -> Iterator[Finding]:
    """Yield the findings about whole sensors."""
    yield from _carried_scales(context, slow, water, offsets)
    yield from _settling(offsets)
    yield from _physics(context, slow, water)


def _carried_scales(
    context: Context, slow: Mapping[str, SlowBlocks], water: Water, offsets: Mapping[str, SensorOffsets]
) -> Iterator[Finding]:
    adjusted = offsets.get("ph_total")
    if adjusted is None:
        return
    level = _water_level(context, slow, adjusted)
    for label in adjusted.labels:
        places = context.book.deployments_of(label)
        if not any(context.book.station(d.station).role == "carried" for d in places):
            continue
        if "ph_total" not in context.store.streams()[label].channels:
            continue
        record = context.read(label, channels=["ph_total"])
        if record.time_ns.size < 60:
            continue
        seconds = record.seconds()
        ambient = interpolate_within(seconds, context.grid.seconds, level, longest=7200.0)
        # The error runs slowly: its course over blocks is enough, and a second's samples are many.
        error = np.interp(
            seconds, context.grid.seconds, adjusted.adjustment.at(context.grid.seconds)[adjusted.row(label)]
        )
        apart = np.asarray(record.channels["ph_total"], dtype=np.float64) - error - ambient
        dives = _dives(record.time_ns)
        # Plumes lower pH for part of a dive; its upper quartile is the water between them.
        stands = np.array([_upper(apart[first:end]) for first, end in dives])
        if np.isfinite(stands).sum() < 4:
            continue
        usual = float(np.nanmedian(stands))
        spread = 1.4826 * float(np.nanmedian(np.abs(stands - usual)))
        for number in np.flatnonzero(np.abs(stands - usual) > max(APART, 6.0 * spread)):
            yield from _scale(context, water, label, record.time_ns, dives, int(number), float(stands[number] - usual))


def _water_level(context: Context, slow: Mapping[str, SlowBlocks], adjusted: SensorOffsets) -> FloatArray:
    """Return the pH of the reef's water in blocks: the mean of the corrected fixed sensors that are there."""
    grid = context.grid
    errors = adjusted.adjustment.at(grid.seconds)
    rows = []
    for label in adjusted.labels:
        roles = {context.book.station(d.station).role for d in context.book.deployments_of(label)}
        if roles & {"bed", "ambient"} and not roles & {"reference", "carried"}:
            rows.append(slow[label].channels["ph_total"].mean - errors[adjusted.row(label)])
    if not rows:
        return np.full(grid.count, np.nan)
    stack = np.stack(rows)
    count = np.isfinite(stack).sum(axis=0)
    return np.where(count > 0, np.nansum(stack, axis=0) / np.maximum(count, 1), np.nan)


def _dives(time_ns: npt.NDArray[np.int64]) -> list[tuple[int, int]]:
    cuts = np.flatnonzero(np.diff(time_ns) > DIVE_PAUSE_NS) + 1
    return list(zip([0, *cuts.tolist()], [*cuts.tolist(), time_ns.size], strict=True))


def _upper(values: FloatArray) -> float:
    finite = values[np.isfinite(values)]
    return float(np.quantile(finite, 0.75)) if finite.size >= 30 else float("nan")


def _scale(
    context: Context,
    water: Water,
    label: str,
    time_ns: npt.NDArray[np.int64],
    dives: list[tuple[int, int]],
    number: int,
    off: float,
) -> Iterator[Finding]:
    first, end = dives[number]
    begin, stop = int(time_ns[first]), int(time_ns[end - 1])
    block = np.clip(context.grid.index(np.array([(begin + stop) // 2])), 0, context.grid.count - 1)
    temperature, salinity = (float(getattr(water, name)[block][0]) for name in ("temperature", "salinity"))
    if not (np.isfinite(temperature) and np.isfinite(salinity)):
        return
    shifts = ph_scale_shifts(temperature=temperature, salinity=salinity)
    likely = min(shifts, key=lambda name: abs(off - shifts[name]))
    fits = abs(off - shifts[likely]) <= NEAR
    # The whole pause on either side belongs to the dive, so that a clock put right later does not move it out.
    low = (int(time_ns[dives[number - 1][1] - 1]) + begin) // 2 if number > 0 else begin
    high = (stop + int(time_ns[dives[number + 1][0]])) // 2 if number + 1 < len(dives) else stop + 1
    low, high = max(low, begin - 3 * HOUR_NS), min(high, stop + 3 * HOUR_NS)
    where = "at 25 °C" if likely == "at 25 degC" else f"on the {likely} scale"
    correction = None
    if fits:
        correction = AddValue(
            instrument=label, channel="ph_total", start=stretch(low), end=stretch(high),
            value=round(-shifts[likely], 4), sd=0.002,
        ).model_dump(mode="json")  # fmt: skip
    yield Finding(
        id=f"scale-{label}-{iso(begin)[:16].replace(':', '')}",
        severity=SERIOUS,
        subject=label,
        what=f"{label}: its pH stands {off:+.3f} off on one dive, {iso(begin)} to {iso(stop)}"
        + (f": it was read {where}." if fits else "."),
        evidence=f"against the water about it, the other {len(dives) - 1} dives as a measure; pH {where} differs by "
        f"{shifts[likely]:+.3f} at {temperature:.1f} °C and salinity {salinity:.1f}",
        proposal=f"add {-shifts[likely]:+.3f} to that dive; look at the scale the instrument was set to"
        if fits
        else "hold it beside a bottle; look at scale, coefficients and temperature of that file",
        correction=correction,
        start_ns=begin,
        end_ns=stop,
        **named_causes(
            ("ph scale", f"{off:+.3f}, the distance of two scales"), ("calibration", f"{off:+.3f} on one dive only")
        ),
    )


def _settling(offsets: Mapping[str, SensorOffsets]) -> Iterator[Finding]:
    """Tell of sensors that settled after the start; the adjustment takes it off."""
    for quantity, known in offsets.items():
        adjustment = known.adjustment
        times = adjustment.shape.settling_times
        if not times:
            continue
        n = adjustment.shape.sensors
        for row, label in enumerate(known.labels):
            places = [(2 + k) * n + row for k in range(len(times))]
            amplitude = float(adjustment.parameters[places].sum())
            sd = float(np.sqrt(max(adjustment.covariance[np.ix_(places, places)].sum(), 0.0)))
            if sd <= 0.0 or abs(amplitude) < max(CLEAR * sd, LEAST_SETTLING):
                continue
            shares = np.abs(adjustment.parameters[places])
            days = float((shares * np.array(times)).sum() / shares.sum()) / 86400.0
            yield Finding(
                id=f"settling-{label}-{quantity}",
                severity=NOTED,
                subject=label,
                what=f"{label}: {quantity} settled: it began {amplitude:+.3g} off and came to rest over days.",
                evidence=f"standard uncertainty {sd:.2g}; time constant about {days:.1f} days, from side by side, "
                "neighbours and bottles",
                proposal="nothing to do: the adjustment of all sensors takes it off, with its uncertainty",
                **named_causes(("settling", f"{amplitude:+.3g} at the start"), ("drift", "a straight line fits worse")),
            )


def _physics(context: Context, slow: Mapping[str, SlowBlocks], water: Water) -> Iterator[Finding]:
    for label, blocks in sorted(slow.items()):
        instrument = context.book.instrument(label)
        stored = context.store.streams()[label].channels
        roles = {context.book.station(d.station).role for d in context.book.deployments_of(label)}
        found: list[tuple[str, Doubt | None]] = []
        if "oxygen" in blocks.channels and "air" not in roles:
            mean = blocks.channels["oxygen"].mean
            if np.isfinite(mean).any() and np.isfinite(water.temperature).any():
                found.append(
                    (
                        "oxygen",
                        checks.oxygen_unit(oxygen=mean, temperature=water.temperature, salinity=water.salinity),
                    )
                )
                found.append(("oxygen", _setting(context, label, mean, water, instrument.salinity_setting)))
        found += [
            (channel, checks.looks_like_voltage(values=blocks.channels[channel].mean))
            for channel in ("ph_total", "ph_free", "ph_seawater", "ph_nbs")
            if channel in stored and channel in blocks.channels and np.isfinite(blocks.channels[channel].mean).any()
        ]
        on_reef = roles <= {"bed", "ambient", "side by side"}
        if "temperature" in blocks.channels and instrument.kind != "ctd" and on_reef:
            both = np.isfinite(blocks.channels["temperature"].mean) & np.isfinite(water.temperature)
            if both.sum() >= 8:
                found.append(
                    (
                        "temperature",
                        checks.optode_temperature(
                            temperature=blocks.channels["temperature"].mean[both], reference=water.temperature[both]
                        ),
                    )
                )
        if "pressure" in stored and "pressure" in blocks.channels:
            depth = _depth(context, label)
            mean = blocks.channels["pressure"].mean
            if depth is not None and np.isfinite(mean).any():
                found.append(("pressure", checks.air_in_pressure(pressure=mean, depth=depth, depth_sd=0.3)))
        for channel, doubt in found:
            if doubt is not None:
                yield _from_doubt(label, channel, doubt)


def _setting(context: Context, label: str, mean: FloatArray, water: Water, declared: float | None) -> Doubt | None:
    """Hold an optode against the bottles drawn beside it."""
    if declared is None:
        return None
    reading, reference = [], []
    for bottle, value, _ in usable_bottles(context, "oxygen"):
        place = context.book.deployment_at(label, bottle.time_ns)
        block = int(context.grid.index(np.array([bottle.time_ns]))[0])
        near = place is not None and place.station == bottle.station
        if near and block >= 0 and np.isfinite(mean[block]):
            reading.append(float(mean[block]))
            reference.append(value)
    if len(reading) < 3:
        return None
    return checks.salinity_setting(
        reading=reading,
        reference=reference,
        temperature=float(np.nanmedian(water.temperature)),
        salinity=float(np.nanmedian(water.salinity)),
        declared=declared,
    )


def _depth(context: Context, label: str) -> float | None:
    places = [d for d in context.book.deployments_of(label) if context.book.station(d.station).role == "bed"]
    if not places:
        return None
    return context.book.site.water_depth_m - places[0].height_above_bed_m


def _from_doubt(label: str, channel: str, doubt: Doubt) -> Finding:
    return Finding(
        id=f"{doubt.kind.replace(' ', '-')}-{label}-{channel}",
        severity=doubt.severity,
        subject=label,
        what=f"{label}: {channel}: found {doubt.found}.",
        evidence=f"expected {doubt.wanted}",
        proposal=doubt.proposal,
    )
