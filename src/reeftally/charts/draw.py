"""From a chart to a vector drawing, without a browser and without a network.

Here:     SVG with colours as style variables (pages) or as they are (paper).
Not here: charts.
Rules:    the same chart gives the same bytes.
"""

from __future__ import annotations

import json
import re
from typing import Any

import vl_convert

from reeftally.charts.palette import recoloured

__all__ = ["browser_library", "page_spec", "svg_for_page", "svg_for_paper"]

_SCHEMA = re.compile(r'"\$schema": ?"[^"]*",? ?')


def page_spec(chart: Any) -> dict[str, Any]:
    """Return the specification of a chart as plain data, without any address in it.

    Numbers keep seven significant digits, more than any interval allows, so that pages stay small.
    """
    spec: dict[str, Any] = chart.to_dict()
    spec.pop("$schema", None)
    for name, rows in spec.get("datasets", {}).items():
        spec["datasets"][name] = [{key: _short(value) for key, value in row.items()} for row in rows]
    return spec


def _short(value: Any) -> Any:
    return float(f"{value:.7g}") if isinstance(value, float) else value


def _svg(chart: Any) -> str:
    drawn: str = vl_convert.vegalite_to_svg(json.dumps(chart.to_dict()), show_warnings=False)
    return drawn


def browser_library() -> str:
    """Return the drawing library for a page, from the package at hand, wrapped so that it leaves no names but its own.

    The text may stand inside a script element; nothing in it leads off the page.
    """
    bundle: str = vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;")
    # The library knows an on-line editor.
    bundle = re.sub(r"https://vega\.github\.io/editor/?", "about:blank", bundle)
    return "(function () {" + bundle.replace("</script", "<\\/script").replace("<!--", "<\\!--") + "})();"


def svg_for_paper(chart: Any) -> str:
    """Return a chart as SVG with its own colours."""
    return _svg(chart)


def svg_for_page(chart: Any, *, title: str) -> str:
    """Return a chart as SVG for embedding in a page: colours follow the page's light or dark, width follows its column.

    Parameters
    ----------
    title : str
        What a screen reader says; plain text, escaped here.
    """
    drawn = recoloured(_compact(_svg(chart)), to="css")
    size = re.search(r'width="([\d.]+)" height="([\d.]+)"', drawn)
    width = size.group(1) if size else "700"
    # The drawing scales down with its column but never up.
    opening = f'<svg role="img" aria-label="{_escaped(title)}" style="max-width:{width}px;width:100%;height:auto" '
    return re.sub(r'<svg ([^>]*?)width="[\d.]+" height="[\d.]+"', lambda m: opening + m.group(1), drawn, count=1)


_PLACE = re.compile(r' (?:d|transform|x|y|x1|x2|y1|y2|width|height)="[^"]*"')
_LONG = re.compile(r"-?\d+\.\d{2,}")
_DOT = re.compile(
    r'<path transform="translate\(([-\d.]+),([-\d.]+)\)" '
    r'd="M([\d.]+),0A\3,\3,0,1,1,-\3,0A\3,\3,0,1,1,\3,0" fill="([^"]+)"'
    r'(?: stroke-width="[\d.]+")?( opacity="[\d.]+")?/>'
)
_LINE = re.compile(r'<line transform="translate\(([-\d.]+),([-\d.]+)\)" x2="([-\d.]+)" y2="([-\d.]+)"([^>]*)/>')


def _compact(svg: str) -> str:
    """Return the same drawing in fewer bytes: a tenth of a pixel, and runs of like dots and lines as one path each.

    A ten-day mission has some thousand blocks a series; one element a block would make the page slow.
    """
    svg = re.sub(r' (?:aria-[a-z]+|role)="[^"]*"| pointer-events="none"', "", svg)
    # Only in places, never in the text of a label.
    svg = _PLACE.sub(lambda m: _LONG.sub(lambda n: f"{float(n.group()):.1f}".removesuffix(".0"), m.group()), svg)
    svg = _DOT.sub(r'<path\5 d="M\1,\2h0" stroke-linecap="round" stroke="\4" stroke-width="\3 \3"/>', svg)
    svg = _LINE.sub(r'<path\5 d="M\1,\2l\3,\4"/>', svg)
    svg = re.sub(r'stroke-width="([\d.]+) [\d.]+"', lambda m: f'stroke-width="{2 * float(m.group(1)):g}"', svg)
    return _merged(svg)


_PIECE = re.compile(r'<path([^>]*?) d="(M[^"]*)"([^>]*)/>')


def _merged(svg: str) -> str:
    """Join neighbouring paths that differ in their course alone, where they are dots or single lines."""
    out: list[str] = []
    at, held = 0, ("", "", [""])
    for found in _PIECE.finditer(svg):
        before, course, after = found.groups()
        short = "h0" in course or re.fullmatch(r"M[-\d.]+,[-\d.]+l[-\d.]+,[-\d.]+", course) is not None
        if found.start() > at or not short or (before, after) != held[:2]:
            out.append(_joined(held))
            out.append(svg[at : found.start()])
            held = (before, after, [course])
        else:
            held[2].append(course)
        at = found.end()
    out.append(_joined(held))
    out.append(svg[at:])
    return "".join(out)


def _joined(held: tuple[str, str, list[str]]) -> str:
    before, after, courses = held
    return f'<path{before} d="{"".join(courses)}"{after}/>' if courses != [""] else ""


def _escaped(text: str) -> str:
    for raw, safe in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ('"', "&quot;")):
        text = text.replace(raw, safe)
    return text
