"""The sections of the report as plain data: leads, figures, tables.

Here:     what stands in which section, in which order.
Not here: markup (`html`), figures (`figures`), words (`story`, `methods`).
Rules:    every number in a table is an estimate and leads to its trail; an empty section says what to do next.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from reeftally.analysis.targets import deciding, target_results
from reeftally.charts import driver_name, method_name, pretty_unit, quantity_name
from reeftally.report.tables_book import BookTable, bottle_tables, instrument_tables
from reeftally.report.tables_years import years_lead, years_tables
from reeftally.telling._figure import Figure
from reeftally.telling.facts import Facts, Number
from reeftally.telling.figures import figures
from reeftally.telling.story import not_measured
from reeftally.telling.words import number as format_number

__all__ = ["Section", "Table", "TargetState", "sections", "targets"]

Cell = str | Number


@dataclass(frozen=True, slots=True)
class Table:
    """One table; a cell is text or an estimate."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""
    stacked: bool = False
    """Whether intervals stand below their values: for tables with many numbers in a row."""


@dataclass(slots=True)
class Section:
    """One section of the report."""

    name: str
    title: str
    lead: str
    figures: list[Figure] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class TargetState:
    """One target of the mission book and how it stands."""

    words: str
    wanted: str
    state: str
    """``met``, ``not met`` or ``not measured``."""
    reached: str
    number: Number | None


def targets(facts: Facts) -> list[TargetState]:
    """Return every target with its state; the widest interval of the periods of one kind decides."""
    out = []
    for row in deciding(target_results(targets=facts.book.targets, estimates=facts.numbers)):
        unit = "" if row.unit in {"1", ""} else row.unit
        words = f"{quantity_name(row.quantity)}, {row.period}"
        wanted = f"± {row.wanted:g} {pretty_unit(unit)}".strip()
        if row.reached is None or row.estimate is None:
            out.append(TargetState(words, wanted, row.state, row.reason, None))
            continue
        number = facts.numbers[row.estimate]
        half = row.reached
        reached = f"± {format_number(half, lower=0.0, upper=2.0 * half)} {pretty_unit(unit)}".strip()
        where = f"{facts.period_name(number)}, {method_name(number.method)}"
        out.append(TargetState(words, wanted, row.state, f"{reached} ({where})", number))
    return out


def sections(facts: Facts) -> list[Section]:
    """Return the sections that carry figures and tables, in order."""
    drawn: dict[str, list[Figure]] = {}
    for figure in figures(facts):
        drawn.setdefault(figure.section, []).append(figure)
    out = [
        Section("glance", "What was here", _glance(facts), tables=_of_book(instrument_tables(facts))),
        Section("sensors", "How far each sensor can be trusted", _sensors_lead(facts), tables=_sensor_tables(facts)),
        Section(
            "chemistry",
            "The water",
            _chemistry_lead(facts),
            tables=[*_chemistry_tables(facts), *_of_book(bottle_tables(facts))],
        ),
        Section("flow", "The current near the bed", "What mixes the water above the bed.", tables=_flow_tables(facts)),
        Section("exchange", "Exchange with the bed", _exchange_lead(facts), tables=_exchange_tables(facts)),
        Section("organisms", "Single organisms", _organism_lead(facts), tables=_organism_tables(facts)),
        Section("account", "The account", _account_lead(facts), tables=_account_tables(facts)),
        Section("uncertainty", "Targets and what limits them", _target_lead(facts), tables=_target_tables(facts)),
    ]
    if years := years_tables(facts):
        # The trend is what such a record was made for: before the account of single days.
        out.insert(
            2,
            Section(
                "years",
                "The long record",
                years_lead(facts),
                tables=[Table(t, head, tuple(rows), note) for t, head, rows, note in years],
            ),
        )
    for section in out:
        section.figures = drawn.get(section.name, [])
    cells = (c for section in out for table in section.tables for row in table.rows for c in row)
    shown = {cell.index for cell in cells if isinstance(cell, Number)}
    rest = [row for row in facts.numbers if row.given and row.index not in shown]
    if rest:
        out[-1].tables += _table(facts, "Further estimates", rest)
    return out


