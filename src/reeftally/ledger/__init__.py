"""Ledger: baselines, driver split, source mixing, scaling-up, closure, trends, detectability.

Here:     pure functions that turn states and fluxes into the account.
Not here: reading references or tables; the caller passes them in.
Rules:    never clipped, never forced to close; the residual is always a part of its own.
"""

from __future__ import annotations

from reeftally.ledger.account import METHODS, QUANTITIES, Account, decompose, split
from reeftally.ledger.detect import (
    Detection,
    Emergence,
    Step,
    deployment_offset_term,
    detection_years,
    step_test,
    time_of_emergence,
    years_to_detect,
)
from reeftally.ledger.drivers import (
    DRIVERS,
    LOCAL_MADE,
    concentration_from_flux,
    driver_increments,
    nutrient_alkalinity,
    organic_dic_from_oxygen,
)
from reeftally.ledger.evidence import (
    Closure,
    EvidenceLine,
    closure,
    excess_from_difference,
    excess_from_flux,
    excess_from_isotopes,
    excess_from_organisms,
    metabolism_from_slope,
)
from reeftally.ledger.isotopes import (
    GLOBAL_NOTE,
    Candidates,
    SourceEstimate,
    candidate_likelihoods,
    delta_after_adding,
    detectable_limit,
    isotope_slopes,
    keeling,
    miller_tans,
    paired_source,
    remove_carbonate,
)
from reeftally.ledger.matched import Matched, matched_difference
from reeftally.ledger.missions import (
    Change,
    MethodChange,
    MissionDifference,
    Rank,
    SiteStatus,
    change_table,
    compare_missions,
    rank_in_history,
    site_status,
)
from reeftally.ledger.mixing import Mixture, mix
from reeftally.ledger.periods import ReferenceShift, combine_periods, sensitivity_to_reference
from reeftally.ledger.robust import Kendall, RobustSlope, mann_kendall, seasonal_kendall, theil_sen
from reeftally.ledger.service import Referred, refer_to_bottles
from reeftally.ledger.shapley import coalition_weights, shapley_values
from reeftally.ledger.states import (
    COMPONENTS,
    Baseline,
    MixingLine,
    State,
    atmosphere_at,
    baseline,
    global_increment,
    past_state,
)
from reeftally.ledger.summary import AccountRow, account_table
from reeftally.ledger.trends import Posterior, Trend, local_trend, trend, trend_sd
from reeftally.ledger.whatif import INPUT_NAMES, WhatIf, what_if

__all__ = [
    "COMPONENTS",
    "DRIVERS",
    "GLOBAL_NOTE",
    "INPUT_NAMES",
    "LOCAL_MADE",
    "METHODS",
    "QUANTITIES",
    "Account",
    "AccountRow",
    "Baseline",
    "Candidates",
    "Change",
    "Closure",
    "Detection",
    "Emergence",
    "EvidenceLine",
    "Kendall",
    "Matched",
    "MethodChange",
    "MissionDifference",
    "MixingLine",
    "Mixture",
    "Posterior",
    "Rank",
    "ReferenceShift",
    "Referred",
    "RobustSlope",
    "SiteStatus",
    "SourceEstimate",
    "State",
    "Step",
    "Trend",
    "WhatIf",
    "account_table",
    "atmosphere_at",
    "baseline",
    "candidate_likelihoods",
    "change_table",
    "closure",
    "coalition_weights",
    "combine_periods",
    "compare_missions",
    "concentration_from_flux",
    "decompose",
    "delta_after_adding",
    "deployment_offset_term",
    "detectable_limit",
    "detection_years",
    "driver_increments",
    "excess_from_difference",
    "excess_from_flux",
    "excess_from_isotopes",
    "excess_from_organisms",
    "global_increment",
    "isotope_slopes",
    "keeling",
    "local_trend",
    "mann_kendall",
    "matched_difference",
    "metabolism_from_slope",
    "miller_tans",
    "mix",
    "nutrient_alkalinity",
    "organic_dic_from_oxygen",
    "paired_source",
    "past_state",
    "rank_in_history",
    "refer_to_bottles",
    "remove_carbonate",
    "seasonal_kendall",
    "sensitivity_to_reference",
    "shapley_values",
    "site_status",
    "split",
    "step_test",
    "theil_sen",
    "time_of_emergence",
    "trend",
    "trend_sd",
    "what_if",
    "years_to_detect",
]
