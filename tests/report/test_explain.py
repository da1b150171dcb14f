"""Any number in three steps: what it is, how it was made, from what."""

import json

import pytest

from reeftally.errors import ResultError
from reeftally.report import explain, read_facts


def test_an_estimate_is_explained_in_three_steps_down_to_the_raw_files(mission):
    row = next(n for n in read_facts(mission).numbers if n.quantity == "oxygen_flux" and n.method == "covariance")

    steps = explain(mission, row.index)

    assert [step.title for step in steps] == ["The number", "How it was made", "From what"]
    number, method, inputs = (dict(step.lines) for step in steps)
    assert number["value"] == "−4.1 (−5.8 to −2.4) mmol m⁻² h⁻¹"
    assert number["flag"] == "1 (good)"
    assert method["equation"] == "F = <w'c'>"
    assert method["source"] == "An invented source 2030, eq. 1"
    assert inputs["OXY-1"].startswith("raw (aaaaaaaaaaaa)")
    assert inputs["mission book"] == "revision 2"
    assert inputs["store"] == "snapshot 7"


def test_a_refused_estimate_gives_its_reason(mission):
    row = next(n for n in read_facts(mission).numbers if not n.given)

    number = dict(explain(mission, row.index)[0].lines)

    assert number["value"] == "not given"
    assert number["note"] == "no bottle carries delta13C <b>"


def test_names_of_raw_files_come_from_the_index(build_mission, tmp_path):
    folder = build_mission(tmp_path / "m", keep=set())
    (folder / "raw").mkdir()
    line = {"hash": "a" * 64, "size": 3, "name": "OXY-1_a.txt", "source": "inbox/OXY-1_a.txt"}
    (folder / "raw" / "index.jsonl").write_text(json.dumps(line) + "\ncut short {", encoding="utf-8")

    inputs = dict(explain(folder, 0)[2].lines)

    assert inputs["OXY-1"].startswith("OXY-1_a.txt (aaaaaaaaaaaa), raw (bbbbbbbbbbbb)")


@pytest.mark.parametrize("row", [-1, 100_000])
def test_a_row_that_is_not_there_is_refused_with_the_rows_that_are(mission, row):
    with pytest.raises(ResultError, match="it has rows 0 to"):
        explain(mission, row)
