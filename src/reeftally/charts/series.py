"""Charts of block series on a time axis, and their composites by the hour of the day.

Here:     the mission strip, the friction velocity by its routes, hour-of-day composites.
Not here: fluxes (`fluxes`), chemistry without time (`chemistry`).
Rules:    takes the tables of `frames`; computes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair as alt
import pandas as pd

from reeftally.charts.base import Frame, finished, interval_layers, like, night_layer, panel_title, time_x, zero_line
from reeftally.charts.labels import axis_title, method_name, quantity_name
from reeftally.charts.palette import colour_of, method_look

__all__ = ["hour_of_day", "mission_strip", "routes"]

MANY = 320
"""Above this count of blocks the line alone is drawn; lone blocks stay points."""


def mission_strip(series: pd.DataFrame, frame: Frame, *, height: int = 64) -> Any:
    """Return all series under each other on one time axis.

    Parameters
    ----------
    series : DataFrame
        Long table of `frames.series_frame`; one panel a name, in the order of the table.
    frame : Frame
    height : int
        Height of one panel. [px]
    """
    names = list(dict.fromkeys(series["name"]))
    panels = []
    for place, name in enumerate(names):
        data = series[series["name"] == name]
        last = place == len(names) - 1
        x = time_x(frame, labels=last)
        y = alt.Y(
            "value:Q",
            scale=alt.Scale(zero=name == "par", nice=True),
            axis=alt.Axis(**panel_title(axis_title(name)), tickCount=3),
        )
        layers = [
            *night_layer(frame, x),
            *interval_layers(data, x, y, name=name, points=len(data) <= MANY),
        ]
        panels.append(alt.layer(*layers).properties(width=frame.width, height=height))
    words = ", ".join(quantity_name(name).lower() for name in names)
    return finished(
        alt.vconcat(*panels, spacing=26).resolve_scale(y="independent"),
        description=f"Time series of {words} through the mission; nights shaded.",
    )


def routes(
    series: pd.DataFrame, frame: Frame, *, quantity: str, methods: Sequence[str], height: int = 200, unit: str = ""
) -> Any:
    """Return one quantity found by several routes on one time axis.

    Parameters
    ----------
    series : DataFrame
        Long table; ``name`` holds the route.
    quantity : str
        The quantity on the y axis.
    methods : sequence of str
        Routes in the order of the legend.
    """
    present = [m for m in methods if (series["name"] == m).any()]
    looks = [method_look(m, k) for k, m in enumerate(present)]
    data = series.assign(route=series["name"].map({m: method_name(m) for m in present}))
    names = [method_name(m) for m in present]
    x = time_x(frame)
    y = alt.Y("value:Q", scale=alt.Scale(zero=True), axis=alt.Axis(**panel_title(axis_title(quantity, unit or None))))
    # The legend stands clear of the flat title of the y axis.
    legend = alt.Legend(offset=26)
    colour = alt.Color(
        "route:N",
        title=None,
        legend=legend,
        scale=alt.Scale(domain=names, range=[colour_of(look.role) for look in looks]),
    )
    dash = alt.StrokeDash(
        "route:N", title=None, legend=legend, scale=alt.Scale(domain=names, range=[list(look.dash) for look in looks])
    )
    shape = alt.Shape(
        "route:N", title=None, legend=legend, scale=alt.Scale(domain=names, range=[look.shape for look in looks])
    )
    base = alt.Chart(data).encode(x=x, color=colour)
    many = len(data) > MANY * max(len(present), 1)
    marked = data[data["alone"].astype(bool) if many else data["value"].notna()]
    layers = [
        *night_layer(frame, x),
        zero_line(),
        base.mark_rule(opacity=0.35, strokeWidth=1).encode(y=like(y, "lower:Q"), y2="upper:Q"),
        base.mark_line(strokeWidth=1.1, opacity=0.8).encode(y=y, strokeDash=dash),
        alt.Chart(marked)
        .mark_point(filled=True, size=22, opacity=1)
        .encode(
            x=x,
            y=y,
            color=colour,
            shape=shape,
            tooltip=[
                alt.Tooltip("route:N", title="route"),
                alt.Tooltip("time:T", format="%Y-%m-%d %H:%M UTC", title="block"),
                alt.Tooltip("value:Q", format=".4~g"),
                alt.Tooltip("lower:Q", format=".4~g"),
                alt.Tooltip("upper:Q", format=".4~g"),
            ],
        ),
    ]
    return finished(
        alt.layer(*layers).properties(width=frame.width, height=height),
        description=f"{quantity_name(quantity)} through the mission by {', '.join(names)}; nights shaded.",
    )


def hour_of_day(table: pd.DataFrame, frame: Frame, *, height: int = 130) -> Any:
    """Return composites by local hour: every block as a point, the middle half as a band, the median as a line.

    Parameters
    ----------
    table : DataFrame
        Columns ``name``, ``hour`` (local, 0 to 24), ``value``: the blocks; and rows with ``kind`` = "summary" that
        carry ``median``, ``low`` and ``high`` (quartiles) of each hour. Blocks have ``kind`` = "block".
    """
    names = list(dict.fromkeys(table["name"]))
    columns = 1 if frame.narrow else 2
    width = frame.width if columns == 1 else (frame.width - 70) // 2
    panels = []
    for name in names:
        hue = colour_of(name)
        part = table[table["name"] == name]
        blocks, summary = part[part["kind"] == "block"], part[part["kind"] == "summary"]
        x = alt.X(
            "hour:Q",
            scale=alt.Scale(domain=[0, 24], nice=False),
            axis=alt.Axis(title="hour of the day, local time", values=[0, 6, 12, 18, 24]),
        )
        y = alt.Y(
            "value:Q",
            scale=alt.Scale(zero=name.endswith("flux")),
            axis=alt.Axis(**panel_title(axis_title(name))),
        )
        layers = [
            alt.Chart(summary)
            .mark_area(color=hue, opacity=0.22, interpolate="step-after")
            .encode(x=x, y=like(y, "low:Q"), y2="high:Q"),
            alt.Chart(blocks).mark_point(color=hue, filled=True, size=9, opacity=0.5).encode(x=x, y=y),
            alt.Chart(summary)
            .mark_line(color=hue, strokeWidth=2, interpolate="step-after")
            .encode(x=x, y=like(y, "median:Q")),
        ]
        if name.endswith("flux"):
            layers.insert(0, zero_line())
        panels.append(alt.layer(*layers).properties(width=width, height=height))
    words = ", ".join(quantity_name(name).lower() for name in names)
    return finished(
        alt.concat(*panels, columns=columns, spacing=30).resolve_scale(y="independent"),
        description=f"{words} by the hour of the day: blocks, median and middle half.",
    )
