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
    from reeftally.exchange._common import Reason, reason_texts
    from reeftally.exchange.covariance import (
        CovarianceFlux,
        eddy_covariance,
        finkelstein_sims,
        flux_retained,
        lagged_covariance,
        response_transfer,
        stationarity,
    )
    from reeftally.exchange.gradient import (
        GradientFlux,
        GradientMean,
        flux_ratio,
        gradient_flux,
        gradient_flux_trials,
        profile_flux,
    )
    from reeftally.exchange.lag import PooledLag, geometric_lag, pooled_lag
    from reeftally.exchange.offsets import OffsetSolution, solve_offsets
    from reeftally.exchange.visits import Plateaus, find_plateaus

_WHERE: dict[str, tuple[str, ...]] = {
    "_common": ("Reason", "reason_texts"),
    "covariance": (
        "CovarianceFlux",
        "eddy_covariance",
        "finkelstein_sims",
        "flux_retained",
        "lagged_covariance",
        "response_transfer",
        "stationarity",
    ),
    "gradient": (
        "GradientFlux",
        "GradientMean",
        "flux_ratio",
        "gradient_flux",
        "gradient_flux_trials",
        "profile_flux",
    ),
    "lag": ("PooledLag", "geometric_lag", "pooled_lag"),
    "offsets": ("OffsetSolution", "solve_offsets"),
    "visits": ("Plateaus", "find_plateaus"),
}
_HOME = {name: module for module, names in _WHERE.items() for name in names}
_MODULES = {module for module in _WHERE if not module.startswith("_")} | {"gas_exchange"}

__all__ = sorted([*_HOME, *_MODULES])  # pyright: ignore[reportUnsupportedDunderAll]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        value = getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
        globals()[name] = value
        return value
    if name in _MODULES:
        return importlib.import_module(f"{__name__}.{name}")
    message = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(message)
