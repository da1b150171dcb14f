"""The answer and how sure it is, for data that answer and for data that do not."""

from dataclasses import replace

import pytest

from reeftally.report import claims, headline, read_facts, targets
from reeftally.telling.story import amount, moved, not_measured


@pytest.fixture(scope="module")
def facts(mission):
    return read_facts(mission)


def test_the_headline_holds_both_parts_of_one_split(facts):
    found = headline(facts)

    assert found.answered
    assert {n.method for n in found.numbers} == {"shapley_from_past"}
    assert found.filled().startswith("The worldwide rise of CO₂ has lowered the pH")


def test_verbs_follow_the_interval(facts):
    number = headline(facts).numbers[0]

    assert moved(number) == "lowered"
    assert moved(replace(number, value=0.1, lower=0.05, upper=0.15)) == "raised"
    assert moved(replace(number, value=0.1, lower=-0.05, upper=0.15)) == "moved"


def test_a_lowering_is_told_by_its_size_and_an_unclear_change_with_its_signs(facts):
    number = headline(facts).numbers[0]

    assert amount(replace(number, value=-0.03, lower=-0.04, upper=-0.02)) == "0.030 (0.020 to 0.040)"
    assert amount(replace(number, value=-0.01, lower=-0.03, upper=0.01)) == "−0.010 (−0.030 to +0.010)"


def test_an_unclear_sign_cannot_tell_and_a_clear_one_is_very_likely(facts):
    by_text = {c.text: c for c in claims(facts)}

    assert by_text["The building of skeletons outweighs their loss"].answer.verdict == "cannot tell"
    assert by_text["The reef lowers the pH of its own water"].answer.words == "very likely"


def test_a_departure_from_balance_is_not_called_made_here(facts):
    kept = [n for n in facts.numbers if n.quantity != "ph_change_local"]
    departure = replace(
        next(n for n in facts.numbers if n.quantity == "ph_change_global" and n.period == "mission"),
        quantity="ph_departure_from_equilibrium",
    )
    other = replace(facts, numbers=(*kept, departure))

    found = headline(other)

    assert not found.answered
    assert "is not settled" in found.text


def test_what_is_missing_is_named_with_the_reason_on_record(facts):
    missing = dict(not_measured(facts))

    assert missing["the fingerprint of where the added carbon comes from"] == "no bottle carries delta13C <b>"


def test_a_target_is_met_only_if_its_widest_period_is(facts):
    states = {t.words: t for t in targets(facts)}

    # Half-width by hand: 1.959964 * hypot(0.5, 0.7) = 1.69, wanted 3.0.
    assert states["Oxygen flux, night"].state == "met"
    assert states["Oxygen flux, night"].reached.startswith("± 1.7 ")
    assert states["Change of pH: made on the reef, mission"].state == "not met"
    assert states["δ¹³C of the carbon added, mission"].state == "not measured"
    assert states["δ¹³C of the carbon added, mission"].reached == "no bottle carries delta13C <b>"


def test_periods_are_named_by_their_local_date(facts):
    names = {facts.period_name(n) for n in facts.numbers if n.quantity == "ph_total"}

    # The mission starts at 01:00 local on the 26th, inside the night whose dusk was on the 25th.
    assert {"night of 25 Mar", "night of 26 Mar", "day of 26 Mar", "mission"} <= names
