"""Ledger: baselines, driver split, source mixing, scaling-up, closure, trends, detectability.

Here:     pure functions that turn states and fluxes into the account.
Not here: reading references or tables; the caller passes them in.
Rules:    never clipped, never forced to close; the residual is always a part of its own.
"""

from __future__ import annotations

from reeftally.ledger.account import METHODS, QUANTITIES, Account, decompose, split
from reeftally.ledger.drivers import (
    DRIVERS,
    LOCAL_MADE,
    concentration_from_flux,
    driver_increments,
    organic_dic_from_oxygen,
)
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

__all__ = [
    "COMPONENTS",
    "DRIVERS",
    "LOCAL_MADE",
    "METHODS",
    "QUANTITIES",
    "Account",
    "Baseline",
    "MixingLine",
    "State",
    "atmosphere_at",
    "baseline",
    "coalition_weights",
    "concentration_from_flux",
    "decompose",
    "driver_increments",
    "global_increment",
    "organic_dic_from_oxygen",
    "past_state",
    "shapley_values",
    "split",
]
