"""Whatever is done to a file, the answer is a record or a message, never a traceback. Data are invented."""

import json
from importlib import resources

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reeftally.mission import TABLES, Book, BookErrors, Layout, Log, parse_book, parse_layout, parse_table, table_header

TEMPLATE = resources.files("reeftally.mission") / "template"
BOOK = (TEMPLATE / "mission.toml").read_text("utf-8")
LAYOUT = (TEMPLATE / "layouts" / "optode.toml").read_text("utf-8")

VALUES = [
    "3",
    "-1.5",
    "nan",
    '"x"',
    "true",
    "2031-03-25T20:00:00",
    "2031-03-25",
    "[]",
    '["a", 1]',
    "{}",
    "{ a = 1 }",
    "[[1]]",
    "1e400",
    '""',
    "2031-13-45T20:00:00Z",
    "07:32:00",
    "0001-01-01T00:00:00+05:00",
    "9999-12-31T23:59:59-05:00",
]


@st.composite
def damaged(draw, text):
    lines = text.splitlines()
    for _ in range(draw(st.integers(1, 4))):
        place = draw(st.integers(0, len(lines) - 1))
        how = draw(st.sampled_from(["drop", "value", "key", "twice", "cut", "swap", "junk"]))
        line = lines[place]
        if how == "drop":
            lines[place] = ""
        elif how == "value" and "=" in line:
            lines[place] = line.split("=")[0] + "= " + draw(st.sampled_from(VALUES))
        elif how == "key" and "=" in line:
            lines[place] = draw(st.sampled_from(["x", "label", "start", "format"])) + " = " + line.split("=", 1)[1]
        elif how == "twice":
            lines.insert(place, line)
        elif how == "cut":
            lines[place] = line[: draw(st.integers(0, max(len(line), 1)))]
        elif how == "swap":
            other = draw(st.integers(0, len(lines) - 1))
            lines[place], lines[other] = lines[other], lines[place]
        elif how == "junk":
            lines[place] = draw(st.text(max_size=10))
    return "\n".join(lines)


def outcome(parse, text, file):
    """Return the model, or None after checking the shape of every message."""
    problems = ()
    model = None
    try:
        model = parse(text, file)
    except BookErrors as error:
        problems = error.problems
    assert (model is None) == (len(problems) > 0)
    for problem in problems:
        assert str(problem).startswith(f"{file}: {problem.key} is ")
        assert "; it needs " in str(problem)
        assert len(str(problem)) < 1500
    return model


@settings(max_examples=300, deadline=None)
@given(text=damaged(BOOK))
def test_a_damaged_book_gives_a_book_or_messages(text):
    book = outcome(parse_book, text, "mission.toml")

    assert book is None or isinstance(book, Book)


@settings(max_examples=300, deadline=None)
@given(text=damaged(LAYOUT))
def test_a_damaged_layout_gives_a_layout_or_messages(text):
    layout = outcome(parse_layout, text, "layouts/optode.toml")

    assert layout is None or isinstance(layout, Layout)


@pytest.mark.parametrize("section", list(Book.model_fields))
@pytest.mark.parametrize("value", VALUES)
def test_a_section_of_a_wrong_kind_gives_messages(section, value):
    outcome(parse_book, f"{section} = {value}\n", "mission.toml")


CELLS = st.sampled_from(
    [
        "",
        "1",
        "-1",
        "nan",
        "inf",
        "1e999",
        "x",
        '"',
        "1,2",
        "2031-03-27T05:00:00Z",
        "2031-03-27",
        "0001-01-01T00:00:00Z",
        "9999-12-31T23:59:59Z",
        "2031-03-27T05:00:60Z",
        "yes",
        "maybe",
        "OXY-1",
        "\x00",
        "\ufeff",
        "١",
        "1_000",
    ]
)


@settings(max_examples=200, deadline=None)
@given(
    name=st.sampled_from(sorted(TABLES)),
    rows=st.lists(st.lists(CELLS, max_size=26).map(",".join), max_size=5),
    raw=st.binary(max_size=40),
)
def test_a_damaged_table_gives_records_and_messages(name, rows, raw):
    header = table_header(name)
    width = header.count(",") + 1
    padded = [",".join((row.split(",") + [""] * width)[:width]) for row in rows]

    for content in ("\n".join([header, *padded]).encode(), "\n".join([header, *rows]).encode() + raw, raw):
        read = parse_table(content, TABLES[name], f"tables/{name}.csv")
        filled = [line for line in content.split(b"\n")[1:] if line.strip(b', \r\t"')]
        assert len(read.records) <= len(filled)
        assert all(str(problem).startswith(f"tables/{name}.csv") for problem in read.problems)


@settings(max_examples=100, deadline=None)
@given(
    lines=st.lists(
        st.one_of(
            st.binary(max_size=30),
            st.dictionaries(
                st.sampled_from(["id", "time", "by", "kind", "correction"]),
                st.sampled_from([None, 1, "accept", "undo", {}, [], {"type": "axis_flip"}]),
            ).map(lambda data: json.dumps(data).encode()),
        ),
        max_size=4,
    )
)
def test_a_damaged_log_gives_entries_or_messages(tmp_path_factory, lines):
    log = Log(tmp_path_factory.mktemp("log"))
    log.path.parent.mkdir()
    log.path.write_bytes(b"\n".join(lines) + b"\n")

    active, problems = None, ()
    try:
        active = log.active()
    except BookErrors as error:
        problems = error.problems
    assert (active is None) == (len(problems) > 0)
    assert all("log/entries.jsonl: line " in str(problem) for problem in problems)
