"""The current rose.

Here:     shares by direction and class of speed.
Not here: counting (`reeftally.telling.flow_figures`).
Rules:    north is up, clockwise; classes differ in lightness, so that grey print keeps them apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from reeftally.charts.base import finished
from reeftally.charts.palette import COLOURS, colour_of

__all__ = ["SHADES", "current_rose"]

SHADES = (0.15, 0.4, 0.7, 1.0)


def current_rose(table: pd.DataFrame, *, classes: Sequence[str], sectors: int = 16, width: int = 330) -> Any:
    """Return a rose of directions towards which the water goes.

    Parameters
    ----------
    table : DataFrame
        ``sector`` (0 = north, clockwise), ``kind`` (class of speed), ``from``, ``to`` (running share). [%]
    classes : sequence of str
        Words of the classes, slowest first.
    sectors : int
        Number of sectors in the round.
    """
    half = np.pi / sectors
    data = table.assign(
        angle=2.0 * np.pi * table["sector"] / sectors - 0.92 * half,
        angle2=2.0 * np.pi * table["sector"] / sectors + 0.92 * half,
        speed=[classes[int(k)] for k in table["kind"]],
    )
    most = float(table["to"].max())
    ring = next((s for s in (1, 2, 5, 10, 20, 25, 50) if most / s <= 3.0), 50)
    rings = [float(r) for r in np.arange(ring, most + ring, ring)]
    outer = rings[-1] * 1.12
    size = min(width, 330)
    reach = size / 2.0 - 18.0
    radius = alt.Scale(domain=[0.0, outer], range=[0.0, reach], zero=True, nice=False, type="linear")
    circles = pd.DataFrame({"r": rings, "text": [f"{r:g} %" for r in rings]})
    # Rings are arcs of no width; names of the quarters stand outside them.
    names = pd.DataFrame(
        {"a": [0.0, 0.5 * np.pi, np.pi, 1.5 * np.pi], "r": [outer * 1.04] * 4, "text": ["N", "E", "S", "W"]}
    )
    circle = alt.Scale(domain=[0.0, 2.0 * np.pi], range=[0.0, 2.0 * np.pi], nice=False)
    layers = [
        alt.Chart(circles)
        .mark_arc(filled=False, stroke=COLOURS["grid"].light, strokeWidth=1, theta=0, theta2=2.0 * np.pi)
        .encode(radius=alt.Radius("r:Q", scale=radius), radius2=alt.Radius2("r")),
        alt.Chart(data)
        .mark_arc(color=colour_of("speed"))
        .encode(
            theta=alt.Theta("angle:Q", scale=circle, stack=None),
            theta2="angle2:Q",
            radius=alt.Radius("to:Q", scale=radius, stack=None),
            radius2="from:Q",
            opacity=alt.Opacity(
                "speed:N",
                title="speed (m s⁻¹)",
                legend=alt.Legend(direction="vertical", orient="bottom", columns=2, offset=2),
                sort=list(classes),
                scale=alt.Scale(domain=list(classes), range=list(SHADES)),
            ),
            tooltip=["speed:N"],
        ),
        alt.Chart(circles)
        .mark_text(color=COLOURS["muted"].light, fontSize=11, theta=np.pi / 8.0, dx=4)
        .encode(radius=alt.Radius("r:Q", scale=radius, stack=None), text="text:N"),
        alt.Chart(names)
        .mark_text(fontSize=13)
        .encode(
            theta=alt.Theta("a:Q", scale=circle, stack=None),
            radius=alt.Radius("r:Q", scale=radius, stack=None),
            text="text:N",
        ),
    ]
    return finished(
        alt.layer(*layers).properties(width=size, height=size),
        description="Share of the time by the direction towards which the current goes and by its speed.",
    )
