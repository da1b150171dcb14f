"""The command line: commands, progress, messages.

Here:     parse, call one function, print.
Not here: any computation.
Rules:    people read stderr; `--json` puts one machine-readable result on stdout. Exit status 0 done, 1 the data
          or the book need attention, 2 wrong usage. Heavy imports stay inside the commands, so `--help` is quick.
"""

from __future__ import annotations

import sys

from reeftally.cli import listen as _listen  # noqa: F401 - it joins the group
from reeftally.cli import watch as _watch  # noqa: F401 - it joins the group
from reeftally.cli._group import commands

__all__ = ["commands", "main"]


def main() -> None:
    """Run the command line; the entry point of the installed script."""
    sys.exit(commands.main(prog_name="reeftally", standalone_mode=True))
