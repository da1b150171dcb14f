"""What a page is made of: plain blocks that one template renders.

Here:     the page, its blocks, links, and numbers that lead to their explanation.
Not here: HTML (`templates/blocks.html` is the only place), what stands on a page (`pages`).
Rules:    every text is plain and is escaped when rendered; markup is allowed only in `Drawing.svg`, which must be
          made by `reeftally.web.svg` or `reeftally.charts`; a block computes nothing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from markupsafe import Markup

from reeftally.telling.facts import Number
from reeftally.telling.words import with_interval

__all__ = [
    "Block",
    "Cell",
    "Chart",
    "Drawing",
    "Field",
    "Form",
    "Heading",
    "Line",
    "Lines",
    "Link",
    "Notice",
    "Page",
    "Pairs",
    "Table",
    "Text",
    "Trace",
    "Value",
    "Weight",
    "number_key",
    "value_of",
]

Weight = Literal["serious", "doubtful", "noted", "good", "missing", "caution"]


@dataclass(frozen=True, slots=True)
class Link:
    """Words that lead somewhere inside the page; `href` begins with a slash or a #."""

    text: str
    href: str


@dataclass(frozen=True, slots=True)
class Value:
    """A number as shown, with the key under which it is explained."""

    text: str
    key: str


Cell = str | Link | Value
"""What may stand in a sentence or a table cell."""


def number_key(n: Number) -> str:
    """Return a short name of an estimate that stays the same from run to run."""
    parts = (n.quantity, n.method, n.subject, n.period, n.start, n.channel)
    return hashlib.blake2s("\x1f".join(parts).encode(), digest_size=6).hexdigest()


def value_of(n: Number, *, unit: bool = True, sign: bool = False) -> Value:
    """Return an estimate as shown, with interval, leading to its explanation."""
    text = with_interval(n.value, n.lower, n.upper, n.unit if unit else "", sign=sign) if n.given else "not given"
    return Value(text, number_key(n))


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading inside the page."""

    text: str
    anchor: str = ""
    kind: str = "heading"


@dataclass(frozen=True, slots=True)
class Text:
    """One paragraph of words, links and numbers."""

    parts: Sequence[Cell]
    quiet: bool = False
    """Whether it is a note in small print."""
    kind: str = "text"


@dataclass(frozen=True, slots=True)
class Notice:
    """Something to see before the rest: what is missing, doubtful, or dangerous."""

    weight: Weight
    title: str
    parts: Sequence[Cell] = ()
    todo: str = ""
    """What to do about it; a command line or a sentence."""
    kind: str = "notice"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a list by consequence."""

    weight: Weight
    parts: Sequence[Cell]
    link: Link | None = None
    """Its evidence, one step away."""
    note: Sequence[Cell] = ()
    """The numbers behind it, or other small print."""


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines in order of consequence."""

    lines: Sequence[Line]
    label: str
    """What the list is, for a reader who cannot see it."""
    kind: str = "lines"


@dataclass(frozen=True, slots=True)
class Table:
    """A table; wide ones scroll inside themselves."""

    caption: str
    columns: Sequence[str]
    rows: Sequence[Sequence[Cell | Sequence[Cell]]]
    search: bool = False
    """Whether a box above narrows the rows."""
    weights: Sequence[str] = ()
    """Weight of each row, where rows have one."""
    closed: bool = False
    """Whether only its caption is seen until the reader opens it."""
    kind: str = "table"


@dataclass(frozen=True, slots=True)
class Pairs:
    """Names with what belongs to them."""

    title: str
    rows: Sequence[tuple[str, Cell | Sequence[Cell]]]
    anchor: str = ""
    kind: str = "pairs"


@dataclass(frozen=True, slots=True)
class Chart:
    """A figure of `reeftally.charts`, drawn by the server and made live when asked.

    `build(width)` returns the chart for a plotting width in pixels, or raises `ReeftallyError` with what is missing.
    It is called with 720 for laptops and 300 for phones, and only once a run: `key` names it in the memory of
    drawings (page, subject and whatever else changes the drawing).
    """

    key: str
    title: str
    build: Callable[[int], Any]
    caption: str = ""
    small: bool = False
    """Whether two of them stand beside each other where there is room."""
    kind: str = "chart"


@dataclass(frozen=True, slots=True)
class Drawing:
    """A drawing of our own, as SVG."""

    title: str
    svg: Markup
    caption: str = ""
    kind: str = "drawing"


@dataclass(frozen=True, slots=True)
class Trace:
    """Records of one instrument that can be panned: thinned by the server to the width of the screen."""

    label: str
    title: str
    config: Mapping[str, Any]
    """See `reeftally.web.traces.trace_config`."""
    caption: str = ""
    kind: str = "trace"


@dataclass(frozen=True, slots=True)
class Field:
    """One entry of a form."""

    name: str
    label: str
    value: str = ""
    choices: Sequence[tuple[str, str]] = ()
    """Value and words; empty for a line of text."""
    required: bool = False
    hidden: bool = False
    longest: int = 300


@dataclass(frozen=True, slots=True)
class Form:
    """Something that the crew may write to the log or the tables; viewers see it closed."""

    action: str
    title: str
    fields: Sequence[Field]
    button: str
    buttons: Sequence[tuple[str, str]] = ()
    """Value and words of several buttons named ``kind``; one tap each. `button` is then left out."""
    note: str = ""
    ask: bool = False
    """Whether it only asks: sent as an address, open to every reader; `action` is then that address."""
    kind: str = "form"


Block = Heading | Text | Notice | Lines | Table | Pairs | Chart | Drawing | Trace | Form


@dataclass(frozen=True, slots=True)
class Page:
    """One page."""

    title: str
    blocks: Sequence[Block]
    lead: Sequence[Cell] = ()
    """The sentence below the title."""
    status: int = 200
    refresh: bool = True
    """Whether the page takes itself anew when new results are there."""
    extra: Mapping[str, Any] = field(default_factory=dict)
