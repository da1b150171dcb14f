"""Tables that people write: placed in `tables/`, their bytes in `raw/`.

Here:     which names are tables; putting a table from the inbox in its place without losing another.
Not here: reading and checking their rows (`mission`).
Rules:    a table in place is replaced only by one that holds all of its lines.
"""

from __future__ import annotations

import os
from pathlib import Path

from reeftally.errors import IntakeError
from reeftally.intake._raw import RawFiles
from reeftally.mission import TABLES
from reeftally.store import sync_folder

__all__ = ["TABLE_NAMES", "place_table"]

TABLE_NAMES = frozenset(f"{stem}.csv" for stem in TABLES)
"""File names that are tables wherever they are dropped."""


def place_table(folder: Path, source: Path, raw: RawFiles) -> bool:
    """Put a table into `tables/`; return whether anything changed there.

    Raises
    ------
    IntakeError
        If another table of this name is there and has lines that the new one lacks.
    """
    tables = folder / "tables"
    target = tables / source.name
    if source.resolve() == target.resolve():
        return False
    content = source.read_bytes()
    if target.exists():
        held = target.read_bytes()
        if held == content:
            return False
        lost = [line for line in _lines(held) if line not in set(_lines(content))]
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
    passing = tables / f".{source.name}.writing"
    with passing.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    passing.replace(target)
    sync_folder(tables)
    return True


def _lines(content: bytes) -> list[bytes]:
    return [line.strip() for line in content.removeprefix(b"\xef\xbb\xbf").splitlines() if line.strip()]
