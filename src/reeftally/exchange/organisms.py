"""Single organisms as point sources, and what all of them do to the community.

Here:     pumping from a dye front or from the jet, exchange of one individual, round-jet decay, scaling by
          size distribution, survey and duty cycle.
Not here: finding visits in a record (`visits`).
Rules:    the profile ratio is one systematic term for all individuals; without a duty cycle there is no
          community share; a share above the whole is said, not clipped.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, one_of, require_range
from reeftally.errors import InputError
from reeftally.exchange._common import root_sum_square

__all__ = [
    "CommunityScale",
    "Form",
    "PointSource",
    "Pumping",
    "jet_decay",
    "point_source",
    "power_profile_ratio",
    "profile_ratio",
    "pumping_rate",
    "scale_to_community",
]

_RATIO_LOG_RE = (2.0, 3.15, 4.0, 5.0)
_RATIO = (0.50, 0.65, 0.82, 0.85)
_RATIO_SD = 0.06


def power_profile_ratio(*, exponent: npt.ArrayLike) -> FloatArray:
    """Return mean over centreline velocity of the 1/n power profile in a round opening.

    Parameters
    ----------
    exponent : array-like
        n, for example 7. [1]

    Returns
    -------
    float64 array
        ``2 n^2/((n + 1)(2 n + 1))``. [1]
    """
    n = as_float("exponent", exponent)
    return np.asarray(2.0 * n**2 / ((n + 1.0) * (2.0 * n + 1.0)))


def profile_ratio(*, reynolds: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return mean over centreline velocity of an excurrent opening, and its standard uncertainty.

    Parameters
    ----------
    reynolds : array-like
        Mean velocity times diameter over viscosity. [1]

    Returns
    -------
    (ratio, sd)
        From the parabola (0.5) at 100 and below, over 0.65 near 1,400 and 0.82 at 10,000, to 0.85 at
        100,000, linear in the logarithm. Between the two ends only the trend is known, hence the 0.06
        (common practice, no source).
    """
    log = np.log10(np.maximum(as_float("reynolds", reynolds), 1.0))
    ratio = np.interp(log, _RATIO_LOG_RE, _RATIO)
    return np.where(np.isnan(log), np.nan, ratio), np.full(np.shape(log), _RATIO_SD)


@dataclass(frozen=True, slots=True)
class Pumping:
    """Pumping rates; arrays broadcast from the input."""

    rate: FloatArray
    """[L s-1]"""
    random_sd: FloatArray
    """Speed and diameter of this measurement. [L s-1]"""
    systematic_sd: FloatArray
    """Profile ratio and speed scale, common to all individuals. [L s-1]"""
    mean_velocity: FloatArray
    """Over the area of the opening. [m s-1]"""
    reynolds: FloatArray
    """[1]"""
    ratio: FloatArray
    """Mean over measured velocity. [1]"""
    ratio_sd: FloatArray
    """[1]"""


def pumping_rate(
    *,
    speed: npt.ArrayLike,
    diameter: npt.ArrayLike,
    method: str = "jet",
    speed_sd: npt.ArrayLike = 0.0,
    diameter_sd: npt.ArrayLike = 0.0,
    speed_relative_systematic: float = 0.0,
    ratio: npt.ArrayLike | None = None,
    ratio_sd: npt.ArrayLike | None = None,
    viscosity: float = 0.9e-6,
    distance: npt.ArrayLike = 0.0,
) -> Pumping:
    """Return ``Q = ratio x U x A`` of a round opening.

    Parameters
    ----------
    speed, speed_sd : array-like
        Of the dye front or at the centre of the jet. [m s-1]
    diameter, diameter_sd : array-like
        Of the opening. [m]
    method : "dye", "jet" or "mean"
        The front of a dye travels with the fastest water and a velocimeter in the jet sees the centre, so
        the ratio applies to both; "mean" is a velocity already averaged over the area.
    speed_relative_systematic : float
        Scale of the film or the velocimeter. [1]
    ratio, ratio_sd : array-like, optional
        Mean over centreline; default `profile_ratio` at the resulting Reynolds number. [1]
    viscosity : float
        Kinematic; 0.9e-6 for 28 degrees C and salinity 35 (from memory). [m2 s-1]
    distance : array-like
        Of the velocimeter volume above the opening; beyond the core the centreline speed is brought back
        with `jet_decay`. [m]

    Returns
    -------
    Pumping
        NaN where speed is negative or the diameter not positive.

    Raises
    ------
    InputError
        If a ratio is given without its uncertainty.
    """
    one_of("method", method, ("dye", "jet", "mean"))
    require_range("viscosity", viscosity, 1e-7, 1e-5, "m2 s-1")
    u, d = np.broadcast_arrays(as_float("speed", speed), as_float("diameter", diameter))
    u = np.where(u >= 0.0, u, np.nan)
    d = np.where(d > 0.0, d, np.nan)
    if ratio is not None and ratio_sd is None:
        message = "ratio is given without ratio_sd; it is the largest systematic term and needs one."
        raise InputError(message)
    with np.errstate(divide="ignore", invalid="ignore"):
        if method == "jet":
            u = u / jet_decay(distance=distance, diameter=d)[0]
        if method == "mean":
            share, share_sd = np.ones_like(u), np.zeros_like(u)
        elif ratio is not None and ratio_sd is not None:
            share = np.broadcast_to(as_float("ratio", ratio), u.shape)
            share_sd = np.broadcast_to(as_float("ratio_sd", ratio_sd), u.shape)
        else:
            share, share_sd = profile_ratio(reynolds=0.7 * u * d / viscosity)
            # The number is defined with the mean velocity, which the ratio itself gives: two more rounds.
            for _ in range(2):
                share, share_sd = profile_ratio(reynolds=share * u * d / viscosity)
        mean = share * u
        rate = mean * 0.25 * np.pi * d**2 * 1000.0
        random = rate * root_sum_square(np.nan_to_num(speed_sd / u), 2.0 * as_float("sd", diameter_sd) / d)
        systematic = rate * root_sum_square(share_sd / share, speed_relative_systematic)
    return Pumping(rate, random, systematic, mean, mean * d / viscosity, share, share_sd)


