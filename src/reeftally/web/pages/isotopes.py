"""Carbon isotopes: what can be told at all, then the source of the carbon added, then candidates.

Here:     detectable limits first, estimates by line, the plot of samples with errors in both axes,
          candidate sources.
Not here: the fits (`reeftally.ledger.isotopes`).
Rules:    what is not resolved is said before any number; over decades carbon-13 alone cannot tell.
"""

from __future__ import annotations

import re

from reeftally.charts import method_name
from reeftally.telling import Facts
from reeftally.telling.isotope_figures import candidates, mixing_plot
from reeftally.web.blocks import Block, Cell, Notice, Page, Table, Text, value_of
from reeftally.web.look import Look
from reeftally.web.pages import Query
from reeftally.web.pages._parts import figure, lacking

TITLE = "Isotopes"
ORDER = 100

DECADES = (
    "Over decades carbon-13 alone cannot tell carbon respired here from carbon that came with the air: both lighten "
    "the water by nearly the same amount for every added micromole of DIC."
)
_LIMIT = re.compile(r"detectable limit ([0-9.]+ ‰[^;]*)")


def page(look: Look, query: Query) -> Page:
    """Return what the isotopes tell."""
    missing, facts = lacking(look), look.facts
    if missing is not None or facts is None:
        return Page(TITLE, [missing or look.no_results()])
    rows = facts.find("source_delta13C", given=False)
    if not rows:
        return Page(
            TITLE,
            [
                Notice(
                    "missing", "No isotopes in this run.",
                    ["They need δ¹³C of DIC in bottles (tables/bottles.csv) or a gas analyser behind an equilibrator."],
                ),
                Text([DECADES]),
            ],
        )  # fmt: skip
    blocks: list[Block] = [_limits(facts), Notice("noted", "What no isotope here can tell", [_decades(facts)])]
    blocks.append(figure("isotopes", mixing_plot(look.tables, facts)))
    blocks.append(
        Text(
            [
                "Night samples speak of what is respired. Over 24 h, growth and exchange with the air shift carbon-13 "
                "by themselves: that line gives the carbon added in all, which is not the carbon respired."
            ]
        )
    )
    blocks.append(_candidates(facts))
    return Page(TITLE, blocks, lead=_lead(facts))


def _decades(facts: Facts) -> str:
    return str(facts.results.trail.get("notes", {}).get("delta13C", "")) or DECADES


def _lead(facts: Facts) -> list[Cell]:
    nights = [n for n in facts.find("source_delta13C", given=False) if "night" in n.method]
    given = [n for n in nights if n.given]
    if given:
        return ["Carbon respired at night, ", f"{method_name(given[0].method)}: ", value_of(given[0]), "."]
    return ["The source of the carbon respired is not resolved by these samples."]


def _limits(facts: Facts) -> Table:
    rows: list[list[Cell | list[Cell]]] = []
    weights = []
    for n in sorted(facts.find("source_delta13C", given=False), key=lambda n: (not n.given, n.method)):
        found = _LIMIT.search(n.reason)
        rest = "; ".join(p for p in n.reason.split("; ") if "detectable limit" not in p)
        rows.append(
            [
                method_name(n.method),
                found.group(1).strip() if found else "not stated",
                value_of(n) if n.given else ["not resolved ", value_of(n)],
                str(n.n),
                rest,
            ]
        )
        weights.append("" if n.given else "doubtful")
    return Table(
        "What can be told, before what is told",
        ["line", "detectable limit", "δ¹³C of the carbon added, 95 % interval", "samples", "remark"],
        rows,
        weights=weights,
    )


def _candidates(facts: Facts) -> Block:
    rows: list[list[Cell]] = [[c.name, c.text, c.source] for c in candidates(facts.book)]
    if not rows:
        return Notice(
            "missing", "No candidate sources in the mission book.",
            ["State each under [[references]] as source_delta13c_NAME with value, sd and source."],
        )  # fmt: skip
    return Table(
        "Candidate sources, as the mission book states them", ["source", "δ¹³C with 95 % interval", "from"], rows
    )