_KINDS = {
    "velocimeter": "velocimeter",
    "profiler": "current profiler",
    "optode": "optode",
    "fast_oxygen": "fast oxygen sensor",
    "isfet_ph": "ISFET pH sensor",
    "dye_ph": "dye pH sensor",
    "ctd": "sensor of temperature, salinity and pressure",
    "gas_isotope": "gas and isotope analyser",
    "light": "light sensor",
    "weather": "weather station",
    "multi": "sensor of several quantities",
    "logger": "logger",
}


def _glance(facts: Facts) -> str:
    book = facts.book
    kinds: dict[str, int] = {}
    for instrument in book.instruments:
        words = _KINDS.get(instrument.kind, instrument.kind.replace("_", " "))
        kinds[words] = kinds.get(words, 0) + 1
    listed = ", ".join(kind if count == 1 else f"{kind} ({count})" for kind, count in sorted(kinds.items()))
    return (
        f"{book.site.name}, {book.site.bottom} at {book.site.water_depth_m:g} m. Instruments: {listed}. Times in the "
        f"figures are local, with UTC below."
    )


def _sensors_lead(facts: Facts) -> str:
    count = len({row.subject for row in facts.find("sensor_offset")})
    split = ""
    if facts.find("reference_disagreement"):
        split = (
            " The two references of one pH sensor do not agree. Nothing says which is right: the value is their "
            "mean, and "
            "its interval holds both."
        )
    if not count:
        lead = "Nothing ties the sensors to each other or to a bottle; differences between them cannot be trusted."
        return lead + split
    if count == 1:
        return (
            "One sensor stands alone: nothing ties it to another or to a bottle. What its offset is not known to goes "
            "into every number below." + split
        )
    lead = (
        f"{count} sensors were tied to one another in one water. An offset is reading minus true; what it is not known "
        f"to goes into every number below."
    )
    return lead + split


def _chemistry_lead(facts: Facts) -> str:
    if not facts.find("ph_total"):
        return "No pH of the reef's water."
    return "State of the water above the reef, from the sensors after their offsets, and from bottles or stated values."


def _exchange_lead(facts: Facts) -> str:
    methods = sorted({method_name(r.method) for r in facts.find("oxygen_flux")})
    if not methods:
        return "No flux off the bed could be given."
    if len(methods) == 1:
        return f"Oxygen by one method only ({methods[0]}); nothing independent checks it."
    return f"Oxygen by {len(methods)} methods ({', '.join(methods)}). {_agreement(facts)}"


def _agreement(facts: Facts) -> str:
    rows = facts.find("oxygen_flux", period="mission", unit="mmol m-2 h-1")
    if len(rows) < 2:
        return ""
    a, b = rows[0], rows[1]
    half = math.hypot(0.5 * (a.upper - a.lower), 0.5 * (b.upper - b.lower))
    agree = abs(a.value - b.value) <= half
    words = "agree within" if agree else "do not agree within"
    tail = "" if agree else " Neither is averaged away: look for the cause before using one of them."
    return f"Over the mission the means {words} their 95 % intervals.{tail}"


def _organism_lead(facts: Facts) -> str:
    shares = facts.find("community_share")
    if not shares:
        return "How much of the community's breathing single organisms make up is not known from this mission."
    return "What single organisms take up, and their share of the whole community's breathing."


def _account_lead(facts: Facts) -> str:
    if not facts.find("ph_change_local"):
        return "How much of the change of pH is made here cannot be told from this mission; the reason stands below."
    base = (
        "The change of pH from the past to today's reef, by what made it. The split does not depend on the order of "
        "the steps, the parts add to the total, and what is left over is shown as a part."
    )
    return f"{base} {_closure(facts)}".strip()


def _closure(facts: Facts) -> str:
    rows = facts.find("local_dic_excess", period="mission")
    if not rows:
        return ""
    if len(rows) < 2:
        return "Only one line of evidence tells how much carbon is added here; nothing independent closes the account."
    apart = [
        (a, b)
        for i, a in enumerate(rows)
        for b in rows[i + 1 :]
        if abs(a.value - b.value) > math.hypot(0.5 * (a.upper - a.lower), 0.5 * (b.upper - b.lower))
    ]
    if not apart:
        return "The independent lines for the carbon added here agree within their 95 % intervals."
    a, b = apart[0]
    return f"The independent lines do not agree: {method_name(a.method)} and {method_name(b.method)} lie apart."


