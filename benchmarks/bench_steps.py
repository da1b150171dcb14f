"""Which steps of a sensor's level `check` finds, by size and length, and how many it claims where there are none.

Run: python benchmarks/bench_steps.py [SEEDS [FIRST]]

Invented missions of 36 hours are rehearsed and taken in once. Steps are then planted in the block means of one sensor
at a time, at moments drawn by seed, the adjustment of all sensors is made anew, and the level findings are counted. A
step counts as found if a level finding of that sensor overlaps it. False claims are those of other sensors, and of the
missions as they were, by sensor and day. A sham cleaning is a moment at which nothing happened: a claim counts against
it if a level finding of the sensor begins within an hour of it.
"""

import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

SLOW = ["OXY-1", "OXY-2", "OXY-3", "OXY-4", "PHI-1", "PHI-2", "CTD-1", "DYE-P"]
SIZES = {"oxygen": (1.0, 2.0, 3.0, 4.0, 6.0, 8.0), "ph_total": (0.005, 0.01, 0.015, 0.02, 0.03, 0.05)}
HOURS = (2.0, 6.0, np.inf)
BLOCK_NS = 900 * 10**9


def findings(context, slow, quantity):
    from reeftally.analysis.level_findings import level_findings
    from reeftally.analysis.offsets import adjust_offsets

    offsets = adjust_offsets(context, context.grid, slow, quantity)
    return [] if offsets is None else list(level_findings(context, slow, {quantity: offsets}, []))


class Counts:
    """What was planted, found and claimed."""

    def __init__(self):
        self.planted, self.found, self.false, self.days = Counter(), Counter(), Counter(), Counter()
        self.shams = self.sham_claims = self.others = 0


def count(context, slow, quantity, rng, counts):
    """Plant steps in every fixed sensor of a quantity, one at a time."""
    grid = context.grid
    clean = findings(context, slow, quantity)
    for finding in clean:
        print(f"false claim: {finding.what} {finding.evidence}")
    for label, blocks in slow.items():
        roles = {context.book.station(place.station).role for place in context.book.deployments_of(label)}
        if quantity not in blocks.channels or not roles & {"bed", "ambient"}:
            continue
        mean = blocks.channels[quantity].mean
        there = np.array(
            [
                at
                for at in np.flatnonzero(np.isfinite(mean))
                if (place := context.book.deployment_at(label, int(grid.mids[at]))) is not None
                and context.book.station(place.station).role in {"bed", "ambient"}
            ]
        )
        if there.size < 48:
            continue
        counts.days[quantity] += there.size * BLOCK_NS / 86400e9
        own = [f for f in clean if f.subject == label]
        counts.false[quantity] += len(own)
        for at in rng.choice(there, 10):
            counts.shams += 1
            counts.sham_claims += any(abs(f.start_ns - int(grid.edges[at])) <= 4 * BLOCK_NS for f in own)
        kept = mean.copy()
        for size in SIZES[quantity]:
            for hours in HOURS:
                length = there.size if np.isinf(hours) else int(hours * 4)
                first = int(rng.integers(16, there.size - 16))
                places = there[first : first + length]
                mean[places] = kept[places] + size * rng.choice([-1.0, 1.0])
                low, high = int(grid.edges[places[0]]), int(grid.edges[places[-1] + 1])
                said = findings(context, slow, quantity)
                hit = any(
                    f.subject == label
                    and (
                        min(abs(f.start_ns - low), abs(f.start_ns - high)) <= 4 * BLOCK_NS
                        if f.end_ns is None
                        else f.start_ns < high and low < f.end_ns
                    )
                    for f in said
                )
                counts.planted[quantity, size, hours] += 1
                counts.found[quantity, size, hours] += hit
                counts.others += any(f.subject != label for f in said)
                mean[:] = kept


def study(seeds, first):
    from reeftally.analysis.context import open_context
    from reeftally.analysis.records import load_slow
    from reeftally.intake import take_in
    from reeftally.rehearsal import rehearse

    counts = Counts()
    for seed in range(first, first + seeds):
        with tempfile.TemporaryDirectory() as scratch:
            folder = Path(scratch) / "mission"
            rehearse(folder, size="demo36", seed=seed, instruments=SLOW)
            take_in(folder, now_ns=0)
            context = open_context(folder)
            slow, _ = load_slow(context, context.grid)
            for quantity in SIZES:
                count(context, slow, quantity, np.random.default_rng(seed), counts)
    for quantity, sizes in SIZES.items():
        print(f"{quantity}: {counts.false[quantity]} false claims in {counts.days[quantity]:.1f} sensor-days")
        for size in sizes:
            row = [
                f"{'to the end' if np.isinf(h) else f'{h:.0f} h'} {counts.found[quantity, size, h]:>3} of "
                f"{counts.planted[quantity, size, h]:>3}"
                for h in HOURS
            ]
            print(f"  {size:<6g} {', '.join(row)}")
    print(f"sham cleanings: {counts.sham_claims} of {counts.shams} claimed")
    print(f"another sensor accused in {counts.others} of {sum(counts.planted.values())} planted steps")


if __name__ == "__main__":
    numbers = [int(text) for text in sys.argv[1:]]
    study(*(numbers + [6, 1][len(numbers) :]))
