"""Raw files of one instrument, cut by the day of their stamps.

Here:     `RawFiles`.
Not here: the looks of a row (`layouts`, `textout`).
Rules:    rows are written in the order given; a file is named by label and date of its first stamp.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import IO

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.rehearsal.layouts import FileLayout
from reeftally.rehearsal.textout import format_rows

__all__ = ["RawFiles"]

Change = Callable[[npt.NDArray[np.int64], FloatArray], tuple[npt.NDArray[np.int64], FloatArray]]


class RawFiles:
    """Writes one instrument's rows into ``inbox/LABEL_YYYYMMDD.ext`` (and ``_HH`` for shorter files).

    Parameters
    ----------
    folder : Path
        The inbox.
    layout : FileLayout
        How the files look.
    label, serial : str
        The instrument.
    hours : int
        Length of a file; it divides 24.
    change : callable, optional
        Works on stamps and values (in the file's units) before they become text.
    """

    def __init__(
        self,
        folder: Path,
        layout: FileLayout,
        label: str,
        serial: str,
        *,
        hours: int = 24,
        change: Change | None = None,
    ) -> None:
        self._change = change
        self._folder, self._layout, self._label, self._serial = folder, layout, label, serial
        self._hours = hours
        self._open: IO[bytes] | None = None
        self._key: int | None = None
        self._seen: set[str] = set()
        self.rows = 0
        self.first_ns: int | None = None
        self.last_ns: int | None = None

    @property
    def names(self) -> list[str]:
        """Names of the files written so far, in order of time."""
        return sorted(self._seen)

    def __enter__(self) -> RawFiles:
        return self

    def __exit__(self, *_: object) -> None:
        if self._open is not None:
            self._open.close()

    def _switch(self, key: int) -> None:
        if self._open is not None:
            self._open.close()
        first_ns = key * self._hours * 3_600_000_000_000
        text = str(np.datetime64(first_ns, "ns").astype("datetime64[h]")).replace("-", "")
        date, hour = text.split("T")
        stem = f"{self._label}_{date}" + (f"_{hour}" if self._hours != 24 else "")
        name = f"{stem}.{self._layout.extension}"
        fresh = name not in self._seen
        self._seen.add(name)
        self._open = (self._folder / name).open("wb" if fresh else "ab")
        if fresh:
            self._open.write(self._layout.head(self._label, self._serial))
        self._key = key

    def write(self, stamps_ns: npt.NDArray[np.int64], columns: Mapping[str, FloatArray] | FloatArray) -> None:
        """Write rows; columns in canonical units, by quantity, or as an array in the layout's order."""
        if stamps_ns.size == 0:
            return
        layout = self._layout
        if isinstance(columns, np.ndarray):
            values = np.array(columns, dtype=np.float64)
            for index, column in enumerate(layout.columns):
                if column.factor != 1.0:
                    values[:, index] *= column.factor
        else:
            values = np.column_stack([columns[c.quantity] * c.factor for c in layout.columns])
        if self._change is not None:
            stamps_ns, values = self._change(stamps_ns, values)
        decimals = tuple(column.decimals for column in layout.columns)
        keys = stamps_ns // (self._hours * 3_600_000_000_000)
        edges = [0, *(np.flatnonzero(np.diff(keys)) + 1).tolist(), stamps_ns.size]
        for a, b in itertools.pairwise(edges):
            if self._key != int(keys[a]) or self._open is None:
                self._switch(int(keys[a]))
            assert self._open is not None
            self._open.write(format_rows(stamps_ns[a:b], values[a:b], decimals, layout.dialect))
        if stamps_ns.size:
            self.first_ns = int(stamps_ns[0]) if self.first_ns is None else self.first_ns
            self.last_ns = int(stamps_ns[-1])
        self.rows += int(stamps_ns.size)
