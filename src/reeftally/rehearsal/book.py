"""The mission book of the rehearsal, as a careful crew would write it.

Here:     `book_text`, `write_layouts`.
Not here: the model of the book (`mission`), the truth behind it.
Rules:    only what a crew can know: stated heights, certificates, priors. No true offset stands here.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from reeftally.rehearsal.highrate import World
from reeftally.rehearsal.layouts import (
    LAYOUT_OF,
    LAYOUTS,
    PROFILER_BINS,
    PROFILER_FIRST,
    PROFILER_STEP,
    FileLayout,
    near_profiler,
)
from reeftally.rehearsal.reef import INSTRUMENTS
from reeftally.rehearsal.slow import RACK, moves_of
from reeftally.rehearsal.velocimeters import FAST_SALINITY_SETTING, HEADING_DEG, SEPARATION

__all__ = ["book_text", "layout_for", "serial_of", "write_layouts"]

_SLOWER = "velocimeter at {hz} Hz: unix seconds, velocities along its own axes"


def serial_of(label: str) -> str:
    """Return the invented serial number of an instrument."""
    return f"{2100 + 17 * INSTRUMENTS.index(label)}"


def layout_for(world: World, label: str) -> FileLayout:
    """Return the layout of an instrument's files."""
    if label == "PRO-N":
        return near_profiler(world.script.profiler_average_s)
    if label == "VEL-A" and world.script.velocimeter_hz != 32:
        hz = world.script.velocimeter_hz
        return replace(LAYOUTS[LAYOUT_OF[label]], name=f"velocimeter-a-{hz}", description=_SLOWER.format(hz=hz))
    return LAYOUTS[LAYOUT_OF[label]]


def write_layouts(world: World, folder: Path, labels: tuple[str, ...]) -> None:
    """Write the layout files of these instruments."""
    folder.mkdir(parents=True, exist_ok=True)
    for label in labels:
        layout = layout_for(world, label)
        (folder / f"{layout.name}.toml").write_text(layout.toml(), encoding="utf-8")


_TERMS: dict[str, tuple[tuple[str, float, float, str], ...]] = {
    # quantity, noise, offset, further keys: what the book knows before any side-by-side period
    "velocimeter": (
        ("velocity_x", 0.012, 0.003, ""),
        ("velocity_y", 0.012, 0.003, ""),
        ("velocity_z", 0.0035, 0.002, ""),
    ),
    "optode": (("oxygen", 0.10, 4.0, "gain_sd = 0.003\ndrift_sd_per_day = 0.1"), ("temperature", 0.004, 0.01, "")),
    "fast_oxygen": (("oxygen", 0.25, 4.0, "gain_sd = 0.02\ndrift_sd_per_day = 0.5"),),
    "isfet_ph": (("ph_total", 0.0006, 0.015, "drift_sd_per_day = 0.001"), ("temperature", 0.004, 0.01, "")),
    "dye_ph": (("ph_total", 0.0012, 0.003, ""),),
    "gas_isotope": (("fco2", 2.0, 6.0, "drift_sd_per_day = 0.8"), ("delta13c_co2", 0.30, 0.2, "")),
    "ctd": (("temperature", 0.002, 0.003, ""), ("salinity", 0.003, 0.03, "drift_sd_per_day = 0.005"),
            ("pressure", 0.01, 0.02, "")),
    "light": (("par", 2.0, 1.0, "gain_sd = 0.05"),),
    "weather": (("wind_speed", 0.2, 0.2, "gain_sd = 0.03"), ("air_pressure", 0.1, 0.3, ""), ("air_co2", 0.15, 0.5, "")),
    "multi": (("ph_total", 0.002, 0.003, "drift_sd_per_day = 0.0005"), ("temperature", 0.003, 0.005, ""),
              ("salinity", 0.004, 0.01, ""), ("oxygen", 0.3, 1.0, "")),
}  # fmt: skip

_NOISE = {"OXY-H": ("oxygen", 0.15), "PHI-H": ("ph_total", 0.0015)}


