"""The morning page as plain data: the one thing to do and why, at most seven lines, alarms, targets, what is missing.

Here:     what is put on the page, in which order, with a lead to its evidence.
Not here: markup (`reeftally.web`, `reeftally.report`), the words of a line (`morning_lines`), the alarms, targets,
          tasks and the outlook themselves.
Rules:    the same results give the same page; the time it was made comes from outside. Order is by consequence. The
          page advises on instruments and samples; whether and how anybody dives is never its question.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from reeftally.analysis.alarms import Alarm
from reeftally.analysis.estimates import iso
from reeftally.analysis.finding import SERIOUS, Finding
from reeftally.analysis.grid import NS
from reeftally.analysis.mission_alarms import alarms_of
from reeftally.analysis.morning_lines import (
    DAY_NS,
    WORDS,
    alarm_lines,
    coverage_line,
    finding_lines,
    half,
    link,
    missing,
    night_line,
    outlook_line,
    sentence,
    target_line,
    work_line,
)
from reeftally.analysis.outlook import Outlook, look_ahead
from reeftally.analysis.targets import MET, TargetResult, deciding, target_results, to_csv
from reeftally.analysis.tasks import Replicates, Task, candidates, replicates

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = ["DAY_NS", "FORMAT", "MOST_LINES", "Morning", "compose", "data_end", "files"]

FORMAT = 1
MOST_LINES = 7
# A task that narrows an unmet target by less than this share of what is wanted is not worth a dive.
LEAST_WORTH = 0.05


@dataclass(slots=True, kw_only=True)
class Morning:
    """Everything that the page shows."""

    made: str
    start_ns: int
    end_ns: int
    action: dict[str, Any]
    lines: list[dict[str, Any]] = field(default_factory=list)
    alarms: list[Alarm] = field(default_factory=list)
    targets: list[TargetResult] = field(default_factory=list)
    tasks: list[Task] = field(default_factory=list)
    replicates: list[Replicates] = field(default_factory=list)
    outlook: Outlook
    missing: list[str] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """Return the content of `morning.json`."""
        return {
            "format": FORMAT,
            "made": self.made,
            "window": {"start": iso(self.start_ns), "end": iso(self.end_ns)},
            "action": self.action,
            "lines": self.lines,
            "alarms": [
                {
                    "text": a.text, "why": a.why, "check": a.check, "since": iso(a.since_ns),
                    "severity": WORDS[a.severity],
                }
                for a in self.alarms
            ],
            "targets": [
                {
                    "quantity": t.quantity, "subject": t.subject, "period": t.period,
                    "wanted": half(t.wanted, t.unit),
                    "reached": "" if t.reached is None else half(t.reached, t.unit), "state": t.state,
                }
                for t in deciding(self.targets)
            ],
            "missing": self.missing,
        }  # fmt: skip


def data_end(chain: Chain) -> int:
    """Return the end of the newest block in which two instruments spoke, as one clock alone may err. [ns]."""
    counts = np.zeros(chain.grid.count, dtype=np.int64)
    for blocks in chain.slow.values():
        heard = np.zeros(chain.grid.count, dtype=bool)
        for means in blocks.channels.values():
            heard |= means.n > 0
        counts += heard
    for series in chain.velocimeters:
        counts[[k for k in series.records if 0 <= k < counts.size]] += 1
    needed = min(2, int(counts.max())) if counts.size else 0
    if needed == 0:
        return int(chain.grid.edges[0])
    return int(chain.grid.edges[int(np.flatnonzero(counts >= needed)[-1]) + 1])


def compose(
    chain: Chain, *, groups: Mapping[str, xr.Dataset], findings: Sequence[Finding], made: str | None = None
) -> Morning:
    """Compose the morning page of a chain.

    Parameters
    ----------
    chain : Chain
        After its run.
    groups : mapping
        Block series as in `results.nc`.
    findings : sequence of Finding
        Of the same records.
    made : str, optional
        When the page was made, ISO 8601; default the end of the newest data.
    """
    end_ns = data_end(chain)
    start_ns = end_ns - DAY_NS
    rows = chain.estimates.rows
    results = target_results(targets=chain.context.book.targets, estimates=rows)
    alarms = [a for a in alarms_of(chain, start_ns=start_ns, end_ns=end_ns) if _matters(chain, a, end_ns)]
    site = chain.context.book.site
    at_mast = chain.grid.mids_in(chain.spans[0].start_ns, chain.spans[0].end_ns)
    outlook = look_ahead(
        start_ns=end_ns, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg,
        seconds=chain.grid.seconds[at_mast], pressure=_pressure(chain)[at_mast], speed=chain.currents.speed[at_mast],
    )  # fmt: skip
    tasks = candidates(chain, results=results, findings=findings, at_ns=end_ns - 1)
    left = replicates(chain)
    morning = Morning(
        made=made or iso(end_ns), start_ns=start_ns, end_ns=end_ns,
        action=_action(chain, tasks, alarms, results, end_ns), alarms=alarms, targets=results, tasks=tasks,
        replicates=left, outlook=outlook,
    )  # fmt: skip
    lines = [
        *finding_lines(findings),
        *alarm_lines(alarms),
        target_line(results),
        night_line(chain, groups, rows, end_ns),
        work_line(chain, left, start_ns, end_ns),
        outlook_line(outlook),
        coverage_line(chain, start_ns, end_ns),
    ]
    given = [line for line in lines if line is not None]
    order = {"serious": 0, "doubtful": 1, "noted": 2}
    morning.lines = sorted(given, key=lambda line: order[line["severity"]])[:MOST_LINES]
    morning.missing = missing(chain, outlook, results, end_ns)
    return morning


def _pressure(chain: Chain) -> np.ndarray:
    """Return the sea pressure of the blocks where an instrument measured it; NaN where the book filled in."""
    for blocks in chain.slow.values():
        roles = {chain.context.book.station(d.station).role for d in chain.context.book.deployments_of(blocks.label)}
        if "pressure" in blocks.channels and "reference" not in roles:
            return np.asarray(blocks.channels["pressure"].mean)
    return np.full(chain.grid.count, np.nan)


def _matters(chain: Chain, alarm: Alarm, end_ns: int) -> bool:
    """Leave out a silence that begins where the instrument was taken up."""
    if alarm.kind != "silent" or not alarm.lasting:
        return True
    after = [p.end_ns for p in chain.context.book.intercalibrations if alarm.instrument in p.instruments]
    ends = [d.end_ns for d in chain.context.book.deployments_of(alarm.instrument)] + after
    return max(ends, default=end_ns) > alarm.since_ns + 3600 * NS


# The one action.


def _action(
    chain: Chain, tasks: list[Task], alarms: list[Alarm], results: list[TargetResult], end_ns: int
) -> dict[str, Any]:
    book = chain.context.book
    over = end_ns >= chain.spans[0].end_ns and end_ns >= round(book.mission.end.timestamp()) * NS
    if over:
        return _closing(chain, tasks, end_ns)
    dead = [a for a in alarms if a.lasting and a.severity == SERIOUS]
    if dead:
        worst = dead[0]
        return {
            "text": f"Look at {worst.instrument}: {worst.text.split(': ', 1)[-1]} since {iso(worst.since_ns)}",
            "why": sentence(f"{worst.why}. Check: {worst.check}"),
            "link": link("sensor", worst.instrument, worst.since_ns, end_ns),
        }
    unmet = [t for t in tasks if t.worth >= LEAST_WORTH]
    if unmet:
        unit = f" {unmet[0].unit}" if unmet[0].unit else ""
        return _of_task(unmet[0], end_ns, f"The target of ± {unmet[0].wanted:.2g}{unit} is not met")
    deciding_rows = deciding(results)
    open_targets = [r for r in deciding_rows if r.state != MET]
    if not deciding_rows:
        because = "The book states no target, so a rule of the trade decides"
    elif not open_targets:
        because = "All targets are met, so a rule of the trade decides"
    else:
        because = "No dive narrows what is still unmet, so a rule of the trade decides"
    pressing = [t for t in sorted(tasks, key=lambda t: (-t.pressing, t.kind)) if t.pressing >= 1.0]
    if pressing:
        return _of_task(pressing[0], end_ns, because)
    return {
        "text": "Nothing presses: keep to the plan, and write heights, times and bottle numbers on the slate",
        "why": sentence(f"{because}; none of its thresholds is passed"),
        "link": link("log", "", end_ns - DAY_NS, end_ns),
    }


def _of_task(task: Task, end_ns: int, because: str) -> dict[str, Any]:
    return {
        "text": task.text,
        "why": sentence(f"{task.why[:1].upper()}{task.why[1:]}. {because}"),
        "link": link(task.page, task.subject, end_ns - DAY_NS, end_ns),
    }


def _closing(chain: Chain, tasks: list[Task], end_ns: int) -> dict[str, Any]:
    """Return what is left once the mission of the book is over: recovery first, then the package."""
    end = chain.spans[0].end_ns
    tables, book = chain.context.tables, chain.context.book
    left = []
    beside = [p for p in book.intercalibrations if p.start_ns >= end - DAY_NS]
    if not beside:
        left.append("set all sensors side by side once more, before and after they are cleaned")
    # Once the sensors stand side by side their heights on the mast can be measured no more; that is then missing.
    taken_up = any(p.start_ns < end_ns for p in beside)
    if not taken_up and not any(row.time_ns >= end - DAY_NS for row in tables.heights):
        left.append("measure the heights again before anything is touched")
    if not any(row.time_ns >= end - DAY_NS for row in tables.clock_checks):
        left.append("compare every clock before it is switched off")
    if left:
        text = f"The mission is over: {left[0]}" + (f"; then {'; then '.join(left[1:])}" if left[1:] else "")
        return {
            "text": text,
            "why": "What is not tied together after the record cannot be told from drift, and cannot be made up for.",
            "link": link("log", "", end, end_ns),
        }
    useful = next((t for t in tasks if t.kind != "clean" and t.then is not None and t.now), None)
    tail = "" if useful is None else f" For the next mission: {useful.text[:1].lower()}{useful.text[1:]} ({useful.why})"
    return {
        "text": "The mission is over and recovered: finish the package while everybody is still here",
        "why": sentence(f"Side by side and clocks after the record are in the tables.{tail}"),
        "link": link("package", "", chain.spans[0].start_ns, end_ns),
    }


# Files.


def files(morning: Morning, findings: Sequence[Finding]) -> dict[str, str]:
    """Return the files of a run that belong to the page: name to content."""
    return {
        "morning.json": _json(morning.as_dict()),
        "findings.json": _json({"format": FORMAT, "findings": [f.as_dict() for f in findings]}),
        "outlook.json": _json(morning.outlook.as_dict()),
        "targets.csv": to_csv(morning.targets),
        "tasks.csv": _table(
            ("kind", "text", "why", "quantity", "period", "unit", "now", "then", "wanted", "worth", "pressing"),
            [
                (
                    t.kind, t.text, t.why, t.quantity, t.period, t.unit, _number(t.now), _number(t.then),
                    _number(t.wanted), f"{t.worth:.3g}", f"{t.pressing:.3g}",
                )
                for t in morning.tasks
            ],
        ),
        "replicates.csv": _table(
            (
                "organism", "form", "quantity", "n", "mean", "lower", "upper", "sd", "wanted", "from_book", "needed",
                "more",
            ),
            [
                (
                    r.organism, r.form, r.quantity, r.n, _number(r.mean), _number(r.lower), _number(r.upper),
                    _number(r.sd), f"{r.wanted:g}", "yes" if r.from_book else "no", r.needed, r.more,
                )
                for r in morning.replicates
            ],
        ),
    }  # fmt: skip


def _json(data: Any) -> str:
    return json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _number(value: float | None) -> str:
    return "" if value is None or not math.isfinite(value) else repr(float(value))


def _table(head: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(head)
    writer.writerows(rows)
    return buffer.getvalue()
