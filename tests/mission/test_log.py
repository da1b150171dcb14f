"""The log: append-only, whole, replayed the same way always. All data are invented."""

import datetime as dt
import json
import subprocess
import sys
import threading

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reeftally.errors import BookError
from reeftally.mission import AxisFlip, BookErrors, ClockShift, Exclude, Log, LogEntry, SwapStreams

NOON = dt.datetime(2031, 4, 1, 12, tzinfo=dt.UTC)
SHIFT = ClockShift(instrument="CTD-1", seconds=3600.0, sd_s=0.5)


def accept(finding, correction=SHIFT):
    return LogEntry(time=NOON, by="lead", kind="accept", finding=finding, why="zone", correction=correction)


def undo(finding):
    return LogEntry(time=NOON, by="lead", kind="undo", finding=finding)


def test_an_entry_is_one_line_with_every_key_of_the_contract(tmp_path):
    log = Log(tmp_path)

    log.append(accept("clock-CTD-1"))

    (line,) = log.path.read_text().splitlines()
    assert json.loads(line) == {
        "id": "E0001",
        "time": "2031-04-01T12:00:00Z",
        "by": "lead",
        "kind": "accept",
        "subject": "",
        "finding": "clock-CTD-1",
        "why": "zone",
        "before": None,
        "after": None,
        "correction": {
            "type": "clock_shift",
            "instrument": "CTD-1",
            "start": None,
            "end": None,
            "seconds": 3600.0,
            "per_day": 0.0,
            "sd_s": 0.5,
        },
    }


def test_reading_a_log_that_is_not_there_gives_nothing_and_makes_nothing(tmp_path):
    log = Log(tmp_path)

    assert (log.entries(), log.active_corrections()) == ((), ())
    assert list(tmp_path.iterdir()) == []


def test_an_undo_takes_back_by_finding_or_by_entry(tmp_path):
    log = Log(tmp_path)
    log.append(accept("A"))
    second = log.append(accept("B", AxisFlip(instrument="VEL-B", start=NOON)))

    log.append(undo("A"))
    assert log.active_corrections() == (second.correction,)
    assert log.accepted_findings() == {"B"}

    log.append(undo(second.id))
    assert log.active_corrections() == ()
    assert [entry.id for entry in log.entries()] == ["E0001", "E0002", "E0003", "E0004"]


def test_accepting_a_finding_again_replaces_it_and_after_an_undo_restores_it(tmp_path):
    log = Log(tmp_path)
    log.append(accept("A"))
    log.append(accept("A", ClockShift(instrument="CTD-1", seconds=3607.4)))

    assert [row.seconds for row in log.active_corrections()] == [3607.4]

    log.append(undo("A"))
    assert log.active_corrections() == ()
    log.append(accept("A"))
    assert log.active_corrections() == (SHIFT,)


def test_an_undo_of_nothing_is_refused_and_not_written(tmp_path):
    log = Log(tmp_path)
    log.append(accept("A"))

    with pytest.raises(BookError, match=r"finding is 'B'; it needs the id of a decision in force \(A\)"):
        log.append(undo("B"))
    assert len(log.entries()) == 1


def test_notes_are_kept_but_change_nothing(tmp_path):
    log = Log(tmp_path)
    log.append(LogEntry(time=NOON, by="diver", kind="note", subject="mast", why="fish"))

    assert log.active() == ()
    assert log.entries()[0].why == "fish"


def test_an_id_may_be_given_but_not_twice(tmp_path):
    log = Log(tmp_path)
    log.append(accept("A").model_copy(update={"id": "page-1"}))

    with pytest.raises(BookError, match="an id that no entry has"):
        log.append(accept("B").model_copy(update={"id": "page-1"}))


def test_what_a_crash_left_of_an_entry_is_set_aside_and_the_rest_is_read(tmp_path):
    log = Log(tmp_path)
    log.append(accept("A"))
    with log.path.open("ab") as stream:
        stream.write(b'{"id": "E0002", "time": "2031-04-0')

    assert len(log.entries()) == 1
    log.append(accept("B"))

    assert [entry.finding for entry in log.entries()] == ["A", "B"]
    assert (log.path.parent / "torn.jsonl").read_bytes() == b'{"id": "E0002", "time": "2031-04-0\n'


