"""How quiet the alarms are on ten days without faults, and how soon they tell a planted one.

Run:      python benchmarks/alarms.py --seeds 3 --faults 40
Prints:   alarms a day without faults; median and 90 % point of the time to alarm by kind of fault; what was missed.
Method:   the book of the invented ten-day mission without its fast instruments is rehearsed without any fault and
          taken in. Faults are then worked into copies of single records at random times: a value that stands still, a
          silence, values out of range, and a pH drift of 0.02 a day. The time to alarm is that of the record: the stamp
          at which the alarm could first be raised less the start of the fault (of a drift: less the time at which it
          had reached 0.01).
"""

from __future__ import annotations

import argparse
import tempfile
from collections import defaultdict
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from reeftally.analysis.alarms import (
    drift_alarms,
    settings_for,
    silence_alarms,
    stream_alarms,
)
from reeftally.analysis.context import Context, open_context
from reeftally.analysis.mission_alarms import alarms_of
from reeftally.analysis.records import load_slow
from reeftally.intake import take_in
from reeftally.mission import to_ns
from reeftally.quality.record import RESTING
from reeftally.quality.thresholds import SPANS
from reeftally.rehearsal import rehearse_book
from reeftally.rehearsal.book import book_text, write_layouts
from reeftally.rehearsal.highrate import make_world
from reeftally.rehearsal.reef import INSTRUMENTS

FAST = ("VEL-A", "VEL-B", "FAST-O", "PRO-N", "PRO-W")
HOUR = 3600.0
WINDOW = 26.0 * HOUR
DRIFT_PER_DAY = 0.02


def mission(folder: Path, seed: int) -> Any:
    """Rehearse the ten days without faults, take them in, reduce them to blocks."""
    world = make_world("full", seed)
    labels = tuple(label for label in (world.script.instruments or INSTRUMENTS) if label not in FAST)
    folder.mkdir(parents=True)
    (folder / "mission.toml").write_text(book_text(world, labels), encoding="utf-8")
    write_layouts(world, folder / "layouts", labels)
    (folder / "tables").mkdir()
    rehearse_book(folder, seed=seed)
    take_in(folder, now_ns=0)
    return taken(folder)


def taken(folder: Path) -> Any:
    """Reduce a mission that is taken in to blocks."""
    context = open_context(folder)
    slow, _ = load_slow(context, context.grid)
    return SimpleNamespace(context=context, slow=slow, grid=context.grid)


def records(context: Context) -> list[tuple[str, str, float]]:
    """Return label, channel and interval of every fixed record that alarms look at."""
    out = []
    for row in context.book.instruments:
        places = context.book.deployments_of(row.label)
        if not places or any(context.book.station(d.station).role == "carried" for d in places):
            continue
        names = context.store.streams()[row.label].channels
        out += [(row.label, name, row.sample_interval_s) for name in names if name in SPANS]
    return out


def plant(chain: Any, rng: np.random.Generator, kind: str) -> float | None:
    """Work one fault into one record and return the time to alarm; None where none was raised. [s]"""
    context = chain.context
    start, end = to_ns(context.book.mission.start) / 1e9, to_ns(context.book.mission.end) / 1e9
    if kind == "drift":
        return _drift(chain, rng, start, end)
    usable = [r for r in records(context) if kind != "stuck" or r[1] not in RESTING]
    while True:
        label, channel, interval = usable[int(rng.integers(len(usable)))]
        onset = float(rng.uniform(start + WINDOW, end - 6 * HOUR))
        low, high = round((onset - 24 * HOUR) * 1e9), round((onset + 4 * HOUR) * 1e9)
        record = context.read(label, start_ns=low, end_ns=high, channels=[channel])
        time, values = record.seconds(), np.asarray(record.channels.get(channel, []), dtype=np.float64)
        after = time >= onset
        if time.size > 20 and after.sum() > 2:
            break
    if kind == "silent":
        found = silence_alarms(
            instrument=label, time=time[~after], interval=interval, expected=[(time[0], onset + 4 * HOUR)],
            now=onset + 4 * HOUR,
        )  # fmt: skip
    else:
        values = values.copy()
        values[after] = values[np.flatnonzero(after)[0]] if kind == "stuck" else SPANS[channel].sensor[1] * 1.2
        settings = settings_for(quantity=channel, interval=interval, values=values[~after])
        assert settings is not None
        found = stream_alarms(instrument=label, quantity=channel, time=time, values=values, settings=settings)
    raised = [a.raised_ns / 1e9 - onset for a in found if a.kind == kind and a.raised_ns / 1e9 >= onset]
    return min(raised) if raised else None


