"""Speed of the exchange room: covariance, pooled lag, gradient with swaps, plateaus.

Run: python benchmarks/bench_exchange.py [blocks]
Prints seconds (wall, process) beside a bare baseline of one transform a channel, and peak memory.
"""

import resource
import sys
import time

import numpy as np

from reeftally import exchange


def timed(name, call):
    call()  # compiled kernels and caches
    wall, cpu = time.perf_counter(), time.process_time()
    call()
    print(f"{name:34s} {time.perf_counter() - wall:7.2f} s wall {time.process_time() - cpu:7.2f} s process")


def main():
    blocks = int(sys.argv[1]) if len(sys.argv) > 1 else 960
    n, rng = 7200, np.random.default_rng(1)
    w = 0.01 * rng.standard_normal((blocks, n))
    c = 200.0 - 20.0 * w + 0.3 * rng.standard_normal((blocks, n))
    mast = {"sample_rate": 8.0, "separation_along": 0.03, "speed": 0.08, "response_time": 0.45}

    timed("baseline: one transform a channel", lambda: (np.fft.rfft(w, axis=1), np.fft.rfft(c, axis=1)))
    timed(
        f"covariance, {blocks} blocks",
        lambda: exchange.eddy_covariance(w=w, concentration=c, height=0.4, displacement=0.1, **mast),
    )
    timed(f"pooled lag, {blocks} blocks", lambda: exchange.pooled_lag(w=w, concentration=c, **mast))

    t = np.arange(blocks) * 900.0
    ustar = 0.01 * (0.4 + np.abs(np.cos(np.pi * t / 44712.0)))
    swapped = (t // 216000.0) % 2 == 1
    height = np.where(np.stack([swapped, ~swapped]), 1.0, 0.35)
    level = 190.0 + 12.0 / (0.41 * ustar * 3600.0) * np.log(height - 0.1) + 0.01 * rng.standard_normal(height.shape)
    timed(
        f"gradient with swaps, {blocks} blocks",
        lambda: exchange.gradient_flux(
            concentration=level, height=height, time=t, friction_velocity=ustar, noise_sd=0.01,
            prior_offset=np.zeros(2), prior_covariance=0.09 * np.eye(2), displacement=0.1,
            friction_velocity_random=0.15,
        ),
    )  # fmt: skip
    differences = rng.normal(1.0, 0.1, (1000, blocks))
    timed(
        f"gradient, 1000 trials x {blocks}",
        lambda: exchange.gradient_flux_trials(
            differences=differences, friction_velocity=ustar, lower_height=0.35, upper_height=1.0, displacement=0.1
        ),
    )
    s = np.arange(6 * 3600.0)
    jet = ((s % 400.0) > 200.0) & ((s % 400.0) < 330.0)
    carried = np.stack([8.0 - 0.014 * jet, 185.0 - 9.0 * jet])
    carried = carried + np.array([[0.0015], [0.15]]) * rng.standard_normal(carried.shape)
    timed("plateaus in 6 h at 1 Hz", lambda: exchange.find_plateaus(time=s, values=carried, response_time=[0.0, 0.0]))
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
