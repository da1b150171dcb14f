"""Reading and writing ``tables/*.csv``, line by line.

Here:     `read_table`, `read_tables`, `write_table`.
Not here: what a table holds (`_tables`), tables against the book (`_table_checks`), their bytes (`intake`).
Rules:    a bad line never stops the good ones; every problem names file, line, field, found,
          expected and mend; nothing is repaired silently.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, TypeVar, cast

import numpy as np

from reeftally.errors import IntakeError
from reeftally.mission._files import write_atomically
from reeftally.mission._problems import did_you_mean
from reeftally.mission._rows import FIRST_YEAR, LAST_YEAR, to_ns
from reeftally.mission._tables import (
    TABLES,
    Bottle,
    ClockCheck,
    Field,
    HeightCheck,
    Intervention,
    Organism,
    Record,
    ReferenceMaterial,
    ReferenceValue,
    Survey,
    Visit,
    fields_of,
)

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "TableRead",
    "Tables",
    "parse_table",
    "read_table",
    "read_tables",
    "table_frame",
    "table_header",
    "write_table",
]

_QUOTED_LINES = 20
"""A field in quotes goes on over at most so many lines."""

# Plain ASCII numbers only: Python would also take 1_000 and digits of other scripts.
_NUMBER = re.compile(r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$", re.ASCII)

RecordT = TypeVar("RecordT", bound=Record)


@dataclass(frozen=True, slots=True)
class TableRead(Generic[RecordT]):
    """What one table holds."""

    records: tuple[RecordT, ...] = ()
    """The good lines, in order."""
    problems: tuple[IntakeError, ...] = ()
    """What is wrong with the others, or with the file."""


@dataclass(frozen=True, slots=True)
class Tables:
    """All tables of a mission folder; a table that is not there is empty."""

    bottles: tuple[Bottle, ...] = ()
    visits: tuple[Visit, ...] = ()
    surveys: tuple[Survey, ...] = ()
    organisms: tuple[Organism, ...] = ()
    clock_checks: tuple[ClockCheck, ...] = ()
    heights: tuple[HeightCheck, ...] = ()
    interventions: tuple[Intervention, ...] = ()
    reference_materials: tuple[ReferenceMaterial, ...] = ()
    reference_values: tuple[ReferenceValue, ...] = ()
    problems: tuple[IntakeError, ...] = ()
    """Problems of all files, file by file in the order of their lines."""


class _Bad(Exception):  # noqa: N818 (never leaves this file)
    """One field that cannot be read."""

    def __init__(self, *, found: str, expected: str, mend: str = "") -> None:
        self.found, self.expected, self.mend = found, expected, mend
        super().__init__(found)


def table_header(name: str) -> str:
    """Return the header line of table `name`, all columns, without line end."""
    return ",".join(field.name for field in fields_of(TABLES[name]))


def _number(field: Field, text: str) -> float:
    if _NUMBER.match(text):
        value = float(text)
    elif text.lower().lstrip("+-") in {"nan", "inf", "infinity"}:
        raise _Bad(found=repr(text), expected="a number", mend="Leave the field empty instead.")
    else:
        mend = "Leave the field empty where nothing was measured."
        if "," in text:
            mend = f"Decimal comma? Write {text.replace(',', '.')}."
        elif any(sign.isdigit() for sign in text):
            mend = "Write the number alone; the unit is fixed by the column."
        raise _Bad(found=repr(text), expected="a number", mend=mend)
    if not math.isfinite(value):
        raise _Bad(found=repr(text), expected="a number", mend="It is beyond all measure.")
    if not field.low <= value <= field.high:
        raise _Bad(found=text, expected=_range(field), mend=_mend_range(field, value))
    return value


def _range(field: Field) -> str:
    unit = field.meaning[field.meaning.rfind("[") + 1 : -1] if field.meaning.endswith("]") else ""
    unit = f" {unit}" if unit not in {"", "1"} else ""
    if math.isinf(field.high):
        return f"at least {field.low:g}{unit}"
    return f"{field.low:g} to {field.high:g}{unit}"


def _mend_range(field: Field, value: float) -> str:
    if field.name.endswith("_cm") and field.low <= value / 10.0 <= field.high:
        return f"Millimetres by mistake? Write {value / 10.0:g}."
    if field.name.endswith("_m") and field.low <= value / 100.0 <= field.high:
        return f"Centimetres by mistake? Write {value / 100.0:g}."
    if field.name in {"dic", "total_alkalinity"} and field.low <= value * 1000.0 <= field.high:
        return f"In mmol kg-1? Write {value * 1000.0:g}."
    if value in {-999.0, -9999.0, 999.0, 9999.0}:
        return "A mark of a missing value? Leave the field empty."
    return "Check unit and digits."


def _whole(field: Field, text: str) -> int:
    value = _number(field, text)
    if value != int(value):
        raise _Bad(found=text, expected="a whole number")
    if field.choices and int(value) not in field.choices:
        listing = ", ".join(str(choice) for choice in field.choices)
        raise _Bad(found=text, expected=f"one of {listing}", mend=f"It means {field.meaning}.")
    return int(value)


def _instant(text: str) -> int:
    example = "2031-03-25T20:00:00Z"
    try:
        time = dt.datetime.fromisoformat(text)
    except ValueError:
        raise _Bad(
            found=repr(text),
            expected=f"a time such as {example}",
            mend="Write year-month-day; spreadsheets like to change it.",
        ) from None
    if time.tzinfo is None:
        raise _Bad(
            found=repr(text), expected=f"a time with its offset from UTC, such as {example}", mend="Add Z or +05:00."
        )
    if not FIRST_YEAR < time.year < LAST_YEAR:
        raise _Bad(found=repr(text), expected=f"a year from {FIRST_YEAR + 1} to {LAST_YEAR - 1}", mend="Mistyped?")
    return to_ns(time)


def _yes_no(text: str) -> bool:
    if text.lower() not in {"yes", "no"}:
        raise _Bad(found=repr(text), expected="yes or no")
    return text.lower() == "yes"


def _value(field: Field, text: str) -> Any:
    """Return the value of one filled field."""
    if field.kind == "number":
        return _number(field, text)
    if field.kind == "whole":
        return _whole(field, text)
    if field.kind == "time":
        return _instant(text)
    if field.kind == "flag":
        return _yes_no(text)
    if field.kind == "labels":
        return tuple(text.split())
    return text


def _across(record: Record) -> Iterator[tuple[str, _Bad]]:
    """Yield the problems of a record that need more than one field."""
    if isinstance(record, Bottle):
        for name, sd in (
            ("dic", "dic_sd"),
            ("total_alkalinity", "total_alkalinity_sd"),
            ("ph_total", "ph_sd"),
            ("oxygen", "oxygen_sd"),
            ("delta13c_dic", "delta13c_sd"),
        ):
            if getattr(record, name) is not None and getattr(record, sd) is None:
                yield (
                    sd,
                    _Bad(
                        found="nothing",
                        expected=f"the standard uncertainty of {name}",
                        mend="Take it from the laboratory's duplicates.",
                    ),
                )
        if record.ph_total is not None and record.ph_temperature is None:
            yield (
                "ph_temperature",
                _Bad(
                    found="nothing",
                    expected="the temperature at which ph_total was measured",
                    mend="pH changes by about 0.015 a degree.",
                ),
            )
        if record.duplicate_of == record.bottle:
            yield "duplicate_of", _Bad(found=record.bottle, expected="the number of another bottle")
    if isinstance(record, Visit) and record.time_out_ns <= record.time_in_ns:
        yield "time_out", _Bad(found="a time not after time_in", expected="a later time", mend="Exchanged?")
    if isinstance(record, ReferenceValue | ReferenceMaterial) and record.quantity in {"ph", "pH"}:
        yield (
            "quantity",
            _Bad(
                found=repr(record.quantity),
                expected="pH with its scale",
                mend="Write ph_total, ph_free, ph_seawater or ph_nbs.",
            ),
        )


def _decode(content: bytes, file: str) -> str:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise IntakeError(
            file=file,
            line=content[: error.start].count(b"\n") + 1,
            found=f"byte 0x{content[error.start]:02x}",
            expected="UTF-8 text",
            mend="Save the table as CSV UTF-8.",
        ) from error


def _header(names: Sequence[str], known: Sequence[Field], file: str, line: int) -> list[IntakeError]:
    wanted = [field.name for field in known]
    problems = [
        IntakeError(
            file=file,
            line=line,
            field=name or f"column {place + 1}",
            found="a column of this name" if name else "a column without a name",
            expected=f"only {', '.join(wanted)}",
            mend=did_you_mean(name, wanted) or "Remove it, or put its content under note.",
        )
        for place, name in enumerate(names)
        if name not in wanted
    ]
    problems += [
        IntakeError(
            file=file, line=line, field=name, found="two columns of this name", expected="one", mend="Remove one."
        )
        for name in dict.fromkeys(names)
        if name in wanted and names.count(name) > 1
    ]
    problems += [
        IntakeError(
            file=file,
            line=line,
            field=field.name,
            found="no such column",
            expected=f"{field.meaning}",
            mend=f"The columns are {', '.join(wanted)}.",
        )
        for field in known
        if field.required and field.name not in names
    ]
    return problems


def _lines(text: str) -> Iterator[tuple[int, list[str] | None]]:
    """Yield number and fields of each line; a quoted field may go on over a few lines.

    A quote that is never closed costs its own line (None), not the rest of the file.
    """
    lines = re.split(r"\r\n|\n|\r", text)
    place = 0
    while place < len(lines):
        taken, joined, closed = 1, lines[place], lines[place].count('"') % 2 == 0
        while not closed and taken < _QUOTED_LINES and place + taken < len(lines):
            closed = lines[place + taken].count('"') % 2 == 1
            joined += "\n" + lines[place + taken]
            taken += 1
        if not closed:
            taken = 1
        try:
            cells = next(csv.reader([joined]), []) if closed else None
        except csv.Error:
            cells = None  # a field beyond all measure
        yield place + 1, cells
        place += taken


def parse_table(content: bytes, record: type[RecordT], file: str) -> TableRead[RecordT]:
    """Return what a table's bytes hold.

    Parameters
    ----------
    content : bytes
        The file.
    record : type
        Record class, one of `TABLES`.
    file : str
        Name for the messages.

    Returns
    -------
    TableRead
        Good lines as records, and the problems of the others. A column that is missing or cannot be
        told apart costs the whole file; an unknown column is a problem, but its lines still load.
    """
    try:
        text = _decode(content, file)
    except IntakeError as error:
        return TableRead(problems=(error,))
    known = fields_of(record)
    records: list[RecordT] = []
    problems: list[IntakeError] = []
    names: list[str] | None = None
    seen: dict[str, int] = {}
    for line, cells in _lines(text):
        if cells is None:
            problems.append(
                IntakeError(
                    file=file,
                    line=line,
                    found="a double quote that is never closed",
                    expected="quotes in pairs",
                    mend="Close it at the end of its field.",
                )
            )
            continue
        if not any(cell.strip() for cell in cells):
            continue
        if names is None:
            names = [cell.strip() for cell in cells]
            if len(names) == 1 and ";" in names[0]:
                problem = IntakeError(
                    file=file, line=line, found="semicolons", expected="commas", mend="Save it as comma-separated."
                )
                return TableRead(problems=(problem,))
            problems.extend(_header(names, known, file, line))
            wanted = {field.name for field in known}
            spoilt = any(problem.field in wanted for problem in problems)
            if spoilt:
                return TableRead(problems=tuple(problems))
            continue
        while len(cells) > len(names) and not cells[-1].strip():
            cells.pop()  # trailing separators are no fields
        if len(cells) != len(names):
            problems.append(
                IntakeError(
                    file=file,
                    line=line,
                    found=f"{len(cells)} fields",
                    expected=f"{len(names)}",
                    mend="A comma inside a field? Put the field in double quotes.",
                )
            )
            continue
        made, found = _record(record, known, dict(zip(names, cells, strict=True)), file, line)
        if made is not None:
            found += _repeated(made, known, seen, file, line)
        problems.extend(found)
        if made is not None and not found:
            records.append(made)
    if names is None:
        problems.append(
            IntakeError(
                file=file,
                found="an empty file",
                expected="a header line",
                mend=f"Write {','.join(field.name for field in known)}",
            )
        )
    return TableRead(tuple(records), tuple(problems))


def _record(
    record: type[RecordT], known: Sequence[Field], cells: dict[str, str], file: str, line: int
) -> tuple[RecordT | None, list[IntakeError]]:
    values: dict[str, Any] = {"line": line}
    problems: list[IntakeError] = []

    def add(field: str, bad: _Bad) -> None:
        problems.append(
            IntakeError(file=file, line=line, field=field, found=bad.found, expected=bad.expected, mend=bad.mend)
        )

    for field in known:
        text = cells.get(field.name, "").strip()
        if not text:
            if field.required:
                add(field.name, _Bad(found="nothing", expected=field.meaning, mend="Fill it in."))
            continue
        try:
            values[field.attribute] = _value(field, text)
        except _Bad as bad:
            add(field.name, bad)
    if problems:
        return None, problems
    made = record(**values)
    for name, across in _across(made):
        add(name, across)
    return made, problems


def _repeated(made: Record, known: Sequence[Field], seen: dict[str, int], file: str, line: int) -> list[IntakeError]:
    """Return the problem of a bottle or visit number that an earlier line has, too."""
    if not isinstance(made, Bottle | Visit):
        return []
    key = known[0].name
    number = str(getattr(made, key))
    if number in seen:
        return [
            IntakeError(
                file=file,
                line=line,
                field=key,
                found=f"{number!r}, as in line {seen[number]}",
                expected=f"a {key} number that no other line has",
                mend="If it is a repeat, remove one; if a duplicate sample, give it its own number.",
            )
        ]
    seen[number] = line
    return []


def read_table(path: Path | str) -> TableRead[Record]:
    """Return what a table holds; its name says which table it is.

    Parameters
    ----------
    path : path
        A file named as in `TABLES`, such as ``tables/bottles.csv``.
    """
    path = Path(path)
    file = f"tables/{path.name}"
    record = TABLES.get(path.stem)
    if record is None:
        return TableRead(
            problems=(
                IntakeError(
                    file=file,
                    found=f"a table called {path.stem!r}",
                    expected=", ".join(TABLES),
                    mend=did_you_mean(path.stem, TABLES) or "Move it out of tables/.",
                ),
            )
        )
    try:
        content = path.read_bytes()
    except OSError as error:
        problem = IntakeError(file=file, found=str(error.strerror), expected="a readable file", mend="")
        return TableRead(problems=(problem,))
    return parse_table(content, record, file)


def read_tables(folder: Path | str) -> Tables:
    """Return all tables of a mission folder with the problems of all."""
    folder = Path(folder)
    if (folder / "tables").is_dir():
        folder = folder / "tables"
    found: dict[str, tuple[Record, ...]] = {}
    problems: list[IntakeError] = []
    for path in sorted(folder.glob("*.csv")):
        read = read_table(path)
        problems.extend(read.problems)
        if path.stem in TABLES:
            found[path.stem] = read.records
    return Tables(**cast("dict[str, Any]", found), problems=tuple(problems))


def _cell(field: Field, value: Any) -> str:
    if value is None:
        return ""
    if field.kind == "time":
        return str(np.datetime64(int(value), "ns").astype("datetime64[us]")).removesuffix(".000000") + "Z"
    if field.kind == "flag":
        return "yes" if value else "no"
    if field.kind == "labels":
        return " ".join(value)
    if field.kind == "number":
        return repr(float(value))
    return str(value)


def write_table(path: Path | str, records: Iterable[Record], record: type[Record] | None = None) -> None:
    """Write records as a table; the file's name says which one.

    Parameters
    ----------
    path : path
        A file named as in `TABLES`.
    records : iterable of Record
        All of the class of this table. Times are written to the microsecond.
    record : type, optional
        Record class, if the file's name does not say it.
    """
    path = Path(path)
    known = fields_of(record or TABLES[path.stem])
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([field.name for field in known])
    for row in records:
        writer.writerow([_cell(field, getattr(row, field.attribute)) for field in known])
    write_atomically(path, stream.getvalue().encode())


def table_frame(records: Sequence[Record]) -> pd.DataFrame:
    """Return records as a data frame: times as UTC ``datetime64[ns]``, empty numbers as NaN."""
    import pandas as pd

    if not records:
        return pd.DataFrame()
    known = fields_of(type(records[0]))
    columns: dict[str, Any] = {}
    for field in known:
        values = [getattr(row, field.attribute) for row in records]
        if field.kind == "time":
            empty = np.iinfo(np.int64).min
            columns[field.name] = np.array(
                [empty if value is None else value for value in values], dtype=np.int64
            ).view("datetime64[ns]")
        elif field.kind == "number":
            columns[field.name] = np.array([np.nan if value is None else value for value in values])
        else:
            columns[field.name] = values
    return pd.DataFrame(columns)


_NAMES = tuple(field.name for field in fields(Tables) if field.name != "problems")
if set(_NAMES) != set(TABLES):  # pragma: no cover (a mistake of this package, seen at import)
    message = "Tables and TABLES name different tables"
    raise AssertionError(message)
