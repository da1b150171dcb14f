"""DIC and alkalinity differences from differences of pH and oxygen.

Here:     the linear system with local sensitivities, its amplification, and the bound it gives.
Not here: the sensitivities themselves (`seawater`); fluxes from the differences (`gradient`).
Rules:    where the answer amplifies the pH error beyond use it is marked a bound, never shown as a rate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_range
from reeftally.exchange._common import Reason, root_sum_square

__all__ = [
    "CarbonDifferences",
    "carbon_from_ph_and_oxygen",
    "dic_from_ph",
    "hydrogen_ion_change",
    "net_calcification",
    "organic_share",
]


@dataclass(frozen=True, slots=True)
class CarbonDifferences:
    """Differences of DIC and alkalinity with their uncertainties (arrays broadcast from the input)."""

    alkalinity: FloatArray
    """[umol kg-1]"""
    dic: FloatArray
    """[umol kg-1]"""
    alkalinity_random_sd: FloatArray
    """[umol kg-1]"""
    alkalinity_systematic_sd: FloatArray
    """[umol kg-1]"""
    dic_random_sd: FloatArray
    """[umol kg-1]"""
    dic_systematic_sd: FloatArray
    """[umol kg-1]"""
    amplification: FloatArray
    """Change of the alkalinity difference per unit of pH difference. [umol kg-1]"""
    reason: npt.NDArray[np.int64]
    """`Reason.ILL_CONDITIONED` where only a bound is given."""
    alkalinity_bound: FloatArray
    """Size of alkalinity difference that is not exceeded at 95 %. [umol kg-1]"""


def carbon_from_ph_and_oxygen(
    *,
    ph_difference: npt.ArrayLike,
    oxygen_difference: npt.ArrayLike,
    ph_per_dic: npt.ArrayLike,
    ph_per_alkalinity: npt.ArrayLike,
    pq: npt.ArrayLike = 1.05,
    pq_sd: npt.ArrayLike = 0.0,
    ph_random_sd: npt.ArrayLike = 0.0,
    ph_systematic_sd: npt.ArrayLike = 0.0,
    oxygen_random_sd: npt.ArrayLike = 0.0,
    oxygen_systematic_sd: npt.ArrayLike = 0.0,
    ph_sd_limit: float = 3e-4,
) -> CarbonDifferences:
    """Return differences of alkalinity and DIC from those of pH and oxygen.

    Parameters
    ----------
    ph_difference : array-like
        Lower minus upper, at one temperature and salinity. [1]
    oxygen_difference : array-like
        [umol kg-1]
    ph_per_dic, ph_per_alkalinity : array-like
        Local sensitivities at the mean state, the first negative, the second positive. [kg umol-1]
    pq, pq_sd : array-like
        O2 : C. [1]
    ph_random_sd, ph_systematic_sd : array-like
        Of the pH difference. [1]
    oxygen_random_sd, oxygen_systematic_sd : array-like
        [umol kg-1]
    ph_sd_limit : float
        Total uncertainty of the pH difference beyond which only a bound is given. [1]

    Returns
    -------
    CarbonDifferences

    Notes
    -----
    ``dDIC = -dO2/PQ + dTA/2`` and ``dpH = a dDIC + b dTA`` give
    ``dTA = (dpH + a dO2/PQ)/(a/2 + b)``; linear form of the approach of Takeshita et al. (2016). The
    denominator is a small difference of two large numbers: near it 0.001 of pH is 1.65 umol kg-1 of
    alkalinity. Limit of 3e-4: about 3 mmol m-2 h-1 of calcification at 1.2 cm/s.
    """
    a, b = as_float("ph_per_dic", ph_per_dic), as_float("ph_per_alkalinity", ph_per_alkalinity)
    dph, do2 = as_float("ph_difference", ph_difference), as_float("oxygen_difference", oxygen_difference)
    quotient = as_float("pq", pq)
    require_range("pq", quotient, 0.3, 3.0, "")
    bottom = 0.5 * a + b
    dph_random, dph_common = as_float("ph_random_sd", ph_random_sd), as_float("ph_systematic_sd", ph_systematic_sd)
    do2_random = as_float("oxygen_random_sd", oxygen_random_sd)
    do2_common, quotient_sd = as_float("oxygen_systematic_sd", oxygen_systematic_sd), as_float("pq_sd", pq_sd)
    with np.errstate(divide="ignore", invalid="ignore"):
        amplification = 1.0 / bottom
        alkalinity = (dph + a * do2 / quotient) * amplification
        dic = -do2 / quotient + 0.5 * alkalinity
        per_oxygen = a / quotient * amplification
        per_pq = -a * do2 / quotient**2 * amplification
        dic_per_oxygen = -1.0 / quotient + 0.5 * per_oxygen
        dic_per_pq = do2 / quotient**2 + 0.5 * per_pq
    random = root_sum_square(amplification * dph_random, per_oxygen * do2_random)
    systematic = root_sum_square(amplification * dph_common, per_oxygen * do2_common, per_pq * quotient_sd)
    dic_random = root_sum_square(0.5 * amplification * dph_random, dic_per_oxygen * do2_random)
    dic_systematic = root_sum_square(
        0.5 * amplification * dph_common, dic_per_oxygen * do2_common, dic_per_pq * quotient_sd
    )
    total_ph = root_sum_square(dph_random, dph_common)
    total = root_sum_square(random, systematic)
    ill = (total_ph > ph_sd_limit) | ~(bottom > 0.0)
    reason = np.where(np.broadcast_to(ill, alkalinity.shape), int(Reason.ILL_CONDITIONED), 0)
    return CarbonDifferences(
        alkalinity=np.asarray(alkalinity),
        dic=np.asarray(dic),
        alkalinity_random_sd=random,
        alkalinity_systematic_sd=systematic,
        dic_random_sd=dic_random,
        dic_systematic_sd=dic_systematic,
        amplification=np.asarray(amplification),
        reason=np.asarray(reason, dtype=np.int64),
        alkalinity_bound=np.asarray(np.abs(alkalinity) + 1.96 * total),
    )


def dic_from_ph(
    *,
    ph_difference: npt.ArrayLike,
    ph_per_dic: npt.ArrayLike,
    ph_per_alkalinity: npt.ArrayLike,
    alkalinity_difference: npt.ArrayLike = 0.0,
    ph_random_sd: npt.ArrayLike = 0.0,
    ph_systematic_sd: npt.ArrayLike = 0.0,
    alkalinity_sd: npt.ArrayLike = 0.0,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the DIC difference from pH with a known (often small) alkalinity difference.

    Parameters
    ----------
    ph_difference : array-like
        Lower minus upper. [1]
    ph_per_dic, ph_per_alkalinity : array-like
        Local sensitivities. [kg umol-1]
    alkalinity_difference, alkalinity_sd : array-like
        From bottles or a budget; its uncertainty is systematic. [umol kg-1]
    ph_random_sd, ph_systematic_sd : array-like
        [1]

    Returns
    -------
    (dic, random_sd, systematic_sd)
        [umol kg-1] ``(dpH - b dTA)/a``: well conditioned, unlike alkalinity from pH.
    """
    a, b = as_float("ph_per_dic", ph_per_dic), as_float("ph_per_alkalinity", ph_per_alkalinity)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = (as_float("ph_difference", ph_difference) - b * as_float("dTA", alkalinity_difference)) / a
        random = np.abs(as_float("ph_random_sd", ph_random_sd) / a)
        systematic = root_sum_square(
            as_float("ph_systematic_sd", ph_systematic_sd) / a, b / a * as_float("alkalinity_sd", alkalinity_sd)
        )
    return np.asarray(value), np.asarray(np.broadcast_to(random, value.shape)), systematic


