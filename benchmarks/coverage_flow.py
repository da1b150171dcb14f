"""How often the stated intervals of the flow and flux estimators hold the truth.

Run: python benchmarks/coverage_flow.py [--number 2000] [--only NAME ...] [--state FILE]

Every estimator gets synthetic bursts (or masts) with known spectra, stress, dissipation, covariance, lag, tilt and
waves; the truths of von Karman constant, subrange constants, heights, displacement, offsets, gains, response and lag
are drawn from the priors that the analysis states. Counted is how many intervals of 68 and 95 % hold the truth; the
count must lie in the central 99.9 % of the binomial. Bursts that the estimator refuses state no interval; they are
listed apart.

Work goes in portions of 100 whose seeds hang on their number alone; what is done stands in the state file, so a run
that was stopped goes on. About eight minutes on one core.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
from scipy import stats

from reeftally import exchange, flow

TESTS = Path(__file__).resolve().parents[1] / "tests"
LEVELS = (0.68, 0.95)
NORMAL = tuple(float(stats.norm.ppf(0.5 + 0.5 * level)) for level in LEVELS)
PORTION = 100
Row = tuple[bool, bool] | None


def makers(room: str) -> ModuleType:
    """Return the module of generators beside the tests of a room."""
    spec = importlib.util.spec_from_file_location(f"{room}_makers", TESTS / room / "conftest.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


FLOW, EXCHANGE = makers("flow"), makers("exchange")


def _score(value: float, truth: float, sd: float) -> Row:
    if not np.isfinite(value):
        return None
    z = abs(value - truth) / sd
    return z <= NORMAL[0], z <= NORMAL[1]


def _log_score(value: float, truth: float, random: float, systematic: float) -> Row:
    if not np.isfinite(value):
        return None
    rows = [
        flow.friction_velocity_interval(value=value, random_sd=random, systematic_sd=systematic, level=level)
        for level in LEVELS
    ]
    return tuple(bool(low <= truth <= high) for low, high in rows)  # type: ignore[return-value]


def stress(rng: np.random.Generator, number: int, *, waves: bool) -> list[Row]:
    """Friction velocity from covariance; tilt drawn, with waves from any side taken out by pressure."""
    out: list[Row] = []
    for _ in range(number):
        truth = rng.uniform(0.006, 0.015)
        more = {}
        if waves:
            more = {
                "wave_amplitude": rng.uniform(0.03, 0.14), "wave_direction": rng.uniform(0.0, 180.0),
                "wave_period": rng.uniform(8.0, 13.0),
            }  # fmt: skip
        b = FLOW.make_burst(
            rng, friction_velocity=truth, speed=rng.uniform(8.0, 11.0) * truth, sample_rate=4.0,
            tilt=0.1 * rng.normal(), **more,
        )  # fmt: skip
        u, v, w = b.velocity
        how = {"pressure": b.pressure} if waves else {"method": "raw"}
        found = flow.reynolds_stress(u=u, v=v, w=w, sample_rate=4.0, height=0.3, tilt_sd=0.1, **how)
        out.append(
            _log_score(
                found.friction_velocity, truth, found.friction_velocity_random_sd, found.friction_velocity_systematic_sd
            )
        )
    return out


def whole_burst(rng: np.random.Generator, number: int) -> list[Row]:
    """The same through `flow.burst`: spikes, noise, double rotation of a tilted sensor, waves and pressure."""
    out: list[Row] = []
    for _ in range(number):
        truth = rng.uniform(0.006, 0.015)
        b = FLOW.make_burst(
            rng, friction_velocity=truth, speed=rng.uniform(8.0, 11.0) * truth, sample_rate=8.0,
            tilt=rng.normal(0.0, 2.0), noise=(0.012, 0.012, 0.0035), wave_amplitude=rng.uniform(0.02, 0.08),
            wave_direction=rng.uniform(0.0, 180.0),
        )  # fmt: skip
        spoilt = b.velocity.copy()
        spoilt[:, rng.random(spoilt.shape[1]) < 0.01] += 0.4
        found = flow.burst(
            velocity=spoilt, sample_rate=8.0, height=0.3, depth=6.4, duration=900.0, pressure=b.pressure, tilt_sd=0.3
        )
        out.append(
            _log_score(
                found.friction_velocity, truth, found.friction_velocity_random_sd, found.friction_velocity_systematic_sd
            )
        )
    return out


def _inertial(rng: np.random.Generator, friction: bool) -> Row:
    constant = 1.5 * (1.0 + 0.06 * rng.normal())
    kappa, shift = rng.normal(0.41, 0.01), float(np.hypot(0.01, 0.02)) * rng.normal()
    truth = rng.uniform(0.007, 0.015)
    eps = truth**3 / (kappa * (0.3 + shift)) if friction else rng.uniform(2e-6, 2e-5)
    u, v, w = FLOW.make_inertial_burst(
        rng, constant=constant, dissipation=eps, speed=rng.uniform(0.07, 0.13),
        orbital_sd=rng.choice([0.0, 0.05, 0.1]), duration=450.0, sample_rate=16.0,
    )  # fmt: skip
    found = flow.dissipation(u=u, v=v, w=w, sample_rate=16.0, height=0.3)
    if not friction:
        return _score(found.dissipation, eps, float(np.hypot(found.random_sd, found.systematic_sd)))
    best = flow.friction_velocity_from_dissipation(
        dissipation=found.dissipation, height=0.3, random_sd=found.random_sd, systematic_sd=found.systematic_sd,
        height_sd=float(np.hypot(0.01, 0.02)), von_karman_sd=0.01,
    )  # fmt: skip
    return _log_score(float(best.value), truth, float(best.random_sd), float(best.systematic_sd))


def dissipation(rng: np.random.Generator, number: int) -> list[Row]:
    """Dissipation; the subrange constant drawn, carried past by current and waves."""
    return [_inertial(rng, False) for _ in range(number)]


def inertial(rng: np.random.Generator, number: int) -> list[Row]:
    """Friction velocity from dissipation; constants, height and displacement drawn."""
    return [_inertial(rng, True) for _ in range(number)]


def log_law(rng: np.random.Generator, number: int) -> list[Row]:
    """Friction velocity from the profile; von Karman constant, displacement and common height drawn."""
    z = np.array([0.25, 0.35, 0.45, 0.6, 0.75, 0.9])
    out: list[Row] = []
    for _ in range(number):
        truth, kappa = rng.uniform(0.006, 0.015), rng.normal(0.41, 0.01)
        plane = rng.normal(0.1, 0.02) - rng.normal(0.0, 0.01)
        speed = truth / kappa * np.log((z - plane) / 0.02) + 0.02 * truth / 0.15 * rng.normal(size=6)
        found = flow.law_of_the_wall(
            height=z, speed=speed, displacement=0.1, displacement_sd=0.02, height_sd=0.01, von_karman_sd=0.01,
            least_r_squared=0.0, widest=np.inf,
        )  # fmt: skip
        value = float(found.friction_velocity)
        if not np.isfinite(value):
            out.append(None)
            continue
        row = []
        for level, normal in zip(LEVELS, NORMAL, strict=True):
            student = float(stats.t.ppf(0.5 + 0.5 * level, int(found.levels) - 2))
            half = np.hypot(student * float(found.random_sd), normal * float(found.systematic_sd))
            row.append(bool(abs(value - truth) <= half))
        assert row[1] == bool(float(found.lower) <= truth <= float(found.upper))
        out.append((row[0], row[1]))
    return out


def structure(rng: np.random.Generator, number: int) -> list[Row]:
    """Dissipation from a profiler's beam; the constant of the structure function drawn."""
    size, spacing, times = 2048, 0.01, 300
    k = 2.0 * np.pi * np.fft.rfftfreq(size, spacing)
    scale = np.sqrt(np.maximum(k, 0.6) ** (-5.0 / 3.0) * (k[1] - k[0])) * size / 2.0
    out: list[Row] = []
    for _ in range(number):
        eps, constant = rng.uniform(1e-6, 1e-5), 2.1 * (1.0 + 0.05 * rng.normal())
        draw = rng.standard_normal((times, k.size, 2)).view(np.complex128)[..., 0]
        level = np.sqrt(constant / 4.01841) * eps ** (1.0 / 3.0)
        field = np.fft.irfft(level * scale * draw, size, axis=1)[:, :60:2]
        beam = (field + 0.004 * rng.normal(size=field.shape)).T
        # Bin 15 alone is fitted: those below and above share its eddies.
        found = flow.structure_function_dissipation(
            velocity=beam[5:26], bin_size=0.02, height=np.where(np.arange(21) == 10, 0.2, 0.0), waves=False
        )[10]
        out.append(_score(found.dissipation, eps, float(np.hypot(found.random_sd, found.systematic_sd))))
    return out


