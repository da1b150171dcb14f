"""The loop of `watch`: look for what is new, take it in, analyse it, tell the page.

Here:     what counts as new, one round of work in a process of its own, what the page is told, clearing old rounds.
Not here: the server (`reeftally.web`), taking in and analysing themselves.
Rules:    each round is a process that ends, so the server's memory does not grow with the work; a round that fails
          says why and the loop goes on; a run that somebody asked for is never removed.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import logging
import math
import multiprocessing
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from reeftally.errors import ReeftallyError, StoreLockedError

__all__ = ["PROVISIONAL", "Loop", "Seen", "clear_rounds", "look_around", "work_round"]

log = logging.getLogger("reeftally.watch")

PROVISIONAL = "provisional"
"""Name of the empty file that marks a run as made by this loop."""
KEPT = 3
"""Rounds that are kept beside those that somebody asked for."""
GROWING_S = 20.0
"""A file that never stands still is taken in as far as it goes this often. [s]"""
RETRY_S = 30.0
"""A round that failed is tried again after this, or sooner when something changes. [s]"""
LOCKED_S = 5.0
"""Wait before the store is tried again while another program writes. [s]"""

Stamp = tuple[int, int]
Tell = Callable[[str, dict[str, Any]], None]


@dataclass(frozen=True)
class Seen:
    """What the mission folder looked like."""

    inbox: dict[str, Stamp] = field(default_factory=dict)
    """Size and time of every file in the inbox."""
    words: dict[str, Stamp] = field(default_factory=dict)
    """The same of book, layouts and tables."""
    decisions: tuple[str, ...] = ()
    """Entries of the log that the chain acts upon."""
    snapshot: int = 0
    """Newest commit of the store; other programs (`listen`, `intake`) write there too."""


def _files(folder: Path) -> Iterator[Path]:
    with contextlib.suppress(OSError):
        for path in sorted(folder.rglob("*")):
            if path.is_file() and not any(part.startswith(".") for part in path.relative_to(folder).parts):
                yield path


def _stamps(paths: Iterator[Path] | list[Path]) -> dict[str, Stamp]:
    out = {}
    for path in paths:
        with contextlib.suppress(OSError):
            status = path.stat()
            out[str(path)] = (status.st_size, status.st_mtime_ns)
    return out


def look_around(folder: Path) -> Seen:
    """Return what the mission folder looks like now; cheap, and nothing is opened but the log."""
    from reeftally.mission import Log

    words = [
        folder / "mission.toml",
        *sorted((folder / "layouts").glob("*.toml")),
        *sorted((folder / "tables").glob("*.csv")),
    ]
    try:
        decisions = tuple(entry.id for entry in Log(folder).active() if entry.correction is not None)
    except (ReeftallyError, OSError):
        decisions = ("unreadable",)
    return Seen(_stamps(_files(folder / "inbox")), _stamps(words), decisions, _snapshot(folder))


def _snapshot(folder: Path) -> int:
    from reeftally.store import open_store

    try:
        return open_store(folder).snapshot()
    except (ReeftallyError, OSError):
        return -1


# -- one round, in its own process ----------------------------------------------------------------------


def work_round(folder: Path, say: Callable[[str, str], None], *, analyse_anyway: bool) -> dict[str, Any]:
    """Take in what the inbox holds, analyse if anything changed, and return what was done.

    Parameters
    ----------
    folder : Path
    say : callable
        ``say(kind, words)`` with kind ``state`` (for the head of the page), ``data`` or ``results``.
    analyse_anyway : bool
        Whether book, tables, layouts or decisions changed, so that a run is due without new rows.
    """
    from reeftally.analysis.run import analyse
    from reeftally.intake import take_in
    from reeftally.report import write_dive_sheet

    started = time.monotonic()
    say("state", "Taking in.")
    rows, messages = 0, []
    try:
        report = take_in(folder, now_ns=time.time_ns(), wait_s=2.0)
    except StoreLockedError:
        # Another program takes in; what it has committed can be analysed all the same.
        if not analyse_anyway:
            raise
        say("data", "Another program takes in.")
    else:
        rows, messages = report.rows_new, [str(m) for item in report.files for m in item.messages][:20]
    taken = time.monotonic()
    done: dict[str, Any] = {"rows": rows, "messages": messages, "intake_s": taken - started, "analysed": False}
    if rows:
        say("data", f"{rows:,} rows new.")
    if not (rows or analyse_anyway):
        return done | {"snapshot": _snapshot(folder)}
    said: list[float] = [0.0]

    def progress(step: str, now: float, total: float, note: str = "") -> None:
        if time.monotonic() - said[0] > 1.0:
            said[0] = time.monotonic()
            say("state", f"Analysing: {step.lower()}.")

    # A round belongs to its moment; a run asked for by hand takes the end of its data, to give the same bytes again.
    made = dt.datetime.now(tz=dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    run, _ = analyse(folder, made=made, progress=progress)
    (run / PROVISIONAL).touch()
    trail = json.loads((run / "trail.json").read_text(encoding="utf-8"))
    done |= {"analysed": True, "run": run.name, "analysis_s": time.monotonic() - taken, "snapshot": trail["snapshot"]}
    say("results", run.name)
    try:
        write_dive_sheet(folder)
    except ReeftallyError as error:
        done["messages"] = [*done["messages"], str(error)]
    else:
        say("results", run.name)
    clear_rounds(folder / "results")
    return done


def clear_rounds(results: Path, *, kept: int = KEPT) -> list[str]:
    """Remove rounds of this loop but the newest few; return their names.

    A run that carries a report, or was not made by the loop, stays.
    """
    latest = results / "latest"
    newest = latest.resolve().name if latest.exists() else ""
    own = sorted(p for p in results.glob("[0-9]*") if (p / PROVISIONAL).is_file() and not (p / "report.html").exists())
    gone = [p for p in own[: max(len(own) - kept, 0)] if p.name != newest]
    for path in gone:
        aside = path.with_name(f".{path.name}.gone")
        path.rename(aside)
        shutil.rmtree(aside, ignore_errors=True)
    return [p.name for p in gone]


def _in_process(folder: str, analyse_anyway: bool, line: Connection) -> None:
    """Work one round and send what happens through a pipe."""
    try:
        done = work_round(Path(folder), lambda kind, words: line.send((kind, words)), analyse_anyway=analyse_anyway)
        line.send(("done", done))
    except StoreLockedError as error:
        line.send(("locked", str(error)))
    except ReeftallyError as error:
        line.send(("failed", "\n".join(str(e) for e in getattr(error, "errors", ())) or str(error)))
    except OSError as error:
        line.send(("failed", f"{error.strerror or error}: {error.filename or ''}"))
    finally:
        line.close()


# -- the loop ---------------------------------------------------------------------------------------------


class Loop:
    """Watches a mission folder in a thread until it is stopped.

    Parameters
    ----------
    folder : Path
    tell : callable
        ``tell(event, data)``: events ``state``, ``data`` and ``results`` for open pages.
    activity : callable
        Takes the words for the head of the page and a state (``idle``, ``working``, ``failed``).
    every_s : float
        Time between two looks. [s]
    """

    def __init__(self, folder: Path, *, tell: Tell, activity: Callable[[str, str], None], every_s: float = 2.0) -> None:
        self.folder, self.tell, self.activity, self.every_s = folder, tell, activity, every_s
        self.rounds: list[dict[str, Any]] = []
        """The last hundred rounds."""
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="watch", daemon=True)
        self._process: Any = None
        self._analysed = 0

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End after the look or the round that is going on; a round is stopped, which loses nothing."""
        self._stop.set()
        process = self._process
        if process is not None and process.is_alive():
            process.terminate()
        if self._thread.ident is not None:
            self._thread.join(timeout=10.0)

    def _run(self) -> None:
        worked = Seen()  # what the last round worked on
        before = Seen()
        ended, retry = -GROWING_S, math.inf
        first = True
        self._analysed = self._snapshot_of_results()
        while not self._stop.is_set():
            now = look_around(self.folder)
            fresh = {name: stamp for name, stamp in now.inbox.items() if worked.inbox.get(name) != stamp}
            still = [name for name, stamp in fresh.items() if before.inbox.get(name) == stamp]
            words = (now.words, now.decisions) != (worked.words, worked.decisions)
            # What others commit is analysed at the pace of growing files; -1 is a store that cannot be read.
            moved = now.snapshot not in {-1, self._analysed}
            due = bool(still) or (bool(fresh or moved) and time.monotonic() - ended > GROWING_S)
            settled = (now.words, now.decisions) == (before.words, before.decisions)
            again = time.monotonic() >= retry
            if due or again or (words and settled):
                stale = first and now.snapshot != self._analysed
                outcome = self._round(analyse_anyway=(words and not first) or stale or again or moved)
                ended, retry = time.monotonic(), math.inf
                if outcome == "locked":
                    self._stop.wait(LOCKED_S)
                else:
                    # Files that stay (unknown, or still written) are looked at again only when they change; the tables
                    # may have been rewritten by the crew meanwhile, so what was seen before the round counts.
                    worked, first = now, False
                if outcome in {"failed", "stopped"}:
                    retry = time.monotonic() + RETRY_S
            before = now
            self._stop.wait(self.every_s)

    def _snapshot_of_results(self) -> int:
        """Return the snapshot that the newest results were made from; 0, that of an empty store, without results."""
        from reeftally.analysis.results import latest_run

        run = latest_run(self.folder)
        try:
            return 0 if run is None else int(json.loads((run / "trail.json").read_text(encoding="utf-8"))["snapshot"])
        except (OSError, ValueError, KeyError):
            return 0

    def _round(self, *, analyse_anyway: bool) -> str:
        """Work one round in a process of its own and pass on what it says; return how it ended."""
        context = multiprocessing.get_context("spawn")
        here, there = context.Pipe(duplex=False)
        process = context.Process(
            target=_in_process, args=(str(self.folder), analyse_anyway, there), name="reeftally-round", daemon=True
        )
        started, ended = time.monotonic(), "stopped"
        process.start()
        self._process = process
        there.close()
        try:
            while True:
                kind, content = here.recv()
                ended = self._heard(kind, content, started) or ended
        except (EOFError, OSError):
            pass
        except Exception as error:
            # Nothing that a round says may end the loop.
            log.exception("a round said what cannot be read")
            self.activity("failed", f"The last round cannot be understood ({type(error).__name__}).")
            process.terminate()
        process.join()
        self._process = None
        if ended == "stopped" and not self._stop.is_set():
            self.activity("failed", f"The last round ended early (status {process.exitcode}); it is tried again.")
            self.tell("state", {})
        process.close()
        return ended

    def _heard(self, kind: str, content: Any, started: float) -> str:
        """Pass on what a round says; return its end, if it is one."""
        if kind == "state":
            self.activity("working", content)
            self.tell("state", {})
            return ""
        if kind in {"data", "results"}:
            self.tell(kind, {"what": content})
            return ""
        if kind == "done":
            seconds = time.monotonic() - started
            self.rounds = [*self.rounds[-99:], content | {"seconds": seconds}]
            self._analysed = content["snapshot"]
            first = next(iter(content["messages"]), "")
            self.activity("idle", f"Of the last files: {first}" if first else "")
        elif kind == "locked":
            self.activity("idle", "Waiting: another program is writing to the store.")
        else:
            self.activity("failed", f"The last round stopped: {content}")
        self.tell("state", {})
        return kind
