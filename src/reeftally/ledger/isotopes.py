"""Where the added carbon comes from: carbon-13 of DIC.

Here:     `keeling`, `miller_tans`, `paired_source`, removal of calcification by alkalinity, the
          detectable limit, likelihoods of candidate sources, the comparison with the global fall.
Not here: fractionation between species (`seawater.isotopes`), shares of sources (`mixing`).
Rules:    on DIC, never on CO2 alone: added CO2 spreads over all species. Errors in both axes (York). The
          detectable limit is computed before the answer; an answer beyond the gate is "not resolved".
          delta values in ‰ VPDB, DIC in µmol kg-1.

Sources: Keeling 1958, Geochim. Cosmochim. Acta 13, 322-334; Miller and Tans 2003, Tellus B 55, 207-214;
Wehr and Saleska 2017, Biogeosciences 14, 17-29 (York is least biased).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy import special

from reeftally._checks import FloatArray, as_float, require_range, require_same_length
from reeftally.errors import InputError
from reeftally.uncertainty.lines import least_squares_line, york_line

__all__ = [
    "GLOBAL_NOTE",
    "Candidates",
    "SourceEstimate",
    "candidate_likelihoods",
    "delta_after_adding",
    "detectable_limit",
    "isotope_slopes",
    "keeling",
    "miller_tans",
    "paired_source",
    "remove_carbonate",
]

GATE_SD = 3.0
"""Largest standard uncertainty of a source for which it is reported as a value [‰]."""
GATE_RANGE = 10.0
"""Smallest range of DIC, in standard uncertainties of one DIC value."""

GLOBAL_NOTE = (
    "Over decades carbon-13 alone cannot tell carbon respired here from carbon that came with the air: "
    "both lighten the water by nearly the same amount for every added micromole of DIC."
)


@dataclass(frozen=True)
class SourceEstimate:
    """Source of the added carbon."""

    value: float
    """[‰]; NaN when not resolved (the bound stays in `lower`, `upper`)."""
    estimate: float
    """The fit's number, resolved or not [‰]."""
    sd: float
    lower: float
    upper: float
    """95 % [‰]."""
    limit: float
    """Detectable limit: standard uncertainty that this sampling can reach at best [‰]."""
    resolved: bool
    reason: str
    """Why it is not resolved, or empty."""
    method: str
    n: int
    dic_range: float
    goodness: float
    """Chi-square per degree of freedom; above about 2 the points do not lie on one line."""
    ordinary: float
    """Least squares without errors in DIC, beside it [‰]; NaN where there is none."""
    sentence: str = field(default="")


def delta_after_adding(
    *, dic: npt.ArrayLike, delta13c: npt.ArrayLike, added: npt.ArrayLike, delta_added: npt.ArrayLike
) -> FloatArray:
    """Return δ13C of DIC after `added` carbon of `delta_added` (negative: removed) [‰].

    Mass balance on delta; against atom fractions it errs by less than 0.0003 ‰ in reef water.
    """
    total, moved = as_float("dic", dic), as_float("added", added)
    return np.asarray(
        (total * as_float("delta13c", delta13c) + moved * as_float("delta_added", delta_added)) / (total + moved)
    )


