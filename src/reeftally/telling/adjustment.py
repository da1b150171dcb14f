"""What a run knows of sensors against each other, as it is told.

Here:     differences of two offsets from the stored adjustment, with the covariance that it stores.
Not here: the adjustment (`reeftally.calibration.side_by_side`).
Rules:    nothing is fitted here; a difference of two sensors is far better known than either offset, and is shown so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from reeftally.telling.facts import Facts

__all__ = ["OffsetMatrix", "offset_matrices"]


@dataclass(frozen=True, slots=True)
class OffsetMatrix:
    """Differences of offsets of all sensors of one quantity."""

    quantity: str
    sensors: tuple[str, ...]
    difference: tuple[tuple[float, ...], ...]
    """Offset of the row's sensor minus that of the column's; on the diagonal the offset itself."""
    sd: tuple[tuple[float, ...], ...]
    """Standard uncertainty."""
    noise: tuple[float, ...]
    """Scatter of block means about the adjustment, by sensor."""
    range_in_common: float
    """How far the water ranged while they were side by side; NaN if not known."""
    blocks: int
    laboratories: tuple[str, ...]


def offset_matrices(facts: Facts) -> list[OffsetMatrix]:
    """Return one matrix a quantity, what fluxes hang on first; empty where the run adjusted nothing."""
    out = []
    for quantity, entry in (facts.results.trail.get("sensors") or {}).items():
        if not isinstance(entry, Mapping):
            continue
        names = [str(s) for s in entry.get("sensors", [])]
        offset, covariance = entry.get("offset") or [], entry.get("covariance") or []
        if len(names) < 2 or len(offset) < len(names) or len(covariance) < len(names):
            continue
        n = range(len(names))
        difference = tuple(tuple(float(offset[i]) - (float(offset[j]) if i != j else 0.0) for j in n) for i in n)
        sd = tuple(tuple(_sd(covariance, i, j) for j in n) for i in n)
        noise = [float(v) for v in entry.get("noise") or []]
        out.append(
            OffsetMatrix(
                quantity=str(quantity),
                sensors=tuple(names),
                difference=difference,
                sd=sd,
                noise=tuple(noise[k] if k < len(noise) else math.nan for k in n),
                range_in_common=float(entry["range"]) if entry.get("range") is not None else math.nan,
                blocks=int(entry.get("blocks") or 0),
                laboratories=tuple(str(v) for v in entry.get("laboratories") or []),
            )
        )
    first = ("ph_total", "oxygen")
    return sorted(out, key=lambda m: (first.index(m.quantity) if m.quantity in first else len(first), len(m.sensors)))


def _sd(covariance: Any, i: int, j: int) -> float:
    if i == j:
        return math.sqrt(max(float(covariance[i][i]), 0.0))
    variance = float(covariance[i][i]) + float(covariance[j][j]) - 2.0 * float(covariance[i][j])
    return math.sqrt(max(variance, 0.0))
