"""Figures of exchange with the bed and of single organisms.

Here:     fluxes in time and by period, method against method, light, ogive, organisms.
Not here: the water (`figures_water`), the account (`figures_account`).
Rules:    as in `figures`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from reeftally import charts
from reeftally.charts import series_frame
from reeftally.errors import ReeftallyError
from reeftally.exchange._common import DOUBTING, Reason
from reeftally.exchange.lag import LAG_WINDOW_S
from reeftally.mission import read_tables
from reeftally.telling._figure import Figure, has_numbers, method_series, no_figure
from reeftally.telling.facts import Facts

__all__ = [
    "against",
    "cospectrum",
    "flux_of_lag",
    "flux_series",
    "lag_used",
    "light",
    "organisms",
    "refused_blocks",
    "subrange",
]


def cospectrum(facts: Facts) -> Figure:
    """Return the ogive of the oxygen flux."""
    title = "Which swirls carry the oxygen"
    data = facts.group("exchange")
    if not has_numbers(data, "oxygen_cospectrum_mean"):
        return no_figure("cospectrum", "exchange", title, "no cospectrum. It needs fast oxygen at a velocimeter.")
    table = pd.concat(
        [
            pd.DataFrame(
                {
                    "frequency": data["frequency"].values.astype(float),
                    "value": data[f"oxygen_{kind}_mean"].values.astype(float),
                    "label": label,
                }
            )
            for kind, label in (("ogive", "running sum from the fast end"),)
            if has_numbers(data, f"oxygen_{kind}_mean")
        ]
        or [
            pd.DataFrame(
                {
                    "frequency": data["frequency"].values.astype(float),
                    "value": data["oxygen_cospectrum_mean"].values.astype(float),
                    "label": "cospectrum",
                }
            )
        ]
    ).dropna()
    table = table[table["frequency"] > 0]
    return Figure(
        "cospectrum",
        "exchange",
        title,
        "The flux summed from fast swirls to slow ones (ogive), mean of the blocks kept. Where the line is flat at "
        "the slow end, the block is long enough.",
        lambda w: charts.spectrum(table, title="Oxygen flux so far (mmol m⁻² h⁻¹)", width=min(w, 330)),
        small=True,
    )


_SIDES = ("flow meets the velocity volume first", "flow meets the fast sensor first")


def flux_of_lag(facts: Facts) -> Figure:
    """Return the mean covariance flux against the lag, with the lag used and its window, by direction of the flow."""
    title = "Oxygen flux against the lag"
    data = facts.group("exchange")
    if not has_numbers(data, "oxygen_flux_of_lag"):
        return no_figure("flux-of-lag", "exchange", title, "no curve. It needs fast oxygen at a velocimeter.")
    lag, curve = data["lag_time"].values.astype(float), data["oxygen_flux_of_lag"].values.astype(float)
    sides = [_SIDES[int(number)] for number in data["flow_direction"].values]
    curves = pd.concat(
        [pd.DataFrame({"lag": lag, "value": row, "side": side}) for side, row in zip(sides, curve, strict=True)]
    )
    used, expected = (data[name].values.astype(float) for name in ("lag_used_mean", "lag_expected_mean"))
    marks = pd.DataFrame(
        {
            "side": sides, "used": used, "lower": expected - LAG_WINDOW_S, "upper": expected + LAG_WINDOW_S,
            "value": [float(np.interp(at, lag, row)) for at, row in zip(used, curve, strict=True)],
        }
    )  # fmt: skip
    return Figure(
        "flux-of-lag",
        "exchange",
        title,
        "Mean of the blocks kept, the sensor's response restored. The dot is the mean lag used, the bar through it the "
        f"window that the lag may not leave (± {LAG_WINDOW_S:g} s about what distance and current give). Where a line "
        "is steep at its dot, the flux hangs on the lag; waves make it swing on both sides.",
        lambda w: charts.flux_of_lag(curves, marks, width=min(w, 330)),
        small=True,
    )


_STEADY = "flux moves by less than a quarter for 0.25 s of lag"
_MOVES = "flux moves by more than a quarter"
_EDGE = "lag at the edge of its window"


def lag_used(facts: Facts) -> Figure:
    """Return the lag that each block of the covariance used, and where the flux hangs on it."""
    title = "Lag that each block used"
    data = facts.inside(facts.group("exchange"))
    flow = facts.inside(facts.group("flow"))
    if not has_numbers(data, "lag"):
        return no_figure("lag", "exchange", title, "no lags. They need fast oxygen at a velocimeter.")
    if not has_numbers(flow, "speed") or flow.sizes.get("time") != data.sizes.get("time"):
        return no_figure("lag", "exchange", title, "no speed of the current in the same blocks.")
    name = "oxygen_flux_covariance_reason"
    codes = data[name].values.astype(np.int64) if name in data else np.zeros(data.sizes["time"], dtype=np.int64)
    codes = np.where(codes < 0, 0, codes)
    state = np.where(
        codes & int(Reason.LAG_AT_EDGE), _EDGE, np.where(codes & int(Reason.LAG_SENSITIVE), _MOVES, _STEADY)
    )
    table = pd.DataFrame(
        {"speed": flow["speed"].values.astype(float), "lag": data["lag"].values.astype(float), "state": state}
    ).dropna()
    if table.empty:
        return no_figure("lag", "exchange", title, "no block has both a lag and a speed.")
    # Doubtful blocks are drawn last, so that the many sound ones do not cover them.
    table = table.sort_values("state", key=lambda words: words != _STEADY, kind="stable")
    counts = {words: int((table["state"] == words).sum()) for words in (_STEADY, _MOVES, _EDGE)}
    return Figure(
        "lag",
        "exchange",
        title,
        f"One mark a block of {len(table)}; positive is oxygen read after the current. The lag follows from the "
        "distance of the two sensors along the current, its speed and the response time, with what all blocks of one "
        f"direction share; it is not searched block by block. Of the blocks {counts[_MOVES]} hang on it and "
        f"{counts[_EDGE]} stand at the edge of the window.",
        lambda w: charts.lag_against_speed(
            table, states=[words for words, n in counts.items() if n or words == _STEADY], width=min(w, 330)
        ),
        small=True,
    )


def subrange(facts: Facts) -> Figure:
    """Return the spectrum of vertical velocity of the middle block, with the subrange fitted to it."""
    title = "Where dissipation is read"
    data = facts.group("flow")
    names = [str(n) for n in data.data_vars if str(n).endswith("__spectrum_w")]
    if not names:
        return no_figure("subrange", "exchange", title, "no spectra. They need a velocimeter.")
    label = names[0].split("__")[0]
    fitted = data[f"{label}__spectrum_fit"].values
    friction = data["friction_velocity"].values
    usable = np.isfinite(friction) & (np.isfinite(fitted).sum(axis=1) >= 3)
    if not usable.any():
        return no_figure("subrange", "exchange", title, "no block whose inertial subrange could be fitted.")
    middle = np.nanmedian(friction[usable])
    block = int(np.flatnonzero(usable)[np.argmin(np.abs(friction[usable] - middle))])
    table = pd.DataFrame(
        {
            "frequency": data[f"{label}__band"].values.astype(float),
            "value": data[names[0]].values[block].astype(float),
            "fit": fitted[block].astype(float),
        }
    )
    table = table[table["value"] > 0]
    when = pd.Timestamp(data["time"].values[block]).strftime("%Y-%m-%d %H:%M UTC")
    return Figure(
        "subrange",
        "exchange",
        title,
        f"Vertical velocity at {label}, the block of middle friction velocity ({when}). The thick line is the fitted "
        "−5/3 law with the noise of the instrument, in the range that was used; the hump at the slow end is waves.",
        lambda w: charts.fitted_spectrum(table, width=min(w, 330)),
        small=True,
    )


def flux_series(facts: Facts) -> list[Figure]:
    """Return fluxes in time and their means by period."""
    out = []
    for quantity, title in (("oxygen_flux", "Oxygen flux off the bed"), ("dic_flux", "DIC flux off the bed")):
        series, methods = method_series(facts, quantity)
        if not methods:
            needs = {
                "oxygen_flux": "a fast oxygen sensor at a velocimeter, or oxygen sensors at two heights and a current",
                "dic_flux": "pH sensors at two heights, alkalinity, and a current",
            }
            missing = f"no block fluxes. They need {needs[quantity]}."
            out.append(no_figure(f"series-{quantity}", "exchange", title, missing))
            continue
        rows = [r for r in facts.find(quantity) if r.unit.endswith("h-1")]
        out.append(
            Figure(
                f"series-{quantity}",
                "exchange",
                title,
                "Positive is into the water. Rules are 95 % intervals of single blocks; blocks refused by physics are "
                "left out, not drawn at zero.",
                lambda w, s=series, q=quantity, m=methods: charts.flux_series(
                    s, facts.frame(width=w), quantity=q, methods=m
                ),  # type: ignore[misc]
                numbers=tuple(rows),
            )
        )
        table = pd.DataFrame(
            [
                {
                    "period": facts.period_name(r),
                    "method": r.method,
                    "value": r.value,
                    "lower": r.lower,
                    "upper": r.upper,
                }
                for r in rows
            ]
        )
        if not table.empty:
            out.append(
                Figure(
                    f"means-{quantity}",
                    "exchange",
                    f"{title}: means of periods",
                    "Means with 95 % intervals.",
                    lambda w, t=table, q=quantity: charts.means_by_period(
                        t, quantity=q, unit="mmol m-2 h-1", width=min(w, 480)
                    ),  # type: ignore[misc]
                    numbers=tuple(rows),
                )
            )
    return out


def against(facts: Facts) -> Figure:
    """Return one method against the other."""
    title = "Method against method"
    series, methods = method_series(facts, "oxygen_flux")
    if len(methods) < 2:
        return no_figure("against", "exchange", title, "fewer than two methods gave an oxygen flux.")
    first, second = methods[:2]
    columns = ["time", "value", "lower", "upper"]
    one, two = (series.loc[series["name"] == m, columns] for m in (first, second))
    pairs = one.merge(two, on="time", suffixes=("_x", "_y")).dropna(subset=["value_x", "value_y"])
    if pairs.empty:
        return no_figure("against", "exchange", title, "the two methods share no block.")
    pairs = pairs.rename(
        columns={
            "value_x": "x",
            "lower_x": "x_lower",
            "upper_x": "x_upper",
            "value_y": "y",
            "lower_y": "y_lower",
            "upper_y": "y_upper",
        }
    )
    pairs["night"] = facts.is_night(pairs["time"])
    table = pairs.drop(columns="time")
    return Figure(
        "against",
        "exchange",
        title,
        "One mark a block that both methods have; dashed is equality.",
        lambda w: charts.method_against_method(
            table, quantity="oxygen_flux", methods=(first, second), width=min(w, 330)
        ),
        small=True,
    )


def light(facts: Facts) -> Figure:
    """Return the oxygen flux against light."""
    title = "Oxygen flux against light"
    series, methods = method_series(facts, "oxygen_flux")
    light = series_frame(facts.inside(facts.group("flow")), ["par"])
    if not methods or light.empty:
        return no_figure("light", "exchange", title, "no oxygen flux beside a light record.")
    joined = series.merge(light[["time", "value"]].rename(columns={"value": "par"}), on="time").dropna(
        subset=["value", "par"]
    )
    if joined.empty:
        return no_figure("light", "exchange", title, "no block has both light and an oxygen flux.")
    points = joined.rename(columns={"name": "method"})[["par", "value", "lower", "upper", "method"]]
    return Figure(
        "light",
        "exchange",
        title,
        "One mark a block. No curve is drawn unless one was fitted.",
        lambda w: charts.light_curve(
            points, pd.DataFrame({"par": [], "value": []}), quantity="oxygen_flux", width=min(w, 330)
        ),
        small=True,
    )


def organisms(facts: Facts) -> list[Figure]:
    """Return values of single organisms by form."""
    visits = {row.organism: row.form for row in _visits(facts)}
    out = []
    for quantity, colour, title in (
        ("visit_ph_difference", "ph_total", "pH of the jet minus the water around"),
        ("visit_oxygen_difference", "oxygen", "Oxygen of the jet minus the water around"),
        ("individual_oxygen_uptake", "oxygen", "Oxygen uptake of single organisms"),
    ):
        rows = facts.find(quantity)
        if not rows:
            continue
        table = pd.DataFrame(
            [
                {
                    "form": visits.get(r.subject, r.subject.rstrip("0123456789").rstrip("-_ ")),
                    "organism": r.subject,
                    "value": r.value,
                    "lower": r.lower,
                    "upper": r.upper,
                }
                for r in rows
            ]
        ).sort_values(["form", "organism"])
        unit = charts.pretty_unit(rows[0].unit)
        out.append(
            Figure(
                f"organisms-{quantity.replace('_', '-')}",
                "organisms",
                title,
                "One mark a visit or an organism, with 95 % intervals, grouped by form.",
                lambda w, t=table, c=colour, u=rows[0].unit, x=f"{title} ({unit})" if unit else title: (
                    charts.differences_by_form(  # type: ignore[misc]
                        t, quantity=c, unit=u, title=x, width=min(w, 330)
                    )
                ),
                numbers=tuple(rows),
                small=True,
            )
        )
    if not out:
        missing = (
            "no visits to single organisms. Carry a sensor from ambient to jet and back, and write each visit in "
            "tables/visits.csv."
        )
        return [no_figure("organisms", "organisms", "Single organisms", missing)]
    return out


def _visits(facts: Facts) -> list[Any]:
    try:
        return list(read_tables(facts.folder).visits)
    except (ReeftallyError, AttributeError, TypeError):
        return []


_REASONS: dict[Reason, str] = {
    Reason.EMPTY: "too few usable samples",
    Reason.CONSTANT: "a channel does not vary",
    Reason.LOW_FRICTION: "friction velocity below the floor",
    Reason.SLACK: "slack water",
    Reason.WAKE: "flow through the frame",
    Reason.UNSTEADY: "not steady",
    Reason.IMPOSSIBLE_HEIGHT: "height at or below the displacement height",
    Reason.STRATIFIED: "stratified beyond what can be corrected",
    Reason.STORAGE: "storage outweighs the flux",
    Reason.BAD_INPUT: "an input is missing or cannot be",
    Reason.LAG_AT_EDGE: "lag at the edge of its window",
    Reason.LAG_SENSITIVE: "flux changes by more than a quarter for 0.25 s of lag",
    Reason.PARTLY_UNSTEADY: "partly unsteady",
    Reason.NO_STORAGE: "no storage term",
    Reason.WEAK: "below twice its random error",
    Reason.ILL_CONDITIONED: "amplifies the measuring error",
    Reason.UNDEVELOPED: "turbulence does not fit the friction velocity",
}


def refused_blocks(facts: Facts) -> tuple[int | None, list[tuple[str, int]], list[tuple[str, int]]]:
    """Return blocks kept by the covariance, and counts of refusals and of doubts by reason; None without blocks."""
    data = facts.inside(facts.group("exchange"))
    name = "oxygen_flux_covariance_reason"
    if name not in data:
        return None, [], []
    codes = data[name].values.astype(np.int64)
    codes = codes[codes >= 0]
    refusing = sum(int(r) for r in _REASONS if not r & DOUBTING)
    kept = int(((codes & refusing) == 0).sum())
    counts = [(r, words, int(((codes & int(r)) != 0).sum())) for r, words in _REASONS.items()]
    refused = [(words, n) for r, words, n in counts if n and not r & DOUBTING]
    return kept, refused, [(words, n) for r, words, n in counts if n and r & DOUBTING]
