"""A velocimeter's whole record with its fast oxygen: from the store to block estimates with spectra.

Run: python benchmarks/bench_flow_store.py MISSION [--long N] [--dask]

MISSION is a mission folder with a velocimeter and a fast oxygen sensor in its store (for example a full rehearsal,
taken in and checked). Each task runs in a process of its own:

- baseline: reads the same samples from the same files and does one transform a channel and block, nothing else;
- chain: opens the store, chooses the axes, makes every block's record (screening, despiking, rotation, spectra,
  stress, dissipation, waves), pools the lag and makes the covariance flux of every block. Nothing is remembered from
  earlier runs. Two threads.
- ``--long N``: the same on a store that holds the record N times over, one after the other: cost against length.
- ``--dask``: the chain by one and by two Dask workers of one thread; what this process does itself (the pooled lag, the
  covariances) takes as many threads as there are workers.

Prints seconds of wall and of processor, ratio to the baseline of the same run, blocks and samples, peak memory of the
process (workers of Dask apart).
"""

from __future__ import annotations

import argparse
import json
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

VELOCITY = ("velocity_x", "velocity_y", "velocity_z")


def stand_in(mission: Path, place: Path) -> Path:
    """Make a folder that has the mission's store and book but no memory of blocks; return it."""
    folder = Path(tempfile.mkdtemp(dir=place))
    for name in ("mission.toml", "book", "layouts", "tables", "log"):
        source = mission / name
        if source.is_dir():
            shutil.copytree(source, folder / name)
        elif source.exists():
            shutil.copy(source, folder / name)
    (folder / "observations").mkdir()
    shutil.copy(mission / "observations" / "catalogue.sqlite", folder / "observations")
    (folder / "observations" / "segments").symlink_to((mission / "observations" / "segments").resolve())
    return folder


def pair(folder: Path) -> tuple[str, str]:
    """Return the velocimeter with a fast oxygen sensor, and that sensor."""
    from reeftally.mission import read_book

    book = read_book(folder)
    for place in book.deployments:
        if place.velocimeter and book.instrument(place.instrument).kind == "fast_oxygen":
            return place.velocimeter, place.instrument
    sys.exit("no fast oxygen sensor beside a velocimeter in this book")


