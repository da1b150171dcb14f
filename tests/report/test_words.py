"""Digits that follow the interval and words that follow the likelihood."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reeftally.telling.words import answer, confidence_words, likelihood_below, number, places, share, with_interval

# JCGM 100:2008, 7.2.6: uncertainties are given to two significant digits at most; 7.2.2 shows
# m_S = 100,021 47(35) g and m_S = (100,021 47 ± 0,000 79) g with an expanded uncertainty.


def test_the_mass_of_the_guide_is_shown_as_in_the_guide():
    shown = with_interval(100.02147, 100.02147 - 0.00079, 100.02147 + 0.00079, "g")

    assert shown == "100.02147 (100.02068 to 100.02226) g"


@pytest.mark.parametrize(
    ("value", "lower", "upper", "shown"),
    [
        (-0.02903, -0.0351, -0.0229, "−0.0290 (−0.0351 to −0.0229)"),
        (2004.13, 1989.0, 2019.0, "2004 (1989 to 2019)"),
        (85.8, -34.0, 206.0, "90 (−30 to 210)"),
        (0.0, -0.002, 0.002, "0.0000 (−0.0020 to 0.0020)"),
        (-0.00001, -0.1, 0.1, "0.00 (−0.10 to 0.10)"),
        (1.0, 0.90002, 1.0998, "1.00 (0.90 to 1.10)"),
    ],
)
def test_two_digits_of_half_the_interval_decide(value, lower, upper, shown):
    # Rounded by hand.
    assert with_interval(value, lower, upper) == shown


def test_very_small_numbers_with_a_unit_are_shown_in_powers_of_a_thousand():
    assert with_interval(3.12e-6, 2.5e-6, 3.8e-6, "W kg-1") == "3.12 (2.50 to 3.80) × 10⁻⁶ W kg⁻¹"


def test_shares_are_percent():
    assert share(0.284, 0.14, 0.42) == "28 (14 to 42) %"


def test_a_plus_sign_is_shown_where_asked():
    assert number(0.5, lower=0.4, upper=0.6, sign=True) == "+0.50"
    assert number(0.0, lower=-0.1, upper=0.1, sign=True) == "0.00"


@given(st.floats(-1e4, 1e4), st.floats(1e-6, 1e3))
def test_rounding_costs_at_most_a_twentieth_of_half_the_interval(value, half):
    decimals = places(value - half, value + half, value)

    assert abs(round(value, decimals) - value) <= half / 20.0 * 1.001


# Standard normal distribution, any printed table: 5 % below -1.6449, 2.5 % below -1.9600, 33 % below -0.4399.
@pytest.mark.parametrize(("sigmas", "probability"), [(1.6449, 0.05), (1.9600, 0.025), (0.4399, 0.33), (0.0, 0.5)])
def test_the_likelihood_of_the_normal_table_comes_back(sigmas, probability):
    half = 1.959964

    found = likelihood_below(0.0, value=sigmas, lower=sigmas - half, upper=sigmas + half)

    assert found == pytest.approx(probability, abs=5e-6)


def test_the_side_of_the_interval_that_faces_the_threshold_counts():
    narrow = likelihood_below(0.0, value=1.0, lower=0.5, upper=9.0)
    wide = likelihood_below(0.0, value=1.0, lower=-9.0, upper=1.5)

    assert narrow < 0.001
    assert wide > 0.35


# The calibrated words of the brief: very likely from 90 %, likely from 66 %, as likely as not from 33 %.
@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (0.90, "very likely"),
        (0.8999, "likely"),
        (0.66, "likely"),
        (0.6599, "as likely as not"),
        (0.33, "as likely as not"),
        (0.3299, "unlikely"),
        (0.05, "very unlikely"),
        (math.nan, "cannot tell"),
    ],
)
def test_words_change_at_their_stated_likelihoods(probability, words):
    assert confidence_words(probability) == words


def test_an_interval_that_spans_the_decision_cannot_tell_but_leans():
    found = answer(below=True, threshold=0.0, value=-1.0, lower=-2.5, upper=0.5)

    assert found.verdict == "cannot tell"
    assert found.words == "very likely"


def test_an_interval_on_one_side_answers():
    assert answer(below=True, threshold=0.0, value=-1.0, lower=-1.5, upper=-0.5).verdict == "yes"
    assert answer(below=False, threshold=0.0, value=-1.0, lower=-1.5, upper=-0.5).verdict == "no"


@given(st.floats(-10, 10), st.floats(0.01, 5), st.booleans())
def test_a_question_and_its_opposite_share_one_likelihood(value, half, below):
    one = answer(below=below, threshold=0.0, value=value, lower=value - half, upper=value + half)
    other = answer(below=not below, threshold=0.0, value=value, lower=value - half, upper=value + half)

    assert one.probability + other.probability == pytest.approx(1.0)
    assert one.words == other.words
