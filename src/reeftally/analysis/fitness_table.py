"""Fitness of every sensor and day, and what its uncertainty costs in units of flux.

Here:     what a run knows of each sensor on each day (good samples, offset and pair offset from the adjustment and the
          swaps, clock, partner, currents, fluxes), graded; the table `fitness.csv`.
Not here: the grades and the cost of an offset (`quality.fitness`), the adjustment (`offsets`).
Rules:    an offset's uncertainty is the one that fluxes carry. What the run does not know stays unknown and that
          purpose is not graded.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from reeftally._checks import FloatArray
from reeftally.analysis.fast_blocks import fast_minutes
from reeftally.analysis.grid import NS
from reeftally.analysis.records import usual_interval
from reeftally.analysis.row_text import rows_csv
from reeftally.mission import Deployment, Instrument
from reeftally.quality.fitness import FluxCost, SensorDay, flux_cost, grade_day

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = ["COLUMNS", "fitness_csv", "fitness_rows"]

DAY_NS = 86_400 * NS
GRADED = ("oxygen", "ph_total", "temperature", "salinity", "fco2")
# The sizes of offset in which the trade thinks, for the sentence. [µmol kg-1], [1]
PLAIN_OFFSET = {"oxygen": 0.1, "ph_total": 0.001}
COLUMNS = (
    "sensor", "day", "quantity", "purpose", "grade", "good_share", "offset_sd", "partner", "pair_offset_sd",
    "clock_sd_s", "flux_cost", "flux", "flux_unit", "sentence", "reasons",
)  # fmt: skip


def fitness_csv(rows: list[dict[str, Any]]) -> str:
    """Return rows as the text of `fitness.csv`."""
    return rows_csv(rows, COLUMNS)


def fitness_rows(chain: Chain) -> list[dict[str, Any]]:
    """Grade every sensor and day of a run for ambient use, gradient, covariance and point source.

    Parameters
    ----------
    chain : Chain
        A run that is finished.

    Returns
    -------
    list of dict
        One a sensor, day (UTC), quantity and purpose that it can serve, with `COLUMNS` as keys.
    """
    out: list[dict[str, Any]] = []
    for instrument in chain.context.book.instruments:
        for quantity in GRADED:
            for day_ns, good in _good_shares(chain, instrument, quantity):
                out += _graded(chain, instrument, quantity, day_ns, good)
    return out


def _good_shares(chain: Chain, instrument: Instrument, quantity: str) -> Iterator[tuple[int, float]]:
    """Yield (start of day, share of the samples due that are good) for every day on which a sensor spoke."""
    context, grid, label = chain.context, chain.grid, instrument.label
    if label in chain.slow and quantity in chain.slow[label].channels:
        means = chain.slow[label].channels[quantity]
        seen = means.n + means.bad
        interval = _interval(chain, instrument)
        day = grid.starts // DAY_NS
        due = np.zeros(grid.count)
        if any(context.book.station(d.station).role == "carried" for d in context.book.deployments_of(label)):
            # A carried sensor is due while it speaks.
            due[seen > 0] = grid.block_s / interval
        else:
            for place in context.book.deployments_of(label):
                due[grid.mids_in(place.start_ns, place.end_ns)] = grid.block_s / interval
        for number in np.unique(day[seen > 0]):
            part = day == number
            expected = float(due[part].sum())
            if expected > 0:
                yield int(number) * DAY_NS, min(float(means.n[part].sum()) / expected, 1.0)
    elif instrument.kind == "fast_oxygen" and quantity == "oxygen" and context.has(label):
        yield from _fast_shares(chain, label, 1.0 / instrument.sample_interval_s)


def _interval(chain: Chain, instrument: Instrument) -> float:
    """Return the time between samples of a full block: longer than stated for a sensor that rests."""
    label = instrument.label
    stamps = chain.context.store.read(label, channels=[], snapshot=chain.context.snapshot)["time"]
    return usual_interval(chain.grid, stamps, instrument.sample_interval_s)


def _fast_shares(chain: Chain, label: str, rate: float) -> Iterator[tuple[int, float]]:
    minutes = fast_minutes(chain.context, label)
    if minutes is None:
        return
    true = chain.context.clock(label).true(minutes.grid.mids)
    good = minutes.count.astype(np.float64)
    for exclusion in chain.context.exclusions:
        if exclusion.instrument == label:
            low = -(2**62) if exclusion.start_ns is None else exclusion.start_ns
            high = 2**62 if exclusion.end_ns is None else exclusion.end_ns
            good[(true >= low) & (true < high)] = 0.0
    placed = np.zeros(true.size, dtype=bool)
    for place in chain.context.book.deployments_of(label):
        placed |= (true >= place.start_ns) & (true < place.end_ns)
    day = true // DAY_NS
    for number in np.unique(day[placed]):
        part = placed & (day == number)
        yield int(number) * DAY_NS, min(float(good[part].sum()) / (60.0 * rate * int(part.sum())), 1.0)


def _graded(chain: Chain, instrument: Instrument, quantity: str, day_ns: int, good: float) -> Iterator[dict[str, Any]]:
    context, label = chain.context, instrument.label
    offset_sd = _offset_sd(chain, label, quantity, day_ns)
    if offset_sd is None:
        return
    term = next((t for t in instrument.terms if t.quantity in {quantity, f"{quantity}_molar"}), None)
    place = _place(chain, label, day_ns)
    partner, pair_sd = _pair(chain, label, quantity, day_ns, place)
    cost = _cost(chain, quantity, pair_sd, place, partner, day_ns)
    target = _flux(chain, quantity) if cost is not None else None
    roles = {context.book.station(d.station).role for d in context.book.deployments_of(label)}
    velocimeter = place.velocimeter if place is not None else None
    clock_sd = _clock_sd(chain, label)
    if velocimeter is not None and context.book.clock_of(label) == context.book.clock_of(velocimeter):
        # One clock stamps both: what matters between them is none.
        clock_sd = 0.0
    day = str(np.datetime64(day_ns, "ns").astype("datetime64[D]"))
    known = SensorDay(
        sensor=label,
        day=day,
        quantity=quantity,
        good_share=good,
        offset_sd=offset_sd,
        pair_offset_sd=pair_sd,
        noise_sd=term.noise_sd if term is not None else 0.0,
        interval=instrument.sample_interval_s,
        response_time=instrument.response_time_s,
        clock_sd=clock_sd,
        near_velocimeter=velocimeter is not None,
        flux_target=target,
        cost_per_unit=cost.per_unit if cost is not None else None,
        plume=_plume(chain, quantity) if "carried" in roles else None,
    )
    for grade in grade_day(known):
        if grade.grade == "not for this":
            continue
        gradient = grade.purpose == "gradient" and cost is not None
        yield {
            "sensor": label, "day": day, "quantity": quantity, "purpose": grade.purpose, "grade": grade.grade,
            "good_share": good, "offset_sd": offset_sd, "partner": partner[0].instrument if partner else None,
            "pair_offset_sd": pair_sd, "clock_sd_s": clock_sd,
            "flux_cost": cost.per_unit * (pair_sd or 0.0) if gradient and cost is not None else None,
            "flux": target if gradient else None, "flux_unit": "mmol m-2 h-1" if gradient else None,
            "sentence": cost.sentence if gradient and cost is not None else "", "reasons": "; ".join(grade.reasons),
        }  # fmt: skip


def _offset_sd(chain: Chain, label: str, quantity: str, day_ns: int) -> float | None:
    """Return the standard uncertainty of a sensor's offset on a day: adjusted, else the book's own."""
    known = chain.offsets.get(quantity)
    if known is not None and label in known.labels:
        covariance = known.adjustment.covariance_at((day_ns + DAY_NS // 2) / NS)
        row = known.row(label)
        return float(np.sqrt(max(covariance[row, row], 0.0)))
    for term in chain.context.book.instrument(label).terms:
        if term.quantity in {quantity, f"{quantity}_molar"}:
            return term.offset_sd
    return None


def _place(chain: Chain, label: str, day_ns: int) -> Deployment | None:
    """Return where a sensor stood for most of a day, side by side left out."""
    best: tuple[int, Deployment] | None = None
    for place in chain.context.book.deployments_of(label):
        if chain.context.book.station(place.station).role not in {"bed", "ambient"}:
            continue
        overlap = min(place.end_ns, day_ns + DAY_NS) - max(place.start_ns, day_ns)
        if overlap > 0 and (best is None or overlap > best[0]):
            best = (overlap, place)
    return best[1] if best is not None else None


def _pair(
    chain: Chain, label: str, quantity: str, day_ns: int, place: Deployment | None
) -> tuple[tuple[Deployment, ...], float | None]:
    """Return the sensor at another height that makes a gradient with this one, and the sd of their difference.

    The pair of the gradient flux is taken first, with what the swaps made of its offsets; else the farthest sensor of
    the same quantity at the station, from the adjustment alone.
    """
    if place is None or quantity not in {"oxygen", "ph_total"}:
        return (), None
    others: list[tuple[float, str, Deployment]] = []
    known = chain.offsets.get(quantity)
    for name in known.labels if known is not None else ():
        found = _place(chain, name, day_ns) if name != label else None
        if found is not None and found.station == place.station:
            apart = abs(found.height_above_bed_m - place.height_above_bed_m)
            if apart > 0.05:
                others.append((apart, name, found))
    if not others or known is None or label not in known.labels:
        return (), None
    _, name, found = max(others, key=lambda row: row[:2])
    covariance = known.adjustment.covariance_at((day_ns + DAY_NS // 2) / NS)
    a, b = known.row(label), known.row(name)
    sd = float(np.sqrt(max(covariance[a, a] + covariance[b, b] - 2.0 * covariance[a, b], 0.0)))
    for gradient in chain.gradients:
        if gradient.quantity == quantity and {label, name} <= set(gradient.offset_change):
            # Offsets after the swaps are of differences: each one's own part, without what all share.
            swapped = float(np.hypot(gradient.offset_change[label][3], gradient.offset_change[name][3]))
            if np.isfinite(swapped):
                sd = min(sd, swapped)
    return (found,), sd


def _cost(
    chain: Chain,
    quantity: str,
    pair_sd: float | None,
    place: Deployment | None,
    partner: tuple[Deployment, ...],
    day_ns: int,
) -> FluxCost | None:
    if place is None or not partner or pair_sd is None:
        return None
    speed = chain.currents.friction_velocity[chain.grid.mids_in(day_ns, day_ns + DAY_NS)]
    speed = speed[np.isfinite(speed)]
    displacement = chain.context.book.site.displacement_height_m
    low, high = sorted((place.height_above_bed_m - displacement, partner[0].height_above_bed_m - displacement))
    if not speed.size or not 0.0 < low < high:
        return None
    dic_per_ph = None
    if quantity == "ph_total":
        # The gradient's scale is mmol m-3 of DIC per unit of pH.
        scale = next((g.scale for g in chain.gradients if g.quantity == "ph_total"), None)
        dic_per_ph = abs(scale) * 1000.0 / chain.density if scale is not None else None
    return flux_cost(
        quantity=quantity,
        offset=PLAIN_OFFSET[quantity],
        friction_velocity=float(speed.mean()),
        lower_height=low,
        upper_height=high,
        von_karman=chain.context.book.analysis.von_karman,
        density=chain.density,
        dic_per_ph=dic_per_ph,
    )


def _flux(chain: Chain, quantity: str) -> float | None:
    """Return the size of the flux that matters: that of the nights by the gradient of the quantity itself."""
    for gradient in chain.gradients:
        if gradient.quantity != quantity:
            continue
        dark = chain.light[gradient.use] < 1.0
        values: FloatArray = gradient.flux.flux[dark & np.isfinite(gradient.flux.flux)]
        if values.size >= 8:
            return abs(float(values.mean()))
    return None


def _plume(chain: Chain, quantity: str) -> float | None:
    """Return the usual difference of a point source: the median of the visits."""
    sizes = [abs(v.differences[quantity][0]) for v in chain.visits if quantity in v.differences]
    sizes = [size for size in sizes if np.isfinite(size)]
    return float(np.median(sizes)) if sizes else None


def _clock_sd(chain: Chain, label: str) -> float:
    """Return how well a clock is known: after its correction, else from its comparisons; 60 s where it has none."""
    clock = chain.context.clocks.get(chain.context.book.clock_of(label))
    if clock is not None and clock.shifts:
        return max(shift.sd_s for shift in clock.shifts)
    rows = [r for r in chain.context.tables.clock_checks if r.instrument == chain.context.book.clock_of(label)]
    if not rows:
        return 60.0
    off = np.array([(r.instrument_time_ns - r.time_ns) / NS for r in rows])
    return float(np.hypot(np.sqrt(np.mean(off**2)), min(max(r.sd_s, 0.05) for r in rows) / np.sqrt(len(rows))))
