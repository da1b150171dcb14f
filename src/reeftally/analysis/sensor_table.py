"""What is known of every sensor: offset before and after, drift with and without, settling, gain, bottles.

Here:     the table `sensors.csv` of a run, from the joint adjustment of each quantity.
Not here: the adjustment (`offsets`), the estimates that fluxes carry (`estimate_sensors`).
Rules:    a gain is fitted only where the range of the water in common allows it, and it is said where it does not;
          a correction for drift is shown beside the result without it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from reeftally._checks import FloatArray
from reeftally.analysis.grid import NS
from reeftally.analysis.offsets import SensorOffsets
from reeftally.analysis.responses import responses
from reeftally.analysis.row_text import rows_csv
from reeftally.calibration.comparison import LEAST_RANGE, fit_gain

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = ["COLUMNS", "sensor_csv", "sensor_rows"]

COLUMNS = (
    "sensor", "quantity", "unit", "offset_before", "offset_before_sd", "offset_after", "offset_after_sd", "change",
    "change_sd", "drift_per_day", "drift_per_day_sd", "settling_at_start", "settling_sd", "compared_blocks",
    "range_in_common", "gain", "gain_sd", "gain_note", "bottles", "bottle_sd_expected", "bottle_sd_corrected",
    "bottle_sd_without_drift", "response_s", "response_sd_s", "response_note",
)  # fmt: skip
UNITS = {"oxygen": "µmol kg-1", "ph_total": "1", "salinity": "1", "temperature": "degree_C"}


def sensor_csv(rows: list[dict[str, Any]]) -> str:
    """Return rows as the text of `sensors.csv`."""
    return rows_csv(rows, COLUMNS)


def sensor_rows(chain: Chain) -> list[dict[str, Any]]:
    """Tell what the adjustments of a run know of each sensor.

    Parameters
    ----------
    chain : Chain
        A run whose offsets are adjusted.

    Returns
    -------
    list of dict
        One a sensor and quantity that was ever compared, with `COLUMNS` as keys. Offsets are reading minus true at
        the start of the first and the end of the last side by side, or of the mission where there is none.
    """
    periods = chain.context.book.intercalibrations
    first = min((p.start_ns for p in periods), default=int(chain.grid.edges[0])) / NS
    last = max((p.end_ns for p in periods), default=int(chain.grid.edges[-1])) / NS
    out = []
    for quantity, known in chain.offsets.items():
        steps = responses(chain.context, known.labels, quantity)
        for label in known.labels:
            row = _row(chain, known, quantity, label, first, last)
            if row is not None:
                seconds, sd, note = steps[label]
                out.append({**row, "response_s": seconds, "response_sd_s": sd, "response_note": note})
    return out


def _row(
    chain: Chain, known: SensorOffsets, quantity: str, label: str, first: float, last: float
) -> dict[str, Any] | None:
    adjustment = known.adjustment
    row = known.row(label)
    compared = int(sum(np.isfinite(rest[row]).sum() for rest in adjustment.residuals.values()))
    if compared == 0:
        return None
    n, terms = adjustment.shape.sensors, adjustment.shape.terms
    own = [term * n + row for term in range(terms)]
    covariance = adjustment.covariance[np.ix_(own, own)]
    parameters = adjustment.parameters[own]
    before, after = (adjustment.shape.design(t)[own, row, 0] for t in (first, last))
    change = after - before

    def value(design: FloatArray) -> tuple[float, float]:
        variance = float(design @ covariance @ design)
        return float(design @ parameters), float(np.sqrt(max(variance, 0.0)))

    settling, settling_sd = float("nan"), float("nan")
    if terms > 2:
        settling = float(parameters[2:].sum())
        settling_sd = float(np.sqrt(max(covariance[2:, 2:].sum(), 0.0)))
    gain = _gain(chain, known, quantity, label)
    bottles = _bottles(known, row, parameters)
    return {
        "sensor": label, "quantity": quantity, "unit": UNITS.get(quantity, ""),
        "offset_before": value(before)[0], "offset_before_sd": value(before)[1],
        "offset_after": value(after)[0], "offset_after_sd": value(after)[1],
        "change": value(change)[0], "change_sd": value(change)[1],
        "drift_per_day": float(parameters[1]), "drift_per_day_sd": float(np.sqrt(max(covariance[1, 1], 0.0))),
        "settling_at_start": settling, "settling_sd": settling_sd, "compared_blocks": compared,
        **gain, **bottles,
    }  # fmt: skip


def _gain(chain: Chain, known: SensorOffsets, quantity: str, label: str) -> dict[str, Any]:
    """Hold a sensor against the others in the side by side: a gain where their water covered enough."""
    names = [p.name for p in chain.context.book.intercalibrations if label in p.instruments]
    grid, row = chain.grid, known.row(label)
    errors = known.adjustment.at(grid.seconds)
    own = chain.slow[label].channels[quantity].mean
    together = np.zeros(grid.count, dtype=bool)
    members: set[str] = set()
    for period in chain.context.book.intercalibrations:
        if period.name in names:
            together |= grid.mask(period.start_ns, period.end_ns)
            members |= set(period.instruments)
    others = [
        chain.slow[name].channels[quantity].mean - errors[known.row(name)]
        for name in sorted(members)
        if name != label and name in known.labels
    ]
    empty = {"range_in_common": float("nan"), "gain": float("nan"), "gain_sd": float("nan")}
    if not others or not together.any():
        return {**empty, "gain_note": "Gain not fitted: never side by side with another."}
    stack = np.stack(others)
    count = np.isfinite(stack).sum(axis=0)
    reference = np.where(count > 0, np.nansum(stack, axis=0) / np.maximum(count, 1), np.nan)
    use = together & np.isfinite(reference) & np.isfinite(own)
    if use.sum() < 3:
        return {**empty, "gain_note": "Gain not fitted: fewer than three blocks side by side."}
    noise = np.maximum(known.adjustment.sensors_noise, 1e-9)
    found = fit_gain(
        reference=reference[use],
        values=own[use] - errors[row][use],
        reference_sd=np.sqrt(np.mean(noise[[known.row(n) for n in known.labels if n != label]] ** 2) / count[use]),
        values_sd=noise[row],
        least_range=LEAST_RANGE.get(quantity, np.inf),
    )
    note = found.message if quantity in LEAST_RANGE else "Gain not fitted: none is asked of this quantity."
    return {"range_in_common": found.range, "gain": found.gain, "gain_sd": found.gain_sd, "gain_note": note}


def _bottles(known: SensorOffsets, row: int, parameters: FloatArray) -> dict[str, Any]:
    """Hold bottles against the sensor: scatter expected, with the correction, and with its offset alone."""
    out: dict[str, Any] = {
        "bottles": 0, "bottle_sd_expected": None, "bottle_sd_corrected": None, "bottle_sd_without_drift": None,
    }  # fmt: skip
    rest = known.adjustment.residuals.get("bottles")
    times = known.bottle_times
    if rest is None or times is None or times.size != rest.shape[1]:
        return out
    laboratory = rest[len(known.labels) :]
    mine = np.isfinite(rest[row]) & np.isfinite(laboratory).any(axis=0)
    if mine.sum() < 3:
        return out
    # Residuals are from the water in common of bottle and sensors; their difference is the mismatch itself.
    difference = rest[row] - np.nansum(np.where(np.isfinite(laboratory), laboratory, 0.0), axis=0)
    design = known.adjustment.shape.design(times)[:, row, :]
    n = known.adjustment.shape.sensors
    moving = np.einsum("p,pt->t", parameters[1:], design[[term * n + row for term in range(1, parameters.size)]])
    noise = known.adjustment.sensors_noise
    out["bottles"] = int(mine.sum())
    out["bottle_sd_expected"] = float(np.hypot(noise[row], np.mean(noise[len(known.labels) :])))
    out["bottle_sd_corrected"] = float(np.std(difference[mine], ddof=1))
    out["bottle_sd_without_drift"] = float(np.std((difference + moving)[mine], ddof=1))
    return out
