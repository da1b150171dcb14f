"""Names of what goes into and comes out of the carbonate system, and the solved state.

Here:     the tables that give the compiled kernels' numbers their names; `CarbonateState`.
Not here: solving (`_carbonate_solve`).
Rules:    the order of both tables is the order of the numbers in `_kernels`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

__all__ = ["INPUTS", "OUTPUTS", "STANDARD_OUTPUTS", "CarbonateState"]

INPUTS = (
    "total_alkalinity",
    "dic",
    "ph_total",
    "ph_free",
    "ph_seawater",
    "ph_nbs",
    "co2",
    "fco2",
    "pco2",
    "xco2",
    "bicarbonate",
    "carbonate",
)

# Inputs of one group say the same thing, so that a pair needs two groups.
GROUPS = {
    "total_alkalinity": "alkalinity",
    "dic": "dic",
    "ph_total": "ph",
    "ph_free": "ph",
    "ph_seawater": "ph",
    "ph_nbs": "ph",
    "co2": "co2",
    "fco2": "co2",
    "pco2": "co2",
    "xco2": "co2",
    "bicarbonate": "bicarbonate",
    "carbonate": "carbonate",
}

STANDARD_OUTPUTS = (
    "total_alkalinity",
    "dic",
    "ph_total",
    "ph_free",
    "ph_seawater",
    "ph_nbs",
    "co2",
    "bicarbonate",
    "carbonate",
    "fco2",
    "pco2",
    "xco2",
    "aragonite_saturation",
    "calcite_saturation",
    "revelle_factor",
    "gamma_dic",
    "beta_dic",
    "omega_dic",
    "gamma_alk",
    "beta_alk",
    "omega_alk",
)
SPECIES_OUTPUTS = (
    "hydrogen_free",
    "hydroxide",
    "borate",
    "hydrogen_sulfate",
    "hydrogen_fluoride",
    "phosphoric_acid",
    "dihydrogen_phosphate",
    "hydrogen_phosphate",
    "phosphate_ion",
    "silicate_ion",
)
# The kernels number bicarbonate 7 and carbonate 8, as here.
OUTPUTS = STANDARD_OUTPUTS + SPECIES_OUTPUTS

UNITS = {
    **dict.fromkeys(OUTPUTS, "µmol kg-1"),
    **dict.fromkeys(("ph_total", "ph_free", "ph_seawater", "ph_nbs"), ""),
    **dict.fromkeys(("aragonite_saturation", "calcite_saturation", "revelle_factor"), ""),
    "fco2": "µatm",
    "pco2": "µatm",
    "xco2": "µmol mol-1",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CarbonateState:
    """A solved state; every field a float, an array or an xarray object, or None if not asked for.

    Concentrations and buffer factors in µmol kg-1. Fields from `hydrogen_free` on are computed
    only on request (``outputs=``).
    """

    total_alkalinity: Any = None
    """Total alkalinity. [µmol kg-1]"""
    dic: Any = None
    """Dissolved inorganic carbon. [µmol kg-1]"""
    ph_total: Any = None
    """pH, total scale. [1]"""
    ph_free: Any = None
    """pH, free scale. [1]"""
    ph_seawater: Any = None
    """pH, seawater scale. [1]"""
    ph_nbs: Any = None
    """pH, NBS scale. [1]"""
    co2: Any = None
    """Dissolved CO2 with carbonic acid. [µmol kg-1]"""
    bicarbonate: Any = None
    """Bicarbonate ion. [µmol kg-1]"""
    carbonate: Any = None
    """Carbonate ion. [µmol kg-1]"""
    fco2: Any = None
    """Fugacity of CO2. [µatm]"""
    pco2: Any = None
    """Partial pressure of CO2 in moist air at the air pressure. [µatm]"""
    xco2: Any = None
    """Dry mole fraction of CO2 in air in equilibrium at the air pressure. [µmol mol-1]"""
    aragonite_saturation: Any = None
    """Saturation state of aragonite. [1]"""
    calcite_saturation: Any = None
    """Saturation state of calcite. [1]"""
    revelle_factor: Any = None
    """d ln fCO2 / d ln DIC at fixed alkalinity. [1]"""
    gamma_dic: Any = None
    """(d ln CO2 / d DIC)^-1 at fixed alkalinity: Egleston et al. 2010. [µmol kg-1]"""
    beta_dic: Any = None
    """(d ln H / d DIC)^-1 at fixed alkalinity. [µmol kg-1]"""
    omega_dic: Any = None
    """(d ln saturation / d DIC)^-1 at fixed alkalinity. [µmol kg-1]"""
    gamma_alk: Any = None
    """(d ln CO2 / d alkalinity)^-1 at fixed DIC. [µmol kg-1]"""
    beta_alk: Any = None
    """(d ln H / d alkalinity)^-1 at fixed DIC. [µmol kg-1]"""
    omega_alk: Any = None
    """(d ln saturation / d alkalinity)^-1 at fixed DIC. [µmol kg-1]"""
    hydrogen_free: Any = None
    """Free hydrogen ion. [µmol kg-1]"""
    hydroxide: Any = None
    """Hydroxide ion. [µmol kg-1]"""
    borate: Any = None
    """Tetrahydroxyborate ion. [µmol kg-1]"""
    hydrogen_sulfate: Any = None
    """Hydrogen sulfate ion. [µmol kg-1]"""
    hydrogen_fluoride: Any = None
    """Hydrogen fluoride. [µmol kg-1]"""
    phosphoric_acid: Any = None
    """H3PO4. [µmol kg-1]"""
    dihydrogen_phosphate: Any = None
    """H2PO4-. [µmol kg-1]"""
    hydrogen_phosphate: Any = None
    """HPO4--. [µmol kg-1]"""
    phosphate_ion: Any = None
    """PO4---. [µmol kg-1]"""
    silicate_ion: Any = None
    """SiO(OH)3-. [µmol kg-1]"""
    code: Any = 0
    """Reason code, bits of `ReasonCode`. [1]"""
    derivatives: Any = None
    """Partial derivatives, if asked for (see `derivatives`)."""

    def __iter__(self) -> Iterator[str]:
        """Iterate over the names of the outputs that were computed."""
        return (f.name for f in fields(self) if f.name in OUTPUTS and getattr(self, f.name) is not None)

    def __getitem__(self, name: str) -> Any:
        """Return the output `name`."""
        return getattr(self, name)
