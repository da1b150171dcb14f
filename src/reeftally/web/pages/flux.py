"""Exchange with the bed: by every method on one time axis, against each other, against light, and what limits it.

Here:     fluxes, agreement, light curve, ogive, error budgets, blocks refused.
Not here: what the fluxes do to the water (`account`).
Rules:    positive is into the water; a block that physics refused is counted with its reason, never drawn at zero.
"""

from __future__ import annotations

from reeftally.charts import method_name, quantity_name
from reeftally.telling import Facts
from reeftally.telling.figures_account import budgets_of
from reeftally.telling.figures_exchange import (
    against,
    cospectrum,
    flux_of_lag,
    flux_series,
    lag_used,
    light,
    refused_blocks,
)
from reeftally.telling.figures_water import hours
from reeftally.web.blocks import Block, Cell, Link, Notice, Page, Table, Text, value_of
from reeftally.web.look import Look
from reeftally.web.pages import Query
from reeftally.web.pages._parts import figure, figures_of, lacking, newest_periods, quiet

TITLE = "Flux"
ORDER = 70

FLUXES = ("oxygen_flux", "dic_flux", "alkalinity_flux")
LIVING = (
    "net_community_production", "net_community_calcification", "gross_primary_production", "community_respiration",
    "maximum_production", "light_saturation",
)  # fmt: skip


def page(look: Look, query: Query) -> Page:
    """Return what goes through the bed."""
    missing, facts = lacking(look), look.facts
    if missing is not None or facts is None:
        return Page(TITLE, [missing or look.no_results()])
    series = flux_series(facts)
    blocks: list[Block] = [_means(facts)]
    blocks += figures_of("flux", series[:1])
    blocks += _agreement(facts)
    blocks.append(figure("flux", against(facts)))
    blocks += figures_of("flux", series[1:])
    blocks.append(figure("flux", light(facts)))
    blocks.append(figure("flux", hours(facts, "exchange")))
    blocks.append(figure("flux", cospectrum(facts)))
    blocks += figures_of("flux", [flux_of_lag(facts), lag_used(facts)])
    blocks.append(figure("flux", budgets_of(facts, FLUXES)))
    blocks.append(_refused(facts))
    for quantity in FLUXES:
        found = facts.find(quantity, given=False)
        if found and {n.period for n in found} != {"mission"}:
            blocks += newest_periods(facts, quantity_name(quantity), found)
    if any(facts.find(q) for q in LIVING):
        blocks.append(
            Text(
                [
                    "Production, respiration and calcification of every period: ",
                    Link("all numbers of the run", "/number"), ".",
                ]
            )
        )  # fmt: skip
    return Page(TITLE, blocks, lead=_lead(facts))


def _lead(facts: Facts) -> list[Cell]:
    night = [n for n in facts.find("oxygen_flux", period="night") if n.unit.endswith("h-1")]
    if not night:
        return ["Positive is into the water."]
    last = max(n.start for n in night)
    out: list[Cell] = [f"Oxygen, {facts.period_name(next(n for n in night if n.start == last))}: "]
    for k, n in enumerate(n for n in night if n.start == last):
        out += ["; " if k else "", f"{method_name(n.method)} ", value_of(n)]
    return [*out, ". Positive is into the water."]


def _means(facts: Facts) -> Table:
    rows: list[list[Cell]] = []
    for quantity in (*FLUXES, "net_community_calcification", "net_community_production", "community_respiration"):
        found: dict[tuple[str, str], list[Cell]] = {}
        for k, period in enumerate(("night", "day", "mission")):
            for n in facts.find(quantity, period=period):
                # Of nights and days the newest is shown; all stand below.
                found.setdefault((n.method, n.unit), ["", "", ""])[k] = value_of(n, sign=True)
        rows += [[quantity_name(quantity), method_name(m), *cells] for (m, _), cells in found.items()]
    return Table("Newest night, newest day, whole mission", ["what", "way", "night", "day", "mission"], rows)


def _agreement(facts: Facts) -> list[Block]:
    names = {
        "method_bias": "mean difference, first minus second",
        "method_slope": "slope of one against the other, errors in both",
        "method_share_inside": "share of blocks whose difference lies within 95 %",
    }
    rows: list[list[Cell]] = []
    for quantity, words in names.items():
        rows += [
            [method_name(n.method.replace("_against_", " against ")), words, value_of(n), str(n.n)]
            for n in facts.find(quantity)
        ]
    note = str(facts.results.trail.get("notes", {}).get("agreement", ""))
    if not rows:
        return [
            Notice(
                "missing", "Agreement of methods: not known.",
                [note or "It needs two methods with enough blocks in common."],
            )
        ]  # fmt: skip
    blocks: list[Block] = [
        Table("Do the methods agree?", ["methods", "what", "value with 95 % interval", "common blocks"], rows)
    ]
    if note:
        blocks.append(Text([note[:1].upper() + note[1:] + "."]))
    return blocks


def _refused(facts: Facts) -> Block:
    kept, refused, doubted = refused_blocks(facts)
    if kept is None:
        return quiet("Which blocks physics refused is not known: no covariance ran.")
    rows: list[list[Cell]] = [["kept", "", str(kept)]]
    rows += [["refused", words, str(n)] for words, n in refused]
    rows += [["doubtful, used with this mark", words, str(n)] for words, n in doubted]
    return Table(
        "Blocks of the covariance flux, kept and refused (a block may have several reasons)",
        ["what", "reason", "blocks"],
        rows,
    )
