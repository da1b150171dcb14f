"""The truth of a rehearsal: every quantity that the chain estimates, by the same definitions.

Here:     `truth_rows` (from the generated series), `Truth`, reading and writing ``truth.json``.
Not here: comparing estimates with it (`analysis` grades).
Rules:    one row is {quantity, subject, period, start, end, value, unit} with a few further keys where
          one name needs them (method, channel, direction). Means are over the true series, cut to the
          time the mast was in place. Day sums (mmol m-2 d-1) stand beside hourly rates for ``24h``.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from reeftally._checks import FloatArray
from reeftally.ledger import MixingLine, State, decompose
from reeftally.mission import solar
from reeftally.rehearsal.carbon import PRESSURE, ph_of, saturation_of
from reeftally.rehearsal.faults import Fault
from reeftally.rehearsal.highrate import World
from reeftally.rehearsal.isotopes import delta_at
from reeftally.rehearsal.script import DAY
from reeftally.rehearsal.tables import clock_check_times, clock_error
from reeftally.rehearsal.velocimeters import SEPARATION
from reeftally.rehearsal.visits import Visit, community_uptake, jet_state, with_flasks
from reeftally.rehearsal.water import GRAVITY

__all__ = ["COMMUNITY", "SITE", "Truth", "read_truth", "truth_rows", "write_truth"]

SITE = "site"
COMMUNITY = "community"
RATE, SUM = "mmol m-2 h-1", "mmol m-2 d-1"
Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Truth:
    """The rows of one ``truth.json``."""

    rows: tuple[Row, ...]

    def find(self, quantity: str, **keys: object) -> tuple[Row, ...]:
        """Return the rows of a quantity whose other keys have the values given."""
        return tuple(
            row
            for row in self.rows
            if row["quantity"] == quantity and all(row.get(key) == value for key, value in keys.items())
        )

    def value(self, quantity: str, **keys: object) -> float:
        """Return the value of the one row that fits.

        Raises
        ------
        KeyError
            None or several rows fit.
        """
        rows = self.find(quantity, **keys)
        if len(rows) != 1:
            message = f"{len(rows)} rows of {quantity} fit {keys}; one is needed."
            raise KeyError(message)
        return float(rows[0]["value"])


def read_truth(path: Path | str) -> Truth:
    """Read ``truth.json`` (the file, or the mission folder that holds it)."""
    file = Path(path)
    if file.is_dir():
        file = file / "truth.json"
    return Truth(tuple(json.loads(file.read_text(encoding="utf-8"))))


def write_truth(path: Path, rows: list[Row]) -> None:
    """Write the rows, one a line."""
    lines = ",\n".join(json.dumps(row, ensure_ascii=False) for row in rows)
    path.write_text(f"[\n{lines}\n]\n", encoding="utf-8")


@dataclass(frozen=True, slots=True)
class _Period:
    kind: str
    name: str
    start: float
    end: float
    complete: bool


def _periods(world: World) -> list[_Period]:
    """Mission (the time in place), nights, days and 24 h that overlap it by an hour or more, cut to it."""
    script = world.script
    a, b = script.place
    first, last = script.start_ns + int(a * 1e9), script.start_ns + int(b * 1e9)
    out = [_Period("mission", script.name, a, b, True)]
    for kind, rows in (
        (
            "night",
            solar.nights(first, last, script.latitude_deg, script.longitude_deg, utc_offset_h=script.utc_offset_h),
        ),
        ("day", solar.days(first, last, script.latitude_deg, script.longitude_deg, utc_offset_h=script.utc_offset_h)),
        ("24h", solar.days24(first, last, script.longitude_deg, utc_offset_h=script.utc_offset_h)),
    ):
        for row in rows:
            start = max((row.start_ns - script.start_ns) / 1e9, a)
            end = min((row.end_ns - script.start_ns) / 1e9, b)
            if end - start >= 3600.0:
                out.append(_Period(kind, row.name, start, end, row.complete))
    return out


class _Builder:
    """Collects rows; knows the script's clock."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.rows: list[Row] = []

    def add(
        self, quantity: str, subject: str, period: _Period | tuple[float, float] | float, value: float,
        unit: str, **more: object,
    ) -> None:  # fmt: skip
        iso = self.world.script.iso
        if isinstance(period, _Period):
            kind, start, end = period.kind, period.start, period.end
            if kind != "mission":
                more = {"name": period.name, "complete": period.complete, **more}
        elif isinstance(period, tuple):
            kind, (start, end) = "instant", period
        else:
            kind, start, end = "instant", period, period
        self.rows.append(
            {
                "quantity": quantity,
                "subject": subject,
                "period": kind,
                "start": iso(start),
                "end": iso(end),
                "value": float(f"{value:.9g}"),
                "unit": unit,
                **more,
            }
        )

    def mean(self, series: FloatArray, period: _Period) -> float:
        """Mean of a minute series over a period, by trapezoids on the exact ends."""
        t = self.world.water.t
        at = np.concatenate([[period.start], t[(t > period.start) & (t < period.end)], [period.end]])
        return float(np.trapezoid(np.interp(at, t, series), at) / (period.end - period.start))


