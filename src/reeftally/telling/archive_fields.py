"""The metadata that an ocean-acidification archive asks for: which fields, what they mean, where to fill them in.

Here:     the list of fields of a data set and of each kind of variable; `metadata.toml`, where people write what
          neither book nor tables can hold.
Not here: filling the fields from the mission (`archive_metadata`).
Rules:    a field is filled, missing by name, or "not applicable" because the mission says so; unknown keys are
          refused with a guess.

The fields follow Jiang et al. (2015), Earth System Science Data 7, 117-125 (metadata of ocean-acidification data, from
memory), and the Attribute Convention for Data Discovery 1.3 for the data set as a whole.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from reeftally.errors import BookError
from reeftally.mission import did_you_mean

__all__ = [
    "BOTTLE",
    "CALCULATED",
    "COMMON",
    "DATASET",
    "METADATA_FILE",
    "NOT_APPLICABLE",
    "OPTIONAL",
    "SENSOR",
    "MetadataField",
    "Stated",
    "read_stated",
]

METADATA_FILE = "metadata.toml"
NOT_APPLICABLE = "not applicable"


@dataclass(frozen=True, slots=True)
class MetadataField:
    """One field of the archive's metadata, filled or not."""

    name: str
    """Name with its part: `dataset.institution`, `variables.dic_bottle.poison_volume`."""
    meaning: str
    """What is asked, in one line."""
    value: str | None
    """What the mission says; None if it does not say."""
    source: str
    """Where the value stands: file and key; empty if it is missing."""
    fill_in: str
    """Where to write it if it is missing or wrong."""

    @property
    def status(self) -> str:
        """`filled`, `missing` or `not applicable`."""
        if self.value is None:
            return "missing"
        return NOT_APPLICABLE if self.value == NOT_APPLICABLE else "filled"


# The data set: name of the field -> what is asked.
DATASET: dict[str, str] = {
    "title": "title of the data set",
    "summary": "abstract",
    "keywords": "words by which it is found",
    "investigators": "who answers for the data",
    "investigators_contact": "how to reach them, an address that will last",
    "institution": "where they work",
    "funding": "who paid, with grant numbers",
    "project": "project or programme that the mission belongs to",
    "licence": "what others may do with the data",
    "citation": "how to cite the data",
    "naming_authority": "who gives out the identifier, as a reversed internet name",
    "publisher": "archive or repository that will keep the package",
    "time_start": "begin of the data",
    "time_end": "end of the data",
    "latitude_south": "southern bound [degree north]",
    "latitude_north": "northern bound [degree north]",
    "longitude_west": "western bound [degree east]",
    "longitude_east": "eastern bound [degree east]",
    "depth_shallow": "shallowest measurement below the surface [m]",
    "depth_deep": "deepest measurement below the surface [m]",
    "site": "name of the place",
    "water_depth": "water depth [m]",
    "bottom": "kind of bottom and communities",
    "platform": "what carried the instruments",
    "platform_type": "kind of platform",
    "observation_scheme": "how the observations are laid out in time",
    "flag_scheme": "meaning of the quality flags",
    "uncertainty_scheme": "how uncertainty is stated",
    "constants": "equilibrium constants of the carbonate system",
    "software": "version of the code that made the results",
}

OPTIONAL: dict[str, str] = {
    "creator_url": "page of the investigators",
    "publisher_email": "how to reach the publisher",
    "publisher_url": "page of the publisher",
    "acknowledgement": "thanks, beside the funding",
    "contributors": "others who had a part, with their part",
    "comment": "anything else a user must know",
}
"""Fields that go into the files if they are stated, and are not missed if they are not."""

COMMON: dict[str, str] = {
    "abbreviation": "symbol of the variable",
    "full_name": "what it is, in words",
    "standard_name": "CF standard name, or `none exists`",
    "unit": "unit of the values",
    "observation_type": "moored sensor, carried sensor, discrete bottle, calculated ...",
    "in_situ_or_manipulated": "whether the water was as it is, or was manipulated",
    "measured_or_calculated": "whether the value was measured or calculated from others",
    "method": "how it was measured or calculated",
    "method_reference": "publication that describes the method",
    "who_measured": "name and place of who measured or calculated it",
    "uncertainty": "standard uncertainty, random and systematic",
    "flag_scheme": "which quality flags belong to it",
}

CALCULATED: dict[str, str] = {**COMMON, "inputs": "what it was calculated from"}

SENSOR: dict[str, str] = {
    **COMMON,
    "instrument": "kind, label and serial number",
    "sampling": "interval, places and heights",
    "analysing": "what was done with the samples",
    "calibration": "laboratory or field calibration: date, standard, by whom",
}

SENSOR_PH: dict[str, str] = {
    "ph_scale": "pH scale",
    "temperature_of_measurement": "temperature at which pH was measured",
    "temperature_of_reporting": "temperature to which the reported pH belongs",
    "temperature_correction": "how the one was brought to the other",
}

