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
    return _RINGS.sub(_ringed, _COURSE.sub(_relative, _merged(svg)))


# Rings that follow each other and differ in their place alone.
_RING = r'<path transform="translate\([-\d.]+,[-\d.]+\)" d="M([\d.]+),0A\1,\1,0,1,1,-\1,0A\1,\1,0,1,1,\1,0"([^>]*)/>'
_RINGS = re.compile(_RING + r'(?:<path transform="translate\([-\d.]+,[-\d.]+\)" d="M\1,0A[^"]*"\2/>){2,}')


def _ringed(found: re.Match[str]) -> str:
    """Return the rings with what they share said once; how opaque each is stays its own, so that they still overlap."""
    radius, shared = found.groups()
    own = "".join(re.findall(r' (?:fill-|stroke-)?opacity="[^"]*"', shared))
    for word in re.findall(r' (?:fill-|stroke-)?opacity="[^"]*"', shared):
        shared = shared.replace(word, "")
    twice = f"{2.0 * float(radius):g}"
    arcs = f"a{radius},{radius},0,1,1-{twice},0a{radius},{radius},0,1,1,{twice},0"
    places = re.findall(r"translate\(([-\d.]+),([-\d.]+)\)", found.group(0))
    rings = (f'<path d="M{float(x) + float(radius):.1f},{y}{arcs}"{own}/>' for x, y in places)
    return f"<g{shared}>{''.join(rings)}</g>"


# A course of straight pieces only: M x,y then L x,y again and again, with further M.
_COURSE = re.compile(r' d="((?:[ML]-?[\d.]+,-?[\d.]+)+)"')


def _relative(found: re.Match[str]) -> str:
    """Return the same course in steps from point to point, in whole tenths of a pixel so that no error adds up."""
    out: list[str] = []
    x = y = 0
    stepping = False
    for kind, across, down in re.findall(r"([ML])(-?[\d.]+),(-?[\d.]+)", found.group(1)):
        to_x, to_y = round(float(across) * 10), round(float(down) * 10)
        if kind == "M":
            out.append(f"M{_tenths(to_x)},{_tenths(to_y)}")
        else:
            step_x, step_y = _tenths(to_x - x), _tenths(to_y - y)
            out.append(("" if step_x.startswith("-") else " ") if stepping else "l")
            out.append(step_x + ("" if step_y.startswith("-") else ",") + step_y)
        stepping = kind == "L"
        x, y = to_x, to_y
    return f' d="{"".join(out)}"'


def _tenths(value: int) -> str:
    whole, tenth = divmod(abs(value), 10)
    return f"{'-' if value < 0 else ''}{whole or ('' if tenth else 0)}{f'.{tenth}' if tenth else ''}"


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
