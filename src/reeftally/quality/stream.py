"""Real-time form of the tests: packets in, flags out, with an explicit memory.

Here:     `step` (a packet and a memory in, flags and the next memory out), `finish`, `silence`; their settings.
Not here: the same tests with full context (`record`), storing flags.
Rules:    no state outside the memory; however a record is cut into packets, the flags are the same. A flag that
          was given is never changed: a sample is decided when its successor has come, since the spike test looks
          one sample ahead, and later processing makes new flags.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numba
import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_same_length
from reeftally.errors import InputError
from reeftally.quality.qartod import (
    FAIL,
    GOOD,
    MISSING,
    NOT_EVALUATED,
    SUSPECT,
    FlagArray,
    climatology,
    flat_line,
    gross_range,
    roll_up,
)

__all__ = ["Decided", "StreamMemory", "StreamSettings", "finish", "silence", "start", "step"]

# The standard deviation of the rate test is renewed this many times a window; between, the last one holds.
_RENEWALS = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamSettings:
    """Which tests run on a stream, and their limits; a test whose limits are None does not run."""

    interval: float
    """Expected step. [s]"""
    sensor_span: tuple[float, float]
    user_span: tuple[float, float] | None = None
    season: tuple[float, float] | None = None
    """Range expected for the season (test 5)."""
    spike: tuple[float, float] | None = None
    """Suspect and fail distances (test 6)."""
    rate_limit: float | None = None
    """Largest step (test 7); or leave it None and give `rate_deviations`."""
    rate_deviations: float | None = None
    """Largest step in standard deviations of the series over `rate_window`; the pH manual's example is 3."""
    rate_window: float = 25.0 * 3600.0
    """[s] The pH manual's example is 25 h."""
    flat: tuple[float, int, int] | None = None
    """Tolerance, suspect count, fail count (test 8)."""
    attenuation: tuple[float, float, float] | None = None
    """Window [s], warn below, fail below (test 10: standard deviation over the window that ends at the sample)."""
    carried: bool = False
    """A carried sensor moves through plumes on purpose: tests 6, 7 and 10 do not run."""

    @property
    def depth(self) -> int:
        """How many earlier samples the tests look back on."""
        needed = [2]
        if self.flat is not None:
            needed.append(self.flat[2])
        if self.rate_limit is None and self.rate_deviations is not None:
            needed.append(round(self.rate_window / self.interval) + 1)
        if self.attenuation is not None:
            needed.append(round(self.attenuation[0] / self.interval))
        return max(needed) + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamMemory:
    """What must be remembered between packets."""

    time: FloatArray
    values: FloatArray
    """The last samples, at most `StreamSettings.depth`; the very last one is not decided yet."""
    seen: int = 0
    """How many samples came since the start."""
    deviation: float = float("nan")
    """Standard deviation in use by the rate test."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """Samples whose flags are now final."""

    time: FloatArray
    flags: FlagArray
    tests: dict[str, FlagArray] = field(default_factory=dict)


def start() -> StreamMemory:
    """Return the memory before the first packet."""
    return StreamMemory(time=np.empty(0), values=np.empty(0))


@numba.njit(cache=True, error_model="numpy", nogil=True)
def _rolling_sd(values: FloatArray, first: int, width: int) -> FloatArray:  # pragma: no cover
    """Standard deviation of the `width` samples that end at each sample from `first` on; NaN where over half lack."""
    out = np.full(values.size - first, np.nan)
    for n in range(first, values.size):
        begin = max(0, n - width + 1)
        count, total = 0, 0.0
        for k in range(begin, n + 1):
            if not np.isnan(values[k]):
                count += 1
                total += values[k]
        if count < 3 or 2 * count < width:
            continue
        mean, squares = total / count, 0.0
        for k in range(begin, n + 1):
            if not np.isnan(values[k]):
                squares += (values[k] - mean) ** 2
        out[n - first] = np.sqrt(squares / (count - 1))
    return out


@numba.njit(cache=True, error_model="numpy", nogil=True)
def _held_sd(
    values: FloatArray, first: int, seen_before: int, width: int, stride: int, held: float
) -> FloatArray:  # pragma: no cover
    """Standard deviation of the `width` samples before each one, renewed every `stride` samples of the stream."""
    out = np.empty(values.size - first)
    for n in range(first, values.size):
        if (seen_before + n - first) % stride == 0:
            begin = max(0, n - width)
            count, total = 0, 0.0
            for k in range(begin, n):
                if not np.isnan(values[k]):
                    count += 1
                    total += values[k]
            if count >= 20:
                mean, squares = total / count, 0.0
                for k in range(begin, n):
                    if not np.isnan(values[k]):
                        squares += (values[k] - mean) ** 2
                held = np.sqrt(squares / (count - 1))
        out[n - first] = held
    return out


def _decide(
    time: FloatArray, values: FloatArray, first: int, last: int, memory: StreamMemory, settings: StreamSettings
) -> tuple[Decided, float]:
    """Flags of samples first..last-1; `values` may hold one more, which only the spike test sees."""
    record = values[:last]
    own = record[first:]
    tests: dict[str, FlagArray] = {
        "gross_range": gross_range(values=own, sensor_span=settings.sensor_span, user_span=settings.user_span)
    }
    if settings.season is not None:
        tests["climatology"] = climatology(values=own, low=settings.season[0], high=settings.season[1])
    if settings.flat is not None:
        tolerance, suspect, fail = settings.flat
        tests["flat_line"] = flat_line(
            values=record, tolerance=tolerance, suspect_count=suspect, fail_count=fail, whole_run=False
        )[first:]
    held = memory.deviation
    if not settings.carried:
        before = np.full(own.size, np.nan)
        before[max(0, 1 - first) :] = record[max(first, 1) - 1 : last - 1]
        after = np.full(own.size, np.nan)
        available = values[first + 1 : last + 1]
        after[: available.size] = available
        if settings.spike is not None:
            tests["spike"] = _limit(own, np.abs(own - 0.5 * (before + after)), *settings.spike)
        limit: FloatArray | float | None = settings.rate_limit
        if limit is None and settings.rate_deviations is not None:
            width = round(settings.rate_window / settings.interval)
            undecided = first  # samples of the stream decided before `first`
            stream_index = memory.seen - (1 if memory.time.size else 0)
            sd = _held_sd(record, undecided, stream_index, width, max(1, width // _RENEWALS), held)
            held = float(sd[-1]) if sd.size else held
            limit = settings.rate_deviations * sd
        if limit is not None:
            tests["rate_of_change"] = _limit(own, np.abs(own - before), limit, np.inf)
        if settings.attenuation is not None:
            window, warn, fail_below = settings.attenuation
            spread = _rolling_sd(record, first, max(3, round(window / settings.interval)))
            flags = np.where(spread < fail_below, FAIL, np.where(spread < warn, SUSPECT, GOOD)).astype(np.uint8)
            flags[np.isnan(spread)] = NOT_EVALUATED
            flags[np.isnan(own)] = MISSING
            tests["attenuated"] = flags
    return Decided(time=time[first:last], flags=roll_up(*tests.values()), tests=tests), held


def _limit(own: FloatArray, size: FloatArray, suspect: FloatArray | float, fail: float) -> FlagArray:
    flags = np.where(size > fail, FAIL, np.where(size > suspect, SUSPECT, GOOD)).astype(np.uint8)
    flags[np.isnan(size) | np.isnan(np.broadcast_to(suspect, size.shape))] = NOT_EVALUATED
    flags[np.isnan(own)] = MISSING
    return flags


def step(
    *, time: npt.ArrayLike, values: npt.ArrayLike, memory: StreamMemory, settings: StreamSettings
) -> tuple[Decided, StreamMemory]:
    """Take one packet and return the flags that are now final, and the memory for the next packet.

    Parameters
    ----------
    time, values : array-like, (n,)
        Stamps, increasing and later than all before [s], and values; NaN for a value that is missing.
    memory : StreamMemory
        From `start` or the step before.
    settings : StreamSettings

    Returns
    -------
    decided : Decided
        All samples save the newest one.
    memory : StreamMemory

    Raises
    ------
    InputError
        If stamps do not increase: repeats and late packets are sorted out at intake.
    """
    count = require_same_length(time=time, values=values)
    stamps = np.concatenate([memory.time, as_float("time", time)])
    series = np.concatenate([memory.values, as_float("values", values)])
    if stamps.size > 1 and not (np.diff(stamps) > 0).all():
        message = "time must increase from sample to sample and from packet to packet; sort and merge first."
        raise InputError(message)
    first = max(memory.time.size - 1, 0)
    last = max(stamps.size - 1, first)
    decided, held = _decide(stamps, series, first, last, memory, settings)
    keep = slice(max(0, stamps.size - settings.depth - 1), None)
    return decided, StreamMemory(
        time=stamps[keep].copy(), values=series[keep].copy(), seen=memory.seen + count, deviation=held
    )


def finish(*, memory: StreamMemory, settings: StreamSettings) -> Decided:
    """Return the flags of the newest sample, whose spike test has no successor to look at."""
    first = max(memory.time.size - 1, 0)
    return _decide(memory.time, memory.values, first, memory.time.size, memory, settings)[0]


def silence(*, memory: StreamMemory, now: float, settings: StreamSettings, allowed: float = 1.5) -> int:
    """Return the flag of QARTOD test 1 at `now`: 4 if no sample came for more than `allowed` intervals, else 1.

    Before the first sample the test is not evaluated (2). The pH manual fails a late sample, the wind manual
    calls it missing; the pH manual is followed.
    """
    if memory.time.size == 0:
        return NOT_EVALUATED
    return FAIL if now - float(memory.time[-1]) > allowed * settings.interval else GOOD