DYE: dict[str, str] = {
    "dye": "name and maker of the indicator dye",
    "dye_purity": "whether the dye was purified, or how its impurities were corrected",
}

BOTTLE_ALL: dict[str, str] = {
    **COMMON,
    "instrument": "analyser, with its serial number",
    "sampling": "where and how the bottles were filled",
    "analysing": "analysis in the laboratory",
}

KEPT: dict[str, str] = {
    "poison": "preservative",
    "poison_volume": "volume of preservative and of sample",
    "storage": "how and how long the bottles were kept",
    "reference_material_batch": "batch of the certified reference material",
    "reference_material_date": "when reference material was run",
    "reference_material_result": "certified against measured",
    "blank_correction": "blanks and how they were taken off",
}

BOTTLE: dict[str, dict[str, str]] = {
    "total_alkalinity": {
        **BOTTLE_ALL,
        "titration_type": "potentiometric, spectrophotometric ...",
        "titration_cell": "open or closed cell",
        "curve_fitting": "how the end point was found",
        "titrant_standard": "acid and how it was standardised",
        **KEPT,
    },
    "dic": {**BOTTLE_ALL, "detection": "extraction and detection: coulometer, infrared ...", **KEPT},
    "ph_total": {
        **BOTTLE_ALL,
        **SENSOR_PH,
        "calibration": "standard and date",
        **DYE,
        "storage": "how and how long the bottles were kept",
    },
    "oxygen": {**BOTTLE_ALL, "calibration": "standard, thiosulfate and blank", "storage": "time until analysis"},
    "delta13c_dic": {
        **BOTTLE_ALL,
        "calibration": "reference gases and scale",
        "poison": "preservative",
        "storage": "how and how long the bottles were kept",
    },
    "salinity": {**BOTTLE_ALL, "calibration": "standard seawater and batch"},
}
"""Fields of each bottle variable."""


@dataclass(frozen=True, slots=True)
class Stated:
    """What `metadata.toml` says."""

    dataset: Mapping[str, str] = field(default_factory=dict)
    variables: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    """By name of the variable; `all` stands for every variable that does not say otherwise."""
    without: frozenset[str] = frozenset()
    """Variables of which the mission says `not applicable`."""

    def of(self, variable: str, name: str) -> tuple[str, str] | None:
        """Return what is stated of a field, with where it stands."""
        for part in (variable, "all"):
            value = self.variables.get(part, {}).get(name)
            if value is not None:
                return value, f"{METADATA_FILE} [variables.{part}] {name}"
        return None


def _refuse(found: object, wanted: str, mend: str = "", *, key: str) -> BookError:
    return BookError(key=key, found=found, wanted=wanted, mend=mend, file=METADATA_FILE)


def _texts(table: object, known: Iterable[str], where: str) -> dict[str, str]:
    if not isinstance(table, dict):
        raise _refuse(table, "a table of keys and texts", key=where)
    known = list(known)
    out: dict[str, str] = {}
    for key, value in table.items():
        if key not in known:
            raise _refuse(value, f"a known key ({', '.join(known)})", did_you_mean(key, known), key=f"{where}.{key}")
        if isinstance(value, bool) or not isinstance(value, str | int | float) or not str(value).strip():
            raise _refuse(value, f"a text; `{NOT_APPLICABLE}` if it does not apply", key=f"{where}.{key}")
        out[key] = str(value).strip()
    return out


def read_stated(folder: Path, variables: Mapping[str, Mapping[str, str]]) -> Stated:
    """Read `metadata.toml` of a mission folder; nothing if there is none.

    Parameters
    ----------
    folder : Path
        Mission folder.
    variables : mapping
        Fields of every variable of the mission, by its name.

    Raises
    ------
    BookError
        If the file cannot be read, or names what is not known.
    """
    path = folder / METADATA_FILE
    if not path.exists():
        return Stated()
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise _refuse(str(error), "TOML in UTF-8", key="the file") from error
    if unknown := sorted(set(document) - {"dataset", "variables"}):
        parts = ("dataset", "variables")
        raise _refuse(list(unknown), "dataset or variables", did_you_mean(unknown[0], parts), key=unknown[0])
    dataset = _texts(document.get("dataset", {}), [*DATASET, *OPTIONAL], "dataset")
    tables = document.get("variables", {})
    if not isinstance(tables, dict):
        raise _refuse(tables, "one table a variable", key="variables")
    names = [*variables, "all"]
    every = sorted({key for fields in variables.values() for key in fields})
    found: dict[str, dict[str, str]] = {}
    without: set[str] = set()
    for name, table in tables.items():
        if name not in names:
            wanted = f"a variable of the mission ({', '.join(names)})"
            raise _refuse(name, wanted, did_you_mean(name, names), key=f"variables.{name}")
        if table == NOT_APPLICABLE and name != "all":
            without.add(name)
            continue
        found[name] = _texts(table, every if name == "all" else variables[name], f"variables.{name}")
    return Stated(dataset, found, frozenset(without))
