"""What single change narrows the interval of a period most, and which is the cheapest that reaches a target.

Here:     one change at a time, the whole prediction again after each.
Not here: the prediction (`missions`).
Rules:    a change that cannot be made with this design is left out, not counted as useless.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from reeftally._checks import FloatArray
from reeftally.planning.missions import BoolArray, GradientDesign, Prediction, Water, predict

__all__ = ["CHANGES", "Change", "Improvement", "improvements"]

Alter = Callable[[GradientDesign], GradientDesign | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing a crew can do."""

    name: str
    text: str
    effort: int
    """1: an hour with a tape; 5: another week of ship or station (common practice, no source)."""
    alter: Alter


@dataclass(frozen=True, slots=True, kw_only=True)
class Improvement:
    """A change and what it brings."""

    name: str
    text: str
    effort: int
    half_width: float
    """After the change. [mmol m-2 h-1]"""
    reduction: float
    """Of the half-width, relative. [1]"""


def _displacement(d: GradientDesign) -> GradientDesign | None:
    return replace(d, displacement_sd=0.5 * d.displacement_sd) if d.displacement_sd > 0.0 else None


def _heights(d: GradientDesign) -> GradientDesign | None:
    return replace(d, height_sd=0.5 * d.height_sd) if d.height_sd > 0.0 else None


def _longer_beside(d: GradientDesign) -> GradientDesign | None:
    """Double every planned side by side, outwards from the mission."""
    if not any(w.beside for w in d.waters):
        return None
    middle = float(d.time.mean())
    out: list[Water] = []
    for water in d.waters:
        if not water.beside or water.time.size < 2:
            out.append(water)
            continue
        length = float(water.time[-1] - water.time[0] + np.median(np.diff(water.time)))
        early = water.time.mean() < middle
        moved = water.time + (-length if early else length)
        time = np.concatenate([moved, water.time] if early else [water.time, moved])
        present = np.concatenate([water.present, water.present], axis=1)
        out.append(replace(water, time=time, present=present))
    return replace(d, waters=tuple(out))


