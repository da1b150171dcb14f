"""The morning page as plain data: the one thing to do and why, at most seven lines, alarms, targets, what is missing.

Here:     what is put on the page, in which order, with a lead to its evidence.
Not here: markup (`reeftally.web`, `reeftally.report`), the alarms, targets, tasks and the outlook themselves.
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

from reeftally.analysis.alarms import Alarm, alarms_of
from reeftally.analysis.estimates import Estimate, iso
from reeftally.analysis.finding import DOUBTFUL, NOTED, SERIOUS, Finding
from reeftally.analysis.grid import NS
from reeftally.analysis.outlook import Outlook, look_ahead
from reeftally.analysis.targets import MET, NOT_MEASURED, NOT_MET, TargetResult, deciding, target_results, to_csv
from reeftally.analysis.tasks import REPLICATES, Replicates, Task, candidates, replicates

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = ["DAY_NS", "FORMAT", "MOST_LINES", "Morning", "compose", "data_end", "files"]

FORMAT = 1
MOST_LINES = 7
DAY_NS = 86_400 * NS
WORDS = {SERIOUS: "serious", DOUBTFUL: "doubtful", NOTED: "noted"}
# A task that narrows an unmet target by less than this share of what is wanted is not worth a dive.
LEAST_WORTH = 0.05
_NAMES = {
    "oxygen_flux": "oxygen flux",
    "dic_flux": "DIC flux",
    "ph_change_local": "pH change made here",
    "community_share": "share of the community",
}


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
                    "wanted": _half(t.wanted, t.unit),
                    "reached": "" if t.reached is None else _half(t.reached, t.unit), "state": t.state,
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
        *_finding_lines(findings),
        *_alarm_lines(alarms),
        _target_line(results),
        _night_line(chain, groups, rows, end_ns),
        _work_line(chain, left, start_ns, end_ns),
        _outlook_line(outlook),
        _coverage_line(chain, start_ns, end_ns),
    ]
    given = [line for line in lines if line is not None]
    order = {"serious": 0, "doubtful": 1, "noted": 2}
    morning.lines = sorted(given, key=lambda line: order[line["severity"]])[:MOST_LINES]
    morning.missing = _missing(chain, outlook, results)
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


def _link(page: str, subject: str, start_ns: int | None, end_ns: int | None) -> dict[str, str]:
    return {"page": page, "subject": subject, "start": iso(start_ns), "end": iso(end_ns)}


def _line(kind: str, severity: int, text: str, link: dict[str, str], estimates: Sequence[int] = ()) -> dict[str, Any]:
    return {"kind": kind, "severity": WORDS[severity], "text": text, "link": link, "estimates": list(estimates)}


def _half(value: float, unit: str) -> str:
    shown = "" if unit in {"", "1"} else f" {unit}"
    return f"± {value:.2g}{shown}"


def _sentence(text: str) -> str:
    return text if text.endswith((".", "?", "!", "…")) else text + "."


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
            "why": _sentence(f"{worst.why}. Check: {worst.check}"),
            "link": _link("sensor", worst.instrument, worst.since_ns, end_ns),
        }
    unmet = [t for t in tasks if t.worth >= LEAST_WORTH]
    if unmet:
        return _of_task(unmet[0], end_ns, f"target ± {unmet[0].wanted:.2g} {unmet[0].unit} not met".rstrip())
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
        "why": _sentence(f"{because}; none of its thresholds is passed"),
        "link": _link("log", "", end_ns - DAY_NS, end_ns),
    }


def _of_task(task: Task, end_ns: int, because: str) -> dict[str, Any]:
    return {
        "text": task.text,
        "why": _sentence(f"{task.why[:1].upper()}{task.why[1:]}. {because}"),
        "link": _link(task.page, task.subject, end_ns - DAY_NS, end_ns),
    }


def _closing(chain: Chain, tasks: list[Task], end_ns: int) -> dict[str, Any]:
    """Return what is left once the mission of the book is over: recovery first, then the package."""
    end = chain.spans[0].end_ns
    tables, book = chain.context.tables, chain.context.book
    left = []
    if not any(p.start_ns >= end - DAY_NS for p in book.intercalibrations):
        left.append("set all sensors side by side once more, before and after they are cleaned")
    if not any(row.time_ns >= end - DAY_NS for row in tables.heights):
        left.append("measure the heights again before anything is touched")
    if not any(row.time_ns >= end - DAY_NS for row in tables.clock_checks):
        left.append("compare every clock before it is switched off")
    if left:
        text = f"The mission is over: {left[0]}" + (f"; then {'; then '.join(left[1:])}" if left[1:] else "")
        return {
            "text": text,
            "why": "What is not tied together after the record cannot be told from drift, and cannot be made up for.",
            "link": _link("log", "", end, end_ns),
        }
    useful = next((t for t in tasks if t.kind != "clean" and t.then is not None and t.now), None)
    tail = "" if useful is None else f" For the next mission: {useful.text[:1].lower()}{useful.text[1:]} ({useful.why})"
    return {
        "text": "The mission is over and recovered: finish the package while everybody is still here",
        "why": _sentence(f"Side by side, heights and clocks after the record are in the tables.{tail}"),
        "link": _link("package", "", chain.spans[0].start_ns, end_ns),
    }


# The lines.


def _finding_lines(findings: Sequence[Finding]) -> list[dict[str, Any]]:
    waiting = [f for f in findings if f.open]
    if not waiting:
        return []
    worst = waiting[0]
    more = f" ({len(waiting) - 1} more need a decision)" if len(waiting) > 1 else ""
    page = "sensor" if worst.id.split("-")[0] in {"stuck", "growth", "clock", "axes", "withheld"} else "log"
    return [
        _line(
            "finding",
            worst.severity,
            _sentence(f"{worst.what.rstrip('.')}; proposed: {worst.proposal}{more}"),
            _link(page, worst.subject, worst.start_ns, worst.end_ns),
        )
    ]


def _alarm_lines(alarms: list[Alarm]) -> list[dict[str, Any]]:
    if not alarms:
        return []
    first = max(alarms, key=lambda a: (a.lasting, a.severity, a.raised_ns))
    rest = f" ({len(alarms) - 1} more in the last 24 h)" if len(alarms) > 1 else ""
    until = "" if first.lasting or first.kind == "drift" else f", over at {iso(first.end_ns)}"
    severity = first.severity if first.lasting else DOUBTFUL
    return [
        _line(
            "sensor",
            severity,
            _sentence(f"{first.text}, since {iso(first.since_ns)}{until}; check: {first.check}{rest}"),
            _link("sensor", first.instrument, first.since_ns, first.end_ns),
        )
    ]


def _target_line(results: list[TargetResult]) -> dict[str, Any] | None:
    decide = deciding(results)
    if not decide:
        return None
    count = {state: sum(r.state == state for r in decide) for state in (MET, NOT_MET, NOT_MEASURED)}
    text = f"Targets: {count[MET]} of {len(decide)} met"
    bad = [r for r in decide if r.state != MET]
    if bad:
        worst = max(bad, key=lambda r: math.inf if r.reached is None else r.reached / r.wanted)
        name = _NAMES.get(worst.quantity, worst.quantity.replace("_", " "))
        reached = "not measured" if worst.reached is None else _half(worst.reached, worst.unit)
        text += f"; furthest off: {name} ({worst.period}), {reached} where {_half(worst.wanted, worst.unit)} is wanted"
    first = bad[0] if bad else decide[0]
    return _line(
        "targets", DOUBTFUL if bad else NOTED, _sentence(text), _link("account", first.subject, None, None),
        [r.estimate for r in decide if r.estimate is not None],
    )  # fmt: skip


def _night_line(
    chain: Chain, groups: Mapping[str, xr.Dataset], rows: Sequence[Estimate], end_ns: int
) -> dict[str, Any] | None:
    nights = [s for s in chain.spans if s.kind == "night" and s.start_ns < end_ns]
    if not nights:
        return None
    night = nights[-1]
    parts, used = [], []
    for name, words, unit, digits in (("ph_total", "lowest pH", "", 3), ("oxygen", "lowest O₂", " µmol/kg", 0)):
        low = _lowest(groups, name, night.start_ns, night.end_ns)
        if low is not None:
            parts.append(f"{words} {low[0]:.{digits}f} ± {low[1]:.{max(digits, 1)}f}{unit}")
    start = iso(night.start_ns)
    fluxes = [
        (k, r) for k, r in enumerate(rows)
        if r.quantity == "oxygen_flux" and r.period == "night" and r.start == start and r.lower is not None
        and r.upper is not None and r.value is not None
    ]  # fmt: skip
    agree = True
    for k, row in fluxes[:2]:
        half = 0.5 * (float(row.upper or 0) - float(row.lower or 0))
        parts.append(f"O₂ flux {row.value:.1f} ± {half:.1f} ({row.method.replace('_', ' ')})")
        used.append(k)
    if len(fluxes) >= 2:
        (_, a), (_, b) = fluxes[:2]
        gap = abs(float(a.value or 0) - float(b.value or 0))
        agree = gap <= math.hypot(*(0.5 * (float(r.upper or 0) - float(r.lower or 0)) for r in (a, b)))
        parts[-1] += " mmol m-2 h-1, the methods agree" if agree else " mmol m-2 h-1: THE METHODS DO NOT AGREE"
    elif fluxes:
        parts[-1] += " mmol m-2 h-1"
    if not parts:
        return None
    return _line(
        "night", NOTED if agree else DOUBTFUL, _sentence("Last night: " + ", ".join(parts)),
        _link("flux", "", night.start_ns, night.end_ns), used,
    )  # fmt: skip


def _lowest(groups: Mapping[str, xr.Dataset], name: str, start_ns: int, end_ns: int) -> tuple[float, float] | None:
    """Return the lowest block of a series and the half-width of its 95 % interval."""
    data = groups.get("chemistry")
    if data is None or name not in data:
        return None
    time = data["time"].values.astype("datetime64[ns]").astype(np.int64)
    values = np.where((time >= start_ns) & (time < end_ns), data[name].values, np.nan)
    if not np.isfinite(values).any():
        return None
    k = int(np.nanargmin(values))
    sd = [
        float(data[f"{name}{part}"].values[k]) for part in ("_random_sd", "_systematic_sd") if f"{name}{part}" in data
    ]
    return float(values[k]), 1.96 * math.hypot(*sd) if sd else math.nan


def _work_line(chain: Chain, left: list[Replicates], start_ns: int, end_ns: int) -> dict[str, Any] | None:
    bottles = chain.context.tables.bottles
    waiting = [
        b for b in bottles
        if all(v is None for v in (b.dic, b.total_alkalinity, b.ph_total, b.oxygen)) and b.flag not in {4, 9}
    ]  # fmt: skip
    parts = []
    if left:
        more = sum(row.more for row in left)
        behind = sum(row.n < REPLICATES for row in left)
        source = "target" if left[0].from_book else "rule of the trade"
        parts.append(
            f"{len(left)} organisms, {more} visits left for ± {left[0].wanted:g} pH each ({source}), "
            f"{behind} with fewer than {REPLICATES}"
        )
    if bottles:
        day = sum(start_ns <= b.time_ns < end_ns for b in bottles)
        parts.append(f"bottles: {len(bottles)} taken, {day} in the last 24 h, {len(waiting)} without a result yet")
    if not parts:
        return None
    page = "organisms" if left else "chemistry"
    return _line("work", NOTED, _sentence("Still to do: " + "; ".join(parts)), _link(page, "", start_ns, end_ns))


def _outlook_line(outlook: Outlook) -> dict[str, Any]:
    parts = []
    if outlook.sun:
        parts.append(f"sun {outlook.sun[0]['sunrise'][11:16]} to {outlook.sun[0]['sunset'][11:16]} UTC")
    parts += [
        f"{row['what']} {row['time'][11:16]} ({row['height_m']:+.2f} ± {0.5 * (row['upper'] - row['lower']):.2f} m)"
        for row in outlook.tide[:3]
    ]
    strong = [row for row in outlook.current if row["what"] == "strongest"]
    if strong:
        row = max(strong, key=lambda r: (r["speed_m_s"], r["time"]))
        half = 0.5 * (row["upper"] - row["lower"])
        parts.append(f"strongest current {100 * row['speed_m_s']:.0f} ± {100 * half:.0f} cm/s at {row['time'][5:16]}")
    if outlook.missing:
        parts.append("; ".join(outlook.missing))
    end = outlook.start_ns + 2 * DAY_NS
    return _line(
        "outlook", NOTED, _sentence("Next 48 h: " + ", ".join(parts) + ". No forecast of weather or waves"),
        _link("flow", "", outlook.start_ns, end),
    )  # fmt: skip


def _coverage_line(chain: Chain, start_ns: int, end_ns: int) -> dict[str, Any]:
    book = chain.context.book
    window = chain.grid.mids_in(start_ns, end_ns)
    total = max(int(window.sum()), 1)
    poor, whole, count = [], 0.0, 0
    for instrument in book.instruments:
        label = instrument.label
        roles = {book.station(d.station).role for d in book.deployments_of(label)}
        if roles and roles <= {"carried"}:
            continue
        if not any(d.start_ns < end_ns and d.end_ns > start_ns for d in book.deployments_of(label)):
            continue
        share = _share(chain, label, window) / total
        whole, count = whole + share, count + 1
        if share < 0.9:
            poor.append((share, label))
    text = f"Coverage of the last 24 h: {100 * whole / max(count, 1):.0f} % of blocks over {count} instruments"
    if poor:
        text += "; least: " + ", ".join(f"{name} {100 * share:.0f} %" for share, name in sorted(poor)[:3])
    streams = chain.context.store.streams()
    text += f"; {sum(info.rows for info in streams.values()):,} rows of {len(streams)} streams held, to {iso(end_ns)}"
    return _line("coverage", NOTED, _sentence(text), _link("array", "", start_ns, end_ns))


def _share(chain: Chain, label: str, window: np.ndarray) -> float:
    heard = np.zeros(chain.grid.count, dtype=bool)
    if label in chain.slow:
        for means in chain.slow[label].channels.values():
            heard |= np.asarray(means.n > 0)
    for series in chain.velocimeters:
        fast = getattr(series.fast, "label", None)
        if label in (series.label, fast):
            heard[[k for k in series.records if 0 <= k < heard.size]] = True
    return float((heard & window).sum())


def _missing(chain: Chain, outlook: Outlook, results: list[TargetResult]) -> list[str]:
    book, out = chain.context.book, []
    if not book.targets:
        out.append("No targets: state under [[targets]] in mission.toml how well each answer must be known")
    out += [
        f"Target {r.quantity} ({r.period}) is not measured: {r.reason}"
        for r in deciding(results) if r.state == NOT_MEASURED
    ]  # fmt: skip
    out += [text[:1].upper() + text[1:] for text in outlook.missing]
    silent = [i.label for i in book.instruments if not chain.context.has(i.label)]
    if silent:
        out.append(f"Nothing was taken in of {', '.join(silent)}")
    if not chain.context.tables.bottles:
        out.append("No bottles in tables/bottles.csv: nothing anchors the level of the sensors")
    if not chain.visits:
        out.append("No visits in tables/visits.csv: nothing is known of single organisms")
    for label, blocks in sorted(chain.slow.items()):
        out += [f"{label}: {quantity} is withheld: {reason}" for quantity, reason in sorted(blocks.withheld.items())]
    return out


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
