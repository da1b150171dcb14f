"""From a header and a layout to what each field of a line is.

Here:     finding the header line, matching names (also garbled ones), roles for the kernel.
Not here: reading lines (`_kernel`, `_lines`).
Rules:    columns are mapped by name, never by place, unless the layout says there are no names.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally.errors import IntakeError
from reeftally.intake._kernel import IGNORE, TIME_PART, WHITESPACE
from reeftally.intake._times import TimeRule, time_rule
from reeftally.mission import Column, Layout, units
from reeftally.store import dtype_of

__all__ = ["Mapping", "find_header", "is_header", "make_mapping", "split_fields"]

WORDS = ("nan", "NaN", "NAN", "na", "NA", "N/A", "n/a", "null", "NULL", "None", "---", "--")
"""Words that no instrument uses for a number; they mean missing without being declared."""


def split_fields(line: str, delimiter: str) -> list[str]:
    """Return the fields of a line, quotes and outer blanks taken off."""
    if delimiter == "whitespace":
        parts = line.split()
    else:
        mark = "\t" if delimiter == "tab" else delimiter
        parts = []
        field, quoted = "", False
        for sign in line:
            if sign == '"':
                quoted = not quoted
            elif sign == mark and not quoted:
                parts.append(field)
                field = ""
                continue
            else:
                field += sign
                continue
        parts.append(field)
    return [part.strip().strip('"').strip() for part in parts]


def _plain(name: str) -> str:
    """Return a name without what encodings garble: lower case, ASCII only, no blanks."""
    return re.sub(r"[^a-z0-9/%()\[\]_.+-]", "", name.lower())


def _wanted(layout: Layout) -> list[str]:
    names = [*layout.time.columns, *(column.name for column in layout.columns)]
    if layout.time.counter:
        names.append(layout.time.counter)
    return names


def place_of(name: str, header: Sequence[str]) -> int:
    """Return where `name` stands in `header`: exactly, or else alone in its plain form; -1 if nowhere."""
    if name in header:
        return list(header).index(name)
    plain = _plain(name)
    found = [place for place, other in enumerate(header) if _plain(other) == plain]
    return found[0] if plain and len(found) == 1 else -1


def is_header(line: str, layout: Layout) -> bool:
    """Return whether `line` is a line of column names."""
    text = layout.text
    if text.header != "names":
        return False
    bare = line.lstrip("\ufeff").strip().lstrip('"')
    if text.header_start is not None:
        return bare.lower().startswith(text.header_start.lower())
    fields = split_fields(bare, text.delimiter)
    return all(place_of(name, fields) >= 0 for name in layout.time.columns)


def find_header(lines: Sequence[str], layout: Layout) -> int:
    """Return which of the first lines names the columns; -1 if none does."""
    for number, line in enumerate(lines[:400]):
        if is_header(line, layout):
            return number
    return -1


@dataclass(frozen=True)
class Mapping:
    """What each field of a line is, until the next header."""

    header: tuple[str, ...]
    """Names of the fields; empty where the file has none."""
    roles: npt.NDArray[np.int32]
    """For the kernel."""
    fields: int
    """Fields a line must have; 0 if that is not known."""
    columns: tuple[Column, ...]
    """Columns in the order of the kernel's value rows."""
    scales: tuple[tuple[float, float], ...]
    """Factor and offset to canonical units, for each."""
    dtypes: tuple[np.dtype[np.generic], ...]
    """Stored types, for each."""
    counter: int
    """Value row of the sample counter; -1 for none."""
    rows: int
    """Value rows: columns and counter."""
    rule: TimeRule
    """How time is read."""
    delimiter: int
    """For the kernel."""
    decimal: int
    """For the kernel."""
    comment: npt.NDArray[np.uint8]
    """For the kernel."""
    marks: npt.NDArray[np.uint8]
    """For the kernel."""
    mark_ends: npt.NDArray[np.int64]
    """For the kernel."""
    missing_numbers: tuple[float, ...]
    """Declared missing values that are numbers."""


def make_mapping(
    layout: Layout, header: Sequence[str] | None, fields: int, *, file: str, line: int | None = None
) -> Mapping:
    """Return the mapping for a header (or for columns by position).

    Raises
    ------
    IntakeError
        If a column of the layout is not in the header.
    """
    names: tuple[str, ...] = ()
    if header is not None:
        names = tuple(header)
        while names and not names[-1]:
            names = names[:-1]
        fields = len(names)
        places = {name: place_of(name, names) for name in _wanted(layout)}
        lost = [name for name, place in places.items() if place < 0]
        if lost:
            raise IntakeError(
                file=file,
                line=line,
                field=", ".join(lost),
                found=f"columns {', '.join(names)}",
                expected=f"the columns of layout {layout.name!r}: {', '.join(_wanted(layout))}",
                mend="Name the columns in the layout as the file does, or make a layout for this kind of file.",
            )
    else:
        places = {name: int(name) - 1 for name in _wanted(layout)}
    width = max(places.values()) + 1
    roles = np.full(width, IGNORE, np.int32)
    for row, column in enumerate(layout.columns):
        roles[places[column.name]] = row
    rows = len(layout.columns)
    counter = -1
    if layout.time.counter:
        place = places[layout.time.counter]
        if roles[place] >= 0:
            counter = int(roles[place])
        else:
            counter = rows
            roles[place] = rows
            rows += 1
    for part, name in enumerate(layout.time.columns):
        roles[places[name]] = TIME_PART - part
    marks = [mark.strip() for mark in (*layout.text.missing, *WORDS) if mark.strip()]
    joined = b"".join(mark.encode("utf-8") for mark in marks)
    numbers = []
    for mark in layout.text.missing:
        try:
            numbers.append(float(mark.replace(layout.text.decimal_mark, ".")))
        except ValueError:
            continue
    sign = layout.text.delimiter
    return Mapping(
        header=names,
        roles=roles,
        fields=fields,
        columns=tuple(layout.columns),
        scales=tuple(units.scale_of(column.quantity, column.unit) for column in layout.columns),
        dtypes=tuple(dtype_of(column.channel) for column in layout.columns),
        counter=counter,
        rows=rows,
        rule=time_rule(layout.time.format, layout.time.tzinfo),
        delimiter={"whitespace": WHITESPACE, "tab": 9}.get(sign, ord(sign[0])),
        decimal=ord(layout.text.decimal_mark),
        comment=np.frombuffer((layout.text.comment or "").encode(), np.uint8),
        marks=np.frombuffer(joined, np.uint8),
        mark_ends=np.cumsum([len(mark.encode("utf-8")) for mark in marks]).astype(np.int64),
        missing_numbers=tuple(number for number in numbers if np.isfinite(number)),
    )
