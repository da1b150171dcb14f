"""From a page of blocks to HTML.

Here:     the environment of the templates, drawings remembered by run, the head of every page.
Not here: what stands on a page.
Rules:    autoescape everywhere; no style attribute and no inline script, which the content policy would refuse.
"""

from __future__ import annotations

import hashlib
import json
import logging
import re
import textwrap
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
log = logging.getLogger("reeftally.web")
_STYLE = re.compile(r' style="[^"]*"')
_VARIABLE = re.compile(r"var\(--c-([a-z0-9_]+)\)")
_SIZE = re.compile(r"max-width:([\d.]+)px")


class Drawings:
    """Charts of the newest run and their drawings, made when a reader comes to them, a bounded number remembered."""

    def __init__(self, most: int = 300) -> None:
        self._charts: OrderedDict[str, tuple[str, Chart]] = OrderedDict()
        self._held: OrderedDict[tuple[str, int], str] = OrderedDict()
        self._most, self._guard, self._drawing = most, threading.Lock(), threading.Lock()
        self.made = 0
        """Drawings made so far."""

    def place(self, run: str, chart: Chart) -> str:
        """Remember a chart that stands on a page; return the name of its drawings."""
        name = hashlib.blake2s(f"{run}\x1f{chart.key}".encode(), digest_size=9).hexdigest()
        with self._guard:
            self._charts[name] = (run, chart)
            self._charts.move_to_end(name)
            while len(self._charts) > self._most:
                gone, _ = self._charts.popitem(last=False)
                for width in (WIDE, NARROW, 0):
                    self._held.pop((gone, width), None)
        return name

    def svg(self, name: str, *, width: int, dark: bool) -> str | None:
        """Return a drawing in the colours of light or dark; None if no page of late shows it."""
        found = self._made(name, width)
        if found is None:
            return None

        def colour(match: re.Match[str]) -> str:
            row = COLOURS.get(match.group(1))
            return "currentColor" if row is None else row.dark if dark else row.light

        return _VARIABLE.sub(colour, found)

    def spec(self, name: str) -> str | None:
        """Return the specification of a chart as JSON; None if no page of late shows it, or it cannot be drawn."""
        return self._made(name, 0) or None

    def _made(self, name: str, width: int) -> str | None:
        with self._guard:
            if (name, width) in self._held:
                return self._held[name, width]
            placed = self._charts.get(name)
        if placed is None:
            return None
        # One at a time: a drawing takes a whole processor and much memory.
        with self._drawing:
            with self._guard:
                if (name, width) in self._held:
                    return self._held[name, width]
            chart = placed[1]
            try:
                built = chart.build(width or WIDE)
                made = (
                    json.dumps(page_spec(built), default=str)
                    if width == 0
                    else still(svg_for_page(built, title=chart.title))
                )
            except ReeftallyError as error:
                made = "" if width == 0 else _words_svg(str(error), width)
            except Exception as error:
                log.exception("chart %s", chart.key)
                words = f"{type(error).__name__}; the terminal of `reeftally watch` shows where."
                made = "" if width == 0 else _words_svg(words, width)
            with self._guard:
                self.made += 1
                self._held[name, width] = made
        return made


def _words_svg(words: str, width: int) -> str:
    """Return a drawing that says why there is none."""
    lines = textwrap.wrap(f"Not drawn: {words}", max(width // 8, 20)) or ["Not drawn."]
    rows = Markup("").join(
        Markup('<text x="4" y="{}" font-size="15" font-family="Georgia, serif" fill="var(--c-muted)">{}</text>').format(
            22 + 22 * k, line
        )
        for k, line in enumerate(lines)
    )
    return Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" class="drawn" width="{0}" viewBox="0 0 {0} {1}">{2}</svg>'
    ).format(width, 30 + 22 * len(lines), rows)


def still(svg: str) -> str:
    """Return a drawing without style attributes, its width as an attribute."""
    opening, _, rest = svg.partition(">")
    size = _SIZE.search(opening)
    opening = re.sub(r' class="[^"]*"', "", _STYLE.sub("", opening))
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

    def drawing(chart: Chart) -> str:
        return "/drawing/" + site.drawings.place(run.name if run else "", chart)

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
