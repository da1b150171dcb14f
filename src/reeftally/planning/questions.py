"""Trends, isotopes, replicates: what a record of a given length and number of samples can tell.

Here:     sentences with numbers for questions that no single mission answers.
Not here: the formulae (`reeftally.ledger`, `reeftally.exchange`).
Rules:    where the answer is "cannot", it is said before any sample is taken.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass

from reeftally.exchange import replicates_needed
from reeftally.ledger import detectable_limit, years_to_detect

__all__ = ["Separation", "TrendPlan", "VisitsLeft", "isotope_separation", "replicates_left", "trend_years"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendPlan:
    """Years until a trend can be seen."""

    years: float
    lower: float
    upper: float
    text: str


def trend_years(*, slope: float, noise_sd: float, phi: float, offset_sd: float = 0.0) -> TrendPlan:
    """Return the years of monthly record until a trend is told from noise.

    Parameters
    ----------
    slope : float
        [unit per yr]
    noise_sd : float
        Of the deseasoned monthly means. [unit]
    phi : float
        Their autocorrelation at one month. [1]
    offset_sd : float
        Standard uncertainty that each yearly deployment keeps for itself. [unit]

    Returns
    -------
    TrendPlan
        95 % level, 90 % power, after Weatherhead et al. 1998 (`reeftally.ledger.years_to_detect`).
    """
    found = years_to_detect(trend=slope, noise_sd=noise_sd, phi=phi, offset_sd=offset_sd)
    text = (
        f"A trend of {slope:+.4f} a year in monthly means that scatter by {noise_sd:.3f} (autocorrelation {phi:.1f}) "
        f"needs {found.years:.1f} years to be seen ({found.lower:.1f} to {found.upper:.1f}); one mission shows none."
    )
    return TrendPlan(years=found.years, lower=found.lower, upper=found.upper, text=text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Separation:
    """What isotopes of DIC can tell apart."""

    source_sd: float
    """Standard uncertainty of the source's delta-13C. [permil]"""
    cannot: tuple[tuple[str, str], ...]
    """Pairs of candidates that lie closer than twice the standard uncertainty."""
    text: str


def isotope_separation(
    *, n: int, delta_sd: float, dic_spread: float, dic_mean: float, candidates: Mapping[str, tuple[float, float]]
) -> Separation:
    """Return whether isotopes of DIC can tell candidate sources apart.

    Parameters
    ----------
    n : int
        Independent samples.
    delta_sd : float
        Of one sample. [permil]
    dic_spread, dic_mean : float
        Standard deviation and mean of DIC among the samples. [umol kg-1]
    candidates : mapping
        Name to (mean, standard deviation) of the source. [permil]

    Returns
    -------
    Separation
        Two candidates cannot be separated where their means lie closer than twice the standard uncertainty of
        the source found, the spread of both candidates included.
    """
    sd = detectable_limit(n=n, delta_sd=delta_sd, dic_spread=dic_spread, dic_mean=dic_mean)
    pairs = []
    for (one, (a, a_sd)), (two, (b, b_sd)) in itertools.combinations(candidates.items(), 2):
        if abs(a - b) < 2.0 * (sd**2 + a_sd**2 + b_sd**2) ** 0.5:
            pairs.append((one, two))
    text = f"{n} samples of {delta_sd:.2f} permil over {dic_spread:.1f} umol/kg of DIC: source known to {sd:.1f} permil"
    if pairs:
        text += "; cannot separate " + ", ".join(f"{one} from {two}" for one, two in pairs)
    elif candidates:
        text += "; all candidates can be told apart"
    return Separation(source_sd=sd, cannot=tuple(pairs), text=text + ".")


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitsLeft:
    """Visits of one organism that are still to be made."""

    needed: int
    """In all."""
    more: int
    """Still to be made."""
    text: str


def replicates_left(*, sd: float, half_width: float, done: int = 0, level: float = 0.95) -> VisitsLeft:
    """Return how many visits of one organism reach a target.

    Parameters
    ----------
    sd : float
        Between visits. [unit]
    half_width : float
        Half of the interval wished for. [unit]
    done : int
        Visits already made.
    level : float
        [1]

    Returns
    -------
    VisitsLeft
    """
    found = replicates_needed(sd=sd, half_width=half_width, level=level, done=done)
    needed, more = int(found["needed"]), int(found["more"])
    text = f"{needed} visits make the mean good to {half_width:g} at {100 * level:.0f} %; {more} more to go."
    return VisitsLeft(needed=needed, more=more, text=text)
