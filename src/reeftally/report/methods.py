"""Methods text, made from what ran.

Here:     sentences whose every constant, window, threshold and count is read from trail, book or estimates.
Not here: the trail itself (`reeftally.analysis`), the page (`html`).
Rules:    nothing is said that the record does not hold; a part that did not run has no sentence.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from reeftally.charts import method_name, quantity_name
from reeftally.telling.facts import Facts

__all__ = ["Paragraph", "items", "methods_text"]

Paragraph = tuple[str, str]
"""Heading and text."""

_SETS = {
    "k1k2": "dissociation constants of carbonic acid",
    "ks": "dissociation constant of bisulfate",
    "kf": "dissociation constant of hydrogen fluoride",
    "boron": "total boron",
}


def _get(data: Any, *keys: str, default: Any = None) -> Any:
    for key in keys:
        if not isinstance(data, Mapping) or key not in data:
            return default
        data = data[key]
    return data


def _running(name: str) -> str:
    """Return the words for a quantity inside a sentence: the first letter small, symbols as they are."""
    text = quantity_name(name)
    return text[:1].lower() + text[1:] if text[1:2].islower() else text


def _thousands(count: int) -> str:
    return f"{count:,}".replace(",", " ")


def _plural(count: int, one: str) -> str:
    return f"{_thousands(count)} {one if count == 1 else one + 's'}"


def methods_text(facts: Facts) -> list[Paragraph]:
    """Return the methods as paragraphs with headings."""
    out = [_setting(facts), _records(facts), _sensors(facts), _chemistry(facts), _flow(facts)]
    out += [_fluxes(facts), _organisms(facts), _account(facts), _uncertainty(facts), _software(facts)]
    return [(heading, text) for heading, text in out if text]


def items(facts: Facts) -> dict[str, Any]:
    """Return every recorded item that the text states, by a path into the record."""
    trail = facts.results.trail
    found: dict[str, Any] = {}

    def walk(path: str, value: Any) -> None:
        if isinstance(value, Mapping):
            for key, inner in value.items():
                walk(f"{path}.{key}" if path else str(key), inner)
        elif value is not None and not isinstance(value, list):
            found[path] = value

    walk("settings", trail.get("settings", {}))
    walk("refused_bursts", trail.get("refused_bursts", {}))
    walk("software", trail.get("software", {}))
    for name in ("snapshot", "book_revision"):
        if name in trail:
            found[name] = trail[name]
    return found


def _setting(facts: Facts) -> Paragraph:
    book = facts.book
    start, end = (row for row in _span(facts))
    text = (
        f"The mission {book.mission.name} at {book.site.name} lasted from {start} to {end} UTC over "
        f"{book.site.bottom} at {book.site.water_depth_m:g} m of water, with "
        f"{_plural(len(book.instruments), 'instrument')} in {_plural(len(book.deployments), 'deployment')}. "
        f"High-rate records were reduced in blocks of "
        f"{_get(facts.results.trail, 'settings', 'block_s', default=book.analysis.block_s):g} s "
        f"aligned to UTC. Night is the sun below −0.833°, named by the date of its dusk; 24 h runs from solar noon "
        f"to noon."
    )
    return "Setting", text


def _span(facts: Facts) -> tuple[str, str]:
    import pandas as pd

    start, end = (pd.Timestamp(t, unit="ns") for t in facts.span)
    return f"{start:%Y-%m-%d %H:%M}", f"{end:%Y-%m-%d %H:%M}"


def _records(facts: Facts) -> Paragraph:
    rows = facts.results.trail.get("records", {})
    if not rows:
        return "Records", ""
    parts = []
    for label, row in rows.items():
        samples = int(row.get("samples", 0))
        refused = [
            f"{_thousands(_count(counts, '4'))} of {_thousands(sum(int(v) for v in counts.values()))} "
            f"{_running(channel)}"
            for channel, counts in row.get("flags", {}).items()
            if isinstance(counts, Mapping) and _count(counts, "4")
        ]
        tail = f" ({'; '.join(refused)} failed)" if refused else ""
        parts.append(f"{label} {samples:,}{tail}".replace(",", " "))
    decisions = facts.results.trail.get("decisions", [])
    text = "Samples taken into account, and samples that failed a test: " + ", ".join(parts) + "."
    if decisions:
        text += f" {_plural(len(decisions), 'accepted decision')} of the crew corrected clocks, axes or streams."
    return "Records and flags", text


def _count(counts: Mapping[str, Any], flag: str) -> int:
    return int(counts.get(flag, counts.get("fail", 0)))


def _sensors(facts: Facts) -> Paragraph:
    rows = facts.results.trail.get("sensors", {})
    parts = []
    for quantity, row in rows.items():
        span = row.get("range")
        reach = ""
        if isinstance(span, list) and len(span) == 2:
            reach = f" over a range of {span[0]:.4g} to {span[1]:.4g}"
        elif isinstance(span, int | float):
            reach = f" over a range of {span:.3g}"
        parts.append(
            f"{_running(str(quantity))}: {', '.join(row.get('sensors', []))} in "
            f"{_plural(int(row.get('blocks', 0)), 'block')}{reach}"
        )
    text = ""
    if parts:
        text = (
            "Offsets and drifts of all sensors of a quantity were adjusted together from the hours side by side, with "
            "their covariance: " + "; ".join(parts) + "."
        )
    swaps = facts.book.swaps()
    if swaps:
        text += (
            f" Sensors exchanged places {_plural(len(swaps), 'time')}; these exchanges were used by the gradient flux "
            f"alone, never by the drift."
        )
    return "Sensors", text.strip()


def _chemistry(facts: Facts) -> Paragraph:
    if not facts.find("dic") and not facts.find("aragonite_saturation"):
        return "Chemistry", ""
    chosen = _get(facts.results.trail, "settings", "constants", default={})
    sets = ", ".join(f"{words} {chosen[key]}" for key, words in _SETS.items() if key in chosen)
    text = "The carbonate system was solved from pH on the total scale and total alkalinity"
    text += f" with these published sets: {sets}." if sets else "."
    for name, said in facts.results.trail.get("notes", {}).items():
        text += f" {name.replace('_', ' ')}: {said}."
    outside = facts.results.trail.get("reference_water", {})
    if outside:
        text += (
            " The reference water was taken "
            + ", ".join(f"for {_running(str(k))} from {v.get('from', '?')}" for k, v in outside.items())
            + "."
        )
    return "Chemistry", text


def _flow(facts: Facts) -> Paragraph:
    trail = facts.results.trail
    if not facts.find("friction_velocity"):
        return "Current", ""
    kappa, kappa_sd = _get(trail, "settings", "von_karman"), _get(trail, "settings", "von_karman_sd")
    methods = sorted({row.method for row in facts.find("friction_velocity")})
    text = f"Friction velocity was found by {', '.join(method_name(m) for m in methods)}"
    if kappa is not None:
        text += f", with von Karman's constant {kappa:g} ± {kappa_sd:g}"
    text += "."
    for label, row in trail.get("velocimeters", {}).items():
        blocks, rate = _plural(int(row.get("blocks", 0)), "block"), row.get("rate_hz", 0)
        text += f" {label}: {blocks} at {rate:g} Hz, {row.get('rotation', '')}."
    refused = trail.get("refused_bursts", {})
    if refused:
        text += " Blocks refused: " + ", ".join(f"{reason} {count}" for reason, count in refused.items()) + "."
    floor = _get(trail, "settings", "friction_velocity_floor_m_s")
    if floor is not None:
        text += f" Below a friction velocity of {floor:g} m s⁻¹ no gradient flux was given."
    return "Current", text


def _fluxes(facts: Facts) -> Paragraph:
    parts = []
    for quantity in ("oxygen_flux", "dic_flux", "alkalinity_flux"):
        methods = sorted({row.method for row in facts.find(quantity)})
        if methods:
            parts.append(f"{_running(quantity)} by {', '.join(method_name(m) for m in methods)}")
    if not parts:
        return "Exchange with the bed", ""
    text = "Fluxes, positive into the water: " + "; ".join(parts) + "."
    said = sorted({row.reason for row in facts.find("oxygen_flux") if "filled" in row.reason})
    if said:
        text += " Periods with blocks filled by light and current: " + "; ".join(said[:6]) + "."
    return "Exchange with the bed", text


def _organisms(facts: Facts) -> Paragraph:
    visits = facts.find("visit_ph_difference") or facts.find("individual_oxygen_uptake")
    if not visits:
        return "Organisms", ""
    text = f"Carried sensors gave {_plural(len(visits), 'difference')} between jet and ambient water."
    trail_rq, rq_sd = (_get(facts.results.trail, "settings", key) for key in ("rq", "rq_sd"))
    if trail_rq is not None:
        text += f" DIC release is oxygen uptake times {trail_rq:g} ± {rq_sd:g}."
    return "Organisms", text


def _account(facts: Facts) -> Paragraph:
    methods = sorted({row.method for row in facts.numbers if row.quantity.startswith("ph_change_") and row.given})
    if not methods:
        return "Account", ""
    trail = facts.results.trail
    text = f"The change of pH was split by {', '.join(method_name(m) for m in methods)}."
    air = trail.get("air")
    if isinstance(air, Mapping):
        text += (
            f" CO₂ of the dry air: {air.get('co2_now', 0):.5g} ± {air.get('co2_now_sd', 0):.2g} µmol mol⁻¹ now (from "
            f"{air.get('from', '?')}) and {air.get('co2_past', 0):.5g} in the past; air pressure "
            f"{air.get('pressure_hpa', 0):.5g} hPa."
        )
    pq, pq_sd = (_get(trail, "settings", key) for key in ("pq", "pq_sd"))
    if pq is not None:
        text += f" Oxygen to carbon of production: {pq:g} ± {pq_sd:g}."
    site = facts.book.site
    if site.residence_time_h is not None:
        sd = site.residence_time_sd_h or 0.0
        text += f" Residence time: {site.residence_time_h:g} ± {sd:g} h (one standard uncertainty)."
    worst = trail.get("largest_difference_of_parts_and_total")
    if worst is not None:
        text += f" In every trial the parts add to the total within {worst:.1e}."
    return "Account", text


def _uncertainty(facts: Facts) -> Paragraph:
    trail = facts.results.trail
    settings = trail.get("settings", {})
    if "block_trials" not in settings:
        return "Uncertainty", ""
    return "Uncertainty", (
        f"Systematic terms were drawn once a trial, random terms once a block: {settings['block_trials']} trials for "
        f"series, {settings.get('period_trials', '?')} for periods, seed {settings.get('seed', '?')}. Values are "
        f"means over trials, intervals hold 95 % unless said otherwise; random and systematic parts are kept apart."
    )


def _software(facts: Facts) -> Paragraph:
    trail = facts.results.trail
    software = trail.get("software", {})
    if not software:
        return "Software", ""
    text = ", ".join(f"{name} {version}" for name, version in software.items() if name != "code")
    return "Software", (
        f"{text}; code {software.get('code', 'not recorded')}; mission book revision "
        f"{trail.get('book_revision', 'not recorded')}; store snapshot {trail.get('snapshot', 'not recorded')}."
    )
