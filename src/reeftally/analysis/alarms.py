"""Alarms: few, quiet, with a reason: stuck, silent, out of range, drifting away from its neighbours.

Here:     alarms from the real-time tests on one record and from block differences between sensors of one kind.
Not here: the tests (`quality.stream`), the alarms of a whole mission (`mission_alarms`), findings with corrections
          (`findings`).
Rules:    an alarm waits until a fault has lasted, says why and what to check, and is given once. Instrument alarms are
          not life-support alarms. Carried sensors pass through plumes on purpose and raise none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.analysis.estimates import iso
from reeftally.analysis.finding import DOUBTFUL, SERIOUS
from reeftally.quality import stream
from reeftally.quality.qartod import FAIL, GOOD
from reeftally.quality.record import RESTING
from reeftally.quality.thresholds import SPANS, Span, flat_count

__all__ = [
    "DRIFT_LIMITS",
    "Alarm",
    "drift_alarms",
    "settings_for",
    "shown_quantity",
    "silence_alarms",
    "stream_alarms",
    "usual_gap",
]  # fmt: skip

# How long a fault must last before it is told: quiet, yet within a quarter of an hour (common practice, no source).
STUCK_S = 600.0
RANGE_S = 300.0
SILENT_S = 600.0
SILENT_INTERVALS = 3.0
# A sensor's own habit: its gaps in the first days of its record, where enough of them are alike (common practice, no
# source). A sensor that fails now and then fails at uneven times and so teaches no habit.
LEARN_S = 2 * 86_400.0
ALIKE = 0.25
ALIKE_SHARE = 0.8
LEAST_GAPS = 6
# Change against the neighbours that is told, by quantity (pH: the limit asked for; oxygen: what makes about as much
# DIC at a quotient of one; both common practice, no source), and the hours over which levels are taken.
DRIFT_LIMITS: dict[str, float] = {"ph_total": 0.01, "oxygen": 6.0}
LEVEL_H = 6.0
BACK_H = 48.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """One alarm."""

    kind: str
    """``stuck``, ``silent``, ``range`` or ``drift``."""
    instrument: str
    quantity: str
    since_ns: int
    """When the fault began."""
    raised_ns: int
    """When the record could first tell."""
    end_ns: int | None
    """When it was over; None while it lasts."""
    severity: int
    text: str
    why: str
    check: str

    @property
    def lasting(self) -> bool:
        """Whether it still lasts."""
        return self.end_ns is None


def settings_for(
    *, quantity: str, interval: float, values: FloatArray, span: Span | None = None
) -> stream.StreamSettings | None:
    """Return the limits of the real-time tests that alarms use; None for a quantity without a span.

    Parameters
    ----------
    quantity : str
        Channel name.
    interval : float
        [s]
    values : (n,) array
        Record from which the sensor's resolution is learned.
    span : Span, optional
        Of the mission book.
    """
    span = span or SPANS.get(quantity)
    if span is None:
        return None
    flat = None
    if quantity not in RESTING:
        least = max(flat_count(values=values, tolerance=1e-9), int(np.ceil(STUCK_S / interval)))
        flat = (1e-9, max(1, least - 1), least)
    return stream.StreamSettings(interval=interval, sensor_span=span.sensor, user_span=span.user, flat=flat)


def stream_alarms(
    *, instrument: str, quantity: str, time: FloatArray, values: FloatArray, settings: stream.StreamSettings
) -> list[Alarm]:
    """Return alarms of stuck values and values out of range in one record.

    Parameters
    ----------
    instrument, quantity : str
        For the words.
    time, values : (n,) arrays
        [s since 1970-01-01 UTC], increasing; NaN where missing.
    settings : StreamSettings
        See `settings_for`.

    Returns
    -------
    list of Alarm
        By the time they were raised.
    """
    if time.size < 3:
        return []
    decided, memory = stream.step(time=time, values=values, memory=stream.start(), settings=settings)
    last = stream.finish(memory=memory, settings=settings)
    when = np.concatenate([decided.time, last.time])
    tests = {name: np.concatenate([flags, last.tests[name]]) for name, flags in decided.tests.items()}
    out: list[Alarm] = []
    if "flat_line" in tests and settings.flat is not None:
        stuck = tests["flat_line"] == FAIL
        for first, after in _runs(stuck):
            begin = max(0, first - settings.flat[2] + 1)
            value = values[first]
            out.append(
                Alarm(
                    kind="stuck", instrument=instrument, quantity=quantity, since_ns=_ns(when[begin]),
                    raised_ns=_ns(when[first]), end_ns=None if after == when.size else _ns(when[after]),
                    severity=SERIOUS,
                    text=f"{instrument}: {shown_quantity(quantity)} stands still at {value:.5g}",
                    why=f"{settings.flat[2]} equal values in a row; this sensor's own resolution gives "
                    "that by chance less than once in a thousand records",
                    check="connector and cable, then power-cycle from the base; compare with the neighbour",
                )
            )  # fmt: skip
    width = max(2, int(np.ceil(RANGE_S / settings.interval)))
    bad = (tests["gross_range"] != GOOD) & np.isfinite(values)
    share = np.convolve(bad.astype(float), np.ones(width))[: bad.size] / width
    for first, after in _runs(share >= 0.8):
        begin = first - width + 1 + int(np.argmax(bad[max(0, first - width + 1) : first + 1])) if first >= width else 0
        low, high = settings.user_span or settings.sensor_span
        out.append(
            Alarm(
                kind="range", instrument=instrument, quantity=quantity, since_ns=_ns(when[max(begin, 0)]),
                raised_ns=_ns(when[first]), end_ns=None if after == when.size else _ns(when[after]), severity=SERIOUS,
                text=f"{instrument}: {shown_quantity(quantity)} {values[first]:.5g} is outside what this reef can be",
                why=f"most values of the last {width * settings.interval / 60:.0f} min lie outside {low:g} to {high:g}",
                check="a bubble, the connector, the channel's name; take a bottle beside it before it is touched",
            )
        )  # fmt: skip
    return sorted(out, key=lambda a: a.raised_ns)


def usual_gap(time: FloatArray) -> float:
    """Return the pause between values that is a sensor's own habit; NaN where it shows none.

    Parameters
    ----------
    time : (n,) array
        When values came, increasing; only the first two days are used. [s]

    Returns
    -------
    float
        [s] For a steady record its interval, for one in bursts the pause between bursts.

    Notes
    -----
    The gap in which half of the time lies, so that the many short gaps inside bursts do not hide the pauses. It is a
    habit only where at least six gaps are as long and most gaps of half its length or more are like it: an outage is
    neither.
    """
    if time.size <= LEAST_GAPS:
        return float("nan")
    gaps = np.sort(np.diff(time[time <= time[0] + LEARN_S]))
    if gaps.size < LEAST_GAPS:
        return float("nan")
    passed = np.cumsum(gaps)
    middle = float(gaps[int(np.searchsorted(passed, 0.5 * passed[-1]))])
    long = gaps[gaps >= 0.5 * middle]
    alike = np.abs(long - middle) <= ALIKE * middle
    return middle if alike.sum() >= LEAST_GAPS and alike.mean() >= ALIKE_SHARE else float("nan")


def silence_alarms(
    *,
    instrument: str,
    time: FloatArray,
    interval: float,
    expected: Sequence[tuple[float, float]],
    now: float,
) -> list[Alarm]:
    """Return alarms of an instrument that said nothing while it should.

    Parameters
    ----------
    instrument : str
    time : (n,) array
        Of the values that came, increasing. [s since 1970-01-01 UTC]
    interval : float
        [s]
    expected : sequence of (start, end)
        When it should record. [s]
    now : float
        End of the look. [s]
    """
    allowed = max(SILENT_INTERVALS, SILENT_S / interval)
    settings = stream.StreamSettings(interval=interval, sensor_span=(-np.inf, np.inf))
    out = []
    for start, end in expected:
        stop = min(end, now)
        if stop <= start:
            continue
        inside = time[(time >= start) & (time < stop)]
        marks = np.concatenate([[start], inside, [stop]])
        for k in np.flatnonzero(np.diff(marks) > allowed * interval):
            memory = stream.StreamMemory(time=marks[k : k + 1], values=np.zeros(1), seen=1)
            raised = float(marks[k]) + allowed * interval
            later = raised + 1e-3
            if stream.silence(memory=memory, now=later, settings=settings, allowed=allowed) != FAIL:
                continue
            lasts = k + 2 == marks.size and stop == now
            out.append(
                Alarm(
                    kind="silent", instrument=instrument, quantity="", since_ns=_ns(marks[k]), raised_ns=_ns(raised),
                    end_ns=None if lasts else _ns(marks[k + 1]), severity=SERIOUS,
                    text=f"{instrument}: nothing came",
                    why=f"no value for more than {allowed * interval / 60:.0f} min; one every {interval:.4g} s is due",
                    check="power and link at the base first, then the cable; is the file still written on the logger?",
                )
            )  # fmt: skip
    return out


def drift_alarms(
    *,
    quantity: str,
    seconds: FloatArray,
    series: Mapping[str, FloatArray],
    resets: Mapping[str, Sequence[float]] | None = None,
    limit: float | None = None,
) -> list[Alarm]:
    """Return alarms of a sensor that leaves the others of its kind.

    Parameters
    ----------
    quantity : str
    seconds : (n,) array
        Middle of blocks. [s since 1970-01-01 UTC]
    series : mapping
        Block means by instrument; NaN where missing.
    resets : mapping, optional
        Times by instrument at which its level may step on purpose (cleaning). [s]
    limit : float, optional
        Default by quantity.

    Returns
    -------
    list of Alarm

    Notes
    -----
    Each sensor less the median of the others, as the median of the last six hours, against the same 48 h before
    (the same light and nearly the same tide), and against the first six hours for what grows slowly. The step of a
    cleaning is taken out. The sensor is named without which the others changed most alike; two, where that is
    nearly as good; where only two speak, both, since nothing says which one moved. After an alarm all begins anew.
    """
    limit = DRIFT_LIMITS[quantity] if limit is None else limit
    labels = sorted(series)
    if len(labels) < 2 or seconds.size < 3:
        return []
    step = float(np.median(np.diff(seconds)))
    width, back = max(4, round(LEVEL_H * 3600.0 / step)), round(BACK_H * 3600.0 / step)
    against, alike = _levels(np.stack([series[label] for label in labels]), width)
    for moment in sorted(t for times in (resets or {}).values() for t in times):
        _without_step(against, int(np.searchsorted(seconds, moment)), width)
        _without_step(alike, int(np.searchsorted(seconds, moment)), width)
    out: list[Alarm] = []
    begin = 0
    for i in range(seconds.size):
        if not np.isfinite(against[:, i]).any():
            begin += begin == i
            continue
        for first in (max(i - back, begin), begin):
            change, moved = against[:, i] - against[:, first], alike[:, i] - alike[:, first]
            if (np.abs(np.nan_to_num(change)) > limit).any():
                break
        else:
            continue
        movers = _movers(change, moved)
        worst = movers[0]
        names = [labels[k] for k in movers]
        since = float(seconds[first]) - width * step
        out.append(_drift(quantity, labels[worst], names, float(change[worst]), since, float(seconds[i])))
        begin = i
    return out


def _without_step(levels: FloatArray, at: int, width: int) -> None:
    """Take the step at a block out of running medians, in place: what lies before is moved to what comes after."""
    after = min(at + width, levels.shape[1] - 1)
    step = levels[:, after] - levels[:, max(at - 1, 0)]
    levels[:, :at] += np.where(np.isfinite(step), step, 0.0)[:, None]
    levels[:, at:after] = np.nan


def _levels(stack: FloatArray, width: int) -> tuple[FloatArray, FloatArray]:
    """Return running medians of each sensor less the median of the others, and less the mean of all."""
    against, alike = np.full(stack.shape, np.nan), np.full(stack.shape, np.nan)
    seen = np.isfinite(stack)
    count = seen.sum(axis=0)
    mean = np.where(count > 1, np.where(seen, stack, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)
    for k in range(stack.shape[0]):
        others = np.delete(stack, k, axis=0)
        present = np.isfinite(others).any(axis=0) & seen[k]
        difference = np.full(stack.shape[1], np.nan)
        difference[present] = stack[k][present] - np.nanmedian(others[:, present], axis=0)
        against[k] = _running_median(difference, width)
        alike[k] = _running_median(stack[k] - mean, width)
    return against, alike


def _movers(change: FloatArray, moved: FloatArray) -> list[int]:
    """Return which sensor moved, likeliest first: without it the others changed most alike, or nearly so."""
    known = np.flatnonzero(np.isfinite(change) & np.isfinite(moved))
    if known.size < 3:
        return [int(k) for k in known[np.argsort(-np.abs(change[known]))]]
    rest = np.array([float(np.std(moved[known[known != k]])) for k in known])
    order = np.argsort(rest)
    return [int(known[k]) for k in order if rest[k] <= 2.0 * rest[order[0]]]


def _drift(quantity: str, worst: str, names: list[str], change: float, since: float, now: float) -> Alarm:
    unit = " µmol/kg" if quantity == "oxygen" else ""
    pair = len(names) > 1
    who = " and ".join(names)
    what = "have parted by" if pair else "has left the others by"
    return Alarm(
        kind="drift", instrument=worst, quantity=quantity, since_ns=_ns(since), raised_ns=_ns(now),
        end_ns=_ns(now), severity=DOUBTFUL,
        text=f"{who} {what} {change:+.2g}{unit} in {shown_quantity(quantity)}",
        why=f"level of the last {LEVEL_H:g} h against that of {LEVEL_H:g} h from {iso(_ns(since))}"
        + ("; nothing says which one moved" if pair else ""),
        check="look for growth and bubbles; hold it beside its neighbour for 20 min; a bottle beside it; settling "
        "after the start looks the same and ends by itself",
    )  # fmt: skip


def _running_median(values: FloatArray, width: int) -> FloatArray:
    """Median of the `width` blocks that end at each one; NaN where fewer than half are there."""
    out = np.full(values.size, np.nan)
    if values.size < width:
        return out
    windows = np.lib.stride_tricks.sliding_window_view(values, width)
    enough = np.isfinite(windows).sum(axis=1) >= 0.5 * width
    out[width - 1 :][enough] = np.nanmedian(windows[enough], axis=1)
    return out


def _runs(mask: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return (first, after) of each stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _ns(seconds: float) -> int:
    return round(float(seconds) * 1e3) * 1_000_000


def shown_quantity(quantity: str) -> str:
    """Return a quantity as a diver says it."""
    return {"ph_total": "pH", "oxygen_molar": "oxygen"}.get(quantity, quantity.replace("_", " "))
