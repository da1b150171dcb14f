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
        FluxEstimate as FluxEstimate,
        Reason as Reason,
        reason_texts as reason_texts,
    )
    from reeftally.exchange.budgets import (
        alkalinity_budget as alkalinity_budget,
        concentration_rate as concentration_rate,
        control_volume as control_volume,
        open_water_balance as open_water_balance,
        slack_water as slack_water,
        storage_term as storage_term,
    )
    from reeftally.exchange.carbon import (
        CarbonDifferences as CarbonDifferences,
        carbon_from_ph_and_oxygen as carbon_from_ph_and_oxygen,
        dic_from_ph as dic_from_ph,
        hydrogen_ion_change as hydrogen_ion_change,
        net_calcification as net_calcification,
        organic_share as organic_share,
    )
    from reeftally.exchange.compare import (
        Agreement as Agreement,
        Suspect as Suspect,
        agreement as agreement,
        side_by_side as side_by_side,
    )
    from reeftally.exchange.covariance import (
        CovarianceFlux as CovarianceFlux,
        eddy_covariance as eddy_covariance,
        finkelstein_sims as finkelstein_sims,
        flux_retained as flux_retained,
        lagged_covariance as lagged_covariance,
        response_transfer as response_transfer,
        stationarity as stationarity,
    )
    from reeftally.exchange.enclosures import (
        diffusive_flux as diffusive_flux,
        incubation as incubation,
        slope_window as slope_window,
    )
    from reeftally.exchange.footprints import (
        Footprint as Footprint,
        bottom_shares as bottom_shares,
        footprint as footprint,
    )
    from reeftally.exchange.gradient import (
        GradientFlux as GradientFlux,
        GradientMean as GradientMean,
        flux_ratio as flux_ratio,
        gradient_flux as gradient_flux,
        gradient_flux_trials as gradient_flux_trials,
        profile_flux as profile_flux,
        stability_term as stability_term,
    )
    from reeftally.exchange.lag import (
        PooledLag as PooledLag,
        geometric_lag as geometric_lag,
        pooled_lag as pooled_lag,
    )
    from reeftally.exchange.light import (
        LightResponse as LightResponse,
        compensation_irradiance as compensation_irradiance,
        light_response as light_response,
        response_curve as response_curve,
    )
    from reeftally.exchange.metabolism import (
        Metabolism as Metabolism,
        PeriodSums as PeriodSums,
        community_metabolism as community_metabolism,
        period_sums as period_sums,
        quotient as quotient,
    )
    from reeftally.exchange.offsets import (
        OffsetSolution as OffsetSolution,
        offset_design as offset_design,
        process_terms as process_terms,
        solve_offsets as solve_offsets,
    )
    from reeftally.exchange.organisms import (
        CommunityScale as CommunityScale,
        Form as Form,
        PointSource as PointSource,
        Pumping as Pumping,
        jet_decay as jet_decay,
        point_source as point_source,
        power_profile_ratio as power_profile_ratio,
        profile_ratio as profile_ratio,
        pumping_rate as pumping_rate,
        scale_to_community as scale_to_community,
    )
    from reeftally.exchange.visits import (
        Differences as Differences,
        Plateaus as Plateaus,
        SlateMatch as SlateMatch,
        excurrent_difference as excurrent_difference,
        find_plateaus as find_plateaus,
        match_slate as match_slate,
        replicates_needed as replicates_needed,
    )

_WHERE: dict[str, tuple[str, ...]] = {
    "_common": (
        "FluxEstimate",
        "Reason",
        "reason_texts",
    ),
    "budgets": (
        "alkalinity_budget",
        "concentration_rate",
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
        "finkelstein_sims",
        "flux_retained",
        "lagged_covariance",
        "response_transfer",
        "stationarity",
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
        "flux_ratio",
        "gradient_flux",
        "gradient_flux_trials",
        "profile_flux",
        "stability_term",
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
        "CommunityScale",
        "Form",
        "PointSource",
        "Pumping",
        "jet_decay",
        "point_source",
        "power_profile_ratio",
        "profile_ratio",
        "pumping_rate",
        "scale_to_community",
    ),
    "visits": (
        "Differences",
        "Plateaus",
        "SlateMatch",
        "excurrent_difference",
        "find_plateaus",
        "match_slate",
        "replicates_needed",
    ),
}
_HOME = {name: module for module, names in _WHERE.items() for name in names}
_MODULES = {module for module in _WHERE if not module.startswith("_")} | {"gas_exchange"}

__all__ = [*_HOME, *_MODULES]  # noqa: PLE0604, PLE0605


def __getattr__(name: str) -> Any:
    if name in _HOME:
        value = getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
        globals()[name] = value
        return value
    if name in _MODULES:
        return importlib.import_module(f"{__name__}.{name}")
    message = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(message)
