"""Packing the data of a chart loses nothing."""

import json

from hypothesis import given
from hypothesis import strategies as st

from reeftally.report._packed import packed, unpacked

CELLS = st.one_of(
    st.none(),
    st.booleans(),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(max_size=4),
    st.datetimes().map(lambda t: f"{t.replace(microsecond=0):%Y-%m-%dT%H:%M:%S}+00:00"),
)
NAMES = st.lists(st.text(max_size=3), min_size=1, max_size=4, unique=True)


@st.composite
def tables(draw):
    names = draw(NAMES)
    return [{name: draw(CELLS) for name in names} for _ in range(draw(st.integers(0, 14)))]


@given(st.dictionaries(st.text(max_size=3), tables(), max_size=2))
def test_what_is_packed_comes_back_the_same_in_the_same_order(sets):
    spec = {"mark": "line", "datasets": sets}

    back = unpacked(json.loads(json.dumps(packed(spec))))

    assert back == spec
    assert [list(row) for rows in back["datasets"].values() for row in rows] == [
        list(row) for rows in sets.values() for row in rows
    ]


def test_a_long_series_takes_less_than_half():
    rows = [
        {
            "name": "par",
            "time": f"2031-03-26T{k // 4 % 24:02d}:{15 * (k % 4):02d}:00+00:00",
            "value": 0.5 * k,
            "alone": False,
        }
        for k in range(96)
    ]
    spec = {"datasets": {"d": rows}}

    assert len(json.dumps(packed(spec))) < 0.5 * len(json.dumps(spec))
    assert unpacked(packed(spec)) == spec


def test_rows_that_differ_in_their_columns_stay_as_they_are():
    spec = {"datasets": {"d": [{"a": k} if k % 2 else {"b": k} for k in range(20)]}}

    assert packed(spec) == spec
