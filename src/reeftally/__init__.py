"""Reeftally: who changed the reef's carbon, how much, and how sure we are.

The pure rooms are public and are imported when first used:
`seawater`, `flow`, `exchange`, `ledger`, `uncertainty`. `open` gives a mission folder.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from reeftally import exchange, flow, ledger, seawater, uncertainty
    from reeftally._open import Mission, open

__version__ = "0.1.0"

__all__ = ["Mission", "__version__", "exchange", "flow", "ledger", "open", "seawater", "uncertainty"]

_ROOMS = {"seawater", "flow", "exchange", "ledger", "uncertainty"}


def __getattr__(name: str) -> Any:
    if name in _ROOMS:
        return importlib.import_module(f"reeftally.{name}")
    if name in {"open", "Mission"}:
        return getattr(importlib.import_module("reeftally._open"), name)
    message = f"module 'reeftally' has no attribute {name!r}"
    raise AttributeError(message)
