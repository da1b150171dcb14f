"""The lines of the morning page: findings, alarms, targets, the night in numbers, work left, outlook, coverage.

Here:     one function a line, each with a lead to its evidence; what is missing.
Not here: their order and the one action (`morning`).
Rules:    a line says what it knows in one sentence; a number has its interval.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from reeftally.analysis.alarms import Alarm
from reeftally.analysis.estimates import Estimate, iso
from reeftally.analysis.finding import DOUBTFUL, NOTED, SERIOUS, Finding
from reeftally.analysis.grid import NS
from reeftally.analysis.outlook import Outlook
from reeftally.analysis.targets import MET, NOT_MEASURED, NOT_MET, TargetResult, deciding
from reeftally.analysis.tasks import REPLICATES, Replicates

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = [
    "DAY_NS",
    "WORDS",
    "alarm_lines",
    "coverage_line",
    "finding_lines",
    "half",
    "link",
    "missing",
    "night_line",
    "outlook_line",
    "sentence",
    "target_line",
    "work_line",
]

DAY_NS = 86_400 * NS
WORDS = {SERIOUS: "serious", DOUBTFUL: "doubtful", NOTED: "noted"}
_NAMES = {
    "oxygen_flux": "oxygen flux",
    "dic_flux": "DIC flux",
    "ph_change_local": "pH change made here",
    "community_share": "share of the community",
}


def link(page: str, subject: str, start_ns: int | None, end_ns: int | None) -> dict[str, str]:
    """Return a lead to a page, a subject and a stretch of time."""
    return {"page": page, "subject": subject, "start": iso(start_ns), "end": iso(end_ns)}


def line(kind: str, severity: int, text: str, link: dict[str, str], estimates: Sequence[int] = ()) -> dict[str, Any]:
    """Return a line as it stands in `morning.json`."""
    return {"kind": kind, "severity": WORDS[severity], "text": text, "link": link, "estimates": list(estimates)}


def half(value: float, unit: str) -> str:
    """Return a half-width with its unit."""
    shown = "" if unit in {"", "1"} else f" {unit}"
    return f"± {value:.2g}{shown}"


def sentence(text: str) -> str:
    """Return the text with a full stop."""
    return text if text.endswith((".", "?", "!", "…")) else text + "."


def finding_lines(findings: Sequence[Finding]) -> list[dict[str, Any]]:
    """Return the line of findings that need a decision, the worst first; none where all are decided."""
    waiting = [f for f in findings if f.open]
    if not waiting:
        return []
    worst = waiting[0]
    more = f" ({len(waiting) - 1} more need a decision)" if len(waiting) > 1 else ""
    page = "sensor" if worst.id.split("-")[0] in {"stuck", "growth", "clock", "axes", "withheld"} else "log"
    return [
        line(
            "finding",
            worst.severity,
            sentence(f"{worst.what.rstrip('.')}; proposed: {worst.proposal}{more}"),
            link(page, worst.subject, worst.start_ns, worst.end_ns),
        )
    ]


def alarm_lines(alarms: list[Alarm]) -> list[dict[str, Any]]:
    """Return the line of the alarm that matters most, and how many more there were."""
    if not alarms:
        return []
    first = max(alarms, key=lambda a: (a.lasting, a.severity, a.raised_ns))
    rest = f" ({len(alarms) - 1} more in the last 24 h)" if len(alarms) > 1 else ""
    until = "" if first.lasting or first.kind == "drift" else f", over at {iso(first.end_ns)}"
    severity = first.severity if first.lasting else DOUBTFUL
    return [
        line(
            "sensor",
            severity,
            sentence(f"{first.text}, since {iso(first.since_ns)}{until}; check: {first.check}{rest}"),
            link("sensor", first.instrument, first.since_ns, first.end_ns),
        )
    ]


def target_line(results: list[TargetResult]) -> dict[str, Any] | None:
    """Return how many targets are met and which is furthest off; None without targets."""
    decide = deciding(results)
    if not decide:
        return None
    count = {state: sum(r.state == state for r in decide) for state in (MET, NOT_MET, NOT_MEASURED)}
    text = f"Targets: {count[MET]} of {len(decide)} met"
    bad = [r for r in decide if r.state != MET]
    if bad:
        worst = max(bad, key=lambda r: math.inf if r.reached is None else r.reached / r.wanted)
        name = _NAMES.get(worst.quantity, worst.quantity.replace("_", " "))
        reached = "not measured" if worst.reached is None else half(worst.reached, worst.unit)
        text += f"; furthest off: {name} ({worst.period}), {reached} where {half(worst.wanted, worst.unit)} is wanted"
    first = bad[0] if bad else decide[0]
    return line(
        "targets", DOUBTFUL if bad else NOTED, sentence(text), link("account", first.subject, None, None),
        [r.estimate for r in decide if r.estimate is not None],
    )  # fmt: skip


def night_line(
    chain: Chain, groups: Mapping[str, xr.Dataset], rows: Sequence[Estimate], end_ns: int
) -> dict[str, Any] | None:
    """Return the newest night in numbers: lowest pH and oxygen, fluxes, whether the methods agree."""
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
    return line(
        "night", NOTED if agree else DOUBTFUL, sentence("Last night: " + ", ".join(parts)),
        link("flux", "", night.start_ns, night.end_ns), used,
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


def work_line(chain: Chain, left: list[Replicates], start_ns: int, end_ns: int) -> dict[str, Any] | None:
    """Return what is left to visit and to run; None without visits and bottles."""
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
    return line("work", NOTED, sentence("Still to do: " + "; ".join(parts)), link(page, "", start_ns, end_ns))


def outlook_line(outlook: Outlook) -> dict[str, Any]:
    """Return sun, tide and current ahead, or what they lack."""
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
    return line(
        "outlook", NOTED, sentence("Next 48 h: " + ", ".join(parts) + ". No forecast of weather or waves"),
        link("flow", "", outlook.start_ns, end),
    )  # fmt: skip


def coverage_line(chain: Chain, start_ns: int, end_ns: int) -> dict[str, Any]:
    """Return the share of blocks that the standing instruments filled, and what the store holds."""
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
    return line("coverage", NOTED, sentence(text), link("array", "", start_ns, end_ns))


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


def missing(chain: Chain, outlook: Outlook, results: list[TargetResult], end_ns: int) -> list[str]:
    """Return what is missing and what to do about it, one sentence each."""
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
    end = chain.spans[0].end_ns
    over = any(end - DAY_NS <= p.start_ns < end_ns for p in book.intercalibrations)
    if over and not any(row.time_ns >= end - DAY_NS for row in chain.context.tables.heights):
        out.append("No heights of the last day in tables/heights.csv: a frame that sank by then cannot be told")
    if not chain.context.tables.bottles:
        out.append("No bottles in tables/bottles.csv: nothing anchors the level of the sensors")
    if not chain.visits:
        out.append("No visits in tables/visits.csv: nothing is known of single organisms")
    for label, blocks in sorted(chain.slow.items()):
        out += [f"{label}: {quantity} is withheld: {reason}" for quantity, reason in sorted(blocks.withheld.items())]
    return out
