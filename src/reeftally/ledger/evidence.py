"""Do independent lines of evidence for the local part agree?

Here:     the local DIC excess from differences, from fluxes, from organisms and from isotopes; `closure`
          puts such lines in one table and says plainly whether they agree; the shares that a line
          through alkalinity and DIC stands for.
Not here: the fluxes themselves (`exchange`), the account (`account`).
Rules:    lines that disagree are not averaged: the answer is "not resolved" and names the line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from reeftally._checks import FloatArray, as_float, require_range
from reeftally.errors import InputError, ShapeError
from reeftally.ledger._words import chance
from reeftally.ledger.drivers import concentration_from_flux
from reeftally.ledger.states import MixingLine, State, stacked_pair

__all__ = [
    "Closure",
    "EvidenceLine",
    "closure",
    "excess_from_difference",
    "excess_from_flux",
    "excess_from_isotopes",
    "excess_from_organisms",
    "metabolism_from_slope",
]


def excess_from_difference(
    *, reef: State, reference: State, mixing_line: MixingLine | None, gas_exchange_dic: npt.ArrayLike = 0.0
) -> FloatArray:
    """Local DIC excess as reef minus reference, fresh water and gas exchange taken off [µmol kg-1].

    ``DIC_reef − DIC_reference − mixing − gas``: what organisms and carbonate added, to be compared
    with `excess_from_flux` of the bed.
    """
    end, here = stacked_pair(reef, reference)
    step = end[1] - here[1]
    slope: npt.ArrayLike = 0.0
    if mixing_line is not None:
        slope = mixing_line.slopes(reference)[1]
    elif np.any(step != 0.0):
        message = "The salinities of reef and reference differ; the excess needs a mixing_line."
        raise InputError(message)
    return np.asarray(end[3] - here[3] - slope * step - as_float("gas_exchange_dic", gas_exchange_dic))


def excess_from_flux(
    *, flux: npt.ArrayLike, residence_time: npt.ArrayLike, depth: npt.ArrayLike, density: npt.ArrayLike
) -> FloatArray:
    """Local DIC excess as bed flux × residence / depth [µmol kg-1]; see `concentration_from_flux`."""
    return concentration_from_flux(flux=flux, residence_time=residence_time, depth=depth, density=density)


def excess_from_organisms(
    *,
    community_release: npt.ArrayLike,
    share_of_respiration: npt.ArrayLike,
    gross_uptake: npt.ArrayLike,
    carbonate_dic_flux: npt.ArrayLike,
    residence_time: npt.ArrayLike,
    depth: npt.ArrayLike,
    density: npt.ArrayLike,
) -> FloatArray:
    """Local DIC excess from scaled-up organisms.

    The organisms measured stand for `share_of_respiration` of the community's respiration; net DIC is
    their release over that share, minus gross uptake by photosynthesis, plus the carbonate flux.

    Parameters
    ----------
    community_release : array_like
        DIC released by the organisms measured, per area of bed [mmol m-2 h-1].
    share_of_respiration : array_like
        Share of the community's respiration they stand for, 0 to 1, from an independent source.
    gross_uptake, carbonate_dic_flux : array_like
        Gross production in carbon, and DIC flux of dissolution minus calcification [mmol m-2 h-1].
    residence_time, depth, density : array_like
        As for `concentration_from_flux` [h, m, kg m-3].

    Returns
    -------
    ndarray
        [µmol kg-1]
    """
    require_range("share_of_respiration", share_of_respiration, 1e-3, np.inf)
    respiration = as_float("community_release", community_release) / as_float(
        "share_of_respiration", share_of_respiration
    )
    net = respiration - as_float("gross_uptake", gross_uptake) + as_float("carbonate_dic_flux", carbonate_dic_flux)
    return concentration_from_flux(flux=net, residence_time=residence_time, depth=depth, density=density)


def excess_from_isotopes(
    *,
    dic: npt.ArrayLike,
    delta13c: npt.ArrayLike,
    reference_delta13c: npt.ArrayLike,
    source_delta13c: npt.ArrayLike,
) -> FloatArray:
    """DIC added from a source of known δ13C, from the lightening of the water [µmol kg-1].

    ``DIC (δ_ref − δ) / (δ_ref − δ_s)``: the mass balance solved for the added carbon; `dic` and
    `delta13c` are the reef's after calcification is removed (`remove_carbonate`).
    """
    base = as_float("reference_delta13c", reference_delta13c)
    return np.asarray(
        as_float("dic", dic)
        * (base - as_float("delta13c", delta13c))
        / (base - as_float("source_delta13c", source_delta13c))
    )


def metabolism_from_slope(*, slope: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Organic share of a DIC change and NCC : NCP for a slope d(TA)/d(DIC).

    ``share = 1 − m/2``, ``NCC : NCP = m / (2 − m)`` (Suzuki and Kawahata 2003; Cyronak et al. 2018,
    PLoS ONE 13(1), e0190872). A diel slope measures how the two vary together, not the ratio of their
    sums over time; anchor to simultaneous offshore water for that.

    Parameters
    ----------
    slope : array_like
        m; 0 is purely organic, 2 purely carbonate.

    Returns
    -------
    organic_share, carbonate_to_organic : tuple of ndarray
    """
    m = as_float("slope", slope)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(1.0 - m / 2.0), np.asarray(m / (2.0 - m))