def net_calcification(*, alkalinity_flux: npt.ArrayLike) -> FloatArray:
    """Return net calcification from the alkalinity flux: two units of alkalinity a unit of carbonate.

    Parameters
    ----------
    alkalinity_flux : array-like
        Into the water. [any]

    Returns
    -------
    float64 array
        Positive when carbonate is laid down. [same, of CaCO3]
    """
    return np.asarray(-0.5 * as_float("alkalinity_flux", alkalinity_flux))


def organic_share(*, slope: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return (NCC over NCP, organic share) from the slope of alkalinity against DIC.

    Parameters
    ----------
    slope : array-like
        dTA/dDIC by a line with errors in both. [1]

    Returns
    -------
    (ratio, share)
        ``1/(2/m - 1)`` and ``1 - m/2``. [1]

    Notes
    -----
    Stoichiometry; Cyronak et al. (2018), PLoS ONE 13(1). The slope gives a ratio, never a rate.
    """
    m = as_float("slope", slope)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(m / (2.0 - m)), np.asarray(1.0 - 0.5 * m)


def hydrogen_ion_change(*, ph: npt.ArrayLike, ph_change: npt.ArrayLike) -> FloatArray:
    """Return the size of the hydrogen ion change for a small pH change.

    Parameters
    ----------
    ph, ph_change : array-like
        [1]

    Returns
    -------
    float64 array
        ``ln(10) 10^-pH dpH``, positive where pH falls for a negative change. [nmol kg-1]
    """
    concentration = 10.0 ** (9.0 - as_float("ph", ph))
    return np.asarray(-np.log(10.0) * concentration * as_float("ph_change", ph_change))
