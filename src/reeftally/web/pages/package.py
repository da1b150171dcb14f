"""The archive package: which fields are filled, which are missing by name, which files with which checksums.

Here:     metadata fields with their state, files of the newest run and of the raw bytes, what a stranger sees.
Not here: writing the package (`reeftally archive`).
Rules:    works from the first day, before anything was measured; nothing is filled by guess.
"""

from __future__ import annotations

import functools
import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from reeftally.errors import ReeftallyError
from reeftally.telling.archive_fields import METADATA_FILE, MetadataField
from reeftally.telling.archive_metadata import archive_metadata
from reeftally.web.blocks import Block, Cell, Link, Notice, Page, Pairs, Table, Text
from reeftally.web.look import Look, stamp_of
from reeftally.web.pages import Query
from reeftally.web.pages._parts import cautions, quiet

TITLE = "Package"
ORDER = 130

MOST_RAW = 400
SEEN = (
    "dataset.title", "dataset.summary", "dataset.investigators", "dataset.institution", "dataset.licence",
    "dataset.citation", "dataset.time_start", "dataset.time_end", "dataset.site",
)  # fmt: skip


def page(look: Look, query: Query) -> Page:
    """Return the state of the package."""
    if look.book is None:
        return Page(TITLE, [look.no_book()])
    blocks: list[Block] = []
    lead: list[Cell] = []
    try:
        fields = _fields(look)
    except ReeftallyError as error:
        messages = "\n".join(str(e) for e in getattr(error, "errors", ())) or str(error)
        blocks.append(
            Notice("serious", "The fields cannot be filled.", [messages], f"Mend {METADATA_FILE} or the book.")
        )
        fields = []
    if fields:
        missing = [f for f in fields if f.status == "missing"]
        lead = [f"{len(fields) - len(missing)} of {len(fields)} fields are filled; {len(missing)} are missing."]
        blocks += [_missing(look, missing), _stranger(fields)]
    blocks.append(
        Text(
            ["Written and checked in the terminal: ", f"reeftally archive {look.folder}", "; then --verify, --rebuild."]
        )
    )
    blocks += _files(look)
    blocks.append(_raw(look))
    if fields:
        blocks.append(_all(fields))
    return Page(TITLE, [*blocks, *cautions("package")], lead=lead)


def _fields(look: Look) -> list[MetadataField]:
    """Return the fields, made anew when the files that fill them have changed."""
    folder, run = look.folder, look.run
    tables = sorted((folder / "tables").glob("*.csv")) if (folder / "tables").is_dir() else []
    stamp = (
        run.name if run is not None else "",
        stamp_of(folder / "mission.toml", folder / METADATA_FILE, folder / "layouts", *tables),
    )

    def read() -> tuple[list[MetadataField], ReeftallyError | None]:
        try:
            return archive_metadata(folder), None
        except ReeftallyError as error:
            return [], error

    found, trouble = look.memory.get("archive fields", stamp, read)
    if found is None:
        raise ReeftallyError(trouble)
    fields, error = found
    if error is not None:
        raise error
    return fields


def _missing(look: Look, missing: list[MetadataField]) -> Block:
    if not missing:
        return Notice("good", "No required field is missing.")
    return Table(
        f"{len(missing)} required fields are missing",
        ["field", "what is asked", "where to write it"],
        [[f.name, f.meaning, f.fill_in] for f in missing],
        search=len(missing) > 12,
    )


def _stranger(fields: list[MetadataField]) -> Pairs:
    named = {f.name: f for f in fields}
    rows: list[tuple[str, Cell]] = [
        (named[name].meaning, named[name].value or "missing") for name in SEEN if name in named
    ]
    variables = sorted(
        {f.name.split(".")[1] for f in fields if f.name.startswith("variables.") and f.name.count(".") > 1}
    )
    rows.append(("variables described", ", ".join(v.replace("_", " ") for v in variables) or "none yet"))
    return Pairs("What a stranger sees first", rows)


def _all(fields: list[MetadataField]) -> Table:
    return Table(
        "All fields",
        ["field", "state", "value", "stands in"],
        [[f.name, f.status, f.value or "", f.source or f.fill_in] for f in fields],
        search=True,
        weights=["doubtful" if f.status == "missing" else "" for f in fields],
    )


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _size(count: float) -> str:
    for unit in ("B", "kB", "MB"):
        if count < 1000.0:
            return f"{count:.3g} {unit}"
        count /= 1000.0
    return f"{count:.3g} GB"


def _files(look: Look) -> list[Block]:
    run = look.run
    if run is None:
        return [look.no_results()]
    files = sorted(p for p in run.iterdir() if p.is_file())
    rows: list[list[Cell]] = []
    for path in files:
        stamp = (run.name, stamp_of(path))
        digest, trouble = look.memory.get(f"digest {path.name}", stamp, functools.partial(_digest, path))
        rows.append([path.name, _size(path.stat().st_size), digest or trouble])
    return [Table(f"Files of run {run.name}", ["file", "size", "SHA-256"], rows)]


def _raw(look: Look) -> Block:
    path = look.folder / "raw" / "index.jsonl"

    def read() -> list[Mapping[str, Any]]:
        out: list[Mapping[str, Any]] = []
        for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
            try:
                entry = json.loads(line)
            except ValueError:
                continue
            if isinstance(entry, dict):
                out.append(entry)
        return out

    entries, trouble = look.memory.get("raw index", stamp_of(path), read) if path.is_file() else ([], "")
    if trouble:
        return Notice("serious", "The index of raw bytes cannot be read.", [trouble])
    if not entries:
        return quiet("No raw bytes yet.")
    rows: list[list[Cell]] = [
        [
            Link(str(e.get("name", "")) or "without name", f"/raw/{e.get('hash', '')}"),
            _size(float(e.get("bytes") or e.get("size") or 0)) if e.get("bytes") or e.get("size") else "",
            str(e.get("hash", "")),
        ]
        for e in entries[:MOST_RAW]
    ]
    more = f", the first {MOST_RAW} of them" if len(entries) > MOST_RAW else ""
    return Table(
        f"{len(entries)} raw files as they came{more}", ["file", "size", "SHA-256"], rows, search=len(rows) > 12
    )
