"""Sensors side by side: offsets of pairs, before and after, scatter, range covered, what it costs in flux.

Here:     offset matrix by quantity, the two side-by-side runs against each other, drift, costs by day.
Not here: the adjustment (`reeftally.calibration`), one sensor's record (`sensor`).
Rules:    a pair's difference is shown with its joint uncertainty; what was not compared is said.
"""

from __future__ import annotations

import math
from urllib.parse import quote

from reeftally._names import QUANTITIES
from reeftally.charts import quantity_name
from reeftally.telling import Facts
from reeftally.telling.adjustment import OffsetMatrix, offset_matrices
from reeftally.telling.figures_water import offsets
from reeftally.telling.words import number, places
from reeftally.web.blocks import Block, Cell, Heading, Link, Notice, Page, Table, Value
from reeftally.web.look import Look
from reeftally.web.pages import Query
from reeftally.web.pages._parts import COVERAGE, figures_of, lacking, number_of, plus_minus, quiet, run_table
from reeftally.web.times import when

TITLE = "Side by side"
ORDER = 40

PAIR = ("offset_before", "offset_after", "change", "drift_per_day")


def page(look: Look, query: Query) -> Page:
    """Return what sensors of a kind say of one water."""
    missing, facts = lacking(look), look.facts
    if missing is not None or facts is None:
        return Page(TITLE, [missing or look.no_results()])
    matrices = offset_matrices(facts)
    rows = run_table(look, "sensors.csv")
    blocks: list[Block] = [_runs(look)]
    blocks += _costs(look)
    for found in matrices:
        blocks += _one(found, [r for r in rows if r.get("quantity") == found.quantity])
    if not matrices:
        blocks.append(
            Notice(
                "missing", "No sensors were compared in this run.",
                ["Set all sensors of a kind in one water before and after, and enter the hours in the book."],
                "[[intercalibrations]] in mission.toml",
            )
        )  # fmt: skip
    blocks += figures_of("side_by_side", offsets(facts))
    return Page(TITLE, blocks, lead=_lead(facts, matrices))


def _lead(facts: Facts, matrices: list[OffsetMatrix]) -> list[Cell]:
    names = ", ".join(f"{quantity_name(m.quantity)} ({len(m.sensors)} sensors)" for m in matrices)
    return [f"Compared: {names}."] if names else ["Nothing was compared."]


def _runs(look: Look) -> Block:
    book = look.book
    assert book is not None
    offset = book.site.utc_offset_h
    rows: list[list[Cell]] = [
        [f"{when(p.start_ns, offset)} to {when(p.end_ns, offset)}", ", ".join(p.instruments)]
        for p in sorted(book.intercalibrations, key=lambda p: p.start_ns)
    ]
    if len(rows) == 1:
        rows.append(["not yet", "The second run, after the mission, tells drift from offset. Reserve its hours."])
    return Table("Hours side by side, from the book", ["when", "instruments"], rows)


def _costs(look: Look) -> list[Block]:
    rows = [r for r in run_table(look, "fitness.csv") if r.get("purpose") == "gradient" and r.get("flux_cost")]
    if not rows:
        return [
            quiet(
                "What an offset costs in flux is not known: no sensor of this run serves a gradient, or the run is old."
            )
        ]
    newest = max(r.get("day", "") for r in rows)
    table: list[list[Cell]] = []
    for r in sorted((r for r in rows if r.get("day") == newest), key=lambda r: -number_of(r.get("flux_cost"))):
        cost, flux = number_of(r.get("flux_cost")), number_of(r.get("flux"))
        share = f"{100.0 * cost / abs(flux):.0f} %" if math.isfinite(cost / flux if flux else math.nan) else ""
        table.append(
            [
                Link(r.get("sensor", ""), f"/sensor/{quote(r.get('sensor', ''))}"),
                r.get("partner", ""),
                quantity_name(r.get("quantity", "")),
                f"{number_of(r.get('pair_offset_sd')):.2g}",
                f"{cost:.2g} {r.get('flux_unit', '').replace('-2', '⁻²').replace('-1', '⁻¹')}",
                share,
                r.get("grade", ""),
                r.get("sentence", ""),
            ]
        )
    return [
        Table(
            f"What the offsets cost in flux, {newest} (one standard uncertainty)",
            ["sensor", "against", "quantity", "offset known to", "costs", "of the flux", "grade", "in words"],
            table,
        )
    ]


def _one(found: OffsetMatrix, rows: list[dict[str, str]]) -> list[Block]:
    unit = QUANTITIES[found.quantity].unit if found.quantity in QUANTITIES else ""
    name = quantity_name(found.quantity)
    matrix: list[list[Cell]] = []
    for i, label in enumerate(found.sensors):
        cells: list[Cell] = []
        for j in range(len(found.sensors)):
            value, sd = found.difference[i][j], found.sd[i][j]
            text = _short(value, COVERAGE * sd)
            cells.append(Value(text, "side_by_side") if sd > 0 else "fixed")
        matrix.append([label, *cells])
    words = [f"{found.blocks} blocks compared"] if found.blocks else []
    if math.isfinite(found.range_in_common):
        words.append(f"the water ranged over {found.range_in_common:.3g}{' ' + unit if unit else ''} meanwhile")
    if found.laboratories:
        words.append(f"tied to {', '.join(found.laboratories)}")
    blocks: list[Block] = [
        Heading(f"{name}{f' [{unit}]' if unit else ''}"),
        Table(
            "Row minus column, ± 95 %; on the diagonal the sensor minus true",
            ["sensor", *found.sensors],
            matrix,
        ),
    ]
    if words:
        blocks.append(quiet("; ".join(words)[:1].upper() + "; ".join(words)[1:] + "."))
    if rows:
        blocks.append(_before_after(name, rows, found))
    return blocks


def _before_after(name: str, rows: list[dict[str, str]], found: OffsetMatrix) -> Table:
    noise = dict(zip(found.sensors, found.noise, strict=True))
    table: list[list[Cell]] = []
    for r in rows:
        pair = {k: (number_of(r.get(k)), number_of(r.get(f"{k}_sd"))) for k in PAIR}
        cells = [plus_minus(value, sd, key="side_by_side") if sd > 0.0 else "none" for value, sd in pair.values()]
        scatter = noise.get(r.get("sensor", ""), math.nan)
        covered = number_of(r.get("range_in_common"))
        table.append(
            [
                r.get("sensor", ""),
                *cells,
                f"{scatter:.2g}" if math.isfinite(scatter) else "",
                f"{covered:.3g}" if math.isfinite(covered) else "never",
                r.get("gain_note", "") or plus_minus(number_of(r.get("gain")), number_of(r.get("gain_sd"))),
            ]
        )
    return Table(
        f"{name}: before against after, 95 %; scatter of block means, 1 sd",
        [
            "sensor",
            "offset before",
            "offset after",
            "change",
            "drift a day",
            "scatter (1 sd)",
            "range in common",
            "gain",
        ],
        table,
    )


def _short(value: float, half: float) -> str:
    """Return ``value ± half``: columns of a matrix are narrow, and these intervals are symmetric."""
    digits = max(places(value - half, value + half, value), 0)
    return f"{number(value, lower=value - half, upper=value + half, sign=True)} ± {half:.{digits}f}"
