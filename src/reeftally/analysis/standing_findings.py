"""Findings about how an instrument was set and stands: unit of currents and light, pH scale, frame, brown-outs.

Here:     each instrument's whole record against its neighbours, the sun, the bottles, and its own angles and silences.
Not here: the checks themselves (`quality.values`, `quality.mounting`), oxygen and voltages (`sensor_findings`).
Rules:    nothing here is corrected: a unit, a scale or a geometry is for the layout and the book, by a person.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from reeftally._checks import FloatArray
from reeftally.analysis.context import Context
from reeftally.analysis.estimates import iso
from reeftally.analysis.fast_blocks import flow_blocks
from reeftally.analysis.finding import Finding
from reeftally.analysis.grid import NS
from reeftally.analysis.level_findings import STORED
from reeftally.analysis.offsets import usable_bottles
from reeftally.analysis.records import SlowBlocks, Water
from reeftally.analysis.review_records import ChannelReview
from reeftally.mission.solar import elevation
from reeftally.quality.doubts import Doubt
from reeftally.quality.mounting import frame_steps, restarts
from reeftally.quality.values import light_unit, ph_scale, velocity_unit

__all__ = ["standing_findings"]

# Light of a clear sky with the sun overhead (from memory); under water it is less, and no unit is asked about there.
OVERHEAD_PAR = 2000.0
# Scales nearer than this to the total scale are not told from a calibration error.
APART = 0.03
LEAST_BOTTLES = 3
# Currents over a sheltered reef lie about this (common practice, no source); only a power of ten matters. [m s-1]
USUAL_CURRENT = 0.1


def standing_findings(
    context: Context, slow: Mapping[str, SlowBlocks], water: Water, reviews: Sequence[ChannelReview]
) -> Iterator[Finding]:
    """Yield the findings about settings and standing."""
    yield from _velocity_units(context, slow)
    for label, blocks in sorted(slow.items()):
        yield from _scale(context, label, blocks, water)
        yield from _light(context, label, blocks)
        yield from _frame(context, label, blocks)
    seen: set[str] = set()
    for review in reviews:
        if review.label in seen or review.carried:
            continue
        seen.add(review.label)
        true = np.sort(context.clock(review.label).true(review.stamps_ns)).astype(np.float64) / NS
        _, doubt = restarts(time=true, interval=review.interval_s)
        if doubt is not None:
            yield _finding(review.label, "time", doubt)


def _finding(label: str, channel: str, doubt: Doubt) -> Finding:
    at = None if doubt.start is None else round(doubt.start * NS)
    where = "" if at is None else f" from {iso(at)}"
    return Finding(
        id=f"{doubt.kind.replace(' ', '-')}-{label}" + ("" if channel == "time" else f"-{channel}"),
        severity=doubt.severity,
        subject=label,
        what=f"{label}: {channel}: found {doubt.found}{where}.",
        evidence=f"expected {doubt.wanted}",
        proposal=doubt.proposal,
        start_ns=at,
    )


def _velocity_units(context: Context, slow: Mapping[str, SlowBlocks]) -> Iterator[Finding]:
    """Hold the median speed of each current meter on the reef against the median of all."""
    speeds: dict[str, float] = {}
    for instrument in context.book.instruments_of_kind("velocimeter"):
        if context.has(instrument.label):
            speeds[instrument.label] = _middle(np.hypot(*flow_blocks(context, instrument.label).mean))
    for label, blocks in slow.items():
        roles = {context.book.station(d.station).role for d in context.book.deployments_of(label)}
        if "air" in roles:
            continue
        for x, y in (("velocity_x", "velocity_y"), ("velocity_east", "velocity_north")):
            names = [n for n in blocks.channels if n.split("_bin_", maxsplit=1)[0] == x]
            parts = [
                np.hypot(blocks.channels[n].mean, blocks.channels[n.replace(x, y, 1)].mean)
                for n in names
                if n.replace(x, y, 1) in blocks.channels
            ]
            if parts:
                speeds[label] = _middle(np.concatenate(parts))
    known = {label: speed for label, speed in speeds.items() if np.isfinite(speed) and speed > 0}
    if len(known) < 2:
        return
    # Of two alone, the one nearer to a usual current of the reef is believed; of more, their median.
    usual = (
        float(np.median(list(known.values())))
        if len(known) > 2
        else min(known.values(), key=lambda speed: abs(np.log(speed / USUAL_CURRENT)))
    )
    for label, speed in sorted(known.items()):
        doubt = velocity_unit(speed=[speed], neighbour=[usual])
        if doubt is not None:
            yield _finding(label, "velocity", doubt)


def _middle(values: FloatArray) -> float:
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if finite.size else float("nan")


def _scale(context: Context, label: str, blocks: SlowBlocks, water: Water) -> Iterator[Finding]:
    """Hold a fixed pH sensor against the bottles drawn beside it."""
    roles = {context.book.station(d.station).role for d in context.book.deployments_of(label)}
    if "ph_total" not in blocks.channels or "carried" in roles:
        return
    mean = blocks.channels["ph_total"].mean
    apart = []
    for bottle, value, _ in usable_bottles(context, "ph_total"):
        place = context.book.deployment_at(label, bottle.time_ns)
        block = int(context.grid.index(np.array([bottle.time_ns]))[0])
        if place is not None and place.station == bottle.station and 0 <= block < mean.size:
            apart.append(float(mean[block]) - value)
    held = np.array([d for d in apart if np.isfinite(d)])
    temperature, salinity = _middle(water.temperature), _middle(water.salinity)
    if held.size < LEAST_BOTTLES or not np.isfinite(temperature + salinity) or abs(float(held.mean())) < APART:
        return
    stored = context.store.streams()[label].channels
    declared = next((name for name in STORED["ph_total"] if name in stored), "ph_total")
    doubt = ph_scale(
        difference=held,
        sd=float(held.std(ddof=1) / np.sqrt(held.size)),
        temperature=temperature,
        salinity=salinity,
        declared=declared.removeprefix("ph_"),
    )
    if doubt is not None:
        yield _finding(label, declared, doubt)


def _light(context: Context, label: str, blocks: SlowBlocks) -> Iterator[Finding]:
    """Ask about the unit of a light sensor in air that never fits the clear sky."""
    roles = {context.book.station(d.station).role for d in context.book.deployments_of(label)}
    if "par" not in blocks.channels or roles != {"air"}:
        return
    site = context.book.site
    height = elevation(np.rint(context.grid.seconds * NS).astype(np.int64), site.latitude_deg, site.longitude_deg)
    sky = OVERHEAD_PAR * np.clip(np.sin(np.radians(height)), 0.0, None)
    light = blocks.channels["par"].mean
    both = np.isfinite(light) & (sky > 0)
    if both.sum() >= 20:
        doubt = light_unit(light=light[both], clear_sky=sky[both])
        if doubt is not None:
            yield _finding(label, "par", doubt)


def _frame(context: Context, label: str, blocks: SlowBlocks) -> Iterator[Finding]:
    """Find the moment at which a frame tipped, from angles within one deployment."""
    if not {"pitch", "roll"} <= set(blocks.channels):
        return
    for place in context.book.deployments_of(label):
        inside = context.grid.mids_in(place.start_ns, place.end_ns)
        pitch, roll = (np.where(inside, blocks.channels[name].mean, np.nan) for name in ("pitch", "roll"))
        for doubt in frame_steps(time=context.grid.seconds, pitch=pitch, roll=roll):
            yield _finding(label, "pitch" if "pitch" in doubt.found else "roll", doubt)
