"""Two missions compared: like conditions, changes of method beside every difference.

Here:     what was used in a mission by name, the conditions of its blocks, the rows of a comparison and their words.
Not here: the difference itself and its verdict (`reeftally.ledger`).
Rules:    a change of method that nothing bounds makes a difference a possible artefact, whatever its size; sensors that
          both missions refer to bottles are bounded by them, and their uncertainty is in each mission's own.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from reeftally import ledger
from reeftally._checks import FloatArray
from reeftally.analysis.long_record import is_long
from reeftally.analysis.offsets import LABORATORY_SD
from reeftally.analysis.results import Results, read_results
from reeftally.errors import InputError
from reeftally.mission import Book, Tables, read_book, read_tables, solar, to_ns

__all__ = ["Comparison", "compare_folders", "methods_of"]

LOW_SUN_DEG = 30.0
DAY_NS = 86_400_000_000_000
SEASON_DAYS = 45
# Block series that are compared, with the group that holds them.
SERIES = (
    ("ph_total", "chemistry"),
    ("aragonite_saturation", "chemistry"),
    ("dic", "chemistry"),
    ("oxygen", "chemistry"),
    ("temperature", "chemistry"),
    ("oxygen_flux_covariance", "exchange"),
    ("oxygen_flux_gradient", "exchange"),
    ("dic_flux_gradient", "exchange"),
)
# What of a mission's methods can move a quantity; what is not named here is moved by all.
_SENSORS = {"ph_total": "pH", "oxygen": "oxygen", "temperature": "temperature"}
_FLUX = ("velocimeters", "heights of velocimeters", "displacement height", "length of a block")
_MOVES: dict[str, tuple[str, ...]] = {
    "ph_total": ("pH sensors", "heights of pH sensors"),
    "oxygen": ("oxygen sensors", "heights of oxygen sensors"),
    "temperature": ("temperature sensors",),
    "oxygen_flux_covariance": ("oxygen sensors", *_FLUX),
    "oxygen_flux_gradient": ("oxygen sensors", "heights of oxygen sensors", "von Karman's constant", *_FLUX),
}
_ALWAYS = ("code",)
UNITS = {"dic": "µmol kg-1", "oxygen": "µmol kg-1", "temperature": "°C"}


@dataclass(frozen=True, slots=True)
class Comparison:
    """Second mission minus first."""

    first: str
    second: str
    table: pd.DataFrame
    """quantity, subject, conditions, first, second, difference, lower, upper, unit, verdict, changes, sentence ..."""
    methods: pd.DataFrame
    """what, first, second: every method that differs."""
    notes: tuple[str, ...]

    def lines(self) -> list[str]:
        """Return the comparison for people."""
        out = [f"{self.second} minus {self.first}, at like conditions:"]
        for row in self.table.to_dict("records"):
            unit = f" {row['unit']}" if row["unit"] else ""
            if pd.isna(row["difference"]):
                out.append(f"  {row['quantity']}: {row['sentence']}")
                continue
            out.append(
                f"  {row['quantity']}: {row['difference']:+.4g} ({row['lower']:+.4g} to {row['upper']:+.4g}){unit}: "
                f"{row['verdict']}; {row['conditions']}"
            )
        out.append("Changes of method:" if len(self.methods) else "No change of method is known.")
        out += [f"  {row['what']}: {row['first']} -> {row['second']}" for row in self.methods.to_dict("records")]
        return out + [f"Note: {note}" for note in self.notes]


@dataclass(frozen=True, slots=True)
class _Mission:
    """One side of a comparison."""

    name: str
    book: Book
    tables: Tables
    results: Results
    long: bool


def _open(folder: Path) -> _Mission:
    book = read_book(folder)
    return _Mission(book.mission.name, book, read_tables(folder), read_results(folder), is_long(book))


def _sensors(mission: _Mission, quantity: str, names: set[str]) -> tuple[str, str]:
    """Return kinds and heights of the sensors in place that say a quantity."""
    labels = sorted({name.split("__")[0] for name in names if name.endswith(f"__{quantity}")})
    kinds: dict[str, int] = {}
    heights: set[float] = set()
    for label in labels:
        places = [
            d for d in mission.book.deployments_of(label) if mission.book.station(d.station).role in ("bed", "ambient")
        ]
        if not places:
            continue
        instrument = mission.book.instrument(label)
        kind = f"{instrument.kind} ({instrument.layout})"
        kinds[kind] = kinds.get(kind, 0) + 1
        heights |= {round(d.height_above_bed_m, 2) for d in places}
    words = ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items()))
    return words or "none", ", ".join(f"{h:.2f} m" for h in sorted(heights)) or "none"


def methods_of(mission: _Mission) -> dict[str, str]:
    """Return what a mission used, by name."""
    book, trail = mission.book, mission.results.trail
    settings = trail.get("settings", {})
    with xr.open_dataset(mission.results.folder / "results.nc", group="blocks", engine="h5netcdf") as data:
        names = {str(name) for name in data.data_vars}
    out: dict[str, str] = {}
    for quantity, word in _SENSORS.items():
        kinds, heights = _sensors(mission, quantity, names)
        out[f"{word} sensors"], out[f"heights of {word} sensors"] = kinds, heights
    meters = [i for i in book.instruments_of_kind("velocimeter") if i.label in trail.get("velocimeters", {})]
    out["velocimeters"] = (
        ", ".join(sorted(f"{i.layout} at {1.0 / i.sample_interval_s:.0f} Hz" for i in meters)) or "none"
    )
    places = itertools.chain.from_iterable(book.deployments_of(i.label) for i in meters)
    out["heights of velocimeters"] = ", ".join(sorted({f"{d.height_above_bed_m:.2f} m" for d in places})) or "none"
    out["displacement height"] = f"{book.site.displacement_height_m:g} m"
    for name, value in settings.get("constants", {}).items():
        out[f"constants: {name}"] = str(value)
    for name, word in (
        ("von_karman", "von Karman's constant"),
        ("pq", "photosynthetic quotient"),
        ("rq", "respiratory quotient"),
        ("block_s", "length of a block"),
        ("past_air_co2_umol_mol", "CO2 of the past's air"),
    ):
        out[word] = str(settings.get(name, "not stated"))
    out["laboratories of bottles"] = ", ".join(sorted(_laboratories(mission.tables))) or "none"
    out["code"] = str(trail.get("software", {}).get("code", "not stated"))
    return out


def _laboratories(tables: Tables) -> set[str]:
    return {b.laboratory or "laboratory" for b in tables.bottles if b.flag in (2, 6) and b.ph_total is not None}


def _variable(mission: _Mission, group: str, name: str) -> tuple[npt.NDArray[np.int64], FloatArray] | None:
    """Return block starts and one series, without reading the others; by the end of its name if it begins with __."""
    return _read_one(mission.results.folder / "results.nc", group, name)


@lru_cache(maxsize=64)
def _read_one(path: Path, group: str, name: str) -> tuple[npt.NDArray[np.int64], FloatArray] | None:
    # Opening a group of hundreds of series costs more than reading one, so each is read once.
    try:
        with xr.open_dataset(path, group=group, engine="h5netcdf") as data:
            names = sorted(str(n) for n in data.data_vars if n == name or (name[:2] == "__" and str(n).endswith(name)))
            if not names:
                return None
            times = data["time"].to_numpy().astype("datetime64[ns]").astype(np.int64)
            return times, np.asarray(data[names[0]].to_numpy(), dtype=np.float64)
    except (OSError, KeyError):
        return None


def _series(mission: _Mission, quantity: str, group: str) -> tuple[npt.NDArray[np.int64], FloatArray] | None:
    """Return times and values of a block series; a long record's are those of its first reef station."""
    name = quantity
    if mission.long:
        station = next((s.name for s in mission.book.stations if s.role in ("bed", "ambient")), None)
        if station is None or quantity not in ("ph_total", "temperature"):
            return None
        group, name = "blocks", f"{quantity}_{station}"
    found = _variable(mission, group, name)
    if found is None or not np.isfinite(found[1]).any():
        return None
    times, values = found
    step = int(np.median(np.diff(times)))
    if not mission.long:
        # Blocks of side-by-side periods and of transport are not the reef.
        places = [d for d in mission.book.deployments if mission.book.station(d.station).role in ("bed", "ambient")]
        if places:
            low, high = min(d.start_ns for d in places), max(d.end_ns for d in places)
            values = np.where((times >= low) & (times < high), values, np.nan)
    return times + step // 2, values


