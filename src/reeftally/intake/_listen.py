"""Listening to instruments: line streams from TCP, standard input or a serial device into spools, and on to the store.

Here:     sources, one reading task a source, reconnecting with back-off, the task that loads what came.
Not here: spools and loading (`_live`).
Rules:    bytes are kept as they came; a source that fails never stops the others; a store that another process writes
          costs time, not bytes.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import stat
import sys
import time
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from reeftally.errors import InputError, StoreError, StoreLockedError
from reeftally.intake._live import ROLL_BYTES, Spool, load_spools, seal_spools
from reeftally.intake._report import FileReport
from reeftally.intake._settings import Settings, read_settings

__all__ = ["Feed", "Heard", "listen", "sources_for"]

# Waits before a lost source is tried again double up to this. [s]
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 60.0
READ_BYTES = 1 << 16
# A device that writes nothing is asked again after this. [s]
POLL_S = 0.5


@dataclass(frozen=True, slots=True)
class Feed:
    """Where the lines of one instrument come from."""

    label: str
    source: str
    """``tcp://HOST:PORT``, ``-`` for standard input, or the path of a device or file."""

    def address(self) -> tuple[str, int] | None:
        """Return host and port of a TCP source; None for another one.

        Raises
        ------
        InputError
            If the address is none.
        """
        if not self.source.startswith("tcp://"):
            return None
        host, colon, port = self.source.removeprefix("tcp://").rpartition(":")
        if not colon or not host or not port.isdigit() or not 0 < int(port) < 65536:
            message = f"{self.label}: {self.source!r} is no source; write tcp://HOST:PORT, a device path, or -."
            raise InputError(message)
        return host.strip("[]"), int(port)


@dataclass
class Heard:
    """What listening brought."""

    rows_new: int = 0
    rows_repeated: int = 0
    rows_rejected: int = 0
    bytes: int = 0
    reconnects: int = 0
    commits: int = 0
    waits: int = 0
    """Times another process held the store."""
    messages: list[str] = field(default_factory=list)
    by_label: dict[str, int] = field(default_factory=dict)
    """Rows new, by instrument."""


def sources_for(settings: Settings, given: Mapping[str, str]) -> list[Feed]:
    """Return the feeds: those given, and those that the mission book names.

    Raises
    ------
    InputError
        If there is none, or a label is no instrument of the book.
    """
    book = settings.book
    feeds = {} if book is None else {item.label: item.feed for item in book.instruments if item.feed}
    feeds.update(given)
    known = [] if book is None else [item.label for item in book.instruments]
    for label in feeds:
        if label not in known:
            message = f"{label!r} is no instrument of the mission book; it has {', '.join(known) or 'none'}."
            raise InputError(message)
    if not feeds:
        message = (
            "There is nothing to listen to. Name a source, as --from OXY-1=tcp://10.0.0.5:4001, or write "
            'feed = "tcp://10.0.0.5:4001" under the instrument in mission.toml.'
        )
        raise InputError(message)
    out = [Feed(label, source) for label, source in sorted(feeds.items())]
    for feed in out:
        feed.address()
    return out


async def _lines_of(feed: Feed, *, once: bool) -> AsyncIterator[bytes]:
    """Yield bytes of a source until it ends."""
    address = feed.address()
    if address is not None:
        reader, writer = await asyncio.wait_for(asyncio.open_connection(*address), timeout=30.0)
        try:
            while data := await reader.read(READ_BYTES):
                yield data
        finally:
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()
        return
    if feed.source == "-":
        handle = os.dup(sys.stdin.fileno())
    else:
        handle = os.open(feed.source, os.O_RDONLY | os.O_NONBLOCK | getattr(os, "O_NOCTTY", 0))
    plain = stat.S_ISREG(os.fstat(handle).st_mode)
    try:
        while True:
            try:
                data = await asyncio.to_thread(os.read, handle, READ_BYTES) if plain else os.read(handle, READ_BYTES)
            except BlockingIOError:
                await asyncio.sleep(POLL_S)
                continue
            if data:
                yield data
                continue
            # The end of a plain file: more may be written to it. That of a pipe or device: the other side has gone.
            if once or not plain:
                return
            await asyncio.sleep(POLL_S)
    finally:
        os.close(handle)


