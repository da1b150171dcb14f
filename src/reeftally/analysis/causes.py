"""Which fault: the causes of a stretch in doubt, ranked from the sensor, its neighbours and the crew's log.

Here:     the record of a sensor and its neighbours about a stretch, known offsets taken off, and its diagnosis;
          causes named by a detector that looks for one thing only.
Not here: the patterns and their likelihoods (`reeftally.quality.faults`), what is in doubt (`record_findings`).
Rules:    neighbours are sensors of the same quantity that stood on the reef at the time; without two hours of them
          nothing is ranked and that is said.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from reeftally._checks import FloatArray
from reeftally.analysis.context import Context
from reeftally.analysis.grid import NS
from reeftally.analysis.offsets import SensorOffsets
from reeftally.analysis.records import SlowBlocks
from reeftally.errors import InputError
from reeftally.quality._separating import separating_test
from reeftally.quality.faults import Cause, Diagnosis, Suspect, diagnose

__all__ = ["diagnose_stretch", "named_causes"]

# What is looked at beside the stretch itself, and the samples that are enough for a diagnosis.
MARGIN_S = 6 * 3600.0
MOST_SAMPLES = 12000
# How far a corrected sensor may stand from its neighbours without a fault: the gradient of the lower two metres.
USUAL_APART = {"oxygen": 1.0, "ph_total": 0.003, "temperature": 0.02, "salinity": 0.03}


def named_causes(*pairs: tuple[str, str], test: str = "") -> dict[str, Any]:
    """Return the fields `causes` and `test` of a finding whose detector looks for one thing, likeliest first.

    The test is the usual one between the first two causes where no better one is given.
    """
    causes = tuple(Cause(name=name, support=float("nan"), evidence=words, numbers={}) for name, words in pairs)
    if not test and len(causes) > 1:
        test = separating_test(causes[0].name, causes[1].name)
    return {"causes": causes, "test": test}


def diagnose_stretch(
    context: Context,
    slow: Mapping[str, SlowBlocks],
    offsets: Mapping[str, SensorOffsets],
    *,
    label: str,
    channel: str,
    start_ns: int,
    end_ns: int,
) -> Diagnosis | None:
    """Rank the causes of what one channel shows in a stretch; None where no neighbour can tell.

    Parameters
    ----------
    label, channel : str
        Instrument and stored channel.
    start_ns, end_ns : int
        The stretch in doubt, true time; six hours on either side are looked at with it.
    """
    middle = (start_ns + end_ns) // 2
    own_place = context.book.deployment_at(label, middle)
    if own_place is None or context.book.station(own_place.station).role not in {"bed", "ambient"}:
        return None
    low = max(own_place.start_ns, start_ns - round(MARGIN_S * NS))
    high = min(own_place.end_ns, end_ns + round(MARGIN_S * NS))
    quantity = "oxygen" if channel == "oxygen_molar" else channel
    interval = context.book.instrument(label).sample_interval_s
    step = interval * max(1, int(np.ceil((high - low) / NS / interval / MOST_SAMPLES)))
    time = np.arange(low / NS, high / NS, step)
    if time.size < 60:
        return None
    adjusted = offsets.get(quantity)

    def record(name: str) -> FloatArray | None:
        """Return the samples nearest to the times, known error taken off; NaN where none is near."""
        found = context.read(name, start_ns=low, end_ns=high, channels=[channel])
        if channel not in found.channels or found.time_ns.size < 10:
            return None
        seconds = found.seconds()
        at = np.clip(np.searchsorted(seconds, time), 1, seconds.size - 1)
        at = np.where(np.abs(seconds[at - 1] - time) <= np.abs(seconds[at] - time), at - 1, at)
        values = np.asarray(found.channels[channel], dtype=np.float64)[at]
        reach = max(interval, context.book.instrument(name).sample_interval_s)
        values = np.where(np.abs(seconds[at] - time) <= 0.6 * max(reach, step), values, np.nan)
        if adjusted is not None and name in adjusted.labels:
            # One error for the stretch, so that equal values stay equal. It is one of the derived quantity; a stored
            # one by volume at another salinity differs by a factor.
            error = float(adjusted.adjustment.at(float(time.mean()))[adjusted.row(name), 0])
            values = values - error * _factor(slow[name], channel, quantity, values)
        return values

    values = record(label)
    if values is None:
        return None
    names, heights, others = [], [], []
    floor = 0.02
    displacement = context.book.site.displacement_height_m
    for name, blocks in sorted(slow.items()):
        place = context.book.deployment_at(name, middle)
        if name == label or place is None or quantity not in blocks.channels:
            continue
        if context.book.station(place.station).role not in {"bed", "ambient"}:
            continue
        if place.start_ns > low or place.end_ns < high:
            continue
        found = record(name)
        if found is not None and np.isfinite(found).mean() > 0.5:
            names.append(name)
            heights.append(max(place.height_above_bed_m - displacement, floor))
            others.append(found)
    if not others:
        return None
    noise = next(
        (t.noise_sd for t in context.book.instrument(label).terms if t.quantity in {quantity, channel}),
        0.0,
    )
    suspect = Suspect(
        time=time,
        values=values,
        quantity=quantity,
        noise_sd=noise,
        offset_sd=USUAL_APART.get(quantity, 10.0 * max(noise, 1e-6)),
        neighbours=np.stack(others),
        names=tuple(names),
        height=max(own_place.height_above_bed_m - displacement, floor),
        neighbour_heights=tuple(heights),
        cleanings=_moments(context, label, "clean", low, high),
        restarts=_moments(context, None, "power", low, high),
        started=own_place.start_ns / NS,
    )
    try:
        return diagnose(suspect)
    except InputError:
        return None


def _factor(blocks: SlowBlocks, channel: str, quantity: str, values: FloatArray) -> float:
    if channel == quantity or quantity not in blocks.channels:
        return 1.0
    derived = float(np.nanmedian(blocks.channels[quantity].mean))
    stored = float(np.nanmedian(values)) if np.isfinite(values).any() else float("nan")
    return stored / derived if np.isfinite(derived) and np.isfinite(stored) and derived > 0 else 1.0


def _moments(context: Context, label: str | None, kind: str, low: int, high: int) -> tuple[float, ...]:
    return tuple(
        row.time_ns / NS
        for row in context.tables.interventions
        if (label is None or row.instrument == label) and row.kind.lower().startswith(kind) and low < row.time_ns < high
    )
