"""Bursts: velocimeters and the fast oxygen sensor beside them, from the store to block records.

Here:     reading one block at a time, the plane of the flow over all blocks, records of turbulence, the aligned
          series of vertical velocity and oxygen; threads, or Dask workers.
Not here: the equations (`reeftally.flow`), the covariance flux of all blocks (`fluxes`).
Rules:    a block depends only on its own samples and on the plane, so any grouping of blocks gives the same bits;
          a block already in memory is not computed again.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from reeftally import flow
from reeftally._checks import FloatArray
from reeftally.analysis.context import Context, Record, open_context
from reeftally.analysis.grid import NS, Grid
from reeftally.analysis.memory import BlockMemory, block_key
from reeftally.flow import PlanarFit, wave_tilt_moments
from reeftally.seawater import oxygen as oxygen_equations

__all__ = ["BurstSeries", "FastSeries", "Workers", "velocimeter_blocks"]

# Blocks that one task takes: big enough that starting a task costs nothing, small enough to resume well.
GROUP = 16
VELOCITY = ("velocity_x", "velocity_y", "velocity_z")

Progress = Callable[[str, float, float, str], None]


@dataclass(slots=True, kw_only=True)
class FastSeries:
    """Vertical velocity and oxygen of the blocks of one fast sensor, on the sensor's clock."""

    label: str
    sample_rate: float
    blocks: npt.NDArray[np.int64]
    """Block numbers, (k,)."""
    w: npt.NDArray[np.float32]
    """(k, n) [m s-1]"""
    oxygen: npt.NDArray[np.float32]
    """(k, n) [mmol m-3], the block's own mean taken off"""
    mean: FloatArray
    """Mean oxygen of each block, (k,). [mmol m-3]"""


@dataclass(slots=True, kw_only=True)
class BurstSeries:
    """Records of one velocimeter."""

    label: str
    sample_rate: float
    height: FloatArray
    """Height above the bed in each block; NaN where it was not deployed. [m]"""
    records: dict[int, dict[str, Any]]
    """Record of each block, by block number."""
    rotation: str
    """How the axes were turned, and why."""
    plane: PlanarFit | None = None
    """The plane of the flow the axes were turned into; None with double rotation."""
    fast: FastSeries | None = None

    def field(self, name: str, count: int) -> FloatArray:
        """Return a field of the records as a series over all blocks; NaN where there is no record."""
        out = np.full(count, np.nan)
        for block, record in self.records.items():
            out[block] = float(record[name])
        return out


@dataclass(slots=True)
class Workers:
    """How groups of blocks are computed: threads here, or the workers of a Dask cluster."""

    address: str | None = None
    """None for threads; a number of local workers as text, or the address of a scheduler."""
    threads: int = 2
    client: Any = field(default=None, repr=False)

    def __enter__(self) -> Workers:
        if self.address is not None:
            from distributed import Client, LocalCluster

            if self.address.isdigit():
                cluster = LocalCluster(
                    n_workers=int(self.address), threads_per_worker=1, processes=True, dashboard_address=None
                )
                self.client = Client(cluster)
            else:
                self.client = Client(self.address)
        return self

    def __exit__(self, *_: object) -> None:
        if self.client is not None:
            cluster = getattr(self.client, "cluster", None)
            self.client.close()
            if cluster is not None:
                cluster.close()

    def run(self, task: Callable[..., Any], groups: list[tuple[Any, ...]], done: Callable[[int], None]) -> list[Any]:
        """Run `task(*group)` for each group and return the results in order."""
        out: list[Any] = [None] * len(groups)
        if self.client is not None:
            from distributed import as_completed

            futures = {self.client.submit(task, *group, pure=False): index for index, group in enumerate(groups)}
            for count, future in enumerate(as_completed(futures)):
                out[futures[future]] = future.result()
                done(count + 1)
            return out
        with ThreadPoolExecutor(self.threads) as pool:
            pending = [pool.submit(task, *group) for group in groups]
            try:
                for index, item in enumerate(pending):
                    out[index] = item.result()
                    done(index + 1)
            except BaseException:
                for item in pending:
                    item.cancel()
                raise
        return out


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """What a task needs besides block numbers; plain and small, so that it travels to any worker."""

    folder: str
    snapshot: int
    run: str
    """Of this run alone: what a process keeps open is not used by another."""
    label: str
    fast: str | None
    start_ns: int
    block_ns: int
    heights: tuple[float, ...]
    height_sd: tuple[float, ...]
    flips: tuple[tuple[int, int], ...]
    sample_rate: float
    fast_rate: float
    displacement: float
    depth: float
    von_karman: float
    von_karman_sd: float
    salinity: tuple[float, ...]
    temperature: tuple[float, ...]
    salinity_setting: float | None
    rotation: str = "double"
    plane: PlanarFit | None = None


