"""Detectors of the review over many seeds, on small invented records with the fault planted or not.

Rates, not single examples: a fault is to be found in nine of ten, and not claimed where there is none.
"""

from types import SimpleNamespace as Plain

import numpy as np
import pytest

from reeftally.analysis.clockwork import ClockMap
from reeftally.analysis.context import Record
from reeftally.analysis.crossed import crossed_pairs
from reeftally.analysis.fast_blocks import FastMinutes, FlowBlocks
from reeftally.analysis.fast_findings import _broken, _echoes
from reeftally.analysis.first_look import _upward
from reeftally.analysis.grid import NS, BlockMeans, make_grid
from reeftally.analysis.offsets import SensorOffsets, certificate_anchors
from reeftally.analysis.profiler_findings import _bins
from reeftally.analysis.records import SlowBlocks
from reeftally.analysis.sensor_findings import _carried_scales, _settling
from reeftally.calibration.side_by_side import SETTLING_TIMES, SideBySide, adjust

HOUR = 3600 * NS
START = 1_932_000_000 * NS // HOUR * HOUR
LABELS = ("A-1", "A-2", "A-3", "A-4")
HEIGHTS = (0.35, 0.55, 1.0, 2.0)
DISPLACEMENT = 0.1


class Book:
    """As much of a mission book as the detectors ask for."""

    intercalibrations = ()
    site = Plain(displacement_height_m=DISPLACEMENT, water_depth_m=6.4)
    calibrations = ()

    def __init__(self, start, end, roles):
        self.places = {
            label: [Plain(instrument=label, station=role, start_ns=start, end_ns=end, height_above_bed_m=height)]
            for (label, role), height in zip(roles.items(), HEIGHTS, strict=False)
        }

    def deployments_of(self, label):
        return self.places[label]

    def deployment_at(self, label, ns):
        return next((p for p in self.places[label] if p.start_ns <= ns < p.end_ns), None)

    def station(self, name):
        return Plain(role=name)

    def instrument(self, label):
        return Plain(label=label, bins=Plain(first_m=0.05, size_m=0.02, count=10), sample_interval_s=1.0, serial="7")


def means(values):
    n = np.isfinite(values).astype(np.int64) * 100
    return BlockMeans(mean=values, n=n, sd=np.full(values.shape, 0.1), bad=np.zeros_like(n))


def array(seed, crossed=None):
    """Four optodes over four days: side by side first, then on the mast; two streams crossed for a stretch."""
    rng = np.random.default_rng(seed)
    grid = make_grid(start_ns=START, end_ns=START + 96 * HOUR, block_s=900.0)
    hours = (grid.seconds - grid.seconds[0]) / 3600.0
    beside = hours < 16.0
    offset = rng.normal(0.0, 2.0, 4)
    level = 190.0 + 8.0 * np.sin(2 * np.pi * hours / 24)
    # The gradient turns with the light and strays from the law of the wall by patches that last an hour.
    slope = 0.6 * np.sin(2 * np.pi * hours / 24) + 0.1
    heights = np.array(HEIGHTS) - DISPLACEMENT
    patch = np.stack([np.convolve(rng.normal(0, 0.12, hours.size), np.ones(4) / 2.0, "same") for _ in LABELS])
    water = level + np.where(beside, 0.0, slope * np.log(heights)[:, None] + patch)
    values = water + offset[:, None] + rng.normal(0, 0.02, water.shape)
    streams = values.copy()
    if crossed is not None:
        i, k, first, last = crossed
        streams[i, first:last], streams[k, first:last] = values[k, first:last], values[i, first:last]
    slow = {
        label: SlowBlocks(label, "optode", {"oxygen": means(row)}) for label, row in zip(LABELS, streams, strict=True)
    }
    adjustment = adjust(
        groups=[SideBySide(time=grid.seconds[beside], values=streams[:, beside], name="before")],
        prior_offset_sd=np.full(4, 4.0), prior_drift_sd=np.full(4, 0.05), noise_sd=np.full(4, 0.02),
        reference_time=float(grid.seconds[200]),
    )  # fmt: skip
    offsets = {"oxygen": SensorOffsets(quantity="oxygen", labels=LABELS, laboratories=(), adjustment=adjustment)}
    book = Book(START + 17 * HOUR, START + 96 * HOUR, dict.fromkeys(LABELS, "bed"))
    context = Plain(book=book, grid=grid)
    apart = abs(offset[crossed[0]] - offset[crossed[1]]) if crossed is not None else 0.0
    return context, slow, offsets, apart


def test_crossed_streams_are_found_with_their_ends_and_never_where_straight():
    found = tried = false = 0
    for seed in range(60):
        rng = np.random.default_rng(1000 + seed)
        i, k = sorted(rng.choice(4, 2, replace=False))
        first = 70 + int(rng.integers(0, 200))
        last = first + int(rng.integers(24, 80))
        context, slow, offsets, apart = array(seed, (i, k, first, last))
        if apart > 1.5:
            tried += 1
            pairs = crossed_pairs(context, context.grid, slow, offsets)
            found += any(
                {p.first, p.second} == {LABELS[i], LABELS[k]}
                and abs(p.start_block - first) <= 2
                and abs(p.end_block - last) <= 2
                for p in pairs
            )
        context, slow, offsets, _ = array(seed)
        false += bool(crossed_pairs(context, context.grid, slow, offsets))

    assert tried >= 30
    assert found >= 0.9 * tried
    assert false <= 1


