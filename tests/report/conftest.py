"""A results folder with invented numbers of an invented mission, made by the writers that the chain uses."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from reeftally.analysis.estimates import Estimates
from reeftally.analysis.results import write_results
from reeftally.mission import read_book, to_ns

BOOK = """\
format = 1

[mission]
name = "INV-1"
title = "An invented basin <with> an awkward & title"
start = 2031-03-25T20:00:00Z
end = 2031-03-27T08:00:00Z
question = "Most of the pH difference between the basin and the open water outside is made by respiration."
licence = "CC-BY-4.0"
investigators = "the lead of an invented crew"

[site]
name = "Invented Basin"
latitude_deg = -14.20
longitude_deg = 78.50
utc_offset_h = 5.0
water_depth_m = 6.4
bottom = "rubble"
canopy_height_m = 0.14
displacement_height_m = 0.10
displacement_height_sd_m = 0.02
residence_time_h = 34.0
residence_time_sd_h = 5.0
magnetic_declination_deg = 0.0

[[communities]]
name = "rubble with sponges"

[[stations]]
name = "mast"
role = "bed"

[[instruments]]
label = "OXY-1"
kind = "optode"
serial = "0001"
layout = "optode"
sample_interval_s = 5.0
response_time_s = 28.0
response_time_sd_s = 2.0
salinity_setting = 0.0

[[instruments.terms]]
quantity = "oxygen"
noise_sd = 0.10
offset_sd = 3.0

[[deployments]]
instrument = "OXY-1"
station = "mast"
start = 2031-03-25T20:00:00Z
end = 2031-03-27T08:00:00Z
height_above_bed_m = 0.35
height_sd_m = 0.01

[[targets]]
quantity = "oxygen_flux"
period = "night"
half_width_95 = 3.0
unit = "mmol m-2 h-1"

[[targets]]
quantity = "ph_change_local"
period = "mission"
half_width_95 = 0.002
unit = "1"

