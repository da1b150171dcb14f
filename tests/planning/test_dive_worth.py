"""What one more dive is worth: first-order predictions against the task done in simulation. All data invented."""

from dataclasses import replace

import numpy as np
import pytest

from reeftally.analysis.tasks import half_after_bottles, half_after_swap, half_after_visits
from reeftally.exchange.scaling import Form, scale_to_community
from reeftally.planning import CHANGES, predict

CHANGE = {change.name: change for change in CHANGES}


def share(prediction, cause):
    return prediction.budget[cause] ** 2 / sum(part**2 for part in prediction.budget.values())


@pytest.mark.parametrize("beside", [(1.0, 0.0), (5.75, 3.75)])
@pytest.mark.parametrize("swaps", [(), (12.0,), (12.0, 24.0)])
@pytest.mark.parametrize("noise", [0.0075, 0.1])
def test_a_swap_brings_what_is_predicted_within_thirty_percent(make_mast, beside, swaps, noise):
    # Story 34.
    design = make_mast(beside=beside, swaps=swaps, noise=noise)
    now, then = (predict(d, "night", draws=4) for d in (design, CHANGE["swap"].alter(design)))

    found = half_after_swap(
        half=now.half_width, offset_share=share(now, "offset"), swaps=len(swaps), random_sd=now.random_sd
    )

    assert found == pytest.approx(then.half_width, rel=0.30)


@pytest.mark.parametrize("unknown", [0.3, 1.5, 4.0])
def test_bottles_bring_what_is_predicted_within_thirty_percent(make_mast, unknown):
    design = replace(make_mast(), other_sd={"alkalinity_flux": unknown})
    now, then = (predict(d, "night", draws=2) for d in (design, CHANGE["alkalinity"].alter(design)))

    found = half_after_bottles(half=now.half_width, alkalinity_share=share(now, "alkalinity_flux"))

    assert found == pytest.approx(then.half_width, rel=0.30)


def community(n_urns, rng):
    def form(name, n, rate, spread, mean):
        size = mean * np.exp(0.2 * rng.standard_normal(n))
        return Form(
            name=name, rate=rate * (size / mean) ** 2 * np.exp(spread * rng.standard_normal(n)), diameter=size,
            surveyed_diameter=mean * np.exp(0.2 * rng.standard_normal(40)), counts=rng.poisson(20, 24),
            transect_area=np.full(24, 10.0), duty_cycle=0.9, duty_cycle_sd=0.01, ratio_relative_sd=0.01,
        )  # fmt: skip

    return [form("urn", n_urns, 20.0, 0.6, 0.11), form("crust", 12, 0.1, 0.1, 0.006)]


def test_visits_of_the_class_that_dominates_bring_what_is_predicted_within_thirty_percent():
    # The mean over invented communities: one draw of six animals scatters by more than the rule is good to.
    before, predicted, real = [], [], []
    for seed in range(40):
        small, large = (
            scale_to_community(forms=community(n, np.random.default_rng([seed, n])), seed=seed, trials=1000)
            for n in (6, 14)
        )
        half = 0.5 * (small.total_upper - small.total_lower)
        urn = small.names.index("urn")
        variance = (0.5 * (small.upper[urn] - small.lower[urn]) / 1.96) ** 2
        survey = (small.areal[urn] * small.density_sd[urn] / small.density[urn]) ** 2
        part = max(variance - survey, 0.0) / (half / 1.96) ** 2
        before.append(half)
        predicted.append(half_after_visits(half=half, class_share=min(part, 1.0), n=6, more=8))
        real.append(0.5 * (large.total_upper - large.total_lower))

    assert np.median(predicted) == pytest.approx(np.median(real), rel=0.30)
    assert np.median(predicted) < 0.95 * np.median(before)


def test_a_task_that_touches_nothing_brings_nothing():
    assert half_after_swap(half=2.0, offset_share=0.0, swaps=3) == pytest.approx(2.0)
    assert half_after_bottles(half=2.0, alkalinity_share=0.0) == pytest.approx(2.0)
    assert half_after_visits(half=2.0, class_share=0.0, n=6, more=8) == pytest.approx(2.0)
