"""Fluxes off the bed in blocks: covariance of oxygen, gradients of oxygen, pH and DIC.

Here:     which sensors, heights, priors and currents go into the methods of `reeftally.exchange`.
Not here: the methods; means over periods (`estimate_fluxes`).
Rules:    block values act before offsets are known only through their prior; swaps move offsets here and nowhere
          else, and the moved offsets are results of their own.
"""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally import exchange
from reeftally._checks import FloatArray
from reeftally.analysis.bursts import BurstSeries
from reeftally.analysis.context import Context
from reeftally.analysis.currents import Currents, compass
from reeftally.analysis.grid import Grid
from reeftally.analysis.heights import WIDENED_M
from reeftally.analysis.offsets import SensorOffsets
from reeftally.analysis.records import SlowBlocks
from reeftally.exchange import CovarianceFlux, GradientFlux, PooledLag
from reeftally.seawater import carbonate

__all__ = ["CovarianceBlocks", "GradientBlocks", "covariance_blocks", "gradient_blocks", "sensitivities"]

# Standard uncertainty of the gain of a fast oxygen sensor where the book gives none: two-point calibration of an
# optode (Bittig et al. 2018, about 1 to 2 %, from memory).
FAST_GAIN_SD = 0.015
# Standard uncertainty of the distance that decides the lag, over the speed: half the size of the two sensing volumes.
SEPARATION_SD_M = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class CovarianceBlocks:
    """Covariance fluxes on the grid."""

    label: str
    velocimeter: str
    blocks: npt.NDArray[np.int64]
    """Block numbers of the members of `flux`."""
    flux: CovarianceFlux
    lag: PooledLag
    group: npt.NDArray[np.int64]
    """0 where the flow meets the velocity volume first, 1 where it meets the sensor first."""

    def series(self, name: str, count: int) -> FloatArray:
        """Return a field of the flux on the grid."""
        out = np.full(count, np.nan)
        out[self.blocks] = getattr(self.flux, name)
        return out


@dataclass(frozen=True, slots=True, kw_only=True)
class GradientBlocks:
    """Gradient fluxes on the grid."""

    quantity: str
    labels: tuple[str, ...]
    flux: GradientFlux
    use: npt.NDArray[np.bool_]
    """Blocks that went in."""
    notes: tuple[str, ...]
    """What widens its interval, in words."""
    scale: float
    """Unit of the flux's concentration per unit of the sensor. [mmol m-3 per unit]"""
    offset_change: dict[str, tuple[float, float, float, float]]
    """By sensor, at the middle: offset before and its sd, offset after the swaps and its sd. [sensor's unit]"""

    def series(self, name: str, count: int) -> FloatArray:
        """Return a field of the flux on the grid."""
        out = np.full(count, np.nan)
        out[self.use] = getattr(self.flux, name)
        return out


