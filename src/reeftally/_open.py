"""Opening a mission from Python: the book, the observations, the results.

Here:     `open` and the `Mission` it returns.
Not here: anything that writes.
Rules:    reading never writes; of the observations only the stamps are read before a value is asked for.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from reeftally._names import QUANTITIES
from reeftally.analysis.results import Results, read_results
from reeftally.errors import ReeftallyError
from reeftally.mission import Book, read_book
from reeftally.store import Store, open_store

__all__ = ["Mission", "open"]


class _Streams(Mapping[str, xr.Dataset]):
    """Observations by instrument label; values are read when they are computed."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def __getitem__(self, label: str) -> xr.Dataset:
        import dask
        import dask.array as lazy

        info = self._store.streams().get(label)
        if info is None:
            raise KeyError(label)
        snapshot = self._store.snapshot()
        time = self._store.read(label, channels=[], snapshot=snapshot)["time"]
        probe = self._store.read(label, start_ns=info.first_ns, end_ns=info.first_ns + 1, snapshot=snapshot)

        @dask.delayed
        def column(name: str) -> np.ndarray:
            return np.asarray(self._store.read(label, channels=[name], snapshot=snapshot)[name])

        data = {}
        for name in info.channels:
            quantity = QUANTITIES.get(name.split("_bin_", maxsplit=1)[0])
            attributes = {}
            if quantity is not None:
                attributes = {"units": quantity.cf_unit or quantity.unit or "1", "long_name": quantity.meaning}
                if quantity.standard_name:
                    attributes["standard_name"] = quantity.standard_name
            values = lazy.from_delayed(column(name), shape=(time.size,), dtype=probe[name].dtype)
            data[name] = ("time", values, attributes)
        stamps = np.asarray(time).view("datetime64[ns]")
        return xr.Dataset(data, coords={"time": ("time", stamps, {"standard_name": "time"})})

    def __iter__(self) -> Iterator[str]:
        return iter(self._store.streams())

    def __len__(self) -> int:
        return len(self._store.streams())


class Mission:
    """A mission folder, read only."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @cached_property
    def book(self) -> Book:
        """The mission book as it stands."""
        return read_book(self.folder)

    @cached_property
    def streams(self) -> Mapping[str, xr.Dataset]:
        """Observations by instrument label, each read when asked for."""
        return _Streams(open_store(self.folder, segments_url=self.book.store.segments_url))

    @property
    def observations(self) -> xr.DataTree:
        """Observations of all instruments as a tree, one node an instrument."""
        return xr.DataTree.from_dict(dict(self.streams))

    @property
    def results(self) -> xr.DataTree:
        """Block series of the latest run."""
        return self.run.tree()

    @property
    def run(self) -> Results:
        """The latest run: estimates, trail, block series."""
        return read_results(self.folder)

    @property
    def estimates(self) -> pd.DataFrame:
        """Estimates of the latest run, one row an estimate."""
        return self.run.estimates


def open(folder: str | Path) -> Mission:
    """Open a mission folder.

    Raises
    ------
    ReeftallyError
        If there is no such folder or it holds no mission book.
    """
    path = Path(folder)
    if not (path / "mission.toml").is_file():
        message = (
            f"{path}: found no mission.toml; a mission folder holds one. Make a new one with `reeftally new {path}`."
        )
        raise ReeftallyError(message)
    return Mission(path)
