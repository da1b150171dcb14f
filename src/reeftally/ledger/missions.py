"""Two missions compared, results under other constants, a site against its own history.

Here:     `compare_missions`, `change_table`, `site_status`, `rank_in_history`.
Not here: trends (`trends`), steps in one record (`detect`).
Rules:    a difference between missions is shown with every change of method beside it; a change that can
          move the number is a possible artefact until an overlap or bottles bound it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from reeftally._checks import as_float, require_same_length
from reeftally.errors import InputError

__all__ = [
    "Change",
    "MethodChange",
    "MissionDifference",
    "Rank",
    "SiteStatus",
    "change_table",
    "compare_missions",
    "rank_in_history",
    "site_status",
]


@dataclass(frozen=True, slots=True)
class MethodChange:
    """One method that differs between two missions."""

    what: str
    before: str
    after: str
    bound: float | None
    """Largest step it can have caused (95 %), when an overlap or bottles bound it."""


@dataclass(frozen=True, slots=True)
class MissionDifference:
    """Second mission minus first."""

    difference: float
    sd: float
    lower: float
    upper: float
    changes: tuple[MethodChange, ...]
    verdict: str
    """``no change told``, ``change`` or ``possible artefact``."""
    sentence: str


def compare_missions(
    *,
    first: float,
    first_sd: float,
    second: float,
    second_sd: float,
    first_methods: Mapping[str, str],
    second_methods: Mapping[str, str],
    shared_sd: float = 0.0,
    step_bounds: Mapping[str, tuple[float, float]] | None = None,
    level: float = 0.95,
) -> MissionDifference:
    """Difference of one estimate between two missions, with the method changes listed.

    Parameters
    ----------
    first, first_sd, second, second_sd : float
        Estimate and total standard uncertainty of each mission, at matched tide, light, temperature
        and season.
    first_methods, second_methods : mapping
        What was used: sensor type, constants, heights, protocol. Every key that differs, or that one
        side lacks, is a change.
    shared_sd : float
        Systematic part that both missions have in common (same standard, same constants); it cancels.
    step_bounds : mapping, optional
        Name of a change to (step, standard uncertainty of the step), from an overlap or from bottles:
        the step is taken off the difference and its uncertainty added.
    level : float
        Of the interval.

    Returns
    -------
    MissionDifference

    Raises
    ------
    InputError
        The shared part exceeds a mission's uncertainty, or a bound names no change.
    """
    if shared_sd > min(first_sd, second_sd):
        message = f"shared_sd {shared_sd} exceeds the uncertainty of a mission; it is a part of both."
        raise InputError(message)
    bounds = dict(step_bounds or {})
    keys = sorted({*first_methods, *second_methods})
    differing = [k for k in keys if first_methods.get(k) != second_methods.get(k)]
    unknown = [name for name in bounds if name not in differing]
    if unknown:
        message = f"step_bounds names {unknown}; the methods that differ are: {differing}."
        raise InputError(message)
    quantile = float(special.ndtri(0.5 + level / 2))
    changes = tuple(
        MethodChange(
            what=key,
            before=first_methods.get(key, "not stated"),
            after=second_methods.get(key, "not stated"),
            bound=abs(bounds[key][0]) + quantile * bounds[key][1] if key in bounds else None,
        )
        for key in differing
    )
    difference = second - first - sum(step for step, _ in bounds.values())
    variance = first_sd**2 + second_sd**2 - 2.0 * shared_sd**2 + sum(sd**2 for _, sd in bounds.values())
    sd = float(np.sqrt(variance))
    lower, upper = difference - quantile * sd, difference + quantile * sd
    told = lower > 0.0 or upper < 0.0
    unbounded = [change.what for change in changes if change.bound is None]
    if told and unbounded:
        verdict = "possible artefact"
        tail = f"Method changes that nothing bounds: {', '.join(unbounded)}; they may have made it."
    elif told:
        verdict = "change"
        tail = "Every change of method is bounded." if changes else "The methods are the same."
    else:
        verdict = "no change told"
        tail = f"Method changes: {', '.join(differing)}." if differing else "The methods are the same."
    return MissionDifference(
        difference=float(difference),
        sd=sd,
        lower=float(lower),
        upper=float(upper),
        changes=changes,
        verdict=verdict,
        sentence=f"Second minus first {difference:+.4g} ({lower:+.4g} to {upper:+.4g}): {verdict}. {tail}",
    )


@dataclass(frozen=True, slots=True)
class Change:
    """One estimate before and after reprocessing."""

    key: str
    before: float
    after: float
    difference: float
    in_sd: float
    """Difference in standard uncertainties of the old value."""


def change_table(
    *,
    before: Mapping[str, tuple[float, float]],
    after: Mapping[str, tuple[float, float]],
) -> tuple[Change, ...]:
    """What reprocessing changed, largest in its own uncertainty first.

    Parameters
    ----------
    before, after : mapping
        Key of the estimate to (value, standard uncertainty). A key of one side only appears with NaN.

    Returns
    -------
    tuple of Change
        Unchanged estimates included, last.
    """
    nothing = (float("nan"), float("nan"))
    rows = []
    for key in sorted({*before, *after}):
        old, sd = before.get(key, nothing)
        new, _ = after.get(key, nothing)
        step = new - old
        rows.append(Change(key, old, new, step, abs(step) / sd if sd > 0 else float("nan")))
    return tuple(sorted(rows, key=lambda row: (-np.nan_to_num(row.in_sd, nan=np.inf), row.key)))


@dataclass(frozen=True, slots=True)
class Rank:
    """Place of a value among earlier years; 1 is the lowest."""

    rank: int
    of: int
    """Number of years compared, this one included."""
    lower: int
    upper: int
    """Rank if the value were at either end of its 95 % interval."""


def rank_in_history(*, value: float, sd: float, history: Sequence[float]) -> Rank:
    """Rank a value (a mean, a night minimum, a local share) against earlier years.

    Parameters
    ----------
    value, sd : float
        Of this year, with its standard uncertainty.
    history : sequence of float
        Values of earlier years; NaN years are not counted.
    """
    earlier = as_float("history", history)
    earlier = earlier[np.isfinite(earlier)]
    places = [1 + int((earlier < value + step * sd).sum()) for step in (0.0, -1.96, 1.96)]
    return Rank(rank=places[0], of=int(earlier.size) + 1, lower=places[1], upper=places[2])


@dataclass(frozen=True, slots=True)
class SiteStatus:
    """A season's pH against the site's own history."""

    mean: float
    minimum: float
    maximum: float
    night_minimum: float
    """Mean over nights of the lowest block."""
    hours_below: float
    """Of the blocks below the site's own value."""
    hours_measured: float
    rank: Rank | None
    """Of the mean among the means of earlier years."""


