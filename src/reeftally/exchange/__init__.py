"""Exchange: fluxes off the bed and through the surface by independent methods, and single organisms.

Here:     covariance and gradient fluxes, enclosures, control volumes, point sources, gas exchange, light
          response, agreement of methods. Fluxes are positive into the water.
Not here: the account of who changed the water's carbon (`ledger`).
Rules:    pure; every flux carries a random and a systematic standard uncertainty. Names are imported when
          first used, so that one method can be loaded without the others.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from reeftally.exchange._common import (
        FluxEstimate,
        Reason,
        reason_texts,
    )
    from reeftally.exchange.alkalinity import alkalinity_budget
    from reeftally.exchange.budgets import (
        concentration_rate,
        concentration_rate_sd,
        control_volume,
        open_water_balance,
        slack_water,
        storage_term,
    )
    from reeftally.exchange.carbon import (
        CarbonDifferences,
        carbon_from_ph_and_oxygen,
        dic_from_ph,
        hydrogen_ion_change,
        net_calcification,
        organic_share,
    )
    from reeftally.exchange.compare import (
        Agreement,
        Suspect,
        agreement,
        side_by_side,
    )
    from reeftally.exchange.covariance import (
        CovarianceFlux,
        eddy_covariance,
    )
    from reeftally.exchange.differences import (
        Differences,
        excurrent_difference,
        replicates_needed,
    )
    from reeftally.exchange.enclosures import (
        diffusive_flux,
        incubation,
        slope_window,
    )
    from reeftally.exchange.footprints import (
        Footprint,
        bottom_shares,
        footprint,
    )
    from reeftally.exchange.gradient import (
        GradientFlux,
        GradientMean,
        gradient_flux,
    )
    from reeftally.exchange.lag import (
        PooledLag,
        geometric_lag,
        pooled_lag,
    )
    from reeftally.exchange.light import (
        LightResponse,
        compensation_irradiance,
        light_response,
        response_curve,
    )
    from reeftally.exchange.metabolism import (
        Metabolism,
        PeriodSums,
        community_metabolism,
        period_sums,
        quotient,
    )
    from reeftally.exchange.offsets import (
        OffsetSolution,
        offset_design,
        process_terms,
        solve_offsets,
    )
    from reeftally.exchange.organisms import (
        PointSource,
        Pumping,
        jet_decay,
        point_source,
        power_profile_ratio,
        profile_ratio,
        pumping_rate,
    )
    from reeftally.exchange.profiles import (
        eddy_diffusivity,
        flux_ratio,
        gradient_flux_trials,
        profile_flux,
        stability_term,
    )
    from reeftally.exchange.sampling import (
        detrending_retained,
        finkelstein_sims,
        flux_retained,
        lagged_covariance,
        lenschow_bound,
        response_transfer,
        stationarity,
    )
    from reeftally.exchange.scaling import (
        CommunityScale,
        Form,
        scale_to_community,
    )
    from reeftally.exchange.visits import (
        Plateaus,
        SlateMatch,
        find_plateaus,
        match_slate,
    )

_WHERE: dict[str, tuple[str, ...]] = {
    "_common": (
        "FluxEstimate",
        "Reason",
        "reason_texts",
    ),
    "alkalinity": ("alkalinity_budget",),
    "budgets": (
        "concentration_rate",
        "concentration_rate_sd",
        "control_volume",
        "open_water_balance",
        "slack_water",
        "storage_term",
    ),
    "carbon": (
        "CarbonDifferences",
        "carbon_from_ph_and_oxygen",
        "dic_from_ph",
        "hydrogen_ion_change",
        "net_calcification",
        "organic_share",
    ),
    "compare": (
        "Agreement",
        "Suspect",
        "agreement",
        "side_by_side",
    ),
    "covariance": (
        "CovarianceFlux",
        "eddy_covariance",
    ),
    "differences": (
        "Differences",
        "excurrent_difference",
        "replicates_needed",
    ),
    "enclosures": (
        "diffusive_flux",
        "incubation",
        "slope_window",
    ),
    "footprints": (
        "Footprint",
        "bottom_shares",
        "footprint",
    ),
    "gradient": (
        "GradientFlux",
        "GradientMean",
        "gradient_flux",
    ),
    "lag": (
        "PooledLag",
        "geometric_lag",
        "pooled_lag",
    ),
    "light": (
        "LightResponse",
        "compensation_irradiance",
        "light_response",
        "response_curve",
    ),
    "metabolism": (
        "Metabolism",
        "PeriodSums",
        "community_metabolism",
        "period_sums",
        "quotient",
    ),
    "offsets": (
        "OffsetSolution",
        "offset_design",
        "process_terms",
        "solve_offsets",
    ),
    "organisms": (
        "PointSource",
        "Pumping",
        "jet_decay",
        "point_source",
        "power_profile_ratio",
        "profile_ratio",
        "pumping_rate",
    ),
    "profiles": (
        "eddy_diffusivity",
        "flux_ratio",
        "gradient_flux_trials",
        "profile_flux",
        "stability_term",
    ),
    "sampling": (
        "detrending_retained",
        "finkelstein_sims",
        "flux_retained",
        "lagged_covariance",
        "lenschow_bound",
        "response_transfer",
        "stationarity",
    ),
    "scaling": (
        "CommunityScale",
        "Form",
        "scale_to_community",
    ),
    "visits": (
        "Plateaus",
        "SlateMatch",
        "find_plateaus",
        "match_slate",
    ),
}
_HOME = {name: module for module, names in _WHERE.items() for name in names}
_MODULES = {module for module in _WHERE if not module.startswith("_")} | {"gas_exchange"}

__all__ = [
    "Agreement",
    "CarbonDifferences",
    "CommunityScale",
    "CovarianceFlux",
    "Differences",
    "FluxEstimate",
    "Footprint",
    "Form",
    "GradientFlux",
    "GradientMean",
    "LightResponse",
    "Metabolism",
    "OffsetSolution",
    "PeriodSums",
    "Plateaus",
    "PointSource",
    "PooledLag",
    "Pumping",
    "Reason",
    "SlateMatch",
    "Suspect",
    "agreement",
    "alkalinity",
    "alkalinity_budget",
    "bottom_shares",
    "budgets",
    "carbon",
    "carbon_from_ph_and_oxygen",
    "community_metabolism",
    "compare",
    "compensation_irradiance",
    "concentration_rate",
    "concentration_rate_sd",
    "control_volume",
    "covariance",
    "detrending_retained",
    "dic_from_ph",
    "differences",
    "diffusive_flux",
    "eddy_covariance",
    "eddy_diffusivity",
    "enclosures",
    "excurrent_difference",
    "find_plateaus",
    "finkelstein_sims",
    "flux_ratio",
    "flux_retained",
    "footprint",
    "footprints",
    "gas_exchange",
    "geometric_lag",
    "gradient",
    "gradient_flux",
    "gradient_flux_trials",
    "hydrogen_ion_change",
    "incubation",
    "jet_decay",
    "lag",
    "lagged_covariance",
    "lenschow_bound",
    "light",
    "light_response",
    "match_slate",
    "metabolism",
    "net_calcification",
    "offset_design",
    "offsets",
    "open_water_balance",
    "organic_share",
    "organisms",
    "period_sums",
    "point_source",
    "pooled_lag",
    "power_profile_ratio",
    "process_terms",
    "profile_flux",
    "profile_ratio",
    "profiles",
    "pumping_rate",
    "quotient",
    "reason_texts",
    "replicates_needed",
    "response_curve",
    "response_transfer",
    "sampling",
    "scale_to_community",
    "scaling",
    "side_by_side",
    "slack_water",
    "slope_window",
    "solve_offsets",
    "stability_term",
    "stationarity",
    "storage_term",
    "visits",
]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        value = getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
        globals()[name] = value
        return value
    if name in _MODULES:
        return importlib.import_module(f"{__name__}.{name}")
    message = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(message)
