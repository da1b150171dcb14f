"""Rows of the catalogue about files: columns exchanged, noise, overlaps, overflow, spreadsheets, serial numbers."""

from pathlib import Path

import catalogue_kit as kit
import intake_kit
import numpy as np
import pytest

from reeftally.intake import take_in
from reeftally.store import open_store


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return intake_kit.mission(tmp_path / "mission", book=True)


def drop(folder: Path, name: str, text: str, encoding: str = "utf-8") -> None:
    (folder / "inbox" / name).write_text(text, encoding=encoding)


def test_row_15_columns_in_another_order_are_mapped_by_name_and_exchanged_values_asked_about(folder):
    right = intake_kit.ctd_text(0, 50)
    rows = [line.split(",") for line in right.splitlines()[2:]]
    other = "# serial 301\nunix,S,T\n" + "".join(f"{t},{s},{c}\n" for t, c, s in rows)
    drop(folder, "CTD-1_a.csv", other)
    (file,) = kit.take(folder)["files"]
    assert file["messages"] == []
    assert np.allclose(open_store(folder).read("CTD-1")["temperature"], [float(c) for _, c, _ in rows])

    # Names in place, values exchanged: a salinity of 28 is possible, a temperature of 135 is not.
    wrong = "# serial 301\nunix,T,S\n" + "".join(f"{int(t) + 1000},{float(s) + 100:.3f},{c}\n" for t, c, s in rows)
    drop(folder, "CTD-1_b.csv", wrong)

    (message,) = kit.messages(kit.take(folder))

    kit.complete(
        message, file="CTD-1_b.csv", field="T", words=("outside the plausible span", "swapped columns", "-2 to 40")
    )
    assert message["line"] == 3


def test_row_28_overflow_text_is_missing_flagged_4_and_counted(folder):
    lines = intake_kit.velocity_lines(0, 40)
    for number, text in ((5, "****"), (9, "1.#INF"), (12, "+E39")):
        parts = lines[number].split(";")
        parts[1] = text
        lines[number] = ";".join(parts)
    drop(folder, "VEL-A_a.txt", intake_kit.VELOCITY_HEADER + "".join(lines[:12] + lines[13:]))

    report = take_in(folder, now_ns=intake_kit.NOW_NS)

    (file,) = report.files
    assert any("2 overflow text(s)" in note for note in file.notes)
    store = open_store(folder)
    assert np.isnan(store.read("VEL-A")["velocity_x"][[5, 9]]).all()
    flags = store.flags("VEL-A", "velocity_x")["overflow"]
    times = store.read("VEL-A")["time"]
    assert flags.at(times)[[5, 9]].tolist() == [4, 4]
    assert (np.delete(flags.at(times), [5, 9]) != 4).all()


def test_row_29_a_file_that_a_spreadsheet_changed_is_refused_and_the_original_asked_for(folder):
    mangled = [
        ";".join([*line.split(";")[:2], "05-Mar", line.split(";")[3]]) for line in intake_kit.optode_lines(0, 30)
    ]
    drop(folder, "OXY-1_a.txt", intake_kit.OPTODE_HEADER + "".join(mangled), encoding="latin-1")

    (message,) = kit.messages(kit.take(folder))

    kit.complete(
        message,
        file="OXY-1_a.txt",
        field="O2 (µmol/L)",
        words=("05-Mar", "spreadsheet", "the one that the instrument wrote"),
    )
    assert message["line"] == 2


def test_row_30_a_file_of_another_serial_number_is_not_bound(folder):
    drop(folder, "CTD-1_a.csv", intake_kit.ctd_text(0, 30, serial="999"))

    (message,) = kit.messages(kit.take(folder))

    kit.complete(message, file="CTD-1_a.csv", words=("'999'", "CTD-1 (serial 301)", "mission.toml"))
    assert "CTD-1" not in open_store(folder).streams()


def test_row_21_an_empty_file_is_recorded_with_the_rows_that_are_due(folder):
    drop(folder, "CTD-1_a.csv", "# serial 301\nunix,T,S\n")

    report = kit.take(folder)

    (message,) = kit.messages(report)
    kit.complete(message, file="CTD-1_a.csv", words=("a header and no rows", "some 172,800 in this mission"))
    assert report["files"][0]["status"] == "empty"


def test_row_19_two_files_that_contradict_each_other_are_shown_with_the_differences(folder):
    drop(folder, "OXY-1_a.txt", intake_kit.optode_text(0, 50), encoding="latin-1")
    kit.take(folder)
    drop(folder, "OXY-1_b.txt", intake_kit.optode_text(20, 50, shift=3.0), encoding="latin-1")

    (message,) = kit.messages(kit.take(folder))

    kit.complete(
        message, file="OXY-1_b.txt", field=None, words=("values differ from those of OXY-1_a.txt", "held", "here")
    )


def test_row_17_more_than_one_percent_of_noise_flags_the_file(folder):
    lines = intake_kit.velocity_lines(0, 200)
    for number in range(20, 30):
        lines[number] = "\x00\x13\x81~?\x07\n"
    drop(folder, "VEL-A_a.txt", intake_kit.VELOCITY_HEADER + "".join(lines))

    (message,) = kit.messages(kit.take(folder))

    kit.complete(message, file="VEL-A_a.txt", words=("10 line(s)", "cable"))
    assert message["line"] == 22
