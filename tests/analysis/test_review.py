"""Review of a rehearsed mission: flags, findings, first hour, fitness, flags by hand (invented reef, known truth)."""

import csv
import datetime as dt
import json
import shutil
from collections import Counter

import numpy as np
import pytest
from click.testing import CliRunner

from reeftally.analysis.context import open_context
from reeftally.analysis.findings import look
from reeftally.cli import commands
from reeftally.errors import InputError
from reeftally.mission import Log
from reeftally.store import open_store

HOUR = dt.timedelta(hours=1)


@pytest.fixture(scope="module")
def copy(demo, tmp_path_factory):
    """A copy for tests that write flags and log entries; each takes back what it decided."""
    folder = tmp_path_factory.mktemp("review") / "mission"
    shutil.copytree(demo, folder, symlinks=True)
    return folder


@pytest.fixture(scope="module")
def seen(demo):
    """One look at the demo whose findings are accepted."""
    return look(demo)


@pytest.mark.slow
def test_what_was_planted_is_found_and_nothing_else_asks_for_a_decision(seen):
    # Planted in the 36 hours: a velocimeter upside down for an hour, an optode stuck for an hour, clocks; the near
    # profiler's compass is off by 7 degrees. All corrections are accepted, so nothing is open.
    kinds = Counter(f.id.split("-")[0] for f in seen.findings)

    assert kinds["stuck"] == 1
    assert kinds["heading"] == 1
    assert not [f.id for f in seen.findings if f.open]
    assert sum(not f.accepted for f in seen.findings) <= 5


@pytest.mark.slow
def test_the_stuck_optode_is_called_stuck_to_the_minute(seen):
    (stuck,) = [f for f in seen.findings if f.id.startswith("stuck-")]

    assert stuck.subject == "OXY-2"
    assert stuck.causes[0].name == "stuck"
    assert stuck.test
    planted = dt.datetime(2031, 3, 29, 15, tzinfo=dt.UTC).timestamp() * 1e9
    assert abs(stuck.start_ns - planted) < 60e9
    assert abs(stuck.end_ns - planted - 3600e9) < 60e9


@pytest.mark.slow
def test_hardly_a_good_sample_is_failed(seen):
    # At most 0.5 % of good samples; dye pH is left out, since its bubbles are planted.
    good = [r for r in seen.reviews if r.channel != "ph_total" or not r.label.startswith("DYE")]
    failed = total = 0
    for review in good:
        for counts in review.days.values():
            failed += counts.get(4, 0)
            total += sum(counts.values())

    planted = 720
    assert total > 500_000
    assert (failed - planted) / total < 0.005


@pytest.mark.slow
def test_carried_sensors_in_plumes_are_not_failed(seen):
    hand = [r for r in seen.reviews if r.carried and r.channel in {"oxygen_molar", "ph_total"}]

    assert {r.label for r in hand} == {"OXY-H", "PHI-H"}
    assert all(counts.get(4, 0) == 0 for r in hand for counts in r.days.values())


@pytest.mark.slow
def test_review_flags_stand_beside_those_of_the_intake_and_are_written_once(copy):
    before = open_store(copy).snapshot()
    kept = {test: runs.flag.copy() for test, runs in open_store(copy).flags("OXY-2", "oxygen_molar").items()}

    assert look(copy, save=True).note == ""
    first = open_store(copy).snapshot()
    assert look(copy, save=True).note == ""

    flags = open_store(copy).flags("OXY-2", "oxygen_molar")
    # The second look finds every flag as it is and writes nothing.
    assert first >= before
    assert open_store(copy).snapshot() == first
    assert (flags["review flat_line"].flag == 4).any()
    assert all(np.array_equal(flags[test].flag, old) for test, old in kept.items())


@pytest.mark.slow
def test_first_hour_grades_every_stream_and_says_what_it_could_not_look_at(demo):
    # Here a velocimeter is turned over hours later and no stream is crossed; the tide of the first hour is weak.
    run = CliRunner().invoke(commands, ["check", str(demo), "--first-hour", "--json"])
    found = json.loads(run.stdout)
    lights = {row["stream"]: row["light"] for row in found["streams"]}
    skipped = {row["stream"]: row["not_looked_at"] for row in found["streams"]}

    assert run.exit_code == 0
    assert len(lights) >= 15
    assert set(lights.values()) == {"green"}
    assert any("too weak" in what for what in skipped["VEL-B"])
    assert any(what.startswith("OXY-H") for what in found["not_looked_at"])


