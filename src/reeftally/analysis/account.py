"""The account in trials: gas exchange since the reference, the split of pH and saturation, for any period.

Here:     oxygen and DIC that came through the surface, states of a period, the call of the ledger.
Not here: the split itself (`reeftally.ledger`), the waters (`water`).
Rules:    the same trials that drew the waters draw the residence time, the gas transfer and the quotient, once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from reeftally import ledger
from reeftally._checks import FloatArray
from reeftally.analysis.context import Context
from reeftally.analysis.grid import Grid
from reeftally.analysis.records import SlowBlocks
from reeftally.analysis.water import WaterTrials, mission_constants
from reeftally.exchange import gas_exchange
from reeftally.ledger import MixingLine, State
from reeftally.seawater import properties
from reeftally.uncertainty import Trials

__all__ = ["Air", "Passage", "account_arguments", "account_of_period", "air_of", "gas_passage", "what_is_missing"]


# The days before the record had weather of their own: the mean exchange of a residence time differs from that of the
# first days on record by about this much, relative (common practice, no source).
HISTORY_SD = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """The air over the reef in blocks, and its CO2 now and in the past."""

    wind_speed: FloatArray
    """(blocks,) [m s-1]"""
    wind_variance: FloatArray
    """(blocks,) [m2 s-2]"""
    pressure: float
    """Mean air pressure. [hPa]"""
    co2_now: float
    """Dry mole fraction. [µmol mol-1]"""
    co2_now_sd: float
    co2_past: float
    source: str
    wind_offset_sd: float = 0.0
    """Of the wind record, as the book states it. [m s-1]"""
    wind_gain_sd: float = 0.0
    """Relative. [1]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """What came through the surface since the water left the reference, in every trial and block."""

    oxygen: FloatArray
    """(trials, blocks) [µmol kg-1]"""
    dic: FloatArray
    """(trials, blocks) [µmol kg-1]"""
    oxygen_flux: FloatArray
    """(trials, blocks) [mmol m-2 h-1]"""
    dic_flux: FloatArray
    """(trials, blocks) [mmol m-2 h-1]"""
    residence_h: FloatArray
    """(trials,)"""


def air_of(
    context: Context, grid: Grid, slow: Mapping[str, SlowBlocks], table: tuple[FloatArray, FloatArray] | None
) -> Air | None:
    """Collect the air: weather record, then the book, then the shipped table of annual means for the year.

    Parameters
    ----------
    table : (years, µmol mol-1), optional
        Annual means; a year beyond it is not extrapolated.
    """
    wind = np.full(grid.count, np.nan)
    variance = np.zeros(grid.count)
    pressure, co2, co2_sd, source = 1013.25, np.nan, np.nan, ""
    wind_offset = wind_gain = 0.0
    for blocks in slow.values():
        if blocks.kind == "weather":
            if "wind_speed" in blocks.channels:
                wind = blocks.channels["wind_speed"].mean
                variance = np.nan_to_num(blocks.channels["wind_speed"].sd) ** 2
                known = [t for t in context.book.instrument(blocks.label).terms if t.quantity == "wind_speed"]
                wind_offset = max((t.offset_sd for t in known), default=0.0)
                wind_gain = max((t.gain_sd or 0.0 for t in known), default=0.0)
            if "air_pressure" in blocks.channels:
                pressure = float(np.nanmean(blocks.channels["air_pressure"].mean))
        if "air_co2" in blocks.channels and np.isfinite(blocks.channels["air_co2"].mean).any():
            series = blocks.channels["air_co2"].mean
            co2 = float(np.nanmean(series))
            terms = [t.offset_sd for t in context.book.instrument(blocks.label).terms if t.quantity == "air_co2"]
            co2_sd = float(
                np.hypot(terms[0] if terms else 0.5, np.nanstd(series) / np.sqrt(max(1.0, series.size / 48)))
            )
            source = blocks.label
    stated = context.book.reference("air_co2")
    if not np.isfinite(co2) and stated is not None:
        co2, co2_sd, source = stated.value, stated.sd, f"book ({stated.source})"
    year = context.book.mission.start.year
    if not np.isfinite(co2) and table is not None and table[0].min() <= year <= table[0].max():
        # One annual mean for a month of the year: the season moves it by about 3 µmol/mol (half the yearly swing).
        co2, co2_sd, source = float(np.interp(year, *table)), 3.0, "table of annual means"
    if not np.isfinite(co2):
        return None
    stated_wind = context.book.reference("wind_speed")
    if not np.isfinite(wind).any() and stated_wind is not None:
        wind = np.full(grid.count, stated_wind.value)
        variance = np.full(grid.count, stated_wind.sd**2)
    return Air(
        wind_speed=wind,
        wind_variance=variance,
        pressure=pressure,
        co2_now=co2,
        co2_now_sd=co2_sd,
        co2_past=context.book.analysis.past_air_co2_umol_mol,
        source=source,
        wind_offset_sd=wind_offset,
        wind_gain_sd=wind_gain,
    )


