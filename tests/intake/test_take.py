"""Taking in: the stories of the base, on invented files."""

from __future__ import annotations

import errno
import json
import shutil
import stat
import zipfile
from pathlib import Path

import intake_kit as kit
import numpy as np
import pytest

from reeftally.errors import StoreError, StoreLockedError
from reeftally.intake import FileReport, IntakeReport, rebuild, take_in
from reeftally.store import _writer, open_store


def take(folder: Path, *files: Path, **options: object) -> IntakeReport:
    return take_in(folder, list(files) or None, now_ns=kit.NOW_NS, **options)


def only(report: IntakeReport) -> FileReport:
    (file,) = report.files
    return file


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return kit.mission(tmp_path / "mission")


def drop(folder: Path, name: str, text: str | bytes, encoding: str = "utf-8") -> Path:
    path = folder / "inbox" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
    return path


def raw_files(folder: Path) -> list[Path]:
    return sorted((folder / "raw").glob("??/*"))


def velocity_equals(folder: Path, first: int, count: int) -> None:
    wanted = kit.velocity(first, count)
    found = open_store(folder).read("VEL-A")
    np.testing.assert_array_equal(found["time"], wanted["time"])
    for channel, column in (("velocity_x", "u"), ("velocity_y", "v"), ("velocity_z", "w")):
        np.testing.assert_array_equal(found[channel], wanted[column].astype(np.float32))
    np.testing.assert_array_equal(found["correlation"], wanted["corr"].astype(np.float32))


def test_a_mixed_inbox_is_recognised_loaded_and_emptied_but_for_the_unknown(folder: Path) -> None:
    drop(folder, "VEL-A_001.txt", kit.velocity_text(0, 3000))
    drop(folder, "OXY-1_001.txt", kit.optode_text(0, 500), "latin-1")
    drop(folder, "CTD-1.csv", kit.ctd_text(0, 200, serial="301"))
    drop(folder, "photo.jpg", b"\xff\xd8\xff\xe0 not a table")

    report = take(folder)

    by_name = {file.name: file for file in report.files}
    assert {name: file.status for name, file in by_name.items()} == {
        "VEL-A_001.txt": "loaded",
        "OXY-1_001.txt": "loaded",
        "CTD-1.csv": "loaded",
        "photo.jpg": "unknown",
    }
    assert by_name["VEL-A_001.txt"].rows_new == 3000
    assert by_name["VEL-A_001.txt"].median_step_s == 1 / 32
    assert by_name["OXY-1_001.txt"].first_ns == kit.start_ns()
    assert by_name["OXY-1_001.txt"].last_ns == kit.start_ns() + 499 * 5_000_000_000
    assert [path.name for path in (folder / "inbox").iterdir()] == ["photo.jpg"]
    assert len(raw_files(folder)) == 4
    velocity_equals(folder, 0, 3000)


def test_units_zones_and_decimal_commas_become_canonical(folder: Path) -> None:
    drop(folder, "OXY-1_001.txt", kit.optode_text(0, 60), "latin-1")

    take(folder)

    found = open_store(folder).read("OXY-1")
    number = np.arange(60)
    np.testing.assert_allclose(found["oxygen_molar"], 180 + (number % 50) / 10, rtol=1e-15)
    np.testing.assert_allclose(found["temperature"], np.round(28 + (number % 9) / 100, 3), rtol=1e-15)
    np.testing.assert_array_equal(found["time"], kit.start_ns() + number * 5_000_000_000)


def test_the_same_file_twice_changes_nothing(folder: Path) -> None:
    text = kit.velocity_text(0, 2000)
    drop(folder, "VEL-A_001.txt", text)
    take(folder)
    before = {path: path.stat().st_size for path in folder.rglob("*") if path.is_file()}
    drop(folder, "VEL-A_001.txt", text)

    report = take(folder)

    assert only(report).status == "repeated"
    assert (report.rows_new, report.rows_repeated) == (0, 2000)
    assert {path: path.stat().st_size for path in folder.rglob("*") if path.is_file()} == before


