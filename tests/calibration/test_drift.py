"""Drift from all anchors: invented sensors; coverage by the central 99.9 % band of the binomial (458 to 489 of 500)."""

import numpy as np
import pytest

from reeftally.calibration.drift import MODELS, Anchors, DriftPrior, fit_drift
from reeftally.errors import InputError

DAY = 86400.0
PH = DriftPrior(offset_sd=0.02, drift_sd_per_day=0.002, settling_sd=0.02, step_sd=0.02)


def anchored(rng, error, *, sd=0.003, bottles=20, common=0.001):
    """Ten days: bottles of one laboratory, and a side by side before and after."""
    days = np.sort(rng.uniform(0.3, 10.0, bottles))
    shared = rng.normal(0, common)
    sets = [
        Anchors(
            time=days * DAY,
            difference=error(days) + shared + rng.normal(0, sd, bottles),
            sd=np.full(bottles, sd),
            common_sd=common,
            source="bottles",
        )
    ]
    for name, when in (("before", -0.4), ("after", 10.4)):
        day = when + np.linspace(0, 0.3, 4)
        sets.append(
            Anchors(
                time=day * DAY,
                difference=error(day) + rng.normal(0, 0.0015) + rng.normal(0, 0.001, 4),
                sd=np.full(4, 0.001),
                common_sd=0.0015,
                source=name,
            )
        )
    return sets


def draw(rng, model):
    offset = rng.normal(0, PH.offset_sd)
    if model == "linear":
        slope = rng.normal(0, PH.drift_sd_per_day)
        return lambda d: offset + slope * (d - 5.0)
    if model == "settling":
        a, tau = rng.normal(0, PH.settling_sd), np.exp(rng.uniform(np.log(0.25), np.log(6.0)))
        return lambda d: offset + a * np.exp(-np.maximum(d + 0.4, 0) / tau)
    if model == "step":
        size = rng.normal(0, PH.step_sd)
        return lambda d: offset + size * (d >= 7.0)
    return lambda d: offset + 0 * d


def fit(sets):
    return fit_drift(anchors=sets, prior=PH, start_time=-0.4 * DAY, reference_time=5 * DAY, events=[7.0 * DAY])


def test_demo_drifts_are_recovered_within_their_intervals():
    # Invented demo values: pH -0.0011 a day, oxygen +0.12 µmol/kg a day.
    rng = np.random.default_rng(1)
    ph = fit_drift(anchors=anchored(rng, lambda d: 0.014 - 0.0011 * d), prior=PH, start_time=-0.4 * DAY)
    oxygen = fit_drift(
        anchors=anchored(rng, lambda d: -3.1 + 0.12 * d, sd=0.5, common=0.2),
        prior=DriftPrior(offset_sd=3.0, drift_sd_per_day=0.2),
    )

    assert ph.model == "linear"
    assert abs(ph.drift_per_day + 0.0011) < 1.96 * ph.drift_per_day_sd < 0.0006
    assert oxygen.model == "linear"
    assert abs(oxygen.drift_per_day - 0.12) < 1.96 * oxygen.drift_per_day_sd < 0.12


@pytest.mark.slow
@pytest.mark.parametrize("day", [0.5, 5.0, 9.5])
def test_intervals_of_the_correction_hold_the_truth_in_500_repeats(day):
    rng = np.random.default_rng(int(day * 10))
    inside = 0
    for n in range(500):
        error = draw(rng, MODELS[n % 4])
        low, high = fit(anchored(rng, error)).interval_at(day * DAY)
        inside += bool(low[0] <= error(np.array([day]))[0] <= high[0])

    assert 458 <= inside <= 489


@pytest.mark.slow
def test_interval_of_a_linear_drift_holds_the_truth_in_500_repeats():
    rng = np.random.default_rng(77)
    inside = 0
    for _ in range(500):
        slope = rng.normal(0, 0.002)
        result = fit_drift(
            anchors=anchored(rng, lambda d, s=slope: 0.01 + s * d), prior=PH, model="linear", reference_time=0.0
        )
        inside += abs(result.drift_per_day - slope) < 1.96 * result.drift_per_day_sd

    assert 458 <= inside <= 489


@pytest.mark.slow
def test_a_clear_error_is_named_by_its_own_model():
    rng = np.random.default_rng(5)
    clear = {
        "none": lambda d: 0.014 + 0 * d,
        "linear": lambda d: 0.014 - 0.0015 * d,
        "settling": lambda d: 0.014 + 0.02 * np.exp(-np.maximum(d + 0.4, 0) / 1.5),
        "step": lambda d: 0.014 - 0.012 * (d >= 7.0),
    }
    hits = {name: sum(fit(anchored(rng, error)).model == name for _ in range(40)) for name, error in clear.items()}

    # Wrong names among 40 are those whose anchors by chance look alike; 0.85 is invented for this array of anchors.
    assert min(hits.values()) >= 34, hits


def test_a_source_that_disagrees_with_the_rest_is_seen_when_left_out():
    rng = np.random.default_rng(8)
    sets = anchored(rng, lambda d: 0.01 - 0.0011 * d)
    wrong = Anchors(
        time=sets[0].time, difference=sets[0].difference + 0.02, sd=sets[0].sd, common_sd=0.001, source="bottles"
    )

    right_z = {x.source: x.z for x in fit(sets).left_out}
    wrong_z = {x.source: x.z for x in fit([wrong, *sets[1:]]).left_out}

    assert max(abs(z) for z in right_z.values()) < 3
    assert abs(wrong_z["bottles"]) > 3


def test_result_with_and_without_the_correction_are_both_given():
    sets = anchored(np.random.default_rng(2), lambda d: 0.014 - 0.0011 * d)
    time = np.linspace(0, 10, 50) * DAY

    both = fit(sets).with_and_without(time, np.full(50, 8.0))

    assert (both["without"] == 8.0).all()
    assert np.abs(both["with"] - (8.0 - 0.014 + 0.0011 * time / DAY)).max() < 3 * both["sd"].max()


def test_scatter_beyond_the_stated_one_shows():
    rng = np.random.default_rng(3)
    time = np.linspace(0, 10, 60) * DAY
    noisy = Anchors(time=time, difference=rng.normal(0, 0.009, 60), sd=np.full(60, 0.003), source="bottles")

    assert 2.0 < fit_drift(anchors=[noisy], prior=PH).scatter_ratio < 4.5


def test_anchors_without_uncertainty_or_no_anchors_are_refused():
    with pytest.raises(InputError, match="at least one anchor"):
        fit_drift(anchors=[], prior=PH)
    with pytest.raises(InputError, match="above 0"):
        fit_drift(anchors=[Anchors(time=np.zeros(1), difference=np.zeros(1), sd=np.zeros(1))], prior=PH)
    with pytest.raises(InputError, match="its prior is zero"):
        fit_drift(anchors=anchored(np.random.default_rng(1), lambda d: 0 * d), prior=PH, model="step")
