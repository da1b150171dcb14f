"""Community metabolism: night, day and 24 h sums, production and respiration, quotients.

Here:     means and sums over nights, days and whole days with measured and filled hours apart; NCP, NCC,
          GPP and R; photosynthetic and respiratory quotients as distributions.
Not here: the light curve (`light`) that fills gaps.
Rules:    a 24 h sum needs both light and dark; hours that were not measured are filled by the curve and
          counted apart, or the sum is refused.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_range, require_same_length
from reeftally.exchange._common import SECONDS_PER_HOUR
from reeftally.exchange.light import LightResponse

__all__ = ["Metabolism", "PeriodSums", "community_metabolism", "period_sums", "quotient"]


@dataclass(frozen=True, slots=True)
class PeriodSums:
    """Means and sums of one flux by period; arrays of shape (periods,)."""

    period: npt.NDArray[np.int64]
    """Period numbers."""
    mean: FloatArray
    """NaN where refused. [mmol m-2 h-1]"""
    total: FloatArray
    """Mean times the hours of the period. [mmol m-2]"""
    random_sd: FloatArray
    """Of `mean`, filled hours included. [mmol m-2 h-1]"""
    systematic_sd: FloatArray
    """Of `mean`. [mmol m-2 h-1]"""
    measured_hours: FloatArray
    """[h]"""
    filled_hours: FloatArray
    """[h]"""
    missing_hours: FloatArray
    """Neither measured nor filled. [h]"""
    reason: tuple[str, ...]
    """Empty, or why the period has no value."""


def period_sums(
    *,
    flux: npt.ArrayLike,
    random_sd: npt.ArrayLike,
    systematic_sd: npt.ArrayLike = 0.0,
    period: npt.ArrayLike,
    block_s: float,
    night: npt.ArrayLike | None = None,
    light: npt.ArrayLike | None = None,
    friction_velocity: npt.ArrayLike | None = None,
    response: LightResponse | None = None,
    largest_missing: float = 0.2,
    correlation_blocks: float = 1.0,
) -> PeriodSums:
    """Return mean and sum of a flux for each period, measured and filled hours apart.

    Parameters
    ----------
    flux, random_sd : array-like, shape (t,)
        Block series; NaN where not measured. [mmol m-2 h-1]
    systematic_sd : array-like, broadcast to (t,)
        Common to all blocks. [mmol m-2 h-1]
    period : array-like of int, shape (t,)
        Blocks with one number >= 0 make a period; negative ones are left out.
    block_s : float
        [s]
    night : array-like of bool, shape (t,), optional
        When given, a period that holds both night and day needs measured or filled hours in each: a 24 h
        sum from daylight alone is refused.
    light, friction_velocity : array-like, shape (t,), optional
        For filling. [umol m-2 s-1, m s-1]
    response : LightResponse, optional
        Fills blocks without a flux where light is known.
    largest_missing : float
        Share of a period that may stay without a value; the rest then stands for it. [1]
    correlation_blocks : float
        Blocks over which random errors hang together.

    Returns
    -------
    PeriodSums
    """
    f, sd = as_float("flux", flux), as_float("random_sd", random_sd)
    n = require_same_length(flux=f, random_sd=sd)
    require_range("block_s", block_s, 1e-3, 1e6, "s")
    systematic = np.broadcast_to(as_float("systematic_sd", systematic_sd), (n,))
    label = np.broadcast_to(np.asarray(period, dtype=np.int64), (n,))
    measured = np.isfinite(f) & np.isfinite(sd)
    value = np.where(measured, f, np.nan)
    filled = np.zeros(n, dtype=bool)
    fill_sd = np.zeros(n)
    scatter = 0.0
    if response is not None and light is not None and np.isfinite(response.maximum):
        guess, guess_sd = response.predict(light=light, friction_velocity=friction_velocity)
        filled = ~measured & np.isfinite(guess)
        value = np.where(filled, guess, value)
        fill_sd, scatter = np.asarray(guess_sd), response.residual_sd
    numbers = np.unique(label[label >= 0])
    hour = block_s / SECONDS_PER_HOUR
    shape = numbers.size
    mean, random, common = np.full(shape, np.nan), np.full(shape, np.nan), np.full(shape, np.nan)
    hours = np.zeros((3, shape))
    span = np.zeros(shape)
    reasons: list[str] = []
    dark = None if night is None else np.broadcast_to(np.asarray(night, dtype=bool), (n,))
    for k, number in enumerate(numbers):
        inside = label == number
        have, made = inside & measured, inside & filled
        use = have | made
        span[k] = inside.sum() * hour
        hours[:, k] = have.sum() * hour, made.sum() * hour, (inside & ~use).sum() * hour
        reasons.append(_refusal(inside, use, dark, largest_missing))
        if reasons[-1]:
            continue
        if dark is not None and (inside & dark).any() and (inside & ~dark).any():
            # Missing blocks are not shared evenly between light and dark: weigh each by its own hours.
            weight = np.zeros(n)
            for part in (inside & dark, inside & ~dark):
                weight[part & use] = part.sum() / (part & use).sum() / inside.sum()
        else:
            weight = np.where(use, 1.0 / use.sum(), 0.0)
        mean[k] = float((weight[use] * value[use]).sum())
        variance = float((weight[have] ** 2 * sd[have] ** 2).sum()) * correlation_blocks
        variance += float((weight[made] ** 2).sum()) * scatter**2 * correlation_blocks
        # The curve's own error is common to all filled blocks.
        variance += float((weight[made] * fill_sd[made]).sum()) ** 2
        random[k] = np.sqrt(variance)
        mean_systematic = systematic[have].mean() if have.any() else float(np.nanmean(systematic))
        common[k] = mean_systematic
    return PeriodSums(numbers, mean, mean * span, random, common, hours[0], hours[1], hours[2], tuple(reasons))


def _refusal(
    inside: npt.NDArray[np.bool_],
    use: npt.NDArray[np.bool_],
    dark: npt.NDArray[np.bool_] | None,
    largest_missing: float,
) -> str:
    if not use.any():
        return "no measured and no filled hours"
    if dark is not None:
        for name, part in (("night", inside & dark), ("day", inside & ~dark)):
            if part.any() and not (part & use).any():
                return f"no hours of {name}: a sum over both cannot come from the other alone"
    missing = 1.0 - use.sum() / inside.sum()
    if missing > largest_missing:
        return f"{100.0 * missing:.0f} % of the hours are missing"
    return ""


@dataclass(frozen=True, slots=True)
class Metabolism:
    """Metabolism of one period; each entry is (value, random sd, systematic sd). [mmol m-2 h-1]"""

    net_community_production: tuple[float, float, float]
    """Organic carbon taken up, in carbon."""
    net_community_calcification: tuple[float, float, float]
    """Carbonate laid down, in carbon."""
    gross_primary_production: tuple[float, float, float]
    """In oxygen; day only, averaged over the day's hours."""
    community_respiration: tuple[float, float, float]
    """In oxygen, positive."""
    note: str
    """Which assumptions went in."""


