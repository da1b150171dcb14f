"""The archive's metadata, filled from the mission book, the tables, `metadata.toml` and the results.

Here:     the value of each field and where it stands; what is missing, by name; JSON and CSV of all of it.
Not here: which fields there are (`archive_fields`).
Rules:    works from the first day, before anything was measured or analysed; nothing is filled by guess: a field that
          the mission does not answer is missing.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import xarray as xr

from reeftally._names import QUANTITIES
from reeftally.analysis.estimates import iso
from reeftally.analysis.results import latest_run, read_results
from reeftally.mission import Book, Bottle, Instrument, Layout, Tables, read_book, read_layouts, read_tables
from reeftally.telling import archive_fields as asked
from reeftally.telling.archive_fields import METADATA_FILE, MetadataField, Stated, read_stated

__all__ = ["COMPANIONS", "archive_metadata", "metadata_csv", "metadata_json", "missing_metadata"]

COMPANIONS = ("_random_sd", "_systematic_sd", "_flag", "_n", "_reason")
"""Endings of variables that only accompany another."""

_METHODS = {
    "velocimeter": "acoustic Doppler velocimetry at a point",
    "profiler": "acoustic Doppler current profiling",
    "optode": "optode, quenching of luminescence",
    "fast_oxygen": "fast oxygen sensor beside a velocimeter",
    "isfet_ph": "ion-sensitive field-effect transistor",
    "dye_ph": "spectrophotometry with an indicator dye",
    "ctd": "conductivity, temperature and pressure sensors",
    "gas_isotope": "gas analyser behind an equilibrator",
    "light": "quantum sensor",
    "weather": "weather station",
}
_HOUSEKEEPING = {
    *("correlation", "signal_to_noise", "heading", "pitch", "roll"),
    *("ph_internal_voltage", "ph_external_voltage", "inlet"),
}
_FLAGS_SENSOR = "QARTOD: 1 good, 2 not evaluated, 3 suspect, 4 fail, 9 missing"
_FLAGS_BOTTLE = "2 good, 3 doubtful, 4 bad, 6 mean of duplicates, 9 missing"
_TRAILS = {"chemistry": ("chemistry",), "flow": ("currents",), "ledger": ("account",)}


class _Mission:
    """What the fields are filled from."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.book: Book = read_book(folder)
        self.tables: Tables = read_tables(folder / "tables")
        self.layouts: dict[str, Layout] = read_layouts(folder / "layouts") if (folder / "layouts").is_dir() else {}
        run = latest_run(folder)
        self.trail: dict[str, Any] = {} if run is None else read_results(folder).trail
        self.groups: dict[str, dict[str, dict[str, Any]]] = {} if run is None else _series(run / "results.nc")
        self.sensors: dict[str, list[Instrument]] = {}
        self.quantity: dict[str, str] = {}
        for instrument in self.book.instruments:
            for quantity in self._quantities(instrument):
                name = f"{quantity}_{instrument.kind}"
                self.sensors.setdefault(name, []).append(instrument)
                self.quantity[name] = quantity
        self.fields: dict[str, dict[str, str]] = {name: self._sensor_fields(name) for name in self.sensors}
        self.bottles: dict[str, list[Bottle]] = {}
        for quantity, fields in asked.BOTTLE.items():
            rows = [row for row in self.tables.bottles if getattr(row, quantity) is not None]
            if rows or self._planned(quantity):
                name = f"{quantity}_bottle"
                self.bottles[name], self.fields[name], self.quantity[name] = rows, dict(fields), quantity
        self.calculated: dict[str, tuple[str, str]] = {}
        for group, series in self.groups.items():
            for quantity in series:
                if group != "blocks" and not quantity.endswith(COMPANIONS):
                    name = f"{quantity}_calculated"
                    self.calculated[name], self.fields[name] = (group, quantity), dict(asked.CALCULATED)
        self.stated: Stated = read_stated(folder, self.fields)

    def _quantities(self, instrument: Instrument) -> list[str]:
        layout = self.layouts.get(instrument.layout)
        if layout is not None:
            names = [column.quantity for column in layout.columns]
        else:
            names = [term.quantity for term in instrument.terms]
        names = ["velocity" if name.startswith("velocity_") else name for name in names if name not in _HOUSEKEEPING]
        return list(dict.fromkeys(names))

    def _sensor_fields(self, name: str) -> dict[str, str]:
        fields = dict(asked.SENSOR)
        if self.quantity[name].startswith("ph_"):
            fields |= asked.SENSOR_PH
        if self.sensors[name][0].kind == "dye_ph" and self.quantity[name].startswith("ph_"):
            fields |= asked.DYE
        return fields

    def _planned(self, quantity: str) -> bool:
        # A table of bottles without lines is a plan: the two that every such table is kept for are asked for.
        empty = not self.tables.bottles and (self.folder / "tables" / "bottles.csv").exists()
        return empty and quantity in {"dic", "total_alkalinity"}