def covariance_blocks(
    context: Context,
    grid: Grid,
    series: BurstSeries,
    currents: Currents,
    storage_rate: FloatArray,
    storage_rate_sd: FloatArray | None = None,
    threads: int = 2,
) -> CovarianceBlocks | None:
    """Compute the covariance flux of every block of a velocimeter with a fast oxygen sensor.

    Parameters
    ----------
    storage_rate : (blocks,) array
        Change of oxygen with time below the sensor. [mmol m-3 h-1]
    storage_rate_sd : (blocks,) array, optional
        Its random standard error. [mmol m-3 h-1]
    threads : int
        Pieces of the record worked on at once; the result does not depend on it.
    """
    fast = series.fast
    if fast is None or fast.blocks.size == 0:
        return None
    book = context.book
    place = next(d for d in book.deployments_of(fast.label) if d.velocimeter == series.label)
    instrument = book.instrument(fast.label)
    tau, tau_sd = instrument.response_time_s or 0.0, instrument.response_time_sd_s or 0.0
    speed = series.field("speed", grid.count)[fast.blocks]
    toward = compass(context, series.label, grid.mids, series.field("direction", grid.count))[fast.blocks]
    distance = place.offset_downstream_m or 0.0
    along = distance * np.cos(np.deg2rad(toward - (place.offset_direction_deg or 0.0)))
    along = np.where(np.isfinite(along), along, 0.0)
    group = (along < 0).astype(np.int64)
    friction = currents.friction_velocity[fast.blocks]
    low, high = (series.field(name, grid.count)[fast.blocks] for name in ("wave_low", "wave_high"))
    height = series.height[fast.blocks]
    w = fast.w.astype(np.float64)
    oxygen = fast.oxygen.astype(np.float64)
    with ThreadPoolExecutor(threads) as pool:
        lag = exchange.pooled_lag(
            w=w,
            concentration=oxygen,
            sample_rate=fast.sample_rate,
            separation_along=along,
            speed=speed,
            response_time=np.full(speed.shape, tau),
            group=group,
            use=np.isfinite(friction),
            wave_band=(float(np.nanmedian(low)), float(np.nanmedian(high))) if np.isfinite(low).any() else None,
            each=pool.map,
        )
        excess = np.zeros(speed.shape)
        excess_sd = np.full(speed.shape, 0.1)
        for number, found, sd, edge in zip(lag.group, lag.excess, lag.excess_sd, lag.at_edge, strict=True):
            members = group == number
            excess[members] = 0.0 if edge or not np.isfinite(found) else found
            excess_sd[members] = sd if np.isfinite(sd) and not edge else 0.1
        gain = next((t.gain_sd for t in instrument.terms if t.gain_sd is not None), FAST_GAIN_SD)
        noise = next((t.noise_sd for t in instrument.terms if t.quantity in {"oxygen", "oxygen_molar"}), 0.0)
        flux = exchange.eddy_covariance(
            w=w,
            concentration=oxygen,
            sample_rate=fast.sample_rate,
            separation_along=along,
            speed=speed,
            height=height,
            response_time=tau,
            displacement=book.site.displacement_height_m,
            lag_excess=excess,
            storage_rate=storage_rate[fast.blocks],
            storage_rate_sd=0.0 if storage_rate_sd is None else storage_rate_sd[fast.blocks],
            friction_velocity=friction,
            friction_velocity_floor=book.analysis.friction_velocity_floor_m_s,
            wave_band=(low, high),
            response_time_sd=tau_sd,
            lag_sd=np.hypot(excess_sd, SEPARATION_SD_M / np.maximum(speed, 0.01)),
            gain_sd=gain,
            noise_sd=noise,
            height_sd=book.height_sd_at(series.label, grid.mids)[fast.blocks],
            each=pool.map,
        )
    return CovarianceBlocks(
        label=fast.label, velocimeter=series.label, blocks=fast.blocks, flux=flux, lag=lag, group=group
    )


def sensitivities(
    *, ph_total: float, total_alkalinity: float, temperature: float, salinity: float, pressure: float
) -> tuple[float, float]:
    """Return dpH/dDIC and dpH/dTA at a state. [kg µmol-1]"""
    dic = float(
        carbonate.solve(
            ph_total=ph_total,
            total_alkalinity=total_alkalinity,
            temperature=temperature,
            salinity=salinity,
            pressure=pressure,
            outputs=("dic",),
        )["dic"]
    )

    def ph(ta: npt.ArrayLike, total: npt.ArrayLike) -> FloatArray:
        return np.asarray(
            carbonate.solve(
                total_alkalinity=ta,
                dic=total,
                temperature=temperature,
                salinity=salinity,
                pressure=pressure,
                outputs=("ph_total",),
            )["ph_total"]
        )

    step = 5.0
    by_dic = ph(np.full(2, total_alkalinity), np.array([dic - step, dic + step]))
    by_alkalinity = ph(np.array([total_alkalinity - step, total_alkalinity + step]), np.full(2, dic))
    return float(np.diff(by_dic)[0] / (2 * step)), float(np.diff(by_alkalinity)[0] / (2 * step))


