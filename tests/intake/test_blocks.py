"""Blocks of whole lines: every byte once, whatever the line ends and the encoding."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reeftally.intake._blocks import LONGEST_LINE, read_blocks, read_head


def text_of(path: Path, size: int, encoding: str = "utf-8", offset: int = 0) -> tuple[bytes, int, int]:
    """All bytes of all blocks, the offset reached, over-long lines."""
    data, reached, overlong = b"", offset, 0
    for block in read_blocks(path, offset, encoding, size):
        assert block.offset_from >= reached
        data += block.data.tobytes()
        reached = block.offset_to
        overlong += block.overlong
    return data, reached, overlong


@settings(max_examples=60, deadline=None)
@given(
    lines=st.lists(st.text(alphabet="0123456789;.", max_size=12), max_size=12),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    size=st.integers(1, 40),
    rest=st.text(alphabet="0123456789", max_size=5),
)
def test_blocks_hold_every_whole_line_and_no_part_of_one(
    tmp_path_factory: pytest.TempPathFactory, lines: list[str], end: str, size: int, rest: str
) -> None:
    path = tmp_path_factory.mktemp("blocks") / "x.txt"
    whole = "".join(line + end for line in lines)
    path.write_bytes((whole + rest).encode())

    data, reached, _ = text_of(path, size)

    # A bare \r at the very end may be half of \r\n; it counts as an end only if nothing follows.
    assert data.decode().startswith(whole[: len(data)])
    assert len(data) == reached
    assert reached == len(whole)


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("size", [3, 8, 1000])
def test_two_byte_text_is_cut_between_signs(tmp_path: Path, encoding: str, size: int) -> None:
    path = tmp_path / "x.txt"
    path.write_bytes("a;1\nµ;2\r\nrest".encode(encoding))

    data, reached, _ = text_of(path, size, encoding)

    assert data.decode() == "a;1\nµ;2\r\n"
    assert reached == 2 * len("a;1\nµ;2\r\n")


def test_a_line_without_end_is_dropped_in_bounded_memory_and_counted(tmp_path: Path) -> None:
    path = tmp_path / "x.txt"
    path.write_bytes(b"1;2\n" + b"x" * (3 * LONGEST_LINE) + b"\n3;4\n")

    data, reached, overlong = text_of(path, 1 << 18)

    assert data == b"1;2\n3;4\n"
    assert reached == path.stat().st_size
    assert overlong == 1


def test_the_head_knows_byte_order_marks_and_where_its_lines_end(tmp_path: Path) -> None:
    path = tmp_path / "x.txt"
    for encoding, mark in (("utf-8-sig", 3), ("utf-16", 2), ("utf-8", 0)):
        path.write_bytes("time;µ\r\n1;2\nrest".encode(encoding))

        head = read_head(path, "latin-1" if mark else "utf-8")

        width = 2 if encoding == "utf-16" else 1
        assert head.lines == ("time;µ", "1;2", "rest")
        assert head.mark == mark
        assert head.ends[1] - head.ends[0] == 4 * width
        assert not head.complete


def test_bytes_that_are_no_utf8_are_decoded_by_the_tested_list(tmp_path: Path) -> None:
    path = tmp_path / "x.txt"
    path.write_bytes(b"T (\xb0C)\n1\n")

    assert read_head(path, "utf-8").encoding == "cp1252"
    assert read_head(path, "latin-1").encoding == "iso8859-1"
