"""Estimates of the sensors: offsets and drifts from side by side, clock errors from comparisons.

Here:     what the adjustments say, as estimates.
Not here: the adjustments.
Rules:    an offset holds at a stated instant; the sign is reading minus true.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reeftally.analysis.grid import NS
from reeftally.calibration.clocks import clock_segments

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = ["estimate_sensors"]

UNITS = {"oxygen": "µmol kg-1", "ph_total": "", "salinity": "", "temperature": "°C"}


def estimate_sensors(chain: Chain) -> None:
    """Write offset at the middle of the mission, drift, and clock error of every instrument."""
    whole = chain.spans[0]
    middle = (whole.start_ns + whole.end_ns) // 2
    for quantity in ("oxygen", "ph_total", "salinity"):
        offsets = chain.offsets.get(quantity)
        if offsets is None:
            continue
        adjustment = offsets.adjustment
        at = adjustment.at(middle / NS)[:, 0]
        covariance = adjustment.covariance_at(middle / NS)
        n = adjustment.shape.sensors
        for row, label in enumerate(offsets.labels):
            compared = int(sum(np.isfinite(rest[row]).sum() for rest in adjustment.residuals.values()))
            if compared == 0:
                # Never in one water with another sensor or a bottle: what is known is the prior of the book.
                continue
            chain.estimates.from_parts(
                quantity="sensor_offset",
                method="side_by_side",
                subject=label,
                period="instant",
                start_ns=middle,
                end_ns=middle,
                unit=UNITS[quantity],
                value=float(at[row]),
                random_sd=0.0,
                systematic_sd=max(float(covariance[row, row]), 0.0) ** 0.5,
                n=compared,
                trail="side_by_side",
                channel=quantity,
            )
            drift_sd = max(float(adjustment.covariance[n + row, n + row]), 0.0) ** 0.5
            if drift_sd > 0:
                chain.estimates.from_parts(
                    quantity="sensor_drift",
                    method="side_by_side",
                    subject=label,
                    period="mission",
                    start_ns=whole.start_ns,
                    end_ns=whole.end_ns,
                    unit=f"{UNITS[quantity]} d-1".strip(),
                    value=float(adjustment.drift[row]),
                    random_sd=0.0,
                    systematic_sd=drift_sd,
                    n=compared,
                    trail="side_by_side",
                    channel=quantity,
                )
    _clocks(chain)


def _clocks(chain: Chain) -> None:
    """Write the error of each clock at its first and last comparison (stamp minus true)."""
    checks = chain.context.tables.clock_checks
    for label in sorted({row.instrument for row in checks}):
        rows = [row for row in checks if row.instrument == label]
        true = np.array([row.time_ns for row in rows], dtype=np.float64) / NS
        stamp = np.array([row.instrument_time_ns for row in rows], dtype=np.float64) / NS
        segments = clock_segments(true_time=true, stamp=stamp, sd=np.array([max(row.sd_s, 0.05) for row in rows]))
        for segment, instant in ((segments[0], true.min()), (segments[-1], true.max())):
            days = (instant + (-segment.seconds) - segment.reference) / 86400.0
            correction = segment.seconds + segment.per_day * days
            sd = float(np.hypot(segment.sd, segment.per_day_sd * days))
            chain.estimates.from_parts(
                quantity="clock_offset",
                method="comparisons",
                subject=label,
                period="instant",
                start_ns=round(float(instant) * NS),
                end_ns=round(float(instant) * NS),
                unit="s",
                value=-correction,
                random_sd=sd,
                systematic_sd=0.0,
                n=segment.checks,
                trail="clocks",
                reason="" if segment.cause == "none" else segment.cause,
            )
