"""The slow instruments: optodes, pH sensors, profilers, gas analyser, CTD, light, weather, offshore buoy.

Here:     what each one sees where it is, its lag, offset, drift, noise, planted trouble; raw files.
Not here: carried sensors at organisms (`visits` gives their signal), velocimeters.
Rules:    reading = true + offset + drift × days, in the canonical unit, before conversion to the file's.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.rehearsal.carbon import fco2_of, free_minus_total, ph_of
from reeftally.rehearsal.highrate import World, scalar_at
from reeftally.rehearsal.layouts import PROFILER_BINS, PROFILER_FIRST, PROFILER_STEP
from reeftally.rehearsal.reef import GAIN_PIVOT, SensorTruth, generator
from reeftally.rehearsal.script import DAY, Move
from reeftally.rehearsal.turbulence import SPACING
from reeftally.rehearsal.velocimeters import _powered, first_order, molar_at_setting, true_time
from reeftally.rehearsal.water import GRAVITY
from reeftally.rehearsal.writer import RawFiles

__all__ = ["HAND", "RACK", "Seen", "moves_of", "write_slow"]


@dataclass
class Seen:
    """Concentrations once a second at the places of the mast, made when first asked for."""

    world: World
    t: FloatArray = field(init=False)
    _made: dict[tuple[str, str], FloatArray] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.t = np.arange(-60.0, self.world.script.length + 60.0, 1.0)

    def _carried(self, place: str) -> None:
        """Make the three concentrations of a place; they share one field, which is costly to make."""
        # Piece by piece, so that the field of a long mission is never in memory whole.
        field_of_place = self.world.field(f"place {place}")
        height = self.world.true_height(place)
        names = ("oxygen", "dic", "total_alkalinity")
        out = {name: np.empty(self.t.size) for name in names}
        for a in range(0, self.t.size, 21600):
            part = slice(a, a + 21600)
            for name in names:
                out[name][part] = scalar_at(self.world, field_of_place, name, self.t[part], height)
        self._made.update({(name, place): values for name, values in out.items()})

    def series(self, name: str, place: str) -> FloatArray:
        """Return oxygen, dic, total_alkalinity [µmol kg-1], ph_total or fco2 at a place, once a second."""
        key = (name, place)
        if key not in self._made:
            if name in ("ph_total", "fco2"):
                dic, alkalinity = self.series("dic", place), self.series("total_alkalinity", place)
                temperature = self.world.water.at("temperature", self.t)
                salinity = self.world.water.at("salinity", self.t)
                if name == "ph_total":
                    made = ph_of(dic=dic, total_alkalinity=alkalinity, temperature=temperature, salinity=salinity)
                else:
                    made = fco2_of(
                        dic=dic,
                        total_alkalinity=alkalinity,
                        temperature=temperature,
                        salinity=salinity,
                        every=10,
                    )
            else:
                self._carried(place)
                return self._made[key]
            self._made[key] = made
        return self._made[key]

    def along(self, name: str, moves: list[Move]) -> FloatArray:
        """Return what an instrument sees that moves between places; between moves, the 2 m water."""
        out = self.series(name, "ambient").copy()
        for move in moves:
            place = PLACE_OF_HEIGHT.get((move.station, move.height_above_bed), "ambient")
            if place == "ambient":
                continue
            inside = (self.t >= move.start) & (self.t < move.end)
            out[inside] = self.series(name, place)[inside]
        return out


PLACE_OF_HEIGHT = {("mast", 0.35): "low", ("mast", 0.55): "middle", ("mast", 1.00): "high"}
RACK = ("OXY-1", "OXY-2", "OXY-3", "OXY-4", "OXY-H", "PHI-1", "PHI-2", "PHI-H", "DYE-P")
"""Instruments that are set side by side before and after."""
HAND = ("OXY-H", "PHI-H")
_MOVE_GAP = 300.0
_NEAR_SCALE = 0.3


def moves_of(world: World) -> dict[str, list[Move]]:
    """Return every stay of every instrument, as the crew logged it, by label."""
    script = world.script
    (b0, b1), (p0, p1), (a0, a1) = script.before, script.place, script.after
    edges = [p0, *script.swaps, p1]
    out: dict[str, list[Move]] = {}

    def stay(label: str, station: str, start: float, end: float, height: float) -> None:
        out.setdefault(label, []).append(Move(label, station, start, end, height))

    rack = tuple(label for label in RACK if label not in HAND)
    for label in rack:
        stay(label, "rack", b0, b1, 2.0)
    for number, (start, end) in enumerate(itertools.pairwise(edges)):
        begin = start + (_MOVE_GAP if number > 0 else 0.0)
        stop = end - (_MOVE_GAP if end != p1 else 0.0)
        low, high = (0.35, 1.00) if number % 2 == 0 else (1.00, 0.35)
        stay("OXY-1", "mast", begin, stop, low)
        stay("OXY-3", "mast", begin, stop, high)
        stay("PHI-1", "mast", begin, stop, low)
        stay("PHI-2", "mast", begin, stop, high)
    stay("OXY-2", "mast", p0, p1, 0.55)
    stay("OXY-4", "ambient", p0, p1, 2.0)
    stay("DYE-P", "mast", p0, p1, 1.00)
    for label in HAND:
        stay(label, "by hand", p0, p1, 0.55)
    for label in rack:
        stay(label, "rack", a0, a1, 2.0)
    whole = script.length
    stay("VEL-A", "mast", p0, p1, 0.40)
    stay("VEL-B", "mast", p0, p1, 0.80)
    stay("FAST-O", "mast", p0, p1, 0.40)
    stay("PRO-N", "mast", p0, p1, 0.05)
    stay("PRO-W", "mast", p0, p1, 0.30)
    stay("GAS-I", "mast", p0, p1, 0.35)
    stay("CTD-1", "mast", 0.0, whole, 1.00)
    stay("PAR-1", "mast", 0.0, whole, 1.00)
    stay("FAR-1", "Farpost", 0.0, whole, 55.0)
    stay("MET-1", "hut", 0.0, whole, 16.0)
    for rows in out.values():
        rows.sort(key=lambda row: row.start)
    return out


@dataclass
class _Clocked:
    """Regular stamps of one instrument: stamp as written [ns] and true time [s]."""

    stamps_ns: npt.NDArray[np.int64]
    t: FloatArray


def _clocked(world: World, label: str, interval: float, start: float, end: float) -> _Clocked:
    """Stamps that tick on the instrument's own clock, with zone jumps and resets, and their true times."""
    script = world.script
    sensor = world.sensors[label]
    offset = script.hand_clock_s if label == "PHI-H" else 0.0
    ticks = np.arange(np.ceil((start + sensor.clock_offset) / interval), np.floor((end + 60.0) / interval) + 1)
    stamp = ticks * interval
    t = true_time(sensor, stamp)
    inside = (t >= start) & (t < end)
    stamp, t = stamp[inside], t[inside]
    labels, at = script.zone_jump
    shown = stamp + offset
    if label in labels:
        shown = np.where(t >= at, shown + 3600.0, shown)
    stamps_ns = script.start_ns + np.rint(shown * 1e6).astype(np.int64) * 1000
    keep = _powered(world, t) if t.size else None
    if keep is not None:
        if label == "PRO-N" and script.power_cut is not None:
            reset = 946_684_800_000_000_000
            back = t >= script.power_cut[1]
            seconds = np.rint((t - script.power_cut[1]) * 1e6).astype(np.int64) * 1000
            stamps_ns = np.where(back, reset + seconds, stamps_ns)
        stamps_ns, t = stamps_ns[keep], t[keep]
    return _Clocked(stamps_ns, t)


