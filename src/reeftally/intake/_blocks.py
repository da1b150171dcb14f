"""Blocks of whole lines from a raw file, in bounded memory.

Here:     cutting at line ends, byte-order marks, two-byte encodings, over-long lines, the last line that
          has no end yet.
Not here: the meaning of a line.
Rules:    offsets count raw bytes; a line without an end is held back until the file has grown.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

__all__ = ["BLOCK_BYTES", "LONGEST_LINE", "Block", "Head", "read_blocks", "read_head"]

BLOCK_BYTES = 8 << 20
"""Raw bytes read at a time."""
LONGEST_LINE = 1 << 20
"""A longer line is not a line."""
_HEAD_BYTES = 256 << 10
_HEAD_LINES = 400
_PREAMBLE = 40
_TRIED = ("utf-8", "cp1252", "latin-1")


@dataclass(frozen=True, slots=True)
class Head:
    """The beginning of a file, decoded."""

    lines: tuple[str, ...]
    """First lines, without line ends."""
    ends: tuple[int, ...]
    """Raw offset after each of these lines. [bytes]"""
    encoding: str
    """Encoding by which they were decoded; one of two bytes a sign is named so."""
    mark: int
    """Length of the byte-order mark. [bytes]"""
    complete: bool
    """Whether the last of `lines` has a line end."""


@dataclass(frozen=True, slots=True)
class Block:
    """Whole lines of one-byte text."""

    data: npt.NDArray[np.uint8]
    """Bytes, ending in a line end; two-byte encodings are turned into UTF-8."""
    offset_from: int
    """Raw offset of the first byte. [bytes]"""
    offset_to: int
    """Raw offset after the last. [bytes]"""
    overlong: int = 0
    """Over-long lines left out before this block."""


def read_head(path: Path, declared: str) -> Head:
    """Return the first lines, decoded by the byte-order mark, the declared encoding or a tested list.

    A file is only ever judged by bytes that decode: numbers are ASCII in every encoding of the list, so
    the choice concerns names and units alone.
    """
    with path.open("rb") as file:
        data = file.read(_HEAD_BYTES)
        more = bool(file.read(1))
    mark = 0
    encoding = codecs.lookup(declared).name
    for sign, name in (
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
    ):
        if data.startswith(sign):
            mark, encoding = len(sign), name
    if not mark and len(data) >= 8:
        # Text of two bytes a sign shows zeros at every other place.
        body = np.frombuffer(data[: len(data) // 2 * 2], np.uint8)
        if (body[1::2] == 0).mean() > 0.4 and (body[0::2] == 0).mean() < 0.1:
            encoding = "utf-16-le"
        elif (body[0::2] == 0).mean() > 0.4 and (body[1::2] == 0).mean() < 0.1:
            encoding = "utf-16-be"
    if encoding in {"utf-16", "utf-8-sig"}:
        encoding = {"utf-16": "utf-16-le", "utf-8-sig": "utf-8"}[encoding]
    wide = encoding.startswith("utf-16")
    body_bytes = data[mark:]
    cut = len(body_bytes)
    if more:
        cut = max(_last_end(body_bytes, wide, encoding), 0) or len(body_bytes)
    chosen = next(name for name in (encoding, *_TRIED) if _decodes(body_bytes[:cut], name))
    lines: list[str] = []
    ends: list[int] = []
    at = mark
    complete = True
    text = body_bytes[:cut].decode(chosen, errors="replace")
    position = 0
    for end in re.finditer(r"\r\n|\n|\r", text):
        lines.append(text[position : end.start()])
        at += len(text[position : end.end()].encode(chosen, errors="replace"))
        ends.append(at)
        position = end.end()
        if len(lines) == _HEAD_LINES:
            return Head(tuple(lines), tuple(ends), chosen, mark, True)
    if position < len(text):
        lines.append(text[position:])
        ends.append(at + len(text[position:].encode(chosen, errors="replace")))
        complete = False
    return Head(tuple(lines), tuple(ends), chosen, mark, complete)


def _decodes(data: bytes, encoding: str) -> bool:
    """Return whether text decodes, serial noise in a few later lines left out of account."""
    try:
        data.decode(encoding)
    except UnicodeDecodeError:
        if encoding.startswith("utf-16"):
            return False
    else:
        return True
    lines = data.split(b"\n")
    bad = 0
    for number, line in enumerate(lines):
        try:
            line.decode(encoding)
        except UnicodeDecodeError:
            bad += 1
            if number < _PREAMBLE or bad > max(3, 0.01 * len(lines)):
                return False
    return True


def _last_end(data: bytes, wide: bool, encoding: str) -> int:
    """Return the position after the last line end in `data`; 0 if there is none."""
    if not wide:
        return max(data.rfind(b"\n"), data.rfind(b"\r")) + 1
    body = np.frombuffer(data[: len(data) // 2 * 2], "<u2" if encoding.endswith("le") else ">u2")
    found = np.flatnonzero((body == 10) | (body == 13))
    return 2 * (int(found[-1]) + 1) if found.size else 0


def read_blocks(path: Path, offset: int, encoding: str, block_bytes: int = BLOCK_BYTES) -> Iterator[Block]:
    r"""Yield blocks of whole lines from `offset` on; what follows the last line end is left for later.

    A block ends after ``\n`` where there is one (after ``\r`` otherwise), so that ``\r\n`` stays together.
    """
    wide = encoding.startswith("utf-16")
    with path.open("rb", buffering=0) as file:
        file.seek(offset)
        rest = b""
        at = offset
        overlong = 0
        skipping = False
        while True:
            chunk = file.read(block_bytes)
            if not chunk:
                if rest.endswith(b"\r") and not wide and not skipping:
                    yield Block(np.frombuffer(rest, np.uint8), at, at + len(rest), overlong)
                return
            data = rest + chunk if rest else chunk
            cut = _cut(data, wide, encoding)
            if cut == 0:
                if len(data) > LONGEST_LINE:
                    # Drop what there is of a line that never ends, and what will come of it.
                    skipping = True
                    at += len(data)
                    rest = b""
                else:
                    rest = data
                continue
            whole = data[:cut]
            start = at
            at += cut
            rest = data[cut:]
            if skipping:
                first = _first_end(whole, wide, encoding)
                whole = whole[first:]
                start += first
                skipping = False
                overlong += 1
            if whole:
                text = whole.decode(encoding, errors="replace").encode("utf-8") if wide else whole
                yield Block(np.frombuffer(text, np.uint8), start, at, overlong)
                overlong = 0


def _cut(data: bytes, wide: bool, encoding: str) -> int:
    if wide:
        return _last_end(data, wide, encoding)
    newline = data.rfind(b"\n") + 1
    if newline:
        return newline
    # A file whose lines end in a bare \r; the last byte may be half of a \r\n.
    return data.rfind(b"\r", 0, len(data) - 1) + 1


def _first_end(data: bytes, wide: bool, encoding: str) -> int:
    if wide:
        body = np.frombuffer(data[: len(data) // 2 * 2], "<u2" if encoding.endswith("le") else ">u2")
        return 2 * (int(np.flatnonzero((body == 10) | (body == 13))[0]) + 1)
    newline = data.find(b"\n")
    return (newline if newline >= 0 else data.find(b"\r")) + 1
