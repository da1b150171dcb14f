"""Budget by cause: how much of the variance each named term brings.

Here:     shares by redrawing or freezing one term at a time, and shares from the draws already at hand.
Not here: drawing and summarising.
Rules:    shares are of the total variance. They need not add to 1: terms may act together, and this is said
          by `BudgetRow.sampling_sd` and the difference between the two kinds of share, never hidden by scaling.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, one_of
from reeftally.errors import ShapeError
from reeftally.uncertainty.trials import CHUNK, Trials, collect

__all__ = ["BudgetRow", "budget", "shares_from_draws"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetRow:
    """One term's part in the variance of a result."""

    term: str
    """Name of the term, or "*random" for all random terms together."""
    share: FloatArray
    """Variance that would be gone if the term were known exactly, over the total variance."""
    sd: FloatArray
    """Standard uncertainty the term alone stands for: sqrt(share) times the total. [unit of the result]"""
    sampling_sd: FloatArray
    """Standard error of `share` from the number of trials."""


def budget(
    model: Callable[[Trials], npt.ArrayLike],
    *,
    trials: Trials,
    terms: Iterable[str],
    method: str = "redraw",
    samples: npt.ArrayLike | None = None,
    batch_size: int = CHUNK,
) -> list[BudgetRow]:
    """Share of the variance brought by each term, largest first.

    Parameters
    ----------
    model : callable
        Takes trials, returns results with the trial as first axis, shape (count, ...).
    trials : Trials
        Trials to run; the model runs once more for each term.
    terms : iterable of str
        Names of terms; "*random" and "*systematic" stand for all of a kind.
    method : {"redraw", "freeze"}, default "redraw"
        "redraw" draws the term anew and leaves the rest: share = E[(y - y')^2] / (2 var y), the total
        effect of [Jansen1999]_, right for curved models too. "freeze" holds the term at 0:
        share = 1 - var(y frozen) / var(y).
    samples : array-like, optional
        Results of `trials` if they are at hand already.
    batch_size : int
        Trials a batch.

    Returns
    -------
    list of BudgetRow
        Sorted by the mean share over the results.

    References
    ----------
    .. [Jansen1999] Jansen 1999, Comput. Phys. Commun. 117, 35-43, eq. for the total effect.
    """
    one_of("method", method, ("redraw", "freeze"))
    base = collect(trials, model, batch_size=batch_size) if samples is None else as_float("samples", samples)
    if base.shape[:1] != (trials.count,):
        message = f"samples has shape {base.shape} for {trials.count} trials; the first axis is the trial."
        raise ShapeError(message)
    total = np.nanvar(base, axis=0, ddof=1)
    rows = []
    for term in terms:
        changed = collect(_changed(trials, term, method), model, batch_size=batch_size)
        with np.errstate(all="ignore"):
            if method == "redraw":
                square = 0.5 * (base - changed) ** 2
            else:
                square = (base - np.nanmean(base, axis=0)) ** 2 - (changed - np.nanmean(changed, axis=0)) ** 2
            share = np.nanmean(square, axis=0) / total
            sampling = np.nanstd(square, axis=0, ddof=1) / np.sqrt(trials.count) / total
        rows.append(
            BudgetRow(
                term=term,
                share=share[()],
                sd=np.sqrt(np.maximum(share, 0.0) * total)[()],
                sampling_sd=sampling[()],
            )
        )
    return sorted(rows, key=lambda row: -float(np.mean(row.share)))


def shares_from_draws(*, samples: npt.ArrayLike, draws: Mapping[str, npt.ArrayLike]) -> dict[str, float]:
    """Shares of the variance of one result explained by the draws of systematic terms, without a new run.

    Parameters
    ----------
    samples : array-like, shape (n,)
        Results of the trials. [any unit]
    draws : mapping of name to array-like, shape (n,)
        The draws of each term in the same trials. [unit of the term]

    Returns
    -------
    dict of name to float
        For each term, regression coefficient times covariance with the result, over the variance (the product
        measure of [Pratt1987]_); under the name "rest" what no straight-line effect explains: random terms
        and curvature. The values add to 1. For correlated terms one may be negative.

    References
    ----------
    .. [Pratt1987] Pratt 1987, in Proc. 2nd Tampere Conference in Statistics, 245-260.
    """
    y = as_float("samples", samples)
    names = list(draws)
    columns = [as_float(name, draws[name]) for name in names]
    if y.ndim != 1 or any(column.shape != y.shape for column in columns):
        message = f"samples {y.shape} and every draw need one dimension and one length."
        raise ShapeError(message)
    there = np.isfinite(y)
    for column in columns:
        there &= np.isfinite(column)
    y = y[there] - y[there].mean()
    total = float(y @ y)
    shares: dict[str, float] = dict.fromkeys(names, 0.0)
    live = [k for k, column in enumerate(columns) if float(np.ptp(column[there])) > 0.0]
    if live and total > 0.0:
        matrix = np.stack([columns[k][there] - columns[k][there].mean() for k in live], axis=1)
        matrix = matrix / np.sqrt((matrix * matrix).sum(0))
        coefficient, *_ = np.linalg.lstsq(matrix, y, rcond=None)
        products = coefficient * (matrix.T @ y) / total
        shares.update({names[k]: float(part) for k, part in zip(live, products, strict=True)})
    shares["rest"] = 1.0 - sum(shares.values()) if total > 0.0 else float("nan")
    return shares


def _changed(trials: Trials, term: str, method: str) -> Trials:
    if method == "redraw":
        return trials.redrawn(term)
    if term == "*random":
        return trials.without_random()
    if term == "*systematic":
        return trials.without_systematic()
    return trials.without(term)