def test_the_same_bytes_under_another_name_are_known_by_their_hash(folder: Path) -> None:
    drop(folder, "VEL-A_001.txt", kit.velocity_text(0, 2000))
    take(folder)
    drop(folder, "VEL-A_copy.txt", kit.velocity_text(0, 2000))

    report = take(folder)

    assert only(report).status == "repeated"
    assert any("VEL-A_001.txt" in note for note in only(report).notes)
    assert len(raw_files(folder)) == 1
    index = (folder / "raw" / "index.jsonl").read_text().splitlines()
    assert [json.loads(line)["name"] for line in index] == ["VEL-A_001.txt", "VEL-A_copy.txt"]


def test_a_growing_file_goes_on_where_it_stopped_and_its_cut_line_comes_once(folder: Path) -> None:
    text = kit.velocity_text(0, 900)
    cuts = [300, 301, 20_011, 20_030, 40_000, len(text)]
    path = folder / "logger" / "VEL-A.txt"
    path.parent.mkdir()
    new = []
    for cut in cuts:
        path.write_text(text[:cut])
        new.append(take(folder, path).rows_new)

    assert sum(new) == 900
    assert all(count < 900 for count in new)
    velocity_equals(folder, 0, 900)
    assert path.exists()


def test_a_cut_last_line_is_named_held_back_and_the_file_stays_in_the_inbox(folder: Path) -> None:
    text = kit.velocity_text(0, 100)
    drop(folder, "VEL-A.txt", text[:-8])

    file = only(take(folder))

    assert file.status == "partly"
    assert file.rows_new == 99
    assert file.messages[0].line == 101
    assert (folder / "inbox" / "VEL-A.txt").exists()
    assert only(take(folder)).status == "repeated"
    assert (folder / "inbox" / "VEL-A.txt").exists()


def test_a_file_open_for_writing_stays_in_the_inbox(folder: Path) -> None:
    path = drop(folder, "VEL-A.txt", kit.velocity_text(0, 100))
    with path.open("ab"):
        file = only(take(folder))
    again = only(take(folder))

    assert (file.status, file.provisional) == ("loaded", True)
    assert (again.status, again.rows_new) == ("repeated", 0)
    assert not path.exists()


def test_a_header_that_changes_in_mid_file_maps_columns_by_name(folder: Path) -> None:
    first = kit.velocity_text(0, 50)
    swapped = ["time;corr;snr;w;v;u;extra\n"]
    for line in kit.velocity_lines(50, 50):
        time, u, v, w, corr, snr = line.strip().split(";")
        swapped.append(f"{time};{corr};{snr};{w};{v};{u};9\n")
    drop(folder, "VEL-A.txt", first + "".join(swapped) + kit.velocity_text(100, 50))

    file = only(take(folder))

    assert (file.status, file.rows_new, file.messages) == ("loaded", 150, [])
    velocity_equals(folder, 0, 150)


@pytest.mark.parametrize("block_bytes", [64, 300, 5000])
def test_rows_do_not_depend_on_how_the_file_is_cut_into_blocks(folder: Path, block_bytes: int) -> None:
    text = kit.velocity_text(0, 40) + kit.velocity_text(40, 60) + "x\x01y\n" + "".join(kit.velocity_lines(100, 20))
    drop(folder, "VEL-A.txt", text)

    file = only(take(folder, block_bytes=block_bytes))

    assert file.rows_new == 120
    assert file.rows_rejected == 1
    velocity_equals(folder, 0, 120)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252"])
def test_a_file_that_lies_about_its_encoding_is_still_read(folder: Path, encoding: str) -> None:
    # The layout says latin-1 and has a micro and a degree sign in its column names.
    drop(folder, "OXY-1.txt", kit.optode_text(0, 50), encoding)

    file = only(take(folder, block_bytes=777))

    assert (file.status, file.rows_new, file.messages) == ("loaded", 50, [])
    assert open_store(folder).read("OXY-1")["oxygen_molar"][1] == 180.1


def test_line_ends_of_any_kind_quotes_and_trailing_separators_are_accepted(folder: Path) -> None:
    lines = kit.velocity_lines(0, 40)
    odd = [line.replace("\n", "\r\n") for line in lines[:10]]
    odd += [line.replace("\n", ";\n") for line in lines[10:20]]
    odd += ['"' + line.strip().replace(";", '";"') + '"\n' for line in lines[20:30]]
    odd += [line.replace("\n", "\n\n") for line in lines[30:]]
    drop(folder, "VEL-A.txt", kit.VELOCITY_HEADER + "".join(odd))

    file = only(take(folder))

    assert (file.status, file.rows_new, file.messages) == ("loaded", 40, [])
    velocity_equals(folder, 0, 40)


