"""The account: parts of the change of pH with what is left over, closure, and what if an assumption were otherwise.

Here:     parts by period, figures, two-way closure, the form that asks the account anew.
Not here: the split (`reeftally.ledger`), its trials (`reeftally.analysis`).
Rules:    the residual always stands beside the parts; the answer to a what-if shows the shift beside the value and
          says that intervals hold for the account as stated; cautions on decisions stand on the page.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from reeftally import ledger
from reeftally.charts import driver_name, method_name
from reeftally.errors import ReeftallyError
from reeftally.seawater import carbonate
from reeftally.telling import Facts, Number
from reeftally.telling.figures_account import budgets_of, ledger_series, lines, steps
from reeftally.telling.story import amount, headline
from reeftally.telling.words import number as digits
from reeftally.web.blocks import (
    Block,
    Cell,
    Field,
    Form,
    Heading,
    Notice,
    Page,
    Table,
    Text,
    Value,
    number_key,
    value_of,
)
from reeftally.web.look import Look
from reeftally.web.pages import Query
from reeftally.web.pages._parts import cautions, figure, lacking, quiet

TITLE = "Account"
ORDER = 110

DRIVERS = ("organic", "carbonate", "gas_exchange", "temperature", "freshwater", "residual", "local", "total")
FROM_REFERENCE, FROM_PAST = "shapley_from_reference", "shapley_from_past"
WHERE = {
    FROM_REFERENCE: "Reef minus today's open water, pH, total scale",
    FROM_PAST: "Since the past, worldwide part included, pH, total scale",
}
STEP = 0.01


def page(look: Look, query: Query) -> Page:
    """Return the account."""
    missing, facts = lacking(look), look.facts
    if missing is not None or facts is None:
        return Page(TITLE, [missing or look.no_results()])
    blocks: list[Block] = []
    parts = [n for n in facts.numbers if n.quantity.startswith("ph_change_") and n.method in WHERE]
    if not parts:
        blocks.append(figure("account", steps(facts)))
        return Page(TITLE, [*blocks, *cautions("account")])
    blocks += [_newest(facts, parts), figure("account", steps(facts))]
    blocks += _sensitivity(facts)
    blocks += _what_if(facts, query)
    blocks += _closure(facts)
    blocks.append(figure("account", ledger_series(facts)))
    blocks.append(figure("account", budgets_of(facts, ("ph_change_local", "ph_change_global", "local_dic_excess"))))
    blocks += [t for method in WHERE if (t := _every(facts, parts, method)) is not None]
    return Page(TITLE, [*blocks, *cautions("account")], lead=_lead(facts))


def _lead(facts: Facts) -> list[Cell]:
    said = headline(facts)
    if not said.answered:
        return [said.text]
    out: list[Cell] = []
    rest = said.text
    for k, n in enumerate(said.numbers):
        before, _, rest = rest.partition("{" + str(k) + "}")
        out += [before, Value(amount(n), number_key(n))]
    return [*out, rest]


def _of(parts: list[Number], method: str, period: str, start: str = "") -> dict[str, Number]:
    return {
        n.quantity.removeprefix("ph_change_"): n
        for n in parts
        if n.method == method and n.period == period and (not start or n.start == start)
    }


def _newest(facts: Facts, parts: list[Number]) -> Table:
    """Return the parts from today's open water: newest night, day and 24 h, and the mission."""
    columns: list[tuple[str, dict[str, Number]]] = []
    for period in ("night", "day", "24h", "mission"):
        starts = sorted({n.start for n in parts if n.period == period and n.method == FROM_REFERENCE and n.given})
        if starts:
            found = _of(parts, FROM_REFERENCE, period, starts[-1])
            columns.append((facts.period_name(next(iter(found.values()))), found))
    rows: list[list[Cell]] = [
        [driver_name(d), *(value_of(found[d], sign=True) if d in found else "" for _, found in columns)]
        for d in DRIVERS
        if any(d in found for _, found in columns)
    ]
    return Table(f"{WHERE[FROM_REFERENCE]}: parts, and what is left over", ["part", *(c for c, _ in columns)], rows)