def _fluxes(build: _Builder, periods: list[_Period]) -> None:
    world = build.world
    chemistry = world.chemistry
    net = chemistry.oxygen_flux / world.reef.pq
    named = {
        "oxygen_flux": (SITE, chemistry.oxygen_flux),
        "dic_flux": (SITE, chemistry.dic_flux),
        "alkalinity_flux": (SITE, chemistry.alkalinity_flux),
        "net_community_production": (COMMUNITY, net),
        "net_community_calcification": (COMMUNITY, chemistry.calcification),
        "gross_primary_production": (COMMUNITY, chemistry.gross),
        "community_respiration": (COMMUNITY, chemistry.respiration),
    }
    for period in periods:
        for quantity, (subject, series) in named.items():
            mean = build.mean(series, period)
            build.add(quantity, subject, period, mean, RATE)
            if period.kind == "24h":
                build.add(quantity, subject, period, 24.0 * mean, SUM)
        if period.kind == "mission":
            reef = world.reef
            build.add("maximum_production", COMMUNITY, period, reef.gross_maximum, RATE)
            build.add("light_saturation", COMMUNITY, period, reef.light_saturation, "µmol m-2 s-1")


def _flow(build: _Builder, periods: list[_Period], velocimeters: tuple[str, ...]) -> None:
    world = build.world
    water = world.water
    friction = water.friction
    for period in periods:
        build.add("friction_velocity", SITE, period, build.mean(friction, period), "m s-1")
    for label in velocimeters:
        above = world.above(world.true_height(label))
        dissipation = friction**3 / (world.reef.von_karman * above)
        for period in periods:
            build.add("dissipation_rate", label, period, build.mean(dissipation, period), "W kg-1")
    # Swell, wind sea and infragravity waves add as variances; the last has u = η sqrt(g/h).
    slow = 4.0 * water.infragravity / np.sqrt(2.0) * np.sqrt(world.reef.depth / GRAVITY)
    height = np.sqrt(water.swell**2 + water.sea**2 + slow**2)
    for period in periods:
        build.add("significant_wave_height", SITE, period, build.mean(height, period), "m")
    mission = periods[0]
    build.add("peak_wave_period", SITE, mission, 11.0, "s")
    build.add("roughness_length", SITE, mission, world.reef.roughness, "m")
    for place in world.heights:
        if place != "ambient":
            build.add("height_above_bed", place, mission, world.true_height(place), "m")
    build.add("displacement_height", SITE, mission, world.reef.displacement, "m")
    build.add("von_karman", SITE, mission, world.reef.von_karman, "1")
    build.add("residence_time", SITE, mission, build.mean(world.chemistry.residence, mission), "h")


