"""The archive package of a mission: everything that a stranger needs to read and to repeat it.

Here:     what goes into a package and under which name; `write_archive`.
Not here: the fields of the metadata (`archive_metadata`), NetCDF and CSV (`archive_netcdf`), the words of its README
          (`archive_readme`), the form on disk (`archive_package`), checking (`archive_check`), repeating
          (`archive_rebuild`).
Rules:    results and what they were made from must belong together, or nothing is packed; nothing names a machine, a
          user or a folder; the same mission gives the same bytes.
"""

from __future__ import annotations

import csv
import hashlib
import importlib.metadata
import io
import json
import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePath, PureWindowsPath
from typing import Any

import numpy as np

from reeftally.analysis.context import open_context
from reeftally.analysis.estimates import iso
from reeftally.analysis.memory import code_digest
from reeftally.analysis.records import load_slow
from reeftally.analysis.results import read_results
from reeftally.analysis.trail import table_hashes
from reeftally.errors import ResultError
from reeftally.mission import Log, current_revision, read_book, revisions
from reeftally.report.archive_check import Verification, verify_package
from reeftally.report.archive_netcdf import GROUPS, Source, csv_twins, flat_dataset, read_group, slug, write_flat
from reeftally.report.archive_package import write_package
from reeftally.report.archive_readme import readme
from reeftally.report.archive_rebuild import Comparison, rebuild_archive
from reeftally.store import open_store
from reeftally.telling.archive_fields import METADATA_FILE, MetadataField
from reeftally.telling.archive_metadata import archive_metadata, metadata_csv, metadata_json, missing_metadata

__all__ = [
    "Archive",
    "Comparison",
    "Verification",
    "archive_metadata",
    "missing_metadata",
    "rebuild_archive",
    "verify_package",
    "write_archive",
]

Progress = Callable[[str, float, float, str], None]
Contents = dict[str, Path | bytes]


def _silent(step: str, done: float, total: float, note: str = "") -> None:
    """Report nothing."""


@dataclass(frozen=True, slots=True)
class Archive:
    """What was packed."""

    path: Path
    """The package: a folder or a zip archive."""
    files: int
    """How many files, index and checksums included."""
    metadata: list[MetadataField] = field(default_factory=list)
    """All fields of the metadata."""
    notes: list[str] = field(default_factory=list)
    """What the person who packs should know."""

    @property
    def missing(self) -> list[str]:
        """Names of the fields that the mission does not answer."""
        return [row.name for row in self.metadata if row.status == "missing"]


