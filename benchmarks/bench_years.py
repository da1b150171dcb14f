"""Counts of intervals that hold the truth, over many standing records of twelve years (invented data).

    python benchmarks/bench_years.py --records 500
    python benchmarks/bench_years.py --records 500 --save counts.json --seconds 15    # a part now; again: the next part

Each record has its own months, sensor errors (drawn from the priors the book states), service bottles and overlap,
as `reeftally rehearse DIR --years 12` draws them, and goes through the functions of the chain: sensors referred to
bottles, trend, difference of two stations, step test. Files, flags and hours are left out, so that 500 records take
minutes.

Printed: how many of the 95 % intervals hold the truth (central 99.9 % band of the binomial for 500: 458 to 489), the
same for the ordinary fit, which is known to be too narrow, steps found where one of +0.015 was planted, steps claimed
in clean records, and the cost of one honest trend as a ratio to one ordinary fit in the same run.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import stats

from reeftally import ledger
from reeftally.rehearsal import years as y

OVERLAP_FLOOR = 0.0005
MISMATCH = 0.0015


@dataclass(frozen=True)
class Station:
    """One station of one record, as the chain sees it."""

    reading: np.ndarray
    value: np.ndarray
    shapes: np.ndarray
    step: ledger.Step | None


def station(record: y.YearRecord, name: str, *, drift: bool) -> Station:
    """Read, refer to bottles, test the change of sensor."""
    sensors = [s for s in record.sensors if s.station == name]
    rng = np.random.default_rng([record.seed, 11, len(sensors)])
    label = np.array(
        [next((s.label for s in sensors if s.start <= t < s.end), sensors[-1].label) for t in record.month]
    )
    error = np.zeros(record.month.size)
    for s in sensors:
        error[label == s.label] = s.error(record.month[label == s.label])
    reading = record.stations[name].month + error
    reading[record.missing] = np.nan
    at = record.year(record.visit_ns)
    near = [next((s for s in sensors if s.start <= t < s.end), None) for t in at]
    month = np.searchsorted(record.edges_ns, record.visit_ns, side="right") - 1
    use = np.array([s is not None for s in near]) & ~record.missing[month]
    misfit = np.array([s.error(np.asarray(t)) if s is not None else np.nan for s, t in zip(near, at, strict=True)])
    misfit = misfit - record.stations[name].bottle + y.NOISE_SD * rng.standard_normal(at.size)
    overlaps, change = [], None
    if len(sensors) == 2:
        change = float(record.year(record.change_ns))
        both = [float(s.error(np.asarray(change))) for s in sensors]
        noise = y.NOISE_SD * np.sqrt(2.0 / (24 * y.OVERLAP_DAYS)) * rng.standard_normal()
        seen = both[1] - both[0] + record.overlap + noise
        overlaps = [(sensors[0].label, sensors[1].label, change, seen, OVERLAP_FLOOR)]
    arguments = {
        "spans": {s.label: (s.start, s.end) for s in sensors},
        "offset_prior_sd": {s.label: 0.02 if s.label == "PHL-2" else y.OFFSET_SD for s in sensors},
        "drift_prior_sd": {s.label: y.DRIFT_SD_PER_DAY * y.YEAR_DAYS if drift else 0.0 for s in sensors},
        "label": [s.label if s is not None else "" for s in near],
        "time": at,
        "misfit": np.where(use, misfit, np.nan),
        "misfit_sd": float(np.hypot(y.BOTTLE_SD, MISMATCH)),
    }
    referred = ledger.refer_to_bottles(**arguments, overlaps=overlaps)
    step = None
    if change is not None:
        alone = ledger.refer_to_bottles(**arguments)
        step = ledger.step_test(
            time=record.month, value=reading, step_time=change, overlap_difference=overlaps[0][3],
            overlap_sd=overlaps[0][4],
            bottle_difference=alone.step(older=sensors[0].label, newer=sensors[1].label, time=change),
        )  # fmt: skip
    return Station(
        reading=reading,
        value=reading - referred.correction(label=label, time=record.month),
        shapes=referred.shapes(label=label, time=record.month),
        step=step,
    )


def holds(lower: float, upper: float, truth: float) -> int:
    """Return 1 where the interval holds the truth."""
    return int(lower <= truth <= upper)


def main() -> None:
    """Run the study and print its counts."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--records", type=int, default=500)
    parser.add_argument("--years", type=int, default=12)
    parser.add_argument("--clean", type=int, default=100, help="further records without a step")
    parser.add_argument("--save", type=Path, help="file of counts: goes on where it stopped")
    parser.add_argument("--seconds", type=float, default=np.inf, help="stop after so long; needs --save")
    options = parser.parse_args()
    held = {"done": 0, "clean": 0, "claimed": 0, "power": [], "count": {}, "clock": {}}
    if options.save is not None and options.save.exists():
        held = json.loads(options.save.read_text())
    count: Counter[str] = Counter(held["count"])
    power, clock = list(held["power"]), Counter(held["clock"])
    started = time.perf_counter()
    done = held["done"]
    for seed in range(held["done"] + 1, options.records + 1):
        if time.perf_counter() - started > options.seconds:
            break
        done = seed
        record = y.year_record(years=options.years, seed=seed)
        found = {name: station(record, name, drift=True) for name in ("basin", "offshore")}
        basin, offshore = found["basin"], found["offshore"]
        series = {
            "basin": (basin.value, basin.shapes, y.SLOPE["basin"], y.SD["basin"]),
            "offshore": (offshore.value, offshore.shapes, y.SLOPE["offshore"], y.SD["offshore"]),
            "basin minus offshore": (
                basin.value - offshore.value,
                np.hstack([basin.shapes, -offshore.shapes]),
                y.SLOPE["basin"] - y.SLOPE["offshore"],
                float(np.hypot(y.SD["basin"], y.SD["offshore"])),
            ),
        }
        for name, (value, shapes, truth, sd) in series.items():
            begun = time.perf_counter()
            fit = ledger.trend(time=record.month, value=value, calibration=shapes)
            clock["honest"] += time.perf_counter() - begun
            count[f"trend, {name}"] += holds(fit.lower, fit.upper, truth)
            half = 1.959964 * fit.ordinary_sd
            count[f"ordinary fit, {name}"] += holds(fit.ordinary_slope - half, fit.ordinary_slope + half, truth)
            slope, sigma, phi = fit.posterior.draw(size=4000, seed=seed)
            for what, draws, true in (
                ("noise sd", sigma, sd),
                ("correlation", phi, y.PHI),
                ("years to detect the air's trend", ledger.detection_years(trend=-0.0018, noise_sd=sigma, phi=phi),
                 float(ledger.detection_years(trend=-0.0018, noise_sd=sd, phi=y.PHI))),
                ("years to detect the fitted trend", ledger.detection_years(trend=slope, noise_sd=sigma, phi=phi),
                 float(ledger.detection_years(trend=truth, noise_sd=sd, phi=y.PHI))),
            ):  # fmt: skip
                count[f"{what}, {name}"] += holds(*np.percentile(draws, [2.5, 97.5]), true)
            if name == "basin":
                design = np.column_stack([np.ones(record.month.size), record.month])
                good = np.isfinite(value)
                begun = time.perf_counter()
                np.linalg.lstsq(design[good], value[good], rcond=None)
                clock["ordinary"] += time.perf_counter() - begun
        spliced = ledger.trend(time=record.month, value=basin.reading)
        count["trend of the record as read, step left in"] += holds(spliced.lower, spliced.upper, y.SLOPE["basin"])
        if basin.step is not None:
            count["step, interval"] += holds(basin.step.lower, basin.step.upper, record.step)
            count["step of +0.015 claimed with p < 0.01"] += int(basin.step.claimed)
            power.append(basin.step.series_power)
    clean, claimed = held["clean"], held["claimed"]
    while clean < options.clean and time.perf_counter() - started <= options.seconds:
        clean += 1
        other = station(y.year_record(years=options.years, seed=10_000 + clean, step=0.0), "basin", drift=True)
        claimed += int(other.step is not None and other.step.claimed)
    if options.save is not None:
        kept = {"done": done, "clean": clean, "claimed": claimed, "power": power, "count": count, "clock": clock}
        options.save.write_text(json.dumps(kept))
    low, high = stats.binom.ppf([0.0005, 0.9995], done, 0.95)
    print(f"{done} records of {options.years} years; band {low:.0f} to {high:.0f}")
    for name, number in count.items():
        print(f"{name:<58} {number:>4}")
    if power:
        print(f"power of the monthly series alone for a step of {y.STEP}: {np.mean(power):.2f} (mean over records)")
    print(f"steps claimed in {clean} clean records: {claimed}")
    ratio = clock["honest"] / (3.0 * clock["ordinary"])
    print(f"one honest trend costs {ratio:.0f} ordinary fits of the same run")


if __name__ == "__main__":
    main()
