"""The mission as it stands, for one page: each part read once while its files stay the same.

Here:     book, tables, log, results, store, with what is wrong where one of them cannot be read.
Not here: any page; any writing.
Rules:    reading never writes; a part that cannot be read is None and its trouble is kept in words; what was read is
          remembered under the stamps of its files, one version at a time, so memory does not grow.
"""

from __future__ import annotations

import csv
import json
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import xarray as xr

from reeftally.analysis.context import Context, earliest_of, open_context
from reeftally.analysis.results import latest_run
from reeftally.errors import ReeftallyError
from reeftally.mission import Book, Log, LogEntry, Tables, read_book, read_tables, solar
from reeftally.store import Store, StreamInfo, open_store
from reeftally.telling.facts import Facts, Number, read_facts
from reeftally.web.blocks import Notice, number_key

__all__ = ["Look", "Memory"]

T = TypeVar("T")
Stamp = tuple[Any, ...]


def stamp_of(*paths: Path) -> Stamp:
    """Return what changes when one of the files changes."""
    out: list[Any] = []
    for path in paths:
        try:
            status = path.stat()
        except OSError:
            out.append(None)
        else:
            out.append((status.st_ino, status.st_size, status.st_mtime_ns))
    return tuple(out)


class Memory:
    """Parts by name, each in its newest version only; shared by all requests of one server."""

    def __init__(self) -> None:
        self._held: dict[str, tuple[Any, Any, str]] = {}
        self._locks: dict[str, threading.Lock] = {}
        self._guard = threading.Lock()

    def get(self, name: str, stamp: Any, make: Callable[[], T]) -> tuple[T | None, str]:
        """Return a part and its trouble; made anew when its stamp has changed."""
        with self._guard:
            lock = self._locks.setdefault(name, threading.Lock())
        with lock:
            held = self._held.get(name)
            if held is not None and held[0] == stamp:
                return held[1], held[2]
            try:
                made, trouble = make(), ""
            except ReeftallyError as error:
                made, trouble = None, "\n".join(str(e) for e in getattr(error, "errors", ())) or str(error)
            except (OSError, ValueError, KeyError) as error:
                made, trouble = None, f"A file is damaged, cut short or of another kind: {error}"
            self._held[name] = (stamp, made, trouble)
            return made, trouble


