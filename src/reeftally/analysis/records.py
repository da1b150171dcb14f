"""Slow records: flags, sensor equations, block means, for every instrument below 2 Hz.

Here:     reading each instrument once, flags of each channel, oxygen by mass, sea pressure, total-scale pH.
Not here: velocimeters and fast sensors (`bursts`), carried sensors (`organisms`), offsets (`offsets`).
Rules:    samples flagged suspect or failed are not used; nothing is filled; what is missing to convert a channel
          is said by name and the channel is withheld.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.analysis.context import Context, Record
from reeftally.analysis.grid import NS, BlockMeans, Grid, block_means
from reeftally.analysis.twins import combine
from reeftally.mission import Instrument
from reeftally.quality.record import RecordFlags, flag_record
from reeftally.quality.thresholds import Span
from reeftally.seawater import oxygen as oxygen_equations
from reeftally.seawater import ph as ph_equations

__all__ = ["SlowBlocks", "Water", "flagged_record", "interpolate_within", "load_slow", "slow_instruments"]

# Longest stretch over which temperature or salinity of the water is carried to a neighbour's sample. [s]
LONGEST_BRIDGE_S = 3600.0
# Channels that turn: their mean is that of directions, and 359 is next to 1.
DIRECTIONS = ("direction_to", "heading")
# Mark of a profiler's bins in channel names, and how many of them are held in memory at once.
BIN = "_bin_"
BINS_AT_ONCE = 8
# Pressure of one standard atmosphere, used only where no air-pressure record reaches. [dbar]
ATMOSPHERE_DBAR = 10.1325


@dataclass(slots=True)
class SlowBlocks:
    """What one slow instrument said, in blocks."""

    label: str
    kind: str
    channels: dict[str, BlockMeans] = field(default_factory=dict)
    """Block means by quantity."""
    flags: dict[str, RecordFlags] = field(default_factory=dict)
    """Flags by channel as stored."""
    withheld: dict[str, str] = field(default_factory=dict)
    """Quantities that could not be given, with the reason."""
    samples: int = 0
    """Samples read."""


@dataclass(slots=True)
class Water:
    """Temperature, salinity and pressure of the water in blocks, for sensor equations."""

    grid: Grid
    temperature: FloatArray
    salinity: FloatArray
    pressure: FloatArray
    air_pressure: FloatArray

    def at(self, name: str, time_ns: npt.NDArray[np.int64]) -> FloatArray:
        """Return a property at instants, interpolated between blocks no further than an hour apart."""
        return interpolate_within(
            time_ns.astype(np.float64) / NS, self.grid.seconds, getattr(self, name), longest=LONGEST_BRIDGE_S
        )


def interpolate_within(at: FloatArray, time: FloatArray, values: FloatArray, *, longest: float) -> FloatArray:
    """Interpolate linearly, but never across a gap longer than `longest` nor beyond half of it at the ends."""
    good = np.isfinite(values)
    if not good.any():
        return np.full(at.shape, np.nan)
    t, v = time[good], values[good]
    out = np.interp(at, t, v)
    right = np.clip(np.searchsorted(t, at), 0, t.size - 1)
    left = np.clip(right - 1, 0, t.size - 1)
    inside = (at >= t[0]) & (at <= t[-1])
    far = np.where(
        inside, t[right] - t[left] > longest, np.minimum(np.abs(at - t[0]), np.abs(at - t[-1])) > longest / 2
    )
    return np.where(far, np.nan, out)


def slow_instruments(context: Context) -> list[Instrument]:
    """Return the instruments that are reduced here: fixed, below 2 Hz, with something in the store."""
    fast = {"velocimeter", "fast_oxygen"}
    return [
        row
        for row in context.book.instruments
        if row.kind not in fast and row.sample_interval_s >= 0.5 and context.has(row.label)
    ]


def _is_carried(context: Context, label: str) -> bool:
    roles = {context.book.station(d.station).role for d in context.book.deployments_of(label)}
    return bool(roles) and roles <= {"carried"}


def _span(context: Context, quantity: str) -> Span | None:
    spans = context.book.analysis.gross_range or {}
    if quantity not in spans:
        return None
    low, high, user_low, user_high = spans[quantity]
    return Span((low, high), (user_low, user_high))


def _noise(instrument: Instrument, quantity: str) -> float:
    for term in instrument.terms:
        if term.quantity == quantity or (term.quantity == "oxygen" and quantity == "oxygen_molar"):
            return term.noise_sd
    return 0.0


def _flagged(context: Context, instrument: Instrument, record: Record, channel: str, *, carried: bool) -> RecordFlags:
    return flag_record(
        time=record.seconds(),
        values=np.asarray(record.channels[channel], dtype=np.float64),
        quantity=channel.split("_bin_", maxsplit=1)[0],
        interval=instrument.sample_interval_s,
        noise_sd=_noise(instrument, channel),
        span=_span(context, channel),
        carried=carried,
    )


def flagged_record(context: Context, label: str) -> tuple[Record, dict[str, RecordFlags]]:
    """Return all samples of one slow instrument in true time, with the flags that a run gives its channels.

    A profiler's bins are left out.
    """
    instrument = context.book.instrument(label)
    channels = [name for name in context.store.streams()[label].channels if BIN not in name]
    span = {"start_ns": int(context.grid.edges[0]), "end_ns": int(context.grid.edges[-1])}
    record = context.read(label, channels=channels, **span)
    carried = _is_carried(context, label)
    flags = {name: _flagged(context, instrument, record, name, carried=carried) for name in record.channels}
    return record, flags


def load_slow(context: Context, grid: Grid) -> tuple[dict[str, SlowBlocks], Water]:
    """Reduce every slow instrument; weather and salinity first, since other sensor equations need them."""
    order = {"weather": 0, "ctd": 1}
    water = Water(grid, *(np.full(grid.count, np.nan) for _ in range(4)))
    found: dict[str, SlowBlocks] = {}
    for instrument in sorted(slow_instruments(context), key=lambda row: (order.get(row.kind, 2), row.label)):
        blocks = _reduce(context, grid, instrument, water)
        found[instrument.label] = blocks
        _learn_water(context, instrument, blocks, water)
    if not np.isfinite(water.temperature).any():
        water.temperature = _any_temperature(context, found, grid)
    _fill_from_book(context, water)
    # Sensors that came before the water was known (a book without a CTD) are read again with it.
    for label, blocks in found.items():
        if blocks.withheld:
            found[label] = _reduce(context, grid, context.book.instrument(label), water)
    return found, water


def _learn_water(context: Context, instrument: Instrument, blocks: SlowBlocks, water: Water) -> None:
    """Take salinity, pressure and air pressure of the blocks from the instruments that measure them."""
    roles = {context.book.station(d.station).role for d in context.book.deployments_of(instrument.label)}
    if "reference" in roles:
        return
    for name in ("salinity", "pressure", "air_pressure"):
        if name in blocks.channels:
            mean = blocks.channels[name].mean
            held = getattr(water, name)
            setattr(water, name, np.where(np.isfinite(held), held, mean))
    if instrument.kind == "ctd" and "temperature" in blocks.channels:
        held = water.temperature
        water.temperature = np.where(np.isfinite(held), held, blocks.channels["temperature"].mean)


def _any_temperature(context: Context, found: dict[str, SlowBlocks], grid: Grid) -> FloatArray:
    """Return the mean of what the reef's own sensors say of temperature, for a mission without a CTD."""
    rows = [
        blocks.channels["temperature"].mean
        for label, blocks in found.items()
        if "temperature" in blocks.channels
        and {context.book.station(d.station).role for d in context.book.deployments_of(label)} <= {"bed", "ambient"}
    ]
    if not rows:
        return np.full(grid.count, np.nan)
    stack = np.stack(rows)
    count = np.isfinite(stack).sum(axis=0)
    return np.asarray(np.where(count > 0, np.nansum(stack, axis=0) / np.maximum(count, 1), np.nan))


