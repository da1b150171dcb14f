"""The log: decisions, notes, what was done; and the forms that add to it.

Here:     all entries and interventions, newest first, to be narrowed by a word.
Not here: accepting findings (`reeftally check --accept`), any change of an entry.
Rules:    append-only; what is taken back stays visible.
"""

from __future__ import annotations

from urllib.parse import quote

from reeftally.telling import cautions_for
from reeftally.web.blocks import Block, Cell, Field, Form, Link, Notice, Page, Table, Text
from reeftally.web.look import Look
from reeftally.web.pages import Query
from reeftally.web.times import when
from reeftally.web.writing import KINDS

TITLE = "Log"
ORDER = 140

SAID = {"again": "This was written before; nothing was added.", "back": "Taken back; both entries stay in the log."}


def page(look: Look, query: Query) -> Page:
    """Return the log."""
    blocks: list[Block] = []
    said = query.values.get("said", "")
    if said:
        blocks.append(Notice("good", SAID.get(said, f"Written as {said}.")))
    entries, tables = look.log, look.tables
    offset = look.book.site.utc_offset_h if look.book is not None else 0.0
    if entries is None:
        blocks.append(
            Notice(
                "serious",
                "The log cannot be read.",
                [look.trouble("log")],
                "Put the line back from a copy of the folder.",
            )
        )
    labels = [row.label for row in look.book.instruments] if look.book is not None else []
    blocks.append(
        Form(
            "intervention", "Done just now",
            [
                Field("instrument", "At", choices=[("", "the mast as a whole"), *((v, v) for v in labels)]),
                Field("note", "Note (may stay empty)"), Field("by", "Your role", "divers"),
                Field("time", "UTC, if not now", longest=25),
            ],
            "", KINDS, "One tap writes it, stamped with this computer's UTC time. It can be taken back below.",
        )
    )  # fmt: skip
    rows: list[tuple[int, list[Cell]]] = []
    known = set(labels)
    mine = []
    for e in entries or ():
        subject: Cell = Link(e.subject, f"/sensor/{quote(e.subject)}") if e.subject in known else e.subject
        change = f"{_short(e.before)} → {_short(e.after)}" if e.before is not None and e.after is not None else ""
        if e.correction is not None:
            change = str(e.correction.type).replace("_", " ")
        rows.append(
            (
                e.time_ns,
                [
                    when(e.time_ns, offset),
                    e.kind,
                    subject,
                    e.why + (f" ({e.finding})" if e.finding else ""),
                    change,
                    e.by,
                    e.id,
                ],
            )
        )
        if isinstance(e.after, dict) and e.after.get("table") == "interventions":
            mine.append(e)
        if e.why.startswith("taken back: "):
            mine = [m for m in mine if m.id != e.why.removeprefix("taken back: ")]
    for i in tables.interventions if tables is not None else ():
        subject = (
            Link(i.instrument, f"/sensor/{quote(i.instrument)}") if i.instrument in known else (i.instrument or "mast")
        )
        rows.append(
            (i.time_ns, [when(i.time_ns, offset), f"done: {i.kind}", subject, i.note or "", "", i.who or "", "table"])
        )
    rows.sort(key=lambda r: -r[0])
    blocks.append(
        Table(
            "Decisions, notes and what was done, newest first",
            ["when", "kind", "about", "words", "change", "by", "entry"],
            [r for _, r in rows],
            search=True,
        )
    )
    if mine:
        blocks.append(
            Form(
                "take-back",
                "Take back",
                [
                    Field("entry", "Entry", choices=[(m.id, f"{m.id}: {m.why}") for m in reversed(mine)]),
                    Field("by", "Your role", "divers"),
                ],
                "Take it back",
            )
        )
    blocks.append(
        Form(
            "note",
            "Add a note",
            [Field("why", "Note", required=True), Field("subject", "About"), Field("by", "Your role", "lead")],
            "Write",
        )
    )
    blocks += [Text([f"{c.hazard}: {c.text}"], quiet=True) for c in cautions_for("log")]
    return Page("Log", blocks)


def _short(value: object) -> str:
    text = str(value)
    return text if len(text) <= 60 else text[:57] + "…"