@lru_cache(maxsize=2)
def _open(folder: str, snapshot: int, run: str) -> Context:
    """Open a mission once a process and run; `run` keeps what one run opened from another, whose log may differ."""
    del run
    return open_context(Path(folder), snapshot=snapshot, revise=False)


def _together(
    context: Context, job: _Job, label: str, blocks: tuple[int, ...], channels: list[str] | None = None
) -> Iterator[Record]:
    """Yield the record of each block of a group, read at once: row groups in the store are longer than a block."""
    start, end = _edges(job, min(blocks))[0], _edges(job, max(blocks))[1]
    if (end - start) // job.block_ns > 2 * len(blocks):
        for block in blocks:
            low, high = _edges(job, block)
            yield context.read(label, start_ns=low, end_ns=high, channels=channels)
        return
    whole = context.read(label, start_ns=start, end_ns=end, channels=channels)
    for block in blocks:
        first, last = np.searchsorted(whole.time_ns, _edges(job, block))
        yield Record(label, whole.time_ns[first:last], {n: v[first:last] for n, v in whole.channels.items()})


def _velocity(record: Record, job: _Job) -> FloatArray | None:
    """Return velocity with z up, (3, n); None where the record has no velocity."""
    if record.time_ns.size == 0 or any(name not in record.channels for name in VELOCITY):
        return None
    velocity = np.stack([np.asarray(record.channels[name], dtype=np.float64) for name in VELOCITY])
    for start, end in job.flips:
        inside = (record.time_ns >= start) & (record.time_ns < end)
        # Turned about its own x axis: y and z point the other way.
        velocity[1:, inside] *= -1.0
    return velocity


def _edges(job: _Job, block: int) -> tuple[int, int]:
    start = job.start_ns + block * job.block_ns
    return start, start + job.block_ns


def _survey_group(job: _Job, blocks: tuple[int, ...]) -> list[tuple[int, FloatArray, FloatArray, float]]:
    """Return clipped means and wave moments of each block, for the plane."""
    context = _open(job.folder, job.snapshot, job.run)
    out = []
    for block, record in zip(blocks, _together(context, job, job.label, blocks, list(VELOCITY)), strict=True):
        velocity = _velocity(record, job)
        if velocity is None or velocity.shape[1] < 0.5 * job.sample_rate * job.block_ns / NS:
            continue
        # Spikes move a mean; clipped at six robust sigmas they cannot (the despiked record comes later).
        # Every fourth sample says where that is.
        some = velocity[:, ::4]
        some = some[:, np.isfinite(some).all(axis=0)]
        if not some.shape[1]:
            continue
        centre = np.median(some, axis=1, keepdims=True)
        spread = 1.4826 * np.median(np.abs(some - centre), axis=1, keepdims=True)
        if not (spread > 0.0).all():
            # A channel that stands still says nothing about the axes.
            continue
        clipped = np.clip(velocity, centre - 6.0 * spread, centre + 6.0 * spread)
        clipped = np.where(np.isfinite(clipped), clipped, centre)
        moments, samples = wave_tilt_moments(velocity=clipped, sample_rate=job.sample_rate)
        out.append((block, clipped.mean(axis=1), moments, samples))
    return out


def _aligned(
    time_ns: npt.NDArray[np.int64], values: FloatArray, start_ns: int, step_ns: float, count: int
) -> FloatArray:
    """Return the mean of the samples around each of `count` even instants; NaN where there is none."""
    index = np.rint((time_ns - start_ns) / step_ns).astype(np.int64)
    use = (index >= 0) & (index < count) & np.isfinite(values)
    n = np.bincount(index[use], minlength=count)
    total = np.bincount(index[use], weights=values[use], minlength=count)
    return np.where(n > 0, total / np.maximum(n, 1), np.nan)