@pytest.mark.slow
def test_a_flag_by_hand_takes_samples_out_and_undo_brings_the_very_results_back(copy):
    from reeftally.analysis.run import analyse

    before = (copy / "results" / "latest" / "estimates.csv").read_bytes()
    runner = CliRunner()
    flag = ["check", str(copy), "--flag", "OXY-1:oxygen_molar", "2031-03-29T20:00Z", "2031-03-30T00:00Z"]
    said = runner.invoke(commands, [*flag, "--as", "4", "--by", "divers", "--why", "a fish in the cage"])
    entry = Log(copy).entries()[-1]

    assert "Flagged OXY-1:oxygen_molar as 4" in said.stderr
    assert (entry.kind, entry.by, entry.why, entry.after) == ("flag", "divers", "a fish in the cage", 4)
    record = open_context(copy).read("OXY-1", channels=["oxygen_molar"])
    inside = (record.time_ns >= entry.correction.start_ns) & (record.time_ns < entry.correction.end_ns)
    assert np.isnan(record.channels["oxygen_molar"][inside]).all()

    assert Log(copy).active()[-1].id == entry.id

    runner.invoke(commands, ["check", str(copy), "--undo", entry.id, "--by", "divers"])
    folder, _ = analyse(copy)
    assert (folder / "estimates.csv").read_bytes() == before


@pytest.mark.slow
def test_fitness_is_written_with_its_cost_in_units_of_flux(demo):
    with (demo / "results" / "latest" / "fitness.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    by_key = {(r["sensor"], r["quantity"], r["purpose"]): r for r in rows}

    assert {"ambient", "gradient", "covariance", "point source"} == {r["purpose"] for r in rows}
    row = by_key["PHI-1", "ph_total", "gradient"]
    # Invented reef: u* of about 1 cm/s between 0.25 and 0.90 m above the displacement plane; 5.9 at 0.8 cm/s.
    assert "false DIC flux" in row["sentence"]
    per_thousandth = float(row["sentence"].split("flux of ")[1].split()[0])
    speed = float(row["sentence"].split("u* ")[1].split()[0])
    assert per_thousandth == pytest.approx(5.9 * speed / 0.8, rel=0.08)
    assert float(row["flux_cost"]) == pytest.approx(1000 * per_thousandth * float(row["pair_offset_sd"]), rel=0.05)


@pytest.mark.slow
def test_sensor_table_holds_the_planted_offsets(demo):
    truth = {
        (r["subject"], r["channel"]): r["value"]
        for r in json.loads((demo / "truth.json").read_text(encoding="utf-8"))
        if r["quantity"] == "sensor_offset" and r["start"] == "2031-03-29T00:00:00Z"
    }
    with (demo / "results" / "latest" / "sensors.csv").open(encoding="utf-8") as stream:
        rows = [r for r in csv.DictReader(stream) if (r["sensor"], r["quantity"]) in truth]

    assert len(rows) >= 8
    z = [(float(r["offset_before"]) - truth[r["sensor"], r["quantity"]]) / float(r["offset_before_sd"]) for r in rows]
    assert np.abs(z).max() < 3.5
    assert all("Gain" in r["gain_note"] for r in rows)


@pytest.mark.parametrize(
    ("what", "word"),
    [("OXY-9", "OXY-9"), ("OXY-1:oxigen", "oxigen")],
)
@pytest.mark.slow
def test_a_flag_on_what_is_not_there_names_what_is(copy, what, word):
    from reeftally.analysis.manual_flags import add_flag

    start = dt.datetime(2031, 3, 29, 12, tzinfo=dt.UTC)
    with pytest.raises(InputError, match=word) as error:
        add_flag(copy, what=what, start=start, end=start + HOUR, flag=4, by="divers", why="x", now=start)
    assert "expected one of" in str(error.value)
