"""Trends, isotopes, replicates. Source of all numbers: job description A4, stories 3, 4, 36, recomputed constants."""

import pytest

from reeftally.planning import isotope_separation, replicates_left, trend_years


@pytest.mark.parametrize(("noise_sd", "years"), [(0.012, 11.3), (0.020, 15.9)])
def test_years_until_a_trend_is_seen(noise_sd, years):
    # Form of Weatherhead et al. 1998; story 3: within 0.1 yr.
    found = trend_years(slope=-0.0018, noise_sd=noise_sd, phi=0.5)

    assert found.years == pytest.approx(years, abs=0.1)
    assert f"{found.years:.1f} years" in found.text


@pytest.mark.parametrize(("delta_sd", "low", "high"), [(0.05, 2.2, 2.3), (0.3, 13.0, 14.0)])
def test_what_forty_samples_say_of_the_source(delta_sd, low, high):
    found = isotope_separation(n=40, delta_sd=delta_sd, dic_spread=7.0, dic_mean=2004.1, candidates={})

    assert low <= found.source_sd <= high


def test_two_thousand_samples_of_the_field_analyser_give_1_9():
    found = isotope_separation(n=2000, delta_sd=0.3, dic_spread=7.0, dic_mean=2004.1, candidates={})

    assert round(found.source_sd, 1) == 1.9


def test_candidates_closer_than_two_standard_uncertainties_cannot_be_separated():
    # Sources of the job description 5.7: sponges rich in bacteria -19.5, sediment -17.0; carbonate near 0 (invented).
    near = {"sponges": (-19.5, 0.0), "sediment": (-17.0, 0.0), "carbonate": (0.0, 0.0)}

    found = isotope_separation(n=40, delta_sd=0.05, dic_spread=7.0, dic_mean=2004.1, candidates=near)

    assert found.cannot == (("sponges", "sediment"),)
    assert "cannot separate sponges from sediment" in found.text


def test_with_enough_samples_nothing_is_left_unseparated():
    near = {"sponges": (-19.5, 0.0), "sediment": (-17.0, 0.0)}

    found = isotope_separation(n=4000, delta_sd=0.05, dic_spread=7.0, dic_mean=2004.1, candidates=near)

    assert found.cannot == ()
    assert "cannot" not in found.text


def test_about_eleven_visits_reach_0_004_ph_where_visits_scatter_by_0_006():
    # Story 36: "about 11". The real-valued solution with Student's t is 11.1; 11 visits give 0.00403, so 12 are needed.
    found = replicates_left(sd=0.006, half_width=0.004, done=3)

    assert found.needed == 12
    assert found.more == found.needed - 3
