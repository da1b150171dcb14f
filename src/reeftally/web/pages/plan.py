"""The plan: what the design of the mission book can see, what limits it, the cheapest improvement, the calendar.

Here:     targets against predicted intervals, signals to expect, what is assumed and missing, the mission's dates.
Not here: the prediction (`reeftally.planning`), intervals that were reached (`morning`, `account`).
Rules:    the same prediction as `reeftally plan`; a target that cannot be predicted keeps its row and says why; nothing
          is written.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from reeftally.charts import method_name, pretty_unit, quantity_name
from reeftally.mission import Book
from reeftally.planning import Expected, Plan, PlanRow, plan_mission
from reeftally.web.blocks import Block, Cell, Field, Form, Notice, Page, Pairs, Table
from reeftally.web.look import Look, stamp_of
from reeftally.web.pages import Query
from reeftally.web.pages._parts import quiet
from reeftally.web.times import when

TITLE = "Plan"
ORDER = 15

WISHES = (
    ("night_uptake", "oxygen uptake of the bed at night (mmol m⁻² h⁻¹)"),
    ("friction_velocity", "mean friction velocity (m s⁻¹)"),
)

# The page has fields where the terminal has options.
_OPTION = re.compile(r"\s*\([^()]*--[a-z-]+[^()]*\)")


def page(look: Look, query: Query) -> Page:
    """Return what the design can see."""
    book = look.book
    if book is None:
        return Page(TITLE, [look.no_book()])
    wishes, wrong = _wishes(query)
    found = _plan(look, wishes)
    blocks: list[Block] = []
    if wrong:
        blocks.append(Notice("doubtful", "Not asked.", wrong))
    if found is None:
        blocks.append(
            Notice(
                "serious", "The design cannot be judged.", [look.trouble(_name(wishes)) or "A table cannot be read."],
                f"Mend what is named; `reeftally plan {look.folder}` says the same in the terminal.",
            )
        )  # fmt: skip
        return Page(TITLE, [*blocks, _calendar(book), *_side_by_side(book)])
    if found.missing:
        rows: list[tuple[str, Cell | Sequence[Cell]]] = [
            (str(k + 1), text[:1].upper() + text[1:] + ".") for k, text in enumerate(found.missing)
        ]
        blocks.append(
            Notice("missing", "Something is missing in the book or its tables.", ["The list stands below the targets."])
        )
        blocks += [*_targets(found), Pairs("Missing", rows)]
    else:
        blocks += _targets(found)
    blocks += _signals(found)
    blocks += [_calendar(book), *_side_by_side(book)]
    fields = [Field(name, words, query.values.get(name, ""), longest=12) for name, words in WISHES]
    blocks.append(
        Form(
            "/plan", "What if the reef is another?", fields, "Ask",
            note="Empty fields stay as the book and its tables state them. Nothing is written.", ask=True,
        )
    )  # fmt: skip
    if found.assumed:
        blocks.append(quiet("Assumed: " + "; ".join(_OPTION.sub("", text) for text in found.assumed) + "."))
    return Page(TITLE, blocks, lead=_lead(found))


def _name(wishes: dict[str, float]) -> str:
    return "plan" if not wishes else f"plan {sorted(wishes.items())}"


def _wishes(query: Query) -> tuple[dict[str, float], list[Cell]]:
    wishes: dict[str, float] = {}
    wrong: list[Cell] = []
    for name, words in WISHES:
        text = query.values.get(name, "").strip()
        if not text:
            continue
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = math.nan
        if not (math.isfinite(value) and value > 0.0):
            wrong.append(f"{words}: {text!r} is no number above zero. ")
            continue
        wishes[name] = value
    return ({} if wrong else wishes), wrong


def _plan(look: Look, wishes: dict[str, float]) -> Plan | None:
    folder = look.folder
    tables = folder / "tables"
    stamp = stamp_of(folder / "mission.toml", tables, *(sorted(tables.glob("*.csv")) if tables.is_dir() else ()))

    def make() -> Plan:
        # The names of the wishes are those of the fields.
        changes: dict[str, Any] = dict(wishes)
        return plan_mission(folder, expected=replace(Expected(), **changes))

    return look.remembered(_name(wishes), stamp, make, bounded=bool(wishes))


def _lead(found: Plan) -> list[Cell]:
    if not found.rows:
        return ["The book states no wanted uncertainty, so that no design can be judged."]
    best: dict[tuple[str, str], bool] = {}
    for row in found.rows:
        key = (row.quantity, row.period)
        best[key] = best.get(key, False) or bool(row.met)
    met = sum(best.values())
    return [f"{met} of {len(best)} targets would be met by at least one method, if the reef is as assumed."]


def _half(row: PlanRow, value: float | None) -> str:
    unit = pretty_unit("" if row.unit == "1" else row.unit)
    return "" if value is None else f"± {value:.2g} {unit}".strip()


def _targets(found: Plan) -> list[Block]:
    if not found.rows:
        return [
            Notice(
                "missing", "The book holds no targets.",
                ["A target is a quantity, a period and the half-width of the 95 % interval that the question needs."],
                "Write [[targets]] in mission.toml; docs/mission-book.md names their fields.",
            )
        ]  # fmt: skip
    rows: list[list[Cell]] = []
    weights = []
    for row in found.rows:
        state = "cannot be predicted" if row.met is None else "met" if row.met else "not met"
        rows.append(
            [
                f"{quantity_name(row.quantity)}, {row.period}", method_name(row.method) if row.method else "",
                _half(row, row.wanted), _half(row, row.predicted), state, row.dominant,
                row.reason if row.met is None else row.cheapest,
            ]
        )  # fmt: skip
        weights.append("" if row.met else "doubtful")
    head = ["target", "way", "wanted", "predicted", "state", "what limits it most", "cheapest improvement, or why not"]
    blocks: list[Block] = [
        Table("Targets and what the design can reach, half-widths of 95 % intervals", head, rows, weights=weights)
    ]
    blocks += [
        Table(
            f"{quantity_name(row.quantity)}, {row.period}, {method_name(row.method)}: single changes, best first",
            ["change", "predicted then", "effort"],
            [[str(i["text"]), _half(row, float(i["half_width"])), f"{float(i['effort']):g}"] for i in row.improvements],
            closed=True,
        )
        for row in found.rows
        if row.met is False and row.improvements
    ]
    return blocks


def _signed(value: float, form: str) -> str:
    return f"{value:{form}}".replace("-", "−")


def _signals(found: Plan) -> list[Block]:
    s = found.signals
    if not s:
        return []
    flux = pretty_unit("mmol m-2 h-1")
    return [
        Pairs(
            "What the mast would see",
            [
                (
                    "between",
                    f"{s['lower_m_above_displacement']:.2f} and {s['upper_m_above_displacement']:.2f} m above the "
                    "displacement plane",
                ),
                (
                    "expected",
                    f"oxygen flux {_signed(s['oxygen_flux_mmol_m2_h'], '.3g')} {flux}, friction velocity "
                    f"{100 * s['friction_velocity_m_s']:.2g} cm s⁻¹",
                ),
                ("oxygen, lower minus upper", f"{_signed(s['oxygen_lower_minus_upper_umol_kg'], '+.2f')} µmol kg⁻¹"),
                ("pH, lower minus upper", _signed(s["ph_lower_minus_upper"], "+.4f")),
                (
                    "an oxygen offset of 0.1 µmol kg⁻¹",
                    f"is a false flux of {s['false_oxygen_flux_of_0.1_umol_kg']:.1f} {flux}",
                ),
                ("a pH offset of 0.001", f"is a false DIC flux of {s['false_dic_flux_of_0.001_ph']:.1f} {flux}"),
            ],
        )
    ]


def _calendar(book: Book) -> Table:
    offset = book.site.utc_offset_h
    rows = [(p.start_ns, p.end_ns, f"side by side: {p.name}", ", ".join(p.instruments)) for p in book.intercalibrations]
    rows.append((book.mission.start_ns, book.mission.end_ns, "mission", ""))
    return Table(
        "Calendar, as the book reserves it",
        ["from", "to", "hours", "what", "instruments"],
        [
            [when(a, offset), when(b, offset), f"{(b - a) / 3.6e12:.3g}", what, labels]
            for a, b, what, labels in sorted(rows)
        ],
    )


def _side_by_side(book: Book) -> list[Block]:
    before = any(p.start_ns < book.mission.start_ns for p in book.intercalibrations)
    after = any(p.end_ns > book.mission.end_ns for p in book.intercalibrations)
    lacking = [word for word, there in (("before", before), ("after", after)) if not there]
    if not lacking:
        return []
    return [
        Notice(
            "missing", f"No side by side {' and '.join(lacking)} the mission is reserved.",
            ["Without both, drift between the sensors cannot be told from the water."],
            "Reserve it in mission.toml under [[intercalibrations]].",
        )
    ]  # fmt: skip
