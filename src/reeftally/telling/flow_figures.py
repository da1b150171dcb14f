"""Figures and counts of the current near the bed.

Here:     rose, profile in log height, waves in time; bursts by reason.
Not here: friction velocity in time (`figures_water.routes`), spectra (`figures_exchange.subrange`).
Rules:    as in `figures`; sectors and classes of the rose count blocks, they are no result.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from reeftally import charts
from reeftally.charts import series_frame
from reeftally.telling._figure import Figure, has_numbers, no_figure
from reeftally.telling.facts import Facts

__all__ = ["SECTORS", "Bursts", "RoseCounts", "bursts", "profile", "rose", "rose_counts", "waves"]

SECTORS = 16


@dataclass(frozen=True, slots=True)
class Bursts:
    """Bursts of one velocimeter."""

    label: str
    seen: int
    kept: int
    refused: tuple[tuple[str, int], ...]
    """Reason in words, count; a burst may have several."""


def bursts(facts: Facts) -> list[Bursts]:
    """Return bursts seen, kept and refused by reason, one row a velocimeter; empty where the run read none."""
    data = facts.group("flow")
    out = []
    trail = facts.results.trail
    counted: Mapping[str, Any] = trail.get("refused_bursts") or {}
    for label, entry in (trail.get("velocimeters") or {}).items():
        name = f"{label}__burst_reason"
        if name in data:
            codes = data[name].values.astype(np.int64)
            seen = codes[codes >= 0]
            names = str(data[name].attrs.get("flag_meanings", "")).split()
            found = tuple(
                (reason.replace("_", " "), count)
                for k, reason in enumerate(names)
                if (count := int(((seen >> k) & 1).sum()))
            )
            out.append(Bursts(label, int(seen.size), int((seen == 0).sum()), found))
            continue
        # Runs of older versions keep counts only.
        own = {k.removeprefix(f"{label} "): int(v) for k, v in counted.items() if str(k).startswith(f"{label} ")}
        total = int(entry.get("blocks", 0)) if isinstance(entry, Mapping) else 0
        found = tuple((k.replace("_", " "), v) for k, v in own.items())
        out.append(Bursts(label, total, total - max(own.values(), default=0), found))
    return out


@dataclass(frozen=True, slots=True)
class RoseCounts:
    """How often the current went where, by speed."""

    table: pd.DataFrame
    """``sector`` (0 = north, clockwise), ``kind`` (class of speed), ``from``, ``to`` (running share). [%]"""
    classes: tuple[str, ...]
    """Words of the classes of speed, slowest first. [m s-1]"""
    blocks: int


def rose_counts(facts: Facts) -> RoseCounts | None:
    """Return the shares of directions and classes of speed; None where no block has both."""
    data = facts.inside(facts.group("flow"))
    if not (has_numbers(data, "speed") and has_numbers(data, "direction_to")):
        return None
    speed, towards = data["speed"].values.astype(float), data["direction_to"].values.astype(float)
    good = np.isfinite(speed) & np.isfinite(towards)
    if not good.any():
        return None
    speed, towards = speed[good], towards[good]
    step = _class_width(float(np.percentile(speed, 95)))
    place = np.floor((towards + 180.0 / SECTORS) / (360.0 / SECTORS)).astype(int) % SECTORS
    kind = np.minimum((speed / step).astype(int), 3)
    rows = []
    for sector in range(SECTORS):
        at = 0.0
        for k in range(4):
            share = 100.0 * float(((place == sector) & (kind == k)).mean())
            if share > 0.0:
                rows.append({"sector": sector, "kind": k, "from": at, "to": at + share})
            at += share
    words = (f"below {step:g}", *(f"{k * step:g} to {(k + 1) * step:g}" for k in (1, 2)), f"{3 * step:g} and more")
    return RoseCounts(pd.DataFrame(rows), words, int(good.sum()))


def rose(facts: Facts) -> Figure:
    """Return how often the current went where, by speed."""
    title = "Where the current goes"
    found = rose_counts(facts)
    if found is None:
        return no_figure("rose", "flow", title, "no speed with direction. It needs a current meter with its heading.")
    return Figure(
        "rose",
        "flow",
        title,
        f"Share of the {found.blocks} blocks by the direction towards which the water went, true north up; shades "
        "are classes of speed in m s⁻¹, outward the faster.",
        lambda w: charts.current_rose(found.table, classes=found.classes, sectors=SECTORS, width=min(w, 330)),
        small=True,
    )


def _class_width(high: float) -> float:
    return next((s for s in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5) if 3.0 * s >= 0.9 * high), 1.0)


def profile(facts: Facts) -> Figure:
    """Return mean speed against the logarithm of height, for the two ways of the tide apart."""
    title = "Speed against the logarithm of height"
    data = facts.inside(facts.group("flow"))
    names = [str(n) for n in data.data_vars if str(n).endswith("__profile_speed")]
    if not names:
        missing = "the run keeps no profile of speed. It needs a profiler with at least four bins near the bed."
        return no_figure("profile", "flow", title, missing)
    name = names[0]
    label = name.split("__")[0]
    site = facts.book.site
    height = data[f"{label}__height"].values.astype(float) - site.displacement_height_m
    points, fits = _profiles(data, name, height, facts)
    if points.empty:
        return no_figure("profile", "flow", title, "no block in which all bins near the bed were read.")
    von = float(facts.book.analysis.von_karman)
    return Figure(
        "profile",
        "flow",
        title,
        f"{label}: means of the slower and the faster half of the blocks whose log law was fitted. Lines: the law of "
        f"the wall with the medians of the fitted friction velocity and roughness length (κ = {von:g}). Where the "
        "points leave the line upward, the log layer ends.",
        lambda w: charts.log_profile(points, fits, width=min(w, 330)),
        small=True,
    )


def _profiles(
    data: xr.Dataset, name: str, height: np.ndarray[Any, Any], facts: Facts
) -> tuple[pd.DataFrame, pd.DataFrame]:
    speed = data[name].values.astype(float)
    friction = data["friction_velocity_log_law"].values.astype(float)
    rough = data["roughness_length"].values.astype(float)
    use = np.isfinite(friction) & np.isfinite(rough) & np.isfinite(speed).all(axis=1) & (height > 0.0).any()
    points, fits = [], []
    if not use.any():
        return pd.DataFrame(), pd.DataFrame()
    high = use & (friction >= np.median(friction[use]))
    above = height > 0.0
    for part, words in ((use & ~high, "slower half"), (high, "faster half")):
        if not part.any():
            continue
        means = speed[part].mean(axis=0)
        points += [{"height": h, "speed": s, "label": words} for h, s in zip(height[above], means[above], strict=True)]
        star, z0 = float(np.median(friction[part])), float(np.median(rough[part]))
        ends = np.geomspace(max(float(height[above].min()), z0), height[above].max(), 20)
        law = star / float(facts.book.analysis.von_karman) * np.log(ends / z0)
        fits += [{"height": h, "speed": s, "label": words} for h, s in zip(ends, law, strict=True)]
    return pd.DataFrame(points), pd.DataFrame(fits)


def waves(facts: Facts) -> Figure:
    """Return speed and waves through the mission."""
    title = "Speed and waves through the mission"
    data = facts.inside(facts.group("flow"))
    series = series_frame(data, ["speed", "significant_wave_height", "peak_wave_period"])
    if series.empty:
        return no_figure("waves", "flow", title, "no speed and no waves.")
    return Figure(
        "waves",
        "flow",
        title,
        "Block means; waves from pressure or velocity beneath them. Nights are shaded, gaps are left open.",
        lambda w: charts.mission_strip(series, facts.frame(width=w)),
    )
