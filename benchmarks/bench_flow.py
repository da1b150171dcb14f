"""Velocimeter bursts: samples to records, against a bare transform of the same data.

Run: python benchmarks/bench_flow.py [bursts]

Prints the time of one transform a channel and burst (the least that any spectrum costs), the time of
`flow.burst` with and without a wave reference, and their ratio, in processor time of one core, and the wall
time on two threads.
"""

from __future__ import annotations

import resource
import sys
import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from reeftally import flow

RATE, SAMPLES = 32.0, 28800


def record(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Velocity and pressure of one invented burst in waves, with 1 % spikes."""
    t = np.arange(SAMPLES) / RATE
    f = np.fft.rfftfreq(SAMPLES, 1.0 / RATE)
    velocity = np.empty((3, SAMPLES))
    for row, size in zip(velocity, (0.022, 0.016, 0.012), strict=True):
        draw = (1.0 + (f / 0.05)) ** (-5.0 / 6.0) * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size))
        draw[0] = 0.0
        x = np.fft.irfft(draw, SAMPLES)
        row[:] = x / x.std() * size
    wave = np.cos(2.0 * np.pi * t / 11.0 + 0.5 * np.sin(0.01 * t))
    velocity[0] += 0.1 + 0.14 * wave
    velocity[1] += 0.05 * wave
    velocity += np.array([[0.012], [0.012], [0.0035]]) * rng.normal(size=velocity.shape)
    velocity[:, rng.random(SAMPLES) < 0.01] += 0.4
    return velocity.astype(np.float32), (600.0 * wave + rng.normal(size=SAMPLES)).astype(np.float32)


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 240
    rng = np.random.default_rng(1)
    pool = [record(rng) for _ in range(24)]
    quality = (np.full(SAMPLES, 96.0, np.float32), np.full(SAMPLES, 24.0, np.float32))
    wave = np.stack([pool[0][1], 0.3 * pool[0][1]])

    def bare(k: int) -> float:
        return float(np.abs(np.fft.rfft(pool[k % 24][0], axis=-1)).sum())

    def whole(k: int, **more: np.ndarray) -> bool:
        return flow.burst(
            velocity=pool[k % 24][0], sample_rate=RATE, height=0.4, displacement=0.1, correlation=quality[0],
            signal_to_noise=quality[1], depth=6.4, duration=900.0, **more,
        ).accepted  # fmt: skip

    def clock(call) -> float:
        """Processor seconds a burst: other work on the machine does not count."""
        call(0)
        begin = time.process_time()
        for k in range(count):
            call(k)
        return (time.process_time() - begin) / count

    floor = clock(bare)
    print(f"{count} bursts of 3 x {SAMPLES} samples")
    print(f"bare transform           {1e3 * floor:7.2f} ms a burst")
    cases = {
        "no wave reference": whole,
        "with pressure": lambda k: whole(k, pressure=pool[k % 24][1]),
        "with a second sensor": lambda k: whole(k, second=wave),
    }
    for name, call in cases.items():
        spent = clock(call)
        print(f"{name:24s} {1e3 * spent:7.2f} ms a burst, {1 / spent:6.0f} bursts/s, {spent / floor:5.1f} x bare")
    begin = time.perf_counter()
    with ThreadPoolExecutor(2) as threads:
        list(threads.map(whole, range(count)))
    spent = (time.perf_counter() - begin) / count
    print(f"{'two threads':24s} {1e3 * spent:7.2f} ms a burst, {1 / spent:6.0f} bursts/s")
    print(f"960 bursts would take {960 * spent:.1f} s on two threads")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
