"""The chain of a long record: hours of every station to trends, steps at sensor changes and the state of years.

Here:     the order of the stages for a mission of three years or more, its series and trail, findings at changes.
Not here: the stages (`long_record`, `estimate_years`, `status`); the chain of a mission of days (`run`).
Rules:    as for the other chain: results depend only on raw bytes, book, tables, log, settings and code version.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import xarray as xr

from reeftally._checks import FloatArray
from reeftally.analysis.context import Context
from reeftally.analysis.estimate_years import (
    Series,
    equilibrium_local,
    equilibrium_series,
    estimate_series,
    estimate_steps,
    local_series,
    station_series,
    step_of,
)
from reeftally.analysis.estimates import Estimate, Estimates, iso
from reeftally.analysis.finding import DOUBTFUL, NOTED, Finding
from reeftally.analysis.grid import Grid
from reeftally.analysis.groups import add_series, frame_of
from reeftally.analysis.long_record import StationRecord, is_long, station_records, years_since
from reeftally.analysis.records import SlowBlocks, load_slow
from reeftally.analysis.status import estimate_status
from reeftally.analysis.trail import METHODS
from reeftally.errors import InputError
from reeftally.mission import to_ns

__all__ = ["YearsChain", "is_long", "run_years", "step_findings", "years_groups", "years_trail"]

Progress = Callable[[str, float, float, str], None]


@dataclass(slots=True, kw_only=True)
class YearsChain:
    """What the stages found."""

    context: Context
    grid: Grid
    slow: dict[str, SlowBlocks]
    records: list[StationRecord]
    estimates: Estimates = field(default_factory=Estimates)
    notes: dict[str, str] = field(default_factory=dict)


def run_years(context: Context, *, progress: Progress) -> YearsChain:
    """Run all stages on a long record; nothing is written."""
    grid = context.grid
    progress("Hours", 0, 1, "")
    slow, _ = load_slow(context, grid)
    progress("Hours", 1, 1, "")
    chain = YearsChain(context=context, grid=grid, slow=slow, records=station_records(context, grid, slow))
    if not chain.records:
        start, end = iso(to_ns(context.book.mission.start)), iso(to_ns(context.book.mission.end))
        chain.estimates.add(
            Estimate(
                quantity="ph_trend", method="gls_ar1", subject="site", period="mission", start=start, end=end,
                value=None, unit="year-1", lower=None, upper=None, flag=4, trail="long_record",
                reason="no station of role bed, ambient or reference holds a record of pH",
            )
        )  # fmt: skip
        return chain
    reference = next((r for r in chain.records if r.role == "reference"), None)
    reefs = [r for r in chain.records if r.role != "reference"]
    for number, record in enumerate(chain.records):
        progress("Trends", number, len(chain.records), record.name)
        _station(chain, record, reference)
    for number, record in enumerate(reefs):
        progress("Years", number, len(reefs), record.name)
        estimate_status(context, grid, record, reference, chain.estimates)
    progress("Years", len(reefs), len(reefs), "")
    return chain


def _station(chain: YearsChain, record: StationRecord, reference: StationRecord | None) -> None:
    """Write everything about one station's record, and for a reef its local trend."""
    context, estimates = chain.context, chain.estimates
    steps = estimate_steps(context, record, estimates)
    open_steps = [f"{change.older} to {change.newer}" for change, step in steps if not step.consistent]
    doubt = (
        f"not resolved: the evidence on the change {', '.join(open_steps)} contradicts itself; " if open_steps else ""
    )
    equilibrium = equilibrium_series(context, record)
    air_slope = None
    if isinstance(equilibrium, tuple):
        air_slope = _air_trend(chain, record, *equilibrium)
    else:
        chain.notes[f"equilibrium at {record.name}"] = f"not given: {equilibrium}"
    estimate_series(context, station_series(record), estimates, air_slope=air_slope, noise=True, doubt=doubt)
    if record.role == "reference":
        return
    if reference is not None:
        local = local_series(record, reference)
        estimate_series(context, local, estimates, air_slope=air_slope, noise=False, doubt=doubt)
    else:
        _refuse_local(chain, record, "gls_ar1_minus_reference", "a record of the reference water")
    if isinstance(equilibrium, tuple):
        # Its years to detect would repeat those against the reference; the trend alone is asked for.
        _trend_only(chain, equilibrium_local(record, *equilibrium), doubt)
    else:
        _refuse_local(chain, record, "gls_ar1_minus_equilibrium", equilibrium)


