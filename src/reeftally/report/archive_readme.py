"""The README of a package: for a stranger, years later.

Here:     its words.
Not here: what is packed (`archive`).
Rules:    says what each folder holds, how to check and how to repeat; needs no knowledge of the program.
"""

from __future__ import annotations

from collections.abc import Sequence

from reeftally.report.archive_netcdf import GROUPS, Source
from reeftally.telling.archive_fields import MetadataField

__all__ = ["readme"]

_FOLDERS = (
    ("data/", "block series as NetCDF (CF-1.11, ACDD-1.3), one file a group, and the same values as CSV"),
    ("results/", "estimates with their intervals (CSV, JSON), how each was made (`trail.json`), the run's own series"),
    ("flags/", "quality flags: of samples, of series, and what people decided"),
    ("metadata/", "ocean-acidification metadata, names of the raw files, versions of the software"),
    ("mission/", "what everything was made from: raw bytes, mission book with all revisions, layouts, tables, log"),
    ("code/", "source of the program, with the versions that it needs"),
)


def readme(source: Source, fields: Sequence[MetadataField], names: Sequence[str]) -> str:
    """Return the text of `README.md`.

    Parameters
    ----------
    source : Source
        Book, metadata and trail.
    fields : sequence of MetadataField
        All fields, filled or missing.
    names : sequence of str
        Names of the files of the package.
    """
    book = source.book
    about, site = book.mission, book.site
    missing = [row for row in fields if row.status == "missing"]
    filled = sum(row.status == "filled" for row in fields)
    software = source.trail.get("software", {})
    lines = [
        f"# {about.title}",
        "",
        f"Mission {about.name} at {site.name} (latitude {site.latitude_deg:g}, longitude {site.longitude_deg:g}, "
        f"{site.water_depth_m:g} m deep), {about.start:%Y-%m-%d %H:%M} to {about.end:%Y-%m-%d %H:%M} UTC.",
        "",
    ]
    if text := source.stated("summary"):
        lines += [text, ""]
    if about.question:
        lines += [f"The question: {about.question}", ""]
    lines += [
        f"- Investigators: {source.stated('investigators') or 'not stated'}",
        f"- Institution: {source.stated('institution') or 'not stated'}",
        f"- Licence of the data: {source.stated('licence') or 'not stated'}",
        f"- Results: run {source.run}, made by reeftally {software.get('reeftally', '?')} "
        f"(code {software.get('code', '?')}, Python {software.get('python', '?')})",
        f"- Newest data or decision: {source.created or 'none'}",
        "",
        "## What is where",
        "",
        "| folder | files | what |",
        "|---|---|---|",
    ]
    lines += [f"| `{name}` | {sum(n.startswith(name) for n in names)} | {what} |" for name, what in _FOLDERS]
    lines += [
        "",
        "Nothing here needs a special program: text, CSV, JSON and NetCDF-4. Start with `results/estimates.csv`; "
        "`data/columns.csv` says what each column of the series is, with its unit. Times are UTC; a series' time is "
        "the start of its block. Fluxes are positive into the water. Missing values: empty in CSV, NaN in NetCDF.",
        "",
        "| series | what |",
        "|---|---|",
    ]
    lines += [f"| {group} | {what} |" for group, what in GROUPS.items() if any(f"_{group}.nc" in n for n in names)]
    lines += [
        "",
        "Uncertainty: `_random_sd` and `_systematic_sd` are standard uncertainties, the second common to many values. "
        "Intervals of the estimates hold 95 % unless their row says otherwise.",
        "",
        "Flags of sensors and series: 1 good, 2 not evaluated, 3 suspect, 4 fail, 9 missing. Of bottles "
        "(`mission/tables/bottles.csv`): 2 good, 3 doubtful, 4 bad, 6 mean of duplicates, 9 missing. Samples of "
        "velocimeters and of fast oxygen sensors are screened burst by burst; what was kept is in the series.",
        "",
        "Raw bytes lie in `mission/raw/` under the SHA-256 of their content; `metadata/raw_files.csv` gives the name "
        "that each file had. How its text is to be read stands in `mission/layouts/`.",
        "",
        "## Check that nothing has changed",
        "",
        "    sha256sum --check checksums.sha256",
        "",
        "or, with the program, every byte and the rules of the NetCDF files:",
        "",
        "    reeftally archive --verify PACKAGE",
        "",
        "## Repeat every number",
        "",
        "    pip install -r code/requirements.txt ./code",
        "    reeftally archive --rebuild PACKAGE --to repeated",
        "",
        "This makes the mission folder again from the raw bytes, runs the whole chain, and compares every table with "
        "the one in `results/`. The folder `repeated` is then an ordinary mission folder.",
        "",
        "## Metadata",
        "",
        f"{filled} of {len(fields)} fields are filled (`metadata/ocean_acidification.csv`, the same as JSON).",
    ]
    if missing:
        lines += ["", f"Missing ({len(missing)}):", "", *(f"- `{row.name}`: {row.meaning}" for row in missing)]
    return "\n".join([*lines, ""])
