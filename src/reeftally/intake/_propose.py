"""Proposing a layout for an unknown text file.

Here:     what can be seen in the first lines: encoding, delimiter, decimal mark, header, how time is
          written, which quantity a column's name speaks of.
Not here: what cannot be seen. Unit, time zone, pH scale, stamp position and doubtful dates are left as
          "?", which no layout accepts, with the choices beside them.
Rules:    a proposal never guesses a number's meaning from its value.
"""

from __future__ import annotations

import datetime as dt
import itertools
import json
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from reeftally.errors import InputError, IntakeError
from reeftally.intake._blocks import read_head
from reeftally.intake._mapping import split_fields
from reeftally.mission import units

__all__ = ["propose_layout"]

_DELIMITERS = (";", "tab", "|", ",", "whitespace")
_NUMBER = re.compile(r"^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$")
_GROUPED = re.compile(r"^[+-]?\d{1,3},\d{3}$")
_CLOCK = r"(?P<H>\d{1,2}):(?P<M>\d\d)(?P<S>:\d\d(?P<f>[.,]\d+)?)?"
_DATES: tuple[tuple[str, tuple[str, ...]], ...] = (
    (r"\d{4}-\d\d?-\d\d?", ("%Y-%m-%d",)),
    (r"\d{4}/\d\d?/\d\d?", ("%Y/%m/%d",)),
    (r"\d{8}", ("%Y%m%d",)),
    (r"\d\d?-[A-Za-z]{3}-\d{4}", ("%d-%b-%Y",)),
    (r"\d\d? [A-Za-z]{3} \d{4}", ("%d %b %Y",)),
    (r"\d\d?\.\d\d?\.\d{4}", ("%d.%m.%Y", "%m.%d.%Y")),
    (r"\d\d?/\d\d?/\d{4}", ("%d/%m/%Y", "%m/%d/%Y")),
    (r"\d\d?-\d\d?-\d{4}", ("%d-%m-%Y", "%m-%d-%Y")),
    (r"\d\d?\.\d\d?\.\d\d", ("%d.%m.%y", "%m.%d.%y")),
    (r"\d\d?/\d\d?/\d\d", ("%d/%m/%y", "%m/%d/%y")),
)
# Words of a column's name and the quantity they speak of, the more exact ones first.
_WORDS: tuple[tuple[str, str], ...] = (
    (r"sat", "oxygen_saturation"),
    (r"phase", "optical_phase"),
    (r"\b(o2|do|oxygen|oxy)\b|oxygen", "oxygen?"),
    (r"ext\w*.*(volt|_v\b|\bv\b)|vext", "ph_external_voltage"),
    (r"int\w*.*(volt|_v\b|\bv\b)|vint", "ph_internal_voltage"),
    (r"\bph\b|^ph", "ph?"),
    (r"air.*temp|t_?air", "air_temperature"),
    (r"temp|^t$|\bt\b", "temperature"),
    (r"sal|^s$|psal", "salinity"),
    (r"cond|^c$", "conductivity"),
    (r"air.*pres|baro", "air_pressure"),
    (r"pres|^p$", "pressure?"),
    (r"xco2", "xco2"),
    (r"fco2", "fco2"),
    (r"pco2", "pco2"),
    (r"13c|delta|d13", "delta13c_co2"),
    (r"\bpar\b|light|quantum", "par"),
    (r"corr", "correlation"),
    (r"snr|signal", "signal_to_noise"),
    (r"head|compass|yaw", "heading"),
    (r"pitch", "pitch"),
    (r"roll", "roll"),
    (r"east", "velocity_east"),
    (r"north", "velocity_north"),
    (r"vel.*up|\bup\b", "velocity_up"),
    (r"^(u|vx|velocity_?x|x)$|vel.*x", "velocity_x"),
    (r"^(v|vy|velocity_?y|y)$|vel.*y", "velocity_y"),
    (r"^(w|vz|velocity_?z|z)$|vel.*z", "velocity_z"),
    (r"batt", "battery_voltage"),
    (r"wind.*dir", "wind_direction_from"),
    (r"wind", "wind_speed"),
    (r"speed", "speed"),
)
_ASK = {
    "oxygen?": "oxygen (by mass), oxygen_molar (by volume) or oxygen_saturation?",
    "ph?": "which scale: ph_total, ph_free, ph_seawater or ph_nbs?",
    "pressure?": "pressure (water alone) or absolute_pressure (air included)?",
}
_MISSING = re.compile(r"^(-9{2,5}(\.0+|\.9+)?|9{4,5}(\.0+)?|nan|n/?a|null|-+|over|ovr)$", re.IGNORECASE)