def _conditions(mission: _Mission, mids: npt.NDArray[np.int64], *, season: bool) -> tuple[npt.NDArray[np.str_], str]:
    """Return the conditions of every block as a label, and what they are in words."""
    site = mission.book.site
    high = solar.elevation(mids, site.latitude_deg, site.longitude_deg)
    light = np.where(high < solar.HORIZON_DEG, "night", np.where(high < LOW_SUN_DEG, "low sun", "high sun"))
    words, label = "light", light.astype("U24")
    tide = _tide(mission, mids)
    if tide is not None:
        label = np.char.add(np.char.add(label, " "), tide)
        words += " and tide"
    if season:
        month = mids.astype("datetime64[ns]").astype("datetime64[M]").astype(np.int64) % 12
        label = np.char.add(np.char.add(label, " "), month.astype("U2"))
        words += " and month"
    return label, words


def _tide(mission: _Mission, mids: npt.NDArray[np.int64]) -> npt.NDArray[np.str_] | None:
    """Return whether the water rises or falls, from the pressure of the mission's own record."""
    if mission.long:
        return None
    found = _variable(mission, "blocks", "__pressure")
    if found is None:
        return None
    times, pressure = found
    good = np.isfinite(pressure)
    if good.sum() < 8:
        return None
    step = times[1] - times[0]
    level = [np.interp(mids + shift, times[good] + step // 2, pressure[good]) for shift in (-2 * step, 2 * step)]
    return np.where(level[1] > level[0], "rising", "falling")


def _systematic(mission: _Mission, quantity: str) -> float:
    """Return the systematic standard uncertainty of a mission's mean, from its own estimate or else from its book."""
    table = mission.results.estimates
    name, _, method = quantity.partition("_flux_")
    rows = table[(table["quantity"] == (f"{name}_flux" if method else quantity)) & table["value"].notna()]
    if method:
        rows = rows[rows["method"].str.startswith(method)]
    rows = rows[rows["period"].isin(("season",) if mission.long else ("mission",))]
    found = pd.to_numeric(rows["systematic_sd"], errors="coerce").dropna()
    if len(found):
        return float(found.median())
    # No estimate of this quantity: what the book states of its sensors before any calibration.
    stated = [term.offset_sd for i in mission.book.instruments if (term := i.term(quantity)) is not None]
    return max(stated) if stated else float("nan")


def _bounds(
    first: _Mission, second: _Mission, methods: tuple[Mapping[str, str], Mapping[str, str]], used: list[str]
) -> dict[str, tuple[float, float]]:
    """Return the changes that bottles of both missions bound: their uncertainty is in each mission's own."""
    if not (_laboratories(first.tables) and _laboratories(second.tables)):
        return {}
    tied = ("pH sensors", "heights of pH sensors")
    return {name: (0.0, 0.0) for name in tied if name in used and methods[0].get(name) != methods[1].get(name)}


def compare_folders(first: Path, second: Path) -> Comparison:
    """Compare the newest results of two missions of one site.

    Parameters
    ----------
    first, second : Path
        Mission folders; the difference is second minus first.

    Raises
    ------
    ResultError
        If one of them has no results.
    """
    one, two = _open(first), _open(second)
    methods = (methods_of(one), methods_of(two))
    differing = [k for k in sorted({*methods[0], *methods[1]}) if methods[0].get(k) != methods[1].get(k)]
    rows = []
    for quantity, group in SERIES:
        row = _row(one, two, quantity, group, methods)
        if row is not None:
            rows.append(row)
    table = pd.DataFrame(rows, columns=list(_COLUMNS))
    changes = pd.DataFrame(
        [
            {"what": k, "first": methods[0].get(k, "not stated"), "second": methods[1].get(k, "not stated")}
            for k in differing
        ],
        columns=["what", "first", "second"],
    )
    return Comparison(one.name, two.name, table, changes, tuple(_notes(one, two, differing)))


_COLUMNS = (
    "quantity", "subject", "conditions", "first", "second", "difference", "lower", "upper", "level", "unit",
    "random_sd", "systematic_sd", "verdict", "changes", "sentence",
)  # fmt: skip


def _row(
    one: _Mission, two: _Mission, quantity: str, group: str, methods: tuple[Mapping[str, str], Mapping[str, str]]
) -> dict[str, Any] | None:
    """Compare one series; None where a mission does not have it."""
    pair = [held for mission in (one, two) if (held := _series(mission, quantity, group)) is not None]
    if len(pair) < 2:
        return None
    unit = UNITS.get(quantity, "mmol m-2 h-1" if "_flux_" in quantity else "")
    head = {"quantity": quantity, "subject": "site", "unit": unit, "level": 0.95}
    season = all(len(np.unique(p[0] // (30 * DAY_NS))) > 10 for p in pair)
    labels = [_conditions(m, p[0], season=season) for m, p in zip((one, two), pair, strict=True)]
    try:
        found = ledger.matched_difference(
            first=pair[0][1], second=pair[1][1], first_bin=labels[0][0], second_bin=labels[1][0],
            first_day=pair[0][0] // DAY_NS, second_day=pair[1][0] // DAY_NS,
        )  # fmt: skip
    except InputError as error:
        return head | {"verdict": "not compared", "sentence": str(error)}
    systematic = [_systematic(mission, quantity) for mission in (one, two)]
    if not np.isfinite(systematic).all():
        return head | {"verdict": "not compared", "sentence": "a mission gives no systematic uncertainty of its mean"}
    # Student's t of the days, as the standard uncertainty whose normal interval is as wide.
    random = (found.upper - found.lower) / (2.0 * 1.959964)
    used = [k for k in methods[0] if k in (*_MOVES.get(quantity, tuple(methods[0])), *_ALWAYS)]
    shared = 0.0
    if _laboratories(one.tables) & _laboratories(two.tables) and quantity in LABORATORY_SD:
        shared = min(LABORATORY_SD[quantity], *systematic)
    result = ledger.compare_missions(
        first=found.first_mean,
        first_sd=systematic[0],
        second=found.second_mean,
        second_sd=float(np.hypot(systematic[1], random)),
        shared_sd=shared,
        first_methods={k: methods[0][k] for k in used},
        second_methods={k: methods[1][k] for k in used},
        step_bounds=_bounds(one, two, methods, used),
    )
    where = (
        f"matched by {labels[0][1]} in {found.bins} classes ({100 * found.share_first:.0f} % and "
        f"{100 * found.share_second:.0f} % of the blocks, {found.days[0]} and {found.days[1]} days)"
    )
    return head | {
        "conditions": where,
        "first": found.first_mean,
        "second": found.second_mean,
        "difference": result.difference,
        "lower": result.lower,
        "upper": result.upper,
        "random_sd": random,
        "systematic_sd": float(np.sqrt(max(result.sd**2 - random**2, 0.0))),
        "verdict": result.verdict,
        "changes": "; ".join(f"{c.what}: {c.before} -> {c.after}" for c in result.changes),
        "sentence": result.sentence,
    }


def _notes(one: _Mission, two: _Mission, differing: list[str]) -> list[str]:
    """Return what a reader of the comparison should know."""
    notes = []
    if one.book.site.name != two.book.site.name:
        notes.append(f"the sites are {one.book.site.name} and {two.book.site.name}: this compares places, not times")
    middles = [np.datetime64((to_ns(m.book.mission.start) + to_ns(m.book.mission.end)) // 2, "ns") for m in (one, two)]
    days = [
        int((m.astype("datetime64[D]") - m.astype("datetime64[Y]").astype("datetime64[D]")).astype(int))
        for m in middles
    ]
    apart = abs(days[0] - days[1])
    apart = min(apart, 365 - apart)
    if apart > SEASON_DAYS and not (one.long and two.long):
        notes.append(f"the missions lie {apart} days of the year apart: a season is in the difference")
    if "code" in differing:
        notes.append("the two results were made by different versions of the code: analyse both again before comparing")
    return notes
