"""What people write: the records of ``tables/*.csv``, and how each field is checked.

Here:     one frozen record class a table; units, ranges and choices of its fields.
Not here: reading and writing the files (`_table_files`).
Rules:    concentrations are per kilogram, pH on the total scale, times in UTC; a field left empty
          is None; the class is the only place that says what a table holds.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

__all__ = [
    "TABLES",
    "Bottle",
    "ClockCheck",
    "Field",
    "HeightCheck",
    "Intervention",
    "Organism",
    "Record",
    "ReferenceMaterial",
    "ReferenceValue",
    "Survey",
    "Visit",
    "fields_of",
]


@dataclass(frozen=True, slots=True)
class Field:
    """How one column of a table is read."""

    name: str
    """Name of the column in the file."""
    attribute: str
    """Name of the record's attribute."""
    kind: str
    """text, number, whole, time, flag (yes or no) or labels (parted by blanks)."""
    required: bool
    """Whether each line must fill it."""
    meaning: str
    """One line, with unit in [brackets]."""
    low: float = float("-inf")
    """Lowest value that can be."""
    high: float = float("inf")
    """Highest value that can be."""
    choices: tuple[Any, ...] = ()
    """All values that can be, where they are few."""


def _column(
    kind: str,
    meaning: str,
    *,
    low: float = float("-inf"),
    high: float = float("inf"),
    choices: tuple[Any, ...] = (),
    name: str = "",
) -> dict[str, Any]:
    return {"kind": kind, "meaning": meaning, "low": low, "high": high, "choices": choices, "name": name}


def _must(kind: str, meaning: str, **more: Any) -> Any:
    return dataclasses.field(metadata=_column(kind, meaning, **more))


def _may(kind: str, meaning: str, **more: Any) -> Any:
    return dataclasses.field(default=None, metadata=_column(kind, meaning, **more))