def test_a_last_line_without_line_end_counts(tmp_path):
    log = Log(tmp_path)
    log.append(accept("A"))
    log.path.write_bytes(log.path.read_bytes().rstrip(b"\n"))

    assert len(log.entries()) == 1
    log.append(accept("B"))
    assert [entry.finding for entry in log.entries()] == ["A", "B"]


def test_a_damaged_line_in_the_middle_is_named(tmp_path):
    log = Log(tmp_path)
    log.append(accept("A"))
    log.append(accept("B"))
    lines = log.path.read_text().splitlines()
    log.path.write_text("\n".join([lines[0], "oops", lines[1].replace('"seconds"', '"secnds"')]) + "\n")

    with pytest.raises(BookErrors) as caught:
        log.entries()

    told = str(caught.value)
    assert "log/entries.jsonl: line 2 is 'oops'; it needs one JSON object" in told
    assert "line 3, correction.clock_shift.secnds" in told


def test_an_entry_without_author_or_with_a_naive_time_is_refused():
    with pytest.raises(ValueError, match="some words"):
        LogEntry(time=NOON, by=" ", kind="note")
    with pytest.raises(ValueError, match="timezone"):
        LogEntry(time=dt.datetime(2031, 4, 1), by="lead", kind="note")


def test_writers_side_by_side_lose_nothing_and_share_no_id(tmp_path):
    def write(name):
        log = Log(tmp_path)
        for number in range(10):
            log.append(accept(f"{name}-{number}"))

    threads = [threading.Thread(target=write, args=(name,)) for name in "abcd"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    entries = Log(tmp_path).entries()
    assert len(entries) == 40
    assert len({entry.id for entry in entries}) == 40


def test_an_entry_survives_the_end_of_its_process(tmp_path):
    script = (
        "import datetime as dt, os, sys\n"
        "from reeftally.mission import Log, LogEntry\n"
        "time = dt.datetime(2031, 4, 1, tzinfo=dt.UTC)\n"
        "Log(sys.argv[1]).append(LogEntry(time=time, by='lead', kind='note'))\n"
        "os._exit(3)  # no clean-up of any kind\n"
    )

    ended = subprocess.run([sys.executable, "-c", script, str(tmp_path)], check=False)

    assert ended.returncode == 3
    assert len(Log(tmp_path).entries()) == 1


TIMES = st.none() | st.datetimes(dt.datetime(2030, 1, 1), dt.datetime(2032, 1, 1), timezones=st.just(dt.UTC))
CORRECTIONS = st.one_of(
    st.builds(
        ClockShift, instrument=st.just("CTD-1"), seconds=st.floats(-1e5, 1e5), per_day=st.floats(-10, 10), start=TIMES
    ),
    st.builds(AxisFlip, instrument=st.just("VEL-B"), start=TIMES, end=TIMES),
    st.builds(Exclude, instrument=st.just("OXY-2"), channel=st.sampled_from([None, "oxygen_molar"]), end=TIMES),
    st.builds(SwapStreams, instruments=st.just(("OXY-2", "OXY-4")), start=TIMES),
)
STEPS = st.lists(st.tuples(st.sampled_from(["accept", "undo"]), st.sampled_from("ABC"), CORRECTIONS), max_size=12)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=STEPS)
def test_replaying_gives_what_a_plain_list_of_decisions_gives(tmp_path_factory, steps):
    log = Log(tmp_path_factory.mktemp("log"))
    in_force = {}
    for kind, finding, correction in steps:
        if kind == "accept":
            in_force.pop(finding, None)  # accepted again: it comes last
            in_force[finding] = correction
            log.append(accept(finding, correction))
        elif finding in in_force:
            del in_force[finding]
            log.append(undo(finding))

    assert log.active_corrections() == tuple(in_force.values())
    assert Log(log.path.parent.parent).active_corrections() == log.active_corrections()
