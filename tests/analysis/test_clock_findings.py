"""Findings about clocks from a small invented mission: comparisons, shared signals, resets, daylight saving."""

import datetime as dt
from pathlib import Path

import numpy as np
import pytest

from reeftally.analysis.clock_findings import clock_findings
from reeftally.analysis.context import open_context
from reeftally.analysis.findings import accept, find
from reeftally.intake import take_in

START = dt.datetime(2031, 3, 25, 20, tzinfo=dt.UTC)
BOOK = """
format = 1
[mission]
name = "T-1"
title = "An invented mission for tests"
start = 2031-03-25T20:00:00Z
end = 2031-03-28T20:00:00Z
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
kind = "ctd"
serial = "{label}"
layout = "thermometer"
sample_interval_s = 10.0
[[deployments]]
instrument = "{label}"
station = "mast"
start = 2031-03-25T20:00:00Z
end = 2031-03-28T20:00:00Z
height_above_bed_m = 0.5
height_sd_m = 0.01
"""
LAYOUT = """
format = 1
name = "thermometer"
[match]
filename = "T-*.csv"
[instrument]
from = "filename"
pattern = "^(T-[0-9])"
[text]
encoding = "utf-8"
delimiter = ","
decimal_mark = "."
header = "names"
header_start = "time"
missing = []
[time]
columns = ["time"]
format = "%Y-%m-%dT%H:%M:%S"
zone = "UTC"
stamp = "instant"
[[columns]]
name = "T"
quantity = "temperature"
unit = "degC"
"""
SECONDS = np.arange(0, 3 * 86400, 10)


def water(seconds: np.ndarray) -> np.ndarray:
    """Invented temperature of the water: a day and some slower and faster turns. [°C]"""
    hours = seconds / 3600.0
    return 28.0 + 0.6 * np.sin(hours / 24 * 2 * np.pi) + 0.08 * np.sin(hours * 1.7) + 0.05 * np.sin(hours * 4.1 + 1)


def write(folder: Path, label: str, stamps: np.ndarray, seconds: np.ndarray, seed: int) -> None:
    """Write a file of temperatures at true `seconds` under `stamps` (seconds after the start)."""
    values = water(seconds) + 0.003 * np.random.default_rng(seed).standard_normal(seconds.size)
    when = np.datetime64(START.replace(tzinfo=None), "s") + stamps.astype("timedelta64[s]")
    lines = [f"{t},{v:.4f}\n" for t, v in zip(np.datetime_as_string(when), values, strict=True)]
    (folder / "inbox" / f"{label}_{seed}.csv").write_text("time,T\n" + "".join(lines), encoding="utf-8")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("inbox", "layouts", "tables"):
        (tmp_path / name).mkdir()
    book = BOOK + "".join(INSTRUMENT.format(label=f"T-{n}") for n in (1, 2, 3))
    (tmp_path / "mission.toml").write_text(book, encoding="utf-8")
    (tmp_path / "layouts" / "thermometer.toml").write_text(LAYOUT, encoding="utf-8")
    for number in (2, 3):
        write(tmp_path, f"T-{number}", SECONDS, SECONDS, number)
    compare(tmp_path, [(f"T-{n}", 3600, 0) for n in (2, 3)] + [(f"T-{n}", 2 * 86400, 0) for n in (2, 3)])
    return tmp_path


def compare(folder: Path, rows: list[tuple[str, int, float]]) -> None:
    """Add comparisons: label, true seconds after the start, how far the clock is ahead. [s]"""
    path = folder / "tables" / "clock_checks.csv"
    lines = path.read_text().splitlines() if path.exists() else ["instrument,time,instrument_time,sd_s,note"]
    for label, at, ahead in rows:
        true, shown = START + dt.timedelta(seconds=at), START + dt.timedelta(seconds=at + ahead)
        lines.append(f"{label},{true:%Y-%m-%dT%H:%M:%SZ},{shown:%Y-%m-%dT%H:%M:%SZ},0.3,")
    path.write_text("\n".join(lines) + "\n")


def findings(folder: Path) -> dict:
    take_in(folder, now_ns=0)
    return {finding.id: finding for finding in clock_findings(open_context(folder))}


def test_an_error_by_comparison_carries_the_lag_of_a_shared_signal_as_a_line_of_its_own(folder):
    write(folder, "T-1", SECONDS + 600, SECONDS, 1)
    compare(folder, [("T-1", 3600, 600), ("T-1", 2 * 86400, 600)])

    finding = findings(folder)["clock-T-1-1"]

    assert finding.correction["seconds"] == pytest.approx(-600.0, abs=0.5)
    (signal,) = finding.details["signals"]
    assert signal["neighbours"] == ["T-2", "T-3"]
    assert abs(signal["seconds"] - 600.0) < 4 * signal["sd"]
    assert signal["sd"] < 10.0
    assert "temperature shared with T-2, T-3" in finding.evidence


@pytest.mark.parametrize(("ahead", "word"), [(3600, "zone"), (-740, "its clock is off")])
def test_a_clock_that_nobody_compared_is_found_by_its_neighbours(folder, ahead, word):
    write(folder, "T-1", SECONDS + ahead, SECONDS, 1)

    found = findings(folder)

    finding = found["clock-T-1-signal"]
    assert finding.correction["seconds"] == pytest.approx(-ahead, abs=20.0)
    assert abs(finding.correction["seconds"] + ahead) < 4 * finding.correction["sd_s"]
    assert word in finding.what
    assert "nobody compared" in finding.what