def _q(text: str) -> str:
    """Return a TOML string."""
    return json.dumps(text, ensure_ascii=False)


@dataclass
class _Time:
    columns: list[int]
    formats: list[str]
    utc: bool = False
    remarks: list[str] = field(default_factory=list)


def propose_layout(path: str | Path) -> str:
    """Return the TOML text of a layout for an unknown text file, to be edited.

    Parameters
    ----------
    path : path
        The file; only its first lines are read.

    Returns
    -------
    str
        A layout in which everything that the file cannot say stands as ``"?"``, with the choices in a
        comment. It is refused until these are answered.

    Raises
    ------
    IntakeError
        If the file is no text of rows and numbers.
    """
    path = Path(path)
    head = read_head(path, "utf-8")
    lines = [line for line in head.lines if line.strip()]
    if not head.complete and len(lines) > 1:
        lines = lines[:-1]
    delimiter, first = _delimiter(lines)
    if delimiter is None:
        raise IntakeError(
            file=path.name,
            found="no rows of numbers in the first lines" if lines else "no text",
            expected="text of one row a line, fields parted by one sign",
            mend="Is this the right file? Binary formats need the maker's export to text.",
        )
    rows = [split_fields(line, delimiter) for line in lines[first:]]
    width = Counter(len(row) for row in rows).most_common(1)[0][0]
    rows = [row for row in rows if len(row) == width]
    while width > 1 and not any(row[width - 1] for row in rows):
        width -= 1
        rows = [row[:width] for row in rows]
    header = _header(lines[:first], delimiter, width)
    decimal, decimal_note = _decimal(rows, delimiter)
    time = _time(rows, header, decimal)
    out = _top(path, head.encoding, delimiter, decimal, decimal_note, lines[:first], header, rows)
    out += _time_section(time, header)
    out += _columns(rows, header, time, decimal)
    return "\n".join(out) + "\n"


def _delimiter(lines: Sequence[str]) -> tuple[str | None, int]:
    """Return the delimiter and the first data line: where most lines have as many fields, mostly numbers."""
    best: tuple[float, int, str | None, int] = (0.0, 0, None, 0)
    for rank, name in enumerate(_DELIMITERS):
        rows = [split_fields(line, name) for line in lines[:400]]
        data = [number for number, row in enumerate(rows) if len(row) > 1 and _is_data(row)]
        if not data:
            continue
        width, count = Counter(len(rows[number]) for number in data).most_common(1)[0]
        if width < 2:
            continue
        share = count / max(len(rows) - data[0], 1)
        first = next(number for number in data if len(rows[number]) == width)
        score = (round(share, 2), -rank, name, first)
        if score[:2] > best[:2]:
            best = score
    return best[2], best[3]


def _is_data(row: Sequence[str]) -> bool:
    filled = [cell for cell in row if cell]
    numbers = sum(bool(_NUMBER.match(cell)) for cell in filled)
    times = sum(bool(re.search(r"\d[:/.-]\d", cell)) and not _NUMBER.match(cell) for cell in filled)
    return bool(filled) and numbers >= 1 and (numbers + times) >= 0.6 * len(filled)


def _header(before: Sequence[str], delimiter: str, width: int) -> list[str] | None:
    for line in reversed(before):
        names = split_fields(line.lstrip("\ufeff"), delimiter)
        while names and not names[-1]:
            names.pop()
        if len(names) == width and not all(_NUMBER.match(name) for name in names):
            return names
    return None


def _decimal(rows: Sequence[Sequence[str]], delimiter: str) -> tuple[str, str]:
    cells = [cell for row in rows for cell in row]
    commas = [cell for cell in cells if re.match(r"^[+-]?\d+,\d+$", cell)]
    points = [cell for cell in cells if re.match(r"^[+-]?\d*\.\d+([eE][+-]?\d+)?$", cell)]
    if delimiter == "," or not commas:
        return ".", ""
    if points:
        return "?", f"both {commas[0]} and {points[0]} occur: a thousands mark cannot be read"
    if all(_GROUPED.match(cell) for cell in commas):
        return "?", f"{commas[0]} may be a decimal or a thousands mark"
    return ",", ""


