"""Words for numbers that sentences of this room share."""

from __future__ import annotations

__all__ = ["chance"]

LEAST_P = 0.001
"""Smaller probabilities rest on tails of distributions that no record of this size can test."""


def chance(p: float) -> str:
    """Return a probability of a test as words, such as ``p = 0.03`` or ``p < 0.001``."""
    return f"p < {LEAST_P:g}" if p < LEAST_P else f"p = {p:.2g}"