def test_right_clocks_give_no_finding(folder):
    write(folder, "T-1", SECONDS, SECONDS, 1)

    assert findings(folder) == {}


def reset(folder: Path, *, dark: tuple[int, int] = (90_000, 95_000), label: str = "T-1") -> int:
    """Write T-1 with a dark hub; afterwards its clock counts from 2000. Return the rows after it."""
    before, after = SECONDS[dark[0] > SECONDS], SECONDS[dark[1] <= SECONDS]
    write(folder, label, before, before, 1)
    epoch = int((dt.datetime(2000, 1, 1, tzinfo=dt.UTC) - START).total_seconds())
    write(folder, label, epoch + after - dark[1], after, 4)
    return after.size


def darken(folder: Path, dark: tuple[int, int] = (90_000, 95_000)) -> None:
    """Let the neighbours fall silent with the hub."""
    for number in (2, 3):
        (folder / "inbox" / f"T-{number}_{number}.csv").unlink()
        lit = SECONDS[(dark[0] > SECONDS) | (dark[1] <= SECONDS)]
        write(folder, f"T-{number}", lit, lit, number)


def test_a_reset_stretch_is_placed_by_the_silence_of_its_neighbours_and_used_once_accepted(folder):
    darken(folder)
    rows = reset(folder)
    truth = (START + dt.timedelta(seconds=95_000) - dt.datetime(2000, 1, 1, tzinfo=dt.UTC)).total_seconds()

    finding = findings(folder)["reset-T-1"]

    assert finding.correction["seconds"] == pytest.approx(truth, abs=30.0)
    assert abs(finding.correction["seconds"] - truth) < 4 * finding.correction["sd_s"]
    assert "T-2, T-3 fell silent at the same moment" in finding.evidence
    # Not accepted, not used; accepted, used; stored stamps stay.
    late = int((START + dt.timedelta(seconds=95_000)).timestamp()) * 1_000_000_000
    assert open_context(folder).read("T-1", start_ns=late - 60_000_000_000).time_ns.size == 0
    (done,) = accept(folder, ids=["reset-T-1"], by="crew", now=START)
    assert done.id == "reset-T-1"
    assert open_context(folder).read("T-1", start_ns=late - 60_000_000_000).time_ns.size == rows
    assert open_context(folder).store.streams()["T-1"].first_ns < 10**18
    assert all(item.accepted for item in find(folder) if item.id == "reset-T-1")


def test_a_comparison_after_the_reset_places_it(folder):
    reset(folder)
    epoch = (dt.datetime(2000, 1, 1, tzinfo=dt.UTC) - START).total_seconds()
    compare(folder, [("T-1", 100_000, epoch + 5_000 - 100_000)])

    finding = findings(folder)["reset-T-1"]

    assert finding.correction["seconds"] == pytest.approx(95_000 - epoch, abs=5.0)
    assert "1 comparison(s) after the reset" in finding.evidence


def test_a_line_of_the_log_places_it(folder):
    reset(folder)
    when = START + dt.timedelta(seconds=95_030)
    (folder / "tables" / "interventions.csv").write_text(
        f"time,instrument,kind,note,who\n{when:%Y-%m-%dT%H:%M:%SZ},T-1,restart,by hand,crew\n"
    )

    finding = findings(folder)["reset-T-1"]

    epoch = (dt.datetime(2000, 1, 1, tzinfo=dt.UTC) - START).total_seconds()
    # The log is good to a minute; the temperature shared with the neighbours mends it.
    assert finding.correction["seconds"] == pytest.approx(95_000 - epoch, abs=60.0)
    assert "the log says 'restart'" in finding.evidence


def test_a_reset_stretch_that_nothing_places_is_refused_with_the_reason(folder):
    reset(folder)

    finding = findings(folder)["reset-T-1"]

    assert finding.correction is None
    assert "nothing says when it began" in finding.evidence
    assert "interventions.csv" in finding.proposal
    assert finding.open


@pytest.mark.parametrize("forward", [True, False])
def test_daylight_saving_in_either_direction_is_asked_about(folder, forward):
    # The change of the clocks of Europe on 2031-03-30 lies after this mission: one of the United States does not.
    book = (folder / "mission.toml").read_text()
    month, day = ("03", "08") if forward else ("11", "01")
    book = book.replace("2031-03-25T20", f"2031-{month}-{day}T20").replace(
        "2031-03-28T20", f"2031-{month}-{int(day) + 3:02d}T20"
    )
    (folder / "mission.toml").write_text(book)
    for path in (folder / "inbox").iterdir():
        path.unlink()
    (folder / "tables" / "clock_checks.csv").unlink()
    start = dt.datetime(2031, int(month), int(day), 20)
    change = dt.datetime(2031, int(month), int(day) + 1, 7 if forward else 6)
    seconds = np.arange(0, 86400, 10)
    true = np.datetime64(start, "s") + seconds.astype("timedelta64[s]")
    shown = true + np.where(true >= np.datetime64(change), 3600 if forward else -3600, 0).astype("timedelta64[s]")
    lines = [f"{t},{v:.4f}\n" for t, v in zip(np.datetime_as_string(shown), water(seconds), strict=True)]
    (folder / "inbox" / "T-1_a.csv").write_text("time,T\n" + "".join(lines))

    found = [item for key, item in findings(folder).items() if key.startswith("clock-T-1")]

    (finding,) = found
    assert "daylight saving" in finding.what
    assert ("an hour is missing" if forward else "an hour stands twice") in finding.what
    if forward:
        assert finding.correction["seconds"] == -3600.0
    else:
        assert finding.correction is None
        assert "zone" in finding.proposal
