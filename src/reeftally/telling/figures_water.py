"""Figures of the mission, its sensors, the water and the current.

Here:     mission strip, offsets, composites, property plots, friction velocity.
Not here: exchange with the bed (`figures_exchange`), the account (`figures_account`).
Rules:    as in `figures`.
"""

from __future__ import annotations

import pandas as pd

from reeftally import charts
from reeftally.charts import quantity_name, series_frame
from reeftally.telling._figure import Figure, by_hour, no_figure, side_by_side_table
from reeftally.telling.facts import Facts, Number

__all__ = ["hours", "offsets", "properties", "routes", "strip"]


def strip(facts: Facts) -> Figure:
    """Return all series under each other."""
    chemistry, flow = facts.inside(facts.group("chemistry")), facts.inside(facts.group("flow"))
    title = "The mission at a glance"
    parts = [
        series_frame(chemistry, ["pressure"]),
        series_frame(flow, ["par", "speed"]),
        series_frame(chemistry, ["temperature", "salinity", "oxygen", "ph_total", "dic", "aragonite_saturation"]),
    ]
    series = pd.concat([p for p in parts if not p.empty], ignore_index=True) if any(len(p) for p in parts) else None
    if series is None:
        return no_figure("strip", "glance", title, "no block series of water or current. Run `reeftally analyse`.")
    caption = (
        "Block means; the band is the 95 % interval, random and systematic parts together. Nights are shaded, gaps "
        "are left open."
    )
    return Figure("strip", "glance", title, caption, lambda w: charts.mission_strip(series, facts.frame(width=w)))


def offsets(facts: Facts) -> list[Figure]:
    """Return the offsets of sensors, one figure a quantity."""
    rows = facts.find("sensor_offset")
    title = "What the sensors say of one water"
    if not rows:
        missing = (
            "no side-by-side offsets. Set all sensors of a kind in one water before and after the mission and enter "
            "the hours under [[intercalibrations]] in the mission book."
        )
        return [no_figure("offsets", "sensors", title, missing)]
    words = {"side_by_side": "side by side", "swap": "after swaps"}
    channels = _channels(facts)
    groups: dict[tuple[str, str], list[Number]] = {}
    for row in rows:
        groups.setdefault((row.channel or channels.get(row.subject, ""), row.unit), []).append(row)
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


def hours(facts: Facts, group: str) -> Figure:
    """Return composites by the hour of the day."""
    data = facts.inside(facts.group(group))
    if group == "chemistry":
        names = ["ph_total", "oxygen", "aragonite_saturation", "temperature"]
        title, section = "Water by the hour of the day", "chemistry"
    else:
        names = ["oxygen_flux_covariance", "oxygen_flux_gradient"]
        title, section = "Oxygen flux by the hour of the day", "exchange"
    series = series_frame(data, names)
    if series.empty:
        return no_figure(
            f"hours-{group}",
            section,
            title,
            "no block fluxes of oxygen." if group == "exchange" else "no block series of the water.",
        )
    table = by_hour(facts, series)
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


def properties(facts: Facts) -> list[Figure]:
    """Return DIC against alkalinity, and pH against oxygen."""
    out = []
    title = "DIC against alkalinity"
    points = side_by_side_table(facts, "chemistry", ["dic", "total_alkalinity"])
    if points.empty:
        missing = "no block series of DIC and alkalinity. They need pH with bottles, or alkalinity stated in the book."
        out.append(no_figure("dic-ta", "chemistry", title, missing))
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
    pairs = side_by_side_table(facts, "chemistry", ["oxygen", "ph_total"])
    if pairs.empty:
        out.append(no_figure("ph-o2", "chemistry", "pH against oxygen", "no block series of oxygen beside pH."))
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


def routes(facts: Facts) -> Figure:
    """Return the friction velocity by its routes."""
    title = "Friction velocity by three routes"
    data = facts.inside(facts.group("flow"))
    methods = ["covariance", "log_law", "dissipation"]
    series = series_frame(data, [f"friction_velocity_{m}" for m in methods])
    if series.empty:
        missing = "no friction velocity. It needs a velocimeter or a profiler near the bed."
        return no_figure("routes", "flow", title, missing)
    series = series.assign(name=series["name"].str.removeprefix("friction_velocity_"))
    return Figure(
        "routes",
        "flow",
        title,
        "Block values with 95 % intervals. The three routes share no instrument setting but the heights; where they "
        "agree, the mixing can be trusted.",
        lambda w: charts.routes(series, facts.frame(width=w), quantity="friction_velocity", methods=methods),
    )
