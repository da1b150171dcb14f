"""The command `archive`: pack, verify, repeat, and what the metadata still lacks.

Here:     options and words of the command.
Not here: what they do (`reeftally.report.archive`).
Rules:    one of four things a call; wrong combinations are wrong usage.
"""

from __future__ import annotations

from pathlib import Path

import click

from reeftally.cli._group import commands
from reeftally.cli._output import Outcome, command_result, steps

__all__ = ["archive"]

_SHOWN = 20


def _some(lines: list[str]) -> list[str]:
    more = [f"  ... and {len(lines) - _SHOWN} more"] if len(lines) > _SHOWN else []
    return [*(f"  {line}" for line in lines[:_SHOWN]), *more]


def _quiet() -> bool:
    return bool(click.get_current_context().params.get("as_json"))


def _missing(folder: Path) -> Outcome:
    from reeftally.report.archive import archive_metadata

    fields = archive_metadata(folder)
    missing = [row for row in fields if row.status == "missing"]
    lines = [f"{row.name}: {row.meaning}. Write it in {row.fill_in}." for row in missing]
    lines.append(f"{len(fields) - len(missing)} of {len(fields)} fields are filled, {len(missing)} missing.")
    data = {
        "fields": len(fields),
        "missing": [{"name": row.name, "meaning": row.meaning, "fill_in": row.fill_in} for row in missing],
    }
    return Outcome(data=data, lines=lines, attention=bool(missing))


def _pack(folder: Path, to: Path | None) -> Outcome:
    from reeftally.report.archive import write_archive

    with steps(quiet=_quiet()) as bar:
        made = write_archive(folder, to, progress=bar)
    lines = [f"Packed {made.files} files: {made.path}", *made.notes]
    if made.missing:
        lines += [f"{len(made.missing)} of {len(made.metadata)} metadata fields are missing:", *_some(made.missing)]
        lines.append(f"Where to write them: reeftally archive {folder} --missing")
    lines.append(f"Check it: reeftally archive --verify {made.path}")
    data = {
        "package": str(made.path),
        "files": made.files,
        "metadata_fields": len(made.metadata),
        "missing_metadata": made.missing,
        "notes": made.notes,
    }
    return Outcome(data=data, lines=lines)


def _verify(package: Path) -> Outcome:
    from reeftally.report.archive import verify_package

    with steps(quiet=_quiet()) as bar:
        found = verify_package(package, progress=bar)
    lines = [f"{found.files} files, {found.size / 1e6:,.1f} MB hashed."]
    if found.notes:
        lines += [f"{len(found.notes)} recommended attributes are not there:", *_some(found.notes)]
    lines += [*found.problems, f"{len(found.problems)} differences." if found.problems else "Nothing differs."]
    data = {"files": found.files, "bytes": found.size, "problems": found.problems, "notes": found.notes}
    return Outcome(data=data, lines=lines, attention=not found.good)


def _rebuild(package: Path, to: Path, workers: str | None) -> Outcome:
    from reeftally.report.archive import rebuild_archive

    with steps(quiet=_quiet()) as bar:
        found = rebuild_archive(package, to, workers=workers, progress=bar)
    lines = [
        *found.notes,
        *_some(found.differences),
        f"{found.estimates} estimates and {found.series} series ({found.values:,} numbers) compared in {found.folder}; "
        f"largest relative difference {found.worst:.1e}.",
        "Every table is the same within 1e-9."
        if found.same
        else f"{len(found.differences)} differences from the package.",
    ]
    data = {
        "folder": str(found.folder),
        "same": found.same,
        "estimates": found.estimates,
        "series": found.series,
        "values": found.values,
        "worst_relative": found.worst,
        "differences": found.differences,
        "notes": found.notes,
    }
    return Outcome(data=data, lines=lines, attention=not found.same)


@commands.command()
@click.argument(
    "folder", metavar="[DIR]", required=False, type=click.Path(exists=True, file_okay=False, path_type=Path)
)
@click.option(
    "--to", type=click.Path(path_type=Path), help="Package to write, a folder or FILE.zip; or where to rebuild."
)
@click.option("--missing", is_flag=True, help="Only list the metadata that the mission does not state yet.")
@click.option("--verify", "verify", type=click.Path(path_type=Path), help="Check a package byte by byte.")
@click.option("--rebuild", "rebuild", type=click.Path(path_type=Path), help="Repeat a package's results in --to.")
@click.option("--workers", help="For --rebuild: local Dask workers, or the address of a scheduler (tcp://...).")
@command_result
def archive(
    folder: Path | None, to: Path | None, missing: bool, verify: Path | None, rebuild: Path | None, workers: str | None
) -> Outcome:
    """Pack the mission in DIR with its latest results; check a package; repeat its results.

    A package holds raw bytes, book, layouts, tables, log, results, flags, NetCDF (CF, ACDD) and CSV files, metadata,
    checksums, and the code. It can be read without this program.

    \b
    Example:
        reeftally archive lagoon-2031 --missing
        reeftally archive lagoon-2031 --to lagoon-2031.zip
        reeftally archive --verify lagoon-2031.zip
        reeftally archive --rebuild lagoon-2031.zip --to repeated
    """
    if (folder is not None) + (verify is not None) + (rebuild is not None) != 1:
        message = "Give one of DIR, --verify PACKAGE and --rebuild PACKAGE."
        raise click.UsageError(message)
    if rebuild is not None and to is None:
        message = "--rebuild needs --to FOLDER, where the mission is made again."
        raise click.UsageError(message)
    if (missing and folder is None) or (workers and rebuild is None) or (to and (verify is not None or missing)):
        message = "--missing needs DIR; --workers goes with --rebuild; --to with DIR or --rebuild."
        raise click.UsageError(message)
    if verify is not None:
        return _verify(verify)
    if rebuild is not None and to is not None:
        return _rebuild(rebuild, to, workers)
    assert folder is not None
    return _missing(folder) if missing else _pack(folder, to)