def _time(rows: Sequence[Sequence[str]], header: Sequence[str] | None, decimal: str) -> _Time:
    width = len(rows[0])
    date_at: int | None = None
    clock_at: int | None = None
    found = _Time([], [])
    for place in range(width):
        cells = [row[place] for row in rows if row[place]]
        if not cells:
            continue
        for pattern, formats in _DATES:
            if all(re.match(rf"^{pattern}[T ]{_CLOCK}(Z|[+-]\d\d:?\d\d)?$", cell) for cell in cells[:50]):
                return _whole_stamp(place, cells, pattern, formats)
            if date_at is None and all(re.match(rf"^{pattern}$", cell) for cell in cells[:50]):
                if pattern == r"\d{8}" and not all(cell[:2] in {"19", "20"} for cell in cells):
                    continue
                date_at = place
                found.formats = _dates_told_apart(cells, formats)
        if clock_at is None and all(re.match(rf"^{_CLOCK}$", cell) for cell in cells[:50]):
            clock_at = place
    if date_at is not None:
        found.columns = [date_at]
        if clock_at is not None:
            found.columns.append(clock_at)
            clock = _clock_format([row[clock_at] for row in rows])
            found.formats = [f"{item} {clock}" for item in found.formats]
        return found
    for place in range(width):
        cells = [row[place].replace("," if decimal == "," else ".", ".") for row in rows if row[place]]
        try:
            numbers = [float(cell) for cell in cells]
        except ValueError:
            continue
        if len(numbers) < 2 or any(b < a for a, b in itertools.pairwise(numbers)):
            continue
        if all(6e8 < number < 4.2e9 for number in numbers):
            return _Time([place], ["unix_s"], utc=True)
        if all(6e11 < number < 4.2e12 for number in numbers):
            return _Time([place], ["unix_ms"], utc=True)
        name = header[place].lower() if header else ""
        if all(25_000 < number < 80_000 for number in numbers) and re.search(r"time|date|day|serial", name):
            first = [
                f"serial_{year} makes the first row {start + dt.timedelta(days=numbers[0]):%Y-%m-%d %H:%M}"
                for year, start in ((1900, dt.datetime(1899, 12, 30)), (1904, dt.datetime(1904, 1, 1)))
            ]
            return _Time([place], ["serial_1900", "serial_1904"], remarks=first)
    return found


def _whole_stamp(place: int, cells: Sequence[str], pattern: str, formats: Sequence[str]) -> _Time:
    joint = "T" if "T" in cells[0] else " "
    clocks = [re.sub(rf"^{pattern}[T ]", "", cell) for cell in cells]
    dates = [re.match(pattern, cell).group(0) for cell in cells]  # type: ignore[union-attr]
    told = _dates_told_apart(dates, formats)
    zoned = re.search(r"(Z|[+-]\d\d:?\d\d)$", clocks[0])
    clock = _clock_format([re.sub(r"(Z|[+-]\d\d:?\d\d)$", "", item) for item in clocks])
    return _Time([place], [f"{item}{joint}{clock}{'%z' if zoned else ''}" for item in told], utc=zoned is not None)


def _dates_told_apart(dates: Sequence[str], formats: Sequence[str]) -> list[str]:
    """Leave out the readings that some date rules out, as a 13th month would."""
    kept = []
    for form in formats:
        try:
            for date in dates:
                dt.datetime.strptime(date, form)
        except ValueError:
            continue
        kept.append(form)
    return kept or list(formats)


def _clock_format(clocks: Sequence[str]) -> str:
    if any(re.search(r":\d\d[.,]\d", clock) for clock in clocks):
        return "%H:%M:%S.%f"
    return "%H:%M:%S" if any(clock.count(":") == 2 for clock in clocks) else "%H:%M"