[[targets]]
quantity = "source_delta13C"
period = "mission"
half_width_95 = 2.0
unit = "permil"
"""

SITE = "Invented Basin"
START = np.datetime64("2031-03-25T20:00:00", "ns")
COUNT = 144
RATE = "mmol m-2 h-1"


def _frame() -> xr.Dataset:
    starts = START + np.arange(COUNT) * np.timedelta64(900, "s")
    bounds = np.stack([starts, starts + np.timedelta64(900, "s")], axis=1)
    data = xr.Dataset({"time_bounds": (("time", "bound"), bounds)}, coords={"time": starts})
    for name in ("time", "time_bounds"):
        data[name].encoding.update(units="seconds since 1970-01-01T00:00:00Z", dtype="int64", calendar="standard")
    return data


def _put(data, name, values, random, systematic=0.0, dims=("time",)):
    values = np.asarray(values, dtype=float)
    data[name] = (dims, values)
    data[f"{name}_random_sd"] = (dims, np.full(values.shape, random))
    data[f"{name}_systematic_sd"] = (dims, np.full(values.shape, systematic))
    data[f"{name}_flag"] = (dims, np.where(np.isfinite(values), 1, 9).astype(np.int8))


def groups(seed: int = 1) -> dict[str, xr.Dataset]:
    """Block series of 36 h; invented."""
    rng = np.random.default_rng(seed)
    hours = np.arange(COUNT) * 0.25 + 0.125
    local = (hours + 1.0) % 24.0
    light = np.clip(np.sin((local - 5.7) / 12.6 * np.pi), 0, None) * 870.0 * (local > 5.7) * (local < 18.3)
    lagged = np.cos((local - 17.2) / 24 * 2 * np.pi)
    tide = np.sin(hours / 12.42 * 2 * np.pi)
    gap = (hours > 14) & (hours < 16)
    chemistry = _frame()
    for name, values, random, systematic in (
        ("temperature", 28.4 + 0.25 * lagged, 0.01, 0.01),
        ("salinity", 35.1 + 0.02 * tide, 0.003, 0.02),
        ("oxygen", 183.7 + 9.0 * lagged, 0.4, 0.5),
        ("ph_total", 7.9991 + 0.0125 * lagged, 0.0009, 0.002),
        ("total_alkalinity", 2308.2 - 1.8 * lagged, 0.7, 1.5),
        ("dic", 2004.1 - 9.0 * lagged, 0.9, 1.7),
        ("aragonite_saturation", 3.50 + 0.07 * lagged, 0.008, 0.02),
        ("fco2", 449.0 - 17.0 * lagged, 1.2, 2.4),
    ):
        noisy = values + rng.normal(0, random, COUNT)
        noisy[gap] = np.nan
        _put(chemistry, name, noisy, random, systematic)
    _put(chemistry, "pressure", 6.5 + 0.5 * tide, 0.003)
    flow = _frame()
    speed = 0.03 + 0.10 * np.abs(np.cos(hours / 12.42 * 2 * np.pi))
    friction = 0.0095 * speed / 0.09
    _put(flow, "speed", speed + rng.normal(0, 0.003, COUNT), 0.001, 0.001)
    _put(flow, "direction_to", np.where(np.cos(hours / 12.42 * 2 * np.pi) > 0, 75.0, 255.0), 3.0)
    _put(flow, "friction_velocity", friction, 0.0004, 0.0004)
    for method, spread in (("covariance", 0.0012), ("log_law", 0.0009), ("dissipation", 0.0007)):
        _put(flow, f"friction_velocity_{method}", friction + rng.normal(0, spread, COUNT), spread, 0.0005)
    _put(flow, "dissipation_rate", 3e-6 * (friction / 0.0095) ** 3, 4e-7, 3e-7)
    _put(flow, "significant_wave_height", 0.25 + 0.02 * rng.normal(size=COUNT), 0.01)
    flow["par"] = ("time", light)
    exchange = _frame()
    truth = 23.0 * np.tanh(light / 330.0) - 13.0 * (np.maximum(friction, 0.003) / 0.0095) ** 0.35
    slack = speed < 0.04
    for method, spread, systematic in (("covariance", 2.6, 0.7), ("gradient", 1.4, 1.2)):
        values = truth + rng.normal(0, spread, COUNT)
        values[slack] = np.nan
        _put(exchange, f"oxygen_flux_{method}", values, spread, systematic)
    _put(exchange, "dic_flux_gradient", -0.95 * truth - 0.4 + rng.normal(0, 2.5, COUNT), 2.5, 1.5)
    frequency = np.geomspace(0.002, 4.0, 60)
    exchange["frequency"] = ("frequency", frequency)
    spectrum = -6.0 * np.exp(-((np.log(frequency / 0.08)) ** 2) / 1.8)
    exchange["oxygen_cospectrum_mean"] = ("frequency", spectrum)
    exchange["oxygen_ogive_mean"] = ("frequency", np.cumsum(spectrum[::-1])[::-1] * 0.13)
    ledger = _frame().assign_coords(driver=("driver", ["organic", "carbonate", "gas_exchange", "residual"]))
    effects = np.stack([-0.029 + 0.012 * lagged, -0.0025 + 0.001 * lagged, np.full(COUNT, 0.0008), 0.0001 * lagged], 1)
    _put(ledger, "ph_change", effects, 0.001, 0.003, dims=("time", "driver"))
    return {"chemistry": chemistry, "flow": flow, "exchange": exchange, "ledger": ledger}


def _estimates(mission: Path) -> Estimates:
    book = read_book(mission)
    start, end = to_ns(book.mission.start), to_ns(book.mission.end)
    out = Estimates()

    def add(
        quantity,
        method,
        value,
        random,
        systematic,
        *,
        period="mission",
        span=(start, end),
        subject=SITE,
        unit="",
        n=COUNT,
        trail="account",
        **more,
    ):
        out.from_parts(
            quantity=quantity,
            method=method,
            subject=subject,
            period=period,
            start_ns=span[0],
            end_ns=span[1],
            unit=unit,
            value=value,
            random_sd=random,
            systematic_sd=systematic,
            n=n,
            trail=trail,
            **more,
        )

    for label, value, sd in (("OXY-1", -3.1, 0.12), ("OXY-2", 0.6, 0.11), ("OXY-3", 4.35, 0.12)):
        add(
            "sensor_offset",
            "side_by_side",
            value,
            0.0,
            sd,
            period="instant",
            subject=label,
            unit="µmol kg-1",
            trail="side_by_side",
            channel="oxygen",
        )
        add(
            "sensor_offset",
            "swap",
            value + 0.05,
            0.0,
            0.5 * sd,
            period="instant",
            subject=label,
            unit="µmol kg-1",
            trail="gradient",
            channel="oxygen",
        )
    for label, value, sd in (("PHI-1", 0.0135, 0.0006), ("PHI-2", -0.0108, 0.0006)):
        add(
            "sensor_offset",
            "side_by_side",
            value,
            0.0,
            sd,
            period="instant",
            subject=label,
            trail="side_by_side",
            channel="ph_total",
        )
    add(
        "sensor_drift",
        "side_by_side",
        0.11,
        0.0,
        0.03,
        subject="OXY-1",
        unit="µmol kg-1 d-1",
        trail="side_by_side",
        channel="oxygen",
    )
    add("clock_offset", "comparisons", 3600.1, 0.2, 0.0, period="instant", subject="CTD-1", unit="s", trail="clocks")
    spans = [("mission", (start, end))]
    for kind, rows in (("night", book.nights()), ("day", book.days()), ("24h", book.days24())):
        spans += [(kind, (max(r.start_ns, start), min(r.end_ns, end))) for r in rows]
    spans = [(kind, span) for kind, span in spans if span[1] - span[0] > 3_600_000_000_000]
    level = {"mission": -4.1, "night": -13.0, "day": 3.2, "24h": -3.6}
    for kind, span in spans:
        more = {"period": kind, "span": span, "n": 48}
        add("friction_velocity", "best_of_three", 0.0098, 0.0001, 0.0004, unit="m s-1", trail="currents", **more)
        add("oxygen_flux", "covariance", level[kind], 0.5, 0.7, unit=RATE, trail="covariance", **more)
        add("oxygen_flux", "gradient", level[kind] + 0.6, 0.3, 1.2, unit=RATE, trail="gradient", **more)
        add("dic_flux", "gradient_ph_alkalinity", -0.9 * level[kind], 0.9, 1.9, unit=RATE, trail="gradient_dic", **more)
        if kind == "24h":
            add(
                "oxygen_flux",
                "covariance",
                24 * level[kind],
                12.0,
                17.0,
                unit="mmol m-2 d-1",
                trail="covariance",
                **more,
            )
        low = {"night": -0.004, "day": 0.004}.get(kind, 0.0)
        add("ph_total", "trials", 7.9991 + low, 0.0002, 0.002, trail="chemistry", **more)
        add("aragonite_saturation", "trials", 3.50 + 6 * low, 0.001, 0.02, trail="chemistry", **more)
        add("dic", "trials", 2004.1 - 600 * low, 0.1, 1.7, unit="µmol kg-1", trail="chemistry", **more)
        add(
            "local_dic_excess",
            "reef_minus_reference",
            15.3 - 600 * low,
            0.3,
            1.9,
            unit="µmol kg-1",
            trail="chemistry",
            **more,
        )
        for method, factor in (("shapley_from_past", 0.94), ("shapley_from_reference", 1.0)):
            rows = {
                "organic": (-0.0290 + low, 0.003),
                "carbonate": (-0.0025, 0.0016),
                "gas_exchange": (0.0008, 0.0003),
                "temperature": (0.0001, 0.0002),
                "freshwater": (0.0, 0.0001),
                "residual": (-0.0002, 0.0021),
            }
            if method == "shapley_from_past":
                rows["global"] = (-0.1347 / factor, 0.0021)
            for driver, (value, sd) in rows.items():
                add(f"ph_change_{driver}", method, factor * value, 0.2 * sd, sd, **more)
            add("ph_change_local", method, factor * (-0.0307 + low), 0.0006, 0.0034, **more)
            add("ph_change_total", method, sum(factor * v for v, _ in rows.values()), 0.0006, 0.0028, **more)
            add("aragonite_saturation_change_organic", method, -0.17 * factor, 0.004, 0.02, **more)
    add(
        "net_community_calcification",
        "budget_of_bottles",
        0.36,
        0.2,
        0.3,
        subject="rubble with sponges",
        unit=RATE,
        trail="alkalinity_budget",
    )
    for form, count, uptake in (("urn", 4, 23.0), ("pipe", 4, 0.53), ("cushion", 4, 1.9)):
        for k in range(count):
            name = f"{form}-{k + 1}"
            add(
                "visit_ph_difference",
                "carried_sensor",
                -0.014 - 0.001 * k,
                0.001,
                0.0005,
                period="instant",
                subject=name,
                trail="visits",
                n=1,
            )
            add(
                "individual_oxygen_uptake",
                "excurrent",
                uptake * (0.8 + 0.15 * k),
                0.1 * uptake,
                0.1 * uptake,
                subject=name,
                unit="mmol h-1",
                n=3,
                trail="organisms",
            )
    add(
        "community_share",
        "scaled_organisms",
        0.28,
        0.05,
        0.05,
        subject="rubble with sponges",
        unit="1",
        trail="organisms",
        n=12,
    )
    out.rows = [
        replace(row, budget="alkalinity of the laboratory 0.41; random 0.22; residence time 0.12")
        if row.period == "mission" and row.quantity in {"ph_change_local", "oxygen_flux", "ph_total"}
        else row
        for row in out.rows
    ]
    out.refuse(
        quantity="source_delta13C",
        method="mixing_line",
        subject=SITE,
        period="mission",
        start_ns=start,
        end_ns=end,
        unit="‰",
        reason="no bottle carries delta13C <b>",
        trail="account",
    )
    return out


def trail() -> dict:
    """A trail in the form that the chain writes; invented content."""
    entry = {
        "what": "Words <i>of</i> the method.",
        "functions": ["reeftally.exchange.eddy_covariance"],
        "equation": "F = <w'c'>",
        "sources": ["An invented source 2030, eq. 1"],
    }
    keys = (
        "account",
        "chemistry",
        "covariance",
        "gradient",
        "gradient_dic",
        "currents",
        "side_by_side",
        "clocks",
        "visits",
        "organisms",
        "alkalinity_budget",
    )
    return {
        "snapshot": 7,
        "book_revision": 2,
        "decisions": [{"id": "axis-VEL-B", "by": "lead"}],
        "software": {"reeftally": "0.1.0", "code": "abc123", "numpy": "2.4.0", "python": "3.11.2"},
        "settings": {
            "block_s": 900,
            "seed": 1,
            "block_trials": 1000,
            "period_trials": 10000,
            "von_karman": 0.41,
            "von_karman_sd": 0.01,
            "pq": 1.05,
            "pq_sd": 0.05,
            "rq": 0.952,
            "rq_sd": 0.05,
            "past_air_co2_umol_mol": 291.6,
            "friction_velocity_floor_m_s": 0.003,
            "constants": {"k1k2": "lueker2000", "ks": "dickson1990", "kf": "perez1987", "boron": "uppstrom1974"},
        },
        "site": {"name": SITE, "water_depth_m": 6.4},
        "methods": {key: {**entry, "what": f"{key}: {entry['what']}"} for key in keys},
        "inputs": {"OXY-1": ["a" * 64, "b" * 64], "VEL-A": ["c" * 64]},
        "records": {
            "OXY-1": {
                "samples": 25920,
                "flags": {"oxygen": {"1": 25000, "3": 500, "4": 420}},
                "limits": {"oxygen": {"gross_fail": [0, 500]}},
                "withheld": [],
            }
        },
        "velocimeters": {"VEL-A": {"rotation": "planar fit", "blocks": 144, "rate_hz": 32.0}},
        "refused_bursts": {"slack water": 9, "low correlation": 3},
        "sensors": {
            "oxygen": {
                "sensors": ["OXY-1", "OXY-2", "OXY-3"],
                "laboratories": [],
                "blocks": 40,
                "range": [178.0, 192.0],
                "offset": [-3.1, 0.6, 4.35],
                "offset_sd": [0.12, 0.11, 0.12],
                "noise": [0.05, 0.05, 0.06],
                "covariance": [],
            }
        },
        "reference_water": {
            "dic": {"value": 1988.8, "random_sd": 1.0, "from": "8 bottles"},
            "total_alkalinity": {"value": 2312.0, "random_sd": 0.9, "from": "8 bottles"},
        },
        "air": {"co2_now": 429.0, "co2_now_sd": 0.5, "co2_past": 291.6, "pressure_hpa": 1011.0, "from": "MET-1"},
        "notes": {"total_alkalinity": "from 12 bottles"},
        "largest_difference_of_parts_and_total": 3.1e-12,
    }


def build(folder: Path, *, book: str = BOOK, keep: set[str] | None = None, without: set[str] | None = None) -> Path:
    """Write the mission; `keep` limits the groups, `without` drops estimates by quantity."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "mission.toml").write_text(book, encoding="utf-8")
    estimates = _estimates(folder)
    if without:
        estimates.rows = [row for row in estimates.rows if row.quantity not in without]
    chosen = {name: data for name, data in groups().items() if keep is None or name in keep}
    write_results(folder, estimates=estimates, groups=chosen, trail=trail(), attributes={"title": "invented"})
    return folder


@pytest.fixture(scope="session")
def mission(tmp_path_factory):
    return build(tmp_path_factory.mktemp("report") / "INV-1")


@pytest.fixture(scope="session")
def build_mission():
    return build