def write_archive(folder: Path | str, to: Path | str | None = None, *, progress: Progress = _silent) -> Archive:
    """Pack a mission with its latest results.

    Parameters
    ----------
    folder : path
        Mission folder; it is only read.
    to : path, optional
        A folder that is not there yet, or a file that ends in `.zip`; default `NAME-archive` beside the mission.
    progress : callable
        ``progress(step, done, total, note)``.

    Returns
    -------
    Archive

    Raises
    ------
    ResultError
        If there are no results, if book, decisions or data have changed since they were made, if raw bytes are
        damaged, or if something is at `to` already.
    """
    folder = Path(folder)
    book = read_book(folder)
    results = read_results(folder)
    _require_current(folder, results.trail)
    target = Path(to) if to is not None else folder.resolve().parent / f"{slug(book.mission.name)}-archive"
    if target.exists():
        message = f"{target} is there already; a package is never written over. Name another with --to."
        raise ResultError(message)
    progress("Packing", 0, 5, "metadata")
    fields = archive_metadata(folder)
    contents: Contents = {f"mission/{name}": content for name, content in _mission_files(folder).items()}
    run = results.folder
    for path in sorted(p for p in run.iterdir() if p.is_file() and not p.name.startswith(".")):
        contents[f"results/{path.name}"] = path
    source = Source(
        book=book,
        metadata={r.name.removeprefix("dataset."): r for r in fields if r.name.startswith("dataset.")},
        run=run.name,
        trail=results.trail,
        created=_newest(folder),
        identity=_digest(run / "estimates.csv"),
    )
    contents["metadata/ocean_acidification.json"] = metadata_json(fields).encode()
    contents["metadata/ocean_acidification.csv"] = metadata_csv(fields).encode()
    contents["metadata/raw_files.csv"] = _raw_names(folder).encode()
    contents["metadata/environment.json"] = _environment(results.trail).encode()
    contents["LICENCE.txt"] = _licence(source).encode()
    progress("Packing", 1, 5, "flags")
    contents["flags/by_hand.csv"] = _by_hand(folder).encode()
    contents["flags/samples.csv"] = _sample_flags(folder).encode()
    contents |= _code()
    stem = slug(book.mission.name)
    with tempfile.TemporaryDirectory(prefix="reeftally-archive-") as place:
        columns: list[dict[str, str]] = []
        runs: list[tuple[Any, ...]] = []
        for number, group in enumerate(GROUPS):
            progress("Packing", 2 + number / len(GROUPS), 5, group)
            data = read_group(run / "results.nc", group)
            if data is None or "time" not in data.dims:
                continue
            flat = flat_dataset(group, data, source)
            path = Path(place) / f"{stem}_{group}.nc"
            write_flat(flat, path)
            contents[f"data/{path.name}"] = path
            twins, about = csv_twins(path.stem, flat)
            contents |= {f"data/{name}": text.encode() for name, text in twins.items()}
            columns += about
            runs += _series_flags(group, flat)
        contents["data/columns.csv"] = _table(
            columns[0].keys() if columns else ("file",), (c.values() for c in columns)
        )
        contents["flags/series.csv"] = _table(("file", "variable", "start", "end", "flag", "blocks"), runs)
        contents["README.md"] = readme(source, fields, sorted(contents)).encode()
        progress("Packing", 3, 5, "hashes and bytes")
        about_package = {
            "mission": book.mission.name,
            "title": book.mission.title,
            "run": run.name,
            "book_revision": results.trail.get("book_revision"),
            "software": results.trail.get("software", {}),
            "created": source.created,
            "licence": source.stated("licence"),
            "missing_metadata": [row.name for row in fields if row.status == "missing"],
        }
        write_package(target, contents, about_package)
    progress("Packing", 5, 5, "")
    return Archive(target, len(contents) + 2, fields, _notes(folder))


def _require_current(folder: Path, trail: dict[str, Any]) -> None:
    """Refuse results that were not made from the mission as it stands."""
    changed: list[str] = []
    newest = current_revision(folder)
    kept = folder / "book" / f"{newest:04d}.toml"
    if newest != trail.get("book_revision"):
        changed.append(f"they follow book revision {trail.get('book_revision')}, the newest is {newest}")
    elif not kept.exists() or kept.read_bytes() != (folder / "mission.toml").read_bytes():
        changed.append(f"mission.toml is not book revision {newest}")
    decisions = [entry.id for entry in Log(folder).active() if entry.correction is not None]
    if decisions != list(trail.get("decisions", [])):
        changed.append("decisions were written to the log or taken back")
    if (folder / "observations" / "catalogue.sqlite").exists():
        with open_store(folder, segments_url=read_book(folder).store.segments_url) as store:
            snapshot = store.snapshot()
        if snapshot != trail.get("snapshot"):
            changed.append(f"data were taken in (snapshot {snapshot}, results of {trail.get('snapshot')})")
    tables, now = trail.get("tables"), table_hashes(folder)
    if tables is not None and tables != now:
        names = sorted(name for name in {*tables, *now} if tables.get(name) != now.get(name))
        changed.append(f"tables were changed ({', '.join(names)})")
    if changed:
        message = (
            f"{folder.name}: the results are older than the mission: {'; '.join(changed)}. "
            f"Run `reeftally analyse {folder}`, then pack."
        )
        raise ResultError(message)