def _series(path: Path) -> dict[str, dict[str, dict[str, Any]]]:
    out: dict[str, dict[str, dict[str, Any]]] = {}
    for group in ("blocks", "chemistry", "flow", "exchange", "ledger"):
        try:
            with xr.open_dataset(path, group=group, engine="h5netcdf") as data:
                out[group] = {str(k): dict(v.attrs) for k, v in data.data_vars.items() if k != "time_bounds"}
        except OSError:
            continue  # the run has no such group
    return out


Filled = tuple[str | None, str]


def _dataset(mission: _Mission) -> dict[str, Filled]:
    book = mission.book
    about, site = book.mission, book.site
    points = [book.position_of(row.station) for row in book.deployments] or [(site.latitude_deg, site.longitude_deg)]
    depths = [
        max(book.water_depth_of(row.station) - row.height_above_bed_m, 0.0)
        for row in book.deployments
        if book.station(row.station).role != "air"
    ] or [site.water_depth_m]
    communities = "; ".join(row.name for row in book.communities)
    software = mission.trail.get("software")
    constants = book.analysis.constants
    stations = [f"{row.name} ({row.role})" for row in book.stations]

    def of(value: str | None, key: str) -> Filled:
        return value or None, f"mission.toml {key}" if value else ""

    measured = sorted({mission.quantity[name] for name in mission.sensors} | set(asked.BOTTLE).intersection(
        mission.quantity[name] for name in mission.bottles))  # fmt: skip
    subjects = ["ocean acidification", "reef", site.bottom, *(name.replace("_", " ") for name in measured)]
    where = "mission.toml [[deployments]], [[stations]], [site]"
    return {
        "title": of(about.title, "[mission] title"),
        "summary": of(about.summary, "[mission] summary"),
        "keywords": (", ".join(dict.fromkeys(subjects)), "what was measured"),
        "investigators": of(about.investigators, "[mission] investigators"),
        "institution": of(about.institution, "[mission] institution"),
        "funding": of(about.funding, "[mission] funding"),
        "licence": of(about.licence, "[mission] licence"),
        "time_start": (iso(about.start_ns), "mission.toml [mission] start"),
        "time_end": (iso(about.end_ns), "mission.toml [mission] end"),
        "latitude_south": (f"{min(p[0] for p in points):.6g}", where),
        "latitude_north": (f"{max(p[0] for p in points):.6g}", where),
        "longitude_west": (f"{min(p[1] for p in points):.6g}", where),
        "longitude_east": (f"{max(p[1] for p in points):.6g}", where),
        "depth_shallow": (f"{min(depths):.4g}", where),
        "depth_deep": (f"{max(depths):.4g}", where),
        "site": of(site.name, "[site] name"),
        "water_depth": (f"{site.water_depth_m:g}", "mission.toml [site] water_depth_m"),
        "bottom": of("; ".join(filter(None, (site.bottom, communities))), "[site] bottom, [[communities]]"),
        "platform": of("; ".join(stations), "[[stations]]"),
        "platform_type": of("fixed frames on the bed and carried sensors" if stations else "", "[[stations]]"),
        "observation_scheme": (f"block means of {book.analysis.block_s} s, aligned to UTC", "mission.toml [analysis]"),
        "flag_scheme": (f"sensors and series: {_FLAGS_SENSOR}; bottles: {_FLAGS_BOTTLE}", "reeftally"),
        "uncertainty_scheme": (
            "random and systematic standard uncertainties apart; 95 % intervals from trials (JCGM 101:2008)",
            "reeftally",
        ),
        "constants": (
            f"K1, K2 {constants.k1k2}; KS {constants.ks}; KF {constants.kf}; boron {constants.boron}",
            "mission.toml [analysis] constants",
        ),
        "software": (
            None if software is None else f"reeftally {software['reeftally']}, code {software['code']}",
            "" if software is None else "results trail.json",
        ),
    }


