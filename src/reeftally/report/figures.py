"""The figures of the report: which chart from which series, its caption, and what to do where it cannot be drawn.

Here:     tables for the charts, taken from estimates and block series; captions.
Not here: drawing (`reeftally.charts`), the page (`html`).
Rules:    a figure that cannot be drawn says what is missing and what to do next; a chart is built for the width of a
          laptop and for that of a phone from the same table.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from reeftally import charts
from reeftally.charts import quantity_name, series_frame
from reeftally.report.facts import Facts, Number
from reeftally.report.story import parts_of
from reeftally.report.words import places, with_interval

__all__ = ["Figure", "figures"]

WIDE, NARROW = 740, 300
"""Widths of the plotting area on laptop and phone. [px]"""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of the report."""

    name: str
    """Anchor; lower case, no blanks."""
    section: str
    title: str
    caption: str
    build: Callable[[int], Any] | None
    """From the width of the plotting area to a chart; None where it cannot be drawn."""
    missing: str = ""
    """What is missing and what to do next."""
    small: bool = False
    """Whether the figure takes half the column."""
    numbers: tuple[Number, ...] = ()
    """Estimates that it shows."""

    def chart(self, *, narrow: bool) -> Any:
        """Return the chart for laptop or phone."""
        if self.build is None:
            message = f"{self.name} cannot be drawn: {self.missing}"
            raise ValueError(message)
        wide = 330 if self.small else WIDE
        return self.build(NARROW if narrow else wide)


def figures(facts: Facts) -> list[Figure]:
    """Return all figures of the report in the order of its sections."""
    return [
        _strip(facts),
        *_offsets(facts),
        _hours(facts, "chemistry"),
        *_properties(facts),
        _routes(facts),
        *_flux_series(facts),
        _against(facts),
        _light(facts),
        _cospectrum(facts),
        _hours(facts, "exchange"),
        *_organisms(facts),
        _steps(facts),
        _ledger_series(facts),
        _lines(facts),
        _budgets(facts),
    ]


def _none(name: str, section: str, title: str, missing: str) -> Figure:
    return Figure(name, section, title, "", None, missing)


def _finite(data: xr.Dataset, name: str) -> bool:
    return name in data and bool(np.isfinite(data[name].values.astype(float)).any())


def _strip(facts: Facts) -> Figure:
    chemistry, flow = facts.inside(facts.group("chemistry")), facts.inside(facts.group("flow"))
    title = "The mission at a glance"
    parts = [
        series_frame(chemistry, ["pressure"]),
        series_frame(flow, ["par", "speed"]),
        series_frame(chemistry, ["temperature", "salinity", "oxygen", "ph_total", "dic", "aragonite_saturation"]),
    ]
    series = pd.concat([p for p in parts if not p.empty], ignore_index=True) if any(len(p) for p in parts) else None
    if series is None:
        return _none("strip", "glance", title, "no block series of water or current. Run `reeftally analyse` again.")
    caption = (
        "Block means; the band is the 95 % interval, random and systematic parts together. Nights are shaded, gaps "
        "are left open."
    )
    return Figure("strip", "glance", title, caption, lambda w: charts.mission_strip(series, facts.frame(width=w)))