def _fill_from_book(context: Context, water: Water) -> None:
    """Where no instrument measured a property, the book's stated reference value holds."""
    for name in ("salinity", "temperature"):
        reference = context.book.reference(name)
        if reference is not None and not np.isfinite(getattr(water, name)).any():
            setattr(water, name, np.full(water.grid.count, reference.value))
    if not np.isfinite(water.pressure).any():
        water.pressure = np.full(water.grid.count, context.book.site.water_depth_m)
    water.air_pressure = np.where(np.isfinite(water.air_pressure), water.air_pressure, 1013.25)


def _reduce(context: Context, grid: Grid, instrument: Instrument, water: Water) -> SlowBlocks:
    label = instrument.label
    span = {"start_ns": int(grid.edges[0]), "end_ns": int(grid.edges[-1])}
    channels = context.store.streams()[label].channels
    bins = [name for name in channels if BIN in name]
    record = context.read(label, channels=[name for name in channels if BIN not in name], **span)
    blocks = SlowBlocks(label, instrument.kind, samples=record.time_ns.size)
    if record.time_ns.size == 0:
        return blocks
    interval = usual_interval(grid, record.time_ns, instrument.sample_interval_s)
    carried = _is_carried(context, label)
    good: dict[str, npt.NDArray[np.bool_]] = {}
    for channel in record.channels:
        flags = _flagged(context, instrument, record, channel, carried=carried)
        blocks.flags[channel] = flags
        good[channel] = flags.flags <= 2
    values, usable = _derived(instrument, record, good, water, blocks)

    def reduced(time_ns: npt.NDArray[np.int64], series: FloatArray, use: npt.NDArray[np.bool_]) -> BlockMeans:
        return block_means(grid=grid, time_ns=time_ns, values=series, good=use, interval_s=interval)

    for quantity, series in values.items():
        if quantity in DIRECTIONS:
            blocks.channels[quantity] = _mean_direction(reduced, record.time_ns, series, usable[quantity])
        else:
            blocks.channels[quantity] = reduced(record.time_ns, series, usable[quantity])
    # A profiler has a hundred channels: a few bins at a time, and of their flags only what the means need.
    for first in range(0, len(bins), BINS_AT_ONCE):
        part = context.read(label, channels=bins[first : first + BINS_AT_ONCE], **span)
        for channel, series in part.channels.items():
            use = _flagged(context, instrument, part, channel, carried=carried).flags <= 2
            blocks.channels[channel] = reduced(part.time_ns, np.asarray(series, dtype=np.float64), use)
    return blocks