def _names(quantity: str, attributes: Mapping[str, Any] | None = None) -> dict[str, Filled]:
    row = QUANTITIES.get(quantity)
    attributes = attributes or {}
    if quantity == "velocity":
        base = ("u_x, u_y, u_z", "velocity in the instrument's axes", "none exists", "m s-1")
    elif row is None:
        base = (quantity, str(attributes.get("long_name", quantity.replace("_", " "))), "none exists", "1")
    else:
        base = (row.symbol, row.meaning, row.standard_name or "none exists", row.unit or "1")
    unit = str(attributes.get("units", base[3]))
    values = (base[0], str(attributes.get("long_name", base[1])), base[2], unit)
    keys = ("abbreviation", "full_name", "standard_name", "unit")
    return {key: (value, "reeftally, names of quantities") for key, value in zip(keys, values, strict=True)}


def _joined(values: Sequence[float | None], unit: str) -> str | None:
    kept = sorted(value for value in values if value is not None)
    if not kept:
        return None
    return f"{kept[0]:g} {unit}" if kept[0] == kept[-1] else f"{kept[0]:g} to {kept[-1]:g} {unit}"


def _sensor(mission: _Mission, name: str) -> dict[str, Filled]:
    book, quantity, instruments = mission.book, mission.quantity[name], mission.sensors[name]
    labels = [row.label for row in instruments]
    kind = instruments[0].kind
    places = [row for row in book.deployments if row.instrument in labels]
    carried = bool(places) and all(book.station(row.station).role == "carried" for row in places)
    steps = _joined([row.sample_interval_s for row in instruments], "s")
    heights = _joined([row.height_above_bed_m for row in places], "m above the bed")
    at = ", ".join(dict.fromkeys(row.station for row in places))
    # The chain knows some terms under the name of what a channel becomes.
    named = {quantity, "oxygen" if quantity == "oxygen_molar" else quantity}
    if quantity.startswith("ph_"):
        named.add("ph_total")
    terms = [
        f"{row.label}: random {term.noise_sd:g} a sample, offset {term.offset_sd:g}"
        for row in instruments
        for term in row.terms
        if term.quantity in named or (quantity == "velocity" and term.quantity.startswith("velocity"))
    ]
    out: dict[str, Filled] = {
        **_names(quantity),
        "observation_type": ("time series of a carried sensor" if carried else "time series of a fixed sensor", "book"),
        "in_situ_or_manipulated": ("in situ", "mission.toml: a mission observes"),
        "measured_or_calculated": ("measured", "layouts/"),
        "method": (_METHODS.get(kind), "mission.toml kind" if kind in _METHODS else ""),
        "instrument": ("; ".join(f"{kind} {r.label}, serial {r.serial}" for r in instruments), "mission.toml"),
        "sampling": (f"every {steps}; {heights or 'not placed yet'}; {at}", "mission.toml [[deployments]]"),
        "analysing": ("flagged sample by sample, corrected by the log and the side by side, block means", "reeftally"),
        "flag_scheme": (_FLAGS_SENSOR, "reeftally"),
        "who_measured": (book.mission.investigators, "mission.toml [mission] investigators"),
        "uncertainty": ("; ".join(terms) or None, "mission.toml [[instruments.terms]]"),
        "calibration": (_calibration(book, instruments, named), "mission.toml [[calibrations]], [[intercalibrations]]"),
    }
    if quantity.startswith("ph_"):
        scale = "total"
        for key, words in (("free", "free"), ("seawater", "seawater"), ("nbs", "NBS")):
            if quantity == f"ph_{key}":
                scale = f"{words} as recorded, total as reported"
        out["ph_scale"] = (scale, "layouts/ and results")
        out["temperature_of_measurement"] = ("in situ", "mission.toml: sensor in the water")
        out["temperature_of_reporting"] = ("in situ", "reeftally")
        out["temperature_correction"] = ("none needed: measured and reported in situ", "reeftally")
    return out


