"""Checking a package: every byte against the index, every NetCDF file against the rules.

Here:     `verify_package`, and our own check of flat files by CF-1.11 and ACDD-1.3.
Not here: rebuilding results (`archive_rebuild`).
Rules:    every difference is named, none stops the others; needs nothing but the package.
"""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from reeftally.report.archive_package import CHECKSUMS, INDEX, Package

__all__ = ["Verification", "netcdf_problems", "verify_package"]

Progress = Callable[[str, float, float, str], None]

HIGHLY_RECOMMENDED = ("title", "summary", "keywords", "Conventions")
"""Global attributes that ACDD-1.3 highly recommends."""

EXPECTED = (
    *("id", "history", "source", "date_created", "institution", "license", "creator_name"),
    *("geospatial_lat_min", "geospatial_lat_max", "geospatial_lon_min", "geospatial_lon_max"),
    *("geospatial_vertical_min", "geospatial_vertical_max", "geospatial_vertical_positive"),
    *("time_coverage_start", "time_coverage_end", "time_coverage_duration", "time_coverage_resolution"),
    *("standard_name_vocabulary", "processing_level", "naming_authority", "project", "publisher_name"),
)
"""Global attributes that ACDD-1.3 recommends and a mission can state."""


def _silent(step: str, done: float, total: float, note: str = "") -> None:
    """Report nothing."""


@dataclass(slots=True)
class Verification:
    """What the check of a package found."""

    files: int = 0
    """Files that were hashed."""
    size: int = 0
    """[bytes]"""
    problems: list[str] = field(default_factory=list)
    """Every difference, one sentence each."""
    notes: list[str] = field(default_factory=list)
    """What is recommended and not there."""

    @property
    def good(self) -> bool:
        """Nothing differs."""
        return not self.problems


def netcdf_problems(path: Path) -> tuple[list[str], list[str]]:
    """Check a flat file against the rules of CF-1.11 and ACDD-1.3 that concern it.

    Returns
    -------
    (problems, notes)
        What breaks a rule; what is recommended and not there.
    """
    try:
        data = xr.open_dataset(path, engine="h5netcdf", decode_cf=False)
    except (OSError, ValueError) as error:
        return [f"cannot be opened as NetCDF-4 ({error})"], []
    with data:
        problems: list[str] = []
        notes = [f"no global attribute {name} (ACDD recommends it)" for name in EXPECTED if not data.attrs.get(name)]
        conventions = str(data.attrs.get("Conventions", ""))
        problems += [f"Conventions does not name {c}" for c in ("CF-1.11", "ACDD-1.3") if c not in conventions]
        problems += [
            f"no global attribute {name} (ACDD highly recommends it)"
            for name in HIGHLY_RECOMMENDED
            if not str(data.attrs.get(name, "")).strip()
        ]
        if data.attrs.get("Conventions") and "time" not in data.variables:
            problems.append("no variable time")
        lower: dict[str, str] = {}
        for name in map(str, data.variables):
            if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", name):
                problems.append(f"{name}: a name needs a letter, then letters, digits and underscores (CF 2.3)")
            if name.lower() in lower:
                problems.append(f"{name}: differs from {lower[name.lower()]} by case alone (CF 2.3)")
            lower[name.lower()] = name
            problems += [f"{name}: {text}" for text in _variable_problems(name, data)]
        problems += _time_problems(data)
        return problems, notes


def _variable_problems(name: str, data: xr.Dataset) -> list[str]:
    array = data.variables[name]
    attributes = array.attrs
    out: list[str] = []
    bounds = {str(v.attrs["bounds"]) for v in data.variables.values() if "bounds" in v.attrs}
    if name in bounds:
        return out
    if not attributes.get("long_name") and not attributes.get("standard_name"):
        out.append("neither long_name nor standard_name (CF 3.3)")
    units = str(attributes.get("units", "1"))
    if not units.strip() or not units.isascii():
        out.append(f"units {units!r} are no units of UDUNITS (CF 3.1)")
    for key in ("ancillary_variables", "coordinates"):
        lost = [n for n in str(attributes.get(key, "")).split() if n not in data.variables]
        if lost:
            out.append(f"{key} names {', '.join(lost)}, not in the file (CF 3.4, 5)")
    if "flag_values" in attributes:
        values = np.atleast_1d(attributes["flag_values"])
        words = str(attributes.get("flag_meanings", "")).split()
        if len(values) != len(words):
            out.append(f"{len(values)} flag_values but {len(words)} flag_meanings (CF 3.5)")
        if values.dtype != array.dtype:
            out.append(f"flag_values are {values.dtype}, the variable {array.dtype} (CF 3.5)")
        strange = sorted({int(v) for v in np.unique(array.values)} - {int(v) for v in values})
        if strange:
            out.append(f"flags {strange} without a meaning (CF 3.5)")
    return out


