"""Estimates of community metabolism: light curve, respiration, gross and net production over periods.

Here:     which oxygen flux goes into the light curve, respiration in the light, production and respiration of
          nights, days, 24 h and the mission, measured and filled hours said apart.
Not here: the fluxes (`fluxes`, `estimate_fluxes`), the curve (`reeftally.exchange`).
Rules:    respiration in the light is taken equal to that in the dark at the same friction velocity, which the reason
          says; what scales all fluxes alike scales every rate alike; production and respiration are in oxygen, net
          production in carbon over the photosynthetic quotient.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import scipy.optimize

from reeftally import exchange
from reeftally._checks import FloatArray
from reeftally.analysis.estimate_fluxes import RATE, SUM, PeriodFlux
from reeftally.analysis.estimates import COMMUNITY
from reeftally.exchange import LightResponse

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = ["Respiration", "alike_blocks", "estimate_metabolism", "fit_curve", "respiration_of"]

FLOW_REFERENCE = 0.01
# Absolute calibration of a quantum sensor under water where the book gives no gain, and what its window loses to growth
# between cleanings (common practice, no source).
LIGHT_GAIN_SD = 0.05
LIGHT_LOSS_SD_PER_DAY = 0.015
LARGEST_LOSS_PER_DAY = 0.06
LEAST_BLOCKS = 12
LIGHT_UNIT = "µmol m-2 s-1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Respiration:
    """Oxygen taken up in the dark as a power of the friction velocity."""

    value: float
    """At the reference friction velocity, positive. [mmol m-2 h-1]"""
    exponent: float
    """[1]"""
    covariance: FloatArray
    """Of (value, exponent), (2, 2)."""
    source: str
    """What it was found from, in words."""

    def mean(self, ratio: FloatArray) -> tuple[float, float]:
        """Return the mean over blocks and its random standard uncertainty. [mmol m-2 h-1]

        Parameters
        ----------
        ratio : (blocks,) array
            Friction velocity over its reference.
        """
        if ratio.size == 0:
            return 0.0, 0.0
        power = ratio**self.exponent
        slope = np.array([power.mean(), self.value * float((power * np.log(ratio)).mean())])
        return float(self.value * power.mean()), float(np.sqrt(max(slope @ self.covariance @ slope, 0.0)))


def alike_blocks(residual: FloatArray) -> float:
    """Return over how many blocks errors hang together: by how much the variance of a mean grows. [1]

    ``1 + 2 sum of r_k`` up to the first correlation that is not positive (Bartlett 1935 with the initial positive
    sequence of Geyer 1992, both from memory); never below 1, never above a quarter of the record.

    Parameters
    ----------
    residual : (blocks,) array
        In the order of time; NaN where there is none.
    """
    good = np.isfinite(residual)
    n = int(good.sum())
    spread = float(np.nanvar(residual)) if n >= LEAST_BLOCKS else 0.0
    if spread <= 0.0:
        return 1.0
    centred = residual - np.nanmean(residual)
    total = 1.0
    for lag in range(1, n // 3):
        product = centred[:-lag] * centred[lag:]
        both = np.isfinite(product)
        r = float(product[both].mean()) / spread if both.sum() >= LEAST_BLOCKS else 0.0
        if r <= 0.0:
            break
        total += 2.0 * r
    return min(total, n / 4.0)


def respiration_of(
    *, flux: FloatArray, night: npt.NDArray[np.bool_], ratio: FloatArray, response: LightResponse | None
) -> Respiration | None:
    """Return dark respiration from the light curve, or from the nights alone; None without either.

    Parameters
    ----------
    flux, night, ratio : (blocks,) arrays
        Oxygen flux [mmol m-2 h-1], whether it is night, friction velocity over its reference [1].
    response : LightResponse or None
        Fitted curve.
    """
    if response is not None and np.isfinite(response.respiration):
        return Respiration(
            value=response.respiration,
            exponent=response.flow_exponent,
            covariance=response.covariance[2:, 2:],
            source="respiration in the light as in the dark at the same current",
        )
    dark = flux[night & np.isfinite(flux) & np.isfinite(ratio)]
    if dark.size < LEAST_BLOCKS:
        return None
    spread = np.where(night, flux - dark.mean(), np.nan)
    variance = float(dark.var(ddof=1)) / dark.size * alike_blocks(spread)
    return Respiration(
        value=-float(dark.mean()),
        exponent=0.0,
        covariance=np.diag([variance, 0.0]),
        source="respiration in the light as the mean of the nights",
    )


def estimate_metabolism(chain: Chain) -> dict[str, LightResponse]:
    """Write light curve, production and respiration by every oxygen flux of the chain.

    Returns
    -------
    dict of method to LightResponse
        The fitted curves, the best method first.
    """
    methods = [m for m in ("covariance", "gradient") if chain.fluxes.get(("oxygen_flux", m))]
    series = {method: _block_flux(chain, method) for method in methods}
    curves = {method: _fit(chain, series[method][0]) for method in methods}
    # There is one light sensor: the flux that tells its loss best tells it for all.
    known = [c for c in curves.values() if c is not None and np.isfinite(c.response.maximum)]
    if len(known) > 1:
        best = min(known, key=lambda c: c.loss_sd)
        curves = {
            m: c if c is best else _fit(chain, series[m][0], (best.loss, best.loss_sd)) for m, c in curves.items()
        }
    for method in methods:
        _by_method(chain, method, *series[method], curves[method])
    return {method: curve.response for method, curve in curves.items() if curve is not None}


def _block_flux(chain: Chain, method: str) -> tuple[FloatArray, FloatArray]:
    """Return the block series of oxygen flux of a method and its systematic uncertainty."""
    gradient = next((g for g in chain.gradients if g.quantity == "oxygen"), None)
    source = chain.covariance if method == "covariance" else gradient
    if source is None:
        return np.full(chain.grid.count, np.nan), np.full(chain.grid.count, np.nan)
    return source.series("flux", chain.grid.count), source.series("systematic_sd", chain.grid.count)


def _nights(chain: Chain) -> npt.NDArray[np.bool_]:
    night = np.zeros(chain.grid.count, dtype=bool)
    for span in chain.spans:
        if span.kind == "night":
            night |= chain.grid.mids_in(span.start_ns, span.end_ns)
    return night


def _ratio(chain: Chain) -> FloatArray:
    """Return friction velocity over its reference, gaps filled; what no tide tells stands at its lowest tenth."""
    friction = chain.currents.filled.value
    good = np.isfinite(friction) & (friction > 0)
    if good.sum() < LEAST_BLOCKS:
        return np.ones(chain.grid.count)
    return np.asarray(np.where(good, friction, np.percentile(friction[good], 10)) / FLOW_REFERENCE)


def _light_gain_sd(chain: Chain) -> float:
    """Return the relative standard uncertainty of the light record."""
    for label, blocks in chain.slow.items():
        if "par" in blocks.channels:
            for term in chain.context.book.instrument(label).terms:
                if term.quantity == "par" and term.gain_sd is not None:
                    return float(term.gain_sd)
    return LIGHT_GAIN_SD


@dataclass(frozen=True, slots=True, kw_only=True)
class _Curve:
    """Light curve of the mission, and the loss of the light sensor found with it."""

    response: LightResponse
    loss: float
    """Relative loss of the light record a day. [d-1]"""
    loss_sd: float
    days: float
    """Mean age of the record since the sensor was clean. [d]"""


def fit_curve(
    *,
    light: FloatArray,
    flux: FloatArray,
    ratio: FloatArray,
    days: FloatArray,
    given: tuple[float, float] | None = None,
) -> tuple[LightResponse, float, float]:
    """Return the light curve together with the loss of light to growth on the sensor.

    The community is taken as steady over the mission: a saturation irradiance that sinks steadily is the sensor's loss.
    The loss has a prior of `LIGHT_LOSS_SD_PER_DAY`, so that a mission of a day or two leaves it near zero.

    Parameters
    ----------
    light, flux, ratio, days : (blocks,) arrays
        Light as recorded [µmol m-2 s-1], oxygen flux [mmol m-2 h-1], friction velocity over its reference [1], time
        since the sensor was clean [d].
    given : (float, float), optional
        Loss a day and its standard uncertainty where another flux has told it better. [d-1]

    Returns
    -------
    (response, loss, loss_sd)
        The curve for light as a clean sensor would record it, and the relative loss a day. [d-1]
    """

    def fit(loss: float) -> LightResponse:
        return exchange.light_response(
            light=light * np.exp(loss * days), flux=flux, friction_velocity=ratio * FLOW_REFERENCE,
            fit_flow_exponent=True, flow_reference=FLOW_REFERENCE,
        )  # fmt: skip

    plain = fit(0.0)
    if not np.isfinite(plain.maximum) or not plain.residual_sd > 0:
        return plain, 0.0, LIGHT_LOSS_SD_PER_DAY

    def left(response: LightResponse, loss: float) -> FloatArray:
        fitted, _ = response.predict(light=light * np.exp(loss * days), friction_velocity=ratio * FLOW_REFERENCE)
        return np.asarray(flux - fitted)

    rest = left(plain, 0.0)
    alike = alike_blocks(rest)
    if given is not None:
        response = fit(given[0])
        return replace(response, covariance=response.covariance * alike), *given
    scale = 1.4826 * float(np.nanmedian(np.abs(rest)))

    def cost(loss: float) -> float:
        # The soft loss of the curve's own fit: a few hours of a broken sensor must not carry the loss.
        z = left(fit(loss), loss) / (2.0 * scale)
        return float(np.nansum(4.0 * (np.sqrt(1.0 + z**2) - 1.0))) / alike + 0.5 * (loss / LIGHT_LOSS_SD_PER_DAY) ** 2

    bound = LARGEST_LOSS_PER_DAY
    found = scipy.optimize.minimize_scalar(cost, bounds=(-bound, bound), method="bounded", options={"xatol": 1e-4})
    loss, step = float(found.x), 0.2 * LIGHT_LOSS_SD_PER_DAY
    bend = (cost(loss + step) - 2.0 * cost(loss) + cost(loss - step)) / step**2
    response = fit(loss)
    # The prior alone bends by 1 / sd^2; a curve fitted to scatter can bend less, never be surer for it.
    sd = float(1.0 / np.sqrt(max(bend, 1.0 / LIGHT_LOSS_SD_PER_DAY**2)))
    return replace(response, covariance=response.covariance * alike), loss, sd


def _fit(chain: Chain, flux: FloatArray, given: tuple[float, float] | None = None) -> _Curve | None:
    """Return the light curve of the mission; its covariance grown for residuals that hang together."""
    ratio = _ratio(chain)
    whole = chain.spans[0]
    inside = chain.grid.mids_in(whole.start_ns, whole.end_ns)
    if not np.isfinite(chain.light[inside]).any():
        return None
    days = (chain.grid.mids - whole.start_ns) / 86_400e9
    response, loss, sd = fit_curve(
        light=chain.light, flux=np.where(inside, flux, np.nan), ratio=ratio, days=days, given=given
    )
    return _Curve(response=response, loss=loss, loss_sd=sd, days=float(days[inside].mean()))


def _by_method(chain: Chain, method: str, flux: FloatArray, systematic: FloatArray, curve: _Curve | None) -> None:
    """Write everything that one flux says."""
    night, ratio = _nights(chain), _ratio(chain)
    response = None if curve is None else curve.response
    size = np.isfinite(flux) & np.isfinite(systematic)
    # What errs alike in all blocks scales all fluxes: current, heights, von Karman constant, gain, lag, response.
    relative = float(systematic[size].mean() / np.abs(flux[size]).mean()) if size.any() else 0.0
    _write_curve(chain, method, curve, relative)
    respiration = respiration_of(flux=flux, night=night, ratio=ratio, response=response)
    for period in chain.fluxes["oxygen_flux", method]:
        _period(chain, method, period, respiration, night, ratio, relative)


def _write_curve(chain: Chain, method: str, curve: _Curve | None, relative: float) -> None:
    """Write production at full light and the saturation irradiance."""
    whole = chain.spans[0]
    common: dict[str, Any] = {
        "method": f"light_response_{method}", "subject": COMMUNITY, "period": "mission",
        "start_ns": whole.start_ns, "end_ns": whole.end_ns, "trail": "metabolism",
    }  # fmt: skip
    if curve is None or not np.isfinite(curve.response.maximum):
        why, n = ("no light at the bed was measured", 0) if curve is None else (curve.response.reason, curve.response.n)
        for quantity, unit in (("maximum_production", RATE), ("light_saturation", LIGHT_UNIT)):
            chain.estimates.refuse(**common, quantity=quantity, unit=unit, reason=why, n=n)
        return
    response, flag = curve.response, 3 if curve.response.reason else 1
    lost = f"light record loses {100 * curve.loss:.1f} ± {196 * curve.loss_sd:.1f} % a day, found with the curve"
    text = "; ".join(filter(None, [f"{response.n} blocks", lost, response.reason]))
    chain.estimates.from_parts(
        **common, quantity="maximum_production", unit=RATE, value=response.maximum,
        random_sd=float(np.sqrt(response.covariance[0, 0])), systematic_sd=response.maximum * relative,
        n=response.n, flag=flag, reason=text,
    )  # fmt: skip
    gain = float(np.hypot(_light_gain_sd(chain), curve.loss_sd * curve.days))
    chain.estimates.from_parts(
        **common, quantity="light_saturation", unit=LIGHT_UNIT, value=response.saturation,
        random_sd=float(np.sqrt(response.covariance[1, 1])), systematic_sd=response.saturation * gain,
        n=response.n, flag=flag, reason=text,
    )  # fmt: skip


def _period(
    chain: Chain,
    method: str,
    period: PeriodFlux,
    respiration: Respiration | None,
    night: npt.NDArray[np.bool_],
    ratio: FloatArray,
    relative: float,
) -> None:
    """Write net production, respiration and gross production of one period."""
    span, analysis = period.span, chain.context.book.analysis
    hour = chain.grid.block_s / 3600.0
    hours = f"{period.n * hour:.2f} h measured, {period.filled * hour:.2f} h filled"
    if not span.complete:
        hours += "; period cut by the mission"
    common: dict[str, Any] = {
        "subject": COMMUNITY, "period": span.kind, "start_ns": span.start_ns, "end_ns": span.end_ns,
        "n": period.n, "trail": "metabolism",
    }  # fmt: skip
    factors = ((RATE, 1.0), (SUM, 24.0)) if span.kind == "24h" else ((RATE, 1.0),)
    quotient = abs(period.value) / analysis.pq**2 * analysis.pq_sd
    random, systematic = period.random_sd / analysis.pq, period.systematic_sd / analysis.pq

    def write(quantity: str, how: str, value: float, sd: tuple[float, float], reason: str) -> None:
        for unit, factor in factors:
            chain.estimates.from_parts(
                **common, quantity=quantity, method=how, unit=unit, value=factor * value,
                random_sd=factor * sd[0], systematic_sd=factor * sd[1], reason=reason,
            )  # fmt: skip

    write(
        "net_community_production", f"{method}_over_pq", period.value / analysis.pq,
        (random, float(np.hypot(systematic, quotient))), f"{hours}; PQ {analysis.pq:g} ± {analysis.pq_sd:g}",
    )  # fmt: skip
    inside = chain.grid.mids_in(span.start_ns, span.end_ns)
    dark, bright = inside & night, inside & ~night
    count = int(inside.sum())
    if not bright.any():
        write("community_respiration", method, -period.value, (period.random_sd, period.systematic_sd), hours)
        return
    if respiration is None or not count:
        for quantity in ("community_respiration", "gross_primary_production"):
            for unit, _ in factors:
                chain.estimates.refuse(
                    **common, quantity=quantity, method=method, unit=unit,
                    reason="no night was measured and there is no light curve",
                )  # fmt: skip
        return
    share = float(bright.sum()) / count
    level, level_sd = respiration.mean(ratio[bright])
    in_light, in_light_sd = share * level, share * level_sd
    in_dark, in_dark_sd = (0.0, 0.0)
    if dark.any():
        # The nights' own blocks would do, but the curve holds them all and fills what is missing.
        value, sd = respiration.mean(ratio[dark])
        in_dark, in_dark_sd = (1.0 - share) * value, (1.0 - share) * sd
    total = in_light + in_dark
    reason = f"{hours}; {respiration.source}"
    # The curve's parameters are shared by light and dark: their errors add.
    write("community_respiration", method, total, (in_light_sd + in_dark_sd, total * relative), reason)
    gross = period.value + total
    write(
        "gross_primary_production", method, gross,
        (float(np.hypot(period.random_sd, in_light_sd + in_dark_sd)), abs(gross) * relative), reason,
    )  # fmt: skip
