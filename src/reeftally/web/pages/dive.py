"""The dive sheet: the newest one, on screen and for paper.

Here:     handing out the sheet that the report room made, with the cautions of diving.
Not here: the sheet itself (`reeftally.report`).
Rules:    no limit, bottom time or decompression anywhere.
"""

from __future__ import annotations

from reeftally.telling import cautions_for
from reeftally.web.blocks import Block, Link, Notice, Page, Text
from reeftally.web.look import Look
from reeftally.web.pages import Query

TITLE = "Dive sheet"
ORDER = 50

SHEETS = (("dive_sheet.pdf", "For paper (PDF)"), ("dive_sheet.html", "On screen"))


def page(look: Look, query: Query) -> Page:
    """Return where the newest dive sheet is."""
    run = look.run
    there = [(name, words) for name, words in SHEETS if run is not None and (run / name).is_file()]
    blocks: list[Block] = []
    if there:
        blocks += [Text([Link(words, f"/files/{name}")]) for name, words in there]
    else:
        todo = f"reeftally report {look.folder}"
        missing = Notice("missing", "There is no dive sheet yet.", ["It is made with the report."], todo)
        blocks.append(look.no_results() if look.facts is None else missing)
    blocks += [Notice("caution", c.hazard, [c.text]) for c in cautions_for("dive sheet")]
    return Page(TITLE, blocks)
