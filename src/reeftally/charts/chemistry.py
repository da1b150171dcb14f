"""Charts of the water and of the sensors without a time axis: DIC against alkalinity, twins, offsets.

Here:     property plots and side-by-side offsets.
Not here: time series (`series`).
Rules:    process vectors are drawn from slopes that stand in the sources, not fitted.
"""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from reeftally.charts.base import finished, like, zero_line
from reeftally.charts.labels import axis_title, quantity_name
from reeftally.charts.palette import COLOURS, colour_of

__all__ = ["dic_alkalinity", "offsets", "property_plot"]


def dic_alkalinity(points: pd.DataFrame, reference: pd.DataFrame, *, width: int = 360, height: int = 300) -> Any:
    """Return DIC against alkalinity with the directions in which processes move the water.

    Parameters
    ----------
    points : DataFrame
        ``dic``, ``total_alkalinity``, ``night`` (bool), one row a block.
    reference : DataFrame
        One row (or none): ``dic``, ``total_alkalinity`` of the reference water; the vectors start there, or at the
        middle of the points.

    Notes
    -----
    Organic matter moves DIC with alkalinity nearly unchanged; calcium carbonate takes two of alkalinity for one of
    DIC by its formula, CaCO3 = Ca2+ + CO3 2-.
    """
    start = reference.iloc[0] if not reference.empty else points[["dic", "total_alkalinity"]].mean()
    x0, y0 = float(start["dic"]), float(start["total_alkalinity"])
    reach = max(float(points["dic"].max() - points["dic"].min()), 4.0) / 2.5
    arrows = pd.DataFrame(
        [
            {"x": x0, "y": y0, "x2": x0 + reach, "y2": y0, "text": "breathing"},
            {"x": x0, "y": y0, "x2": x0 - reach, "y2": y0, "text": "growth"},
            {"x": x0, "y": y0, "x2": x0 + 0.6 * reach, "y2": y0 + 1.2 * reach, "text": "dissolving"},
            {"x": x0, "y": y0, "x2": x0 - 0.6 * reach, "y2": y0 - 1.2 * reach, "text": "building skeleton"},
        ]
    )
    data = points.assign(when=points["night"].map({True: "night", False: "day"}))
    x = alt.X("dic:Q", title=axis_title("dic"), scale=alt.Scale(zero=False, padding=14))
    y = alt.Y("total_alkalinity:Q", title=axis_title("total_alkalinity"), scale=alt.Scale(zero=False, padding=14))
    muted = COLOURS["muted"].light
    hue = colour_of("dic")
    layers = [
        alt.Chart(arrows)
        .mark_rule(color=muted, strokeWidth=1.3, strokeDash=[4, 3])
        .encode(x=like(x, "x:Q"), y=like(y, "y:Q"), x2="x2:Q", y2="y2:Q"),
        alt.Chart(arrows)
        .mark_text(color=muted, dy=-8, fontStyle="italic")
        .encode(x=like(x, "x2:Q"), y=like(y, "y2:Q"), text="text:N"),
        alt.Chart(data)
        .mark_point(size=24, strokeWidth=1.2, color=hue, opacity=0.9)
        .encode(
            x=x,
            y=y,
            fill=alt.Fill(
                "when:N", title=None, scale=alt.Scale(domain=["night", "day"], range=[hue, COLOURS["paper"].light])
            ),
        ),
    ]
    if not reference.empty:
        layers += [
            alt.Chart(reference)
            .mark_point(shape="square", filled=True, size=90, color=COLOURS["global"].light, opacity=1)
            .encode(x=x, y=y),
            alt.Chart(reference.assign(text="open water"))
            .mark_text(dy=16, color=COLOURS["global"].light, fontWeight="bold")
            .encode(x=x, y=y, text="text:N"),
        ]
    return finished(
        alt.layer(*layers).properties(width=width, height=height),
        description="DIC against alkalinity, with the directions of breathing, growth and skeleton building.",
    )


def property_plot(points: pd.DataFrame, *, x: str, y: str, width: int = 360, height: int = 300) -> Any:
    """Return one quantity against another, nights filled and days open.

    Parameters
    ----------
    points : DataFrame
        Columns named `x` and `y`, and ``night`` (bool).
    """
    data = points.assign(when=points["night"].map({True: "night", False: "day"}))
    hue = colour_of(y)
    chart = (
        alt.Chart(data)
        .mark_point(size=24, strokeWidth=1.2, color=hue, opacity=0.9)
        .encode(
            x=alt.X(f"{x}:Q", title=axis_title(x), scale=alt.Scale(zero=False)),
            y=alt.Y(f"{y}:Q", title=axis_title(y), scale=alt.Scale(zero=False)),
            fill=alt.Fill(
                "when:N", title=None, scale=alt.Scale(domain=["night", "day"], range=[hue, COLOURS["paper"].light])
            ),
        )
    )
    return finished(
        chart.properties(width=width, height=height),
        description=f"{quantity_name(y)} against {quantity_name(x)}, nights filled, days open.",
    )


def offsets(table: pd.DataFrame, *, quantity: str, unit: str, width: int = 420) -> Any:
    """Return the offsets of sensors found side by side, one line a sensor, one mark an occasion.

    Parameters
    ----------
    table : DataFrame
        ``sensor``, ``occasion`` (before, after, swap …), ``value``, ``lower``, ``upper``.
    """
    sensors = list(dict.fromkeys(table["sensor"]))
    occasions = list(dict.fromkeys(table["occasion"]))
    hue = colour_of(quantity)
    shapes = ["circle", "triangle-right", "diamond", "square", "cross", "triangle-up"]
    y = alt.Y("sensor:N", sort=sensors, title=None, axis=alt.Axis(grid=False, ticks=False, domain=False))
    offset = alt.YOffset("occasion:N", sort=occasions)
    x = alt.X("value:Q", title=f"Offset: {axis_title(quantity, unit)}")
    base = alt.Chart(table)
    layers = [
        zero_line(upright=True),
        base.mark_rule(color=hue, strokeWidth=2).encode(x=like(x, "lower:Q"), x2="upper:Q", y=y, yOffset=offset),
        base.mark_point(color=hue, filled=True, size=64, opacity=1).encode(
            x=x,
            y=y,
            yOffset=offset,
            shape=alt.Shape(
                "occasion:N",
                title=None,
                scale=alt.Scale(domain=occasions, range=[shapes[k % len(shapes)] for k in range(len(occasions))]),
            ),
        ),
    ]
    return finished(
        alt.layer(*layers).properties(width=width, height=alt.Step(14)),
        description=f"Offsets of the sensors of {quantity_name(quantity)}, side by side.",
    )
