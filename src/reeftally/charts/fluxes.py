"""Charts of exchange with the bed: series by method, method against method, the light curve, means by period.

Here:     fluxes, always with interval and zero line.
Not here: what the fluxes mean for the water (`account`).
Rules:    positive is into the water; computes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair as alt
import pandas as pd

from reeftally.charts.base import Frame, finished, like, zero_line
from reeftally.charts.labels import axis_title, method_name, quantity_name
from reeftally.charts.palette import COLOURS, colour_of, method_look
from reeftally.charts.series import routes

__all__ = ["flux_of_lag", "flux_series", "lag_against_speed", "light_curve", "means_by_period", "method_against_method"]


def flux_series(series: pd.DataFrame, frame: Frame, *, quantity: str, methods: Sequence[str]) -> Any:
    """Return one flux by several methods on one time axis, with intervals, zero line and nights."""
    return routes(series, frame, quantity=quantity, methods=methods, height=230)


def method_against_method(pairs: pd.DataFrame, *, quantity: str, methods: tuple[str, str], width: int = 330) -> Any:
    """Return one method against the other, block by block, with the line of equality.

    Parameters
    ----------
    pairs : DataFrame
        Columns ``x``, ``x_lower``, ``x_upper``, ``y``, ``y_lower``, ``y_upper``, ``night`` (bool).
    """
    low = float(min(pairs["x"].min(), pairs["y"].min(), 0.0))
    high = float(max(pairs["x"].max(), pairs["y"].max(), 0.0))
    pad = 0.06 * (high - low or 1.0)
    scale = alt.Scale(domain=[low - pad, high + pad], nice=False)
    line = pd.DataFrame({"x": [low - pad, high + pad], "y": [low - pad, high + pad]})
    data = pairs.assign(when=pairs["night"].map({True: "night", False: "day"}))
    x = alt.X("x:Q", scale=scale, title=f"{axis_title(quantity)}, {method_name(methods[0])}")
    y = alt.Y("y:Q", scale=scale, title=f"{axis_title(quantity)}, {method_name(methods[1])}")
    hue = colour_of(quantity)
    base = alt.Chart(data)
    layers = [
        zero_line(),
        zero_line(upright=True),
        alt.Chart(line).mark_line(color=COLOURS["ink"].light, strokeDash=[5, 4], strokeWidth=1).encode(x=x, y=y),
        base.mark_rule(color=hue, opacity=0.25).encode(x=like(x, "x_lower:Q"), x2="x_upper:Q", y=y),
        base.mark_rule(color=hue, opacity=0.25).encode(x=x, y=like(y, "y_lower:Q"), y2="y_upper:Q"),
        base.mark_point(size=36, opacity=1, color=hue, strokeWidth=1.4).encode(
            x=x,
            y=y,
            fill=alt.Fill(
                "when:N",
                title=None,
                scale=alt.Scale(domain=["night", "day"], range=[hue, COLOURS["paper"].light]),
            ),
            tooltip=[alt.Tooltip("x:Q", format=".3~g"), alt.Tooltip("y:Q", format=".3~g"), "when:N"],
        ),
    ]
    words = " against ".join(method_name(m) for m in methods)
    return finished(
        alt.layer(*layers).properties(width=width, height=width),
        description=f"{quantity_name(quantity)}: {words}, with the line of equality.",
    )


def light_curve(
    points: pd.DataFrame, curve: pd.DataFrame, *, quantity: str, width: int = 330, height: int = 260
) -> Any:
    """Return a flux against light, block by block, with the fitted curve where there is one.

    Parameters
    ----------
    points : DataFrame
        Columns ``par``, ``value``, ``lower``, ``upper``, ``method``.
    curve : DataFrame
        Columns ``par``, ``value``; empty where no curve was fitted.
    """
    methods = list(dict.fromkeys(points["method"]))
    looks = [method_look(m, k) for k, m in enumerate(methods)]
    names = [method_name(m) for m in methods]
    data = points.assign(route=points["method"].map(method_name))
    x = alt.X("par:Q", title=axis_title("par"), scale=alt.Scale(zero=True, nice=False))
    y = alt.Y("value:Q", title=axis_title(quantity))
    colour = alt.Color(
        "route:N", title=None, scale=alt.Scale(domain=names, range=[colour_of(look.role) for look in looks])
    )
    layers = [
        zero_line(),
        alt.Chart(data).mark_rule(opacity=0.25).encode(x=x, y=like(y, "lower:Q"), y2="upper:Q", color=colour),
        alt.Chart(data)
        .mark_point(filled=True, size=22)
        .encode(
            x=x,
            y=y,
            color=colour,
            shape=alt.Shape("route:N", title=None, scale=alt.Scale(domain=names, range=[look.shape for look in looks])),
        ),
    ]
    if not curve.empty:
        layers.append(alt.Chart(curve).mark_line(color=COLOURS["ink"].light, strokeWidth=2).encode(x=x, y=y))
    return finished(
        alt.layer(*layers).properties(width=width, height=height),
        description=f"{quantity_name(quantity)} against light.",
    )


def means_by_period(table: pd.DataFrame, *, quantity: str, unit: str, width: int = 420) -> Any:
    """Return period means by method as points with intervals, one line a period.

    Parameters
    ----------
    table : DataFrame
        Columns ``period`` (as shown, in order), ``method``, ``value``, ``lower``, ``upper``.
    """
    periods = list(dict.fromkeys(table["period"]))
    methods = list(dict.fromkeys(table["method"]))
    looks = [method_look(m, k) for k, m in enumerate(methods)]
    names = [method_name(m) for m in methods]
    data = table.assign(route=table["method"].map(method_name))
    y = alt.Y("period:N", sort=periods, title=None, axis=alt.Axis(grid=False, ticks=False, labelLimit=170))
    offset = alt.YOffset("route:N", sort=names)
    colour = alt.Color(
        "route:N", title=None, scale=alt.Scale(domain=names, range=[colour_of(look.role) for look in looks])
    )
    x = alt.X("value:Q", title=axis_title(quantity, unit), scale=alt.Scale(zero=True))
    base = alt.Chart(data)
    layers = [
        zero_line(upright=True),
        base.mark_rule(strokeWidth=2).encode(x=like(x, "lower:Q"), x2="upper:Q", y=y, yOffset=offset, color=colour),
        base.mark_point(filled=True, size=60, opacity=1).encode(
            x=x,
            y=y,
            yOffset=offset,
            color=colour,
            shape=alt.Shape("route:N", title=None, scale=alt.Scale(domain=names, range=[look.shape for look in looks])),
        ),
    ]
    return finished(
        alt.layer(*layers).properties(width=width, height=alt.Step(12)),
        description=f"{quantity_name(quantity)} by period and method, with 95 % intervals.",
    )


def flux_of_lag(curves: pd.DataFrame, marks: pd.DataFrame, *, width: int = 330, height: int = 260) -> Any:
    """Return the mean flux against the lag of the fast sensor, one line a direction of the flow.

    Parameters
    ----------
    curves : DataFrame
        ``lag`` [s], ``value`` [mmol m-2 h-1], ``side`` (words).
    marks : DataFrame
        ``side``, ``used``, ``lower`` and ``upper``: the lag used and the window it may not leave [s]; ``value`` on the
        curve there.
    """
    hue = colour_of("oxygen_flux")
    names = list(dict.fromkeys(curves["side"]))
    legend = alt.Legend(direction="vertical", orient="bottom", columns=1, labelLimit=320)
    dashes = alt.Scale(domain=names, range=[[1, 0], [6, 4]][: len(names)])
    dash = alt.StrokeDash("side:N", title=None, legend=legend, scale=dashes)
    x = alt.X("lag:Q", title="Lag of the fast sensor (s)")
    y = alt.Y("value:Q", title=axis_title("oxygen_flux"), scale=alt.Scale(zero=True))
    layers = [
        zero_line(),
        alt.Chart(curves).mark_line(color=hue, strokeWidth=1.8).encode(x=x, y=y, strokeDash=dash, detail="side:N"),
        alt.Chart(marks).mark_rule(color=COLOURS["ink"].light, strokeWidth=1.2).encode(
            x=like(x, "lower:Q"), x2="upper:Q", y=y,
            strokeDash=alt.StrokeDash("side:N", title=None, legend=None, scale=dashes),
        ),
        alt.Chart(marks).mark_point(filled=True, size=60, color=COLOURS["ink"].light, opacity=1).encode(
            x=like(x, "used:Q"), y=y,
            tooltip=["side:N", alt.Tooltip("used:Q", format=".2f"), alt.Tooltip("value:Q", format=".3g")],
        ),
    ]  # fmt: skip
    return finished(
        alt.layer(*layers).properties(width=width, height=height),
        description="Mean oxygen flux by covariance against the lag at which oxygen is read, by direction of the flow.",
    )


def lag_against_speed(blocks: pd.DataFrame, *, states: Sequence[str], width: int = 330, height: int = 260) -> Any:
    """Return the lag that each block used against the speed of the current.

    Parameters
    ----------
    blocks : DataFrame
        ``speed`` [m s-1], ``lag`` [s], ``state`` (one of `states`).
    states : sequence of str
        Words for what the lag does to the flux, the harmless one first.
    """
    hue = colour_of("oxygen_flux")
    x = alt.X("speed:Q", title=axis_title("speed"), scale=alt.Scale(zero=True))
    y = alt.Y("lag:Q", title="Lag of the fast sensor (s)", scale=alt.Scale(zero=True))
    marks = alt.Scale(domain=list(states), range=["circle", "cross", "triangle-up"][: len(states)])
    tones = alt.Scale(domain=list(states), range=[hue, COLOURS["ink"].light, COLOURS["ink"].light][: len(states)])
    legend = alt.Legend(direction="vertical", orient="bottom", columns=1, labelLimit=320)
    layers = [
        zero_line(),
        alt.Chart(blocks)
        .mark_point(filled=True, size=34, opacity=0.9)
        .encode(
            x=x, y=y, shape=alt.Shape("state:N", title=None, scale=marks, legend=legend),
            color=alt.Color("state:N", title=None, scale=tones, legend=legend),
            tooltip=[alt.Tooltip("speed:Q", format=".3f"), alt.Tooltip("lag:Q", format=".2f"), "state:N"],
        ),
    ]  # fmt: skip
    return finished(
        alt.layer(*layers).properties(width=width, height=height),
        description="Lag of the fast oxygen sensor used in each block, against the speed of the current.",
    )
