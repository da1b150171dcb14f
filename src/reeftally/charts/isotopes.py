"""The two-end-member plot of carbon isotopes.

Here:     samples with errors in both axes.
Not here: fitted lines and limits (estimates in the results).
Rules:    computes nothing; reef nights are filled, days open, open water is a square.
"""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from reeftally.charts.base import finished, like
from reeftally.charts.palette import COLOURS, colour_of

__all__ = ["isotope_mixing"]


def isotope_mixing(table: pd.DataFrame, *, width: int = 420, height: int = 300) -> Any:
    """Return δ¹³C against the reciprocal of DIC.

    Parameters
    ----------
    table : DataFrame
        ``x`` (1000/DIC) with ``x_lower``, ``x_upper``; ``y`` (δ¹³C) with ``y_lower``, ``y_upper``; ``where`` (one of
        ``reef, night``, ``reef, day``, ``open water``); ``bottle``.
    """
    order = [w for w in ("reef, night", "reef, day", "open water") if (table["where"] == w).any()]
    hue, paper, outside = colour_of("delta13c_dic"), COLOURS["paper"].light, COLOURS["global"].light
    fills = {"reef, night": hue, "reef, day": paper, "open water": outside}
    shapes = {"reef, night": "circle", "reef, day": "circle", "open water": "square"}
    x = alt.X("x:Q", title="1000 / DIC (kg mmol⁻¹)", scale=alt.Scale(zero=False, padding=12))
    y = alt.Y("y:Q", title="δ¹³C of DIC (‰)", scale=alt.Scale(zero=False, padding=12))
    base = alt.Chart(table)
    layers = [
        base.mark_rule(color=hue, opacity=0.3).encode(x=like(x, "x_lower:Q"), x2="x_upper:Q", y=y),
        base.mark_rule(color=hue, opacity=0.3).encode(x=x, y=like(y, "y_lower:Q"), y2="y_upper:Q"),
        base.mark_point(size=44, opacity=1, stroke=hue, strokeWidth=1.4).encode(
            x=x,
            y=y,
            fill=alt.Fill("where:N", title=None, scale=alt.Scale(domain=order, range=[fills[w] for w in order])),
            shape=alt.Shape("where:N", title=None, scale=alt.Scale(domain=order, range=[shapes[w] for w in order])),
            tooltip=["bottle:N", alt.Tooltip("y:Q", format=".3~f"), "where:N"],
        ),
    ]
    return finished(
        alt.layer(*layers).properties(width=width, height=height),
        description="Carbon-13 of DIC against the reciprocal of DIC, with errors in both axes.",
    )
