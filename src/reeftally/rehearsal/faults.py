"""Further faults on request: what goes wrong with instruments, clocks and files, drawn by seed.

Here:     `Fault`, `draw_faults`, what a fault does to rows (`apply_to_rows`) and to a file (`apply_to_file`).
Not here: the faults that each script plants anyway (`script`, `slow`, `velocimeters`).
Rules:    every fault is told in the truth with instrument, kind, start and end; faults of one instrument
          do not overlap; the same seed plants the same faults.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.errors import InputError
from reeftally.rehearsal.highrate import World
from reeftally.rehearsal.layouts import FileLayout
from reeftally.rehearsal.reef import generator
from reeftally.rehearsal.script import HOUR

__all__ = ["FILE_KINDS", "MOST", "ROW_KINDS", "Fault", "apply_to_file", "apply_to_rows", "draw_faults"]

IntArray = npt.NDArray[np.int64]

ROW_KINDS = (
    "spikes",
    "stuck",
    "gap",
    "step",
    "noise",
    "attenuated",
    "missing",
    "sentinel",
    "unit",
    "rounding",
    "clock_ahead",
    "columns_swapped",
    "negative",
    "drift",
)
FILE_KINDS = ("truncated", "junk", "duplicates", "header_again", "overflow", "copied_file", "empty_file")
_TARGETS = ("OXY-1", "OXY-2", "OXY-3", "OXY-4", "PHI-1", "PHI-2", "CTD-1", "DYE-P", "PAR-1", "FAR-1", "MET-1")
_HOURS = {"gap": 3.0, "stuck": 4.0, "sentinel": 0.5, "missing": 0.7, "negative": 0.4, "spikes": 5.0, "drift": 14.0}
MOST = 60
"""More would not fit beside each other on eleven instruments."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One planted fault; times in seconds since the start of the script."""

    label: str
    kind: str
    start: float
    end: float
    size: float
    """Multiple of the spread that the fault moves values by, or seconds of a clock."""


def draw_faults(world: World, labels: tuple[str, ...], count: int) -> list[Fault]:
    """Draw faults for the slow instruments among `labels`.

    Raises
    ------
    InputError
        More than `MOST` are asked for, fewer than none, or none of the labels can carry a fault.
    """
    if not 0 <= count <= MOST:
        message = f"plant_faults is {count}; it needs 0 to {MOST}."
        raise InputError(message)
    if count == 0:
        return []
    targets = [label for label in _TARGETS if label in labels]
    if not targets:
        message = f"None of {', '.join(labels)} can carry a planted fault; add one of {', '.join(_TARGETS)}."
        raise InputError(message)
    rng = generator(world.seed, "planted faults")
    a, b = world.script.place
    kinds = [*ROW_KINDS, *FILE_KINDS]
    taken: dict[str, list[tuple[float, float]]] = {label: [] for label in targets}
    out: list[Fault] = []
    tries = 0
    while len(out) < count and tries < 20000:
        tries += 1
        kind = kinds[len(out) % len(kinds)]
        label = targets[int(rng.integers(len(targets)))]
        if kind == "unit" and not label.startswith("OXY"):
            continue
        if kind == "columns_swapped" and label in ("DYE-P", "PAR-1"):
            continue
        length = (_HOURS.get(kind, 2.0) if kind in ROW_KINDS else 0.1) * HOUR * float(rng.uniform(0.7, 1.3))
        start = float(rng.uniform(a + HOUR, b - length - HOUR))
        if any(start < e + 0.5 * HOUR and s < start + length + 0.5 * HOUR for s, e in taken[label]):
            continue
        taken[label].append((start, start + length))
        size = float(rng.uniform(8.0, 15.0) * rng.choice([-1.0, 1.0]))
        if kind == "clock_ahead":
            size = float(rng.choice([120.0, 600.0, 1800.0]))
        out.append(Fault(label, kind, start, start + length, size))
    if len(out) < count:
        message = f"Only {len(out)} of {count} faults fit on {len(targets)} instruments; ask for fewer."
        raise InputError(message)
    return sorted(out, key=lambda fault: fault.start)