def remove_carbonate(
    *,
    dic: npt.ArrayLike,
    delta13c: npt.ArrayLike,
    total_alkalinity: npt.ArrayLike,
    reference_alkalinity: npt.ArrayLike,
    carbonate_delta13c: npt.ArrayLike | None = None,
    carbonate_enrichment: npt.ArrayLike = 1.0,
) -> tuple[FloatArray, FloatArray]:
    """DIC and its δ13C as they would be without calcification or dissolution.

    Half the change of alkalinity is the DIC that calcification took or dissolution gave.

    Parameters
    ----------
    dic, delta13c, total_alkalinity : array_like
        Samples [µmol kg-1, ‰, µmol kg-1].
    reference_alkalinity : array_like
        Alkalinity of the reference water at the sample's salinity [µmol kg-1].
    carbonate_delta13c : array_like, optional
        Of the carbonate that formed or dissolved [‰]; by default the sample's DIC plus
        `carbonate_enrichment`.
    carbonate_enrichment : array_like
        Carbonate minus DIC [‰]; +1 (aragonite is 2.7 ± 0.6 above bicarbonate, Romanek et al. 1992,
        and bicarbonate lies below DIC at reef conditions less than that; site value preferred).

    Returns
    -------
    dic, delta13c : tuple of ndarray
    """
    total, delta = as_float("dic", dic), as_float("delta13c", delta13c)
    moved = 0.5 * (
        as_float("total_alkalinity", total_alkalinity) - as_float("reference_alkalinity", reference_alkalinity)
    )
    carbonate = (
        delta + as_float("carbonate_enrichment", carbonate_enrichment)
        if carbonate_delta13c is None
        else as_float("carbonate_delta13c", carbonate_delta13c)
    )
    organic = total - moved
    return np.asarray(organic), np.asarray((total * delta - moved * carbonate) / organic)


def detectable_limit(
    *,
    n: int,
    delta_sd: float,
    dic_spread: float,
    dic_mean: float,
) -> float:
    """Standard uncertainty of the source that a sampling plan can reach at best.

    ``s_δ √(1/n + x̄²/Sxx)`` with x = 1/DIC: ordinary theory of the Keeling intercept.

    Parameters
    ----------
    n : int
        Number of independent samples.
    delta_sd : float
        Of one δ13C value [‰].
    dic_spread : float
        Standard deviation of DIC among the samples [µmol kg-1]; range / √12 when evenly spread.
    dic_mean : float
        [µmol kg-1]

    Returns
    -------
    float
        [‰], 1 standard deviation.
    """
    if n < 2 or dic_spread <= 0:
        return float("inf")
    require_range("dic_mean", dic_mean, 100.0, 10000.0, "µmol kg-1")
    return float(delta_sd * np.sqrt(1.0 / n + (dic_mean / dic_spread) ** 2 / n))


def keeling(
    *, dic: npt.ArrayLike, delta13c: npt.ArrayLike, dic_sd: npt.ArrayLike, delta13c_sd: npt.ArrayLike
) -> SourceEstimate:
    """Source as the intercept of δ13C against 1/DIC.

    Parameters
    ----------
    dic, delta13c : array_like, shape (n,)
        [µmol kg-1, ‰]; NaN members are left out.
    dic_sd, delta13c_sd : array_like
        Standard uncertainties.

    Returns
    -------
    SourceEstimate

    Raises
    ------
    InputError
        Fewer than three samples.
    """
    c, d, sc, sd = _samples(dic, delta13c, dic_sd, delta13c_sd)
    line = york_line(x=1.0 / c, y=d, x_sd=sc / c**2, y_sd=sd)
    ordinary = float(least_squares_line(x=1.0 / c, y=d).intercept)
    return _judge("keeling", float(line.intercept), float(line.intercept_sd), float(line.goodness), ordinary, c, sc, sd)


