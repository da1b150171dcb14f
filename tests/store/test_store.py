"""The store: what it promises to readers and to the one writer."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
import textwrap
import threading
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reeftally.errors import StoreError, StoreLockedError
from reeftally.store import open_store

SECOND = 1_000_000_000


def rows(first: int, count: int, *, step: int = SECOND, seed: int = 0) -> dict[str, np.ndarray]:
    """Invented rows: seconds from `first`, values from a seeded generator."""
    values = np.random.default_rng(seed + first)
    return {
        "time": (first + np.arange(count, dtype=np.int64)) * step,
        "oxygen": values.normal(180.0, 1.0, count),
        "velocity_x": values.normal(0.0, 0.1, count).astype(np.float32),
    }


def put(folder: Path, stream: str, columns: dict[str, np.ndarray], raw: str = "a", at: int = 0) -> int:
    with open_store(folder, write=True) as store, store.writer() as writer:
        writer.append(stream, columns, raw, at, at + len(columns["time"]))
    return open_store(folder).snapshot()


def same(found: dict[str, np.ndarray], wanted: dict[str, np.ndarray]) -> None:
    assert set(found) == set(wanted)
    for name, value in wanted.items():
        np.testing.assert_array_equal(found[name], value)


def test_rows_come_back_as_they_went_in(tmp_path: Path) -> None:
    given_rows = rows(0, 1000)

    put(tmp_path, "OXY-1", given_rows)

    same(open_store(tmp_path).read("OXY-1"), given_rows)


def test_a_large_batch_becomes_a_parquet_segment_that_other_tools_open(tmp_path: Path) -> None:
    given_rows = rows(0, 200_000)

    put(tmp_path, "OXY-1", given_rows)

    (segment,) = (tmp_path / "observations" / "segments").glob("*.parquet")
    meta = pq.read_metadata(segment)
    column = {meta.row_group(0).column(k).path_in_schema: meta.row_group(0).column(k) for k in range(4)}
    assert "DELTA_BINARY_PACKED" in column["time"].encodings
    assert "BYTE_STREAM_SPLIT" in column["oxygen"].encodings
    assert column["oxygen"].compression == "ZSTD"
    assert meta.num_rows == 200_000
    assert meta.num_row_groups == 2
    same(open_store(tmp_path).read("OXY-1"), given_rows)


def test_small_batches_wait_in_the_catalogue_and_fill_a_segment(tmp_path: Path) -> None:
    with open_store(tmp_path, write=True) as store:
        for part in range(70):
            with store.writer() as writer:
                writer.append("OXY-1", rows(part * 2000, 2000), "a", part, part + 1)

    segments = list((tmp_path / "observations" / "segments").glob("*.parquet"))
    found = open_store(tmp_path).read("OXY-1")
    assert len(segments) == 1
    assert found["time"].tolist() == [second * SECOND for second in range(140_000)]


def test_an_old_snapshot_reads_the_same_after_its_tail_was_sealed(tmp_path: Path) -> None:
    first = put(tmp_path, "OXY-1", rows(0, 100), "a")
    put(tmp_path, "OXY-1", rows(100, 200_000), "b")
    put(tmp_path, "OXY-1", rows(300_000, 130_900), "c")
    put(tmp_path, "OXY-1", rows(600_000, 500), "d")

    store = open_store(tmp_path)

    same(store.read("OXY-1", snapshot=first), rows(0, 100))
    assert store.streams()["OXY-1"].rows == 331_500
    assert [c["time"].size for c in store.chunks("OXY-1", 1e9, snapshot=first)] == [100]


def test_an_old_snapshot_reads_the_same_after_compaction_until_the_clean_up(tmp_path: Path) -> None:
    for part in range(3):
        newest = put(tmp_path, "OXY-1", rows(part * 50_000, 140_000), f"raw{part}")
    before = open_store(tmp_path).read("OXY-1", snapshot=1)
    wanted = open_store(tmp_path).content_hash()

    with open_store(tmp_path, write=True) as store:
        with store.writer() as writer:
            writer.compact("OXY-1")
        same(store.read("OXY-1", snapshot=1), before)
        assert store.content_hash() == wanted
        assert store.content_hash(newest) == wanted
        store.vacuum()

    assert open_store(tmp_path).content_hash() == wanted
    with pytest.raises(StoreError, match="Snapshot 1 cannot be read"):
        open_store(tmp_path).read("OXY-1", snapshot=1)


def test_identical_rows_of_overlapping_files_merge(tmp_path: Path) -> None:
    whole = rows(0, 1000)
    early = {name: value[:600] for name, value in whole.items()}
    late = {name: value[400:] for name, value in whole.items()}

    with open_store(tmp_path, write=True) as store:
        with store.writer() as writer:
            writer.append("OXY-1", early, "a", 0, 600)
        with store.writer() as writer:
            result = writer.append("OXY-1", late, "b", 0, 600)

    assert (result.new, result.repeated, result.refused) == (400, 200, 0)
    same(open_store(tmp_path).read("OXY-1"), whole)


def test_rows_that_contradict_another_file_are_refused_and_shown(tmp_path: Path) -> None:
    other = rows(0, 10)
    other["oxygen"][4] = 1.0
    put(tmp_path, "OXY-1", rows(0, 10), "a" * 64)

    with open_store(tmp_path, write=True) as store, store.writer() as writer:
        result = writer.append("OXY-1", other, "b" * 64, 0, 600)

    assert (result.new, result.repeated, result.refused) == (0, 9, 1)
    (difference,) = result.differences
    assert difference.time_ns == 4 * SECOND
    assert difference.channel == "oxygen"
    assert difference.found == 1.0
    assert difference.raw_hash == "a" * 64
    same(open_store(tmp_path).read("OXY-1"), rows(0, 10))


def test_one_file_that_gives_a_stamp_two_values_keeps_both(tmp_path: Path) -> None:
    given_rows = {"time": np.array([1, 2, 2, 2, 3]), "oxygen": np.array([1.0, 2.0, 2.0, 5.0, np.nan])}

    with open_store(tmp_path, write=True) as store, store.writer() as writer:
        result = writer.append("OXY-1", given_rows, "a", 0, 5)

    assert (result.new, result.repeated, result.kept_twice) == (4, 1, 1)
    assert open_store(tmp_path).read("OXY-1")["oxygen"].tolist()[:3] == [1.0, 2.0, 5.0]


def test_bytes_already_loaded_are_refused(tmp_path: Path) -> None:
    put(tmp_path, "OXY-1", rows(0, 10), "a", 0)

    with (
        open_store(tmp_path, write=True) as store,
        store.writer() as writer,
        pytest.raises(StoreError, match="overlap what is loaded"),
    ):
        writer.append("OXY-1", rows(10, 10), "a", 9, 20)


def test_an_error_inside_a_commit_leaves_nothing_behind(tmp_path: Path) -> None:
    put(tmp_path, "OXY-1", rows(0, 10))

    def fail() -> None:
        with open_store(tmp_path, write=True) as store, store.writer() as writer:
            writer.append("OXY-1", rows(10, 10), "b", 0, 10)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()

    assert open_store(tmp_path).snapshot() == 1
    same(open_store(tmp_path).read("OXY-1"), rows(0, 10))


def test_a_second_writer_is_told_who_holds_the_store(tmp_path: Path) -> None:
    with open_store(tmp_path, write=True), pytest.raises(StoreLockedError) as caught:
        open_store(tmp_path, write=True)

    assert f"process {os.getpid()}" in caught.value.holder
    open_store(tmp_path, write=True).close()


def test_a_killed_writer_frees_the_lock_and_its_commits_stay(tmp_path: Path) -> None:
    program = textwrap.dedent(
        """
        import os, signal, sys
        import numpy as np
        from reeftally.store import open_store
        store = open_store(sys.argv[1], write=True)
        with store.writer() as writer:
            writer.append("OXY-1", {"time": np.arange(5), "oxygen": np.arange(5.0)}, "a", 0, 5)
        writer = store.writer()
        writer.append("OXY-1", {"time": np.arange(5, 9), "oxygen": np.arange(4.0)}, "a", 5, 9)
        os.kill(os.getpid(), signal.SIGKILL)
        """
    )

    done = subprocess.run([sys.executable, "-c", program, str(tmp_path)], check=False, capture_output=True)

    assert done.returncode == -9, done.stderr
    assert open_store(tmp_path).read("OXY-1")["oxygen"].tolist() == [0.0, 1.0, 2.0, 3.0, 4.0]
    with open_store(tmp_path, write=True) as store, store.writer() as writer:
        assert writer.loaded_to("OXY-1", "a") == 5


def test_segments_that_no_catalogue_names_are_swept(tmp_path: Path) -> None:
    put(tmp_path, "OXY-1", rows(0, 140_000))
    stray = tmp_path / "observations" / "segments" / "OXY-1-1-00000009-000.parquet.writing"
    stray.write_bytes(b"half")

    open_store(tmp_path, write=True).close()

    assert not stray.exists()
    assert open_store(tmp_path).streams()["OXY-1"].rows == 140_000


def test_with_no_writer_the_catalogue_is_one_file_and_reading_writes_nothing(tmp_path: Path) -> None:
    put(tmp_path, "OXY-1", rows(0, 10))
    root = tmp_path / "observations"
    before = {path.name: path.stat().st_mtime_ns for path in root.iterdir()}
    root.chmod(0o555)
    try:
        open_store(tmp_path).read("OXY-1")
        after = {path.name: path.stat().st_mtime_ns for path in root.iterdir()}
    finally:
        root.chmod(0o755)

    assert after == before
    assert set(after) == {"catalogue.sqlite", "writer.lock"}


def test_readers_see_whole_commits_while_a_writer_works(tmp_path: Path) -> None:
    with open_store(tmp_path, write=True) as store:
        reader = open_store(tmp_path)
        for part in range(20):
            with store.writer() as writer:
                writer.append("OXY-1", rows(part * 10, 10), "a", part, part + 1)
                writer.append("OXY-2", rows(part * 10, 10), "b", part, part + 1)
            found = reader.streams()
            assert found["OXY-1"].rows == found["OXY-2"].rows == 10 * (part + 1)
            assert reader.snapshot() == part + 1


def test_readers_in_other_threads_see_whole_commits_also_across_checkpoints(tmp_path: Path) -> None:
    put(tmp_path, "OXY-1", rows(0, 10), "a", 0)
    seen: list[tuple[int, int]] = []
    failures: list[BaseException] = []
    done = threading.Event()

    def watch() -> None:
        reader = open_store(tmp_path)
        try:
            while not done.is_set():
                before = reader.snapshot()
                count = reader.read("OXY-1", snapshot=before)["time"].size
                seen.append((before, count))
        except BaseException as error:
            failures.append(error)

    watchers = [threading.Thread(target=watch) for _ in range(2)]
    for watcher in watchers:
        watcher.start()
    for session in range(15):
        # Closing checkpoints the log into the one file, under the readers' eyes.
        with open_store(tmp_path, write=True) as store:
            for part in range(4):
                number = 1 + session * 4 + part
                with store.writer() as writer:
                    writer.append("OXY-1", rows(number * 10, 10), "a", number * 10, number * 10 + 10)
    done.set()
    for watcher in watchers:
        watcher.join()

    assert failures == []
    assert len(seen) > 10
    assert all(count == 10 * snapshot for snapshot, count in seen)


def test_chunks_under_way_are_not_disturbed_by_new_commits(tmp_path: Path) -> None:
    put(tmp_path, "OXY-1", rows(0, 7200), "a")
    chunks = open_store(tmp_path).chunks("OXY-1", 3600.0)

    first = next(chunks)
    put(tmp_path, "OXY-1", rows(7200, 140_000), "b")
    rest = list(chunks)

    assert first["time"].size == 3600
    assert sum(chunk["time"].size for chunk in rest) == 3600


def test_chunks_are_aligned_windows_whose_sum_is_the_whole(tmp_path: Path) -> None:
    put(tmp_path, "OXY-1", rows(1000, 5000), "a")
    put(tmp_path, "OXY-1", rows(90_000, 10), "b")

    chunks = list(open_store(tmp_path).chunks("OXY-1", 900.0, channels=["oxygen"]))

    assert [int(c["time"][0]) // SECOND for c in chunks] == [1000, 1800, 2700, 3600, 4500, 5400, 90_000]
    assert all(set(c) == {"time", "oxygen"} for c in chunks)
    assert all(int(c["time"][0]) // (900 * SECOND) == int(c["time"][-1]) // (900 * SECOND) for c in chunks)


def test_a_long_gap_inside_a_segment_costs_no_time(tmp_path: Path) -> None:
    far = rows(0, 140_000)
    far["time"][70_000:] += 3_000_000_000 * SECOND  # a century; some 10^12 windows of 3 ms
    put(tmp_path, "OXY-1", far)

    sizes = [chunk["time"].size for chunk in open_store(tmp_path).chunks("OXY-1", 0.003, 69_998 * SECOND)]

    assert sizes == [1] * 70_002


def test_channels_that_some_rows_lack_are_missing_there(tmp_path: Path) -> None:
    put(tmp_path, "CTD-1", {"time": np.array([1]), "temperature": np.array([28.0])}, "a")
    put(tmp_path, "CTD-1", {"time": np.array([2]), "salinity": np.array([35.0])}, "b")

    found = open_store(tmp_path).read("CTD-1")

    np.testing.assert_array_equal(found["temperature"], [28.0, np.nan])
    np.testing.assert_array_equal(found["salinity"], [np.nan, 35.0])


def test_sources_name_the_raw_files_behind_a_period(tmp_path: Path) -> None:
    put(tmp_path, "OXY-1", rows(0, 10), "aaa")
    put(tmp_path, "OXY-1", rows(10, 10), "bbb")

    store = open_store(tmp_path)

    assert store.sources("OXY-1") == ["aaa", "bbb"]
    assert store.sources("OXY-1", 12 * SECOND, 13 * SECOND) == ["bbb"]


def test_unknown_streams_and_channels_are_named(tmp_path: Path) -> None:
    put(tmp_path, "OXY-1", rows(0, 10))

    with pytest.raises(StoreError, match="no stream 'OXY-9'; the store holds: OXY-1"):
        open_store(tmp_path).read("OXY-9")
    with pytest.raises(StoreError, match="no channel par; it has oxygen, velocity_x"):
        open_store(tmp_path).read("OXY-1", channels=["par"])


def test_an_empty_folder_is_an_empty_store(tmp_path: Path) -> None:
    store = open_store(tmp_path)

    assert store.snapshot() == 0
    assert store.streams() == {}
    assert not list(tmp_path.iterdir())


def test_a_missing_segment_says_how_to_get_it_back(tmp_path: Path) -> None:
    put(tmp_path, "OXY-1", rows(0, 140_000))
    next((tmp_path / "observations" / "segments").glob("*")).unlink()

    with pytest.raises(StoreError, match="--rebuild"):
        open_store(tmp_path).read("OXY-1")


def test_a_catalogue_of_a_newer_format_is_refused(tmp_path: Path) -> None:
    import sqlite3

    put(tmp_path, "OXY-1", rows(0, 10))
    with sqlite3.connect(tmp_path / "observations" / "catalogue.sqlite") as connection:
        connection.execute("UPDATE meta SET value = '2' WHERE key = 'format'")
    connection.close()

    with pytest.raises(StoreError, match="format 2"):
        open_store(tmp_path).streams()


def test_flags_are_kept_by_snapshot_and_replaced_in_part(tmp_path: Path) -> None:
    times = np.arange(10, dtype=np.int64)
    with open_store(tmp_path, write=True) as store:
        with store.writer() as writer:
            writer.set_flags("OXY-1", "oxygen", "spike", times=times, flags=np.ones(10))
        with store.writer() as writer:
            writer.set_flags("OXY-1", "oxygen", "spike", times=times[3:6], flags=[4, 4, 3])

    store = open_store(tmp_path)

    assert store.flags("OXY-1", "oxygen")["spike"].at(times).tolist() == [1, 1, 1, 4, 4, 3, 1, 1, 1, 1]
    assert store.flags("OXY-1", "oxygen", snapshot=1)["spike"].at(times).tolist() == [1] * 10
    assert store.flags("OXY-1", "oxygen")["spike"].at(np.array([50])).tolist() == [2]


def test_records_of_raw_files_are_committed_with_their_rows(tmp_path: Path) -> None:
    with open_store(tmp_path, write=True) as store, store.writer() as writer:
        writer.append("OXY-1", rows(0, 3), "a", 0, 3)
        writer.record_raw("a", {"name": "OXY-1.txt", "offset": 3})

    assert open_store(tmp_path).raw_record("a") == {"name": "OXY-1.txt", "offset": 3}
    assert open_store(tmp_path).raw_record("b") is None


def test_segments_may_lie_behind_a_url(tmp_path: Path) -> None:
    url = f"file://{tmp_path}/elsewhere"
    folder = tmp_path / "mission"
    with open_store(folder, write=True, segments_url=url) as store, store.writer() as writer:
        writer.append("OXY-1", rows(0, 140_000), "a", 0, 1)

    found = open_store(folder, segments_url=url)

    same(found.read("OXY-1"), rows(0, 140_000))
    assert len(list((tmp_path / "elsewhere").iterdir())) == 1
    assert not (folder / "observations" / "segments").exists()


def test_a_rebuild_replaces_the_store_and_snapshot_numbers_go_on(tmp_path: Path) -> None:
    put(tmp_path, "OXY-1", rows(0, 140_000), "a")

    with open_store(tmp_path, write=True) as store:
        fresh = store.begin_rebuild()
        with fresh.writer() as writer:
            writer.append("OXY-1", rows(0, 150_000), "a", 0, 9)
        assert open_store(tmp_path).streams()["OXY-1"].rows == 140_000
        store.finish_rebuild(fresh)

    store = open_store(tmp_path)
    assert store.streams()["OXY-1"].rows == 150_000
    assert store.snapshot() == 3
    assert len(list((tmp_path / "observations" / "segments").iterdir())) == 1
    with pytest.raises(StoreError, match="Snapshot 1 cannot be read"):
        store.read("OXY-1", snapshot=1)


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(1, 399), unique=True, max_size=6), seed=st.integers(0, 99))
def test_the_content_hash_is_blind_to_how_rows_are_cut(
    tmp_path_factory: pytest.TempPathFactory, cuts: list[int], seed: int
) -> None:
    whole = rows(0, 400, seed=seed)
    whole["time"] //= 2 * SECOND  # every stamp twice
    once, cut = tmp_path_factory.mktemp("once"), tmp_path_factory.mktemp("cut")
    bounds = [0, *sorted(cuts), 400]
    put(once, "OXY-1", whole)
    with open_store(cut, write=True) as store:
        for low, high in itertools.pairwise(bounds):
            with store.writer() as writer:
                writer.append("OXY-1", {n: v[low:high] for n, v in whole.items()}, "a", low, high)

    assert open_store(cut).content_hash() == open_store(once).content_hash()
