"""The account in a table: one row a driver, with interval and, where it means something, share.

Here:     `account_table`.
Not here: sentences and pages.
Rules:    value is the mean over trials, so rows add up; a share is left out where the total cannot be told
          from zero; nothing is clipped.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reeftally._checks import require_range
from reeftally.errors import ShapeError
from reeftally.ledger.account import Account

__all__ = ["AccountRow", "account_table"]


@dataclass(frozen=True, slots=True)
class AccountRow:
    """One row of the table."""

    driver: str
    """A driver, or ``local`` (organic + carbonate + gas exchange), ``remainder``, ``total``."""
    value: float
    lower: float
    upper: float
    sd: float
    share: float
    """Of the total; NaN where the interval of the total holds zero."""
    told_from_zero: bool
    """The interval leaves zero out."""


def account_table(
    *, account: Account, quantity: str = "ph_total", method: str = "shapley_from_past", level: float = 0.95
) -> tuple[AccountRow, ...]:
    """Rows of one account over trials.

    Parameters
    ----------
    account : Account
        With one axis of members, the trials; take `Account.mean` over blocks first.
    quantity, method : str
        As for `Account.effect`.
    level : float
        Of the intervals (percentiles over trials).

    Returns
    -------
    tuple of AccountRow
        All drivers in order, then ``local``, ``remainder``, ``total``.

    Raises
    ------
    ShapeError
        Other than one axis of members.
    """
    require_range("level", level, 0.5, 0.9999)
    total = account.total(quantity=quantity, method=method)
    if total.ndim != 1:
        message = f"The account has members {total.shape}; a table needs one axis, the trials."
        raise ShapeError(message)
    samples = {d: account.effect(quantity=quantity, driver=d, method=method) for d in (*account.drivers, "local")}
    samples["remainder"] = account.remainder(quantity=quantity, method=method)
    samples["total"] = total
    edges = [0.5 - level / 2, 0.5 + level / 2]
    low, high = np.quantile(total, edges)
    told = bool(low > 0.0 or high < 0.0)
    rows = []
    for name, sample in samples.items():
        lower, upper = (float(x) for x in np.quantile(sample, edges))
        value = float(sample.mean())
        rows.append(
            AccountRow(
                driver=name,
                value=value,
                lower=lower,
                upper=upper,
                sd=float(sample.std(ddof=1)) if sample.size > 1 else float("nan"),
                share=value / float(total.mean()) if told else float("nan"),
                told_from_zero=lower > 0.0 or upper < 0.0,
            )
        )
    return tuple(rows)
