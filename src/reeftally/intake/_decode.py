"""One block of lines into columns in canonical units.

Here:     what can be done for a block by itself, in any thread: kernel, units, plausible spans.
Not here: what needs the order of the file (`_load`), odd lines (`_lines`).
Rules:    nothing is remembered from one block to the next.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from reeftally.intake._kernel import DATA, ODD, parse_lines
from reeftally.intake._mapping import Mapping

__all__ = ["Parsed", "Prepared", "parse", "prepare"]

_SENTINELS = (-999.0, -9999.0, -99999.0, 9999.0, 99999.0)


@dataclass
class Parsed:
    """Lines as the kernel read them."""

    data: npt.NDArray[np.uint8]
    """The bytes."""
    mapping: Mapping
    """By which they were read."""
    values: npt.NDArray[np.float64]
    """(value rows, lines), in the file's units; NaN is missing."""
    times: npt.NDArray[np.int64]
    """(lines,), local, against the epoch of the format. [ns]"""
    status: npt.NDArray[np.uint8]
    """(lines,)."""
    starts: npt.NDArray[np.int64]
    """(lines + 1,), positions in `data`."""

    def odd(self) -> npt.NDArray[np.int64]:
        """Return which lines need a closer look."""
        return np.flatnonzero(self.status >= ODD)

    def line(self, number: int) -> bytes:
        """Return the bytes of one line."""
        return self.data[self.starts[number] : self.starts[number + 1]].tobytes()


@dataclass
class Prepared:
    """Rows of a block."""

    lines: npt.NDArray[np.int64] | None
    """Line of each row; None if every line is a row."""
    times: npt.NDArray[np.int64]
    """Local stamps. [ns since 1970]"""
    counter: npt.NDArray[np.float64] | None
    """Sample counter."""
    columns: dict[str, npt.NDArray[np.generic]]
    """Channels in canonical units and stored types."""
    outside: dict[str, tuple[int, int, float]] = field(default_factory=dict)
    """By column name: values outside the plausible span, row of the first one, its value."""
    sentinels: dict[str, tuple[int, int, float]] = field(default_factory=dict)
    """By column name: undeclared missing-value codes, row of the first one, its value."""


def parse(data: npt.NDArray[np.uint8], mapping: Mapping, *, checksum: bool, begin: int = 0) -> Parsed:
    """Run the kernel over whole lines."""
    count = int(np.count_nonzero(data[begin:] == 10))
    returns = int(np.count_nonzero(data[begin:] == 13))
    # Lines end in \n, \r\n or \r; counting both may count twice, never too few.
    most = count + (returns if returns != count else 0) + 1
    values = np.empty((max(mapping.rows, 1), most))
    times = np.empty(most, np.int64)
    status = np.empty(most, np.uint8)
    starts = np.empty(most + 1, np.int64)
    rule = mapping.rule
    lines = parse_lines(
        data,
        begin,
        data.size,
        mapping.delimiter,
        mapping.decimal,
        mapping.comment,
        mapping.roles,
        mapping.fields,
        int((mapping.roles < -1).sum()),
        mapping.marks,
        mapping.mark_ends,
        rule.kind,
        rule.program,
        rule.unit_ns,
        rule.utc,
        checksum,
        values,
        times,
        status,
        starts,
    )
    return Parsed(data, mapping, values[:, :lines], times[:lines], status[:lines], starts[: lines + 1])


def prepare(parsed: Parsed, upto: int | None = None) -> Prepared:
    """Return the rows among the first `upto` lines, in canonical units."""
    mapping = parsed.mapping
    status = parsed.status[:upto]
    lines: npt.NDArray[np.int64] | None = None
    pick: slice | npt.NDArray[np.int64] = slice(0, status.size)
    if (status != DATA).any():
        lines = np.flatnonzero(status == DATA)
        pick = lines
    out = Prepared(
        lines=lines,
        times=parsed.times[pick] + mapping.rule.epoch_ns,
        counter=parsed.values[mapping.counter, pick] if mapping.counter >= 0 else None,
        columns={},
    )
    if not out.times.size:
        out.columns = {
            column.channel: np.empty(0, dtype) for column, dtype in zip(mapping.columns, mapping.dtypes, strict=True)
        }
        return out
    for row, column in enumerate(mapping.columns):
        value = parsed.values[row, pick]
        low, high = float(np.fmin.reduce(value)), float(np.fmax.reduce(value))
        for number in mapping.missing_numbers:
            if low <= number <= high:
                value = np.where(value == number, np.nan, value)
        if low <= -999.0 or high >= 9999.0:
            value = _sentinels(value, column.name, column.minimum, column.maximum, out)
        if (column.minimum is not None and low < column.minimum) or (
            column.maximum is not None and high > column.maximum
        ):
            _outside(value, column.name, column.minimum, column.maximum, out)
        factor, offset = mapping.scales[row]
        if factor != 1.0:
            value = value * factor
        if offset != 0.0:
            value = value + offset
        out.columns[column.channel] = value.astype(mapping.dtypes[row])
    return out


def _sentinels(
    value: npt.NDArray[np.float64], name: str, low: float | None, high: float | None, out: Prepared
) -> npt.NDArray[np.float64]:
    """Take codes such as -999 for missing where the plausible span leaves no other reading."""
    found = np.isin(value, [
        code for code in _SENTINELS if (low is not None and code < low) or (high is not None and code > high)
    ])  # fmt: skip
    if not found.any():
        return value
    first = int(np.argmax(found))
    out.sentinels[name] = (int(found.sum()), first, float(value[first]))
    return np.where(found, np.nan, value)


def _outside(value: npt.NDArray[np.float64], name: str, low: float | None, high: float | None, out: Prepared) -> None:
    bad = np.zeros(value.size, bool)
    if low is not None:
        bad |= value < low
    if high is not None:
        bad |= value > high
    if bad.any():
        first = int(np.argmax(bad))
        out.outside[name] = (int(bad.sum()), first, float(value[first]))