def _lagged(seen: Seen, values: FloatArray, lag: float, at: FloatArray) -> FloatArray:
    """Pass a one-second series through a first-order sensor and read it at other times."""
    values = values.copy()
    first_order(values, 1.0, lag, float(values[:60].mean()))
    return np.asarray(np.interp(at, seen.t, values))


def _temperature(world: World, rng: np.random.Generator, t: FloatArray, noise: float) -> FloatArray:
    """Temperature as an instrument's own thermometer shows it."""
    offset = 0.01 * float(rng.standard_normal())
    return np.asarray(world.water.at("temperature", t) + offset + noise * rng.standard_normal(t.size))


def _fouling(world: World, label: str, t: FloatArray) -> FloatArray:
    """Error of growth on a sensor: grows in a straight line from its start, gone at the cleaning."""
    if label not in world.script.fouling:
        return np.zeros(t.size)
    start, reached, cleaned = world.script.fouling[label]
    grown = reached * np.clip((t - start) / (cleaned - start), 0.0, 1.0)
    return np.asarray(np.where(t < cleaned, grown, 0.0))


def _hold_stuck(world: World, label: str, t: FloatArray, shown: FloatArray) -> None:
    """Hold the reading of the stuck sensor where it stood, in place."""
    stuck = world.script.stuck
    held = (t >= stuck[1]) & (t < stuck[2])
    if label == stuck[0] and held.any():
        shown[held] = shown[held][0]


