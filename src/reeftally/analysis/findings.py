"""Findings: what is wrong or doubtful in book, tables and data, most serious first, each with a way to mend it.

Here:     the order in which book, tables, clocks, fast and slow records are looked at; accepting and undoing in
          the log.
Not here: what is looked for (`clock_findings`, `fast_findings`, `crossed`, `sensor_findings`, `record_findings`,
          `profiler_findings`, `growth`, `twins`, `years`); the tests (`quality`, `calibration`); applying a correction
          (`context`).
Rules:    everything is found from the data and the crew's own tables, never from a rehearsal's truth. A finding has
          a stable id, its evidence, and a correction that the chain understands or none; nothing is applied unseen.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from reeftally.analysis.anchor_findings import anchor_findings
from reeftally.analysis.bottle_findings import bottle_findings
from reeftally.analysis.clock_findings import clock_findings
from reeftally.analysis.context import Context, open_context
from reeftally.analysis.contradictions import contradiction_findings
from reeftally.analysis.crossed import crossed_findings
from reeftally.analysis.fast_findings import fast_findings
from reeftally.analysis.finding import DOUBTFUL, SERIOUS, Finding
from reeftally.analysis.growth import fouling_findings
from reeftally.analysis.level_findings import level_findings
from reeftally.analysis.offsets import SensorOffsets, adjust_offsets
from reeftally.analysis.profiler_findings import profiler_findings
from reeftally.analysis.record_findings import record_findings
from reeftally.analysis.records import SlowBlocks, Water, load_slow
from reeftally.analysis.review_records import ChannelReview, review_records, save_flags
from reeftally.analysis.sensor_findings import sensor_findings
from reeftally.analysis.standing_findings import standing_findings
from reeftally.analysis.twins import reference_disagreement_findings
from reeftally.analysis.years import step_findings
from reeftally.errors import NotAcceptedError
from reeftally.mission import Log, LogEntry, check_tables, doubts_of, problems_with_layouts, read_layouts

__all__ = ["Finding", "Look", "accept", "find", "findings_of", "look", "undo"]

# Kinds of corrections that change when or where a sample is: what is found after them may lie elsewhere, so `all`
# takes them first and looks again.
FIRST = {"clock_shift", "swap_streams"}
MOST_LOOKS = 4


@dataclass(slots=True)
class Look:
    """What one look at a mission found; `find` gives the findings alone."""

    findings: list[Finding]
    reviews: list[ChannelReview]
    note: str = ""
    """Why the flags of the review were not kept; empty if they were."""


def find(folder: Path) -> list[Finding]:
    """Return all findings of a mission, most serious first; those already accepted are marked."""
    return look(folder).findings


def look(folder: Path, *, save: bool = False) -> Look:
    """Review a mission's records and return what is wrong or doubtful.

    Parameters
    ----------
    folder : Path
        Mission folder.
    save : bool
        Whether the flags of the review are kept in the store.
    """
    context = open_context(folder)
    slow, water = load_slow(context, context.grid)
    offsets = {
        quantity: found
        for quantity in ("temperature", "salinity", "oxygen", "ph_total")
        if (found := adjust_offsets(context, context.grid, slow, quantity)) is not None
    }
    reviews = list(review_records(context))
    findings = _sorted(folder, _found(context, slow, water, offsets, reviews, signals=True))
    return Look(findings, reviews, save_flags(context, reviews) if save else "")


def findings_of(
    context: Context, slow: dict[str, SlowBlocks], water: Water, offsets: dict[str, SensorOffsets]
) -> list[Finding]:
    """Return the findings from records that a run has reduced; clocks are not held against shared signals again."""
    reviews = list(review_records(context))
    return _sorted(context.folder, _found(context, slow, water, offsets, reviews, signals=False))


def _found(
    context: Context,
    slow: dict[str, SlowBlocks],
    water: Water,
    offsets: dict[str, SensorOffsets],
    reviews: list[ChannelReview],
    *,
    signals: bool,
) -> list[Finding]:
    found = [
        *_book(context),
        *_tables(context),
        *clock_findings(context, signals=signals),
        *bottle_findings(context),
        *anchor_findings(context, slow),
        *fast_findings(context),
        *reference_disagreement_findings(context),
        *contradiction_findings(context, slow),
        *_withheld(slow),
        *crossed_findings(context, slow, offsets),
        *sensor_findings(context, slow, water, offsets),
        *standing_findings(context, slow, water, reviews),
        *record_findings(context, reviews, slow, offsets),
        *profiler_findings(context, slow),
        *fouling_findings(context, slow),
        *step_findings(context, slow),
    ]
    # Growth that nobody has accepted yet bends the adjustment, which then takes it for settling of its neighbours.
    grown = {f.details["quantity"] for f in found if f.id.startswith("growth-")}
    found = [f for f in found if not (f.id.startswith("settling-") and f.id.rsplit("-", 1)[1] in grown)]
    return [*found, *level_findings(context, slow, offsets, found)]


def _sorted(folder: Path, found: list[Finding]) -> list[Finding]:
    accepted = Log(folder).accepted_findings()
    marked = [f if f.id not in accepted else _marked(f) for f in found]
    return sorted(marked, key=lambda f: (f.accepted, -f.severity, f.id))


def _marked(finding: Finding) -> Finding:
    return replace(finding, accepted=True)


def _book(context: Context) -> Iterator[Finding]:
    problems = [
        *doubts_of(context.book),
        *problems_with_layouts(context.book, read_layouts(context.folder / "layouts")),
    ]
    for number, problem in enumerate(problems, start=1):
        yield Finding(
            id=f"book-{number}",
            severity=DOUBTFUL,
            subject=str(problem.key),
            what=str(problem),
            evidence=f"{problem.key} is {problem.found!r}",
            proposal=problem.mend or f"{problem.key} needs {problem.wanted}",
        )


def _tables(context: Context) -> Iterator[Finding]:
    problems = [*context.tables.problems, *check_tables(context.book, context.tables)]
    for number, problem in enumerate(problems, start=1):
        yield Finding(
            id=f"table-{number}",
            severity=DOUBTFUL,
            subject=problem.file,
            what=str(problem),
            evidence=f"found {problem.found}",
            proposal=problem.mend,
        )


def _withheld(slow: dict[str, SlowBlocks]) -> Iterator[Finding]:
    """Quantities that could not be given, with what is missing."""
    for label, blocks in sorted(slow.items()):
        for quantity, reason in blocks.withheld.items():
            yield Finding(
                id=f"withheld-{label}-{quantity}",
                severity=SERIOUS,
                subject=label,
                what=f"{label}: {quantity} is withheld.",
                evidence=reason,
                proposal="state what is missing in the book",
            )


def accept(folder: Path, *, ids: list[str], by: str, now: dt.datetime, why: str = "") -> list[Finding]:
    """Write the decision to accept findings to the log.

    Parameters
    ----------
    ids : list of str
        Ids, or ``["all"]`` for every open finding that carries a correction.
    by : str
        Role of who decides.
    now : datetime
        When it was decided, with zone.

    Returns
    -------
    list of Finding
        What was accepted.

    Raises
    ------
    NotAcceptedError
        If an id is unknown or carries no correction.
    """
    if ids == ["all"]:
        return _accept_all(folder, by=by, now=now, why=why)
    findings = {finding.id: finding for finding in find(folder)}
    unknown = [name for name in ids if name not in findings]
    if unknown:
        message = f"There is no finding {', '.join(unknown)}. Known: {', '.join(findings) or 'none'}."
        raise NotAcceptedError(message)
    chosen = [findings[name] for name in ids]
    empty = [f.id for f in chosen if f.correction is None]
    if empty:
        message = f"{', '.join(empty)}: no correction to accept; mend the book, the table or the sensor instead."
        raise NotAcceptedError(message)
    _write(folder, chosen, by=by, now=now, why=why)
    return chosen


def _accept_all(folder: Path, *, by: str, now: dt.datetime, why: str) -> list[Finding]:
    """Accept every open finding with a correction: clocks and crossed streams first, the rest on a second look."""
    done: list[Finding] = []
    for _ in range(MOST_LOOKS):
        waiting = [f for f in find(folder) if f.correction is not None and not f.accepted]
        first = [f for f in waiting if f.correction is not None and f.correction["type"] in FIRST]
        chosen = first or waiting
        _write(folder, chosen, by=by, now=now, why=why)
        done += chosen
        if not first:
            break
    return done


def _write(folder: Path, chosen: list[Finding], *, by: str, now: dt.datetime, why: str) -> None:
    log = Log(folder)
    for finding in chosen:
        log.append(
            LogEntry.model_validate(
                {
                    "time": now,
                    "by": by,
                    "kind": "accept",
                    "subject": finding.subject,
                    "finding": finding.id,
                    "why": why or finding.what,
                    "correction": finding.correction,
                }
            )
        )


def undo(folder: Path, *, finding: str, by: str, now: dt.datetime, why: str = "") -> None:
    """Take back an accepted finding (by its id or that of its log entry)."""
    Log(folder).append(
        LogEntry.model_validate(
            {"time": now, "by": by, "kind": "undo", "finding": finding, "why": why or f"taken back by {by}"}
        )
    )