def _every(facts: Facts, parts: list[Number], method: str) -> Table | None:
    place = {"mission": 0, "24h": 1, "night": 2, "day": 3}
    keys = sorted({(place.get(n.period, 9), n.start, n.period) for n in parts if n.method == method})
    if not keys:
        return None
    drivers = [
        d for d in ("global", *DRIVERS) if any(n.quantity == f"ph_change_{d}" for n in parts if n.method == method)
    ]
    rows: list[list[Cell]] = []
    for _, start, period in keys:
        found = _of(parts, method, period, start)
        if not found:
            continue
        name = facts.period_name(next(iter(found.values())))
        rows.append([name, *(value_of(found[d], sign=True) if d in found else "" for d in drivers)])
    return Table(f"{WHERE[method]}: every period", ["period", *(driver_name(d) for d in drivers)], rows)


def _sensitivity(facts: Facts) -> list[Block]:
    rows = [n for q in ("ph_change_total", "ph_change_local") for n in facts.find(f"{q}_sensitivity")]
    if not rows:
        return []
    total = next((n for n in rows if n.quantity.startswith("ph_change_total")), rows[0])
    inner = next((n for n in rows if n.quantity.startswith("ph_change_local")), None)
    parts: list[Cell] = [
        "If the open water's pH were higher by 0.01, reef minus open water would shift by ",
        Value(_fixed(total.value), number_key(total)),
        "; if it were lower, by as much the other way. ",
    ]  # fmt: skip
    if inner is not None:
        parts += [
            "The shift lands in what is left over: the parts computed from carbon, alkalinity and oxygen move by ",
            Value(_fixed(inner.value), number_key(inner)), " only.",
        ]  # fmt: skip
    return [Heading("What the open water's pH decides"), Text(parts)]


# -- what if -------------------------------------------------------------------------------------------


def _asked(query: Query, name: str, low: float, high: float) -> tuple[float | None, str]:
    """Return a wish and what is wrong with it; no wish where the field is empty."""
    text = query.values.get(name, "").strip().replace(",", ".").replace("−", "-")
    if not text:
        return None, ""
    try:
        value = float(text)
    except ValueError:
        return None, f"{text[:40]!r} is not a number."
    if not math.isfinite(value) or not low <= value <= high:
        return None, f"{text[:40]} lies outside {low:g} to {high:g}."
    return value, ""


WISHES = (
    ("reference", "Open water's pH higher by (±0.5)", -0.5, 0.5),
    ("residence", "Residence time, hours", 0.1, 1e4),
    ("pq", "Oxygen per carbon, PQ", 0.5, 2.0),
)


def _what_if(facts: Facts, query: Query) -> list[Block]:
    kept = facts.results.trail.get("account_inputs")
    blocks: list[Block] = [Heading("What if", anchor="what-if")]
    if not isinstance(kept, list) or not kept:
        blocks.append(
            Notice(
                "missing", "The account cannot be asked anew.",
                ["The run keeps no numbers behind it: it was made by an older version, or has no account."],
                f"reeftally analyse {facts.folder}",
            )
        )  # fmt: skip
        return blocks
    chosen = _chosen(facts, kept, query.values.get("period", ""))
    stated = chosen["inputs"]
    wishes = {name: _asked(query, name, low, high) for name, _, low, high in WISHES}
    wrong = [f"{label}: {wishes[name][1]}" for name, label, _, _ in WISHES if wishes[name][1]]
    fields = [
        Field("period", "Period", _key(chosen), choices=[(_key(row), _name(facts, row)) for row in kept]),
        *(
            Field(name, f"{label}; as stated {_stated(stated, name)}", query.values.get(name, ""), longest=12)
            for name, label, _, _ in WISHES
        ),
    ]
    blocks.append(
        Form(
            "/account#what-if", "", fields, "Ask",
            note="Empty fields stay as the mission book states them. Nothing is written.", ask=True,
        )
    )  # fmt: skip
    if wrong:
        blocks.append(Notice("doubtful", "Not asked.", ["\n".join(wrong)]))
        return blocks
    asked = {name: wish for name, (wish, _) in wishes.items()}
    if all(wish is None for wish in asked.values()):
        blocks += _both_ways(facts, stated)
    else:
        blocks += _answer(facts, chosen, asked)
    return blocks


