"""Stress against known synthetic stress, with and without waves, and its stated intervals."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from reeftally.errors import InputError, ShapeError
from reeftally.flow import friction_velocity_interval, low_frequency_loss, reynolds_stress, trowbridge_1998


def stress_of(burst, **more):
    u, v, w = burst.velocity
    return reynolds_stress(u=u, v=v, w=w, sample_rate=burst.sample_rate, height=0.3, **more)


def second_sensor(rng, burst, angle):
    """What a neighbour far outside the turbulence sees: the waves, and its own noise. [m/s]"""
    waves = burst.pressure / 8000.0
    rows = np.stack([waves * np.cos(np.deg2rad(angle)), waves * np.sin(np.deg2rad(angle))])
    return rows + 0.012 * rng.normal(size=rows.shape)


def test_raw_covariance_is_that_of_the_samples(burst_maker):
    u, v, w = burst_maker(np.random.default_rng(1), sample_rate=8.0).velocity
    t = np.arange(u.size)
    flat = [x - np.polyval(np.polyfit(t, x, 1), t) for x in (u, v, w)]

    found = reynolds_stress(u=u, v=v, w=w, sample_rate=8.0, method="raw")

    assert_allclose([found.raw_uw, found.raw_vw], [np.mean(flat[0] * flat[2]), np.mean(flat[1] * flat[2])], rtol=1e-9)
    assert_allclose(found.uw, found.raw_uw)
    assert_allclose(found.ogive[0], found.raw_uw, rtol=1e-9)


def test_missing_samples_are_skipped_not_invented(burst_maker):
    u, v, w = burst_maker(np.random.default_rng(2), sample_rate=8.0).velocity
    full = reynolds_stress(u=u, v=v, w=w, sample_rate=8.0, method="raw")
    holes = np.random.default_rng(3).random(u.size) < 0.05
    u = np.where(holes, np.nan, u)

    found = reynolds_stress(u=u, v=v, w=w, sample_rate=8.0, method="raw")

    assert_allclose(found.raw_uw, full.raw_uw, rtol=0.05)


@pytest.mark.parametrize("method", ["coherent", "bricker2007"])
def test_wave_only_record_has_no_stress_left(method):
    # <u w> of u = A cos wt, w = B cos(wt + phi) is A B cos(phi) / 2 = 3.92201e-4 for 0.3, 0.03, 85 degrees
    # (trigonometry); Benilov and Filyushkin (1970) and Bricker and Monismith (2007) must leave 0 within 2e-5.
    # A little white noise, since a record without any is refused nowhere in nature (invented).
    rng = np.random.default_rng(4)
    t = np.arange(7200) / 8.0
    phase = 2.0 * np.pi * 0.1 * t
    noise = 1e-4 * rng.normal(size=(3, t.size))
    u, w = 0.3 * np.cos(phase) + noise[0], 0.03 * np.cos(phase + np.deg2rad(85.0)) + noise[2]
    more = {"pressure": np.cos(phase + 0.3)} if method == "coherent" else {}

    found = reynolds_stress(u=u, v=noise[1], w=w, sample_rate=8.0, method=method, **more)

    assert_allclose(found.raw_uw, 0.000392201, rtol=0, atol=1e-6)
    assert abs(found.uw) < 2e-5


def test_waves_and_a_degree_of_tilt_are_taken_out(burst_maker):
    # Orbital standard deviation 0.14 m/s and 1 degree of tilt: friction velocity within 10 % of what the same
    # water without waves has, on the mean of 60 bursts; the raw one is off by more than half or not defined.
    rng = np.random.default_rng(49)
    ratio, raw_bad = [], 0
    for _ in range(60):
        burst = burst_maker(rng, sample_rate=4.0, wave_amplitude=0.14, tilt=1.0)
        found = stress_of(burst, pressure=burst.pressure)
        ratio.append(found.friction_velocity / burst.friction_velocity)
        raw_bad += not abs(found.raw_friction_velocity / burst.friction_velocity - 1.0) <= 0.5

    assert_allclose(np.mean(ratio), 1.0, rtol=0, atol=0.1)
    assert np.std(ratio) < 0.12
    assert raw_bad >= 58


@pytest.mark.parametrize("angle", [0.0, 40.0, 90.0])
@pytest.mark.parametrize("reference", ["pressure", "second"])
def test_coherent_removal_is_unbiased_in_any_wave_direction(burst_maker, angle, reference):
    rng = np.random.default_rng(5)
    found = []
    for _ in range(40):
        burst = burst_maker(rng, sample_rate=4.0, wave_amplitude=0.1, wave_direction=angle)
        more = {"pressure": burst.pressure} if reference == "pressure" else {"second": second_sensor(rng, burst, angle)}
        found.append(stress_of(burst, **more).uw)

    # Sampling error of one burst is 14 %; of forty, 2.2 %. Three of those, and 3 % of the form itself.
    assert_allclose(np.mean(found), -1e-4, rtol=0.1)


def test_one_sensor_alone_does_what_it_can(burst_maker):
    rng = np.random.default_rng(6)
    ratio = []
    for _ in range(60):
        burst = burst_maker(rng, sample_rate=4.0, wave_amplitude=0.1, wave_direction=40.0)
        found = stress_of(burst)
        ratio.append(found.friction_velocity / burst.friction_velocity)
        assert found.method == "kirincich2010"

    assert_allclose(np.mean(ratio), 1.0, rtol=0, atol=0.06)
    assert np.mean(np.abs(np.array(ratio) - 1.0) < 0.25) > 0.9


def coverage(burst_maker, rng, number, reference):
    """Count 68 and 95 % intervals that hold the true friction velocity; tilts drawn from the stated prior."""
    inside = np.zeros(2, dtype=int)
    for _ in range(number):
        waves = {"wave_amplitude": 0.1, "wave_direction": 40.0} if reference else {}
        burst = burst_maker(rng, sample_rate=4.0, tilt=0.1 * rng.normal(), **waves)
        more = {"pressure": burst.pressure} if reference else {"method": "raw"}
        found = stress_of(burst, tilt_sd=0.1, **more)
        for k, level in enumerate((0.68, 0.95)):
            low, high = friction_velocity_interval(
                value=found.friction_velocity, random_sd=found.friction_velocity_random_sd,
                systematic_sd=found.friction_velocity_systematic_sd, level=level,
            )  # fmt: skip
            inside[k] += low <= burst.friction_velocity <= high
    return inside


@pytest.mark.parametrize("number", [200, pytest.param(2000, marks=pytest.mark.slow)])
@pytest.mark.parametrize(("seed", "reference"), [(7, False), (8, True)])
def test_stated_intervals_hold_the_true_friction_velocity(burst_maker, seed, reference, number):
    half, most = coverage(burst_maker, np.random.default_rng(seed), number, reference)

    for found, level in ((half, 0.68), (most, 0.95)):
        # Central 99.9 % of the binomial.
        low, high = stats.binom.ppf([0.0005, 0.9995], number, level)
        assert low <= found <= high


def test_cumulative_cospectrum_is_nearly_monotone_only_without_waves(burst_maker):
    rng = np.random.default_rng(14)
    clean, wavy = [], []
    for _ in range(20):
        burst = burst_maker(rng, sample_rate=4.0, wave_amplitude=0.14, tilt=1.0)
        found = stress_of(burst, pressure=burst.pressure)
        clean.append(found.ogive_reversal)
        wavy.append(stress_of(burst, method="raw").ogive_reversal)

    assert np.median(clean) < 0.3
    assert np.median(wavy) > 2.0 * np.median(clean)


def test_loss_at_low_frequencies_is_what_bursts_miss(burst_maker):
    # Kaimal cospectrum through linear detrending (Rannik and Vesala 1999, from memory) against the mean
    # of bursts cut from longer records.
    rng = np.random.default_rng(9)
    short = [
        reynolds_stress(u=b.velocity[0], v=b.velocity[1], w=b.velocity[2], sample_rate=4.0, method="raw").uw
        for b in (
            burst_maker(rng, sample_rate=4.0, speed=0.04, friction_velocity=0.01, duration=300.0) for _ in range(300)
        )
    ]
    loss = low_frequency_loss(duration=300.0, height=0.3, speed=0.04)

    assert 0.1 < loss < 0.35
    # Sampling error of the mean of 300 bursts of 300 s is about 2 % of the stress.
    assert_allclose(np.mean(short) / -1e-4, 1.0 - loss, rtol=0, atol=0.07)


def test_difference_of_two_sensors_drops_a_common_wave(burst_maker):
    # Trowbridge (1998): half the covariance of the differences is the mean of the two stresses.
    rng = np.random.default_rng(10)
    one = burst_maker(rng, sample_rate=4.0, wave_amplitude=0.0)
    two = burst_maker(rng, sample_rate=4.0, wave_amplitude=0.0)
    t = np.arange(one.velocity.shape[1]) / 4.0
    wave = np.stack([0.15 * np.cos(0.6 * t), 0.005 * np.cos(0.6 * t)])
    a, b = one.velocity[[0, 2]] + wave, two.velocity[[0, 2]] + wave
    plain = [np.cov(x.velocity[0], x.velocity[2], ddof=0)[0, 1] for x in (one, two)]

    found = trowbridge_1998(u=a[0], w=a[1], second_u=b[0], second_w=b[1])

    # Chance correlation between the two independent records is left.
    assert_allclose(found, np.mean(plain), rtol=0, atol=2.5e-5)


@pytest.mark.parametrize(
    ("record", "reason"),
    [
        (np.full((3, 7200), np.nan), "too_many_missing"),
        (np.zeros((3, 100)), "too_few_samples"),
        (np.vstack([np.random.default_rng(0).normal(size=(2, 7200)), np.zeros((1, 7200))]), "constant"),
    ],
)
def test_useless_bursts_have_a_reason_and_no_number(record, reason):
    found = reynolds_stress(u=record[0], v=record[1], w=record[2], sample_rate=8.0)

    assert found.reasons == (reason,)
    assert np.isnan([found.uw, found.friction_velocity, found.raw_uw]).all()


def test_upward_momentum_gives_no_friction_velocity(burst_maker):
    u, v, w = burst_maker(np.random.default_rng(11), sample_rate=8.0).velocity

    found = reynolds_stress(u=u, v=v, w=-w, sample_rate=8.0, method="raw")

    assert found.reasons == ("stress_not_downward",)
    assert np.isnan(found.friction_velocity)
    assert found.uw > 0.0


def test_dead_pressure_is_named_and_not_used(burst_maker):
    burst = burst_maker(np.random.default_rng(12), sample_rate=8.0)

    for dead in (np.full(7200, np.nan), np.full(7200, 101325.0)):
        found = stress_of(burst, pressure=dead)

        assert "pressure_missing" in found.reasons
        assert found.method != "coherent"


def test_arguments_that_cannot_be_meant_are_refused():
    x = np.random.default_rng(13).normal(size=(3, 7200))
    with pytest.raises(ShapeError, match="samples"):
        reynolds_stress(u=x[0], v=x[1], w=x[2], sample_rate=8.0, pressure=np.zeros(10))
    with pytest.raises(InputError, match="coherent"):
        reynolds_stress(u=x[0], v=x[1], w=x[2], sample_rate=8.0, method="coherent")
    with pytest.raises(InputError, match="wave_band"):
        reynolds_stress(u=x[0], v=x[1], w=x[2], sample_rate=8.0, wave_band=(0.5, 0.1))
