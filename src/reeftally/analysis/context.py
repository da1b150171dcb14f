"""What one run works on: the book at a revision, accepted decisions, tables, and one snapshot of the store.

Here:     opening a mission for reading, clocks and exclusions from the log, reading a record in true time.
Not here: any judgement of values.
Rules:    a run reads one snapshot from beginning to end; the log is replayed in order, undone entries left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.analysis.bottle_rules import judged
from reeftally.analysis.clockwork import ClockMap, ClockShift
from reeftally.analysis.grid import NS, Grid, make_grid
from reeftally.analysis.heights import unmeasured_at_recovery, with_wide_heights
from reeftally.analysis.reprocess import with_constants
from reeftally.mission import (
    Book,
    Layout,
    Log,
    Tables,
    accept_revision,
    current_revision,
    read_book,
    read_layouts,
    read_tables,
    to_ns,
)
from reeftally.store import Store, open_store

__all__ = ["Context", "Exclusion", "Record", "earliest_of", "open_context"]


def earliest_of(book: Book) -> int:
    """Return the earliest instant that belongs to a mission: rows of a clock that was reset lie before it. [ns]"""
    return to_ns(book.mission.start) - 400 * 86_400 * NS


@dataclass(frozen=True, slots=True, kw_only=True)
class Exclusion:
    """A stretch of an instrument's record that somebody took out, with the reason in the log."""

    instrument: str
    channel: str | None
    start_ns: int | None
    end_ns: int | None


@dataclass(frozen=True, slots=True)
class Record:
    """Samples of one instrument in true time."""

    label: str
    time_ns: npt.NDArray[np.int64]
    channels: dict[str, npt.NDArray[Any]]

    def seconds(self) -> FloatArray:
        """Return times as seconds since 1970."""
        return self.time_ns.astype(np.float64) / NS


