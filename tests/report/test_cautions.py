"""Cautions stand where they belong."""

import re

import pytest

from reeftally.report import CAUTIONS, cautions_for
from reeftally.telling.cautions import FOLLOW


@pytest.mark.parametrize("place", ["dive sheet", "dye task", "poison task", "cable task"])
def test_tasks_show_their_caution_and_whom_to_follow(place):
    rows = cautions_for(place)

    assert rows
    assert all(row.text.endswith(FOLLOW) for row in rows)


@pytest.mark.parametrize("place", ["brief", "report", "account"])
def test_pages_for_deciders_say_that_association_is_not_cause(place):
    assert any("need not be cause and effect" in row.text for row in cautions_for(place))


def test_no_caution_states_a_limit_or_a_dose():
    assert not [row for row in CAUTIONS if re.search(r"\d", row.text.replace("CO₂", ""))]