def test_missing_codes_overflow_text_and_words_become_missing_and_are_counted(folder: Path) -> None:
    lines = kit.velocity_lines(0, 10)

    def with_u(line: str, u: str) -> str:
        fields = line.split(";")
        fields[1] = u
        return ";".join(fields)

    for number, text in enumerate(["-999", "", "NaN", "****", "1.#INF", "Over", "-9999"]):
        lines[number] = with_u(lines[number], text)
    drop(folder, "VEL-A.txt", kit.VELOCITY_HEADER + "".join(lines))

    file = only(take(folder))

    store = open_store(folder)
    found = store.read("VEL-A")["velocity_x"]
    assert np.isnan(found).tolist() == [True] * 7 + [False] * 3
    assert file.rows_new == 10
    (message,) = file.messages  # -9999 is nowhere declared
    assert "-9999" in message.found
    times = store.read("VEL-A")["time"]
    assert store.flags("VEL-A", "velocity_x")["overflow"].at(times).tolist() == [1, 1, 1, 4, 4, 4, 1, 1, 1, 1]


def test_duplicate_lines_count_once_and_contradicting_ones_are_kept_and_named(folder: Path) -> None:
    lines = kit.velocity_lines(0, 10)
    lines.insert(5, lines[4])
    lines.insert(9, lines[8].replace(";9", ";8"))
    drop(folder, "VEL-A.txt", kit.VELOCITY_HEADER + "".join(lines))

    file = only(take(folder))

    assert (file.rows_new, file.rows_repeated) == (11, 1)
    assert "at a stamp that this file gives twice" in file.messages[0].found


def test_overlapping_files_merge_where_they_agree(folder: Path) -> None:
    drop(folder, "VEL-A_1.txt", kit.velocity_text(0, 600))
    drop(folder, "VEL-A_2.txt", kit.velocity_text(400, 600))

    report = take(folder, block_bytes=4096)

    assert [(file.rows_new, file.rows_repeated) for file in report.files] == [(600, 0), (400, 200)]
    assert not report.needs_attention
    velocity_equals(folder, 0, 1000)


def test_an_overlap_with_other_values_is_refused_and_shown(folder: Path) -> None:
    drop(folder, "VEL-A_1.txt", kit.velocity_text(0, 600))
    drop(folder, "VEL-A_2.txt", kit.velocity_text(400, 600, seed=2))

    report = take(folder)

    second = report.files[1]
    assert (second.status, second.rows_new, second.rows_rejected) == ("partly", 400, 200)
    (message,) = second.messages
    assert "VEL-A_1.txt" in message.found
    assert "velocity_x" in message.found
    assert open_store(folder).read("VEL-A")["time"].size == 1000


def test_gaps_and_steps_are_reported(folder: Path) -> None:
    lines = kit.velocity_lines(0, 100) + kit.velocity_lines(164, 100) + kit.velocity_lines(300, 2)
    drop(folder, "VEL-A.txt", kit.VELOCITY_HEADER + "".join(lines))

    file = only(take(folder, block_bytes=1000))

    step = 31_250_000
    start = kit.start_ns()
    assert file.gap_count == 2
    assert file.gaps == [(start + 99 * step, start + 164 * step), (start + 263 * step, start + 300 * step)]
    assert file.mean_step_s == 1 / 32


def test_values_outside_the_plausible_span_are_kept_and_named(folder: Path) -> None:
    drop(folder, "OXY-1.txt", kit.optode_text(0, 20, shift=1000.0), "latin-1")

    file = only(take(folder))

    assert (file.status, file.rows_new) == ("loaded", 20)
    assert file.messages[0].field == "O2 (µmol/L)"
    assert "0 to 600" in file.messages[0].expected


