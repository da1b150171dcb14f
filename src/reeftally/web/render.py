"""From a page of blocks to HTML.

Here:     the environment of the templates, drawings remembered by run, the head of every page.
Not here: what stands on a page.
Rules:    autoescape everywhere; no style attribute and no inline script, which the content policy would refuse.
"""

from __future__ import annotations

import json
import re
import threading
from collections import OrderedDict
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

import jinja2
from markupsafe import Markup

from reeftally.charts import COLOURS, page_spec, svg_for_page
from reeftally.errors import ReeftallyError
from reeftally.telling import STANDING_LINE
from reeftally.web.blocks import Chart, Link, Page, Value
from reeftally.web.look import Look
from reeftally.web.times import freshness, when

if TYPE_CHECKING:
    from reeftally.web.app import Site
    from reeftally.web.pages import Entry, Query

__all__ = ["Drawings", "palette_css", "render_enter", "render_page", "state_of"]

WIDE, NARROW = 720, 300
_STYLE = re.compile(r' style="[^"]*"')
_SIZE = re.compile(r"max-width:([\d.]+)px")


class Drawings:
    """Drawings of charts by key, forgotten when a new run is there or when there are many."""

    def __init__(self, most: int = 200) -> None:
        self._held: OrderedDict[tuple[str, str, int], tuple[str, str] | str] = OrderedDict()
        self._most, self._guard = most, threading.Lock()

    def get(self, run: str, chart: Chart, width: int) -> tuple[str, str] | str:
        """Return SVG and specification of a chart, or the words for why there is none."""
        key = (run, chart.key, width)
        with self._guard:
            if key in self._held:
                self._held.move_to_end(key)
                return self._held[key]
        made: tuple[str, str] | str
        try:
            built = chart.build(width)
            made = (still(svg_for_page(built, title=chart.title)), _inert(page_spec(built)) if width == WIDE else "")
        except ReeftallyError as error:
            made = str(error)
        with self._guard:
            self._held[key] = made
            while len(self._held) > self._most or next(iter(self._held))[0] != run:
                self._held.popitem(last=False)
        return made


def still(svg: str) -> str:
    """Return a drawing without style attributes: its size as attributes, its colours as classes cannot be needed."""
    opening, _, rest = svg.partition(">")
    size = _SIZE.search(opening)
    opening = _STYLE.sub("", opening)
    if size is not None:
        opening = opening.replace("<svg ", f'<svg class="drawn" width="{size.group(1)}" ', 1)
    return f"{opening}>{_STYLE.sub('', rest)}"


def _inert(value: Any) -> str:
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=False, default=str)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def palette_css() -> str:
    """Return the colours as style variables, light by default, dark where the reader's machine is dark."""
    light = "".join(f"--c-{row.role}:{row.light};" for row in COLOURS.values())
    dark = "".join(f"--c-{row.role}:{row.dark};" for row in COLOURS.values())
    return f":root{{{light}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"


@cache
def _environment() -> jinja2.Environment:
    def source(name: str) -> str | None:
        path = resources.files("reeftally.web") / "templates" / name
        return path.read_text(encoding="utf-8") if path.is_file() else None

    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(source),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.tests["link"] = lambda cell: isinstance(cell, Link)
    environment.tests["value"] = lambda cell: isinstance(cell, Value)
    environment.filters["inert"] = lambda value: Markup(_inert(value))
    environment.globals["weights"] = {
        "serious": "Serious", "doubtful": "Doubtful", "noted": "Noted", "good": "Good", "missing": "Missing",
        "caution": "Caution",
    }  # fmt: skip
    return environment


def state_of(site: Site, look: Look) -> dict[str, Any]:
    """Return what the head of every page says: how fresh the data are, what is going on."""
    book, store = look.book, look.store
    newest = look.newest_ns()
    offset = book.site.utc_offset_h if book is not None else 0.0
    fresh = freshness(
        newest_ns=newest,
        end_ns=book.mission.end_ns if book is not None else None,
        now_ns=site.wall_ns(),
        arrivals_ns=store.commit_times() if store is not None and newest is not None else [],
        offset_h=offset,
    )
    run = look.run
    return {"state": fresh.state, "text": fresh.text, "activity": site.activity, "run": run.name if run else ""}


def render_page(site: Site, look: Look, page: Page, entry: Entry | None, query: Query) -> str:
    """Return a page as HTML."""
    run = look.run

    def drawing(chart: Chart) -> dict[str, Any]:
        wide, narrow = (site.drawings.get(run.name if run else "", chart, width) for width in (WIDE, NARROW))
        if isinstance(wide, str) or isinstance(narrow, str):
            return {"missing": wide if isinstance(wide, str) else narrow}
        return {"missing": "", "wide": Markup(wide[0]), "narrow": Markup(narrow[0]), "spec": Markup(wide[1])}

    book = look.book
    template = _environment().get_template("page.html")
    return template.render(
        page=page,
        entry=entry,
        query=query,
        pages=[e for e in site.pages.values() if e.order is not None],
        mission=book.mission.name if book is not None else look.folder.name,
        place=book.site.name if book is not None else "",
        head=state_of(site, look),
        drawing=drawing,
        standing=STANDING_LINE,
        files=[n for n in ("report.html", "report.pdf", "brief.pdf") if run is not None and (run / n).is_file()],
        locked=bool(site.access.codes),
        has_trace=any(block.kind == "trace" for block in page.blocks),
        has_chart=any(block.kind == "chart" for block in page.blocks),
        colours={row.light: row.role for row in COLOURS.values()},
        made=when(site.wall_ns()),
    )


def render_enter(message: str) -> str:
    """Return the page that asks for an access code."""
    return _environment().get_template("enter.html").render(message=message)
