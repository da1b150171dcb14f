"""Charts of the current near the bed: profile in the logarithm of height, spectra.

Here:     what shows whether the logarithmic layer and the inertial subrange are there.
Not here: friction velocity in time (`series.routes`).
Rules:    computes nothing; fitted lines are handed in.
"""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from reeftally.charts.base import finished
from reeftally.charts.labels import axis_title, method_name
from reeftally.charts.palette import COLOURS, colour_of, method_look

__all__ = ["fitted_spectrum", "log_profile", "spectrum"]


def log_profile(points: pd.DataFrame, fit: pd.DataFrame, *, width: int = 330, height: int = 280) -> Any:
    """Return mean speed against the logarithm of the height, with the fitted law of the wall.

    Parameters
    ----------
    points : DataFrame
        ``height`` (above the displacement plane) [m], ``speed`` [m s-1], ``label`` (which profile).
    fit : DataFrame
        ``height``, ``speed``, ``label``; empty where nothing was fitted.
    """
    labels = list(dict.fromkeys(points["label"]))
    looks = [method_look("", k) for k in range(len(labels))]
    colour = alt.Color(
        "label:N", title=None, scale=alt.Scale(domain=labels, range=[colour_of(look.role) for look in looks])
    )
    x = alt.X("speed:Q", title=axis_title("speed"), scale=alt.Scale(zero=False))
    y = alt.Y("height:Q", title="Height above the displacement plane (m), logarithmic", scale=alt.Scale(type="log"))
    layers = [alt.Chart(points).mark_point(filled=True, size=34).encode(x=x, y=y, color=colour)]
    if not fit.empty:
        layers.append(alt.Chart(fit).mark_line(strokeWidth=1.6).encode(x=x, y=y, color=colour))
    return finished(
        alt.layer(*layers).properties(width=width, height=height),
        description="Speed against the logarithm of height, with the fitted law of the wall.",
    )


def spectrum(
    table: pd.DataFrame, *, title: str, slope: float | None = None, width: int = 360, height: int = 280
) -> Any:
    """Return spectra or cospectra against frequency, with a guide of the inertial subrange where wanted.

    Parameters
    ----------
    table : DataFrame
        ``frequency`` [Hz], ``value``, ``label``.
    title : str
        Title of the y axis with unit.
    slope : float, optional
        Exponent of the guide, -5/3 for a spectrum; both axes are then logarithmic and values must be positive.
    """
    labels = list(dict.fromkeys(table["label"]))
    colour = alt.Color(
        "label:N",
        title=None,
        scale=alt.Scale(domain=labels, range=[colour_of(method_look("", k).role) for k in range(len(labels))]),
    )
    x = alt.X("frequency:Q", title="Frequency (Hz)", scale=alt.Scale(type="log"))
    y = alt.Y("value:Q", title=title, scale=alt.Scale(type="log") if slope is not None else alt.Scale(zero=True))
    layers = [alt.Chart(table).mark_line(strokeWidth=1.4).encode(x=x, y=y, color=colour)]
    if slope is not None and not table.empty:
        middle = table.iloc[len(table) // 2]
        ends = [float(middle["frequency"]), float(table["frequency"].max())]
        guide = pd.DataFrame(
            {"frequency": ends, "value": [3.0 * float(middle["value"]) * (f / ends[0]) ** slope for f in ends]}
        )
        layers.append(alt.Chart(guide).mark_line(color=COLOURS["muted"].light, strokeDash=[5, 4]).encode(x=x, y=y))
    return finished(
        alt.layer(*layers).properties(width=width, height=height),
        description=f"{title} against frequency: {', '.join(method_name(label) for label in labels)}.",
    )


def fitted_spectrum(
    table: pd.DataFrame, *, waves: tuple[float, float] | None = None, width: int = 360, height: int = 280
) -> Any:
    """Return the spectrum of vertical velocity with the inertial subrange fitted to it.

    Parameters
    ----------
    table : DataFrame
        ``frequency`` [Hz], ``value`` (measured) and ``fit`` (NaN outside the range of the fit), both [m2 s-2 Hz-1],
        positive.
    waves : (low, high), optional
        Band of the waves, shaded. [Hz]
    """
    measured, fitted = "measured, noise included", "−5/3 and noise as fitted"
    tight = alt.Scale(type="log", nice=False)
    x = alt.X("frequency:Q", title="Frequency (Hz)", scale=tight, axis=alt.Axis(tickCount=4))
    title = "Vertical velocity (m² s⁻² Hz⁻¹)"
    y = alt.Y("value:Q", title=title, scale=tight, axis=alt.Axis(format=".0e", tickCount=5))
    colour = alt.Color(
        "label:N",
        title=None,
        scale=alt.Scale(
            domain=[measured, fitted],
            range=[colour_of(method_look("", 0).role), colour_of(method_look("", 1).role)],
        ),
    )
    line = table[["frequency", "value"]].assign(label=measured)
    model = table[["frequency"]].assign(value=table["fit"], label=fitted).dropna()
    layers = [
        alt.Chart(line).mark_line(strokeWidth=1.0).encode(x=x, y=y, color=colour),
        alt.Chart(line).mark_point(filled=True, size=16).encode(x=x, y=y, color=colour),
        alt.Chart(model).mark_line(strokeWidth=3.0).encode(x=x, y=y, color=colour),
    ]
    if waves is not None:
        band = pd.DataFrame({"low": [waves[0]], "high": [waves[1]]})
        shade = alt.Chart(band).mark_rect(color=COLOURS["muted"].light, opacity=0.15)
        layers.insert(0, shade.encode(x=alt.X("low:Q", scale=alt.Scale(type="log")), x2="high:Q"))
    return finished(
        alt.layer(*layers).properties(width=width, height=height),
        description="Spectrum of vertical velocity with the fitted inertial subrange.",
    )
