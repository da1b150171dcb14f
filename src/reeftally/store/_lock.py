"""The writer's lock: one writer a store, named so that people know whom to wait for.

Here:     an operating-system lock on `observations/writer.lock`, which the kernel frees when its holder
          dies, however it dies; the file's text only names the holder.
Not here: locking of readers (there is none).
Rules:    the text in the file is never trusted to decide whether the lock is held.
"""

from __future__ import annotations

import json
import os
import socket
import time
from datetime import UTC, datetime
from pathlib import Path

from reeftally.errors import StoreError, StoreLockedError

__all__ = ["WriterLock"]


def _try_lock(descriptor: int) -> bool:
    """Take an exclusive lock without waiting; False if another process has it."""
    try:
        import fcntl
    except ImportError:  # pragma: no cover - only where fcntl is missing
        import msvcrt

        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        except OSError:
            return False
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


class WriterLock:
    """Hold the store for one writer until `release`.

    Parameters
    ----------
    path : Path
        The lock file; it stays behind, empty, when the lock is released.
    wait_s : float
        How long to wait for another writer before giving up. [s]

    Raises
    ------
    StoreLockedError
        If another process still writes after `wait_s`; names its number, host and start.
    StoreError
        If the lock file cannot be opened for writing (read-only media, missing rights).
    """

    def __init__(self, path: Path, *, wait_s: float = 0.0) -> None:
        self._path = path
        try:
            # The descriptor is not inherited by programs this process starts, so the lock dies with it.
            self._descriptor = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o644)
        except OSError as error:
            message = (
                f"{path} cannot be opened for writing ({error.strerror}). The store can be read but not "
                "written; copy the mission folder to a writable disk, or mend the rights."
            )
            raise StoreError(message) from error
        until = time.monotonic() + wait_s
        while not _try_lock(self._descriptor):
            if time.monotonic() >= until:
                holder = self._holder()
                os.close(self._descriptor)
                raise StoreLockedError(holder)
            time.sleep(0.05)
        text = json.dumps(
            {
                "pid": os.getpid(),
                "host": socket.gethostname(),
                "since": datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
            }
        )
        os.ftruncate(self._descriptor, 0)
        os.pwrite(self._descriptor, text.encode(), 0)

    def _holder(self) -> str:
        try:
            text = json.loads(self._path.read_text(encoding="utf-8"))
            return f"process {text['pid']} on {text['host']} since {text['since']}"
        except (OSError, ValueError, KeyError, TypeError):
            return "another process that has not yet given its name"

    def release(self) -> None:
        """Give the lock back; a second call does nothing."""
        if self._descriptor >= 0:
            os.ftruncate(self._descriptor, 0)
            os.close(self._descriptor)
            self._descriptor = -1