def _terms(label: str, kind: str) -> str:
    rows = _TERMS.get(kind, ())
    if kind == "profiler":
        axes = ("velocity_x", "velocity_y") if label == "PRO-N" else ("velocity_east", "velocity_north")
        noise = 0.006 if label == "PRO-N" else 0.008
        rows = tuple((axis, noise, 0.003, "") for axis in axes)
    out = ""
    for quantity, noise, offset, more in rows:
        own, special = _NOISE.get(label, ("", 0.0))
        shown = special if own == quantity else noise
        out += f'\n[[instruments.terms]]\nquantity = "{quantity}"\nnoise_sd = {shown}\noffset_sd = {offset}\n'
        out += f"{more}\n" if more else ""
    return out


def _instrument(world: World, label: str) -> str:
    sensor = world.sensors[label]
    stated = {"FAST-O": 0.45, "OXY-H": 6.0, "PHI-H": 10.0}
    interval = sensor.interval
    if label == "PRO-N" and world.script.profiler_average_s > 0.0:
        interval = world.script.profiler_average_s
    if label == "VEL-A":
        interval = 1.0 / world.script.velocimeter_hz
    lines = [
        "[[instruments]]",
        f'label = "{label}"',
        f'kind = "{sensor.kind}"',
        f'serial = "{serial_of(label)}"',
        f'layout = "{layout_for(world, label).name}"',
        f"sample_interval_s = {float(interval)!r}",
    ]
    lag = {"optode": 28.0, "isfet_ph": 12.0, "dye_ph": 300.0, "gas_isotope": 150.0, "fast_oxygen": 0.45}.get(
        sensor.kind
    )
    lag = stated.get(label, lag)
    if lag is not None:
        lines += [f"response_time_s = {lag}", f"response_time_sd_s = {sensor.lag_sd}"]
    if label == "FAST-O":
        lines += [
            f"salinity_setting = {FAST_SALINITY_SETTING}",
            'clock = "VEL-A"                  # digitised by the velocimeter',
        ]
    elif sensor.kind == "optode":
        lines.append("salinity_setting = 0.0           # so that the correction is done here, later")
    if label == "CTD-1":
        lines.append("pressure_includes_atmosphere = true")
    if sensor.kind == "velocimeter":
        lines.append('axes = "up"')
    if label == "PRO-N":
        lines.append(f"bins = {{ first_m = {PROFILER_FIRST}, size_m = {PROFILER_STEP}, count = {PROFILER_BINS} }}")
    if label == "PRO-W":
        lines.append("bins = { first_m = 0.60, size_m = 0.25, count = 26 }")
    return "\n".join(lines) + "\n" + _terms(label, sensor.kind)


def _deployments(world: World, labels: tuple[str, ...]) -> str:
    script = world.script
    out = []
    for label, moves in moves_of(world).items():
        if label not in labels:
            continue
        for move in moves:
            sd = {"mast": 0.01, "rack": 0.02, "ambient": 0.02}.get(move.station, 0.1)
            lines = [
                "[[deployments]]",
                f'instrument = "{label}"',
                f'station = "{move.station}"',
                f"start = {script.iso(round(move.start))}",
                f"end = {script.iso(round(move.end))}",
                f"height_above_bed_m = {move.height_above_bed:.2f}",
                f"height_sd_m = {sd}",
            ]
            if move.station == "mast":
                lines.append('community = "rubble with sponges"')
            if label in ("VEL-A", "VEL-B", "PRO-N"):
                lines.append(f"heading_deg = {HEADING_DEG}                # x points with the flood")
            if label == "FAST-O":
                lines += [
                    'velocimeter = "VEL-A"',
                    f"offset_downstream_m = {SEPARATION}       # on the flood; upstream on the ebb",
                    f"offset_direction_deg = {HEADING_DEG}",
                ]
            out.append("\n".join(lines) + "\n")
    return "\n".join(out)


def _intercalibrations(world: World, labels: tuple[str, ...]) -> str:
    script = world.script
    rows = [label for label in RACK if label in labels]
    if len(rows) < 2:
        return ""
    names = ", ".join(f'"{label}"' for label in rows)
    periods: list[tuple[str, float, float, str]] = [("before", *script.before, "clean")]
    a, b = script.after
    if script.cleaned_at is None:
        periods.append(("after", a, b, "uncleaned"))
    else:
        periods += [
            ("after", a, script.cleaned_at, "uncleaned"),
            ("after cleaning", script.cleaned_at + 900.0, b, "cleaned"),
        ]
    out = ""
    for name, start, end, state in periods:
        out += (
            f'[[intercalibrations]]\nname = "{name}"\nstart = {script.iso(start)}\nend = {script.iso(end)}\n'
            f'instruments = [{names}]\nheight_above_bed_m = 2.0\nstate = "{state}"\n\n'
        )
    return out