def _states(build: _Builder, periods: list[_Period]) -> None:
    """Mean chemistry at the ambient place (2 m), and the account, by the definitions of the ledger."""
    world = build.world
    chemistry, water, reef = world.chemistry, world.water, world.reef
    dic = chemistry.at_height("dic", reef.mixed_height)
    alkalinity = chemistry.at_height("total_alkalinity", reef.mixed_height)
    oxygen = chemistry.at_height("oxygen", reef.mixed_height)
    common = {"temperature": water.temperature, "salinity": water.salinity}
    ph = ph_of(dic=dic, total_alkalinity=alkalinity, **common)
    omega = saturation_of(dic=dic, total_alkalinity=alkalinity, **common)
    organic = chemistry.organic - chemistry.patch_oxygen / reef.pq
    for period in periods:
        mean = build.mean
        state = {name: mean(series, period) for name, series in (("dic", dic), ("total_alkalinity", alkalinity))}
        build.add("ph_total", SITE, period, mean(ph, period), "")
        build.add("aragonite_saturation", SITE, period, mean(omega, period), "")
        for name, value in state.items():
            build.add(name, SITE, period, value, "µmol kg-1")
        build.add("oxygen", SITE, period, mean(oxygen, period), "µmol kg-1")
        build.add("local_dic_excess", SITE, period, state["dic"] - reef.reference_dic, "µmol kg-1")
        account = decompose(
            reef=State(
                mean(water.temperature, period),
                mean(water.salinity, period),
                state["total_alkalinity"],
                state["dic"],
            ),
            reference=State(
                mean(water.reference_temperature, period),
                mean(water.reference_salinity, period),
                reef.reference_alkalinity,
                reef.reference_dic,
            ),
            xco2_now=mean(water.air_co2, period),
            xco2_past=reef.past_air_co2,
            air_pressure=mean(water.air_pressure, period),
            gas_exchange_dic=mean(chemistry.gas_dic, period),
            organic_dic=mean(organic, period),
            mixing_line=MixingLine(0.0, 0.0),
            pressure=PRESSURE,
            methods=("shapley_from_past", "shapley_from_reference"),
        )
        for method in ("shapley_from_past", "shapley_from_reference"):
            for quantity, prefix in (
                ("ph_total", "ph_change"),
                ("aragonite_saturation", "aragonite_saturation_change"),
            ):
                for driver in (*account.drivers, "local"):
                    if driver == "global" and method == "shapley_from_reference":
                        continue
                    value = float(account.effect(quantity=quantity, driver=driver, method=method))
                    build.add(f"{prefix}_{driver}", SITE, period, value, "", method=method)
                total = float(account.total(quantity=quantity, method=method))
                build.add(f"{prefix}_total", SITE, period, total, "", method=method)


def _organisms(build: _Builder, visits: list[Visit], mission: _Period) -> None:
    world = build.world
    density = world.reef.density
    seen: set[str] = set()
    for visit in visits:
        organism = visit.organism
        if organism.name not in seen and not organism.blank:
            seen.add(organism.name)
            uptake = organism.uptake(density)
            name = organism.name
            build.add("individual_oxygen_uptake", name, mission, uptake, "mmol h-1")
            build.add("individual_dic_release", name, mission, uptake * world.reef.rq, "mmol h-1")
            build.add("pumping_rate", name, mission, organism.pumping, "L s-1")
            build.add("excurrent_velocity", name, mission, organism.jet, "m s-1")
        t = np.arange(visit.jet_in + 30.0, visit.jet_out, 5.0)
        state = jet_state(world, visit, t)
        span = (visit.jet_in, visit.jet_out)
        more = {"visit": visit.number}
        difference = float((state["ph_out"] - state["ph"]).mean())
        build.add("visit_ph_difference", organism.name, span, difference, "", **more)
        build.add("visit_oxygen_difference", organism.name, span, -organism.oxygen_drop, "µmol kg-1", **more)
    areal = community_uptake(world)
    for name, value in areal.items():
        build.add("areal_oxygen_uptake", name, mission, value, RATE)
    total = sum(areal.values())
    build.add("areal_oxygen_uptake", COMMUNITY, mission, total, RATE)
    respiration = build.mean(world.chemistry.respiration, mission)
    for name, value in areal.items():
        build.add("community_share", name, mission, value / respiration, "1")
    build.add("community_share", COMMUNITY, mission, total / respiration, "1")


