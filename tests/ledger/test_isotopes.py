"""Sources of carbon: mixing lines, pairs, gates, candidates."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reeftally.errors import InputError
from reeftally.ledger import (
    GLOBAL_NOTE,
    candidate_likelihoods,
    delta_after_adding,
    detectable_limit,
    isotope_slopes,
    keeling,
    miller_tans,
    paired_source,
    remove_carbonate,
)
from reeftally.uncertainty import geometric_mean_line, least_squares_line, york_line


@pytest.mark.parametrize("name", ["iso-020", "iso-021"])
def test_the_delta_of_a_mixture(name, row):
    given_ = row(name)["conditions"]
    found = delta_after_adding(
        dic=given_["DIC0"], delta13c=given_["delta0"], added=given_["added_DIC"],
        delta_added=given_["delta_added"],
    )  # fmt: skip

    assert float(found) == pytest.approx(row(name)["value"], abs=1e-9)
    # the exact balance of atoms differs by less than 0.0003 ‰
    exact = row(name.replace("iso-02", "iso-03"))["value"]
    assert float(found) == pytest.approx(exact, abs=0.0003)


def test_production_leaves_the_water_heavier(row):
    given_ = row("iso-024")["conditions"]
    found = delta_after_adding(
        dic=given_["DIC0"], delta13c=given_["delta0"], added=-given_["removed_DIC"],
        delta_added=given_["delta_removed"],
    )  # fmt: skip

    assert float(found) == pytest.approx(row("iso-024")["value"], abs=row("iso-024")["tolerance"])


def test_both_plots_find_the_source_of_a_noise_free_mixture(row):
    given_ = row("keel-exact-int")["conditions"]
    data = {"dic": given_["DIC"], "delta13c": given_["delta13C"], "dic_sd": 2.0, "delta13c_sd": 0.05}
    first, second = keeling(**data), miller_tans(**data)

    assert first.estimate == pytest.approx(row("keel-exact-int")["value"], abs=1e-5)
    assert second.estimate == pytest.approx(-20.0, abs=1e-5)
    line = york_line(x=1 / np.array(given_["DIC"]), y=given_["delta13C"], x_sd=5e-7, y_sd=0.05)
    assert float(line.slope) == pytest.approx(row("keel-exact-slope")["value"], abs=0.01)


def test_keeling_by_york_meets_the_worked_case(row):
    given_ = row("keel-noisy-york")["conditions"]
    found = keeling(
        dic=given_["DIC"], delta13c=given_["delta13C"], dic_sd=given_["sd_DIC"], delta13c_sd=given_["sd_delta"]
    )

    assert found.estimate == pytest.approx(row("keel-noisy-york")["value"], abs=0.0001)
    assert found.sd == pytest.approx(row("keel-noisy-york-se")["value"], abs=0.001)
    assert found.ordinary == pytest.approx(row("keel-noisy-ols")["value"], abs=1e-6)


def test_miller_tans_with_its_error_correlation_agrees_with_keeling(row):
    given_ = row("keel-noisy-york")["conditions"]
    data = {
        "dic": given_["DIC"], "delta13c": given_["delta13C"], "dic_sd": 2.0, "delta13c_sd": 0.05
    }  # fmt: skip

    # Equal information: the two plots gave one source to 0.001 ‰ (methods text).
    assert miller_tans(**data).estimate == pytest.approx(keeling(**data).estimate, abs=0.001)


def test_the_detectable_limit_of_three_sampling_plans(row):
    # Planning numbers: 40 samples, DIC spread 7 (1 sd): ±2.3 at 0.05 ‰, ±13.5 at 0.3 ‰; ±1.9 with 2000.
    plan = {"dic_spread": 7.0, "dic_mean": 1990.0}
    assert detectable_limit(n=40, delta_sd=0.05, **plan) == pytest.approx(2.3, abs=0.06)
    assert detectable_limit(n=40, delta_sd=0.3, **plan) == pytest.approx(13.5, abs=0.05)
    assert detectable_limit(n=2000, delta_sd=0.3, **plan) == pytest.approx(1.9, abs=0.05)

    given_ = row("keel-se-rule")["conditions"]
    dic = np.linspace(given_["DIC_min"], given_["DIC_max"], given_["n"])
    found = detectable_limit(n=24, delta_sd=0.1, dic_spread=float(dic.std()), dic_mean=float(dic.mean()))
    assert found == pytest.approx(row("keel-se-rule")["value"], abs=row("keel-se-rule")["tolerance"])


def simulated(spread):
    """2000 invented sets of 24 samples as the row describes: truth -20 ‰, errors 2 µmol/kg and 0.1 ‰."""
    rng = np.random.default_rng(11)
    dic = 2000.0 + np.linspace(0.0, spread, 24)
    delta = (2000.0 * 1.0 - 20.0 * (dic - 2000.0)) / dic
    noisy = dic + rng.normal(0, 2.0, (2000, 24))
    return noisy, delta + rng.normal(0, 0.1, (2000, 24))


@pytest.mark.parametrize("spread", [20, 100])
def test_york_is_the_least_biased_of_three_lines(spread, row):
    dic, delta = simulated(float(spread))
    york = york_line(x=1 / dic, y=delta, x_sd=2.0 / dic**2, y_sd=0.1).intercept
    ols = least_squares_line(x=1 / dic, y=delta).intercept
    gmr = geometric_mean_line(x=1 / dic, y=delta).intercept

    assert np.mean(york) == pytest.approx(row(f"bias-york-{spread}")["value"], abs=0.5)
    assert np.mean(ols) == pytest.approx(row(f"bias-ols-{spread}")["value"], abs=0.5)
    assert np.mean(gmr) == pytest.approx(row(f"bias-gmr-{spread}")["value"], abs=0.6)


def night(rng, sd, n):
    """Invented night samples: respired source -18.5 ‰, DIC spread about 7 µmol/kg (1 sd)."""
    added = rng.uniform(0, 24, n)
    dic = 1995.0 + added
    delta = (1995.0 * 0.85 - 18.5 * added) / dic
    return {
        "dic": dic + rng.normal(0, 1.0, n), "delta13c": delta + rng.normal(0, sd, n), "dic_sd": 1.0,
        "delta13c_sd": sd,
    }  # fmt: skip


def test_bottles_resolve_the_source_and_a_field_analyser_does_not():
    rng = np.random.default_rng(2)
    bottles = keeling(**night(rng, 0.05, 40))
    analyser = keeling(**night(rng, 0.3, 40))

    assert bottles.resolved
    assert bottles.lower <= -18.5 <= bottles.upper
    assert bottles.sentence.startswith("With 40 samples this plan can tell")
    assert not analyser.resolved
    assert np.isnan(analyser.value)
    assert "Not resolved" in analyser.sentence
    assert analyser.sd > 3.0


def test_the_interval_holds_the_truth_in_95_of_100():
    held = 0
    for seed in range(500):
        found = keeling(**night(np.random.default_rng(seed), 0.05, 40))
        held += found.lower <= -18.5 <= found.upper

    assert 458 <= held <= 489  # central 99.9 % of the binomial


def pairs(rng, n=12, sd=0.03):
    """Invented in-current and ex-current pairs: 9 to 16 µmol/kg of -18.5 ‰ added to varying water."""
    base = 2004.0 + rng.normal(0, 4.0, n)
    base_delta = 0.74 - 0.0105 * (base - 2004.0)
    added = rng.uniform(9, 16, n)
    out = base + added
    out_delta = (base * base_delta - 18.5 * added) / out
    return {
        "dic_in": base + rng.normal(0, 0.5, n), "dic_out": out + rng.normal(0, 0.5, n),
        "delta13c_in": base_delta + rng.normal(0, sd, n), "delta13c_out": out_delta + rng.normal(0, sd, n),
        "dic_sd": 0.5, "delta13c_sd": sd,
    }  # fmt: skip


def test_pairs_give_the_source_without_bias_and_with_an_honest_error():
    found = [paired_source(**pairs(np.random.default_rng(seed))) for seed in range(500)]
    estimate = np.array([f.estimate for f in found])

    assert estimate.mean() == pytest.approx(-18.5, abs=4 * estimate.std() / np.sqrt(500))
    assert np.mean([f.sd for f in found]) == pytest.approx(estimate.std(), rel=0.12)
    assert 458 <= sum(f.lower <= -18.5 <= f.upper for f in found) <= 489


def test_a_background_measured_at_the_same_times_sharpens_the_answer():
    rng = np.random.default_rng(8)
    base = 1990.0 + rng.normal(0, 6.0, 40)
    base_delta = 0.95 + rng.normal(0, 0.1, 40)
    added = rng.uniform(5, 25, 40)
    dic = base + added
    delta = (base * base_delta - 18.5 * added) / dic
    data = {
        "dic": dic + rng.normal(0, 1, 40), "delta13c": delta + rng.normal(0, 0.05, 40), "dic_sd": 1.0,
        "delta13c_sd": 0.05,
    }  # fmt: skip
    found = miller_tans(
        **data, background_dic=base + rng.normal(0, 1, 40),
        background_delta13c=base_delta + rng.normal(0, 0.05, 40), background_dic_sd=1.0,
        background_delta13c_sd=0.05,
    )  # fmt: skip
    blind = miller_tans(**data)

    assert found.lower <= -18.5 <= found.upper
    assert found.sd < 0.5 * blind.sd


@given(st.floats(-30, 30), st.floats(-20, 30))
def test_removing_calcification_undoes_it(calcified, respired):
    # Respire at -18.5, calcify at the final delta plus 1: taking half the alkalinity change back must
    # return the water that only respired.
    dic = 2000.0 + respired
    delta = float(delta_after_adding(dic=2000.0, delta13c=1.0, added=respired, delta_added=-18.5))
    total = dic - calcified
    # carbonate forms at (its own final DIC delta + 1): solve the balance for that delta
    final = (dic * delta - calcified * 1.0) / dic
    found_dic, found_delta = remove_carbonate(
        dic=total, delta13c=final, total_alkalinity=2300.0 - 2 * calcified, reference_alkalinity=2300.0
    )

    assert float(found_dic) == pytest.approx(dic, abs=1e-9)
    assert float(found_delta) == pytest.approx(delta, abs=1e-9)


def test_one_candidate_two_alike_and_none():
    apart = candidate_likelihoods(
        estimate=-18.5, sd=1.0, candidates={"respiration": (-18.5, 0.8), "dissolution": (3.0, 1.0)}
    )
    alike = candidate_likelihoods(estimate=-18.5, sd=2.3, candidates={"sponge": (-19.5, 0.5), "sediment": (-17.0, 0.5)})
    none = candidate_likelihoods(estimate=-40.0, sd=1.0, candidates={"sponge": (-19.5, 0.5)})

    assert apart.verdict == "respiration is the likely source"
    assert apart.probability["respiration"] > 0.999
    assert alike.verdict.startswith("cannot tell between")
    assert none.verdict == "none of the candidates fits"
    # equal spreads: the ratio of the likelihoods is exp of half the difference of squares
    z = alike.standardised
    expected = np.exp(0.5 * (z["sediment"] ** 2 - z["sponge"] ** 2))
    assert alike.likelihood["sponge"] / alike.likelihood["sediment"] == pytest.approx(expected)


def test_carbon_13_alone_cannot_tell_local_from_global(row):
    # respiration -0.0105 ‰ per µmol/kg, the atmosphere about -0.014: 1.3 to 1.6 fold (methods text)
    local, worldwide, ratio, note = isotope_slopes(
        dic=2000.0, delta13c=1.0, source_delta13c=-20.0, global_delta_per_decade=row("suess-global")["value"]
    )

    assert local == pytest.approx(-0.0105, abs=1e-9)
    assert worldwide == pytest.approx(-0.014, abs=0.0005)
    assert 1.2 < ratio < 1.6
    assert note == GLOBAL_NOTE


def test_too_few_samples_or_no_error_are_refused():
    with pytest.raises(InputError, match="at least 3"):
        keeling(dic=[2000.0, np.nan, 2010.0], delta13c=[1.0, 1.0, 0.9], dic_sd=2.0, delta13c_sd=0.05)
    with pytest.raises(InputError, match="delta13c_sd"):
        keeling(dic=[2000.0, 2005.0, 2010.0], delta13c=[1.0, 1.0, 0.9], dic_sd=2.0, delta13c_sd=0.0)
    with pytest.raises(InputError, match="background"):
        miller_tans(
            dic=[2000.0, 2005.0, 2010.0], delta13c=[1.0, 1.0, 0.9], dic_sd=2.0, delta13c_sd=0.05,
            background_dic=1990.0,
        )  # fmt: skip
