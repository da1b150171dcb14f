"""The scientific report on paper: the same sections, figures and tables as the page, set with Typst.

Here:     `write_report_pdf`.
Not here: what is said (`sections`, `methods`, `story`), drawing (`reeftally.charts`).
Rules:    figures are vectors; long tables are cut with the count of rows that stand in estimates.csv; the same results
          give the same bytes.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from reeftally.charts import svg_for_paper
from reeftally.report.html import claim_lines, dates, limits, save, signed
from reeftally.report.methods import methods_text
from reeftally.report.sections import Table, sections
from reeftally.report.typesetting import typeset
from reeftally.telling.cautions import STANDING_LINE, cautions_for
from reeftally.telling.explain import method_entry
from reeftally.telling.facts import Facts, Number, read_facts
from reeftally.telling.story import headline
from reeftally.telling.words import with_interval

__all__ = ["write_report_pdf"]

MOST_ROWS = 40
"""Rows of one table on paper."""


def write_report_pdf(mission_folder: Path | str) -> Path:
    """Write ``report.pdf`` of the newest run.

    Returns
    -------
    Path
        ``results/latest/report.pdf`` (resolved).

    Raises
    ------
    ResultError
        If there are no results yet.
    BookErrors
        If the mission book cannot be read.
    """
    facts = read_facts(mission_folder)
    files: dict[str, str] = {}
    data = {
        "title": facts.book.mission.title,
        "place": f"{facts.book.site.name} · {dates(facts)}",
        "people": ", ".join(filter(None, [facts.book.mission.investigators, facts.book.mission.institution])),
        "question": facts.book.mission.question or "",
        "answer": headline(facts).filled(),
        "claims": [[row["word"], f"{row['text']}. {row['detail']}".strip()] for row in claim_lines(facts)],
        "sections": _sections(facts, files),
        "methods": [list(row) for row in methods_text(facts)],
        "limits": limits(facts),
        "cautions": [[row.hazard, row.text] for row in cautions_for("report")],
        "standing": STANDING_LINE,
        "sources": _sources(facts),
        "run": str(facts.results.trail.get("run", facts.results.folder.name)),
    }
    content = typeset(
        "report.typ",
        data=json.dumps(data, ensure_ascii=False, sort_keys=True),
        files=files,
        time_s=facts.span[1] // 1_000_000_000,
        title=facts.book.mission.title,
        sizes=(10.0,),
    )
    return save(facts.results.folder / "report.pdf", content)


def _sections(facts: Facts, files: dict[str, str]) -> list[dict[str, Any]]:
    out = []
    for section in sections(facts):
        figures = []
        for figure in section.figures:
            row: dict[str, Any] = {"title": figure.title, "caption": figure.caption, "file": "", "small": figure.small}
            row["name"] = figure.name
            if figure.build is None:
                row["caption"] = figure.missing
            else:
                name = f"{figure.name}.svg"
                files[name] = svg_for_paper(figure.chart(narrow=False))
                row["file"] = name
            figures.append(row)
        out.append(
            {
                "title": section.title,
                "lead": section.lead,
                "figures": _paired(figures),
                "tables": [_table(table) for table in section.tables],
            }
        )
    return out


def _paired(figures: list[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """Return the figures in rows: two small ones that follow each other stand side by side."""
    rows: list[list[dict[str, Any]]] = []
    for figure in figures:
        last = rows[-1] if rows else []
        small = figure["small"] and figure["file"]
        if small and len(last) == 1 and last[0]["small"] and last[0]["file"]:
            last.append(figure)
        else:
            rows.append([figure])
    return rows


def _table(table: Table) -> dict[str, Any]:
    rows = [[_cell(cell) for cell in row] for row in table.rows[:MOST_ROWS]]
    left = len(table.rows) - len(rows)
    numbers = any(isinstance(cell, Number) for row in table.rows for cell in row)
    where = "estimates.csv" if numbers else "report.html"
    note = f"{table.note} {left} further rows stand in {where}.".strip() if left else table.note
    return {"title": table.title, "head": list(table.head), "rows": rows, "note": note}


def _cell(cell: str | Number) -> str:
    if isinstance(cell, str):
        return cell
    if not cell.given:
        return "not given"
    return with_interval(cell.value, cell.lower, cell.upper, cell.unit, sign=signed(cell))


def _sources(facts: Facts) -> list[list[str]]:
    """Return method and sources of every kind of number in the run."""
    out = []
    for key in sorted({row.trail for row in facts.numbers}):
        entry = method_entry(facts, key)
        sources = "; ".join(str(s) for s in entry.get("sources", [])) or "none recorded"
        out.append([key.replace("_", " "), str(entry.get("equation", "")), sources])
    return out