def _slope(x: FloatArray, y: FloatArray) -> float:
    return float(np.polyfit(x - x.mean(), y, 1)[0])


def _isotopes(build: _Builder, mission: _Period, visits: list[Visit]) -> None:
    """Effective sources of added carbon: the slope of DIC times δ13C on DIC of noise-free series."""
    world = build.world
    chemistry, water, reef = world.chemistry, world.water, world.reef
    t = water.t
    inside = (t >= mission.start) & (t < mission.end)
    height = world.true_height("high") if "high" in world.heights else 0.5 * reef.mixed_height
    dic = chemistry.at_height("dic", height) / chemistry.dilution
    carried = dic * delta_at(world, height)
    night = inside & (water.elevation < solar.HORIZON_DEG)
    unit = "‰"
    # A slope needs an hour of night at least.
    if night.sum() >= 60:
        value = _slope(dic[night], carried[night])
        build.add("source_delta13C", SITE, mission, value, unit, method="night_samples")
    build.add("source_delta13C", SITE, mission, _slope(dic[inside], carried[inside]), unit, method="line_24h")
    reference = reef.reference_dic * reef.reference_delta
    added = (carried[inside].mean() - reference) / (dic[inside].mean() - reef.reference_dic)
    build.add("source_delta13C", SITE, mission, float(added), unit, method="reef_minus_reference")
    build.add("source_delta13C", "respired", mission, reef.source_respired, unit, method="respired")
    for form in world.reef.forms:
        build.add("source_delta13C", form.name, mission, form.source, unit, method="pairs")
    drawn = [visit.organism for visit in with_flasks(visits)]
    if drawn:
        # A line through the origin weighs each jet by the square of what it adds.
        rise = np.array([organism.dic_rise for organism in drawn]) ** 2
        value = float((rise * [organism.source for organism in drawn]).sum() / rise.sum())
        build.add("source_delta13C", SITE, mission, value, unit, method="pairs")


def _sensors(build: _Builder, mission: _Period) -> None:
    world = build.world
    script = world.script
    a, b = script.place
    middle = 0.5 * (a + b)
    units = {"oxygen": "µmol kg-1", "ph_total": "", "fco2": "µatm", "salinity": "", "par": "1"}
    for label, sensor in world.sensors.items():
        if sensor.quantity not in units:
            continue
        unit = units[sensor.quantity]
        for at in (0.0, middle):
            value = sensor.offset + sensor.drift * at / DAY
            if label == "PHI-1" and script.settling:
                value += 0.02 * float(np.exp(-at / (1.5 * DAY)))
            build.add("sensor_offset", label, at, value, unit, channel=sensor.quantity)
        span = (0.0, script.length)
        build.add("sensor_drift", label, mission, sensor.drift, f"{unit} d-1".strip(), channel=sensor.quantity)
        if sensor.lag > 0.0:
            build.add("response_time", label, span, sensor.lag, "s", channel=sensor.quantity)
        for quantity, value in sensor.others.items():
            if quantity in units:
                build.add("sensor_offset", label, middle, value, units[quantity], channel=quantity)
    for label in world.sensors:
        if label == "FAST-O":
            continue
        times = clock_check_times(world, label)
        for at in (times[0], times[-1]):
            build.add("clock_offset", label, at, clock_error(world, label, at), "s")
    # Lag of the fast sensor behind the velocimeter: its response, and the time water needs to reach it.
    water = world.water
    t = water.t
    inside = (t >= a) & (t < b) & (water.friction > 0.003)
    above = world.above(world.true_height("VEL-A"))
    speed = water.friction / world.reef.von_karman * np.log(above / world.reef.roughness)
    angle = np.deg2rad(75.0)
    cosine = (water.east * np.sin(angle) + water.north * np.cos(angle)) / np.hypot(water.east, water.north)
    lag = world.sensors["FAST-O"].lag
    for direction, sign in ((75.0, 1.0), (255.0, -1.0)):
        chosen = inside & (sign * cosine > 0.7)
        if chosen.any():
            travel = float(np.mean(SEPARATION * cosine[chosen] / speed[chosen]))
            build.add("sensor_lag", "FAST-O", (a, b), lag + travel, "s", flow_to_deg=direction, travel_s=travel)