def test_rows_of_a_reset_clock_are_kept_with_their_stamps_and_named(folder: Path) -> None:
    kit.mission(folder, book=True)
    lines = kit.velocity_lines(0, 20)
    for number in range(7, 20):
        lines[number] = f"2000-01-01T00:00:{number:02d}.000" + lines[number][lines[number].index(";") :]
    drop(folder, "VEL-A.txt", kit.VELOCITY_HEADER + "".join(lines))

    file = only(take(folder))

    assert (file.status, file.rows_new, file.rows_rejected) == ("loaded", 20, 0)
    message = next(item for item in file.messages if "reset" in str(item))
    assert message.line == 9
    assert message.field == "time"
    assert "2000-01-01T00:00:07Z" in message.found
    assert "within 400 days of the mission" in message.expected
    assert "reeftally check" in message.mend
    # The span of the file is that of its credible stamps; the others are counted apart.
    assert file.first_ns == kit.start_ns()
    stored = open_store(folder).read("VEL-A")["time"]
    assert stored.size == 20
    assert np.count_nonzero(stored < kit.start_ns()) == 13


def test_a_second_restart_that_repeats_its_stamps_is_left_out_and_named(folder: Path) -> None:
    kit.mission(folder, book=True)
    lines = kit.velocity_lines(0, 20)
    for number in range(4, 20):
        second = number if number < 12 else number - 6
        lines[number] = f"2000-01-01T00:00:{second:02d}.000" + lines[number][lines[number].index(";") :]
    drop(folder, "VEL-A.txt", kit.VELOCITY_HEADER + "".join(lines))

    file = only(take(folder))

    # Seconds 6 to 11 stand twice, and what follows belongs to the second start.
    assert file.rows_rejected == 8
    message = next(item for item in file.messages if "one restart" in item.expected)
    assert message.line == 14
    assert "Cut the file" in message.mend


def test_an_archive_gives_its_intact_members_and_names_the_damaged_one(folder: Path) -> None:
    path = folder / "inbox" / "card.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("day1/VEL-A_1.txt", kit.velocity_text(0, 300))
        archive.writestr("day1/VEL-A_2.txt", kit.velocity_text(300, 300))
        archive.writestr("day1/VEL-A_3.txt", kit.velocity_text(600, 300))
    data = bytearray(path.read_bytes())
    with zipfile.ZipFile(path) as archive:
        at = archive.getinfo("day1/VEL-A_2.txt").header_offset
    data[at + 200] ^= 0xFF
    path.write_bytes(data)

    report = take(folder)

    by_name = {file.name: file for file in report.files}
    assert by_name["card.zip/day1/VEL-A_1.txt"].rows_new == 300
    assert by_name["card.zip/day1/VEL-A_2.txt"].status == "damaged"
    assert by_name["card.zip/day1/VEL-A_3.txt"].rows_new == 300
    assert open_store(folder).sources("VEL-A") == [by_name["card.zip"].raw_hash]
    assert path.exists()


def test_an_archive_without_its_directory_still_gives_what_is_whole(folder: Path) -> None:
    path = folder / "inbox" / "card.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("VEL-A_1.txt", kit.velocity_text(0, 300))
        archive.writestr("VEL-A_2.txt", kit.velocity_text(300, 300))
    with zipfile.ZipFile(path) as archive:
        cut = archive.getinfo("VEL-A_2.txt").header_offset + 500
    path.write_bytes(path.read_bytes()[:cut])

    report = take(folder)

    assert [file.status for file in report.files] == ["partly", "loaded", "damaged"]
    velocity_equals(folder, 0, 300)


def test_an_archive_in_an_archive_is_opened_and_repeats_are_known(folder: Path) -> None:
    inner = folder / "inner.zip"
    with zipfile.ZipFile(inner, "w") as archive:
        archive.writestr("VEL-A_1.txt", kit.velocity_text(0, 300))
    with zipfile.ZipFile(folder / "inbox" / "outer.zip", "w") as archive:
        archive.write(inner, "inner.zip")
    drop(folder, "VEL-A_1.txt", kit.velocity_text(0, 300))

    report = take(folder)

    assert {file.name: file.status for file in report.files} == {
        "VEL-A_1.txt": "loaded",
        "outer.zip": "loaded",
        "outer.zip/inner.zip": "loaded",
        "outer.zip/inner.zip/VEL-A_1.txt": "repeated",
    }
    velocity_equals(folder, 0, 300)


def test_an_archive_that_came_before_is_not_unpacked_again(folder: Path) -> None:
    for _ in range(2):
        with zipfile.ZipFile(folder / "inbox" / "card.zip", "w") as archive:
            archive.writestr(zipfile.ZipInfo("VEL-A_1.txt"), kit.velocity_text(0, 300))
        report = take(folder)

    assert only(report).status == "repeated"
    assert (report.rows_new, report.rows_repeated) == (0, 300)
    assert list((folder / "inbox").iterdir()) == []