def _record_group(job: _Job, blocks: tuple[int, ...]) -> list[tuple[int, dict[str, Any]]]:
    """Return the record of each block, from memory or computed, and remember what was computed."""
    context = _open(job.folder, job.snapshot, job.run)
    settings = {
        "rate": job.sample_rate, "displacement": job.displacement, "depth": job.depth, "kappa": job.von_karman,
        "kappa_sd": job.von_karman_sd, "rotation": job.rotation, "setting": job.salinity_setting,
        "plane": None if job.plane is None else repr(job.plane),
    }  # fmt: skip
    out: list[tuple[int, dict[str, Any]]] = []
    with BlockMemory(Path(job.folder) / "observations" / "blocks.sqlite") as memory:
        fresh: dict[str, dict[str, Any]] = {}
        own_records = _together(context, job, job.label, blocks)
        fast_records: Iterable[Record | None] = (
            _together(context, job, job.fast, blocks) if job.fast is not None else (None for _ in blocks)
        )
        for block, record, fast in zip(blocks, own_records, fast_records, strict=True):
            start, end = _edges(job, block)
            arrays = {"time": record.time_ns, **record.channels}
            if fast is not None:
                arrays |= {f"fast {name}": value for name, value in {"time": fast.time_ns, **fast.channels}.items()}
            own = {
                "height": job.heights[block], "height_sd": job.height_sd[block], "salinity": job.salinity[block],
                "temperature": job.temperature[block], "flips": [f for f in job.flips if f[0] < end and f[1] > start],
            }  # fmt: skip
            key = block_key(kind="burst", arrays=arrays, settings={**settings, **own})
            known = memory.get([key]).get(key)
            if known is None:
                known = _compute(job, block, record, fast)
                fresh[key] = known
            out.append((block, known))
        memory.put(fresh)
    return out


def _compute(job: _Job, block: int, record: Record, fast: Record | None) -> dict[str, Any]:
    """Compute one block: turbulence record, and the aligned fast series where there is a fast sensor."""
    velocity = _velocity(record, job)
    seconds = job.block_ns / NS
    prepared = flow.prepare(
        velocity=np.empty((3, 0)) if velocity is None else velocity,
        sample_rate=job.sample_rate,
        correlation=record.channels.get("correlation"),
        signal_to_noise=record.channels.get("signal_to_noise"),
        rotation=job.rotation,
        plane=job.plane,
        duration=seconds,
    )
    found = flow.burst(
        velocity=np.empty((3, 0)),
        prepared=prepared,
        sample_rate=job.sample_rate,
        height=job.heights[block],
        displacement=job.displacement,
        depth=job.depth,
        duration=seconds,
        von_karman=job.von_karman,
        von_karman_sd=job.von_karman_sd,
        height_sd=job.height_sd[block],
    )
    out: dict[str, Any] = {
        name: "; ".join(value) if isinstance(value, tuple) else value for name, value in found.as_dict().items()
    }
    if fast is None or not found.accepted:
        return out
    count = round(job.fast_rate * seconds)
    step = NS / job.fast_rate
    values = _fast_oxygen(job, block, fast)
    if values is None:
        return out
    start, _ = _edges(job, block)
    first = int(fast.time_ns[0] - np.floor((fast.time_ns[0] - start) / step) * step)
    oxygen = _aligned(fast.time_ns, values, first, step, count)
    mean = float(np.nanmean(oxygen))
    out["fast_w"] = _aligned(record.time_ns, prepared.clean[2], first, step, count).astype(np.float32)
    out["fast_oxygen"] = (oxygen - mean).astype(np.float32)
    out["fast_mean"] = mean
    return out


def _fast_oxygen(job: _Job, block: int, fast: Record) -> FloatArray | None:
    """Return the fast sensor's oxygen by volume at the salinity, impossible values left out; None without any."""
    if "oxygen_molar" in fast.channels:
        values = np.asarray(fast.channels["oxygen_molar"], dtype=np.float64)
        if job.salinity_setting is not None and np.isfinite(job.salinity[block]):
            # The factor hardly changes within a block; its temperature is the block's.
            factor = oxygen_equations.salinity_compensation(
                oxygen_molar=1.0,
                temperature=job.temperature[block],
                salinity=job.salinity[block],
                salinity_setting=job.salinity_setting,
            )
            values = values * float(factor)
        else:
            return None
    elif "oxygen" in fast.channels:
        values = np.asarray(fast.channels["oxygen"], dtype=np.float64) * 1.023
    else:
        return None
    if not np.isfinite(values).any():
        return None
    centre = np.nanmedian(values)
    spread = 1.4826 * np.nanmedian(np.abs(values - centre))
    bad = (np.abs(values - centre) > 8.0 * max(float(spread), 1e-6)) | (values < 0.0) | (values > 700.0)
    return np.where(bad, np.nan, values)


def _groups(blocks: Iterable[int]) -> list[tuple[int, ...]]:
    numbers = list(blocks)
    return [tuple(numbers[i : i + GROUP]) for i in range(0, len(numbers), GROUP)]