def _time_problems(data: xr.Dataset) -> list[str]:
    if "time" not in data.variables:
        return []
    time = data.variables["time"]
    values = np.asarray(time.values, dtype=np.float64)
    out: list[str] = []
    if " since " not in str(time.attrs.get("units", "")):
        out.append("time: units need `UNIT since DATE` (CF 4.4)")
    if not np.isfinite(values).all() or (values.size > 1 and not (np.diff(values) > 0).all()):
        out.append("time: not increasing, or with gaps in itself (CF 5)")
    bounds = data.variables.get(str(time.attrs.get("bounds", "")))
    if bounds is None or bounds.shape != (values.size, 2):
        out.append("time: bounds are lost or of another shape (CF 7.1)")
    elif not ((bounds.values[:, 0] <= values) & (values <= bounds.values[:, 1])).all():
        out.append("time: bounds do not hold the times (CF 7.1)")
    return out


def _checksums(package: Package, problems: list[str]) -> dict[str, str]:
    try:
        text = package.read(CHECKSUMS).decode()
    except (OSError, KeyError, UnicodeDecodeError) as error:
        problems.append(f"{CHECKSUMS}: cannot be read ({error})")
        return {}
    out = {}
    for number, line in enumerate(text.splitlines(), 1):
        found = re.fullmatch(r"([0-9a-f]{64})  (.+)", line)
        if found is None:
            problems.append(f"{CHECKSUMS}, line {number}: found {line[:80]!r}; expected a SHA-256, two blanks, a name")
        else:
            out[found[2]] = found[1]
    return out


def _raw_index(package: Package, names: set[str], problems: list[str]) -> None:
    """Hold the index of the raw bytes against the bytes."""
    index = "mission/raw/index.jsonl"
    if index not in names:
        if any(n.startswith("mission/raw/") for n in names):
            problems.append(f"{index}: missing; the raw bytes have no names")
        return
    known = set()
    for number, line in enumerate(package.read(index).decode("utf-8", "replace").splitlines(), 1):
        try:
            row = json.loads(line)
            digest, name = str(row["hash"]), str(row["name"])
        except (ValueError, KeyError, TypeError):
            problems.append(f"{index}, line {number}: not a line of the index")
            continue
        known.add(f"mission/raw/{digest[:2]}/{digest}")
        if f"mission/raw/{digest[:2]}/{digest}" not in names:
            problems.append(f"{index}, line {number}: the bytes of {name} are missing (raw/{digest[:2]}/{digest})")
    for name in sorted(names):
        digest = name.rsplit("/", maxsplit=1)[-1]
        if name.startswith("mission/raw/") and len(digest) == 64 and name not in known:
            problems.append(f"{name}: raw bytes that the index of raw/ does not name")


def verify_package(path: Path | str, *, progress: Progress = _silent) -> Verification:
    """Check a package: every hash, the index, and each NetCDF file.

    Parameters
    ----------
    path : path
        Folder or zip archive.
    progress : callable
        ``progress(step, done, total, note)``.

    Raises
    ------
    ResultError
        If there is no package, or its index cannot be read.
    """
    out = Verification()
    with Package.open(Path(path)) as package:
        index = package.index()
        files: dict[str, Any] = index["files"]
        names = set(package.names())
        checksums = _checksums(package, out.problems)
        wanted = {**{name: str(row["sha256"]) for name, row in files.items()}}
        if INDEX in checksums:
            wanted[INDEX] = checksums[INDEX]
        out.problems += [
            f"{name}: {CHECKSUMS} and {INDEX} do not agree on it"
            for name in sorted({*files, *checksums} - {INDEX})
            if checksums.get(name) != wanted.get(name)
        ]
        out.problems += [f"{name}: missing" for name in sorted(set(wanted) - names)]
        out.problems += [f"{name}: not in the index" for name in sorted(names - set(wanted) - {CHECKSUMS, INDEX})]
        whole: set[str] = set()
        for number, name in enumerate(sorted(set(wanted) & names)):
            progress("Hashing", number, len(wanted), name)
            found = package.digest(name)
            if isinstance(found, str):
                out.problems.append(f"{name}: cannot be read ({found})")
                continue
            out.files, out.size = out.files + 1, out.size + found[1]
            if found[0] != wanted[name]:
                size = files.get(name, {}).get("bytes")
                grown = "" if size in {None, found[1]} else f", {found[1]} bytes instead of {size}"
                out.problems.append(
                    f"{name}: the bytes have changed (SHA-256 {found[0][:12]}, expected {wanted[name][:12]}{grown})"
                )
            else:
                whole.add(name)
            digest = name.rsplit("/", maxsplit=1)[-1]
            if name.startswith("mission/raw/") and len(digest) == 64 and digest != found[0]:
                out.problems.append(f"{name}: raw bytes whose hash is not their name")
        progress("Hashing", 1, 1, "")
        _raw_index(package, names, out.problems)
        lacking: dict[str, list[str]] = {}
        series = [name for name in sorted(whole) if name.startswith("data/") and name.endswith(".nc")]
        with tempfile.TemporaryDirectory(prefix="reeftally-verify-") as place:
            for name in series:
                target = Path(place) / "file.nc"
                package.extract(name, target)
                problems, notes = netcdf_problems(target)
                out.problems += [f"{name}: {text}" for text in problems]
                for text in notes:
                    lacking.setdefault(text, []).append(name)
        out.notes += [f"{text}: {len(where)} of {len(series)} files" for text, where in lacking.items()]
    return out