def _mission_files(folder: Path) -> Contents:
    """Return the files from which everything can be made again, by their name in the mission folder."""
    out: Contents = {"mission.toml": folder / "mission.toml"}
    for name in (METADATA_FILE, "log/entries.jsonl"):
        if (folder / name).exists():
            out[name] = folder / name
    for number in revisions(folder):
        out[f"book/{number:04d}.toml"] = folder / "book" / f"{number:04d}.toml"
    for kind, pattern in (("layouts", "*.toml"), ("tables", "*.csv")):
        out |= {f"{kind}/{path.name}": path for path in sorted((folder / kind).glob(pattern))}
    for path in sorted((folder / "raw").glob("??/*")):
        if len(path.name) == 64:
            out[f"raw/{path.parent.name}/{path.name}"] = path
    rows = _raw_rows(folder)
    if rows:
        lines = [json.dumps(row, ensure_ascii=False) + "\n" for row in rows]
        out["raw/index.jsonl"] = "".join(lines).encode()
    return out


def _raw_rows(folder: Path) -> list[dict[str, Any]]:
    """Return the index of the raw bytes, without the folders of the machine that took them in."""
    path = folder / "raw" / "index.jsonl"
    if not path.exists():
        return []
    rows = []
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
        try:
            row = json.loads(line)
            where, name = str(row["source"]), str(row["name"])
        except (ValueError, KeyError, TypeError):
            continue  # cut short by a power failure; the bytes are packed all the same
        outside = PurePath(where).is_absolute() or PureWindowsPath(where).is_absolute() or ".." in PurePath(where).parts
        # `tables` is the one folder that means something when the store is rebuilt.
        rows.append({**row, "source": name if outside else where})
    return rows


def _raw_names(folder: Path) -> str:
    names = ("name", "sha256", "bytes", "taken_in", "file")
    return _table(
        names,
        (
            (r["name"], r["hash"], r["size"], r.get("taken_in", ""), f"mission/raw/{r['hash'][:2]}/{r['hash']}")
            for r in _raw_rows(folder)
        ),
    ).decode()


def _newest(folder: Path) -> str:
    """Return when the newest bytes or the newest decision went in; empty if nothing did."""
    times = [str(row.get("taken_in", "")) for row in _raw_rows(folder)]
    times += [f"{entry.time:%Y-%m-%dT%H:%M:%S}Z" for entry in Log(folder).entries()]
    return max(filter(None, times), default="")


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _table(header: Iterable[str], rows: Iterable[Iterable[Any]]) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(list(header))
    writer.writerows(list(row) for row in rows)
    return out.getvalue().encode()


def _edges(flags: np.ndarray[Any, Any]) -> list[tuple[int, int]]:
    """Return first and last position of each stretch of equal flags."""
    if flags.size == 0:
        return []
    starts = np.flatnonzero(np.concatenate(([True], flags[1:] != flags[:-1])))
    return list(zip(starts.tolist(), [*(starts[1:] - 1).tolist(), flags.size - 1], strict=True))


def _series_flags(group: str, flat: Any) -> list[tuple[Any, ...]]:
    bounds = flat["time_bounds"].to_numpy().astype("datetime64[ns]").astype(np.int64)
    out: list[tuple[Any, ...]] = []
    for name in sorted(str(n) for n in flat.variables if str(n).endswith("_flag")):
        array = flat[name]
        if array.dims == ("time",):
            flags = array.to_numpy()
            out += [
                (group, name, iso(int(bounds[a, 0])), iso(int(bounds[b, 1])), int(flags[a]), b - a + 1)
                for a, b in _edges(flags)
            ]
    return out


def _sample_flags(folder: Path) -> str:
    """Return the automatic flags of all samples below 2 Hz, as stretches of equal flags."""
    rows: list[tuple[Any, ...]] = []
    if (folder / "observations" / "catalogue.sqlite").exists():
        context = open_context(folder)
        grid = context.grid
        slow, _ = load_slow(context, grid)
        for label, blocks in sorted(slow.items()):
            if not blocks.flags:
                continue
            span = {"start_ns": int(grid.edges[0]), "end_ns": int(grid.edges[-1])}
            time = context.read(label, channels=sorted(blocks.flags), **span).time_ns
            for channel, found in sorted(blocks.flags.items()):
                tests = {name: values for name, values in sorted(found.tests.items()) if values.shape == time.shape}
                for a, b in _edges(found.flags):
                    flag = int(found.flags[a])
                    by = [
                        name for name, values in tests.items() if flag in {3, 4} and (values[a : b + 1] == flag).any()
                    ]
                    row = (label, channel, iso(int(time[a])), iso(int(time[b])), flag, b - a + 1, " ".join(by))
                    rows.append(row)
        context.store.close()
    header = ("instrument", "channel", "first_sample", "last_sample", "flag", "samples", "tests")
    return _table(header, rows).decode()


