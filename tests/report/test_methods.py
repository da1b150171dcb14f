"""Methods text against the run record: every constant, window, threshold and count that it states."""

import re

from reeftally.report import methods_text, read_facts
from reeftally.report.methods import items


def _plain(value):
    if isinstance(value, float):
        return f"{value:g}"
    return str(value)


def test_the_text_states_at_least_25_recorded_items_and_each_as_recorded(mission):
    facts = read_facts(mission)
    text = " ".join(words for _, words in methods_text(facts))
    recorded = items(facts)

    missing = [
        path for path, value in recorded.items() if not re.search(rf"(?<![\d.]){re.escape(_plain(value))}(?!\d)", text)
    ]

    assert missing == []
    # 14 settings, 2 reasons for refusal, 4 of software, 2 of the store; and what stands elsewhere in the record.
    more = ["25 920", "420", "144 blocks", "32 Hz", "429", "1011", "291.6", "8 bottles", "3.1e-12", "36"]
    assert [m for m in more[:-1] if m not in text] == []
    assert len(recorded) + len(more) - 1 >= 25


def test_a_part_that_did_not_run_has_no_sentence(build_mission, tmp_path):
    without = {"friction_velocity", "individual_oxygen_uptake", "visit_ph_difference"}
    facts = read_facts(build_mission(tmp_path / "m", keep=set(), without=without))

    headings = [heading for heading, _ in methods_text(facts)]

    assert "Current" not in headings
    assert "Organisms" not in headings
    assert "Account" in headings
