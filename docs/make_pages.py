"""Renew the generated pages: mission book, commands, faults. Tests compare them with what is in the repository."""

from __future__ import annotations

import runpy
import sys
from pathlib import Path

import click

from reeftally.cli import commands

HERE = Path(__file__).resolve().parent


def commands_page() -> str:
    """Return the page of the commands, made from their own help."""
    parts = [
        "# Commands",
        "",
        "Made from the help of each command by `make docs`. Exit status: 0 done, 1 the data or the book need attention",
        "(messages say what), 2 wrong usage. Messages for people go to stderr; `--json` puts one result on stdout.",
        "",
    ]
    # The group's context hands down its settings, so that a page made alone equals one made after a run.
    group = click.Context(commands, info_name="reeftally", terminal_width=100, **commands.context_settings)
    for name in sorted(commands.commands):
        context = click.Context(commands.commands[name], info_name=name, parent=group, terminal_width=100)
        parts += [f"## {name}", "", "```", commands.commands[name].get_help(context), "```", ""]
    return "\n".join(parts)


def main() -> int:
    """Write the pages."""
    (HERE / "commands.md").write_text(commands_page(), encoding="utf-8")
    sys.argv = [str(HERE / "make_mission_book.py")]
    runpy.run_path(sys.argv[0], run_name="__main__")
    (HERE / "faults.md").write_text(runpy.run_path(str(HERE / "make_faults.py"))["page"](), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
