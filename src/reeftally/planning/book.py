"""From the mission book to a design: which sensors stand where, when they share a water, how well they are known.

Here:     the design of the gradient mast of a book, what one expects of the reef, what the book lacks.
Not here: predictions (`missions`), targets (`plan`).
Rules:    what the book does not say and the plan must assume is listed with its value; nothing is assumed silently.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field, replace

import numpy as np

from reeftally._checks import FloatArray
from reeftally.mission import Book, solar
from reeftally.planning.missions import BoolArray, GradientDesign, Water
from reeftally.planning.signals import PlannedWater

__all__ = ["Expected", "expected_from_book", "friction_terms", "gradient_design"]

NS = 1_000_000_000
SAME_HEIGHT_M = 0.02
KINDS = {"oxygen": ("optode", "multi"), "ph_total": ("isfet_ph", "multi")}
SETTLING_SD = {"ph_total": 0.02}
TIDE_HOURS = 12.4206
# Relative standard uncertainty of the friction velocity of a mission by what measures the current: velocimeters
# (covariance and dissipation together) and profilers (logarithmic law); what the chain states on a rehearsed mission.
VELOCIMETER_SD, PROFILER_SD = 0.045, 0.07
FRICTION_RANDOM = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What one expects of the reef before anybody has been there."""

    night_uptake: float = 12.0
    """Of oxygen by the bed at night. [mmol m-2 h-1]"""
    most_production: float = 20.0
    """Of oxygen in full light. [mmol m-2 h-1]"""
    light_scale: float = 330.0
    """[umol m-2 s-1]"""
    noon_light: float = 870.0
    """At the bed under a sun in the zenith. [umol m-2 s-1]"""
    friction_velocity: float = 0.009
    """Mean over the tide. [m s-1]"""
    local_ph: float = 0.03
    """Size of the pH change made locally. [1]"""
    oxygen_deficit: float = 14.0
    """Of the reef's water against its reference. [umol kg-1]"""
    gas_transfer: float = 0.075
    """[m h-1]"""
    dic_spread: float = 7.0
    """Standard deviation of DIC among samples for isotopes. [umol kg-1]"""
    water: PlannedWater = field(default_factory=PlannedWater)


def expected_from_book(book: Book, expected: Expected | None = None) -> tuple[Expected, list[str]]:
    """Return what is expected with the water of the book's references, and what had to be assumed."""
    given = expected or Expected()
    values: dict[str, float] = {}
    said = []
    units = {"temperature": "°C", "salinity": "", "total_alkalinity": "µmol/kg", "dic": "µmol/kg"}
    words = {"total_alkalinity": "total alkalinity", "dic": "DIC"}
    for name, unit in units.items():
        row = book.reference(name)
        values[name] = row.value if row is not None else getattr(given.water, name)
        if row is None:
            said.append(
                f"no reference {words.get(name, name)} in the book: {values[name]:g} {unit}".rstrip() + " assumed"
            )
    said += [
        f"oxygen uptake at night {given.night_uptake:g} mmol m-2 h-1, production in full light "
        f"{given.most_production:g} (give --night-uptake if you know better)",
        f"friction velocity {100 * given.friction_velocity:g} cm/s in the mean of a tide (--friction-velocity)",
    ]
    water = PlannedWater(**values, pressure=book.site.water_depth_m)
    return replace(given, water=water), said


def friction_terms(book: Book) -> tuple[float, float] | None:
    """Return relative (random, systematic) standard uncertainty of the friction velocity; None without a current."""
    placed = {d.instrument for d in book.deployments}
    kinds = {row.kind for row in book.instruments if row.label in placed}
    if "velocimeter" in kinds:
        return FRICTION_RANDOM, VELOCIMETER_SD
    return (FRICTION_RANDOM, PROFILER_SD) if "profiler" in kinds else None


