"""Tables that people write: placed in `tables/`, their bytes in `raw/`.

Here:     which names are tables; putting a table from the inbox in its place without losing another.
Not here: putting two versions together (`_table_merge`), reading and checking their rows (`mission`).
Rules:    a table in place is replaced only by one that holds all of its lines, or filled up by name and field; a value
          that stands is never overwritten.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

from reeftally.errors import IntakeError
from reeftally.intake._raw import RawFiles
from reeftally.intake._table_merge import KEYS, merge_tables
from reeftally.mission import TABLES
from reeftally.store import sync_folder

__all__ = ["TABLE_NAMES", "place_table", "table_of"]

TABLE_NAMES = frozenset(f"{stem}.csv" for stem in TABLES)
"""File names that are tables wherever they are dropped."""


def table_of(name: str) -> str | None:
    """Return the name of the table that a file adds to, None if it is no table.

    A later file of a laboratory may carry words after the table's name, as in ``bottles_carbon-laboratory.csv``.
    """
    if name in TABLE_NAMES:
        return name
    match = re.match(r"^([a-z]+)[ _.-].*\.csv$", name)
    return f"{match[1]}.csv" if match is not None and match[1] in KEYS else None


def place_table(folder: Path, source: Path, raw: RawFiles) -> bool:
    """Put a table into `tables/`; return whether anything changed there.

    Raises
    ------
    IntakeError
        If another table of this name is there and has lines that the new one lacks.
    """
    tables = folder / "tables"
    named = table_of(source.name) or source.name
    target = tables / named
    if source.resolve() == target.resolve():
        return False
    content = source.read_bytes()
    if target.exists():
        held = target.read_bytes()
        if held == content:
            return False
        lost = [line for line in _lines(held) if line not in set(_lines(content))]
        stem = Path(named).stem
        if stem in KEYS and (lost or named != source.name):
            merged = merge_tables(held, content, stem=stem, file=source.name)
            if merged == held or _lines(merged) == _lines(held):
                return False
            content, lost = merged, []
        if lost:
            shown = lost[0].decode("utf-8", errors="replace")
            raise IntakeError(
                file=source.name,
                line=_lines(held).index(lost[0]) + 1,
                found=f"a table without {len(lost)} line(s) of tables/{source.name}, the first {shown[:80]!r}",
                expected="a table that holds all lines of the one in place, and more",
                mend=f"Put both together by hand in tables/{source.name}; the bytes of both are in raw/.",
            )
        # Its bytes may have been edited since the last intake; they go to raw/ before they are replaced.
        raw.put(target, target.stat().st_mtime_ns)
    tables.mkdir(parents=True, exist_ok=True)
    passing = tables / f".{named}.writing"
    with passing.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    passing.replace(target)
    sync_folder(tables)
    return True


def _lines(content: bytes) -> list[bytes]:
    return [line.strip() for line in content.removeprefix(b"\xef\xbb\xbf").splitlines() if line.strip()]
