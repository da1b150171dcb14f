"""Two versions of one table put together, row by row and field by field.

Here:     filling empty fields and adding rows where a key names the rows; what contradicts, told cell by cell.
Not here: where tables lie (`_tables`), what their fields mean (`mission`).
Rules:    a value that stands is never replaced by another one: both are shown and a person decides.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

from reeftally.errors import IntakeError

__all__ = ["KEYS", "merge_tables"]

KEYS = {"bottles": "bottle", "visits": "visit"}
"""Tables whose rows have a name of their own, and the column of it."""


@dataclass(frozen=True, slots=True)
class _Sheet:
    header: list[str]
    rows: list[dict[str, str]]
    lines: list[int]


def _read(content: bytes, file: str) -> _Sheet:
    try:
        text = content.removeprefix(b"\xef\xbb\xbf").decode("utf-8")
    except UnicodeDecodeError as error:
        raise IntakeError(
            file=file,
            found=f"a byte at {error.start} that is no UTF-8",
            expected="a table in UTF-8",
            mend="Save the table as CSV in UTF-8.",
        ) from None
    reader = csv.reader(io.StringIO(text))
    header: list[str] = []
    rows: list[dict[str, str]] = []
    lines: list[int] = []
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        if not header:
            header = [cell.strip() for cell in cells]
            continue
        rows.append({name: cell.strip() for name, cell in zip(header, cells, strict=False)})
        lines.append(reader.line_num)
    return _Sheet(header, rows, lines)


def _same(one: str, two: str) -> bool:
    if one == two:
        return True
    try:
        return float(one) == float(two)
    except ValueError:
        return False


def merge_tables(held: bytes, new: bytes, *, stem: str, file: str) -> bytes:
    """Return the table in place with what a new file adds: rows of new names, values in empty fields.

    Parameters
    ----------
    held, new : bytes
        The table in place and the new file, CSV with a header row.
    stem : str
        Name of the table, one of `KEYS`.
    file : str
        Name of the new file, for messages.

    Raises
    ------
    IntakeError
        If the new file has no column of names, names a row twice, or gives a field another value than stands there.
    """
    key = KEYS[stem]
    one, two = _read(held, f"{stem}.csv"), _read(new, file)
    if key not in two.header:
        raise IntakeError(
            file=file,
            line=1,
            field=key,
            found=f"columns {', '.join(two.header) or 'none'}",
            expected=f"a column {key!r} that names the rows",
            mend=f"Add the column {key!r}; without it nothing says which rows of tables/{stem}.csv are meant.",
        )
    header = [*one.header, *(name for name in two.header if name not in one.header)]
    by_name = {row.get(key, ""): row for row in one.rows}
    rows = list(one.rows)
    seen: dict[str, int] = {}
    against: list[tuple[int, str, str, str, str]] = []
    for row, line in zip(two.rows, two.lines, strict=True):
        name = row.get(key, "")
        if name in seen:
            raise IntakeError(
                file=file,
                line=line,
                field=key,
                found=f"{name!r} for the second time (first in line {seen[name]})",
                expected="one row a name",
                mend="Rename one of the two, or note it as a duplicate of the other.",
            )
        seen[name] = line
        standing = by_name.get(name)
        if standing is None:
            rows.append(row)
            continue
        for field, value in row.items():
            if not value:
                continue
            before = standing.get(field, "")
            if before and not _same(before, value):
                against.append((line, name, field, before, value))
            elif not before:
                standing[field] = value
    if against:
        line, name, field, before, value = against[0]
        raise IntakeError(
            file=file,
            line=line,
            field=field,
            found=f"{value!r} for {name} ({len(against)} field(s) like this)",
            expected=f"{before!r}, which stands in tables/{stem}.csv",
            mend=f"Find out which is right and write it into tables/{stem}.csv by hand; the bytes of both are in raw/.",
        )
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([[row.get(name, "") for name in header] for row in rows])
    return out.getvalue().encode()
