"""What is remembered of a file while it is loaded, and between intakes.

Here:     `Memory`: offset, header, counts, steps and gaps, in plain values that go into the record.
Not here: the loading itself (`_load`).
Rules:    everything that an interrupted load needs to go on as if nothing had happened.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from reeftally.intake._report import iso
from reeftally.intake._tally import Tally
from reeftally.intake._times import ZoneShift

__all__ = ["Memory"]

_GAPS_KEPT = 100


@dataclass
class Memory:
    """What goes from block to block, and into the record."""

    offset: int = 0
    """Raw bytes done. [bytes]"""
    line: int = 1
    """Number of the next line."""
    header: list[str] | None = None
    """Names in force."""
    fields: int = 0
    """Fields of a line, where there are no names."""
    rows: int = 0
    """Rows given to the store, those that it held already included."""
    headers: int = 0
    """Headers met after the first."""
    refused_rows: int = 0
    """Rows that contradict another file."""
    duplicates: int = 0
    """Rows equal to one already held."""
    tally: Tally = field(default_factory=Tally)
    """Oddities."""
    zone: ZoneShift = field(default_factory=ZoneShift)
    """For zones with summer time."""
    counter: dict[str, float] = field(default_factory=dict)
    """For sub-second times."""
    first_ns: int | None = None
    """[ns]"""
    last_ns: int | None = None
    """[ns]"""
    reset_first_ns: int | None = None
    """First stamp of a clock that was reset. [ns]"""
    restarted: bool = False
    """Whether it was reset once more in this file."""
    reset_ns: int | None = None
    """Latest stamp of a clock that was reset. [ns]"""
    reset_rows: int = 0
    """Rows with stamps of a clock that was reset."""
    leap_rows: int = 0
    """Rows of a leap second that stand at the second after it."""
    backs: list[list[int]] = field(default_factory=list)
    """Stamps before and after each step back among the rows added, the first hundred. [ns]"""
    previous_ns: int | None = None
    """Stamp of the last row. [ns]"""
    added_ns: int | None = None
    """Stamp of the last row that was added. [ns]"""
    added_counter: float | None = None
    """Packet number of the last row that was added, where the layout names a counter."""
    step_ns: float | None = None
    """Median step. [ns]"""
    step_sum_ns: int = 0
    """Sum of the steps that are no gaps. [ns]"""
    step_count: int = 0
    """Number of them."""
    gaps: list[list[int]] = field(default_factory=list)
    """[ns]"""
    gap_count: int = 0
    """All gaps."""

    def plain(self) -> dict[str, Any]:
        """Return the memory as JSON values."""
        return asdict(self)

    @classmethod
    def of(cls, plain: dict[str, Any]) -> Memory:
        """Return the memory that `plain` took down."""
        memory = cls(**{name: value for name, value in plain.items() if name not in {"tally", "zone"}})
        memory.tally = Tally(**plain["tally"])
        memory.zone = ZoneShift(**plain["zone"])
        return memory

    def count_steps(self, times: npt.NDArray[np.int64], line_of: Callable[[int], int], field_name: str) -> None:
        """Count steps and gaps of rows in the order of the file."""
        if not times.size:
            return
        low, high = int(times.min()), int(times.max())
        self.first_ns = low if self.first_ns is None else min(self.first_ns, low)
        self.last_ns = high if self.last_ns is None else max(self.last_ns, high)
        if self.previous_ns is None:
            steps, shift = np.diff(times), 1
        else:
            steps, shift = np.diff(times, prepend=np.int64(self.previous_ns)), 0
        before = self.previous_ns
        self.previous_ns = int(times[-1])
        if not steps.size:
            return
        if self.step_ns is None:
            self.step_ns = float(np.median(steps))
            if self.step_ns == 0.0:
                self.tally.add(
                    "bunched",
                    line=line_of(0),
                    field=field_name,
                    found="bunch of rows with equal stamps (half of all steps are zero)",
                    expected="stamps that tell the samples apart",
                )
        limit = 1.5 * self.step_ns if self.step_ns > 0 else float("inf")
        wide = steps > limit
        regular = ~wide & (steps >= 0)
        self.step_sum_ns += int(steps[regular].sum())
        self.step_count += int(regular.sum())
        if wide.any():
            places = np.flatnonzero(wide)
            self.gap_count += int(places.size)
            for place in places[: max(0, _GAPS_KEPT - len(self.gaps))].tolist():
                to = int(times[place + shift])
                start = before if place + shift == 0 else int(times[place + shift - 1])
                self.gaps.append([int(start or 0), to])

    def count_back(
        self,
        times: npt.NDArray[np.int64],
        lines: npt.NDArray[np.int64],
        field_name: str,
        counter: npt.NDArray[np.float64] | None = None,
    ) -> None:
        """Count steps back among the rows that were added; a repeated stretch of lines is no step back.

        Where packet numbers go back with the stamps, they prove that the rows came in another order, and sorting them
        by time is right. Where the numbers go on, the clock was set back. Without numbers a person is asked.
        """
        if not times.size:
            return
        before = times[0] if self.added_ns is None else self.added_ns
        back = np.diff(times, prepend=np.int64(before)) < 0
        ahead = np.full(times.size, np.nan)
        if counter is not None:
            earlier = np.nan if self.added_counter is None else self.added_counter
            ahead = np.diff(counter, prepend=earlier)
            self.added_counter = float(counter[-1]) if np.isfinite(counter[-1]) else None
        self.added_ns = int(times[-1])
        reordered, set_back = back & (ahead < 0), back & (ahead > 0)
        for kind, places, text, expected in (
            (
                "reordered",
                reordered,
                "stretch(es) of rows that came late, sorted in as their packet numbers say, the first at",
                "",
            ),
            (
                "set_back",
                set_back,
                "step(s) back in time while the packet numbers go on, the first by",
                "stamps that grow with the packet numbers",
            ),
            ("backwards", back & ~reordered & ~set_back, "step(s) back in time, the first by", "stamps that grow"),
        ):
            held = np.flatnonzero(places)
            if not held.size:
                continue
            first = int(held[0])
            steps = [[int(times[place - 1] if place else before), int(times[place])] for place in held[:_GAPS_KEPT]]
            if kind != "reordered":
                self.backs += steps[: max(0, _GAPS_KEPT - len(self.backs))]
            by = "" if kind == "reordered" else f" {(steps[0][0] - steps[0][1]) / 1e9:.6g} s to"
            self.tally.add(
                kind,
                line=int(lines[first]),
                field=field_name,
                found=f"{text}{by} {iso(int(times[first]))}",
                expected=expected,
                count=int(held.size),
            )
