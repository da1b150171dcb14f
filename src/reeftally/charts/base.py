"""The look and the parts that charts share: configuration, time axis, shaded nights, value with interval.

Here:     pieces of layered specifications.
Not here: whole figures (`series`, `fluxes`, `account` and their neighbours).
Rules:    nothing is computed but the place of ticks; colours come from `palette`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt
import pandas as pd

from reeftally.charts.palette import COLOURS, colour_of

__all__ = [
    "Frame",
    "finished",
    "interval_layers",
    "like",
    "night_layer",
    "panel_title",
    "time_axis",
    "time_x",
    "zero_line",
]

FONT = "Libertinus Serif, Charter, Georgia, serif"
HOUR_MS = 3_600_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What all time charts of a mission share."""

    start: pd.Timestamp
    """Left end, UTC."""
    end: pd.Timestamp
    """Right end, UTC."""
    utc_offset_h: float = 0.0
    nights: tuple[tuple[pd.Timestamp, pd.Timestamp], ...] = ()
    width: int = 720
    """Width of the plotting area. [px]"""

    @property
    def narrow(self) -> bool:
        """Whether the figure is for a phone."""
        return self.width < 420


def time_axis(frame: Frame, *, labels: bool = True) -> alt.Axis:
    """Return a time axis with local time above and UTC below; the date stands at the first tick of a local day."""
    hours = (frame.end - frame.start).total_seconds() / 3600.0
    wanted = 5 if frame.narrow else 11
    step = next((s for s in (1, 2, 3, 6, 12, 24, 48, 96, 168, 720) if hours / s <= wanted), 2160)
    step_ms = step * HOUR_MS
    offset_ms = round(frame.utc_offset_h * HOUR_MS)
    first = -((-(frame.start.value // 1_000_000) - offset_ms) // step_ms) * step_ms - offset_ms
    last = frame.end.value // 1_000_000
    # Ticks stand at whole steps of local time, from the first one inside.
    first += step_ms * max(0, -((first - frame.start.value // 1_000_000) // step_ms))
    local = f"utcFormat(time(datum.value) + {offset_ms}, '%H:%M')"
    date = f"utcFormat(time(datum.value) + {offset_ms}, '%e %b')"
    new_day = f"utchours(time(datum.value) + {offset_ms}) < {max(min(step, 24), 1)}"
    sign = "+" if frame.utc_offset_h >= 0 else "−"
    name = f"UTC{sign}{abs(frame.utc_offset_h):g}" if frame.utc_offset_h else "UTC"
    long = step >= 24
    expression = (
        f"[{date}, utcFormat(datum.value, '%H:%M') + ' UTC']"
        if long
        else f"[{local}, utcFormat(datum.value, '%H:%M') + ' UTC', {new_day} ? {date} : '']"
    )
    title = f"local midnight ({name}), UTC below" if long else f"local time ({name}), UTC below"
    if not labels:
        return alt.Axis(labels=False, title=None, ticks=False, grid=True, values=list(range(first, last + 1, step_ms)))
    return alt.Axis(
        title=title,
        values=list(range(first, last + 1, step_ms)),
        labelExpr=expression,
        labelLineHeight=12,
        labelOverlap=False,
        titlePadding=6,
    )


def time_x(frame: Frame, *, labels: bool = True, field: str = "time") -> alt.X:
    """Return the x encoding of a time chart."""
    domain = [frame.start.value // 1_000_000, frame.end.value // 1_000_000]
    return alt.X(
        f"{field}:T",
        scale=alt.Scale(type="utc", domain=domain, nice=False),
        axis=time_axis(frame, labels=labels),
    )


def like(channel: Any, field: str) -> Any:
    """Return an encoding with the scale, axis and title of another, of another field: layers then share one axis."""
    other = channel.copy(deep=False)
    other["shorthand"] = field
    return other


def night_layer(frame: Frame, x: alt.X) -> list[alt.Chart]:
    """Return the shading of the nights, clipped to the frame; empty where there are none."""
    rows = [
        {"from": max(start, frame.start), "to": min(end, frame.end)}
        for start, end in frame.nights
        if start < frame.end and end > frame.start
    ]
    if not rows:
        return []
    return [
        alt.Chart(pd.DataFrame(rows))
        .mark_rect(color=COLOURS["night"].light, opacity=1, tooltip=None)
        # No domain here: the layers of data state it, and a bar from x to x2 would state it in other units.
        .encode(x=like(x, "from:T").scale(type="utc", nice=False), x2="to:T")
    ]


def zero_line(*, upright: bool = False, role: str = "rule") -> alt.Chart:
    """Return the zero line of a chart of fluxes or changes; upright where the x axis holds the zero."""
    rule = alt.Chart(pd.DataFrame({"zero": [0.0]})).mark_rule(color=COLOURS[role].light, strokeWidth=1.2, tooltip=None)
    return rule.encode(x=alt.datum(0)) if upright else rule.encode(y=alt.datum(0))


def panel_title(text: str) -> dict[str, Any]:
    """Return the settings of a y title that lies flat above its panel, where it never runs into its neighbour."""
    return {
        "title": text,
        "titleAngle": 0,
        "titleAlign": "left",
        "titleAnchor": "start",
        "titleBaseline": "bottom",
        "titleY": -5,
        "titleX": 0,
    }


def interval_layers(
    data: pd.DataFrame,
    x: alt.X,
    y: alt.Y,
    *,
    name: str,
    points: bool,
    colour: str | None = None,
    dash: Sequence[int] = (1, 0),
) -> list[alt.Chart]:
    """Return band, line and points of one series; lines break at gaps, lone blocks are points."""
    hue = colour or colour_of(name)
    base = alt.Chart(data).encode(x=x)
    layers: list[alt.Chart] = []
    if data["lower"].notna().any():
        layers.append(base.mark_area(color=hue, opacity=0.22, tooltip=None).encode(y=like(y, "lower:Q"), y2="upper:Q"))
    layers.append(base.mark_line(color=hue, strokeWidth=1.4, strokeDash=list(dash), tooltip=None).encode(y=y))
    shown = data[data["value"].notna()] if points else data[data["alone"].astype(bool)]
    if not shown.empty:
        layers.append(
            alt.Chart(shown)
            .mark_point(color=hue, filled=True, size=11, opacity=1)
            .encode(
                x=x,
                y=y,
                tooltip=[
                    alt.Tooltip("time:T", format="%Y-%m-%d %H:%M UTC", title="block"),
                    alt.Tooltip("value:Q", format=".5~g"),
                    alt.Tooltip("lower:Q", format=".5~g"),
                    alt.Tooltip("upper:Q", format=".5~g"),
                ],
            )
        )
    return layers


def finished(chart: Any, *, description: str) -> Any:
    """Return a chart with the common look and the words that a screen reader speaks."""
    ink, muted, grid = (COLOURS[role].light for role in ("ink", "muted", "grid"))
    return chart.properties(
        description=description, background="transparent", padding={"left": 12, "top": 4, "right": 8, "bottom": 4}
    ).configure(
        aria=False,
        font=FONT,
        axis=alt.AxisConfig(
            labelColor=muted,
            labelFontSize=12,
            titleColor=ink,
            titleFontSize=13,
            titleFontWeight="normal",
            gridColor=grid,
            gridWidth=0.7,
            domainColor=COLOURS["rule"].light,
            tickColor=COLOURS["rule"].light,
            tickSize=4,
            labelPadding=3,
        ),
        axisX=alt.AxisConfig(tickCount=6),
        axisY=alt.AxisConfig(tickCount=4, domain=False),
        # Plain digits: 2310 and 0.005, never 2,310 or 5m.
        axisQuantitative=alt.AxisConfig(format="~f"),
        view=alt.ViewConfig(stroke=None),
        legend=alt.LegendConfig(
            labelColor=ink,
            titleColor=muted,
            labelFontSize=12.5,
            titleFontSize=11,
            titleFontWeight="normal",
            orient="top",
            symbolStrokeWidth=2,
            symbolOpacity=1,
            offset=10,
            labelLimit=400,
            columns=0,
        ),
        header=alt.HeaderConfig(labelColor=ink, labelFontSize=12, titleColor=muted, labelFontWeight="normal"),
        title=alt.TitleConfig(color=ink, fontSize=13, fontWeight="normal", anchor="start"),
        text=alt.MarkConfig(color=ink, fontSize=11.5),
        concat=alt.CompositionConfig(spacing=22),
    )
