"""Text in any layout that a mission describes, for rehearsing somebody's own plan.

Here:     `Rendering`: names of files, head lines and rows of one instrument in the layout of its book.
Not here: the rehearsal's own formats (`layouts`).
Rules:    what is written is what the layout says; a layout that cannot be written is refused with the reason.
"""

from __future__ import annotations

import datetime as dt
import fnmatch
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.errors import BookError
from reeftally.mission import Layout, units
from reeftally.rehearsal.textout import Dialect, format_rows

__all__ = ["Rendering"]

IntArray = npt.NDArray[np.int64]

_STYLES = {
    "%Y-%m-%dT%H:%M:%S": "iso",
    "%d.%m.%Y %H:%M:%S": "dmy",
    "%Y-%m-%d %H:%M:%S": "ymd",
    "%Y/%m/%d %H:%M:%S": "ymd_slash",
}
_DECIMALS = {
    "temperature": 4,
    "salinity": 4,
    "oxygen": 3,
    "oxygen_molar": 3,
    "ph_total": 5,
    "absolute_pressure": 4,
    "pressure": 4,
    "correlation": 0,
    "signal_to_noise": 0,
    "inlet": 0,
    "sample_number": 0,
}


def _refusal(layout: Layout, key: str, found: object, wanted: str) -> BookError:
    mend = "A rehearsal of this book cannot write such files; rehearse with another layout."
    return BookError(key=key, found=found, wanted=wanted, mend=mend, file=f"layouts/{layout.name}.toml")