def _faults(build: _Builder) -> None:
    script = build.world.script

    def fault(subject: str, kind: str, start: float, end: float, value: float = 0.0, unit: str = "") -> None:
        build.add("planted_fault", subject, (start, end), value, unit, kind=kind)

    for kind, (label, start, end) in (("upside_down", script.upside_down), ("stuck", script.stuck)):
        if label:
            fault(label, kind, start, end)
    for label in script.zone_jump[0]:
        fault(label, "zone_jump", script.zone_jump[1], script.length, 3600.0, "s")
    fault("OXY-H", "clock_offset", 0.0, script.length, build.world.sensors["OXY-H"].clock_offset, "s")
    if script.hand_clock_s:
        fault("PHI-H", "clock_offset", 0.0, script.length, script.hand_clock_s, "s")
    fault("DYE-P", "bubble_outliers", 0.0, script.length, 0.02, "1")
    fault("PAR-1", "wiper_shadow", 0.0, script.length)
    for label, at in script.sham_cleanings:
        fault(label, "sham_cleaning", at, at)
    if script.settling:
        fault("PHI-1", "settling", 0.0, script.length, 0.02)
    if script.wrong_scale is not None:
        fault("PHI-H", "ph_free_declared_total", *script.wrong_scale)
    fault("VEL-A", "spikes", *script.place, 0.01, "1")
    fault("VEL-A", "clock_drift", *script.place, 2.1, "s d-1")
    fault("PRO-N", "heading", *script.place, 7.0, "°")
    if script.power_cut is not None:
        for label in build.world.sensors:
            fault(label, "power_cut", *script.power_cut)
        fault("PRO-N", "clock_reset", script.power_cut[1], script.length)
    if script.crossed is not None:
        fault(script.crossed[0], "crossed_with " + script.crossed[1], script.place[0], script.crossed[2])
    for label, (start, reached, cleaned) in script.fouling.items():
        unit = "µmol kg-1" if label.startswith("OXY") else ""
        fault(label, "fouling", start, cleaned, reached, unit)
    if script.fast_broken is not None:
        fault("FAST-O", "broken", *script.fast_broken)
    if script.pump_stop is not None:
        fault("GAS-I", "pump_stop", *script.pump_stop)
    if script.link_gap is not None:
        fault("FAR-1", "link_gap", *script.link_gap)
    if script.fin is not None:
        fault("PRO-N", "bin_5_hits_a_fin", *script.fin)
    if script.bubbles is not None:
        fault("VEL-A", "bubbles", *script.bubbles)


def truth_rows(
    world: World, visits: list[Visit], faults: list[Fault], velocimeters: tuple[str, ...] = ("VEL-A", "VEL-B")
) -> list[Row]:
    """Return every row of the truth of a rehearsal; `velocimeters` name the places of dissipation."""
    build = _Builder(world)
    periods = _periods(world)
    mission = periods[0]
    _fluxes(build, periods)
    _flow(build, periods, velocimeters)
    _states(build, periods)
    _organisms(build, visits, mission)
    _isotopes(build, mission, visits)
    if world.script.size != "book":
        _sensors(build, mission)
        _faults(build)
    for fault in faults:
        span = (fault.start, fault.end)
        build.add("planted_fault", fault.label, span, fault.size, "", kind=fault.kind, drawn=True)
    return build.rows
