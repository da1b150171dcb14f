"""The carbonate system of seawater: what other rooms call.

Here:     the public names, gathered.
Not here: over-determined samples (`consistency`).
Rules:    keyword-only; concentrations in µmol kg-1, pressure of the water column in dbar.
"""

from __future__ import annotations

from reeftally.seawater._carbonate_air import (
    dic_in_equilibrium_with_air,
    fco2_from_xco2,
    xco2_from_fco2,
)
from reeftally.seawater._carbonate_constants import equilibrium_constants
from reeftally.seawater._carbonate_names import INPUTS, OUTPUTS, STANDARD_OUTPUTS, CarbonateState
from reeftally.seawater._carbonate_solve import DEFAULT_CONSTANTS, solve
from reeftally.seawater._constants_sets import Constants, ReasonCode, ValidityRange
from reeftally.seawater.carbonate_uncertainty import ORR2018, Propagated, derivatives, propagate

__all__ = [
    "DEFAULT_CONSTANTS",
    "INPUTS",
    "ORR2018",
    "OUTPUTS",
    "STANDARD_OUTPUTS",
    "CarbonateState",
    "Constants",
    "Propagated",
    "ReasonCode",
    "ValidityRange",
    "derivatives",
    "dic_in_equilibrium_with_air",
    "equilibrium_constants",
    "fco2_from_xco2",
    "propagate",
    "solve",
    "xco2_from_fco2",
]