def miller_tans(
    *,
    dic: npt.ArrayLike,
    delta13c: npt.ArrayLike,
    dic_sd: npt.ArrayLike,
    delta13c_sd: npt.ArrayLike,
    background_dic: npt.ArrayLike | None = None,
    background_delta13c: npt.ArrayLike | None = None,
    background_dic_sd: npt.ArrayLike = 0.0,
    background_delta13c_sd: npt.ArrayLike = 0.0,
) -> SourceEstimate:
    """Source as the slope of δ13C × DIC against DIC.

    With a background measured at the same times (offshore water) the form through the origin,
    ``δC − δ_b C_b = δ_s (C − C_b)``; without it the straight line with its own intercept. The product
    holds the abscissa, so the errors are correlated, r = δ s_C / √((δ s_C)² + (C s_δ)²).

    Parameters
    ----------
    dic, delta13c, dic_sd, delta13c_sd : array_like, shape (n,)
        As for `keeling`.
    background_dic, background_delta13c, background_dic_sd, background_delta13c_sd : array_like, optional
        Of the water that carbon was added to; independent errors at every sample.

    Returns
    -------
    SourceEstimate
    """
    c, d, sc, sd = _samples(dic, delta13c, dic_sd, delta13c_sd)
    if (background_dic is None) != (background_delta13c is None):
        message = "The background needs both background_dic and background_delta13c."
        raise InputError(message)
    if background_dic is None or background_delta13c is None:
        error = np.sqrt((d * sc) ** 2 + (c * sd) ** 2)
        correlation = np.divide(d * sc, error, out=np.zeros_like(d), where=error > 0)
        line = york_line(x=c, y=d * c, x_sd=sc, y_sd=error, error_correlation=correlation)
        ordinary = float(least_squares_line(x=c, y=d * c).slope)
        return _judge("miller_tans", float(line.slope), float(line.slope_sd), float(line.goodness), ordinary, c, sc, sd)
    good = np.isfinite(as_float("dic", dic)) & np.isfinite(as_float("delta13c", delta13c))
    base, base_delta, base_sd, base_delta_sd = (
        np.broadcast_to(as_float(name, value), good.shape)[good]
        for name, value in (
            ("background_dic", background_dic),
            ("background_delta13c", background_delta13c),
            ("background_dic_sd", background_dic_sd),
            ("background_delta13c_sd", background_delta13c_sd),
        )
    )
    return _through_origin("miller_tans", c, d, sc, sd, base, base_delta, base_sd, base_delta_sd)


def paired_source(
    *,
    dic_in: npt.ArrayLike,
    dic_out: npt.ArrayLike,
    delta13c_in: npt.ArrayLike,
    delta13c_out: npt.ArrayLike,
    dic_sd: npt.ArrayLike,
    delta13c_sd: npt.ArrayLike,
) -> SourceEstimate:
    """Source of the carbon an organism released, from in-current and ex-current water.

    ``δ_s = (C_out δ_out − C_in δ_in) / (C_out − C_in)``, all pairs together through the origin of the
    differences with errors in both axes; weak pairs weigh little instead of being divided by almost
    nothing.

    Parameters
    ----------
    dic_in, dic_out, delta13c_in, delta13c_out : array_like, shape (n,)
        One pair an element.
    dic_sd, delta13c_sd : array_like
        Of one value, the same before and after. For one sensor carried from one to the other give the
        short-term repeatability: its offset cancels.
    """
    c, d, sc, sd = _samples(dic_out, delta13c_out, dic_sd, delta13c_sd, least=1)
    base, base_delta, _, _ = _samples(dic_in, delta13c_in, dic_sd, delta13c_sd, least=1)
    require_same_length(dic_in=base, dic_out=c)
    return _through_origin("paired", c, d, sc, sd, base, base_delta, sc, sd)


