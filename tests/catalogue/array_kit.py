"""An invented array on a reef with one fault planted, run through the real commands; one builder for many rows.

Three optodes, three pH sensors, a CTD, two current meters, weather with light, and a gas analyser; a sample a minute.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import catalogue_kit as kit
import numpy as np

START = dt.datetime(2031, 4, 3, 20, tzinfo=dt.UTC)
DAYS = 3
SECONDS = np.arange(0, DAYS * 86400, 60)
HOURS = SECONDS / 3600.0
LATITUDE, LONGITUDE, DEPTH = -14.2, 78.5, 6.4

# By prefix of the label: kind, columns (name, quantity, unit, decimals).
KINDS: dict[str, tuple[str, list[tuple[str, str, str, int]]]] = {
    "OXY": ("optode", [("o2", "oxygen_molar", "umol/L", 3), ("t", "temperature", "degC", 4)]),
    "PHI": ("isfet_ph", [("ph", "ph_total", "1", 5)]),
    "CTD": (
        "ctd",
        [("t", "temperature", "degC", 4), ("s", "salinity", "1", 4), ("p", "pressure", "dbar", 4)],
    ),
    "CUR": (
        "multi",
        [
            ("u", "velocity_east", "m/s", 4),
            ("v", "velocity_north", "m/s", 4),
            ("pitch", "pitch", "degree", 2),
            ("roll", "roll", "degree", 2),
        ],
    ),
    "MET": ("weather", [("par", "par", "umol m-2 s-1", 1)]),
    "GAS": ("gas_isotope", [("c", "xco2", "ppm", 2)]),
}
TERMS = {
    "OXY": '[[instruments.terms]]\nquantity = "oxygen"\nnoise_sd = 0.15\noffset_sd = 3.0\ndrift_sd_per_day = 0.1\n',
    "PHI": '[[instruments.terms]]\nquantity = "ph_total"\nnoise_sd = 0.0006\noffset_sd = 0.02\n'
    "drift_sd_per_day = 0.001\n",
}
STATIONS = {"MET": "roof"}
HEIGHTS = {"1": 0.35, "2": 0.55, "3": 0.9}
# Hours that oxygen and pH sensors hang side by side before they are deployed.
BESIDE = 8
LABELS = ("OXY-1", "OXY-2", "OXY-3", "PHI-1", "PHI-2", "PHI-3", "CTD-1", "CUR-1", "CUR-2", "MET-1", "GAS-1")

Records = dict[str, dict[str, np.ndarray]]


def sun() -> np.ndarray:
    """Sine of the sun's height, not below zero, from the hour angle of an equinox (invented, no equation of time)."""
    hour = (HOURS + 20.0 + LONGITUDE / 15.0 - 12.0) * 15.0
    lat = np.radians(LATITUDE)
    return np.clip(np.cos(lat) * np.cos(np.radians(hour)) * np.cos(0.1) + np.sin(lat) * np.sin(0.1), 0.0, None)


def records(seed: int = 1) -> Records:
    """Return clean records: by label and column."""
    rng = np.random.default_rng(seed)
    n = SECONDS.size
    day = np.sin(2 * np.pi * (HOURS - 3.0) / 24.0)
    # What all see of the water beside day and tide: patches of some hours.
    patch = np.interp(SECONDS, SECONDS[::40], np.cumsum(rng.normal(0, 0.25, SECONDS[::40].size)))
    patch -= np.linspace(patch[0], patch[-1], n)
    tide = 2 * np.pi * HOURS / 12.42
    out: Records = {}
    for k, label in enumerate(("OXY-1", "OXY-2", "OXY-3")):
        out[label] = {
            "o2": 195.0 + 12.0 * day + patch + 0.15 * k * day + rng.normal(0, 0.15, n),
            "t": 28.4 + 0.4 * day + 0.05 * patch + rng.normal(0, 0.003, n),
        }
    for label in ("PHI-1", "PHI-2", "PHI-3"):
        out[label] = {"ph": 8.03 + 0.02 * day + 0.002 * patch + rng.normal(0, 0.0006, n)}
    out["CTD-1"] = {
        "t": 28.4 + 0.4 * day + 0.05 * patch + rng.normal(0, 0.003, n),
        "s": 35.1 + 0.03 * patch + rng.normal(0, 0.003, n),
        "p": 5.8 + 0.4 * np.sin(tide) + rng.normal(0, 0.004, n),
    }
    for label in ("CUR-1", "CUR-2"):
        out[label] = {
            "u": 0.09 * np.sin(tide + 0.4) + rng.normal(0, 0.008, n),
            "v": 0.03 * np.cos(tide + 0.4) + rng.normal(0, 0.008, n),
            "pitch": 1.2 + rng.normal(0, 0.1, n),
            "roll": -0.7 + rng.normal(0, 0.1, n),
        }
    out["MET-1"] = {"par": 2000.0 * sun() * np.clip(0.9 + 0.05 * patch, 0.3, 1.0)}
    out["GAS-1"] = {"c": 430.0 - 25.0 * day - 2.0 * patch + rng.normal(0, 0.8, n)}
    return out