def _calibration(book: Book, instruments: Sequence[Instrument], named: set[str]) -> str | None:
    parts: list[str] = []
    open_ones: list[str] = []
    for row in instruments:
        certificates = [c for q in sorted(named) for c in book.calibrations_of(row.label, q)]
        for c in certificates:
            words = (f"{c.date:%Y-%m-%d}", c.equation, c.standard, c.person, c.source)
            parts.append(f"{row.label}: " + ", ".join(w for w in words if w))
        together = [c.name for c in book.intercalibrations if row.label in c.instruments]
        if together:
            parts.append(f"{row.label}: side by side {', '.join(together)}")
        if not certificates and not together:
            open_ones.append(row.label)
    if not parts:
        return None
    return "; ".join([*parts, *([f"none stated: {', '.join(open_ones)}"] if open_ones else [])])


def _bottle(mission: _Mission, name: str) -> dict[str, Filled]:
    rows, quantity = mission.bottles[name], mission.quantity[name]
    table = "tables/bottles.csv"
    sd = {"ph_total": "ph_sd", "delta13c_dic": "delta13c_sd", "salinity": ""}.get(quantity, f"{quantity}_sd")
    sds = [getattr(row, sd) for row in rows] if sd else []
    unit = QUANTITIES[quantity].unit
    laboratories = "; ".join(dict.fromkeys(row.laboratory for row in rows if row.laboratory))
    poisons = "; ".join(dict.fromkeys(row.poison for row in rows if row.poison))
    kept = _joined([row.stored_days for row in rows], "days until analysis")
    stations = ", ".join(dict.fromkeys(row.station for row in rows))
    heights = _joined([row.height_above_bed_m for row in rows], "m above the bed")
    materials = [row for row in mission.tables.reference_materials if row.quantity == quantity]
    results = "; ".join(f"certified {row.certified:g}, measured {row.measured:g}" for row in materials)
    out: dict[str, Filled] = {
        **_names(quantity),
        "observation_type": ("discrete bottle", table),
        "in_situ_or_manipulated": ("in situ", "mission.toml: a mission observes"),
        "measured_or_calculated": ("measured", table),
        "flag_scheme": (_FLAGS_BOTTLE, "reeftally"),
        "sampling": (f"{len(rows)} bottles at {stations}; {heights}" if rows else None, table),
        "who_measured": (laboratories or None, f"{table} laboratory"),
        "analysing": (f"in the laboratory: {laboratories}" if laboratories else None, f"{table} laboratory"),
        "uncertainty": (_joined(sds, unit), f"{table} {sd}"),
        "poison": (poisons or None, f"{table} poison"),
        "storage": (kept, f"{table} stored_days"),
        "reference_material_date": (
            ", ".join(iso(row.time_ns) for row in materials) or None,
            "tables/reference_materials.csv",
        ),
        "reference_material_result": (results or None, "tables/reference_materials.csv"),
    }
    if quantity == "ph_total":
        out["ph_scale"] = ("total", table)
        out["temperature_of_measurement"] = (_joined([r.ph_temperature for r in rows], "°C"), f"{table} ph_temperature")
        out["temperature_of_reporting"] = ("as measured in the table, in situ in the results", "reeftally")
        out["temperature_correction"] = ("carbonate system with the bottle's alkalinity", "reeftally")
    return out


def _calculated(mission: _Mission, name: str) -> dict[str, Filled]:
    group, quantity = mission.calculated[name]
    attributes = mission.groups[group][quantity]
    trails = _TRAILS.get(group, ("gradient",))
    if group == "exchange":
        if "covariance" in quantity or quantity in {
            "lag",
            "oxygen_cospectrum_mean",
            "oxygen_ogive_mean",
            "oxygen_flux_of_lag",
        }:
            trails = ("covariance",)
        elif quantity.startswith("dic"):
            trails = ("gradient_dic",)
    methods = [mission.trail.get("methods", {}).get(key) for key in trails]
    what = "; ".join(f"{m['what']} {m['equation']}" for m in methods if m)
    sources = "; ".join(s for m in methods if m for s in m["sources"])
    sd = [f"{quantity}{s}" for s in COMPANIONS[:2] if f"{quantity}{s}" in mission.groups[group]]
    software = mission.trail.get("software", {})
    labels = ", ".join(sorted(mission.trail.get("inputs", {})))
    trail = "results trail.json"
    return {
        **_names(quantity, attributes),
        "observation_type": ("series of blocks", "results.nc"),
        "in_situ_or_manipulated": ("in situ", "mission.toml: a mission observes"),
        "measured_or_calculated": ("calculated", "results.nc"),
        "method": (what or f"block mean, group {group}", trail),
        "method_reference": (sources or "reeftally, see code version", trail),
        "who_measured": (f"reeftally {software.get('reeftally', '')}".strip(), trail),
        "uncertainty": ("series " + ", ".join(sd) if sd else "not given for this series", "results.nc"),
        "flag_scheme": (_FLAGS_SENSOR, "reeftally"),
        "inputs": (labels or None, trail),
    }


