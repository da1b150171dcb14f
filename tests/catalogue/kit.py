"""A small invented mission of thermometers and light, run through the real commands."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import numpy as np
from click.testing import CliRunner

from reeftally.cli import commands

START = dt.datetime(2031, 4, 3, 20, tzinfo=dt.UTC)
DAYS = 3
SECONDS = np.arange(0, DAYS * 86400, 10)

BOOK = """
format = 1
[mission]
name = "T-1"
title = "An invented mission for tests"
start = {start:%Y-%m-%dT%H:%M:%SZ}
end = {end:%Y-%m-%dT%H:%M:%SZ}
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
serial = "{label}"
layout = "{layout}"
sample_interval_s = {interval}
[[deployments]]
instrument = "{label}"
station = "mast"
start = {start:%Y-%m-%dT%H:%M:%SZ}
end = {end:%Y-%m-%dT%H:%M:%SZ}
height_above_bed_m = 0.5
height_sd_m = 0.01
"""
LAYOUT = """
format = 1
name = "{name}"
[match]
filename = "{prefix}-*.csv"
[instrument]
from = "filename"
pattern = "^({prefix}-[0-9])"
[text]
encoding = "utf-8"
delimiter = ","
decimal_mark = "."
header = "names"
header_start = "time"
missing = []
[time]
columns = ["time"]
format = "{format}"
zone = "{zone}"
{more}
[[columns]]
name = "v"
quantity = "{quantity}"
unit = "{unit}"
"""


def layout(
    folder: Path,
    *,
    prefix: str = "T",
    quantity: str = "temperature",
    unit: str = "degC",
    format: str = "%Y-%m-%dT%H:%M:%S",
    zone: str = "UTC",
    more: str = 'stamp = "instant"',
) -> None:
    """Write the layout of the files of one kind."""
    name = f"kind-{prefix.lower()}"
    text = LAYOUT.format(name=name, prefix=prefix, quantity=quantity, unit=unit, format=format, zone=zone, more=more)
    (folder / "layouts" / f"{name}.toml").write_text(text, encoding="utf-8")


def mission(folder: Path, *, start: dt.datetime = START, days: int = DAYS, interval: float = 10.0) -> Path:
    """Make a mission of four thermometers T-1 to T-4 and a light sensor P-1."""
    for name in ("inbox", "layouts", "tables"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    end = start + dt.timedelta(days=days)
    rows = [("ctd", f"T-{n}", "kind-t", interval if n == 1 else 10.0) for n in (1, 2, 3, 4)]
    rows.append(("light", "P-1", "kind-p", 60.0))
    book = BOOK.format(start=start, end=end)
    for kind, label, name, step in rows:
        book += INSTRUMENT.format(kind=kind, label=label, layout=name, interval=step, start=start, end=end)
    (folder / "mission.toml").write_text(book, encoding="utf-8")
    layout(folder)
    layout(folder, prefix="P", quantity="par", unit="umol m-2 s-1")
    return folder


def water(seconds: np.ndarray) -> np.ndarray:
    """Invented temperature at seconds after the start. [°C]"""
    hours = seconds / 3600.0
    return 28.0 + 0.6 * np.sin(hours / 24 * 2 * np.pi) + 0.08 * np.sin(hours * 1.7) + 0.05 * np.sin(hours * 4.1 + 1)


def values(seconds: np.ndarray, seed: int = 1) -> np.ndarray:
    return water(seconds) + 0.003 * np.random.default_rng(seed).standard_normal(seconds.size)


def moments(seconds: np.ndarray, start: dt.datetime = START) -> np.ndarray:
    """Instants of seconds after the start."""
    return np.datetime64(start.replace(tzinfo=None), "ms") + np.rint(np.asarray(seconds) * 1000).astype(
        "timedelta64[ms]"
    )


def write(folder: Path, name: str, stamps: list[str], numbers: np.ndarray, digits: int = 4) -> Path:
    """Write a file of stamps and numbers into the inbox."""
    path = folder / "inbox" / name
    rows = "".join(f"{t},{v:.{digits}f}\n" for t, v in zip(stamps, numbers, strict=True))
    path.write_text("time,v\n" + rows, encoding="utf-8")
    return path


def iso(instants: np.ndarray, unit: str = "s") -> list[str]:
    return np.datetime_as_string(instants, unit=unit).tolist()


def neighbours(folder: Path, labels: tuple[str, ...] = ("T-2", "T-3", "T-4")) -> None:
    """Write the records of thermometers whose clocks are right, with comparisons that say so."""
    for label in labels:
        write(folder, f"{label}_a.csv", iso(moments(SECONDS)), values(SECONDS, int(label[-1])))
    compare(folder, [(label, at, 0.0) for label in labels for at in (3600, 2 * 86400)])


def compare(folder: Path, rows: list[tuple[str, float, float]]) -> None:
    """Add clock comparisons: label, true seconds after the start, how far the clock is ahead. [s]"""
    path = folder / "tables" / "clock_checks.csv"
    lines = path.read_text().splitlines() if path.exists() else ["instrument,time,instrument_time,sd_s,note"]
    for label, at, ahead in rows:
        true, shown = (START + dt.timedelta(seconds=at + more) for more in (0.0, ahead))
        lines.append(f"{label},{true:%Y-%m-%dT%H:%M:%S.%fZ},{shown:%Y-%m-%dT%H:%M:%S.%fZ},0.2,")
    path.write_text("\n".join(lines) + "\n")


def run(*arguments: object) -> tuple[int, dict]:
    """Run a command with --json; return its exit status and what it said."""
    result = CliRunner().invoke(commands, [*(str(item) for item in arguments), "--json"])
    assert result.stdout, result.output
    return result.exit_code, json.loads(result.stdout.splitlines()[-1])


def take(folder: Path) -> dict:
    """Run `intake`; return its report."""
    return run("intake", folder)[1]


def messages(report: dict) -> list[dict]:
    """Return all messages of an intake report."""
    return [message for file in report["files"] for message in file["messages"]]


def check(folder: Path) -> dict[str, dict]:
    """Run `check`; return its findings by id."""
    status, said = run("check", folder)
    assert status == (1 if said["open"] else 0)
    return {finding["id"]: finding for finding in said["findings"]}


def complete(message: dict, *, file: str, field: str | None = None, words: tuple[str, ...] = ()) -> None:
    """Hold that a message names file, line or time, field, found, wanted and mend."""
    assert message["file"] == file
    assert message["found"]
    assert message["expected"]
    assert message["mend"]
    assert message["text"].startswith(file)
    if field is not None:
        assert message["field"] == field
        assert message["line"] is not None or "from" in message["found"]
    for word in words:
        assert word in message["text"], message["text"]


def full(finding: dict, *words: str) -> None:
    """Hold that a finding says what, the evidence and what to do, and holds the words."""
    assert finding["what"]
    assert finding["evidence"]
    assert finding["proposal"]
    text = " ".join((finding["what"], finding["evidence"], finding["proposal"]))
    for word in words:
        assert word in text, text
