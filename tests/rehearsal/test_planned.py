"""Rehearsing somebody's own mission book: its layouts, heights, times and errors (invented data)."""

from __future__ import annotations

import numpy as np
import pytest

from reeftally.errors import BookError, InputError
from reeftally.intake import take_in
from reeftally.rehearsal import rehearse_book
from reeftally.store import open_store

BOOK = """
format = 1
[mission]
name = "PLAN"
title = "two hours"
start = 2032-06-01T06:00:00Z
end = 2032-06-01T08:00:00Z
[site]
name = "Somewhere"
latitude_deg = 10.0
longitude_deg = -60.0
utc_offset_h = -4.0
water_depth_m = 4.0
bottom = "sand"
canopy_height_m = 0.05
displacement_height_m = 0.02
displacement_height_sd_m = 0.005
magnetic_declination_deg = 0.0
[[stations]]
name = "mast"
role = "bed"
[[stations]]
name = "outside"
role = "reference"
[[instruments]]
label = "V1"
kind = "velocimeter"
serial = "1"
layout = "vel"
sample_interval_s = 0.125
axes = "up"
[[instruments.terms]]
quantity = "velocity_z"
noise_sd = 0.001
offset_sd = 0.0
[[instruments]]
label = "O1"
kind = "optode"
serial = "2"
layout = "opt"
sample_interval_s = 10.0
response_time_s = 20.0
response_time_sd_s = 2.0
salinity_setting = 0.0
[[instruments.terms]]
quantity = "oxygen"
noise_sd = 0.05
offset_sd = 3.0
[[instruments]]
label = "B1"
kind = "multi"
serial = "3"
layout = "buoy"
sample_interval_s = 300.0
[[deployments]]
instrument = "V1"
station = "mast"
start = 2032-06-01T06:00:00Z
end = 2032-06-01T07:00:00Z
height_above_bed_m = 0.40
height_sd_m = 0.01
heading_deg = 30.0
[[deployments]]
instrument = "O1"
station = "mast"
start = 2032-06-01T06:00:00Z
end = 2032-06-01T08:00:00Z
height_above_bed_m = 0.40
height_sd_m = 0.01
[[deployments]]
instrument = "B1"
station = "outside"
start = 2032-06-01T06:00:00Z
end = 2032-06-01T08:00:00Z
height_above_bed_m = 2.0
height_sd_m = 0.1
"""
LAYOUTS = {
    "vel": """
format = 1
name = "vel"
[match]
filename = "V?-*.csv"
line = "^% velocimeter$"
[instrument]
from = "filename"
pattern = "^(V[0-9])-"
[text]
encoding = "utf-8"
delimiter = ";"
decimal_mark = ","
comment = "%"
header = "names"
missing = [""]
[time]
columns = ["t"]
format = "%Y-%m-%dT%H:%M:%S.%f"
zone = "UTC"
stamp = "instant"
[[columns]]
name = "vx"
quantity = "velocity_x"
unit = "cm/s"
[[columns]]
name = "vz"
quantity = "velocity_z"
unit = "cm/s"
""",
    "opt": """
format = 1
name = "opt"
[match]
filename = "O1*.dat"
[instrument]
from = "filename"
pattern = "^(O[0-9])"
[text]
encoding = "utf-8"
delimiter = "tab"
decimal_mark = "."
header = "none"
missing = ["NaN"]
[time]
columns = ["4"]
format = "%d/%m/%y %H:%M:%S"
zone = "-04:00"
stamp = "end"
averaging_s = 10.0
[[columns]]
name = "1"
quantity = "oxygen_molar"
unit = "mg/L"
[[columns]]
name = "3"
quantity = "temperature"
unit = "degF"
""",
    "buoy": """
format = 1
name = "buoy"
[match]
filename = "buoy*.txt"
[instrument]
from = "fixed"
label = "B1"
[text]
encoding = "utf-8"
delimiter = "whitespace"
decimal_mark = "."
header = "names"
missing = ["-99"]
[time]
columns = ["s"]
format = "unix_s"
zone = "UTC"
stamp = "instant"
[[columns]]
name = "pH"
quantity = "ph_total"
unit = ""
[[columns]]
name = "S"
quantity = "salinity"
unit = "psu"
""",
}