def archive_metadata(folder: Path | str) -> list[MetadataField]:
    """Every field that the archive asks for, filled or not.

    Parameters
    ----------
    folder : path
        Mission folder; a book is enough.

    Returns
    -------
    list of MetadataField
        First those of the data set, then those of each variable: sensors and bottles as book, layouts and tables have
        them, calculated series once there are results.

    Raises
    ------
    BookError, IntakeError
        If the book, a layout, a table or `metadata.toml` cannot be read.
    """
    mission = _Mission(Path(folder))
    out: list[MetadataField] = []
    filled = _dataset(mission)
    for name, meaning in {**asked.DATASET, **asked.OPTIONAL}.items():
        value, source = filled.get(name, (None, ""))
        if name in mission.stated.dataset:
            value, source = mission.stated.dataset[name], f"{METADATA_FILE} [dataset] {name}"
        if value is None and name in asked.OPTIONAL:
            continue
        out.append(MetadataField(f"dataset.{name}", meaning, value, source if value else "", _where(name)))
    for name, fields in mission.fields.items():
        if name in mission.sensors:
            filled = _sensor(mission, name)
        elif name in mission.bottles:
            filled = _bottle(mission, name)
        else:
            filled = _calculated(mission, name)
        for key, meaning in fields.items():
            value, source = filled.get(key, (None, ""))
            stated = mission.stated.of(name, key)
            if name in mission.stated.without:
                value, source = asked.NOT_APPLICABLE, f"{METADATA_FILE} [variables] {name}"
            elif stated is not None and (value is None or f"[variables.{name}]" in stated[1]):
                value, source = stated
            elif value is None and key == "method" and name.endswith("_bottle"):
                value, source = _method_of_bottle(mission, name)
            fill = f"{METADATA_FILE} [variables.{name}] {key}"
            out.append(MetadataField(f"variables.{name}.{key}", meaning, value, source if value else "", fill))
    return out


def _method_of_bottle(mission: _Mission, name: str) -> Filled:
    """Return the method if its particulars are stated: then it needs no second name."""
    for key, words in (("titration_type", "titration"), ("detection", "acidification, extraction, detection by")):
        stated = mission.stated.of(name, key)
        if stated is not None:
            text = f"{stated[0]} {words}" if key == "titration_type" else f"{words} {stated[0]}"
            return text, stated[1]
    return None, ""


def _where(name: str) -> str:
    book = {"title", "summary", "investigators", "institution", "funding", "licence"}
    if name == "software":
        return "reeftally analyse"
    return f"mission.toml [mission] {name}" if name in book else f"{METADATA_FILE} [dataset] {name}"


def missing_metadata(folder: Path | str) -> list[MetadataField]:
    """Fields of the archive's metadata that the mission does not answer yet, each with where to fill it in."""
    return [field for field in archive_metadata(folder) if field.status == "missing"]


def metadata_json(fields: Sequence[MetadataField]) -> str:
    """Return the fields as JSON: nested by part, with the missing ones by name."""
    tree: dict[str, Any] = {}
    for row in fields:
        *parts, key = row.name.split(".")
        at = tree
        for part in parts:
            at = at.setdefault(part, {})
        at[key] = {"value": row.value, "status": row.status, "source": row.source}
    document = {
        "format": 1,
        "fields": len(fields),
        "missing": [row.name for row in fields if row.status == "missing"],
        **tree,
    }
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"


def metadata_csv(fields: Sequence[MetadataField]) -> str:
    """Return the fields as a table, one row a field."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("field", "status", "value", "source", "meaning", "fill_in"))
    for row in fields:
        writer.writerow((row.name, row.status, row.value or "", row.source, row.meaning, row.fill_in))
    return out.getvalue()