def _offsets(facts: Facts) -> list[Figure]:
    rows = facts.find("sensor_offset")
    title = "What the sensors say of one water"
    if not rows:
        missing = (
            "no side-by-side offsets. Set all sensors of a kind in one water before and after the mission and enter "
            "the hours under [[intercalibrations]] in the mission book."
        )
        return [_none("offsets", "sensors", title, missing)]
    words = {"side_by_side": "side by side", "swap": "after swaps"}
    channels = _channels(facts)
    groups: dict[tuple[str, str], list[Number]] = {}
    for row in rows:
        groups.setdefault((channels.get(row.subject, ""), row.unit), []).append(row)
    out = []
    for number, ((channel, unit), members) in enumerate(sorted(groups.items())):
        table = pd.DataFrame(
            [
                {
                    "sensor": r.subject,
                    "occasion": words.get(r.method, r.method.replace("_", " ")),
                    "value": r.value,
                    "lower": r.lower,
                    "upper": r.upper,
                }
                for r in members
            ]
        )
        name = channel or "ph_total"
        out.append(
            Figure(
                f"offsets-{number + 1}",
                "sensors",
                f"Offsets: {quantity_name(name)}",
                "Reading minus true, at the middle of the mission, with 95 % intervals. Sensors that were swapped "
                "between heights are judged twice, independently.",
                lambda w, table=table, name=name, unit=unit: charts.offsets(  # type: ignore[misc]
                    table, quantity=name, unit=unit, width=min(w, 420)
                ),
                numbers=tuple(members),
                small=True,
            )
        )
    return out


def _channels(facts: Facts) -> dict[str, str]:
    """Return the quantity whose offset a sensor's estimate gives, from the trail or the unit."""
    out: dict[str, str] = {}
    for quantity, entry in facts.results.trail.get("sensors", {}).items():
        for label in entry.get("sensors", []):
            out.setdefault(str(label), str(quantity))
    return out


def _composite(facts: Facts, series: pd.DataFrame) -> pd.DataFrame:
    """Blocks by local hour, and the quartiles of each hour."""
    good = series[series["value"].notna()].copy()
    local = good["time"] + pd.Timedelta(hours=facts.book.site.utc_offset_h)
    good["hour"] = local.dt.hour + local.dt.minute / 60.0
    good["kind"] = "block"
    rows = []
    for name in dict.fromkeys(good["name"]):
        part = good[good["name"] == name]
        bins = part["hour"].astype(int)
        for hour in range(24):
            values = part.loc[bins == hour, "value"].to_numpy()
            low, middle, high = np.percentile(values, [25, 50, 75]) if values.size else (np.nan,) * 3
            rows.append(
                {"name": name, "kind": "summary", "hour": float(hour), "median": middle, "low": low, "high": high}
            )
            if hour == 23:
                # The last step reaches midnight.
                rows.append({**rows[-1], "hour": 24.0})
    return pd.concat([good[["name", "kind", "hour", "value"]], pd.DataFrame(rows)], ignore_index=True)


def _hours(facts: Facts, group: str) -> Figure:
    data = facts.inside(facts.group(group))
    if group == "chemistry":
        names = ["ph_total", "oxygen", "aragonite_saturation", "temperature"]
        title, section = "Water by the hour of the day", "chemistry"
    else:
        names = ["oxygen_flux_covariance", "oxygen_flux_gradient"]
        title, section = "Oxygen flux by the hour of the day", "exchange"
    series = series_frame(data, names)
    if series.empty:
        return _none(f"hours-{group}", section, title, f"no block series in the group {group}.")
    table = _composite(facts, series)
    if group == "exchange":
        best = next(iter(dict.fromkeys(table["name"])))
        table = table[table["name"] == best].assign(name="oxygen_flux")
    caption = "Every block is a point; the line is the median of the hour, the band its middle half."
    return Figure(
        f"hours-{group}",
        section,
        title,
        caption,
        lambda w: charts.hour_of_day(table, facts.frame(width=w)),
        small=group == "exchange",
    )


def _wide(facts: Facts, group: str, names: list[str]) -> pd.DataFrame:
    """Return variables of a group side by side, complete rows only, with time and night."""
    data = facts.inside(facts.group(group))
    if not all(_finite(data, name) for name in names):
        return pd.DataFrame(columns=[*names, "time", "night"])
    table = pd.DataFrame({name: data[name].values.astype(float) for name in names})
    table["time"] = pd.to_datetime(data["time"].values, utc=True)
    table = table.dropna()
    table["night"] = facts.is_night(table["time"])
    return table


