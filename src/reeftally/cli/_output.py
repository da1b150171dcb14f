"""What a command says: one result, as text for people on stderr or as JSON on stdout.

Here:     the outcome of a command, its printing, the progress bar, known errors to exit status 1.
Not here: the commands.
Rules:    nothing but JSON ever goes to stdout; a known error is one message, an unknown one keeps its traceback.
"""

from __future__ import annotations

import functools
import json
import math
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ParamSpec

import click

from reeftally.errors import ReeftallyError

__all__ = ["Outcome", "Steps", "command_result", "say", "steps"]

P = ParamSpec("P")


@dataclass(slots=True)
class Outcome:
    """What one command found."""

    data: dict[str, Any]
    """Machine-readable result."""
    lines: list[str] = field(default_factory=list)
    """The same for people."""
    attention: bool = False
    """True if the data or the book need a person: exit status 1."""


def say(*lines: str) -> None:
    """Print lines for people, on stderr."""
    for line in lines:
        click.echo(line, err=True)


def _plain(value: Any) -> Any:
    """Return `value` with NaN as null and paths as text, for JSON."""
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, Path):
        return str(value)
    if hasattr(value, "item") and not isinstance(value, (str, bytes)):
        return _plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def command_result(function: Callable[P, Outcome]) -> Callable[..., None]:
    """Turn a function that returns an `Outcome` into the body of a command with `--json`."""

    @click.option("--json", "as_json", is_flag=True, help="Print the result as JSON on stdout.")
    @functools.wraps(function)
    def run(*args: Any, as_json: bool, **kwargs: Any) -> None:
        try:
            outcome = function(*args, **kwargs)
        except ReeftallyError as error:
            messages = [str(e) for e in getattr(error, "errors", ())] or [str(error)]
            if as_json:
                click.echo(json.dumps({"ok": False, "kind": error.kind, "messages": messages}, ensure_ascii=False))
            for message in messages:
                click.echo(message, err=True)
            sys.exit(1)
        except KeyboardInterrupt:
            click.echo("Stopped. What was committed is kept; run the command again to go on.", err=True)
            sys.exit(130)
        if as_json:
            click.echo(json.dumps({"ok": not outcome.attention, **_plain(outcome.data)}, ensure_ascii=False))
        else:
            say(*outcome.lines)
        sys.exit(1 if outcome.attention else 0)

    return run


class Steps:
    """Progress of one command: named steps, each with a total, drawn with rate and time left."""

    def __init__(self, *, quiet: bool) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

        console = Console(stderr=True)
        self._bar = Progress(
            TextColumn("{task.description:<34}"),
            BarColumn(bar_width=28),
            TextColumn("{task.percentage:>3.0f} %"),
            TimeElapsedColumn(),
            TextColumn("left"),
            TimeRemainingColumn(),
            TextColumn("{task.fields[note]}"),
            console=console,
            disable=quiet or not console.is_terminal,
            transient=False,
        )
        self._tasks: dict[str, Any] = {}

    def __call__(self, step: str, done: float, total: float, note: str = "") -> None:
        """Report that `done` of `total` of a step is done."""
        if step not in self._tasks:
            self._tasks[step] = self._bar.add_task(step, total=max(total, 1e-9), note=note)
        self._bar.update(self._tasks[step], completed=done, total=max(total, 1e-9), note=note)

    def start(self) -> None:
        """Begin drawing."""
        self._bar.start()

    def stop(self) -> None:
        """End drawing."""
        self._bar.stop()


@contextmanager
def steps(*, quiet: bool = False) -> Iterator[Steps]:
    """Draw the progress of the steps inside the block."""
    bar = Steps(quiet=quiet)
    bar.start()
    try:
        yield bar
    finally:
        bar.stop()
