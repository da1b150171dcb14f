"""Growth found from the crew's cleanings: an invented mission of three optodes in blocks."""

from types import SimpleNamespace

import numpy as np
import pytest

from reeftally.analysis.grid import NS, BlockMeans, make_grid
from reeftally.analysis.growth import fouling_findings
from reeftally.analysis.records import SlowBlocks

DAY = 86400
LABELS = ("OXY-1", "OXY-2", "OXY-4")


def mission(*, growth=None, cleanings=(), seed=0):
    """Ten days; `growth` is (label, start day, size reached, cleaned day)."""
    rng = np.random.default_rng(seed)
    grid = make_grid(start_ns=0, end_ns=10 * DAY * NS, block_s=900)
    days = grid.seconds / DAY
    water = 185 + 8 * np.sin(2 * np.pi * days)
    slow = {}
    for label in LABELS:
        values = water + rng.normal(0, 0.15, grid.count)
        if growth is not None and growth[0] == label:
            _, start, size, cleaned = growth
            values += np.where((days > start) & (days < cleaned), size * (days - start) / (cleaned - start), 0.0)
        blocks = SlowBlocks(label, "optode")
        n = np.full(grid.count, 180)
        blocks.channels["oxygen"] = BlockMeans(mean=values, n=n, sd=np.full(grid.count, 0.1), bad=0 * n)
        slow[label] = blocks
    place = SimpleNamespace(start_ns=0, end_ns=10 * DAY * NS, station="mast")
    book = SimpleNamespace(
        deployment_at=lambda label, time: place,
        deployments_of=lambda label: (place,),
        station=lambda name: SimpleNamespace(role="bed"),
    )
    rows = [
        SimpleNamespace(instrument=label, kind="cleaning", time_ns=round(day * DAY * NS)) for label, day in cleanings
    ]
    streams = {label: SimpleNamespace(channels=("oxygen_molar",)) for label in LABELS}
    context = SimpleNamespace(
        grid=grid, book=book, tables=SimpleNamespace(interventions=rows), store=SimpleNamespace(streams=lambda: streams)
    )
    return context, slow


def test_growth_is_found_with_its_size_and_its_onset():
    # Story 26: planted 2.5 µmol/kg found within 20 %.
    context, slow = mission(growth=("OXY-2", 4.0, -2.5, 8.0), cleanings=[("OXY-2", 8.0)])

    (finding,) = fouling_findings(context, slow)

    step = float(finding.what.split("stepped by ")[1].split(" ")[0])
    assert finding.subject == "OXY-2"
    assert step == pytest.approx(2.5, rel=0.2)
    assert 2.5 * DAY < finding.start_ns / NS < 4.5 * DAY
    assert finding.correction["type"] == "exclude"
    assert finding.correction["channel"] == "oxygen_molar"


def test_sham_cleanings_claim_nothing():
    # Story 26: no step claimed at ten sham cleanings more than once.
    claimed = 0
    for seed in range(10):
        context, slow = mission(cleanings=[(LABELS[seed % 3], 2.0 + 0.6 * seed)], seed=seed)
        claimed += len(list(fouling_findings(context, slow)))

    assert claimed <= 1


def test_a_clean_sensor_is_not_blamed_for_its_neighbour():
    context, slow = mission(
        growth=("OXY-2", 4.0, -2.5, 8.0), cleanings=[("OXY-2", 8.0), ("OXY-1", 4.1), ("OXY-4", 7.9)]
    )

    assert [finding.subject for finding in fouling_findings(context, slow)] == ["OXY-2"]
