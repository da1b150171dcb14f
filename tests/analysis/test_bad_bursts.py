"""Bursts that cannot be used, through the command of the chain. A mission of three hours, all numbers invented."""

import numpy as np
import pytest
import xarray as xr
from click.testing import CliRunner

from reeftally.analysis.groups import BURST_REASONS
from reeftally.analysis.results import read_results
from reeftally.cli._group import commands
from reeftally.exchange import Reason

BOOK = """
format = 1
[mission]
name = "three hours"
title = "Bursts that cannot be used"
start = 2031-03-25T20:00:00Z
end = 2031-03-25T23:00:00Z
[site]
name = "nowhere"
latitude_deg = -14.2
longitude_deg = 78.5
utc_offset_h = 5.0
water_depth_m = 6.4
bottom = "rubble"
canopy_height_m = 0.14
roughness_length_m = 0.02
magnetic_declination_deg = 0.0
displacement_height_m = 0.10
displacement_height_sd_m = 0.02
[[communities]]
name = "rubble"
[[stations]]
name = "mast"
role = "bed"
[[instruments]]
label = "VEL-A"
kind = "velocimeter"
serial = "1"
layout = "velocimeter"
sample_interval_s = 0.25
[[instruments]]
label = "FAST-O"
kind = "fast_oxygen"
serial = "2"
layout = "fast"
sample_interval_s = 0.25
response_time_s = 0.45
response_time_sd_s = 0.05
salinity_setting = 35.0
clock = "VEL-A"
[[instruments.terms]]
quantity = "oxygen"
noise_sd = 0.25
offset_sd = 4.0
[[deployments]]
instrument = "VEL-A"
station = "mast"
start = 2031-03-25T20:00:00Z
end = 2031-03-25T23:00:00Z
height_above_bed_m = {height}
height_sd_m = 0.01
heading_deg = 90.0
[[deployments]]
instrument = "FAST-O"
station = "mast"
start = 2031-03-25T20:00:00Z
end = 2031-03-25T23:00:00Z
height_above_bed_m = {height}
height_sd_m = 0.01
velocimeter = "VEL-A"
offset_downstream_m = 0.03
offset_direction_deg = 90.0
"""
LAYOUT = """
format = 1
name = "{name}"
[match]
filename = "{label}*"
[instrument]
from = "fixed"
label = "{label}"
[text]
encoding = "utf-8"
delimiter = ";"
decimal_mark = "."
header = "names"
header_start = "time"
missing = ["-999"]
[time]
columns = ["time"]
format = "%Y-%m-%dT%H:%M:%S.%f"
zone = "UTC"
stamp = "instant"
"""
START = np.datetime64("2031-03-25T20:00:00.000000", "us")
BLOCK, RATE = 900, 4
EMPTY, ALL_MISSING, ONE_MISSING, CONSTANT, DOUBLE_RATE, STUCK_OXYGEN = 1, 3, 4, 6, 8, 10


def column(name, quantity, unit):
    return f'[[columns]]\nname = "{name}"\nquantity = "{quantity}"\nunit = "{unit}"\n'


def write(path, stamps, rows, names):
    text = [";".join(["time", *names])]
    for when, values in zip(stamps, np.array(rows).T, strict=True):
        text.append(";".join([str(when), *(f"{v:.4f}" if np.isfinite(v) else "-999" for v in values)]))
    path.write_text("\n".join(text) + "\n", encoding="utf-8")


def mission(folder, burst_maker, *, height=0.4):
    """Write book, layouts and files; blocks as named above are spoilt."""
    rng = np.random.default_rng(1)
    (folder / "layouts").mkdir(parents=True)
    (folder / "inbox").mkdir()
    (folder / "mission.toml").write_text(BOOK.format(height=height), encoding="utf-8")
    (folder / "layouts" / "velocimeter.toml").write_text(
        LAYOUT.format(name="velocimeter", label="VEL-A")
        + "".join(column(c, f"velocity_{c}", "m/s") for c in "xyz"),
        encoding="utf-8",
    )  # fmt: skip
    (folder / "layouts" / "fast.toml").write_text(
        LAYOUT.format(name="fast", label="FAST-O") + column("oxygen", "oxygen", "µmol/kg"), encoding="utf-8"
    )
    times, velocity, oxygen_times, oxygen = [], [], [], []
    for block in range(12):
        b = burst_maker(rng, sample_rate=4.0, height=0.3, speed=0.1, friction_velocity=0.012, noise=(0.003,) * 3)
        n = BLOCK * RATE
        stamps = START + ((block * BLOCK + np.arange(n) / RATE) * 1e6).astype("timedelta64[us]")
        own, o2 = b.velocity.copy(), 190.0 - 60.0 * b.turbulence[2] + 0.25 * rng.standard_normal(n)
        if block == ALL_MISSING:
            own[:] = np.nan
        if block == ONE_MISSING:
            own[2] = np.nan
        if block == CONSTANT:
            own[:] = [[0.1], [0.02], [0.001]]
        if block == STUCK_OXYGEN:
            o2[:] = 250.0
        if block != EMPTY:
            times.append(stamps)
            velocity.append(own)
            oxygen_times.append(stamps)
            oxygen.append(o2)
        if block == DOUBLE_RATE:
            times.append(stamps + np.timedelta64(125_000, "us"))
            velocity.append(own)
    order = np.argsort(np.concatenate(times))
    write(
        folder / "inbox" / "VEL-A.txt", np.concatenate(times)[order], np.concatenate(velocity, axis=1)[:, order], "xyz"
    )
    write(folder / "inbox" / "FAST-O.txt", np.concatenate(oxygen_times), [np.concatenate(oxygen)], ["oxygen"])
    return folder


