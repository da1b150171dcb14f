"""The plan of a mission: every target of the book against the uncertainty that the design can reach.

Here:     one row a target and method: predicted half-width, met or not, dominant cause, cheapest improvement; signals
          to expect; what the book lacks.
Not here: results of real records.
Rules:    a target that cannot be predicted keeps its row and says why.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from reeftally.analysis.estimate_carbon import UNKNOWN_SD, WITHIN_DAY_SD
from reeftally.analysis.offsets import LABORATORY_SD
from reeftally.mission import Book, Target, read_book, read_tables
from reeftally.planning.book import Expected, expected_from_book, gradient_design
from reeftally.planning.improve import Improvement, improvements
from reeftally.planning.missions import TO_95, GradientDesign, predict
from reeftally.planning.questions import isotope_separation
from reeftally.planning.signals import covariance_block, false_flux, gradient_signal

__all__ = ["Plan", "PlanRow", "plan_book", "plan_mission"]

DRAWS = 4
# Standard uncertainty of the mean alkalinity flux with bottles inside and outside, as the chain states it on a
# rehearsed mission of 36 h.
BOTTLES_ALKALINITY_SD = 0.65
# Further relative terms of a covariance flux, common to all blocks: lag, response, cross-section of the spectrum.
COVARIANCE_SYSTEMATIC = 0.04
FAST_GAIN_SD = 0.015


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRow:
    """One target by one method."""

    quantity: str
    period: str
    method: str
    unit: str
    wanted: float
    """Half-width of the 95 % interval. [unit]"""
    predicted: float | None
    """The same, predicted; None where it cannot be."""
    met: bool | None
    dominant: str
    """Cause with the largest share, and that share of the variance."""
    cheapest: str
    """Cheapest single change that reaches the target, else the one that narrows most."""
    improvements: list[dict[str, Any]] = field(default_factory=list)
    """All changes, best first."""
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a design can see."""

    rows: list[PlanRow]
    signals: dict[str, float]
    assumed: list[str]
    missing: list[str]

    @property
    def met(self) -> bool:
        """Whether every target is met by at least one method."""
        best: dict[tuple[str, str], bool] = {}
        for row in self.rows:
            key = (row.quantity, row.period)
            best[key] = best.get(key, False) or bool(row.met)
        return all(best.values())

    def as_dict(self) -> dict[str, Any]:
        """Return everything for JSON."""
        return {
            "targets": [asdict(row) for row in self.rows],
            "signals": self.signals,
            "assumed": self.assumed,
            "missing": self.missing,
            "met": self.met,
        }


def plan_mission(folder: Path, *, expected: Expected | None = None) -> Plan:
    """Read the book and the tables of a mission folder and plan it; see `plan_book`."""
    tables = read_tables(folder)
    bottles = [b for b in tables.bottles if b.total_alkalinity is not None]
    isotopes = [b for b in tables.bottles if b.delta13c_dic is not None]
    oxygen = [b for b in tables.bottles if b.oxygen is not None]
    return plan_book(
        read_book(folder), expected=expected, alkalinity_bottles=len(bottles), isotopes=len(isotopes),
        oxygen_bottles=len(oxygen),
    )  # fmt: skip


def plan_book(
    book: Book,
    *,
    expected: Expected | None = None,
    alkalinity_bottles: int = 0,
    isotopes: int = 0,
    oxygen_bottles: int = 0,
) -> Plan:
    """Return the plan of a mission book.

    Parameters
    ----------
    book : Book
    expected : Expected, optional
        What one expects of the reef.
    alkalinity_bottles, isotopes, oxygen_bottles : int
        Bottles with alkalinity, with isotopes of DIC, and with titrated oxygen, that the tables hold.

    Returns
    -------
    Plan
        Rows in the order of the book's targets.
    """
    hope, assumed = expected_from_book(book, expected)
    maker = _Maker(book, hope, alkalinity_bottles, isotopes, oxygen_bottles)
    rows: list[PlanRow] = []
    for target in book.targets:
        rows += maker.rows_for(target)
    missing = maker.missing
    if not book.targets:
        missing.append("the book holds no [[targets]]: without a wanted uncertainty no design can be judged")
    return Plan(rows=rows, signals=maker.signals(), assumed=assumed, missing=list(dict.fromkeys(missing)))


