"""The current near the bed: where it goes, its profile and spectrum, friction velocity by three ways, bursts refused.

Here:     rose, profile in log height, spectrum with the fitted subrange, routes, counts of bursts by reason.
Not here: fluxes (`flux`).
Rules:    the three ways stand side by side with intervals; a refused burst is counted under its reason.
"""

from __future__ import annotations

from reeftally.charts import method_name, quantity_name
from reeftally.telling import Facts
from reeftally.telling.figures_exchange import subrange
from reeftally.telling.figures_water import routes
from reeftally.telling.flow_figures import bursts, profile, rose, waves
from reeftally.web.blocks import Block, Cell, Notice, Page, Table, value_of
from reeftally.web.look import Look
from reeftally.web.pages import Query
from reeftally.web.pages._parts import figure, lacking, periods

TITLE = "Flow"
ORDER = 60


def page(look: Look, query: Query) -> Page:
    """Return what is known of the current."""
    missing, facts = lacking(look), look.facts
    if missing is not None or facts is None:
        return Page(TITLE, [missing or look.no_results()])
    rows = [n for q in ("friction_velocity", "roughness_length") for n in facts.find(q, given=False)]
    blocks: list[Block] = []
    means = [n for n in rows if n.period == "mission"]
    if means:
        blocks.append(
            Table(
                "Friction velocity by three ways, mean of the mission",
                ["what", "way", "value with 95 % interval", "blocks"],
                [[quantity_name(n.quantity), method_name(n.method), value_of(n), str(n.n)] for n in means],
            )
        )
    blocks.append(figure("flow", routes(facts)))
    blocks.append(_bursts(facts))
    blocks.append(figure("flow", rose(facts)))
    blocks.append(figure("flow", profile(facts)))
    blocks.append(figure("flow", subrange(facts)))
    blocks.append(figure("flow", waves(facts)))
    every = [n for n in rows if n.quantity == "friction_velocity"]
    if every:
        blocks.append(periods(facts, "Friction velocity, every period", every, sign=False))
    return Page(TITLE, blocks, lead=_lead(facts))


def _lead(facts: Facts) -> list[Cell]:
    best = facts.one("friction_velocity", methods=("best_of_three",)) or facts.one("friction_velocity")
    if best is None:
        return ["No friction velocity is known for the mission."]
    return ["Friction velocity, mean of the mission, ", f"{method_name(best.method)}: ", value_of(best), "."]


def _bursts(facts: Facts) -> Block:
    rows: list[list[Cell]] = []
    for one in bursts(facts):
        rows.append([one.label, "all bursts", str(one.seen), ""])
        share = f"{100.0 * one.kept / one.seen:.1f} %" if one.seen else ""
        rows.append([one.label, "kept", str(one.kept), share])
        for reason, count in one.refused:
            rows.append([one.label, f"refused: {reason}", str(count), f"{100.0 * count / max(one.seen, 1):.1f} %"])
    if not rows:
        return Notice("missing", "Bursts kept and refused: not known.", ["No velocimeter was read by the run."])
    return Table("Bursts kept and refused (a burst may have several reasons)", ["of", "what", "bursts", "share"], rows)