def site_status(
    *,
    ph: npt.ArrayLike,
    night: npt.ArrayLike,
    block_hours: float,
    site_value: float,
    mean_sd: float = 0.0,
    history: Sequence[float] | None = None,
) -> SiteStatus:
    """Mean, range, night minimum and hours below a site value, ranked against earlier years.

    Parameters
    ----------
    ph : array_like, shape (n,)
        Block series; NaN is not counted.
    night : array_like of int, shape (n,)
        Number of the night a block belongs to, -1 by day.
    block_hours : float
        Length of a block [h].
    site_value : float
        Chosen for this site, not a universal line.
    mean_sd : float
        Standard uncertainty of the mean, for the range of ranks.
    history : sequence of float, optional
        Means of earlier years.

    Returns
    -------
    SiteStatus
    """
    values, nights = as_float("ph", ph), np.asarray(night)
    require_same_length(ph=values, night=nights)
    good = np.isfinite(values)
    if not good.any():
        message = "ph holds no finite value."
        raise InputError(message)
    lows = [values[good & (nights == k)].min() for k in np.unique(nights[good & (nights >= 0)])]
    mean = float(values[good].mean())
    rank = None if history is None else rank_in_history(value=mean, sd=mean_sd, history=history)
    return SiteStatus(
        mean=mean,
        minimum=float(values[good].min()),
        maximum=float(values[good].max()),
        night_minimum=float(np.mean(lows)) if lows else float("nan"),
        hours_below=float(block_hours * (values[good] < site_value).sum()),
        hours_measured=float(block_hours * good.sum()),
        rank=rank,
    )
