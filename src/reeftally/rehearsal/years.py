"""The twelve-year companion record: monthly pH offshore and in the basin, with known trend.

Here:     `rehearse_years`.
Not here: trends (`ledger`), the ten-day mission (`rehearse`).
Rules:    same seed, same bytes; the planted step, gap and slopes stand in the truth.
"""

from __future__ import annotations

import csv
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from reeftally._checks import FloatArray
from reeftally.errors import InputError
from reeftally.rehearsal.reef import generator
from reeftally.rehearsal.script import iso
from reeftally.rehearsal.truth import Truth

__all__ = ["rehearse_years"]

FIRST_YEAR = 2019
SLOPE = {"offshore": -0.0018, "basin": -0.0024}
MEAN = {"offshore": 8.045, "basin": 8.020}
SD = {"offshore": 0.008, "basin": 0.012}
PHI = 0.5
SEASON = 0.022
STEP = 0.015
STEP_YEAR = 5.0
GAP = (7.4, 7.4 + 7.0 / 12.0)
SERVICE_DAYS = 56.0


def _noise(rng: np.random.Generator, n: int, sd: float) -> FloatArray:
    """AR(1) noise of standard deviation `sd` and lag-one correlation `PHI`, stationary from the start."""
    out = np.empty(n)
    fresh = rng.standard_normal(n)
    out[0] = sd * fresh[0]
    for i in range(1, n):
        out[i] = PHI * out[i - 1] + sd * np.sqrt(1.0 - PHI**2) * fresh[i]
    return out


def rehearse_years(folder: Path | str, *, years: int = 12, seed: int = 1, step: float = STEP) -> Truth:
    """Write monthly records, service bottles and their truth into a folder.

    ``monthly.csv`` (time, station, ph_total, sd, sensor), ``bottles.csv`` (time, station, ph_total, sd,
    sensor_ph_total: the sensor beside), ``interventions.csv`` (time, station, kind, note) and ``truth.json``.

    Offshore falls by 0.0018 a year and the basin by 0.0024 (0.0006 of it local); season of amplitude 0.022,
    highest in winter (July); AR(1) noise with correlation 0.5 from month to month, standard deviation 0.008
    offshore and 0.012 in the basin; at year 5 the basin's sensor is changed for one that reads `step` higher;
    seven months are missing in year 8; service visits with bottles every eight weeks.

    Parameters
    ----------
    folder : path
        Made if it does not exist.
    years : int
        At least 3.
    seed : int
        Same seed, same bytes.
    step : float
        Offset of the second sensor; 0 for a clean record.

    Raises
    ------
    InputError
        Fewer than three years.
    """
    if years < 3:
        message = f"years is {years}; it needs at least 3."
        raise InputError(message)
    base = Path(folder)
    base.mkdir(parents=True, exist_ok=True)
    months = 12 * years
    at = np.asarray((np.arange(months) + 0.5) / 12.0, dtype=np.float64)
    start = datetime(FIRST_YEAR, 1, 1, tzinfo=UTC)

    def when(year: float) -> str:
        return iso(datetime.fromtimestamp(round(start.timestamp() + year * 365.25 * 86400.0), tz=UTC))

    changed = years > STEP_YEAR
    monthly: list[list[object]] = []
    bottles: list[list[object]] = []
    rows: list[dict[str, Any]] = []
    for station in ("offshore", "basin"):
        rng = generator(seed, f"years {station}")
        noise = _noise(rng, months, SD[station])

        def true(year: FloatArray, station: str = station, noise: FloatArray = noise) -> FloatArray:
            # Southern hemisphere: coldest, and pH highest, in July.
            season = SEASON * np.cos(2.0 * np.pi * (year - 0.55))
            return np.asarray(MEAN[station] + SLOPE[station] * year + season + np.interp(year, at, noise))

        second = (at >= STEP_YEAR) & (station == "basin")
        shown = true(at) + np.where(second, step, 0.0) + 0.001 * rng.standard_normal(months)
        missing = (at >= GAP[0]) & (at < GAP[1])
        for month in np.flatnonzero(~missing):
            serial = "PHL-2" if second[month] else "PHL-1"
            monthly.append(
                [when(at[month]), station, f"{shown[month]:.4f}", 0.001, serial if station == "basin" else "FAR-1"]
            )
        visits = np.arange(0.08, years, SERVICE_DAYS / 365.25)
        value = true(visits)
        beside = value + np.where((visits >= STEP_YEAR) & (station == "basin"), step, 0.0)
        taken = value + 0.003 * rng.standard_normal(visits.size)
        beside = beside + 0.002 * rng.standard_normal(visits.size)
        for index, year in enumerate(visits):
            dark = GAP[0] <= year < GAP[1]
            bottles.append([when(year), station, f"{taken[index]:.4f}", 0.003, "" if dark else f"{beside[index]:.4f}"])
        common = {"subject": station, "period": "season", "start": when(0.0), "end": when(float(years))}
        rows.append({"quantity": "ph_trend", **common, "value": SLOPE[station], "unit": "year-1"})
        rows.append({"quantity": "ph_noise_sd", **common, "value": SD[station], "unit": ""})
        rows.append({"quantity": "ph_noise_correlation", **common, "value": PHI, "unit": "1"})
        rows.append({"quantity": "ph_season_amplitude", **common, "value": SEASON, "unit": ""})
    span = {"period": "season", "start": when(0.0), "end": when(float(years))}
    local = SLOPE["basin"] - SLOPE["offshore"]
    rows.append({"quantity": "ph_trend_local", "subject": "basin", **span, "value": round(local, 10), "unit": "year-1"})
    events: list[list[object]] = []
    if changed:
        instant = {"period": "instant", "start": when(STEP_YEAR), "end": when(STEP_YEAR)}
        rows.append({"quantity": "sensor_step", "subject": "basin", **instant, "value": step, "unit": ""})
        events.append([when(STEP_YEAR), "basin", "sensor change", "PHL-1 replaced by PHL-2"])
    if GAP[0] < years:
        gap = {"period": "instant", "start": when(GAP[0]), "end": when(GAP[1])}
        rows.append(
            {"quantity": "planted_fault", "subject": "basin", **gap, "value": 7.0, "unit": "month", "kind": "gap"}
        )
    _write(base / "monthly.csv", ["time", "station", "ph_total", "sd", "sensor"], monthly)
    _write(base / "bottles.csv", ["time", "station", "ph_total", "sd", "sensor_ph_total"], bottles)
    _write(base / "interventions.csv", ["time", "station", "kind", "note"], events)
    text = ",\n".join(json.dumps(row, ensure_ascii=False) for row in rows)
    (base / "truth.json").write_text(f"[\n{text}\n]\n", encoding="utf-8")
    return Truth(tuple(rows))


def _write(path: Path, head: list[str], rows: list[list[object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(head)
        writer.writerows(rows)
