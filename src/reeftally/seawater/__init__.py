"""Seawater: properties, oxygen, pH, the carbonate system, isotope fractionation, Schmidt numbers.

Here:     pure functions of arrays, keyword-only, units in the docstrings.
Not here: exchange with air or bed (`exchange`), who made the carbon (`ledger`).
Rules:    no file, clock, setting or unit string; NaN in, NaN out. Modules load on first use,
          because the compiler behind the carbonate kernels takes half a second to import.
"""

from __future__ import annotations

from importlib import import_module
from types import ModuleType

__all__ = [
    "alkalinity",
    "carbonate",
    "consistency",
    "isotopes",
    "oxygen",
    "ph",
    "properties",
    "schmidt",
]


def __getattr__(name: str) -> ModuleType:
    """Import the module `name` of this room when it is first used."""
    if name in __all__:
        return import_module(f"{__name__}.{name}")
    message = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(message)


def __dir__() -> list[str]:
    """Return the names of the modules of this room."""
    return sorted(__all__)
