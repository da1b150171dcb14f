"""Book, layouts, raw files, tables and truth of the record of many years.

Here:     `write_years`, `year_truth`.
Not here: what is true and what errs (`years`).
Rules:    the truth holds the quantities that the analysis of a long record estimates, by the same definitions.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import numpy as np

from reeftally._checks import FloatArray
from reeftally.ledger import detection_years
from reeftally.mission import solar
from reeftally.rehearsal import years as y
from reeftally.rehearsal.reef import generator
from reeftally.rehearsal.textout import Dialect, format_rows
from reeftally.rehearsal.truth import Row, Truth, write_truth
from reeftally.seawater import carbonate

__all__ = ["write_years", "year_truth"]

SITE_VALUE = 7.98
LATITUDE, LONGITUDE = -14.20, 78.50
AIR_AT_END = 429.0
AIR_SD = 0.3


def _iso(time_ns: int) -> str:
    return f"{np.datetime64(int(time_ns), 'ns').astype('datetime64[s]')}Z"


def _air(record: y.YearRecord) -> FloatArray:
    """Return CO2 of the air, mean of every year, such that water in equilibrium falls as the offshore water does."""
    water: dict[str, Any] = {
        "temperature": y.TEMPERATURE,
        "salinity": y.SALINITY,
        "total_alkalinity": y.ALKALINITY["offshore"],
    }
    last = float(carbonate.solve(xco2=AIR_AT_END, outputs=("ph_total",), **water)["ph_total"])
    middle = np.arange(record.years) + 0.5
    ph = last - y.SLOPE["offshore"] * (record.years - middle)
    return np.asarray(carbonate.solve(ph_total=ph, outputs=("xco2",), **water)["xco2"], dtype=np.float64)


def air_at(record: y.YearRecord, year: FloatArray) -> FloatArray:
    """Return CO2 of the air in time, on the straight lines through the means of the years (ends carried on)."""
    means, middle = _air(record), np.arange(record.years) + 0.5
    inner = np.interp(year, middle, means)
    low = means[0] + (year - middle[0]) * (means[1] - means[0])
    high = means[-1] + (year - middle[-1]) * (means[-1] - means[-2])
    return np.asarray(np.where(year < middle[0], low, np.where(year > middle[-1], high, inner)))


def _book(record: y.YearRecord) -> str:
    start, end = _iso(record.start_ns), _iso(int(record.edges_ns[-1]))
    lines = [
        f"# The mission book of a rehearsal of {record.years} years: an invented reef, invented data.",
        "",
        "format = 1",
        "",
        "[mission]",
        f'name = "OB-{record.years}Y"',
        f'title = "The standing record of Ossimer Basin, {record.years} years"',
        f"start = {start}",
        f"end = {end}",
        'question = "The pH of the basin falls faster than that of the open water outside."',
        'licence = "CC-BY-4.0"',
        'summary = "A rehearsal: invented data from a simulated reef with known truth."',
        'investigators = "invented crew"',
        'institution = "Lantern Hut"',
        "",
        "[site]",
        'name = "Ossimer Basin"',
        f"latitude_deg = {LATITUDE}              # deep open water in reality",
        f"longitude_deg = {LONGITUDE}",
        "utc_offset_h = 5.0",
        "water_depth_m = 6.4",
        'bottom = "rubble"',
        "canopy_height_m = 0.14",
        "displacement_height_m = 0.10",
        "displacement_height_sd_m = 0.02",
        "magnetic_declination_deg = 0.0",
    ]
    for name, role in (("basin", "ambient"), ("offshore", "reference"), ("rack", "side by side")):
        lines += ["", "[[stations]]", f'name = "{name}"', f'role = "{role}"']
        lines += ["water_depth_m = 60.0"] if role == "reference" else []
    for sensor in record.sensors:
        kind = "multi" if sensor.label == "FAR-1" else "isfet_ph"
        lines += [
            "",
            "[[instruments]]",
            f'label = "{sensor.label}"',
            f'kind = "{kind}"',
            f'serial = "{sensor.label}-7"',
        ]
        lines += ['layout = "standing"', "sample_interval_s = 3600.0"]
        lines += ["", "[[instruments.terms]]", 'quantity = "ph_total"', f"noise_sd = {y.NOISE_SD}"]
        lines += [f"offset_sd = {y.OFFSET_SD if sensor.label != 'PHL-2' else 0.02}"]
        lines += [f"drift_sd_per_day = {y.DRIFT_SD_PER_DAY:.1e}"]
        lines += ["", "[[instruments.terms]]", 'quantity = "temperature"', "noise_sd = 0.002", "offset_sd = 0.01"]
    for sensor in record.sensors:
        height = 2.0 if sensor.station == "basin" else 55.0
        lines += ["", "[[deployments]]", f'instrument = "{sensor.label}"', f'station = "{sensor.station}"']
        lines += [f"start = {_iso(record.ns(sensor.start))}", f"end = {_iso(record.ns(sensor.end))}"]
        lines += [f"height_above_bed_m = {height}", "height_sd_m = 0.02"]
    change = record.change_ns
    if change is not None:
        lines += ["", "[[intercalibrations]]", 'name = "change of the basin sensor"']
        lines += [f"start = {_iso(change - y.OVERLAP_DAYS * y.DAY_NS)}", f"end = {_iso(change)}"]
        lines += ['instruments = ["PHL-1", "PHL-2"]', "height_above_bed_m = 2.0", 'state = "cleaned"']
    lines += ["", "# ---- values from elsewhere ----"]
    for number, value in enumerate(_air(record)):
        lines += ["", "[[references]]", 'quantity = "air_co2"', f"value = {value:.3f}", f"sd = {AIR_SD}"]
        lines += [
            f"start = {y.FIRST_YEAR + number}-01-01T00:00:00Z",
            f"end = {y.FIRST_YEAR + number + 1}-01-01T00:00:00Z",
        ]
        lines += ['source = "invented: yearly mean in the air over the reef"']
    lines += ["", "[[references]]", 'quantity = "ph_site_value"', f"value = {SITE_VALUE}", "sd = 0.0"]
    lines += ['source = "invented: the low nights of the first years, chosen for this site"']
    lines += ["", "[analysis]", "block_s = 3600", f"seed = {record.seed}", ""]
    lines += ["[analysis.gross_range]", "ph_total = [7.0, 9.0, 7.7, 8.3]", "temperature = [-2.0, 40.0, 24.0, 33.0]"]
    lines += ["salinity = [2.0, 42.0, 33.0, 37.0]", ""]
    return "\n".join(lines)


_LAYOUT = """# hourly means of a standing pH sensor
format = 1
name = "standing"
description = "hourly means of a standing pH sensor"