def _stated(inputs: Mapping[str, Any], name: str) -> str:
    key = {"residence": "residence_time", "pq": "pq"}.get(name, "")
    return f"{float(inputs[key]):g}" if key in inputs else "0"


def _key(row: Mapping[str, Any]) -> str:
    return f"{row.get('period')} {row.get('start')}"


def _name(facts: Facts, row: Mapping[str, Any]) -> str:
    match = next((n for n in facts.numbers if n.period == row.get("period") and n.start == row.get("start")), None)
    return facts.period_name(match) if match is not None else _key(row)


def _chosen(facts: Facts, kept: list[dict[str, Any]], key: str) -> dict[str, Any]:
    return next((row for row in kept if _key(row) == key), kept[0])


def _constants(facts: Facts) -> Any:
    found = facts.results.trail.get("settings", {}).get("constants")
    return carbonate.Constants(**found) if isinstance(found, dict) else None


def _both_ways(facts: Facts, inputs: Mapping[str, Any]) -> list[Block]:
    """Return what an error of the open water's pH does, either way."""
    rows: list[list[Cell]] = []
    for offset in (STEP, -STEP):
        try:
            shift = ledger.what_if(
                inputs=inputs, reference_ph_offset=offset, constants=_constants(facts)
            ).shift[FROM_REFERENCE]  # fmt: skip
        except ReeftallyError as error:
            return [Notice("missing", "The account cannot be asked anew.", [str(error)])]
        rows.append([_fixed(offset, 2), _fixed(shift["total"]), _fixed(shift["local"]), _fixed(shift["residual"])])
    return [
        Table(
            "An error of the open water's pH, either way",
            ["open water's pH off by", "reef minus open water", "parts made here", "left over"],
            rows,
        )
    ]


def _answer(facts: Facts, chosen: Mapping[str, Any], asked: Mapping[str, float | None]) -> list[Block]:
    try:
        found = ledger.what_if(
            inputs=chosen["inputs"], reference_ph_offset=asked["reference"] or 0.0, residence_time=asked["residence"],
            pq=asked["pq"], constants=_constants(facts),
        )  # fmt: skip
    except ReeftallyError as error:
        return [Notice("doubtful", "Not answered.", [str(error)])]
    rows: list[list[Cell]] = [
        [
            method_name(method), driver_name(driver), _fixed(found.stated[method][driver]),
            _fixed(found.asked[method][driver]), _fixed(found.shift[method][driver]),
        ]
        for method in (FROM_REFERENCE, FROM_PAST)
        for driver in ("global", *DRIVERS)
        if driver in found.asked.get(method, {})
    ]  # fmt: skip
    return [
        Text([found.sentence]),
        Table(
            f"Asked anew: {_name(facts, chosen)}, change of pH",
            ["split", "part", "as stated", "as asked", "shift"],
            rows,
        ),
        quiet(
            "Central values, to see what moves: the intervals above hold for the account as stated. The air, the "
            "bottles and the reef's water are as measured."
        ),
    ]


def _fixed(value: float, places: int = 4) -> str:
    return digits(value, lower=value - 10.0**-places * 15.0, upper=value + 10.0**-places * 15.0, sign=True)


# -- closure -------------------------------------------------------------------------------------------


def _closure(facts: Facts) -> list[Block]:
    rows: list[list[Cell | list[Cell]]] = []
    for n in facts.find("local_dic_excess", period="mission", given=False):
        cell: list[Cell] = [value_of(n)] if n.given else [value_of(n), f": {n.reason.removeprefix('not given: ')}"]
        rows.append([method_name(n.method), cell, n.reason if n.given else ""])
    rows += [
        [f"ratio: {method_name(n.method).replace(' over ', ' to ')}", value_of(n), "1 is full closure"]
        for n in facts.find("closure_ratio")
    ]
    note = str(facts.results.trail.get("notes", {}).get("closure", ""))
    if not rows:
        return [Notice("missing", "No closure.", [note or "It needs two independent lines for the carbon added here."])]
    blocks: list[Block] = [
        Heading("Do independent lines agree on the carbon added here?"),
        Table(
            "DIC above open water, each line measured another way", ["line", "value with 95 % interval", "remark"], rows
        ),
    ]
    if note:
        blocks.append(Text([note]))
    blocks.append(figure("account", lines(facts)))
    return blocks
