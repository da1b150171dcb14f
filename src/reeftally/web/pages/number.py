"""Any number explained: what it is, how it was made, from what, down to the raw files.

Here:     the three steps of one estimate; all estimates of one way of making them.
Not here: the steps themselves (`reeftally.telling.explain`).
Rules:    what the trail does not say is said to be missing; raw files can be fetched as they came.
"""

from __future__ import annotations

import re

from reeftally.charts import method_name, quantity_name
from reeftally.telling import Facts, Number, method_entry, steps_of
from reeftally.web.blocks import Block, Cell, Link, Notice, Page, Pairs, Table, value_of
from reeftally.web.look import Look
from reeftally.web.pages import Query

TITLE = "All numbers"
ORDER = 150

MOST_FILES = 60


def page(look: Look, query: Query) -> Page:
    """Return the explanation of a number, or the list of all."""
    facts = look.facts
    if facts is None:
        return Page(TITLE, [look.no_results()])
    key = query.subject
    if not key:
        return _all(facts)
    found = look.number(key)
    if found is not None:
        return _one(facts, found)
    if method_entry(facts, key):
        return _trail(facts, key)
    return Page(
        "No such number",
        [
            Notice(
                "missing", "The newest results hold no number of this name.",
                ["It may belong to an older run, or its period may have changed since."],
            ),
            Table("", ["instead"], [[Link("All numbers of the newest run", "/number")]]),
        ],
        status=404,
    )  # fmt: skip


def _one(facts: Facts, n: Number) -> Page:
    number, method, _ = steps_of(facts, n)
    blocks: list[Block] = [
        Pairs("1. " + number.title, number.lines),
        Pairs("2. " + method.title, [*method.lines, *_constants(facts)]),
        Pairs("3. From what", _base(facts), anchor="from"),
        _inputs(facts, n),
    ]
    title = quantity_name(n.quantity) + (f": {quantity_name(n.channel)}" if n.channel else "")
    return Page(title, blocks, lead=[f"{n.subject}, {facts.period_name(n)}, {method_name(n.method)}: ", value_of(n)])


def _constants(facts: Facts) -> list[tuple[str, Cell]]:
    """Return the constants and settings that every method of the run shares."""
    settings = facts.results.trail.get("settings", {})
    flat: list[str] = []
    for name, value in settings.items():
        if isinstance(value, dict):
            flat += [f"{k} {v}" for k, v in value.items()]
        elif value is not None:
            flat.append(f"{name.replace('_', ' ')} {value}")
    return [("constants and settings of the run", "; ".join(flat) or "not recorded")]


def _base(facts: Facts) -> list[tuple[str, Cell]]:
    trail = facts.results.trail
    out: list[tuple[str, Cell]] = [
        ("run", str(trail.get("run", facts.results.folder.name))),
        ("mission book", f"revision {trail.get('book_revision', 'not recorded')}"),
        ("store", f"snapshot {trail.get('snapshot', 'not recorded')}"),
        ("accepted decisions", ", ".join(str(d) for d in trail.get("decisions", [])) or "none"),
    ]
    out += [(str(k), str(v)) for k, v in trail.get("software", {}).items()]
    return out


def _labels_of(facts: Facts, n: Number) -> list[str]:
    """Return the instruments that a number names: its own, or all that the run read."""
    inputs = facts.results.trail.get("inputs", {})
    own = [
        label
        for label in inputs
        if re.search(rf"(?<![\w-]){re.escape(label)}(?![\w-])", f"{n.subject} {n.budget} {n.reason}")
    ]
    return own or list(inputs)


def _inputs(facts: Facts, n: Number) -> Table:
    trail = facts.results.trail
    named = _labels_of(facts, n)
    labels = [*named, *(label for label in trail.get("inputs", {}) if label not in named)]
    records = trail.get("records", {})
    rows: list[list[Cell | list[Cell]]] = []
    for label in labels:
        hashes = trail["inputs"][label]
        files: list[Cell] = []
        hashes = sorted(hashes, key=lambda h: (facts.raw_names.get(h, "~"), h))
        for digest in hashes[:MOST_FILES]:
            files += [Link(facts.raw_names.get(digest) or digest[:12], f"/raw/{digest}"), " "]
        if len(hashes) > MOST_FILES:
            files.append(f"and {len(hashes) - MOST_FILES} more")
        flags = records.get(label, {}).get("flags", {}) if isinstance(records.get(label), dict) else {}
        bad = {c: int(v.get("4", 0)) + int(v.get("3", 0)) for c, v in flags.items() if "_bin_" not in c}
        words = ", ".join(f"{quantity_name(c)} {k}" for c, k in bad.items() if k) or ("none" if bad else "not recorded")
        if label in trail.get("velocimeters", {}):
            words = "screened in bursts"
        rows.append([[Link(label, f"/sensor/{label}")], words, files or "nothing"])
    return Table(
        "Raw files and flags of every instrument that the run read",
        ["instrument", "flagged samples", "raw files, as they came"],
        rows,
    )


def _trail(facts: Facts, key: str) -> Page:
    entry = method_entry(facts, key)
    lines: list[tuple[str, Cell]] = [
        (str(k), str(item)) for k, v in entry.items() for item in (v if isinstance(v, list) else [v])
    ]
    rows = [_row(facts, n) for n in facts.numbers if n.trail == key]
    return Page(
        key.replace("_", " ").capitalize(),
        [
            Pairs("How these numbers are made", lines),
            Table("The numbers", ["what", "of", "period", "method", "value with 95 % interval"], rows, search=True),
        ],
    )


def _row(facts: Facts, n: Number) -> list[Cell]:
    what = quantity_name(n.quantity) + (f": {quantity_name(n.channel)}" if n.channel else "")
    return [what, n.subject, facts.period_name(n), method_name(n.method), value_of(n)]


def _all(facts: Facts) -> Page:
    rows = [_row(facts, n) for n in facts.numbers]
    return Page(
        "All numbers",
        [
            Table(
                f"{len(rows)} estimates of the newest run",
                ["what", "of", "period", "method", "value with 95 % interval"],
                rows,
                search=True,
            )
        ],
    )
