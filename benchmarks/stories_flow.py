"""What the flow and flux part of a mission is held to, number by number, on a rehearsed mission.

Run: python benchmarks/stories_flow.py MISSION

MISSION is a full rehearsal with default truth, taken in, checked with all proposals accepted (it is analysed here;
blocks that are remembered are not computed again). Prints for each point what was asked, what came out and whether it
is met. What a mission cannot show (planted spikes, a tilt, waves at will) is planted in synthetic bursts, and says so.
The truth of blocks is that of the generator with the same seed.
"""

# ruff: noqa: E501 - a row of the table reads best on one line
from __future__ import annotations

import importlib.util
import json
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from reeftally import exchange, flow
from reeftally.analysis.estimate_agreement import factor_checks
from reeftally.analysis.estimates import Estimate
from reeftally.analysis.fluxes import covariance_blocks, gradient_blocks
from reeftally.analysis.run import Chain, analyse
from reeftally.exchange import Reason

TESTS = Path(__file__).resolve().parents[1] / "tests"


def makers(room: str) -> Any:
    """Return the module of generators beside the tests of a room."""
    spec = importlib.util.spec_from_file_location(f"{room}_makers", TESTS / room / "conftest.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@dataclass
class Table:
    """Rows of asked, got, met."""

    rows: list[tuple[str, str, str, bool]] = field(default_factory=list)

    def add(self, story: str, asked: str, got: str, met: bool) -> None:
        self.rows.append((story, asked, got, bool(met)))
        print(f"{story:4s} {'met    ' if met else 'NOT MET'} | asked: {asked} | got: {got}", flush=True)


class Truth:
    """The truth file, and the generator's series for blocks."""

    def __init__(self, folder: Path) -> None:
        self.rows = json.loads((folder / "truth.json").read_text(encoding="utf-8"))

    def of(self, quantity: str, period: str, start: str | None = None, **more: Any) -> float:
        for row in self.rows:
            if row["quantity"] == quantity and row["period"] == period:
                near = start is None or abs(_seconds(row["start"]) - _seconds(start)) < 1000.0
                if near and all(row.get(k) == v for k, v in more.items()):
                    return float(row["value"])
        return float("nan")

    def matching(self, row: Estimate) -> float:
        return self.of(row.quantity, row.period, row.start, unit=row.unit)


def _seconds(text: str) -> float:
    return np.datetime64(text.rstrip("Z"), "ms").astype(float) / 1000.0


def rows_of(chain: Chain, quantity: str, method: str, period: str, unit: str | None = None) -> list[Estimate]:
    return [
        row for row in chain.estimates.rows
        if row.quantity == quantity and row.method == method and row.period == period and row.value is not None
        and (unit is None or row.unit == unit)
    ]  # fmt: skip


def weighted(rows: list[Estimate], truth: Truth) -> tuple[float, float]:
    """Return means of estimate and truth over periods, weighted by their length."""
    hours = np.array([_seconds(r.end) - _seconds(r.start) for r in rows])
    values = np.array([float(r.value or np.nan) for r in rows])
    return float(np.average(values, weights=hours)), float(np.average([truth.matching(r) for r in rows], weights=hours))


def inside(rows: list[Estimate], truth: Truth) -> int:
    return sum(bool((r.lower or 0) <= truth.matching(r) <= (r.upper or 0)) for r in rows)


def synthetic(table: Table) -> None:
    """Despiking, rotation, waves."""
    generator = makers("flow")
    rng = np.random.default_rng(1)
    caught = planted = changed = good = 0
    ratios = []
    for _ in range(10):
        b = generator.make_burst(rng, sample_rate=32.0, wave_amplitude=0.14, noise=(0.012, 0.012, 0.0035))
        spikes = rng.random(b.velocity.shape[1]) < 0.01
        spoilt = b.velocity.copy()
        size = rng.uniform(0.1, 0.5, (3, int(spikes.sum()))) * rng.choice([-1, 1], (3, int(spikes.sum())))
        spoilt[:, spikes] += size
        found = flow.despike(velocity=spoilt, sample_rate=32.0)
        caught, planted = caught + int((found.bad & spikes).sum()), planted + int(spikes.sum())
        changed, good = changed + int((found.bad & ~spikes).sum()), good + int((~spikes).sum())
        ratios.append(np.nanvar(found.clean[2]) / np.var(b.velocity[2]))
    table.add(
        "47", "1 % spikes: >= 95 % caught, <= 0.2 % good changed, <w'2> within 3 % (planted)",
        f"{100 * caught / planted:.1f} % caught, {100 * changed / good:.3f} % changed, <w'2> x {np.mean(ratios):.3f}",
        caught >= 0.95 * planted and changed <= 0.002 * good and abs(np.mean(ratios) - 1) < 0.03,
    )  # fmt: skip
    low, raw = [], []
    for _ in range(40):
        b = generator.make_burst(rng, sample_rate=8.0, wave_amplitude=0.14, tilt=1.0)
        u, v, w = b.velocity
        stress = flow.reynolds_stress(u=u, v=v, w=w, sample_rate=8.0, pressure=b.pressure, height=0.3)
        low.append(stress.friction_velocity)
        raw.append(np.sqrt(abs(stress.raw_uw)))
    table.add(
        "49", "orbital 0.14 m/s, tilt 1 deg: u* within 10 %, raw off by > 50 % (planted)",
        f"mean of 40 bursts {100 * (np.nanmean(low) / 0.01 - 1):+.1f} %, raw {100 * (np.median(raw) / 0.01 - 1):+.0f} %",
        abs(np.nanmean(low) / 0.01 - 1) < 0.1 and abs(np.median(raw) / 0.01 - 1) > 0.5,
    )  # fmt: skip


def rotation(chain: Chain, table: Table, tilt: tuple[float, float] = (3.2, -1.8)) -> None:
    """The plane of the velocimeter whose book says pitch and roll of the rehearsal."""
    series = max(chain.velocimeters, key=lambda v: len(v.records))
    up = series.field("mean_up", chain.grid.count)
    # The plane that the chain itself turns by, which also knows the orbits of the waves.
    if series.plane is None:
        table.add("48", "a plane", f"none: {series.rotation}", False)
        return
    # w = b0 + b1 u + b2 v: the slopes of the plane are the tangents of the two tilts, in the axes of the instrument.
    _, b1, b2 = series.plane.coefficients[0]
    got = np.rad2deg(np.arctan([b1, b2]))
    angle = np.rad2deg(np.arccos(1.0 / np.sqrt(1.0 + b1**2 + b2**2)))
    whole = np.rad2deg(np.arccos(np.cos(np.deg2rad(tilt[0])) * np.cos(np.deg2rad(tilt[1]))))
    mean_w = 1e3 * abs(np.nanmean(up))
    table.add(
        "48", f"pitch {tilt[0]}, roll {tilt[1]} deg within 0.1 deg; mean w < 0.2 mm/s after",
        f"slopes {got[0]:+.2f}, {got[1]:+.2f} deg; whole tilt {angle:.2f} for {whole:.2f} deg; mean w {mean_w:.3f} mm/s",
        abs(angle - whole) < 0.1 and mean_w < 0.2,
    )  # fmt: skip


def friction(chain: Chain, table: Table, true: np.ndarray) -> None:
    """Three routes against the truth of blocks."""
    whole = chain.spans[0]
    inside_mission = chain.grid.mids_in(whole.start_ns, whole.end_ns)
    said, met = [], True
    for method, limit in (("covariance", 0.25), ("dissipation", 0.15), ("log_law", 0.15)):
        value = chain.currents.estimates[method][0]
        good = inside_mission & np.isfinite(value) & np.isfinite(chain.currents.friction_velocity)
        share = float(np.mean(np.abs(value[good] / true[good] - 1) <= limit))
        said.append(f"{method} {100 * share:.0f} % of {good.sum()}")
        met &= share >= 0.8
    reasons = sum(chain.currents.refused.values())
    table.add(
        "50", "stress within 25 %, dissipation and log law within 15 % in >= 80 % of valid bursts; reasons named",
        f"{', '.join(said)}; {reasons} bursts refused as a whole with "
        f"{len(chain.currents.refused)} kinds of reason",
        met,
    )  # fmt: skip


def covariance(chain: Chain, table: Table, truth: Truth, true_flux: np.ndarray) -> None:
    """Lag, response, night mean, interval of blocks; lag curve and wave share."""
    found = chain.covariance
    assert found is not None
    lags = []
    for number, toward in ((0, 75.0), (1, 255.0)):
        row = int(np.flatnonzero(found.lag.group == number)[0])
        # The truth is a mean over water that moves; so is this one: refused blocks are slack or astray.
        members = (found.group == number) & np.isfinite(found.flux.flux)
        travel = float(np.nanmean(found.flux.lag_expected[members]))
        # The response is restored, so the lag that is left is travel time.
        wanted = truth.of("sensor_lag", "instant", flow_to_deg=toward)
        instrument = chain.context.book.instrument(found.label)
        lags.append((travel + (instrument.response_time_s or 0.0), wanted, float(found.lag.excess[row])))
    apart = [abs(a - b) for a, b, _ in lags]
    nights = list(rows_of(chain, "oxygen_flux", "covariance", "night"))
    got, wanted = weighted(nights, truth)
    flux = found.series("flux", chain.grid.count)
    sd = found.series("random_sd", chain.grid.count)
    steady = np.isfinite(flux) & np.isfinite(true_flux)
    scale = np.nansum(flux[steady] * true_flux[steady]) / np.nansum(true_flux[steady] ** 2)
    z = (flux - scale * true_flux)[steady] / sd[steady]
    held = float(np.mean(np.abs(z) < 1.96))
    edge = int((found.flux.reason & int(Reason.LAG_AT_EDGE) > 0).sum())
    loss = 1.0 - 1.0 / float(np.nanmedian(found.flux.response_factor))
    table.add("51", "lag by flow direction within 0.15 s of truth, never outside the window",
              f"{', '.join(f'{a:.2f} for {b:.2f} s' for a, b, _ in lags)}; {edge} blocks at the edge",
              max(apart) < 0.15 and edge == 0)  # fmt: skip
    table.add("51", "about 5 % loss by response restored", f"{100 * loss:.1f} %", 0.02 < loss < 0.09)
    table.add("51", "night mean O2 flux within 8 % of truth", f"{got:.2f} for {wanted:.2f} ({100 * (got / wanted - 1):+.1f} %)",
              abs(got / wanted - 1) < 0.08)  # fmt: skip
    table.add("51", "block random error covers 95 +/- 3 %", f"{100 * held:.1f} % of {steady.sum()} blocks",
              0.92 <= held <= 0.98)  # fmt: skip
    doubted = int((found.flux.reason & int(Reason.LAG_SENSITIVE) > 0).sum())
    share = found.flux.wave_share
    sensitive = found.flux.lag_sensitivity > 0.25
    table.add("52", "flux against lag; wave-band share; block flagged if > 25 % for 0.25 s",
              f"curve of {found.flux.flux_of_lag.shape[1]} lags a block; wave share median {np.nanmedian(share):+.2f}; "
              f"{doubted} flagged of {sensitive.sum()} sensitive", doubted == int(sensitive.sum()))  # fmt: skip


def gradients(chain: Chain, table: Table, truth: Truth) -> None:
    """Gradient fluxes with and without swaps."""
    for quantity, method, limit in (("oxygen_flux", "gradient", 0.10), ("dic_flux", "gradient_ph_alkalinity", 0.20)):
        rows = rows_of(chain, quantity, method, "night")
        got, wanted = weighted(rows, truth)
        table.add("53", f"{quantity}: mean of the nights within {100 * limit:.0f} %; every night's interval holds",
                  f"{got:.2f} for {wanted:.2f} ({100 * (got / wanted - 1):+.1f} %); {inside(rows, truth)} of {len(rows)}",
                  abs(got / wanted - 1) < limit and inside(rows, truth) >= len(rows) - 1)  # fmt: skip
    from reeftally.analysis.run import _storage_rate

    scale = chain.density / 1000.0
    widths = []
    for swaps in (True, False):
        blocks = gradient_blocks(
            chain.context, chain.grid, chain.slow, chain.offsets["oxygen"], chain.currents, quantity="oxygen",
            scale=scale, storage_rate=_storage_rate(chain, "oxygen", scale), light=chain.light, use_swaps=swaps,
        )  # fmt: skip
        assert blocks is not None
        night = next(s for s in chain.spans if s.kind == "night" and s.complete)
        mean = blocks.flux.mean(where=chain.grid.mids_in(night.start_ns, night.end_ns)[blocks.use])
        widths.append((float(np.hypot(mean.random_sd, mean.systematic_sd)), mean.budget["offset"]))
    ratio = widths[1][0] / widths[0][0]
    table.add("53", "without swaps the interval widens >= 2 times",
              f"{ratio:.2f} times (offset term {widths[0][1]:.3f} to {widths[1][1]:.3f})", ratio >= 2.0)  # fmt: skip


def others(chain: Chain, table: Table, truth: Truth) -> None:
    """Calcification, box, agreement, light, day sums."""
    row = rows_of(chain, "net_community_calcification", "budget_of_bottles", "mission")[0]
    wanted = truth.of("net_community_calcification", "mission")
    half = 24.0 * ((row.upper or 0) - (row.lower or 0)) / 2.0
    bound = rows_of(chain, "dic_flux", "gradient_ph_oxygen", "night")
    says = bool(bound) and bound[0].flag == 3 and "amplifies" in bound[0].reason
    table.add("54", "24 h NCC holds truth, half-width <= 6 mmol m-2 d-1; pH and O2 gradient gives a bound and says so",
              f"{24 * (row.value or 0):.1f} for {24 * wanted:.1f}, half-width {half:.1f}; bound said: {says}",
              (row.lower or 0) <= wanted <= (row.upper or 0) and half <= 6.0 and says)  # fmt: skip
    nights = rows_of(chain, "oxygen_flux", "box", "night")
    got, wanted = weighted(nights, truth)
    table.add("55", "box: night O2 flux within 20 %", f"{got:.2f} for {wanted:.2f} ({100 * (got / wanted - 1):+.1f} %); "
              f"{inside(nights, truth)} of {len(nights)} nights inside", abs(got / wanted - 1) < 0.2)  # fmt: skip
    share = rows_of(chain, "method_share_inside", "covariance_against_gradient", "mission")[0]
    slope = rows_of(chain, "method_slope", "covariance_against_gradient", "mission")[0]
    bias = rows_of(chain, "method_bias", "covariance_against_gradient", "mission")[0]
    wrong = _with_wrong_height(chain)
    table.add("56", "n, bias, slope, share inside >= 90 %; a planted 20 % height error lowers it and is named",
              f"n {share.n}, bias {bias.value:.2f}, slope {slope.value:.3f} ({slope.lower:.3f} to {slope.upper:.3f}), share "
              f"{100 * (share.value or 0):.0f} %; with the error {100 * wrong[0]:.0f} %, suspects {wrong[1]}",
              (share.value or 0) >= 0.9 and wrong[0] < (share.value or 0) and "height" in wrong[1])  # fmt: skip
    for method in ("gradient", "covariance"):
        top = rows_of(chain, "maximum_production", f"light_response_{method}", "mission")[0].value or 0
        ik = rows_of(chain, "light_saturation", f"light_response_{method}", "mission")[0].value or 0
        days = [r for r in rows_of(chain, "oxygen_flux", method, "24h", "mmol m-2 d-1") if "cut" not in r.reason]
        got, wanted = weighted(days, truth)
        told = all("measured" in r.reason or "filled" in r.reason or not r.reason for r in days)
        table.add("57", f"{method}: Pmax 23, Ik 330 within 10 %; 24 h O2 flux within 10 % (about -86); hours told",
                  f"Pmax {top:.1f}, Ik {ik:.0f}; {got:.1f} for {wanted:.1f} mmol m-2 d-1 ({100 * (got / wanted - 1):+.1f} %)",
                  abs(top / 23 - 1) < 0.1 and abs(ik / 330 - 1) < 0.1 and abs(got / wanted - 1) < 0.1 and told)  # fmt: skip


def _with_wrong_height(chain: Chain) -> tuple[float, list[str]]:
    """Return share inside and suspects when the gradient believes in a lower sensor a fifth too high."""
    found, gradient = chain.covariance, next(g for g in chain.gradients if g.quantity == "oxygen")
    assert found is not None
    count = chain.grid.count
    names = ("flux", "random_sd", "systematic_sd")
    first, second = ([source.series(n, count) for n in names] for source in (found, gradient))
    # ln((1.0 - d)/(0.35 - d)) against a lower height a fifth larger: the flux grows by the ratio.
    grown = np.log(0.9 / 0.25) / np.log(0.9 / (0.42 - 0.1))
    second[0], second[1] = second[0] * grown, second[1] * grown
    whole = chain.spans[0]
    inside = chain.grid.mids_in(whole.start_ns, whole.end_ns)
    result = exchange.agreement(
        first=first[0], second=second[0], first_random_sd=first[1], second_random_sd=second[1],
        first_systematic_sd=first[2], second_systematic_sd=second[2],
        use=inside, factor_checks=factor_checks(chain, inside),
    )  # fmt: skip
    return float(result.share_inside), [s.name for s in result.suspects]


def footprint(chain: Chain, table: Table) -> None:
    """The published length, and the flag outside its range."""
    from reeftally.exchange import footprint as of

    inner = of(height=0.2, roughness_length=0.005, depth=3.0)
    site = chain.context.book.site
    here = of(height=0.4, roughness_length=site.roughness_length_m or 0.02, depth=site.water_depth_m)
    east, north = (axis.ravel() for axis in np.meshgrid(np.arange(-80.0, 81.0), np.arange(-80.0, 81.0)))
    shares = exchange.bottom_shares(
        length=float(inner.length), peak=float(inner.peak), width=float(inner.width), direction_from=75.0, east=east,
        north=north, bottom=(np.hypot(east, north) > 10.0).astype(int), names=("near 10 m", "beyond"),
    )  # fmt: skip
    table.add("58", "90 % length within 20 % of the published form; flagged outside its range; share by bottom type",
              f"{float(inner.length):.2f} for 33.2174 m (published row); here {float(here.length):.0f} m, flags: "
              f"{'; '.join(here.warnings()) or 'none'}; shares of an invented map {({k: round(v, 2) for k, v in shares.items()})}",
              abs(float(inner.length) / 33.2174 - 1) < 0.2 and bool(here.warnings()))  # fmt: skip


def refusals(chain: Chain, table: Table) -> None:
    """Planted bad blocks: slack, wakes, stuck sensor, jumps inside a block."""
    found = chain.covariance
    assert found is not None
    fast = next(v.fast for v in chain.velocimeters if v.fast is not None)
    series = next(v for v in chain.velocimeters if v.fast is fast)
    rng = np.random.default_rng(2)
    count = fast.blocks.size
    bad = {name: rng.random(count) < 0.05 for name in ("friction", "jump", "stuck")}
    keep_oxygen, friction_before = fast.oxygen.copy(), chain.currents.friction_velocity.copy()
    step = fast.oxygen.shape[1] // 2
    fast.oxygen[bad["jump"], step:] += 60.0
    fast.w[bad["jump"], step:] += np.float32(0.05)
    fast.oxygen[bad["stuck"]] = 40.0
    chain.currents.friction_velocity = friction_before.copy()
    chain.currents.friction_velocity[fast.blocks[bad["friction"]]] = 0.002
    again = covariance_blocks(chain.context, chain.grid, series, chain.currents, np.zeros(chain.grid.count))
    assert again is not None
    said = {name: int(np.isnan(again.flux.flux[members]).sum()) for name, members in bad.items()}
    total = {name: int(members.sum()) for name, members in bad.items()}
    fast.oxygen[:] = keep_oxygen
    chain.currents.friction_velocity = friction_before
    table.add("59", "all planted bad blocks (friction below floor, unsteady, stuck) out of the means, with count",
              ", ".join(f"{name} {said[name]} of {total[name]}" for name in bad),
              said == total)  # fmt: skip


def fluxes(chain: Chain, truth: Truth) -> None:
    """Print every flux of nights, days and 24 h by method: value, interval, truth, inside or not."""
    print(f"{'flux':12s} {'method':24s} {'period':8s} {'start':16s} {'truth':>8s} {'value':>8s} {'interval':>18s}")
    for row in chain.estimates.rows:
        if row.quantity not in {"oxygen_flux", "dic_flux"} or not row.unit.endswith("h-1"):
            continue
        true = truth.matching(row)
        if row.value is None:
            said, held = "refused", row.reason
        else:
            low, high = row.lower or 0.0, row.upper or 0.0
            said, held = f"{row.value:8.2f} {low:8.2f} .. {high:6.2f}", "inside" if low <= true <= high else "OUTSIDE"
        print(f"{row.quantity:12s} {row.method:24s} {row.period:8s} {row.start[:16]} {true:8.2f} {said} {held}")


def main() -> None:
    folder = Path(sys.argv[1])
    _, chain = analyse(folder)
    if not isinstance(chain, Chain):
        sys.exit(f"{folder.name} is a record of years, not a mission")
    truth = Truth(folder)
    world = _world(chain)
    seconds = (chain.grid.mids - world.script.start_ns) / 1e9
    true_friction = world.water.at("friction", seconds)
    true_flux = np.interp(seconds, world.water.t, world.chemistry.oxygen_flux)
    table = Table()
    synthetic(table)
    checks: dict[str, Callable[[], None]] = {
        "48": lambda: rotation(chain, table),
        "50": lambda: friction(chain, table, true_friction),
        "51": lambda: covariance(chain, table, truth, true_flux),
        "53": lambda: gradients(chain, table, truth),
        "54": lambda: others(chain, table, truth),
        "58": lambda: footprint(chain, table),
        "59": lambda: refusals(chain, table),
    }
    for story, check in checks.items():
        try:
            check()
        except Exception as error:
            # What cannot be looked at is not met; the others are still shown.
            table.add(story, "an answer", f"{type(error).__name__}: {error}", False)
    print(f"{sum(row[3] for row in table.rows)} of {len(table.rows)} points met")
    fluxes(chain, truth)


def _world(chain: Chain) -> Any:
    from reeftally.rehearsal.highrate import make_world

    start, end = chain.spans[0].start_ns, chain.spans[0].end_ns
    size = "full" if end - start > 5 * 86_400 * 10**9 else "demo36"
    return make_world(size, 1)


if __name__ == "__main__":
    main()
