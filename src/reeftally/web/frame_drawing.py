"""The frame to scale: heights of all sensing volumes at the mast, and where each looks.

Here:     two drawings as SVG.
Not here: facts about instruments (`alive`, the book).
Rules:    heights are to scale and marked with their uncertainty; every text is escaped; no style attribute.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from markupsafe import Markup, escape

__all__ = ["Spot", "elevation", "headings"]


@dataclass(frozen=True, slots=True)
class Spot:
    """One instrument on the frame."""

    label: str
    kind: str
    height_m: float
    height_sd_m: float
    low_m: float
    """Lowest point that it senses; equal to the height for a point sensor."""
    high_m: float
    heading_deg: float | None
    down: bool
    alive: bool


WIDTH, ROW, TOP = 390, 21, 26
MAST_X, LABEL_X = 96, 182


def _el(tag: str, content: str | Markup = "", **attributes: object) -> Markup:
    """Return one element; names lose a last underscore and turn others into hyphens, every value is escaped."""
    parts = [
        f' {name.rstrip("_").replace("_", "-")}="{escape(f"{v:.1f}" if isinstance(v, float) else str(v))}"'
        for name, v in attributes.items()
    ]
    return Markup("<{}{}>{}</{}>").format(Markup(tag), Markup("".join(parts)), content, Markup(tag))


def _tone(role: str) -> str:
    return f"var(--c-{role})"


def _text(x: float, y: float, words: str, *, anchor: str = "start", size: int = 12, role: str = "muted") -> Markup:
    return _el("text", words, x=float(x), y=float(y), text_anchor=anchor, font_size=size, fill=_tone(role))


def _line(course: str, *, role: str = "rule", width: float = 1.0) -> Markup:
    return _el("path", d=course, stroke=_tone(role), stroke_width=width, fill="none")


def _drawing(title: str, width: int, height: float, left: int, parts: Sequence[Markup]) -> Markup:
    box = f"{left} 0 {width} {height:.0f}"
    return _el(
        "svg", Markup("").join(parts), class_="drawn", role="img", aria_label=title, width=width,
        height=f"{height:.0f}", viewBox=box,
    )  # fmt: skip


def _mark(spot: Spot, x: float, y: float, low: float, high: float) -> Markup:
    tone = _tone("ink" if spot.alive else "organic")
    look: dict[str, Any] = {"fill": tone if spot.alive else _tone("paper"), "stroke": tone, "stroke_width": 1.6}
    if spot.kind == "profiler":
        return _el("rect", x=x - 3, y=high, width=6, height=max(low - high, 4.0), **{**look, "fill": "none"})
    if spot.kind == "velocimeter":
        # The head looks at its sampling volume, from above or from below.
        way = 1 if spot.down else -1
        head = _el("path", d=f"M{x:.1f} {y - 2 * way:.1f}l-5 {-11 * way}h10z", **look)
        return head + _el("circle", cx=x, cy=y, r=2, fill=tone)
    if spot.kind.endswith("_ph"):
        return _el("rect", x=x - 4, y=y - 4, width=8, height=8, **look)
    return _el("circle", cx=x, cy=y, r=4.4, **look)


def _spread(wanted: Sequence[float], least: float, low: float, high: float) -> list[float]:
    """Return places near the wanted ones (ascending), at least `least` apart, inside [low, high] where they fit."""
    places: list[float] = []
    for want in wanted:
        places.append(max(want, (places[-1] + least) if places else low))
    limit = high
    for k in range(len(places) - 1, -1, -1):
        places[k] = min(places[k], limit)
        limit = places[k] - least
    return places


def elevation(spots: Sequence[Spot], *, depth_m: float, displacement_m: float, title: str) -> Markup:
    """Return the frame from the side: heights above the bed to scale, labels beside.

    Parameters
    ----------
    spots : sequence of Spot
    depth_m : float
        Water depth. [m]
    displacement_m : float
        Plane from which the log law counts, above the bed. [m]
    title : str
        What a screen reader says.
    """
    # A profiler that looks through the whole water column is drawn as far as the others reach.
    points = [s.high_m for s in spots if s.kind != "profiler"] or [s.high_m for s in spots]
    top_m = min(max([*points, 0.5]) * 1.15, depth_m * 1.02)
    spots = sorted((replace(s, height_m=min(s.height_m, 0.97 * top_m)) for s in spots), key=lambda s: -s.height_m)
    height = float(max(330, ROW * len(spots) + 20))

    def y(metres: float) -> float:
        return TOP + (1.0 - metres / top_m) * height

    bed, left = y(0.0), MAST_X - 60
    plane = y(displacement_m)
    parts = [
        _el("rect", x=left, y=plane, width=130, height=bed - plane, fill=_tone("night")),
        _line(f"M{left} {bed:.1f}H{MAST_X + 70}", role="ink", width=2.5),
        _line(f"M{MAST_X} {bed:.1f}V{y(top_m):.1f}", width=3),
        _text(4, 14, "m above the bed"),
    ]
    step = next((s for s in (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0) if top_m / s <= 9), 10.0)
    for k in range(int(top_m / step) + 1):
        here = y(k * step)
        parts += [_line(f"M{left} {here:.1f}h-6"), _text(left - 9, here + 4, f"{k * step:g}", anchor="end")]
    used: dict[int, int] = {}
    bars = 0
    places = _spread([y(s.height_m) for s in spots], ROW, TOP, TOP + height)
    for spot, at in zip(spots, places, strict=True):
        here, sd = y(spot.height_m), bed - y(spot.height_sd_m)
        turn = used.get(round(here / 9), 0)
        used[round(here / 9)] = turn + 1
        x = MAST_X + (14.0 + 13 * (turn // 2)) * (1 if turn % 2 == 0 else -1)
        if spot.kind == "profiler":
            # Bars stand apart on the left, where they hide no other instrument.
            bars += 1
            x = MAST_X - 28.0 - 11 * bars
        parts += [
            _line(f"M{MAST_X} {here:.1f}H{x:.1f}"),
            _line(f"M{x:.1f} {here - sd:.1f}V{here + sd:.1f}", role="muted"),
            _line(f"M{x + 6:.1f} {here:.1f}L{LABEL_X - 26} {at:.1f}H{LABEL_X - 4}", role="rule", width=0.7),
            _mark(spot, x, here, y(spot.low_m), y(min(spot.high_m, top_m))),
            _el("a", _text(LABEL_X, at + 5, _words(spot), size=14, role="ink"), href=f"/sensor/{spot.label}"),
        ]
    return _drawing(title, WIDTH, TOP + height + 22, 0, parts)


def _words(spot: Spot) -> str:
    span = f"{spot.low_m:.2f} to {spot.high_m:.2f} m" if spot.high_m - spot.low_m > 0.05 else f"{spot.height_m:.2f} m"
    return f"{spot.label}  {span}{'' if spot.alive else ', silent'}"


def headings(spots: Sequence[Spot], *, title: str) -> Markup | None:
    """Return where the x axes point, north up; None where the book states no heading."""
    looking = [(s.label, s.heading_deg) for s in spots if s.heading_deg is not None]
    if not looking:
        return None
    size, middle, radius, side = 250, 125, 92, 70
    parts = [
        _el("circle", cx=middle, cy=middle, r=radius, fill="none", stroke=_tone("rule")),
        _text(middle, middle - radius - 8, "N", anchor="middle", size=13),
    ]
    seen: dict[int, int] = {}
    for label, heading in looking:
        turn = seen.get(round(heading / 12), 0)
        seen[round(heading / 12)] = turn + 1
        x = middle + radius * math.sin(math.radians(heading))
        y = middle - radius * math.cos(math.radians(heading))
        right = x >= middle
        words = f"{label} {heading:.0f}°"
        parts += [
            _line(f"M{middle} {middle}L{x:.1f} {y:.1f}", role="ink", width=1.8),
            _el("circle", cx=x, cy=y, r=3.5, fill=_tone("ink")),
            _text(
                x + (8 if right else -8), y + 5 + 16 * turn, words, anchor="start" if right else "end", size=13,
                role="ink",
            ),
        ]  # fmt: skip
    return _drawing(title, size + 2 * side, size, -side, parts)