def gradient_blocks(
    context: Context,
    grid: Grid,
    slow: Mapping[str, SlowBlocks],
    offsets: SensorOffsets,
    currents: Currents,
    *,
    quantity: str,
    scale: float,
    storage_rate: FloatArray | None,
    light: FloatArray | None = None,
    use_swaps: bool = True,
) -> GradientBlocks | None:
    """Compute the gradient flux of a quantity from all sensors of the mast.

    Parameters
    ----------
    quantity : str
        Channel name, ``oxygen`` or ``ph_total``.
    scale : float
        Factor from the sensor's unit to mmol m-3 of what flows: the density over 1000 for oxygen; that over
        dpH/dDIC for pH, which then stands for DIC at constant alkalinity.
    storage_rate : (blocks,) array, optional
        [mmol m-3 h-1]
    light : (blocks,) array, optional
        What the flux may follow while the offsets are found from swaps. [µmol m-2 s-1]

    Returns
    -------
    GradientBlocks or None
        None where fewer than two sensors of one kind stood on the mast at different heights.
    """
    book = context.book
    kinds = {"oxygen": ("optode", "multi"), "ph_total": ("isfet_ph", "multi")}[quantity]
    beds = {row.name for row in book.stations_of_role("bed")}
    labels = [
        label
        for label in offsets.labels
        if book.instrument(label).kind in kinds and any(d.station in beds for d in book.deployments_of(label))
    ]
    if len(labels) < 2:
        return None
    height = np.full((len(labels), grid.count), np.nan)
    height_sd = np.full((len(labels), grid.count), np.nan)
    values = np.full((len(labels), grid.count), np.nan)
    for row, label in enumerate(labels):
        for place in book.deployments_of(label):
            if place.station in beds:
                inside = grid.mask(place.start_ns, place.end_ns)
                height[row, inside] = place.height_above_bed_m
                height_sd[row, inside] = place.height_sd_m
        values[row] = np.where(np.isfinite(height[row]), slow[label].channels[quantity].mean, np.nan)
    with np.errstate(invalid="ignore"):
        spread = np.nanmax(np.where(np.isfinite(height), height, -np.inf), axis=0) - np.nanmin(
            np.where(np.isfinite(height), height, np.inf), axis=0
        )
    use = (np.isfinite(values).sum(axis=0) >= 2) & (spread > 0.02)
    if use.sum() < 4:
        return None
    rows = [offsets.row(label) for label in labels]
    adjustment = offsets.adjustment
    prior, covariance, index = adjustment.select(rows)
    seconds = grid.seconds[use]
    design = adjustment.shape.design(seconds)[index][:, rows] * scale
    # Parameters held at zero (no drift term in the book) carry no variance; the solver needs them left out.
    free = np.diag(covariance) > 0
    friction = currents.friction_velocity[use]
    with np.errstate(invalid="ignore", divide="ignore"):
        relative = currents.friction_velocity_random_sd[use] / friction
        systematic = float(np.nanmedian(currents.friction_velocity_systematic_sd[use] / friction))
    systematic = systematic if np.isfinite(systematic) else 0.1
    by_displacement, by_kappa = shared_causes(context, currents, use)
    level = np.nanmean(values[:, use] * scale)
    gain_sd, gain_level = _gains(context, grid, slow, labels, quantity)
    flux = exchange.gradient_flux(
        concentration=values[:, use] * scale - level,
        height=height[:, use],
        time=seconds,
        friction_velocity=friction,
        noise_sd=np.repeat((adjustment.sensors_noise[rows] * abs(scale))[:, None], int(use.sum()), axis=1),
        prior_offset=prior[free],
        prior_covariance=covariance[np.ix_(free, free)],
        height_sd=height_sd[:, use],
        displacement=book.site.displacement_height_m,
        displacement_sd=book.site.displacement_height_sd_m,
        friction_velocity_random=np.where(np.isfinite(relative), relative, 0.2),
        friction_velocity_systematic=float(np.sqrt(max(systematic**2 - by_displacement**2 - by_kappa**2, 0.0))),
        friction_velocity_by_displacement=by_displacement,
        friction_velocity_by_von_karman=by_kappa,
        von_karman=book.analysis.von_karman,
        von_karman_sd=book.analysis.von_karman_sd,
        gain_sd=gain_sd,
        gain_level=np.where(np.isfinite(gain_level), gain_level, np.nanmean(values[:, use], axis=1)) * scale - level,
        design=design[free],
        use_swaps=use_swaps,
        light=light[use] if light is not None and np.isfinite(light[use]).all() else None,
        storage_rate=None if storage_rate is None else storage_rate[use],
        friction_velocity_floor=book.analysis.friction_velocity_floor_m_s,
    )
    return GradientBlocks(
        quantity=quantity,
        labels=tuple(labels),
        flux=flux,
        use=use,
        notes=_notes(context, labels),
        scale=scale,
        offset_change=_offset_change(flux, labels, design[free], seconds, scale),
    )


