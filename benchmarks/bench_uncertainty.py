"""Trials, lines and summaries against the plainest way of doing the same, in one run.

Prints seconds and ratios; nothing is asserted.
"""

from __future__ import annotations

import time

import numpy as np

from reeftally.uncertainty import Trials, summarise, york_line


def seconds(task, repeats=3):
    best = np.inf
    for _ in range(repeats):
        start = time.perf_counter()
        task()
        best = min(best, time.perf_counter() - start)
    return best


def main() -> None:
    trials, blocks = 10_000, np.arange(960)
    named = seconds(lambda: Trials(seed=1, size=trials).random_blocks("noise", blocks=blocks, sd=1.0))
    plain = seconds(lambda: np.random.default_rng(1).standard_normal((trials, blocks.size)))
    print(f"random term, {trials} trials x {blocks.size} blocks: {named:.3f} s, {named / plain:.1f} x one stream")

    samples = np.random.default_rng(2).standard_normal((trials, blocks.size))
    ours = seconds(lambda: summarise(samples))
    theirs = seconds(lambda: (samples.mean(0), samples.std(0, ddof=1), np.quantile(samples, [0.025, 0.975], axis=0)))
    print(f"summary of the same: {ours:.3f} s, {ours / theirs:.2f} x mean, std and quantile of NumPy")

    generator = np.random.default_rng(3)
    truth = np.linspace(0.0, 1.0, 24)
    x = truth + 0.02 * generator.standard_normal((trials, 24))
    y = 3.0 * truth + 0.1 * generator.standard_normal((trials, 24))
    together = seconds(lambda: york_line(x=x, y=y, x_sd=0.02, y_sd=0.1))
    alone = seconds(lambda: [york_line(x=x[k], y=y[k], x_sd=0.02, y_sd=0.1) for k in range(1000)], 1)
    print(f"{trials} York lines of 24 points: {together:.3f} s, one by one {10.0 * alone / together:.0f} x as long")


if __name__ == "__main__":
    main()