def community_metabolism(
    *,
    oxygen_flux: npt.ArrayLike,
    oxygen_random_sd: npt.ArrayLike,
    night: npt.ArrayLike,
    dic_flux: npt.ArrayLike = np.nan,
    dic_random_sd: npt.ArrayLike = np.nan,
    alkalinity_flux: npt.ArrayLike = np.nan,
    alkalinity_random_sd: npt.ArrayLike = np.nan,
    oxygen_systematic_relative: float = 0.0,
    dic_systematic_relative: float = 0.0,
    alkalinity_systematic_relative: float = 0.0,
    pq: float = 1.05,
    pq_sd: float = 0.0,
    response: LightResponse | None = None,
) -> Metabolism:
    """Return NCP, NCC, GPP and R of the blocks given.

    Parameters
    ----------
    oxygen_flux, oxygen_random_sd : array-like, shape (t,)
        [mmol m-2 h-1]
    night : array-like of bool, shape (t,)
    dic_flux, dic_random_sd, alkalinity_flux, alkalinity_random_sd : array-like, broadcast to (t,)
        Where both are known NCP is organic carbon: ``-(F_DIC - F_TA/2)``; otherwise oxygen over PQ.
        [mmol m-2 h-1]
    oxygen_systematic_relative, dic_systematic_relative, alkalinity_systematic_relative : float
        [1]
    pq, pq_sd : float
        O2 : C. [1]
    response : LightResponse, optional
        Its respiration is used where no night block is present.

    Returns
    -------
    Metabolism

    Notes
    -----
    Respiration in the light is taken equal to that in the dark, which understates GPP where respiration is
    highest just after sunset (Long et al. 2013).
    """
    o2 = as_float("oxygen_flux", oxygen_flux)
    o2_sd = np.broadcast_to(as_float("oxygen_random_sd", oxygen_random_sd), o2.shape)
    dark = np.broadcast_to(np.asarray(night, dtype=bool), o2.shape)
    dic, dic_sd, ta, ta_sd = (
        np.broadcast_to(as_float(name, given), o2.shape)
        for name, given in (
            ("dic_flux", dic_flux),
            ("dic_random_sd", dic_random_sd),
            ("alkalinity_flux", alkalinity_flux),
            ("alkalinity_random_sd", alkalinity_random_sd),
        )
    )
    notes: list[str] = []
    resp = _mean(-o2[dark], o2_sd[dark], oxygen_systematic_relative)
    if not np.isfinite(resp[0]) and response is not None and np.isfinite(response.respiration):
        error = float(np.sqrt(response.covariance[2, 2]))
        resp = (response.respiration, error, abs(response.respiration) * oxygen_systematic_relative)
        notes.append("respiration from the light curve")
    day = _mean(o2[~dark], o2_sd[~dark], 0.0)
    gpp = day[0] + resp[0]
    gross = (gpp, float(np.hypot(day[1], resp[1])), abs(gpp) * oxygen_systematic_relative)
    notes.append("respiration in the light taken equal to that in the dark")
    calcification = _mean(-0.5 * ta, 0.5 * ta_sd, alkalinity_systematic_relative)
    both = np.isfinite(dic + ta + dic_sd + ta_sd)
    if both.any():
        value = _mean(-(dic - 0.5 * ta)[both], np.hypot(dic_sd, 0.5 * ta_sd)[both], 0.0)
        systematic = np.hypot(
            float(np.mean(dic[both])) * dic_systematic_relative,
            0.5 * float(np.mean(ta[both])) * alkalinity_systematic_relative,
        )
        net = (value[0], value[1], float(systematic))
        notes.append("NCP from DIC and alkalinity")
    else:
        value = _mean(o2 / pq, o2_sd / pq, oxygen_systematic_relative)
        net = (value[0], value[1], float(np.hypot(value[2], value[0] * pq_sd / pq)))
        notes.append(f"NCP from oxygen over a PQ of {pq:g}")
    return Metabolism(net, calcification, gross, resp, "; ".join(notes))