def _target_lead(facts: Facts) -> str:
    states = [t.state for t in targets(facts)]
    if not states:
        return "The mission book states no targets. State the uncertainty you need under [[targets]]."
    word = "target" if len(states) == 1 else "targets"
    return (
        f"Of {len(states)} {word}, {states.count('met')} met, {states.count('not met')} not met, "
        f"{states.count('not measured')} not measured."
    )


def _table(facts: Facts, title: str, rows: Sequence[Number], *, by: str = "period", note: str = "") -> list[Table]:
    if not rows:
        return []
    heads = {"period": "Period", "subject": "Of"}
    notes = list(dict.fromkeys(row.reason for row in rows if row.reason))
    cells: list[tuple[Cell, ...]] = []
    for row in rows:
        first = facts.period_name(row) if by == "period" else row.subject
        what = quantity_name(row.quantity) + (f": {quantity_name(row.channel)}" if row.channel else "")
        mark = _mark(notes.index(row.reason)) if row.reason else ""
        cells.append((what, first, method_name(row.method), row, mark))
    listed = " ".join(f"({_mark(k)}) {text.rstrip('.')}." for k, text in enumerate(notes))
    head = ("Quantity", heads[by], "Method", "Value and 95 % interval", "Note")
    return [Table(title, head, tuple(cells), " ".join(filter(None, [note, listed])))]


def _mark(position: int) -> str:
    """Return the letter of a note below a table: a to z, then aa, ab and so on."""
    first, second = divmod(position, 26)
    return (chr(96 + first) if first else "") + chr(97 + second)


def _of_book(rows: Sequence[BookTable]) -> list[Table]:
    return [Table(title, head, tuple(cells), note) for title, head, cells, note in rows]


def _sensor_tables(facts: Facts) -> list[Table]:
    out = _table(facts, "Offsets and drifts", [*facts.find("sensor_offset"), *facts.find("sensor_drift")], by="subject")
    apart = [row for row in facts.numbers if row.quantity.startswith("reference_disagreement")]
    out += _table(facts, "Disagreement of two references of one sensor", apart)
    out += _table(facts, "Clocks: stamp minus true", facts.find("clock_offset"), by="subject")
    records = facts.results.trail.get("records", {})
    rows = []
    for label, row in records.items():
        for channel, counts in row.get("flags", {}).items():
            named = {str(k): int(v) for k, v in counts.items()}
            total = sum(named.values())
            failed = named.get("4", named.get("fail", 0))
            doubtful = named.get("3", named.get("suspect", 0))
            missing = named.get("9", named.get("missing", 0))
            part = f"{100.0 * failed / total:.1f} %" if total else "–"
            rows.append(
                (
                    str(label),
                    quantity_name(str(channel)),
                    f"{total:,}".replace(",", " "),
                    f"{failed:,}".replace(",", " "),
                    part,
                    f"{doubtful:,}".replace(",", " "),
                    f"{missing:,}".replace(",", " "),
                )
            )
    if rows:
        out.append(
            Table(
                "Records and flags",
                ("Instrument", "Quantity", "Samples", "Failed", "Share", "Doubtful", "Missing"),
                tuple(rows),
                "Counts of samples; flags follow the QARTOD meanings.",
            )
        )
    return out


def _chemistry_tables(facts: Facts) -> list[Table]:
    rows = [
        row
        for quantity in (
            "ph_total",
            "aragonite_saturation",
            "dic",
            "total_alkalinity",
            "oxygen",
            "local_dic_excess",
            "dic_departure_from_equilibrium",
            "ph_departure_from_equilibrium",
        )
        for row in facts.find(quantity)
        if row.period != "instant"
    ]
    out = _table(facts, "The water by period", rows)
    diel = [
        row
        for row in facts.numbers
        if row.given and (row.quantity.startswith("diel_") or row.quantity.endswith(("_range", "_night_minimum")))
    ]
    out += _table(facts, "The cycle of the day", diel)
    outside = facts.results.trail.get("reference_water", {})
    if outside:
        cells = tuple(
            (
                quantity_name(str(name)),
                f"{row.get('value', float('nan')):.6g}",
                f"{row.get('random_sd', 0.0):.2g}",
                str(row.get("from", "")),
            )
            for name, row in outside.items()
        )
        out.append(Table("Reference water", ("Quantity", "Value", "Random part (1 sd)", "From"), cells))
    return out


