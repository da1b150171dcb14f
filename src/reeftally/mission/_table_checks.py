"""Tables against the mission book.

Here:     stations, instruments, bottles and heights that tables name and the book does not have.
Not here: single lines (`_table_files`), values against samples (`quality`).
Rules:    all problems at once; each names file, line, field, found, expected and mend.
"""

from __future__ import annotations

from reeftally.errors import IntakeError
from reeftally.mission._model import Book
from reeftally.mission._problems import did_you_mean
from reeftally.mission._table_files import Tables
from reeftally.mission._tables import Record
from reeftally.mission.units import CHANNELS

__all__ = ["check_tables"]


def check_tables(book: Book, tables: Tables) -> tuple[IntakeError, ...]:
    """Return where tables name stations, instruments or heights that the book does not have."""
    labels = [row.label for row in book.instruments]
    stations = [row.name for row in book.stations]
    problems: list[IntakeError] = []

    def add(table: str, record: Record, field: str, found: str, expected: str, mend: str) -> None:
        problems.append(
            IntakeError(
                file=f"tables/{table}.csv",
                line=record.line or None,
                field=field,
                found=found,
                expected=expected,
                mend=mend,
            )
        )

    def known(table: str, record: Record, field: str, found: str, among: list[str]) -> None:
        if found not in among:
            mend = did_you_mean(found, among) or "Add it to the mission book or correct the table."
            add(table, record, field, repr(found), f"one of {', '.join(among)}", mend)

    numbers = [row.bottle for row in tables.bottles]
    organisms = sorted({row.organism for row in tables.visits})
    for bottle in tables.bottles:
        known("bottles", bottle, "station", bottle.station, stations)
        if bottle.near is not None:
            known("bottles", bottle, "near", bottle.near, labels + organisms)
        if bottle.duplicate_of is not None:
            known("bottles", bottle, "duplicate_of", bottle.duplicate_of, numbers)
        if bottle.per not in (None, "kg", "litre"):
            add("bottles", bottle, "per", repr(bottle.per), "kg or litre", "Write what the laboratory reports by.")
        if bottle.station in stations:
            depth = book.water_depth_of(bottle.station)
            if bottle.height_above_bed_m > depth:
                add(
                    "bottles",
                    bottle,
                    "height_above_bed_m",
                    f"{bottle.height_above_bed_m:g}",
                    f"0 to {depth:g} m, the water depth at {bottle.station}",
                    "Height above the bed, not depth below the surface; metres, not centimetres.",
                )
    for visit in tables.visits:
        for label in visit.instruments:
            known("visits", visit, "instruments", label, labels)
    for check in tables.clock_checks:
        known("clock_checks", check, "instrument", check.instrument, labels)
    for height in tables.heights:
        known("heights", height, "instrument", height.instrument, labels)
    for done in tables.interventions:
        if done.instrument is not None:
            known("interventions", done, "instrument", done.instrument, labels)
    for material in tables.reference_materials:
        known("reference_materials", material, "quantity", material.quantity, list(CHANNELS))
    return tuple(problems)