def run(folder):
    for command in ("intake", "analyse"):
        done = CliRunner().invoke(commands, [command, str(folder)], catch_exceptions=False)
        assert done.exit_code == 0, done.output
    return xr.open_datatree(folder / "results" / "latest" / "results.nc")


def said(results, block):
    code = int(results["flow"]["VEL-A__burst_reason"].values[block])
    return {name for k, name in enumerate(BURST_REASONS) if code > 0 and code & (1 << k)}


@pytest.mark.slow
def test_each_bad_burst_has_its_reason_and_no_number_and_the_others_stand(tmp_path, burst_maker):
    results = run(mission(tmp_path / "m", burst_maker))
    friction = results["flow"]["friction_velocity"].values
    flux, code = (results["exchange"][n].values for n in ("oxygen_flux_covariance", "oxygen_flux_covariance_reason"))

    bad = [EMPTY, ALL_MISSING, ONE_MISSING, CONSTANT, DOUBLE_RATE]
    assert np.isnan(friction[bad]).all()
    assert np.isnan(flux[[*bad, STUCK_OXYGEN]]).all()
    good = [k for k in range(12) if k not in {*bad, STUCK_OXYGEN}]
    assert np.isfinite(friction[[*good, STUCK_OXYGEN]]).all()
    assert np.isfinite(flux[good]).all()
    assert said(results, EMPTY) & {"too_few_samples", "all_missing"}
    assert "all_missing" in said(results, ALL_MISSING)
    assert said(results, ONE_MISSING)
    assert "constant" in said(results, CONSTANT)
    assert "wrong_rate" in said(results, DOUBLE_RATE)
    assert int(code[STUCK_OXYGEN]) & (Reason.CONSTANT | Reason.EMPTY)
    reach = results["exchange"]["footprint_length"]
    assert 10.0 < np.nanmin(reach.values) <= np.nanmax(reach.values) < 100.0
    assert "outside" in reach.attrs["comment"]
    # No pressure anywhere: the currents stand, and nothing of the water's height is invented.
    assert not np.isfinite(results["flow"]["peak_wave_period"].values[bad]).any()


@pytest.mark.slow
@pytest.mark.parametrize("height", [0.05, 0.10])
def test_a_height_that_cannot_be_gives_reasons_and_no_number(tmp_path, burst_maker, height):
    results = run(mission(tmp_path / "m", burst_maker, height=height))

    assert np.isnan(results["flow"]["friction_velocity"].values).all()
    assert all("height_impossible" in said(results, k) for k in (0, 2, 5))
    exchange = results["exchange"].to_dataset() if "exchange" in results.children else xr.Dataset()
    for name in exchange.data_vars:
        if str(name).startswith("oxygen_flux"):
            values = exchange[name].values
            assert str(name).endswith(("_flag", "_reason")) or np.isnan(values).all()


@pytest.mark.slow
def test_oxygen_by_volume_without_any_salinity_is_refused_in_words(tmp_path, burst_maker):
    folder = mission(tmp_path / "m", burst_maker)
    layout = folder / "layouts" / "fast.toml"
    layout.write_text(layout.read_text().replace('"oxygen"\nunit = "µmol/kg"', '"oxygen_molar"\nunit = "µmol/L"'))
    run(folder)

    rows = read_results(folder).estimates
    row = rows[(rows["quantity"] == "oxygen_flux") & (rows["method"] == "covariance")].iloc[0]
    assert np.isnan(row["value"])
    assert "salinity of the water" in row["reason"]