class Rendering:
    """One instrument's files in the layout its book names.

    Parameters
    ----------
    layout : Layout
        Of the mission.
    label, serial : str
        The instrument.
    interval : float
        Sample interval [s], for the decimals of the stamps.

    Raises
    ------
    BookError
        The layout asks for something that cannot be written: a label in the header, a checksum, a line to
        match that is no plain text, a file name that does not hold the label.
    """

    def __init__(self, layout: Layout, label: str, serial: str, interval: float) -> None:
        self.layout, self.label = layout, label
        text = layout.text
        if layout.instrument.source == "header":
            raise _refusal(layout, "instrument.from", "header", "filename or fixed")
        if text.checksum is not None:
            raise _refusal(self.layout, "text.checksum", text.checksum, "no checksum")
        self._extra = ""
        if layout.match.line is not None:
            plain = re.sub(r"^\^|\$$|\\(?=\W)", "", layout.match.line)
            if re.search(layout.match.line, plain) is None:
                raise _refusal(self.layout, "match.line", layout.match.line, "plain text with at most ^ and $")
            self._extra = plain
        self.delimiter = {"tab": "\t", "whitespace": " "}.get(text.delimiter, text.delimiter)
        self._scales = [units.scale_of(column.quantity, column.unit) for column in layout.columns]
        self._decimals = tuple(
            max(0, min(9, _DECIMALS.get(column.quantity, 4) + round(np.log10(scale))))
            for column, (scale, _) in zip(layout.columns, self._scales, strict=True)
        )
        self._missing = text.missing[0] if text.missing else "NaN"
        self._second_decimals = 0 if interval >= 1.0 and interval % 1.0 == 0.0 else 6

    def file_name(self, day: str) -> str:
        """Return the name of the file of a day (YYYYMMDD) that the layout recognises.

        Raises
        ------
        BookError
            No such name can be formed.
        """
        glob = self.layout.match.filename or f"{self.label}_*.txt"
        suffix = Path(glob).suffix if "*" not in Path(glob).suffix else ".txt"
        stem = glob[: -len(suffix)] if glob.endswith(suffix) else glob
        tries = [
            f"{self.label}_{day}{suffix}",
            f"{self.label}-{day}{suffix}",
            f"{self.label}{day}{suffix}",
            stem.replace("*", f"{self.label}_{day}", 1).replace("*", "").replace("?", "0") + suffix,
            stem.replace("*", day, 1).replace("*", "").replace("?", "0") + suffix,
        ]
        for name in tries:
            if not fnmatch.fnmatch(name.lower(), glob.lower()):
                continue
            if self.layout.instrument.source == "fixed":
                return name
            found = re.search(self.layout.instrument.pattern or "", name)
            if found is not None and found.groups() and found.group(1) == self.label:
                return name
        raise _refusal(
            self.layout, "match.filename", glob, f"a pattern that a name with {self.label} and a date can match"
        )

    def head(self) -> bytes:
        """Return the lines before the first row."""
        text = self.layout.text
        lines = []
        if self._extra:
            lines.append(self._extra)
        if text.header == "names":
            names = [*self.layout.time.columns, *(column.name for column in self.layout.columns)]
            if self.layout.time.counter is not None:
                names.append(self.layout.time.counter)
            lines.append(self.delimiter.join(names))
        return "".join(line + "\n" for line in lines).encode(text.encoding)

    def rows(self, middle_ns: IntArray, channels: dict[str, FloatArray]) -> bytes:
        """Return rows as bytes; times are the middles of the averages (or the instants), channels by name."""
        layout = self.layout
        stamps = middle_ns - layout.time.shift_ns
        columns = []
        for column, (scale, shift) in zip(layout.columns, self._scales, strict=True):
            columns.append((channels[column.channel] - shift) / scale)
        values = np.column_stack(columns)
        quick = self._quick(stamps)
        if quick is not None:
            return bytes(format_rows(stamps + quick[1], values, self._decimals, quick[0]))
        return self._slow(stamps, values)

    def _quick(self, stamps: IntArray) -> tuple[Dialect, int] | None:
        """Return the compiled dialect for this layout and the shift of its zone, or None."""
        time, text = self.layout.time, self.layout.text
        if time.counter is not None or (text.header == "none" and not self._in_order()):
            return None
        plain = Dialect("unix_s", 0, self.delimiter, text.decimal_mark, self._missing)
        if time.format in ("unix_s", "unix_ms"):
            decimals = 6 if time.format == "unix_s" and self._second_decimals else 0
            return replace(plain, time_style=time.format, time_decimals=decimals), 0
        if time.format == "serial_1900":
            return replace(plain, time_style="serial_1900", time_decimals=9), self._zone_shift(stamps)
        base = time.format.removesuffix(".%f")
        split = len(time.columns) == 2
        if base not in _STYLES or len(time.columns) > 2 or (split and "T" in base):
            return None
        decimals = 6 if base != time.format else 0
        made = replace(plain, time_style=_STYLES[base], time_decimals=decimals, split_time=split)
        return made, self._zone_shift(stamps)

    def _in_order(self) -> bool:
        names = [*self.layout.time.columns, *(column.name for column in self.layout.columns)]
        return names == [str(n + 1) for n in range(len(names))]

    def _zone_shift(self, stamps: IntArray) -> int:
        """Offset of the layout's zone from UTC at the first stamp [ns]; a change within one file is not followed."""
        first = dt.datetime.fromtimestamp(int(stamps[0]) / 1e9, tz=dt.UTC)
        offset = first.astimezone(self.layout.time.tzinfo).utcoffset()
        return 0 if offset is None else round(offset.total_seconds()) * 1_000_000_000

    def _time_text(self, stamp: int, zone: int) -> list[str]:
        time = self.layout.time
        if time.format == "serial_1904":
            return [f"{(stamp + zone) / 86400e9 + 24107.0:.9f}"]
        when = dt.datetime(1970, 1, 1) + dt.timedelta(microseconds=(stamp + zone) // 1000)
        text = when.strftime(time.format)
        return text.split(" ") if len(time.columns) > 1 else [text]

    def _slow(self, stamps: IntArray, values: FloatArray) -> bytes:
        """Row by row, for layouts that the compiled writer does not know."""
        layout, text = self.layout, self.layout.text
        zone = 0 if layout.time.format.startswith("unix") else self._zone_shift(stamps)
        names = [*layout.time.columns, *(column.name for column in layout.columns)]
        if layout.time.counter is not None:
            names.append(layout.time.counter)
        order = list(range(len(names)))
        width = len(names)
        if text.header == "none":
            order = [int(name) - 1 for name in names]
            width = max(order) + 1
        out = []
        for number, (stamp, row) in enumerate(zip(stamps.tolist(), values.tolist(), strict=True)):
            shown = [
                self._missing if np.isnan(value) else f"{value:.{places}f}".replace(".", text.decimal_mark)
                for value, places in zip(row, self._decimals, strict=True)
            ]
            fields = [*self._time_text(stamp, zone), *shown]
            if layout.time.counter is not None:
                fields.append(str(number))
            cells = ["0"] * width
            for place, cell in zip(order, fields, strict=True):
                cells[place] = cell
            out.append(self.delimiter.join(cells))
        return ("\n".join(out) + "\n").encode(text.encoding)
