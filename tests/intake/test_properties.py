"""What holds for any file, however it is cut or damaged."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import intake_kit as kit
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from reeftally.intake import take_in
from reeftally.store import open_store

LINES = 60
TEXT = kit.velocity_text(0, LINES)


@contextmanager
def fresh_mission() -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp())
    try:
        yield kit.mission(folder)
    finally:
        shutil.rmtree(folder)


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(0, len(TEXT)), max_size=6), block=st.sampled_from([70, 333, 1 << 20]))
def test_a_file_taken_in_at_any_moments_of_its_growth_ends_whole_and_single(cuts: list[int], block: int) -> None:
    with fresh_mission() as folder:
        path = folder / "VEL-A.txt"
        for cut in [*sorted(cuts), len(TEXT)]:
            path.write_text(TEXT[:cut])
            take_in(folder, [path], now_ns=kit.NOW_NS, block_bytes=block)

        found = open_store(folder).read("VEL-A")

    wanted = kit.velocity(0, LINES)
    np.testing.assert_array_equal(found["time"], wanted["time"])
    np.testing.assert_array_equal(found["velocity_x"], wanted["u"].astype(np.float32))


@st.composite
def damaged(draw: st.DrawFn) -> tuple[bytes, int]:
    """A file with some stretches of bytes overwritten, removed or doubled; and how many."""
    data = TEXT.encode()
    count = draw(st.integers(1, 4))
    for _ in range(count):
        at = draw(st.integers(0, len(data)))
        length = draw(st.integers(0, 40))
        kind = draw(st.sampled_from(["overwrite", "remove", "double", "zero"]))
        middle = {
            "overwrite": draw(st.binary(max_size=length)),
            "remove": b"",
            "double": data[at : at + length] * 2,
            "zero": bytes(length),
        }[kind]
        data = data[:at] + middle + data[at + length :]
    return data, count


@settings(max_examples=60, deadline=None)
@given(case=damaged(), block=st.sampled_from([90, 1 << 20]))
def test_damaged_bytes_never_stop_an_intake_and_spoil_only_the_lines_they_touch(
    case: tuple[bytes, int], block: int
) -> None:
    data, _ = case
    # Only a line feed ends a line; Python would also break at a vertical tab that the damage may have written.
    intact = set(TEXT.splitlines()[1:]) & set(data.decode("latin-1").split("\n"))
    with fresh_mission() as folder:
        path = folder / "VEL-A.txt"
        path.write_bytes(data)
        (folder / "OXY-1.txt").write_bytes(kit.optode_text(0, 20).encode("latin-1"))

        report = take_in(folder, [path, folder / "OXY-1.txt"], now_ns=kit.NOW_NS, block_bytes=block, commit_rows=20)

        first, second = report.files
        held = open_store(folder).streams()
        rows = open_store(folder).read("VEL-A")["time"].tolist() if "VEL-A" in held else []

    assert (second.status, second.rows_new) == ("loaded", 20)
    assert first.rows_new == len(rows)
    if first.status in {"loaded", "partly"} and not first.provisional:
        # Every untouched line before a header that was damaged is there.
        stamps = {line.partition(";")[0] for line in intact}
        wanted = {
            kit.start_ns() + n * 31_250_000
            for n, line in enumerate(TEXT.splitlines()[1:])
            if line.partition(";")[0] in stamps and data.decode("latin-1").count(line + "\n")
        }
        stopped = any("columns" in message.found for message in first.messages)
        assert stopped or wanted <= set(rows)
    elif not first.messages:
        assert first.status == "loaded"
