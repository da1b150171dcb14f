"""Single organisms: visits of the carried sensor, what is left to do, forms and sizes, share of the community.

Here:     visits with difference and interval, visits still needed, by form, uptake, build-up to the community.
Not here: plateaus and scaling (`reeftally.exchange`).
Rules:    a visit in doubt stands with its reason; the share is a share of respiration, not blame.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from reeftally.charts import method_name, quantity_name
from reeftally.mission import Visit
from reeftally.telling import Facts, Number
from reeftally.telling.figures_exchange import organisms
from reeftally.telling.words import share as as_percent
from reeftally.telling.words import with_interval
from reeftally.web.blocks import Block, Cell, Notice, Page, Table, Value, number_key, value_of
from reeftally.web.look import Look
from reeftally.web.pages import Query
from reeftally.web.pages._parts import cautions, figures_of, lacking, number_of, quiet, run_table
from reeftally.web.times import parse_ns, when

TITLE = "Organisms"
ORDER = 90

PH, OXYGEN = "visit_ph_difference", "visit_oxygen_difference"
SINGLE = ("excurrent_velocity", "pumping_rate", "individual_oxygen_uptake", "individual_dic_release")
NAMES = {"dic_added_by_organisms": "DIC added by the counted organisms"}
TOGETHER = ("areal_oxygen_uptake", "community_share", "dic_added_by_organisms")


def page(look: Look, query: Query) -> Page:
    """Return what single organisms do."""
    missing, facts = lacking(look), look.facts
    if missing is not None or facts is None:
        return Page(TITLE, [missing or look.no_results()])
    tables = look.tables
    slate: Sequence[Visit] = tables.visits if tables is not None else ()
    forms = {v.organism: v.form for v in slate}
    visits = facts.find(PH, given=False) + facts.find(OXYGEN, given=False)
    if not visits and not slate:
        return Page(
            TITLE,
            [
                Notice(
                    "missing", "No organism was visited yet.",
                    ["Carry a sensor from ambient to jet and back, and write each visit in tables/visits.csv."],
                )
            ],
        )  # fmt: skip
    blocks: list[Block] = []
    if tables is None:
        blocks.append(Notice("serious", "The tables cannot be read.", [look.trouble("tables")]))
    blocks += [*_left(look), *_too_much(facts), _community(facts), *figures_of("organisms", organisms(facts))]
    single = _single(facts, forms, {v.organism: v.osculum_diameter_cm for v in slate})
    if single is not None:
        blocks.append(single)
    blocks.append(_visits(look, facts, slate, forms))
    return Page(TITLE, [*blocks, *cautions("organism task")], lead=_lead(facts, visits, slate))


def _lead(facts: Facts, visits: list[Number], slate: Sequence[Visit]) -> list[Cell]:
    found = {(n.subject, n.start) for n in visits if n.given}
    out: list[Cell] = [f"{len(found)} of {len(slate)} visits of the slate were found in the record. "]
    share = facts.one("community_share")
    if share is not None:
        out += [
            "The organisms counted stand for ",
            value_of(share),
            " of the community's respiration (1 is all of it).",
        ]
    return out


def _left(look: Look) -> list[Block]:
    rows = run_table(look, "replicates.csv")
    if not rows:
        return [quiet("Visits still needed are not known: the run keeps no list of them.")]
    table: list[list[Cell]] = []
    weights = []
    for r in sorted(rows, key=lambda r: (-number_of(r.get("more")), r.get("form", ""), r.get("organism", ""))):
        value, low, high = (number_of(r.get(k)) for k in ("mean", "lower", "upper"))
        mean: Cell = ""
        if all(math.isfinite(v) for v in (value, low, high)):
            mean = Value(with_interval(value, low, high, sign=True), "visits")
        left = int(number_of(r.get("more"))) if r.get("more") else 0
        table.append(
            [
                r.get("organism", ""), r.get("form", ""), r.get("n", ""), mean,
                f"± {number_of(r.get('wanted')):g}" + ("" if r.get("from_book") == "yes" else " (rule of the trade)"),
                r.get("needed", ""), str(left),
            ]
        )  # fmt: skip
        weights.append("doubtful" if left else "")
    quantity = quantity_name(rows[0].get("quantity", ""))
    return [
        Table(
            f"Visits left ({quantity}; needed: n that solves n = (t sd / half-width)²)",
            ["organism", "form", "visits", "difference, 95 %", "wanted", "needed", "left"],
            table,
            weights=weights,
        )
    ]


def _community(facts: Facts) -> Block:
    rows: list[list[Cell | list[Cell]]] = []
    for quantity in TOGETHER:
        for n in facts.find(quantity, given=False):
            shown = _percent(n) if n.quantity == "community_share" else value_of(n)
            cell: list[Cell] = [shown] if n.given else [shown, f": {n.reason}"]
            what = NAMES.get(n.quantity, quantity_name(n.quantity))
            rows.append([what, method_name(n.method), cell, n.reason if n.given else ""])
    if not rows:
        return Notice(
            "missing", "Not scaled to the community.",
            ["It needs counts in tables/surveys.csv, a pumping rate of each form, and the share of time they pump."],
        )  # fmt: skip
    return Table(
        "Scaled to the community (a share of respiration, not blame: they also feed the reef)",
        ["what", "way", "value with 95 % interval", "remark"],
        rows,
    )


def _percent(n: Number) -> Value:
    return Value(f"{as_percent(n.value, n.lower, n.upper)}" if n.given else "not given", number_key(n))


def _too_much(facts: Facts) -> list[Block]:
    share = facts.one("community_share")
    if share is None or share.value <= 1.0:
        return []
    return [
        Notice(
            "doubtful", "More than all of the respiration.",
            ["A share above 100 % cannot be: look at counts, pumping rates and the share of time that they pump."],
        )
    ]  # fmt: skip


def _single(facts: Facts, forms: dict[str, str], sizes: dict[str, float | None]) -> Table | None:
    found: dict[str, dict[str, Number]] = {}
    for quantity in SINGLE:
        for n in facts.find(quantity, given=False):
            found.setdefault(n.subject, {})[quantity] = n
    if not found:
        return None
    names = [q for q in SINGLE if any(q in one for one in found.values())]
    ordered = sorted(found, key=lambda s: (forms.get(s, ""), sizes.get(s) or 0.0, s))
    rows: list[list[Cell]] = [
        [
            label, forms.get(label, ""), f"{size:g}" if (size := sizes.get(label)) is not None else "",
            *(value_of(found[label][q]) if q in found[label] else "" for q in names),
        ]
        for label in ordered
    ]  # fmt: skip
    return Table(
        "By form and size",
        ["organism", "form", "osculum, cm", *(quantity_name(q) for q in names)],
        rows,
        search=len(rows) > 12,
    )


def _visits(look: Look, facts: Facts, slate: Sequence[Visit], forms: dict[str, str]) -> Table:
    offset = facts.book.site.utc_offset_h
    seen: dict[tuple[str, str], dict[str, Number]] = {}
    for quantity in (PH, OXYGEN):
        for n in facts.find(quantity, given=False):
            seen.setdefault((n.subject, n.start), {})[quantity] = n
    rows: list[list[Cell]] = []
    weights = []
    for (subject, start), found in sorted(seen.items(), key=lambda item: item[0][1]):
        any_one = next(iter(found.values()))
        at, until = parse_ns(start), parse_ns(any_one.end)
        length = f"{(until - at) / 60e9:.1f} min" if at is not None and until is not None else ""
        rows.append(
            [
                when(at, offset) if at is not None else start, subject, forms.get(subject, ""), length,
                value_of(found[PH], sign=True) if PH in found else "",
                value_of(found[OXYGEN], sign=True) if OXYGEN in found else "",
                any_one.reason,
            ]
        )  # fmt: skip
        weights.append("doubtful" if any_one.flag != 1 else "")
    return Table(
        f"{len(rows)} visits found in the record, jet minus ambient",
        ["time in the jet", "organism", "form", "stay", "pH", "oxygen", "remark"],
        rows,
        search=len(rows) > 12,
        weights=weights,
    )
