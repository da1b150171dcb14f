"""Planning: detectability of fluxes, effects and trends before anything gets wet.

Here:     what the array can and cannot see, on paper; what to improve; an order of visits.
Not here: the analysis of real records.
Rules:    predictions use the same functions that analyse.
"""

from __future__ import annotations

from reeftally.planning.book import Expected, expected_from_book, gradient_design
from reeftally.planning.improve import CHANGES, Improvement, improvements
from reeftally.planning.missions import GradientDesign, Prediction, Spread, Water, predict, spread
from reeftally.planning.order import VisitPlan, balanced_order, light_at, tide_at, visit_slots
from reeftally.planning.plan import Plan, PlanRow, plan_book, plan_mission
from reeftally.planning.questions import (
    Separation,
    TrendPlan,
    VisitsLeft,
    isotope_separation,
    replicates_left,
    trend_years,
)
from reeftally.planning.signals import (
    CovarianceBlock,
    GradientSignal,
    PlannedWater,
    covariance_block,
    false_flux,
    gradient_signal,
    transfer_velocity,
)

__all__ = [
    "CHANGES",
    "CovarianceBlock",
    "Expected",
    "GradientDesign",
    "GradientSignal",
    "Improvement",
    "Plan",
    "PlanRow",
    "PlannedWater",
    "Prediction",
    "Separation",
    "Spread",
    "TrendPlan",
    "VisitPlan",
    "VisitsLeft",
    "Water",
    "balanced_order",
    "covariance_block",
    "expected_from_book",
    "false_flux",
    "gradient_design",
    "gradient_signal",
    "improvements",
    "isotope_separation",
    "light_at",
    "plan_book",
    "plan_mission",
    "predict",
    "replicates_left",
    "spread",
    "tide_at",
    "transfer_velocity",
    "trend_years",
    "visit_slots",
]
