"""Stretches in which one sensor's level leaves its neighbours': steps, foreign levels, drifts of hours.

Here:     block means less the median of the corrected neighbours, held against the sensor's own usual scatter; the
          ranked causes of each stretch and the proposal to leave it out; single steps, about which a person is asked.
Not here: slow growth (`growth`), crossed streams (`crossed`), single samples and stuck values (`record_findings`).
Rules:    two neighbours at least must stay together; what a found cause explains already is not told twice.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.analysis.causes import diagnose_stretch, named_causes
from reeftally.analysis.context import Context
from reeftally.analysis.estimates import iso
from reeftally.analysis.finding import DOUBTFUL, Finding, stretch
from reeftally.analysis.offsets import SensorOffsets
from reeftally.analysis.records import SlowBlocks
from reeftally.mission import Exclude
from reeftally.quality._patterns import runs_of

__all__ = ["level_findings"]

# A block is away from so many of the usual scatters of the sensor against its neighbours (robust), and by this much.
SCATTERS = 9.0
LEAST_AWAY = {"oxygen": 2.0, "ph_total": 0.01, "temperature": 0.1, "salinity": 0.1}
LEAST_BLOCKS, JOIN_BLOCKS = 2, 2
# The neighbours must agree among themselves to a third of what the sensor is away.
TOGETHER = 1.0 / 3.0
# A step: medians of so many blocks before and after differ by this many of the record's usual differences, by so much,
# and most of it at once. Chosen so that no step is claimed in 81 invented sensor-days (docs/trust.md).
STEP_BLOCKS, STEP_CLEAR, STEP_SHARP = 8, 5.0, 0.6
LEAST_STEP = {"oxygen": 2.5, "ph_total": 0.01}
STORED = {"oxygen": ("oxygen_molar", "oxygen"), "ph_total": ("ph_total", "ph_free", "ph_seawater", "ph_nbs")}


def level_findings(
    context: Context,
    slow: Mapping[str, SlowBlocks],
    offsets: Mapping[str, SensorOffsets],
    told: Sequence[Finding],
) -> Iterator[Finding]:
    """Yield a finding for every stretch in which a sensor's level stands apart.

    Parameters
    ----------
    told : sequence of Finding
        What is found already; a stretch that overlaps one of the same sensor is left out.
    """
    for quantity, known in offsets.items():
        corrected = _corrected(context, slow, known)
        if len(corrected) < 3:
            continue
        own: list[Finding] = []
        for label in corrected:
            for first, end, away, scatter in _away(corrected, label, LEAST_AWAY.get(quantity, np.inf)):
                begin, stop = int(context.grid.edges[first]), int(context.grid.edges[end])
                if any(label in _subjects(f) and _overlap(f, begin, stop) for f in told):
                    continue
                own.append(_finding(context, slow, offsets, label, quantity, begin, stop, away, scatter))
        yield from own
        if quantity in LEAST_STEP:
            yield from _steps(context, _placed(context, slow, known), quantity, [*told, *own])


def _on_the_reef(context: Context, label: str) -> npt.NDArray[np.bool_]:
    """Return the blocks in which a sensor stood on the reef."""
    inside = np.zeros(context.grid.count, dtype=bool)
    for place in context.book.deployments_of(label):
        if context.book.station(place.station).role in {"bed", "ambient"}:
            inside |= context.grid.mids_in(place.start_ns, place.end_ns)
    return inside


def _placed(context: Context, slow: Mapping[str, SlowBlocks], known: SensorOffsets) -> dict[str, FloatArray]:
    """Return the block means of the sensors on the reef as they were read, NaN while they were elsewhere.

    The adjustment is left off here: a step bends its drift.
    """
    out = {}
    for label in known.labels:
        inside = _on_the_reef(context, label)
        values = np.where(inside, slow[label].channels[known.quantity].mean, np.nan)
        if np.isfinite(values).sum() >= 48:
            out[label] = values
    return out


def _steps(
    context: Context,
    placed: Mapping[str, FloatArray],
    quantity: str,
    told: Sequence[Finding],
) -> Iterator[Finding]:
    """Ask about the clearest step of each sensor, if the sensor alone stepped and nothing else explains it."""
    if len(placed) < 3:
        return
    edges = context.grid.edges
    # Where any of them was moved or swapped, the others' median steps too.
    moves = {
        int(np.searchsorted(edges, moment))
        for label in placed
        for place in context.book.deployments_of(label)
        for moment in (place.start_ns, place.end_ns)
    }
    cuts = sorted(move for move in moves if 0 < move < context.grid.count)
    # The largest step is believed first; its sensor then serves no longer to judge the others, in whose
    # difference the same step shows, smaller and turned.
    left = dict(placed)
    while len(left) >= 3:
        found = {}
        for label, values in left.items():
            # Each pair by itself about its own middle: a neighbour that falls silent then leaves no step behind.
            pairs = [_centred(values - other, cuts) for name, other in left.items() if name != label]
            found[label] = _clearest(_nanmedian(np.stack(pairs)), cuts, LEAST_STEP[quantity])
        found = {name: step for name, step in found.items() if step[2] > STEP_CLEAR}
        if not found:
            return
        label = max(found, key=lambda name: abs(found[name][1]))
        at, size, clear = found[label]
        others_names = [name for name in left if name != label]
        del left[label]
        moment = int(edges[at])
        reach = STEP_BLOCKS * int(edges[1] - edges[0])
        if any(_overlap(f, moment - reach, moment + reach) and _subjects(f) & set(placed) for f in told):
            continue
        unit = " µmol/kg" if quantity == "oxygen" else ""
        yield Finding(
            id=f"step-{label}-{quantity}-{iso(moment)[:16].replace(':', '')}",
            severity=DOUBTFUL,
            subject=label,
            what=f"{label}: {quantity} stepped by {size:+.3g}{unit} against its neighbours at {iso(moment)}.",
            evidence=f"{clear:.0f} times what two hours usually differ from the next two, most of it at once; "
            f"expected its neighbours' course ({', '.join(others_names)})",
            proposal="Was it moved, cleaned or knocked? If so, end the deployment there and begin another; if it came "
            "back later, leave that stretch out.",
            start_ns=moment,
            **named_causes(
                ("moved", f"a step of {size:+.3g}"),
                ("cable or power", "no sample is missing"),
            ),
        )


def _centred(difference: FloatArray, cuts: Sequence[int]) -> FloatArray:
    """Return a difference less its median between each two cuts."""
    out = difference.copy()
    for begin, end in pairwise([0, *cuts, difference.size]):
        part = out[begin:end]
        finite = part[np.isfinite(part)]
        if finite.size:
            part -= np.median(finite)
    return out


def _clearest(difference: FloatArray, cuts: Sequence[int], least: float) -> tuple[int, float, float]:
    """Return place, size and clearness of the clearest sharp step, never across a cut; clearness 0 if there is none."""
    n = difference.size
    size, sharp = np.full(n, np.nan), np.full(n, np.nan)
    ends = [0, *cuts, n]
    for begin, end in pairwise(ends):
        for at in range(begin + STEP_BLOCKS // 2, end - STEP_BLOCKS // 2 + 1):
            before = difference[max(at - STEP_BLOCKS, begin) : at]
            after = difference[at : min(at + STEP_BLOCKS, end)]
            before, after = before[np.isfinite(before)], after[np.isfinite(after)]
            if min(before.size, after.size) < STEP_BLOCKS // 2:
                continue
            size[at] = float(np.median(after) - np.median(before))
            sharp[at] = float(np.median(after[:3]) - np.median(before[-3:]))
    known = size[np.isfinite(size)]
    if known.size < 24:
        return 0, 0.0, 0.0
    usual = max(1.4826 * float(np.median(np.abs(known - np.median(known)))), 1e-12)
    good = (np.abs(size) >= least) & (np.abs(sharp) > STEP_SHARP * np.abs(size)) & (size * sharp > 0)
    clear = np.where(good, np.abs(np.nan_to_num(size)) / usual, 0.0)
    at = int(np.argmax(clear))
    return at, float(size[at]), float(clear[at])


def _corrected(context: Context, slow: Mapping[str, SlowBlocks], known: SensorOffsets) -> dict[str, FloatArray]:
    """Return the corrected block means of the sensors on the reef, NaN while they were elsewhere."""
    grid = context.grid
    errors = known.adjustment.at(grid.seconds)
    out = {}
    for label in known.labels:
        inside = _on_the_reef(context, label)
        if inside.any():
            values = slow[label].channels[known.quantity].mean - errors[known.row(label)]
            out[label] = np.where(inside, values, np.nan)
    return out


def _away(corrected: Mapping[str, FloatArray], label: str, least: float) -> Iterator[tuple[int, int, float, float]]:
    """Yield (first block, end, median distance, usual scatter) of stretches that stand apart."""
    others = np.stack([values for name, values in corrected.items() if name != label])
    count = np.isfinite(others).sum(axis=0)
    present = count >= 2
    with np.errstate(invalid="ignore"):
        middle = np.where(present, _nanmedian(others), np.nan)
        filled = np.where(np.isfinite(others), others, middle)
        spread = filled.max(axis=0) - filled.min(axis=0)
    difference = corrected[label] - middle
    finite = difference[np.isfinite(difference)]
    if finite.size < 24:
        return
    usual = float(np.median(finite))
    scatter = 1.4826 * float(np.median(np.abs(finite - usual)))
    distance = difference - usual
    limit = max(SCATTERS * scatter, least)
    bad = np.abs(np.nan_to_num(distance)) > limit
    joined = bad.copy()
    for first, end in runs_of(~bad):
        if first > 0 and end < bad.size and end - first <= JOIN_BLOCKS:
            joined[first:end] = True
    for first, end in runs_of(joined):
        inside = bad[first:end]
        if inside.sum() < LEAST_BLOCKS:
            continue
        far = float(np.median(distance[first:end][inside]))
        # The median of three holds against one that errs itself; of two it does not.
        agree = float(np.nanmedian(spread[first:end])) < TOGETHER * abs(far)
        if agree or float(np.median(count[first:end])) >= 3:
            yield first, end, far, scatter


def _nanmedian(values: FloatArray) -> FloatArray:
    """Return the median over rows of what is there; NaN where nothing is."""
    out = np.full(values.shape[1], np.nan)
    some = np.isfinite(values).any(axis=0)
    out[some] = np.nanmedian(values[:, some], axis=0)
    return out


def _subjects(finding: Finding) -> set[str]:
    names = {finding.subject}
    if finding.correction is not None:
        names |= set(finding.correction.get("instruments", ()))
    return names


def _overlap(finding: Finding, begin: int, stop: int) -> bool:
    low = finding.start_ns if finding.start_ns is not None else -(2**62)
    high = finding.end_ns if finding.end_ns is not None else 2**62
    # A finding about a whole sensor or its clock explains no level of a stretch, except a clock of its own.
    whole = finding.start_ns is None and finding.end_ns is None and not finding.id.startswith("clock")
    return not whole and low < stop and begin < high


def _finding(
    context: Context,
    slow: Mapping[str, SlowBlocks],
    offsets: Mapping[str, SensorOffsets],
    label: str,
    quantity: str,
    begin: int,
    stop: int,
    away: float,
    scatter: float,
) -> Finding:
    stored = context.store.streams()[label].channels
    channel = next((name for name in STORED.get(quantity, (quantity,)) if name in stored), quantity)
    diagnosis = diagnose_stretch(context, slow, offsets, label=label, channel=channel, start_ns=begin, end_ns=stop)
    unit = " µmol/kg" if quantity == "oxygen" else " °C" if quantity == "temperature" else ""
    ranked = (
        {"causes": diagnosis.causes[:3], "test": diagnosis.separating_test}
        if diagnosis is not None
        else named_causes(("moved", "its level alone stepped"), ("cable or power", "no sample is missing"))
    )
    return Finding(
        id=f"level-{label}-{quantity}-{iso(begin)[:16].replace(':', '')}",
        severity=DOUBTFUL,
        subject=label,
        what=f"{label}: {quantity} stands {away:+.3g}{unit} off its neighbours from {iso(begin)} to {iso(stop)}.",
        evidence=f"{abs(away) / max(scatter, 1e-12):.0f} times its usual scatter of {scatter:.2g} against their median"
        + (f"; {diagnosis.causes[0].name}: {diagnosis.causes[0].evidence}" if diagnosis is not None else ""),
        proposal=f"leave {channel} of {label} out from {iso(begin)} to {iso(stop)}",
        correction=Exclude(instrument=label, channel=channel, start=stretch(begin), end=stretch(stop)).model_dump(
            mode="json"
        ),
        start_ns=begin,
        end_ns=stop,
        **ranked,
    )