def _samples(
    dic: npt.ArrayLike,
    delta13c: npt.ArrayLike,
    dic_sd: npt.ArrayLike,
    delta13c_sd: npt.ArrayLike,
    least: int = 3,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    c, d = as_float("dic", dic), as_float("delta13c", delta13c)
    require_same_length(dic=c, delta13c=d)
    sc = np.broadcast_to(as_float("dic_sd", dic_sd), c.shape)
    sd = np.broadcast_to(as_float("delta13c_sd", delta13c_sd), c.shape)
    require_range("dic_sd", sc, 0.0, 1e4, "µmol kg-1")
    require_range("delta13c_sd", sd, 1e-9, 1e3, "‰", "Give the standard uncertainty of one value.")
    good = np.isfinite(c) & np.isfinite(d)
    if good.sum() < least:
        message = f"There are {int(good.sum())} samples with both values; a source needs at least {least}."
        raise InputError(message)
    return c[good], d[good], sc[good], sd[good]


def _through_origin(
    method: str,
    c: FloatArray,
    d: FloatArray,
    sc: FloatArray,
    sd: FloatArray,
    base: FloatArray,
    base_delta: FloatArray,
    base_sd: FloatArray,
    base_delta_sd: FloatArray,
) -> SourceEstimate:
    """Slope through the origin of differences, errors of all four quantities carried.

    For a trial slope b the misfit is ``C (δ − b) − C_b (δ_b − b)`` with variance
    ``((δ−b) s_C)² + (C s_δ)² + ((δ_b−b) s_Cb)² + (C_b s_δb)²``; weights are iterated.
    """
    x, y = c - base, d * c - base_delta * base
    slope = float((x * y).sum() / (x * x).sum())
    weight = np.ones_like(x)
    true_x = x
    for _ in range(500):
        variance_x = sc**2 + base_sd**2
        cross = d * sc**2 + base_delta * base_sd**2
        variance = ((d - slope) * sc) ** 2 + (c * sd) ** 2
        variance += ((base_delta - slope) * base_sd) ** 2 + (base * base_delta_sd) ** 2
        weight = 1.0 / variance
        # York's adjusted abscissa: the best x given the misfit, which removes the bias of plain x.
        true_x = x + weight * (y - slope * x) * (slope * variance_x - cross)
        new = float((weight * true_x * y).sum() / (weight * true_x * x).sum())
        done = abs(new - slope) <= 1e-12 * abs(new)
        slope = new
        if done:
            break
    else:
        message = "The line through the origin did not settle in 500 iterations."
        raise InputError(message)
    error = float(1.0 / np.sqrt((weight * true_x**2).sum()))
    goodness = float((weight * (y - slope * x) ** 2).sum() / max(x.size - 1, 1))
    limit = float(1.0 / np.sqrt(np.sum(x**2 / ((c * sd) ** 2 + (base * base_delta_sd) ** 2))))
    ordinary = float((x * y).sum() / (x * x).sum())
    spread = float(np.abs(x).max())
    enough = float(np.sqrt((weight * true_x**2).sum() / weight.sum()))
    noise = float(np.sqrt(np.mean(sc**2 + base_sd**2) / x.size))
    return _finish(method, slope, error, goodness, ordinary, x.size, spread, limit, enough < GATE_RANGE * noise)


def _judge(
    method: str,
    value: float,
    error: float,
    goodness: float,
    ordinary: float,
    c: FloatArray,
    sc: FloatArray,
    sd: FloatArray,
) -> SourceEstimate:
    spread = float(np.ptp(c))
    limit = detectable_limit(
        n=c.size,
        delta_sd=float(np.sqrt(np.mean(sd**2))),
        dic_spread=float(np.std(c)),
        dic_mean=float(c.mean()),
    )
    narrow = spread < GATE_RANGE * float(np.sqrt(np.mean(sc**2)))
    return _finish(method, value, error, goodness, ordinary, c.size, spread, limit, narrow)


def _finish(
    method: str,
    value: float,
    error: float,
    goodness: float,
    ordinary: float,
    n: int,
    spread: float,
    limit: float,
    narrow: bool,
) -> SourceEstimate:
    # Scatter beyond the stated errors widens the error; less scatter does not narrow it.
    error *= float(np.sqrt(max(goodness, 1.0)))
    freedom = max(n - (1 if method == "paired" else 2), 1)
    half = 1.96 * error if goodness <= 1.0 else float(special.stdtrit(freedom, 0.975)) * error
    reasons = []
    if not error <= GATE_SD:
        reasons.append(f"its standard uncertainty is {error:.1f} ‰, the gate is {GATE_SD:g} ‰")
    if narrow:
        reasons.append(f"the DIC range of {spread:.0f} µmol/kg is small against the error of DIC")
    resolved = not reasons
    reason = "; ".join(reasons)
    first = f"With {n} samples this plan can tell the source to ± {limit:.1f} ‰ (1 sd) at best."
    if resolved:
        sentence = f"{first} The added carbon has {value:.1f} ‰ ({value - half:.1f} to {value + half:.1f})."
    else:
        sentence = f"{first} Not resolved: {reason}. Bound: {value - half:.0f} to {value + half:.0f} ‰."
    return SourceEstimate(
        value=value if resolved else float("nan"),
        estimate=value,
        sd=error,
        lower=value - half,
        upper=value + half,
        limit=limit,
        resolved=resolved,
        reason=reason,
        method=method,
        n=n,
        dic_range=spread,
        goodness=goodness,
        ordinary=ordinary,
        sentence=sentence,
    )


@dataclass(frozen=True)
class Candidates:
    """Candidate sources against an estimate."""

    probability: dict[str, float]
    """With equal weight before; they sum to 1 over the candidates given, so none need be true."""
    likelihood: dict[str, float]
    """Density of the estimate under each candidate [per ‰]."""
    standardised: dict[str, float]
    """Distance of the estimate in combined standard deviations."""
    verdict: str


def candidate_likelihoods(
    *, estimate: float, sd: float, candidates: Mapping[str, tuple[float, float]], odds: float = 20.0
) -> Candidates:
    """Likelihood of candidate sources (respiration of one pool, dissolution, air, ground water).

    Parameters
    ----------
    estimate, sd : float
        Source and its standard uncertainty [‰]; use them even when not resolved, the verdict follows.
    candidates : mapping
        Name to (mean, standard deviation) [‰]. The values are statements about the site.
    odds : float
        Ratio of the best to the next likelihood below which the verdict is "cannot tell".

    Returns
    -------
    Candidates
    """
    if not candidates:
        message = "candidates is empty; it needs at least one source with mean and standard deviation."
        raise InputError(message)
    names = list(candidates)
    mean = np.array([candidates[name][0] for name in names])
    spread = np.hypot(sd, np.array([candidates[name][1] for name in names]))
    z = (estimate - mean) / spread
    # Shifted by the largest, so that estimates far from all candidates still compare.
    log_density = -0.5 * z**2 - np.log(spread * np.sqrt(2 * np.pi))
    relative = np.exp(log_density - log_density.max())
    order = np.argsort(relative)[::-1]
    best = names[int(order[0])]
    if np.all(np.abs(z) > 3.0):
        verdict = "none of the candidates fits"
    elif len(names) > 1 and relative[order[1]] * odds > 1.0:
        alike = [names[int(i)] for i in order if relative[int(i)] * odds > 1.0]
        verdict = f"cannot tell between {' and '.join(alike)}"
    else:
        verdict = f"{best} is the likely source"
    return Candidates(
        probability=dict(zip(names, (relative / relative.sum()).tolist(), strict=True)),
        likelihood=dict(zip(names, np.exp(log_density).tolist(), strict=True)),
        standardised=dict(zip(names, z.tolist(), strict=True)),
        verdict=verdict,
    )


def isotope_slopes(
    *,
    dic: float,
    delta13c: float,
    source_delta13c: float,
    global_delta_per_decade: float = -0.15,
    global_dic_per_decade: float = 11.0,
) -> tuple[float, float, float, str]:
    """Change of δ13C for each µmol kg-1 of DIC: respiration here and the global rise.

    Parameters
    ----------
    dic, delta13c, source_delta13c : float
        Of the water and of the carbon respired [µmol kg-1, ‰, ‰].
    global_delta_per_decade : float
        −0.15 ± 0.04 ‰ per decade (Sonnerup et al. 1999, Global Biogeochem. Cycles 13, 857-872).
    global_dic_per_decade : float
        Rise of surface DIC, about 10 to 12 µmol kg-1 per decade.

    Returns
    -------
    local, worldwide, ratio, note
        [‰ per µmol kg-1] twice, their ratio, and the sentence that belongs beside every answer.
    """
    local = (source_delta13c - delta13c) / dic
    worldwide = global_delta_per_decade / global_dic_per_decade
    return local, worldwide, worldwide / local, GLOBAL_NOTE
