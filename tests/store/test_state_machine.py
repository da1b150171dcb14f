"""Random operations on the store and on a simple model of it agree at every snapshot."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from reeftally.store import _segments, _writer, open_store

STREAMS = st.sampled_from(["OXY-1", "VEL-A"])
RAWS = st.sampled_from(["a", "b"])
Row = tuple[int, float]


class StoreMachine(RuleBasedStateMachine):
    """The model: of every stream a list of (time, value, raw), at every snapshot."""

    @initialize()
    def begin(self) -> None:
        self.folder = Path(tempfile.mkdtemp())
        self.store = open_store(self.folder, write=True)
        self.writer = self.store.writer()
        self.held: dict[str, list[tuple[int, float, str]]] = {}
        self.pending: dict[str, list[tuple[int, float, str]]] = {}
        self.snapshots: dict[int, dict[str, list[Row]]] = {}
        self.offsets: dict[tuple[str, str], int] = {}
        self.pending_offsets: dict[tuple[str, str], int] = {}

    def teardown(self) -> None:
        if hasattr(self, "store"):
            self.store.close()
            shutil.rmtree(self.folder)

    @rule(
        stream=STREAMS,
        raw=RAWS,
        times=st.lists(st.integers(-50, 50), min_size=1, max_size=30),
        seed=st.integers(0, 3),
    )
    def append(self, stream: str, raw: str, times: list[int], seed: int) -> None:
        values = [float((time * 7 + seed) % 3) for time in times]
        at = self.pending_offsets.get((stream, raw), self.offsets.get((stream, raw), 0))
        result = self.writer.append(
            stream, {"time": np.array(times), "oxygen": np.array(values)}, raw, at, at + len(times)
        )
        self.pending_offsets[stream, raw] = at + len(times)

        known = self.held.get(stream, []) + self.pending.get(stream, [])
        foreign = {time for time, _, other in known if other != raw}
        equal = {(time, value) for time, value, _ in known}
        new, repeated, refused = [], 0, 0
        for time, value in zip(times, values, strict=True):
            if (time, value) in equal:
                repeated += 1
            elif time in foreign:
                refused += 1
            else:
                new.append((time, value, raw))
                equal.add((time, value))
        self.pending.setdefault(stream, []).extend(new)
        assert (result.new, result.repeated, result.refused) == (len(new), repeated, refused)

    @rule()
    def commit(self) -> None:
        snapshot = self.writer.commit()
        for stream, rows in self.pending.items():
            self.held.setdefault(stream, []).extend(rows)
        self.offsets |= self.pending_offsets
        self.pending, self.pending_offsets = {}, {}
        self.snapshots[snapshot] = {
            stream: sorted((time, value) for time, value, _ in rows) for stream, rows in self.held.items() if rows
        }

    @rule()
    def drop_and_open_anew(self) -> None:
        self.store.close()
        self.pending, self.pending_offsets = {}, {}
        self.store = open_store(self.folder, write=True)
        self.writer = self.store.writer()

    @rule(stream=STREAMS)
    def compact(self, stream: str) -> None:
        self.commit()
        if self.held.get(stream):
            self.writer.compact(stream)
            newest = max(self.snapshots)
            self.snapshots[self.store.snapshot()] = self.snapshots[newest]

    @rule(data=st.data(), low=st.integers(-60, 60), width=st.integers(0, 80), step=st.integers(1, 40))
    def read_any_snapshot(self, data: st.DataObject, low: int, width: int, step: int) -> None:
        if not self.snapshots:
            return
        snapshot = data.draw(st.sampled_from(sorted(self.snapshots)))
        reader = open_store(self.folder)
        for stream, rows in self.snapshots[snapshot].items():
            wanted = [row for row in rows if low <= row[0] < low + width]
            found = reader.read(stream, low, low + width, snapshot=snapshot)
            assert sorted(zip(found["time"].tolist(), found["oxygen"].tolist(), strict=True)) == wanted
            assert found["time"].tolist() == sorted(found["time"].tolist())
            chunks = list(reader.chunks(stream, step / 1e9, low, low + width, snapshot=snapshot, align_ns=3))
            together = [row for c in chunks for row in zip(c["time"].tolist(), c["oxygen"].tolist(), strict=True)]
            assert sorted(together) == wanted
            for chunk in chunks:
                assert (int(chunk["time"][0]) - 3) // step == (int(chunk["time"][-1]) - 3) // step

    @invariant()
    def a_reader_sees_the_newest_commit(self) -> None:
        if not hasattr(self, "store") or not self.snapshots:
            return
        reader = open_store(self.folder)
        assert reader.snapshot() == max(self.snapshots)
        wanted = self.snapshots[max(self.snapshots)]
        assert {name: info.rows for name, info in reader.streams().items()} == {
            name: len(rows) for name, rows in wanted.items()
        }


def test_the_store_agrees_with_its_model(monkeypatch: pytest.MonkeyPatch) -> None:
    # Small limits, so that a few rows pass through tail, sealing, row groups and segment splits.
    monkeypatch.setattr(_writer, "SEAL_ROWS", 40)
    monkeypatch.setattr(_writer, "SEGMENT_ROWS", 25)
    monkeypatch.setattr(_writer, "TAIL_BLOBS", 3)
    monkeypatch.setattr(_segments, "ROW_GROUP", 6)
    case = StoreMachine.TestCase
    case.settings = settings(max_examples=40, stateful_step_count=30, deadline=None)

    case("runTest").runTest()