def _top(
    path: Path,
    encoding: str,
    delimiter: str,
    decimal: str,
    decimal_note: str,
    before: Sequence[str],
    header: Sequence[str] | None,
    rows: Sequence[Sequence[str]],
) -> list[str]:
    stem = re.sub(r"[^A-Za-z0-9_-]+", "_", path.stem) or "layout"
    label = re.match(r"[A-Za-z]+[-_]?[A-Za-z0-9]*", path.stem)
    comments = Counter(line[0] for line in before if line[0] in "#%!*/")
    missing = Counter(cell for row in rows for cell in row if cell and _MISSING.match(cell))
    out = [
        f'# Proposed from {path.name}. Replace every "?"; nothing that the file does not say was guessed.',
        "format = 1",
        f"name = {_q(stem)}  # the name of this file under layouts/",
        "",
        "[match]",
        f"filename = {_q(re.sub(r'[0-9]+', '*', path.name))}  # shell pattern",
        "",
        "[instrument]",
        'from = "filename"  # or "header", or "fixed" with label = "..."',
        f"pattern = {_q('^(' + re.escape(label.group(0) if label else path.stem) + ')')}"
        "  # the first group is the label in the mission book",
        "",
        "[text]",
        f"encoding = {_q(encoding)}",
        f"delimiter = {_q(delimiter)}",
        f"decimal_mark = {_q(decimal)}" + (f"  # {decimal_note}" if decimal_note else ""),
    ]
    if comments:
        out.append(f"comment = {_q(comments.most_common(1)[0][0])}")
    if header is None:
        out.append('header = "none"  # columns are named by position: "1", "2", ...')
    else:
        out.append('header = "names"')
        out.append(f"header_start = {_q(header[0])}")
    seen = ", ".join(f"{mark} ({count}x)" for mark, count in missing.most_common(5))
    out.append("missing = []" + (f"  # seen in the first lines: {seen}; declare what means missing" if seen else ""))
    return [*out, ""]


def _name(place: int, header: Sequence[str] | None) -> str:
    return str(place + 1) if header is None else header[place]


def _time_section(time: _Time, header: Sequence[str] | None) -> list[str]:
    names = ", ".join(_q(_name(place, header)) for place in time.columns)
    out = ["[time]", f"columns = [{names}]" if names else 'columns = ["?"]  # no time was recognised']
    two_digit = any("%y" in item for item in time.formats)
    if len(time.formats) == 1 and not two_digit:
        out.append(f"format = {_q(time.formats[0])}")
    elif time.formats:
        choices = " or ".join(_q(item) for item in time.formats)
        why = "; ".join(time.remarks) or (
            "day and month cannot be told apart here" if len(time.formats) > 1 else "two digits of a year"
        )
        out.append(f'format = "?"  # {choices}: {why}')
    else:
        out.append('format = "?"  # for example "%Y-%m-%dT%H:%M:%S.%f", or unix_s, unix_ms, serial_1900')
    if time.utc:
        out.append('zone = "UTC"  # the stamps say so themselves')
    else:
        out.append('zone = "?"  # "UTC", an IANA name, or an offset such as "+05:00"')
    out.append('stamp = "?"  # "instant", or "start", "middle", "end" of an average, with averaging_s = ...')
    return [*out, ""]


def _columns(rows: Sequence[Sequence[str]], header: Sequence[str] | None, time: _Time, decimal: str) -> list[str]:
    out: list[str] = []
    for place in range(len(rows[0])):
        if place in time.columns:
            continue
        name = _name(place, header)
        numbers = [
            float(row[place].replace(",", "."))
            for row in rows
            if _NUMBER.match(row[place]) and (decimal != "." or "," not in row[place])
        ]
        if not numbers:
            out.append(f"# column {_q(name)} holds no numbers and is ignored")
            continue
        span = f"{min(numbers):g} to {max(numbers):g} in the first lines"
        quantity, unit, remark = _meaning(name if header is not None else "")
        out += [
            "[[columns]]",
            f"name = {_q(name)}  # {span}",
            f"quantity = {_q(quantity)}" + (f"  # {remark}" if remark else ""),
            f"unit = {_q(unit)}  # {_unit_remark(quantity, unit)}",
            "",
        ]
    return out


def _unit_remark(quantity: str, unit: str) -> str:
    if unit != "?":
        return "as the column's name says"
    if quantity == "?":
        return "as the maker's manual says"
    return "one of " + ", ".join(units.known_units(quantity)[:8])


def _meaning(name: str) -> tuple[str, str, str]:
    """Return quantity, unit and what to ask, from a column's name alone."""
    inside = re.search(r"[\[(]([^\])]*)[\])]", name)
    bare = re.sub(r"[\[(].*?[\])]", "", name).lower().replace("_", " ").strip()
    bare = bare or name.lower()
    guess = next((quantity for pattern, quantity in _WORDS if re.search(pattern, bare)), "")
    if not guess:
        return "?", "?", "or leave this column out"
    if guess in _ASK:
        return "?", "?" if inside is None else inside.group(1), _ASK[guess]
    if inside is not None:
        try:
            return guess, units.check_unit(guess, inside.group(1)), "guessed from the name; check it"
        except InputError:
            pass
    return guess, "?", "guessed from the name; check it"
