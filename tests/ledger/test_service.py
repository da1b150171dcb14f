"""Sensors referred to service bottles: known cases by hand, intervals counted on simulated records (invented data)."""

from __future__ import annotations

import numpy as np
import pytest

from reeftally import ledger
from reeftally.errors import InputError, ShapeError

SPANS = {"A": (0.0, 5.0), "B": (5.0, 12.0)}


def test_offset_is_the_mean_misfit_when_the_prior_is_wide():
    found = ledger.refer_to_bottles(
        spans=SPANS,
        offset_prior_sd={"A": 1.0, "B": 1.0},
        label=["A", "A", "A", "B", "B"],
        time=[1.0, 2.5, 4.0, 6.0, 9.0],
        misfit=[0.001, 0.003, 0.002, 0.016, 0.018],
        misfit_sd=0.004,
    )

    assert found.offset == pytest.approx([0.002, 0.017], abs=1e-6)
    # Standard error of a mean: sd / sqrt(n).
    assert np.sqrt(np.diag(found.covariance)[:2]) == pytest.approx([0.004 / 3**0.5, 0.004 / 2**0.5], rel=1e-4)
    assert found.drift == pytest.approx([0.0, 0.0])


def test_overlap_ties_two_sensors_together():
    found = ledger.refer_to_bottles(
        spans=SPANS,
        offset_prior_sd={"A": 1.0, "B": 1.0},
        label=["A"],
        time=[2.5],
        misfit=[0.002],
        misfit_sd=0.001,
        overlaps=[("A", "B", 5.0, 0.015, 0.0005)],
    )

    assert found.offset == pytest.approx([0.002, 0.017], abs=1e-6)
    assert np.sqrt(found.covariance[1, 1]) == pytest.approx(np.hypot(0.001, 0.0005), rel=1e-4)
    assert list(found.bottles) == [1, 0]


def test_a_sensor_without_bottles_keeps_its_prior():
    found = ledger.refer_to_bottles(spans=SPANS, offset_prior_sd={"A": 0.005, "B": 0.007})

    assert found.offset == pytest.approx([0.0, 0.0])
    assert np.sqrt(np.diag(found.covariance)[:2]) == pytest.approx([0.005, 0.007])


def test_drift_is_found_and_taken_off():
    time = np.linspace(0.0, 5.0, 40)
    found = ledger.refer_to_bottles(
        spans={"A": (0.0, 5.0)},
        offset_prior_sd={"A": 1.0},
        drift_prior_sd={"A": 1.0},
        label=["A"] * 40,
        time=time,
        misfit=0.002 + 0.001 * (time - 2.5),
        misfit_sd=1e-6,
    )

    assert found.drift == pytest.approx([0.001], abs=1e-8)
    assert found.correction(label=["A", "A"], time=[0.0, 5.0]) == pytest.approx([-0.0005, 0.0045], abs=1e-8)


def test_shapes_reproduce_the_covariance_of_the_corrections():
    found = ledger.refer_to_bottles(
        spans=SPANS,
        offset_prior_sd={"A": 0.01, "B": 0.01},
        drift_prior_sd={"A": 0.0, "B": 0.0004},
        label=["A", "B", "B"],
        time=[1.0, 7.0, 11.0],
        misfit=[0.0, 0.01, 0.011],
        misfit_sd=0.003,
    )
    label, time = ["A", "B", "B"], np.array([2.0, 6.0, 12.0])
    shapes = found.shapes(label=label, time=time)
    design = np.zeros((3, 4))
    design[0, 0] = design[1, 1] = design[2, 1] = 1.0
    design[:, 2], design[:, 3] = [time[0] - 2.5, 0, 0], [0, time[1] - 8.5, time[2] - 8.5]

    assert shapes @ shapes.T == pytest.approx(design @ found.covariance @ design.T, rel=1e-9, abs=1e-15)


def test_intervals_of_the_offset_hold_the_truth():
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(500):
        true, drift = rng.normal(0, 0.005, 2), rng.normal(0, 0.0004, 2)
        time = np.sort(rng.uniform(0, 12, 30))
        which = (time >= 5.0).astype(int)
        middle = np.array([2.5, 8.5])
        misfit = true[which] + drift[which] * (time - middle[which]) + rng.normal(0, 0.004, 30)
        found = ledger.refer_to_bottles(
            spans=SPANS,
            offset_prior_sd={"A": 0.005, "B": 0.005},
            drift_prior_sd={"A": 0.0004, "B": 0.0004},
            label=np.array(["A", "B"])[which],
            time=time,
            misfit=misfit,
            misfit_sd=0.004,
        )
        inside += abs(found.offset[1] - true[1]) < 1.96 * found.covariance[1, 1] ** 0.5

    # Central 99.9 % band of the binomial for 500 intervals of 95 %.
    assert 458 <= inside <= 489


def test_calibration_shapes_give_the_same_trend_as_deployment_offsets():
    rng = np.random.default_rng(3)
    time = (np.arange(144) + 0.5) / 12
    value = -0.002 * time + 0.01 * rng.standard_normal(144)
    deployment = np.floor(time).astype(int)
    by_label = ledger.trend(time=time, value=value, phi=0.3, deployment=deployment, offset_sd=0.004)
    shapes = 0.004 * (deployment[:, None] == np.arange(12))
    by_shape = ledger.trend(time=time, value=value, phi=0.3, calibration=shapes)

    assert by_shape.slope == pytest.approx(by_label.slope, rel=1e-9)
    assert by_shape.calibration_sd == pytest.approx(by_label.calibration_sd, rel=1e-9)


def test_bad_calls_say_what_is_wrong():
    with pytest.raises(InputError, match="No prior"):
        ledger.refer_to_bottles(spans=SPANS, offset_prior_sd={"A": 1.0})
    with pytest.raises(InputError, match="overlap names"):
        ledger.refer_to_bottles(spans=SPANS, offset_prior_sd={"A": 1.0, "B": 1.0}, overlaps=[("A", "C", 5.0, 0.0, 1.0)])
    time = np.arange(40) / 12
    with pytest.raises(ShapeError, match="one row for each"):
        ledger.trend(time=time, value=np.sin(40 * time), calibration=np.ones((3, 1)))
    with pytest.raises(InputError, match="one or the other"):
        ledger.trend(
            time=time, value=np.sin(40 * time), deployment=np.zeros(40), offset_sd=0.1, calibration=np.ones((40, 1))
        )
