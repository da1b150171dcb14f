"""The flags of one record of one quantity: the tests that apply, and their roll-up.

Here:     which QARTOD test runs on a slow record (below 2 Hz), with which limits.
Not here: velocimeter samples (`reeftally.flow` screens them), carried sensors' plateaus (`exchange`).
Rules:    a carried sensor moves through plumes on purpose: spike and rate tests do not run on it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reeftally._checks import FloatArray
from reeftally.quality import qartod
from reeftally.quality.qartod import FlagArray
from reeftally.quality.thresholds import SPANS, Span, flat_count, spike_limits

__all__ = ["RecordFlags", "flag_record"]


# Quantities that jump as they should: light under passing clouds, directions at north, the inlet of a switched pump.
JUMPING = frozenset({"par", "direction_to", "heading", "inlet"})
# Quantities that stand still as they should: light at night, an inlet between switches, a frame on the bed.
RESTING = frozenset({"par", "inlet", "heading", "pitch", "roll"})


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordFlags:
    """Flags of one record."""

    flags: FlagArray
    """Roll-up, (n,)."""
    tests: dict[str, FlagArray]
    """Flags of each test that ran."""
    limits: dict[str, float]
    """Limits that were used, by name."""

    def counts(self) -> dict[int, int]:
        """Return how many samples carry each flag."""
        values, counts = np.unique(self.flags, return_counts=True)
        return {int(v): int(c) for v, c in zip(values, counts, strict=True)}


def flag_record(
    *,
    time: FloatArray,
    values: FloatArray,
    quantity: str,
    interval: float,
    noise_sd: float,
    span: Span | None = None,
    carried: bool = False,
) -> RecordFlags:
    """Run gap, gross range, spike, rate of change and flat line on one record.

    Parameters
    ----------
    time : (n,) float array
        Seconds, increasing.
    values : (n,) float array
        Canonical unit.
    quantity : str
        Name; decides the spans when `span` is not given.
    interval : float
        Sampling interval. [s]
    noise_sd : float
        Stated noise of one sample, in the unit of `values`; 0 if unknown.
    span : Span, optional
        Sensor and user span of the mission book.
    carried : bool
        True for a sensor that is carried from place to place.

    Returns
    -------
    RecordFlags
    """
    tests: dict[str, FlagArray] = {}
    limits: dict[str, float] = {}
    span = span or SPANS.get(quantity)
    if span is not None:
        tests["gross_range"] = qartod.gross_range(values=values, sensor_span=span.sensor, user_span=span.user)
    if quantity not in RESTING and values.size > 20:
        tolerance = 1e-9
        count = flat_count(values=values, tolerance=tolerance)
        limits["flat_line_count"] = float(count)
        tests["flat_line"] = qartod.flat_line(
            values=values, tolerance=tolerance, suspect_count=max(1, count - 2), fail_count=count
        )
    if not carried and quantity not in JUMPING and values.size > 20:
        suspect, fail = spike_limits(values=values, noise_sd=noise_sd)
        limits["spike_suspect"], limits["spike_fail"] = suspect, fail
        tests["spike"] = qartod.spike(values=values, suspect_above=suspect, fail_above=fail)
        limits["rate"] = 2.0 * fail
        tests["rate_of_change"] = qartod.rate_of_change(values=values, limit=2.0 * fail)
    if not tests:
        tests["present"] = np.where(np.isnan(values), qartod.MISSING, qartod.GOOD).astype(np.uint8)
    if time.size:
        # A silence says nothing about the sample that ends it; it is counted, not rolled up.
        limits["gaps"] = float((qartod.gap(time=time, interval=interval) == qartod.SUSPECT).sum())
    return RecordFlags(flags=qartod.roll_up(*tests.values()), tests=tests, limits=limits)
