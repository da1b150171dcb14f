"""Carbonate system: full solves per second, and ratios to three yardsticks in the same run.

Run:  python benchmarks/bench_carbonate.py [--states 10000000] [--repeat 3]

Yardsticks: (a) a plain vectorised NumPy Newton solver on whole arrays, (b) the same on pieces
that fit the cache, (c) the compiled constants alone. All give the same 21 outputs to the same
tolerance (largest relative difference printed). The floor is the time of writing 21 numbers a
state into fresh memory, and nothing else, on the same threads. States are random and invented: open ocean to
reef, 0 to 1000 dbar, with phosphate and silicate.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numba
import numpy as np

from reeftally.seawater import _carbonate_constants, carbonate
from reeftally.seawater import _constants as formulas
from reeftally.seawater import _kernels_acid as kernels

LN10 = np.log(10.0)
BLOCK = 2048


def states(n: int) -> dict[str, np.ndarray]:
    """Return `n` random states."""
    rng = np.random.default_rng(20310325)
    alkalinity = rng.uniform(2000.0, 2600.0, n)
    return {
        "total_alkalinity": alkalinity,
        "dic": alkalinity * rng.uniform(0.8, 0.98, n),
        "temperature": rng.uniform(9.0, 33.0, n),
        "salinity": rng.uniform(30.0, 38.0, n),
        "pressure": rng.uniform(0.0, 1000.0, n),
        "phosphate": rng.uniform(0.0, 3.0, n),
        "silicate": rng.uniform(0.0, 100.0, n),
    }


def numpy_solve(kind: str, x, second, t_c, s, p_dbar, po4, si):
    """Solve with NumPy: Newton on pH from pH 8 until the largest step is below 1e-9."""
    t, p = t_c + 273.15, 0.1 * p_dbar
    r, ln_t, s2 = 1.0 / t, np.log(t), np.sqrt(s)
    i = 19.924 * s / (1000.0 - 1.005 * s)
    i2, w = np.sqrt(i), np.log(1.0 - 0.001005 * s)
    bt, st, ft, ca = kernels.totals(s, 0)
    k0 = np.exp(formulas.ln_k0(t, r, ln_t, s))
    k1, k2 = (np.exp(v) for v in formulas.ln_k1_k2(t, r, ln_t, s, s2, w, p, 0))
    kb = np.exp(formulas.ln_k_boric(t, r, ln_t, s, s2, p, 0))
    kw = np.exp(formulas.ln_k_water(t, r, ln_t, s, s2, p, 0))
    ks = np.exp(formulas.ln_k_sulfate(t, r, ln_t, i, i2, w, p, 0))
    kf = np.exp(formulas.ln_k_fluoride(t, r, s2, i2, w, p, 0))
    kp1, kp2, kp3 = (np.exp(v) for v in formulas.ln_k_phosphoric(t, r, ln_t, s, s2, p))
    ksi = np.exp(formulas.ln_k_silicic(t, r, ln_t, i, i2, w, p))
    ka, kc = (np.exp(v) for v in formulas.ln_k_solubility(t, r, ln_t, s, s2, p))
    tf = 1.0 + st / ks
    kf = kf / tf
    ts = tf / (tf + ft / kf)
    po4, si = 1e-6 * po4, 1e-6 * si

    def other(h):
        free = h / tf
        xb, xs, xf, xi = kb / (kb + h), free / (free + ks), free / (free + kf), ksi / (ksi + h)
        q1 = h / kp3
        q2 = q1 * h / kp2
        q3 = q2 * h / kp1
        norm = 1.0 / (1.0 + q1 + q2 + q3)
        m1, m2 = (q1 + 2.0 * q2 + 3.0 * q3) * norm, (q1 + 4.0 * q2 + 9.0 * q3) * norm
        oh = kw / h
        value = bt * xb + oh - free - st * xs - ft * xf + po4 * (2.0 - m1) + si * xi
        slope = (
            -bt * xb * (1.0 - xb)
            - oh
            - free
            - st * xs * (1.0 - xs)
            - ft * xf * (1.0 - xf)
            - po4 * (m2 - m1 * m1)
            - si * xi * (1.0 - xi)
        )
        return value, slope

    ta = 1e-6 * x
    if kind == "dic":
        dic = 1e-6 * second
        ph = np.full(np.shape(ta), 8.0)
        for _ in range(50):
            h = 10.0**-ph
            value, slope = other(h)
            q1 = h / k2
            q2 = q1 * h / k1
            c = dic / (1.0 + q1 + q2)
            b = c * q1
            m = b + 2.0 * c
            step = (value + m - ta) / (slope + m * m / dic - b - 4.0 * c) / LN10
            ph += step
            if np.abs(step).max() < 1e-9:
                break
        h = 10.0**-ph
    else:
        ph = np.array(second)
        h = 10.0**-ph
        dic = (ta - other(h)[0]) * (1.0 + h / k2 + h * h / (k1 * k2)) / (h / k2 + 2.0)
    q1 = h / k2
    q2 = q1 * h / k1
    c = dic / (1.0 + q1 + q2)
    a, b = c * q2, c * q1
    value, slope = other(h)
    ac, sg, two = b + 2.0 * c, b + 4.0 * c - slope, 2.0 * a + b
    det = dic * sg - ac * ac
    hundred = 0.01 * t
    virial = -1636.75 + (12.0408 + (-0.0327957 + 3.16528e-5 * t) * t) * t
    factor = np.exp((virial + 2.0 * (57.7 - 0.118 * t)) / (82.05736 * t))
    vapour = np.exp(24.4543 - 67.4509 / hundred - 4.8489 * np.log(hundred) - 0.000544 * s)
    fco2 = 1e6 * a / k0
    sws = ph + np.log10(ts)
    return np.stack(
        [
            1e6 * (value + ac),
            1e6 * dic,
            ph,
            ph + np.log10(tf),
            sws,
            sws - np.log10(kernels.nbs_activity(t_c, s)),
            1e6 * a,
            1e6 * b,
            1e6 * c,
            fco2,
            fco2 / factor,
            fco2 / factor / (1.0 - vapour),
            c * ca / ka,
            c * ca / kc,
            dic * sg / det,
            1e6 * det / sg,
            1e6 * det / ac,
            1e6 * dic * det / (det - two * ac),
            -1e6 * det / ac,
            -1e6 * det / dic,
            1e6 * det / two,
        ]
    )


def numpy_blocked(kind: str, *columns: np.ndarray) -> np.ndarray:
    """Do the same in pieces of `BLOCK` states."""
    out = np.empty((21, columns[0].size))
    for begin in range(0, columns[0].size, BLOCK):
        part = slice(begin, begin + BLOCK)
        out[:, part] = numpy_solve(kind, *(c[part] for c in columns))
    return out


def in_threads(work: Callable[[int, int], None], n: int) -> None:
    """Run `work(start, stop)` over `n` states, in as many threads as the solver uses."""
    threads = numba.config.NUMBA_NUM_THREADS
    edges = [n * j // threads for j in range(threads + 1)]
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(work, edges[:-1], edges[1:]))


def constants_alone(data: dict[str, np.ndarray]) -> np.ndarray:
    """Evaluate every constant, as the solver does, on the same number of threads."""
    kernel = _carbonate_constants.constants_kernel()
    n = data["temperature"].size
    out, none = np.empty((21, n)), np.zeros(n)

    def work(start: int, stop: int) -> None:
        kernel(
            data["temperature"], data["salinity"], data["pressure"], data["phosphate"], data["silicate"],
            none, none, carbonate.DEFAULT_CONSTANTS.codes(), out, start, stop,
        )  # fmt: skip

    in_threads(work, n)
    return out


@numba.njit("void(float64[:, ::1], int64, int64)", nogil=True)
def fill(out: np.ndarray, start: int, stop: int) -> None:
    """Write a number into every row of the columns from `start` to `stop`, as the solver goes."""
    for begin in range(start, stop, 64):
        for row in range(out.shape[0]):
            for j in range(begin, min(begin + 64, stop)):
                out[row, j] = 1.0


def writing_alone(n: int) -> np.ndarray:
    """Write 21 numbers for each of `n` states into fresh memory."""
    out = np.empty((21, n))
    in_threads(lambda start, stop: fill(out, start, stop), n)
    return out


def best(functions: dict[str, object], repeat: int) -> tuple[dict[str, float], dict[str, float], dict[str, object]]:
    """Return the shortest wall and processor times of `repeat` runs of each, and the last results.

    Taken in turns, so that a busy machine disturbs all alike.
    """
    wall, processor, results = dict.fromkeys(functions, np.inf), dict.fromkeys(functions, np.inf), {}
    for _ in range(repeat):
        for name, function in functions.items():
            results.pop(name, None)
            begin, begin_processor = time.perf_counter(), time.process_time()
            results[name] = function()
            wall[name] = min(wall[name], time.perf_counter() - begin)
            processor[name] = min(processor[name], time.process_time() - begin_processor)
    return wall, processor, results


def first_call() -> float:
    """Return the time of the first solve in a fresh process, import of the module apart."""
    code = (
        "import time; from reeftally.seawater import carbonate; t = time.perf_counter();"
        "carbonate.solve(total_alkalinity=2300, dic=2000, temperature=25, salinity=35);"
        "print(time.perf_counter() - t)"
    )
    return float(subprocess.run([sys.executable, "-c", code], capture_output=True, check=True).stdout)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--states", type=int, default=10_000_000)
    parser.add_argument("--yardstick-states", type=int, default=1_000_000)
    parser.add_argument("--repeat", type=int, default=3)
    options = parser.parse_args()
    print(f"first call in a fresh process: {first_call():.2f} s")
    print(f"threads: {numba.config.NUMBA_NUM_THREADS}")
    for pair in ("dic", "ph_total"):
        large = states(options.states)
        if pair == "ph_total":
            large["ph_total"] = carbonate.solve(**large, outputs=("ph_total",)).ph_total
            del large["dic"]
        wall, _, _ = best({"ours": lambda large=large: carbonate.solve(**large)}, options.repeat)
        rate = options.states / wall["ours"]
        print(f"(TA, {pair}): {options.states:.0e} states, all outputs: {rate:.3g} solves per second")
        n = options.yardstick_states
        data = {name: column[:n].copy() for name, column in large.items()}
        names = ("total_alkalinity", pair, "temperature", "salinity", "pressure", "phosphate", "silicate")
        columns = [data[name] for name in names]
        wall, processor, results = best(
            {
                "ours": lambda data=data: carbonate.solve(**data),
                "constants": lambda data=data: constants_alone(data),
                "writing": lambda n=n: writing_alone(n),
                "plain": lambda c=columns, k=pair: numpy_solve(k, *c),
                "blocked": lambda c=columns, k=pair: numpy_blocked(k, *c),
            },
            options.repeat,
        )
        ours, work = wall["ours"], processor["ours"]
        worst = max(
            np.abs(results["ours"][name] / row - 1.0).max()
            for name, row in zip(carbonate.STANDARD_OUTPUTS, results["plain"], strict=True)
            if name != "omega_dic"
        )
        print(f"  at {n:.0e} states: ours {ours * 1e9 / n:.0f} ns a state, {work * 1e9 / n:.0f} ns of processor")
        for label, name in (("(a) plain NumPy", "plain"), ("(b) blocked NumPy", "blocked")):
            print(
                f"  {label}: {wall[name] / ours:.1f} times as long;"
                f" {processor[name] / work:.1f} times the processor time"
            )
        print(
            f"  (c) ours / constants alone: {ours / wall['constants']:.2f};"
            f" by processor time {work / processor['constants']:.2f}"
        )
        print(f"  floor, writing the outputs alone: {wall['writing'] * 1e9 / n:.0f} ns a state")
        print(f"  largest relative difference to NumPy: {worst:.1e}")


if __name__ == "__main__":
    main()