def velocimeter_blocks(
    context: Context,
    grid: Grid,
    label: str,
    *,
    temperature: FloatArray,
    salinity: FloatArray,
    workers: Workers,
    progress: Progress,
) -> BurstSeries:
    """Compute (or remember) the records of one velocimeter.

    Parameters
    ----------
    label : str
        Velocimeter.
    temperature, salinity : (blocks,) arrays
        Of the water, for the fast oxygen sensor. [degC, 1]
    workers : Workers
        Threads or Dask.
    progress : callable
        ``progress(step, done, total, note)``.
    """
    book = context.book
    instrument = book.instrument(label)
    height = book.height_at(label, grid.mids)
    whole = (
        book.deployment_index(label, grid.starts) == book.deployment_index(label, grid.edges[1:] - 1)
    ) & np.isfinite(height)
    info = context.store.streams()[label]
    first, last = context.clock(label).true(np.array([info.first_ns, info.last_ns]))
    blocks = np.flatnonzero(whole & (grid.edges[1:] > first) & (grid.starts <= last)).tolist()
    fast = next(
        (
            d.instrument
            for d in book.deployments
            if d.velocimeter == label
            and context.has(d.instrument)
            and book.instrument(d.instrument).kind == "fast_oxygen"
        ),
        None,
    )
    job = _Job(
        folder=str(context.folder),
        snapshot=context.snapshot,
        run=uuid.uuid4().hex,
        label=label,
        fast=fast,
        start_ns=grid.start_ns,
        block_ns=grid.block_ns,
        heights=tuple(height.tolist()),
        height_sd=tuple(book.height_sd_at(label, grid.mids).tolist()),
        flips=tuple(
            (f.start_ns if f.start_ns is not None else -(2**62), f.end_ns if f.end_ns is not None else 2**62)
            for f in context.axis_flips
            if f.instrument == label
        ),
        sample_rate=1.0 / instrument.sample_interval_s,
        fast_rate=1.0 / book.instrument(fast).sample_interval_s if fast is not None else 0.0,
        displacement=book.site.displacement_height_m,
        depth=book.site.water_depth_m,
        von_karman=book.analysis.von_karman,
        von_karman_sd=book.analysis.von_karman_sd,
        salinity=tuple(salinity.tolist()),
        temperature=tuple(temperature.tolist()),
        salinity_setting=book.instrument(fast).salinity_setting if fast is not None else None,
    )
    groups = _groups(blocks)
    surveyed = workers.run(
        _survey_group, [(job, g) for g in groups], lambda k: progress(f"Axes of {label}", k, len(groups), "")
    )
    job, said = _choose_axes(job, [row for part in surveyed for row in part])
    # Held open meanwhile, so that no group is the last to leave and waits for the disk.
    with BlockMemory(Path(job.folder) / "observations" / "blocks.sqlite"):
        done = workers.run(
            _record_group, [(job, g) for g in groups], lambda k: progress(f"Turbulence of {label}", k, len(groups), "")
        )
    records = dict(row for part in done for row in part)
    context.used.setdefault(label, set()).update(context.store.sources(label))
    if fast is not None:
        context.used.setdefault(fast, set()).update(context.store.sources(fast))
    return BurstSeries(
        label=label,
        sample_rate=job.sample_rate,
        height=height,
        records=records,
        rotation=said,
        plane=job.plane,
        fast=_fast_series(job, records),
    )


def _choose_axes(job: _Job, rows: list[tuple[int, FloatArray, FloatArray, float]]) -> tuple[_Job, str]:
    """Choose plane or double rotation from all blocks of the velocimeter."""
    from dataclasses import replace

    if not rows:
        return job, "no block"
    means = np.array([row[1] for row in rows])
    choice = flow.choose_rotation(
        u=means[:, 0],
        v=means[:, 1],
        w=means[:, 2],
        wave_covariance=np.array([row[2] for row in rows]),
        wave_samples=np.array([row[3] for row in rows]),
    )
    method = "planar" if choice.method == "planar" else "double"
    return replace(job, rotation=method, plane=choice.plane if method == "planar" else None), choice.reason


def _fast_series(job: _Job, records: dict[int, dict[str, Any]]) -> FastSeries | None:
    held = sorted(block for block, record in records.items() if "fast_w" in record)
    if job.fast is None or not held:
        return None
    return FastSeries(
        label=job.fast,
        sample_rate=job.fast_rate,
        blocks=np.array(held, dtype=np.int64),
        w=np.stack([records[b]["fast_w"] for b in held]),
        oxygen=np.stack([records[b]["fast_oxygen"] for b in held]),
        mean=np.array([float(records[b]["fast_mean"]) for b in held]),
    )
