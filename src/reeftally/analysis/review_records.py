"""Review of every slow channel with full context: flags to the store, the day's counts, and stretches to look at.

Here:     records in true time with their neighbours through `quality.review`; flags saved beside those that are there;
          counts of flags by day.
Not here: high-rate streams and the bins of profilers (`fast_blocks`, `profiler_findings`: block statistics), causes
          (`causes`), what is used downstream (`records`).
Rules:    a stream is reviewed as it is stored, on its own clock: swaps and exclusions of the log do not hide what is in
          it. Flags are written under the test's name with the prefix "review", never over another test's.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.analysis.context import Context
from reeftally.analysis.grid import NS
from reeftally.analysis.records import BIN, slow_instruments
from reeftally.errors import ReeftallyError
from reeftally.mission import Instrument
from reeftally.quality.doubts import Doubt
from reeftally.quality.review import review_record
from reeftally.quality.thresholds import Span
from reeftally.quality.values import periodic_outliers
from reeftally.store import open_store

__all__ = ["ChannelReview", "day_of", "review_records", "save_flags"]

DAY_NS = 86_400 * NS
# A neighbour's sample may be this many of its intervals away.
NEAR_INTERVALS = 2.0
# Light: a sample that differs by this share from the mean of those beside it is an outlier (wiper, fish), by day.
LIGHT_OUTLIER, LIT = 0.3, 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelReview:
    """What the review of one channel found."""

    label: str
    channel: str
    samples: int
    interval_s: float
    carried: bool
    counts: dict[str, tuple[int, int]]
    """By test: samples suspect and failed."""
    days: dict[str, dict[int, int]]
    """By day (UTC): samples of each flag after roll-up."""
    doubts: tuple[Doubt, ...]
    stamps_ns: npt.NDArray[np.int64]
    """Stamps of the samples as stored, sorted."""
    tests: dict[str, npt.NDArray[np.uint8]]
    """Flags of each test at the stamps."""
    period_s: float | None = None
    """Light: period of outliers that come like clockwork."""


@dataclass(slots=True)
class _Series:
    label: str
    interval: float
    role: str
    time: FloatArray
    values: FloatArray
    stamps: npt.NDArray[np.int64]
    order: npt.NDArray[np.int64]
    """Places of the samples in the stored order."""


def day_of(seconds: float) -> str:
    """Return the UTC day of a moment as 2031-03-28."""
    return str(np.datetime64(int(seconds // 86400), "D"))


def review_records(context: Context) -> Iterator[ChannelReview]:
    """Yield the review of every slow channel; one quantity is in memory at a time.

    Notes
    -----
    Neighbours are sensors of the same stored quantity that are not carried, stand on the reef and sample at least as
    often. What the log left out stays in: the review is of the record, not of what is used.
    """
    instruments = slow_instruments(context)
    channels = sorted(
        {name for row in instruments for name in context.store.streams()[row.label].channels if BIN not in name}
    )
    for channel in channels:
        held = [
            series for row in instruments if (series := _read(context, row, channel)) is not None and series.time.size
        ]
        for series in held:
            yield _one(context, channel, series, held)


def _role(context: Context, label: str) -> str:
    roles = [context.book.station(d.station).role for d in context.book.deployments_of(label)]
    for role in ("carried", "reference", "air"):
        if role in roles:
            return role
    return "reef" if roles else "nowhere"


def _read(context: Context, instrument: Instrument, channel: str) -> _Series | None:
    label = instrument.label
    if channel not in context.store.streams()[label].channels:
        return None
    found = context.store.read(label, channels=[channel], snapshot=context.snapshot)
    true = context.clock(label).true(found["time"])
    # Rows of a reset clock that nobody has placed lie decades away and are no part of the mission.
    placed = true >= context.earliest_ns
    found, true = {name: column[placed] for name, column in found.items()}, true[placed]
    order = np.argsort(true, kind="stable")
    return _Series(
        label=label,
        interval=instrument.sample_interval_s,
        role=_role(context, label),
        time=true[order].astype(np.float64) / NS,
        values=np.asarray(found[channel], dtype=np.float64)[order],
        stamps=found["time"],
        order=order,
    )


def _neighbours(series: _Series, held: Iterable[_Series]) -> FloatArray | None:
    if series.role != "reef":
        return None
    rows = []
    for other in held:
        if other.label == series.label or other.role != "reef" or other.interval > series.interval:
            continue
        good = np.isfinite(other.values)
        if good.sum() < 20:
            continue
        seconds = other.time[good]
        at = np.clip(np.searchsorted(seconds, series.time), 1, seconds.size - 1)
        distance = np.minimum(np.abs(seconds[at - 1] - series.time), np.abs(seconds[at] - series.time))
        values = np.interp(series.time, seconds, other.values[good])
        rows.append(np.where(distance <= NEAR_INTERVALS * other.interval, values, np.nan))
    return np.stack(rows) if rows else None


def _one(context: Context, channel: str, series: _Series, held: list[_Series]) -> ChannelReview:
    instrument = context.book.instrument(series.label)
    carried = series.role == "carried"
    noise = next(
        (
            t.noise_sd
            for t in instrument.terms
            if t.quantity == channel or (t.quantity == "oxygen" and channel == "oxygen_molar")
        ),
        0.0,
    )
    spans = context.book.analysis.gross_range or {}
    span = None
    if channel in spans:
        low, high, user_low, user_high = spans[channel]
        span = Span((low, high), (user_low, user_high))
    found = review_record(
        time=series.time,
        values=series.values,
        quantity=channel,
        interval=series.interval,
        noise_sd=noise,
        neighbours=_neighbours(series, held),
        span=span,
        carried=carried,
    )
    tests = dict(found.tests)
    period = None
    if channel == "par":
        top = float(np.nanquantile(series.values, 0.98)) if np.isfinite(series.values).any() else 0.0
        if top > 0:
            # Seen against the samples beside it, so that neither clouds nor the sun's height matter.
            beside = 0.5 * (np.roll(series.values, 1) + np.roll(series.values, -1))
            lit = beside > LIT * top
            ratio = np.where(lit, series.values / np.where(lit, beside, 1.0), 1.0)
            period, mask = periodic_outliers(time=series.time, values=ratio, limit=LIGHT_OUTLIER)
            tests["wiper"] = np.where(mask, 3, np.where(np.isfinite(series.values), 1, 9)).astype(np.uint8)
    counts = {name: (int((flags == 3).sum()), int((flags == 4).sum())) for name, flags in tests.items()}
    back = np.empty(series.order.size, dtype=np.int64)
    back[series.order] = np.arange(series.order.size)
    return ChannelReview(
        label=series.label,
        channel=channel,
        samples=series.time.size,
        interval_s=series.interval,
        carried=carried,
        counts=counts,
        days=_days(series.time, found.flags),
        doubts=found.doubts,
        stamps_ns=series.stamps,
        tests={name: flags[back] for name, flags in tests.items()},
        period_s=period,
    )


def _days(time: FloatArray, flags: npt.NDArray[np.uint8]) -> dict[str, dict[int, int]]:
    day = (time // 86400.0).astype(np.int64)
    first = int(day.min())
    table = np.bincount((day - first) * 16 + flags, minlength=(int(day.max()) - first + 1) * 16).reshape(-1, 16)
    return {
        str(np.datetime64(first + number, "D")): {flag: int(row[flag]) for flag in (1, 2, 3, 4, 9) if row[flag]}
        for number, row in enumerate(table)
        if row.any()
    }


def save_flags(context: Context, reviews: Iterable[ChannelReview]) -> str:
    """Write the flags of a review to the store beside those that are there; what is already so is left alone.

    Returns
    -------
    str
        Empty, or why nothing could be written: a folder on read-only media can be reviewed too.
    """
    try:
        with (
            open_store(context.folder, write=True, segments_url=context.book.store.segments_url) as store,
            store.writer("review") as writer,
        ):
            for review in reviews:
                known = store.flags(review.label, review.channel)
                for test, flags in review.tests.items():
                    name = f"review {test}"
                    old = known.get(name)
                    if old is not None and np.array_equal(old.at(review.stamps_ns), flags):
                        continue
                    writer.set_flags(review.label, review.channel, name, times=review.stamps_ns, flags=flags)
            writer.commit()
    except (OSError, ReeftallyError) as error:
        return f"The flags of the review were not kept: {error}"
    return ""