def _blocks(start_ns: int, end_ns: int, block_s: int) -> FloatArray:
    """Return mid times of whole blocks aligned to UTC. [s]."""
    first = -(-start_ns // (block_s * NS))
    last = end_ns // (block_s * NS)
    return (np.arange(first, last, dtype=np.float64) + 0.5) * block_s


def _inside(time: FloatArray, start_ns: int, end_ns: int) -> BoolArray:
    return np.asarray((time >= start_ns / NS) & (time < end_ns / NS))


def _waters(book: Book, labels: list[str], time: FloatArray) -> list[Water]:
    found: dict[tuple[bool, str], BoolArray] = defaultdict(lambda: np.zeros((len(labels), time.size), dtype=bool))
    for row, label in enumerate(labels):
        beside = np.zeros(time.size, dtype=bool)
        for period in book.intercalibrations:
            if label in period.instruments:
                inside = _inside(time, period.start_ns, period.end_ns)
                found[True, period.name][row] |= inside
                beside |= inside
        for place in book.deployments_of(label):
            if book.station(place.station).role != "carried":
                level = round(place.height_above_bed_m / SAME_HEIGHT_M) * SAME_HEIGHT_M
                mask = _inside(time, place.start_ns, place.end_ns) & ~beside
                found[False, f"{place.station} {level:.2f} m"][row] |= mask
    out = []
    for (beside_planned, name), present in sorted(found.items()):
        use = present.sum(axis=0) >= 2
        if use.any():
            out.append(Water(name=name, time=time[use], present=present[:, use], beside=beside_planned))
    return out


def gradient_design(book: Book, quantity: str, expected: Expected) -> tuple[GradientDesign | None, list[str]]:
    """Return the design of the gradient mast for a quantity, and what the book lacks to judge it.

    Parameters
    ----------
    book : Book
    quantity : str
        ``oxygen`` or ``ph_total``; the latter stands for DIC at constant alkalinity.
    expected : Expected
        See `expected_from_book`.

    Returns
    -------
    (GradientDesign or None, list of str)
        None where the book has no mast for it; the list says why.
    """
    beds = {row.name for row in book.stations_of_role("bed")}
    compared = {label for period in book.intercalibrations for label in period.instruments}
    missing: list[str] = []
    labels, terms = [], []
    for instrument in book.instruments:
        term = instrument.term(quantity) or (instrument.term("oxygen_molar") if quantity == "oxygen" else None)
        on_bed = any(d.station in beds for d in book.deployments_of(instrument.label))
        if instrument.kind in KINDS[quantity] and on_bed and term is None:
            missing.append(f"instrument {instrument.label} has no terms for {quantity} (noise_sd, offset_sd)")
        if term is not None and (on_bed or instrument.label in compared) and instrument.kind != "fast_oxygen":
            labels.append(instrument.label)
            terms.append(term)
    mast = [
        row
        for row, label in enumerate(labels)
        if book.instrument(label).kind in KINDS[quantity] and any(d.station in beds for d in book.deployments_of(label))
    ]
    friction = friction_terms(book)
    if friction is None:
        missing.append("no velocimeter or profiler is deployed: the friction velocity would not be known")
    if len(mast) < 2:
        missing.append(f"fewer than two sensors of {quantity} with terms stand at a station of role bed")
    if len(mast) < 2 or friction is None:
        return None, missing
    block = book.analysis.block_s
    whole = _blocks(*book.span_ns(), block)
    time = _blocks(book.mission.start_ns, book.mission.end_ns, block)
    height = np.full((len(labels), time.size), np.nan)
    sds = []
    for row in mast:
        for place in book.deployments_of(labels[row]):
            if place.station in beds:
                height[row, _inside(time, place.start_ns, place.end_ns)] = place.height_above_bed_m
                sds.append(place.height_sd_m)
    if not (np.isfinite(height).sum(axis=0) >= 2).any():
        missing.append(f"no two sensors of {quantity} stand on the mast at one time during the mission")
        return None, missing
    waters = _waters(book, labels, whole)
    if not any(w.beside and w.present[mast].all(axis=1).any() for w in waters):
        missing.append(f"the sensors of {quantity} are never side by side: only their certificates tie them")
    low = book.site
    up = np.sin(np.radians(solar.elevation((time * NS).astype(np.int64), low.latitude_deg, low.longitude_deg)))
    light = expected.noon_light * np.maximum(up, 0.0)
    tide = np.abs(np.cos(2.0 * np.pi * time / 3600.0 / TIDE_HOURS))
    friction_velocity = expected.friction_velocity * (0.4 + 0.6 * tide / (2.0 / np.pi))
    flux = -expected.night_uptake + expected.most_production * np.tanh(light / expected.light_scale)
    if quantity == "ph_total":
        flux = -book.analysis.rq * flux
    interval = [book.instrument(label).sample_interval_s for label in labels]
    settles = [SETTLING_SD.get(quantity, 0.0) if book.instrument(la).kind == "isfet_ph" else 0.0 for la in labels]
    design = GradientDesign(
        quantity=quantity,
        labels=tuple(labels),
        mast=tuple(mast),
        time=time,
        height=height,
        height_sd=float(np.median(sds)),
        displacement=low.displacement_height_m,
        displacement_sd=low.displacement_height_sd_m,
        waters=tuple(waters),
        noise_sd=np.array([t.noise_sd / np.sqrt(max(block / s, 1.0)) for t, s in zip(terms, interval, strict=True)]),
        offset_sd=np.array([t.offset_sd for t in terms]),
        drift_sd=np.array([t.drift_sd_per_day or 0.0 for t in terms]),
        settling_sd=np.array(settles),
        scale=expected.water.scale(quantity),
        flux=flux,
        friction_velocity=friction_velocity,
        light=light,
        friction_random=friction[0],
        friction_systematic=friction[1],
        von_karman=book.analysis.von_karman,
        von_karman_sd=book.analysis.von_karman_sd,
        periods=_periods(book, time),
        friction_floor=book.analysis.friction_velocity_floor_m_s,
    )
    return design, missing


def _periods(book: Book, time: FloatArray) -> dict[str, BoolArray]:
    """Return the blocks of the mission and of the first whole night, day and 24 h (else the longest part of one)."""
    out = {"mission": np.ones(time.size, dtype=bool)}
    for name, rows in (("night", book.nights()), ("day", book.days()), ("24h", book.days24())):
        masks = [(row.complete, _inside(time, row.start_ns, row.end_ns)) for row in rows]
        if masks:
            out[name] = max(masks, key=lambda item: (item[0], int(item[1].sum())))[1]
    return {name: mask for name, mask in out.items() if mask.any()}
