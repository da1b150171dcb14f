"""Growth on sensors: what a logged cleaning took away, and since when it had grown.

Here:     the step of a sensor at each cleaning of the crew's table against sensors that stayed clean, the onset of the
          growth, the proposal to leave that stretch out.
Not here: the fit (`reeftally.calibration.fouling`).
Rules:    a step is claimed only far clear of zero; nothing is left out before a person accepts it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from reeftally._checks import FloatArray
from reeftally.analysis.context import Context
from reeftally.analysis.estimates import iso
from reeftally.analysis.finding import NOTED, SERIOUS, Finding, stretch
from reeftally.analysis.grid import NS, Grid
from reeftally.analysis.records import SlowBlocks
from reeftally.calibration.fouling import CleaningStep, cleaning_steps
from reeftally.mission import Exclude

__all__ = ["fouling_findings"]

DAY_S = 86400.0
# The onset is the step over the growth a day; a fifth more is left out, since growth is slow to begin with.
ONSET_MARGIN = 1.2
# Stored channels that a quantity may come from.
CHANNELS = {"oxygen": ("oxygen_molar", "oxygen"), "ph_total": ("ph_total", "ph_free", "ph_seawater", "ph_nbs")}


def fouling_findings(context: Context, slow: Mapping[str, SlowBlocks]) -> Iterator[Finding]:
    """Yield a finding for every logged cleaning that took growth off an oxygen or pH sensor.

    The clearest steps are believed first; what grew on one sensor is then left out where it served to judge another,
    and a step that does not stand without it is dropped.
    """
    grid = context.grid
    claims: list[tuple[float, str, str, int]] = []
    for row in context.tables.interventions:
        label = row.instrument
        if label is None or label not in slow or not row.kind.lower().startswith("clean"):
            continue
        for quantity in ("oxygen", "ph_total"):
            if quantity in slow[label].channels:
                step = _step(context, grid, slow, label, quantity, row.time_ns, [])
                if step is not None and step.claimed:
                    claims.append((abs(step.step) / step.sd, label, quantity, row.time_ns))
    believed: list[Finding] = []
    for _, label, quantity, moment in sorted(claims, reverse=True):
        step = _step(context, grid, slow, label, quantity, moment, believed)
        if step is not None and step.claimed:
            believed.append(_finding(context, label, quantity, moment, step))
    yield from believed


def _step(
    context: Context,
    grid: Grid,
    slow: Mapping[str, SlowBlocks],
    label: str,
    quantity: str,
    moment: int,
    believed: list[Finding],
) -> CleaningStep | None:
    difference = _against_others(context, grid, slow, label, quantity, moment, believed)
    if difference is None:
        return None
    (step,) = cleaning_steps(time=grid.seconds, difference=difference, cleanings=[moment / NS])
    return step


def _against_others(
    context: Context,
    grid: Grid,
    slow: Mapping[str, SlowBlocks],
    label: str,
    quantity: str,
    moment: int,
    believed: list[Finding],
) -> FloatArray | None:
    """Return the sensor less the mean of the others, over blocks in which none of them was moved or overgrown."""
    own = context.book.deployment_at(label, moment)
    if own is None:
        return None
    roles = {"bed", "ambient"}
    parts = []
    inside = grid.mask(own.start_ns, own.end_ns)
    for other, blocks in slow.items():
        if other == label or quantity not in blocks.channels:
            continue
        place = context.book.deployment_at(other, moment)
        if place is None or context.book.station(place.station).role not in roles:
            continue
        # A sensor that moved within a day of the cleaning would bring a step of its own.
        if place.start_ns > moment - DAY_S * NS or place.end_ns < moment + DAY_S * NS:
            continue
        mean = blocks.channels[quantity].mean.copy()
        for finding in believed:
            if finding.subject == other and finding.start_ns is not None and finding.end_ns is not None:
                mean[grid.mids_in(finding.start_ns, finding.end_ns)] = np.nan
        parts.append(mean)
    if not parts:
        return None
    others = np.stack(parts)
    present = np.isfinite(others)
    together = np.where(present.all(axis=0), np.where(present, others, 0.0).mean(axis=0), np.nan)
    return np.where(inside, slow[label].channels[quantity].mean - together, np.nan)


def _finding(context: Context, label: str, quantity: str, moment: int, step: CleaningStep) -> Finding:
    place = context.book.deployments_of(label)
    first = min(row.start_ns for row in place)
    grows = step.growth_per_day * step.step < 0 and abs(step.growth_per_day) > 2.0 * step.growth_sd
    days = ONSET_MARGIN * abs(step.step / step.growth_per_day) if grows else np.inf
    since = max(first, moment - round(min(days, 3650.0) * DAY_S * NS))
    stored = context.store.streams()[label].channels
    channel = next((name for name in CHANNELS[quantity] if name in stored), None)
    correction = Exclude(instrument=label, channel=channel, start=stretch(since), end=stretch(moment))
    unit = " µmol/kg" if quantity == "oxygen" else ""
    return Finding(
        id=f"growth-{label}-{quantity}-{iso(moment)[:16].replace(':', '')}",
        severity=SERIOUS if channel is not None else NOTED,
        subject=label,
        what=f"{label}: {quantity} stepped by {step.step:+.4g}{unit} when it was cleaned at {iso(moment)}: growth had "
        f"taken that much away.",
        evidence=f"step {step.step:+.4g} (95 % interval {step.lower:.4g} to {step.upper:.4g}) against the others; "
        f"before it the difference grew by {step.growth_per_day:+.3g} a day",
        proposal=f"leave {quantity} of {label} out from {iso(since)} to {iso(moment)}",
        correction=correction.model_dump(mode="json") if channel is not None else None,
        start_ns=since,
        end_ns=moment,
        details={"quantity": quantity, "growth_per_day": step.growth_per_day, "step": step.step},
    )
