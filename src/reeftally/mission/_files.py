"""Files that are either whole or not there.

Here:     atomic writing with sync, and the lock of the log.
Not here: what stands in the files.
Rules:    bytes are synced before a name points at them; the folder is synced after.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

__all__ = ["sync_folder", "write_atomically", "write_new"]


def sync_folder(folder: Path) -> None:
    """Sync the entries of `folder` where the system can do that."""
    if os.name != "posix":
        return  # opening a folder for sync is a POSIX notion; elsewhere the rename is all there is
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _temporary(path: Path, content: bytes) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        Path(name).chmod(0o644)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return Path(name)


def write_atomically(path: Path, content: bytes) -> None:
    """Put `content` at `path`, replacing what was there, in one step that survives power loss."""
    temporary = _temporary(path, content)
    try:
        temporary.replace(path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def write_new(path: Path, content: bytes) -> bool:
    """Put `content` at `path` unless something is there; return whether it was written."""
    temporary = _temporary(path, content)
    try:
        os.link(temporary, path)
    except FileExistsError:
        return False
    except OSError:
        # Some media know no hard links. Creating exclusively keeps "never overwrite"; a crash in
        # between leaves a short file under a number that nobody was told of.
        try:
            with path.open("xb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
        except FileExistsError:
            return False
    finally:
        temporary.unlink(missing_ok=True)
    sync_folder(path.parent)
    return True