def _mean(values: FloatArray, sd: FloatArray, relative: float) -> tuple[float, float, float]:
    good = np.isfinite(values) & np.isfinite(sd)
    if not good.any():
        return np.nan, np.nan, np.nan
    mean = float(values[good].mean())
    return mean, float(np.sqrt((sd[good] ** 2).sum())) / int(good.sum()), abs(mean) * relative


def quotient(
    *,
    oxygen: npt.ArrayLike,
    carbon: npt.ArrayLike,
    kind: str = "pq",
    level: float = 0.95,
    resolved_share: float = 0.975,
) -> Mapping[str, float]:
    """Return the distribution of PQ or RQ from trials of two means.

    Parameters
    ----------
    oxygen, carbon : array-like, shape (trials,)
        Trials of the mean oxygen and organic carbon exchange of the same blocks, drawn together so that
        shared terms cancel; uptake or release alike for both (ratio positive when they oppose as they
        should, so pass organic carbon uptake with oxygen release). [mmol m-2 h-1]
    kind : "pq" or "rq"
        O2 : C or C : O2.
    level : float
        [1]
    resolved_share : float
        Share of trials in which the divisor must keep one sign. [1]

    Returns
    -------
    mapping
        ``median``, ``lower``, ``upper``, ``resolved`` (1 or 0). Unresolved: the interval is not finite and
        says so with infinite ends, since a divisor around zero has no bounded quotient.
    """
    above, below = as_float("oxygen", oxygen), as_float("carbon", carbon)
    if kind == "rq":
        above, below = below, above
    good = np.isfinite(above) & np.isfinite(below) & (below != 0.0)
    above, below = above[good], below[good]
    if above.size < 20:
        return {"median": np.nan, "lower": np.nan, "upper": np.nan, "resolved": 0.0}
    side = max((below > 0.0).mean(), (below < 0.0).mean())
    ratio = above / below
    if side < resolved_share:
        return {"median": float(np.median(ratio)), "lower": -np.inf, "upper": np.inf, "resolved": 0.0}
    low, high = np.quantile(ratio, [0.5 - 0.5 * level, 0.5 + 0.5 * level])
    return {"median": float(np.median(ratio)), "lower": float(low), "upper": float(high), "resolved": 1.0}
