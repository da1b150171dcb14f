"""What stands in for blocks without a friction velocity when a period's mean is formed.

Here:     the drag ratio of the site, the tidal course of the current, the filled series with its uncertainty.
Not here: the friction velocity itself (`currents`), the means (`estimate_fluxes`).
Rules:    a measured block is never replaced; a block whose speed is known stands at drag ratio times speed, one
          without any record at drag ratio times the tidal course; where neither is known it stays empty. A gap is
          not slack water: which of the two it is decides the current, not the gap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray

__all__ = ["FilledCourse", "fill_error", "fill_friction_velocity", "tidal_course"]

# Principal lunar period and its overtides; half of it for the difference between one high water and the next.
LUNAR_S = 12.4206012 * 3600.0
HARMONICS = (0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0)
# Two tides are the least that a course can be fitted to; after four days springs and neaps show.
LEAST_TIDES = 2.0
LONG_RECORD_S = 4.0 * 86400.0
# Blocks over which errors of the filling hang together: an hour where the speed was measured, a quarter of a tide
# where it was not.
TOGETHER = {1: 4, 2: 12}


@dataclass(frozen=True, slots=True, kw_only=True)
class FilledCourse:
    """A series without gaps, as far as anything is known."""

    value: FloatArray
    """(blocks,). NaN where neither the block nor the tide is known. [m s-1]"""
    sd: FloatArray
    """Standard uncertainty of the filling, 0 where measured. [m s-1]"""
    source: npt.NDArray[np.int64]
    """0 measured, 1 from the speed of the block, 2 from the tidal course, 9 unknown."""
    ratio: float
    """Friction velocity over speed. [1]"""


def tidal_course(*, seconds: FloatArray, values: FloatArray) -> FloatArray:
    """Return the tidal course of one component of the current, fitted to the blocks that are there.

    Parameters
    ----------
    seconds : (blocks,) array
        [s]
    values : (blocks,) array
        Component of the current; NaN at gaps. [m s-1]

    Returns
    -------
    (blocks,) array
        NaN everywhere where the record holds less than two tides.

    Notes
    -----
    Mean and overtides of the principal lunar tide by least squares, slightly damped; in a record longer than four
    days each may grow or shrink with time, which follows springs and neaps (common practice, no source).
    """
    good = np.isfinite(values)
    nothing = np.full(values.size, np.nan)
    if good.sum() < 24 or np.ptp(seconds[good]) < LEAST_TIDES * LUNAR_S:
        return nothing
    middle, span = float(seconds[good].mean()), float(np.ptp(seconds[good]))
    late = (seconds - middle) / span
    columns = [np.ones(values.size)]
    for number in HARMONICS:
        angle = 2.0 * np.pi * number * (seconds - middle) / LUNAR_S
        for wave in (np.cos(angle), np.sin(angle)):
            columns.append(wave)
            if span > LONG_RECORD_S:
                columns.append(wave * late)
    design = np.column_stack(columns)
    part = design[good]
    damping = 1e-4 * float(good.sum()) * np.eye(design.shape[1])
    answer = np.linalg.solve(part.T @ part + damping, part.T @ values[good])
    return np.asarray(design @ answer)


def fill_friction_velocity(
    *, friction_velocity: FloatArray, speed: FloatArray, direction_to: FloatArray, seconds: FloatArray, floor: float
) -> FilledCourse:
    """Return the friction velocity with its gaps filled from the speed of the block, or from the tide.

    Parameters
    ----------
    friction_velocity, speed : (blocks,) arrays
        NaN where refused or missing. [m s-1]
    direction_to : (blocks,) array
        [degree]
    seconds : (blocks,) array
        [s]
    floor : float
        Friction velocity below which blocks are refused: the drag ratio there is known to a third of it only.
        [m s-1]
    """
    both = np.isfinite(friction_velocity) & np.isfinite(speed) & (speed > 0.0)
    source = np.where(np.isfinite(friction_velocity), 0, 9)
    value, sd = friction_velocity.copy(), np.where(source == 0, 0.0, np.nan)
    if both.sum() < 8:
        return FilledCourse(value=value, sd=sd, source=source, ratio=float("nan"))
    ratios = friction_velocity[both] / speed[both]
    ratio = float(np.median(ratios))
    scatter = 1.4826 * float(np.median(np.abs(ratios - ratio)))
    measured = (source == 9) & np.isfinite(speed)
    value[measured] = ratio * speed[measured]
    # Blocks that were refused are mostly slow ones, where the ratio is not that of the fast ones.
    sd[measured] = np.hypot(scatter * speed[measured], 0.3 * floor)
    source[measured] = 1
    heading = np.deg2rad(direction_to)
    east, north = (tidal_course(seconds=seconds, values=speed * part) for part in (np.sin(heading), np.cos(heading)))
    course = ratio * np.hypot(east, north)
    rest = friction_velocity[both] - course[both]
    blind = (source == 9) & np.isfinite(course)
    if blind.any():
        value[blind] = course[blind]
        sd[blind] = float(np.sqrt(np.mean(rest**2)))
        source[blind] = 2
    return FilledCourse(value=value, sd=sd, source=source, ratio=ratio)


def fill_error(sd: FloatArray, source: npt.NDArray[np.int64]) -> float:
    """Return the standard uncertainty that filled blocks give the mean of all.

    Parameters
    ----------
    sd, source : (n,) arrays
        As in `FilledCourse`, of the blocks of the period.
    """
    if sd.size == 0:
        return 0.0
    total = 0.0
    for code, blocks in TOGETHER.items():
        part = sd[(source == code) & np.isfinite(sd)]
        if part.size:
            total += float((part**2).sum()) * min(blocks, part.size)
    return float(np.sqrt(total)) / sd.size