class Look:
    """One look at a mission; made for each request, cheap where nothing changed."""

    def __init__(self, folder: Path, memory: Memory) -> None:
        self.folder, self.memory = folder, memory
        self._troubles: dict[str, str] = {}

    def _part(self, name: str, stamp: Any, make: Callable[[], T]) -> T | None:
        found, trouble = self.memory.get(name, stamp, make)
        self._troubles[name] = trouble
        return found

    def trouble(self, name: str) -> str:
        """Return why a part (``book``, ``tables``, ``log``, ``facts``, ``store``) could not be read; empty if it was.

        The part must have been asked for.
        """
        return self._troubles.get(name, "")

    def remembered(self, name: str, stamp: Any, make: Callable[[], T], *, bounded: bool = False) -> T | None:
        """Return what a page made of the mission, made anew only when the stamp changes; None with `trouble(name)`.

        `bounded` is for what readers ask with values of their own: of those only the newest is kept.
        """
        if bounded:
            found, trouble = self.memory.get("asked", (name, stamp), make)
            self._troubles[name] = trouble
            return found
        return self._part(name, stamp, make)

    @property
    def book(self) -> Book | None:
        """The mission book as it stands."""
        return self._part("book", stamp_of(self.folder / "mission.toml"), lambda: read_book(self.folder))

    @property
    def tables(self) -> Tables | None:
        """The tables that people write."""
        folder = self.folder / "tables"
        stamp = stamp_of(folder, *(sorted(folder.glob("*.csv")) if folder.is_dir() else ()))
        return self._part("tables", stamp, lambda: read_tables(folder))

    @property
    def log(self) -> tuple[LogEntry, ...] | None:
        """All entries of the log, oldest first."""
        return self._part("log", stamp_of(self.folder / "log" / "entries.jsonl"), lambda: Log(self.folder).entries())

    @property
    def run(self) -> Path | None:
        """Folder of the newest run."""
        return latest_run(self.folder)

    @property
    def facts(self) -> Facts | None:
        """The newest results; None before the first run or where they cannot be read."""
        run = self.run
        if run is None:
            self._troubles["facts"] = ""
            return None
        stamp = (run.name, stamp_of(run / "estimates.csv", run / "trail.json", self.folder / "mission.toml"))
        return self._part("facts", stamp, lambda: read_facts(self.folder))

    @property
    def store(self) -> Store | None:
        """The observations, open for reading."""
        book = self.book
        url = book.store.segments_url if book is not None else None
        return self._part("store", url, lambda: open_store(self.folder, segments_url=url))

    @property
    def streams(self) -> Mapping[str, StreamInfo]:
        """What is held, by instrument; empty before the first intake or where the store cannot be read.

        A record begins with its first row of the mission: rows of a clock that was reset lie decades before it and
        would stretch every axis.
        """
        catalogue = self.folder / "observations" / "catalogue.sqlite"
        store, book = self.store, self.book
        if store is None:
            return {}
        earliest = earliest_of(book) if book is not None else None
        stamp = (earliest, stamp_of(catalogue, catalogue.with_name("catalogue.sqlite-wal")))
        found = self._part("streams", stamp, lambda: _streams(store, earliest))
        if self._troubles["streams"]:
            self._troubles["store"] = self._troubles["streams"]
        return found or {}

    @property
    def context(self) -> Context | None:
        """What a run would read now: clocks, exclusions and exchanged streams in force; nothing is written."""
        store = self.store
        if self.book is None or store is None:
            return None
        catalogue = self.folder / "observations" / "catalogue.sqlite"
        layouts, tables = self.folder / "layouts", self.folder / "tables"
        stamp = stamp_of(
            self.folder / "mission.toml", self.folder / "log" / "entries.jsonl", catalogue,
            catalogue.with_name("catalogue.sqlite-wal"), layouts, tables,
        )  # fmt: skip
        return self._part("context", stamp, lambda: open_context(self.folder, revise=False))

    def document(self, name: str) -> dict[str, Any] | None:
        """Return a JSON file of the newest run (``morning.json``, ``findings.json``); None where there is none."""
        run = self.run
        if run is None or not (run / name).is_file():
            self._troubles[name] = ""
            return None
        return self._part(name, (run.name, stamp_of(run / name)), lambda: _document(run / name))

    def rows(self, name: str) -> list[dict[str, str]]:
        """Return a table of the newest run that stands beside the estimates (``fitness.csv``); empty without it."""
        run = self.run
        if run is None or not (run / name).is_file():
            return []
        path = run / name
        return self._part(name, (run.name, stamp_of(path)), lambda: _table(path)) or []

    # -- what most pages ask -----------------------------------------------------------------------

    def last_ns(self, label: str) -> int:
        """Return the true time of an instrument's newest sample: its clock corrected as the log says."""
        stamp, context = self.streams[label].last_ns, self.context
        if context is None:
            return stamp
        return int(context.clock(label).true(np.array([stamp], dtype=np.int64))[0])

    def newest_ns(self) -> int | None:
        """Return the true time of the newest data of instruments in the book; None before the first intake."""
        book = self.book
        known = {row.label for row in book.instruments} if book is not None else set(self.streams)
        return max((self.last_ns(label) for label in self.streams if label in known), default=None)

    def standing_ns(self) -> int | None:
        """Return the instant for which the array is shown: that of the newest data, or the mission's last."""
        newest, book = self.newest_ns(), self.book
        if newest is None or book is None:
            return newest
        return min(newest, book.mission.end_ns - 1)

    def span_ns(self) -> tuple[int, int] | None:
        """Return first and last stamp of all data of the mission; None before the first intake."""
        earliest = earliest_of(self.book) if self.book is not None else 0
        # A record of which every row has the stamps of a reset clock has no place in time yet.
        streams = [info for info in self.streams.values() if info.last_ns >= earliest]
        if not streams:
            return None
        return min(s.first_ns for s in streams), max(s.last_ns for s in streams)

    def number(self, key: str) -> Number | None:
        """Return the estimate of a key or of a row number."""
        facts = self.facts
        if facts is None:
            return None
        if key.isdigit() and len(key) < 7:
            return facts.numbers[int(key)] if int(key) < len(facts.numbers) else None
        index, _ = self.memory.get("keys", (id(facts), facts.results.folder), lambda: _keys(facts.numbers))
        return index.get(key) if index else None

    def series(self, group: str, names: Sequence[str]) -> dict[str, np.ndarray[Any, Any]]:
        """Return block series by name, with ``time`` (block starts) and ``time_bounds``; missing ones are left out."""
        facts = self.facts
        if facts is None:
            return {}
        data = facts.group(group)
        if "time" not in data.coords:
            return {}
        wanted = ["time", "time_bounds", *names]
        return {name: data[name].values for name in wanted if name in data.variables}

    def block_series(self, prefix: str) -> xr.Dataset:
        """Return the block series whose names begin so, with their times; empty where there are none."""
        run = self.run
        if run is None:
            return xr.Dataset()
        path = run / "results.nc"
        found = self._part(f"blocks {prefix}", (run.name, stamp_of(path)), lambda: _some_blocks(path, prefix))
        return found if found is not None else xr.Dataset()

    def nights(self, start_ns: int, end_ns: int) -> list[tuple[int, int]]:
        """Return the nights that touch a stretch, in nanoseconds; none without a book."""
        book = self.book
        if book is None or end_ns <= start_ns:
            return []
        found = solar.nights(
            start_ns,
            end_ns,
            book.site.latitude_deg,
            book.site.longitude_deg,
            utc_offset_h=book.site.utc_offset_h,
        )
        return [(n.start_ns, n.end_ns) for n in found if n.start_ns < end_ns and n.end_ns > start_ns]

    def no_results(self) -> Notice:
        """Return what to say where there are no results to show."""
        if self.trouble("facts"):
            return Notice(
                "serious", "The results cannot be read.", [self.trouble("facts")], f"reeftally analyse {self.folder}"
            )
        if not self.streams:
            return self.no_data()
        return Notice(
            "missing",
            "Data are here, results are not yet.",
            ["The chain has not been run, or its first run is still going on."],
            f"reeftally analyse {self.folder}",
        )

    def no_data(self) -> Notice:
        """Return what to say where nothing has been taken in."""
        if self.book is None:
            return self.no_book()
        if self.trouble("store"):
            return Notice(
                "serious",
                "The observations cannot be read.",
                [self.trouble("store")],
                f"reeftally intake {self.folder} --rebuild",
            )
        return Notice(
            "missing",
            "Nothing has been taken in yet.",
            ["Files in the inbox are taken in by themselves while `reeftally watch` runs."],
            f"Drop raw files into {self.folder / 'inbox'}",
        )

    def no_book(self) -> Notice:
        """Return what to say where the mission book cannot be read."""
        return Notice(
            "serious",
            "The mission book cannot be read.",
            [self.trouble("book") or "mission.toml is missing."],
            f"Mend {self.folder / 'mission.toml'}; this page looks again by itself.",
        )


def _streams(store: Store, earliest: int | None) -> dict[str, StreamInfo]:
    found = store.streams()
    for label, info in found.items():
        if earliest is not None and info.first_ns < earliest <= info.last_ns:
            # One window at a time: the first rows of a fast record lie in the first window that is not empty.
            part = next(store.chunks(label, start_ns=earliest, channels=[]))
            found[label] = replace(info, first_ns=int(part["time"][0]))
    return found


def _document(path: Path) -> dict[str, Any]:
    found = json.loads(path.read_text(encoding="utf-8"))
    if not isinstance(found, dict) or int(found.get("format", 1)) > 1:
        message = f"{path.name} is not of a format that this version reads."
        raise ValueError(message)
    return found


def _some_blocks(path: Path, prefix: str) -> xr.Dataset:
    try:
        with xr.open_dataset(path, group="blocks", engine="h5netcdf") as data:
            names = [n for n in data.data_vars if str(n).startswith(prefix) or n == "time_bounds"]
            return data[names].load()
    except (OSError, KeyError):
        return xr.Dataset()


def _table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _keys(numbers: Sequence[Number]) -> dict[str, Number]:
    return {number_key(n): n for n in numbers}