def minutes(seed, fault):
    rng = np.random.default_rng(seed)
    grid = make_grid(start_ns=START, end_ns=START + 24 * HOUR, block_s=60.0)
    n = grid.count
    mean = 180 + 6 * np.sin(np.arange(n) / 200) + rng.normal(0, 0.3, n)
    noise = np.full(n, 0.25) * rng.uniform(0.8, 1.2, n)
    same = np.full(n, 0.02)
    part = slice(600, 700)
    if fault == "rail":
        mean[part], noise[part], same[part] = 430.0, 0.0, 1.0
    if fault == "loud":
        noise[part] = 4.0
    return FastMinutes(label="F", channel="oxygen_molar", grid=grid, mean=mean, noise=noise,
                       count=np.full(n, 480), same=same)  # fmt: skip


def fast_context():
    return Plain(clock=lambda _: ClockMap((), START), tables=Plain(interventions=()), book=Book(0, 1, {}))


@pytest.mark.parametrize("fault", ["rail", "loud"])
def test_a_broken_fast_sensor_is_left_out_with_a_minute_on_either_side(fault):
    for seed in range(20):
        (finding,) = _broken(fast_context(), minutes(seed, fault))
        assert finding.start_ns == START + 599 * 60 * NS
        assert finding.end_ns == START + 701 * 60 * NS
        assert finding.correction["type"] == "exclude"


def test_a_sound_fast_sensor_is_left_alone():
    assert sum(len(list(_broken(fast_context(), minutes(seed, "")))) for seed in range(40)) == 0


def test_poor_echoes_are_told_and_usual_ones_are_not():
    rng = np.random.default_rng(4)
    grid = make_grid(start_ns=START, end_ns=START + 48 * HOUR, block_s=900.0)
    n = grid.count

    def blocks(correlation):
        return FlowBlocks(label="V", grid=grid, upward_z=np.zeros(n), count=np.full(n, 14400), mean=np.zeros((2, n)),
                          correlation=correlation, poor=np.full(n, 0.01))  # fmt: skip

    usual = 96 + rng.normal(0, 0.05, n)
    bubbly = usual.copy()
    bubbly[60:90] -= 12.0

    assert not list(_echoes(fast_context(), blocks(usual)))
    (finding,) = _echoes(fast_context(), blocks(bubbly))
    assert (finding.start_ns, finding.end_ns) == (int(grid.edges[60]), int(grid.edges[90]))
    assert not finding.open


def profile(seed, hit):
    rng = np.random.default_rng(seed)
    grid = make_grid(start_ns=START, end_ns=START + 72 * HOUR, block_s=900.0)
    tide = 0.3 * np.sin(2 * np.pi * np.arange(grid.count) / 50)
    channels = {}
    for number in range(1, 11):
        shape = np.log(1 + number) / np.log(11)
        x = tide * shape + rng.normal(0, 0.002, grid.count)
        if hit and number == 5:
            x[120:128] *= 0.05
        channels[f"velocity_x_bin_{number:02d}"] = means(x)
        channels[f"velocity_y_bin_{number:02d}"] = means(rng.normal(0, 0.002, grid.count))
    return Plain(book=Book(0, 1, {}), grid=grid), SlowBlocks("P", "profiler", channels)


def test_a_bin_that_hits_a_fin_is_found_and_others_are_not():
    found = false = 0
    for seed in range(30):
        context, blocks = profile(seed, hit=True)
        findings = list(_bins(context, blocks))
        found += [f.correction["channel"] for f in findings] == ["*_bin_05"]
        context, blocks = profile(seed, hit=False)
        false += bool(list(_bins(context, blocks)))

    assert found >= 27
    assert false <= 1