@dataclass(slots=True)
class Context:
    """Everything that one run reads."""

    folder: Path
    book: Book
    revision: int
    layouts: dict[str, Layout]
    tables: Tables
    """As the chain uses them: amounts of bottles by mass, doubtful bottles flagged."""
    stated: Tables
    """As they stand on the disk."""
    store: Store
    snapshot: int
    clocks: dict[str, ClockMap]
    exclusions: tuple[Exclusion, ...]
    axis_flips: tuple[Any, ...]
    swapped_streams: tuple[Any, ...]
    additions: tuple[Any, ...]
    """Known amounts to add to readings of a stretch."""
    decisions: tuple[str, ...]
    """Ids of the log entries whose corrections are in force."""
    wide_heights: tuple[str, ...] = ()
    """Sensors whose heights nobody measured at recovery: the book here has them wider than the file."""
    used: dict[str, set[str]] = field(default_factory=dict)
    """Raw hashes behind what was read, by instrument."""

    @property
    def grid(self) -> Grid:
        """Blocks over everything that the book knows of: deployments and side-by-side periods."""
        places, together = self.book.deployments, self.book.intercalibrations
        starts = [row.start_ns for row in places] + [row.start_ns for row in together]
        ends = [row.end_ns for row in places] + [row.end_ns for row in together]
        return make_grid(
            start_ns=min([*starts, to_ns(self.book.mission.start)]),
            end_ns=max([*ends, to_ns(self.book.mission.end)]),
            block_s=float(self.book.analysis.block_s),
        )

    @property
    def earliest_ns(self) -> int:
        """The earliest instant that belongs to the mission: rows of a clock that was reset lie before it. [ns]"""
        return earliest_of(self.book)

    def has(self, label: str) -> bool:
        """Return whether the store holds anything of an instrument."""
        return label in self.store.streams()

    def clock(self, label: str) -> ClockMap:
        """Return the clock that stamps an instrument."""
        start = to_ns(self.book.mission.start)
        return self.clocks.get(self.book.clock_of(label), ClockMap((), start))

    def read(
        self, label: str, *, start_ns: int | None = None, end_ns: int | None = None, channels: list[str] | None = None
    ) -> Record:
        """Read a record in true time, corrections from the log applied.

        Parameters
        ----------
        label : str
            Instrument.
        start_ns, end_ns : int, optional
            True time, end not included.
        channels : list of str, optional
            Default all.
        """
        parts = [
            self._read_one(source, label, low, high, channels)
            for source, low, high in self._sources(label, start_ns, end_ns)
        ]
        parts = [part for part in parts if part["time"].size]
        if not parts:
            return Record(label, np.empty(0, np.int64), {})
        names = [n for n in parts[0] if n != "time"]
        for part in parts[1:]:
            names = [n for n in names if n in part]
        time = _end_to_end([part["time"] for part in parts])
        values = {n: _end_to_end([part[n] for part in parts]) for n in names}
        if (np.diff(time) < 0).any():
            order = np.argsort(time, kind="stable")
            values = {n: value[order] for n, value in values.items()}
            time = time[order]
        for added in self.additions:
            if added.instrument == label and added.channel in values:
                low = -(2**62) if added.start_ns is None else added.start_ns
                high = 2**62 if added.end_ns is None else added.end_ns
                inside = (time >= low) & (time < high)
                values[added.channel] = np.where(inside, values[added.channel] + added.value, values[added.channel])
        for exclusion in self.exclusions:
            if exclusion.instrument == label:
                self._exclude(exclusion, time, values)
        return Record(label, time, values)

    def _sources(self, label: str, start_ns: int | None, end_ns: int | None) -> Iterator[tuple[str, int, int]]:
        """Yield which stream to read for which true time, exchanged channels put right."""
        low = self.earliest_ns if start_ns is None else start_ns
        high = 2**62 if end_ns is None else end_ns
        cuts = sorted(
            {low, high}
            | {
                edge
                for swap in self.swapped_streams
                if label in swap.instruments
                for edge in (swap.start_ns, swap.end_ns)
                if edge is not None and low < edge < high
            }
        )
        for first, last in pairwise(cuts):
            source = label
            for swap in self.swapped_streams:
                begin = -(2**62) if swap.start_ns is None else swap.start_ns
                end = 2**62 if swap.end_ns is None else swap.end_ns
                if label in swap.instruments and begin <= first and last <= end:
                    source = swap.instruments[1] if swap.instruments[0] == label else swap.instruments[0]
            yield source, first, last

    def _read_one(
        self, source: str, label: str, low: int, high: int, channels: list[str] | None
    ) -> dict[str, npt.NDArray[Any]]:
        clock = self.clock(source)
        info = self.store.streams().get(source)
        if info is None:
            return {"time": np.empty(0, np.int64)}
        wanted = None if channels is None else [c for c in channels if c in info.channels]
        shift = self._to_middle(source)
        windows = clock.stamp_windows(max(low, -(2**61)) - shift, min(high, 2**61) - shift)
        pieces = [
            self.store.read(source, start_ns=first, end_ns=last, channels=wanted, snapshot=self.snapshot)
            for first, last in windows
        ]
        self.used.setdefault(label, set()).update(
            digest for first, last in windows for digest in self.store.sources(source, start_ns=first, end_ns=last)
        )
        joined = {name: _end_to_end([p[name] for p in pieces]) for name in pieces[0]} if pieces else {}
        true = clock.true(joined["time"]) + shift
        inside = (true >= low) & (true < high)
        if inside.all():
            return {**joined, "time": true}
        kept: slice | npt.NDArray[np.bool_] = inside
        at = np.flatnonzero(inside)
        if at.size and at[-1] - at[0] + 1 == at.size:
            # One stretch, the usual case: a slice copies nothing.
            kept = slice(int(at[0]), int(at[-1]) + 1)
        return {**{n: v[kept] for n, v in joined.items() if n != "time"}, "time": true[kept]}

    def _to_middle(self, label: str) -> int:
        """Return what moves a stamp to the middle of its averaging interval, as its layout declares. [ns]"""
        layout = self.layouts.get(self.book.instrument(label).layout)
        return layout.time.shift_ns if layout is not None else 0

    @staticmethod
    def _exclude(exclusion: Exclusion, time: npt.NDArray[np.int64], values: dict[str, npt.NDArray[Any]]) -> None:
        low = -(2**62) if exclusion.start_ns is None else exclusion.start_ns
        high = 2**62 if exclusion.end_ns is None else exclusion.end_ns
        inside = (time >= low) & (time < high)
        for name, value in values.items():
            named = exclusion.channel is None or fnmatchcase(name, exclusion.channel)
            if named and value.dtype.kind == "f" and inside.any():
                # What was read may be shared with the store, so nothing is changed in place.
                values[name] = np.where(inside, np.asarray(np.nan, value.dtype), value)