def _properties(facts: Facts) -> list[Figure]:
    out = []
    title = "DIC against alkalinity"
    points = _wide(facts, "chemistry", ["dic", "total_alkalinity"])
    if points.empty:
        missing = "no block series of DIC and alkalinity. They need pH with bottles, or alkalinity stated in the book."
        out.append(_none("dic-ta", "chemistry", title, missing))
    else:
        outside = facts.results.trail.get("reference_water", {})
        known = all(k in outside for k in ("dic", "total_alkalinity"))
        reference = pd.DataFrame(
            [{k: outside[k]["value"] for k in ("dic", "total_alkalinity")}] if known else [],
            columns=["dic", "total_alkalinity"],
        )
        caption = (
            "One mark a block, nights filled. Dashed lines show where breathing, growth, and the building and "
            "dissolving of skeletons move the water."
        )
        out.append(
            Figure(
                "dic-ta",
                "chemistry",
                title,
                caption,
                lambda w: charts.dic_alkalinity(
                    points[["dic", "total_alkalinity", "night"]], reference, width=min(w, 330)
                ),
                small=True,
            )
        )
    pairs = _wide(facts, "chemistry", ["oxygen", "ph_total"])
    if pairs.empty:
        out.append(_none("ph-o2", "chemistry", "pH against oxygen", "no block series of oxygen beside pH."))
    else:
        out.append(
            Figure(
                "ph-o2",
                "chemistry",
                "pH against oxygen",
                "One tight line means that both sensors see the same water and the same breathing.",
                lambda w: charts.property_plot(
                    pairs[["oxygen", "ph_total", "night"]], x="oxygen", y="ph_total", width=min(w, 330)
                ),
                small=True,
            )
        )
    return out


def _routes(facts: Facts) -> Figure:
    title = "Friction velocity by three routes"
    data = facts.inside(facts.group("flow"))
    methods = ["covariance", "log_law", "dissipation"]
    series = series_frame(data, [f"friction_velocity_{m}" for m in methods])
    if series.empty:
        missing = "no friction velocity. It needs a velocimeter or a profiler near the bed."
        return _none("routes", "flow", title, missing)
    series = series.assign(name=series["name"].str.removeprefix("friction_velocity_"))
    return Figure(
        "routes",
        "flow",
        title,
        "Block values with 95 % intervals. The three routes share no instrument setting but the heights; where they "
        "agree, the mixing can be trusted.",
        lambda w: charts.routes(series, facts.frame(width=w), quantity="friction_velocity", methods=methods),
    )


def _cospectrum(facts: Facts) -> Figure:
    title = "Which swirls carry the oxygen"
    data = facts.group("exchange")
    if not _finite(data, "oxygen_cospectrum_mean"):
        return _none("cospectrum", "exchange", title, "no cospectrum. It needs a fast oxygen sensor at a velocimeter.")
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
            if _finite(data, f"oxygen_{kind}_mean")
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


def _method_series(facts: Facts, quantity: str) -> tuple[pd.DataFrame, list[str]]:
    data = facts.inside(facts.group("exchange"))
    names = [str(n) for n in data.data_vars if str(n).startswith(f"{quantity}_") and data[n].dims == ("time",)]
    ends = ("_sd", "_flag", "_reason", "_n")
    methods = sorted(n.removeprefix(f"{quantity}_") for n in names if not n.endswith(ends))
    series = series_frame(data, [f"{quantity}_{m}" for m in methods])
    if series.empty:
        return series, []
    series = series.assign(name=series["name"].str.removeprefix(f"{quantity}_"))
    return series, [m for m in methods if (series["name"] == m).any()]


