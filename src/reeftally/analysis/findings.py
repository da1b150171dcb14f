"""Findings: what is wrong or doubtful in book, tables and data, most serious first, each with a way to mend it.

Here:     findings from the book, the tables, the axes of velocimeters, and the flags; accepting and undoing them in
          the log.
Not here: the clocks (`clock_findings`); the tests themselves (`quality`, `calibration`, `flow`); applying a
          correction (`context`).
Rules:    everything is found from the data and the crew's own tables, never from a rehearsal's truth. A finding has
          a stable id, its evidence, and a correction that the chain understands or none; nothing is applied unseen.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from reeftally import flow
from reeftally.analysis.clock_findings import clock_findings
from reeftally.analysis.context import Context, open_context
from reeftally.analysis.estimates import iso
from reeftally.analysis.finding import DOUBTFUL, NOTED, SERIOUS, Finding, stretch
from reeftally.analysis.grid import NS, make_grid
from reeftally.analysis.growth import fouling_findings
from reeftally.analysis.records import SlowBlocks, load_slow
from reeftally.analysis.twins import reference_disagreement_findings
from reeftally.analysis.years import step_findings
from reeftally.errors import NotAcceptedError
from reeftally.mission import (
    AxisFlip,
    Log,
    LogEntry,
    check_tables,
    doubts_of,
    problems_with_layouts,
    read_layouts,
)

__all__ = ["Finding", "accept", "find", "findings_of", "undo"]

# Fewer blocks than this say nothing; single blocks err.
FLIP_BLOCKS = 4
# Evidence that a change of state must bring, in the units of z: more than two strong blocks can pretend.
SWITCH_COST = 12.0
# Below this mean speed the sign of the stress is not believed (common practice, no source).
SLOWEST_M_S = 0.05
VELOCITY = ["velocity_x", "velocity_y", "velocity_z"]


def find(folder: Path) -> list[Finding]:
    """Return all findings of a mission, most serious first; those already accepted are marked."""
    context = open_context(folder)
    slow, _ = load_slow(context, context.grid)
    return _sorted(folder, [*_found(context, slow, signals=True), *_axes(context)])


def findings_of(context: Context, slow: dict[str, SlowBlocks], *, axes_since_ns: int) -> list[Finding]:
    """Return the findings from records that are already reduced; axes are looked at since an instant only.

    A second reading of all velocimeters takes longer than everything else here; `find` does it.
    """
    axes = list(_axes(context, axes_since_ns))
    return _sorted(context.folder, axes + _found(context, slow, signals=False))


def _found(context: Context, slow: dict[str, SlowBlocks], *, signals: bool) -> list[Finding]:
    return [
        *_book(context),
        *_tables(context),
        *clock_findings(context, signals=signals),
        *reference_disagreement_findings(context),
        *_records(context, slow),
        *step_findings(context, slow),
    ]


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


def _axes(context: Context, since_ns: int | None = None) -> Iterator[Finding]:
    """Velocimeters whose z axis points the other way for an hour or more, in all of the record or since an instant."""
    for instrument in context.book.instruments_of_kind("velocimeter"):
        if not context.has(instrument.label):
            continue
        yield from _axes_of(context, instrument.label, 1.0 / instrument.sample_interval_s, since_ns)


def _axes_of(context: Context, label: str, rate: float, since_ns: int | None = None) -> Iterator[Finding]:
    info = context.store.streams()[label]
    # Stamps of a clock that was reset lie decades away.
    first_ns = max(info.first_ns, context.earliest_ns)
    grid = make_grid(start_ns=first_ns, end_ns=info.last_ns + 1, block_s=float(context.book.analysis.block_s))
    seen: list[Any] = []
    for block in range(grid.count):
        if since_ns is not None and int(grid.edges[block]) < since_ns:
            seen.append(None)
            continue
        record = context.read(
            label, start_ns=int(grid.edges[block]), end_ns=int(grid.edges[block + 1]), channels=VELOCITY
        )
        if record.time_ns.size < 0.5 * rate * grid.block_s:
            seen.append(None)
            continue
        velocity = np.stack([np.asarray(record.channels[name], dtype=np.float64) for name in VELOCITY])
        for flip in context.axis_flips:
            if flip.instrument == label:
                low = flip.start_ns if flip.start_ns is not None else -(2**62)
                high = flip.end_ns if flip.end_ns is not None else 2**62
                velocity[1:, (record.time_ns >= low) & (record.time_ns < high)] *= -1.0
        centre = np.nanmedian(velocity, axis=1, keepdims=True)
        spread = 1.4826 * np.nanmedian(np.abs(velocity - centre), axis=1, keepdims=True)
        clipped = np.clip(np.where(np.isfinite(velocity), velocity, centre), centre - 5 * spread, centre + 5 * spread)
        # At slack water waves on a slightly tilted head outweigh the stress and can turn its sign.
        if float(np.hypot(*clipped[:2].mean(axis=1))) < SLOWEST_M_S:
            seen.append(None)
            continue
        seen.append(flow.orientation(velocity=clipped, sample_rate=rate))
    for first, last, z in _runs(seen):
        begin, end = int(grid.edges[first]), int(grid.edges[last])
        yield Finding(
            id=f"axes-{label}-{iso(begin)[:16].replace(':', '')}",
            severity=SERIOUS,
            subject=label,
            what=f"{label}: momentum seems to go upward from {iso(begin)} to {iso(end)}: it is upside down there.",
            evidence=f"the covariance of along and vertical velocity has the wrong sign (combined z {z:.1f}) in "
            f"{last - first} blocks, the right one outside",
            proposal="turn y and z for that time",
            correction=AxisFlip(instrument=label, start=stretch(begin), end=stretch(end)).model_dump(mode="json"),
            start_ns=begin,
            end_ns=end,
        )


def _runs(seen: list[Any]) -> Iterator[tuple[int, int, float]]:
    """Yield (first, last, z) of stretches of blocks that are upside down.

    A velocimeter is turned seldom: the state (up or down) of every block is chosen so that the sum of its evidence
    is largest, each change of state costing `SWITCH_COST` (Viterbi 1967, the most likely path of a chain). Slack
    blocks without evidence thus take the state of their neighbours.
    """
    sign = np.array([0.0 if o is None else float(np.clip(o.z, -6.0, 6.0)) for o in seen])
    n = sign.size
    if n < FLIP_BLOCKS:
        return
    score = np.array([sign[0], -sign[0]])
    came = np.zeros((n, 2), dtype=np.int64)
    for block in range(1, n):
        stay = score
        change = score[::-1] - SWITCH_COST
        came[block] = np.where(stay >= change, [0, 1], [1, 0])
        score = np.maximum(stay, change) + np.array([sign[block], -sign[block]])
    state = np.empty(n, dtype=np.int64)
    state[-1] = int(np.argmax(score))
    for block in range(n - 1, 0, -1):
        state[block - 1] = came[block, state[block]]
    edges = np.flatnonzero(np.diff(np.concatenate(([0], state, [0]))))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        z = float(sign[first:last].sum() / np.sqrt(last - first))
        if z < -4.0:
            yield int(first), int(last), z


def _records(context: Context, slow: dict[str, SlowBlocks]) -> Iterator[Finding]:
    """Findings from the slow records: withheld quantities, stuck sensors, growth that a cleaning took away."""
    yield from _flags(context, slow)
    yield from fouling_findings(context, slow)


def _flags(context: Context, slow: dict[str, SlowBlocks]) -> Iterator[Finding]:
    """Stretches of failed samples of slow sensors: they are not used; a person should know and look."""
    for label, blocks in sorted(slow.items()):
        for quantity, reason in blocks.withheld.items():
            yield Finding(
                id=f"withheld-{label}-{quantity}", severity=SERIOUS, subject=label,
                what=f"{label}: {quantity} is withheld.", evidence=reason, proposal="state what is missing in the book",
            )  # fmt: skip
        for channel, flags in blocks.flags.items():
            if "_bin_" in channel:
                continue
            stuck = flags.tests.get("flat_line")
            if stuck is None or not (stuck == 4).any():
                continue
            record = context.read(label, channels=[channel])
            failed = np.flatnonzero(stuck == 4)
            for part in np.split(failed, np.flatnonzero(np.diff(failed) > 1) + 1):
                minutes = float(record.time_ns[part[-1]] - record.time_ns[part[0]]) / NS / 60.0
                if minutes < 10.0:
                    continue
                begin, end = int(record.time_ns[part[0]]), int(record.time_ns[part[-1]])
                yield Finding(
                    id=f"stuck-{label}-{channel}-{iso(begin)[:16].replace(':', '')}",
                    severity=NOTED,
                    subject=label,
                    what=f"{label}: {channel} stood still for {minutes:.0f} min from {iso(begin)}.",
                    evidence=f"{part.size} equal values; a sensor of this resolution repeats by chance at most "
                    f"{flags.limits.get('flat_line_count', 5):.0f} times",
                    proposal="look at the sensor and its cable; the samples are flagged 4 and not used",
                    start_ns=begin,
                    end_ns=end,
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
    findings = {finding.id: finding for finding in find(folder)}
    if ids == ["all"]:
        chosen = [f for f in findings.values() if f.correction is not None and not f.accepted]
    else:
        unknown = [name for name in ids if name not in findings]
        if unknown:
            message = f"There is no finding {', '.join(unknown)}. Known: {', '.join(findings) or 'none'}."
            raise NotAcceptedError(message)
        chosen = [findings[name] for name in ids]
        empty = [f.id for f in chosen if f.correction is None]
        if empty:
            message = f"{', '.join(empty)}: no correction to accept; mend the book, the table or the sensor instead."
            raise NotAcceptedError(message)
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
    return chosen


def undo(folder: Path, *, finding: str, by: str, now: dt.datetime, why: str = "") -> None:
    """Take back an accepted finding (by its id or that of its log entry)."""
    Log(folder).append(
        LogEntry.model_validate(
            {"time": now, "by": by, "kind": "undo", "finding": finding, "why": why or f"taken back by {by}"}
        )
    )
