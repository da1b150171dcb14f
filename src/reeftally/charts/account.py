"""Charts of the account: steps from the past to today's reef, bar of parts, error budgets, independent lines.

Here:     how a change is made up, and how sure it is.
Not here: the split itself (`reeftally.ledger`).
Rules:    every step carries its interval; what is left over is always shown.
"""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from reeftally.charts.base import Frame, finished, like, night_layer, panel_title, time_x, zero_line
from reeftally.charts.labels import axis_title, driver_name
from reeftally.charts.palette import COLOURS, DRIVER_COLOURS, colour_of

__all__ = ["account_steps", "drivers_in_time", "error_budgets", "estimate_lines", "parts"]


def _wrapped(text: str, width: int) -> list[str]:
    lines: list[str] = []
    for word in text.split():
        if lines and len(lines[-1]) + 1 + len(word) <= width:
            lines[-1] += " " + word
        else:
            lines.append(word)
    return lines


def _hue(driver: str) -> str:
    return colour_of(DRIVER_COLOURS.get(driver, "residual"))


def account_steps(table: pd.DataFrame, *, title: str, width: int = 560) -> Any:
    """Return the steps of the account as a stair, one line a driver, from the start state to the end state.

    Parameters
    ----------
    table : DataFrame
        One row a step, in order: ``driver``, ``start``, ``end`` (running sum before and after), ``lower``, ``upper``
        (interval of the end of the step given its start), ``text`` (value with interval, as shown).
    title : str
        Title of the axis, with unit.
    """
    narrow = width < 420
    order = [driver_name(d) for d in table["driver"]]
    data = table.assign(step=order, hue=[_hue(d) for d in table["driver"]])
    y = alt.Y(
        "step:N",
        sort=order,
        title=None,
        axis=alt.Axis(
            grid=False,
            ticks=False,
            domain=False,
            labelLimit=400,
            labelFontSize=12,
            labelColor=COLOURS["ink"].light,
            labelExpr=_label_expression(order, 18 if narrow else 26),
        ),
    )
    x = alt.X("start:Q", title=title, scale=alt.Scale(zero=True, nice=True), axis=alt.Axis(tickCount=5))
    base = alt.Chart(data)
    colour = alt.Color("hue:N", scale=None)
    layers = [
        zero_line(upright=True),
        base.mark_bar(height=15, opacity=0.8).encode(x=x, x2="end:Q", y=y, color=colour),
        base.mark_rule(color=COLOURS["ink"].light, strokeWidth=1.6).encode(x=like(x, "lower:Q"), x2="upper:Q", y=y),
        base.mark_tick(color=COLOURS["ink"].light, thickness=1.6, size=9).encode(x=like(x, "lower:Q"), y=y),
        base.mark_tick(color=COLOURS["ink"].light, thickness=1.6, size=9).encode(x=like(x, "upper:Q"), y=y),
        base.mark_text(align="left", baseline="bottom", dy=-9, fontSize=11).encode(x=alt.value(2), y=y, text="text:N"),
    ]
    return finished(
        alt.layer(*layers).properties(width=width, height=alt.Step(46)),
        description="Steps of the account: " + "; ".join(f"{s}: {t}" for s, t in zip(order, data["text"], strict=True)),
    )


def _label_expression(labels: list[str], width: int) -> str:
    """Return an expression that breaks each label into lines."""
    text = "datum.label"
    for label in labels:
        lines = _wrapped(label, width)
        if len(lines) > 1:
            quoted = ", ".join("'" + line.replace("\\", "\\\\").replace("'", "\\'") + "'" for line in lines)
            whole = label.replace("\\", "\\\\").replace("'", "\\'")
            text = f"datum.label == '{whole}' ? [{quoted}] : ({text})"
    return text


def parts(table: pd.DataFrame, *, title: str, width: int = 560) -> Any:
    """Return the parts of a change as bars from zero with intervals: the figure of the two-page brief.

    Parameters
    ----------
    table : DataFrame
        ``label`` (as shown), ``driver``, ``value``, ``lower``, ``upper``, ``text``.
    """
    order = list(table["label"])
    data = table.assign(hue=[_hue(d) for d in table["driver"]])
    y = alt.Y(
        "label:N",
        sort=order,
        title=None,
        axis=alt.Axis(
            grid=False,
            ticks=False,
            domain=False,
            labelLimit=400,
            labelFontSize=12,
            labelColor=COLOURS["ink"].light,
            labelExpr=_label_expression(order, 34),
        ),
    )
    x = alt.X("value:Q", title=title, axis=alt.Axis(tickCount=5, format=".2f"))
    base = alt.Chart(data)
    layers = [
        base.mark_bar(height=17, opacity=0.85).encode(x=x, y=y, color=alt.Color("hue:N", scale=None)),
        base.mark_rule(color=COLOURS["ink"].light, strokeWidth=1.8).encode(x=like(x, "lower:Q"), x2="upper:Q", y=y),
        base.mark_tick(color=COLOURS["ink"].light, thickness=1.6, size=9).encode(x=like(x, "lower:Q"), y=y),
        base.mark_tick(color=COLOURS["ink"].light, thickness=1.6, size=9).encode(x=like(x, "upper:Q"), y=y),
        zero_line(upright=True, role="ink"),
        base.mark_text(align="left", fontSize=12).encode(x=alt.value(width + 10), y=y, text="text:N"),
    ]
    return finished(
        alt.layer(*layers).properties(width=width, height=alt.Step(36)),
        description="Parts: " + "; ".join(f"{a}: {b}" for a, b in zip(table["label"], table["text"], strict=True)),
    )


