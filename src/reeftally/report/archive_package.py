"""A package on disk: a folder or a zip archive with an index, and its checksums.

Here:     writing a package from named contents, reading either form, the index.
Not here: what the contents are (`archive`), judging them (`archive_check`).
Rules:    the same contents give the same bytes: names sorted, times fixed, no owner; a package is written beside its
          name and renamed when complete; nothing is ever written over.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO, Any

from reeftally.errors import ResultError

__all__ = ["CHECKSUMS", "FORMAT", "INDEX", "Package", "write_package"]

FORMAT = 1
INDEX = "index.json"
CHECKSUMS = "checksums.sha256"
_CHUNK = 4 << 20
_FIXED = (1980, 1, 1, 0, 0, 0)
"""Time of every member of a zip archive: the earliest that the format knows."""


def _hash(source: IO[bytes]) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    while chunk := source.read(_CHUNK):
        digest.update(chunk)
        size += len(chunk)
    return digest.hexdigest(), size


def _hash_of(content: Path | bytes) -> tuple[str, int]:
    if isinstance(content, bytes):
        return hashlib.sha256(content).hexdigest(), len(content)
    with content.open("rb") as file:
        return _hash(file)


def write_package(target: Path, contents: Mapping[str, Path | bytes], about: Mapping[str, Any]) -> Path:
    """Write a package, with its index and checksums.

    Parameters
    ----------
    target : Path
        A folder that is not there yet, or a file that ends in `.zip`.
    contents : mapping
        File or bytes by name inside the package.
    about : mapping
        Goes into the index beside the list of files.

    Raises
    ------
    ResultError
        If there is something at `target` already, or a name is taken by the index.
    """
    if target.exists():
        message = f"{target} is there already; a package is never written over. Name another with --to."
        raise ResultError(message)
    files = {}
    for name in sorted(contents):
        digest, size = _hash_of(contents[name])
        last = name.rsplit("/", maxsplit=1)[-1]
        if name.startswith("mission/raw/") and len(last) == 64 and last != digest:
            message = f"raw/{last[:2]}/{last}: its bytes have changed since intake. Restore raw/ from a backup."
            raise ResultError(message)
        files[name] = {"sha256": digest, "bytes": size}
    index = json.dumps({"format": FORMAT, **about, "files": files}, indent=1, ensure_ascii=False) + "\n"
    everything: dict[str, Path | bytes] = {**contents, INDEX: index.encode()}
    lines = [f"{files[name]['sha256']}  {name}\n" for name in sorted(contents)]
    lines.append(f"{_hash_of(index.encode())[0]}  {INDEX}\n")
    everything[CHECKSUMS] = "".join(lines).encode()
    target.parent.mkdir(parents=True, exist_ok=True)
    partial = target.with_name(f".{target.name}.partial")
    if partial.is_dir():
        shutil.rmtree(partial)
    partial.unlink(missing_ok=True)
    try:
        if target.suffix.lower() == ".zip":
            _write_zip(partial, everything)
        else:
            _write_folder(partial, everything)
        partial.replace(target)
    except BaseException:
        if partial.is_dir():
            shutil.rmtree(partial)
        else:
            partial.unlink(missing_ok=True)
        raise
    return target


def _write_folder(folder: Path, contents: Mapping[str, Path | bytes]) -> None:
    for name in sorted(contents):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        content = contents[name]
        if isinstance(content, bytes):
            path.write_bytes(content)
        else:
            shutil.copyfile(content, path)
        with path.open("rb") as file:
            os.fsync(file.fileno())


def _write_zip(path: Path, contents: Mapping[str, Path | bytes]) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as out:
        for name in sorted(contents):
            info = zipfile.ZipInfo(name, _FIXED)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = 0o644 << 16
            info.create_system = 3
            content = contents[name]
            info.file_size = len(content) if isinstance(content, bytes) else content.stat().st_size
            with out.open(info, "w", force_zip64=info.file_size > (1 << 31)) as member:
                if isinstance(content, bytes):
                    member.write(content)
                else:
                    with content.open("rb") as file:
                        shutil.copyfileobj(file, member, _CHUNK)
    with path.open("rb") as file:
        os.fsync(file.fileno())


def _safe(name: str) -> bool:
    parts = PurePosixPath(name.replace("\\", "/"))
    return not parts.is_absolute() and ".." not in parts.parts and ":" not in name.split("/", maxsplit=1)[0]


@dataclass
class Package:
    """A package for reading, folder or zip archive alike."""

    path: Path
    _zip: zipfile.ZipFile | None = None

    def __enter__(self) -> Package:
        return self

    def __exit__(self, *_: object) -> None:
        if self._zip is not None:
            self._zip.close()

    @classmethod
    def open(cls, path: Path) -> Package:
        """Open a package.

        Raises
        ------
        ResultError
            If there is none, or a zip archive that cannot be read.
        """
        if path.is_dir():
            return cls(path)
        if not path.is_file():
            message = f"{path}: found nothing; a package is a folder or a .zip file made by `reeftally archive`."
            raise ResultError(message)
        try:
            return cls(path, zipfile.ZipFile(path))
        except (zipfile.BadZipFile, OSError) as error:
            message = f"{path}: this is no whole zip archive ({error}). Copy or download the package again."
            raise ResultError(message) from error

    def names(self) -> list[str]:
        """Return the names of all files, sorted."""
        if self._zip is not None:
            return sorted(info.filename for info in self._zip.infolist() if not info.is_dir())
        return sorted(p.relative_to(self.path).as_posix() for p in self.path.rglob("*") if p.is_file())

    @contextmanager
    def stream(self, name: str) -> Iterator[IO[bytes]]:
        """Open one file for reading."""
        if self._zip is not None:
            with self._zip.open(name) as member:
                yield member
        else:
            with (self.path / name).open("rb") as file:
                yield file

    def read(self, name: str) -> bytes:
        """Return the bytes of one file."""
        with self.stream(name) as source:
            return source.read()

    def digest(self, name: str) -> tuple[str, int] | str:
        """Return SHA-256 and size of one file, or why it cannot be read."""
        try:
            with self.stream(name) as source:
                return _hash(source)
        except (OSError, zipfile.BadZipFile, zlib.error, KeyError, EOFError, ValueError) as error:
            return str(error)

    def extract(self, name: str, target: Path) -> None:
        """Write one file to `target`."""
        target.parent.mkdir(parents=True, exist_ok=True)
        with self.stream(name) as source, target.open("wb") as out:
            shutil.copyfileobj(source, out, _CHUNK)

    def index(self) -> dict[str, Any]:
        """Return the index.

        Raises
        ------
        ResultError
            If there is none, it cannot be read, it is newer than this version reads, or names leave the package.
        """
        try:
            found = json.loads(self.read(INDEX))
            files = found["files"]
            known = int(found["format"])
            unsafe = [name for name in files if not _safe(name)]
        except (OSError, KeyError, ValueError, TypeError, zipfile.BadZipFile) as error:
            message = (
                f"{self.path}: no readable {INDEX} ({error}). Is this a package made by `reeftally archive`, and whole?"
            )
            raise ResultError(message) from error
        if known > FORMAT:
            message = f"{self.path}: format {known} is newer than this version reads ({FORMAT}). Update the package."
            raise ResultError(message)
        if unsafe:
            message = f"{self.path}: the index names {unsafe[0]!r}, which lies outside the package."
            raise ResultError(message)
        return dict(found)
