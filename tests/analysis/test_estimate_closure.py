"""Closure: what a flux leaves in the water, lines that share their terms, ratio and verdict. Invented numbers."""

from types import SimpleNamespace

import numpy as np
import pytest

from reeftally.analysis.estimate_closure import (
    _bed_fluxes,
    _excess,
    _organisms,
    _ratio,
    _verdict,
    _Work,
    estimate_closure,
    rate_between_ends,
)
from reeftally.analysis.estimate_fluxes import RATE, PeriodFlux
from reeftally.analysis.estimates import COMMUNITY, SITE, Estimates
from reeftally.analysis.grid import make_grid
from reeftally.analysis.periods import Span
from reeftally.analysis.results import read_results
from reeftally.uncertainty import Trials

DAY_NS = 86_400_000_000_000
DEPTH, DENSITY, TAU = 6.4, 1022.0, 34.0


def _chain(references=()):
    span = Span("mission", "m", 0, 2 * DAY_NS, complete=True)
    flux = PeriodFlux(span=span, value=-4.0, random_sd=0.1, systematic_sd=0.3, n=190, filled=2, budget={})
    book = SimpleNamespace(
        analysis=SimpleNamespace(pq=1.05, pq_sd=0.05, rq=0.95, rq_sd=0.05),
        site=SimpleNamespace(water_depth_m=DEPTH, residence_time_h=TAU, residence_time_sd_h=5.0),
        reference=lambda name: next((r for r in references if r.quantity == name), None),
    )  # fmt: skip
    return SimpleNamespace(
        grid=make_grid(start_ns=0, end_ns=2 * DAY_NS, block_s=900), spans=[span], density=DENSITY, account=None,
        context=SimpleNamespace(book=book), fluxes={("oxygen_flux", "covariance"): [flux]}, estimates=Estimates(),
        notes={},
    )  # fmt: skip


def _work(n=400, rate=0.0, gas=-0.3):
    trials = Trials(seed=5, size=n)
    residence = TAU + trials.systematic("residence time", distribution=5.0)
    return _Work(
        water=SimpleNamespace(), passage=SimpleNamespace(), trials=trials, residence=residence,
        alkalinity=-0.6 * TAU / residence, pq=1.05 + trials.systematic("photosynthetic quotient", distribution=0.05),
        gas=np.full(n, gas), rate=np.full(n, rate),
    )  # fmt: skip


def _put(chain, quantity, method, value, *, subject=SITE, random=0.1, systematic=0.2):
    chain.estimates.from_parts(
        quantity=quantity, method=method, subject=subject, period="mission", start_ns=0, end_ns=2 * DAY_NS, unit=RATE,
        value=value, random_sd=random, systematic_sd=systematic, n=10, trail="closure",
    )  # fmt: skip


def test_a_line_between_the_ends_has_its_own_rate():
    time = 900.0 * np.arange(192)

    rate, sd = rate_between_ends(time=time, values=2000 + 0.25 * time / 3600, sd=np.full(192, 0.0))

    assert rate == pytest.approx(0.25)
    assert sd == pytest.approx(0.0, abs=1e-12)


def test_the_error_of_a_rate_holds_what_patches_do_to_its_ends():
    rng, rates, sds = np.random.default_rng(8), [], []
    time = 900.0 * np.arange(192)
    keep = np.exp(-900 / 1800)
    for _ in range(300):
        patch = np.empty(192)
        patch[0] = rng.standard_normal()
        for i in range(1, 192):
            patch[i] = keep * patch[i - 1] + np.sqrt(1 - keep**2) * rng.standard_normal()
        rate, sd = rate_between_ends(time=time, values=1.5 * patch, sd=np.full(192, 0.1))
        rates.append(rate)
        sds.append(sd)

    assert 0.8 < np.std(rates) / np.sqrt(np.mean(np.square(sds))) < 1.2


def test_a_short_series_has_no_rate():
    rate, sd = rate_between_ends(time=900.0 * np.arange(5), values=np.ones(5), sd=np.ones(5))

    assert np.isnan(rate)
    assert np.isnan(sd)


def test_flux_and_change_together_give_the_boxs_own_mean_for_any_course_of_the_flux():
    # dC/dt = F / (rho h) - C / tau, stepped by minutes; a mission that begins and ends at different hours.
    minutes = np.arange(36 * 60)
    flux = 12.0 - 20.0 * np.maximum(0, np.sin(2 * np.pi * (minutes / 60 + 5) / 24))
    excess = np.empty(minutes.size)
    level = 3.0
    for i, now in enumerate(flux):
        excess[i] = level
        level += (now * 1000 / (DEPTH * DENSITY) - level / TAU) / 60
    work = _work()
    work.residence = np.full(400, TAU)
    work.gas = np.zeros(400)
    work.rate = np.full(400, (level - 3.0) / 36)

    got = _excess(_chain(), work, np.full(400, flux.mean()))

    assert got == pytest.approx(excess.mean(), rel=1e-9)