def oxygen_reading(world: World, seen: Seen, label: str, t: FloatArray, signal: FloatArray) -> FloatArray:
    """Oxygen by mass as an optode shows it before its own salinity setting [µmol kg-1]."""
    sensor = world.sensors[label]
    rng = generator(world.seed, f"{label} noise {round(t[0]) if t.size else 0}")
    value = _lagged(seen, signal, sensor.lag, t)
    value += sensor.gain * (value - GAIN_PIVOT)
    value += sensor.offset + sensor.drift * t / DAY + _fouling(world, label, t)
    value += sensor.noise * rng.standard_normal(t.size)
    return value


def write_optode(world: World, seen: Seen, label: str, signal: FloatArray, clock: _Clocked, files: RawFiles) -> None:
    """Write an optode's record: oxygen by volume at salinity setting 0, and its temperature."""
    rng = generator(world.seed, f"{label} temperature")
    value = oxygen_reading(world, seen, label, clock.t, signal)
    shown = molar_at_setting(world, value, clock.t, 0.0) if clock.t.size else value
    temperature = _temperature(world, rng, clock.t, 0.004)
    _hold_stuck(world, label, clock.t, shown)
    files.write(clock.stamps_ns, {"oxygen_molar": shown, "temperature": temperature})


def ph_reading(world: World, seen: Seen, label: str, t: FloatArray, signal: FloatArray) -> FloatArray:
    """PH as an ISFET shows it."""
    sensor = world.sensors[label]
    rng = generator(world.seed, f"{label} noise {round(t[0]) if t.size else 0}")
    value = _lagged(seen, signal, sensor.lag, t)
    value += sensor.offset + sensor.drift * t / DAY + _fouling(world, label, t)
    if label == "PHI-1" and world.script.settling:
        value += 0.02 * np.exp(-t / (1.5 * DAY))
    value += sensor.noise * rng.standard_normal(t.size)
    return value


def _write_dye(world: World, seen: Seen, files: RawFiles, moves: list[Move]) -> None:
    sensor = world.sensors["DYE-P"]
    clock = _clocked(world, "DYE-P", sensor.interval, 0.0, world.script.length)
    rng = generator(world.seed, "DYE-P noise")
    value = _lagged(seen, seen.along("ph_total", moves), sensor.lag, clock.t)
    value += sensor.offset + sensor.noise * rng.standard_normal(clock.t.size)
    bubble = rng.random(clock.t.size) < 0.02
    value[bubble] += rng.uniform(0.02, 0.12, int(bubble.sum())) * rng.choice([-1.0, 1.0], int(bubble.sum()))
    files.write(clock.stamps_ns, {"ph_total": value})