def _mean_direction(
    reduced: Callable[..., BlockMeans], time_ns: npt.NDArray[np.int64], degrees: FloatArray, use: npt.NDArray[np.bool_]
) -> BlockMeans:
    """Return the mean direction of a block: that of the sum of unit vectors, since 359 and 1 degree meet at 0."""
    east, north = (reduced(time_ns, f(np.deg2rad(degrees)), use) for f in (np.sin, np.cos))
    return replace(east, mean=np.rad2deg(np.arctan2(east.mean, north.mean)) % 360.0, sd=np.full(east.sd.shape, np.nan))


def usual_interval(grid: Grid, time_ns: npt.NDArray[np.int64], stated_s: float) -> float:
    """Return the mean time between samples of a full block: longer than stated for a sensor that rests. [s]

    A sensor that takes bursts fills a block with its burst. It is one that does so in at least half of the blocks
    in which it speaks at all: half of those hold less than half of what the stated interval would give. A full
    block is then the median count of those blocks.
    """
    index = grid.index(time_ns)
    count = np.bincount(index[index >= 0], minlength=grid.count)
    held = count[count > 0]
    if held.size == 0:
        return stated_s
    usual = float(np.median(held))
    return stated_s if usual >= 0.5 * grid.block_s / stated_s else grid.block_s / usual


def _derived(
    instrument: Instrument,
    record: Record,
    good: dict[str, npt.NDArray[np.bool_]],
    water: Water,
    blocks: SlowBlocks,
) -> tuple[dict[str, FloatArray], dict[str, npt.NDArray[np.bool_]]]:
    """Apply the sensor equations to samples: oxygen by mass, sea pressure, total-scale pH."""
    values = {name: np.asarray(v, dtype=np.float64) for name, v in record.channels.items()}
    usable = dict(good)
    time = record.time_ns
    for name in ("ph_internal_voltage", "ph_external_voltage"):
        if name in values and "ph_total" not in values:
            blocks.withheld["ph_total"] = (
                f"{instrument.label} gives {name}; the mission book has no pH made from it by a certificate of serial "
                f"number {instrument.serial!r}"
            )
    if "absolute_pressure" in values:
        air = water.at("air_pressure", time) / 100.0
        values["pressure"] = values["absolute_pressure"] - np.where(np.isfinite(air), air, ATMOSPHERE_DBAR)
        usable["pressure"] = good["absolute_pressure"]
    temperature = values.get("temperature")
    if temperature is None or not np.isfinite(temperature).any():
        temperature = water.at("temperature", time)
    else:
        temperature = np.where(good["temperature"], temperature, np.nan)
    needs_salinity = {"oxygen_molar", "ph_free", "ph_seawater", "ph_nbs"} & values.keys()
    salinity = water.at("salinity", time) if needs_salinity else np.full(time.shape, np.nan)
    if needs_salinity and not np.isfinite(salinity).any():
        for name in needs_salinity:
            target = "oxygen" if name == "oxygen_molar" else "ph_total"
            blocks.withheld[target] = f"{name} needs the salinity of the water: no CTD record and no reference value"
        return values, usable
    if "oxygen_molar" in values:
        if instrument.salinity_setting is None:
            blocks.withheld["oxygen"] = (
                f"{instrument.label} gives oxygen by volume and its salinity setting is not stated"
            )
        else:
            true_molar = oxygen_equations.salinity_compensation(
                oxygen_molar=values["oxygen_molar"],
                temperature=temperature,
                salinity=salinity,
                salinity_setting=instrument.salinity_setting,
            )
            values["oxygen"] = np.asarray(
                oxygen_equations.molar_to_gravimetric(
                    oxygen_molar=true_molar, temperature=temperature, salinity=salinity
                )
            )
            usable["oxygen"] = good["oxygen_molar"]
    for scale in ("free", "seawater", "nbs"):
        name = f"ph_{scale}"
        if name in values:
            values["ph_total"] = np.asarray(
                ph_equations.convert_scale(
                    ph=values[name],
                    from_scale=scale,
                    to_scale="total",
                    temperature=temperature,
                    salinity=salinity,
                    pressure=water.at("pressure", time),
                )
            )
            usable["ph_total"] = good[name]
    twins = combine(values, usable)
    if twins is not None:
        values["ph_total"], usable["ph_total"] = twins
    return values, usable
