"""Estimates of how far covariance and gradient agree on the oxygen flux, and the flux by a way without turbulence.

Here:     bias, slope with errors in both axes and share inside 95 % over the blocks that both have, with suspects; the
          balance of the basin as a check apart.
Not here: the comparison itself and the balance (`reeftally.exchange`).
Rules:    methods that disagree are never averaged; what both share (the current) is not counted as independent; a
          disagreement names its suspects in the reason.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from reeftally import exchange
from reeftally._checks import FloatArray
from reeftally.analysis.estimate_fluxes import RATE
from reeftally.analysis.estimates import SITE
from reeftally.exchange import Agreement, gas_exchange

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = ["estimate_agreement", "estimate_box", "factor_checks", "patch_spread", "share_interval"]

METHOD = "covariance_against_gradient"
# Patches of water that pass the mast keep their value for about half an hour (common practice, no source).
PATCH_S = 1800.0
LEAST_HOURS = 3.0
EDGE_S = 3600.0
ROWS = (("method_bias", RATE), ("method_slope", "1"), ("method_share_inside", "1"))


def share_interval(share: float, n: int) -> tuple[float, float]:
    """Return the 95 % interval of a share among n blocks (Wilson 1927, J. Am. Stat. Assoc. 22, from memory). [1]"""
    z = 1.959964
    centre = (share + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z / (1 + z**2 / n) * float(np.sqrt(share * (1 - share) / n + z**2 / (4 * n**2)))
    # Rounding alone must not put the share itself outside.
    return min(centre - half, share), max(centre + half, share)


def estimate_agreement(chain: Chain) -> Agreement | None:
    """Write bias, slope and share inside for covariance against gradient; None where one of them is not there."""
    gradient = next((g for g in chain.gradients if g.quantity == "oxygen"), None)
    if chain.covariance is None or gradient is None:
        return None
    count = chain.grid.count
    whole = chain.spans[0]
    inside = chain.grid.mids_in(whole.start_ns, whole.end_ns)
    names = ("flux", "random_sd", "systematic_sd")
    first, first_random, first_common = (chain.covariance.series(name, count) for name in names)
    second, second_random, second_common = (gradient.series(name, count) for name in names)
    currents = chain.currents
    given: dict[str, FloatArray] = {
        "friction_velocity": currents.friction_velocity,
        "storage": chain.covariance.series("storage", count),
        "wave_height": currents.wave_height,
        "direction": currents.direction_to,
    }
    both = inside & np.isfinite(first) & np.isfinite(second)
    found = exchange.agreement(
        first=first,
        second=second,
        first_random_sd=first_random,
        second_random_sd=second_random,
        first_systematic_sd=first_common,
        second_systematic_sd=second_common,
        use=inside,
        correlates={name: series for name, series in given.items() if np.isfinite(series[both]).sum() >= 8},
        factor_checks=factor_checks(chain, both),
    )
    _write(chain, found, float(np.sqrt(np.nansum(first_random[both] ** 2 + second_random[both] ** 2))))
    return found


def factor_checks(chain: Chain, use: npt.NDArray[np.bool_]) -> dict[str, tuple[float, float]]:
    """Return what the friction velocity alone would make of covariance over gradient, with its standard uncertainty.

    That of the stress, which needs no height and no plane, over the one that the gradient uses; no flux is looked at.
    The gain of the fast sensor cannot be looked at so: its record is kept without the means of the blocks.
    """
    out: dict[str, tuple[float, float]] = {}
    currents = chain.currents
    stress = currents.estimates["covariance"][0]
    good = use & np.isfinite(stress) & (currents.friction_velocity > 0.0)
    if good.sum() >= 8:
        ratio = stress[good] / currents.friction_velocity[good]
        random = 1.2533 * 1.4826 * float(np.median(np.abs(ratio - np.median(ratio)))) / float(np.sqrt(good.sum()))
        common = float(np.nanmedian(currents.systematic["covariance"][good] / stress[good]))
        out["friction velocity"] = (float(np.median(ratio)), float(np.hypot(random, common if common > 0 else 0.0)))
    return out


def _write(chain: Chain, found: Agreement, random_sum: float) -> None:
    whole = chain.spans[0]
    common: dict[str, Any] = {
        "method": METHOD, "subject": SITE, "period": "mission", "start_ns": whole.start_ns,
        "end_ns": whole.end_ns, "n": found.n, "trail": "agreement",
    }  # fmt: skip
    if not np.isfinite(found.bias):
        for quantity, unit in ROWS:
            chain.estimates.refuse(**common, quantity=quantity, unit=unit, reason=found.reason)
        chain.notes["agreement"] = f"not compared: {found.reason}"
        return
    verdict, suspects = _words(found)
    chain.notes["agreement"] = f"{verdict}; {suspects}" if suspects else verdict
    flag = 1 if found.agree else 3
    reason = chain.notes["agreement"]
    random = random_sum / found.n
    chain.estimates.from_parts(
        **common, quantity="method_bias", unit=RATE, value=found.bias, random_sd=random,
        systematic_sd=float(np.sqrt(max(found.bias_sd**2 - random**2, 0.0))), flag=flag, reason=reason,
    )  # fmt: skip
    half = (found.slope_upper - found.slope_lower) / 2.0 / 1.959964
    random_share = random / max(found.bias_sd, 1e-12)
    row = chain.estimates.from_parts(
        **common, quantity="method_slope", unit="1", value=found.slope, random_sd=half * random_share,
        systematic_sd=half * float(np.sqrt(max(1.0 - random_share**2, 0.0))), flag=flag, reason=reason,
    )  # fmt: skip
    chain.estimates.rows[-1] = replace(row, lower=found.slope_lower, upper=found.slope_upper)
    lower, upper = share_interval(found.share_inside, found.n)
    row = chain.estimates.from_parts(
        **common, quantity="method_share_inside", unit="1", value=found.share_inside,
        random_sd=(upper - lower) / 2.0 / 1.959964, systematic_sd=0.0, flag=flag, reason=reason,
    )  # fmt: skip
    chain.estimates.rows[-1] = replace(row, lower=lower, upper=upper)


def _words(found: Agreement) -> tuple[str, str]:
    """Return the verdict and the suspects in words."""
    if found.agree:
        half = 1.959964 * float(np.hypot(found.combined_random_sd, found.combined_systematic_sd))
        verdict = (
            f"covariance and gradient agree over {found.n} common blocks; together "
            f"{found.combined:.2f} ± {half:.2f} {RATE} (95 %) as mean of those blocks"
        )
    else:
        verdict = f"covariance and gradient disagree over {found.n} common blocks; they are not averaged"
    if not found.suspects:
        return verdict, ""
    by_evidence: dict[str, list[str]] = {}
    for suspect in found.suspects:
        by_evidence.setdefault(suspect.evidence, []).append(suspect.name)
    listed = "; ".join(f"{', '.join(dict.fromkeys(names))} ({evidence})" for evidence, names in by_evidence.items())
    return verdict, f"suspects: {listed}"


def patch_spread(series: FloatArray, block_s: float) -> float:
    """Return the standard deviation of patches of water in a series, from its second differences. [its unit]

    Parameters
    ----------
    series : (blocks,) array
        NaN at gaps.
    block_s : float
        [s]

    Notes
    -----
    A slow course has next to no second differences; patches with correlation ``(1 + t/T) exp(-t/T)`` leave
    ``6 - 8 r(1) + 2 r(2)`` of their variance in them (T = 0.466 of the time in which it falls to 1/e).
    """
    step = series[2:] - 2.0 * series[1:-1] + series[:-2]
    step = step[np.isfinite(step)]
    if step.size < 12:
        return 0.0
    one = block_s / (0.466 * PATCH_S)
    r1, r2 = (1.0 + one) * np.exp(-one), (1.0 + 2.0 * one) * np.exp(-2.0 * one)
    return float(1.4826 * np.median(np.abs(step)) / np.sqrt(6.0 - 8.0 * r1 + 2.0 * r2))


def estimate_box(chain: Chain) -> None:
    """Write the oxygen flux of nights, days and 24 h from the balance of the basin with residence and gas exchange."""
    account, air, site = chain.account, chain.air, chain.context.book.site
    if account is None or air is None or site.residence_time_h is None:
        return
    if "oxygen" not in chain.model.reference.values or not np.isfinite(air.wind_speed).any():
        return
    per_mass = chain.density / 1000.0
    here = account.chemistry["oxygen"][0]
    temperature, salinity = (account.chemistry[name][0] for name in ("temperature", "salinity"))
    if not np.isfinite(here + temperature + salinity).any():
        return
    oxygen, random, systematic = (part * per_mass for part in account.chemistry["oxygen"])
    wind = np.where(np.isfinite(air.wind_speed), air.wind_speed, np.nanmean(air.wind_speed))
    surface = [
        np.asarray(
            gas_exchange.oxygen_flux(
                oxygen=level, temperature=temperature, salinity=salinity, wind_speed=wind,
                wind_variance=air.wind_variance, air_pressure=air.pressure,
            ).flux
        )
        for level in (here, here + 1.0)
    ]  # fmt: skip
    for span in chain.spans:
        inside = chain.grid.mids_in(span.start_ns, span.end_ns)
        known = inside & np.isfinite(oxygen) & np.isfinite(systematic)
        if span.kind == "mission" or span.hours < LEAST_HOURS or not known.any():
            continue
        found = exchange.open_water_balance(
            edge=EDGE_S, time=chain.grid.seconds, concentration=oxygen,
            reference=chain.model.reference.values["oxygen"] * per_mass, depth=site.water_depth_m,
            residence_time=site.residence_time_h, gas_flux=surface[0], period=np.where(inside, 0, -1),
            concentration_sd=np.hypot(random, patch_spread(oxygen, chain.grid.block_s)), correlation_time=PATCH_S,
            residence_time_sd=site.residence_time_sd_h or 0.0,
            reference_sd=chain.model.reference.random_sd["oxygen"] * per_mass,
            gas_relative_sd=chain.context.book.analysis.gas_transfer_sd_relative,
            offset_sd=float(systematic[known].mean()),
            gas_per_concentration=float(np.nanmean(surface[1] - surface[0])) / per_mass,
        )  # fmt: skip
        if not np.isfinite(found.value[0]):
            chain.estimates.refuse(
                quantity="oxygen_flux", method="box", subject=SITE, period=span.kind, start_ns=span.start_ns,
                end_ns=span.end_ns, unit=RATE, n=int(known.sum()), trail="box",
                reason="; ".join(exchange.reason_texts(int(found.reason[0]))),
            )  # fmt: skip
            continue
        chain.estimates.from_parts(
            quantity="oxygen_flux", method="box", subject=SITE, period=span.kind, start_ns=span.start_ns,
            end_ns=span.end_ns, unit=RATE, value=float(found.value[0]), random_sd=float(found.random_sd[0]),
            systematic_sd=float(found.systematic_sd[0]), n=int(known.sum()), trail="box",
            reason="" if span.complete else "period cut by the mission",
        )  # fmt: skip
