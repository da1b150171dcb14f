"""The map of a site: places to scale, the current rose at the mast.

Here:     marks, labels, petals, equal scales east and north.
Not here: where things lie and how often the current went where (`reeftally.telling.map_figures`).
Rules:    a kilometre is as long to the north as to the east; every mark carries its words, so that neither colour nor a
          legend is needed to read it; shades of the rose differ in lightness.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair as alt
import pandas as pd

from reeftally.charts.base import finished, like
from reeftally.charts.palette import COLOURS, colour_of
from reeftally.charts.rose import SHADES

__all__ = ["site_map"]

MARKS = {"bed": "square", "reference": "triangle-up", "other": "circle"}


def site_map(
    places: pd.DataFrame,
    petals: pd.DataFrame,
    *,
    classes: Sequence[str],
    span: tuple[float, float, float, float],
    width: int = 740,
) -> Any:
    """Return the map.

    Parameters
    ----------
    places : DataFrame
        ``east``, ``north`` [km], ``mark`` (``bed``, ``reference``, ``other``), ``label`` (lines), ``below`` (where the
        label's upper edge lies) [km].
    petals : DataFrame
        Corners of the petals of the rose: ``east``, ``north`` [km], ``petal``, ``order``, ``speed`` (class in words);
        empty without a current.
    classes : sequence of str
        Words of the classes of speed, slowest first.
    span : tuple of float
        West, east, south, north of what must be seen. [km]
    """
    height = width if width < 420 else round(0.6 * width)
    west, east, south, north = span
    scale = max((east - west) / width, (north - south) / height)
    middle = ((west + east) / 2.0, (south + north) / 2.0)
    reach = (scale * width / 2.0, scale * height / 2.0)
    ticks = 4 if width < 420 else 8
    x = alt.X(
        "east:Q",
        title="East (km)",
        scale=alt.Scale(domain=[middle[0] - reach[0], middle[0] + reach[0]], nice=False, zero=False),
        axis=alt.Axis(tickCount=ticks, gridOpacity=0.45),
    )
    y = alt.Y(
        "north:Q",
        title="North (km)",
        scale=alt.Scale(domain=[middle[1] - reach[1], middle[1] + reach[1]], nice=False, zero=False),
        axis=alt.Axis(tickCount=ticks, gridOpacity=0.45),
    )
    layers = []
    if not petals.empty:
        layers.append(
            alt.Chart(petals)
            .mark_line(
                interpolate="linear-closed", fill=colour_of("speed"), stroke=COLOURS["ink"].light, strokeWidth=0.8,
                tooltip=None,
            )
            .encode(
                x=x,
                y=y,
                detail="petal:N",
                order="order:Q",
                opacity=alt.Opacity(
                    "speed:N",
                    title="current (m s⁻¹)",
                    sort=list(classes),
                    scale=alt.Scale(domain=list(classes), range=list(SHADES)),
                    legend=alt.Legend(
                        orient="bottom", columns=2 if width < 420 else 4, symbolType="square", symbolStrokeWidth=0.8,
                        symbolFillColor=colour_of("speed"),
                    ),
                ),
            )
        )  # fmt: skip
    ink = COLOURS["ink"].light
    for mark, shape in MARKS.items():
        own = places[places["mark"] == mark]
        if not own.empty:
            layers.append(
                alt.Chart(own)
                .mark_point(shape=shape, filled=True, size=70, color=ink, opacity=1, tooltip=None)
                .encode(x=x, y=y)
            )
    # Labels lean inwards, so that none leaves the sheet.
    part = (places["east"] - (middle[0] - reach[0])) / (2.0 * reach[0])
    for side, own in (
        ("left", places[part < 0.3]),
        ("center", places[(part >= 0.3) & (part <= 0.7)]),
        ("right", places[part > 0.7]),
    ):
        if not own.empty:
            layers.append(
                alt.Chart(own)
                .mark_text(align=side, baseline="top", dy=5, fontSize=13, lineBreak="\n", color=ink, tooltip=None)
                .encode(x=x, y=like(y, "below:Q"), text="label:N")
            )
    return finished(
        alt.layer(*layers).properties(width=width, height=height),
        description="Places of the mission to scale, north up, with the current rose at the mast.",
    )
