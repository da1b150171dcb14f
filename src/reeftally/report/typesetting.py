"""Setting pages with Typst: templates of the package, words as data, the fonts that Typst carries.

Here:     `typeset`, which tries text sizes until the pages hold.
Not here: words and figures.
Rules:    words are handed over as data, never as markup, so that nothing a person wrote is run; no system font, no
          network, no clock: the same words give the same bytes.
"""

from __future__ import annotations

import re
import tempfile
import zlib
from collections.abc import Mapping, Sequence
from importlib import resources
from pathlib import Path

import typst

from reeftally.errors import ResultError

__all__ = ["pages_of", "typeset"]


def typeset(
    template: str,
    *,
    data: str,
    files: Mapping[str, str],
    time_s: int,
    title: str,
    sizes: Sequence[float],
    pages: int | None = None,
) -> bytes:
    """Return a PDF.

    Parameters
    ----------
    template : str
        Name of a file in ``templates/``.
    data : str
        JSON; the template reads it from ``data.json``.
    files : mapping of name to text
        Drawings that the template places.
    time_s : int
        What the PDF states as its date. [s since 1970 UTC]
    title : str
        For the message if the words do not fit.
    sizes : sequence of float
        Text sizes, largest first. [pt]
    pages : int, optional
        How many pages it must have; the first size that gives them is taken.

    Raises
    ------
    ResultError
        If no size gives the wanted pages.
    """
    source = (resources.files("reeftally.report") / "templates" / template).read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as held:
        folder = Path(held)
        (folder / template).write_text(source, encoding="utf-8")
        (folder / "data.json").write_text(data, encoding="utf-8")
        for name, content in files.items():
            (folder / name).write_text(content, encoding="utf-8")
        for size in sizes:
            made = _compiled(folder / template, size=size, time_s=time_s)
            if pages is None or pages_of(made) == pages:
                return made
    message = (
        f"{title}: the words do not fit {pages} pages at {sizes[-1]:g} pt. Shorten the title or the names in the "
        f"mission "
        f"book."
    )
    raise ResultError(message)


def _compiled(source: Path, *, size: float, time_s: int) -> bytes:
    made: bytes = typst.compile(
        str(source),
        root=str(source.parent),
        font_paths=[],
        ignore_system_fonts=True,
        format="pdf",
        sys_inputs={"size": f"{size:g}"},
        timestamp=time_s,
    )
    return made


def pages_of(content: bytes) -> int:
    """Return the number of pages of a PDF; looks into its packed object streams."""
    text = content
    for found in re.finditer(rb"stream\r?\n(.*?)endstream", content, re.DOTALL):
        try:
            text += zlib.decompress(found.group(1).rstrip(b"\r\n"))
        except zlib.error:
            continue
    return len(re.findall(rb"/Type\s*/Page(?![a-zA-Z])", text))