def _trend_only(chain: YearsChain, series: Series, doubt: str) -> None:
    held = Estimates()
    estimate_series(chain.context, series, held, air_slope=None, noise=False, doubt=doubt)
    for row in held.rows:
        if row.quantity == series.quantity:
            chain.estimates.add(row)


def _air_trend(chain: YearsChain, record: StationRecord, ph: FloatArray, shapes: FloatArray) -> float | None:
    """Write the slope that the air alone gives.

    The series is computed, not measured: a plain line and the season, no noise to weigh; what is uncertain is the air.
    """
    good = np.isfinite(ph)
    time = record.month[good]
    columns = [np.ones(time.size), time]
    columns += [wave(2.0 * np.pi * k * time) for k in (1, 2) for wave in (np.cos, np.sin)]
    design = np.column_stack(columns)
    if time.size < design.shape[1] + 3:
        return None
    operator = np.linalg.pinv(design)[1]
    slope = float(operator @ ph[good])
    if record.role != "reference":
        whole = chain.context.book.mission
        chain.estimates.from_parts(
            quantity="ph_trend_equilibrium", method="line_and_season", subject=record.name, period="mission",
            start_ns=to_ns(whole.start), end_ns=to_ns(whole.end), unit="year-1", value=slope, random_sd=0.0,
            systematic_sd=float(np.linalg.norm(operator @ shapes[good])), n=int(good.sum()), trail="long_record",
            reason="water in equilibrium with the air at the temperature, salinity and alkalinity of the station",
        )  # fmt: skip
    return slope


def _refuse_local(chain: YearsChain, record: StationRecord, method: str, missing: str) -> None:
    whole = chain.context.book.mission
    chain.estimates.refuse(
        quantity="ph_trend_local", method=method, subject=record.name, period="mission", start_ns=to_ns(whole.start),
        end_ns=to_ns(whole.end), unit="year-1", reason=f"not given: {missing}", trail="long_record",
    )  # fmt: skip


def step_findings(context: Context, slow: dict[str, SlowBlocks]) -> Iterator[Finding]:
    """Steps at logged changes of sensor in a long record, for `check`: said, with what the chain does about them."""
    if not is_long(context.book):
        return
    for record in station_records(context, context.grid, slow):
        for change in record.changes:
            try:
                step = step_of(record, change, context)
            except InputError as error:
                what, severity, evidence = f"cannot be tested: {error}", DOUBTFUL, "series, bottles and overlap"
            else:
                evidence = step.sentence
                severity = NOTED if step.consistent else DOUBTFUL
                what = "reads otherwise than the sensor before it" if step.claimed else "shows no step that can be told"
                if not step.consistent:
                    what = "cannot be judged, since the pieces of evidence disagree"
            yield Finding(
                id=f"step-{change.newer.replace(' ', '-')}",
                severity=severity,
                subject=change.newer,
                what=f"The change from {change.older} to {change.newer} at {record.name} {what}.",
                evidence=evidence,
                proposal="Nothing to accept: the analysis refers every sensor to its service bottles and carries what "
                "that leaves open into the trend. More bottles, or a longer overlap, make it smaller."
                if severity == NOTED
                else "Look at the bottles and the side by side of this change before the trend is used.",
                start_ns=change.time_ns,
                end_ns=change.time_ns,
            )