def _time(meaning: str, name: str = "time") -> Any:
    return _must("time", f"{meaning} [ISO 8601 with Z]", name=name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """What all records share."""

    line: int = dataclasses.field(default=0, compare=False)
    """Line of the file, 0 if it came from none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bottle(Record):
    """One bottle sample (`bottles.csv`)."""

    bottle: str = _must("text", "number of the bottle")
    time_ns: int = _time("when it was closed")
    station: str = _must("text", "name of the station")
    height_above_bed_m: float = _must("number", "height above the bed [m]", low=0.0, high=11000.0)
    near: str | None = _may(
        "text", "label of the instrument it was closed beside, or the organism whose jet it was drawn from"
    )
    temperature: float | None = _may("number", "temperature in situ [degC]", low=-2.0, high=45.0)
    salinity: float | None = _may("number", "practical salinity [1]", low=0.0, high=50.0)
    dic: float | None = _may("number", "DIC [umol kg-1]", low=100.0, high=5000.0)
    dic_sd: float | None = _may("number", "its standard uncertainty [umol kg-1]", low=0.0, high=200.0)
    total_alkalinity: float | None = _may("number", "total alkalinity [umol kg-1]", low=100.0, high=5000.0)
    total_alkalinity_sd: float | None = _may("number", "its standard uncertainty [umol kg-1]", low=0.0, high=200.0)
    ph_total: float | None = _may("number", "pH, total scale, at ph_temperature [1]", low=6.0, high=9.5)
    ph_sd: float | None = _may("number", "its standard uncertainty [1]", low=0.0, high=0.5)
    ph_temperature: float | None = _may(
        "number", "temperature of the pH measurement; required with ph_total [degC]", low=-2.0, high=45.0
    )
    oxygen: float | None = _may("number", "dissolved oxygen [umol kg-1]", low=0.0, high=1000.0)
    oxygen_sd: float | None = _may("number", "its standard uncertainty [umol kg-1]", low=0.0, high=100.0)
    delta13c_dic: float | None = _may("number", "carbon-13 of DIC against VPDB [permil]", low=-40.0, high=20.0)
    delta13c_sd: float | None = _may("number", "its standard uncertainty [permil]", low=0.0, high=10.0)
    duplicate_of: str | None = _may("text", "number of the bottle it repeats")
    laboratory: str | None = _may("text", "who analysed it")
    per: str | None = _may("text", "kg or litre: what DIC, alkalinity and oxygen are given per; kg if left out")
    laboratory_temperature: float | None = _may(
        "number", "temperature of the sample when measured; required for amounts per litre [degC]", low=-2.0, high=45.0
    )
    poison: str | None = _may("text", "how it was preserved")
    stored_days: float | None = _may("number", "days until analysis [d]", low=0.0, high=5000.0)
    flag: int = _must("whole", "2 good, 3 doubtful, 4 bad, 6 mean of duplicates, 9 missing", choices=(2, 3, 4, 6, 9))
    note: str | None = _may("text", "remark")


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit(Record):
    """One visit to one organism: ambient, excurrent, ambient again (`visits.csv`)."""

    visit: str = _must("text", "number of the visit")
    organism: str = _must("text", "label of the organism, or of the blank")
    form: str = _must("text", "form of the organism")
    time_in_ns: int = _time("sensor into the jet", name="time_in")
    time_out_ns: int = _time("sensor out of the jet", name="time_out")
    instruments: tuple[str, ...] = _must("labels", "labels of the carried instruments, parted by blanks")
    blank: bool = _must("flag", "whether it is a blank (dead or rock)", choices=("yes", "no"))
    osculum_diameter_cm: float | None = _may("number", "diameter of the osculum [cm]", low=0.05, high=100.0)
    jet_speed_m_s: float | None = _may("number", "excurrent speed [m s-1]", low=0.0, high=2.0)
    jet_speed_sd_m_s: float | None = _may("number", "its standard uncertainty [m s-1]", low=0.0, high=2.0)
    method: str | None = _may("text", "how the speed was measured")
    note: str | None = _may("text", "remark")


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey(Record):
    """Organisms of one form counted in one transect (`surveys.csv`)."""

    transect: str = _must("text", "number of the transect")
    area_m2: float = _must("number", "area counted [m2]", low=0.01, high=1e5)
    form: str = _must("text", "form of the organisms")
    count: int = _must("whole", "how many [1]", low=0, high=1e6)
    mean_osculum_diameter_cm: float | None = _may("number", "mean diameter of the oscula [cm]", low=0.05, high=100.0)
    note: str | None = _may("text", "remark")


@dataclass(frozen=True, slots=True, kw_only=True)
class Organism(Record):
    """One measured osculum (`organisms.csv`)."""

    form: str = _must("text", "form of the organism")
    osculum_diameter_cm: float = _must("number", "diameter of the osculum [cm]", low=0.05, high=100.0)
    note: str | None = _may("text", "remark")


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockCheck(Record):
    """An instrument's clock read beside a trusted one (`clock_checks.csv`)."""

    instrument: str = _must("text", "label of the instrument")
    time_ns: int = _time("trusted time")
    instrument_time_ns: int = _time("what the instrument's clock showed, read as UTC", name="instrument_time")
    sd_s: float = _must("number", "standard uncertainty of the comparison [s]", low=0.0, high=3600.0)
    note: str | None = _may("text", "remark")


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightCheck(Record):
    """A height measured under water (`heights.csv`)."""

    instrument: str = _must("text", "label of the instrument")
    time_ns: int = _time("when it was measured")
    height_above_bed_m: float = _must("number", "height of the sensing point above the bed [m]", low=0.0, high=11000.0)
    sd_m: float = _must("number", "its standard uncertainty [m]", low=0.0, high=1.0)
    note: str | None = _may("text", "remark")


@dataclass(frozen=True, slots=True, kw_only=True)
class Intervention(Record):
    """Something that was done (`interventions.csv`)."""

    time_ns: int = _time("when")
    instrument: str | None = _may("text", "label of the instrument")
    kind: str = _must("text", "what: cleaned, moved, swapped, power, dye, seen, ...")
    note: str | None = _may("text", "remark")
    who: str | None = _may("text", "role of who did it")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceMaterial(Record):
    """A certified material measured like a sample (`reference_materials.csv`)."""

    time_ns: int = _time("when it was measured")
    quantity: str = _must("text", "name of the quantity")
    certified: float = _must("number", "certified value [unit of the quantity]")
    measured: float = _must("number", "measured value [unit of the quantity]")
    sd: float = _must("number", "standard uncertainty of the difference [unit of the quantity]", low=0.0)
    laboratory: str | None = _may("text", "who measured it")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceValue(Record):
    """A value taken from elsewhere (`reference_values.csv`)."""

    quantity: str = _must("text", "name of the quantity")
    value: float = _must("number", "the value [unit of the quantity]")
    sd: float = _must("number", "its standard uncertainty [unit of the quantity]", low=0.0)
    start_ns: int | None = _may("time", "first instant for which it holds [ISO 8601 with Z]", name="start")
    end_ns: int | None = _may("time", "end of the period for which it holds [ISO 8601 with Z]", name="end")
    source: str = _must("text", "where the value comes from")


TABLES: dict[str, type[Record]] = {
    "bottles": Bottle,
    "visits": Visit,
    "surveys": Survey,
    "organisms": Organism,
    "clock_checks": ClockCheck,
    "heights": HeightCheck,
    "interventions": Intervention,
    "reference_materials": ReferenceMaterial,
    "reference_values": ReferenceValue,
}
"""Record class of each table, by the file's stem."""


def fields_of(record: type[Record]) -> tuple[Field, ...]:
    """Return the columns of a record class, in the order of the file."""
    found: list[Field] = []
    for field in dataclasses.fields(record):
        if not field.metadata:
            continue
        about = field.metadata
        found.append(
            Field(
                name=about["name"] or field.name,
                attribute=field.name,
                kind=about["kind"],
                required=field.default is dataclasses.MISSING,
                meaning=about["meaning"],
                low=about["low"],
                high=about["high"],
                choices=about["choices"],
            )
        )
    return tuple(found)
