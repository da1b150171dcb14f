"""Kill intakes at random moments, run them again, and count rows lost and doubled.

Run: python benchmarks/kill_intake.py [--kills 200] [--seed 1] [--json]

Every trial takes invented files into a fresh mission, is killed (SIGKILL) after a random part of the time
that an uninterrupted intake needs, and is then run to its end. The rows, the content of the store, the
raw copies and a rebuild from them are compared with the uninterrupted intake. Trials are forked from one
process that has everything loaded, so that the kills fall inside the intake and not into its start.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from bench_intake import LAYOUT

from reeftally.intake import rebuild, take_in
from reeftally.store import open_store

COLUMNS = (("u", "velocity_x", "m/s"), ("w", "velocity_z", "m/s"), ("corr", "correlation", "%"))
ROWS = 20_000
# Files: label, first row, rows. Two overlap with the same values, so merging is at work as well.
FILES = (("VEL-A", 0), ("VEL-A", 15_000), ("VEL-A", 40_000), ("VEL-B", 0), ("VEL-B", 20_000), ("VEL-C", 0))
SETTINGS = {"now_ns": 0, "block_bytes": 32_768, "commit_rows": 1500}


def make_mission(folder: Path) -> None:
    (folder / "layouts").mkdir(parents=True)
    (folder / "inbox").mkdir()
    columns = "".join(f'[[columns]]\nname = "{n}"\nquantity = "{q}"\nunit = "{u}"\n' for n, q, u in COLUMNS)
    (folder / "layouts" / "velocimeter.toml").write_text(LAYOUT + columns)
    start = np.datetime64("2031-03-25T20:00:00", "us")
    for number, (label, first) in enumerate(FILES):
        row = np.arange(first, first + ROWS)
        stamps = np.datetime_as_string(start + (row * 31250).astype("timedelta64[us]"))
        lines = [
            f"{t};{np.sin(n / 100):.4f};{np.cos(n / 37):.4f};{80 + n % 20}\n"
            for t, n in zip(stamps, row.tolist(), strict=True)
        ]
        (folder / "inbox" / f"{label}_{number}.txt").write_text("time;u;w;corr\n" + "".join(lines))


def run(folder: Path) -> int:
    """Start an intake in a fork; return its process number."""
    child = os.fork()
    if child == 0:
        try:
            take_in(folder, **SETTINGS)
            os._exit(0)
        except BaseException as error:
            print(repr(error), file=sys.stderr)
            os._exit(1)
    return child


def wait(child: int) -> int:
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status)


def contents(folder: Path) -> tuple[str, dict[str, list[int]]]:
    store = open_store(folder)
    return store.content_hash(), {name: store.read(name)["time"].tolist() for name in store.streams()}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    generator = random.Random(options.seed)
    base = Path(tempfile.mkdtemp(prefix="kill-intake-"))
    totals = {"kills": 0, "ended_before": 0, "lost": 0, "doubled": 0, "identical": 0, "rebuilt": 0, "halves": 0}
    try:
        template = base / "template"
        make_mission(template)
        whole = base / "whole"
        shutil.copytree(template, whole)
        if wait(run(whole)) != 0:
            return 1
        needed = float("inf")
        for _ in range(3):
            shutil.rmtree(whole)
            shutil.copytree(template, whole)
            started = time.perf_counter()
            wait(run(whole))
            needed = min(needed, time.perf_counter() - started)
        wanted_hash, wanted = contents(whole)
        wanted_raw = sorted(path.name for path in (whole / "raw").glob("??/*"))
        all_rows = sum(len(times) for times in wanted.values())
        for number in range(options.kills):
            folder = base / f"trial-{number}"
            shutil.copytree(template, folder)
            child = run(folder)
            time.sleep(generator.uniform(0.0, needed))
            os.kill(child, signal.SIGKILL)
            totals["kills"] += 1
            totals["ended_before"] += wait(child) == 0
            # What readers see between kill and rerun is a whole commit.
            for name, info in open_store(folder).streams().items():
                totals["halves"] += info.rows != len(set(open_store(folder).read(name)["time"].tolist()))
            if wait(run(folder)) != 0:
                print(f"trial {number}: the rerun failed", file=sys.stderr)
                return 1
            found_hash, found = contents(folder)
            raw = sorted(path.name for path in (folder / "raw").glob("??/*"))
            leftovers = list((folder / "observations" / "segments").glob("*.writing"))
            for name, times in wanted.items():
                have = found.get(name, [])
                totals["lost"] += len(set(times) - set(have))
                totals["doubled"] += len(have) - len(set(have))
            totals["identical"] += found_hash == wanted_hash and raw == wanted_raw and not leftovers
            if number % 20 == 0:
                with_rebuild = rebuild_in_fork(folder)
                totals["rebuilt"] += with_rebuild == wanted_hash
            shutil.rmtree(folder)
    finally:
        shutil.rmtree(base)
    totals["rebuilds"] = -(-options.kills // 20)
    if options.json:
        print(json.dumps(totals))
    else:
        print(
            f"{totals['kills']} kills over {needed:.2f} s intakes of {all_rows} rows "
            f"({totals['ended_before']} had ended): rows lost {totals['lost']}, doubled {totals['doubled']}, "
            f"store and raw copies identical {totals['identical']} of {totals['kills']}, "
            f"rebuilt identical {totals['rebuilt']} of {totals['rebuilds']}"
        )
    good = totals["identical"] == totals["kills"] and not totals["lost"] and not totals["doubled"]
    return 0 if good and totals["rebuilt"] == totals["rebuilds"] else 1


def rebuild_in_fork(folder: Path) -> str:
    child = os.fork()
    if child == 0:
        try:
            rebuild(folder, now_ns=0)
            os._exit(0)
        except BaseException as error:
            print(repr(error), file=sys.stderr)
            os._exit(1)
    wait(child)
    return contents(folder)[0]


if __name__ == "__main__":
    sys.exit(main())
