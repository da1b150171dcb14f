"""Rehearse somebody's own plan: the raw files that the instruments of a mission book would have written.

Here:     `rehearse_book`: the invented water over the site, heights, times, errors and layouts of a book.
Not here: the two scripts of the invented mission (`rehearse`), what text looks like (`render`).
Rules:    everything the book gives with an uncertainty is drawn from it: offsets, gains, drifts, heights,
          response times, displacement, residence time, von Karman's constant, PQ. No faults are planted.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from reeftally._checks import FloatArray
from reeftally.errors import BookError, InputError
from reeftally.mission import Book, Deployment, Instrument, problems_of, problems_with_layouts, read_book, read_layouts
from reeftally.rehearsal.box import make_chemistry
from reeftally.rehearsal.highrate import World, chunks
from reeftally.rehearsal.observe import Observer
from reeftally.rehearsal.reef import GAIN_PIVOT, Reef, generator
from reeftally.rehearsal.render import Rendering
from reeftally.rehearsal.script import DAY, HOUR, script_of
from reeftally.rehearsal.truth import Row, Truth, truth_rows, write_truth
from reeftally.rehearsal.velocimeters import first_order
from reeftally.rehearsal.water import make_water, make_waves

__all__ = ["rehearse_book"]

Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class _Errors:
    """Errors of one quantity of one instrument."""

    noise: float = 0.0
    offset: float = 0.0
    gain: float = 0.0
    drift: float = 0.0


def _place(deployment: Deployment) -> str:
    return f"{deployment.station} {deployment.height_above_bed_m:.2f}"


def _world(book: Book, seed: int) -> World:
    """Make the true reef of a book's site, with its priors drawn."""
    first = min(book.mission.start_ns, *(row.start_ns for row in book.deployments))
    last = max(book.mission.end_ns, *(row.end_ns for row in book.deployments))
    # Half an hour earlier, so that slow sensors have seen the water before their first sample.
    start_ns = first // 60_000_000_000 * 60_000_000_000 - 1_800_000_000_000
    place = ((book.mission.start_ns - start_ns) / 1e9, (book.mission.end_ns - start_ns) / 1e9)
    base = script_of("demo36")
    start = book.mission.start - dt.timedelta(microseconds=(book.mission.start_ns - start_ns) // 1000)
    script = replace(
        base,
        size="book",
        name=book.mission.name,
        start=start,
        length=float(math.ceil((last - start_ns) / 1e9)),
        before=(0.0, 0.0),
        place=place,
        after=(0.0, 0.0),
        swaps=(),
        upside_down=("", 0.0, 0.0),
        stuck=("", 0.0, 0.0),
        zone_jump=((), 0.0),
        dives=(),
        latitude_deg=book.site.latitude_deg,
        longitude_deg=book.site.longitude_deg,
        utc_offset_h=book.site.utc_offset_h,
    )
    rng = generator(seed, "truth of the book")
    site, analysis = book.site, book.analysis
    plain = Reef()

    def drawn(mean: float | None, sd: float | None, otherwise: float, low: float, high: float) -> float:
        z = float(rng.standard_normal())
        return float(np.clip((otherwise if mean is None else mean) + (sd or 0.0) * z, low, high))

    reef = replace(
        plain,
        depth=site.water_depth_m,
        displacement=drawn(site.displacement_height_m, site.displacement_height_sd_m, 0.1, 0.0, site.water_depth_m / 4),
        roughness=site.roughness_length_m or plain.roughness,
        residence_h=drawn(site.residence_time_h, site.residence_time_sd_h, plain.residence_h, 1.0, 2000.0),
        von_karman=drawn(analysis.von_karman, analysis.von_karman_sd, 0.41, 0.3, 0.5),
        pq=drawn(analysis.pq, analysis.pq_sd, plain.pq, 0.6, 1.6),
        past_air_co2=analysis.past_air_co2_umol_mol,
        mixed_height=min(plain.mixed_height, 0.6 * site.water_depth_m),
        gas_velocity=plain.gas_velocity * drawn(1.0, analysis.gas_transfer_sd_relative, 1.0, 0.2, 3.0),
        reference_alkalinity=_stated(book, "total_alkalinity", plain.reference_alkalinity, rng),
        reference_dic=_stated(book, "dic", plain.reference_dic, rng),
    )
    heights: dict[str, float] = {}
    errors: dict[str, float] = {}
    for deployment in book.deployments:
        place_name = _place(deployment)
        if place_name not in heights:
            heights[place_name] = deployment.height_above_bed_m
            errors[place_name] = deployment.height_sd_m * float(generator(seed, place_name).standard_normal())
    reef = replace(reef, heights=errors)
    water = make_water(script, reef, seed)
    return World(
        script=script,
        reef=reef,
        sensors={},
        water=water,
        waves=make_waves(script, water, reef, seed),
        chemistry=make_chemistry(water, reef, seed, script.place),
        seed=seed,
        heights=heights,
    )


def _stated(book: Book, quantity: str, otherwise: float, rng: np.random.Generator) -> float:
    z = float(rng.standard_normal())
    reference = book.reference(quantity)
    return otherwise if reference is None else reference.value + reference.sd * z


def _errors_of(instrument: Instrument, seed: int) -> dict[str, _Errors]:
    out = {}
    for term in instrument.terms:
        rng = generator(seed, f"errors of {instrument.label} {term.quantity}")
        offset, gain, drift = (float(z) for z in rng.standard_normal(3))
        out[term.quantity] = _Errors(
            noise=term.noise_sd,
            offset=term.offset_sd * offset,
            gain=(term.gain_sd or 0.0) * gain,
            drift=(term.drift_sd_per_day or 0.0) * drift,
        )
    return out


def _lag(instrument: Instrument, seed: int) -> float:
    z = float(generator(seed, f"lag of {instrument.label}").standard_normal())
    stated = instrument.response_time_s or 0.0
    return max(stated + (instrument.response_time_sd_s or 0.0) * z, 0.2 * stated)


def _disturb(values: FloatArray, errors: _Errors, quantity: str, t: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Return values as the sensor shows them: gain about the pivot, offset, drift, noise."""
    pivot = GAIN_PIVOT if quantity == "oxygen" else 0.0
    shown = values + errors.gain * (values - pivot) + errors.offset + errors.drift * t / DAY
    return np.asarray(shown + errors.noise * rng.standard_normal(values.size))


def _write_instrument(world: World, book: Book, instrument: Instrument, rendering: Rendering, inbox: Path) -> int:
    """Write one instrument over all its deployments, hour by hour; return the rows."""
    errors = _errors_of(instrument, world.seed)
    lag = _lag(instrument, world.seed)
    interval = instrument.sample_interval_s
    state: dict[str, float] = {}
    written: set[str] = set()
    count = 0
    observer = Observer(world, book, instrument)
    for deployment in sorted(book.deployments_of(instrument.label), key=lambda row: row.start_ns):
        start = (deployment.start_ns - world.script.start_ns) / 1e9
        end = (deployment.end_ns - world.script.start_ns) / 1e9
        state.clear()
        for a, b in chunks(start, end, 6.0 * HOUR if interval >= 1.0 else HOUR):
            first = math.ceil(a / interval - 1e-9)
            ticks = np.arange(first, math.ceil(b / interval - 1e-9))
            if ticks.size == 0:
                continue
            # A sensor slower than its sampling is followed on a finer clock.
            fine = max(1, math.ceil(interval / max(min(1.0, interval), 1e-6))) if lag > 0.0 else 1
            fine = min(fine, 900)
            step = interval / fine
            t = (np.arange(ticks[0] * fine - fine + 1, ticks[-1] * fine + 1)) * step
            rng = generator(world.seed, f"{instrument.label} {round(a * 1000)}")
            channels: dict[str, FloatArray] = {}
            at = t[fine - 1 :: fine]
            for column in rendering.layout.columns:
                held = observer.source(column.quantity)
                value = observer.value(held, deployment, t, column.bin)
                if lag > 0.0 and observer.slow(held):
                    state[held] = first_order(value, step, lag, state.get(held, float(value[0])))
                value = _disturb(value[fine - 1 :: fine], errors.get(held, _Errors()), held, at, rng)
                channels[column.channel] = observer.shown(value, column.quantity, at)
            middle = world.script.start_ns + np.rint(at * 1e6).astype(np.int64) * 1000
            days = middle // int(DAY * 1e9)
            for day in np.unique(days):
                chosen = days == day
                name = rendering.file_name(str(np.datetime64(int(day), "D")).replace("-", ""))
                with (inbox / name).open("ab" if name in written else "wb") as file:
                    if name not in written:
                        file.write(rendering.head())
                    file.write(rendering.rows(middle[chosen], {k: v[chosen] for k, v in channels.items()}))
                written.add(name)
            count += ticks.size
    return count


def _sensor_rows(world: World, book: Book, instrument: Instrument) -> list[Row]:
    iso = world.script.iso
    a, b = world.script.place
    middle = 0.5 * (a + b)
    out: list[Row] = []
    units = {"oxygen": "µmol kg-1", "dic": "µmol kg-1", "total_alkalinity": "µmol kg-1", "temperature": "°C"}
    for quantity, errors in _errors_of(instrument, world.seed).items():
        common = {"subject": instrument.label, "channel": quantity}
        unit = units.get(quantity, "")
        for name, value, start, end, period, shown in (
            ("sensor_offset", errors.offset + errors.drift * middle / DAY, middle, middle, "instant", unit),
            ("sensor_drift", errors.drift, a, b, "mission", f"{unit} d-1".strip()),
        ):
            out.append(
                {
                    "quantity": name,
                    "period": period,
                    "start": iso(start),
                    "end": iso(end),
                    "value": float(f"{value:.9g}"),
                    "unit": shown,
                    **common,
                }
            )
    return out


def rehearse_book(folder: Path | str, *, seed: int = 1, progress: Progress | None = None) -> Truth:
    """Write what the instruments of a folder's own mission book would have written over an invented reef.

    Site, stations, deployments, layouts and uncertainty terms are the book's; tide, weather, chemistry and
    fluxes are the invented basin's. Raw files go to ``inbox/``, the truth to ``truth.json``; book, layouts and
    tables are left alone (bottles and visits are not invented).

    Parameters
    ----------
    folder : path
        A mission folder with ``mission.toml`` and ``layouts/`` and without observations.
    seed : int
        Same seed and book, same bytes.
    progress : callable, optional
        Called as ``progress(label, share)``.

    Raises
    ------
    BookError
        The book has problems, or an instrument or layout asks for something that cannot be simulated.
    InputError
        The inbox already holds files, or there is a truth already.
    """
    base = Path(folder)
    book = read_book(base)
    layouts = read_layouts(base)
    problems = [*problems_of(book), *problems_with_layouts(book, layouts)]
    if problems:
        raise problems[0]
    inbox = base / "inbox"
    if (base / "truth.json").exists() or (inbox.is_dir() and any(inbox.iterdir())):
        message = f"{base.name} already holds raw files or a truth; rehearse a copy of the plan with an empty inbox."
        raise InputError(message)
    renderings: dict[str, Rendering] = {}
    for row in book.instruments:
        if book.deployments_of(row.label):
            renderings[row.label] = Rendering(layouts[row.layout], row.label, row.serial, row.sample_interval_s)
            Observer.check(row, layouts[row.layout])
    if not renderings:
        raise BookError(key="deployments", found="none", wanted="at least one deployment", file="mission.toml")
    world = _world(book, seed)
    inbox.mkdir(parents=True, exist_ok=True)
    velocimeters = tuple(
        dict.fromkeys(
            _place(row)
            for instrument in book.instruments_of_kind("velocimeter")
            for row in book.deployments_of(instrument.label)
        )
    )
    rows = truth_rows(world, [], [], velocimeters)
    for instrument in book.instruments:
        if instrument.label in renderings:
            written = _write_instrument(world, book, instrument, renderings[instrument.label], inbox)
            rows += _sensor_rows(world, book, instrument)
            a, b = world.script.iso(0.0), world.script.iso(world.script.length)
            rows.append(
                {
                    "quantity": "stream_rows",
                    "subject": instrument.label,
                    "period": "instant",
                    "start": a,
                    "end": b,
                    "value": written,
                    "unit": "1",
                }
            )
            if progress is not None:
                progress(instrument.label, 1.0)
    write_truth(base / "truth.json", rows)
    return Truth(tuple(rows))
