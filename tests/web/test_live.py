"""Events: bounded whatever the reader does."""

import asyncio
import threading

import pytest

from reeftally.web.live import DEPTH, Broadcast, TooManyReadersError


def test_a_slow_reader_keeps_only_the_newest_events():
    async def run():
        broadcast = Broadcast()
        queue = broadcast.join()
        for k in range(1000):
            broadcast.tell("state", {"k": k})
        await asyncio.sleep(0.01)
        return broadcast, queue

    broadcast, queue = asyncio.run(run())

    assert queue.qsize() == DEPTH
    assert broadcast.dropped == 1000 - DEPTH
    assert '"k": 999' in [queue.get_nowait() for _ in range(DEPTH)][-1]


def test_a_reader_that_goes_away_gives_back_its_place():
    async def run():
        broadcast = Broadcast(heartbeat_s=0.01)
        for _ in range(300):
            stream = broadcast.stream(broadcast.join())
            await anext(stream)
            await stream.aclose()
        return broadcast.readers

    assert asyncio.run(run()) == 0


def test_the_count_of_readers_has_a_limit():
    async def run():
        broadcast = Broadcast(readers=3)
        for _ in range(3):
            broadcast.join()
        with pytest.raises(TooManyReadersError):
            broadcast.join()

    asyncio.run(run())


def test_an_event_from_another_thread_arrives_and_closing_ends_the_stream():
    async def run():
        broadcast = Broadcast(heartbeat_s=5.0)
        stream = broadcast.stream(broadcast.join())
        seen = [await anext(stream)]
        threading.Thread(target=broadcast.tell, args=("results", {"what": "0002"})).start()
        seen.append(await anext(stream))
        broadcast.close()
        seen += [part async for part in stream]
        return seen

    seen = asyncio.run(run())

    assert seen[1] == 'event: results\ndata: {"what": "0002"}\n\n'
    assert seen[2].startswith("event: bye")
    assert len(seen) == 3


def test_a_quiet_stream_still_says_something():
    async def run():
        stream = (broadcast := Broadcast(heartbeat_s=0.01)).stream(broadcast.join())
        await anext(stream)
        return await anext(stream)

    assert asyncio.run(run()) == ": still here\n\n"


def test_telling_a_loop_that_has_ended_forgets_its_readers():
    broadcast = Broadcast()

    async def run():
        broadcast.join()

    asyncio.run(run())
    broadcast.tell("state", {})

    assert broadcast.readers == 0