def _flux_series(facts: Facts) -> list[Figure]:
    out = []
    for quantity, title in (("oxygen_flux", "Oxygen flux off the bed"), ("dic_flux", "DIC flux off the bed")):
        series, methods = _method_series(facts, quantity)
        if not methods:
            needs = {
                "oxygen_flux": "a fast oxygen sensor at a velocimeter, or oxygen sensors at two heights and a current",
                "dic_flux": "pH sensors at two heights, alkalinity, and a current",
            }
            out.append(_none(f"series-{quantity}", "exchange", title, f"no block fluxes. They need {needs[quantity]}."))
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


def _against(facts: Facts) -> Figure:
    title = "Method against method"
    series, methods = _method_series(facts, "oxygen_flux")
    if len(methods) < 2:
        return _none("against", "exchange", title, "fewer than two methods gave an oxygen flux.")
    first, second = methods[:2]
    columns = ["time", "value", "lower", "upper"]
    one, two = (series.loc[series["name"] == m, columns] for m in (first, second))
    pairs = one.merge(two, on="time", suffixes=("_x", "_y")).dropna(subset=["value_x", "value_y"])
    if pairs.empty:
        return _none("against", "exchange", title, "the two methods share no block.")
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


def _light(facts: Facts) -> Figure:
    title = "Oxygen flux against light"
    series, methods = _method_series(facts, "oxygen_flux")
    light = series_frame(facts.inside(facts.group("flow")), ["par"])
    if not methods or light.empty:
        return _none("light", "exchange", title, "no oxygen flux beside a light record.")
    joined = series.merge(light[["time", "value"]].rename(columns={"value": "par"}), on="time").dropna(
        subset=["value", "par"]
    )
    if joined.empty:
        return _none("light", "exchange", title, "no block has both light and an oxygen flux.")
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