def book_text(world: World, labels: tuple[str, ...]) -> str:
    """Return the text of ``mission.toml`` for these instruments."""
    script = world.script
    a, b = script.place
    instruments = "\n".join(_instrument(world, label) for label in labels)
    few = script.trials
    trials = "" if few is None else f"block_trials = {few[0]}\nperiod_trials = {few[1]}\n"
    duration = {"full": "ten days", "demo36": "36 hours"}.get(script.size, "26 hours")
    return f"""\
# The mission book of {script.name}: an invented reef, an invented crew. Nothing here is a real place.
# Everything that the analysis may assume stands here, in layouts/ or in tables/.

format = 1

[mission]
name = "OB-31"
title = "Who changed the carbon of Ossimer Basin ({duration})"
start = {script.iso(a)}          # the mast is in place; side by side before and after lie outside
end = {script.iso(b)}
question = "Most of the pH difference between the basin and the open water outside is made by respiration."
licence = "CC-BY-4.0"
summary = "A rehearsal: invented data from a simulated reef with known truth."
investigators = "invented crew"
institution = "Lantern Hut"

[site]
name = "Ossimer Basin"
latitude_deg = {script.latitude_deg:.2f}              # deep open water in reality
longitude_deg = {script.longitude_deg:.2f}
utc_offset_h = {script.utc_offset_h}
water_depth_m = 6.4
bottom = "rubble"
canopy_height_m = 0.14
displacement_height_m = 0.10        # from the photographs of the frame
displacement_height_sd_m = 0.02
magnetic_declination_deg = 0.0
residence_time_h = 34.0             # drogues and the salinity budget of an earlier year
residence_time_sd_h = 5.0

[[communities]]
name = "rubble with sponges"
description = "rubble and sand with urns, pipes, cushions and crusts"
cover_percent = 100.0

[[stations]]
name = "mast"
role = "bed"

[[stations]]
name = "ambient"                    # the water of the basin, 2 m above the bed beside the mast
role = "ambient"

[[stations]]
name = "rack"                       # all sensors of a kind in one water, 2 m above the bed
role = "side by side"

[[stations]]
name = "by hand"
role = "carried"

[[stations]]
name = "Farpost"                    # reference water outside, sensor at 5 m
role = "reference"
latitude_deg = -14.216
longitude_deg = 78.520
water_depth_m = 60.0

[[stations]]
name = "hut"
role = "air"

# ---- instruments, with what is known of their errors before any side-by-side period ----

{instruments}
# ---- where everything was; a move or a swap ends one stay and begins another ----

{_deployments(world, labels)}
# ---- side by side ----

{_intercalibrations(world, labels)}# ---- values from elsewhere ----

[[references]]
quantity = "mixing_line_alkalinity_at_zero_salinity"
value = 0.0
sd = 50.0
source = "rain on the basin, no streams; invented"

[[references]]
quantity = "mixing_line_dic_at_zero_salinity"
value = 0.0
sd = 50.0
source = "rain on the basin, no streams; invented"

[analysis]
block_s = 900
seed = 1
{trials}past_air_co2_umol_mol = 291.6       # fCO2 280 uatm over this water
von_karman = 0.41
von_karman_sd = 0.01
pq = 1.05
pq_sd = 0.05
rq = 0.952
rq_sd = 0.05
friction_velocity_floor_m_s = 0.003
gas_transfer_sd_relative = 0.2

[analysis.gross_range]              # sensor span, then user span
oxygen = [0.0, 500.0, 100.0, 300.0]
ph_total = [7.0, 9.0, 7.7, 8.3]
temperature = [-2.0, 40.0, 25.0, 32.0]
salinity = [2.0, 42.0, 33.0, 37.0]

[analysis.constants]
k1k2 = "lueker2000"
ks = "dickson1990"
kf = "perez1987"
boron = "uppstrom1974"

# ---- what would answer the question ----

[[targets]]
quantity = "oxygen_flux"
period = "night"
half_width_95 = 2.0
unit = "mmol m-2 h-1"

[[targets]]
quantity = "dic_flux"
period = "night"
half_width_95 = 5.0
unit = "mmol m-2 h-1"

[[targets]]
quantity = "ph_change_local"
period = "mission"
half_width_95 = 0.010
unit = ""
"""