def _write_gas(world: World, seen: Seen, files: RawFiles) -> None:
    sensor = world.sensors["GAS-I"]
    start, end = world.script.place
    clock = _clocked(world, "GAS-I", sensor.interval, start + 600.0, end)
    rng = generator(world.seed, "GAS-I noise")
    # Ten minutes a level: two means each; the inlet of a mean is that of its interval.
    inlet = np.where((np.floor((clock.t - 1.0) / 600.0).astype(np.int64) % 2) == 0, 1.0, 2.0)
    switched = np.where((np.floor(seen.t / 600.0).astype(np.int64) % 2) == 0, 1.0, 2.0)
    water = np.where(switched == 1.0, seen.series("fco2", "low"), seen.series("fco2", "high"))
    lagged = water.copy()
    first_order(lagged, 1.0, sensor.lag, float(water[:60].mean()))
    mean = np.cumsum(np.concatenate([[0.0], lagged]))
    index = np.clip(np.rint(clock.t - seen.t[0]).astype(int), 300, lagged.size)
    value = (mean[index] - mean[index - 300]) / 300.0
    co2 = value + sensor.offset + sensor.drift * clock.t / DAY + sensor.noise * rng.standard_normal(clock.t.size)
    chemistry, water_t = world.chemistry, world.water
    delta = np.interp(clock.t - 150.0, water_t.t, chemistry.box_delta)
    # What a membrane passes is CO2: lighter than the DIC by the equilibrium between the two.
    temperature = water_t.at("temperature", clock.t)
    shift = -(10.53 - 0.105 * temperature + 0.014 * temperature * 0.11) + (0.0049 * temperature - 1.31)
    drift = 0.1 * rng.standard_normal(clock.t.size // 72 + 2)[(np.arange(clock.t.size) // 72)]
    gas = delta + shift + 0.02 * (value - 440.0) / 100.0 + drift + 0.30 * rng.standard_normal(clock.t.size)
    stop = world.script.pump_stop
    if stop is not None:
        held = (clock.t >= stop[0]) & (clock.t < stop[1])
        if held.any():
            co2[held] = co2[held][0] + 0.05 * rng.standard_normal(int(held.sum()))
    files.write(clock.stamps_ns, {"inlet": inlet, "fco2": co2, "delta13c_co2": gas})


def _write_ctd(world: World, files: RawFiles) -> None:
    sensor = world.sensors["CTD-1"]
    clock = _clocked(world, "CTD-1", sensor.interval, 0.0, world.script.length)
    rng = generator(world.seed, "CTD-1 noise")
    water, waves = world.water, world.waves
    salinity = water.at("salinity", clock.t) + sensor.offset + sensor.drift * clock.t / DAY
    salinity = salinity + sensor.noise * rng.standard_normal(clock.t.size)
    temperature = water.at("temperature", clock.t) + sensor.others["temperature"]
    temperature = temperature + 0.002 * rng.standard_normal(clock.t.size)
    grid = waves.t0 + 0.25 * np.arange(waves.elevation.size)
    # Orbital pressure falls little over 6 m for swell; the factor is that of an 11 s wave at 1 m.
    orbital = 0.90 * np.interp(clock.t, grid, waves.elevation)
    depth = world.reef.depth - 1.0 + water.at("tide", clock.t) + orbital
    pressure = depth * world.reef.density * GRAVITY / 1e4 + water.at("air_pressure", clock.t) / 100.0
    pressure += sensor.others["pressure"] + 0.01 * rng.standard_normal(clock.t.size)
    files.write(clock.stamps_ns, {"temperature": temperature, "salinity": salinity, "absolute_pressure": pressure})


def _write_light(world: World, files: RawFiles) -> None:
    sensor = world.sensors["PAR-1"]
    clock = _clocked(world, "PAR-1", sensor.interval, 0.0, world.script.length)
    rng = generator(world.seed, "PAR-1 noise")
    light = world.water.at("light_bed", clock.t + 30.0)
    value = light * (1.0 + sensor.offset + sensor.drift * clock.t / DAY)
    value = value * (1.0 + sensor.noise * rng.standard_normal(clock.t.size)) + 0.3 * rng.standard_normal(clock.t.size)
    wiper = (np.arange(clock.t.size) % 360) == 180
    value[wiper] *= 0.35
    files.write(clock.stamps_ns, {"par": value})


def _write_weather(world: World, files: RawFiles) -> None:
    clock = _clocked(world, "MET-1", 600.0, 600.0, world.script.length)
    rng = generator(world.seed, "MET-1 noise")
    water, n = world.water, clock.t.size
    middle = clock.t - 300.0
    others = world.sensors["MET-1"].others
    files.write(
        clock.stamps_ns,
        {
            "wind_speed": np.clip(
                water.at("wind", middle) * (1.0 + others["wind_gain"])
                + others["wind_speed"]
                + 0.2 * rng.standard_normal(n),
                0.0,
                None,
            ),
            "air_pressure": water.at("air_pressure", middle) + others["air_pressure"] + 0.1 * rng.standard_normal(n),
            "air_co2": water.at("air_co2", middle) + others["air_co2"] + 0.15 * rng.standard_normal(n),
        },
    )


def reference_ph(world: World, t: FloatArray) -> FloatArray:
    """PH of the reference water at its own temperature and salinity."""
    return ph_of(
        dic=np.full(t.size, world.reef.reference_dic),
        total_alkalinity=np.full(t.size, world.reef.reference_alkalinity),
        temperature=world.water.at("reference_temperature", t),
        salinity=world.water.at("reference_salinity", t),
    )


def _write_offshore(world: World, files: RawFiles) -> None:
    sensor = world.sensors["FAR-1"]
    clock = _clocked(world, "FAR-1", sensor.interval, 0.0, world.script.length)
    rng = generator(world.seed, "FAR-1 noise")
    t, n = clock.t, clock.t.size
    ph = reference_ph(world, t) + sensor.offset + sensor.drift * t / DAY + sensor.noise * rng.standard_normal(n)
    rows = {
        "ph_total": ph,
        "temperature": world.water.at("reference_temperature", t)
        + sensor.others["temperature"]
        + 0.003 * rng.standard_normal(n),
        "salinity": world.water.at("reference_salinity", t)
        + sensor.others["salinity"]
        + 0.004 * rng.standard_normal(n),
        "oxygen": world.reef.reference_oxygen + sensor.others["oxygen"] + 0.3 * rng.standard_normal(n),
    }
    stamps = clock.stamps_ns
    gap = world.script.link_gap
    if gap is not None:
        keep = (t < gap[0]) | (t >= gap[1])
        stamps, rows = stamps[keep], {name: value[keep] for name, value in rows.items()}
    files.write(stamps, rows)


def _write_column(world: World, files: RawFiles) -> None:
    """Water-column profiler: log layer below 2 m, slowly growing above; the top tenth is contaminated."""
    sensor = world.sensors["PRO-W"]
    start, end = world.script.place
    clock = _clocked(world, "PRO-W", sensor.interval, start, end)
    rng = generator(world.seed, "PRO-W noise")
    water, reef, t = world.water, world.reef, clock.t
    u_star = water.at("friction", t)
    east, north = water.at("east", t), water.at("north", t)
    fast = np.hypot(east, north)
    depth = reef.depth + water.at("tide", t)
    out = np.empty((t.size, 52))
    for number in range(26):
        height = 0.6 + 0.25 * number
        above = height - reef.displacement
        speed = u_star / reef.von_karman * np.log(above / reef.roughness)
        noise = sensor.noise * rng.standard_normal((2, t.size))
        slow = 0.5 * u_star * rng.standard_normal((2, t.size))
        wet = height < depth
        side = height > 0.9 * depth
        for axis, unit in enumerate((east / fast, north / fast)):
            value = speed * unit + noise[axis] + slow[axis]
            value = np.where(side, 0.3 * value + 0.15 * rng.standard_normal(t.size), value)
            out[:, 2 * number + axis] = np.where(wet, value, np.nan)
    files.write(clock.stamps_ns, out)


def _write_near(world: World, files: RawFiles) -> None:
    """Near-bed profiler along its own axes; its compass is 7° off, so its x points to 082 true minus 75.

    The turbulence of a bin is one common field of the scale of 0.3 m, read 15 cm further along from bin
    to bin, so that neighbours are alike and distant bins are not; below the displacement plane the flow
    is slow and disturbed.
    """
    sensor = world.sensors["PRO-N"]
    start, end = world.script.place
    average = world.script.profiler_average_s
    interval = average if average > 0.0 else sensor.interval
    clock = _clocked(world, "PRO-N", interval, start, end - interval)
    water, waves, reef = world.water, world.waves, world.reef
    field = world.field("PRO-N")
    count = int(max(average, 1.0))
    angle = np.deg2rad(75.0 + 7.0)
    fin = world.script.fin
    offsets = [sensor.others.get(f"velocity_{axis}", 0.0) for axis in "xy"]
    for a in range(0, clock.t.size, 3600):
        t = clock.t[a : a + 3600]
        rng = generator(world.seed, f"PRO-N {a}")
        fine = (t[:, None] + np.arange(count)).ravel() if average > 0.0 else t
        east, north = water.at("east", fine), water.at("north", fine)
        fast = np.hypot(east, north)
        u_star = water.at("friction", fine)
        grid = waves.t0 + 0.25 * np.arange(waves.east.size)
        wave_east, wave_north = np.interp(fine, grid, waves.east), np.interp(fine, grid, waves.north)
        path = world.path(_NEAR_SCALE)
        at = np.interp(fine, path.t0 + 0.25 * np.arange(path.distance.size), path.distance)
        place = at / _NEAR_SCALE / SPACING + 20000.0
        base = int(place.min()) - 2
        members = field.window(base, int(place.max()) + 30 * PROFILER_BINS + 3)
        nearest = (place - base).astype(np.int64)
        out = np.empty((t.size, 2 * PROFILER_BINS))
        for number in range(PROFILER_BINS):
            height = PROFILER_FIRST + PROFILER_STEP * number
            above = max(height - reef.displacement, 0.01)
            speed = u_star / reef.von_karman * np.log(max(above / reef.roughness, 1.3))
            index = nearest + 30 * number
            along = speed + u_star * members[0][index]
            across = u_star * members[1][index]
            e = along * east / fast - across * north / fast + wave_east
            n = along * north / fast + across * east / fast + wave_north
            x = e * np.sin(angle) + n * np.cos(angle)
            y = -e * np.cos(angle) + n * np.sin(angle)
            for axis, true in enumerate((x, y)):
                value = true + sensor.noise * rng.standard_normal(fine.size) + offsets[axis]
                if fin is not None and number == 4:
                    value[(fine >= fin[0]) & (fine < fin[1])] *= 0.05
                out[:, 2 * number + axis] = value.reshape(t.size, -1).mean(axis=1)
        files.write(clock.stamps_ns[a : a + 3600], out)


def write_slow(
    world: World, seen: Seen, label: str, files: RawFiles, hand: dict[str, FloatArray] | None = None
) -> None:
    """Write one slow instrument.

    Parameters
    ----------
    hand : dict, optional
        For carried sensors: what they see once a second (`visits.hand_signal`), by quantity.
    """
    script = world.script
    moves = moves_of(world)[label]
    sensor: SensorTruth = world.sensors[label]
    if sensor.kind in ("optode", "isfet_ph"):
        name = "oxygen" if sensor.kind == "optode" else "ph_total"
        signal = hand[name] if hand is not None else seen.along(name, moves)
        # Carried sensors log on the rack and on dives only.
        spans = [script.before, *script.dives, script.after] if hand is not None else [(0.0, script.length)]
        crossed = script.crossed
        if crossed is not None and label in crossed[:2]:
            # The file of one holds the other's record while the cables are crossed.
            other = crossed[1] if label == crossed[0] else crossed[0]
            own = _clocked(world, label, sensor.interval, 0.0, script.length)
            values = oxygen_reading(world, seen, label, own.t, signal)
            theirs = oxygen_reading(world, seen, other, own.t, seen.along(name, moves_of(world)[other]))
            while_crossed = (own.t >= script.place[0]) & (own.t < crossed[2])
            values = np.where(while_crossed, theirs, values)
            # The whole stream is the other's: its thermometer too.
            warm, theirs_warm = (
                _temperature(world, generator(world.seed, f"{who} temperature"), own.t, 0.004) for who in (label, other)
            )
            shown = molar_at_setting(world, values, own.t, 0.0)
            _hold_stuck(world, label, own.t, shown)
            files.write(
                own.stamps_ns,
                {"oxygen_molar": shown, "temperature": np.where(while_crossed, theirs_warm, warm)},
            )
            return
        for start, end in spans:
            clock = _clocked(world, label, sensor.interval, start, end)
            if sensor.kind == "optode":
                write_optode(world, seen, label, signal, clock, files)
            else:
                rng = generator(world.seed, f"{label} temperature")
                shown = ph_reading(world, seen, label, clock.t, signal)
                if label == "PHI-H" and (start, end) == script.wrong_scale:
                    shown += free_minus_total(world.reef.temperature, world.reef.salinity)
                files.write(
                    clock.stamps_ns,
                    {
                        "ph_total": shown,
                        "temperature": _temperature(world, rng, clock.t, 0.004),
                    },
                )
        return
    writers = {
        "GAS-I": lambda: _write_gas(world, seen, files),
        "DYE-P": lambda: _write_dye(world, seen, files, moves),
        "CTD-1": lambda: _write_ctd(world, files),
        "PAR-1": lambda: _write_light(world, files),
        "MET-1": lambda: _write_weather(world, files),
        "FAR-1": lambda: _write_offshore(world, files),
        "PRO-W": lambda: _write_column(world, files),
        "PRO-N": lambda: _write_near(world, files),
    }
    writers[label]()