def jet_decay(
    *,
    distance: npt.ArrayLike,
    diameter: npt.ArrayLike,
    virtual_origin: npt.ArrayLike = 0.0,
    decay: float = 6.0,
    ambient_ratio: npt.ArrayLike = 0.0,
) -> tuple[FloatArray, FloatArray]:
    """Return centreline velocity over its value at the opening, and volume flux over its value there.

    Parameters
    ----------
    distance, diameter, virtual_origin : array-like
        Along the axis. [m]
    decay : float
        5.8 to 6.1 for a turbulent round jet; falls towards 1.35 at low Reynolds numbers. [1]
    ambient_ratio : array-like
        Ambient over jet velocity: where the jet has slowed to the ambient current the formula stops. [1]

    Returns
    -------
    (velocity_ratio, flux_ratio)
        [1] NaN beyond the point where the current takes over.

    Notes
    -----
    Pope (2000) ch. 5; Ricou and Spalding (1961), J. Fluid Mech. 11: flux 0.32 x/D (from memory).
    """
    x, d = as_float("distance", distance), as_float("diameter", diameter)
    with np.errstate(divide="ignore", invalid="ignore"):
        away = (x - as_float("virtual_origin", virtual_origin)) / d
        velocity = np.where(away > 0.0, np.minimum(decay / away, 1.0), 1.0)
        flux = np.maximum(0.32 * x / d, 1.0)
    taken = velocity < as_float("ambient_ratio", ambient_ratio)
    velocity = np.where(np.isnan(away) | taken, np.nan, velocity)
    return np.asarray(velocity), np.where(np.isnan(velocity), np.nan, flux)


@dataclass(frozen=True, slots=True)
class PointSource:
    """Exchange of individuals; arrays broadcast from the input."""

    release: FloatArray
    """Into the water; oxygen uptake is negative. [mmol h-1]"""
    random_sd: FloatArray
    """[mmol h-1]"""
    systematic_sd: FloatArray
    """[mmol h-1]"""
    per_osculum_area: FloatArray
    """[mmol h-1 per m2 of opening]"""
    per_volume: FloatArray
    """[mmol h-1 per L of tissue] NaN without a volume."""
    per_pumped_litre: FloatArray
    """[mmol L-1]"""