def carried(seed, wrong):
    """A hand-held pH sensor on eight dives beside a fixed one; one dive on the free scale if wrong."""
    rng = np.random.default_rng(seed)
    grid = make_grid(start_ns=START, end_ns=START + 96 * HOUR, block_s=900.0)
    hours = (grid.seconds - grid.seconds[0]) / 3600.0
    level = 8.0 + 0.03 * np.sin(2 * np.pi * hours / 24)
    times, values = [], []
    for dive in range(8):
        t = START + (6 + 11 * dive) * HOUR + np.arange(0, 7200, 10, dtype=np.int64) * NS
        v = np.interp((t - START) / HOUR, hours, level) + 0.005 + rng.normal(0, 0.0015, t.size)
        for begin in range(60, 700, 120):
            v[begin : begin + 40] -= rng.uniform(0.005, 0.03)
        if wrong and dive == 3:
            v += 0.12
        times.append(t)
        values.append(v)
    time, value = np.concatenate(times), np.concatenate(values)
    record = Plain(time_ns=time, channels={"ph_total": value}, seconds=lambda: time / NS)
    labels = ("P-1", "P-H")
    fixed, hand = means(level + rng.normal(0, 0.0002, level.size)), means(np.full(level.size, np.nan))
    slow = {
        "P-1": SlowBlocks("P-1", "isfet_ph", {"ph_total": fixed}),
        "P-H": SlowBlocks("P-H", "isfet_ph", {"ph_total": hand}),
    }
    adjustment = adjust(
        groups=[SideBySide(time=grid.seconds[:20], values=np.tile(level[:20], (2, 1)), name="before")],
        prior_offset_sd=np.full(2, 0.015), prior_drift_sd=np.zeros(2), noise_sd=np.full(2, 0.0005),
        reference_time=float(grid.seconds[0]),
    )  # fmt: skip
    offsets = {"ph_total": SensorOffsets(quantity="ph_total", labels=labels, laboratories=(), adjustment=adjustment)}
    context = Plain(
        book=Book(START, START + 96 * HOUR, {"P-1": "bed", "P-H": "carried"}),
        grid=grid,
        store=Plain(streams=lambda: {"P-H": Plain(channels=("ph_total",))}),
        read=lambda label, channels: record,
    )
    water = Plain(temperature=np.full(grid.count, 28.4), salinity=np.full(grid.count, 35.1))
    return context, slow, water, offsets


def test_a_dive_on_the_free_scale_is_named_and_put_right_by_the_distance_of_the_scales():
    # Free minus total is 0.120 at salinity 35.1 and 28.4 °C (own core; story of the scales, recomputed there).
    for seed in range(20):
        (finding,) = _carried_scales(*carried(seed, wrong=True))
        assert finding.correction["type"] == "add"
        assert finding.correction["value"] == pytest.approx(-0.120, abs=0.002)
        assert finding.causes[0].name == "ph scale"
        assert not list(_carried_scales(*carried(seed, wrong=False)))


def test_settling_is_told_where_it_was_and_not_where_it_was_not():
    told = {0.0: 0, 0.02: 0}
    for seed in range(20):
        for amplitude in told:
            rng = np.random.default_rng(seed)
            time = np.arange(0, 8 * 86400, 900.0)
            true = 0.02 * np.sin(time / 14000)
            own = true + amplitude * np.exp(-time / (1.5 * 86400))
            values = np.stack([own, true, true]) + rng.normal(0, 0.0008, (3, time.size))
            adjustment = adjust(
                groups=[SideBySide(time=time, values=values, name="twins")],
                prior_offset_sd=np.full(3, 0.015), prior_drift_sd=np.full(3, 0.0005), noise_sd=np.full(3, 0.0008),
                prior_settling_sd=np.array([0.02, 0.0, 0.0]), settling_start=0.0, settling_times=SETTLING_TIMES,
                reference_time=4 * 86400.0,
            )  # fmt: skip
            known = SensorOffsets(
                quantity="ph_total", labels=("P-1", "P-2", "P-3"), laboratories=(), adjustment=adjustment
            )
            told[amplitude] += bool(list(_settling({"ph_total": known})))

    assert told[0.02] >= 18
    assert told[0.0] <= 1


def certificate(**change):
    row = {"instrument": "A-1", "serial": "7", "quantity": "oxygen", "date": "2031-03-01", "date_ns": START,
           "offset": 1.5, "offset_sd": 0.3, "gain": None} | change  # fmt: skip
    book = Book(0, 1, {"A-1": "bed"})
    book.calibrations = (Plain(**row),)
    return certificate_anchors(Plain(book=book), ["A-2", "A-1"], "oxygen")


def test_a_certificate_is_an_anchor_with_the_sign_of_an_error():
    (anchor,) = certificate()

    assert anchor.sensor == 1
    assert anchor.difference[0] == -1.5
    assert anchor.sd[0] == 0.3


@pytest.mark.parametrize("change", [{"serial": "8"}, {"offset_sd": None}, {"gain": 1.02}, {"quantity": "ph_total"}])
def test_a_certificate_of_another_sensor_or_without_uncertainty_says_nothing(change):
    assert certificate(**change) == []


def test_the_first_hour_of_a_velocimeter_tells_which_way_is_up():
    # Invented turbulence: momentum goes down to the bed, correlation -0.3 along and vertical (the log layer's usual).
    for seed in range(10):
        rng = np.random.default_rng(seed)
        n = 4 * 3600
        along, across, free = rng.normal(0.0, 1.0, (3, n))
        velocity = np.stack([0.2 + 0.03 * along, 0.02 * across, 0.01 * (-0.3 * along + 0.95 * free)])
        time = START + np.arange(n, dtype=np.int64) * (NS // 4)

        def record(sign, time=time, velocity=velocity):
            turned = velocity * np.array([[1.0], [sign], [sign]])
            return Record("V", time, dict(zip(("velocity_x", "velocity_y", "velocity_z"), turned, strict=True)))

        assert _upward(record(1.0), 0.25) > 4.0
        assert _upward(record(-1.0), 0.25) < -4.0
