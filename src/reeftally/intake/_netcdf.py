"""NetCDF files of time series: CF names and units into rows of the store.

Here:     which file is one, which instrument wrote it, which variable is which quantity, loading in chunks of rows.
Not here: delimited text (`_load`), trajectories, profiles and grids.
Rules:    a unit that the file does not state is not guessed; a variable that cannot be read costs itself alone and is
          named; the share already loaded is committed with its rows.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from reeftally.errors import InputError, IntakeError
from reeftally.intake._report import FileReport
from reeftally.mission import Book, units
from reeftally.mission.units import CHANNELS
from reeftally.store import Writer, dtype_of

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["NETCDF", "is_netcdf", "load_netcdf", "netcdf_instrument"]

NETCDF = "netcdf"
"""What `layout` says in the mission book of an instrument whose files are NetCDF."""
CHUNK_ROWS = 1 << 19
# Names of other variables that a time series usually brings along and that are no quantities of ours.
_ASIDE = {"time", "lat", "lon", "latitude", "longitude", "depth", "z", "station", "crs", "trajectory", "station_name"}


def is_netcdf(path: Path) -> bool:
    """Return whether the file begins as NetCDF-3 or NetCDF-4 (HDF5) does."""
    with path.open("rb") as file:
        head = file.read(8)
    return head.startswith((b"CDF\x01", b"CDF\x02", b"CDF\x05", b"\x89HDF\r\n\x1a\n"))


@dataclass
class _Series:
    """What of a file goes into the store."""

    time_ns: npt.NDArray[np.int64]
    columns: dict[str, Any] = field(default_factory=dict)
    """Variable, factor and offset by channel."""


def _open(path: Path, name: str) -> xr.Dataset:
    import xarray as xr

    with path.open("rb") as file:
        classic = file.read(3) == b"CDF"
    try:
        return xr.open_dataset(path, engine="scipy" if classic else "h5netcdf", decode_times=False)
    except (OSError, ValueError, KeyError, RuntimeError) as error:
        raise IntakeError(
            file=name,
            found=f"a NetCDF file that cannot be opened ({error})",
            expected="a whole file of NetCDF-3 or NetCDF-4",
            mend="Cut off in transfer? Copy it again.",
        ) from None


def netcdf_instrument(path: Path, name: str, book: Book | None) -> str:
    """Return the label of the instrument that wrote a file: by its attributes, else by the file's name.

    Raises
    ------
    IntakeError
        If neither says, or the book gives that instrument another layout.
    """
    with _open(path, name) as data:
        said = [str(data.attrs.get(key, "")) for key in ("instrument", "instrument_serial_number", "serial_number")]
    instruments = [] if book is None else list(book.instruments)
    for text in said:
        for item in instruments:
            if text and text in (item.label, item.serial):
                return _declared(item.label, item.layout, name)
    for item in sorted(instruments, key=lambda row: -len(row.label)):
        if re.match(rf"^{re.escape(item.label)}(?![A-Za-z0-9])", name):
            return _declared(item.label, item.layout, name)
    known = ", ".join(f"{item.label} (serial {item.serial})" for item in instruments) or "none"
    raise IntakeError(
        file=name,
        field="instrument",
        found=f"attributes instrument {said[0]!r}, serial number {said[2] or said[1]!r}, and this file name",
        expected=f"an instrument of the mission book: {known}",
        mend="Let the file's name begin with the label, or set the attribute `instrument`.",
    )


def _declared(label: str, layout: str, name: str) -> str:
    if layout != NETCDF:
        raise IntakeError(
            file=name,
            field="instrument",
            found=f"a NetCDF file of {label}",
            expected=f"layout {layout!r}, as the mission book says",
            mend=f'Write layout = "{NETCDF}" for {label} in mission.toml, if its files are NetCDF.',
        )
    return label


def _times(data: xr.Dataset, name: str) -> tuple[str, npt.NDArray[np.int64], list[str]]:
    """Return the dimension of time, its instants and notes about averages."""
    import xarray as xr

    found = [
        key
        for key, variable in data.variables.items()
        if variable.ndim == 1 and re.search(r"\bsince\b", str(variable.attrs.get("units", "")))
    ]
    exact = [key for key in found if data.variables[key].attrs.get("standard_name") == "time"]
    chosen = exact or [key for key in found if str(key).lower() == "time"] or found
    if len(chosen) != 1:
        raise IntakeError(
            file=name,
            field="time",
            found=f"{len(chosen)} variables of time",
            expected="one variable of one dimension with standard_name time and units such as 'seconds since ...'",
            mend="Only time series of one place are read; split the file, or add the attributes.",
        )
    key = str(chosen[0])
    try:
        decoded = xr.decode_cf(data[[key]].rename({key: key}), decode_times=True)[key].to_numpy()
        instants = decoded.astype("datetime64[ns]").astype(np.int64)
    except (ValueError, OverflowError, TypeError) as error:
        raise IntakeError(
            file=name,
            field=key,
            found=f"units {data[key].attrs.get('units')!r}, calendar {data[key].attrs.get('calendar', 'standard')!r}",
            expected="a time of the standard calendar",
            mend=f"It cannot be read ({error}).",
        ) from None
    notes = []
    bounds = data[key].attrs.get("bounds")
    if bounds in data.variables and data[bounds].ndim == 2:
        pair = data[bounds]
        pair.attrs.setdefault("units", data[key].attrs["units"])
        edges = xr.decode_cf(data[[bounds]], decode_times=True)[bounds].to_numpy().astype("datetime64[ns]")
        edges = edges.astype(np.int64)
        instants = edges[:, 0] + (edges[:, 1] - edges[:, 0]) // 2
        notes.append(f"Averages: stamps are the middles of {bounds}.")
    return str(data[key].dims[0]), instants, notes


def _quantity(key: str, standard_name: str) -> str | None:
    """Return the channel of a variable by its own name or by its standard name."""
    if key in CHANNELS:
        return key
    fitting = [name for name, row in CHANNELS.items() if row.standard_name and row.standard_name == standard_name]
    if len(fitting) > 1:
        # Of one standard name the plain quantity is meant, not a part that only some instruments report.
        fitting = sorted(fitting, key=len)[:1]
    return fitting[0] if fitting else None


def _series(data: xr.Dataset, name: str, report: FileReport) -> _Series:
    dimension, instants, notes = _times(data, name)
    report.notes += notes
    series = _Series(instants)
    unknown: list[str] = []
    for raw_key, variable in data.data_vars.items():
        key = str(raw_key)
        if dimension not in variable.dims or any(data.sizes[d] != 1 for d in variable.dims if d != dimension):
            continue
        if variable.dtype.kind not in "fiu" or key.lower() in _ASIDE or key.endswith(("_qc", "_flag", "_bounds")):
            continue
        quantity = _quantity(key, str(variable.attrs.get("standard_name", "")))
        if quantity is None:
            unknown.append(key)
            continue
        unit = variable.attrs.get("units")
        try:
            if unit is None:
                message = "no attribute units"
                raise InputError(message)
            scale = units.scale_of(quantity, str(unit))
        except InputError as error:
            report.messages.append(
                IntakeError(
                    file=name,
                    field=key,
                    found=f"units {unit!r}" if unit is not None else "no attribute units",
                    expected=f"a known unit of {quantity}: {', '.join(units.known_units(quantity)[:8])}",
                    mend=f"The variable was left out ({error}). Set its units, then take the file in again.",
                )
            )
            continue
        if quantity in series.columns:
            report.notes.append(f"{key} is a second variable of {quantity} and was left out.")
            continue
        series.columns[quantity] = (variable.squeeze(), scale)
    if unknown:
        report.notes.append(f"Not taken in, no known quantity: {', '.join(sorted(unknown))}.")
    if not series.columns:
        raise IntakeError(
            file=name,
            found=f"variables {', '.join(sorted(map(str, data.data_vars))) or 'none'}",
            expected="at least one with a known CF standard name, or the name of a quantity",
            mend="Set standard_name and units of the variables.",
        )
    return series


def load_netcdf(
    path: Path,
    *,
    key: str,
    name: str,
    label: str,
    size: int,
    record: dict[str, Any],
    writer: Writer,
    report: FileReport,
    window_ns: tuple[int, int],
    window_text: str,
    earlier: Sequence[str] = (),
) -> None:
    """Load a file into the store in chunks of rows, each committed with the share of the file it stands for.

    Raises
    ------
    IntakeError
        If nothing of the file can be read.
    """
    with _open(path, name) as data:
        series = _series(data, name, report)
        rows = series.time_ns.size
        good = (series.time_ns >= window_ns[0]) & (series.time_ns <= window_ns[1])
        if not good.all():
            first = int(np.argmin(good))
            report.rows_rejected = int((~good).sum())
            report.messages.append(
                IntakeError(
                    file=name,
                    field="time",
                    found=f"{report.rows_rejected} row(s) outside, the first number {first + 1}",
                    expected=window_text,
                    mend="The rows were left out; their bytes are in raw/. Was the clock reset?",
                )
            )
        done = writer.loaded_to(label, key)
        chunks = max(1, -(-rows // CHUNK_ROWS))
        for chunk in range(chunks):
            begin, end = size * chunk // chunks, size * (chunk + 1) // chunks
            if end <= done:
                continue
            part = slice(rows * chunk // chunks, rows * (chunk + 1) // chunks)
            keep = good[part]
            columns: dict[str, npt.ArrayLike] = {"time": series.time_ns[part][keep]}
            for channel, (variable, (factor, offset)) in series.columns.items():
                values = np.asarray(variable[part].to_numpy(), dtype=np.float64)[keep]
                columns[channel] = (values * factor + offset).astype(dtype_of(channel))
            result = writer.append(label, columns, key, begin, end, earlier=earlier)
            report.rows_new += result.new
            report.rows_repeated += result.repeated
            report.rows_rejected += result.refused
            status = "loaded" if chunk == chunks - 1 else "loading"
            writer.record_raw(key, {**record, "status": status})
            writer.commit(f"intake {name}")
    kept = series.time_ns[good]
    report.status = "loaded" if not report.rows_rejected else "partly"
    if kept.size:
        report.first_ns, report.last_ns = int(kept.min()), int(kept.max())
        if kept.size > 1:
            report.median_step_s = float(np.median(np.diff(np.sort(kept)))) / 1e9
    else:
        report.status = "empty"
    writer.record_raw(key, {**record, "status": report.status})
    writer.commit(f"intake {name}")
