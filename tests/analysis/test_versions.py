"""Two runs side by side: every row of either is accounted for (invented rows)."""

from __future__ import annotations

import pandas as pd
import pytest

from reeftally.analysis.estimates import COLUMNS
from reeftally.analysis.versions import change_frame, changed, compare_estimates, say_change


def _row(quantity, value, half=1.0, **other):
    base = dict.fromkeys(COLUMNS, "")
    known = value is not None
    return {
        **base,
        "quantity": quantity,
        "method": "m",
        "subject": "site",
        "period": "mission",
        "start": "2031-03-25T20:00:00Z",
        "end": "2031-04-04T20:00:00Z",
        "value": value if known else float("nan"),
        "lower": value - half if known else float("nan"),
        "upper": value + half if known else float("nan"),
        **other,
    }


def _table(*rows):
    return pd.DataFrame(list(rows), columns=list(COLUMNS))


def test_every_row_of_either_run_is_shown_once():
    old = _table(_row("a", 1.0), _row("b", 2.0), _row("c", None, reason="no bottles"), _row("d", 3.0), _row("g", 1.0))
    new = _table(_row("a", 1.0), _row("b", 2.5), _row("c", 4.0), _row("d", None, reason="too short"), _row("e", 5.0))

    rows = compare_estimates(old, new)

    assert {row.quantity: row.kind for row in rows} == {
        "a": "same", "b": "changed", "c": "now given", "d": "now refused", "e": "come", "g": "gone",
    }  # fmt: skip
    assert [row.quantity for row in changed(rows)] == ["c", "d", "g", "e", "b"]


def test_difference_is_told_against_the_old_interval():
    rows = compare_estimates(
        _table(_row("small", 1.0, 1.0), _row("large", 1.0, 0.1)), _table(_row("small", 1.5), _row("large", 1.5))
    )

    assert [row.quantity for row in rows] == ["large", "small"]
    assert rows[0].in_half_widths == pytest.approx(5.0)
    assert rows[0].outside
    assert not rows[1].outside
    assert rows[1].difference == pytest.approx(0.5)


def test_an_interval_that_moves_alone_is_a_change_and_rounding_is_none():
    rows = compare_estimates(
        _table(_row("wider", 1.0, 1.0), _row("rounding", 1.0)),
        _table(_row("wider", 1.0, 2.0), _row("rounding", 1 + 1e-12)),
    )

    assert {row.quantity: row.kind for row in rows} == {"wider": "changed", "rounding": "same"}


def test_two_rows_of_one_key_keep_their_order():
    rows = compare_estimates(_table(_row("a", 1.0), _row("a", 2.0)), _table(_row("a", 1.0), _row("a", 3.0)))

    assert sorted((row.old, row.new) for row in rows) == [(1.0, 1.0), (2.0, 3.0)]


def test_lines_say_old_new_and_reason():
    rows = compare_estimates(
        _table(_row("b", 2.0), _row("d", 3.0)), _table(_row("b", 2.5), _row("d", None, reason="too short"))
    )
    said = " | ".join(say_change(row) for row in rows)

    assert "2 (1 to 3) -> 2.5 (1.5 to 3.5)" in said
    assert "0.50 of the old half interval" in said
    assert "now refused: too short; was 3 (2 to 4)" in said


def test_table_has_one_line_a_row():
    frame = change_frame(compare_estimates(_table(_row("b", 2.0)), _table(_row("b", 9.0))))

    assert list(frame["outside"]) == [True]
    assert list(frame["difference"]) == [7.0]