def test_a_lost_store_is_noticed_and_comes_back_from_raw(folder: Path) -> None:
    drop(folder, "VEL-A.txt", kit.velocity_text(0, 300))
    take(folder)
    shutil.rmtree(folder / "observations")

    report = take(folder)
    rebuild(folder, now_ns=kit.NOW_NS)

    assert "raw/ holds 1 file(s)" in report.notes[0]
    velocity_equals(folder, 0, 300)


def test_a_disk_that_fills_up_in_the_middle_leaves_what_was_committed(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drop(folder, "VEL-A.txt", kit.velocity_text(0, 1000))
    calls = 0
    pack = _writer.pack

    def full(columns: dict[str, np.ndarray]) -> bytes:
        nonlocal calls
        calls += 1
        if calls > 3:
            raise OSError(errno.ENOSPC, "No space left on device")
        return pack(columns)

    with monkeypatch.context() as patch:
        patch.setattr(_writer, "pack", full)
        with pytest.raises(StoreError, match="disk of the observations is full"):
            take(folder, block_bytes=3000, commit_rows=100)
    held = open_store(folder).streams()["VEL-A"].rows
    take(folder)

    assert 0 < held < 1000
    velocity_equals(folder, 0, 1000)


def test_tables_go_to_their_place_and_their_bytes_to_raw(folder: Path) -> None:
    first = "form,osculum_diameter_cm\nurn,11.5\n"
    drop(folder, "organisms.csv", first)
    take(folder)
    drop(folder, "organisms.csv", first + "pipe,2.1\n")
    grown = take(folder)
    drop(folder, "organisms.csv", first.replace("urn", "cushion"))
    refused = take(folder)

    assert [file.status for file in grown.files] == ["loaded", "repeated"]
    assert (folder / "tables" / "organisms.csv").read_text().count("\n") == 3
    assert refused.files[0].status == "refused"
    assert "urn" in refused.files[0].messages[0].found
    assert len(raw_files(folder)) == 3


def test_a_table_edited_in_place_is_kept_in_raw_as_well(folder: Path) -> None:
    path = folder / "tables" / "heights.csv"
    path.write_text("instrument,time,height_above_bed_m,sd_m\nOXY-1,2031-03-26T00:00:00Z,0.35,0.01\n")
    first, second = take(folder), take(folder)
    path.write_text(path.read_text() + "OXY-1,yesterday,0.35,0.01\n")

    third = take(folder)

    assert [only(report).status for report in (first, second, third)] == ["loaded", "repeated", "partly"]
    assert only(third).messages[0].line == 3
    assert len(raw_files(folder)) == 2


def test_raw_copies_are_read_only_and_named_by_content(folder: Path) -> None:
    drop(folder, "VEL-A.txt", kit.velocity_text(0, 10))

    file = only(take(folder))

    (path,) = raw_files(folder)
    assert path.name == file.raw_hash
    assert stat.S_IMODE(path.stat().st_mode) == 0o444
    assert path.read_text() == kit.velocity_text(0, 10)
    assert open_store(folder).sources("VEL-A") == [file.raw_hash]


def test_the_bytes_of_one_instrument_under_the_name_of_another_are_refused(folder: Path) -> None:
    drop(folder, "OXY-1.txt", kit.optode_text(0, 30), "latin-1")
    drop(folder, "OXY-2.txt", kit.optode_text(0, 30), "latin-1")

    first, second = take(folder).files

    assert (first.status, second.status) == ("loaded", "refused")
    assert "OXY-1" in second.messages[0].found


def test_another_file_of_the_same_name_is_kept_beside_the_first(folder: Path) -> None:
    drop(folder, "VEL-A.txt", kit.velocity_text(0, 50))
    take(folder)
    drop(folder, "VEL-A.txt", kit.velocity_text(100, 50))

    file = only(take(folder))

    assert file.rows_new == 50
    assert any("Another file of this name" in note for note in file.notes)
    assert len(raw_files(folder)) == 2


def test_a_rebuild_gives_the_same_content(folder: Path) -> None:
    text = kit.velocity_text(0, 400)
    path = folder / "logger" / "VEL-A.txt"
    path.parent.mkdir()
    for cut in (5000, 9000, len(text)):
        path.write_text(text[:cut])
        take(folder, path)
    drop(folder, "OXY-1.txt", kit.optode_text(0, 300), "latin-1")
    drop(folder, "OXY-1b.txt", kit.optode_text(200, 300, shift=0.5), "latin-1")
    with zipfile.ZipFile(folder / "inbox" / "card.zip", "w") as archive:
        archive.writestr("CTD-1.csv", kit.ctd_text(0, 100))
    take(folder)
    before = open_store(folder).content_hash()

    rebuild(folder, now_ns=kit.NOW_NS)

    assert open_store(folder).content_hash() == before
    drop(folder, "OXY-1.txt", kit.optode_text(0, 300), "latin-1")
    assert only(take(folder, folder / "inbox" / "OXY-1.txt")).status == "repeated"


def test_a_rebuild_reads_with_the_layouts_as_they_are_now(folder: Path) -> None:
    drop(folder, "OXY-1.txt", kit.optode_text(0, 30), "latin-1")
    take(folder)
    layout = folder / "layouts" / "optode.toml"
    layout.write_text(layout.read_text().replace('zone = "+05:00"', 'zone = "+04:00"'))
    drop(folder, "OXY-1.txt", kit.optode_text(0, 30), "latin-1")

    noted = only(take(folder))
    rebuild(folder, now_ns=kit.NOW_NS)

    assert any("--rebuild" in note for note in noted.notes)
    assert open_store(folder).streams()["OXY-1"].first_ns == kit.start_ns() + 3600 * 1_000_000_000


def test_a_file_becomes_readable_once_its_layout_is_there(folder: Path) -> None:
    path = drop(folder, "VEL-A.txt", kit.velocity_text(0, 30))
    layout = folder / "layouts" / "velocimeter.toml"
    text = layout.read_text()
    layout.unlink()
    first = only(take(folder))
    layout.write_text(text)

    second = only(take(folder))

    assert (first.status, second.status) == ("unknown", "loaded")
    assert not path.exists()
    velocity_equals(folder, 0, 30)


def test_a_bad_layout_is_reported_and_the_other_files_go_on(folder: Path) -> None:
    (folder / "layouts" / "optode.toml").write_text("format = 1\n")
    drop(folder, "VEL-A.txt", kit.velocity_text(0, 30))

    report = take(folder)

    assert report.rows_new == 30
    assert report.messages[0].file == "layouts/optode.toml"


def test_an_interrupt_leaves_a_consistent_store_and_the_rest_is_loaded_next_time(folder: Path) -> None:
    path = drop(folder, "VEL-A.txt", kit.velocity_text(0, 2000))

    def stop(done: int, total: int, rows: int) -> None:
        assert 0 <= done <= total
        if rows > 900:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        take(folder, progress=stop, block_bytes=2000, commit_rows=100)
    held = open_store(folder).streams()["VEL-A"].rows
    report = take(folder)

    assert 700 < held < 1000
    assert only(report).rows_new == 2000 - held
    velocity_equals(folder, 0, 2000)
    assert not path.exists()


def test_an_interruption_costs_less_than_a_twentieth_of_the_work(folder: Path) -> None:
    drop(folder, "VEL-A.txt", kit.velocity_text(0, 500_000))
    decoded = 0

    def stop(done: int, total: int, rows: int) -> None:
        nonlocal decoded
        decoded = rows
        if rows > 385_000:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        take(folder, progress=stop)
    committed = open_store(folder).streams()["VEL-A"].rows
    read_ahead = 3 * 500_000 / 200  # blocks that were being decoded

    assert committed > 0
    assert decoded - committed + read_ahead < 0.05 * 500_000


def test_progress_grows_to_the_whole(folder: Path) -> None:
    for part in range(3):
        drop(folder, f"VEL-A_{part}.txt", kit.velocity_text(part * 5000, 5000))
    told: list[tuple[int, int, int]] = []

    take(folder, progress=lambda *state: told.append(state))

    done = [state[0] for state in told]
    assert done == sorted(done)
    assert told[-1][0] == told[-1][1]
    assert told[-1][2] == 15_000


def test_two_intakes_at_once_do_not_mix(folder: Path) -> None:
    with open_store(folder, write=True), pytest.raises(StoreLockedError):
        take(folder)


def test_a_full_disk_stops_before_anything_is_written(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drop(folder, "VEL-A.txt", kit.velocity_text(0, 30))
    monkeypatch.setattr("shutil.disk_usage", lambda _: _Usage())

    with pytest.raises(StoreError, match="needs 67 MB"):
        take(folder)

    assert raw_files(folder) == []
    assert (folder / "inbox" / "VEL-A.txt").exists()


class _Usage:
    free = 1_000_000


def test_an_unreadable_file_is_named_and_the_others_go_on(folder: Path) -> None:
    drop(folder, "VEL-A.txt", kit.velocity_text(0, 30))

    report = take(folder, folder / "inbox" / "VEL-A.txt", folder / "gone.txt")

    assert [file.status for file in report.files] == ["loaded", "refused"]


def test_a_report_turns_into_json(folder: Path) -> None:
    drop(folder, "VEL-A.txt", kit.velocity_text(0, 30)[:-4])

    found = json.loads(json.dumps(take(folder).as_dict()))

    assert found["rows_new"] == 29
    assert found["files"][0]["messages"][0]["line"] == 31


def test_labels_serial_numbers_and_layouts_are_held_against_the_book(tmp_path: Path) -> None:
    folder = kit.mission(tmp_path, book=True)
    drop(folder, "CTD-x.csv", kit.ctd_text(0, 10, serial="301"))
    drop(folder, "OXY-7.txt", kit.optode_text(0, 10), "latin-1")
    drop(folder, "OXY-1.txt", kit.optode_text(0, 10), "latin-1")

    report = take(folder)

    assert {file.name: (file.status, file.stream) for file in report.files} == {
        "CTD-x.csv": ("loaded", "CTD-1"),
        "OXY-7.txt": ("refused", ""),
        "OXY-1.txt": ("loaded", "OXY-1"),
    }


def test_a_rate_other_than_the_books_is_said(tmp_path: Path) -> None:
    folder = kit.mission(tmp_path, book=True)
    lines = kit.velocity_lines(0, 100)
    drop(folder, "VEL-A_1.txt", kit.VELOCITY_HEADER + "".join(lines[::2]))
    book = folder / "mission.toml"
    book.write_text(book.read_text().replace("sample_interval_s = 5.0", "sample_interval_s = 5.005"))
    drop(folder, "OXY-1.txt", kit.optode_text(0, 100), "latin-1")

    optode, velocimeter = take(folder).files

    assert optode.messages == []
    assert "Measured rate 0.2 Hz, the book says 0.1998 Hz" in optode.notes[0]
    assert "a row every 0.0625 s" in velocimeter.messages[0].found


def test_a_little_serial_noise_costs_a_file_nothing_and_much_of_it_flags_the_file(folder: Path) -> None:
    lines = kit.velocity_lines(0, 400)
    lines.insert(200, "\x02?\x7f;;\n")
    drop(folder, "VEL-A_1.txt", (kit.VELOCITY_HEADER + "".join(lines)).encode() + b"\xff\xfe\x01\n")
    noisy = [line if n % 20 else "\x02\x7f\n" for n, line in enumerate(kit.velocity_lines(1000, 400))]
    drop(folder, "VEL-A_2.txt", kit.VELOCITY_HEADER + "".join(noisy))

    little, much = take(folder).files

    assert (little.status, little.rows_new, little.rows_rejected, little.messages) == ("loaded", 400, 2, [])
    assert "line(s) of junk" in little.notes[0]
    assert not any("decoded" in note for note in little.notes)
    assert (much.status, much.rows_new, much.rows_rejected) == ("partly", 380, 20)
    assert "20 line(s) like" in much.messages[0].found


def test_a_repeated_stretch_of_lines_is_no_step_back_in_time_but_a_clock_set_back_is(folder: Path) -> None:
    lines = kit.velocity_lines(0, 100)
    drop(folder, "VEL-A_1.txt", kit.VELOCITY_HEADER + "".join(lines[:60] + lines[50:]))
    drop(
        folder, "VEL-A_2.txt", kit.VELOCITY_HEADER + "".join(kit.velocity_lines(500, 50) + kit.velocity_lines(300, 50))
    )

    twice, back = take(folder).files

    assert (twice.rows_new, twice.rows_repeated, twice.messages) == (100, 10, [])
    assert back.rows_new == 100
    assert back.messages[0].line == 52
    assert "step(s) back in time" in back.messages[0].found