def drivers_in_time(series: pd.DataFrame, frame: Frame, *, height: int = 74) -> Any:
    """Return the change of pH by driver on one time axis, one panel a driver, all on one scale.

    Parameters
    ----------
    series : DataFrame
        Long table of `frames.series_frame`; ``name`` holds the driver.
    """
    drivers = list(dict.fromkeys(series["name"]))
    low, high = float(series["lower"].min()), float(series["upper"].max())
    if not low < high:
        low, high = float(series["value"].min()) - 1e-3, float(series["value"].max()) + 1e-3
    panels = []
    for place, driver in enumerate(drivers):
        data = series[series["name"] == driver]
        x = time_x(frame, labels=place == len(drivers) - 1)
        title = panel_title(f"Change of pH: {driver_name(driver)}")
        y = alt.Y(
            "value:Q", scale=alt.Scale(domain=[min(low, 0.0), max(high, 0.0)]), axis=alt.Axis(**title, tickCount=3)
        )
        hue = _hue(driver)
        base = alt.Chart(data).encode(x=x)
        layers = [
            *night_layer(frame, x),
            zero_line(),
            base.mark_area(color=hue, opacity=0.25).encode(y=like(y, "lower:Q"), y2="upper:Q"),
            base.mark_line(color=hue, strokeWidth=1.5).encode(y=y),
        ]
        panels.append(alt.layer(*layers).properties(width=frame.width, height=height))
    return finished(
        alt.vconcat(*panels, spacing=28),
        description="Change of pH through the mission by driver, with 95 % intervals.",
    )


def error_budgets(table: pd.DataFrame, *, width: int = 460) -> Any:
    """Return what the variance of each estimate is made of, one bar a term; bars are not stacked, as terms may overlap.

    Parameters
    ----------
    table : DataFrame
        ``estimate`` (as shown, in order), ``term``, ``share`` (0 to 1), ``rank`` (0 the largest).
    """
    order = list(dict.fromkeys(table["estimate"]))
    shades = [COLOURS[role].light for role in ("method_first", "method_second", "method_third", "method_fourth")]
    data = table.assign(
        hue=[shades[min(int(r), 3)] for r in table["rank"]],
        percent=table["share"] * 100.0,
        text=[f"{term} {100.0 * share:.0f} %" for term, share in zip(table["term"], table["share"], strict=True)],
    )
    y = alt.Y(
        "estimate:N",
        sort=order,
        title=None,
        axis=alt.Axis(grid=False, ticks=False, domain=False, labelLimit=400, labelExpr=_label_expression(order, 24)),
    )
    offset = alt.YOffset("rank:O")
    x = alt.X("percent:Q", title="share of the variance (%)", scale=alt.Scale(domain=[0, 100]))
    base = alt.Chart(data)
    layers = [
        base.mark_bar(height=12).encode(
            x=x,
            y=y,
            yOffset=offset,
            color=alt.Color("hue:N", scale=None),
            tooltip=["term:N", alt.Tooltip("percent:Q", format=".0f", title="share (%)")],
        ),
        # Names stand inside the right end of long bars' rows: beside the bar while there is room, else before its end.
        base.transform_filter(alt.datum.percent < 55)
        .mark_text(align="left", baseline="middle", dx=4, fontSize=11)
        .encode(x=x, y=y, yOffset=offset, text="text:N"),
        base.transform_filter(alt.datum.percent >= 55)
        .mark_text(align="right", baseline="middle", dx=-4, fontSize=11, color=COLOURS["paper"].light)
        .encode(x=x, y=y, yOffset=offset, text="text:N"),
    ]
    return finished(
        alt.layer(*layers).properties(width=width, height=alt.Step(15)),
        description="Error budgets, terms by their share of the variance.",
    )


def estimate_lines(table: pd.DataFrame, *, quantity: str, unit: str, role: str, width: int = 460) -> Any:
    """Return independent estimates of one thing under each other, with intervals.

    Parameters
    ----------
    table : DataFrame
        ``label`` (as shown), ``value``, ``lower``, ``upper``.
    role : str
        Quantity or role that gives the colour.
    """
    order = list(table["label"])
    hue = colour_of(role)
    y = alt.Y(
        "label:N",
        sort=order,
        title=None,
        axis=alt.Axis(grid=False, ticks=False, domain=False, labelLimit=400, labelExpr=_label_expression(order, 26)),
    )
    x = alt.X("value:Q", title=axis_title(quantity, unit))
    base = alt.Chart(table)
    layers = [
        zero_line(upright=True),
        base.mark_rule(color=hue, strokeWidth=3, opacity=0.55).encode(x=like(x, "lower:Q"), x2="upper:Q", y=y),
        base.mark_point(color=hue, filled=True, size=70, opacity=1).encode(x=x, y=y),
    ]
    return finished(
        alt.layer(*layers).properties(width=width, height=alt.Step(32)),
        description=f"Independent lines for {axis_title(quantity, unit)}.",
    )
