"""Records of one instrument for the screen: any window, thinned to its width, with blocks, flags and marks.

Here:     windows of samples from the store in true time, corrected block series, runs of flags, marks of people.
Not here: thinning itself (`thin`), drawing (`static/trace.js`), any judgement (`quality`).
Rules:    what is drawn is what a run would read: clocks corrected, exchanged streams put right, excluded stretches
          empty. A window of a fast record is read in whole chunks that are remembered under the newest load that
          touches them.
"""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow

from reeftally._names import QUANTITIES
from reeftally.analysis.context import Context
from reeftally.analysis.records import flagged_record
from reeftally.charts import axis_title, quantity_name
from reeftally.errors import ReeftallyError
from reeftally.mission import Book
from reeftally.web.look import Look
from reeftally.web.thin import Columns, empty, thin

__all__ = ["Chunks", "NoSuchSeriesError", "blocks_of", "channels_of", "marks_of", "series_window", "trace_config"]

NS = 1_000_000_000
MS = 1_000_000
WIDEST = 6000
"""Most columns of one answer."""
DIRECT = 1_500_000
"""Windows of more samples are put together from remembered chunks."""
CHUNK_NS = 6 * 3600 * NS
BIN_NS = 60 * NS
DAY_NS = 86_400 * NS
COVERAGE = 1.959964
MOST_CHANNELS = 12


class NoSuchSeriesError(ReeftallyError):
    """There is no such instrument or channel."""

    kind = "series"


