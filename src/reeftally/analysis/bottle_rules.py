"""Bottles as the chain may use them: amounts by mass, doubtful ones flagged.

Here:     per litre to per kilogram at the laboratory's temperature, flag 3 for duplicates that disagree and for DIC
          that was not preserved.
Not here: the table itself (`mission`), what is asked about bottles (`bottle_findings`).
Rules:    the table on disk is never changed; a flag that a person gave is never improved; what cannot be converted is
          left out with the reason.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from reeftally.mission import Bottle, Tables
from reeftally.seawater import properties

__all__ = ["Disagreement", "disagreements", "judged", "unpreserved"]

AMOUNTS = ("dic", "total_alkalinity", "oxygen")
DUPLICATE = {
    "dic": ("dic_sd", 1.5),
    "total_alkalinity": ("total_alkalinity_sd", 1.8),
    "ph_total": ("ph_sd", 0.002),
    "oxygen": ("oxygen_sd", 0.4),
}
"""Field of the standard uncertainty of each quantity, and what is taken where none is given (common practice)."""
DISAGREE_SD = 3.0
# DIC changes by respiration within a day unless the sample is poisoned (Dickson, Sabine and Christian 2007, SOP 1).
FRESH_DAYS = 0.5
GOOD = (2, 6)


class Disagreement(tuple[Bottle, Bottle, str, float, float]):
    """Two bottles of one water that disagree: first, second, quantity, difference, its standard uncertainty."""

    __slots__ = ()


def _pairs(tables: Tables) -> list[tuple[Bottle, Bottle]]:
    by_name = {bottle.bottle: bottle for bottle in tables.bottles}
    return [
        (by_name[bottle.duplicate_of], bottle)
        for bottle in tables.bottles
        if bottle.duplicate_of is not None and bottle.duplicate_of in by_name and bottle.duplicate_of != bottle.bottle
    ]


def disagreements(tables: Tables) -> list[Disagreement]:
    """Return duplicates that differ by more than three standard uncertainties of their difference."""
    out = []
    for first, second in _pairs(tables):
        for quantity, (sd_field, usual) in DUPLICATE.items():
            one, two = getattr(first, quantity), getattr(second, quantity)
            if one is None or two is None or first.flag not in GOOD or second.flag not in GOOD:
                continue
            sd = float(np.hypot(getattr(first, sd_field) or usual, getattr(second, sd_field) or usual))
            if abs(two - one) > DISAGREE_SD * sd:
                out.append(Disagreement((first, second, quantity, float(two - one), sd)))
    return out


def unpreserved(tables: Tables) -> list[Bottle]:
    """Return bottles whose DIC was neither preserved nor measured at once, as far as the table says."""
    return [
        bottle
        for bottle in tables.bottles
        if bottle.dic is not None
        and bottle.flag in GOOD
        and bottle.poison is None
        and (bottle.stored_days is None or bottle.stored_days > FRESH_DAYS)
    ]


def _by_mass(bottle: Bottle) -> Bottle:
    """Return a bottle with amounts per kilogram, by the density of the sample as the laboratory measured it."""
    if bottle.per != "litre":
        return bottle
    amounts = [name for name in AMOUNTS if getattr(bottle, name) is not None]
    if not amounts:
        return bottle
    if bottle.salinity is None or bottle.laboratory_temperature is None:
        return replace(bottle, **dict.fromkeys(amounts))  # type: ignore[arg-type]
    density = float(
        properties.density(salinity=bottle.salinity, temperature=bottle.laboratory_temperature, pressure=0.0)
    )
    changed = {}
    for name in amounts:
        changed[name] = getattr(bottle, name) * 1000.0 / density
        sd = getattr(bottle, f"{name}_sd")
        if sd is not None:
            changed[f"{name}_sd"] = sd * 1000.0 / density
    return replace(bottle, **changed)


def judged(tables: Tables) -> Tables:
    """Return the tables with bottles as the chain may use them."""
    tables = replace(tables, bottles=tuple(_by_mass(bottle) for bottle in tables.bottles))
    doubtful = {bottle.bottle for bottle in unpreserved(tables)}
    for first, second, *_ in disagreements(tables):
        doubtful |= {first.bottle, second.bottle}
    return replace(
        tables,
        bottles=tuple(
            replace(bottle, flag=3) if bottle.bottle in doubtful and bottle.flag in GOOD else bottle
            for bottle in tables.bottles
        ),
    )
