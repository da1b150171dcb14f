"""The current in blocks: speed, direction, friction velocity by three routes and the best of them.

Here:     joining velocimeters and near-bed profilers block by block.
Not here: the estimates themselves (`reeftally.flow`).
Rules:    the estimates stand side by side; a block without a trustworthy friction velocity has none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from reeftally import flow
from reeftally._checks import FloatArray
from reeftally.analysis.bursts import BurstSeries
from reeftally.analysis.context import Context
from reeftally.analysis.gaps import FilledCourse, fill_friction_velocity
from reeftally.analysis.grid import Grid
from reeftally.analysis.records import SlowBlocks
from reeftally.mission import channel_name

__all__ = ["Currents", "compass", "join_currents"]


@dataclass(slots=True, kw_only=True)
class Currents:
    """Flow of the mission in blocks."""

    speed: FloatArray
    """At the height of the best placed velocimeter, (blocks,). [m s-1]"""
    direction_to: FloatArray
    """Where the water goes, from true north. [degree]"""
    friction_velocity: FloatArray
    """Best value; NaN where refused. [m s-1]"""
    friction_velocity_random_sd: FloatArray
    friction_velocity_systematic_sd: FloatArray
    reason: npt.NDArray[np.str_]
    """How the best value came about."""
    estimates: dict[str, tuple[FloatArray, FloatArray]]
    """By method: value and random sd."""
    systematic: dict[str, FloatArray]
    """By method: systematic sd."""
    roughness: FloatArray
    """Apparent roughness from the log law. [m]"""
    log_roughness_sd: FloatArray
    log_roughness_systematic_sd: FloatArray
    """Of ln z0, by displacement and heights."""
    log_roughness_by_offset: FloatArray
    """What one standard uncertainty of the profiler's velocity offset does to ln z0, with its sign."""
    dissipation: FloatArray
    """[W kg-1]"""
    dissipation_random_sd: FloatArray
    dissipation_systematic_sd: FloatArray
    wave_height: FloatArray
    wave_period: FloatArray
    filled: FilledCourse
    """Friction velocity without gaps, for means over periods."""
    refused: dict[str, int] = field(default_factory=dict)
    """How many blocks each reason refused."""
    profile: tuple[str, FloatArray, FloatArray] | None = None
    """Profiler of the log law, heights of its bins near the bed [m], speed along the flow (blocks, bins) [m s-1]."""


def compass(context: Context, label: str, mids_ns: npt.NDArray[np.int64], direction: FloatArray) -> FloatArray:
    """Turn directions from an instrument's x axis (anticlockwise) into compass directions.

    The book's heading is the compass direction of the x axis; the magnetic declination is added once.
    """
    heading = np.full(mids_ns.size, np.nan)
    for place in context.book.deployments_of(label):
        inside = (mids_ns >= place.start_ns) & (mids_ns < place.end_ns)
        heading[inside] = place.heading_deg if place.heading_deg is not None else np.nan
    return np.asarray((heading + context.book.site.magnetic_declination_deg - direction) % 360.0)


