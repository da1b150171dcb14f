"""Which instruments still speak: last value, how far behind, since when silent.

Here:     one row an instrument of the book, from the store.
Not here: judging values (`quality`).
Rules:    silence is told against the newest data of the mission, never against the computer's clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np

from reeftally._names import QUANTITIES
from reeftally.charts import pretty_unit
from reeftally.mission import Deployment, Instrument
from reeftally.web.look import Look

__all__ = ["Pulse", "pulses"]

NS = 1_000_000_000
SYMBOLS = {
    "velocity_x": "x", "velocity_y": "y", "velocity_z": "z", "ph_total": "pH", "oxygen": "O₂", "oxygen_molar": "O₂",
}  # fmt: skip
# A silence counts after 20 samples and an hour; instruments that hand over a day's file come together (common
# practice, no source).
SAMPLES, LEAST_S = 20.0, 3600.0

State = Literal["alive", "silent", "nothing yet", "out"]


@dataclass(frozen=True, slots=True)
class Pulse:
    """Whether one instrument speaks."""

    instrument: Instrument
    state: State
    """`out`: deployed nowhere when the newest data were taken."""
    last_ns: int | None
    behind_s: float
    """How far its last sample lies behind the newest data. [s]"""
    value: str
    """Last values, with units."""
    place: Deployment | None
    """Where it was when the newest data were taken."""


def pulses(look: Look) -> list[Pulse]:
    """Return one row an instrument of the book, in its order."""
    book, newest = look.book, look.standing_ns()
    if book is None:
        return []
    streams = look.streams
    out = []
    for row in book.instruments:
        info = streams.get(row.label)
        if info is None or newest is None:
            out.append(Pulse(row, "nothing yet", None, 0.0, "", _place(look, row, newest)))
            continue
        last = look.last_ns(row.label)
        behind = (newest - last) / NS
        place = _place(look, row, newest)
        state: State
        if place is None and behind > LEAST_S:
            state = "out"
        else:
            state = "silent" if behind > max(LEAST_S, SAMPLES * row.sample_interval_s) else "alive"
        key = (info.rows, info.last_ns)
        value, _ = look.memory.get(f"last {row.label}", key, partial(_last, look, row.label))
        out.append(Pulse(row, state, last, behind, value or "", place))
    return out


def _place(look: Look, row: Instrument, newest: int | None) -> Deployment | None:
    book = look.book
    if book is None or newest is None:
        return None
    places = book.deployments_of(row.label)
    # The newest sample may lie just behind the end of the last deployment.
    return book.deployment_at(row.label, newest) or next(
        (p for p in reversed(places) if p.start_ns <= newest < p.end_ns + 3600 * NS), None
    )


def _last(look: Look, label: str) -> str:
    store, info = look.store, look.streams[label]
    if store is None:
        return ""
    names = [n for n in info.channels if "_bin_" not in n and n not in {"correlation", "signal_to_noise"}][:3]
    if not names:
        return f"{len(info.channels)} channels in bins"
    data = store.read(label, start_ns=info.last_ns, end_ns=info.last_ns + 1, channels=names)
    words = []
    for name in names:
        value = float(np.asarray(data[name])[-1])
        unit = pretty_unit(QUANTITIES[name].unit) if name in QUANTITIES else ""
        digits = {"ph_total": 3, "temperature": 2, "salinity": 2, "oxygen_molar": 1, "oxygen": 1}.get(name)
        text = "no value" if np.isnan(value) else f"{value:.{digits}f}" if digits is not None else f"{value:.4g}"
        symbol = SYMBOLS.get(name) or (QUANTITIES[name].symbol if name in QUANTITIES else name).replace("_", " ")
        words.append(f"{symbol} {text.replace('-', '−')} {unit}".strip())
    return "; ".join(words)