def _by_hand(folder: Path) -> str:
    entries = Log(folder).entries()
    in_force = {entry.id for entry in Log(folder).active()}
    header = ("id", "time", "by", "kind", "subject", "finding", "why", "in_force", "correction")
    rows = (
        (
            entry.id,
            iso(entry.time_ns),
            entry.by,
            entry.kind,
            entry.subject,
            entry.finding,
            entry.why,
            "yes" if entry.id in in_force else "no",
            "" if entry.correction is None else entry.correction.model_dump_json(),
        )
        for entry in entries
    )
    return _table(header, rows).decode()


def _environment(trail: dict[str, Any]) -> str:
    document = {
        "results_made_by": trail.get("software", {}),
        "packed_by": {"reeftally": importlib.metadata.version("reeftally"), "code": code_digest()},
        "code": "code/ holds the source that packed; if `code` differs above, the results were made by another version",
    }
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"


def _code() -> Contents:
    """Return the source of this version with what it needs, so that it can be installed again."""
    root = Path(__file__).resolve().parents[1]
    out: Contents = {
        f"code/src/reeftally/{path.relative_to(root).as_posix()}": path
        for path in sorted(root.rglob("*"))
        if path.is_file() and "__pycache__" not in path.parts and not path.name.startswith(".")
    }
    about = importlib.metadata.distribution("reeftally")
    needs = [text for text in about.requires or () if "extra ==" not in text]
    pins = []
    for text in needs:
        name = "".join(c for c in text.split(";")[0].split(" ")[0] if c.isalnum() or c in "-_.<>=!~")
        bare = name
        for mark in "<>=!~":
            bare = bare.split(mark)[0]
        try:
            pins.append(f"{bare}=={importlib.metadata.version(bare)}")
        except importlib.metadata.PackageNotFoundError:
            continue  # a need of another system only
    lines = [
        "[build-system]",
        'requires = ["setuptools>=68"]',
        'build-backend = "setuptools.build_meta"',
        "",
        "[project]",
        'name = "reeftally"',
        f'version = "{about.version}"',
        f'requires-python = "{about.metadata["Requires-Python"]}"',
        f"dependencies = {json.dumps(needs)}",
        "",
        "[project.scripts]",
        'reeftally = "reeftally.cli:main"',
        "",
        "[tool.setuptools.packages.find]",
        'where = ["src"]',
        "",
        "[tool.setuptools.package-data]",
        'reeftally = ["**/*"]',
        "",
    ]
    if "License" in about.metadata:
        out["code/LICENSE"] = about.metadata["License"].encode()
    out["code/pyproject.toml"] = "\n".join(lines).encode()
    out["code/requirements.txt"] = ("\n".join(sorted(pins)) + "\n").encode()
    return out


def _licence(source: Source) -> str:
    stated = source.stated("licence")
    if not stated:
        return "The mission book states no licence. Ask the investigators before you use the data.\n"
    who = source.stated("investigators") or "the investigators"
    return f"Licence of the data: {stated}\nRights: {who}.\nThe licence of the code is that of reeftally (BSD).\n"


def _notes(folder: Path) -> list[str]:
    waiting = [p.name for p in sorted((folder / "inbox").glob("*")) if not p.name.startswith(".")]
    notes: Sequence[str] = ()
    if waiting:
        shown = ", ".join(waiting[:3]) + (f" and {len(waiting) - 3} more" if len(waiting) > 3 else "")
        notes = (f"Not packed, since never taken in: {shown} in inbox/.",)
    return list(notes)