def _mean_of(values: list[FloatArray], sds: list[FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Inverse-variance mean over instruments, block by block; NaN where none has a value."""
    value, sd = np.stack(values), np.stack(sds)
    good = np.isfinite(value) & np.isfinite(sd) & (sd > 0)
    weight = np.where(good, 1.0 / np.where(good, sd, 1.0) ** 2, 0.0)
    total = weight.sum(axis=0)
    safe = np.where(total > 0, total, 1.0)
    return (
        np.where(total > 0, (weight * np.where(good, value, 0.0)).sum(axis=0) / safe, np.nan),
        np.where(total > 0, 1.0 / np.sqrt(safe), np.nan),
    )


def _log_law(
    context: Context, grid: Grid, slow: Mapping[str, SlowBlocks]
) -> tuple[tuple[FloatArray, ...], tuple[str, FloatArray, FloatArray] | None]:
    """Log-law fits of the near-bed profiler, and the profile that was fitted.

    Fits: u*, random sd, systematic sd, z0, sd of ln z0, its systematic parts.

    The last two: by displacement and heights, and by one standard uncertainty of the velocity offset along the flow of
    the block, with the sign of the flow along x (an offset shifts ln z0 one way on the flood, the other on the ebb).
    """
    site, analysis = context.book.site, context.book.analysis
    best: tuple[FloatArray, ...] | None = None
    profile: tuple[str, FloatArray, FloatArray] | None = None
    for label, blocks in slow.items():
        instrument = context.book.instrument(label)
        bins = instrument.bins
        if instrument.kind != "profiler" or bins is None:
            continue
        heights: FloatArray = np.asarray(bins.first_m + bins.size_m * np.arange(bins.count), dtype=np.float64)
        # The log layer is looked for below a tenth to a fifth of the depth, or one metre, whichever is lower.
        near = heights <= min(1.0, 0.2 * site.water_depth_m)
        if near.sum() < 4:
            continue
        parts = []
        for axis in ("velocity_x", "velocity_y", "velocity_east", "velocity_north"):
            rows = [blocks.channels.get(channel_name(axis, k + 1)) for k in range(bins.count)]
            if any(row is not None for row in rows):
                nothing = np.full(grid.count, np.nan)
                parts.append(np.stack([row.mean if row is not None else nothing for row in rows]))
        if len(parts) < 2:
            continue
        deployed = np.zeros(grid.count, dtype=bool)
        for place in context.book.deployments_of(label):
            deployed |= grid.mask(place.start_ns, place.end_ns)
        speed = np.where(deployed, _along(parts[0], parts[1]), np.nan)
        fit = flow.law_of_the_wall(
            height=heights[near],
            speed=speed[near],
            displacement=site.displacement_height_m,
            displacement_sd=site.displacement_height_sd_m,
            canopy_height=site.canopy_height_m,
            von_karman=analysis.von_karman,
            von_karman_sd=analysis.von_karman_sd,
        )
        offset = max(
            (t.offset_sd for t in instrument.terms if t.quantity in {"velocity_x", "velocity_east"}), default=0.0
        )
        with np.errstate(invalid="ignore"):
            side = np.sign(np.nansum(parts[0][near], axis=0))
            by_offset = side * offset * analysis.von_karman / fit.friction_velocity
        found = (
            fit.friction_velocity, fit.random_sd, fit.systematic_sd, fit.roughness, fit.log_roughness_sd,
            fit.log_roughness_systematic_sd, by_offset,
        )  # fmt: skip
        if best is None or np.isfinite(found[0]).sum() > np.isfinite(best[0]).sum():
            best = found
            profile = label, heights[near], np.ascontiguousarray(speed[near].T)
    return best if best is not None else tuple(np.full(grid.count, np.nan) for _ in range(7)), profile


def _along(x: FloatArray, y: FloatArray) -> FloatArray:
    """Project each bin on the mean direction of the block: a modulus would add the noise to the mean."""
    with np.errstate(invalid="ignore"):
        mean_x, mean_y = np.nansum(x, axis=0), np.nansum(y, axis=0)
        length = np.hypot(mean_x, mean_y)
        return np.asarray((x * mean_x + y * mean_y) / np.where(length > 0, length, np.nan))


def join_currents(
    context: Context, grid: Grid, velocimeters: list[BurstSeries], slow: Mapping[str, SlowBlocks]
) -> Currents:
    """Join all flow instruments block by block."""
    nothing = np.full(grid.count, np.nan)
    law, profile = _log_law(context, grid, slow)
    fields = {
        "covariance": ("friction_velocity", "friction_velocity_random_sd", "friction_velocity_systematic_sd"),
        "dissipation": tuple(f"friction_velocity_dissipation{end}" for end in ("", "_random_sd", "_systematic_sd")),
    }
    estimates: dict[str, tuple[FloatArray, FloatArray]] = {}
    systematic: dict[str, FloatArray] = {}
    refused: dict[str, int] = {}
    for method, (value, random, common) in fields.items():
        if velocimeters:
            estimates[method] = _mean_of(
                [v.field(value, grid.count) for v in velocimeters], [v.field(random, grid.count) for v in velocimeters]
            )
            # Constants are common to all velocimeters: the systematic part does not shrink with their number.
            common_parts = np.stack([v.field(common, grid.count) for v in velocimeters])
            systematic[method] = np.max(np.where(np.isfinite(common_parts), common_parts, 0.0), axis=0)
        else:
            estimates[method], systematic[method] = (nothing, nothing), nothing
    estimates["log_law"], systematic["log_law"] = (law[0], law[1]), law[2]
    for series in velocimeters:
        for record in series.records.values():
            for reason in filter(None, str(record["reasons"]).split("; ")):
                refused[f"{series.label} {reason}"] = refused.get(f"{series.label} {reason}", 0) + 1
    best = flow.friction_velocity_best(
        covariance=estimates["covariance"][0],
        covariance_sd=estimates["covariance"][1],
        dissipation=estimates["dissipation"][0],
        dissipation_sd=estimates["dissipation"][1],
        log_law=estimates["log_law"][0],
        log_law_sd=estimates["log_law"][1],
        floor=context.book.analysis.friction_velocity_floor_m_s,
    )
    main = min(velocimeters, key=lambda v: abs(np.nanmean(v.height) - 0.9), default=None)
    speed = main.field("speed", grid.count) if main is not None else nothing
    toward = (
        compass(context, main.label, grid.mids, main.field("direction", grid.count)) if main is not None else nothing
    )
    eps = velocimeters[0] if velocimeters else None
    return Currents(
        profile=profile,
        speed=speed,
        direction_to=toward,
        friction_velocity=best.value,
        friction_velocity_random_sd=best.random_sd,
        friction_velocity_systematic_sd=best.systematic_sd,
        reason=best.reason,
        estimates=estimates,
        systematic=systematic,
        roughness=law[3],
        log_roughness_sd=law[4],
        log_roughness_systematic_sd=law[5],
        log_roughness_by_offset=law[6],
        dissipation=eps.field("dissipation", grid.count) if eps is not None else nothing,
        dissipation_random_sd=eps.field("dissipation_random_sd", grid.count) if eps is not None else nothing,
        dissipation_systematic_sd=eps.field("dissipation_systematic_sd", grid.count) if eps is not None else nothing,
        wave_height=main.field("significant_wave_height", grid.count) if main is not None else nothing,
        wave_period=main.field("peak_wave_period", grid.count) if main is not None else nothing,
        filled=fill_friction_velocity(
            friction_velocity=best.value,
            speed=speed,
            direction_to=toward,
            seconds=grid.seconds,
            floor=context.book.analysis.friction_velocity_floor_m_s,
        ),
        refused=refused,
    )
