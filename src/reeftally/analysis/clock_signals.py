"""What instruments saw together says of their clocks: lags of shared signals, the sun, restarts after a dark hub.

Here:     choosing the signal and the neighbour, cutting the stretch, lags as a line of evidence of their own.
Not here: the estimate of a lag (`calibration.lags`), findings (`clock_findings`, `clock_resets`).
Rules:    a neighbour counts only if its own clock is not in doubt; lags of one signal against several neighbours are
          joined; an ambiguous lag, or one of a poor correlation, is none.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from reeftally._checks import FloatArray
from reeftally.analysis.context import Context
from reeftally.analysis.grid import NS
from reeftally.calibration.lags import Lag, LightClock, light_clock, shared_lag
from reeftally.errors import InputError

__all__ = ["SharedLag", "light_says", "shared_lag_of", "signals_of", "starts_after_silence"]

# In this order: what tells most of a clock first.
SHARED = ("pressure", "temperature", "par")
LEAST_CORRELATION = 0.6
# Slow signals are averaged to a minute, so that their slope stands clear of the noise.
SLOW_STEP_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedLag:
    """What one signal, shared with one neighbour or more, says of a clock."""

    seconds: float
    """Stamps minus those of the neighbours, mean weighted by uncertainty. [s]"""
    sd: float
    """Standard uncertainty: that of the best neighbour, or what their spread leaves if that is more. [s]"""
    correlation: float
    """Least correlation after the shift."""
    neighbours: tuple[str, ...]
    signal: str

    def text(self) -> str:
        """Return the lag as a line of evidence."""
        return (
            f"{self.signal} shared with {', '.join(self.neighbours)}: stamps {self.seconds:+.2f} s from theirs "
            f"(± {1.96 * self.sd:.2f} s, 95 %; correlation {self.correlation:.2f})"
        )


def _joined(lags: list[tuple[str, Lag, float]], signal: str) -> SharedLag:
    """Join the lags against several neighbours, each with the step of the slower record, 0 for a slow signal. [s]"""
    values = np.array([lag.seconds for _, lag, _ in lags])
    # Within a step of the slower record a lag hangs on how the samples of the two fall beside each other.
    sds = np.array([float(np.hypot(lag.sd, step / np.sqrt(12.0))) for _, lag, step in lags])
    weight = 1.0 / sds**2
    mean = float((weight * values).sum() / weight.sum())
    spread = 0.0
    if values.size > 1:
        # Birge 1932 (Phys. Rev. 40, 207, from memory): neighbours that differ by more than they say widen the mean.
        spread = float(np.sqrt((weight * (values - mean) ** 2).sum() / (values.size - 1) / weight.sum()))
    return SharedLag(
        seconds=mean,
        sd=max(float(sds.min()), spread),
        correlation=min(lag.correlation for _, lag, _ in lags),
        neighbours=tuple(name for name, _, _ in lags),
        signal=signal,
    )


def signals_of(
    context: Context, label: str, start_ns: int, end_ns: int, *, shift_ns: int | None = None
) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Return the signals of an instrument that a neighbour may have seen too, by name: times [s] and values.

    Parameters
    ----------
    start_ns, end_ns : int
        Stretch in true time as the accepted corrections have it; with `shift_ns` in stamps plus that shift. [ns]
    shift_ns : int, optional
        Added to the stamps in place of the accepted corrections. [ns]
    """
    channels = list(context.store.streams()[label].channels)
    wanted = [name for name in ("absolute_pressure", "pressure", *SHARED) if name in channels]
    bins = sorted(name for name in channels if name.startswith(("velocity_x_bin_", "velocity_y_bin_")))
    currents: list[str] = [name for name in ("velocity_x", "velocity_y") if name in channels]
    if bins:
        # A bin in the middle: away from bed, fins and side lobes.
        number = bins[len(bins) // 4][-2:]
        currents = [name for name in bins if name.endswith(f"_bin_{number}")]
    wanted = [*dict.fromkeys(wanted), *currents]
    if not wanted:
        return {}
    if shift_ns is None:
        record = context.read(label, start_ns=start_ns, end_ns=end_ns, channels=wanted)
        time, values = record.time_ns, record.channels
    else:
        read = context.store.read(
            label, start_ns=start_ns - shift_ns, end_ns=end_ns - shift_ns, channels=wanted, snapshot=context.snapshot
        )
        time, values = read["time"] + shift_ns, read
    seconds = time.astype(np.float64) / NS
    out = {}
    for name in SHARED:
        found = "absolute_pressure" if name == "pressure" and "absolute_pressure" in wanted else name
        if found in values and np.isfinite(values[found]).sum() > 20:
            out[name] = (seconds, np.asarray(values[found], dtype=np.float64))
    if len(currents) == 2 and all(name in values for name in currents) and seconds.size > 20:
        x, y = (np.asarray(values[name], dtype=np.float64) for name in currents)
        along = np.array([np.nanmean(x), np.nanmean(y)])
        size = float(np.hypot(*along))
        if size > 0:
            # Turning by an unknown heading leaves the part along the mean flow the same in both.
            out["current"] = (seconds, (x * along[0] + y * along[1]) / size)
    return out


def shared_lag_of(
    context: Context,
    label: str,
    neighbours: Iterable[str],
    start_ns: int,
    end_ns: int,
    *,
    largest_s: float,
    shift_ns: int | None = None,
) -> SharedLag | None:
    """Return the best lag of an instrument against neighbours from signals both saw in a stretch of time.

    Parameters
    ----------
    neighbours : iterable of str
        Instruments whose clocks are not in doubt.
    largest_s : float
        Largest lag looked for. [s]
    shift_ns : int, optional
        As for `signals_of`, of the subject.

    Returns
    -------
    SharedLag or None
        None if no neighbour shares a signal that tells.
    """
    own = signals_of(context, label, start_ns, end_ns, shift_ns=shift_ns)
    interval = float(context.book.instrument(label).sample_interval_s)
    margin = round(largest_s * NS)
    found: dict[str, list[tuple[str, Lag, float]]] = {}
    for neighbour in neighbours:
        if neighbour == label or not context.has(neighbour):
            continue
        theirs = signals_of(context, neighbour, start_ns - margin, end_ns + margin)
        step = max(interval, float(context.book.instrument(neighbour).sample_interval_s))
        for name in own.keys() & theirs.keys():
            slow = name != "current"
            try:
                lag = shared_lag(
                    time=own[name][0],
                    values=own[name][1],
                    reference_time=theirs[name][0],
                    reference_values=theirs[name][1],
                    largest=largest_s,
                    flatten=float("inf") if slow else None,
                    average=SLOW_STEP_S if slow else None,
                )
            except InputError:
                continue
            if lag.ambiguous or lag.correlation < LEAST_CORRELATION or not np.isfinite(lag.sd):
                continue
            if abs(lag.seconds) < 0.95 * largest_s and lag.sd < 0.05 * largest_s:
                found.setdefault(name, []).append((neighbour, lag, 0.0 if slow else step))
    joined = [_joined(lags, name) for name, lags in found.items()]
    return min(joined, key=lambda item: item.sd, default=None)


def light_says(context: Context, label: str, start_ns: int, end_ns: int) -> LightClock | None:
    """Return what sunrise and sunset say of the stamps of a light sensor; None if it has no light or no whole day."""
    if "par" not in context.store.streams()[label].channels:
        return None
    read = context.store.read(label, start_ns=start_ns, end_ns=end_ns, channels=["par"], snapshot=context.snapshot)
    if read["time"].size < 48:
        return None
    found = light_clock(
        time=read["time"].astype(np.float64) / NS,
        light=np.asarray(read["par"], dtype=np.float64),
        longitude=context.book.site.longitude_deg,
    )
    return found if found.cause != "unclear" else None


def _times(context: Context, label: str, start_ns: int, end_ns: int) -> FloatArray:
    record = context.read(label, start_ns=start_ns, end_ns=end_ns, channels=[])
    return record.time_ns.astype(np.float64) / NS


def starts_after_silence(
    context: Context, neighbours: Iterable[str], silent_from_s: float, *, longest_s: float = 86_400.0
) -> Iterator[tuple[str, float, float]]:
    """Yield neighbours that fell silent at the same moment: label, when they came back [s], sampling interval [s].

    Parameters
    ----------
    silent_from_s : float
        When the subject wrote its last credible row. [POSIX s]
    longest_s : float
        Longest silence looked for. [s]
    """
    for label in neighbours:
        if not context.has(label):
            continue
        interval = float(context.book.instrument(label).sample_interval_s)
        near = max(5.0, 2.5 * interval)
        before = _times(context, label, round((silent_from_s - near) * NS), round((silent_from_s + near) * NS))
        if not before.size:
            continue
        last = float(before[-1])
        if last > silent_from_s + near - 1.5 * interval:
            continue
        # In pieces, since a velocimeter writes millions of rows a day.
        at = last
        while at < last + longest_s:
            after = _times(context, label, round(at * NS) + 1, round((at + 1800.0) * NS))
            after = after[after > last + 1e-6]
            if after.size:
                if after[0] - last > max(20.0, 3.0 * interval):
                    yield label, float(after[0]), interval
                break
            at += 1800.0
