"""Organisms: visits of the carried sensors, what single organisms exchange, and their share of the community.

Here:     joining the carried sensors on one time base, plateaus against the slate, rates, scaling.
Not here: the equations (`reeftally.exchange`).
Rules:    the record finds the stay, the slate names it; a slate entry without a plateau is a refused estimate; the
          community number is refused until the share of time spent pumping is stated.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from reeftally import exchange
from reeftally._checks import FloatArray
from reeftally.analysis.context import Context
from reeftally.analysis.estimates import COMMUNITY, Estimates
from reeftally.analysis.grid import NS
from reeftally.analysis.records import Water
from reeftally.exchange.scaling import CommunityScale, Form, scale_to_community
from reeftally.mission import Visit
from reeftally.seawater import oxygen as oxygen_equations
from reeftally.seawater import properties

__all__ = ["VisitResult", "estimate_organisms", "find_visits"]

# A slate is wrong by up to five minutes (the job's own experience with gloves and a pencil; common practice, no
# source); a record is searched this far around it.
SLATE_WINDOW_S = 360.0
DIVE_MARGIN_S = 900.0
UNITS = {"ph_total": "", "oxygen": "µmol kg-1"}
NAMES = {"ph_total": "visit_ph_difference", "oxygen": "visit_oxygen_difference"}


@dataclass(slots=True, kw_only=True)
class VisitResult:
    """One visit as found in the record."""

    visit: Visit
    start: float
    """Arrival in the jet; NaN where no stay was found. [s]"""
    end: float
    slate_error: float
    """Record minus slate. [s]"""
    doubtful: bool
    differences: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    """By quantity: jet minus ambient, random sd, systematic sd."""


@dataclass(slots=True)
class _Carried:
    """Carried sensors of one dive on one clock: time and channels."""

    time: FloatArray
    values: dict[str, FloatArray]
    response: dict[str, tuple[float, float]]
    noise: dict[str, float]
    gain: dict[str, float]


def _dives(visits: list[Visit]) -> list[list[Visit]]:
    """Group visits into dives, in the order of the slate: an hour without a visit begins another.

    The order in which the rows were written is better than their minutes: a slate is wrong by minutes, but a diver
    writes one visit after the other.
    """
    dives: list[list[Visit]] = []
    for visit in visits:
        if dives and abs(visit.time_in_ns - dives[-1][-1].time_out_ns) < 3600 * NS:
            dives[-1].append(visit)
        else:
            dives.append([visit])
    return dives


def _read_carried(context: Context, visits: list[Visit], water: Water) -> _Carried | None:
    """Read the carried sensors of one dive."""
    start = min(v.time_in_ns for v in visits) - round((SLATE_WINDOW_S + DIVE_MARGIN_S) * NS)
    end = max(v.time_out_ns for v in visits) + round((SLATE_WINDOW_S + DIVE_MARGIN_S) * NS)
    labels = sorted({label for visit in visits for label in visit.instruments})
    series: dict[str, tuple[FloatArray, FloatArray]] = {}
    response: dict[str, tuple[float, float]] = {}
    noise: dict[str, float] = {}
    gain: dict[str, float] = {}
    for label in labels:
        if not context.has(label):
            continue
        record = context.read(label, start_ns=start, end_ns=end)
        if record.time_ns.size < 60:
            continue
        instrument = context.book.instrument(label)
        time = (record.time_ns - start).astype(np.float64) / NS
        channels = {name: np.asarray(value, dtype=np.float64) for name, value in record.channels.items()}
        if "oxygen_molar" in channels and instrument.salinity_setting is not None:
            own = channels.get("temperature")
            temperature = own if own is not None else water.at("temperature", record.time_ns)
            salinity = water.at("salinity", record.time_ns)
            molar = oxygen_equations.salinity_compensation(
                oxygen_molar=channels["oxygen_molar"],
                temperature=temperature,
                salinity=salinity,
                salinity_setting=instrument.salinity_setting,
            )
            channels["oxygen"] = np.asarray(
                oxygen_equations.molar_to_gravimetric(oxygen_molar=molar, temperature=temperature, salinity=salinity)
            )
        for quantity in ("ph_total", "oxygen"):
            if quantity in channels and quantity not in series:
                series[quantity] = (time, channels[quantity])
                response[quantity] = (instrument.response_time_s or 0.0, instrument.response_time_sd_s or 0.0)
                noise[quantity] = next(
                    (t.noise_sd for t in instrument.terms if t.quantity in {quantity, f"{quantity}_molar"}), 0.0
                )
                gain[quantity] = next(
                    (t.gain_sd or 0.0 for t in instrument.terms if t.quantity in {quantity, f"{quantity}_molar"}), 0.0
                )
    if not series:
        return None
    first = max(series.values(), key=lambda pair: pair[0].size)[0]
    base = np.arange(np.floor(first[0]), np.ceil(first[-1]) + 1.0)
    values = {}
    for quantity, (time, value) in series.items():
        good = np.isfinite(value)
        at = np.clip(np.searchsorted(time[good], base), 1, max(int(good.sum()) - 1, 1))
        near = np.where(np.abs(base - time[good][at - 1]) <= np.abs(time[good][at] - base), at - 1, at)
        close = np.abs(time[good][near] - base) <= 1.5
        values[quantity] = np.where(close, value[good][near], np.nan)
    return _Carried(base + start / NS, values, response, noise, gain)


def find_visits(context: Context, water: Water) -> list[VisitResult]:
    """Find every visit of the slate in the records of the carried sensors."""
    visits = list(context.tables.visits)
    out: list[VisitResult] = []
    for dive in _dives(visits):
        carried = _read_carried(context, dive, water)
        if carried is None:
            out += [VisitResult(visit=v, start=np.nan, end=np.nan, slate_error=np.nan, doubtful=True) for v in dive]
            continue
        out += _one_dive(carried, dive)
    return out


def _one_dive(carried: _Carried, dive: list[Visit]) -> list[VisitResult]:
    """Match the stays of one dive with its slate and measure the differences."""
    origin = carried.time[0]
    time = carried.time - origin
    slate_in = np.array([v.time_in_ns / NS - origin for v in dive])
    slate_out = np.array([v.time_out_ns / NS - origin for v in dive])
    blank = np.array([v.blank for v in dive])
    quantities = list(carried.values)
    plateaus = exchange.find_plateaus(
        time=time,
        values=np.stack([carried.values[q] for q in quantities]),
        response_time=np.array([carried.response[q][0] for q in quantities]),
        slate_in=slate_in,
        slate_out=slate_out,
        slate_window=SLATE_WINDOW_S,
        noise_sd=np.array([carried.noise[q] for q in quantities]) if all(carried.noise.values()) else None,
    )
    match = exchange.match_slate(
        start=plateaus.start,
        end=plateaus.end,
        slate_in=slate_in,
        slate_out=slate_out,
        blank=blank,
        window=SLATE_WINDOW_S,
    )
    # The slate's clock is wrong by one amount a dive, more or less: a blank has no stay of its own in the record,
    # so its time is the slate's, moved by the dive's median error.
    shift = float(np.nanmedian(match.error)) if np.isfinite(match.error).any() else 0.0
    start, end = np.full(len(dive), np.nan), np.full(len(dive), np.nan)
    for index, plateau in enumerate(match.plateau):
        if plateau >= 0:
            start[index], end[index] = plateaus.start[plateau], plateaus.end[plateau]
        elif blank[index]:
            start[index], end[index] = slate_in[index] + shift, slate_out[index] + shift
    known = np.isfinite(start)
    differences: dict[str, tuple[FloatArray, FloatArray, FloatArray]] = {}
    for quantity in quantities:
        tau, tau_sd = carried.response[quantity]
        found = exchange.excurrent_difference(
            time=time,
            values=carried.values[quantity],
            start=start[known],
            end=end[known],
            response_time=tau,
            response_time_sd=tau_sd,
            gain_sd=carried.gain[quantity],
        )
        full = [np.full(len(dive), np.nan) for _ in range(3)]
        for target, part in zip(full, (found.value, found.random_sd, found.systematic_sd), strict=True):
            target[known] = part
        differences[quantity] = (full[0], full[1], full[2])
    return [
        VisitResult(
            visit=visit,
            start=float(start[i] + origin),
            end=float(end[i] + origin),
            slate_error=float(match.error[i]),
            doubtful=bool(match.doubtful[i]),
            differences={q: (float(d[0][i]), float(d[1][i]), float(d[2][i])) for q, d in differences.items()},
        )
        for i, visit in enumerate(dive)
    ]


def _stated(context: Context, quantity: str) -> tuple[float, float] | None:
    """Return a value stated in the reference table or the book."""
    for row in context.tables.reference_values:
        if row.quantity == quantity:
            return row.value, row.sd
    reference = context.book.reference(quantity)
    return (reference.value, reference.sd) if reference is not None else None


def estimate_organisms(
    context: Context,
    results: list[VisitResult],
    estimates: Estimates,
    *,
    mission_ns: tuple[int, int],
    community_respiration: tuple[float, float],
) -> CommunityScale | None:
    """Write the estimates of visits, individuals and community.

    Parameters
    ----------
    community_respiration : (value, sd)
        Oxygen taken up by the whole community, positive. [mmol m-2 h-1]
    """
    _visit_estimates(results, estimates)
    by_organism: dict[str, list[VisitResult]] = defaultdict(list)
    for result in results:
        if not result.visit.blank and np.isfinite(result.start):
            by_organism[result.visit.organism].append(result)
    blanks = {
        q: np.array([r.differences[q][0] for r in results if r.visit.blank and q in r.differences])
        for q in ("ph_total", "oxygen")
    }
    density = _density(context)
    rates: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for name, visits in sorted(by_organism.items()):
        rate = _individual(context, name, visits, blanks["oxygen"], density, estimates, mission_ns)
        if rate is not None:
            rates[visits[0].visit.form].append(rate)
    return _community(context, rates, estimates, mission_ns, community_respiration)


def _density(context: Context) -> float:
    salinity, temperature = context.book.reference("salinity"), context.book.reference("temperature")
    return float(
        properties.density(
            salinity=salinity.value if salinity is not None else 35.0,
            temperature=temperature.value if temperature is not None else 27.0,
        )
    )


def _visit_estimates(results: list[VisitResult], estimates: Estimates) -> None:
    for result in results:
        if result.visit.blank:
            continue
        for quantity, name in NAMES.items():
            common: dict[str, Any] = {
                "quantity": name,
                "method": "carried_sensor",
                "subject": result.visit.organism,
                "period": "instant",
                "unit": UNITS[quantity],
                "trail": "visits",
            }
            if not np.isfinite(result.start):
                estimates.refuse(
                    **common,
                    start_ns=result.visit.time_in_ns,
                    end_ns=result.visit.time_out_ns,
                    reason=f"visit {result.visit.visit}: no stay in the record within 6 min of the slate",
                )
                continue
            if quantity not in result.differences:
                continue
            value, random, systematic = result.differences[quantity]
            estimates.from_parts(
                **common,
                start_ns=round(result.start * NS),
                end_ns=round(result.end * NS),
                value=value,
                random_sd=random,
                systematic_sd=systematic,
                n=1,
                flag=3 if result.doubtful else 1,
                reason=f"visit {result.visit.visit}: slate and record disagree" if result.doubtful else "",
            )


def _individual(
    context: Context,
    name: str,
    visits: list[VisitResult],
    blanks: FloatArray,
    density: float,
    estimates: Estimates,
    mission_ns: tuple[int, int],
) -> tuple[float, float] | None:
    """Write pumping and uptake of one organism; return (rate, diameter in m) for scaling."""
    rows = [
        r for r in visits
        if r.visit.jet_speed_m_s and r.visit.osculum_diameter_cm and "oxygen" in r.differences
        and np.isfinite(r.differences["oxygen"][0])
    ]  # fmt: skip
    if not rows:
        return None
    visit = rows[0].visit
    form = visit.form
    speed = np.array([r.visit.jet_speed_m_s for r in rows], dtype=np.float64)
    speed_sd = np.array([r.visit.jet_speed_sd_m_s or 0.0 for r in rows], dtype=np.float64)
    diameter = np.array([r.visit.osculum_diameter_cm for r in rows], dtype=np.float64) / 100.0
    ratio = _stated(context, f"jet_mean_over_centre_{form}")
    pump = exchange.pumping_rate(
        speed=speed,
        diameter=diameter,
        method="dye" if (visit.method or "").startswith("dye") else "jet",
        speed_sd=speed_sd,
        diameter_sd=0.03 * diameter,
        ratio=None if ratio is None else ratio[0],
        ratio_sd=None if ratio is None else ratio[1],
    )
    scale = density / 1000.0
    drop = np.array([r.differences["oxygen"][0] for r in rows]) * scale
    source = exchange.point_source(
        pumping=pump.rate,
        difference=drop,
        diameter=diameter,
        pumping_random_sd=pump.random_sd,
        pumping_systematic_sd=pump.systematic_sd,
        difference_random_sd=np.array([r.differences["oxygen"][1] for r in rows]) * scale,
        difference_systematic_sd=np.array([r.differences["oxygen"][2] for r in rows]) * scale,
        blank=blanks * scale if blanks.size else 0.0,
    )
    start, end = mission_ns
    n = len(rows)
    common: dict[str, Any] = {
        "subject": name, "period": "mission", "start_ns": start, "end_ns": end, "n": n, "trail": "organisms",
    }  # fmt: skip

    def mean(values: FloatArray, random: FloatArray, systematic: FloatArray) -> tuple[float, float, float]:
        scatter = float(np.std(values, ddof=1) / np.sqrt(n)) if n > 2 else 0.0
        own = float(np.sqrt(np.sum(random**2)) / n)
        return float(values.mean()), max(own, scatter), float(np.mean(systematic))

    value, random, systematic = mean(pump.rate, pump.random_sd, pump.systematic_sd)
    estimates.from_parts(
        quantity="pumping_rate", method=visit.method or "jet", unit="L s-1", value=value, random_sd=random,
        systematic_sd=systematic, **common,
    )  # fmt: skip
    estimates.from_parts(
        quantity="excurrent_velocity", method=visit.method or "jet", unit="m s-1",
        value=float(np.mean(pump.mean_velocity)), random_sd=float(np.sqrt(np.sum((speed_sd * pump.ratio) ** 2)) / n),
        systematic_sd=float(np.mean(pump.ratio_sd * speed)), **common,
    )  # fmt: skip
    uptake = -np.asarray(source.release)
    value, random, systematic = mean(uptake, np.asarray(source.random_sd), np.asarray(source.systematic_sd))
    estimates.from_parts(
        quantity="individual_oxygen_uptake", method="excurrent", unit="mmol h-1", value=value, random_sd=random,
        systematic_sd=systematic, **common,
    )  # fmt: skip
    analysis = context.book.analysis
    estimates.from_parts(
        quantity="individual_dic_release", method="excurrent_oxygen_times_rq", unit="mmol h-1",
        value=value * analysis.rq, random_sd=random * analysis.rq,
        systematic_sd=float(np.hypot(systematic * analysis.rq, value * analysis.rq_sd)), **common,
    )  # fmt: skip
    return value, float(diameter.mean())


def _community(
    context: Context,
    rates: Mapping[str, list[tuple[float, float]]],
    estimates: Estimates,
    mission_ns: tuple[int, int],
    respiration: tuple[float, float],
) -> CommunityScale | None:
    """Scale individuals to the community and write the areal rates and shares."""
    surveys = context.tables.surveys
    if not rates or not surveys:
        return None
    transects = sorted({row.transect for row in surveys})
    area = np.array([next(r.area_m2 for r in surveys if r.transect == t) for t in transects])
    forms = []
    for name in sorted(rates):
        counts = np.array([sum(r.count for r in surveys if r.transect == t and r.form == name) for t in transects])
        duty = _stated(context, f"duty_cycle_{name}")
        forms.append(
            Form(
                name=name,
                rate=np.array([r for r, _ in rates[name]]),
                diameter=np.array([d for _, d in rates[name]]),
                surveyed_diameter=np.array(
                    [o.osculum_diameter_cm / 100.0 for o in context.tables.organisms if o.form == name]
                ),
                counts=counts,
                transect_area=area,
                duty_cycle=None if duty is None else duty[0],
                duty_cycle_sd=0.0 if duty is None else duty[1],
            )
        )
    scaled = scale_to_community(
        forms=forms,
        community_rate=respiration[0],
        community_rate_sd=respiration[1],
        seed=context.book.analysis.seed,
    )
    start, end = mission_ns
    common: dict[str, Any] = {
        "period": "mission",
        "start_ns": start,
        "end_ns": end,
        "method": "scaled_organisms",
        "trail": "organisms",
    }
    warning = "; ".join(scaled.warnings)
    visited = {form.name for form in forms}
    unvisited = sorted({row.form for row in surveys} - visited)
    if unvisited:
        warning = "; ".join(filter(None, [warning, f"counted but never visited: {', '.join(unvisited)}"]))
    if not np.isfinite(scaled.total):
        for quantity, unit in (("areal_oxygen_uptake", "mmol m-2 h-1"), ("community_share", "1")):
            estimates.refuse(quantity=quantity, subject=COMMUNITY, unit=unit, reason=warning or "no rate", **common)
        return scaled
    n = sum(len(rows) for rows in rates.values())
    flag = 3 if warning else 1
    _scaled(estimates, "areal_oxygen_uptake", "mmol m-2 h-1", scaled.trials, scaled, common, n, warning, flag)
    if np.isfinite(scaled.share):
        generator = np.random.default_rng(context.book.analysis.seed)
        whole = respiration[0] + respiration[1] * generator.standard_normal(scaled.trials.size)
        share = np.where(whole > 0, scaled.trials / np.where(whole > 0, whole, 1.0), np.nan)
        _scaled(estimates, "community_share", "1", share, scaled, common, n, warning, flag)
    return scaled


def _scaled(
    estimates: Estimates,
    quantity: str,
    unit: str,
    samples: FloatArray,
    scaled: CommunityScale,
    common: dict[str, Any],
    n: int,
    warning: str,
    flag: int,
) -> None:
    """Write a community number from its trials; the parts in the proportion that the scaling states."""
    row = estimates.from_trials(
        quantity=quantity, subject=COMMUNITY, unit=unit, samples=samples, n=n, reason=warning, flag=flag, **common
    )
    if row.value is None or row.systematic_sd is None:
        return
    part = scaled.random_sd / max(float(np.hypot(scaled.random_sd, scaled.systematic_sd)), 1e-12)
    estimates.rows[-1] = replace(
        row, random_sd=row.systematic_sd * part, systematic_sd=row.systematic_sd * float(max(1.0 - part**2, 0.0) ** 0.5)
    )
