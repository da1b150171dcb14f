"""Speed and memory of intake, against a plain parse of the same file.

Run: python benchmarks/bench_intake.py [--full] [--rows N] [--dir DIR]

Prints rows per second of the whole intake (hash, copy, sync, decode, seal, commit), its ratio to
`polars.read_csv(..., try_parse_dates=True)` of the same file and columns, and the peak resident memory of
a process that does nothing else. `--full` adds 10^8 rows (some 6 GB of text, as much again for the raw
copy, 2 GB of segments). Values are invented.
"""

from __future__ import annotations

import argparse
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

LAYOUT = """
format = 1
name = "velocimeter"
[match]
filename = "VEL-*.txt"
[instrument]
from = "filename"
pattern = "^(VEL-[A-Z])"
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
COLUMNS = (
    ("u", "velocity_x", "m/s"),
    ("v", "velocity_y", "m/s"),
    ("w", "velocity_z", "m/s"),
    ("corr", "correlation", "%"),
    ("snr", "signal_to_noise", "dB"),
)
START = np.datetime64("2031-03-25T20:00:00.000000", "us")


def write_file(path: Path, rows: int) -> None:
    """Write an invented 32 Hz velocimeter record; text is made from tables so that it goes quickly."""
    import polars as pl

    generator = np.random.default_rng(1)
    with path.open("wb") as file:
        file.write(b"time;u;v;w;corr;snr\n")
        for first in range(0, rows, 1_000_000):
            count = min(1_000_000, rows - first)
            stamps = START + (np.arange(first, first + count) * 31250).astype("timedelta64[us]")
            pl.DataFrame(
                {
                    "time": stamps,
                    "u": generator.normal(0.05, 0.1, count),
                    "v": generator.normal(0.0, 0.1, count),
                    "w": generator.normal(0.0, 0.01, count),
                    "corr": generator.integers(80, 100, count),
                    "snr": (generator.normal(21.0, 1.0, count) * 2).round() / 2,
                }
            ).with_columns(
                pl.col("time").dt.strftime("%Y-%m-%dT%H:%M:%S%.6f"),
                *(pl.col(name).round(4) for name in ("u", "v", "w")),
            ).write_csv(file, separator=";", include_header=False)


def make_mission(folder: Path) -> None:
    (folder / "layouts").mkdir(parents=True)
    (folder / "inbox").mkdir()
    columns = "".join(f'[[columns]]\nname = "{n}"\nquantity = "{q}"\nunit = "{u}"\n' for n, q, u in COLUMNS)
    (folder / "layouts" / "velocimeter.toml").write_text(LAYOUT + columns)


def child(task: str, folder: Path, file: Path) -> dict[str, float]:
    """Run one task in its own process and return what it measured."""
    done = subprocess.run(
        [sys.executable, __file__, "--child", task, "--dir", str(folder), "--file", str(file)],
        check=True,
        capture_output=True,
        text=True,
    )
    return dict(json.loads(done.stdout.splitlines()[-1]))


def run_child(task: str, folder: Path, file: Path) -> None:
    if task == "polars":
        import polars as pl

        start = time.perf_counter()
        frame = pl.read_csv(file, separator=";", try_parse_dates=True)
        seconds, rows = time.perf_counter() - start, frame.height
    else:
        import reeftally.intake._kernel  # noqa: F401 - compiled code is loaded before the clock starts
        from reeftally.intake import take_in

        warm = Path(tempfile.mkdtemp(dir=folder.parent))
        make_mission(warm / "m")
        small = warm / "VEL-A.txt"
        with file.open("rb") as source:
            head = source.read(100_000)
        small.write_bytes(head[: head.rfind(b"\n") + 1])
        take_in(warm / "m", [small], now_ns=0)
        shutil.rmtree(warm)
        start = time.perf_counter()
        report = take_in(folder, [file], now_ns=0)
        seconds, rows = time.perf_counter() - start, report.rows_new
        assert not report.needs_attention, report.as_dict()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"seconds": seconds, "rows": rows, "peak_mb": peak}))


def measure(rows: int, base: Path, repeats: int) -> None:
    file = base / "VEL-A_001.txt"
    write_file(file, rows)
    size = file.stat().st_size
    print(f"{rows:.0e} rows, {size / 1e6:.0f} MB of text")
    best: dict[str, dict[str, float]] = {}
    for _ in range(repeats):
        for task in ("polars", "intake"):
            if task == "polars" and rows > 20_000_000:
                continue
            folder = base / "mission"
            if folder.exists():
                shutil.rmtree(folder)
            make_mission(folder)
            got = child(task, folder, file)
            if task not in best or got["seconds"] < best[task]["seconds"]:
                best[task] = got
    for task, got in best.items():
        rate = got["rows"] / got["seconds"]
        print(f"  {task:7s} {got['seconds']:7.2f} s  {rate / 1e6:6.2f} M rows/s  peak {got['peak_mb']:6.0f} MB")
    if "polars" in best:
        ratio = best["polars"]["seconds"] / best["intake"]["seconds"]
        print(f"  intake / polars = {ratio:.2f} (goal 0.4)")
    segments = list((base / "mission" / "observations" / "segments").iterdir())
    stored = sum(path.stat().st_size for path in segments)
    print(f"  store: {len(segments)} segments, {stored / 1e6:.0f} MB")
    file.unlink()
    shutil.rmtree(base / "mission")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--full", action="store_true", help="10^8 rows as well")
    parser.add_argument("--rows", type=int, default=10_000_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--dir", type=Path)
    parser.add_argument("--file", type=Path)
    parser.add_argument("--child")
    options = parser.parse_args()
    if options.child:
        run_child(options.child, options.dir, options.file)
        return
    base = Path(tempfile.mkdtemp(prefix="bench-intake-", dir=options.dir))
    try:
        measure(options.rows, base, options.repeats)
        if options.full:
            needed = 16e9
            free = shutil.disk_usage(base).free
            if free < needed:
                print(f"10^8 rows need {needed / 1e9:.0f} GB of disk, {free / 1e9:.0f} GB are free: left out")
            else:
                measure(100_000_000, base, 1)
    finally:
        shutil.rmtree(base)


if __name__ == "__main__":
    main()
