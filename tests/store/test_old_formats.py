"""Stores written by earlier versions are read forever.

`data/format-1` was written by the first version that wrote format 1, with invented rows: three commits of
50, 10 and 10 rows of OXY-1, every 5 s from 2031-03-25T20:00:00Z and 500 s further on each time; the first
commit is a sealed segment, the others are the tail. It is never written again.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from reeftally.store import open_store

FORMAT_1 = Path(__file__).parent / "data" / "format-1"
START = 1_932_235_200_000_000_000


def test_a_store_of_format_1_is_read_whole_and_by_snapshot() -> None:
    store = open_store(FORMAT_1)

    found = store.read("OXY-1")
    first = store.read("OXY-1", snapshot=1)

    number = np.concatenate([np.arange(50), 100 + np.arange(10), 200 + np.arange(10)])
    np.testing.assert_array_equal(found["time"], START + number * 5_000_000_000)
    np.testing.assert_array_equal(first["oxygen"], 180 + np.arange(50) / 10)
    np.testing.assert_array_equal(found["temperature"][50:60], 28 + np.arange(10) / 100)
    assert store.snapshot() == 3
    assert store.sources("OXY-1", START + 500_000_000_000) == ["1" * 64, "2" * 64]
    assert store.flags("OXY-1", "oxygen")["spike"].at(found["time"][50:55]).tolist() == [4, 1, 1, 1, 1]
    assert store.raw_record("1" * 64) == {"name": "OXY-1_1.txt", "status": "loaded"}


def test_its_content_hash_stays_what_it_was() -> None:
    assert open_store(FORMAT_1).content_hash() == "b944a05ed26c206ab672294cc911caf3e09080de4b5e6ffedbde0225767680cf"


def test_reading_it_leaves_no_trace() -> None:
    open_store(FORMAT_1).read("OXY-1")

    assert sorted(path.name for path in FORMAT_1.rglob("*") if path.is_file()) == [
        "OXY-1-1-00000001-000.parquet",
        "catalogue.sqlite",
    ]