class _Maker:
    def __init__(self, book: Book, expected: Expected, bottles: int, isotopes: int, oxygen: int) -> None:
        self.book, self.expected, self.bottles, self.isotopes = book, expected, bottles, isotopes
        self.oxygen_bottles = oxygen
        self.missing: list[str] = []
        self.designs: dict[str, GradientDesign | None] = {}

    def design(self, quantity: str) -> GradientDesign | None:
        if quantity not in self.designs:
            found, missing = gradient_design(self.book, quantity, self.expected)
            self.designs[quantity] = found
            self.missing += missing
        return self.designs[quantity]

    def rows_for(self, target: Target) -> list[PlanRow]:
        if target.quantity == "oxygen_flux":
            rows = [self._gradient(target, "oxygen", "gradient", {})]
            if self.book.instruments_of_kind("fast_oxygen"):
                rows.append(self._covariance(target))
            return rows
        if target.quantity == "dic_flux":
            water = self.expected.water
            ratio = abs(water.ph_per_alkalinity / water.ph_per_dic)
            if not self.bottles:
                self.missing.append(
                    "no bottles with alkalinity in tables/bottles.csv: the alkalinity flux would be known to "
                    f"{UNKNOWN_SD:g} mmol m-2 h-1 only"
                )
            mean = BOTTLES_ALKALINITY_SD if self.bottles else UNKNOWN_SD
            swing = WITHIN_DAY_SD if target.period in {"night", "day"} else 0.0
            other = {"alkalinity_flux": ratio * float(np.hypot(mean, swing))}
            return [self._gradient(target, "ph_total", "gradient_ph_alkalinity", other)]
        if target.quantity == "ph_change_local":
            return [self._local_ph(target)]
        if target.quantity == "source_delta13C":
            return [self._isotopes(target)]
        reason = (
            "one mission shows no trend; see docs/planning.md for the years a trend needs"
            if target.quantity == "ph_trend"
            else "no prediction exists for this quantity"
        )
        return [self._refused(target, "", reason)]

    def _refused(self, target: Target, method: str, reason: str) -> PlanRow:
        self.missing.append(f"target {target.quantity} ({target.period}): {reason}")
        return PlanRow(
            quantity=target.quantity, period=target.period, method=method, unit=target.unit,
            wanted=target.half_width_95, predicted=None, met=None, dominant="", cheapest="", reason=reason,
        )  # fmt: skip

    def _row(
        self, target: Target, method: str, budget: dict[str, float], tried: list[Improvement], advice: str = ""
    ) -> PlanRow:
        variance = sum(part**2 for part in budget.values())
        half = TO_95 * float(np.sqrt(variance))
        top = max(budget, key=lambda name: budget[name])
        met = half <= target.half_width_95
        reach = [item for item in tried if item.half_width <= target.half_width_95]
        if met:
            cheapest = "none needed"
        elif reach:
            item = min(reach, key=lambda i: (i.effort, i.half_width))
            cheapest = f"{item.text} ({item.half_width:.3g})"
        elif tried:
            cheapest = f"no single change reaches it; most: {tried[0].text} ({tried[0].half_width:.3g})"
        else:
            cheapest = advice
        share = budget[top] ** 2 / variance if variance > 0.0 else 0.0
        return PlanRow(
            quantity=target.quantity, period=target.period, method=method, unit=target.unit,
            wanted=target.half_width_95, predicted=half, met=met,
            dominant=f"{top.replace('_', ' ')} ({100 * share:.0f} %)", cheapest=cheapest,
            improvements=[asdict(item) for item in tried],
        )  # fmt: skip

    def _gradient(self, target: Target, quantity: str, method: str, other: dict[str, float]) -> PlanRow:
        design = self.design(quantity)
        if design is None:
            return self._refused(target, method, f"the book has no mast for {quantity}")
        if target.period not in design.periods:
            return self._refused(target, method, f"the mission has no {target.period}")
        if target.unit != "mmol m-2 h-1":
            return self._refused(target, method, f"unit {target.unit!r}; a flux is predicted in mmol m-2 h-1")
        design = replace(design, other_sd=other)
        now = predict(design, target.period, draws=DRAWS)
        return self._row(target, method, now.budget, improvements(design, target.period, now=now, draws=DRAWS))

    def _covariance(self, target: Target) -> PlanRow:
        book, hope = self.book, self.expected
        method = "covariance"
        fast = next(
            ((i, d) for i in book.instruments_of_kind("fast_oxygen") for d in book.deployments_of(i.label)), None
        )
        if fast is None:
            return self._refused(target, method, "the fast oxygen sensor is deployed nowhere")
        instrument, place = fast
        term, rough = instrument.term("oxygen"), book.site.roughness_length_m or 0.02
        if term is None:
            return self._refused(target, method, f"{instrument.label} has no terms for oxygen")
        if target.unit != "mmol m-2 h-1":
            return self._refused(target, method, f"unit {target.unit!r}; a flux is predicted in mmol m-2 h-1")
        design = self.design("oxygen")
        count = int(design.periods[target.period].sum()) if design and target.period in design.periods else 0
        if design is None or count == 0:
            return self._refused(target, method, f"the mission has no {target.period}, or no mast of oxygen")
        above = place.height_above_bed_m - book.site.displacement_height_m
        size = float(np.abs(design.flux[design.periods[target.period]]).mean())
        block = covariance_block(
            flux=size,
            friction_velocity=hope.friction_velocity,
            height=above,
            speed=hope.friction_velocity / book.analysis.von_karman * float(np.log(max(above / rough, 1.5))),
            duration=float(book.analysis.block_s),
            response_time=instrument.response_time_s or 0.0,
            concentration_noise=term.noise_sd * hope.water.density / 1000.0,
            sample_rate=1.0 / instrument.sample_interval_s,
        )
        gain = term.gain_sd if term.gain_sd is not None else FAST_GAIN_SD
        known = (instrument.response_time_sd_s or 0.0) / max(instrument.response_time_s or 1.0, 1e-9)
        budget = {
            "turbulence_sampling": block.random_sd / float(np.sqrt(count)),
            "lag": size * COVARIANCE_SYSTEMATIC,
            "gain": size * gain,
            "response": size * block.response_loss * known,
        }
        return self._row(
            target, method, budget, [], "a second fast sensor, or a longer mission where sampling dominates"
        )

    def _local_ph(self, target: Target) -> PlanRow:
        """First order: the organic part through PQ, gas exchange and residence, and the level of oxygen."""
        book, hope = self.book, self.expected
        reference = next(
            (
                book.instrument(d.instrument)
                for d in book.deployments
                if book.station(d.station).role == "reference" and book.instrument(d.instrument).term("oxygen")
            ),
            None,
        )
        design = self.design("oxygen")
        if reference is None or design is None:
            return self._refused(target, "first_order", "needs oxygen on the mast and at a station of role reference")
        if book.site.residence_time_h is None:
            return self._refused(target, "first_order", "the site has no residence_time_h")
        far = reference.term("oxygen")
        near = float(1.0 / np.sqrt((1.0 / np.maximum(design.offset_sd[list(design.mast)], 1e-9) ** 2).sum()))
        if self.oxygen_bottles:
            near = min(near, LABORATORY_SD["oxygen"])
        else:
            self.missing.append("no bottles with oxygen in tables/bottles.csv: its level hangs on certificates")
        slope, rq = abs(hope.water.ph_per_dic), book.analysis.rq
        gassed = hope.gas_transfer * book.site.residence_time_h / book.site.water_depth_m * hope.oxygen_deficit
        residence = (book.site.residence_time_sd_h or 0.2 * book.site.residence_time_h) / book.site.residence_time_h
        budget = {
            "photosynthetic_quotient": hope.local_ph * book.analysis.pq_sd / book.analysis.pq,
            "gas_transfer": slope * rq * gassed * book.analysis.gas_transfer_sd_relative,
            "residence_time": slope * rq * gassed * residence,
            "oxygen_on_the_mast": slope * rq * near,
            "oxygen_at_the_reference": slope * rq * (far.offset_sd if far is not None else 0.0),
        }
        return self._row(target, "first_order", budget, [], "bottles of oxygen at mast and reference (0.4 umol/kg)")

    def _isotopes(self, target: Target) -> PlanRow:
        bottles = self.isotopes or 40
        if not self.isotopes:
            self.missing.append("no bottles with isotopes in tables/bottles.csv: 40 of 0.05 permil assumed")
        found = isotope_separation(
            n=bottles, delta_sd=0.05, dic_spread=self.expected.dic_spread, dic_mean=self.expected.water.dic,
            candidates={},
        )  # fmt: skip
        advice = "more bottles, and sample where DIC spreads most"
        return self._row(target, "keeling", {"bottles": found.source_sd}, [], advice)

    def signals(self) -> dict[str, float]:
        """Return differences and false fluxes between the lowest and the highest sensor of the mast."""
        design = self.design("oxygen") or self.design("ph_total")
        if design is None:
            return {}
        above = design.height[list(design.mast)] - design.displacement
        low, high = float(np.nanmin(above)), float(np.nanmax(above))
        hope = self.expected
        at: dict[str, Any] = {
            "friction_velocity": hope.friction_velocity, "lower": low, "upper": high, "water": hope.water,
            "von_karman": self.book.analysis.von_karman,
        }  # fmt: skip
        signal = gradient_signal(oxygen_flux=-hope.night_uptake, respiratory_quotient=self.book.analysis.rq, **at)
        return {
            "lower_m_above_displacement": low,
            "upper_m_above_displacement": high,
            "friction_velocity_m_s": hope.friction_velocity,
            "oxygen_flux_mmol_m2_h": -hope.night_uptake,
            "oxygen_lower_minus_upper_umol_kg": signal.oxygen,
            "ph_lower_minus_upper": signal.ph,
            "false_oxygen_flux_of_0.1_umol_kg": false_flux(offset=0.1, quantity="oxygen", **at),
            "false_dic_flux_of_0.001_ph": false_flux(offset=0.001, quantity="ph_total", **at),
        }
