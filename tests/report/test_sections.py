"""Tables of the report: every estimate stands in one, notes are said once, cells lead to estimates."""

import pytest

from reeftally.report import read_facts
from reeftally.report.sections import _mark, sections
from reeftally.telling.facts import Number


@pytest.fixture(scope="module")
def facts(build_mission, tmp_path_factory):
    return read_facts(build_mission(tmp_path_factory.mktemp("sections") / "m", keep=set()))


def test_every_estimate_with_a_value_stands_in_a_table(facts):
    cells = [c for s in sections(facts) for t in s.tables for row in t.rows for c in row]
    shown = {c.index for c in cells if isinstance(c, Number)}

    assert {n.index for n in facts.numbers if n.given} <= shown


def test_every_refused_estimate_stands_with_its_reason(facts):
    cells = [c for s in sections(facts) for t in s.tables for row in t.rows for c in row]

    assert all(n.reason in cells for n in facts.refused())


def test_rows_are_as_long_as_their_head(facts):
    for table in (t for s in sections(facts) for t in s.tables):
        assert {len(row) for row in table.rows} == {len(table.head)}, table.title


@pytest.mark.parametrize(("position", "mark"), [(0, "a"), (25, "z"), (26, "aa"), (27, "ab"), (52, "ba")])
def test_notes_are_lettered(position, mark):
    assert _mark(position) == mark