def what_is_missing(context: Context, water: WaterTrials, air: Air | None) -> list[str]:
    """Return what the account needs and the mission does not give, by name."""
    missing = []
    if air is None:
        missing.append("CO2 of the air now (weather record or reference `air_co2`)")
    missing += [
        f"{name} of the reef's water"
        for name in ("dic", "total_alkalinity", "temperature", "salinity")
        if not np.isfinite(getattr(water, name)).any()
    ]
    missing += [
        f"{name} of the reference water"
        for name in ("temperature", "salinity", "total_alkalinity", "dic", "oxygen")
        if name not in water.reference
    ]
    if context.book.site.residence_time_h is None:
        missing.append("site.residence_time_h with its uncertainty")
    if not np.isfinite(water.oxygen).any():
        missing.append("oxygen of the reef's water")
    return missing


def _filtered(source: FloatArray, hours: float, residence: FloatArray, before: FloatArray | float = 1.0) -> FloatArray:
    """What a source leaves behind in water that renews itself with one time constant.

    ``dG/dt = s - G / tau``, exact for a source constant within a block, begun at the steady state of the first whole
    days of the record (two at most: a part of a day would count its wind twice), times ``before``. NaN blocks carry
    the mean of the record.
    """
    mean = np.nanmean(source, axis=-1, keepdims=True)
    filled = np.where(np.isfinite(source), source, mean)
    keep = np.exp(-hours / residence)
    out = np.empty_like(filled)
    known = np.flatnonzero(np.isfinite(source).any(axis=0))
    day = round(24.0 / hours)
    days = min((known[-1] + 1 - known[0]) // day, 2) if known.size else 0
    first = filled[..., known[0] : known[0] + days * day].mean(axis=-1) if days else mean[..., 0]
    state = first * residence * before
    for block in range(filled.shape[-1]):
        # The value in the middle of the block, then the value at its end.
        half = np.sqrt(keep)
        out[..., block] = state * half + filled[..., block] * residence * (1.0 - half)
        state = state * keep + filled[..., block] * residence * (1.0 - keep)
    return out


def _over_trials(values: FloatArray) -> FloatArray:
    """Return the mean over trials, block by block; NaN where no trial has a value."""
    good = np.isfinite(values)
    count = good.sum(axis=0)
    return np.where(count > 0, np.where(good, values, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)


def gas_passage(
    context: Context, grid: Grid, water: WaterTrials, air: Air, trials: Trials, terms: dict[str, FloatArray]
) -> Passage:
    """Compute what oxygen and DIC came through the surface since the water left the reference."""
    site = context.book.site
    analysis = context.book.analysis
    residence_sd = site.residence_time_sd_h or 0.0
    residence = np.maximum(
        (site.residence_time_h or np.nan) + trials.systematic("residence time", distribution=max(residence_sd, 1e-12)),
        0.5,
    )
    transfer = trials.systematic("gas transfer", distribution=max(analysis.gas_transfer_sd_relative, 1e-12))
    terms["residence time"], terms["gas transfer"] = residence, transfer
    factor = np.maximum(1.0 + transfer, 0.0)[:, None]
    temperature = _over_trials(water.temperature)
    salinity = _over_trials(water.salinity)
    wind = np.where(np.isfinite(air.wind_speed), air.wind_speed, np.nanmean(air.wind_speed))
    # Transfer goes with the square of the wind: what the anemometer is off comes in twice.
    offset = trials.systematic("wind offset", distribution=max(air.wind_offset_sd, 1e-12))
    gain = trials.systematic("wind gain", distribution=max(air.wind_gain_sd, 1e-12))
    terms["wind"] = offset + gain * float(np.nanmean(wind))
    wind = np.maximum(wind * (1.0 + gain[:, None]) + offset[:, None], 0.0)
    now = air.co2_now + trials.systematic("CO2 of the air", distribution=max(air.co2_now_sd, 1e-12))
    common: dict[str, Any] = {
        "temperature": temperature,
        "salinity": salinity,
        "wind_speed": wind,
        "wind_variance": air.wind_variance,
    }
    oxygen_flux = factor * np.asarray(
        gas_exchange.oxygen_flux(oxygen=water.oxygen, air_pressure=air.pressure, **common).flux
    )
    above = gas_exchange.air_fco2(
        air_co2=now[:, None], temperature=temperature, salinity=salinity, air_pressure=air.pressure
    )
    dic_flux = factor * np.asarray(gas_exchange.co2_flux(fco2_water=water.fco2, fco2_air=above, **common).flux)
    before = 1.0 + trials.systematic("gas exchange before the record", distribution=HISTORY_SD)
    terms["gas exchange before the record"] = before
    density = float(np.nanmean(properties.density(salinity=salinity, temperature=temperature)))
    scale = 1000.0 / (site.water_depth_m * density)
    hours = grid.block_s / 3600.0
    return Passage(
        oxygen=_filtered(oxygen_flux * scale, hours, residence, before),
        dic=_filtered(dic_flux * scale, hours, residence, before),
        oxygen_flux=oxygen_flux,
        dic_flux=dic_flux,
        residence_h=residence,
    )


def mixing_line(context: Context) -> MixingLine:
    """Return the mixing line of the book, or rain: no alkalinity and no DIC at salinity zero."""
    alkalinity = context.book.reference("mixing_line_alkalinity_at_zero_salinity")
    dic = context.book.reference("mixing_line_dic_at_zero_salinity")
    return MixingLine(
        alkalinity_at_zero=alkalinity.value if alkalinity is not None else 0.0,
        dic_at_zero=dic.value if dic is not None else 0.0,
    )


def account_of_period(
    context: Context,
    water: WaterTrials,
    passage: Passage,
    air: Air,
    trials: Trials,
    use: npt.NDArray[np.bool_],
    terms: dict[str, FloatArray],
) -> ledger.Account | None:
    """Split the period's mean state; None where no block of the period has a full state.

    Parameters
    ----------
    use : (blocks,) bool
        Blocks of the period.

    Notes
    -----
    The state of a period is the mean over the blocks at which every part of it is known, the same blocks for
    all parts.
    """
    arguments = account_arguments(context, water, passage, air, trials, use, terms)
    return None if arguments is None else ledger.decompose(**arguments)


def account_arguments(
    context: Context,
    water: WaterTrials,
    passage: Passage,
    air: Air,
    trials: Trials,
    use: npt.NDArray[np.bool_],
    terms: dict[str, FloatArray],
) -> dict[str, Any] | None:
    """Return what `ledger.decompose` is given for a period, in every trial; None without a full state."""
    full = use & np.isfinite(water.dic).all(axis=0) & np.isfinite(water.oxygen).all(axis=0)
    full &= np.isfinite(water.temperature).all(axis=0) & np.isfinite(water.salinity).all(axis=0)
    if not full.any():
        return None
    analysis = context.book.analysis
    pq = np.maximum(
        analysis.pq + trials.systematic("photosynthetic quotient", distribution=max(analysis.pq_sd, 1e-12)), 0.5
    )
    terms["photosynthetic quotient"] = pq

    def mean(array: FloatArray) -> FloatArray:
        return np.asarray(np.broadcast_to(array, (trials.count, full.size))[:, full].mean(axis=1))

    reference = dict(water.reference)
    for name, departure in water.reference_departures.items():
        reference[name] = reference[name] + departure[:, full].mean(axis=1)
    return {
        "reef": State(mean(water.temperature), mean(water.salinity), mean(water.total_alkalinity), mean(water.dic)),
        "reference": State(
            reference["temperature"], reference["salinity"], reference["total_alkalinity"], reference["dic"]
        ),
        "xco2_now": air.co2_now + trials.systematic("CO2 of the air", distribution=max(air.co2_now_sd, 1e-12)),
        "xco2_past": air.co2_past,
        "air_pressure": air.pressure,
        "oxygen_reef": mean(water.oxygen),
        "oxygen_reference": reference["oxygen"],
        "oxygen_gas_exchange": mean(passage.oxygen),
        "gas_exchange_dic": mean(passage.dic),
        "pq": pq,
        "mixing_line": mixing_line(context),
        "pressure": float(np.nanmean(water.pressure)),
        "constants": mission_constants(context),
    }