def covariance(rng: np.random.Generator, number: int) -> list[Row]:
    """Covariance flux of one block; gain, response time, lag and flow direction drawn."""
    sign = np.where(rng.random(number) < 0.5, 1.0, -1.0)
    speed = rng.uniform(0.06, 0.13, number)
    out: list[Row] = []
    for first in range(0, number, 20):
        part = slice(first, first + 20)
        tau, gain, excess = 0.45 + 0.05 * rng.normal(), 1.0 + 0.02 * rng.normal(), 0.05 * rng.normal()
        b = EXCHANGE.make_bursts(
            rng, blocks=20, speed=speed[part], separation=0.03 * sign[part] + excess * speed[part], tau=tau
        )
        found = exchange.eddy_covariance(
            w=b.w, concentration=190.0 + gain * (b.c - 190.0), sample_rate=8.0, separation_along=0.03 * sign[part],
            speed=speed[part], height=0.4, displacement=0.1, response_time=0.45, response_time_sd=0.05, gain_sd=0.02,
            lag_sd=0.05, friction_velocity=np.full(20, 0.01), noise_sd=0.25,
        )  # fmt: skip
        sd = np.hypot(found.random_sd, found.systematic_sd)
        out += [_score(float(v), b.flux, float(s)) for v, s in zip(found.flux, sd, strict=True)]
    return out


