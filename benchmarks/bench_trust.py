"""Speed of the review, and how often faults planted in raw files are found.

Run: python benchmarks/bench_trust.py [MISSION]            speed on a mission that is taken in
     python benchmarks/bench_trust.py --faults [SEEDS]     rates over invented missions of 36 hours, 30 faults each

Speed is printed in seconds, in seconds for a day of all instruments, and as a ratio to the baseline of the same run:
reading every stream of the store once. A fault counts as found if a fifth of its samples carry flags of 3 or more
(single spikes: half of them; short bursts "visitor" are not counted), or if a finding about its instrument overlaps it.
"""

import json
import resource
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

NS = 1_000_000_000
SLOW = [
    "OXY-1", "OXY-2", "OXY-3", "OXY-4", "OXY-H", "PHI-1", "PHI-2", "PHI-H", "DYE-P", "CTD-1", "PAR-1", "FAR-1", "MET-1",
]  # fmt: skip
# Faults of the file itself are the intake's to tell; a clock that is minutes ahead for two hours is not looked for.
VALUES = {"spikes", "stuck", "gap", "step", "noise", "attenuated", "missing", "sentinel", "unit", "rounding",
          "columns_swapped", "negative", "drift"}  # fmt: skip


def speed(folder):
    from reeftally.analysis.context import open_context
    from reeftally.analysis.findings import look
    from reeftally.analysis.first_look import first_look

    context = open_context(folder)
    started = time.perf_counter()
    rows = 0
    for label in context.store.streams():
        for part in context.store.chunks(label, seconds=3600.0):
            rows += part["time"].size
    baseline = time.perf_counter() - started
    started = time.perf_counter()
    first = first_look(folder)
    hour = time.perf_counter() - started
    started = time.perf_counter()
    seen = look(folder)
    review = time.perf_counter() - started
    days = (context.grid.edges[-1] - context.grid.edges[0]) / NS / 86400.0
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"{len(context.store.streams())} streams, {rows:,} rows, {days:.1f} days")
    print(f"baseline, every stream read once: {baseline:.1f} s")
    print(f"first hour, {len(first.streams)} streams: {hour:.1f} s, {hour / baseline:.2f} of the baseline")
    print(f"check, {len(seen.findings)} findings: {review:.1f} s, {review / baseline:.2f} of the baseline")
    print(f"a day of all instruments: {review / days:.1f} s; peak memory {peak:.2f} GB")


def utc(text):
    return int(np.datetime64(text.rstrip("Z"), "ns").astype(np.int64))


def rates(seeds):
    from reeftally.analysis.context import open_context
    from reeftally.analysis.findings import look
    from reeftally.intake import take_in
    from reeftally.rehearsal import rehearse

    planted, found = Counter(), Counter()
    failed = good = 0
    for seed in range(1, seeds + 1):
        with tempfile.TemporaryDirectory() as scratch:
            folder = Path(scratch) / "mission"
            rehearse(folder, size="demo36", seed=seed, plant_faults=30, instruments=SLOW)
            take_in(folder, now_ns=0)
            seen = look(folder)
            context = open_context(folder)
            truth = [
                (r["subject"], r["kind"], utc(r["start"]), utc(r["end"]))
                for r in json.loads((folder / "truth.json").read_text(encoding="utf-8"))
                if r["quantity"] == "planted_fault" and r["subject"] in SLOW
            ]
            for label, kind, start, end in truth:
                if kind not in VALUES:
                    continue
                planted[kind] += 1
                own = [f for f in seen.findings if f.subject == label and f.start_ns is not None]
                hit = any(f.start_ns < end and start < (f.end_ns or start) for f in own)
                for review in seen.reviews:
                    if review.label != label:
                        continue
                    true = context.clock(label).true(review.stamps_ns)
                    inside = (true >= start) & (true < end)
                    flags = [v[inside] for name, v in review.tests.items() if name != "visitor"]
                    if not inside.any() or not flags:
                        continue
                    # A sentinel declared in the layout, or a value that is not there, is flagged 9: missing.
                    worst = (3, 4, 9) if kind in {"missing", "sentinel"} else (3, 4)
                    bad = np.any([np.isin(v, worst) for v in flags], axis=0)
                    hit |= bad.sum() >= 5 if kind == "spikes" else bad.mean() >= 0.2
                found[kind] += hit
                if not hit:
                    print(f"missed: seed {seed} {label} {kind} {(end - start) / 3600 / NS:.1f} h")
            for review in seen.reviews:
                true = context.clock(review.label).true(review.stamps_ns)
                sound = np.ones(true.size, dtype=bool)
                for label, _, start, end in truth:
                    if label == review.label:
                        sound &= (true < start - 60 * NS) | (true > end + 60 * NS)
                flags = [v[sound] for v in review.tests.values()]
                if flags:
                    failed += int(np.any([v == 4 for v in flags], axis=0).sum())
                    good += int(sound.sum())
    total = sum(planted.values())
    for kind in sorted(planted):
        print(f"{kind:<16} {found[kind]:>3} of {planted[kind]:>3}")
    print(f"{'all':<16} {sum(found.values()):>3} of {total:>3} ({sum(found.values()) / total:.1%})")
    print(f"good samples failed: {failed} of {good} ({failed / good:.3%})")


if __name__ == "__main__":
    arguments = sys.argv[1:]
    if arguments[:1] == ["--faults"]:
        rates(int(arguments[1]) if len(arguments) > 1 else 5)
    elif arguments:
        speed(Path(arguments[0]))
    else:
        from reeftally.intake import take_in
        from reeftally.rehearsal import rehearse

        with tempfile.TemporaryDirectory() as made:
            mission = Path(made) / "mission"
            rehearse(mission, size="demo36", seed=1)
            take_in(mission, now_ns=0)
            speed(mission)
