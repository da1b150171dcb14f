"""The difference of two records under like conditions.

Here:     `matched_difference`: means in common bins of tide, light, hour ..., and their difference with its error.
Not here: what changed in method (`missions`), which conditions count (the caller).
Rules:    a bin that one record lacks is left out and told; blocks of one day are alike, so days are what is counted.

Source: variance by clusters, Liang and Zeger 1986, Biometrika 73, 13-22 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from reeftally._checks import FloatArray, as_float, require_same_length
from reeftally.errors import InputError

__all__ = ["Matched", "matched_difference"]


@dataclass(frozen=True, slots=True)
class Matched:
    """Second minus first, both weighted alike over the bins that both have."""

    difference: float
    random_sd: float
    """From day to day."""
    lower: float
    upper: float
    """Student's t with the days of the shorter record; random part alone."""
    first_mean: float
    second_mean: float
    bins: int
    """In common."""
    share_first: float
    """Of the first record's blocks that lie in common bins."""
    share_second: float
    days: tuple[int, int]
    n: tuple[int, int]


def _part(
    values: FloatArray,
    bins: npt.NDArray[np.generic],
    days: npt.NDArray[np.generic],
    common: npt.NDArray[np.generic],
    weight: FloatArray,
) -> tuple[float, float, int, int]:
    """Return weighted mean over bins, its variance by days, days and blocks."""
    use = np.isin(bins, common)
    place = np.searchsorted(common, bins[use])
    count = np.bincount(place, minlength=common.size)
    means = np.bincount(place, weights=values[use], minlength=common.size) / count
    each = (values[use] - means[place]) * (weight / count)[place]
    _, day = np.unique(days[use], return_inverse=True)
    number = int(day.max()) + 1
    sums = np.bincount(day, weights=each, minlength=number)
    # A mean takes one degree of freedom of the days.
    variance = float((sums**2).sum()) * number / max(number - 1, 1)
    return float(weight @ means), variance, number, int(use.sum())


def matched_difference(
    *,
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    first_bin: npt.ArrayLike,
    second_bin: npt.ArrayLike,
    first_day: npt.ArrayLike,
    second_day: npt.ArrayLike,
    level: float = 0.95,
) -> Matched:
    """Second minus first record, matched by bins of conditions.

    Parameters
    ----------
    first, second : array_like, shapes (n,) and (m,)
        Blocks of both records; NaN is left out.
    first_bin, second_bin : array_like
        Label of the conditions of every block (tide, light, hour).
    first_day, second_day : array_like
        Number of the day of every block: blocks of one day are not independent.
    level : float
        Of the interval.

    Raises
    ------
    InputError
        No bin in common, or fewer than two days on either side.
    """
    sides = []
    for name, values, bins, days in (
        ("first", first, first_bin, first_day),
        ("second", second, second_bin, second_day),
    ):
        x, b, d = as_float(name, values), np.asarray(bins), np.asarray(days)
        require_same_length(**{name: x, f"{name}_bin": b, f"{name}_day": d})
        good = np.isfinite(x)
        sides.append((x[good], b[good], d[good]))
    common = np.intersect1d(sides[0][1], sides[1][1])
    if common.size == 0:
        message = "The two records have no conditions in common; nothing can be matched."
        raise InputError(message)
    counts = [np.array([(b == one).sum() for one in common], dtype=np.float64) for _, b, _ in sides]
    # Each bin as much as the record that has less of it can tell.
    weight = counts[0] * counts[1] / (counts[0] + counts[1])
    weight /= weight.sum()
    found = [_part(x, b, d, common, weight) for x, b, d in sides]
    if min(found[0][2], found[1][2]) < 2:
        message = f"There are {found[0][2]} and {found[1][2]} days under like conditions; two on each side are needed."
        raise InputError(message)
    difference = found[1][0] - found[0][0]
    sd = float(np.sqrt(found[0][1] + found[1][1]))
    half = float(special.stdtrit(min(found[0][2], found[1][2]) - 1, 0.5 + level / 2)) * sd
    return Matched(
        difference=difference,
        random_sd=sd,
        lower=difference - half,
        upper=difference + half,
        first_mean=found[0][0],
        second_mean=found[1][0],
        bins=int(common.size),
        share_first=float(counts[0].sum() / sides[0][0].size),
        share_second=float(counts[1].sum() / sides[1][0].size),
        days=(found[0][2], found[1][2]),
        n=(found[0][3], found[1][3]),
    )