def _swap(d: GradientDesign) -> GradientDesign | None:
    """Exchange the lowest and the highest sensor in the middle of the longest stretch without a move."""
    rows = list(d.mast)
    height = d.height[rows]
    whole: BoolArray = np.asarray(np.isfinite(height).all(axis=0))
    if whole.sum() < 8:
        return None
    steps = np.asarray(np.abs(np.diff(np.where(whole, height, -1.0), axis=1)).max(axis=0))
    moves = np.flatnonzero(steps > 0.02)
    edges = np.concatenate([np.zeros(1, dtype=np.int64), moves + 1, np.full(1, d.time.size)])
    first = int(np.argmax(np.diff(edges)))
    start = int((edges[first] + edges[first + 1]) // 2)
    low, high = rows[int(np.argmin(height[:, start]))], rows[int(np.argmax(height[:, start]))]
    if low == high:
        return None
    changed = d.height.copy()
    changed[[low, high], start:] = d.height[[high, low], start:]
    return replace(d, height=changed, waters=_rewired(d, changed))


def _rewired(d: GradientDesign, height: FloatArray) -> tuple[Water, ...]:
    """Drop neighbours on the mast that a move has parted."""
    out = []
    for water in d.waters:
        if water.beside:
            out.append(water)
            continue
        # Before and after the mission nothing on the mast moves.
        index = np.minimum(np.searchsorted(d.time, water.time), d.time.size - 1)
        inside = (water.time >= d.time[0]) & (water.time <= d.time[-1])
        same = np.isclose(height[:, index], d.height[:, index]) | ~np.isfinite(d.height[:, index]) | ~inside
        out.append(replace(water, present=water.present & same))
    return tuple(out)


def _spread(d: GradientDesign) -> GradientDesign | None:
    top = np.nanmax(d.height[list(d.mast)])
    raised = d.displacement + 1.6 * (top - d.displacement)
    high = np.isfinite(d.height) & (d.height > top - 0.02)
    return replace(d, height=np.where(high, raised, d.height))


def _quieter(d: GradientDesign) -> GradientDesign | None:
    return replace(d, noise_sd=0.5 * d.noise_sd)


def _level(d: GradientDesign) -> GradientDesign | None:
    """Add a sensor like the others at the geometric middle of the mast."""
    rows = list(d.mast)
    above = d.height[rows] - d.displacement
    middle = d.displacement + float(np.sqrt(np.nanmin(above) * np.nanmax(above)))
    if np.nanmin(np.abs(d.height[rows] - middle)) < 0.05:
        middle = d.displacement + float(np.nanmin(above) ** 0.75 * np.nanmax(above) ** 0.25)
    on = np.isfinite(d.height[rows]).any(axis=0)

    def with_row(values: FloatArray) -> FloatArray:
        return np.append(values, np.median(values[rows]))

    waters = []
    for water in d.waters:
        joins: BoolArray = np.zeros((1, water.time.size), dtype=bool)
        if water.beside:
            joins[0] = water.present.any(axis=0)
        waters.append(replace(water, present=np.concatenate([water.present, joins])))
    return replace(
        d, labels=(*d.labels, "one more"), mast=(*d.mast, len(d.labels)),
        height=np.concatenate([d.height, np.where(on, middle, np.nan)[None]]),
        waters=tuple(waters), noise_sd=with_row(d.noise_sd), offset_sd=with_row(d.offset_sd),
        drift_sd=with_row(d.drift_sd), settling_sd=with_row(d.settling_sd),
    )  # fmt: skip


def _currents(d: GradientDesign) -> GradientDesign | None:
    half = float(np.sqrt(0.5))
    return replace(d, friction_systematic=half * d.friction_systematic, friction_random=half * d.friction_random)


def _longer(d: GradientDesign) -> GradientDesign | None:
    """Let the mast stand twice as long; a night stays one night, the mission doubles."""
    step = float(np.median(np.diff(d.time)))
    length = float(np.ceil((d.time[-1] - d.time[0] + step) / 86400.0) * 86400.0)
    later = d.time + length

    def twice(values: np.ndarray) -> np.ndarray:
        return np.concatenate([values, values], axis=-1)

    middle = float(d.time.mean())
    waters = tuple(
        replace(w, time=w.time + length) if w.beside and w.time.size and w.time.mean() > middle else w for w in d.waters
    )
    periods: dict[str, BoolArray] = {}
    for name, mask in d.periods.items():
        periods[name] = twice(mask) if name == "mission" else np.concatenate([mask, np.zeros_like(mask)])
    return replace(
        d, time=np.concatenate([d.time, later]), height=twice(d.height), flux=twice(d.flux),
        friction_velocity=twice(d.friction_velocity), light=twice(d.light), periods=periods, waters=waters,
    )  # fmt: skip


def _alkalinity(d: GradientDesign) -> GradientDesign | None:
    known = d.other_sd.get("alkalinity_flux")
    return replace(d, other_sd={**d.other_sd, "alkalinity_flux": 0.5 * known}) if known else None


CHANGES: tuple[Change, ...] = (
    Change(name="displacement", effort=1, alter=_displacement,
           text="measure the displacement height twice as well (photographs of the frame, a profiler near the bed)"),
    Change(name="heights", effort=1, alter=_heights, text="measure the sensors' heights twice as well"),
    Change(name="side by side", effort=2, alter=_longer_beside, text="leave the sensors side by side twice as long"),
    Change(name="swap", effort=2, alter=_swap, text="exchange the lowest and the highest sensor once more"),
    Change(name="height spread", effort=2, alter=_spread, text="set the highest sensors 1.6 times as far from the bed"),
    Change(name="noise", effort=3, alter=_quieter, text="halve the noise of block means (four times the samples)"),
    Change(name="alkalinity", effort=3, alter=_alkalinity,
           text="take bottles for alkalinity inside and outside, by night and by day, to halve its unknown flux"),
    Change(name="level", effort=4, alter=_level, text="add one more sensor between the levels"),
    Change(name="friction velocity", effort=4, alter=_currents,
           text="add a second, independent measurement of the friction velocity"),
    Change(name="longer", effort=5, alter=_longer, text="leave the mast in place twice as long"),
)  # fmt: skip
"""Everything that is tried, cheapest first."""


def improvements(
    design: GradientDesign, period: str, *, now: Prediction | None = None, draws: int = 2, seed: int = 1
) -> list[Improvement]:
    """Return all changes that can be made, the one that narrows the interval most first.

    Parameters
    ----------
    design : GradientDesign
    period : str
        Key of `design.periods`.
    now : Prediction, optional
        Of the design as it is, made with the same `draws` and `seed`.
    draws, seed : int
        See `reeftally.planning.missions.predict`.

    Returns
    -------
    list of Improvement
    """
    now = now or predict(design, period, draws=draws, seed=seed)
    found = []
    for change in CHANGES:
        altered = change.alter(design)
        if altered is None:
            continue
        then = predict(altered, period, draws=draws, seed=seed)
        found.append(
            Improvement(
                name=change.name,
                text=change.text,
                effort=change.effort,
                half_width=then.half_width,
                reduction=1.0 - then.half_width / now.half_width,
            )
        )
    return sorted(found, key=lambda item: item.half_width)
