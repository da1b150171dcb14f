"""Charts of single organisms: differences of the jet from the water around, by form, and the build-up by form.

Here:     what a carried sensor saw.
Not here: scaling to the community (`reeftally.exchange`).
Rules:    every visit is a mark with its interval; computes nothing.
"""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from reeftally.charts.base import finished, like, zero_line
from reeftally.charts.labels import axis_title, quantity_name
from reeftally.charts.palette import colour_of

__all__ = ["differences_by_form"]


def differences_by_form(table: pd.DataFrame, *, quantity: str, unit: str, title: str = "", width: int = 420) -> Any:
    """Return values of single organisms, grouped by form.

    Parameters
    ----------
    table : DataFrame
        ``form``, ``organism``, ``value``, ``lower``, ``upper``.
    title : str
        Title of the axis where it is not the quantity's own.
    """
    forms = list(dict.fromkeys(table["form"]))
    hue = colour_of(quantity)
    data = table.copy()
    data["place"] = data.groupby("form").cumcount().astype(str)
    y = alt.Y("form:N", sort=forms, title=None, axis=alt.Axis(grid=False, ticks=False, domain=False, labelFontSize=12))
    offset = alt.YOffset("place:O")
    x = alt.X("value:Q", title=title or axis_title(quantity, unit), scale=alt.Scale(zero=True))
    base = alt.Chart(data)
    layers = [
        zero_line(upright=True),
        base.mark_rule(color=hue, strokeWidth=1.2, opacity=0.5).encode(
            x=like(x, "lower:Q"), x2="upper:Q", y=y, yOffset=offset
        ),
        base.mark_point(color=hue, filled=True, size=26, opacity=1).encode(
            x=x, y=y, yOffset=offset, tooltip=["organism:N", alt.Tooltip("value:Q", format=".3~g")]
        ),
    ]
    most = int(data.groupby("form").size().max())
    return finished(
        alt.layer(*layers).properties(width=width, height=alt.Step(12 if most < 6 else 8)),
        description=f"{quantity_name(quantity)} of single organisms by form, with intervals.",
    )