def book(certificates: str = "") -> str:
    """Return the mission book."""
    text = kit.BOOK.format(start=START, end=START + dt.timedelta(days=DAYS)).replace('"T-1"', '"A-1"')
    text += '[[stations]]\nname = "roof"\nrole = "air"\n'
    for label in LABELS:
        kind = KINDS[label[:3]][0]
        height = HEIGHTS[label[-1]]
        row = kit.INSTRUMENT.format(
            kind=kind, label=label, layout=label[:3].lower(), interval=60.0,
            start=START + dt.timedelta(hours=BESIDE if label[:3] in TERMS else 0),
            end=START + dt.timedelta(days=DAYS),
        )  # fmt: skip
        row = row.replace("height_above_bed_m = 0.5", f"height_above_bed_m = {height}")
        row = row.replace('station = "mast"', f'station = "{STATIONS.get(label[:3], "mast")}"')
        if kind == "optode":
            row = row.replace("sample_interval_s", "salinity_setting = 35.0\nsample_interval_s")
        text += row.replace("[[deployments]]", TERMS.get(label[:3], "") + "[[deployments]]")
    for name, prefix in (("oxygen before", "OXY"), ("pH before", "PHI")):
        group = ", ".join(f'"{prefix}-{k}"' for k in (1, 2, 3))
        text += (
            f'[[intercalibrations]]\nname = "{name}"\nstart = {at(0)}\nend = {at(BESIDE)}\ninstruments = [{group}]\n'
        )
    return text + certificates


def build(
    folder: Path,
    plant: Callable[[Records], None] | None = None,
    *,
    seed: int = 1,
    tables: dict[str, str] | None = None,
    certificates: str = "",
    keep: Callable[[str], np.ndarray] | None = None,
    only: tuple[str, ...] = LABELS,
) -> dict:
    """Write the mission, plant the fault, take it in; return the report of the intake.

    Parameters
    ----------
    keep : callable, optional
        Which samples of a label are written.
    """
    for name in ("inbox", "layouts", "tables"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    (folder / "mission.toml").write_text(book(certificates), encoding="utf-8")
    for prefix, (_, columns) in KINDS.items():
        kit.layout(folder, prefix=prefix)
        path = folder / "layouts" / f"kind-{prefix.lower()}.toml"
        text = (
            path.read_text(encoding="utf-8").split("[[columns]]")[0].replace(f"kind-{prefix.lower()}", prefix.lower())
        )
        for name, quantity, unit, _ in columns:
            text += f'[[columns]]\nname = "{name}"\nquantity = "{quantity}"\nunit = "{unit}"\n'
        path.unlink()
        (folder / "layouts" / f"{prefix.lower()}.toml").write_text(text, encoding="utf-8")
    data = records(seed)
    if plant is not None:
        plant(data)
    stamps = np.array(kit.iso(kit.moments(SECONDS, START)))
    for label in only:
        columns = KINDS[label[:3]][1]
        chosen = np.flatnonzero(keep(label)) if keep is not None else np.arange(SECONDS.size)
        cells = [stamps[chosen].tolist()]
        cells += [[f"{v:.{digits}f}" for v in data[label][name][chosen]] for name, _, _, digits in columns]
        lines = ["time," + ",".join(c[0] for c in columns), *(",".join(row) for row in zip(*cells, strict=True))]
        (folder / "inbox" / f"{label}_a.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    for name, text in (tables or {}).items():
        (folder / "tables" / f"{name}.csv").write_text(text, encoding="utf-8")
    return kit.take(folder)


def at(hours: float) -> str:
    """Return a moment as the tables write it."""
    return f"{START + dt.timedelta(hours=hours):%Y-%m-%dT%H:%M:%SZ}"


def bottles(field: str, values: np.ndarray, hours: np.ndarray) -> str:
    """Return a table of bottles drawn at the mast."""
    more, cells = {"oxygen": ("oxygen_sd", "0.3"), "ph_total": ("ph_sd,ph_temperature", "0.003,28.4")}[field]
    rows = [
        f"B{k:02d},{at(float(h))},mast,0.35,{v:.4f},{cells},2"
        for k, (h, v) in enumerate(zip(hours, values, strict=True))
    ]
    return f"bottle,time,station,height_above_bed_m,{field},{more},flag\n" + "\n".join(rows) + "\n"