[match]
filename = "*_????.csv"
line = "^# standing pH sensor"

[instrument]
from = "filename"
pattern = "^([A-Z]+-[0-9]+)_"

[text]
encoding = "utf-8"
delimiter = ","
decimal_mark = "."
comment = "#"
header = "names"
header_start = "time"
missing = ["NaN", ""]

[time]
columns = ["time"]
format = "%Y-%m-%dT%H:%M:%S"
zone = "UTC"
stamp = "middle"
averaging_s = 3600.0

[[columns]]
name = "temperature_degC"
quantity = "temperature"
unit = "degC"
minimum = -2.0
maximum = 45.0

[[columns]]
name = "salinity"
quantity = "salinity"
unit = "1"
minimum = 0.0
maximum = 45.0

[[columns]]
name = "pH_total"
quantity = "ph_total"
unit = ""
minimum = 6.0
maximum = 9.5
"""


def write_years(base: Path, record: y.YearRecord) -> Truth:
    """Write the whole mission folder."""
    hours = y.hourly_record(record)
    for name in ("inbox", "layouts", "tables"):
        (base / name).mkdir(parents=True, exist_ok=True)
    (base / "mission.toml").write_text(_book(record), encoding="utf-8")
    (base / "layouts" / "standing.toml").write_text(_LAYOUT, encoding="utf-8")
    year = record.year(hours.time_ns)
    for sensor in record.sensors:
        _write_raw(base / "inbox", record, hours, sensor, year)
    _write_tables(base / "tables", record, hours)
    rows = year_truth(record, hours)
    write_truth(base / "truth.json", rows)
    return Truth(tuple(rows))


def _write_raw(
    inbox: Path, record: y.YearRecord, hours: y.HourlyRecord, sensor: y.SensorYears, year: FloatArray
) -> None:
    """Write one file a year; a sensor also writes while it stands side by side with the next or the last."""
    rng = generator(record.seed, f"years readings {sensor.label}")
    ph = hours.ph[sensor.station] + sensor.error(year) + y.NOISE_SD * rng.standard_normal(year.size)
    temperature = hours.temperature[sensor.station] + 0.002 * rng.standard_normal(year.size)
    salinity = y.SALINITY + 0.01 * rng.standard_normal(year.size)
    low, high = sensor.start, sensor.end
    change = record.change_ns
    if change is not None and sensor.station == "basin":
        meet = float(record.year(change))
        low = min(low, meet - y.OVERLAP_DAYS / y.YEAR_DAYS) if low >= meet - 0.5 else low
        high = max(high, meet) if high <= meet else high
    # Side by side, before its own place begins, the newer sensor sees a slightly other water.
    ph = ph + np.where(year < sensor.start, record.overlap, 0.0)
    on = hours.present & (year >= low) & (year < high)
    calendar = hours.time_ns.astype("datetime64[ns]").astype("datetime64[Y]").astype(int) + 1970
    columns = np.column_stack([temperature, salinity, ph])
    for number in np.unique(calendar[on]):
        use = on & (calendar == number)
        with (inbox / f"{sensor.label}_{number}.csv").open("wb") as file:
            file.write(f"# standing pH sensor {sensor.label}\ntime,temperature_degC,salinity,pH_total\n".encode())
            file.write(format_rows(hours.time_ns[use], columns[use], (3, 3, 5), Dialect("iso")))


_BOTTLE = (
    "bottle", "time", "station", "height_above_bed_m", "near", "temperature", "salinity", "total_alkalinity",
    "total_alkalinity_sd", "ph_total", "ph_sd", "ph_temperature", "laboratory", "flag", "note",
)  # fmt: skip


def _write_tables(tables: Path, record: y.YearRecord, hours: y.HourlyRecord) -> None:
    bottles: list[list[object]] = []
    done = "cleaned, bottles beside both sensors"
    events: list[list[object]] = [[_iso(int(t)), "", "service visit", done, "divers"] for t in record.visit_ns]
    at = np.searchsorted(hours.time_ns, record.visit_ns)
    for station in ("basin", "offshore"):
        rng = generator(record.seed, f"years bottles {station}")
        alkalinity = y.ALKALINITY[station] + y.ALKALINITY_SD * rng.standard_normal(record.visit_ns.size)
        for number, time_ns in enumerate(record.visit_ns):
            year = float(record.year(time_ns))
            beside = next((s.label for s in record.sensors if s.station == station and s.start <= year < s.end), "")
            ph = hours.ph[station][at[number]] + record.stations[station].bottle[number]
            temperature = f"{hours.temperature[station][at[number]]:.2f}"
            bottles.append(
                [f"{'B' if station == 'basin' else 'F'}{number + 1:03d}", _iso(int(time_ns)), station,
                 2.0 if station == "basin" else 55.0, beside, temperature, f"{y.SALINITY:.2f}",
                 f"{alkalinity[number]:.1f}", y.ALKALINITY_SD, f"{ph:.4f}", y.BOTTLE_SD, temperature, "hut", 2, ""]
            )  # fmt: skip
    change = record.change_ns
    if change is not None:
        events.append([_iso(change), "PHL-2", "sensor change", "PHL-1 replaced by PHL-2", "chemist"])
    bottles.sort(key=lambda row: (str(row[1]), str(row[0])))
    events.sort(key=lambda row: str(row[0]))
    _write(tables / "bottles.csv", list(_BOTTLE), bottles)
    _write(tables / "interventions.csv", ["time", "instrument", "kind", "note", "who"], events)


def _write(path: Path, head: list[str], rows: list[list[object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(head)
        writer.writerows(rows)


def _slope_of(year: FloatArray, values: FloatArray) -> float:
    columns = [np.ones(year.size), year]
    for k in (1, 2):
        columns += [np.cos(2 * np.pi * k * year), np.sin(2 * np.pi * k * year)]
    return float(np.linalg.lstsq(np.column_stack(columns), values, rcond=None)[0][1])


def year_truth(record: y.YearRecord, hours: y.HourlyRecord) -> list[Row]:
    """Return what the analysis of the record should find."""
    rows: list[Row] = []
    whole = {"period": "mission", "start": _iso(record.start_ns), "end": _iso(int(record.edges_ns[-1]))}

    def add(quantity: str, subject: str, value: float, unit: str, **keys: Any) -> None:
        rows.append({"quantity": quantity, "subject": subject, **whole, "value": float(value), "unit": unit, **keys})

    which = np.searchsorted(record.edges_ns, hours.time_ns, side="right") - 1
    warmth = np.bincount(which, weights=hours.temperature["basin"]) / np.bincount(which)
    equilibrium = carbonate.solve(
        xco2=air_at(record, record.month),
        total_alkalinity=y.ALKALINITY["basin"],
        temperature=warmth,
        salinity=y.SALINITY,
        outputs=("ph_total",),
    )["ph_total"]
    air_slope = _slope_of(record.month, np.asarray(equilibrium))
    local_sd = float(np.hypot(y.SD["basin"], y.SD["offshore"]))
    local = y.SLOPE["basin"] - y.SLOPE["offshore"]
    for station in ("basin", "offshore"):
        for method in ("gls_ar1", "theil_sen"):
            add("ph_trend", station, y.SLOPE[station], "year-1", method=method)
        add("ph_noise_sd", station, y.SD[station], "")
        add("ph_noise_correlation", station, y.PHI, "1")
        add("ph_season_amplitude", station, y.SEASON, "")
    add("ph_trend_local", "basin", local, "year-1", method="gls_ar1_minus_reference")
    add("ph_trend_local", "basin", y.SLOPE["basin"] - air_slope, "year-1", method="gls_ar1_minus_equilibrium")
    add("ph_trend_equilibrium", "basin", air_slope, "year-1")
    for quantity, subject, slope, sd in (
        ("", "basin", y.SLOPE["basin"], y.SD["basin"]),
        ("", "offshore", y.SLOPE["offshore"], y.SD["offshore"]),
        ("_local", "basin", local, local_sd),
    ):
        fitted = float(detection_years(trend=slope, noise_sd=sd, phi=y.PHI))
        as_air = float(detection_years(trend=air_slope, noise_sd=sd, phi=y.PHI))
        add(f"years_to_detect{quantity}", subject, fitted, "year", method="weatherhead_fitted_trend")
        add(f"years_to_detect{quantity}", subject, as_air, "year", method="weatherhead_air_trend")
        add(f"time_of_emergence{quantity}", subject, 2.0 * sd / abs(slope), "year")
    change = record.change_ns
    if change is not None:
        instant = {"period": "instant", "start": _iso(change), "end": _iso(change)}
        add("sensor_step", "PHL-2", record.step, "", channel="ph_total", **instant)
    for sensor in record.sensors:
        middle = _iso(record.ns(sensor.middle))
        add("sensor_offset", sensor.label, sensor.offset, "", channel="ph_total", period="instant",
            start=middle, end=middle)  # fmt: skip
        add("sensor_drift", sensor.label, sensor.drift / y.YEAR_DAYS, "d-1", channel="ph_total",
            start=_iso(record.ns(sensor.start)), end=_iso(record.ns(sensor.end)))  # fmt: skip
    gap = record.edges_ns[:-1][record.missing]
    if gap.size:
        add("planted_fault", "basin", float(gap.size), "month", kind="gap", period="instant", start=_iso(int(gap[0])),
            end=_iso(int(record.edges_ns[1:][record.missing][-1])))  # fmt: skip
    rows += _status_truth(record, hours)
    return rows


def _status_truth(record: y.YearRecord, hours: y.HourlyRecord) -> list[Row]:
    """Return what every calendar year of the basin was, where no month is missing."""
    rows: list[Row] = []
    nights = solar.nights(record.start_ns, int(record.edges_ns[-1]), LATITUDE, LONGITUDE, utc_offset_h=y.LOCAL_OFFSET_H)
    ph, local = hours.ph["basin"], hours.ph["basin"] - hours.ph["offshore"]
    for number in range(record.years):
        low, high = int(record.edges_ns[12 * number]), int(record.edges_ns[12 * number + 12])
        if record.missing[12 * number : 12 * number + 12].any():
            continue
        use = (hours.time_ns >= low) & (hours.time_ns < high)
        minima = []
        for night in nights:
            a, b = np.searchsorted(hours.time_ns, [night.start_ns, night.end_ns])
            if low <= night.start_ns < high and night.end_ns <= int(record.edges_ns[-1]):
                minima.append(ph[a:b].min())
        # Days of UTC; a year holds whole ones.
        spread = np.ptp(ph[use].reshape(-1, 24), axis=1).mean()
        common = {"subject": "basin", "period": "season", "start": _iso(low), "end": _iso(high)}
        for quantity, value, unit in (
            ("ph_total", ph[use].mean(), ""),
            ("ph_total_night_minimum", np.mean(minima), ""),
            ("ph_total_daily_range", spread, ""),
            ("ph_total_hours_below_site_value", float((ph[use] < SITE_VALUE).sum()), "h"),
            ("ph_reef_minus_reference", local[use].mean(), ""),
        ):
            rows.append({"quantity": quantity, **common, "value": float(value), "unit": unit})
    return rows
