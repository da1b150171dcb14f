"""Order of visits, balanced over tide and light.

Here:     when each organism is visited, so that a difference between forms is not a difference of the hour.
Not here: depth, bottom time or anything of diving safety: dive supervision is a role outside this tool.
Rules:    random first, then improved by exchanges; the same seed gives the same order; what is left of correlation
          is part of the answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float
from reeftally.errors import InputError, ShapeError
from reeftally.mission import solar

__all__ = ["VisitPlan", "balanced_order", "light_at", "tide_at", "visit_slots"]

DAY_NS = 86_400_000_000_000
HOUR_NS = 3_600_000_000_000
# Weight of an organism's own spread over tide and light, and of two visits on one day, against the balance of forms.
SPREAD_WEIGHT = 0.02
SAME_DAY_WEIGHT = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitPlan:
    """Which organism is visited in which slot."""

    organism: npt.NDArray[np.int64]
    """Number of the organism for each slot, -1 where the slot is free, (slots,)."""
    correlation: dict[str, dict[str, float]]
    """Correlation of each form with each condition over the visits. [1]"""

    @property
    def worst(self) -> float:
        """Largest absolute correlation. [1]."""
        return max((abs(value) for row in self.correlation.values() for value in row.values()), default=0.0)


def visit_slots(
    *,
    start_ns: int,
    days: int,
    latitude_deg: float,
    longitude_deg: float,
    per_day: int = 8,
    margin_h: float = 1.5,
) -> npt.NDArray[np.int64]:
    """Return times of visits between sunrise and sunset.

    Parameters
    ----------
    start_ns : int
        Any instant of the first day. [ns since 1970-01-01 UTC]
    days : int
        Number of days.
    latitude_deg, longitude_deg : float
        [degree]
    per_day : int
        Slots a day, equally spaced.
    margin_h : float
        Kept free after sunrise and before sunset. [h]

    Returns
    -------
    int64 array, shape (days * per_day,)
        [ns since 1970-01-01 UTC]

    Raises
    ------
    InputError
        If a day is too short.
    """
    noons = solar.solar_noon(start_ns + np.arange(days, dtype=np.int64) * DAY_NS, longitude_deg)
    rise, down = solar.sunrise_sunset(noons, latitude_deg, longitude_deg)
    first, last = rise + round(margin_h * HOUR_NS), down - round(margin_h * HOUR_NS)
    if (last <= first).any():
        message = f"margin_h {margin_h} leaves no daylight; choose a smaller one."
        raise InputError(message)
    share = (np.arange(per_day) + 0.5) / per_day
    return np.asarray((first[:, None] + share * (last - first)[:, None]).astype(np.int64).ravel())


def tide_at(time_ns: npt.ArrayLike, constituents: dict[float, tuple[float, float]]) -> tuple[FloatArray, FloatArray]:
    """Return height of the tide and its rate of change.

    Parameters
    ----------
    time_ns : array-like of int64
        [ns since 1970-01-01 UTC]
    constituents : dict
        Period [h] to (amplitude [m], time of a high water [h since 1970-01-01 UTC]).

    Returns
    -------
    height, rate : float64 arrays
        [m, m h-1]
    """
    hours = np.asarray(time_ns, dtype=np.int64) / HOUR_NS
    height, rate = np.zeros(hours.shape), np.zeros(hours.shape)
    for period, (amplitude, high) in constituents.items():
        angle = 2.0 * np.pi * (hours - high) / period
        height += amplitude * np.cos(angle)
        rate -= amplitude * 2.0 * np.pi / period * np.sin(angle)
    return height, rate


def light_at(time_ns: npt.ArrayLike, latitude_deg: float, longitude_deg: float) -> FloatArray:
    """Return the sine of the sun's elevation, zero at night: the shape of clear-sky light. [1]."""
    up = solar.elevation(np.asarray(time_ns, dtype=np.int64), latitude_deg, longitude_deg)
    return np.maximum(np.sin(np.radians(up)), 0.0)


def balanced_order(
    *,
    forms: Sequence[str],
    replicates: int,
    conditions: dict[str, npt.ArrayLike],
    day: npt.ArrayLike,
    seed: int = 1,
    exchanges: int = 6000,
) -> VisitPlan:
    """Return an order of visits in which no form goes with a condition.

    Parameters
    ----------
    forms : sequence of str
        Form of each organism.
    replicates : int
        Visits of each organism.
    conditions : dict of array-like, shape (slots,)
        For example height and rate of the tide, and light.
    day : array-like of int, shape (slots,)
        Number of the day of each slot; visits of one organism are put on different days.
    seed : int
        Of the random start and of the exchanges.
    exchanges : int
        Exchanges tried.

    Returns
    -------
    VisitPlan

    Raises
    ------
    ShapeError, InputError
        If arrays do not fit, or there are fewer slots than visits.
    """
    days = np.asarray(day, dtype=np.int64)
    slots = days.size
    table = np.array([as_float(name, values) for name, values in conditions.items()])
    if table.ndim != 2 or table.shape[1] != slots:
        message = f"conditions {table.shape} and day ({slots},) need one number of slots."
        raise ShapeError(message)
    visits = len(forms) * replicates
    if visits > slots:
        message = f"{visits} visits do not fit into {slots} slots; give more days or more slots a day."
        raise InputError(message)
    names = sorted(set(forms))
    form_of = np.array([names.index(form) for form in forms] + [-1])
    rng = np.random.default_rng(seed)
    order = np.concatenate([np.repeat(np.arange(len(forms)), replicates), np.full(slots - visits, -1)])
    order = rng.permutation(order)
    scaled = (table - table.mean(axis=1, keepdims=True)) / np.maximum(table.std(axis=1, keepdims=True), 1e-12)

    def cost(trial: npt.NDArray[np.int64]) -> float:
        found = _correlations(form_of[trial], len(names), table)
        used = trial >= 0
        who = trial[used]
        means = np.array([np.bincount(who, weights=row[used], minlength=len(forms)) for row in scaled]) / replicates
        pair = np.unique(who * (int(days.max()) + 1) + days[used])
        doubled = 1.0 - pair.size / max(who.size, 1)
        # The worst correlation counts on top of the sum, as it is what a reader looks at.
        balance = float((found**2).sum() + 4.0 * (np.abs(found).max() ** 2))
        return balance + SPREAD_WEIGHT * float((means**2).mean()) + SAME_DAY_WEIGHT * doubled

    now = cost(order)
    for _ in range(exchanges):
        a, b = rng.integers(0, slots, 2)
        if order[a] == order[b]:
            continue
        order[a], order[b] = order[b], order[a]
        then = cost(order)
        if then <= now:
            now = then
        else:
            order[a], order[b] = order[b], order[a]
    found = _correlations(form_of[order], len(names), table)
    return VisitPlan(
        organism=order,
        correlation={
            form: {name: float(found[i, j]) for j, name in enumerate(conditions)} for i, form in enumerate(names)
        },
    )


def _correlations(form: npt.NDArray[np.int64], count: int, table: FloatArray) -> FloatArray:
    """Return the correlation of "is of this form" with each condition over the visits, (forms, conditions)."""
    used = form >= 0
    member = (form[used] == np.arange(count)[:, None]).astype(float)
    member -= member.mean(axis=1, keepdims=True)
    values = table[:, used]
    values = values - values.mean(axis=1, keepdims=True)
    size = np.sqrt((member**2).sum(axis=1))[:, None] * np.sqrt((values**2).sum(axis=1))[None, :]
    return np.asarray(member @ values.T / np.where(size > 0.0, size, np.inf))
