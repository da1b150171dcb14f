"""The command line: help, exit status, messages for people on stderr, JSON on stdout."""

import json

import pytest
from click.testing import CliRunner

from reeftally.cli import commands

NAMES = sorted(commands.commands)


def run(*arguments):
    return CliRunner().invoke(commands, [str(a) for a in arguments])


@pytest.mark.parametrize("name", NAMES)
def test_every_command_has_help_with_an_example_and_json(name):
    result = run(name, "--help")

    assert result.exit_code == 0
    assert "Example:" in result.output
    assert f"reeftally {name}" in result.output
    assert "--json" in result.output


def test_the_commands_of_the_contract_that_exist_are_these():
    assert {"new", "demo", "rehearse", "layout", "intake", "check", "analyse", "report"} <= set(NAMES)


def test_wrong_usage_exits_two():
    assert run("intake").exit_code == 2
    assert run("no-such-command").exit_code == 2
    assert run("rehearse", "x", "--size", "huge").exit_code == 2


def test_a_new_mission_can_be_checked_taken_in_and_says_what_to_do_next(tmp_path):
    folder = tmp_path / "lagoon"

    made = run("new", folder)
    taken = run("intake", folder, "--json")

    assert made.exit_code == 0
    assert made.stdout == ""
    assert f"reeftally intake {folder}" in made.stderr
    assert f"edit {folder / 'mission.toml'}" in made.stderr
    assert json.loads(taken.stdout)["rows_new"] == 0


def test_a_folder_that_is_no_mission_gives_one_message_and_status_one(tmp_path):
    result = run("analyse", tmp_path)

    assert result.exit_code == 1
    assert "mission.toml" in result.stderr
    assert "Traceback" not in result.output


def test_errors_are_json_too(tmp_path):
    result = run("analyse", tmp_path, "--json")
    answer = json.loads(result.stdout)

    assert result.exit_code == 1
    assert answer["ok"] is False
    assert answer["messages"]


def test_accepting_needs_a_role(tmp_path):
    run("new", tmp_path / "lagoon")

    result = run("check", tmp_path / "lagoon", "--accept", "all")

    assert result.exit_code == 2
    assert "--by" in result.output


def test_the_demo_refuses_a_folder_with_something_in_it(tmp_path):
    (tmp_path / "mine.txt").write_text("precious")

    result = run("demo", tmp_path)

    assert result.exit_code == 1
    assert (tmp_path / "mine.txt").read_text() == "precious"


def test_a_layout_is_proposed_and_asks_what_it_cannot_know(tmp_path):
    file = tmp_path / "logger.txt"
    file.write_text("time;temp;oxygen\n2031-03-25 20:00:00;28.41;198.2\n2031-03-25 20:00:05;28.40;198.4\n" * 20)

    result = run("layout", file)

    assert result.exit_code == 0
    assert 'delimiter = ";"' in result.stdout
    assert "?" in result.stdout


def test_help_is_quick_because_heavy_libraries_are_not_imported():
    import subprocess
    import sys

    code = (
        "import sys; import reeftally.cli; print([m for m in ('numba','xarray','scipy','pandas') if m in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip()

    assert found == "[]"


def test_the_page_of_the_commands_is_current():
    import runpy
    from pathlib import Path

    docs = Path(__file__).resolve().parents[2] / "docs"

    page = runpy.run_path(str(docs / "make_pages.py"))["commands_page"]()

    assert (docs / "commands.md").read_text(encoding="utf-8") == page, "run `make docs`"
