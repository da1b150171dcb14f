"""Which files to look at, and when one may leave the inbox.

Here:     walking folders, what is passed over, whether a file is still being written.
Not here: what is done with the files.
Rules:    a file that anyone has open for writing stays where it is.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from reeftally.intake._raw import RawPut

__all__ = ["is_settled", "sources_of"]

_SETTLED_NS = 60_000_000_000
_PASSING = (".part", ".tmp", ".crdownload", ".filepart", ".swp")


def sources_of(folder: Path, files: Sequence[str | Path] | None) -> Iterator[Path]:
    """Yield the files to look at, in order of name, tables last."""

    def walk(path: Path) -> Iterable[Path]:
        return sorted(found for found in path.rglob("*") if found.is_file() and not _ignored(found, path))

    if files is None:
        if (folder / "inbox").is_dir():
            yield from walk(folder / "inbox")
        if (folder / "tables").is_dir():
            yield from sorted((folder / "tables").glob("*.csv"))
        return
    for name in files:
        path = Path(name)
        if path.is_dir():
            yield from walk(path)
        else:
            yield path


def _ignored(path: Path, root: Path) -> bool:
    parts = path.relative_to(root).parts
    return any(part.startswith(".") for part in parts) or path.suffix.lower() in _PASSING


def is_settled(path: Path, put: RawPut) -> bool:
    """Return whether a file is as it was copied and open for writing nowhere.

    Linux grants a read lease only on a file that no process has open for writing. Where leases do not
    exist, a file counts as settled when it has not changed for a minute.
    """
    try:
        import fcntl

        with path.open("rb") as file:
            status = os.fstat(file.fileno())
            if (status.st_size, status.st_mtime_ns) != put.stat:
                return False
            fcntl.fcntl(file.fileno(), fcntl.F_SETLEASE, fcntl.F_RDLCK)
            fcntl.fcntl(file.fileno(), fcntl.F_SETLEASE, fcntl.F_UNLCK)
            return True
    except BlockingIOError:
        return False
    except (ImportError, AttributeError, OSError):
        status = path.stat()
        probe = path.parent / f".settled-{os.getpid()}"
        try:
            probe.touch()
            now = probe.stat().st_mtime_ns
            probe.unlink()
        except OSError:
            return False
        same = (status.st_size, status.st_mtime_ns) == put.stat
        return same and now - status.st_mtime_ns > _SETTLED_NS
