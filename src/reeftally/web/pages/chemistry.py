"""The water: property plots, internal consistency, reference water, hours below values.

Here:     DIC against alkalinity with the slopes of processes, pH against oxygen, contradictions, means of periods.
Not here: the split of the change of pH (`account`), sensors (`side_by_side`).
Rules:    process slopes stand in the chart's source, they are not fitted; no value from elsewhere is a limit.
"""

from __future__ import annotations

from reeftally.charts import pretty_unit, quantity_name
from reeftally.telling import Facts, Number
from reeftally.telling.figures_water import hours, properties, strip
from reeftally.web.blocks import Block, Cell, Notice, Page, Table, Text, Value, value_of
from reeftally.web.look import Look
from reeftally.web.pages import Query
from reeftally.web.pages._parts import PERIODS, figure, figures_of, lacking, number_of, plus_minus, quiet

TITLE = "Chemistry"
ORDER = 80

WATER = ("temperature", "salinity", "ph_total", "total_alkalinity", "dic", "oxygen", "aragonite_saturation", "fco2")
UNITS = {
    "temperature": "°C", "salinity": "", "ph_total": "", "total_alkalinity": "µmol kg-1", "dic": "µmol kg-1",
    "oxygen": "µmol kg-1",
}  # fmt: skip


def page(look: Look, query: Query) -> Page:
    """Return what is known of the water."""
    missing, facts = lacking(look), look.facts
    if missing is not None or facts is None:
        return Page(TITLE, [missing or look.no_results()])
    blocks: list[Block] = figures_of("chemistry", properties(facts))
    blocks += [_reference(facts), *_consistency(look, facts), _pairs(facts)]
    blocks.append(figure("chemistry", hours(facts, "chemistry")))
    blocks.append(figure("chemistry", strip(facts)))
    blocks += _periods(facts)
    return Page(TITLE, blocks, lead=_lead(facts))


def _lead(facts: Facts) -> list[Cell]:
    out: list[Cell] = []
    for name in ("ph_total", "aragonite_saturation", "dic"):
        n = facts.one(name)
        if n is not None:
            out += ["; " if out else "Mean of the mission: ", f"{quantity_name(name)} ", value_of(n)]
    return [*out, "."] if out else ["The run holds no chemistry of the water."]


def _periods(facts: Facts) -> list[Block]:
    """Return the means of every period, one column a quantity, and the lowest of every night."""
    names = [q for q in ("ph_total", "aragonite_saturation", "dic", "total_alkalinity", "oxygen") if facts.find(q)]
    found: dict[tuple[int, str], dict[str, Number]] = {}
    for quantity in names:
        for n in facts.find(quantity, given=False):
            if n.period in PERIODS:
                found.setdefault((PERIODS.index(n.period), n.start), {})[quantity] = n
    for n in facts.find("ph_total_night_minimum", period="night", given=False):
        found.setdefault((PERIODS.index("night"), n.start), {})["lowest"] = n
    if not found:
        return []
    columns = [*names, *(["lowest"] if any("lowest" in row for row in found.values()) else [])]
    rows: list[list[Cell]] = [
        [
            facts.period_name(next(iter(row.values()))),
            *(value_of(row[q]) if q in row else "" for q in columns),
        ]
        for _, row in sorted(found.items())
    ]
    words = ["pH, lowest of the night" if q == "lowest" else quantity_name(q) for q in columns]
    return [Table("Means of every period with 95 % interval", ["period", *words], rows)]


def _reference(facts: Facts) -> Block:
    found = facts.results.trail.get("reference_water") or {}
    rows: list[list[Cell]] = []
    for name in WATER:
        entry = found.get(name)
        if not isinstance(entry, dict):
            continue
        value, sd = number_of(entry.get("value")), number_of(entry.get("random_sd"))
        cell = plus_minus(value, sd, UNITS.get(name, ""), key="chemistry", sign=False)
        rows.append([quantity_name(name), cell or f"{value:g}", str(entry.get("from", ""))])
    if not rows:
        return Notice(
            "missing", "The reference water is not known.",
            ["The account needs open water measured beside the reef: a station with the role reference, or bottles."],
        )  # fmt: skip
    return Table(
        "Reference water, mean of the mission (interval: random part only; offsets count in the account)",
        ["what", "value with 95 % interval", "from"],
        rows,
    )


def _consistency(look: Look, facts: Facts) -> list[Block]:
    """Return what sources of pH, DIC and alkalinity say of each other."""
    document = look.document("findings.json") or {}
    kinds = ("contradict", "disagree", "consisten")
    rows: list[list[Cell]] = []
    weights: list[str] = []
    for f in document.get("findings", []):
        if not isinstance(f, dict):
            continue
        words = " ".join(str(f.get(k, "")) for k in ("id", "kind", "what"))
        if any(kind in words.lower() for kind in kinds):
            rows.append([str(f.get("subject", "")), str(f.get("what", "")), str(f.get("evidence", ""))])
            weights.append("" if f.get("accepted") else "doubtful")
    notes = facts.results.trail.get("notes", {})
    said = [str(v) for k, v in notes.items() if any(kind in f"{k} {v}".lower() for kind in kinds[:2])]
    blocks: list[Block] = []
    if rows:
        blocks.append(Table("Sources that contradict each other", ["of", "what", "evidence"], rows, weights=weights))
    blocks += [Text([text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")]) for text in said]
    if not blocks:
        blocks.append(quiet("Internal consistency: this run names no contradiction between pH, DIC and alkalinity."))
    return blocks


def _pairs(facts: Facts) -> Block:
    notes = facts.results.trail.get("notes", {})
    rows: list[list[Cell]] = []
    if "total_alkalinity" in notes:
        rows.append(["alkalinity", Value(str(notes["total_alkalinity"]), "chemistry")])
    rows += [[name, Value(_raised(str(notes[name])), "account")] for name in ("dpH/dDIC", "dpH/dTA") if name in notes]
    constants = facts.results.trail.get("settings", {}).get("constants", {})
    if isinstance(constants, dict) and constants:
        rows.append(["constants of the carbonate system", ", ".join(f"{k} {v}" for k, v in constants.items())])
    rows.append(["pH", "total scale, at the temperature and pressure of the water"])
    return Table("How the carbonate system was closed", ["what", "from"], rows)


def _raised(text: str) -> str:
    """Return a note of number and unit with its minus and its exponents raised."""
    value, _, unit = text.partition(" ")
    return f"{value.replace('-', '−')} {pretty_unit(unit)}"
