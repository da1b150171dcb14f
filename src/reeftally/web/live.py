"""Telling open pages that something has changed.

Here:     one short queue a reader, and the stream of events that drains it.
Not here: what has changed (`cli.watch`, `look`).
Rules:    a slow or vanished browser costs nothing but its own queue: a full queue forgets its oldest event, since each
          event only says "look again"; the count of readers has a limit.
"""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import AsyncIterator
from typing import Any

__all__ = ["Broadcast", "TooManyReadersError"]

DEPTH = 8
READERS = 100
# Between events a comment goes out, so that a vanished reader is noticed. [s]
HEARTBEAT_S = 15.0
BYE = "event: bye\ndata: {}\n\n"


class TooManyReadersError(Exception):
    """All places are taken."""


class Broadcast:
    """From one teller, in any thread, to all open pages."""

    def __init__(self, *, readers: int = READERS, heartbeat_s: float = HEARTBEAT_S) -> None:
        self._queues: dict[asyncio.Queue[str], asyncio.AbstractEventLoop] = {}
        self._limit, self._heartbeat = readers, heartbeat_s
        self._guard = threading.Lock()
        self._closed = False
        self.dropped = 0
        """Events forgotten for slow readers."""

    @property
    def readers(self) -> int:
        """How many pages listen."""
        return len(self._queues)

    def tell(self, event: str, data: dict[str, Any]) -> None:
        """Tell every open page; never waits."""
        text = f"event: {event}\ndata: {json.dumps(data, ensure_ascii=False)}\n\n"
        with self._guard:
            listening = list(self._queues.items())
        for queue, loop in listening:
            try:
                loop.call_soon_threadsafe(self._put, queue, text)
            except RuntimeError:
                self._leave(queue)

    def _put(self, queue: asyncio.Queue[str], text: str) -> None:
        if queue.full():
            queue.get_nowait()
            self.dropped += 1
        queue.put_nowait(text)

    def close(self) -> None:
        """End every stream, so that the server can stop."""
        self._closed = True
        self.tell("bye", {})

    def join(self) -> asyncio.Queue[str]:
        """Return a place among the readers.

        Raises
        ------
        TooManyReadersError
            If all are taken.
        """
        queue: asyncio.Queue[str] = asyncio.Queue(maxsize=DEPTH)
        with self._guard:
            if len(self._queues) >= self._limit:
                raise TooManyReadersError
            self._queues[queue] = asyncio.get_running_loop()
        return queue

    def _leave(self, queue: asyncio.Queue[str]) -> None:
        with self._guard:
            self._queues.pop(queue, None)

    async def stream(self, queue: asyncio.Queue[str]) -> AsyncIterator[str]:
        """Yield what a reader is told until it goes away."""
        try:
            yield "retry: 3000\n\n"
            text = ""
            while text != BYE and not self._closed:
                try:
                    text = await asyncio.wait_for(queue.get(), timeout=self._heartbeat)
                except TimeoutError:
                    text = ": still here\n\n"
                if text != BYE:
                    yield text
            yield BYE
        finally:
            self._leave(queue)
