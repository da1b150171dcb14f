"""A laboratory's later file: rows of new bottles and values in empty fields, nothing overwritten (invented numbers)."""

from pathlib import Path

import intake_kit as kit
import pytest

from reeftally.intake import take_in

HEAD = "bottle,time,station,height_above_bed_m,dic,dic_sd,poison,stored_days,flag\n"
FIRST = (
    HEAD
    + "B1,2031-03-26T08:00:00Z,mast,0.5,,,mercuric chloride,,9\n"
    + "B2,2031-03-26T09:00:00Z,mast,0.5,2010.0,1.5,mercuric chloride,20,2\n"
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = kit.mission(tmp_path / "mission", book=True)
    (folder / "tables" / "bottles.csv").write_text(FIRST)
    take_in(folder, now_ns=kit.NOW_NS)
    return folder


def arrives(folder: Path, text: str, name: str = "bottles_carbon-laboratory.csv"):
    (folder / "inbox" / name).write_text(text)
    report = take_in(folder, now_ns=kit.NOW_NS)
    return next(file for file in report.files if file.name == name)


def table(folder: Path) -> str:
    return (folder / "tables" / "bottles.csv").read_text()


def test_a_laboratorys_file_fills_empty_fields_and_adds_rows(folder):
    file = arrives(folder, "bottle,dic,dic_sd,laboratory\nB1,2003.5,1.5,shore\nB2,2010,,shore\n")

    assert file.status == "loaded"
    assert "B1,2031-03-26T08:00:00Z,mast,0.5,2003.5,1.5,mercuric chloride,,9,shore" in table(folder)
    assert "B2,2031-03-26T09:00:00Z,mast,0.5,2010.0,1.5,mercuric chloride,20,2,shore" in table(folder)
    assert not list((folder / "inbox").iterdir())

    added = arrives(folder, HEAD + "B3,2031-03-26T10:00:00Z,mast,0.5,2001.0,1.5,mercuric chloride,21,2\n")

    assert added.status == "loaded"
    assert table(folder).count("\n") == 4


def test_the_same_file_again_changes_nothing(folder):
    text = "bottle,dic,dic_sd\nB1,2003.5,1.5\n"
    arrives(folder, text)
    before = table(folder)

    assert arrives(folder, text).status == "repeated"
    assert table(folder) == before


def test_another_value_in_a_field_that_has_one_is_asked_and_both_are_kept(folder):
    file = arrives(folder, "bottle,dic,dic_sd\nB1,2003.5,1.5\nB2,2110.0,1.5\n")

    assert file.status == "refused"
    (message,) = file.messages
    assert (message.file, message.line, message.field) == ("bottles_carbon-laboratory.csv", 3, "dic")
    assert "'2110.0' for B2" in message.found
    assert "'2010.0'" in message.expected
    assert "by hand" in message.mend
    assert table(folder) == FIRST
    assert (folder / "inbox" / "bottles_carbon-laboratory.csv").exists()


@pytest.mark.parametrize(
    ("text", "words"),
    [("dic,dic_sd\n2003.5,1.5\n", "a column 'bottle'"), ("bottle,dic\nB1,2003\nB1,2004\n", "one row a name")],
)
def test_rows_that_nothing_names_are_refused(folder, text, words):
    file = arrives(folder, text)

    assert file.status == "refused"
    assert words in file.messages[0].expected
    assert table(folder) == FIRST


def test_a_file_left_among_the_tables_goes_into_its_table(folder):
    (folder / "tables" / "bottles_late.csv").write_text("bottle,dic,dic_sd\nB1,2003.5,1.5\n")

    take_in(folder, now_ns=kit.NOW_NS)

    assert "2003.5" in table(folder)
    assert not (folder / "tables" / "bottles_late.csv").exists()
