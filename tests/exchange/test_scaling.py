"""Scaling organisms to the community on an invented reef with known truth."""

from __future__ import annotations

import numpy as np
import pytest

from reeftally import exchange
from reeftally.errors import InputError
from reeftally.exchange import Form

# name, density m-2, diameter m, log-sd, rate mmol/h at that diameter, duty cycle
TABLE = (
    ("urn", 0.10, 0.11, 0.30, 23.1, 0.92),
    ("pipe", 1.6, 0.022, 0.25, 0.53, 0.85),
    ("cushion", 0.55, 0.035, 0.30, 1.94, 0.70),
    ("crust", 9.0, 0.006, 0.20, 0.012, 1.0),
)
COMMUNITY = 13.2


def reef(rng, *, ratio_sd=0.08, duty_sd=0.05, transects=24, visited=6, duty=True):
    """Return forms as a crew would see them, with the true areal rate."""
    shared = 1.0 + ratio_sd * rng.standard_normal()
    forms, truth = [], 0.0
    for name, density, diameter, spread, rate, share in TABLE:
        exponent = rng.normal(2.1, 0.1)
        median = diameter * np.exp(-0.5 * spread**2)

        def true_rate(d, rate=rate, diameter=diameter, exponent=exponent):
            return rate * (d / diameter) ** exponent

        mean_size = np.mean(true_rate(median * np.exp(spread * rng.standard_normal(20000))))
        real_share = float(np.clip(share + (0.0 if share == 1.0 else duty_sd) * rng.standard_normal(), 0.0, 1.0))
        truth += density * mean_size * real_share
        mean_count = density * 10.0
        counts = rng.negative_binomial(1.6, 1.6 / (1.6 + mean_count), transects)
        sizes = median * np.exp(spread * rng.standard_normal(visited))
        seen = true_rate(sizes) * np.exp(rng.normal(-0.5 * 0.1**2, 0.1, visited)) / shared
        forms.append(
            Form(
                name=name,
                rate=seen,
                diameter=sizes,
                surveyed_diameter=median * np.exp(spread * rng.standard_normal(40)),
                counts=counts,
                transect_area=10.0,
                duty_cycle=share if duty else None,
                duty_cycle_sd=0.0 if share == 1.0 else duty_sd,
                ratio_relative_sd=ratio_sd,
            )
        )
    return forms, truth


def test_share_of_the_invented_reef_lies_inside_its_interval_no_wider_than_16_points():
    half = []
    for seed in range(10):
        forms, _ = reef(np.random.default_rng(seed))
        found = exchange.scale_to_community(forms=forms, community_rate=COMMUNITY, community_rate_sd=0.5, trials=2000)
        half.append(0.5 * (found.share_upper - found.share_lower))

    # Survey luck moves single reefs; the typical half-width is the acceptance value.
    assert np.median(half) <= 0.16


@pytest.mark.slow
def test_intervals_of_300_reefs_hold_the_truth(binomial_band):
    rng = np.random.default_rng(1)
    inside = 0
    for _ in range(300):
        forms, truth = reef(rng)
        found = exchange.scale_to_community(forms=forms, seed=rng, trials=1000)
        inside += found.total_lower <= truth <= found.total_upper

    low, high = binomial_band(300, 0.95)
    assert low <= inside <= high


def test_without_a_duty_cycle_the_share_is_refused_and_asked_for():
    forms, _ = reef(np.random.default_rng(2), duty=False)
    found = exchange.scale_to_community(forms=forms, community_rate=COMMUNITY)

    assert np.isnan(found.share)
    assert np.isnan(found.total)
    assert np.isnan(found.areal).all()
    assert all(any(name in text and "duty cycle" in text for text in found.warnings) for name, *_ in TABLE)


def test_forgetting_the_duty_cycle_would_print_about_a_fifth_more():
    forms, _ = reef(np.random.default_rng(3), duty_sd=0.0)
    always = [
        Form(**{**{name: getattr(form, name) for name in form.__dataclass_fields__}, "duty_cycle": 1.0})
        for form in forms
    ]
    with_duty = exchange.scale_to_community(forms=forms, trials=2000)
    without = exchange.scale_to_community(forms=always, trials=2000)

    assert 1.05 < without.total / with_duty.total < 1.35


def test_a_share_above_the_whole_raises_a_warning_and_is_not_clipped():
    forms, _ = reef(np.random.default_rng(4))
    found = exchange.scale_to_community(forms=forms, community_rate=2.0, community_rate_sd=0.1)

    assert found.share > 1.0
    assert any("more than the whole" in text for text in found.warnings)


def test_parts_are_apart_and_the_profile_ratio_is_shared():
    forms, _ = reef(np.random.default_rng(5), duty_sd=0.0)
    found = exchange.scale_to_community(forms=forms, trials=20000)

    # One draw for all forms: the systematic part is the whole total times the relative term.
    assert abs(found.systematic_sd / (0.08 * found.total) - 1.0) < 0.15
    assert found.random_sd > 0.0


def test_negative_binomial_and_bootstrap_give_like_densities():
    forms, _ = reef(np.random.default_rng(6), transects=60)
    a = exchange.scale_to_community(forms=forms, survey="bootstrap")
    b = exchange.scale_to_community(forms=forms, survey="negative_binomial")

    np.testing.assert_allclose(a.density, b.density)
    np.testing.assert_allclose(a.density_sd, b.density_sd, rtol=0.25)


def test_one_seed_gives_one_answer():
    forms, _ = reef(np.random.default_rng(7))
    a, b = (exchange.scale_to_community(forms=forms, seed=5, trials=500) for _ in range(2))

    assert np.array_equal(a.trials, b.trials)


def test_a_form_nobody_visited_is_named():
    forms, _ = reef(np.random.default_rng(8))
    bare = Form(
        name="ghost", rate=[], diameter=[], surveyed_diameter=[0.1], counts=[1, 2], transect_area=10.0, duty_cycle=1.0
    )
    found = exchange.scale_to_community(forms=[*forms, bare])

    assert np.isnan(found.total)
    assert any("ghost" in text for text in found.warnings)


def test_no_forms_and_unknown_options():
    assert np.isnan(exchange.scale_to_community(forms=[]).total)
    with pytest.raises(InputError, match="survey"):
        exchange.scale_to_community(forms=[], survey="guess")


def test_density_of_clumped_animals_holds_the_truth_in_ten_transects():
    # Mean count 1 and 5.5 a transect, negative binomial with k = 1.6: the bootstrap of ten transects is too sure.
    rng = np.random.default_rng(11)
    inside = {"together": 0, "bootstrap": 0}
    low = dict.fromkeys(inside, 0)
    repeats = 120
    for _ in range(repeats):
        forms = [
            Form(
                name=name, rate=[1.0, 1.0], diameter=[0.1, 0.1], surveyed_diameter=[0.1] * 40, transect_area=10.0,
                counts=rng.negative_binomial(1.6, 1.6 / (1.6 + mean), 10), duty_cycle=1.0, ratio_relative_sd=0.0,
            )
            for name, mean in (("few", 1.0), ("some", 5.5), ("many", 16.0))
        ]  # fmt: skip
        for survey in inside:
            found = exchange.scale_to_community(forms=forms, trials=1000, survey=survey, seed=rng)
            inside[survey] += bool(found.lower[0] <= 0.1 <= found.upper[0])
            low[survey] += bool(found.upper[0] < 0.1)
    # 95 % of 120 is 114 with a standard deviation of 2.4.
    assert 107 <= inside["together"] <= 120
    assert inside["bootstrap"] < 107
    assert low["bootstrap"] > 2 * low["together"]
