"""Rows 76 to 80 of the catalogue: disk, kills, media, two processes, the computer's clock."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import catalogue_kit as kit
import intake_kit
import pytest

from reeftally.intake import take_in
from reeftally.store import open_store


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = intake_kit.mission(tmp_path / "mission", book=True)
    (folder / "inbox" / "VEL-A_a.txt").write_text(intake_kit.velocity_text(0, 3000))
    return folder


def test_row_76_a_full_disk_is_said_before_anything_is_written_with_what_is_needed(folder, monkeypatch):
    monkeypatch.setattr("shutil.disk_usage", lambda _: os.terminal_size((0, 0)) and type("U", (), {"free": 1000})())

    status, said = kit.run("intake", folder)

    assert status == 1
    (message,) = said["messages"]
    for word in ("VEL-A_a.txt", "needs", "MB", "are free", "make room"):
        assert word in message
    assert not list((folder / "raw").glob("??/*"))
    monkeypatch.undo()
    assert kit.take(folder)["rows_new"] == 3000


def test_row_77_killed_in_the_middle_an_analysis_leaves_no_half_result(folder):
    kit.take(folder)
    code = (
        "import sys\nfrom reeftally.analysis.results import write_results\n"
        "from reeftally.analysis.estimates import Estimates\n"
        + (
            "import pathlib, reeftally.analysis.results as r\n"
            "def stop(path):\n    print('writing', flush=True)\n    import time; time.sleep(60)\n"
            "r._sync = stop\n"
            "write_results(pathlib.Path(sys.argv[1]), estimates=Estimates(), groups={}, trail={}, attributes={})\n"
        )
    )
    process = subprocess.Popen([sys.executable, "-c", code, str(folder)], stdout=subprocess.PIPE)
    assert process.stdout is not None
    assert process.stdout.readline().strip() == b"writing"
    process.send_signal(signal.SIGKILL)
    process.wait()

    assert not (folder / "results" / "latest").exists()
    assert [path.name for path in (folder / "results").iterdir() if not path.name.startswith(".")] == []


def test_row_78_a_medium_that_cannot_be_read_is_named_and_the_rest_goes_on(folder):
    (folder / "inbox" / "OXY-1_gone.txt").symlink_to(folder / "no-such-card" / "OXY-1_gone.txt")
    (folder / "inbox" / "OXY-2_a.txt").write_text(intake_kit.optode_text(0, 40), encoding="latin-1")

    report = take_in(folder, [*sorted((folder / "inbox").iterdir())], now_ns=intake_kit.NOW_NS)

    by_name = {file.name: file for file in report.files}
    assert by_name["OXY-1_gone.txt"].status == "refused"
    (message,) = by_name["OXY-1_gone.txt"].messages
    assert "cannot be read" in message.found
    assert "medium" in message.mend
    assert by_name["OXY-2_a.txt"].rows_new == 40
    assert by_name["VEL-A_a.txt"].rows_new == 3000


def test_row_79_a_second_writer_waits_or_is_told_who_writes_while_readers_read(folder):
    kit.take(folder)
    code = (
        "import sys, time; from reeftally.store import open_store\n"
        "with open_store(sys.argv[1], write=True) as s:\n"
        "    print('open', flush=True); time.sleep(float(sys.argv[2]))\n"
    )
    writer = subprocess.Popen([sys.executable, "-c", code, str(folder), "20"], stdout=subprocess.PIPE)
    assert writer.stdout is not None
    writer.stdout.readline()
    (folder / "inbox" / "VEL-A_b.txt").write_text(intake_kit.velocity_text(3000, 100))

    status, said = kit.run("intake", folder)

    assert status == 1
    assert str(writer.pid) in said["messages"][0]
    assert open_store(folder).streams()["VEL-A"].rows == 3000
    assert kit.run("check", folder)[0] in (0, 1)
    writer.kill()
    writer.wait()
    time.sleep(0.1)
    assert kit.take(folder)["rows_new"] == 100


def test_row_80_a_computer_whose_clock_is_behind_the_data_is_told_and_dates_nothing(folder):
    report = take_in(folder, now_ns=intake_kit.start_ns() - 5 * 86_400_000_000_000)

    assert any("This computer's clock says 2031-03-20" in note and "2031-03-25" in note for note in report.notes)
    assert int(open_store(folder).read("VEL-A")["time"][0]) == intake_kit.start_ns()
    again = take_in(folder, [], now_ns=intake_kit.start_ns() + 5 * 86_400_000_000_000)
    assert not any("computer's clock" in note for note in again.notes)
