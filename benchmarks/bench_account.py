"""Speed of the account: ten days of 15-minute blocks, 1,000 trials a block, 10,000 for period means.

Run: python benchmarks/bench_account.py [blocks] [block trials] [period trials]
Prints seconds, memory, the number of solves of the carbonate system and the share of time inside it.
"""

import resource
import sys
import time

import numpy as np

from reeftally.ledger import MixingLine, State, account, decompose
from reeftally.seawater import carbonate

PIECE = 100
"""Trials streamed at once; what bounds the memory."""


INSIDE = [0.0]
_run_compiled = account.run_compiled


def timed(**arguments):
    """The compiled coalitions, with their time noted."""
    started = time.perf_counter()
    found = _run_compiled(**arguments)
    INSIDE[0] += time.perf_counter() - started
    return found


account.run_compiled = timed


def draw(rng, trials, blocks):
    hour = np.arange(blocks) / 4.0
    diel = np.cos(2 * np.pi * (hour - 6.0) / 24.0)
    shape = (trials, blocks)
    offset = rng.normal(size=(trials, 8, 1))
    reef = State(
        28.4 - 0.4 * diel + 0.01 * offset[:, 0],
        35.1 + 0.05 * np.sin(hour / 30.0) + 0.01 * offset[:, 1],
        2308.2 + 1.5 * offset[:, 2] + rng.normal(0, 1.0, shape),
        2004.1 + 10.0 * diel + 1.5 * offset[:, 3] + rng.normal(0, 1.0, shape),
    )
    reference = State(
        28.4 + 0.01 * offset[:, 0], 35.1 + 0.01 * offset[:, 1], 2312.0 + 1.5 * offset[:, 4], 1988.8 + 1.5 * offset[:, 5]
    )
    return {
        "reef": reef,
        "reference": reference,
        "xco2_now": 429.0,
        "air_pressure": 1011.0,
        "mixing_line": MixingLine(50.0, 60.0),
        "gas_exchange_dic": -0.5 + 0.1 * offset[:, 6],
        "oxygen_reef": 183.7 - 9.0 * diel + rng.normal(0, 1.0, shape),
        "oxygen_reference": 197.5,
        "oxygen_gas_exchange": 4.8,
        "pq": 1.05 + 0.05 * offset[:, 7],
    }


def run(blocks, trials, seed):
    """All trials in pieces; keep only sums, as the analysis does."""
    rng = np.random.default_rng(seed)
    solves = 0
    worst = 0.0
    seconds = 0.0
    for begin in range(0, trials, PIECE):
        arguments = draw(rng, min(PIECE, trials - begin), blocks)
        started = time.perf_counter()
        found = decompose(**arguments)
        seconds += time.perf_counter() - started
        solves += found.solves
        for method in ("shapley_from_past", "shapley_from_reference"):
            worst = max(worst, float(np.abs(found.remainder(quantity="ph_total", method=method)).max()))
    return seconds, solves, worst


def main(blocks=960, trials=1000, period_trials=10000):
    decompose(**draw(np.random.default_rng(0), 2, 3))
    INSIDE[0] = 0.0
    started, cpu = time.perf_counter(), time.process_time()
    first, solves, worst = run(blocks, trials, 1)
    second, more, worse = run(24, period_trials, 2)
    wall, used = time.perf_counter() - started, time.process_time() - cpu
    share = INSIDE[0] / (first + second)
    # The public solver on as many states, timed on a tenth, says what the solves alone would cost there.
    rng = np.random.default_rng(3)
    sample = 2_000_000
    dic = 2004.0 + rng.normal(0, 10.0, sample)
    begun = time.perf_counter()
    carbonate.solve(
        total_alkalinity=2308.0, dic=dic, temperature=28.4, salinity=35.1, outputs=("ph_total", "aragonite_saturation")
    )
    each = (time.perf_counter() - begun) / sample
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"blocks {blocks} × {trials} trials: {first:.1f} s in decompose")
    print(f"period means 24 × {period_trials} trials: {second:.1f} s in decompose")
    print(f"whole run {wall:.1f} s wall, {used:.1f} s of processor, {memory:.0f} MB at most")
    print(f"solves {(solves + more) / 1e6:.0f} million, {1e9 * (first + second) / (solves + more):.0f} ns each")
    print(f"share of decompose inside the compiled coalitions (solves and weights): {100 * share:.0f} %")
    print(f"the public solver alone: {1e9 * each:.0f} ns each, {each * (solves + more):.0f} s for as many")
    print(f"largest |total − parts| in pH: {max(worst, worse):.1e}")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
