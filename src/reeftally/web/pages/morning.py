"""The page looked at first: the one thing to do and why, then at most seven lines by consequence.

Here:     showing `morning.json` of the newest run; what to do where it is not there yet.
Not here: choosing the action and the lines (`analysis.morning`).
Rules:    every line opens its evidence in one step; nothing is ranked or judged here.
"""

from __future__ import annotations

from typing import Any
from urllib.parse import quote, urlencode

from reeftally.charts import method_name, quantity_name
from reeftally.telling import cautions_for
from reeftally.web.alive import pulses
from reeftally.web.blocks import (
    Block,
    Cell,
    Heading,
    Line,
    Lines,
    Link,
    Notice,
    Page,
    Table,
    Text,
    Value,
    Weight,
    value_of,
)
from reeftally.web.look import Look
from reeftally.web.pages import Query
from reeftally.web.said import raised
from reeftally.web.times import lasting, parse_ns, when

TITLE = "Morning"
ORDER = 10

MOST_LINES = 7
WORDS: dict[str, Weight] = {"serious": "serious", "doubtful": "doubtful", "noted": "noted", "good": "good"}


def page(look: Look, query: Query) -> Page:
    """Return the morning page."""
    if look.book is None:
        return Page("Morning", [look.no_book()])
    if not look.streams:
        return Page("Morning", [look.no_data(), *_waiting(look)])
    document = look.document("morning.json")
    if document is None:
        return Page("Morning", [Text(_alive(look)), *_without(look)])
    # The list may be whole where the numbers behind it are not.
    lost = [look.no_results()] if look.facts is None else []
    return Page("Morning", [*lost, *_said(look, document)])


def _window(look: Look, document: dict[str, Any]) -> str:
    """Return which hours the page is about."""
    window = document.get("window") or {}
    start, end = (parse_ns(str(window.get(k) or "")) for k in ("start", "end"))
    if start is None or end is None:
        return ""
    offset = look.book.site.utc_offset_h if look.book is not None else 0.0
    return f"The {lasting((end - start) / 1e9)} to {when(end, offset)}. "


def _alive(look: Look) -> list[Cell]:
    rows = pulses(look)
    due = [p for p in rows if p.state != "out"]
    silent = [p for p in due if p.state != "alive"]
    if not due:
        return [Link("No instrument is deployed now.", "/array")]
    text = f"{len(due) - len(silent)} of {len(due)} instruments speak"
    if not silent:
        return [Link(f"{text}.", "/array")]
    names = ", ".join(p.instrument.label for p in silent[:5]) + (" and more" if len(silent) > 5 else "")
    return [Link(f"{text}; silent: {names}.", "/array")]


def href_of(link: Any) -> str | None:
    """Return the address of a link of `morning.json`: page, subject, start and end."""
    if not isinstance(link, dict) or not str(link.get("page", "")).isidentifier():
        return None
    path = "/" + quote(str(link["page"])) + (f"/{quote(str(link['subject']), safe='')}" if link.get("subject") else "")
    window = {k: str(link[k]) for k in ("start", "end") if link.get(k)}
    return path + (f"?{urlencode(window)}" if window else "")


def _evidence(link: Any) -> Link | None:
    href = href_of(link)
    if href is None:
        return None
    name = " ".join(str(link[k]) for k in ("page", "subject") if link.get(k)).replace("_", " ")
    return Link(f"Evidence: {name}", href)


def _numbers(look: Look, keys: Any) -> list[Cell]:
    """Return the numbers behind a line; keys of estimates, or trails, which explain all their numbers."""
    out: list[Cell] = []
    facts = look.facts
    for key in keys if isinstance(keys, list) else []:
        n = look.number(str(key))
        if n is None and str(key).isdigit():
            continue
        if n is None or facts is None:
            out += ["; " if out else "", Value(f"how: {str(key).replace('_', ' ')}", str(key))]
        else:
            name = quantity_name(n.quantity).split(",")[0]
            out += ["; " if out else "", f"{name}, {facts.period_name(n)}, {method_name(n.method)}: ", value_of(n)]
    return out


