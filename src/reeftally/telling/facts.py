"""What a report is made from: book, estimates, block series and trail of one run, read once.

Here:     finding estimates, groups that may be missing, periods with names.
Not here: words (`words`, `story`), figures (`figures`), pages (`html`, `brief`).
Rules:    nothing is computed that could be an estimate; what is missing is None or empty, never an error.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from reeftally.analysis.results import Results, read_results
from reeftally.charts import Frame, utc
from reeftally.mission import Book, read_book

__all__ = ["Facts", "Number", "read_facts"]

BEST_FIRST = (
    "covariance",
    "gradient",
    "gradient_ph_alkalinity",
    "best_of_three",
    "shapley_from_past",
    "shapley_from_reference",
    "shapley_equilibrium_at_own_alkalinity",
    "trials",
    "reef_minus_reference",
    "budget_of_bottles",
)
"""Order in which methods are preferred where one number is wanted; others follow by name."""


@dataclass(frozen=True, slots=True)
class Number:
    """One estimate, as a row of the table."""

    index: int
    """Row of the table of estimates, 0 the first; the anchor of the number in the report."""
    quantity: str
    method: str
    subject: str
    period: str
    start: str
    end: str
    value: float
    unit: str
    lower: float
    upper: float
    level: float
    random_sd: float
    systematic_sd: float
    n: int
    flag: int
    reason: str
    trail: str
    budget: str
    channel: str = ""
    """What a sensor measures, where the estimate is about the sensor."""

    @property
    def given(self) -> bool:
        """Whether there is a value with an interval."""
        return math.isfinite(self.value) and math.isfinite(self.lower) and math.isfinite(self.upper)


@dataclass
class Facts:
    """One run of one mission."""

    folder: Path
    book: Book
    results: Results
    numbers: tuple[Number, ...]
    _groups: dict[str, xr.Dataset] = field(default_factory=dict)

    def find(
        self,
        quantity: str,
        *,
        method: str | None = None,
        period: str | None = None,
        subject: str | None = None,
        unit: str | None = None,
        given: bool = True,
    ) -> list[Number]:
        """Return the estimates that fit, in the order of the table."""
        return [
            row
            for row in self.numbers
            if row.quantity == quantity
            and (method is None or row.method == method)
            and (period is None or row.period == period)
            and (subject is None or row.subject == subject)
            and (unit is None or row.unit == unit)
            and (row.given or not given)
        ]

    def one(self, quantity: str, *, methods: Sequence[str] = (), period: str = "mission", **more: Any) -> Number | None:
        """Return the preferred estimate of a quantity for a period; None if there is none with a value."""
        rows = self.find(quantity, period=period, **more)
        order = [*methods, *BEST_FIRST]
        if methods:
            rows = [row for row in rows if row.method in methods]
        ranked = sorted(
            rows, key=lambda row: (order.index(row.method) if row.method in order else len(order), row.method)
        )
        return ranked[0] if ranked else None

    def refused(self) -> list[Number]:
        """Return the estimates that the chain would not give, each with its reason."""
        return [row for row in self.numbers if not row.given]

    def group(self, name: str) -> xr.Dataset:
        """Return a group of the block series; an empty one where it is missing."""
        if name not in self._groups:
            try:
                self._groups[name] = self.results.group(name)
            except (OSError, KeyError, FileNotFoundError):
                self._groups[name] = xr.Dataset()
        return self._groups[name]

    def frame(self, *, width: int) -> Frame:
        """Return the time frame that all charts of the mission share."""
        start, end = self.span
        nights = tuple((utc(night.start_ns), utc(night.end_ns)) for night in self.book.nights())
        return Frame(
            start=utc(start),
            end=utc(end),
            utc_offset_h=self.book.site.utc_offset_h,
            nights=nights,
            width=width,
        )

    @cached_property
    def span(self) -> tuple[int, int]:
        """Start and end of the mission in the results; the book's where the results do not say. [ns]"""
        # Rows about one sensor cover that sensor's time only.
        sensors = {row.label for row in self.book.instruments}
        for row in self.numbers:
            if row.period == "mission" and row.start and row.end and row.subject not in sensors:
                return _ns(row.start), _ns(row.end)
        return self.book.span_ns()

    def inside(self, data: xr.Dataset) -> xr.Dataset:
        """Return the blocks of a group that lie in the mission."""
        if "time" not in data.coords:
            return data
        start, end = (np.datetime64(t, "ns") for t in self.span)
        use = (data["time"].values >= start) & (data["time"].values < end)
        return data.isel(time=np.flatnonzero(use))

    def is_night(self, times: Iterable[pd.Timestamp]) -> list[bool]:
        """Return for each instant whether the sun is down."""
        nights = [(utc(n.start_ns), utc(n.end_ns)) for n in self.book.nights()]
        return [any(a <= t < b for a, b in nights) for t in times]

    def period_name(self, row: Number) -> str:
        """Return the words for a period: ``night of 26 Mar``, ``mission``."""
        if row.period in {"mission", "season"} or not row.start:
            return row.period
        local = _time(row.start) + dt.timedelta(hours=self.book.site.utc_offset_h)
        day = f"{local.day} {local:%b}"
        eve = local - dt.timedelta(days=1)
        before = f"{eve.day} {eve:%b}"
        if row.period == "night":
            # Named by the dusk; a night cut by the mission's start may begin after midnight.
            if local.hour < 12:
                day = before
            return f"night of {day}"
        if row.period == "24h":
            # Solar noon may come before the clock's; hours cut by the mission's start may begin in the night.
            if local.hour < 9:
                day = before
            return f"24 h from noon of {day}"
        if row.period == "day":
            return f"day of {day}"
        return f"{day} {local:%H:%M} local"

    @cached_property
    def raw_names(self) -> dict[str, str]:
        """Names under which raw bytes came in, by hash; empty where the index is missing."""
        path = self.folder / "raw" / "index.jsonl"
        names: dict[str, str] = {}
        if not path.is_file():
            return names
        for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
            try:
                entry = json.loads(line)
            except ValueError:
                continue
            if isinstance(entry, dict):
                digest = str(entry.get("hash", ""))
                names.setdefault(digest, str(entry.get("name", "")))
        return names


def _time(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text.replace("Z", "+00:00"))


def _ns(text: str) -> int:
    return int(np.datetime64(text.removesuffix("Z"), "ns").astype(np.int64))


def read_facts(mission_folder: Path | str) -> Facts:
    """Read the newest run of a mission.

    Raises
    ------
    ResultError
        If there are no results yet.
    BookErrors
        If the mission book cannot be read.
    """
    folder = Path(mission_folder)
    results = read_results(folder)
    numbers = tuple(
        Number(
            index=index,
            quantity=str(row["quantity"]),
            method=str(row["method"]),
            subject=str(row["subject"]),
            period=str(row["period"]),
            start=str(row["start"]),
            end=str(row["end"]),
            value=float(row["value"]),
            unit=str(row["unit"]),
            lower=float(row["lower"]),
            upper=float(row["upper"]),
            level=float(row["level"]),
            random_sd=float(row["random_sd"]),
            systematic_sd=float(row["systematic_sd"]),
            n=int(row["n"]),
            flag=int(row["flag"]),
            reason=str(row["reason"]),
            trail=str(row["trail"]),
            budget=str(row["budget"]),
            channel=str(row.get("channel", "")),
        )
        for index, row in enumerate(results.estimates.to_dict("records"))
    )
    return Facts(folder=folder, book=read_book(folder), results=results, numbers=numbers)
