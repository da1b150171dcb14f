"""Write a whole rehearsal into a mission folder.

Here:     `rehearse`: book, layouts, raw files, tables and truth of one invented mission.
Not here: what is true (`highrate.World`), what each file looks like (`layouts`).
Rules:    same size, seed and scenario: same bytes. Each instrument draws from its own stream of random
          numbers, so a subset of instruments writes the very files that the whole set would.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.errors import InputError
from reeftally.rehearsal.book import book_text, layout_for, serial_of, write_layouts
from reeftally.rehearsal.faults import Fault, apply_to_file, apply_to_rows, draw_faults
from reeftally.rehearsal.highrate import World, make_world
from reeftally.rehearsal.reef import INSTRUMENTS
from reeftally.rehearsal.slow import HAND, Seen, write_slow
from reeftally.rehearsal.tables import write_tables
from reeftally.rehearsal.truth import Row, Truth, truth_rows, write_truth
from reeftally.rehearsal.velocimeters import write_fast, write_velocimeter
from reeftally.rehearsal.visits import Visit, hand_signal, plan_visits
from reeftally.rehearsal.writer import RawFiles

__all__ = ["rehearse"]

Progress = Callable[[str, float], None]
"""Called with an instrument's label and the share of its record that is written (0 to 1)."""

_FAST = ("VEL-A", "VEL-B", "FAST-O")


def _subset(instruments: Sequence[str] | None, carried: tuple[str, ...] | None) -> tuple[str, ...]:
    if instruments is None:
        return carried or INSTRUMENTS
    unknown = [label for label in instruments if label not in INSTRUMENTS]
    if unknown:
        message = f"instruments holds {unknown}; the rehearsal has: {', '.join(INSTRUMENTS)}."
        raise InputError(message)
    if "FAST-O" in instruments and "VEL-A" not in instruments:
        message = "instruments holds FAST-O without VEL-A, which stamps it; name both."
        raise InputError(message)
    return tuple(label for label in INSTRUMENTS if label in set(instruments))


def _write_one(
    world: World,
    seen: Seen,
    visits: list[Visit],
    label: str,
    inbox: Path,
    faults: list[Fault],
    progress: Progress | None,
) -> RawFiles:
    hours = 6 if label in _FAST else 24
    layout = layout_for(world, label)
    own = [fault for fault in faults if fault.label == label]

    def change(stamps_ns: npt.NDArray[np.int64], values: FloatArray) -> tuple[npt.NDArray[np.int64], FloatArray]:
        for fault in own:
            stamps_ns, values = apply_to_rows(fault, world, stamps_ns, values, layout)
        return stamps_ns, values

    with RawFiles(inbox, layout, label, serial_of(label), hours=hours, change=change if own else None) as files:
        if label in ("VEL-A", "VEL-B"):
            write_velocimeter(world, label, files, progress)
        elif label == "FAST-O":
            write_fast(world, files, progress)
        else:
            hand = hand_signal(world, seen, visits) if label in HAND else None
            write_slow(world, seen, label, files, hand)
    for fault in own:
        apply_to_file(fault, inbox, files.names, layout, world)
    if progress is not None:
        progress(label, 1.0)
    return files


def stream_row(label: str, files: RawFiles) -> Row:
    """How many rows an instrument wrote, from its first to its last stamp, as written (before file faults)."""

    def stamp(ns: int | None) -> str:
        return "" if ns is None else f"{np.datetime64(ns, 'ns').astype('datetime64[ms]')}Z"

    return {
        "quantity": "stream_rows",
        "subject": label,
        "period": "instant",
        "start": stamp(files.first_ns),
        "end": stamp(files.last_ns),
        "value": files.rows,
        "unit": "1",
    }


def rehearse(
    folder: Path | str,
    *,
    size: str = "demo36",
    seed: int = 1,
    scenario: str = "A",
    instruments: Sequence[str] | None = None,
    plant_faults: int = 0,
    draw_truth: bool = False,
    progress: Progress | None = None,
) -> Truth:
    """Write the raw files that a planned mission's instruments would have written, with known truth.

    Parameters
    ----------
    folder : path
        Mission folder; made if it does not exist. It must hold no mission yet.
    size : {"demo36", "full", "short"}
        The 36-hour demo, the full ten days, or a short mission with few instruments for studies over many seeds.
    seed : int
        Same seed, same bytes.
    scenario : {"A", "B"}
        B has more calcifiers.
    instruments : sequence of str, optional
        Only these labels; the rest of the book, the tables and the truth stay.
    plant_faults : int
        So many further faults, drawn by seed, worked into the raw files and told in the truth.
    draw_truth : bool
        The reef's constants, heights, fluxes, residence and the sensors' offsets are drawn from the priors
        that the mission book states, for studies of how often intervals hold the truth.
    progress : callable, optional
        Called as ``progress(label, share)``.

    Returns
    -------
    Truth
        What was written to ``truth.json``.

    Raises
    ------
    InputError
        The folder already holds a mission, or an argument names nothing known.
    """
    base = Path(folder)
    if (base / "mission.toml").exists():
        message = f"{base.name} already holds a mission; a rehearsal needs a new or empty folder."
        raise InputError(message)
    world = make_world(size, seed, scenario=scenario, draw=draw_truth)
    labels = _subset(instruments, world.script.instruments)
    visits = plan_visits(world)
    faults = draw_faults(world, labels, plant_faults)
    inbox = base / "inbox"
    inbox.mkdir(parents=True, exist_ok=True)
    (base / "mission.toml").write_text(book_text(world, labels), encoding="utf-8")
    write_layouts(world, base / "layouts", labels)
    write_tables(world, base / "tables", visits)
    seen = Seen(world)
    slow = [label for label in labels if label not in _FAST]

    def write_all(chosen: list[str]) -> dict[str, RawFiles]:
        return {label: _write_one(world, seen, visits, label, inbox, faults, progress) for label in chosen}

    # Two threads: the fast instruments in one, all others in the other; each file has one writer.
    with ThreadPoolExecutor(2) as pool:
        others = pool.submit(write_all, slow)
        written = write_all([label for label in labels if label in _FAST])
        written |= others.result()
    rows = truth_rows(world, visits, faults)
    rows += [stream_row(label, written[label]) for label in labels]
    write_truth(base / "truth.json", rows)
    return Truth(tuple(rows))
