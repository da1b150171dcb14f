"""Archive files: flat NetCDF by CF-1.11 and ACDD-1.3, one a group of the results, and their CSV twins.

Here:     from a group of `results.nc` to a file that any NetCDF reader opens, and to plain text.
Not here: which files a package holds (`archive`), checking them (`archive_check`).
Rules:    values are those of the results, bit for bit; names are letters, digits and underscores; nothing in the
          attributes names a machine, a user or the clock: the same results give the same bytes.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from reeftally.mission import Book
from reeftally.telling.archive_fields import NOT_APPLICABLE, MetadataField
from reeftally.telling.archive_metadata import COMPANIONS

__all__ = ["GROUPS", "Source", "csv_twins", "flat_dataset", "read_group", "slug", "valid_names", "write_flat"]

GROUPS = {
    "blocks": "block means of every instrument channel, as recorded and corrected",
    "chemistry": "carbonate chemistry of the reef's water",
    "flow": "currents, turbulence, waves and light",
    "exchange": "fluxes of oxygen and carbon between bed and water",
    "ledger": "changes of pH and aragonite saturation by driver",
}
"""Groups of the results that become files, with what they hold."""

_TIME_UNITS = "seconds since 1970-01-01T00:00:00Z"
# CF names (table version 93) of quantities whose name the results do not carry.
_STANDARD_NAMES = {
    "dic": "moles_of_dissolved_inorganic_carbon_per_unit_mass_in_sea_water",
    "total_alkalinity": "sea_water_alkalinity_per_unit_mass_expressed_as_mole_equivalent",
    "fco2": "fugacity_of_carbon_dioxide_in_sea_water",
    "pco2": "partial_pressure_of_carbon_dioxide_in_sea_water",
}
_FLAG_MEANINGS = {1: "good", 2: "not_evaluated", 3: "suspect", 4: "fail", 9: "missing"}


@dataclass(frozen=True, slots=True)
class Source:
    """What the attributes of the files are made from."""

    book: Book
    metadata: Mapping[str, MetadataField]
    """Fields of the data set by name, without `dataset.`."""
    run: str
    trail: Mapping[str, Any]
    created: str
    """Date of the newest byte or decision that went in, ISO 8601; empty if not known."""
    identity: str
    """Digest of the results."""

    def stated(self, name: str) -> str:
        """Return a field of the data set, empty if missing or not applicable."""
        row = self.metadata.get(name)
        return row.value if row is not None and row.value not in {None, NOT_APPLICABLE} and row.value else ""


def slug(text: str) -> str:
    """Return `text` as a name for files: letters, digits, minus and underscore."""
    return re.sub(r"[^A-Za-z0-9_-]+", "-", text).strip("-_") or "mission"


def valid_names(names: Sequence[str]) -> dict[str, str]:
    """Return for each name one of letters, digits and underscores that begins with a letter; all differ (CF 2.3)."""
    out: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        base = re.sub(r"[^A-Za-z0-9_]", "_", name)
        if not re.match(r"[A-Za-z]", base):
            base = f"v_{base}"
        candidate, number = base, 2
        # CF asks that names differ by more than case.
        while candidate.lower() in taken:
            candidate, number = f"{base}_{number}", number + 1
        taken.add(candidate.lower())
        out[name] = candidate
    return out


def read_group(path: Path, group: str) -> xr.Dataset | None:
    """Return one group of `results.nc`, loaded; None if the run has none."""
    try:
        with xr.open_dataset(path, group=group, engine="h5netcdf") as data:
            return data.load()
    except OSError:
        return None


def _flag_attributes(values: np.ndarray[Any, Any], attributes: Mapping[str, Any]) -> dict[str, Any]:
    out = {k: v for k, v in attributes.items() if k not in {"units", "flag_values", "flag_meanings"}}
    kept = sorted(_FLAG_MEANINGS)
    return out | {
        "standard_name": "quality_flag",
        "flag_values": np.array(kept, dtype=values.dtype),
        "flag_meanings": " ".join(_FLAG_MEANINGS[k] for k in kept),
    }


def _along(book: Book, data: xr.Dataset, label: str) -> dict[str, tuple[Any, dict[str, Any]]]:
    """Return height, latitude and longitude of an instrument in time; NaN while it was nowhere."""
    ns = data["time"].to_numpy().astype("datetime64[ns]").astype(np.int64)
    out: dict[str, tuple[Any, dict[str, Any]]] = {
        "height": (
            book.height_at(label, ns),
            {"standard_name": "height_above_sea_floor", "long_name": f"height of {label} above the bed", "units": "m"},
        )
    }
    places = [book.position_of(row.station) for row in book.deployments_of(label)]
    if all(place == (book.site.latitude_deg, book.site.longitude_deg) for place in places):
        return out
    index = book.deployment_index(label, ns)
    for number, name, units in ((0, "latitude", "degrees_north"), (1, "longitude", "degrees_east")):
        table = np.array([*(place[number] for place in places), np.nan])
        attributes = {"standard_name": name, "long_name": f"{name} of {label}", "units": units}
        out[name] = (table[index], attributes)
    return out


def _content_type(name: str, group: str) -> str:
    """Return the kind of content in the words of ISO 19115, as ACDD asks."""
    if name.endswith(COMPANIONS):
        return "qualityInformation"
    return "modelResult" if group == "ledger" else "physicalMeasurement"


def _standard_name(name: str, attributes: Mapping[str, Any], data: xr.Dataset) -> str:
    """Return the standard name of a variable, with the modifier for uncertainties (CF appendix C)."""
    for suffix in ("_random_sd", "_systematic_sd"):
        base = name.removesuffix(suffix)
        if base != name and base in data:
            own = _standard_name(base, data[base].attrs, data)
            return f"{own} standard_error" if own else ""
    if name.endswith("_n"):
        return "number_of_observations"
    quantity = name.rsplit("__", maxsplit=1)[-1].removesuffix("_corrected")
    return str(attributes.get("standard_name", "")) or _STANDARD_NAMES.get(quantity, "")


def _variable(name: str, array: xr.DataArray, group: str, data: xr.Dataset) -> dict[str, Any]:
    """Return the attributes of one series, without links to others."""
    values = array.to_numpy()
    kind = {"coverage_content_type": _content_type(name, group)}
    if name.endswith("_flag"):
        return _flag_attributes(values, array.attrs) | kind
    dropped = {"ancillary_variables", "standard_name"}
    attributes: dict[str, Any] = {k: v for k, v in array.attrs.items() if k not in dropped and str(v) != ""}
    attributes.setdefault("long_name", name.rsplit("__", maxsplit=1)[-1].replace("_", " "))
    if named := _standard_name(name, array.attrs, data):
        attributes["standard_name"] = named
    if attributes.get("units") == "degree_C":
        difference = name.endswith(("_random_sd", "_systematic_sd"))
        attributes["units_metadata"] = "temperature: difference" if difference else "temperature: on_scale"
    return attributes | kind


def flat_dataset(group: str, data: xr.Dataset, source: Source) -> xr.Dataset:
    """Return one group as a flat data set that follows CF-1.11 and ACDD-1.3.

    Parameters
    ----------
    group : str
        One of `GROUPS`.
    data : Dataset
        The group as it stands in `results.nc`.
    source : Source
        Book, metadata and trail for the attributes.

    Returns
    -------
    Dataset
        Same values; names valid, flags and ancillary variables linked, position and heights added.
    """
    book = source.book
    # Axes too may carry an instrument's label: of spectra, of profiles.
    axes = valid_names(list(dict.fromkeys(map(str, [*data.dims, *data.coords]))))
    data = data.rename({name: short for name, short in axes.items() if name != short})
    names = valid_names([str(name) for name in data.data_vars if name != "time_bounds"])
    known = {row.label for row in book.instruments}
    labels = sorted({name.split("__")[0] for name in names if "__" in name} & known) if group == "blocks" else []
    short_labels = valid_names(labels)
    along = {label: _along(book, data, label) for label in labels}
    variables: dict[str, Any] = {
        "time": (
            "time",
            data["time"].to_numpy(),
            {
                "standard_name": "time",
                "long_name": "start of the block",
                "axis": "T",
                "bounds": "time_bounds",
                "units_metadata": "leap_seconds: none",
            },
        ),
        "time_bounds": (("time", "bound"), data["time_bounds"].to_numpy(), {}),
        **_place(book),
    }
    beside: dict[str, str] = {}
    for name in map(str, data.coords):
        if name == "time":
            continue
        attributes = {"long_name": name} | dict(data[name].attrs) | {"coverage_content_type": "coordinate"}
        if data[name].dtype.kind in "OUST":
            # A text is a label, not a coordinate in the sense of CF 5: it stands beside its dimension.
            beside[name] = f"{name}_name"
            texts = np.array([_plain(str(text)) for text in data[name].to_numpy()])
            variables[f"{name}_name"] = (name, texts, {"long_name": f"name of the {name}"})
        else:
            variables[name] = (data[name].dims, data[name].to_numpy(), attributes)
    for name, short in names.items():
        # CF 2.4 wants time to the right of dimensions that are none of space and time.
        array = data[name].transpose(..., "time") if "time" in data[name].dims else data[name]
        attributes = _variable(name, array, group, data)
        label = name.split("__")[0]
        companions = str(array.attrs.get("ancillary_variables", "")).split()
        companions += [f"{name}{suffix}" for suffix in ("_n", "_reason") if f"{name}{suffix}" in names]
        if linked := [names[c] for c in companions if c in names]:
            attributes["ancillary_variables"] = " ".join(linked)
        if short != name:
            attributes["comment"] = "; ".join(filter(None, (attributes.get("comment", ""), f"in the results: {name}")))
        if "time" in array.dims:
            where = [f"{short_labels[label]}_{key}" for key in along[label]] if label in along else []
            place = [key for key in ("latitude", "longitude") if not any(w.endswith(f"_{key}") for w in where)]
            texts_beside = [beside[str(d)] for d in array.dims if str(d) in beside]
            attributes["coordinates"] = " ".join([*texts_beside, *where, *place, "station"])
        variables[short] = (array.dims, array.to_numpy(), attributes)
    for label, series in along.items():
        for key, (values, attributes) in series.items():
            own = attributes | {"coverage_content_type": "coordinate"}
            variables[f"{short_labels[label]}_{key}"] = ("time", values, own)
    flat = xr.Dataset(variables)
    # Only true coordinate variables stay coordinates, so that `coordinates` attributes are exactly those set above.
    flat = flat.reset_coords([n for n in flat.coords if n not in flat.dims])
    flat.attrs = _globals(group, flat, source)
    return flat


def _place(book: Book) -> dict[str, Any]:
    site = book.site
    return {
        "latitude": (
            (),
            site.latitude_deg,
            {"standard_name": "latitude", "long_name": "latitude of the site", "units": "degrees_north"},
        ),
        "longitude": (
            (),
            site.longitude_deg,
            {"standard_name": "longitude", "long_name": "longitude of the site", "units": "degrees_east"},
        ),
        "station": ((), np.array(_plain(site.name), dtype="S"), {"long_name": "name of the site"}),
    }


def _plain(text: str) -> bytes:
    return text.encode("ascii", "replace")


def _extent(flat: xr.Dataset, standard_name: str) -> tuple[float, float]:
    """Return the lowest and highest value of all variables with a standard name."""
    values = [flat[n].to_numpy().ravel() for n in flat.variables if flat[n].attrs.get("standard_name") == standard_name]
    joined = np.concatenate(values)
    return float(np.nanmin(joined)), float(np.nanmax(joined))


def _duration(start: np.datetime64, end: np.datetime64) -> str:
    """Return a span as ISO 8601 duration."""
    seconds = int((end - start) / np.timedelta64(1, "s"))
    days, rest = divmod(seconds, 86400)
    hours, rest = divmod(rest, 3600)
    minutes, seconds = divmod(rest, 60)
    clock = "".join(f"{n}{u}" for n, u in ((hours, "H"), (minutes, "M"), (seconds, "S")) if n)
    return f"P{days}D" * bool(days) + (f"T{clock}" if days else f"PT{clock or '0S'}") * bool(clock or not days)


def _globals(group: str, flat: xr.Dataset, source: Source) -> dict[str, Any]:
    book, trail = source.book, source.trail
    bounds = flat["time_bounds"].to_numpy()
    start, end = (np.datetime64(t, "s") for t in (bounds[0, 0], bounds[-1, 1]))
    software = trail.get("software", {})
    south, north = _extent(flat, "latitude")
    west, east = _extent(flat, "longitude")
    shape = (
        f"POINT ({south:.6g} {west:.6g})"
        if (south, west) == (north, east)
        else "POLYGON ((" + ", ".join(f"{y:.6g} {x:.6g}" for y, x in (
            (south, west), (south, east), (north, east), (north, west), (south, west))) + "))"
    )  # fmt: skip
    about = source.stated("summary") or f"Mission {book.mission.name} at {book.site.name}: {book.mission.title}."
    funding, thanks = source.stated("funding"), source.stated("acknowledgement")
    code = f"reeftally {software.get('reeftally', '')}, code {software.get('code', '')}"
    history = f"run {source.run} of book revision {trail.get('book_revision')} by {code}; written flat for the archive"
    instruments = ", ".join(f"{row.label} ({row.kind}, serial {row.serial})" for row in book.instruments)
    digest = hashlib.sha256(f"{source.identity}:{group}".encode()).hexdigest()[:16]
    wanted: dict[str, Any] = {
        "Conventions": "CF-1.11, ACDD-1.3",
        "title": f"{book.mission.title}: {GROUPS[group]}",
        "summary": f"{about} This file: {GROUPS[group]}, in blocks of {book.analysis.block_s} s.",
        "keywords": source.stated("keywords"),
        "id": f"{slug(book.mission.name)}.{group}.{digest}",
        "naming_authority": source.stated("naming_authority"),
        "history": f"{source.created}: {history}" if source.created else history,
        "source": "observations in situ, reduced to blocks",
        "processing_level": "quality-controlled block means and quantities calculated from them, with uncertainty",
        "comment": source.stated("comment")
        or "Variables ending in _flag, _random_sd and _systematic_sd belong to the "
        "variable whose name they begin with.",
        "acknowledgement": "; ".join(filter(None, (funding, thanks))),
        "license": source.stated("licence"),
        "standard_name_vocabulary": "CF Standard Name Table v93",
        "date_created": source.created,
        "date_modified": source.created,
        "date_metadata_modified": source.created,
        "creator_name": source.stated("investigators"),
        "creator_email": source.stated("investigators_contact")
        if "@" in source.stated("investigators_contact")
        else "",
        "creator_url": source.stated("creator_url"),
        "creator_institution": source.stated("institution"),
        "institution": source.stated("institution"),
        "project": source.stated("project"),
        "publisher_name": source.stated("publisher"),
        "publisher_email": source.stated("publisher_email"),
        "publisher_url": source.stated("publisher_url"),
        "contributor_name": source.stated("contributors"),
        "geospatial_bounds": shape,
        "geospatial_bounds_crs": "EPSG:4326",
        "geospatial_bounds_vertical_crs": "EPSG:5831",
        "geospatial_lat_min": south,
        "geospatial_lat_max": north,
        "geospatial_lat_units": "degrees_north",
        "geospatial_lon_min": west,
        "geospatial_lon_max": east,
        "geospatial_lon_units": "degrees_east",
        "geospatial_vertical_min": float(source.stated("depth_shallow")),
        "geospatial_vertical_max": float(source.stated("depth_deep")),
        "geospatial_vertical_positive": "down",
        "geospatial_vertical_units": "m",
        "time_coverage_start": f"{start}Z",
        "time_coverage_end": f"{end}Z",
        "time_coverage_duration": _duration(start, end),
        "time_coverage_resolution": _duration(start, start + np.timedelta64(book.analysis.block_s, "s")),
        "platform": source.stated("platform"),
        "instrument": instruments,
        "cdm_data_type": "Station",
        "product_version": f"run {source.run}",
        "references": source.stated("citation"),
    }
    return {key: value for key, value in wanted.items() if value != ""}


def write_flat(flat: xr.Dataset, path: Path) -> None:
    """Write a flat data set; the same data set gives the same bytes."""
    encoding: dict[str, dict[str, Any]] = {}
    for name in flat.variables:
        array = flat[name]
        own: dict[str, Any] = {"_FillValue": None}
        if array.dtype.kind == "M":
            own |= {"units": _TIME_UNITS, "calendar": "standard", "dtype": "float64"}
        elif array.dtype.kind == "f" and array.ndim and name not in flat.dims:
            own["_FillValue"] = np.nan
        elif array.dtype.kind in "US":
            own = {"dtype": "S1"}
        if array.size > 64 and array.dtype.kind in "fiuM":
            own |= {"zlib": True, "complevel": 4}
        encoding[str(name)] = own
    flat.to_netcdf(path, mode="w", engine="h5netcdf", encoding=encoding)


def _text_of(array: xr.DataArray) -> Any:
    if array.dtype.kind == "M":
        return [f"{t}Z" for t in array.to_numpy().astype("datetime64[s]")]
    if array.dtype.kind == "S":
        return array.to_numpy().astype(str)
    return array.to_numpy().ravel() if array.ndim < 2 else array.to_numpy()


def csv_twins(stem: str, flat: xr.Dataset) -> tuple[dict[str, str], list[dict[str, str]]]:
    """Return the same values as tables, one for each set of dimensions.

    Returns
    -------
    (files, columns)
        Text by file name; and for each column its file, unit, standard name and meaning.
    """
    tables: dict[tuple[str, ...], dict[str, Any]] = {}
    columns: list[dict[str, str]] = []
    order = sorted((str(n) for n in flat.variables), key=lambda n: (flat[n].ndim == 0, n != "time"))
    for name in order:
        array = flat[name]
        where = tuple(str(d) for d in array.dims if d != "bound")
        if array.ndim and name not in {"time", "time_bounds"} and not name.endswith("_name"):
            tables.setdefault(where, {})[name] = array.to_numpy()
    files: dict[str, str] = {}
    for where, content in tables.items():
        shape = [flat.sizes[d] for d in where]
        grids = np.meshgrid(*[np.arange(n) for n in shape], indexing="ij")
        table: dict[str, Any] = {}
        for dim, grid in zip(where, grids, strict=True):
            index = grid.ravel()
            if dim == "time":
                bounds = flat["time_bounds"].to_numpy()
                table["time"] = [f"{t}Z" for t in bounds[index, 0].astype("datetime64[s]")]
                table["time_end"] = [f"{t}Z" for t in bounds[index, 1].astype("datetime64[s]")]
            elif f"{dim}_name" in flat:
                table[dim] = _text_of(flat[f"{dim}_name"])[index]
            elif dim not in content:
                table[dim] = flat[dim].to_numpy()[index] if dim in flat else index
        for name, values in content.items():
            table[name] = values.ravel()
        extra = [d for d in where if d != "time"]
        beside = ("_by_" + "_".join(extra)) if extra and set(tables) != {where} else ""
        file = f"{stem}{beside}.csv"
        files[file] = pd.DataFrame(table).to_csv(index=False, lineterminator="\n")
        for column in table:
            attributes: Mapping[str, Any] = flat[column].attrs if column in flat else {}
            words = {"time": "start of the block, UTC", "time_end": "end of the block, UTC"}.get(column)
            columns.append(
                {
                    "file": file,
                    "column": column,
                    "unit": "" if words else str(attributes.get("units", "")),
                    "standard_name": str(attributes.get("standard_name", "")),
                    "meaning": words or str(attributes.get("long_name", column)),
                    "flag_meanings": _flag_words(attributes),
                }
            )
    return files, columns


def _flag_words(attributes: Mapping[str, Any]) -> str:
    if "flag_values" not in attributes:
        return ""
    values = np.atleast_1d(attributes["flag_values"])
    words = str(attributes["flag_meanings"]).split()
    return "; ".join(f"{int(v)} {w}" for v, w in zip(values, words, strict=True))