def _end_to_end(parts: list[npt.NDArray[Any]]) -> npt.NDArray[Any]:
    """Return the parts as one array; a single part is not copied, so what is read must not be written to."""
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def open_context(
    folder: Path,
    *,
    snapshot: int | None = None,
    revise: bool = True,
    constants: Mapping[str, str] | None = None,
) -> Context:
    """Open a mission for one run.

    Parameters
    ----------
    folder : Path
        Mission folder.
    snapshot : int, optional
        Snapshot of the store; default the newest.
    revise : bool
        Whether a changed book is kept as a revision; without it nothing is written.
    constants : mapping, optional
        Choices of equilibrium constants in place of the book's, for this run alone.

    Raises
    ------
    BookError, IntakeError, StoreError
        If the book, a table or the store cannot be read.
    """
    book = read_book(folder)
    if constants:
        book = with_constants(book, constants)
    try:
        revision = accept_revision(folder) if revise else current_revision(folder)
    except OSError:
        # Read-only media: the revision in force is the newest one kept there.
        revision = current_revision(folder)
    entries = [entry for entry in Log(folder).active() if entry.correction is not None]
    start = to_ns(book.mission.start)
    shifts: dict[str, list[ClockShift]] = {}
    exclusions: list[Exclusion] = []
    flips: list[Any] = []
    swaps: list[Any] = []
    additions: list[Any] = []
    decisions: list[str] = []
    for entry in entries:
        correction: Any = entry.correction
        decisions.append(entry.id)
        if correction.type == "clock_shift":
            shifts.setdefault(correction.instrument, []).append(
                ClockShift(
                    start_ns=correction.start_ns,
                    end_ns=correction.end_ns,
                    seconds=correction.seconds,
                    per_day=correction.per_day,
                    sd_s=correction.sd_s,
                )
            )
        elif correction.type == "exclude":
            exclusions.append(
                Exclusion(
                    instrument=correction.instrument,
                    channel=correction.channel,
                    start_ns=correction.start_ns,
                    end_ns=correction.end_ns,
                )
            )
        elif correction.type == "axis_flip":
            flips.append(correction)
        elif correction.type == "swap_streams":
            swaps.append(correction)
        elif correction.type == "add":
            additions.append(correction)
    store = open_store(folder, segments_url=book.store.segments_url)
    tables = read_tables(folder / "tables")
    newest = max((info.last_ns for info in store.streams().values()), default=None)
    wide = unmeasured_at_recovery(book, tables, newest_ns=newest)
    return Context(
        folder=folder,
        book=with_wide_heights(book, wide),
        wide_heights=wide,
        revision=revision,
        layouts=read_layouts(folder / "layouts"),
        tables=judged(tables),
        stated=tables,
        store=store,
        snapshot=store.snapshot() if snapshot is None else snapshot,
        clocks={label: ClockMap(tuple(rows), start) for label, rows in shifts.items()},
        exclusions=tuple(exclusions),
        axis_flips=tuple(flips),
        swapped_streams=tuple(swaps),
        additions=tuple(additions),
        decisions=tuple(decisions),
    )
