"""The plan of a mission book; the book is invented, in the form of the demo."""

import dataclasses
import json

import pytest
from click.testing import CliRunner

from reeftally.cli import commands
from reeftally.mission import parse_book
from reeftally.planning import Expected, plan_book

BOOK = """
format = 1
[mission]
name = "PL-1"
title = "An invented plan"
start = 2031-03-29T06:00:00Z
end = 2031-03-30T18:00:00Z
[site]
name = "Invented Basin"
latitude_deg = -14.2
longitude_deg = 78.5
utc_offset_h = 5.0
water_depth_m = 6.4
bottom = "rubble"
canopy_height_m = 0.14
displacement_height_m = 0.10
displacement_height_sd_m = 0.02
magnetic_declination_deg = 0.0
[[stations]]
name = "mast"
role = "bed"
[[stations]]
name = "rack"
role = "side by side"
[[instruments]]
label = "VEL-A"
kind = "velocimeter"
serial = "1"
layout = "velocimeter"
sample_interval_s = 0.03125
axes = "up"
[[deployments]]
instrument = "VEL-A"
station = "mast"
start = 2031-03-29T06:00:00Z
end = 2031-03-30T18:00:00Z
height_above_bed_m = 0.40
height_sd_m = 0.01
"""


def optode(label, height, offset=4.0):
    return f"""
[[instruments]]
label = "{label}"
kind = "optode"
serial = "{label}"
layout = "optode"
sample_interval_s = 5.0
salinity_setting = 0.0
[[instruments.terms]]
quantity = "oxygen"
noise_sd = 0.1
offset_sd = {offset}
drift_sd_per_day = 0.1
[[deployments]]
instrument = "{label}"
station = "mast"
start = 2031-03-29T06:00:00Z
end = 2031-03-30T18:00:00Z
height_above_bed_m = {height}
height_sd_m = 0.01
"""


BESIDE = """
[[intercalibrations]]
name = "before"
start = 2031-03-29T00:00:00Z
end = 2031-03-29T05:45:00Z
instruments = ["OXY-1", "OXY-2"]
"""


def target(quantity, half, period="night", unit="mmol m-2 h-1"):
    return f"""
[[targets]]
quantity = "{quantity}"
period = "{period}"
half_width_95 = {half}
unit = "{unit}"
"""


PAIR = optode("OXY-1", 0.35) + optode("OXY-2", 1.00)


def plan_of(text, **options):
    return plan_book(parse_book(text), **options)


def test_a_target_far_off_is_met_and_one_too_near_names_what_to_do():
    plan = plan_of(BOOK + PAIR + BESIDE + target("oxygen_flux", 20.0) + target("oxygen_flux", 0.01, "mission"))

    easy, hard = plan.rows
    assert easy.met
    assert easy.cheapest == "none needed"
    assert not hard.met
    assert "no single change reaches it" in hard.cheapest
    assert not plan.met


def test_the_cheapest_change_that_reaches_the_target_is_named():
    before = plan_of(BOOK + PAIR + BESIDE + target("oxygen_flux", 0.01)).rows[0]
    reachable = 0.5 * (before.predicted + before.improvements[0]["half_width"])

    row = plan_of(BOOK + PAIR + BESIDE + target("oxygen_flux", reachable)).rows[0]

    good = [i for i in row.improvements if i["half_width"] <= reachable]
    assert row.cheapest.startswith(min(good, key=lambda i: (i["effort"], i["half_width"]))["text"])


def test_sensors_never_side_by_side_are_named_and_cost_their_certificate():
    tied = plan_of(BOOK + PAIR + BESIDE + target("oxygen_flux", 1.0))
    bare = plan_of(BOOK + PAIR + target("oxygen_flux", 1.0))

    assert any("never side by side" in text for text in bare.missing)
    assert not any("never side by side" in text for text in tied.missing)
    assert bare.rows[0].predicted > 5.0 * tied.rows[0].predicted
    assert bare.rows[0].dominant.startswith("offset")


def test_what_the_book_lacks_is_listed_and_the_target_keeps_its_row():
    plan = plan_of(BOOK + optode("OXY-1", 0.35) + target("oxygen_flux", 1.0) + target("dic_flux", 5.0))

    assert [row.predicted for row in plan.rows] == [None, None]
    assert any("fewer than two sensors of oxygen" in text for text in plan.missing)
    assert any("alkalinity" in text for text in plan.missing)


def test_a_trend_from_one_mission_is_refused():
    row = plan_of(BOOK + PAIR + BESIDE + target("ph_trend", 0.001, "season", "")).rows[0]

    assert row.predicted is None
    assert "one mission shows no trend" in row.reason


def test_a_book_without_targets_is_told_so():
    assert any("[[targets]]" in text for text in plan_of(BOOK + PAIR + BESIDE).missing)


def test_signals_follow_the_expected_flux():
    text = BOOK + PAIR + BESIDE + target("oxygen_flux", 1.0)
    one, two = (plan_of(text, expected=Expected(night_uptake=f)).signals for f in (6.0, 12.0))

    name = "oxygen_lower_minus_upper_umol_kg"
    assert two[name] == pytest.approx(2.0 * one[name], rel=1e-12)
    assert two[name] < 0.0


def test_the_signal_of_story_one_is_in_the_plan():
    # Job description A4 and story 1, recomputed constants: -1.27 +/- 0.02 umol/kg at 12 mmol m-2 h-1 and 0.8 cm/s.
    expected = Expected(friction_velocity=0.008)
    plan = plan_of(BOOK + PAIR + BESIDE + target("oxygen_flux", 1.0), expected=expected)

    assert plan.signals["oxygen_lower_minus_upper_umol_kg"] == pytest.approx(-1.27, abs=0.02)


def test_the_same_book_gives_the_same_plan():
    text = BOOK + PAIR + BESIDE + target("oxygen_flux", 1.0)

    assert dataclasses.asdict(plan_of(text)) == dataclasses.asdict(plan_of(text))


def test_the_command_prints_a_table_and_json_and_status_one_when_a_target_is_missed(tmp_path):
    (tmp_path / "mission.toml").write_text(BOOK + PAIR + BESIDE + target("oxygen_flux", 0.01))
    folder = str(tmp_path)

    told = CliRunner().invoke(commands, ["plan", folder, "--friction-velocity", "0.008"])
    machine = CliRunner().invoke(commands, ["plan", folder, "--json"])

    assert told.exit_code == 1
    assert told.stdout == ""
    assert "-1.27 umol/kg" in told.stderr
    assert "dominant cause" in told.stderr
    assert json.loads(machine.stdout)["targets"][0]["met"] is False


def test_an_impossible_friction_velocity_is_refused(tmp_path):
    (tmp_path / "mission.toml").write_text(BOOK + PAIR + BESIDE)

    result = CliRunner().invoke(commands, ["plan", str(tmp_path), "--friction-velocity", "-1"])

    assert result.exit_code == 1
    assert "above zero" in result.stderr
