"""First-hour verdict: an invented array with the faults of the first hour."""

import numpy as np
import pytest

from reeftally.errors import ShapeError
from reeftally.quality.first_hour import FirstHour, find_swap, first_hour


def hour(rng, stream, quantity, level, noise, interval=5.0, **more):
    n = round(3600 / interval)
    time = 1.9e9 + np.arange(n) * interval
    slow = 3 * noise * np.sin(2 * np.pi * np.arange(n) / n)
    return FirstHour(
        stream=stream, quantity=quantity, time=time, values=more.pop("values", level + slow + rng.normal(0, noise, n)),
        interval=interval, noise_sd=noise, **more,
    )  # fmt: skip


def array(rng):
    """Fifteen healthy streams."""
    oxygen = [hour(rng, f"OXY-{k}", "oxygen", 185, 0.1, saturation=np.full(10, 95.0)) for k in range(1, 6)]
    ph = [hour(rng, f"PHI-{k}", "ph_total", 8.0, 0.0006, interval=60.0) for k in range(1, 5)]
    flow = [hour(rng, f"VEL-{k}", "velocity_z", 0.0, 0.01, interval=1.0, vertical_z=7.0) for k in "AB"]
    return [
        *oxygen, *ph, *flow,
        hour(rng, "CTD-1", "temperature", 28.4, 0.002), hour(rng, "CTD-1", "salinity", 35.1, 0.003),
        hour(rng, "CTD-1", "pressure", 6.0, 0.01, depth=6.0),
        hour(rng, "FAR-1", "temperature", 28.2, 0.01, interval=60.0),
    ]  # fmt: skip


def test_fifteen_healthy_streams_are_green():
    for seed in range(10):
        verdicts = first_hour(array(np.random.default_rng(seed)))

        assert len(verdicts) == 15
        assert [v.light for v in verdicts] == ["green"] * 15, [v for v in verdicts if v.light != "green"]


@pytest.mark.parametrize(
    ("fault", "light", "word"),
    [
        ({"quantity": "velocity_z", "level": 0.0, "noise": 0.01, "vertical_z": -6.5}, "red", "upside down"),
        (
            {"quantity": "oxygen", "level": 8.02, "noise": 0.1, "saturation": np.full(9, 4.0)},
            "red",
            "saturation is 4 %",
        ),
        ({"quantity": "oxygen", "level": 185, "noise": 0.1, "saturation": np.full(9, 140.0)}, "amber", "140 %"),
        ({"quantity": "ph_total", "level": 7.5, "noise": 0.0006, "interval": 30.0}, "amber", "not settled"),
        ({"quantity": "temperature", "level": 8.05, "noise": 0.002}, "red", "wrong channel"),
        ({"quantity": "pressure", "level": 16.13, "noise": 0.01, "depth": 6.0}, "red", "holds the air"),
        (
            {"quantity": "temperature", "level": 28, "noise": 0.002, "values": np.full(720, 28.0)},
            "red",
            "does not move",
        ),
        ({"quantity": "velocity_x", "level": 0.1, "noise": 0.01, "heading_difference": 25.0}, "amber", "compass"),
    ],
)
def test_each_fault_of_the_first_hour_is_named(fault, light, word):
    (verdict,) = first_hour([hour(np.random.default_rng(1), "X", **fault)])

    assert verdict.light == light
    assert any(word in reason for reason in verdict.reasons), verdict.reasons


def test_a_noisy_and_a_silent_stream_are_seen():
    rng = np.random.default_rng(2)
    good = hour(rng, "OXY-1", "oxygen", 185, 0.1, saturation=np.full(9, 95.0))
    noisy = FirstHour(
        stream="N", quantity="oxygen", time=good.time, values=good.values + rng.normal(0, 1.0, 720), interval=5.0,
        noise_sd=0.1, saturation=np.full(9, 95.0),
    )  # fmt: skip
    silent = FirstHour(stream="S", quantity="oxygen", time=good.time[:100], values=good.values[:100], interval=5.0)

    verdicts = {v.stream: v for v in first_hour([good, noisy, silent])}

    assert "noisier than stated" in verdicts["N"].reasons[0]
    assert verdicts["S"].light == "red"
    assert "saturation: no temperature" in verdicts["S"].not_looked_at[1]


# The demo's optodes (invented): offsets, heights; channels of the second and fourth crossed.
NAMES = ("OXY-1", "OXY-2", "OXY-3", "OXY-4")
OFFSETS = np.array([-3.1, 0.6, 4.4, -0.2])
HEIGHTS = np.array([0.25, 0.45, 0.90, 2.0])
KNOWN = {"offset_sd": np.full(4, 0.05), "heights": HEIGHTS, "water_sd": 0.15, "gradient_sd": 0.6}


def mast(rng):
    slope = rng.normal(0.0, 0.6)
    true = 184.0 + slope * np.log(HEIGHTS) + rng.normal(0, 0.1, 4)
    return true + OFFSETS, OFFSETS + rng.normal(0, 0.05, 4)


def test_crossed_channels_are_found_in_the_first_hour():
    caught = 0
    for seed in range(100):
        readings, known = mast(np.random.default_rng(seed))
        readings[[1, 3]] = readings[[3, 1]]
        swaps = find_swap(names=NAMES, readings=readings, offsets=known, **KNOWN)
        caught += bool(swaps) and {swaps[0].first, swaps[0].second} == {"OXY-2", "OXY-4"}

    # Offsets that differ by 0.8 against a gradient of 0.6 per unit of ln z: an hour tells three in four.
    assert caught >= 70


def test_channels_with_clearly_different_offsets_are_always_found():
    for seed in range(50):
        readings, known = mast(np.random.default_rng(seed))
        readings[[0, 2]] = readings[[2, 0]]

        (swap,) = find_swap(names=NAMES, readings=readings, offsets=known, **KNOWN)

        assert (swap.first, swap.second) == ("OXY-1", "OXY-3")


def test_straight_channels_are_not_called_crossed():
    named = 0
    for seed in range(200):
        readings, known = mast(np.random.default_rng(1000 + seed))
        named += bool(find_swap(names=NAMES, readings=readings, offsets=known, **KNOWN))

    assert named <= 2


def test_arrays_that_do_not_fit_are_refused():
    with pytest.raises(ShapeError, match="needs 4"):
        find_swap(names=NAMES, readings=[1.0], offsets=OFFSETS, **KNOWN)