def point_source(
    *,
    pumping: npt.ArrayLike,
    difference: npt.ArrayLike,
    diameter: npt.ArrayLike,
    pumping_random_sd: npt.ArrayLike = 0.0,
    pumping_systematic_sd: npt.ArrayLike = 0.0,
    difference_random_sd: npt.ArrayLike = 0.0,
    difference_systematic_sd: npt.ArrayLike = 0.0,
    blank: npt.ArrayLike = 0.0,
    blank_sd: npt.ArrayLike | None = None,
    tissue_volume: npt.ArrayLike = np.nan,
) -> PointSource:
    """Return what one organism takes up or releases: pumping times excurrent minus ambient.

    Parameters
    ----------
    pumping, pumping_random_sd, pumping_systematic_sd : array-like
        [L s-1]
    difference, difference_random_sd, difference_systematic_sd : array-like
        Excurrent minus ambient; 1 umol kg-1 is about 1.023 mmol m-3. [mmol m-3]
    diameter : array-like
        Of the opening. [m]
    blank, blank_sd : array-like, optional
        Differences seen at rock or dead organisms; their mean is subtracted, with the standard error of
        the mean unless `blank_sd` is given. [mmol m-3]
    tissue_volume : array-like
        [L]

    Returns
    -------
    PointSource

    Notes
    -----
    In-Ex method of Yahel et al. (2005), Limnol. Oceanogr. Methods 3.
    """
    q, dc, d, tissue = np.broadcast_arrays(
        as_float("pumping", pumping),
        as_float("difference", difference),
        as_float("diameter", diameter),
        as_float("tissue_volume", tissue_volume),
    )
    bare = np.atleast_1d(as_float("blank", blank))
    bare = bare[np.isfinite(bare)]
    level = float(bare.mean()) if bare.size else 0.0
    spread = float(bare.std(ddof=1) / np.sqrt(bare.size)) if bare.size > 1 else 0.0
    level_sd = as_float("blank_sd", spread if blank_sd is None else blank_sd)
    net = dc - level
    # L s-1 times mmol m-3 is umol s-1; 3.6 makes it mmol h-1.
    rate = 3.6 * q * net
    random = 3.6 * root_sum_square(net * pumping_random_sd, q * difference_random_sd)
    systematic = 3.6 * root_sum_square(net * pumping_systematic_sd, q * difference_systematic_sd, q * level_sd)
    with np.errstate(divide="ignore", invalid="ignore"):
        return PointSource(
            release=np.asarray(rate),
            random_sd=random,
            systematic_sd=systematic,
            per_osculum_area=rate / (0.25 * np.pi * d**2),
            per_volume=rate / tissue,
            per_pumped_litre=net * 1e-3,
        )


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
    survey: str = "bootstrap",
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
    survey : "bootstrap" or "negative_binomial"
        Resample whole transects, which keeps forms that live together together; or each form's negative
        binomial variance.
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
    ratio and Student's t, applied to each surveyed diameter (mean of the rates, not rate of the mean).
    """
    one_of("survey", survey, ("bootstrap", "negative_binomial"))
    require_range("trials", trials, 100, 10_000_000, "")
    rng = np.random.default_rng(seed)
    shared = rng.standard_normal(trials)
    quiet = np.zeros(trials)
    names = tuple(form.name for form in forms)
    warnings: list[str] = []
    picks: dict[int, npt.NDArray[np.int64]] = {}
    full = np.zeros((len(forms), trials))
    steady = np.zeros((len(forms), trials))
    density, density_sd = np.full(len(forms), np.nan), np.full(len(forms), np.nan)
    refused = np.zeros(len(forms), dtype=bool)
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
        drawn = _densities(counts, area, picks[counts.size], rng, survey)
        density_sd[k] = float(drawn.std())
        size = _rate_of_size(form, rng, trials, exponent, exponent_sd)
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
) -> FloatArray:
    """Return trials of the density [m-2]."""
    n = counts.size
    mean = counts.sum() / area.sum()
    if survey == "bootstrap":
        raw = counts[picks].sum(axis=1) / area[picks].sum(axis=1)
        # A bootstrap of n transects is narrow by sqrt((n-1)/n).
        return np.maximum(mean + (raw - mean) * np.sqrt(n / (n - 1.0)), 0.0)
    expected = mean * area
    # Moment estimate of 1/k, pooled over transects; clumping below Poisson is not believed.
    clump = max(float(((counts - expected) ** 2 - expected).sum() / (expected**2).sum()), 0.0)
    variance = float((expected + clump * expected**2).sum()) / float(area.sum()) ** 2
    if not mean > 0.0 or not variance > 0.0:
        return np.zeros(picks.shape[0])
    shape = mean**2 / variance
    return np.asarray(rng.gamma(shape, mean / shape, picks.shape[0]))


def _rate_of_size(form: Form, rng: np.random.Generator, trials: int, exponent: float, exponent_sd: float) -> FloatArray:
    """Return trials of the mean rate over the surveyed sizes [mmol h-1]."""
    rate, d = as_float("rate", form.rate), as_float("diameter", form.diameter)
    good = np.isfinite(rate) & (d > 0.0)
    rate, d = rate[good], d[good]
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
    n = rate.size
    student = rng.standard_t(max(n - 1, 1), trials)
    log_d, log_s = np.log(d / scale), np.log(sizes / scale)
    for first in range(0, trials, 1000):
        b = power[first : first + 1000, None]
        weight = np.exp(b * log_d)
        a = rate.sum() / weight.sum(axis=1)
        misfit = rate - a[:, None] * weight
        error = np.sqrt((misfit**2).sum(axis=1) * n / (n - 1.0)) / weight.sum(axis=1)
        grown = np.exp(b * log_s)
        pick = rng.integers(0, sizes.size, (b.shape[0], sizes.size))
        mean_size = np.take_along_axis(grown, pick, axis=1).mean(axis=1)
        out[first : first + 1000] = np.maximum(a + student[first : first + 1000] * error, 0.0) * mean_size
    return out
