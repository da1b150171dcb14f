"""Tables of the report that come from the mission book and the crew's tables: instruments, places, bottles that agree.

Here:     instruments and what is known of their errors, deployments, duplicates, reference materials.
Not here: estimates (`sections`).
Rules:    what people wrote is shown as they wrote it; a difference of duplicates stands beside what their standard
          uncertainties allow.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import pandas as pd

from reeftally.charts import pretty_unit, quantity_name
from reeftally.mission import Bottle, Tables, read_tables
from reeftally.telling.facts import Facts

__all__ = ["BookTable", "bottle_tables", "instrument_tables"]

BookTable = tuple[str, tuple[str, ...], list[tuple[str, ...]], str]
"""Title, head, rows, note."""
MOST_APART = 3.0
"""Standard uncertainties from which duplicates are said to disagree (common practice, no source)."""


def _shown(value: float | None, form: str = "g") -> str:
    return "–" if value is None else f"{value:{form}}"


def _when(time_ns: int) -> str:
    return f"{pd.Timestamp(time_ns, unit='ns'):%Y-%m-%d %H:%M}"


def instrument_tables(facts: Facts) -> list[BookTable]:
    """Return the instruments with the errors that the book states, their certificates, and where they stood."""
    book = facts.book
    errors: list[tuple[str, ...]] = [
        (
            row.label, row.kind.replace("_", " "), row.serial, f"{row.sample_interval_s:g}",
            _shown(row.response_time_s), quantity_name(term.quantity), f"{term.noise_sd:g}", f"{term.offset_sd:g}",
            _shown(term.drift_sd_per_day),
        )
        for row in book.instruments for term in (row.terms or ())
    ]  # fmt: skip
    out: list[BookTable] = []
    if errors:
        head: tuple[str, ...] = (
            "Instrument", "Kind", "Serial", "Every (s)", "Response (s)", "Quantity", "Noise (1 sd)", "Offset (1 sd)",
            "Drift a day (1 sd)",
        )  # fmt: skip
        out.append(("Instruments and what was known of their errors before", head, errors, "As the book states them."))
    certificates: list[tuple[str, ...]] = [
        (
            row.instrument, row.serial, quantity_name(row.quantity), f"{row.date:%Y-%m-%d}", row.equation or "–",
            row.standard or "–", row.person or "–",
        )
        for row in book.calibrations
    ]  # fmt: skip
    if certificates:
        head = ("Instrument", "Serial", "Quantity", "Date", "Equation", "Standard", "Who")
        out.append(("Certificates", head, certificates, ""))
    places: list[tuple[str, ...]] = [
        (
            row.instrument, row.station, _when(row.start_ns), _when(row.end_ns),
            f"{row.height_above_bed_m:.2f} ± {1.96 * row.height_sd_m:.2f}", _shown(row.heading_deg),
            row.axes or "–",
        )
        for row in sorted(book.deployments, key=lambda d: (d.instrument, d.start_ns))
    ]  # fmt: skip
    if places:
        head = ("Instrument", "Station", "In (UTC)", "Out (UTC)", "Height above the bed (m)", "Heading (°)", "z axis")
        out.append(("Deployments", head, places, "Heights with their 95 % interval, by tape or as stated."))
    return out


_PARTS: tuple[tuple[str, Callable[[Bottle], tuple[float | None, float | None]], str], ...] = (
    ("dic", lambda b: (b.dic, b.dic_sd), "µmol kg-1"),
    ("total_alkalinity", lambda b: (b.total_alkalinity, b.total_alkalinity_sd), "µmol kg-1"),
    ("ph_total", lambda b: (b.ph_total, b.ph_sd), ""),
    ("oxygen", lambda b: (b.oxygen, b.oxygen_sd), "µmol kg-1"),
)


def bottle_tables(facts: Facts) -> list[BookTable]:
    """Return how well duplicates agree, and how reference materials were recovered."""
    tables = read_tables(facts.folder / "tables")
    out: list[BookTable] = []
    rows = _duplicates(tables)
    if rows:
        head = ("Quantity", "Pairs", "Standard deviation of one", "Stated", "Largest difference", "Pairs apart")
        note = f"Apart: by more than {MOST_APART:g} standard uncertainties of the difference; both are kept."
        out.append(("Duplicate bottles", head, rows, note))
    materials: list[tuple[str, ...]] = [
        (
            quantity_name(row.quantity), _when(row.time_ns), f"{row.certified:g}", f"{row.measured:g}",
            f"{row.measured - row.certified:+.2g} ± {1.96 * row.sd:.2g}", row.laboratory or "–",
        )
        for row in tables.reference_materials
    ]  # fmt: skip
    if materials:
        head = ("Quantity", "Time (UTC)", "Certified", "Measured", "Difference, 95 %", "Laboratory")
        out.append(("Reference materials", head, materials, ""))
    return out


def _duplicates(tables: Tables) -> list[tuple[str, ...]]:
    known = {b.bottle: b for b in tables.bottles}
    pairs = [(known[b.duplicate_of], b) for b in tables.bottles if b.duplicate_of in known and b.duplicate_of]
    rows: list[tuple[str, ...]] = []
    for name, part, unit in _PARTS:
        apart: list[tuple[float, float]] = []
        for first, second in pairs:
            (a, a_sd), (b, b_sd) = part(first), part(second)
            if a is not None and b is not None:
                apart.append((b - a, math.hypot(a_sd or 0.0, b_sd or 0.0)))
        if not apart:
            continue
        scatter = math.sqrt(sum(d * d for d, _ in apart) / (2.0 * len(apart)))
        stated = math.sqrt(sum(s * s for _, s in apart) / (2.0 * len(apart)))
        far = sum(s > 0.0 and abs(d) > MOST_APART * s for d, s in apart)
        shown = f" {pretty_unit(unit)}" if unit else ""
        rows.append(
            (
                quantity_name(name), str(len(apart)), f"{scatter:.2g}{shown}", f"{stated:.2g}{shown}",
                f"{max(abs(d) for d, _ in apart):.2g}{shown}", str(far),
            )
        )  # fmt: skip
    return rows