@dataclass(frozen=True, slots=True)
class EvidenceLine:
    """One independent line of evidence for one number.

    Give `samples` (trials; the same trial index in all lines keeps what they share) or `value` with
    `sd`.
    """

    name: str
    samples: npt.ArrayLike | None = None
    value: float | None = None
    sd: float | None = None


@dataclass(frozen=True)
class Closure:
    """Table of the lines and the verdict."""

    names: tuple[str, ...]
    value: FloatArray
    sd: FloatArray
    lower: FloatArray
    upper: FloatArray
    """95 %."""
    ratio: FloatArray
    """Each line over the first."""
    difference: FloatArray
    """(line, line): row minus column."""
    difference_sd: FloatArray
    """(line, line)."""
    chi_square: float
    degrees_of_freedom: int
    p: float
    agree: bool
    outlier: str | None
    """The line whose removal makes the others agree, if there is exactly such a one."""
    combined: float
    """Mean with the lines' covariance when they agree, NaN otherwise."""
    combined_sd: float
    sentence: str


def closure(
    *, lines: Sequence[EvidenceLine], quantity: str = "the local DIC excess", unit: str = "µmol kg-1",
    level: float = 0.95,
) -> Closure:  # fmt: skip
    """Table of independent lines and a plain sentence whether they agree.

    Agreement is judged by the chi-square of the lines about their common value, with the covariance
    that shared trials show; two lines agree when their difference lies inside its combined interval.

    Parameters
    ----------
    lines : sequence of EvidenceLine
        At least one; one alone is "not tested".
    quantity, unit : str
        For the sentence.
    level : float
        Of agreement.

    Raises
    ------
    ShapeError
        Lines with different numbers of trials.
    InputError
        A line without a value or with an uncertainty that is not positive.
    """
    if not lines:
        message = "There is no line of evidence; closure needs at least one."
        raise InputError(message)
    names = tuple(line.name for line in lines)
    value, covariance, low, high = _moments(lines)
    sd = np.sqrt(np.diag(covariance))
    if not (np.all(np.isfinite(value)) and np.all(sd > 0.0)):
        bad = [n for n, v, s in zip(names, value, sd, strict=True) if not (np.isfinite(v) and s > 0)]
        message = f"{', '.join(bad)}: it needs a finite value and an uncertainty above zero."
        raise InputError(message)
    combined, combined_sd, chi_square = _common(value, covariance)
    freedom = len(lines) - 1
    p = float(stats.chi2.sf(chi_square, freedom)) if freedom else 1.0
    agree = p >= 1.0 - level
    outlier = None if agree else _outlier(names, value, covariance, level)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = value / value[0]
    variance = np.add.outer(np.diag(covariance), np.diag(covariance)) - 2.0 * covariance
    return Closure(
        names=names,
        value=value,
        sd=sd,
        lower=low,
        upper=high,
        ratio=ratio,
        difference=np.subtract.outer(value, value),
        difference_sd=np.sqrt(np.maximum(variance, 0.0)),
        chi_square=chi_square,
        degrees_of_freedom=freedom,
        p=p,
        agree=agree and freedom > 0,
        outlier=outlier,
        combined=combined if agree else float("nan"),
        combined_sd=combined_sd if agree else float("nan"),
        sentence=_sentence(names, value, low, high, sd, p, agree, outlier, combined, combined_sd, quantity, unit),
    )


