"""Proposed layouts: what can be seen is there, what cannot be seen stands as a question."""

from __future__ import annotations

import tomllib
from pathlib import Path

import intake_kit as kit
import pytest

from reeftally.errors import IntakeError
from reeftally.intake import propose_layout, take_in
from reeftally.mission import BookErrors, parse_layout
from reeftally.store import open_store


def propose(tmp_path: Path, text: str | bytes, name: str = "OXY-1_0001.txt") -> dict:
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return tomllib.loads(propose_layout(path))


def test_delimiter_decimal_mark_header_and_time_are_seen(tmp_path: Path) -> None:
    found = propose(tmp_path, kit.optode_text(0, 30).encode("latin-1"))

    assert found["text"]["delimiter"] == ";"
    assert found["text"]["decimal_mark"] == ","
    assert found["text"]["header"] == "names"
    assert found["text"]["header_start"] == "date"
    assert found["text"]["encoding"] == "cp1252"
    assert found["time"]["columns"] == ["date", "clock"]
    assert found["time"]["format"] == "?" or found["time"]["format"].startswith("%d.%m.%Y")
    assert [column["name"] for column in found["columns"]] == ["O2 (µmol/L)", "T (°C)"]


def test_zone_stamp_and_unit_are_never_guessed_and_the_layout_is_refused_until_answered(tmp_path: Path) -> None:
    path = tmp_path / "VEL-A_0001.txt"
    path.write_text(kit.velocity_text(0, 30))
    text = propose_layout(path)

    found = tomllib.loads(text)

    assert found["time"]["zone"] == found["time"]["stamp"] == "?"
    assert {column["unit"] for column in found["columns"]} == {"?"}
    with pytest.raises(BookErrors) as caught:
        parse_layout(text, "VEL-A_0001.toml")
    assert "time.zone" in str(caught.value)


def test_once_answered_the_proposal_loads_the_file(tmp_path: Path) -> None:
    folder = kit.mission(tmp_path)
    for layout in (folder / "layouts").iterdir():
        layout.unlink()
    path = folder / "inbox" / "VEL-A_0001.txt"
    path.write_text(kit.velocity_text(0, 30))
    text = propose_layout(path)
    text = text.replace('zone = "?"', 'zone = "UTC"').replace('stamp = "?"', 'stamp = "instant"')
    parts = text.split('unit = "?"')
    units = ["m/s", "m/s", "m/s", "%", "dB"]
    answered = parts[0] + "".join(f'unit = "{u}"{rest}' for u, rest in zip(units, parts[1:], strict=True))
    (folder / "layouts" / "VEL-A_0001.toml").write_text(answered)

    report = take_in(folder, now_ns=kit.NOW_NS)

    assert report.rows_new == 30
    assert open_store(folder).streams()["VEL-A"].channels == (
        "correlation",
        "signal_to_noise",
        "velocity_x",
        "velocity_y",
        "velocity_z",
    )


@pytest.mark.parametrize(
    ("dates", "wanted"),
    [
        (["03/04/2031", "04/04/2031"], "?"),
        (["12/04/2031", "13/04/2031"], "%d/%m/%Y %H:%M"),
        (["04/12/2031", "04/13/2031"], "%m/%d/%Y %H:%M"),
        (["03/04/31", "13/04/31"], "?"),
        (["2031-04-03", "2031-04-04"], "%Y-%m-%d %H:%M"),
    ],
)
def test_day_and_month_are_told_apart_only_by_a_date_that_does_it(
    tmp_path: Path, dates: list[str], wanted: str
) -> None:
    found = propose(tmp_path, "when,T\n" + "".join(f"{date} 10:00,28.{n}\n" for n, date in enumerate(dates)))

    assert found["time"]["format"] == wanted


def test_serial_days_are_recognised_and_asked_about(tmp_path: Path) -> None:
    text = tmp_path / "day.csv"
    text.write_text("day;T\n47931,5;28,1\n47931,6;28,2\n")

    proposal = propose_layout(text)

    # 47931 in the 1900 system is 2031-03-24: 44197 is 2021-01-01 (from memory), and 3734 days follow.
    assert 'format = "?"  # "serial_1900" or "serial_1904"' in proposal
    assert "2031-03-24 12:00" in proposal


def test_a_thousands_mark_is_not_taken_for_a_decimal_one(tmp_path: Path) -> None:
    assert propose(tmp_path, "time;n\n2031-04-03 10:00;1,234\n2031-04-03 10:01;1,235\n")["text"]["decimal_mark"] == "?"
    assert propose(tmp_path, "time;n;x\n2031-04-03 10:00;1,234;0.5\n")["text"]["decimal_mark"] == "?"


def test_scale_and_kind_of_quantity_are_asked(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_text("time,pH,O2,Pressure\n2031-04-03 10:00,8.01,180.1,10.2\n2031-04-03 10:01,8.02,180.2,10.3\n")

    text = propose_layout(path)

    assert "which scale: ph_total" in text
    assert "oxygen_molar (by volume)" in text
    assert "absolute_pressure" in text


def test_units_in_the_column_names_are_the_files_own_declaration(tmp_path: Path) -> None:
    found = propose(tmp_path, "time,Temp [degC]\n2031-04-03T10:00:00Z,28.1\n2031-04-03T10:00:05Z,28.2\n")

    assert found["columns"] == [{"name": "Temp [degC]", "quantity": "temperature", "unit": "degC"}]
    assert found["time"]["zone"] == "UTC"
    assert found["time"]["format"] == "%Y-%m-%dT%H:%M:%S%z"


def test_missing_codes_are_shown_and_files_without_header_go_by_position(tmp_path: Path) -> None:
    path = tmp_path / "log.dat"
    path.write_text("1932235200 28.1 -999\n1932235205 28.2 35.1\n1932235210 28.2 35.1\n")

    text = propose_layout(path)

    found = tomllib.loads(text)
    assert "-999 (1x)" in text
    assert found["text"]["header"] == "none"
    assert found["time"]["columns"] == ["1"]
    assert found["time"]["format"] == "unix_s"


def test_what_is_no_table_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    path.write_bytes(bytes(range(256)) * 20)

    with pytest.raises(IntakeError, match="no rows of numbers"):
        propose_layout(path)
