"""Sentences of others made ready for people: raised exponents, minus signs.

Here:     one function for texts that come from results.
Not here: numbers (`reeftally.telling.words`).
Rules:    times and names keep their hyphens.
"""

from __future__ import annotations

import re
from typing import Any

__all__ = ["raised"]

_UNIT = re.compile(r"\b(m|cm|h|s|d|kg|mol)-([1-3])(?![0-9T:-])")
_MINUS = re.compile(r"(?<![\w.-])-(?=[0-9])")
_RAISED = "⁰¹²³⁴⁵⁶⁷⁸⁹"


def raised(text: Any) -> str:
    """Return a sentence with raised exponents (``m-2 h-1``) and minus signs."""
    return _MINUS.sub("−", _UNIT.sub(lambda m: f"{m.group(1)}⁻{_RAISED[int(m.group(2))]}", str(text)))