def lengthened(mission: Path, place: Path, times: int) -> Path:
    """Make a mission whose velocimeter and fast sensor hold their record `times` times, one after the other."""
    from reeftally.store import open_store

    folder = Path(tempfile.mkdtemp(dir=place))
    text = (mission / "mission.toml").read_text(encoding="utf-8")
    end = re.search(r"^end = (\S+)", text, re.MULTILINE)
    start = re.search(r"^start = (\S+)", text, re.MULTILINE)
    assert end is not None
    assert start is not None
    first, last = (datetime.fromisoformat(m.group(1).replace("Z", "+00:00")) for m in (start, end))
    length = last - first
    later = (first + times * length).strftime("%Y-%m-%dT%H:%M:%SZ")
    velocimeter, fast = pair(mission)
    # Places of the other instruments would overlap once their ends are moved; their records are not copied.
    blocks = re.split(r"(?m)^(?=\[)", text)
    kept = [
        block for block in blocks
        if not block.startswith(("[[deployments]]", "[[intercalibrations]]"))
        or re.search(rf'^instrument = "({velocimeter}|{fast})"', block, re.MULTILINE)
    ]  # fmt: skip
    text = "".join(kept).replace(f"end = {end.group(1)}", f"end = {later}")
    (folder / "mission.toml").write_text(text, encoding="utf-8")
    for name in ("layouts", "tables", "log"):
        if (mission / name).exists():
            shutil.copytree(mission / name, folder / name)
    day = timedelta(days=1) // timedelta(microseconds=1) * 1000
    source = open_store(mission)
    span = int(length / timedelta(microseconds=1)) * 1000
    begin = int(first.timestamp()) * 10**9
    with open_store(folder, write=True) as store:
        for copy in range(times):
            for low in range(begin, begin + span, day // 4):
                writer = store.writer("copy")
                for label in (velocimeter, fast):
                    rows = source.read(label, start_ns=low, end_ns=min(low + day // 4, begin + span))
                    rows = {name: values for name, values in rows.items() if name != "_load"}
                    rows["time"] = rows["time"] + copy * span
                    if rows["time"].size:
                        writer.append(label, rows, f"{label}{copy}{low}", 0, 1)
                writer.commit()
    return folder


def baseline(folder: Path) -> dict[str, Any]:
    """Read every sample and transform every channel of every block."""
    import pyarrow.parquet as pq
    import scipy.fft

    velocimeter, fast = pair(folder)
    segments = folder / "observations" / "segments"
    begin = time.perf_counter(), time.process_time()
    samples = blocks = 0
    for label, names, rate in ((velocimeter, VELOCITY, 32), (fast, ("oxygen_molar",), 8)):
        size = 900 * rate
        left: np.ndarray = np.empty((len(names), 0), dtype=np.float32)
        for path in sorted(segments.glob(f"{label}-1-*.parquet")):
            table = pq.read_table(path, columns=["time", *names])
            data = np.stack([np.asarray(table[name]) for name in names])
            left = np.concatenate([left, data], axis=1)
            whole = left.shape[1] // size
            for k in range(whole):
                scipy.fft.rfft(left[:, k * size : (k + 1) * size].astype(np.float64), axis=1)
            samples += whole * size
            blocks += whole
            left = left[:, whole * size :]
    return {"wall": time.perf_counter() - begin[0], "cpu": time.process_time() - begin[1], "samples": samples,
            "blocks": blocks}  # fmt: skip


def chain(folder: Path, workers: str | None, threads: int) -> dict[str, Any]:
    """Make all records and covariance fluxes of the velocimeter."""
    from reeftally import flow
    from reeftally.analysis.bursts import Workers, velocimeter_blocks
    from reeftally.analysis.context import open_context
    from reeftally.analysis.currents import join_currents
    from reeftally.analysis.fluxes import covariance_blocks

    rng = np.random.default_rng(1)
    for _ in range(2):  # compiled kernels are loaded before the clock starts
        flow.burst(velocity=0.05 * rng.standard_normal((3, 28800)), sample_rate=32.0, height=0.4, displacement=0.1)

    velocimeter, _ = pair(folder)
    with Workers(address=workers, threads=threads) as pool:
        if pool.client is not None:
            pool.client.wait_for_workers(int(workers or 1))
            pool.run(_warm, [(k,) for k in range(4)], lambda _: None)
        begin = time.perf_counter(), time.process_time()
        context = open_context(folder, revise=False)
        grid = context.grid
        series = velocimeter_blocks(
            context, grid, velocimeter, temperature=np.full(grid.count, 28.4), salinity=np.full(grid.count, 35.1),
            workers=pool, progress=lambda *_: None,
        )  # fmt: skip
        records = time.perf_counter() - begin[0]
        currents = join_currents(context, grid, [series], {})
        found = covariance_blocks(context, grid, series, currents, np.zeros(grid.count), threads=threads)
        wall, cpu = time.perf_counter() - begin[0], time.process_time() - begin[1]
    assert found is not None
    samples = sum(int(record["samples"]) for record in series.records.values())
    return {"wall": wall, "cpu": cpu, "records": records, "samples": samples, "blocks": len(series.records),
            "fluxes": int(np.isfinite(found.flux.flux).sum())}  # fmt: skip


def _warm(number: int) -> int:
    from reeftally import flow

    rng = np.random.default_rng(number)
    flow.burst(velocity=0.05 * rng.standard_normal((3, 28800)), sample_rate=32.0, height=0.4, displacement=0.1)
    return number


def child(task: str, folder: Path, *more: str) -> dict[str, Any]:
    """Run one task in its own process and return what it measured."""
    done = subprocess.run(
        [sys.executable, __file__, str(folder), "--child", task, *more], check=True, capture_output=True, text=True
    )
    return dict(json.loads(done.stdout.splitlines()[-1]))


def show(name: str, found: dict[str, Any], floor: float | None) -> None:
    ratio = "" if floor is None else f"{found['wall'] / floor:5.1f} x baseline"
    rate = found["samples"] / found["wall"] / 1e6
    print(
        f"{name:34s} {found['wall']:6.1f} s wall {found['cpu']:6.1f} s processor {found['blocks']:5d} blocks "
        f"{found['samples'] / 1e6:6.1f} M samples {rate:5.2f} M/s {found['peak_mb']:5.0f} MB {ratio}",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("mission", type=Path)
    parser.add_argument("--long", type=int, default=0)
    parser.add_argument("--dask", action="store_true")
    parser.add_argument("--work", type=Path, default=Path(tempfile.gettempdir()))
    parser.add_argument("--child", choices=["baseline", "chain"])
    parser.add_argument("--workers")
    parser.add_argument("--threads", type=int, default=2)
    args = parser.parse_args()
    if args.child:
        found = baseline(args.mission) if args.child == "baseline" else chain(args.mission, args.workers, args.threads)
        found["peak_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(json.dumps(found))
        return
    with tempfile.TemporaryDirectory(dir=args.work) as place:
        floor = child("baseline", stand_in(args.mission, Path(place)))
        show("baseline: read, one transform", floor, None)
        show("chain, two threads", child("chain", stand_in(args.mission, Path(place))), floor["wall"])
        if args.dask:
            one, two = (
                child("chain", stand_in(args.mission, Path(place)), "--workers", str(k), "--threads", str(k))
                for k in (1, 2)
            )
            show("one Dask worker of one thread", one, floor["wall"])
            show("two Dask workers of one thread", two, floor["wall"])
            print(f"two workers are {one['wall'] / two['wall']:.2f} times as fast as one; records alone "
                  f"{one['records'] / two['records']:.2f} times")  # fmt: skip
        if args.long:
            long = lengthened(args.mission, Path(place), args.long)
            show(f"chain, {args.long} times as long", child("chain", long), None)


if __name__ == "__main__":
    main()
