"""Findings about bottles, reference materials and heights: what the tables say against themselves.

Here:     exchanged labels, duplicates that disagree, samples not preserved, amounts that look per litre, recovery of
          reference materials, heights that nobody measured at recovery.
Not here: single lines of tables (`mission`), what the chain does about it (`bottle_rules`).
Rules:    everything is asked; no value of a table is changed.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from reeftally.analysis.bottle_rules import AMOUNTS, GOOD, disagreements, unpreserved
from reeftally.analysis.context import Context
from reeftally.analysis.finding import DOUBTFUL, NOTED, Finding
from reeftally.analysis.heights import WIDENED_M
from reeftally.calibration.bottle_swaps import find_swapped
from reeftally.mission import Bottle

__all__ = ["bottle_findings"]

SWAP_QUANTITIES = ("dic", "total_alkalinity", "ph_total", "oxygen")
LEAST_SD = {"dic": 3.0, "total_alkalinity": 2.5, "ph_total": 0.006, "oxygen": 2.0}
# Water of salinity 35 has 1.023 to 1.027 kg a litre between 15 and 30 degrees: amounts per litre are as much higher.
LITRE_LOW, LITRE_HIGH = 1.017, 1.031
# A reference material that differs by more than this share was mistyped or the analysis failed (common practice).
RECOVERY_SHARE = 0.01


def bottle_findings(context: Context) -> Iterator[Finding]:
    """Yield what is doubtful about bottles, reference materials and heights."""
    yield from _duplicates(context)
    yield from _preservation(context)
    yield from _swaps(context)
    yield from _litres(context)
    yield from _materials(context)
    yield from _heights(context)


def _line(row: object) -> str:
    line = getattr(row, "line", 0)
    return f", line {line}" if line else ""


def _duplicates(context: Context) -> Iterator[Finding]:
    for first, second, quantity, difference, sd in disagreements(context.stated):
        yield Finding(
            id=f"duplicates-{first.bottle}-{second.bottle}-{quantity}",
            severity=DOUBTFUL,
            subject=second.bottle,
            what=f"tables/bottles.csv{_line(second)}: {quantity} of {second.bottle} and its duplicate {first.bottle} "
            "disagree; both are flagged 3 and kept.",
            evidence=f"difference {difference:+.4g}, standard uncertainty {sd:.2g}: {abs(difference) / sd:.1f} times; "
            "at most 3 are expected",
            proposal="ask the laboratory for both; write flag 2 for the one that stands, 3 or 4 for the other",
        )


def _preservation(context: Context) -> Iterator[Finding]:
    bottles = unpreserved(context.stated)
    if bottles:
        named = ", ".join(b.bottle for b in bottles[:6]) + (f" and {len(bottles) - 6} more" if len(bottles) > 6 else "")
        yield Finding(
            id="bottles-not-preserved",
            severity=DOUBTFUL,
            subject="bottles",
            what=f"tables/bottles.csv{_line(bottles[0])}: poison is not stated for {len(bottles)} bottles with DIC "
            f"({named}); they are flagged 3.",
            evidence="found no poison and no analysis within half a day; life in the bottle changes DIC while it is "
            "stored (Dickson, Sabine and Christian 2007, SOP 1)",
            proposal="write how they were preserved, and stored_days, into tables/bottles.csv; mercuric chloride is "
            "toxic: handle and dispose of it as your local rules and licensed people say",
        )


def _swaps(context: Context) -> Iterator[Finding]:
    """Labels exchanged between waters: each bottle looks like one of the other station."""
    # Water carried sensors meet, jets above all, differs from bottle to bottle: it says nothing of labels.
    carried = {row.name for row in context.book.stations_of_role("carried")}
    bottles = [b for b in context.tables.bottles if b.flag in GOOD and b.station not in carried]
    if len(bottles) < 6:
        return
    shape = (len(bottles), len(SWAP_QUANTITIES))
    values, predicted, sd = (np.full(shape, np.nan) for _ in range(3))
    for column, quantity in enumerate(SWAP_QUANTITIES):
        for station in {b.station for b in bottles}:
            rows = [n for n, b in enumerate(bottles) if b.station == station and getattr(b, quantity) is not None]
            if len(rows) < 3:
                continue
            own = np.array([float(getattr(bottles[n], quantity)) for n in rows])
            centre = float(np.median(own))
            spread = 1.4826 * float(np.median(np.abs(own - centre)))
            for n, value in zip(rows, own, strict=True):
                values[n, column] = value
                predicted[n, column] = centre
                sd[n, column] = max(spread, LEAST_SD[quantity])
    for swap in find_swapped(values=values, predicted=predicted, sd=sd):
        one, two = bottles[swap.first], bottles[swap.second]
        if one.station == two.station:
            continue
        yield Finding(
            id=f"bottles-swapped-{one.bottle}-{two.bottle}",
            severity=DOUBTFUL,
            subject=one.bottle,
            what=f"tables/bottles.csv{_line(one)}: {one.bottle} ({one.station}) and {two.bottle} ({two.station}) look "
            "exchanged: each fits the other's water.",
            evidence=f"sum of squared residuals against the others of the station {swap.before:.0f} as labelled, "
            f"{swap.after:.1f} exchanged",
            proposal="look at the bottles and the log of the day; exchange the two names in tables/bottles.csv if so",
        )


def _litres(context: Context) -> Iterator[Finding]:
    """Amounts per litre: declared without what converting needs, or a laboratory that is 2 % above the stated value."""
    lost = [
        b
        for b in context.stated.bottles
        if b.per == "litre"
        and any(getattr(b, name) is not None for name in AMOUNTS)
        and (b.laboratory_temperature is None or b.salinity is None)
    ]
    if lost:
        yield Finding(
            id="bottles-per-litre",
            severity=DOUBTFUL,
            subject="bottles",
            what=f"tables/bottles.csv{_line(lost[0])}: {len(lost)} bottles are reported per litre without "
            "laboratory_temperature or salinity; their amounts are left out.",
            evidence="found per = litre; the density of the sample in the laboratory turns litres into kilograms",
            proposal="write the temperature at which the laboratory measured, and the salinity of the sample",
        )
    stated = context.book.reference("total_alkalinity")
    by_laboratory: dict[str, list[Bottle]] = {}
    for bottle in context.stated.bottles:
        if bottle.total_alkalinity is not None and bottle.flag in GOOD and bottle.per != "litre":
            by_laboratory.setdefault(bottle.laboratory or "the laboratory", []).append(bottle)
    levels = {
        name: float(np.median([_normal(b) for b in rows])) for name, rows in by_laboratory.items() if len(rows) >= 3
    }
    for name, level in levels.items():
        others = [other for key, other in levels.items() if key != name]
        against = float(stated.value) if stated is not None else (float(np.median(others)) if others else None)
        if against is None or not LITRE_LOW < level / against < LITRE_HIGH:
            continue
        yield Finding(
            id=f"bottles-per-litre-{name}".replace(" ", "-"),
            severity=DOUBTFUL,
            subject="bottles",
            what=f"tables/bottles.csv: total alkalinity of {name} is {100 * (level / against - 1):.1f} % above "
            f"{'the stated value' if stated is not None else 'the other laboratory'}: per litre, not per kilogram?",
            evidence=f"median {level:.1f} against {against:.1f} umol/kg; a litre of this water has 1.02 to 1.03 kg",
            proposal="ask the laboratory; write `litre` in the column per, with laboratory_temperature, if so",
        )


def _normal(bottle: Bottle) -> float:
    """Alkalinity at salinity 35, so that fresh water does not pretend a unit."""
    scale = 35.0 / bottle.salinity if bottle.salinity else 1.0
    return float(bottle.total_alkalinity or np.nan) * scale


def _materials(context: Context) -> Iterator[Finding]:
    """Reference materials: recovery far from one, and certified values that differ from each other or from the list."""
    rows = context.tables.reference_materials
    listed = [row for row in context.tables.reference_values if row.quantity.startswith("certified_")]
    for row in rows:
        recovery = row.measured / row.certified if row.certified else float("nan")
        known = [item.value for item in listed if item.quantity == f"certified_{row.quantity}"]
        same = [other.certified for other in rows if other.quantity == row.quantity]
        usual = float(np.median(same))
        wrong = known and min(abs(row.certified - value) for value in known) > 0.005
        odd = not known and len(same) > 2 and abs(row.certified - usual) > 0.002 * abs(usual)
        off = abs(recovery - 1.0) > RECOVERY_SHARE
        if not (wrong or odd or off):
            continue
        if wrong:
            wanted = f"one of the certified values listed in tables/reference_values.csv: {', '.join(map(str, known))}"
        elif odd:
            wanted = f"{usual:g}, which the other runs have"
        else:
            wanted = "a recovery of 99 to 101 %"
        yield Finding(
            id=f"material-{row.quantity}-line-{row.line}",
            severity=DOUBTFUL,
            subject="reference_materials",
            what=f"tables/reference_materials.csv{_line(row)}, field certified: found {row.certified:g} for "
            f"{row.quantity}; expected {wanted}.",
            evidence=f"measured {row.measured:g}, recovery {100 * recovery:.2f} %",
            proposal="compare with the certificate of the batch and correct the table, or ask why the run failed",
        )


def _heights(context: Context) -> Iterator[Finding]:
    """Sensors of the gradient whose height nobody measured when they came out."""
    lost = context.wide_heights
    if lost:
        yield Finding(
            id="heights-at-recovery",
            severity=NOTED,
            subject="heights",
            what=f"tables/heights.csv: no height at recovery of {', '.join(lost)}.",
            evidence="found heights of the first days only; a mast that sinks unseen moves all of them. The results "
            f"take {100 * WIDENED_M:g} cm as their standard uncertainty. 5 cm on both heights is about 10 % of a "
            "gradient flux, 5 cm on the lower one about 14 %",
            proposal=f"measure them when they come out, or write height_sd_m = {WIDENED_M:g} into these deployments if "
            "nobody saw the mast stand as it was set",
        )
