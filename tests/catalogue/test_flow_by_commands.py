"""Rows 53 and 54 of the catalogue through `intake` and `check`: a velocimeter upside down, a compass that is off.

One velocimeter at 4 Hz and one profiler of three bins, twelve invented hours on a tide.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import catalogue_kit as kit
import numpy as np

START = dt.datetime(2031, 4, 3, 20, tzinfo=dt.UTC)
RATE, HOURS = 4, 12
BINS = "bins = { first_m = 0.4, size_m = 0.2, count = 3 }\n"
VELOCIMETER = [("u", "velocity_x", None), ("v", "velocity_y", None), ("w", "velocity_z", None)]
PROFILER = [(f"{n}{b}", q, b) for b in (1, 2, 3) for n, q in (("e", "velocity_east"), ("n", "velocity_north"))]


def tide(seconds: np.ndarray) -> np.ndarray:
    """East and north as a complex number. [m/s]"""
    angle = 2 * np.pi * seconds / 44712.0 + 0.4
    return 0.03 + 0.10 * np.sin(angle) + 1j * 0.05 * np.cos(angle)


def columns(folder: Path, name: str, prefix: str, rows: list) -> None:
    kit.layout(folder, prefix=prefix, format="%Y-%m-%dT%H:%M:%S.%f")
    old = folder / "layouts" / f"kind-{prefix.lower()}.toml"
    text = old.read_text(encoding="utf-8").split("[[columns]]")[0].replace(f"kind-{prefix.lower()}", name)
    for column, quantity, number in rows:
        text += f'[[columns]]\nname = "{column}"\nquantity = "{quantity}"\nunit = "m/s"\n'
        text += "" if number is None else f"bin = {number}\n"
    old.unlink()
    (folder / "layouts" / f"{name}.toml").write_text(text, encoding="utf-8")


def build(folder: Path, *, turned: tuple[float, float] | None = None, compass: float = 0.0) -> dict:
    """Write both instruments; `turned` are the hours upside down, `compass` what the profiler's heading is off by."""
    for name in ("inbox", "layouts", "tables"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    end = START + dt.timedelta(hours=HOURS)
    book = kit.BOOK.format(start=START, end=end)
    for kind, label, layout, step in (("velocimeter", "V-1", "vel", 1 / RATE), ("profiler", "R-1", "pro", 60.0)):
        row = kit.INSTRUMENT.format(kind=kind, label=label, layout=layout, interval=step, start=START, end=end)
        if kind == "profiler":
            row = row.replace("[[deployments]]", BINS + "[[deployments]]")
        book += row.replace("height_sd_m = 0.01", "height_sd_m = 0.01\nheading_deg = 90.0")
    (folder / "mission.toml").write_text(book, encoding="utf-8")
    columns(folder, "vel", "V", VELOCIMETER)
    columns(folder, "pro", "R", PROFILER)
    rng = np.random.default_rng(1)
    seconds = np.arange(0, HOURS * 3600, 1 / RATE)
    mean = tide(seconds)
    along = mean / np.abs(mean)
    gust = 0.02 * rng.standard_normal(seconds.size)
    flow = mean + along * gust
    w = -0.35 * gust + 0.008 * rng.standard_normal(seconds.size)
    x, y = flow.real, flow.imag + 0.01 * rng.standard_normal(seconds.size)
    if turned is not None:
        over = (seconds >= turned[0] * 3600) & (seconds < turned[1] * 3600)
        y, w = np.where(over, -y, y), np.where(over, -w, w)
    lines(folder / "inbox" / "V-1_a.csv", seconds, {"u": x, "v": y, "w": w})
    minutes = np.arange(0, HOURS * 3600, 60)
    seen = tide(minutes) * np.exp(1j * np.radians(compass))
    cells = {}
    for number in (1, 2, 3):
        cells[f"e{number}"] = seen.real + 0.005 * rng.standard_normal(minutes.size)
        cells[f"n{number}"] = seen.imag + 0.005 * rng.standard_normal(minutes.size)
    lines(folder / "inbox" / "R-1_a.csv", minutes, cells)
    return kit.take(folder)


def lines(path: Path, seconds: np.ndarray, cells: dict[str, np.ndarray]) -> None:
    stamps = kit.iso(kit.moments(seconds, START), "ms")
    values = [[f"{v:.4f}" for v in column] for column in cells.values()]
    rows = (",".join(row) for row in zip(stamps, *values, strict=True))
    path.write_text("\n".join(["time," + ",".join(cells), *rows]) + "\n", encoding="utf-8")


def test_sound_current_meters_give_no_finding_of_axes_or_heading(tmp_path):
    report = build(tmp_path / "mission")

    assert kit.messages(report) == []
    assert not [key for key in kit.check(tmp_path / "mission") if key.startswith(("axes", "heading"))]


def test_row_53_a_velocimeter_upside_down_is_named_with_its_hours_and_turned_only_when_accepted(tmp_path):
    build(tmp_path / "mission", turned=(4.0, 8.0))

    (finding,) = [item for key, item in kit.check(tmp_path / "mission").items() if key.startswith("axes-V-1")]

    kit.full(finding, "V-1", "upside down", "wrong sign", "turn y and z")
    assert finding["correction"]["type"] == "axis_flip"
    assert not finding["accepted"]
    start = np.datetime64(START.replace(tzinfo=None), "s")
    for key, hours in (("start", 4.0), ("end", 8.0)):
        at = (np.datetime64(finding[key].rstrip("Z"), "s") - start) / np.timedelta64(3600, "s")
        assert abs(at - hours) <= 0.5


def test_row_54_a_compass_that_is_off_is_estimated_from_the_tide_and_asked_about(tmp_path):
    build(tmp_path / "mission", compass=12.0)

    (finding,) = [item for key, item in kit.check(tmp_path / "mission").items() if key.startswith("heading")]

    kit.full(finding, "R-1", "degrees", "V-1", "by hand", "Iron or a cable")
    assert "12." in finding["what"] or "11." in finding["what"]
    assert finding["correction"] is None