def _said(look: Look, document: dict[str, Any]) -> list[Block]:
    blocks: list[Block] = []
    action = document.get("action") or {}
    if action.get("text"):
        link = _evidence(action.get("link"))
        parts: list[Cell] = [raised(action.get("why", ""))]
        if link is not None:
            parts += [" ", link]
        blocks.append(Text([raised(action["text"])], kind="say"))
        blocks.append(Text(parts, kind="why"))
    blocks.append(Text([_window(look, document), *_alive(look)]))
    lines = [
        Line(
            WORDS.get(str(line.get("severity")), "noted"),
            [raised(line.get("text", ""))],
            _evidence(line.get("link")),
            _numbers(look, line.get("estimates")),
        )
        for line in (document.get("lines") or [])[:MOST_LINES]
        if isinstance(line, dict)
    ]
    if lines:
        blocks.append(Lines(lines, "What changed, by consequence"))
    alarms = _alarms(document.get("alarms"))
    if alarms:
        blocks.append(Lines(alarms, "Alarms"))
        blocks += [Text([f"{c.hazard}: {c.text}"], quiet=True) for c in cautions_for("alarms")]
    if document.get("targets"):
        blocks.append(_targets(document["targets"]))
    if document.get("missing"):
        blocks.append(Notice("missing", "Not known this morning:", ["\n".join(str(m) for m in document["missing"])]))
    return blocks


def _alarms(rows: Any) -> list[Line]:
    """Return the alarms, those of one kind together, the newest kinds that fit."""
    kinds: dict[tuple[str, str, str], list[str]] = {}
    for row in rows if isinstance(rows, list) else []:
        if isinstance(row, dict):
            key = (str(row.get("text", "")), str(row.get("check", "")), str(row.get("severity", "")))
            kinds.setdefault(key, []).append(str(row.get("since") or ""))
    lines = []
    for (text, check, severity), since in list(kinds.items())[:MOST_LINES]:
        times = sorted(t for t in map(parse_ns, since) if t is not None)
        when_words = f"since {when(times[0])}" if times else ""
        if len(times) > 1:
            when_words = f"{len(times)} times, first {when(times[0])}, last {when(times[-1])}"
        why = next(str(r.get("why", "")) for r in rows if isinstance(r, dict) and str(r.get("text", "")) == text)
        parts: list[Cell] = [f"Alarm: {raised(text)}, {when_words}. " if when_words else f"Alarm: {raised(text)}. "]
        lines.append(Line(WORDS.get(severity, "serious"), [*parts, raised(why)], None, [f"Check: {raised(check)}"]))
    if len(kinds) > MOST_LINES:
        lines.append(Line("noted", [f"And {len(kinds) - MOST_LINES} other kinds of alarm."]))
    return lines


def _targets(rows: Any) -> Table:
    return Table(
        "Targets",
        ["what", "where", "period", "wanted", "reached", "state"],
        [
            [
                quantity_name(str(r.get("quantity", ""))), str(r.get("subject", "") or ""), str(r.get("period", "")),
                raised(r.get("wanted", "")), raised(r.get("reached", "") or ""), str(r.get("state", "")),
            ]
            for r in rows
            if isinstance(r, dict)
        ],
    )  # fmt: skip


def _without(look: Look) -> list[Block]:
    """Return what can be said without `morning.json`: that it is missing, and the newest night in numbers."""
    facts = look.facts
    if facts is None:
        return [look.no_results()]
    blocks: list[Block] = []
    if look.trouble("morning.json"):
        blocks.append(Notice("serious", "The morning's findings cannot be read.", [look.trouble("morning.json")]))
    blocks.append(
        Notice(
            "missing",
            "The results have no list of what to do.",
            ["They were made before such lists were, or their making was stopped."],
            f"reeftally analyse {look.folder}",
        )
    )
    nights = [n for n in facts.numbers if n.period == "night" and n.given]
    if nights:
        last = max(n.start for n in nights)
        wanted = ("ph_total", "oxygen", "friction_velocity", "oxygen_flux", "dic_flux")
        rows: list[list[Cell]] = [
            [quantity_name(n.quantity), n.method.replace("_", " "), value_of(n)]
            for q in wanted
            for n in nights
            if n.quantity == q and n.start == last
        ]
        blocks.append(Heading("The newest night in numbers"))
        blocks.append(
            Table(
                facts.period_name(next(n for n in nights if n.start == last)),
                ["what", "method", "mean with 95 % interval"],
                rows,
            )
        )
    return blocks


def _waiting(look: Look) -> list[Block]:
    book = look.book
    if book is None:
        return []
    rows = [[row.label, row.kind.replace("_", " "), row.layout] for row in book.instruments]
    return [Table("Instruments that the book waits for", ["instrument", "kind", "layout of its files"], rows)]
