"""What the crew writes: rows and entries, taken back without a trace being lost; raw data out of reach."""

import threading

import numpy as np
import pytest

from reeftally.mission import Log, read_tables
from reeftally.web.writing import RefusedError, take_back, write_intervention, write_note

from .conftest import HOSTILE, client_of

NOW = int(np.datetime64("2031-03-27T06:30:15", "ns").astype(np.int64)) + 123
SAME = {"origin": "http://127.0.0.1:8031", "sec-fetch-site": "same-origin"}


def rows(folder):
    return read_tables(folder / "tables").interventions


def test_one_tap_writes_a_row_and_an_entry(mission):
    client = client_of(mission, wall_ns=lambda: NOW)
    token = client.app.state.site.access.token("crew")
    form = {"token": token, "instrument": "OXY-1", "note": "", "by": "divers", "kind": "cleaning"}
    answer = client.post("/write/intervention", data=form, headers=SAME)

    assert answer.status_code == 303
    assert answer.headers["location"] == "/log?said=E0001"
    assert (rows(mission)[-1].kind, rows(mission)[-1].instrument, rows(mission)[-1].who) == (
        "cleaning",
        "OXY-1",
        "divers",
    )
    assert rows(mission)[-1].time_ns == NOW // 10**9 * 10**9
    assert "Written as E0001" in client.get("/log?said=E0001").text


def test_the_form_is_two_taps_from_any_page_of_a_sensor(mission):
    # Open the sensor, tap the button: no field has to be filled.
    text = client_of(mission).get("/sensor/OXY-1").text

    assert '<button name="kind" value="cleaning">Cleaned</button>' in text
    assert "required" not in text[text.index('action="/write/intervention"') :]


def test_the_same_tap_twice_is_one_row(mission):
    form = {"instrument": "OXY-1", "kind": "swap"}
    write_intervention(mission, dict(form), NOW)

    assert write_intervention(mission, dict(form), NOW) == "/log?said=again"
    assert len(rows(mission)) == 2


def test_taking_back_removes_the_row_and_keeps_both_entries(mission):
    write_intervention(mission, {"instrument": "OXY-1", "kind": "swap", "note": "wrong one"}, NOW)
    take_back(mission, {"entry": "E0001"}, NOW + 10**9)

    assert [r.kind for r in rows(mission)] == ["cleaning"]
    assert [e.why for e in Log(mission).entries()][1] == "taken back: E0001"
    with pytest.raises(RefusedError, match="taken back before"):
        take_back(mission, {"entry": "E0001"}, NOW + 2 * 10**9)


def test_a_hostile_note_stays_a_note(mission):
    write_intervention(mission, {"kind": "seen", "note": HOSTILE + "\n2031-01-01,x,y"}, NOW)
    write_note(mission, {"why": HOSTILE, "subject": HOSTILE, "by": HOSTILE}, NOW)
    text = client_of(mission).get("/log").text

    assert len(rows(mission)) == 2
    assert rows(mission)[-1].note == HOSTILE + " 2031-01-01,x,y"
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert" in text


@pytest.mark.parametrize(
    "form",
    [
        {"kind": ""},
        {"kind": "swap", "instrument": "../../x"},
        {"kind": "swap", "time": "yesterday"},
        {"kind": "swap", "time": "0001-01-01"},
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(mission, form):
    before = (mission / "tables" / "interventions.csv").read_bytes()
    with pytest.raises(RefusedError):
        write_intervention(mission, form, NOW)

    assert (mission / "tables" / "interventions.csv").read_bytes() == before
    assert Log(mission).entries() == ()


def test_a_table_with_a_bad_row_is_not_rewritten(mission):
    path = mission / "tables" / "interventions.csv"
    path.write_text(path.read_text() + "not a time,OXY-1,swap,,\n")
    before = path.read_bytes()

    with pytest.raises(RefusedError, match="Mend them first"):
        write_intervention(mission, {"kind": "swap"}, NOW)
    assert path.read_bytes() == before


def test_two_at_once_both_stay(mission):
    threads = [
        threading.Thread(target=write_intervention, args=(mission, {"kind": f"seen {k}"}, NOW + k * 10**9))
        for k in range(8)
    ]
    for t in threads:
        t.start()
    for t in threads:
        t.join()

    assert len(rows(mission)) == 9
    assert len(Log(mission).entries()) == 8


def test_raw_data_and_book_are_untouched_by_all_of_it(mission):
    def bytes_of():
        kept = [
            mission / "mission.toml",
            *sorted((mission / "raw").rglob("*")),
            *sorted((mission / "observations").rglob("*")),
        ]
        return {p: p.read_bytes() for p in kept if p.is_file()}

    before = bytes_of()
    write_intervention(mission, {"kind": "swap"}, NOW)
    take_back(mission, {"entry": "E0001"}, NOW)
    write_note(mission, {"why": "a note"}, NOW)

    assert bytes_of() == before
