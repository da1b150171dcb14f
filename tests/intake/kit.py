"""Invented missions for the tests of intake: layouts, files, folders."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np

NOW_NS = 1_932_000_000_000_000_000  # 2031-03-22; the clock dates no data
START = dt.datetime(2031, 3, 25, 20, 0, tzinfo=dt.UTC)

VELOCIMETER = """
format = 1
name = "velocimeter"
[match]
filename = "VEL-*.txt"
[instrument]
from = "filename"
pattern = "^(VEL-[A-Z])"
[text]
encoding = "utf-8"
delimiter = ";"
decimal_mark = "."
comment = "#"
header = "names"
header_start = "time"
missing = ["-999"]
[time]
columns = ["time"]
format = "%Y-%m-%dT%H:%M:%S.%f"
zone = "UTC"
stamp = "instant"
[[columns]]
name = "u"
quantity = "velocity_x"
unit = "m/s"
minimum = -5.0
maximum = 5.0
[[columns]]
name = "v"
quantity = "velocity_y"
unit = "m/s"
[[columns]]
name = "w"
quantity = "velocity_z"
unit = "m/s"
[[columns]]
name = "corr"
quantity = "correlation"
unit = "%"
[[columns]]
name = "snr"
quantity = "signal_to_noise"
unit = "dB"
"""

OPTODE = """
format = 1
name = "optode"
[match]
filename = "OXY-*.txt"
[instrument]
from = "filename"
pattern = "^(OXY-[0-9])"
[text]
encoding = "latin-1"
delimiter = ";"
decimal_mark = ","
header = "names"
header_start = "date"
missing = ["-999"]
[time]
columns = ["date", "clock"]
format = "%d.%m.%Y %H:%M:%S"
zone = "+05:00"
stamp = "end"
averaging_s = 5.0
[[columns]]
name = "O2 (µmol/L)"
quantity = "oxygen_molar"
unit = "umol/L"
minimum = 0.0
maximum = 600.0
[[columns]]
name = "T (°C)"
quantity = "temperature"
unit = "degC"
minimum = -2.0
maximum = 40.0
"""

CTD = """
format = 1
name = "ctd"
[match]
filename = "CTD-*.csv"
line = "^# serial"
[instrument]
from = "header"
pattern = "^# serial ([0-9]+)"
[text]
encoding = "utf-8"
delimiter = ","
decimal_mark = "."
comment = "#"
header = "names"
header_start = "unix"
missing = ["-999"]
[time]
columns = ["unix"]
format = "unix_s"
zone = "UTC"
stamp = "instant"
[[columns]]
name = "T"
quantity = "temperature"
unit = "degC"
minimum = -2.0
maximum = 40.0
[[columns]]
name = "S"
quantity = "salinity"
unit = "psu"
minimum = 0.0
maximum = 42.0
"""

LAYOUTS = {"velocimeter": VELOCIMETER, "optode": OPTODE, "ctd": CTD}

BOOK = """
format = 1
[mission]
name = "T-1"
title = "An invented mission for tests"
start = 2031-03-25T20:00:00Z
end = 2031-04-04T20:00:00Z
[site]
name = "Nowhere Basin"
latitude_deg = -14.2
longitude_deg = 78.5
utc_offset_h = 5.0
water_depth_m = 6.4
bottom = "rubble"
canopy_height_m = 0.14
displacement_height_m = 0.10
displacement_height_sd_m = 0.02
magnetic_declination_deg = 0.0
[[stations]]
name = "mast"
role = "bed"
"""

INSTRUMENT = """
[[instruments]]
label = "{label}"
kind = "{kind}"
serial = "{serial}"
layout = "{layout}"
sample_interval_s = {step}
{more}
[[deployments]]
instrument = "{label}"
station = "mast"
start = 2031-03-25T20:00:00Z
end = 2031-04-04T20:00:00Z
height_above_bed_m = 0.5
height_sd_m = 0.01
"""

INSTRUMENTS = (
    {"label": "VEL-A", "kind": "velocimeter", "serial": "101", "layout": "velocimeter", "step": 0.03125},
    {"label": "OXY-1", "kind": "optode", "serial": "201", "layout": "optode", "step": 5.0},
    {"label": "OXY-2", "kind": "optode", "serial": "202", "layout": "optode", "step": 5.0},
    {"label": "CTD-1", "kind": "ctd", "serial": "301", "layout": "ctd", "step": 5.0},
)


def mission(folder: Path, *, book: bool = False) -> Path:
    """Make a mission folder with the layouts above, and a book if asked."""
    for name in ("inbox", "layouts", "tables"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    for name, text in LAYOUTS.items():
        (folder / "layouts" / f"{name}.toml").write_text(text, encoding="utf-8")
    if book:
        rows = []
        for row in INSTRUMENTS:
            more = "salinity_setting = 0.0" if row["kind"] == "optode" else ""
            rows.append(INSTRUMENT.format(**row, more=more))
        (folder / "mission.toml").write_text(BOOK + "".join(rows), encoding="utf-8")
    return folder


def start_ns() -> int:
    return int(START.timestamp()) * 1_000_000_000


def velocity(first: int, count: int, *, seed: int = 1) -> dict[str, np.ndarray]:
    """Invented velocimeter rows at 32 Hz, the row number `first` on; values by row number and seed."""
    number = np.arange(first, first + count)
    wave = np.sin(number * 0.01 + seed)
    return {
        "time": start_ns() + number * 31_250_000,
        "u": np.round(0.1 * wave + 0.001 * (number % 7), 4),
        "v": np.round(-0.05 * wave, 4),
        "w": np.round(0.01 * np.cos(number * 0.37), 4),
        "corr": 90 + number % 10,
        "snr": np.round(20 + (number % 31) / 10, 1),
    }


VELOCITY_HEADER = "time;u;v;w;corr;snr\n"


def velocity_lines(first: int, count: int, *, seed: int = 1) -> list[str]:
    rows = velocity(first, count, seed=seed)
    stamps = np.datetime_as_string((rows["time"] // 1000).astype("datetime64[us]"))
    return [
        f"{t};{u};{v};{w};{c};{s}\n"
        for t, u, v, w, c, s in zip(stamps, rows["u"], rows["v"], rows["w"], rows["corr"], rows["snr"], strict=True)
    ]


def velocity_text(first: int, count: int, *, seed: int = 1) -> str:
    return VELOCITY_HEADER + "".join(velocity_lines(first, count, seed=seed))


OPTODE_HEADER = "date;clock;O2 (µmol/L);T (°C)\n"


def optode_lines(first: int, count: int, *, shift: float = 0.0) -> list[str]:
    """Invented optode lines every 5 s: local time five hours ahead of UTC, decimal commas."""
    lines = []
    for number in range(first, first + count):
        when = START + dt.timedelta(seconds=5 * number, hours=5)
        oxygen = f"{180 + (number % 50) / 10 + shift:.2f}".replace(".", ",")
        lines.append(f"{when:%d.%m.%Y;%H:%M:%S};{oxygen};{28 + (number % 9) / 100:.3f}\n".replace(".0", ".0"))
    return [line.rpartition(";")[0] + ";" + line.rpartition(";")[2].replace(".", ",") for line in lines]


def optode_text(first: int, count: int, *, shift: float = 0.0) -> str:
    return OPTODE_HEADER + "".join(optode_lines(first, count, shift=shift))


def ctd_text(first: int, count: int, *, serial: str = "301") -> str:
    base = int(START.timestamp())
    lines = [
        f"{base + 5 * n},{28 + (n % 11) / 1000:.3f},{35.1 + (n % 5) / 1000:.3f}\n" for n in range(first, first + count)
    ]
    return f"# serial {serial}\nunix,T,S\n" + "".join(lines)
