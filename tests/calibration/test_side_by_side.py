"""Side by side: invented sensors with known offsets; coverage by the binomial band of 500 repeats."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reeftally.calibration.side_by_side import Anchor, SideBySide, adjust
from reeftally.errors import InputError

OFFSETS = np.array([-3.1, 0.6, 4.4, -0.2])  # invented: the optodes of the demo


def one_run(rng, *, offsets, drift=None, noise=0.1, blocks=80, patch=0.05):
    time = np.arange(blocks) * 900.0
    water = 185 + 4 * np.sin(2 * np.pi * time / 86400) + rng.normal(0, 1, blocks)
    drift = np.zeros(offsets.size) if drift is None else drift
    values = (
        water
        + offsets[:, None]
        + drift[:, None] * time / 86400
        + rng.normal(0, np.hypot(noise, patch), (offsets.size, blocks))
    )
    return SideBySide(time=time, values=values, name="before")


def test_differences_between_sensors_are_held_by_their_intervals_in_500_repeats():
    # Central 99.9 % band of the binomial for 95 % intervals: 458 to 489 of 500.
    rng = np.random.default_rng(20311)
    inside = 0
    for _ in range(500):
        truth = rng.normal(0, 3.0, 4)
        result = adjust(
            groups=[one_run(rng, offsets=truth, blocks=40)],
            prior_offset_sd=np.full(4, 3.0),
            prior_drift_sd=np.zeros(4),
            noise_sd=np.full(4, 0.02),
        )
        c = result.covariance
        sd = np.sqrt(c[0, 0] + c[2, 2] - 2 * c[0, 2])
        inside += abs((result.offset[0] - result.offset[2]) - (truth[0] - truth[2])) < 1.96 * sd

    assert 458 <= inside <= 489


def test_each_offset_is_held_by_its_interval_when_truth_comes_from_the_prior():
    rng = np.random.default_rng(7)
    inside = 0
    for _ in range(500):
        truth = rng.normal(0, 3.0, 4)
        result = adjust(
            groups=[one_run(rng, offsets=truth, blocks=30)],
            prior_offset_sd=np.full(4, 3.0),
            prior_drift_sd=np.zeros(4),
            noise_sd=np.full(4, 0.02),
        )
        inside += abs(result.offset[1] - truth[1]) < 1.96 * np.sqrt(result.covariance[1, 1])

    assert 458 <= inside <= 489


def test_the_sum_rule_closes():
    # Pairwise offsets from one adjustment close around every loop by construction; 1e-9 is asked.
    result = adjust(
        groups=[one_run(np.random.default_rng(3), offsets=OFFSETS)],
        prior_offset_sd=np.full(4, 3.0),
        prior_drift_sd=np.zeros(4),
        noise_sd=np.full(4, 0.1),
    )
    pair = result.offset[:, None] - result.offset[None, :]

    loop = pair[0, 1] + pair[1, 2] + pair[2, 3] + pair[3, 0]

    assert abs(loop) < 1e-9


def test_drift_is_found_from_before_and_after():
    rng = np.random.default_rng(5)
    drift = np.array([0.12, 0.0, -0.06, 0.03])  # invented: the optodes of the demo, µmol/kg a day
    before = one_run(rng, offsets=OFFSETS, drift=drift)
    after = one_run(rng, offsets=OFFSETS + 10 * drift, drift=drift)
    after = SideBySide(time=after.time + 10 * 86400, values=after.values, name="after")

    result = adjust(
        groups=[before, after],
        prior_offset_sd=np.full(4, 3.0),
        prior_drift_sd=np.full(4, 0.2),
        noise_sd=np.full(4, 0.1),
    )
    found = result.drift - result.drift.mean()
    sd = np.sqrt(np.diag(result.covariance)[4:8])

    assert np.all(np.abs(found - (drift - drift.mean())) < 0.01)
    assert np.all(sd > 0.02)  # the drift of all together is not seen by a side by side


def test_bottles_anchor_what_the_side_by_side_cannot_see():
    rng = np.random.default_rng(6)
    group = one_run(rng, offsets=OFFSETS)
    free = adjust(groups=[group], prior_offset_sd=np.full(4, 3.0), prior_drift_sd=np.zeros(4), noise_sd=np.full(4, 0.1))
    bottles = Anchor(sensor=1, time=np.arange(6) * 3600.0, difference=0.6 + rng.normal(0, 0.4, 6), sd=np.full(6, 0.4))

    tied = adjust(
        groups=[group],
        anchors=[bottles],
        prior_offset_sd=np.full(4, 3.0),
        prior_drift_sd=np.zeros(4),
        noise_sd=np.full(4, 0.1),
    )

    assert np.sqrt(tied.covariance[0, 0]) < 0.25 < np.sqrt(free.covariance[0, 0])
    assert np.all(np.abs(tied.offset - OFFSETS) < 0.6)


def test_the_shared_error_of_one_laboratory_does_not_shrink_with_more_bottles():
    many = Anchor(sensor=0, time=np.zeros(400), difference=np.full(400, 1.0), sd=np.full(400, 0.4), common_sd=0.5)

    result = adjust(groups=[], anchors=[many], prior_offset_sd=[100.0], prior_drift_sd=[0.0], noise_sd=[0.0])

    assert np.sqrt(result.covariance[0, 0]) == pytest.approx(0.5, rel=0.01)


def test_nothing_to_go_on_is_refused():
    with pytest.raises(InputError, match="at least one"):
        adjust(groups=[], prior_offset_sd=[1.0], prior_drift_sd=[0.0], noise_sd=[0.1])


@settings(max_examples=25, deadline=None)
@given(st.floats(-50, 50), st.integers(0, 1000))
def test_a_shift_of_the_water_changes_no_offset(shift, seed):
    group = one_run(np.random.default_rng(seed), offsets=OFFSETS, blocks=20)
    moved = SideBySide(time=group.time, values=group.values + shift)
    settings_ = {
        "prior_offset_sd": np.full(4, 3.0),
        "prior_drift_sd": np.zeros(4),
        "noise_sd": np.full(4, 0.1),
    }

    a, b = adjust(groups=[group], **settings_), adjust(groups=[moved], **settings_)

    assert np.allclose(a.offset, b.offset, atol=1e-8)


def isfets(rng, *, amplitude, tau=1.5 * 86400):
    """Two ISFETs (invented numbers of the demo), 6 h before, 4 h after, one of them settling."""
    groups = []
    for start, blocks, name in ((0.0, 24, "before"), (42 * 3600.0, 16, "after")):
        time = start + np.arange(blocks) * 900.0
        water = 8.0 + 0.01 * np.sin(2 * np.pi * time / 86400)
        values = water + np.array([[0.014], [-0.011], [0.002]]) + rng.normal(0, 0.0002, (3, blocks))
        values[0] += amplitude * np.exp(-time / tau)
        groups.append(SideBySide(time=time, values=values, name=name))
    return {
        "groups": groups, "prior_offset_sd": [0.02, 0.02, 0.003], "prior_drift_sd": [0.002, 0.002, 0.0],
        "noise_sd": np.full(3, 0.0001), "prior_settling_sd": [0.02, 0.02, 0.0],
        "settling_times": (0.6 * 86400, 1.7 * 86400, 4.0 * 86400),
    }  # fmt: skip


def test_a_settling_sensor_is_corrected_between_the_side_by_sides():
    # Central 99.9 % band of the binomial for 95 % intervals: 179 to 198 of 200. The settling time of the truth
    # (1.5 d) is not among the three of the model; the truth is drawn from the prior of one amplitude.
    rng = np.random.default_rng(12)
    inside = 0
    for _ in range(200):
        amplitude = rng.normal(0, 0.02)
        result = adjust(**isfets(rng, amplitude=amplitude))
        middle = 24 * 3600.0
        error = result.at(middle)[:, 0]
        sd = np.sqrt(np.array([1, -1, 0]) @ result.covariance_at(middle) @ np.array([1, -1, 0]))
        truth = 0.014 + amplitude * np.exp(-middle / (1.5 * 86400)) + 0.011
        inside += abs((error[0] - error[1]) - truth) < 1.96 * sd

    assert 179 <= inside <= 200
