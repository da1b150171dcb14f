"""Repeating the results of a package: the mission folder again, the chain again, every table compared.

Here:     `rebuild_archive` and the comparison.
Not here: checking bytes (`archive_check`), the chain (`reeftally.analysis`).
Rules:    starts from raw bytes, book, layouts, tables and log alone, never from archived results; numbers are the same
          within a relative 1e-9; everything that differs is named.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import tomlkit
import xarray as xr

from reeftally.analysis.results import read_results
from reeftally.analysis.run import analyse
from reeftally.errors import ResultError
from reeftally.intake import rebuild as rebuild_store
from reeftally.report.archive_netcdf import GROUPS, read_group
from reeftally.report.archive_package import Package

__all__ = ["RELATIVE", "Comparison", "compare_results", "rebuild_archive"]

Progress = Callable[[str, float, float, str], None]

RELATIVE = 1e-9
"""Largest relative difference of a repeated number."""

_TEXTS = ("quantity", "method", "subject", "period", "start", "end", "unit", "flag", "n", "reason", "channel", "budget")
_NUMBERS = ("value", "lower", "upper", "level", "random_sd", "systematic_sd")
_KEYS = ("quantity", "method", "subject", "period", "start", "end", "channel")


def _silent(step: str, done: float, total: float, note: str = "") -> None:
    """Report nothing."""


@dataclass(slots=True)
class Comparison:
    """How repeated results stand to the archived ones."""

    folder: Path
    """The mission folder that was made."""
    estimates: int = 0
    """Rows compared."""
    series: int = 0
    """Variables of the series compared."""
    values: int = 0
    """Numbers compared."""
    worst: float = 0.0
    """Largest relative difference of any number."""
    differences: list[str] = field(default_factory=list)
    """Everything that is not the same, one sentence each."""
    notes: list[str] = field(default_factory=list)
    """What may explain differences."""

    @property
    def same(self) -> bool:
        """Every table is the same within `RELATIVE`."""
        return not self.differences


def _relative(one: np.ndarray[Any, Any], two: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Return relative differences: 0 where both are NaN or equal, infinite where one alone is NaN."""
    a, b = np.asarray(one, dtype=np.float64), np.asarray(two, dtype=np.float64)
    scale = np.maximum(np.abs(a), np.abs(b))
    with np.errstate(invalid="ignore", divide="ignore"):
        off = np.abs(a - b) / scale
    off = np.where((a == b) | (np.isnan(a) & np.isnan(b)), 0.0, off)
    return np.where(np.isnan(off), np.inf, off)


def _keyed(table: pd.DataFrame) -> pd.DataFrame:
    """Return the estimates under keys that tell all rows apart."""
    keys = table[list(_KEYS)].astype(str).agg("|".join, axis=1)
    return table.assign(key=keys + "#" + keys.groupby(keys).cumcount().astype(str)).set_index("key")


def _compare_estimates(old: pd.DataFrame, new: pd.DataFrame, out: Comparison) -> None:
    a, b = _keyed(old), _keyed(new)
    for key in a.index.difference(b.index, sort=False):
        out.differences.append(f"estimates: {_shown(key)} is in the package and was not repeated")
    for key in b.index.difference(a.index, sort=False):
        out.differences.append(f"estimates: {_shown(key)} was made and is not in the package")
    shared = a.index.intersection(b.index, sort=False)
    a, b = a.loc[shared], b.loc[shared]
    out.estimates += len(shared)
    for column in _TEXTS:
        for key in shared[(a[column].astype(str) != b[column].astype(str)).to_numpy()]:
            out.differences.append(
                f"estimates: {column} of {_shown(key)} is {b.at[key, column]!r}, in the package {a.at[key, column]!r}"
            )
    for column in _NUMBERS:
        off = _relative(a[column].to_numpy(), b[column].to_numpy())
        out.values += off.size
        out.worst = max(out.worst, float(off.max(initial=0.0)))
        for number in np.flatnonzero(off > RELATIVE):
            row = _shown(str(a.index[int(number)]))
            old_value, new_value = float(a[column].iloc[number]), float(b[column].iloc[number])
            out.differences.append(
                f"estimates: {column} of {row} is {new_value!r}, in the package {old_value!r} "
                f"(relative {off[number]:.1e})"
            )


def _shown(key: str) -> str:
    return " ".join(part for part in key.rsplit("#", 1)[0].split("|") if part)


def _plain_values(array: xr.DataArray) -> np.ndarray[Any, Any]:
    values = array.to_numpy()
    if values.dtype.kind in "Mm":
        return np.asarray(values.astype(np.int64))
    return np.asarray(values)


def _compare_series(old: Path, new: Path, out: Comparison) -> None:
    for group in GROUPS:
        a, b = read_group(old, group), read_group(new, group)
        if a is None and b is None:
            continue
        if a is None or b is None:
            where = "made and not in the package" if a is None else "in the package and was not repeated"
            out.differences.append(f"series {group}: {where}")
            continue
        for text in _compare_group(group, a, b, out):
            out.differences.append(text)


