"""Times in words, and how fresh the data are.

Here:     UTC with local time beside it, lengths of time, and whether newer data are overdue.
Not here: reading any clock: now is given.
Rules:    the computer's clock never dates data; it only tells how long nothing has come in, and it is doubted when it
          lies more than a day from the newest data of a mission that should be running.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

__all__ = ["Freshness", "date_words", "freshness", "lasting", "parse_ns", "when"]

NS = 1_000_000_000
DAY_S = 86400.0
# Newer data are overdue after three usual waits, and never sooner than an hour (common practice, no source).
WAITS, LEAST_S = 3.0, 3600.0
FIRST, LAST = np.datetime64("1900-01-01", "s"), np.datetime64("2200-01-01", "s")


def _utc(time_ns: int) -> dt.datetime:
    return dt.datetime.fromtimestamp(time_ns // NS, tz=dt.UTC)


def when(time_ns: int, offset_h: float = 0.0) -> str:
    """Return ``30 Mar 2031 14:05 UTC (19:05 local)``."""
    utc = _utc(time_ns)
    text = f"{utc.day} {utc:%b %Y %H:%M} UTC"
    if not offset_h:
        return text
    local = utc + dt.timedelta(hours=offset_h)
    other = f"{local.day} {local:%b} " if local.date() != utc.date() else ""
    return f"{text} ({other}{local:%H:%M} local)"


def date_words(time_ns: int) -> str:
    """Return ``30 Mar 14:05`` in UTC."""
    utc = _utc(time_ns)
    return f"{utc.day} {utc:%b %H:%M}"


def lasting(seconds: float) -> str:
    """Return a length of time in the two largest units that matter: ``6 h 10 min``."""
    minutes = max(round(seconds / 60.0), 0)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"


def parse_ns(text: str) -> int | None:
    """Return an ISO time in nanoseconds; None where it is none."""
    try:
        found = np.datetime64(text.strip().removesuffix("Z"), "s")
    except ValueError:
        return None
    # Years that nanoseconds cannot hold, and the empty text, which is no time.
    if np.isnat(found) or not FIRST <= found < LAST:
        return None
    return int(found.astype(np.int64)) * NS


@dataclass(frozen=True, slots=True)
class Freshness:
    """What the head of every page says of the newest data."""

    state: Literal["empty", "fresh", "stale", "over", "clock"]
    text: str


def freshness(
    *, newest_ns: int | None, end_ns: int | None, now_ns: int, arrivals_ns: Sequence[int], offset_h: float = 0.0
) -> Freshness:
    """Say how fresh the data are.

    Parameters
    ----------
    newest_ns : int, optional
        Stamp of the newest data. [ns]
    end_ns : int, optional
        End of the mission by the book. [ns]
    now_ns : int
        The computer's clock. [ns]
    arrivals_ns : sequence of int
        When data came in, by the same clock, oldest first. [ns]
    offset_h : float
        Local time minus UTC. [h]
    """
    if newest_ns is None:
        return Freshness("empty", "No data yet.")
    newest = when(newest_ns, offset_h)
    # Two blocks of leeway: the last block of a mission is seldom whole.
    if end_ns is not None and newest_ns >= end_ns - 1800 * NS:
        return Freshness("over", f"Data up to {newest}: the mission is complete.")
    waits = np.diff(np.asarray(arrivals_ns, dtype=np.float64)) / NS
    waits = waits[waits > 1.0]
    usual = float(np.median(waits)) if waits.size else 0.0
    quiet = (now_ns - arrivals_ns[-1]) / NS if arrivals_ns else None
    if quiet is not None and quiet > max(LEAST_S, WAITS * usual):
        return Freshness("stale", f"Stale since {newest}: nothing new for {lasting(quiet)}.")
    apart = (now_ns - newest_ns) / NS
    if abs(apart) > DAY_S:
        return Freshness(
            "clock",
            f"Data up to {newest}. This computer's clock says {when(now_ns)}: it or the data are from another day.",
        )
    return Freshness("fresh", f"Data up to {newest}.")