class Chunks:
    """Thinned chunks of fast records, all channels of a chunk together, the least used forgotten first."""

    def __init__(self, most: int = 2000) -> None:
        self._held: OrderedDict[tuple[str, int], tuple[Any, dict[str, Columns]]] = OrderedDict()
        self._most, self._guard, self._reading = most, threading.Lock(), threading.Lock()
        self.made = 0
        """Chunks read from the store so far."""

    def get(self, context: Context, label: str, channels: Sequence[str], start_ns: int) -> dict[str, Columns]:
        """Return a chunk in columns of one bin each, by channel."""
        key, version = (label, start_ns), self._version(context, label, start_ns)
        found = self._known(key, version, channels)
        if found is not None:
            return found
        # One chunk is read at a time: many open pages then cost time, not memory.
        with self._reading:
            found = self._known(key, version, channels)
            if found is not None:
                return found
            record = context.read(label, start_ns=start_ns, end_ns=start_ns + CHUNK_NS, channels=list(channels))
            span = {"start_ns": start_ns, "end_ns": start_ns + CHUNK_NS, "width": CHUNK_NS // BIN_NS}
            made = {name: thin(time_ns=record.time_ns, values=v, **span) for name, v in record.channels.items()}
            made |= {name: empty(CHUNK_NS // BIN_NS) for name in channels if name not in made}
            del record
            pyarrow.default_memory_pool().release_unused()
            with self._guard:
                self.made += 1
                old = self._held.get(key)
                kept = old[1] if old is not None and old[0] == version else {}
                self._held[key] = (version, kept | made)
                self._held.move_to_end(key)
                while len(self._held) > self._most:
                    self._held.popitem(last=False)
            return made

    def _known(self, key: tuple[str, int], version: Any, channels: Sequence[str]) -> dict[str, Columns] | None:
        with self._guard:
            held = self._held.get(key)
            if held is None or held[0] != version or not set(channels) <= held[1].keys():
                return None
            self._held.move_to_end(key)
            return held[1]

    @staticmethod
    def _version(context: Context, label: str, start_ns: int) -> Any:
        # Stamps may be off by a day before clocks are corrected.
        low, high = start_ns - DAY_NS, start_ns + CHUNK_NS + DAY_NS
        partners = {name for swap in context.swapped_streams if label in swap.instruments for name in swap.instruments}
        loads = tuple(context.store.newest_load(name, low, high) for name in sorted(partners | {label}))
        return (context.revision, context.decisions, loads)


def channels_of(look: Look, label: str) -> list[str]:
    """Return the channels of an instrument that have a panel: three bins stand for a profiler's others."""
    info = look.streams.get(label)
    if info is None:
        return []
    plain = [name for name in info.channels if "_bin_" not in name]
    bins = [name for name in info.channels if "_bin_" in name]
    if bins:
        plain += [bins[0], bins[len(bins) // 4], bins[len(bins) // 2 - 1]]
    order = ["velocity_x", "velocity_y", "velocity_z", "oxygen_molar", "oxygen", "ph_total", "temperature", "salinity"]
    return sorted(dict.fromkeys(plain), key=lambda n: (order.index(n) if n in order else len(order), n))


def _numbers(values: Sequence[float] | np.ndarray[Any, Any], digits: int = 7) -> list[float | None]:
    return [
        float(f"{v:.{digits}g}") if math.isfinite(v) else None for v in np.asarray(values, dtype=np.float64).tolist()
    ]


def series_window(
    look: Look, chunks: Chunks, *, label: str, channels: Sequence[str], start_ns: int, end_ns: int, width: int
) -> dict[str, Any]:
    """Return channels over [start, end): samples where they fit, else the extremes of `width` columns.

    Raises
    ------
    NoSuchSeriesError
        If there is no such instrument or channel, or the window is empty.
    """
    context, info = look.context, look.streams.get(label)
    known = context is not None and info is not None and label in _labels(context.book)
    if not known or not channels or not set(channels) <= set(info.channels if info is not None else ()):
        message = f"There is no record of {', '.join(channels) or 'nothing'} of {label}."
        raise NoSuchSeriesError(message)
    assert context is not None
    assert info is not None
    if not (start_ns < end_ns and 1 <= width <= WIDEST and len(channels) <= MOST_CHANNELS):
        message = "The window ends before it begins, is wider than any screen, or asks for too many channels."
        raise NoSuchSeriesError(message)
    interval = context.book.instrument(label).sample_interval_s
    low, high = max(start_ns, info.first_ns - DAY_NS), min(end_ns, info.last_ns + DAY_NS)
    step = (end_ns - start_ns) / MS / width
    answer: dict[str, Any] = {"label": label}
    if (high - low) / NS / interval > DIRECT:
        start_ns, end_ns = start_ns // BIN_NS * BIN_NS, -(-end_ns // BIN_NS) * BIN_NS
        thinned = _from_chunks(context, chunks, label, channels, start_ns, end_ns, width)
        series = {name: _columns(columns, max(3000.0 * interval, 1.5 * step)) for name, columns in thinned.items()}
        return answer | {"start": start_ns // MS, "end": end_ns // MS, "series": series}
    record = context.read(label, start_ns=start_ns, end_ns=end_ns, channels=list(channels))
    series = {}
    for name in channels:
        values = np.asarray(record.channels.get(name, np.empty(0)), dtype=np.float64)
        time = record.time_ns if values.size else np.empty(0, dtype=np.int64)
        if values.size <= 2 * width:
            offset = (time - start_ns) / MS if values.size else time
            gap = 3000.0 * _usual_s(time, interval)
            series[name] = {"t": [round(t, 1) for t in offset.tolist()], "v": _numbers(values), "gap": gap}
        else:
            columns = thin(time_ns=time, values=values, start_ns=start_ns, end_ns=end_ns, width=width)
            series[name] = _columns(columns, max(3000.0 * interval, 1.5 * step))
    return answer | {"start": start_ns // MS, "end": end_ns // MS, "series": series}


def _columns(columns: Columns, gap: float) -> dict[str, Any]:
    return {"low": _numbers(columns.low), "high": _numbers(columns.high), "gap": gap}


def _labels(book: Book) -> set[str]:
    return {row.label for row in book.instruments}


def _usual_s(time_ns: np.ndarray[Any, Any], interval: float) -> float:
    """Return the usual time between samples: a sensor that rests between bursts rests longer than it is stated. [s]"""
    if time_ns.size < 3:
        return interval
    return max(interval, float(np.quantile(np.diff(time_ns), 0.9)) / NS)


def _from_chunks(
    context: Context, chunks: Chunks, label: str, channels: Sequence[str], start_ns: int, end_ns: int, width: int
) -> dict[str, Columns]:
    info = context.store.streams()[label]
    out = {name: empty(width) for name in channels}
    first = max(start_ns, info.first_ns - DAY_NS, context.earliest_ns) // CHUNK_NS * CHUNK_NS
    for begin in range(first, min(end_ns, info.last_ns + DAY_NS), CHUNK_NS):
        held = chunks.get(context, label, channels, begin)
        middle = begin + BIN_NS * np.arange(CHUNK_NS // BIN_NS, dtype=np.int64) + BIN_NS // 2
        for name in channels:
            part = held[name]
            low, high = (
                thin(time_ns=middle, values=values, start_ns=start_ns, end_ns=end_ns, width=width)
                for values in (part.low, part.high)
            )
            out[name] = out[name].joined(Columns(low.low, high.high, low.count))
    return out


def blocks_of(look: Look, label: str) -> dict[str, Any]:
    """Return the block series of an instrument: means, and corrected means with the half-width of 95 %."""
    facts = look.facts
    if facts is None:
        return {"time": [], "series": {}}
    prefix = f"{label}__"
    data = look.block_series(prefix)
    found = {str(n).removeprefix(prefix).removesuffix("_corrected") for n in data.data_vars}
    names = sorted(found & {*QUANTITIES})
    if not names:
        return {"time": [], "series": {}}
    starts = data["time"].values.astype("datetime64[ns]").astype(np.int64)
    bounds = data["time_bounds"].values.astype("datetime64[ns]").astype(np.int64) if "time_bounds" in data else None
    middle = starts if bounds is None else bounds.mean(axis=1).astype(np.int64)
    series: dict[str, Any] = {}
    for name in names:
        entry: dict[str, Any] = {}
        if prefix + name in data:
            entry["mean"] = _numbers(data[prefix + name].values)
        fixed = f"{prefix}{name}_corrected"
        if fixed in data:
            sd = np.hypot(data[f"{fixed}_random_sd"].values, data[f"{fixed}_systematic_sd"].values)
            entry["corrected"] = _numbers(data[fixed].values)
            entry["half"] = _numbers(COVERAGE * sd, 4)
        series[name] = entry | {"title": axis_title(name)}
    return {
        "time": (middle // MS).tolist(),
        "series": series,
        "step": int(np.median(np.diff(starts))) // MS if starts.size > 1 else 0,
    }


def marks_of(look: Look, label: str) -> dict[str, Any]:
    """Return what stands beside a record: flags with their tests, interventions, anchors, side-by-side periods."""
    context = look.context
    if context is None or label not in _labels(context.book):
        message = f"There is no instrument {label}."
        raise NoSuchSeriesError(message)
    flags: list[dict[str, Any]] = []
    instrument = context.book.instrument(label)
    if context.has(label) and instrument.sample_interval_s >= 0.5:
        stamp = (context.snapshot, context.decisions, context.revision)
        found, _ = look.memory.get(f"flags {label}", stamp, lambda: _flag_runs(context, label))
        flags = found or []
    return {
        "flags": flags,
        "events": _events(look, label),
        "anchors": _anchors(look, label),
        "spans": _spans(context.book, label),
    }


def _flag_runs(context: Context, label: str) -> list[dict[str, Any]]:
    """Return stretches of samples flagged doubtful or failed, by channel and test; near ones are joined."""
    out: list[dict[str, Any]] = []
    interval = context.book.instrument(label).sample_interval_s
    record, flags = flagged_record(context, label)
    for channel, rows in flags.items():
        for test, values in rows.tests.items():
            for level in (3, 4):
                hit = np.flatnonzero(values == level)
                if hit.size == 0:
                    continue
                join = max(10 * interval, 600.0) * NS
                for part in np.split(hit, np.flatnonzero(np.diff(record.time_ns[hit]) > join) + 1):
                    first, last = (int(record.time_ns[k]) for k in (part[0], part[-1]))
                    run = {"channel": channel, "test": test.replace("_", " "), "flag": level, "count": int(part.size)}
                    run |= {"start": first // MS, "end": (last + round(interval * NS)) // MS}
                    out.append(run)
    return sorted(out, key=lambda row: (-row["flag"], row["start"]))[:2000]


def _events(look: Look, label: str) -> list[dict[str, Any]]:
    """Return what was done to an instrument, by the tables and the log."""
    out: list[dict[str, Any]] = []
    tables = look.tables
    for row in tables.interventions if tables is not None else ():
        if row.instrument in {None, label}:
            words = ", ".join(filter(None, [row.kind, row.note, row.who]))
            out.append({"time": row.time_ns // MS, "text": words, "all": row.instrument is None})
    # What was written from a page stands in the table as well.
    notes = [e for e in look.log or () if e.subject == label and e.kind == "note" and e.after is None]
    out += [{"time": e.time_ns // MS, "text": f"{e.why} ({e.by})", "all": False} for e in notes]
    return sorted(out, key=lambda row: row["time"])


def _anchors(look: Look, label: str) -> list[dict[str, Any]]:
    """Return bottles taken where the instrument stood, or that name it, as values to compare with."""
    book, tables = look.book, look.tables
    if book is None or tables is None:
        return []
    out = []
    for bottle in tables.bottles:
        place = book.deployment_at(label, bottle.time_ns)
        if bottle.flag not in {2, 6} or not (
            bottle.near == label or (place is not None and place.station == bottle.station)
        ):
            continue
        for name in ("temperature", "salinity", "oxygen", "ph_total"):
            value = getattr(bottle, name, None)
            if value is not None and math.isfinite(value):
                out.append({"time": bottle.time_ns // MS, "channel": name, "value": value, "name": bottle.bottle})
    return out


def _spans(book: Book, label: str) -> list[dict[str, Any]]:
    out = [
        {
            "start": row.start_ns // MS, "end": row.end_ns // MS,
            "text": f"{row.station}, {row.height_above_bed_m:g} m above the bed", "kind": "place",
        }
        for row in book.deployments_of(label)
    ]  # fmt: skip
    out += [
        {"start": row.start_ns // MS, "end": row.end_ns // MS, "text": f"side by side: {row.name}", "kind": "together"}
        for row in book.intercalibrations
        if label in row.instruments
    ]
    return out


def trace_config(look: Look, label: str, *, start_ns: int, end_ns: int) -> dict[str, Any]:
    """Return what the drawing needs to begin: panels, the first window, the whole span, nights, local time."""
    info = look.streams[label]
    book = look.book
    assert book is not None
    first, last = info.first_ns, info.last_ns
    panels = []
    for channel in channels_of(look, label):
        base = channel.split("_bin_")[0]
        title = axis_title(base) + (f", bin {channel.split('_bin_')[1]}" if "_bin_" in channel else "")
        panels.append({"channel": channel, "title": title, "name": quantity_name(base), "colour": base})
    return {
        "label": label,
        "panels": panels,
        "start": start_ns // MS,
        "end": end_ns // MS,
        "first": first // MS,
        "last": last // MS + 1,
        "offset": book.site.utc_offset_h,
        "nights": [[a // MS, b // MS] for a, b in look.nights(first, last)],
    }
