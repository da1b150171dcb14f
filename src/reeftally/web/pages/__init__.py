"""The pages, one module each; a module dropped in here is a page, and nothing else has to change.

Here:     finding the pages, in the order of the list that every page shows.
Not here: what a page is made of (`reeftally.web.blocks`), what it may read (`reeftally.web.look`), HTML.
Rules:    a page reads through the `Look` it is given and writes nothing; it computes no result; what is missing is a
          `Notice` with what to do, never an exception. Errors of the package that a page lets through are shown as
          such a notice; any other exception is a fault of the page and is shown as one, without its trace.

Notes
-----
A module ``pages/flux.py`` is the page ``/flux``. It holds

``TITLE``
    The words in the list of pages.
``ORDER``
    Its place in the list: morning 10, array 20, sensor 30, side by side 40, dive 50, flow 60, flux 70, chemistry 80,
    organisms 90, isotopes 100, account 110, years 120, package 130, log 140. None leaves it out of the list.
``page(look, query)``
    Returns a `Page`. `look` is the mission as it stands (`look.book`, `look.facts`, `look.tables`, `look.store`, each
    None with `look.trouble(...)` where it cannot be read); `query.subject` is what stands behind the page's name
    (``/flux/covariance``), `query.values` what stands behind the question mark, `query.crew` whether the reader may
    write.

Shown numbers go through `value_of(estimate)`, so that each leads to its explanation. Figures are `Chart` blocks whose
`build(width)` returns a chart of `reeftally.charts`. Where there are no
results, `look.no_results()` is the notice to show::

    def page(look: Look, query: Query) -> Page:
        facts = look.facts
        if facts is None:
            return Page(TITLE, [look.no_results()])
        rows = [[row.subject, value_of(row)] for row in facts.find("oxygen_flux")]
        return Page(TITLE, [Table("Oxygen flux", ["where", "value"], rows)])
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from reeftally.web.blocks import Page
from reeftally.web.look import Look

__all__ = ["Entry", "Query", "find_pages"]


@dataclass(frozen=True, slots=True)
class Query:
    """What a reader asked of a page."""

    subject: str = ""
    values: Mapping[str, str] = field(default_factory=dict)
    crew: bool = False
    token: str = ""
    """Goes into every form; a form without it is refused."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One page of the list."""

    name: str
    title: str
    order: int | None
    page: Callable[[Look, Query], Page]

    @property
    def href(self) -> str:
        """Address of the page."""
        return "/" if self.name == "morning" else f"/{self.name}"


def find_pages() -> dict[str, Entry]:
    """Return all pages by name, in the order of the list."""
    found = []
    for module in pkgutil.iter_modules(__path__):
        if module.name.startswith("_"):
            continue
        loaded = importlib.import_module(f"{__name__}.{module.name}")
        found.append(Entry(module.name, loaded.TITLE, loaded.ORDER, loaded.page))
    return {entry.name: entry for entry in sorted(found, key=lambda e: (e.order is None, e.order or 0, e.name))}
