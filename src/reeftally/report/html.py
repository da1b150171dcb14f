"""The report as one page that works without a network.

Here:     `write_report`: the page from sections, figures, tables and trail.
Not here: what is said (`story`, `sections`, `methods`), drawing (`reeftally.charts`).
Rules:    one file, no request; every text from people is escaped; the same results give the same bytes.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import jinja2
from markupsafe import Markup

from reeftally.charts import COLOURS, browser_library, method_name, page_spec, quantity_name, svg_for_page
from reeftally.report._packed import packed
from reeftally.report.methods import methods_text
from reeftally.report.sections import Section, sections
from reeftally.telling._figure import Figure, plain_term
from reeftally.telling.cautions import STANDING_LINE, cautions_for
from reeftally.telling.explain import method_entry
from reeftally.telling.facts import Facts, Number, read_facts
from reeftally.telling.story import Claim, amount, claims, headline
from reeftally.telling.words import places, with_interval

__all__ = ["claim_lines", "dates", "limits", "report_page", "save", "signed", "write_report"]


def write_report(mission_folder: Path | str) -> Path:
    """Write ``report.html`` of the newest run.

    Returns
    -------
    Path
        The file, ``results/latest/report.html`` (resolved).

    Raises
    ------
    ResultError
        If there are no results yet.
    BookErrors
        If the mission book cannot be read.
    """
    facts = read_facts(mission_folder)
    return save(facts.results.folder / "report.html", report_page(facts).encode())


def save(path: Path, content: bytes) -> Path:
    """Write a file whole or not at all."""
    partial = path.with_name(f".{path.name}.partial")
    with partial.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    partial.replace(path)
    return path


def report_page(facts: Facts) -> str:
    """Return the report as HTML."""
    environment = jinja2.Environment(
        loader=jinja2.BaseLoader(), autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=False
    )
    environment.filters["interval"] = _shown
    environment.filters["amount"] = amount
    environment.filters["whisker"] = _whisker
    template = environment.from_string(_asset("report.html"))
    found = headline(facts)
    book = facts.book
    return template.render(
        title=book.mission.title,
        site=book.site.name,
        dates=dates(facts),
        people=", ".join(filter(None, [book.mission.investigators, book.mission.institution])),
        question=book.mission.question or "",
        answer=_pieces(found.text, found.numbers),
        claims=claim_lines(facts),
        sections=[_section(s) for s in sections(facts)],
        methods=methods_text(facts),
        limits=limits(facts),
        cautions=cautions_for("report"),
        standing=STANDING_LINE,
        rows=_rows(facts),
        hows=_hows(facts),
        base=_base(facts),
        settings=list(_flat(facts.results.trail.get("settings", {}))),
        inputs=_inputs(facts),
        tones=Markup(_tones()),
        css=Markup(_asset("report.css")),
        js=_asset("report.js"),
        colours=json.dumps({row.light: row.dark for row in COLOURS.values()}),
        library=browser_library(),
    )


def _asset(name: str) -> str:
    return (resources.files("reeftally.report") / "templates" / name).read_text(encoding="utf-8")


def _tones() -> str:
    """Return the colours as style variables, light by default, dark where the reader wants it."""
    light = "".join(f"--c-{row.role}: {row.light}; " for row in COLOURS.values())
    dark = "".join(f"--c-{row.role}: {row.dark}; " for row in COLOURS.values())
    return (
        f":root {{ {light}}}\n"
        f"@media screen and (prefers-color-scheme: dark) {{ :root:not([data-tone]) {{ {dark}}} }}\n"
        f'@media screen {{ :root[data-tone="dark"] {{ {dark}color-scheme: dark; }} '
        f':root[data-tone="light"] {{ color-scheme: light; }} }}'
    )


def dates(facts: Facts) -> str:
    """Return the days of the mission in local time."""
    import pandas as pd

    hours = pd.Timedelta(hours=facts.book.site.utc_offset_h)
    start, end = (pd.Timestamp(t, unit="ns") + hours for t in facts.span)
    first = f"{start.day} {start:%B} {start.year}"
    last = f"{end.day} {end:%B} {end.year}"
    return first if first == last else f"{first} to {last} (local time)"


def _pieces(text: str, numbers: tuple[Number, ...]) -> list[str | Number]:
    """Split a sentence at its ``{k}`` marks."""
    out: list[str | Number] = []
    for part in re.split(r"(\{\d+\})", text):
        if re.fullmatch(r"\{\d+\}", part):
            out.append(numbers[int(part[1:-1])])
        elif part:
            out.append(part)
    return out


def signed(n: Number) -> bool:
    """Return whether a quantity is shown with its plus sign: fluxes, changes, offsets, departures, trends, steps."""
    words = ("change", "offset", "departure", "trend", "sensor_step")
    return n.quantity.endswith("_flux") or any(word in n.quantity for word in words)


def _shown(n: Number) -> str:
    """Return a number with its interval as shown; a place among years has no decimals to show."""
    if n.quantity.endswith("_rank"):
        return f"{n.value:g} ({n.lower:g} to {n.upper:g})"
    return with_interval(n.value, n.lower, n.upper, n.unit, sign=signed(n))


def claim_lines(facts: Facts) -> list[dict[str, Any]]:
    """Return the statements with their calibrated words, as shown."""
    return [_claim(c) for c in claims(facts)]


def _claim(claim: Claim) -> dict[str, Any]:
    found = claim.answer
    text = claim.text
    if not claim.likelier:
        text = f"The opposite of: “{claim.text}”"
    if found.verdict == "cannot tell":
        return {
            "word": "cannot tell",
            "verdict": "cannot tell",
            "text": claim.text,
            "numbers": claim.numbers,
            "detail": f"The data lean to {'yes' if claim.likelier else 'no'}.",
        }
    return {"word": found.words, "verdict": found.verdict, "text": text, "numbers": claim.numbers, "detail": ""}


def _section(section: Section) -> dict[str, Any]:
    return {
        "name": section.name,
        "title": section.title,
        "lead": section.lead,
        "figures": [_figure(f) for f in section.figures],
        "tables": section.tables,
    }


def _figure(figure: Figure) -> dict[str, Any]:
    base: dict[str, Any] = {"name": figure.name, "title": figure.title, "small": figure.small, "drawn": False}
    if figure.build is None:
        return {**base, "missing": figure.missing}
    wide = figure.chart(narrow=False)
    return {
        **base,
        "drawn": True,
        "caption": figure.caption,
        "wide": svg_for_page(wide, title=figure.title),
        "narrow": svg_for_page(figure.chart(narrow=True), title=figure.title),
        "spec": _inert(json.dumps(packed(page_spec(wide)), separators=(",", ":"), ensure_ascii=False, sort_keys=True)),
    }


def _inert(text: str) -> str:
    """Return JSON that cannot end the script element that holds it."""
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _whisker(n: Number, low: float, high: float) -> Markup:
    """Return interval and value drawn on the scale of its kind, zero marked where it lies inside."""
    width = (high - low) or 1.0

    def at(value: float) -> str:
        return f"{min(max(120.0 * (value - low) / width, 0.0), 120.0):.1f}"

    zero = f'<path class="z" d="M{at(0.0)},0v14"/>' if low <= 0.0 <= high else ""
    return Markup(f'{zero}<path d="M{at(n.lower)},7H{at(n.upper)}"/><path class="v" d="M{at(n.value)},2v10"/>')


def _rows(facts: Facts) -> list[dict[str, Any]]:
    bounds: dict[tuple[str, str], tuple[float, float]] = {}
    for n in facts.numbers:
        if n.given:
            low, high = bounds.get((n.quantity, n.unit), (n.lower, n.upper))
            bounds[n.quantity, n.unit] = (min(low, n.lower), max(high, n.upper))
    out = []
    for n in facts.numbers:
        low, high = bounds.get((n.quantity, n.unit), (0.0, 1.0))
        pad = 0.03 * ((high - low) or 1.0)
        value = _shown(n) if n.given else "not given"
        out.append(
            {
                "n": n,
                "quantity": quantity_name(n.quantity) + (f": {quantity_name(n.channel)}" if n.channel else ""),
                "method": method_name(n.method),
                "value": value,
                "parts": _parts(n),
                "budget": "; ".join(plain_term(part) for part in n.budget.split("; ")),
                "low": low - pad,
                "high": high + pad,
            }
        )
    return out


def _parts(n: Number) -> str:
    if not n.given:
        return ""
    digits = max(places(n.lower, n.upper, n.value), 0)
    if digits > 6:
        return f"{n.random_sd:.2g}, {n.systematic_sd:.2g}"
    return f"{n.random_sd:.{digits}f}, {n.systematic_sd:.{digits}f}"


def _hows(facts: Facts) -> list[tuple[str, list[tuple[str, str]]]]:
    out = []
    for key in sorted({n.trail for n in facts.numbers}):
        entry = method_entry(facts, key)
        lines: list[tuple[str, str]] = []
        for name, title in (("what", "in words"), ("equation", "equation")):
            if entry.get(name):
                lines.append((title, str(entry[name])))
        lines += [("function", str(f)) for f in entry.get("functions", [])]
        lines += [("source", str(s)) for s in entry.get("sources", [])]
        known = {"what", "equation", "functions", "sources"}
        lines += [(str(k), str(v)) for k, v in entry.items() if k not in known]
        out.append((key, lines or [("missing", "trail.json has no entry of this name")]))
    return out


def _base(facts: Facts) -> list[tuple[str, str]]:
    trail = facts.results.trail
    lines = [
        ("run", str(trail.get("run", facts.results.folder.name))),
        ("mission book", f"revision {trail.get('book_revision', 'not recorded')}"),
        ("store", f"snapshot {trail.get('snapshot', 'not recorded')}"),
    ]
    lines += [(str(name), str(version)) for name, version in trail.get("software", {}).items()]
    decisions = trail.get("decisions", [])
    if decisions:
        shown = [json.dumps(d, ensure_ascii=False) if isinstance(d, Mapping) else str(d) for d in decisions]
        lines.append(("accepted decisions", "; ".join(shown)))
    return lines


def _flat(value: Any, path: str = "") -> list[tuple[str, str]]:
    if isinstance(value, Mapping):
        return [row for key, inner in value.items() for row in _flat(inner, f"{path}.{key}" if path else str(key))]
    return [] if value is None else [(path, str(value))]


def _inputs(facts: Facts) -> list[tuple[str, list[tuple[str, str]]]]:
    trail = facts.results.trail
    raw = [
        (str(label), [(facts.raw_names.get(str(h), ""), str(h)) for h in hashes])
        for label, hashes in trail.get("inputs", {}).items()
    ]
    tables = [(str(name), str(digest)) for name, digest in trail.get("tables", {}).items()]
    return [*raw, ("tables of the crew", tables)] if tables else raw


def limits(facts: Facts) -> list[str]:
    """Return what the numbers do not cover, from what was and was not measured."""
    book = facts.book
    out = [
        "A mission of some days is weather, not climate: nothing here is a trend."
        if not facts.find("ph_trend")
        else "The trend holds for the record's own years and methods.",
        "The worldwide part is the rise of CO₂ in the air alone; warming since the past is not in it.",
    ]
    if len(book.communities) > 1 or book.communities:
        names = ", ".join(c.name for c in book.communities)
        out.append(f"Fluxes stand for the ground upstream of the mast ({names}), not for the whole reef.")
    if book.site.residence_time_h is not None:
        out.append(
            "The residence time is stated in the mission book, not measured here; its uncertainty is in the intervals."
        )
    if facts.find("dic") or facts.find("aragonite_saturation"):
        out.append(
            "Intervals of DIC, aragonite saturation and the worldwide part hold for the carbonate constants named in "
            "the methods. The uncertainty of the constants themselves is not in them: about 7 µmol/kg of DIC, 0.2 of "
            "saturation, 0.001 of the worldwide part in pH (1 sd, first order, warm reef water; Orr et al. 2018). "
            "Differences within one mission hardly change with it."
        )
    if not facts.group("chemistry").sizes.get("time") or not facts.results.trail.get("reference_water"):
        out.append("No open water was measured beside the reef: the part made here cannot be told from what arrives.")
    stated = [r.quantity.replace("_", " ") for r in book.references]
    if stated:
        out.append("Taken from elsewhere, with the source in the mission book: " + ", ".join(sorted(set(stated))) + ".")
    doubtful = sum(1 for n in facts.numbers if n.flag == 3 and n.given)
    if doubtful:
        out.append(f"{doubtful} estimates carry the flag doubtful (3); their reason stands beside them.")
    count = len(facts.refused())
    if count:
        out.append(f"{count} estimates were refused; each keeps its row with the reason.")
    return out
