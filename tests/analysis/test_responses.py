"""Response times from a step that sensors saw side by side (invented records)."""

from types import SimpleNamespace

import numpy as np

from reeftally.analysis.grid import NS
from reeftally.analysis.responses import common_step, responses


def records(rng, *, step, taus=(20.0, 45.0, 28.0), at=3600.0, late=0.0):
    times = [np.arange(0.0, 7200.0, 5.0) + 0.7 * k for k in range(len(taus))]
    out = []
    for k, (t, tau) in enumerate(zip(times, taus, strict=True)):
        since = np.maximum(t - at - late * k, 0.0)
        tide = 2.0 * np.sin(t / 9000.0)
        out.append(200.0 + 3.0 * k + tide + step * (1 - np.exp(-since / tau)) + 0.1 * rng.standard_normal(t.size))
    return times, out


def test_a_common_step_is_found_where_it_is():
    for seed in range(20):
        times, values = records(np.random.default_rng(seed), step=8.0)
        assert abs(common_step(times, values) - 3600.0) <= 120.0


def test_no_step_is_claimed_in_calm_water_or_where_one_sensor_saw_none():
    for seed in range(50):
        rng = np.random.default_rng(seed)
        assert common_step(*records(rng, step=0.0)) is None
        times, values = records(rng, step=8.0)
        values[1] = records(rng, step=0.0)[1][1]
        assert common_step(times, values) is None


def mission(times, values, beside=("A", "B", "C")):
    """Stand in for a run's context: three optodes in one water for two hours."""
    held = dict(zip("ABC", zip(times, values, strict=True), strict=True))
    period = SimpleNamespace(name="before", start_ns=0, end_ns=7200 * NS, instruments=beside)
    return SimpleNamespace(
        book=SimpleNamespace(intercalibrations=(period,)),
        store=SimpleNamespace(streams=lambda: {k: SimpleNamespace(channels=("oxygen_molar",)) for k in held}),
        read=lambda label, **_: SimpleNamespace(
            time_ns=np.rint(held[label][0] * NS).astype(np.int64), channels={"oxygen_molar": held[label][1]}
        ),
    )


def test_time_constants_come_with_intervals_that_hold_them_or_with_the_reason():
    inside = given = 0
    for seed in range(20):
        found = responses(mission(*records(np.random.default_rng(seed), step=8.0)), ("A", "B", "C", "D"), "oxygen")
        for label, tau in zip("ABC", (20.0, 45.0, 28.0), strict=True):
            seconds, sd, note = found[label]
            if np.isfinite(seconds):
                given += 1
                inside += abs(seconds - tau) <= 2.0 * sd
                assert "From the step of" in note
        assert np.isnan(found["D"][0])
        assert "never side by side" in found["D"][2]
    assert given >= 54
    assert inside >= 0.85 * given

    calm = responses(mission(*records(np.random.default_rng(1), step=0.0)), ("A", "B", "C"), "oxygen")
    assert all(np.isnan(seconds) and "no step that all saw" in note for seconds, _, note in calm.values())
