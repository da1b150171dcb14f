"""Members of zip archives, also of damaged ones.

Here:     unpacking one member at a time, with its checksum; walking the members of an archive whose
          directory is lost.
Not here: what the members mean.
Rules:    a damaged member is named and never half-read into the store; the others go on.
"""

from __future__ import annotations

import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from reeftally.errors import IntakeError

__all__ = ["Member", "is_archive", "members", "unpacked"]

_LOCAL = struct.Struct("<4sHHHHHIIIHH")
_DIRECTORY_MARKS = (b"PK\x01\x02", b"PK\x05\x06", b"PK\x06\x06")
_CHUNK = 1 << 20


@dataclass(frozen=True, slots=True)
class Member:
    """One member of an archive."""

    name: str
    """Path inside the archive."""
    size: int
    """Unpacked. [bytes]"""
    crc: int
    """CRC-32 of the unpacked bytes."""
    packed: int
    """[bytes]"""
    data_at: int
    """Where its bytes begin; -1 if the archive's own directory knows."""
    method: int
    """0 stored, 8 deflated."""


def is_archive(path: Path) -> bool:
    """Return whether the file begins as a zip archive does."""
    with path.open("rb") as file:
        return file.read(4) in {b"PK\x03\x04", b"PK\x05\x06"}


def members(path: Path) -> tuple[list[Member], bool]:
    """Return the members, and whether the archive's directory was whole."""
    try:
        with zipfile.ZipFile(path) as archive:
            found = [
                Member(info.filename, info.file_size, info.CRC, info.compress_size, -1, info.compress_type)
                for info in archive.infolist()
                if not info.is_dir()
            ]
            return found, True
    except (zipfile.BadZipFile, OSError, ValueError):
        return list(_walk(path)), False


def _walk(path: Path) -> Iterator[Member]:
    """Find members by their own headers, one after the other, as far as sizes are written there."""
    size = path.stat().st_size
    with path.open("rb") as file:
        at = 0
        while at + _LOCAL.size <= size:
            file.seek(at)
            head = file.read(_LOCAL.size)
            mark, _, bits, method, _, _, crc, packed, whole, name_size, extra_size = _LOCAL.unpack(head)
            if mark != b"PK\x03\x04":
                return
            name = file.read(name_size).decode("utf-8", errors="replace")
            data_at = at + _LOCAL.size + name_size + extra_size
            if bits & 8 and not packed:
                # Sizes follow the data; without the directory this member cannot be delimited.
                yield Member(name, -1, 0, size - data_at, data_at, method)
                return
            if not name.endswith("/"):
                yield Member(name, whole, crc, packed, data_at, method)
            at = data_at + packed


@contextmanager
def unpacked(path: Path, member: Member, target: Path, shown: str) -> Iterator[Path]:
    """Unpack `member` to `target` for the time of the `with` block.

    Raises
    ------
    IntakeError
        If its bytes are damaged or cut.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        try:
            if member.data_at < 0:
                with (
                    zipfile.ZipFile(path) as archive,
                    archive.open(member.name) as source,
                    target.open("wb") as out,
                ):
                    while chunk := source.read(_CHUNK):
                        out.write(chunk)
            else:
                _inflate(path, member, target)
        except (zipfile.BadZipFile, zlib.error, EOFError, OSError, RuntimeError, NotImplementedError) as error:
            raise IntakeError(
                file=shown,
                found=f"a damaged member of the archive ({error})",
                expected="bytes that fit their checksum",
                mend="The other members were read. Make the archive again, or copy the file without packing it.",
            ) from error
        yield target
    finally:
        target.unlink(missing_ok=True)


def _inflate(path: Path, member: Member, target: Path) -> None:
    if member.size < 0:
        message = "its length stood in the archive's directory, which is lost"
        raise EOFError(message)
    crc, done = 0, 0
    engine = zlib.decompressobj(-15) if member.method == 8 else None
    with path.open("rb") as file, target.open("wb") as out:
        file.seek(member.data_at)
        left = member.packed
        while left:
            chunk = file.read(min(_CHUNK, left))
            if not chunk:
                message = f"cut off {left} bytes before its end"
                raise EOFError(message)
            left -= len(chunk)
            plain = engine.decompress(chunk) if engine else chunk
            crc = zlib.crc32(plain, crc)
            done += len(plain)
            out.write(plain)
        if engine:
            plain = engine.flush()
            crc = zlib.crc32(plain, crc)
            done += len(plain)
            out.write(plain)
    if done != member.size or crc != member.crc:
        message = f"checksum {crc:08x}, not {member.crc:08x}"
        raise EOFError(message)