def _drift(chain: Any, rng: np.random.Generator, start: float, end: float) -> float | None:
    series = {
        label: blocks.channels["ph_total"].mean
        for label, blocks in chain.slow.items()
        if "ph_total" in blocks.channels
        and all(
            chain.context.book.station(d.station).role in {"bed", "ambient", "side by side"}
            for d in chain.context.book.deployments_of(label)
        )
    }
    label = sorted(series)[int(rng.integers(len(series)))]
    seconds = chain.grid.seconds
    while True:
        onset = float(rng.uniform(start + 48 * HOUR, end - 48 * HOUR))
        # Blocks that the crew took out show no drift.
        if np.isfinite(series[label][(seconds > onset) & (seconds < onset + 24 * HOUR)]).mean() > 0.8:
            break
    added = np.clip(seconds - onset, 0.0, None) / 86400.0 * DRIFT_PER_DAY * float(rng.choice([-1.0, 1.0]))
    found = drift_alarms(quantity="ph_total", seconds=seconds, series={**series, label: series[label] + added})
    reached = onset + 0.01 / DRIFT_PER_DAY * 86400.0
    raised = [a.raised_ns / 1e9 - reached for a in found if a.raised_ns / 1e9 > onset and label in a.text]
    return min(raised) if raised else None


def main() -> None:
    """Run the study and print its table."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--seeds", type=int, default=3)
    options.add_argument("--faults", type=int, default=40, help="of each kind and seed")
    options.add_argument("--folder", type=Path, help="a mission that is already taken in, instead of a rehearsal")
    given = options.parse_args()
    times: dict[str, list[float | None]] = defaultdict(list)
    quiet = []
    for seed in range(1, given.seeds + 1):
        with tempfile.TemporaryDirectory() as held:
            chain = mission(Path(held) / "mission", seed) if given.folder is None else taken(given.folder)
            book = chain.context.book
            found = alarms_of(chain, start_ns=to_ns(book.mission.start), end_ns=to_ns(book.mission.end))
            days = (to_ns(book.mission.end) - to_ns(book.mission.start)) / 86_400e9
            quiet.append(len(found) / days)
            print(f"seed {seed}: {len(found)} alarms in {days:g} days without faults", flush=True)
            for alarm in found:
                print(f"    {alarm.kind}: {alarm.text} ({alarm.why})")
            rng = np.random.default_rng([seed, 33])
            for kind in ("stuck", "silent", "range", "drift"):
                times[kind] += [plant(chain, rng, kind) for _ in range(given.faults)]
    print(f"alarms a day without faults: mean {np.mean(quiet):.2f}, most {max(quiet):.2f}")
    print("| fault | planted | told | median | 90 % within |\n|---|---|---|---|---|")
    for kind, values in times.items():
        told = np.array([v for v in values if v is not None])
        unit, size = ("h", HOUR) if kind == "drift" else ("min", 60.0)
        middle, most = np.percentile(told, [50, 90]) / size if told.size else (np.nan, np.nan)
        print(f"| {kind} | {len(values)} | {told.size} | {middle:.1f} {unit} | {most:.1f} {unit} |")


if __name__ == "__main__":
    main()
