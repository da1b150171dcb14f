"""From visited individuals to the community: size distribution, survey, duty cycle, share.

Here:     the areal rate of all organisms by Monte Carlo, and their share of the community rate.
Not here: the exchange of one individual (`organisms`).
Rules:    one draw of the profile ratio for all individuals of a trial; without a duty cycle there is no
          community share; a share above the whole is said, not clipped.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from reeftally._checks import FloatArray, as_float, one_of, require_range

__all__ = ["CommunityScale", "Form", "scale_to_community"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """What is known of one form of organism."""

    name: str
    rate: npt.ArrayLike
    """Rates of visited individuals while pumping, positive; one a individual. [mmol h-1]"""
    diameter: npt.ArrayLike
    """Of the openings of the same individuals. [m]"""
    surveyed_diameter: npt.ArrayLike
    """Openings measured without choosing. [m]"""
    counts: npt.ArrayLike
    """Individuals in each transect, in the same order for every form."""
    transect_area: npt.ArrayLike
    """[m2]"""
    duty_cycle: float | None = None
    """Share of time spent pumping over the period asked for; must be known. [1]"""
    duty_cycle_sd: float = 0.0
    """[1]"""
    ratio_relative_sd: float = 0.08
    """Profile ratio, relative; one term for all forms. [1]"""
    idle_share: float = 0.0
    """Rate while not pumping, relative to pumping. [1]"""


@dataclass(frozen=True, slots=True)
class CommunityScale:
    """Areal rates; lists follow the order of the forms."""

    names: tuple[str, ...]
    """Forms."""
    areal: FloatArray
    """Mean over trials; NaN where refused. Shape (forms,). [mmol m-2 h-1]"""
    lower: FloatArray
    """[mmol m-2 h-1]"""
    upper: FloatArray
    """[mmol m-2 h-1]"""
    density: FloatArray
    """[m-2]"""
    density_sd: FloatArray
    """[m-2]"""
    total: float
    """All forms. [mmol m-2 h-1]"""
    total_lower: float
    """[mmol m-2 h-1]"""
    total_upper: float
    """[mmol m-2 h-1]"""
    random_sd: float
    """Individuals, sizes and survey. [mmol m-2 h-1]"""
    systematic_sd: float
    """Profile ratio and duty cycle. [mmol m-2 h-1]"""
    share: float
    """Of the community rate. [1]"""
    share_lower: float
    """[1]"""
    share_upper: float
    """[1]"""
    trials: FloatArray
    """Areal rate of all forms, shape (trials,). [mmol m-2 h-1]"""
    warnings: tuple[str, ...]
    """What the reader must know."""


def scale_to_community(
    *,
    forms: Sequence[Form],
    community_rate: float = np.nan,
    community_rate_sd: float = 0.0,
    seed: int | np.random.Generator = 1,
    trials: int = 4000,
    exponent: float = 2.0,
    exponent_sd: float = 0.4,
    survey: str = "together",
    level: float = 0.95,
) -> CommunityScale:
    """Return the areal rate of all organisms and their share of the community rate.

    Parameters
    ----------
    forms : sequence of Form
    community_rate, community_rate_sd : float
        Of the same sign and species as the rates. [mmol m-2 h-1]
    seed : int or Generator
    trials : int
    exponent, exponent_sd : float
        Prior of the power of the rate on diameter, sharpened by the visited individuals. [1]
    survey : "together", "bootstrap" or "negative_binomial"
        Resample whole transects, which keeps forms that live together together; or each form's negative binomial
        variance; or, "together", the ranks of the one with the spread of the other.
    level : float
        [1]

    Returns
    -------
    CommunityScale
        Every form without a duty cycle, and with it the total and the share, is empty and named in
        `warnings`.

    Notes
    -----
    Rate of size: ratio estimator ``a = sum(J)/sum(D^b)`` over visited individuals, with the error of the
    ratio and Student's t, applied to each surveyed diameter (mean of the rates, not rate of the mean). The
    relative scatter of individuals about the rate of their size is pooled over all forms: two or three
    visited individuals cannot tell their own scatter, and Student's t with one degree of freedom has no mean.

    Density: animals clump, so counts are negative binomial, and a handful of transects that met few clumps shows too
    little scatter: resampling them repeats the mistake, most of all at the upper end. The clumping is therefore pooled
    over the forms and the density drawn lognormal with ``var/mean^2 = 1/N + 1/(k n)`` (N counted, n transects).
    """
    one_of("survey", survey, ("together", "bootstrap", "negative_binomial"))
    require_range("trials", trials, 100, 10_000_000, "")
    rng = np.random.default_rng(seed)
    shared = rng.standard_normal(trials)
    clump = _pooled_clump(forms)
    quiet = np.zeros(trials)
    names = tuple(form.name for form in forms)
    warnings: list[str] = []
    picks: dict[int, npt.NDArray[np.int64]] = {}
    full = np.zeros((len(forms), trials))
    steady = np.zeros((len(forms), trials))
    density, density_sd = np.full(len(forms), np.nan), np.full(len(forms), np.nan)
    refused = np.zeros(len(forms), dtype=bool)
    scatter = _pooled_scatter(forms, exponent)
    for k, form in enumerate(forms):
        counts = as_float("counts", form.counts)
        area = np.broadcast_to(as_float("transect_area", form.transect_area), counts.shape)
        visited = np.isfinite(as_float("rate", form.rate)) & (as_float("diameter", form.diameter) > 0.0)
        if counts.size < 2 or visited.sum() < 2:
            refused[k] = True
            warnings.append(f"{form.name}: needs two transects and two visited individuals")
            continue
        if counts.size not in picks:
            picks[counts.size] = rng.integers(0, counts.size, (trials, counts.size))
        density[k] = counts.sum() / area.sum()
        drawn = _densities(counts, area, picks[counts.size], rng, survey, clump)
        density_sd[k] = float(drawn.std())
        size = _rate_of_size(form, rng, trials, exponent, exponent_sd, scatter)
        if form.duty_cycle is None or not np.isfinite(form.duty_cycle):
            refused[k] = True
            warnings.append(
                f"{form.name}: no duty cycle; rates seen while pumping hold only while it pumps. State the "
                "share of time it pumps."
            )
            continue
        duty = np.clip(form.duty_cycle + form.duty_cycle_sd * rng.standard_normal(trials), 0.0, 1.0)
        ratio = 1.0 + form.ratio_relative_sd * shared
        busy, idle = duty + form.idle_share * (1.0 - duty), form.duty_cycle
        full[k] = drawn * size * busy * ratio
        steady[k] = drawn * size * (idle + form.idle_share * (1.0 - idle))
    tail = 0.5 * (1.0 - level)
    lower, upper = np.quantile(full, [tail, 1.0 - tail], axis=1) if len(forms) else (quiet[:0], quiet[:0])
    areal = np.where(refused, np.nan, full.mean(axis=1))
    lower, upper = np.where(refused, np.nan, lower), np.where(refused, np.nan, upper)
    total = full.sum(axis=0)
    if refused.any() or not len(forms):
        nan = float("nan")
        return CommunityScale(
            names, areal, lower, upper, density, density_sd, nan, nan, nan, nan, nan, nan, nan, nan,
            np.full(trials, np.nan), tuple(warnings),
        )  # fmt: skip
    random = float(steady.sum(axis=0).std())
    systematic = float(np.sqrt(max(total.var() - random**2, 0.0)))
    whole = community_rate + community_rate_sd * rng.standard_normal(trials)
    share = share_lower = share_upper = np.nan
    if np.isfinite(community_rate):
        if not (whole > 0.0).mean() > 0.975:
            warnings.append("the community rate is not clearly positive; no share")
        else:
            ratios = total / np.where(whole > 0.0, whole, np.nan)
            share = float(np.nanmean(ratios))
            share_lower, share_upper = (float(x) for x in np.nanquantile(ratios, [tail, 1.0 - tail]))
            if share > 1.0:
                warnings.append(
                    f"the organisms would make {100.0 * share:.0f} % of the community rate: more than the whole. "
                    "Look at the duty cycle, the choice of individuals, the survey area and the footprint."
                )
    low, high = (float(x) for x in np.quantile(total, [tail, 1.0 - tail]))
    return CommunityScale(
        names, areal, lower, upper, density, density_sd, float(total.mean()), low, high, random, systematic,
        share, share_lower, share_upper, total, tuple(warnings),
    )  # fmt: skip


def _densities(
    counts: FloatArray,
    area: FloatArray,
    picks: npt.NDArray[np.int64],
    rng: np.random.Generator,
    survey: str,
    clump: float,
) -> FloatArray:
    """Return trials of the density [m-2]."""
    n = counts.size
    mean = counts.sum() / area.sum()
    raw = counts[picks].sum(axis=1) / area[picks].sum(axis=1)
    if survey == "together":
        # Half an animal, as for a Poisson count: a form that was not met is not known to be absent.
        seen = counts.sum() + 0.5
        spread = float(np.sqrt(np.log1p(1.0 / seen + clump * float((area**2).sum()) / float(area.sum()) ** 2)))
        order = np.empty(raw.size)
        order[np.lexsort((rng.random(raw.size), raw))] = (np.arange(raw.size) + 0.5) / raw.size
        return np.asarray(seen / area.sum() * np.exp(spread * ndtri(order)))
    if survey == "bootstrap":
        # A bootstrap of n transects is narrow by sqrt((n-1)/n).
        return np.asarray(np.maximum(mean + (raw - mean) * np.sqrt(n / (n - 1.0)), 0.0))
    expected = mean * area
    # Moment estimate of 1/k, pooled over transects; clumping below Poisson is not believed.
    clump = max(float(((counts - expected) ** 2 - expected).sum() / (expected**2).sum()), 0.0)
    variance = float((expected + clump * expected**2).sum()) / float(area.sum()) ** 2
    if not mean > 0.0 or not variance > 0.0:
        return np.zeros(picks.shape[0])
    shape = mean**2 / variance
    drawn: FloatArray = rng.standard_gamma(shape, picks.shape[0]) * (mean / shape)
    return drawn


def _pooled_clump(forms: Sequence[Form]) -> float:
    """Return 1/k of the negative binomial, by moments over all forms together; clumping below Poisson is not believed.

    Each form's excess of variance over its count is weighted as if it were Poisson, so that rare forms, which say
    little, count little.
    """
    excess, weight = 0.0, 0.0
    for form in forms:
        counts = as_float("counts", form.counts)
        area = np.broadcast_to(as_float("transect_area", form.transect_area), counts.shape)
        if counts.size < 2 or not counts.sum() > 0.0:
            continue
        expected = counts.sum() * area / area.sum()
        # The fitted mean takes up one degree of freedom.
        squares = float(((counts - expected) ** 2).sum()) * counts.size / (counts.size - 1.0)
        share = 1.0 / (float(expected.mean()) * (1.0 + float(expected.mean()))) ** 2
        excess += share * float((expected**2).mean()) * (squares - float(expected.sum()))
        weight += share * float((expected**2).mean()) * float((expected**2).sum())
    return max(excess / weight, 0.0) if weight > 0.0 else 0.0


def _visited(form: Form) -> tuple[FloatArray, FloatArray]:
    """Return rates and diameters of the visited individuals that have both."""
    rate, d = as_float("rate", form.rate), as_float("diameter", form.diameter)
    good = np.isfinite(rate) & (d > 0.0)
    return rate[good], d[good]


def _pooled_scatter(forms: Sequence[Form], exponent: float) -> tuple[float, int]:
    """Return relative standard deviation of individuals about the rate of their size, and its degrees of freedom."""
    squares, freedom = 0.0, 0
    for form in forms:
        rate, d = _visited(form)
        if rate.size < 2 or not rate.sum() > 0.0:
            continue
        expected = d**exponent * rate.sum() / (d**exponent).sum()
        # The fitted level takes up one degree of freedom a form; individuals are judged relative to their size.
        squares += float(((rate / expected - 1.0) ** 2).sum())
        freedom += rate.size - 1
    return (squares / freedom) ** 0.5 if freedom else 0.0, freedom


def _rate_of_size(
    form: Form,
    rng: np.random.Generator,
    trials: int,
    exponent: float,
    exponent_sd: float,
    scatter: tuple[float, int],
) -> FloatArray:
    """Return trials of the mean rate over the surveyed sizes [mmol h-1]."""
    rate, d = _visited(form)
    sizes = as_float("surveyed_diameter", form.surveyed_diameter)
    sizes = sizes[np.isfinite(sizes) & (sizes > 0.0)]
    if sizes.size == 0:
        sizes = d
    scale = float(np.exp(np.log(d).mean()))
    precision, pull = 1.0 / exponent_sd**2, exponent / exponent_sd**2
    up = rate > 0.0
    if up.sum() > 3 and np.ptp(np.log(d[up])) > 0.05:
        x = np.log(d[up]) - np.log(d[up]).mean()
        y = np.log(rate[up])
        b = float(x @ y) / float(x @ x)
        left = y - y.mean() - b * x
        variance = max(float(left @ left) / (x.size - 2), 1e-4)
        precision += float(x @ x) / variance
        pull += b * float(x @ x) / variance
    power = pull / precision + rng.standard_normal(trials) / np.sqrt(precision)
    out = np.empty(trials)
    student = rng.standard_t(max(scatter[1], 1), trials)
    log_d, log_s = np.log(d / scale), np.log(sizes / scale)
    for first in range(0, trials, 1000):
        b = power[first : first + 1000, None]
        weight = np.exp(b * log_d)
        a = rate.sum() / weight.sum(axis=1)
        # The error of a ratio whose members scatter by a share of their own size.
        error = a * scatter[0] * np.sqrt((weight**2).sum(axis=1)) / weight.sum(axis=1)
        grown = np.exp(b * log_s)
        pick = rng.integers(0, sizes.size, (b.shape[0], sizes.size))
        mean_size = np.take_along_axis(grown, pick, axis=1).mean(axis=1)
        out[first : first + 1000] = np.maximum(a + student[first : first + 1000] * error, 0.0) * mean_size
    return out