def test_the_dic_flux_by_oxygen_is_respiration_over_the_quotient_and_half_the_alkalinity():
    chain, work = _chain(), _work()
    _put(chain, "alkalinity_flux", "budget_of_bottles", -0.6)

    samples, words = _bed_fluxes(chain, work, (np.nan, np.nan))["flux_times_residence"]

    assert samples.mean() == pytest.approx(4.0 / 1.05 - 0.3, abs=0.1)
    assert "covariance" in words
    assert "from bottles" in words


def test_an_alkalinity_flux_that_was_not_measured_is_said():
    chain, work = _chain(), _work()

    _, words = _bed_fluxes(chain, work, (np.nan, np.nan))["flux_times_residence"]

    assert "not measured" in words


def test_lines_share_the_residence_time_in_every_trial():
    chain, work = _chain(), _work(n=2000)
    _put(chain, "alkalinity_flux", "budget_of_bottles", -0.6)
    _put(chain, "dic_flux", "gradient_ph_alkalinity", 3.5, systematic=0.6)

    beds = _bed_fluxes(chain, work, (-0.0017, 0.0015))
    lines = [_excess(chain, work, bed) for bed, _ in beds.values()]

    assert set(beds) == {"flux_times_residence", "dic_flux_times_residence"}
    assert np.corrcoef(*lines)[0, 1] > 0.3


def test_the_ratio_of_equal_lines_holds_one_and_a_difference_near_zero_has_no_ratio():
    rng, chain = np.random.default_rng(1), _chain()
    above, below = 15 + 3 * rng.standard_normal(1000), 15 + 1.5 * rng.standard_normal(1000)
    name = "flux_times_residence"

    _ratio(chain, {name: above, "reef_minus_reference": below}, {name: above, "reef_minus_reference": below})
    _ratio(chain, {name: above, "reef_minus_reference": below - 15}, {name: above, "reef_minus_reference": below - 15})
    _ratio(chain, {name: above}, {name: above})

    given, zero, alone = chain.estimates.rows
    assert given.lower < 1 < given.upper
    assert zero.value is None
    assert "not told from zero" in zero.reason
    assert "reference water" in alone.reason


def test_lines_that_disagree_are_named_and_not_averaged():
    rng, chain = np.random.default_rng(2), _chain()

    lines = {name: at + rng.standard_normal(500) for name, at in (("reef_minus_reference", 15), ("flux", 30))}

    found = _verdict(chain, lines)

    assert found is not None
    assert not found.agree
    assert np.isnan(found.combined)
    assert chain.notes["closure"].startswith("Not resolved")
    assert "1 degrees of freedom" in chain.notes["closure_chi_square"]


def test_scaled_organisms_are_no_line_until_their_share_comes_from_elsewhere():
    chain, work = _chain(), _work()
    _put(chain, "areal_oxygen_uptake", "scaled_organisms", 4.0, subject=COMMUNITY)

    line = _organisms(chain, work)

    rows = {row.quantity: row for row in chain.estimates.rows}
    assert line is None
    assert rows["dic_added_by_organisms"].value == pytest.approx(4.0 * 0.95 * TAU * 1000 / (DEPTH * DENSITY), rel=0.05)
    assert "another source" in rows["local_dic_excess"].reason


def test_scaled_organisms_with_a_stated_share_stand_for_the_whole():
    stated = SimpleNamespace(quantity="respiration_share_of_organisms", value=0.3, sd=0.02, source="invented")
    chain, work = _chain([stated]), _work()
    _put(chain, "areal_oxygen_uptake", "scaled_organisms", 4.0, subject=COMMUNITY)
    _put(chain, "gross_primary_production", "covariance", 9.0, subject=COMMUNITY)

    line = _organisms(chain, work)

    expected = (4.0 * 0.95 / 0.3 - 9.0 / 1.05 - 0.3 - 0.3) * TAU * 1000 / (DEPTH * DENSITY)
    assert line is not None
    assert np.median(line) == pytest.approx(expected, rel=0.15)


def test_without_chemistry_or_residence_there_is_no_closure():
    chain = _chain()

    assert estimate_closure(chain, (np.nan, np.nan)) is None
    assert chain.estimates.rows == []


def test_the_demo_closes_and_says_what_a_wrong_reference_would_change(demo):
    results = read_results(demo)
    rows = results.estimates.set_index(["quantity", "method"])

    ratio = rows.loc[("closure_ratio", "flux_times_residence_over_difference")]
    shift = rows.loc[("ph_change_total_sensitivity", "reference_ph_higher_by_0.01")]
    excess = rows.loc[("local_dic_excess", "flux_times_residence")]
    share = rows.loc[("method_share_inside", "covariance_against_gradient")]
    assert ratio["lower"] < 1.0 < ratio["upper"]
    # What the reef differs from its reference by moves one for one with the reference.
    assert shift["value"] == pytest.approx(-0.010, abs=5e-4)
    assert excess["lower"] < excess["value"] < excess["upper"]
    assert share["value"] >= 0.9
