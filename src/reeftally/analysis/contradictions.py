"""Contradictory sources of pH: bottles measured, bottles calculated from DIC and alkalinity, and loggers.

Here:     each pair of sources compared at the bottles they share, the sentence, and the mark "not resolved" on every
          estimate that hangs on the water in which they disagree.
Not here: the adjustment that joins sources where they agree (`offsets`), two references of one sensor (`twins`).
Rules:    a difference counts against everything stated of both sides: laboratory, offset, drift, settling, noise,
          constants. Beyond 3.5 standard uncertainties the two are not two readings of one water, and their mean would
          be nobody's value: what hangs on it is refused, with the sentence as the reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Set
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from reeftally._checks import FloatArray
from reeftally.analysis.finding import SERIOUS, Finding
from reeftally.analysis.grid import Grid
from reeftally.analysis.offsets import (
    LABORATORY_SD,
    MISMATCH_SD,
    SETTLING_SD,
    in_situ,
    nearest_sensors,
    sensor_term,
    usable_bottles,
)
from reeftally.analysis.water import alkalinity_correction, mission_constants
from reeftally.mission import Bottle
from reeftally.seawater import carbonate

if TYPE_CHECKING:
    from reeftally.analysis.context import Context
    from reeftally.analysis.records import SlowBlocks
    from reeftally.analysis.run import Chain

__all__ = ["Disagreeing", "Source", "contradiction_findings", "disagreements_of", "mark_contradictions", "sources_of"]

MEASURED, CALCULATED = "pH measured in the bottles", "pH from DIC and alkalinity of the bottles"
# Beyond this many standard uncertainties two sources contradict each other: 5 in 10,000 pairs of honest sources, so
# that a mission with ten pairs is not refused once in thirty.
LIMIT = 3.5
# What all DIC of one laboratory share after correction with reference material (common practice, no source).
DIC_COMMON_SD = 1.0
# Estimates that hang on the pH of the reef's water, by how their names begin; and those that need the other water too.
ON_REEF = (
    "ph_total", "dic", "aragonite_saturation", "local_dic_excess", "ph_change_", "ph_departure_", "closure_ratio",
    "diel_amplitude_ph_total", "diel_amplitude_dic", "diel_amplitude_aragonite_saturation",
)  # fmt: skip
ON_REFERENCE = ("local_dic_excess", "ph_change_", "aragonite_saturation_change_", "closure_ratio")
# A flux by gradient hangs on differences between sensors, a dye's or a stated sum on neither level.
NOT_ON_LEVEL = ("dic_flux", "dic_added_by_organisms")


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One source of pH at the bottles of one water; NaN where it says nothing."""

    name: str
    value: FloatArray
    """(bottles,)"""
    random_sd: FloatArray
    """Of each value, on its own. (bottles,)"""
    common_sd: float
    """Shared by all its values."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Disagreeing:
    """Two sources and what they differ by."""

    first: str
    second: str
    difference: float
    """First minus second, mean over the bottles they share."""
    sd: float
    n: int

    @property
    def contradictory(self) -> bool:
        """Whether the difference is beyond what is stated of both."""
        return abs(self.difference) > LIMIT * self.sd

    def words(self) -> str:
        """Say which disagree and by how much."""
        return (
            f"{self.first} and {self.second} disagree by {self.difference:+.4f} (standard uncertainty of the "
            f"difference {self.sd:.4f}, {self.n} bottles)"
        )


def disagreements_of(sources: list[Source]) -> list[Disagreeing]:
    """Compare every pair of sources at the bottles that both speak for.

    Parameters
    ----------
    sources : list of Source
        All of the same bottles.

    Returns
    -------
    list of Disagreeing
        One a pair that shares a bottle, contradictory or not.
    """
    found = []
    for one, other in combinations(sources, 2):
        both = np.isfinite(one.value) & np.isfinite(other.value)
        n = int(both.sum())
        if n == 0:
            continue
        difference = (one.value - other.value)[both]
        each = one.random_sd[both] ** 2 + other.random_sd[both] ** 2
        own = float(np.sqrt(each.sum())) / n
        # What scatters more than stated is trusted as it scatters.
        scatter = float(difference.std(ddof=1)) / np.sqrt(n) if n > 2 else 0.0
        sd = float(np.sqrt(max(own, scatter) ** 2 + one.common_sd**2 + other.common_sd**2))
        found.append(Disagreeing(first=one.name, second=other.name, difference=float(difference.mean()), sd=sd, n=n))
    return found


def _alone(rows: list[Disagreeing]) -> str | None:
    """Return the source that every contradiction has in common while the others agree with each other."""
    bad = [row for row in rows if row.contradictory]
    names = {name for row in rows for name in (row.first, row.second)}
    if len(names) < 3 or len(bad) < 2:
        return None
    shared = set.intersection(*({row.first, row.second} for row in bad))
    return next(iter(shared)) if len(shared) == 1 else None


def sentence(rows: list[Disagreeing]) -> str:
    """Return one sentence about what contradicts what; empty where nothing does."""
    bad = sorted((row for row in rows if row.contradictory), key=lambda row: -abs(row.difference) / row.sd)
    if not bad:
        return ""
    alone = _alone(rows)
    tail = f"; the others agree, so look at {alone} first" if alone else ""
    return "; ".join(row.words() for row in bad) + tail


def sources_of(context: Context, grid: Grid, slow: Mapping[str, SlowBlocks], roles: Set[str]) -> list[Source]:
    """Return the sources of pH at the bottles of stations with these roles."""
    stations = {row.name for row in context.book.stations if row.role in roles}
    wanted = [b for b in context.tables.bottles if b.station in stations and b.flag in {2, 6}]
    if not wanted:
        return []
    index = {b.bottle: k for k, b in enumerate(wanted)}
    n = len(wanted)
    measured, measured_sd = np.full(n, np.nan), np.zeros(n)
    for bottle, value, sd in usable_bottles(context, "ph_total"):
        if bottle.bottle in index:
            measured[index[bottle.bottle]] = in_situ(context, "ph_total", bottle, value)
            measured_sd[index[bottle.bottle]] = sd
    sources = [
        Source(name=MEASURED, value=measured, random_sd=measured_sd, common_sd=LABORATORY_SD["ph_total"]),
        _calculated(context, wanted, index),
        *_loggers(context, grid, slow, wanted),
    ]
    return [source for source in sources if np.isfinite(source.value).any()]


def _calculated(context: Context, wanted: list[Bottle], index: dict[str, int]) -> Source:
    """Return pH of the bottles from their DIC and alkalinity, in situ."""
    n = len(wanted)
    value, sd = np.full(n, np.nan), np.zeros(n)
    correction, correction_sd = alkalinity_correction(context)
    dic = {b.bottle: (b, v, s) for b, v, s in usable_bottles(context, "dic")}
    rows = [
        (b, dic[b.bottle][1], v + correction, dic[b.bottle][2], s)
        for b, v, s in usable_bottles(context, "total_alkalinity")
        if b.bottle in index and b.bottle in dic and b.temperature is not None and b.salinity is not None
    ]
    if not rows:
        return Source(name=CALCULATED, value=value, random_sd=sd, common_sd=0.0)
    found = carbonate.propagate(
        dic=np.array([r[1] for r in rows]),
        total_alkalinity=np.array([r[2] for r in rows]),
        temperature=np.array([r[0].temperature for r in rows]),
        salinity=np.array([r[0].salinity for r in rows]),
        sd={"dic": np.array([r[3] for r in rows]), "total_alkalinity": np.array([r[4] for r in rows])},
        systematic_sd={"dic": DIC_COMMON_SD, "total_alkalinity": max(correction_sd, 1e-6)},
        constants=mission_constants(context),
        outputs=("ph_total",),
    )
    for k, row in enumerate(rows):
        value[index[row[0].bottle]] = np.asarray(found.state.ph_total)[k]
        sd[index[row[0].bottle]] = np.asarray(found.random_sd["ph_total"])[k]
    return Source(name=CALCULATED, value=value, random_sd=sd, common_sd=float(np.mean(found.systematic_sd["ph_total"])))


def _loggers(context: Context, grid: Grid, slow: Mapping[str, SlowBlocks], wanted: list[Bottle]) -> Iterator[Source]:
    """Yield each pH sensor at the bottles that it was beside, as it read, with what the book states of it."""
    labels = [label for label, blocks in slow.items() if "ph_total" in blocks.channels]
    beside: dict[str, list[tuple[int, int]]] = {}
    for k, bottle in enumerate(wanted):
        block = int(grid.index(bottle.time_ns))
        if block < 0:
            continue
        for row in nearest_sensors(context, labels, bottle, block, grid):
            beside.setdefault(labels[row], []).append((k, block))
    days = grid.count * grid.block_s / 86400.0
    for label, places in beside.items():
        term = sensor_term(context, label, "ph_total")
        if term is None:
            continue
        means = slow[label].channels["ph_total"].mean
        value = np.full(len(wanted), np.nan)
        for k, block in places:
            value[k] = means[block]
        settling = SETTLING_SD["ph_total"] if context.book.instrument(label).kind == "isfet_ph" else 0.0
        yield Source(
            name=f"logger {label}",
            value=value,
            random_sd=np.full(len(wanted), float(np.hypot(MISMATCH_SD["ph_total"], term[0]))),
            common_sd=float(np.sqrt(term[1] ** 2 + (0.5 * days * term[2]) ** 2 + settling**2)),
        )


WATERS: tuple[tuple[frozenset[str], tuple[str, ...], str], ...] = (
    (frozenset({"bed", "ambient", "side by side"}), ON_REEF, "the reef's water"),
    (frozenset({"reference"}), ON_REFERENCE, "the reference water"),
)


def contradiction_findings(context: Context, slow: Mapping[str, SlowBlocks]) -> Iterator[Finding]:
    """Yield a finding for each water whose sources of pH contradict each other."""
    for roles, _, where in WATERS:
        rows = disagreements_of(sources_of(context, context.grid, slow, roles))
        said = sentence(rows)
        if said:
            yield Finding(
                id="contradiction-reference" if "reference" in roles else "contradiction-reef",
                severity=SERIOUS,
                subject=where,
                what=f"{where}: {said}.",
                evidence="; ".join(row.words() for row in rows),
                proposal="what hangs on this pH is not resolved until one of them is taken out: flag the bottles 3 in "
                "bottles.csv if the laboratory finds its error, or exclude the logger's record with the reason",
            )


def mark_contradictions(chain: Chain) -> None:
    """Refuse what hangs on a water whose sources contradict each other, and say why."""
    for roles, names, where in WATERS:
        said = sentence(disagreements_of(sources_of(chain.context, chain.grid, chain.slow, roles)))
        if not said:
            continue
        reason = f"not resolved: in {where} {said}; their mean is not given"
        chain.notes[f"contradiction in {where}"] = said
        for position, row in enumerate(chain.estimates.rows):
            if row.value is None or not row.quantity.startswith(names) or row.quantity.startswith(NOT_ON_LEVEL):
                continue
            chain.estimates.rows[position] = replace(
                row, value=None, lower=None, upper=None, random_sd=None, systematic_sd=None, flag=4, budget="",
                reason=reason,
            )  # fmt: skip
