"""What the crew of the rehearsal writes: bottles, visits, surveys, clocks, heights, interventions.

Here:     `write_tables`, when clocks were compared and what they were off.
Not here: the mission book (`book`), truth (`truth`).
Rules:    UTF-8, comma, one header row, times ISO 8601 with Z; errors of people and laboratories are in.
"""

from __future__ import annotations

import csv
import itertools
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from reeftally._checks import FloatArray
from reeftally.rehearsal.carbon import ph_of
from reeftally.rehearsal.highrate import World
from reeftally.rehearsal.isotopes import delta_at
from reeftally.rehearsal.reef import FORMS, generator
from reeftally.rehearsal.script import DAY, HOUR
from reeftally.rehearsal.slow import moves_of, reference_ph
from reeftally.rehearsal.visits import Visit, survey_rows, with_flasks

__all__ = ["clock_check_times", "clock_error", "write_tables"]

_DIC_SD, _TA_SD, _PH_SD, _OXYGEN_SD, _DELTA_SD = 1.5, 1.8, 0.002, 0.4, 0.05


def _table(path: Path, head: str, rows: Iterable[Iterable[object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(head + "\n")
        csv.writer(file, lineterminator="\n").writerows(rows)


def _bottle_times(world: World) -> list[tuple[float, str, float, str]]:
    """Time, station, height above the bed and the sensor beside, of every pair of bottles."""
    script = world.script
    rng = generator(world.seed, "bottle times")
    out: list[tuple[float, str, float, str]] = []
    sides = 6 if script.size == "full" else 3
    for number in range(sides):
        a, b = script.before if number % 3 != 2 else script.after
        at = a + (b - a) * (0.15 + 0.7 * rng.random())
        out.append((at, "rack", 2.0, ("OXY-1", "OXY-2", "OXY-3")[number % 3]))
    inside = script.bottle_pairs - sides - script.reference_bottles // 2
    a, b = script.place
    edges = np.linspace(a + 0.6 * HOUR, b - 0.6 * HOUR, inside + 1)
    for number, (low, high) in enumerate(itertools.pairwise(edges)):
        at = float(rng.uniform(low, high))
        place = (("mast", 1.00, "DYE-P"), ("ambient", 2.0, "OXY-4"), ("mast", 0.35, ""))[number % 3]
        out.append((at, *place))
    for number in range(script.reference_bottles // 2):
        share = (number + 0.5) / (script.reference_bottles // 2)
        out.append((a + share * (b - a) + float(rng.uniform(-1.5, 1.5)) * HOUR, "Farpost", 55.0, "FAR-1"))
    return sorted(out)


def _water_at(world: World, at: FloatArray, station: str, height: float) -> dict[str, FloatArray]:
    water, chemistry, reef = world.water, world.chemistry, world.reef
    if station == "Farpost":
        n = np.ones(at.size)
        return {
            "temperature": water.at("reference_temperature", at),
            "salinity": water.at("reference_salinity", at),
            "dic": reef.reference_dic * n,
            "total_alkalinity": reef.reference_alkalinity * n,
            "oxygen": reef.reference_oxygen * n,
            "delta": reef.reference_delta * n,
            "ph": reference_ph(world, at),
        }
    true = world.true_height("low") if height < 0.5 else world.true_height("high") if height < 1.5 else 2.0
    out = {
        "temperature": water.at("temperature", at),
        "salinity": water.at("salinity", at),
        "dic": np.interp(at, water.t, chemistry.at_height("dic", true)),
        "total_alkalinity": np.interp(at, water.t, chemistry.at_height("total_alkalinity", true)),
        "oxygen": np.interp(at, water.t, chemistry.at_height("oxygen", true)),
        "delta": np.interp(at, water.t, delta_at(world, true)),
    }
    out["ph"] = ph_of(
        dic=out["dic"],
        total_alkalinity=out["total_alkalinity"],
        temperature=out["temperature"],
        salinity=out["salinity"],
    )
    return out


def _bottles(world: World, folder: Path, visits: list[Visit]) -> None:
    script = world.script
    rng = generator(world.seed, "bottles")
    bias, others = world.reef.laboratory_alkalinity, world.reef.laboratory
    oxygen_bias = others.get("oxygen", 0.0)
    rows: list[list[object]] = []
    pairs = _bottle_times(world)
    duplicated = set(rng.choice(len(pairs), size=min(script.duplicates, len(pairs)), replace=False).tolist())
    number = 0
    for index, (at, station, height, near) in enumerate(pairs):
        state = {name: float(v[0]) for name, v in _water_at(world, np.array([at]), station, height).items()}
        # A flask for carbon and one for oxygen and isotopes make a pair in time.
        for which in range(2):
            number += 1
            first = which == 0
            z = rng.standard_normal(7)
            carbon = first or index in duplicated
            isotopes = not first or index % 4 == 0
            temperature = f"{state['temperature'] + 0.02 * z[5]:.2f}"
            salinity = f"{state['salinity'] + others.get('salinity', 0.0) + world.reef.bottle_salinity_sd * z[6]:.3f}"
            rows.append(
                [
                    f"B{number:03d}",
                    script.iso(round(at + 20.0 * which)),
                    station,
                    f"{height:.2f}",
                    near,
                    temperature,
                    salinity,
                    f"{state['dic'] + _DIC_SD * z[0]:.1f}" if carbon else "",
                    _DIC_SD if carbon else "",
                    f"{state['total_alkalinity'] + bias + _TA_SD * z[1]:.1f}" if carbon else "",
                    _TA_SD if carbon else "",
                    f"{state['ph'] + others.get('ph', 0.0) + _PH_SD * z[2]:.4f}" if carbon else "",
                    _PH_SD if carbon else "",
                    temperature if carbon else "",
                    "" if carbon and first else f"{state['oxygen'] + oxygen_bias + _OXYGEN_SD * z[3]:.2f}",
                    "" if carbon and first else _OXYGEN_SD,
                    f"{state['delta'] + _DELTA_SD * z[4]:.3f}" if isotopes else "",
                    _DELTA_SD if isotopes else "",
                    f"B{number - 1:03d}" if index in duplicated and not first else "",
                    "hut",
                    "mercuric chloride" if carbon else "",
                    "12" if carbon else "",
                    2,
                    "",
                ]
            )
    rows += _jet_bottles(world, visits, number)
    head = (
        "bottle,time,station,height_above_bed_m,near,temperature,salinity,dic,dic_sd,total_alkalinity,"
        "total_alkalinity_sd,ph_total,ph_sd,ph_temperature,oxygen,oxygen_sd,delta13c_dic,delta13c_sd,"
        "duplicate_of,laboratory,poison,stored_days,flag,note"
    )
    _table(folder / "bottles.csv", head, rows)
    materials = []
    for run in range(6 if script.size == "full" else 4):
        at = script.place[0] + (run + 0.5) / 6.0 * (script.place[1] - script.place[0])
        measured = 2297.31 + bias + _TA_SD * float(rng.standard_normal())
        materials.append([script.iso(round(at)), "total_alkalinity", "2297.31", f"{measured:.2f}", _TA_SD, "hut"])
        measured = 2017.46 + _DIC_SD * float(rng.standard_normal())
        materials.append([script.iso(round(at + 1800.0)), "dic", "2017.46", f"{measured:.2f}", _DIC_SD, "hut"])
    _table(folder / "reference_materials.csv", "time,quantity,certified,measured,sd,laboratory", materials)


def _jet_bottles(world: World, visits: list[Visit], last: int) -> list[list[object]]:
    """Flasks for carbon and its isotopes from beside an organism and from its jet."""
    rng = generator(world.seed, "jet bottles")
    chemistry, water = world.chemistry, world.water
    height = world.true_height("middle")
    dic_here, delta_here = chemistry.at_height("dic", height), delta_at(world, height)
    rows: list[list[object]] = []
    for visit in with_flasks(visits):
        organism = visit.organism
        for at, near, rise in (
            (visit.arrive + 60.0, "", 0.0),
            (visit.jet_in + 90.0, organism.name, organism.dic_rise),
        ):
            last += 1
            z = rng.standard_normal(3)
            dic, delta = (float(np.interp(at, water.t, series)) for series in (dic_here, delta_here))
            # Carbon-13 is carried with the carbon that the organism adds.
            delta = (dic * delta + rise * organism.source) / (dic + rise)
            temperature = float(water.at("temperature", np.array([at]))[0]) + 0.02 * float(z[2])
            rows.append(
                [
                    f"B{last:03d}",
                    world.script.iso(round(at)),
                    "by hand",
                    f"{height:.2f}",
                    near,
                    f"{temperature:.2f}",
                    "",
                    f"{dic + rise + _DIC_SD * z[0]:.1f}",
                    _DIC_SD,
                    *[""] * 7,
                    f"{delta + _DELTA_SD * z[1]:.3f}",
                    _DELTA_SD,
                    "",
                    "hut",
                    "mercuric chloride",
                    "12",
                    2,
                    "from the jet" if near else "beside the organism",
                ]
            )
    return rows


def _visits(world: World, folder: Path, visits: list[Visit]) -> None:
    script = world.script
    rng = generator(world.seed, "slate")
    rows = []
    for visit in visits:
        organism = visit.organism
        centre = organism.jet / organism.ratio
        shown = "" if organism.blank else f"{centre * (1.0 + 0.06 * float(rng.standard_normal())):.4f}"
        rows.append(
            [
                visit.number,
                visit.noted,
                organism.form,
                script.iso(visit.slate_in),
                script.iso(visit.slate_out),
                "OXY-H PHI-H",
                "yes" if organism.blank else "no",
                "" if organism.blank else f"{organism.diameter_cm * (1.0 + 0.02 * float(rng.standard_normal())):.1f}",
                shown,
                "" if organism.blank else f"{0.06 * centre:.4f}",
                "" if organism.blank else "dye front on the axis of the jet",
                "time in and out of the jet by the diver's watch",
            ]
        )
    head = (
        "visit,organism,form,time_in,time_out,instruments,blank,osculum_diameter_cm,jet_speed_m_s,"
        "jet_speed_sd_m_s,method,note"
    )
    _table(folder / "visits.csv", head, rows)
    counts, measured = survey_rows(world)
    _table(folder / "surveys.csv", "transect,area_m2,form,count,mean_osculum_diameter_cm,note", counts)
    _table(folder / "organisms.csv", "form,osculum_diameter_cm,note", measured)


def clock_check_times(world: World, label: str) -> list[float]:
    """When the clock of an instrument was compared: at the start, every day, at the end of its time."""
    script = world.script
    if world.sensors[label].kind in ("velocimeter", "fast_oxygen", "profiler", "gas_isotope"):
        a, b = script.place
        times = [a + 600.0, *np.arange(a + 0.5 * DAY, b - HOUR, 0.5 * DAY).tolist(), b - 600.0]
    else:
        times = [900.0, *np.arange(DAY, script.length - 2 * HOUR, DAY).tolist(), script.length - 900.0]
    if script.power_cut is not None and label == "PRO-N":
        # Its clock went back to the year 2000; nobody compared it after that.
        times = [at for at in times if at < script.power_cut[0]]
    return times


def clock_error(world: World, label: str, at: float) -> float:
    """Clock of an instrument minus true time [s]."""
    script, sensor = world.script, world.sensors[label]
    ahead = sensor.clock_offset + sensor.clock_drift * at / DAY
    ahead += script.hand_clock_s if label == "PHI-H" else 0.0
    return ahead + (3600.0 if label in script.zone_jump[0] and at >= script.zone_jump[1] else 0.0)


def _clocks(world: World, folder: Path) -> None:
    """Comparisons with the base's clock: at the start, every day, at the end; good to 0.2 s."""
    script = world.script
    rows = []
    for label in world.sensors:
        if label == "FAST-O":
            continue  # it has no clock of its own: VEL-A stamps it
        rng = generator(world.seed, f"clock checks {label}")
        for at in clock_check_times(world, label):
            ahead = clock_error(world, label, at) + 0.2 * float(rng.standard_normal())
            stamp = script.when(at + ahead)
            text = stamp.strftime("%Y-%m-%dT%H:%M:%S.") + f"{stamp.microsecond // 1000:03d}Z"
            rows.append([label, script.iso(at), text, 0.2, ""])
    rows.sort(key=lambda row: (row[1], row[0]))
    _table(folder / "clock_checks.csv", "instrument,time,instrument_time,sd_s,note", rows)


def _heights_at_recovery(world: World, places: dict[float, str]) -> list[list[object]]:
    """Read the tape once more before the sensors leave the mast: only then is it known that the mast did not sink."""
    rng = generator(world.seed, "heights at recovery")
    rows: list[list[object]] = []
    for label, moves in moves_of(world).items():
        last = [move for move in moves if move.station == "mast" and move.height_above_bed in places][-1:]
        for move in last if label not in ("CTD-1", "PAR-1") else []:
            shown = world.stated_height(places[move.height_above_bed]) + 0.003 * float(rng.standard_normal())
            at = world.script.iso(move.end - 300.0)
            rows.append([label, at, f"{shown:.3f}", 0.01, "tape, before recovery"])
    return rows


def _others(world: World, folder: Path) -> None:
    script = world.script
    rng = generator(world.seed, "heights")
    a, b = script.place
    rows: list[list[object]] = []
    places = {0.35: "low", 0.55: "middle", 1.00: "high", 0.40: "VEL-A", 0.80: "VEL-B"}
    for label, moves in moves_of(world).items():
        for move in moves:
            place = places.get(move.height_above_bed)
            if move.station != "mast" or place is None or label in ("CTD-1", "PAR-1"):
                continue
            # The tape is read on both days from the same marks: its error stays, the reading adds 3 mm.
            shown = world.stated_height(place) + 0.003 * float(rng.standard_normal())
            rows.append([label, script.iso(move.start + 300.0), f"{shown:.3f}", 0.01, "tape, to the sensing point"])
    rows += _heights_at_recovery(world, places)
    rows.sort(key=lambda row: (str(row[1]), str(row[0])))
    _table(folder / "heights.csv", "instrument,time,height_above_bed_m,sd_m,note", rows)

    events: list[list[object]] = [[script.iso(a), "", "in place", "mast complete; first hour watched", "flow"]]
    swapped = "OXY-1 and OXY-3 exchange heights; PHI-1 and PHI-2 too"
    events.extend([script.iso(at), "OXY-1", "swap", swapped, "divers"] for at in script.swaps)
    for label, (_, _, cleaned) in script.fouling.items():
        events.append([script.iso(cleaned), label, "cleaning", "soft brush; growth seen", "divers"])
    for label, at in script.sham_cleanings:
        events.append([script.iso(round(at)), label, "cleaning", "wiped; no growth seen", "divers"])
    if script.power_cut is not None:
        events.append(
            [script.iso(round(script.power_cut[0])), "", "power cut", "hub dark for 95 minutes", "electronics"]
        )
    if script.fast_broken is not None:
        events.append(
            [script.iso(round(script.fast_broken[1])), "FAST-O", "replaced", "tip broken by a fish", "divers"]
        )
    if script.cleaned_at is not None:
        events.append([script.iso(script.cleaned_at), "", "cleaning", "all sensors on the rack cleaned", "divers"])
    events.append([script.iso(b), "", "recovered", "all sensors to the rack", "divers"])
    events.sort(key=lambda row: str(row[0]))
    _table(folder / "interventions.csv", "time,instrument,kind,note,who", events)

    values: list[list[object]] = []
    for form in FORMS:
        source = "invented: share of 20 time-lapse days in which the osculum stood open"
        values.append([f"duty_cycle_{form.name}", form.duty, 0.05, "", "", source])
        source = "invented: profile across the jet of three organisms"
        values.append([f"jet_mean_over_centre_{form.name}", form.ratio, 0.05, "", "", source])
    _table(folder / "reference_values.csv", "quantity,value,sd,start,end,source", values)


def write_tables(world: World, folder: Path, visits: list[Visit]) -> None:
    """Write all tables of the crew into ``tables/``."""
    folder.mkdir(parents=True, exist_ok=True)
    _bottles(world, folder, visits)
    _visits(world, folder, visits)
    _clocks(world, folder)
    _others(world, folder)
