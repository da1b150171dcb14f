"""The long record: months, trend, changes of sensor.

Here:     one station over years.
Not here: any fit.
Rules:    never a line without the data; every change of sensor is marked.
"""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from reeftally.charts.base import finished, like
from reeftally.charts.labels import axis_title
from reeftally.charts.palette import COLOURS, colour_of

__all__ = ["long_record"]


def long_record(
    months: pd.DataFrame, line: pd.DataFrame, changes: pd.DataFrame, *, width: int = 720, height: int = 260
) -> Any:
    """Return a monthly record of pH with its trend.

    Parameters
    ----------
    months : DataFrame
        ``time``, ``value``, ``lower``, ``upper`` (NaN without), ``what`` (two kinds at most, the first is filled).
    line : DataFrame
        ``time``, ``value``, ``lower``, ``upper``; empty without a trend.
    changes : DataFrame
        ``time``, ``text``; empty where the sensor stayed.
    """
    hue, paper = colour_of("ph_total"), COLOURS["paper"].light
    kinds = list(dict.fromkeys(months["what"]))
    x = alt.X("time:T", title=None, scale=alt.Scale(type="utc"), axis=alt.Axis(format="%Y", tickCount="year"))
    y = alt.Y("value:Q", title=axis_title("ph_total"), scale=alt.Scale(zero=False))
    data = months.dropna(subset=["value"])
    layers: list[Any] = []
    if not changes.empty:
        base = alt.Chart(changes)
        layers.append(base.mark_rule(color=COLOURS["ink"].light, strokeDash=[3, 3]).encode(x=x))
        layers.append(
            base.mark_text(align="left", baseline="top", dx=4, fontSize=11, color=COLOURS["muted"].light).encode(
                x=x, y=alt.value(0), text="text:N"
            )
        )
    if not line.empty:
        band = alt.Chart(line)
        layers.append(
            band.mark_area(color=COLOURS["ink"].light, opacity=0.14).encode(x=x, y=like(y, "lower:Q"), y2="upper:Q")
        )
        layers.append(band.mark_line(color=COLOURS["ink"].light, strokeWidth=2).encode(x=x, y=y))
    whole = data[data["lower"].notna()]
    if not whole.empty:
        layers.append(
            alt.Chart(whole).mark_rule(color=hue, opacity=0.35).encode(x=x, y=like(y, "lower:Q"), y2="upper:Q")
        )
    layers.append(
        alt.Chart(data)
        .mark_point(size=26, stroke=hue, strokeWidth=1.2, opacity=1)
        .encode(
            x=x,
            y=y,
            fill=alt.Fill("what:N", title=None, scale=alt.Scale(domain=kinds, range=[hue, paper][: len(kinds)])),
            tooltip=[
                alt.Tooltip("time:T", format="%Y-%m", title="month"),
                alt.Tooltip("value:Q", format=".4f"),
                "what:N",
            ],
        )
    )
    return finished(
        alt.layer(*layers).properties(width=width, height=height),
        description="Monthly means of pH with the trend and the changes of sensor.",
    )
