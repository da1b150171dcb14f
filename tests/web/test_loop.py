"""The loop of `watch`: what counts as new, rounds in a process of their own, old rounds cleared, failures said."""

import datetime as dt
import json
import pickle
import re
import signal
import socket
import subprocess
import sys
import threading
import time

import numpy as np
import pytest

from reeftally.cli import _loop
from reeftally.cli._loop import PROVISIONAL, Loop, clear_rounds, look_around, work_round
from reeftally.cli.watch import access_for
from reeftally.errors import InputError
from reeftally.intake import take_in
from reeftally.mission import Exclude, Log, LogEntry
from reeftally.store import open_store

from .conftest import bare, record

NOW = dt.datetime(2031, 3, 27, tzinfo=dt.UTC)


def note(**more):
    return LogEntry(time=NOW, by="lead", kind="note", why="words", **more)


def test_new_files_tables_and_decisions_are_seen_and_notes_are_not(tmp_path):
    folder = bare(tmp_path / "m")
    before = look_around(folder)
    (folder / "inbox" / ".hidden").write_text("x")
    Log(folder).append(note())
    same = look_around(folder)
    (folder / "inbox" / "a.csv").write_text("x")
    (folder / "tables" / "visits.csv").write_text("x")
    Log(folder).append(
        LogEntry(time=NOW, by="lead", kind="flag", why="bad", correction=Exclude(instrument="OXY-1", channel=None))
    )
    after = look_around(folder)

    assert same == before
    assert [name.endswith("a.csv") for name in after.inbox] == [True]
    assert set(after.words) - set(before.words) == {str(folder / "tables" / "visits.csv")}
    assert after.decisions == ("E0002",)


def test_an_unreadable_log_or_a_missing_folder_stops_no_look(tmp_path):
    assert look_around(tmp_path / "nowhere").inbox == {}
    folder = bare(tmp_path / "m")
    (folder / "log").mkdir()
    (folder / "log" / "entries.jsonl").write_bytes(b"\x00\n")

    assert look_around(folder).decisions == ("unreadable",)


def test_only_old_rounds_of_the_loop_are_cleared(tmp_path):
    results = tmp_path / "results"
    for number in range(1, 10):
        (results / f"{number:04d}").mkdir(parents=True)
        if number not in {1, 5}:
            (results / f"{number:04d}" / PROVISIONAL).touch()
    (results / "0002" / "report.html").touch()
    (results / "latest").symlink_to("0003")

    gone = clear_rounds(results, kept=2)

    assert gone == ["0004", "0006", "0007"]  # not asked-for 1 and 5, not reported 2, not the latest 3
    assert sorted(p.name for p in results.iterdir()) == ["0001", "0002", "0003", "0005", "0008", "0009", "latest"]


@pytest.mark.slow
def test_a_round_takes_in_analyses_and_tells_in_order_and_an_idle_one_does_nothing(tmp_path):
    folder = bare(tmp_path / "m")
    (folder / "inbox" / "OXY-1_a.csv").write_text(record(900) + "2031-03-26T12:00:00Z,not a number,28.0\n")
    said = []

    began = np.datetime64(dt.datetime.now(tz=dt.UTC).replace(tzinfo=None), "s")
    first = work_round(folder, lambda kind, words: said.append((kind, words)), analyse_anyway=False)
    run = folder / "results" / "latest"
    kinds = [kind for kind, _ in said if kind != "state"]
    second = work_round(folder, lambda kind, words: said.append((kind, words)), analyse_anyway=False)

    assert first["rows"] == 900 - 60
    assert first["analysed"]
    made = json.loads((folder / "results" / "latest" / "morning.json").read_text(encoding="utf-8"))["made"]
    ended = np.datetime64(dt.datetime.now(tz=dt.UTC).replace(tzinfo=None), "s")
    assert began <= np.datetime64(made.removesuffix("Z"), "s") <= ended
    assert pickle.loads(pickle.dumps(first)) == first  # it goes through a pipe
    assert "not a number" in first["messages"][0]
    assert kinds[:2] == ["data", "results"]
    assert (run / "morning.json").is_file()
    assert (run / PROVISIONAL).is_file()
    assert not second["analysed"]
    assert [kind for kind, _ in said if kind != "state"] == kinds


def test_what_another_program_commits_is_analysed_too(tmp_path, monkeypatch):
    folder = bare(tmp_path / "m")
    monkeypatch.setattr(_loop, "GROWING_S", 0.1)
    asked = []
    loop = Loop(folder, tell=lambda *_: None, activity=lambda *_: None, every_s=0.05)

    def outcome(*, analyse_anyway):
        asked.append(analyse_anyway)
        loop._analysed = look_around(folder).snapshot
        return "done"

    monkeypatch.setattr(loop, "_round", outcome)
    loop.start()
    time.sleep(0.6)
    before = list(asked)
    outside = tmp_path / "OXY-1_a.csv"
    outside.write_text(record(60))
    take_in(folder, [outside], now_ns=0)
    until = time.monotonic() + 20
    while asked == before and time.monotonic() < until:
        time.sleep(0.05)
    time.sleep(0.5)
    loop.stop()

    assert not any(before)
    assert asked == [*before, True]