def _compare_group(group: str, a: xr.Dataset, b: xr.Dataset, out: Comparison) -> Iterator[str]:
    for name in sorted({str(n) for n in a.variables} ^ {str(n) for n in b.variables}):
        where = "in the package and was not repeated" if name in a.variables else "made and not in the package"
        yield f"series {group}: {name} is {where}"
    for name in sorted({str(n) for n in a.variables} & {str(n) for n in b.variables}):
        one, two = _plain_values(a[name]), _plain_values(b[name])
        out.series += 1
        if one.shape != two.shape:
            yield f"series {group}: {name} has shape {two.shape}, in the package {one.shape}"
            continue
        if one.dtype.kind not in "fiu":
            if not np.array_equal(one, two):
                yield f"series {group}: {name} differs"
            continue
        off = _relative(one, two)
        out.values += off.size
        worst = float(off.max(initial=0.0))
        out.worst = max(out.worst, worst)
        if worst > RELATIVE:
            count = int((off > RELATIVE).sum())
            yield f"series {group}: {name} differs in {count} of {off.size} values (relative up to {worst:.1e})"


def _compare_trails(old: dict[str, Any], new: dict[str, Any], out: Comparison) -> None:
    # A key that has come or gone is no difference of a number; what was read and decided is.
    for key in ("inputs", "decisions", "settings", "site", "tables"):
        # Results of an older version hold no hashes of tables.
        if key == "tables" and None in (old.get(key), new.get(key)):
            continue
        if json.dumps(old.get(key), sort_keys=True) != json.dumps(new.get(key), sort_keys=True):
            out.differences.append(f"trail: {key} differ")
    for name in ("reeftally", "code", "python", "numpy", "scipy", "numba"):
        before, now = (document.get("software", {}).get(name) for document in (old, new))
        if before != now:
            out.notes.append(f"{name} was {before} when the results were made, is {now} now")


def compare_results(old: Path, new: Path, *, folder: Path) -> Comparison:
    """Compare two runs, table by table.

    Parameters
    ----------
    old, new : Path
        Mission folders, or folders that hold `results/latest`.
    folder : Path
        What to name in the answer.
    """
    out = Comparison(folder)
    one, two = read_results(old), read_results(new)
    _compare_estimates(one.estimates, two.estimates, out)
    _compare_series(one.folder / "results.nc", two.folder / "results.nc", out)
    _compare_trails(one.trail, two.trail, out)
    return out


def _local_store(folder: Path) -> bool:
    """Take the address of an object store out of the book, so that a repetition writes to its own folder alone."""
    path = folder / "mission.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    store = document.get("store")
    if store is None or "segments_url" not in store:
        return False
    del document["store"]["segments_url"]
    path.write_text(tomlkit.dumps(document), encoding="utf-8")
    return True


def rebuild_archive(
    package: Path | str, to: Path | str, *, workers: str | None = None, progress: Progress = _silent
) -> Comparison:
    """Make the mission folder of a package again, run the chain, and compare every table.

    Parameters
    ----------
    package : path
        Folder or zip archive; it is only read.
    to : path
        Mission folder to make; must not exist or be empty.
    workers : str, optional
        As for `analyse`.
    progress : callable
        ``progress(step, done, total, note)``.

    Raises
    ------
    ResultError
        If the package cannot be read or lacks bytes, or `to` holds anything.
    """
    package, to = Path(package), Path(to)
    if to.exists() and (not to.is_dir() or any(to.iterdir())):
        message = f"{to} is not empty; nothing is ever written over a folder. Name another with --to."
        raise ResultError(message)
    with Package.open(package) as source:
        files = source.index()["files"]
        held = set(source.names())
        wanted = sorted(n for n in files if n.startswith(("mission/", "results/")))
        if lost := [n for n in wanted if n not in held]:
            message = f"{package}: {lost[0]} is missing ({len(lost)} files in all). See `reeftally archive --verify`."
            raise ResultError(message)
        if not any(n.startswith("results/") for n in wanted) or "mission/mission.toml" not in wanted:
            message = f"{package}: holds no mission with results to repeat."
            raise ResultError(message)
        for number, name in enumerate(wanted):
            progress("Unpacking", number, len(wanted), "")
            if name.startswith("mission/"):
                found = source.digest(name)
                if isinstance(found, str) or found[0] != files[name]["sha256"]:
                    message = f"{package}: {name} is not what was packed. See `reeftally archive --verify`."
                    raise ResultError(message)
                source.extract(name, to / name.removeprefix("mission/"))
                if name.startswith("mission/raw/") and len(name.rsplit("/", maxsplit=1)[-1]) == 64:
                    (to / name.removeprefix("mission/")).chmod(0o444)
            else:
                # Laid beside the mission for the comparison; the chain never looks there.
                source.extract(name, to / "archived" / "results" / "0001" / name.removeprefix("results/"))
        (to / "archived" / "results" / "latest.txt").write_text("0001", encoding="utf-8")
    progress("Unpacking", 1, 1, "")
    moved = _local_store(to)
    report = rebuild_store(to, progress=lambda done, total, rows: progress("Rows", done, total, ""), now_ns=0)
    run, _ = analyse(to, workers=workers, progress=progress)
    out = compare_results(to / "archived", to, folder=to)
    if moved:
        out.notes.append("segments_url was taken out of mission.toml: this folder keeps its own observations")
    out.notes += [str(m) for m in report.messages[:5]]
    out.notes.append(f"repeated results: {run.relative_to(to).as_posix()}")
    return out