async def _read(
    feed: Feed, spool: Spool, heard: Heard, stop: asyncio.Event, *, once: bool, first_wait_s: float
) -> None:
    """Bring the bytes of one source into its spool, connecting again when it is lost."""
    wait = first_wait_s
    while not stop.is_set():
        try:
            async for data in _lines_of(feed, once=once):
                spool.write(data)
                heard.bytes += len(data)
                wait = first_wait_s
                if stop.is_set():
                    break
        except (OSError, TimeoutError, EOFError) as error:
            reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
            said = f"{feed.label}: {feed.source} gives nothing ({reason}); trying again."
            if said not in heard.messages:
                heard.messages.append(said)
            if once and spool.size == 0 and feed.address() is None:
                return
        else:
            if once:
                spool.cut()
                return
        spool.cut()
        heard.reconnects += 1
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(stop.wait(), timeout=wait)
        wait = min(2.0 * wait, LONGEST_WAIT_S)


def _load(folder: Path, settings: Settings, spools: list[Spool], done: dict[str, int], heard: Heard) -> None:
    """Load what came since the last time; leave it for the next time if another process writes."""
    waiting = [spool for spool in spools if spool.size > done.get(spool.key, 0)]
    if not waiting:
        return
    sizes = {spool.key: spool.size for spool in waiting}
    try:
        reports = load_spools(folder, settings, waiting, wait_s=2.0)
    except StoreLockedError:
        heard.waits += 1
        return
    done.update(sizes)
    heard.commits += len(reports)
    _count(heard, reports)
    for spool in waiting:
        if spool.size >= ROLL_BYTES:
            spool.roll()


def _count(heard: Heard, reports: list[FileReport]) -> None:
    for report in reports:
        heard.rows_new += report.rows_new
        heard.rows_repeated += report.rows_repeated
        heard.by_label[report.stream] = heard.by_label.get(report.stream, 0) + report.rows_new
        for message in report.messages:
            # One line a kind of trouble, however often a feed repeats it.
            head = f"{report.stream}: {message.field or 'line'}: expected {message.expected}. {message.mend}"
            if head not in heard.messages:
                heard.messages.append(head)


async def listen(
    folder: str | Path,
    feeds: Mapping[str, str] | None = None,
    *,
    once: bool = False,
    every_s: float = 1.0,
    stop: asyncio.Event | None = None,
    tell: Callable[[Heard], None] | None = None,
    now_ns: Callable[[], int] = time.time_ns,
    first_wait_s: float = FIRST_WAIT_S,
) -> Heard:
    """Take line streams into the store until stopped.

    Parameters
    ----------
    folder : path
        Mission folder.
    feeds : mapping of label to source, optional
        Beside those of the mission book, and in place of them where the label is the same.
    once : bool
        Stop when every source has ended, in place of connecting again.
    every_s : float
        How often what came is loaded. [s]
    stop : asyncio.Event, optional
        Set it to stop; what came is loaded and sealed.
    tell : callable, optional
        Called after every load.
    now_ns : callable
        The computer's clock, for the index of raw files only. [ns since 1970 UTC]
    first_wait_s : float
        First wait before a lost source is tried again; doubles up to a minute. [s]

    Returns
    -------
    Heard

    Raises
    ------
    InputError
        If there is nothing to listen to.
    StoreError
        If the disk is full.
    """
    folder = Path(folder)
    settings = read_settings(folder)
    chosen = sources_for(settings, feeds or {})
    stop = stop or asyncio.Event()
    heard = Heard()
    # What a crash left comes first: its rows, and its bytes under their hash.
    _count(heard, await asyncio.to_thread(seal_spools, folder, settings, now_ns=now_ns(), wait_s=30.0))
    spools = {feed.label: Spool(folder, feed.label) for feed in chosen}
    done: dict[str, int] = {}
    readers = [
        asyncio.create_task(
            _read(feed, spools[feed.label], heard, stop, once=once, first_wait_s=first_wait_s), name=feed.label
        )
        for feed in chosen
    ]
    try:
        while not stop.is_set() and not all(task.done() for task in readers):
            await asyncio.wait(readers, timeout=every_s)
            failed = next((task.exception() for task in readers if task.done() and task.exception()), None)
            if isinstance(failed, StoreError):
                raise failed
            await asyncio.to_thread(_load, folder, settings, list(spools.values()), done, heard)
            if tell is not None:
                tell(heard)
    finally:
        stop.set()
        for task in readers:
            task.cancel()
        await asyncio.gather(*readers, return_exceptions=True)
        for spool in spools.values():
            spool.cut()
            spool.close()
    sealed = await asyncio.to_thread(seal_spools, folder, settings, now_ns=now_ns(), wait_s=30.0)
    _count(heard, sealed)
    heard.rows_rejected = sum(report.rows_rejected for report in sealed)
    return heard