def _notes(context: Context, labels: list[str]) -> tuple[str, ...]:
    """Say what is not known as well as it should be of the sensors of a gradient."""
    beside = {label for period in context.book.intercalibrations for label in period.instruments}
    apart = [label for label in labels if label not in beside]
    wide = [label for label in labels if label in context.wide_heights]
    notes = []
    if apart:
        notes.append(f"{', '.join(apart)} never side by side: interval widened by the offsets the book allows")
    if wide:
        notes.append(f"height of {', '.join(wide)} not measured at recovery: taken as known to {100 * WIDENED_M:g} cm")
    return tuple(notes)


def shared_causes(context: Context, currents: Currents, use: npt.NDArray[np.bool_]) -> tuple[float, float]:
    """Return what one standard uncertainty of displacement height and of von Karman's constant does to the best u*.

    Relative, of the size of both signs that a gradient flux sees: a plane that lies higher than stated makes u* by log
    law and by dissipation too large and the profile seem too steep at once, and a larger constant makes both too small.
    Covariance knows neither. Shares of the methods as `flow.friction_velocity_best` weighs them.
    """
    site, analysis = context.book.site, context.book.analysis
    kappa = analysis.von_karman_sd / analysis.von_karman
    weights, plane, constant = [], [], []
    heights = [
        place.height_above_bed_m - site.displacement_height_m
        for row in context.book.instruments_of_kind("velocimeter")
        for place in context.book.deployments_of(row.label)
    ]
    for method, own in (("covariance", 0.03), ("dissipation", 0.04), ("log_law", 0.05)):
        value, random = (part[use] for part in currents.estimates[method])
        with np.errstate(invalid="ignore", divide="ignore"):
            sd = np.maximum(np.hypot(random / value, own), 0.05)
            whole = currents.systematic[method][use] / value
        weights.append(np.where(np.isfinite(sd), 1.0 / sd**2, 0.0))
        if method == "log_law":
            found = float(np.nanmedian(whole)) if np.isfinite(whole).any() else 0.0
            plane.append(float(np.sqrt(max(found**2 - kappa**2, 0.0))))
            constant.append(kappa)
        elif method == "dissipation" and heights and min(heights) > 0.0:
            plane.append(site.displacement_height_sd_m / min(heights) / 3.0)
            constant.append(kappa / 3.0)
        else:
            plane.append(0.0)
            constant.append(0.0)
    weight = np.stack(weights)
    total = weight.sum(axis=0)
    known = total > 0.0
    if not known.any():
        return 0.0, 0.0
    share = (weight[:, known] / total[known]).mean(axis=1)
    return float(share @ np.array(plane)), float(share @ np.array(constant))


def _gains(
    context: Context, grid: Grid, slow: Mapping[str, SlowBlocks], labels: list[str], quantity: str
) -> tuple[FloatArray, FloatArray]:
    """Return the gain uncertainty of each sensor, and the level of the water in which its offset was found.

    NaN for the level where the sensors never stood side by side.
    """
    names = {quantity, "oxygen_molar"} if quantity == "oxygen" else {quantity}
    beside = np.zeros(grid.count, dtype=bool)
    for period in context.book.intercalibrations:
        beside |= grid.mask(period.start_ns, period.end_ns)
    sd, level = np.zeros(len(labels)), np.full(len(labels), np.nan)
    for row, label in enumerate(labels):
        terms = context.book.instrument(label).terms
        sd[row] = next((t.gain_sd for t in terms if t.quantity in names and t.gain_sd is not None), 0.0)
        there = slow[label].channels[quantity].mean[beside]
        if np.isfinite(there).any():
            level[row] = float(np.nanmean(there))
    return sd, level


def _offset_change(
    flux: GradientFlux, labels: list[str], design: FloatArray, seconds: FloatArray, scale: float
) -> dict[str, tuple[float, float, float, float]]:
    """Return each sensor's error in the middle of the record before and after the swaps spoke."""
    middle = int(np.argmin(np.abs(seconds - seconds.mean())))
    solution = flux.offsets
    out = {}
    for row, label in enumerate(labels):
        column = design[:, row, middle] / scale
        out[label] = (
            float(column @ solution.prior_value),
            max(float(column @ solution.prior_covariance @ column), 0.0) ** 0.5,
            float(column @ solution.value),
            max(float(column @ solution.covariance @ column), 0.0) ** 0.5,
        )
    return out