def apply_to_rows(
    fault: Fault, world: World, stamps_ns: IntArray, values: FloatArray, layout: FileLayout
) -> tuple[IntArray, FloatArray]:
    """Return stamps and values (in the file's units) with a fault of rows worked in."""
    t = (stamps_ns - world.script.start_ns) / 1e9
    inside = (t >= fault.start) & (t < fault.end)
    if fault.kind not in ROW_KINDS or not inside.any():
        return stamps_ns, values
    rng = generator(world.seed, f"fault {fault.label} {round(fault.start)}")
    values, stamps_ns = values.copy(), stamps_ns.copy()
    column = next((n for n, c in enumerate(layout.columns) if c.quantity != "temperature"), 0)
    chosen = values[inside, column]
    # The spread of neighbours: what is noise to this instrument.
    spread = float(np.nanstd(np.diff(values[:, column]))) or 10.0 ** -layout.columns[column].decimals
    kind = fault.kind
    if kind == "gap":
        return stamps_ns[~inside], values[~inside]
    if kind == "clock_ahead":
        stamps_ns[inside] += int(fault.size) * 1_000_000_000
        # The clock is set right again at the end: later rows that lie behind the last shifted one stay.
        return stamps_ns, values
    if kind == "columns_swapped":
        other = (column + 1) % values.shape[1]
        first, second = values[inside, column].copy(), values[inside, other].copy()
        values[inside, column], values[inside, other] = second, first
        return stamps_ns, values
    if kind == "spikes":
        hit = rng.choice(chosen.size, size=min(10, chosen.size), replace=False)
        chosen[hit] += 4.0 * fault.size * spread * rng.choice([-1.0, 1.0], hit.size)
    elif kind == "stuck":
        chosen[:] = chosen[0]
    elif kind == "step":
        chosen += fault.size * spread
    elif kind == "noise":
        chosen += abs(fault.size) * spread * rng.standard_normal(chosen.size)
    elif kind == "attenuated":
        chosen[:] = np.nanmean(chosen) + 0.02 * (chosen - np.nanmean(chosen))
    elif kind == "missing":
        chosen[:] = np.nan
    elif kind == "sentinel":
        chosen[:] = 9999.0
    elif kind == "unit":
        # Milligrams per litre where micromoles are declared: 31.9988 g mol-1.
        chosen *= 31.9988 / 1000.0
    elif kind == "rounding":
        scale = 10.0 ** (layout.columns[column].decimals - 2)
        chosen[:] = np.round(chosen * scale) / scale
    elif kind == "negative":
        chosen[:] = -0.02 * np.abs(chosen)
    elif kind == "drift":
        chosen += 2.0 * fault.size * spread * np.linspace(0.0, 1.0, chosen.size)
    values[inside, column] = chosen
    return stamps_ns, values


def apply_to_file(fault: Fault, folder: Path, names: list[str], layout: FileLayout, world: World) -> None:
    """Work a fault of text into the file of the fault's day."""
    if fault.kind not in FILE_KINDS or not names:
        return
    day = world.script.when(fault.start).strftime("%Y%m%d")
    name = next((n for n in names if day in n), names[-1])
    path = folder / name
    end = layout.dialect.line_end.encode()
    if fault.kind == "empty_file":
        head = layout.head(fault.label, "")
        (folder / f"{path.stem}_b{path.suffix}").write_bytes(head)
        return
    lines = path.read_bytes().split(end)
    head_lines = layout.head(fault.label, "").count(end)
    # Where in the file: as far along as the fault in its day.
    share = (world.script.when(fault.start) - world.script.when(fault.start).replace(hour=0, minute=0)).seconds / 86400
    row = min(max(head_lines + 2, int(share * len(lines))), len(lines) - 4)
    mark = layout.dialect.delimiter.encode()
    if fault.kind == "truncated":
        last = lines[-2]
        path.write_bytes(end.join(lines[:-2]) + end + last[: max(len(last) // 2, 1)])
        return
    if fault.kind == "copied_file":
        part = lines[:head_lines] + lines[row : row + 200]
        (folder / f"{path.stem}_copy{path.suffix}").write_bytes(end.join(part).rstrip(end) + end)
        return
    if fault.kind == "junk":
        lines[row:row] = [b"\x00\x13\xfe\x81#~\x07", b"?0x7f\xff\xfeERR"]
    elif fault.kind == "duplicates":
        lines[row:row] = lines[row : row + 6]
    elif fault.kind == "header_again":
        lines[row:row] = layout.head(fault.label, "").split(end)[:-1]
    elif fault.kind == "overflow":
        for k in range(row, min(row + 5, len(lines) - 2)):
            cells = lines[k].split(mark)
            cells[-1] = b"****"
            lines[k] = mark.join(cells)
    path.write_bytes(end.join(lines))
