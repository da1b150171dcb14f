"""Figures of the account and of what limits it.

Here:     steps from the past, local parts in time, independent lines, error budgets.
Not here: the split itself (`reeftally.ledger`).
Rules:    as in `figures`.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from reeftally import charts
from reeftally.charts import quantity_name, series_frame
from reeftally.telling._figure import Figure, no_figure, plain_term
from reeftally.telling.facts import Facts, Number
from reeftally.telling.story import parts_of
from reeftally.telling.words import places, with_interval

__all__ = ["budgets", "budgets_of", "ledger_series", "lines", "steps"]


def steps(facts: Facts) -> Figure:
    """Return the steps from the past to today."""
    title = "From the past to today's reef"
    parts = parts_of(facts)
    order = [
        d
        for d in ("global", "organic", "carbonate", "gas_exchange", "temperature", "freshwater", "residual")
        if d in parts
    ]
    if "global" not in parts or len(order) < 2:
        said = dict.fromkeys(r.reason for r in facts.refused() if r.quantity.startswith("ph_change_") and r.reason)
        missing = " ".join(
            [
                "the account needs the reef's water, open water measured beside it, CO₂ of the air and the residence "
                "time.",
                *(f"{reason[:1].upper()}{reason[1:]}." for reason in said),
            ]
        )
        return no_figure("steps", "account", title, missing)
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


def ledger_series(facts: Facts) -> Figure:
    """Return the local parts through the mission."""
    title = "The local parts through the mission"
    data = facts.inside(facts.group("ledger"))
    if "ph_change" not in data or "driver" not in data.coords:
        return no_figure("ledger", "account", title, "no account in blocks.")
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
        return no_figure("ledger", "account", title, "no account in blocks.")
    caption = "Change of pH against today's open water, block by block, by what made it. Bands are 95 % intervals."
    return Figure(
        "ledger",
        "account",
        title,
        caption,
        lambda w: charts.drivers_in_time(series, facts.frame(width=w)),
    )


def lines(facts: Facts) -> Figure:
    """Return the independent lines for the carbon added."""
    title = "Independent lines for what is added here"
    rows = list(facts.find("local_dic_excess", period="mission"))
    if not rows:
        missing = "no estimate of the carbon added on the reef. It needs open water measured beside the reef."
        return no_figure("lines", "account", title, missing)
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


def budgets(facts: Facts) -> Figure:
    """Return the error budgets of the main results."""
    return budgets_of(
        facts,
        (
            "ph_change_local",
            "ph_change_global",
            "oxygen_flux",
            "dic_flux",
            "ph_total",
            "aragonite_saturation",
            "local_dic_excess",
        ),
    )


def budgets_of(facts: Facts, quantities: Sequence[str]) -> Figure:
    """Return the error budgets of some quantities, the first estimate of each for the mission."""
    title = "Where the uncertainty comes from"
    rows = [r for r in facts.numbers if r.given and r.budget and r.period == "mission"]
    seen: dict[str, Number] = {}
    for row in rows:
        seen.setdefault(row.quantity, row)
    wanted = [seen[q] for q in quantities if q in seen]
    table = []
    for row in wanted:
        shares = _shares(row.budget)
        table += [
            {"estimate": quantity_name(row.quantity), "term": term, "share": value, "rank": rank}
            for rank, (term, value) in enumerate(shares)
        ]
    if not table:
        return no_figure("budgets", "uncertainty", title, "no estimate carries a budget.")
    frame = pd.DataFrame(table)
    return Figure(
        "budgets",
        "uncertainty",
        title,
        "Share of the variance by term, largest first: the first term is what to improve. Terms that err together each "
        "count what they have in common, so shares may add to more than all.",
        lambda w: charts.error_budgets(frame, width=w - (90 if w < 420 else 220)),
        numbers=tuple(wanted),
    )


def _shares(budget: str) -> list[tuple[str, float]]:
    """Return the terms of a budget text, ``term share; term share``; what is no share is left out."""
    out = []
    for part in budget.split("; "):
        term, _, value = part.rpartition(" ")
        try:
            out.append((plain_term(term), float(value)))
        except ValueError:
            continue
    return out