@pytest.mark.slow
def test_the_loop_goes_on_after_a_bad_book_and_a_held_store(tmp_path, monkeypatch):
    monkeypatch.setattr(_loop, "LOCKED_S", 0.2)
    folder = bare(tmp_path / "m")
    good = (folder / "mission.toml").read_text()
    (folder / "mission.toml").write_text("format = 1\n")
    (folder / "inbox" / "OXY-1_a.csv").write_text(record(300))
    told, states = [], []
    seen = threading.Event()

    def tell(event, data):
        told.append(event)
        if event == "results":
            seen.set()

    loop = Loop(folder, tell=tell, activity=lambda state, text: states.append((state, text)), every_s=0.2)
    loop.start()
    try:
        until = time.monotonic() + 60
        while not any(state == "failed" for state, _ in states):
            assert time.monotonic() < until
            time.sleep(0.1)
        assert "mission" in next(text for state, text in states if state == "failed")
        (folder / "mission.toml").write_text(good)
        assert seen.wait(90)
        with open_store(folder, write=True):
            (folder / "inbox" / "OXY-1_b.csv").write_text(record(600))
            until = time.monotonic() + 60
            while not any("another program" in text for _, text in states):
                assert time.monotonic() < until
                time.sleep(0.1)
        until = time.monotonic() + 90
        while not (loop.rounds and loop.rounds[-1]["rows"]):
            assert time.monotonic() < until
            time.sleep(0.1)
    finally:
        loop.stop()

    assert "data" in told
    assert told.index("data") < told.index("results")
    assert loop.rounds[-1]["analysed"]


@pytest.mark.slow
def test_a_round_that_ends_early_is_tried_again(tmp_path, monkeypatch):
    folder = bare(tmp_path / "m")
    (folder / "inbox" / "OXY-1_a.csv").write_text(record(120))
    monkeypatch.setattr(_loop, "RETRY_S", 0.5)
    states, outcomes = [], iter(["stopped", "failed", "done"])
    tried = []

    def outcome(*, analyse_anyway):
        tried.append(analyse_anyway)
        return next(outcomes, "done")

    loop = Loop(folder, tell=lambda *_: None, activity=lambda *s: states.append(s), every_s=0.05)
    monkeypatch.setattr(loop, "_round", outcome)
    loop.start()
    until = time.monotonic() + 20
    while len(tried) < 3 and time.monotonic() < until:
        time.sleep(0.05)
    time.sleep(0.8)
    loop.stop()

    assert tried == [False, True, True]  # and no fourth: what went well is not repeated


@pytest.mark.slow
def test_the_command_serves_both_addresses_asks_for_codes_and_ends_quietly(mission):
    code = "from reeftally.cli import main; main()"
    options = ["--port", "0", "--only-show", "--beyond", "127.0.0.2", "--viewer-code", "viewer-code", "--json"]
    process = subprocess.Popen(
        [sys.executable, "-c", code, "watch", str(mission), *options],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        said = [process.stderr.readline() for _ in range(4)]
        port = int(re.search(r"127\.0\.0\.1:(\d+)", said[0]).group(1))
        # Every address of 127/8 is loopback to the system, but not both are the same to the guard.
        for host in ("127.0.0.1", "127.0.0.2"):
            answer = ask(host, port, f"GET / HTTP/1.1\r\nHost: {host}:{port}")
            assert b" 401 " in answer.splitlines()[0]
        assert b" 421 " in ask("127.0.0.1", port, "GET / HTTP/1.1\r\nHost: reef.example")
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
    finally:
        process.kill()

    assert "Code for viewers: viewer-code" in said[2]
    assert process.returncode == 0
    assert json.loads(out)["port"] == port
    assert "Traceback" not in err


def ask(host, port, head):
    with socket.create_connection((host, port), timeout=60) as line:
        line.sendall(f"{head}\r\nConnection: close\r\n\r\n".encode())
        return b"".join(iter(lambda: line.recv(4096), b""))


@pytest.mark.parametrize("address", ["0.0.0.0", "::", "reef.example", "224.0.0.1", ""])
def test_only_one_address_of_this_machine_can_be_served_beyond(address):
    with pytest.raises(InputError):
        access_for(address, None, None)


def test_codes_are_made_long_and_must_differ():
    access = access_for("192.0.2.7", None, None)

    assert access.answers_to("192.0.2.7")
    assert not access.answers_to("192.0.2.8")
    assert len(access.codes["viewer"]) >= 12
    assert access.codes["viewer"] != access.codes["crew"]
    with pytest.raises(InputError, match="differ"):
        access_for("192.0.2.7", "same-code-1", "same-code-1")
    with pytest.raises(InputError, match="eight"):
        access_for("192.0.2.7", "short", None)
    assert access_for(None, None, None).codes == {}
