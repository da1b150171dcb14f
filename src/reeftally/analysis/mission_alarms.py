"""The alarms of a mission in a window of time, those of one cause joined.

Here:     which records, spans and neighbours go into the tests of `alarms`; what is told as one alarm.
Not here: the tests on one record, and the words of an alarm (`alarms`).
Rules:    carried sensors raise none; instruments that fall silent together are one alarm.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from reeftally.analysis.alarms import (
    DRIFT_LIMITS,
    LEARN_S,
    Alarm,
    drift_alarms,
    settings_for,
    shown_quantity,
    silence_alarms,
    stream_alarms,
    usual_gap,
)
from reeftally.analysis.context import Context
from reeftally.analysis.grid import NS, Grid
from reeftally.mission import Instrument
from reeftally.quality.thresholds import SPANS, Span

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = ["alarms_of", "join_alarms"]

# What comes again within this time after it was over is the same stretch of trouble, told once.
STRETCH_NS = 7200 * NS
# As many instruments that fall silent together are one alarm: power or hub.
TOGETHER = 3
TOGETHER_NS = 900 * NS


def _expected(context: Context, label: str) -> list[tuple[float, float]]:
    """Return when an instrument should record: deployments and side-by-side periods, joined where they touch."""
    book = context.book
    spans = [(d.start_ns / NS, d.end_ns / NS) for d in book.deployments_of(label)]
    spans += [(p.start_ns / NS, p.end_ns / NS) for p in book.intercalibrations if label in p.instruments]
    out: list[tuple[float, float]] = []
    for start, end in sorted(spans):
        if out and start <= out[-1][1] + 60.0:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        else:
            out.append((start, end))
    return out


def _carried(context: Context, label: str) -> bool:
    places = context.book.deployments_of(label)
    return bool(places) and all(context.book.station(d.station).role == "carried" for d in places)


def alarms_of(chain: Chain, *, start_ns: int, end_ns: int) -> list[Alarm]:
    """Return the alarms of a chain that were raised in a window, or still last at its end.

    Parameters
    ----------
    chain : Chain
        After its run.
    start_ns, end_ns : int
        Window. [ns since 1970-01-01 UTC]
    """
    context, found = chain.context, list[Alarm]()
    for instrument in context.book.instruments:
        if _carried(context, instrument.label) or not context.has(instrument.label):
            continue
        found += _of_instrument(context, instrument, start_ns, end_ns)
    for quantity in DRIFT_LIMITS:
        found += _drifts(chain, quantity, end_ns)
    chosen = [a for a in found if a.raised_ns < end_ns and (a.raised_ns >= start_ns or a.lasting)]
    return join_alarms(chosen)


def _of_instrument(context: Context, instrument: Instrument, start_ns: int, end_ns: int) -> list[Alarm]:
    label, interval = instrument.label, instrument.sample_interval_s
    expected = _expected(context, label)
    if interval < 0.5:
        return _of_fast(context, label, expected, start_ns, end_ns)
    names = [n for n in context.store.streams()[label].channels if n in SPANS]
    channels = names or context.store.streams()[label].channels[:1]
    # Two hours more than the window, so that what began before it is known at its start.
    record = context.read(label, start_ns=start_ns - 7200 * NS, end_ns=end_ns, channels=list(channels))
    time = record.seconds()
    unique = np.concatenate([[True], np.diff(time) > 0]) if time.size else np.zeros(0, dtype=bool)
    time, out = time[unique], list[Alarm]()
    if time.size > 3:
        usual = float(np.median(np.diff(time)))
        interval = max(interval, usual)
    clipped = [(max(a, start_ns / NS - 7200.0), b) for a, b in expected]
    pause = np.fmax(interval, _habit(context, label, expected))
    out += silence_alarms(instrument=label, time=time, interval=float(pause), expected=clipped, now=end_ns / NS)
    for name in names:
        values = np.asarray(record.channels[name], dtype=np.float64)[unique]
        spans = (context.book.analysis.gross_range or {}).get(name)
        span = None if spans is None else Span((spans[0], spans[1]), (spans[2], spans[3]))
        settings = settings_for(quantity=name, interval=interval, values=values, span=span)
        if settings is not None:
            out += stream_alarms(instrument=label, quantity=name, time=time, values=values, settings=settings)
    return out


def _of_fast(
    context: Context, label: str, expected: list[tuple[float, float]], start_ns: int, end_ns: int
) -> list[Alarm]:
    """Silence of a fast instrument, from one channel of its stamps."""
    first = list(context.store.streams()[label].channels[:1])
    low = start_ns - 7200 * NS
    time = context.read(label, start_ns=low, end_ns=end_ns, channels=first).seconds()
    # Of a fast record ten stamps a second tell no more than one in ten seconds.
    _, keep = np.unique(np.floor(time / 10.0), return_index=True)
    clipped = [(max(a, low / NS), b) for a, b in expected]
    pause = float(np.fmax(10.0, _habit(context, label, expected)))
    return silence_alarms(instrument=label, time=time[keep], interval=pause, expected=clipped, now=end_ns / NS)


def _habit(context: Context, label: str, expected: list[tuple[float, float]]) -> float:
    """Return the usual gap of an instrument from the first two days in which it should record; NaN if it has none."""
    if not expected:
        return float("nan")
    first = list(context.store.streams()[label].channels[:1])
    begin = round(expected[0][0])
    record = context.read(label, start_ns=begin * NS, end_ns=(begin + round(LEARN_S)) * NS, channels=first)
    return usual_gap(np.unique(record.seconds()))


def _drifts(chain: Chain, quantity: str, end_ns: int) -> list[Alarm]:
    grid: Grid = chain.grid
    before = grid.mids < end_ns
    series, resets = {}, defaultdict[str, list[float]](list)
    for label, blocks in chain.slow.items():
        roles = {chain.context.book.station(d.station).role for d in chain.context.book.deployments_of(label)}
        if quantity in blocks.channels and roles and roles <= {"bed", "ambient", "side by side"}:
            series[label] = blocks.channels[quantity].mean[before]
    for row in chain.context.tables.interventions:
        if row.instrument in series and row.kind.lower().startswith("clean"):
            resets[row.instrument].append(row.time_ns / NS)
    return drift_alarms(quantity=quantity, seconds=grid.seconds[before], series=series, resets=resets)


def join_alarms(found: list[Alarm]) -> list[Alarm]:
    """Make one alarm of several instruments that fell silent together, and of several channels that stand still."""
    silent = sorted((a for a in found if a.kind == "silent"), key=lambda a: (a.since_ns, a.instrument))
    out = [a for a in found if a.kind != "silent"]
    group: list[Alarm] = []
    for alarm in [*silent, None]:
        if alarm is not None and (not group or alarm.since_ns - group[0].since_ns <= TOGETHER_NS):
            group.append(alarm)
            continue
        names = sorted({a.instrument for a in group})
        if len(names) >= TOGETHER:
            lasting = any(a.lasting for a in group)
            out.append(
                replace(
                    group[0], raised_ns=min(a.raised_ns for a in group), instrument=names[0],
                    end_ns=None if lasting else max(a.end_ns or 0 for a in group),
                    text=f"{len(names)} instruments fell silent together: {', '.join(names)}",
                    why="they stopped within a quarter of an hour of one another: one cause, not many",
                    check="power and the hub at the base; afterwards settings and clocks of each instrument",
                )
            )  # fmt: skip
        else:
            out += group
        group = [] if alarm is None else [alarm]
    stuck: dict[tuple[str, str, int], list[Alarm]] = defaultdict(list)
    for alarm in out:
        key = (alarm.kind, alarm.instrument, alarm.since_ns // (600 * NS)) if alarm.kind == "stuck" else None
        stuck[key or (alarm.kind, alarm.instrument + alarm.quantity, alarm.raised_ns)].append(alarm)
    joined = [
        rows[0] if len(rows) == 1 else replace(
            rows[0], text=f"{rows[0].instrument}: {', '.join(shown_quantity(a.quantity) for a in rows)} stand still"
        )
        for rows in stuck.values()
    ]  # fmt: skip
    return sorted(_stretches(joined), key=lambda a: (a.raised_ns, a.instrument, a.quantity))


def _stretches(found: list[Alarm]) -> list[Alarm]:
    """Make one alarm of the same trouble that comes again soon after it was over."""
    out: list[Alarm] = []
    newest: dict[tuple[str, ...], int] = {}
    times: dict[int, int] = defaultdict(lambda: 1)
    for alarm in sorted(found, key=lambda a: (a.since_ns, a.raised_ns)):
        # Of silences the words name who fell silent; of the rest they carry a value.
        key = (alarm.kind, alarm.instrument, alarm.quantity, alarm.text if alarm.kind == "silent" else "")
        at = newest.get(key)
        last = None if at is None else out[at]
        joins = last is not None and (last.lasting or alarm.since_ns - (last.end_ns or 0) <= STRETCH_NS)
        if alarm.kind == "drift" or at is None or last is None or not joins:
            newest[key] = len(out)
            out.append(alarm)
            continue
        times[at] += 1
        end = None if last.lasting or alarm.end_ns is None else max(last.end_ns or 0, alarm.end_ns)
        out[at] = replace(last, end_ns=end)
    return [
        replace(a, text=f"{a.text}, {times[k]} times in one stretch") if k in times else a for k, a in enumerate(out)
    ]
