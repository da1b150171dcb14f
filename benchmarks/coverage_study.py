"""How often do 95 % intervals hold the truth: many rehearsed missions, each with a truth of its own.

Every mission is written, taken in, checked, analysed and graded by the commands that a user types (``rehearse --size
short --draw``, ``intake``, ``check --accept all``, ``analyse``, ``rehearse --grade``). A worker calls them within one
process, which saves the start of Python and nothing else. One line of JSON a mission goes into a file; a study that
was stopped goes on where it ended.

    python benchmarks/coverage_study.py --missions 200 --workers 2
    python benchmarks/coverage_study.py --missions 0 --page docs/coverage.md

A row of the table is one quantity by one method. Rows of one mission share its systematic errors, so counting them all
would not be counting trials: each mission gives a quantity one row, drawn by the mission's seed among its periods and
subjects. A count fits 95 % if it lies within the limits that 179 and 198 are for 200 missions.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import shutil
import tempfile
import time
import zlib
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

FIRST_SEED = 5001
LOW, HIGH, OF = 179, 198, 200
KEPT = (
    "quantity",
    "method",
    "subject",
    "period",
    "start",
    "truth",
    "value",
    "lower",
    "upper",
    "unit",
    "flag",
    "reason",
)


def one_mission(seed: int, size: str, keep: str | None = None) -> dict[str, Any]:
    """Rehearse, take in, check, analyse and grade one mission; return its graded rows and its times."""
    from click.testing import CliRunner

    from reeftally.cli import commands

    folder = Path(keep or tempfile.mkdtemp(prefix="coverage-")) / f"m{seed}"
    steps = {
        "rehearse": ["rehearse", str(folder), "--size", size, "--seed", str(seed), "--draw"],
        "intake": ["intake", str(folder)],
        "check": ["check", str(folder), "--accept", "all", "--by", "study"],
        "analyse": ["analyse", str(folder)],
        "grade": ["rehearse", str(folder), "--grade", "--json"],
    }
    spent = {}
    printed = ""
    try:
        for name, arguments in steps.items():
            began = time.process_time()
            result = CliRunner().invoke(commands, arguments)
            spent[name] = round(time.process_time() - began, 2)
            if result.exception is not None and not isinstance(result.exception, SystemExit):
                return {"seed": seed, "failed": f"{name}: {result.exception!r}", "seconds": spent, "rows": []}
            if name != "check" and result.exit_code != 0:
                return {"seed": seed, "failed": f"{name}: {result.output[-500:]}", "seconds": spent, "rows": []}
            printed = result.stdout
        rows = json.loads(printed)["rows"]
        return {"seed": seed, "seconds": spent, "rows": [{k: row[k] for k in KEPT} for row in rows]}
    finally:
        if keep is None:
            shutil.rmtree(folder.parent, ignore_errors=True)


def run(missions: int, workers: int, size: str, out: Path, first: int) -> None:
    """Add the missions that the file lacks."""
    done = {json.loads(line)["seed"] for line in out.read_text().splitlines()} if out.exists() else set()
    todo = [seed for seed in range(first, first + missions) if seed not in done]
    if not todo:
        return
    for name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "POLARS_MAX_THREADS"):
        os.environ.setdefault(name, "1")
    began = time.time()
    # A worker is renewed now and then, so that nothing it holds on to can grow over the study.
    pool = get_context("spawn").Pool(workers, maxtasksperchild=25)
    with pool, out.open("a", encoding="utf-8") as file:
        for number, made in enumerate(pool.imap_unordered(partial(one_mission, size=size), todo), 1):
            file.write(json.dumps(made) + "\n")
            file.flush()
            spent = sum(made["seconds"].values())
            print(
                f"{number}/{len(todo)} seed {made['seed']}: {len(made['rows'])} rows, {spent:.1f} s of processor, "
                f"{(time.time() - began) / 60:.1f} min{'; ' + made['failed'] if 'failed' in made else ''}",
                flush=True,
            )


def limits(n: int) -> tuple[int, int]:
    """Return the counts of n that are as likely as 179 and 198 are for 200 trials at 95 %."""
    from scipy.stats import binom

    below, above = binom.cdf(LOW - 1, OF, 0.95), binom.sf(HIGH, OF, 0.95)
    return int(binom.ppf(below * (1 + 1e-9), n, 0.95)), min(int(binom.isf(above * (1 + 1e-9), n, 0.95)), n)


def _kind(subject: str) -> str:
    return subject if subject in {"site", "community"} else "each"


def table(lines: list[dict[str, Any]], by: tuple[str, ...] = ("quantity", "method")) -> Any:
    """Return one row a quantity and method: trials, inside, verdict, z, relative error, refused, all rows."""
    import numpy as np
    import pandas as pd

    frames = []
    for line in lines:
        frame = pd.DataFrame(line["rows"])
        if not frame.empty:
            frames.append(frame.assign(seed=line["seed"]))
    rows = pd.concat(frames, ignore_index=True)
    for name in ("truth", "value", "lower", "upper"):
        rows[name] = pd.to_numeric(rows[name], errors="coerce")
    rows["kind"] = rows["subject"].map(_kind)
    rows["given"] = rows["value"].notna()
    rows["inside"] = (rows["lower"] <= rows["truth"]) & (rows["truth"] <= rows["upper"])
    # The standard uncertainty of an interval of 95 %; the error against it is z.
    rows["z"] = (rows["value"] - rows["truth"]) / ((rows["upper"] - rows["lower"]) / 3.92)
    rows["relative"] = (rows["value"] - rows["truth"]).abs() / rows["truth"].abs()
    # One row a mission: the smallest hash of seed, period and subject; nothing of the result enters.
    rows["draw"] = [
        zlib.crc32("|".join(map(str, key)).encode())
        for key in zip(
            rows["seed"], rows["quantity"], rows["method"], rows["period"], rows["subject"], rows["start"], strict=True
        )
    ]
    out = []
    for key, group in rows.groupby(list(by), sort=True):
        given = group[group["given"]]
        one = given.sort_values("draw").groupby("seed").head(1)
        n, inside = len(one), int(one["inside"].sum())
        low, high = limits(n) if n else (0, 0)
        verdict = "too few" if n < 20 else "narrow" if inside < low else "wide" if inside > high else "fits"
        z = one["z"].replace([np.inf, -np.inf], np.nan).dropna()
        out.append(
            {
                **dict(zip(by, key, strict=True)),
                "kind": "/".join(sorted(set(group["kind"]))),
                "n": n,
                "inside": inside,
                "limits": f"{low}-{high}",
                "verdict": verdict,
                "z_mean": z.mean(),
                "z_sd": z.std(),
                "relative_error": float(one["relative"].median()) if n else math.nan,
                "refused": 1.0 - len(given) / len(group),
                "all_rows": len(given),
                "all_inside": float(given["inside"].mean()) if len(given) else math.nan,
            }
        )
    return pd.DataFrame(out)


NAMES = {
    "z_mean": "z mean", "z_sd": "z sd", "relative_error": "error, median", "refused": "refused", "all_rows": "rows",
    "all_inside": "inside",
}  # fmt: skip
SHARES = ("refused", "all_inside")


def markdown(frame: Any) -> str:
    """Return a table of the page."""
    kept = [c for c in frame.columns if c != "kind"]
    lines = ["| " + " | ".join(NAMES.get(c, c) for c in kept) + " |", "|" + "---|" * len(kept)]
    for row in frame[kept].to_dict("records"):
        cells = []
        for name, value in row.items():
            if isinstance(value, float):
                no = not math.isfinite(value)
                shown = "" if no else f"{100 * value:.0f} %" if name in SHARES else f"{value:.2g}"
                cells.append(f"{100 * value:.1f} %" if name == "relative_error" and not no else shown)
            else:
                cells.append(str(value).replace("_", "\\_") if name in ("quantity", "method") else str(value))
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def fill(page: Path, parts: dict[str, str]) -> None:
    """Put the tables between their marks in the page."""
    text = page.read_text(encoding="utf-8")
    for name, part in parts.items():
        begin, end = f"<!-- {name} -->\n", f"<!-- end of {name} -->"
        if begin not in text or end not in text:
            message = f"{page} lacks the marks of {name}: {begin.strip()} and {end}"
            raise SystemExit(message)
        text = text[: text.index(begin) + len(begin)] + "\n" + part + "\n" + text[text.index(end) :]
    page.write_text(text, encoding="utf-8")


def main() -> None:
    """Run what is lacking and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--missions", type=int, default=200)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--size", default="short")
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--out", type=Path, default=Path("benchmarks/out/coverage.jsonl"))
    parser.add_argument("--page", type=Path, help="renew the tables of this page, docs/coverage.md")
    chosen = parser.parse_args()
    chosen.out.parent.mkdir(parents=True, exist_ok=True)
    run(chosen.missions, chosen.workers, chosen.size, chosen.out, chosen.first_seed)
    lines = [json.loads(line) for line in chosen.out.read_text().splitlines()]
    good = [line for line in lines if "failed" not in line]
    made = table(good)
    print(f"{len(good)} missions, {len(lines) - len(good)} failed")
    print(made.to_string(index=False, float_format=lambda x: f"{x:.3g}"))
    off = table(good, ("quantity", "method", "period"))
    off = off[off["verdict"].isin(["narrow", "wide"])]
    print("\nBy period, those outside the limits:")
    print(off.to_string(index=False, float_format=lambda x: f"{x:.3g}"))
    if chosen.page is not None:
        counts = made["verdict"].value_counts()
        said = f"{len(good)} missions, {len(lines) - len(good)} failed: " + ", ".join(
            f"{counts.get(v, 0)} {v}" for v in ("fits", "narrow", "wide", "too few")
        )
        fill(chosen.page, {"summary": said + "\n", "table": markdown(made), "periods": markdown(off)})


if __name__ == "__main__":
    main()
