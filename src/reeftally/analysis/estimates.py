"""Estimates: one number with its method, period, interval and trail, and the way trials become one.

Here:     the row of the results contract, its making from trials, and the collection that is written.
Not here: writing files (`results`), the chain that makes the numbers.
Rules:    value is the mean over trials, the interval its percentiles; a refused estimate keeps its row with an
          empty value and the reason. A number without an interval is not an estimate.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, fields
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from reeftally._checks import FloatArray
from reeftally.errors import InputError

__all__ = ["COLUMNS", "COMMUNITY", "SITE", "Estimate", "Estimates", "iso"]

# Subjects of the contract that are no individual or instrument: one site and one community a mission.
SITE = "site"
COMMUNITY = "community"


def iso(time_ns: int | None) -> str:
    """Return an instant as ISO 8601 text with Z, to the second (to the millisecond if needed)."""
    if time_ns is None:
        return ""
    stamp = np.datetime64(int(time_ns), "ns")
    unit = "s" if int(time_ns) % 1_000_000_000 == 0 else "ms"
    return f"{stamp.astype(f'datetime64[{unit}]')}Z"


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """One row of `estimates.csv`."""

    quantity: str
    method: str
    subject: str
    period: str
    start: str
    end: str
    value: float | None
    unit: str
    lower: float | None
    upper: float | None
    level: float = 0.95
    random_sd: float | None = None
    systematic_sd: float | None = None
    n: int = 0
    flag: int = 1
    reason: str = ""
    trail: str = ""
    budget: str = ""
    """Largest contributions to the variance, as ``term share; term share``."""
    channel: str = ""
    """Quantity that a sensor's offset, drift or gain belongs to."""


COLUMNS = tuple(f.name for f in fields(Estimate))


@dataclass(slots=True)
class Estimates:
    """The estimates of one run, in the order in which the chain made them."""

    rows: list[Estimate] = field(default_factory=list)

    def add(self, row: Estimate) -> None:
        """Add one row."""
        self.rows.append(row)

    def from_trials(
        self,
        *,
        quantity: str,
        method: str,
        subject: str,
        period: str,
        start_ns: int | None,
        end_ns: int | None,
        unit: str,
        samples: npt.ArrayLike,
        systematic_samples: npt.ArrayLike | None = None,
        terms: dict[str, FloatArray] | None = None,
        n: int,
        trail: str,
        flag: int = 1,
        reason: str = "",
    ) -> Estimate:
        """Make a row from trials of a period estimate and add it.

        Parameters
        ----------
        samples : array-like, (trials,)
            The estimate in every trial, all terms drawn.
        systematic_samples : array-like, (trials,), optional
            The same with the random terms held at their means. The random part is the variance left over.
        terms : dict of name to (trials,)
            Draws of the systematic terms; the share of each is its squared correlation with `samples`.
        n : int
            How many blocks (or visits, bottles) stand behind it.
        """
        draws = np.asarray(samples, dtype=np.float64).ravel()
        good = draws[np.isfinite(draws)]
        if good.size < max(50, draws.size // 2):
            return self.refuse(
                quantity=quantity,
                method=method,
                subject=subject,
                period=period,
                start_ns=start_ns,
                end_ns=end_ns,
                unit=unit,
                reason=reason or f"only {good.size} of {draws.size} trials gave a number",
                n=n,
                trail=trail,
            )
        total = float(np.var(good, ddof=1))
        systematic = total
        if systematic_samples is not None:
            fixed = np.asarray(systematic_samples, dtype=np.float64).ravel()
            systematic = min(total, float(np.var(fixed[np.isfinite(fixed)], ddof=1)))
        lower, upper = (float(v) for v in np.percentile(good, [2.5, 97.5]))
        row = Estimate(
            quantity=quantity,
            method=method,
            subject=subject,
            period=period,
            start=iso(start_ns),
            end=iso(end_ns),
            value=float(np.mean(good)),
            unit=unit,
            lower=lower,
            upper=upper,
            random_sd=float(np.sqrt(max(total - systematic, 0.0))),
            systematic_sd=float(np.sqrt(systematic)),
            n=int(n),
            flag=flag,
            reason=reason,
            trail=trail,
            budget=_budget(draws, terms or {}, total, total - systematic),
        )
        self.add(row)
        return row

    def from_parts(
        self,
        *,
        quantity: str,
        method: str,
        subject: str,
        period: str,
        start_ns: int | None,
        end_ns: int | None,
        unit: str,
        value: float,
        random_sd: float,
        systematic_sd: float,
        n: int,
        trail: str,
        flag: int = 1,
        reason: str = "",
        coverage_factor: float = 1.959964,
        channel: str = "",
    ) -> Estimate:
        """Make a row from a first-order result (value and two standard uncertainties) and add it."""
        if not np.isfinite([value, random_sd, systematic_sd]).all():
            return self.refuse(
                quantity=quantity,
                method=method,
                subject=subject,
                period=period,
                start_ns=start_ns,
                end_ns=end_ns,
                unit=unit,
                reason=reason or "not a number",
                n=n,
                trail=trail,
            )
        half = coverage_factor * float(np.hypot(random_sd, systematic_sd))
        row = Estimate(
            quantity=quantity,
            method=method,
            subject=subject,
            period=period,
            start=iso(start_ns),
            end=iso(end_ns),
            value=float(value),
            unit=unit,
            lower=float(value - half),
            upper=float(value + half),
            random_sd=float(random_sd),
            systematic_sd=float(systematic_sd),
            n=int(n),
            flag=flag,
            reason=reason,
            trail=trail,
            channel=channel,
        )
        self.add(row)
        return row

    def refuse(
        self,
        *,
        quantity: str,
        method: str,
        subject: str,
        period: str,
        start_ns: int | None,
        end_ns: int | None,
        unit: str,
        reason: str,
        trail: str,
        n: int = 0,
        flag: int = 4,
    ) -> Estimate:
        """Keep the row of an estimate that cannot be given, with the reason."""
        if not reason:
            message = f"{quantity} by {method} was refused without a reason."
            raise InputError(message)
        row = Estimate(
            quantity=quantity,
            method=method,
            subject=subject,
            period=period,
            start=iso(start_ns),
            end=iso(end_ns),
            value=None,
            unit=unit,
            lower=None,
            upper=None,
            n=int(n),
            flag=flag,
            reason=reason,
            trail=trail,
        )
        self.add(row)
        return row

    def frame(self) -> pd.DataFrame:
        """Return the rows as a table with the columns of the contract."""
        return pd.DataFrame([asdict(row) for row in self.rows], columns=list(COLUMNS))

    def records(self) -> list[dict[str, Any]]:
        """Return the rows as plain dictionaries for JSON."""
        return [asdict(row) for row in self.rows]


def _budget(samples: FloatArray, terms: dict[str, FloatArray], total: float, random: float) -> str:
    """Name the terms with the largest share of the variance (squared correlation; first order)."""
    if total <= 0:
        return ""
    shares: dict[str, float] = {"random": max(random, 0.0) / total}
    good = np.isfinite(samples)
    for name, draws in terms.items():
        part = np.asarray(draws, dtype=np.float64)[good]
        if part.size > 2 and np.std(part) > 0:
            shares[name] = float(np.corrcoef(part, samples[good])[0, 1] ** 2)
    largest = sorted(shares.items(), key=lambda item: -item[1])[:4]
    return "; ".join(f"{name} {share:.2f}" for name, share in largest if share >= 0.02)