def years_groups(chain: YearsChain) -> dict[str, xr.Dataset]:
    """Return the series of `results.nc`: blocks of every sensor, months of every station."""
    blocks = frame_of(chain.grid)
    for label, held in sorted(chain.slow.items()):
        for quantity, means in sorted(held.channels.items()):
            add_series(blocks, f"{label}__{quantity}", means.mean, quantity=quantity, cell_methods="time: mean")
            blocks[f"{label}__{quantity}_n"] = (
                "time",
                means.n.astype(np.int32),
                {"units": "1", "long_name": "good samples"},
            )
    for record in chain.records:
        on = np.flatnonzero(record.deployment >= 0)
        wide = np.full(chain.grid.count, np.nan)
        at = years_since(chain.context.book, chain.grid.mids)
        labels = np.asarray(record.labels)[record.deployment[on]]
        wide[on] = np.sqrt((record.referred.shapes(label=labels, time=at[on]) ** 2).sum(axis=1))
        add_series(
            blocks,
            f"ph_total_{record.name}",
            record.corrected,
            quantity="ph_total",
            random=np.full(chain.grid.count, record.noise_sd),
            systematic=wide,
            comment="referred to service bottles",
        )
        add_series(blocks, f"temperature_{record.name}", record.temperature, quantity="temperature")
    groups = {"blocks": blocks}
    if chain.records:
        groups["chemistry"] = _months(chain)
    return groups


def _months(chain: YearsChain) -> xr.Dataset:
    edges = chain.records[0].month_edges_ns
    bounds = np.stack([edges[:-1], edges[1:]], axis=1).view("datetime64[ns]")
    data = xr.Dataset(
        {"time_bounds": (("time", "bound"), bounds)},
        coords={"time": ("time", bounds[:, 0], {"standard_name": "time", "bounds": "time_bounds"})},
    )
    for name in ("time", "time_bounds"):
        data[name].encoding.update(units="seconds since 1970-01-01T00:00:00Z", dtype="int64", calendar="standard")
    for record in chain.records:
        wide = np.sqrt((record.shapes**2).sum(axis=1))
        add_series(
            data,
            f"ph_total_{record.name}",
            record.monthly,
            quantity="ph_total",
            random=np.zeros(wide.size),
            systematic=wide,
            cell_methods="time: mean",
            comment="referred to service bottles",
        )
        add_series(
            data,
            f"ph_total_as_read_{record.name}",
            record.monthly_reading,
            quantity="ph_total",
            cell_methods="time: mean",
            comment="as the sensors read",
        )
    return data


def years_trail(chain: YearsChain, *, software: dict[str, Any]) -> dict[str, Any]:
    """Return the content of `trail.json`."""
    context = chain.context
    used = {row.trail for row in chain.estimates.rows}
    return {
        "snapshot": context.snapshot,
        "book_revision": context.revision,
        "decisions": list(context.decisions),
        "software": software,
        "settings": context.book.analysis.model_dump(mode="json"),
        "site": context.book.site.model_dump(mode="json"),
        "methods": {name: METHODS[name] for name in sorted(used)},
        "inputs": {label: sorted(hashes) for label, hashes in sorted(context.used.items())},
        "records": {
            label: {
                "samples": blocks.samples,
                "flags": {channel: flags.counts() for channel, flags in blocks.flags.items()},
                "limits": {channel: flags.limits for channel, flags in blocks.flags.items()},
                "withheld": blocks.withheld,
            }
            for label, blocks in sorted(chain.slow.items())
        },
        "velocimeters": {},
        "refused_bursts": {},
        "sensors": {
            record.name: {
                "labels": list(record.referred.labels),
                "offset": record.referred.offset.tolist(),
                "drift_per_year": record.referred.drift.tolist(),
                "covariance": record.referred.covariance.tolist(),
                "bottles": record.referred.bottles.tolist(),
                "scatter_of_misfits": record.referred.scatter,
            }
            for record in chain.records
        },
        "reference_water": {},
        "air": None,
        "notes": chain.notes,
        "largest_difference_of_parts_and_total": None,
    }