def _organisms(facts: Facts) -> list[Figure]:
    visits = {row.organism: row.form for row in _visits(facts)}
    out = []
    for quantity, colour, title in (
        ("excurrent_ph_difference", "ph_total", "pH of the jet minus the water around"),
        ("excurrent_oxygen_difference", "oxygen", "Oxygen of the jet minus the water around"),
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
        return [_none("organisms", "organisms", "Single organisms", missing)]
    return out


def _visits(facts: Facts) -> list[Any]:
    from reeftally.errors import ReeftallyError
    from reeftally.mission import read_tables

    try:
        return list(read_tables(facts.folder).visits)
    except (ReeftallyError, AttributeError, TypeError):
        return []


def _steps(facts: Facts) -> Figure:
    title = "From the past to today's reef"
    parts = parts_of(facts)
    order = [
        d
        for d in ("global", "organic", "carbonate", "gas_exchange", "temperature", "freshwater", "residual")
        if d in parts
    ]
    if "global" not in parts or len(order) < 2:
        missing = (
            "the account needs the reef's water, open water measured beside it, CO₂ of the air and the residence "
            "time. " + "; ".join(r.reason for r in facts.refused() if r.quantity.startswith("ph_change_"))[:400]
        )
        return _none("steps", "account", title, missing)
    rows, at = [], 0.0
    # One count of decimals in the figure: what the widest interval allows.
    decimals = min(places(n.lower, n.upper, n.value) for n in parts.values())
    for driver in order:
        number = parts[driver]
        text = with_interval(number.value, number.lower, number.upper, sign=True, decimals=decimals)
        rows.append(
            {
                "driver": driver,
                "start": at,
                "end": at + number.value,
                "lower": at + number.lower,
                "upper": at + number.upper,
                "text": text,
            }
        )
        at += number.value
    if "total" in parts:
        number = parts["total"]
        text = with_interval(number.value, number.lower, number.upper, sign=True, decimals=decimals)
        rows.append(
            {
                "driver": "total",
                "start": 0.0,
                "end": number.value,
                "lower": number.lower,
                "upper": number.upper,
                "text": text,
            }
        )
    table = pd.DataFrame(rows)
    return Figure(
        "steps",
        "account",
        title,
        "Each step starts where the one above it ends. Whiskers are 95 % intervals of the step itself. What is left "
        "over is a step of its own. Warming since the past is not in the worldwide step.",
        lambda w: charts.account_steps(
            table, title="Change of pH, total scale, since the past", width=w - (80 if w < 420 else 180)
        ),
        numbers=tuple(parts[d] for d in order),
    )


def _ledger_series(facts: Facts) -> Figure:
    title = "The local parts through the mission"
    data = facts.inside(facts.group("ledger"))
    if "ph_change" not in data or "driver" not in data.coords:
        return _none("ledger", "account", title, "no account in blocks.")
    wanted = ("organic", "carbonate", "gas_exchange", "residual")
    drivers = [str(d) for d in data["driver"].values if str(d) in wanted]
    frames = []
    for driver in drivers:
        one = data.sel(driver=driver)
        frames.append(
            series_frame(
                one.rename(
                    {n: str(n).replace("ph_change", driver) for n in one.data_vars if str(n).startswith("ph_change")}
                ),
                [driver],
            )
        )
    series = pd.concat([f for f in frames if not f.empty], ignore_index=True) if any(len(f) for f in frames) else None
    if series is None:
        return _none("ledger", "account", title, "no account in blocks.")
    caption = "Change of pH against today's open water, block by block, by what made it. Bands are 95 % intervals."
    return Figure(
        "ledger",
        "account",
        title,
        caption,
        lambda w: charts.drivers_in_time(series, facts.frame(width=w)),
    )


def _lines(facts: Facts) -> Figure:
    title = "Independent lines for what is added here"
    rows = list(facts.find("local_dic_excess", period="mission"))
    if not rows:
        missing = "no estimate of the carbon added on the reef. It needs open water measured beside the reef."
        return _none("lines", "account", title, missing)
    table = pd.DataFrame(
        [{"label": charts.method_name(r.method), "value": r.value, "lower": r.lower, "upper": r.upper} for r in rows]
    )
    return Figure(
        "lines",
        "account",
        title,
        "Each line is measured another way; 95 % intervals.",
        lambda w: charts.estimate_lines(
            table, quantity="local_dic_excess", unit="µmol kg-1", role="dic", width=min(w - (60 if w < 420 else 0), 460)
        ),
        numbers=tuple(rows),
        small=True,
    )


def _budgets(facts: Facts) -> Figure:
    title = "Where the uncertainty comes from"
    rows = [r for r in facts.numbers if r.given and r.budget and r.period == "mission"]
    seen: dict[str, Number] = {}
    for row in rows:
        seen.setdefault(row.quantity, row)
    wanted = [
        seen[q]
        for q in (
            "ph_change_local",
            "ph_change_global",
            "oxygen_flux",
            "dic_flux",
            "ph_total",
            "aragonite_saturation",
            "local_dic_excess",
        )
        if q in seen
    ]
    table = []
    for row in wanted:
        shares = _shares(row.budget)
        text = ", ".join(f"{term} {100.0 * value:.0f} %" for term, value in shares)
        table += [
            {"estimate": quantity_name(row.quantity), "term": term, "share": value, "rank": rank, "text": text}
            for rank, (term, value) in enumerate(shares)
        ]
    if not table:
        return _none("budgets", "uncertainty", title, "no estimate carries a budget.")
    frame = pd.DataFrame(table)
    return Figure(
        "budgets",
        "uncertainty",
        title,
        "Share of the variance by term, largest first. The first term is what to improve.",
        lambda w: charts.error_budgets(frame, width=w - (90 if w < 420 else 220)),
        numbers=tuple(wanted),
    )


def _shares(budget: str) -> list[tuple[str, float]]:
    """Return the terms of a budget text, ``term share; term share``; what is no share is left out."""
    out = []
    for part in budget.split("; "):
        term, _, value = part.rpartition(" ")
        try:
            out.append((term, float(value)))
        except ValueError:
            continue
    return out