def _moments(lines: Sequence[EvidenceLine]) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    count = len(lines)
    value, low, high = np.empty(count), np.empty(count), np.empty(count)
    covariance = np.zeros((count, count))
    drawn: list[tuple[int, FloatArray]] = []
    for i, line in enumerate(lines):
        if line.samples is not None:
            sample = as_float(f"samples of {line.name}", line.samples).reshape(-1)
            value[i] = sample.mean()
            low[i], high[i] = np.quantile(sample, [0.025, 0.975])
            drawn.append((i, sample))
        elif line.value is not None and line.sd is not None:
            value[i], covariance[i, i] = line.value, line.sd**2
            low[i], high[i] = line.value - 1.96 * line.sd, line.value + 1.96 * line.sd
        else:
            message = f"{line.name}: it needs samples, or value and sd."
            raise InputError(message)
    if drawn:
        sizes = {sample.size for _, sample in drawn}
        if len(sizes) > 1:
            message = f"The lines have {sorted(sizes)} trials; it needs one number for all."
            raise ShapeError(message)
        index = [i for i, _ in drawn]
        covariance[np.ix_(index, index)] = np.atleast_2d(np.cov(np.stack([s for _, s in drawn])))
    return value, covariance, low, high


def _common(value: FloatArray, covariance: FloatArray) -> tuple[float, float, float]:
    """Return the generalised mean, its standard uncertainty and the chi-square about it."""
    # Lines that share nearly all their error make the matrix singular; the pseudo-inverse then drops
    # the direction in which they cannot differ.
    precision = np.linalg.pinv(covariance, rcond=1e-12, hermitian=True)
    weight = float(precision.sum())
    mean = float((precision @ value).sum()) / weight
    left = value - mean
    return mean, weight**-0.5, float(left @ precision @ left)


def _outlier(names: tuple[str, ...], value: FloatArray, covariance: FloatArray, level: float) -> str | None:
    """Return the one line without which the rest agree; None when there are two lines or no such one."""
    if len(names) < 3:
        return None
    cured = []
    for i, name in enumerate(names):
        keep = [j for j in range(len(names)) if j != i]
        _, _, chi_square = _common(value[keep], covariance[np.ix_(keep, keep)])
        if float(stats.chi2.sf(chi_square, len(keep) - 1)) >= 1.0 - level:
            cured.append(name)
    return cured[0] if len(cured) == 1 else None


def _sentence(
    names: tuple[str, ...],
    value: FloatArray,
    low: FloatArray,
    high: FloatArray,
    sd: FloatArray,
    p: float,
    agree: bool,
    outlier: str | None,
    combined: float,
    combined_sd: float,
    quantity: str,
    unit: str,
) -> str:
    listed = "; ".join(f"{n} {v:.3g} ({a:.3g} to {b:.3g})" for n, v, a, b in zip(names, value, low, high, strict=True))
    if len(names) == 1:
        return f"Not tested: only one line gives {quantity}: {listed} {unit}."
    if agree:
        wide = np.all((low < 0.0) & (high > 0.0))
        hint = " All intervals hold zero, so agreement says little." if wide else ""
        return (
            f"The {len(names)} lines agree on {quantity} within their uncertainty ({chance(p)}): {listed} "
            f"{unit}; together {combined:.3g} ± {1.96 * combined_sd:.2g} {unit} (95 %).{hint}"
        )
    worst = np.unravel_index(
        np.argmax(np.abs(np.subtract.outer(value, value)) / np.hypot.outer(sd, sd)), (len(names),) * 2
    )
    i, j = int(worst[0]), int(worst[1])
    gap = abs(float(value[i] - value[j]))
    named = f" Without {outlier} the others agree." if outlier else ""
    return (
        f"Not resolved: the lines disagree on {quantity} ({chance(p)}). {names[i]} and {names[j]} differ "
        f"by {gap:.3g} {unit}, more than their uncertainty explains.{named} The lines: {listed} {unit}."
    )