def _flow_tables(facts: Facts) -> list[Table]:
    rows = [*facts.find("friction_velocity"), *facts.find("roughness_length"), *facts.find("dissipation_rate")]
    out = _table(facts, "Mixing by period", rows)
    refused = facts.results.trail.get("refused_bursts", {})
    if refused:
        cells = tuple((str(reason), str(count)) for reason, count in refused.items())
        out.append(Table("Blocks refused", ("Reason", "Blocks"), cells))
    return out


def _exchange_tables(facts: Facts) -> list[Table]:
    out: list[Table] = []
    for quantity in ("oxygen_flux", "dic_flux", "alkalinity_flux", "hydrogen_ion_flux"):
        out += _table(facts, quantity_name(quantity), [r for r in facts.find(quantity) if r.period != "instant"])
    metabolism = [
        row
        for quantity in (
            "net_community_production",
            "net_community_calcification",
            "gross_primary_production",
            "community_respiration",
            "maximum_production",
            "light_saturation",
        )
        for row in facts.find(quantity)
    ]
    return out + _table(facts, "Community metabolism", metabolism)


def _organism_tables(facts: Facts) -> list[Table]:
    visits = [*facts.find("visit_ph_difference"), *facts.find("visit_oxygen_difference")]
    whole = [*facts.find("community_share"), *facts.find("areal_oxygen_uptake")]
    single = [
        row
        for quantity in ("individual_oxygen_uptake", "individual_dic_release", "pumping_rate", "excurrent_velocity")
        for row in facts.find(quantity)
    ]
    return [
        *_table(facts, "Share of the community", whole, by="subject"),
        *_table(facts, "Single organisms", single, by="subject"),
        *_table(facts, "Visits: jet minus ambient", visits, by="subject"),
    ]


_SHORT_DRIVERS = {
    "global": "CO₂, worldwide",
    "organic": "life",
    "carbonate": "skeletons",
    "gas_exchange": "air",
    "temperature": "temperature",
    "freshwater": "fresh water",
    "residual": "left over",
    "local": "made here",
    "total": "together",
}


def _account_tables(facts: Facts) -> list[Table]:
    out: list[Table] = []
    for prefix, words in (("ph_change_", "pH"), ("aragonite_saturation_change_", "aragonite saturation")):
        rows = [r for r in facts.numbers if r.quantity.startswith(prefix) and r.given and r.period != "instant"]
        order = list(_SHORT_DRIVERS)
        methods = list(dict.fromkeys(r.method for r in rows))
        for method in methods:
            part = [r for r in rows if r.method == method]
            periods = list(dict.fromkeys((r.period, r.start) for r in part))
            drivers = [d for d in order if any(r.quantity == prefix + d for r in part)]
            drivers += sorted({r.quantity.removeprefix(prefix) for r in part} - set(order))
            cells: list[tuple[Cell, ...]] = []
            for key in periods:
                here = {r.quantity.removeprefix(prefix): r for r in part if (r.period, r.start) == key}
                first = facts.period_name(next(iter(here.values())))
                cells.append((first, *(here.get(d, "–") for d in drivers)))
            heads = tuple(_SHORT_DRIVERS.get(d, driver_name(d)) for d in drivers)
            title = f"Change of {words}: {method_name(method)}"
            out.append(Table(title, ("Period", *heads), tuple(cells), stacked=True))
    out += _table(facts, "Carbon added on the reef", facts.find("local_dic_excess", period="mission"))
    moved = [r for r in facts.numbers if r.given and r.quantity.endswith("_sensitivity")]
    out += _table(facts, "Sensitivity: what a reference water 0.01 higher in pH would change", moved)
    return out


def _target_tables(facts: Facts) -> list[Table]:
    rows = tuple((t.words, t.wanted, t.state, t.reached) for t in targets(facts))
    out = [Table("Targets", ("Target", "Half-width wanted (95 %)", "State", "Reached"), rows)] if rows else []
    missing = tuple(
        (words[:1].upper() + words[1:], reason or "not asked of this mission") for words, reason in not_measured(facts)
    )
    if missing:
        out.append(Table("What this mission does not tell", ("What", "Why"), missing))
    refused = tuple((quantity_name(r.quantity), r.subject, facts.period_name(r), r.reason) for r in facts.refused())
    if refused:
        out.append(Table("Estimates refused, with the reason", ("Quantity", "Of", "Period", "Reason"), refused))
    return out
