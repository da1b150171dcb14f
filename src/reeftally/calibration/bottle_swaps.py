"""Bottles whose labels were exchanged: the exchange that puts most right.

Here:     pairs of samples of which each fits where the other one should be.
Not here: what a sample should be (callers predict it), changing a table.
Rules:    an exchange is proposed with its evidence; one odd bottle alone is no exchange.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from reeftally._checks import as_float
from reeftally.errors import InputError

__all__ = ["BottleSwap", "find_swapped"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BottleSwap:
    """Two samples that fit each other's place."""

    first: int
    second: int
    before: float
    """Sum of squared residuals as labelled, in standard uncertainties."""
    after: float
    """The same with the two exchanged."""


def find_swapped(
    *,
    values: npt.ArrayLike,
    predicted: npt.ArrayLike,
    sd: npt.ArrayLike,
    least_z: float = 4.0,
    fits_z: float = 2.5,
) -> list[BottleSwap]:
    """Find exchanged labels among samples that are each told by several quantities.

    Parameters
    ----------
    values, predicted : array-like, (samples, quantities)
        What was measured, and what the place and time of each sample would give; NaN where not known.
    sd : array-like, (samples, quantities)
        Standard uncertainty of a residual.
    least_z : float
        Both samples must be off by this in some quantity as labelled.
    fits_z : float
        And by less than this in every quantity once exchanged.

    Returns
    -------
    list of BottleSwap
        The best exchange first; no sample is named twice.
    """
    v, p, s = (np.atleast_2d(as_float(n, x)) for n, x in (("values", values), ("predicted", predicted), ("sd", sd)))
    if not v.shape == p.shape == s.shape:
        message = f"find_swapped found shapes {v.shape}, {p.shape} and {s.shape}; it needs the same three times."
        raise InputError(message)
    z = np.abs(v - p) / s
    odd = [n for n in range(len(v)) if np.isfinite(z[n]).any() and np.nanmax(z[n]) > least_z]
    found = []
    for one, two in combinations(odd, 2):
        crossed = np.concatenate([(v[one] - p[two]) / s[two], (v[two] - p[one]) / s[one]])
        if not np.isfinite(crossed).any() or np.nanmax(np.abs(crossed)) > fits_z:
            continue
        before = float(np.nansum(z[one] ** 2) + np.nansum(z[two] ** 2))
        found.append(BottleSwap(first=one, second=two, before=before, after=float(np.nansum(crossed**2))))
    found.sort(key=lambda item: item.after - item.before)
    taken: set[int] = set()
    best = []
    for item in found:
        if not taken & {item.first, item.second}:
            best.append(item)
            taken |= {item.first, item.second}
    return best