def _plan(folder, **changes):
    (folder / "layouts").mkdir(parents=True)
    (folder / "mission.toml").write_text(BOOK, encoding="utf-8")
    for name, text in LAYOUTS.items():
        (folder / "layouts" / f"{name}.toml").write_text(changes.get(name, text), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory):
    """A plan in layouts the rehearsal has never seen, rehearsed and taken in."""
    folder = _plan(tmp_path_factory.mktemp("plan") / "mission")
    truth = rehearse_book(folder, seed=5)
    take_in(folder, now_ns=2_000_000_000_000_000_000)
    return folder, truth


def test_intake_reads_every_row_of_the_plan(rehearsed):
    folder, truth = rehearsed

    rows = {name: info.rows for name, info in open_store(folder).streams().items()}

    assert rows == {"V1": 8 * 3600, "O1": 720, "B1": 24}
    assert all(truth.value("stream_rows", subject=label) == count for label, count in rows.items())


def test_times_zones_and_units_come_back_as_planned(rehearsed):
    folder, _ = rehearsed
    start = np.datetime64("2032-06-01T06:00:00", "ns").astype(np.int64)
    store = open_store(folder)
    optode, buoy, flow = (store.read(label) for label in ("O1", "B1", "V1"))

    assert abs(int(optode["time"][0]) - start) <= 10_000_000_000
    assert int(buoy["time"][0]) == start
    assert int(flow["time"][1] - flow["time"][0]) == 125_000_000
    assert 27.5 < np.mean(optode["temperature"]) < 29.5
    assert np.mean(buoy["ph_total"]) == pytest.approx(8.03, abs=0.01)
    assert np.mean(buoy["salinity"]) == pytest.approx(35.1, abs=0.05)
    assert 0.01 < np.std(flow["velocity_x"]) < 0.5
    assert abs(np.mean(flow["velocity_z"])) < 0.01


def test_offsets_are_drawn_from_the_book_and_told(rehearsed, tmp_path):
    _, truth = rehearsed

    other = rehearse_book(_plan(tmp_path / "again"), seed=6)

    one, two = (rows.value("sensor_offset", subject="O1", channel="oxygen") for rows in (truth, other))
    assert one != two
    assert abs(one) < 12.0
    assert truth.value("sensor_drift", subject="O1", channel="oxygen") == 0.0


def test_same_seed_same_bytes(rehearsed, tmp_path):
    folder, _ = rehearsed

    again = _plan(tmp_path / "again")
    rehearse_book(again, seed=5)

    assert (again / "truth.json").read_bytes() == (folder / "truth.json").read_bytes()
    for path in (again / "inbox").iterdir():
        assert any(path.read_bytes() == raw.read_bytes() for raw in (folder / "raw").rglob("*") if raw.is_file())


def test_a_folder_with_raw_files_is_left_alone(rehearsed):
    folder, _ = rehearsed

    with pytest.raises(InputError, match="already holds raw files or a truth"):
        rehearse_book(folder)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('quantity = "ph_total"', 'quantity = "phosphate"', "the rehearsal can simulate"),
        ('missing = ["-99"]', 'missing = ["-99"]\nchecksum = "xor8"', "no checksum"),
    ],
)
def test_what_cannot_be_written_is_refused_with_the_reason(tmp_path, old, new, message):
    text = LAYOUTS["buoy"].replace(old, new)
    if "phosphate" in new:
        text = text.replace('unit = ""', 'unit = "umol/kg"')
    folder = _plan(tmp_path / "plan", buoy=text)

    with pytest.raises(BookError, match=message):
        rehearse_book(folder)

    assert not (folder / "truth.json").exists()


@pytest.mark.parametrize("label", ["O1", "B1"])
def test_every_quantity_it_says_it_knows_can_be_seen(rehearsed, label):
    from reeftally.mission import read_book
    from reeftally.rehearsal.observe import _FLOW, _KNOWN, Observer
    from reeftally.rehearsal.planned import _world

    folder, _ = rehearsed
    book = read_book(folder)
    world = _world(book, 5)
    deployment = book.deployments_of(label)[0]
    observer = Observer(world, book, book.instrument(label))
    t = 1800.0 + np.arange(0.0, 600.0, 10.0)

    for quantity in sorted(_KNOWN - (set(_FLOW) if label == "B1" else set())):
        value = observer.value(quantity, deployment, t, None)

        assert value.shape == t.shape, quantity
        assert np.isfinite(value).all(), quantity
