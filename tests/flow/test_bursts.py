"""One burst from raw samples to a record: planted truths and planted faults."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reeftally.errors import ShapeError
from reeftally.flow import burst, prepare

DEMO = {
    "sample_rate": 32.0, "wave_amplitude": 0.1, "wave_direction": 40.0, "noise": (0.012, 0.012, 0.0035), "height": 0.3,
}  # fmt: skip


def call(record, **more):
    arguments = {"velocity": record.velocity, "sample_rate": 32.0, "height": 0.4, "displacement": 0.1} | more
    return burst(**arguments)


@pytest.fixture(scope="module")
def records(burst_maker):
    """Eight demo-like bursts: spikes on 1 %, waves, noise of a velocimeter (invented)."""
    rng = np.random.default_rng(60)
    out = []
    for _ in range(8):
        record = burst_maker(rng, **DEMO)
        n = record.velocity.shape[1]
        hit = rng.random(n) < 0.01
        size = rng.uniform(0.15, 1.2, n) * rng.choice([-1.0, 1.0], n)
        record.velocity = record.velocity + hit * size * np.array([[1.0], [0.8], [0.25]])
        record.planted = hit.mean()
        out.append(record)
    return out


def test_planted_friction_velocity_is_found_two_ways(records):
    found = [call(r, pressure=r.pressure) for r in records]

    assert all(f.accepted and f.stress_accepted and f.dissipation_accepted for f in found)
    # Sampling error of a burst is 7 %, of eight 2.5 %.
    assert_allclose(np.mean([f.friction_velocity for f in found]), 0.01, rtol=0.08)
    # Invented turbulence is carried by the current alone while advection counts the waves, and its inertial
    # level is 8 % above the isotropic one: the dissipation estimate is compared within 15 %.
    assert_allclose(np.mean([f.friction_velocity_dissipation for f in found]), 0.01, rtol=0.15)
    assert all(f.raw_uw != f.uw for f in found)


def test_record_holds_the_planted_means_noise_and_spikes(records):
    found = [call(r, pressure=r.pressure, depth=6.4) for r in records]

    assert_allclose([f.speed for f in found], 0.1, atol=0.01)
    assert_allclose([f.noise_w for f in found], 0.0035, rtol=0.15)
    assert_allclose([f.noise_u for f in found], 0.012, rtol=0.05)
    assert_allclose([f.spike_fraction for f in found], [r.planted for r in records], atol=0.002)
    assert_allclose([f.orbital_sd for f in found], 0.1, rtol=0.15)
    assert_allclose([f.peak_wave_period for f in found], 11.0, rtol=0.25)
    assert all(abs(f.mean_up) < 2e-4 for f in found)


def test_second_sensor_serves_where_pressure_is_missing(records):
    rng = np.random.default_rng(61)
    for r in records[:2]:
        waves = r.pressure / 8000.0
        second = np.stack([waves * np.cos(0.698), waves * np.sin(0.698)]) + 0.012 * rng.normal(size=(2, waves.size))

        found = call(r, second=second)

        assert found.stress_method == "coherent"
        assert_allclose(found.friction_velocity, 0.01, rtol=0.25)


def test_the_same_burst_gives_the_same_record_bit_for_bit(records):
    first, again = (call(records[0], pressure=records[0].pressure).as_dict() for _ in range(2))

    assert str(first) == str(again)


def test_prepared_samples_serve_twice(records):
    prepared = prepare(velocity=records[0].velocity, sample_rate=32.0)

    once = call(records[0])
    again = call(records[0], velocity=np.empty((3, 0)), prepared=prepared)

    assert str(once) == str(again)
    assert np.isnan(prepared.clean[:, prepared.bad]).all()
    assert np.isfinite(prepared.velocity).all()


def fault(name, record):
    """Return changed arguments that plant one fault, and the reason it must have."""
    v = record.velocity
    n = v.shape[1]
    rng = np.random.default_rng(62)
    constant = v.copy()
    constant[2] = 0.0
    return {
        "empty": ({"velocity": np.empty((3, 0))}, "too_few_samples"),
        "all missing": ({"velocity": np.full_like(v, np.nan)}, "all_missing"),
        "one channel missing": ({"velocity": v * np.array([[1.0], [np.nan], [1.0]])}, "all_missing"),
        "constant channel": ({"velocity": constant}, "constant"),
        "short": ({"velocity": v[:, 1000:1020]}, "too_few_samples"),
        "wrong rate": ({"duration": 450.0}, "wrong_rate"),
        "in air": (
            {"correlation": rng.uniform(0, 60, n), "signal_to_noise": rng.uniform(-2, 4, n)},
            "in_air",
        ),
        "low correlation": ({"correlation": np.where(rng.random(n) < 0.5, 50.0, 95.0)}, "low_correlation"),
        "below the bed": ({"height": -0.2}, "height_impossible"),
        "inside the canopy": ({"height": 0.1}, "height_impossible"),
        "above the water": ({"height": 7.0, "depth": 6.4}, "height_impossible"),
        "infinite": ({"velocity": np.full_like(v, np.inf)}, "all_missing"),
    }[name]


@pytest.mark.parametrize(
    "name",
    [
        "empty", "all missing", "one channel missing", "constant channel", "short", "wrong rate", "in air",
        "low correlation", "below the bed", "inside the canopy", "above the water", "infinite",
    ],
)  # fmt: skip
def test_every_planted_fault_has_its_reason_and_no_number(records, name):
    change, reason = fault(name, records[0])

    found = call(records[0], **change)

    assert not found.accepted
    assert reason in found.reasons
    numbers = [
        found.speed, found.uw, found.friction_velocity, found.raw_friction_velocity, found.dissipation,
        found.friction_velocity_dissipation, found.significant_wave_height,
    ]  # fmt: skip
    assert np.isnan(numbers).all()


def test_dead_pressure_is_noted_and_the_burst_still_stands(records):
    for dead in (np.full(28800, np.nan), np.full(28800, 65000.0)):
        found = call(records[0], pressure=dead)

        assert found.accepted
        assert "pressure_missing" in found.notes


def test_bad_samples_above_ten_percent_refuse_dissipation_but_not_the_mean(records):
    correlation = np.where(np.random.default_rng(63).random(28800) < 0.15, 60.0, 95.0)

    found = call(records[0], correlation=correlation)

    assert found.accepted
    assert not found.dissipation_accepted
    assert "too_many_bad" in found.dissipation_reasons
    assert np.isnan(found.dissipation)
    assert_allclose(found.speed, 0.1, atol=0.02)


def test_slow_bursts_are_refused_when_asked(records):
    found = call(records[0], slowest=0.2)

    assert found.accepted
    assert found.stress_reasons[-1] == "too_slow"
    assert np.isnan(found.friction_velocity)


def test_a_turning_tide_has_no_friction_velocity_and_says_so(records):
    record = records[0].velocity.copy()
    record[0] += np.linspace(-0.15, 0.05, record.shape[1])

    found = burst(velocity=record, sample_rate=32.0, height=0.4, displacement=0.1)

    assert found.accepted
    assert "unsteady" in found.stress_reasons
    assert np.isnan(found.friction_velocity)
    assert call(records[0]).turning < 10.0


def test_long_gaps_are_left_missing(records):
    record = records[0].velocity.copy()
    record[:, 5000:6500] = np.nan

    found = burst(velocity=record, sample_rate=32.0, height=0.4, displacement=0.1)

    assert found.accepted
    assert_allclose(found.unfilled_fraction, 1500 / 28800, atol=1e-3)
    assert_allclose(found.good_fraction, 1 - 1500 / 28800, atol=0.02)


def test_shapes_must_fit():
    with pytest.raises(ShapeError):
        burst(velocity=np.zeros((2, 1000)), sample_rate=32.0, height=0.4)