def gradient(rng: np.random.Generator, number: int) -> list[Row]:
    """Gradient flux of one night from a mast with swaps; all that the budget names drawn."""
    out: list[Row] = []
    for _ in range(number):
        m = EXCHANGE.make_mast(
            rng, days=4.0, swaps=(1.2, 2.6), ustar_systematic=0.05, height_sd=0.01, displacement_sd=0.01, kappa_sd=0.01
        )
        slope = 0.003 * rng.standard_normal(2)
        level = m.concentration.mean()
        seen = m.concentration + slope[:, None] * (m.concentration - level)
        found = exchange.gradient_flux(
            concentration=seen, height=m.height, time=m.hours * 3600.0, friction_velocity=m.ustar, noise_sd=0.0075,
            prior_offset=np.zeros(2), prior_covariance=np.eye(2) * 0.3**2, displacement=0.10,
            friction_velocity_random=0.15, friction_velocity_systematic=0.05, height_sd=0.01, displacement_sd=0.01,
            von_karman_sd=0.01, gain_sd=0.003, gain_level=level, light=m.light,
        )  # fmt: skip
        where = m.night & (m.hours // 24 == 2)
        mean = found.mean(where=where)
        out.append(_score(mean.value, float(m.flux[where].mean()), float(np.hypot(mean.random_sd, mean.systematic_sd))))
    return out


ESTIMATORS: dict[str, Callable[[np.random.Generator, int], list[Row]]] = {
    "u* covariance, calm": lambda rng, n: stress(rng, n, waves=False),
    "u* covariance, waves and pressure": lambda rng, n: stress(rng, n, waves=True),
    "u* covariance, whole burst": whole_burst,
    "dissipation": dissipation,
    "u* inertial subrange": inertial,
    "u* law of the wall": log_law,
    "dissipation, structure function": structure,
    "covariance flux, 15 min": covariance,
    "gradient flux, one night": gradient,
}


def portion(name: str, number: int) -> dict[str, float]:
    """Count one portion of an estimator."""
    rng = np.random.default_rng([zlib.crc32(name.encode()), number])
    begin = time.process_time()
    rows = ESTIMATORS[name](rng, PORTION)
    kept = [row for row in rows if row is not None]
    return {
        "kept": len(kept), "asked": len(rows), "half": sum(row[0] for row in kept), "most": sum(row[1] for row in kept),
        "seconds": time.process_time() - begin,
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--number", type=int, default=2000)
    parser.add_argument("--only", nargs="*")
    parser.add_argument("--state", type=Path, default=Path("coverage_flow.json"))
    args = parser.parse_args()
    state = json.loads(args.state.read_text(encoding="utf-8")) if args.state.exists() else {}
    print(f"{'estimator':36s} {'kept':>5s} {'68 %':>5s} {'band':>11s} {'95 %':>5s} {'band':>11s}  verdict")
    for name in ESTIMATORS:
        if args.only and not any(word in name for word in args.only):
            continue
        for number in range(args.number // PORTION):
            key = f"{name} {number}"
            if key not in state:
                state[key] = portion(name, number)
                args.state.write_text(json.dumps(state, indent=0), encoding="utf-8")
        parts = [state[f"{name} {number}"] for number in range(args.number // PORTION)]
        kept, counts = sum(p["kept"] for p in parts), [sum(p[k] for p in parts) for k in ("half", "most")]
        bands = [stats.binom.ppf([0.0005, 0.9995], kept, level) for level in LEVELS]
        held = all(low <= count <= high for count, (low, high) in zip(counts, bands, strict=True))
        said = [f"{count:5.0f} {low:5.0f}-{high:5.0f}" for count, (low, high) in zip(counts, bands, strict=True)]
        print(
            f"{name:36s} {kept:5d} {said[0]} {said[1]}  {'held' if held else 'NOT HELD'} "
            f"({sum(p['seconds'] for p in parts):.0f} s)",
            flush=True,
        )


if __name__ == "__main__":
    main()
