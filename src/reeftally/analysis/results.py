"""Results on disk: one folder a run, `latest` pointing at the newest.

Here:     writing and reading `estimates.csv`, `estimates.json`, `trail.json`, `results.nc`.
Not here: reports (`reeftally.report`), what the numbers mean.
Rules:    a run is written beside its final name and renamed when complete, so no half-written result is ever
          visible; older runs are kept.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import xarray as xr

from reeftally.analysis.estimates import COLUMNS, Estimates
from reeftally.errors import ResultError

__all__ = ["FORMAT", "Results", "latest_run", "read_results", "write_results"]

FORMAT = 1


@dataclass(frozen=True, slots=True)
class Results:
    """One run as read from disk."""

    folder: Path
    estimates: pd.DataFrame
    trail: dict[str, Any]

    def tree(self) -> xr.DataTree:
        """Open the block series."""
        return xr.open_datatree(self.folder / "results.nc", engine="h5netcdf")

    def group(self, name: str) -> xr.Dataset:
        """Return one group of the block series, loaded."""
        with xr.open_dataset(self.folder / "results.nc", group=name, engine="h5netcdf") as data:
            return data.load()


def latest_run(mission: Path) -> Path | None:
    """Return the folder of the newest complete run, or None."""
    results = mission / "results"
    link = results / "latest"
    if link.exists():
        return link.resolve()
    pointer = results / "latest.txt"
    if pointer.exists():
        named = results / pointer.read_text(encoding="utf-8").strip()
        return named if named.is_dir() else None
    return None


def _next_number(results: Path) -> int:
    taken = [int(p.name) for p in results.iterdir() if p.is_dir() and p.name.isdigit()]
    return max(taken, default=0) + 1


def _point_latest(results: Path, name: str) -> None:
    """Point `latest` at a run; a text file where the medium knows no links."""
    temporary = results / ".latest.new"
    temporary.unlink(missing_ok=True)
    try:
        temporary.symlink_to(name, target_is_directory=True)
        temporary.replace(results / "latest")
    except (OSError, NotImplementedError):
        (results / ".latest.txt.new").write_text(name, encoding="utf-8")
        (results / ".latest.txt.new").replace(results / "latest.txt")


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_results(
    mission: Path,
    *,
    estimates: Estimates,
    groups: Mapping[str, xr.Dataset],
    trail: Mapping[str, Any],
    attributes: Mapping[str, Any],
    files: Mapping[str, str] | None = None,
) -> Path:
    """Write one run and point `latest` at it.

    Parameters
    ----------
    mission : Path
        The mission folder.
    groups : mapping of name to Dataset
        Block series; become the groups of `results.nc`.
    trail : mapping
        Goes to `trail.json`.
    attributes : mapping
        Global attributes of `results.nc`.
    files : mapping of name to text, optional
        Further files of the run (the morning page, targets).

    Returns
    -------
    Path
        The folder of the run.
    """
    results = mission / "results"
    results.mkdir(parents=True, exist_ok=True)
    name = f"{_next_number(results):04d}"
    partial = results / f".{name}.partial"
    if partial.exists():
        shutil.rmtree(partial)
    partial.mkdir()
    estimates.frame().to_csv(partial / "estimates.csv", index=False, lineterminator="\n")
    (partial / "estimates.json").write_text(
        json.dumps(estimates.records(), indent=1, ensure_ascii=False, allow_nan=False), encoding="utf-8"
    )
    document = {"format": FORMAT, "run": name, **trail}
    (partial / "trail.json").write_text(
        json.dumps(document, indent=1, ensure_ascii=False, default=str), encoding="utf-8"
    )
    root = xr.Dataset(attrs={"Conventions": "CF-1.11, ACDD-1.3", "format": FORMAT, **attributes})
    root.to_netcdf(partial / "results.nc", mode="w", engine="h5netcdf")
    for group, data in groups.items():
        encoding = {
            variable: {"zlib": True, "complevel": 4}
            for variable in data.variables
            if data[variable].dtype.kind == "f" and data[variable].size > 64
        }
        data.to_netcdf(partial / "results.nc", mode="a", group=group, engine="h5netcdf", encoding=encoding)
    for filename, text in (files or {}).items():
        (partial / filename).write_text(text, encoding="utf-8")
    for file in partial.iterdir():
        _sync(file)
    _sync(partial)
    partial.rename(results / name)
    _point_latest(results, name)
    _sync(results)
    return results / name


def read_results(mission: Path, run: str | None = None) -> Results:
    """Read a run (default the newest).

    Raises
    ------
    ResultError
        If there is none, or it was written in a newer format.
    """
    folder = latest_run(mission) if run is None else mission / "results" / run
    if folder is None or not folder.is_dir():
        named = "" if run is None else f" named {run}"
        message = f"{mission.name}: no results{named} yet. Run `reeftally analyse {mission}` first."
        raise ResultError(message)
    trail = json.loads((folder / "trail.json").read_text(encoding="utf-8"))
    if trail.get("format", 0) > FORMAT:
        message = f"{folder}: format {trail['format']} is newer than this version reads ({FORMAT}). Update the package."
        raise ResultError(message)
    text = ("quantity", "method", "subject", "period", "start", "end", "unit", "reason", "trail", "budget", "channel")
    table = pd.read_csv(folder / "estimates.csv", dtype={"flag": int, "n": int, **dict.fromkeys(text, str)})
    for column in text:
        table[column] = table[column].fillna("")
    return Results(folder=folder, estimates=table[list(COLUMNS)], trail=trail)
