"""Live feeds: lines lost, repeated, out of order, connections cut, crashes (invented optode, time compressed)."""

import asyncio
import contextlib
import json
import os
import subprocess
import sys
import threading
from pathlib import Path

import intake_kit as kit
import numpy as np
import pytest
from click.testing import CliRunner

from reeftally.cli import commands
from reeftally.errors import InputError
from reeftally.intake import listen, rebuild, take_in
from reeftally.store import open_store

FEED = kit.CTD
for _old, _new in (
    ('name = "ctd"', 'name = "feed"'),
    ('line = "^# serial"\n', ""),
    ('from = "header"\npattern = "^# serial ([0-9]+)"', 'from = "fixed"\nlabel = "CTD-1"'),
    ('header = "names"\nheader_start = "unix"', 'header = "none"'),
    ('columns = ["unix"]', 'columns = ["1"]'),
    ('name = "T"', 'name = "2"'),
    ('name = "S"', 'name = "3"'),
):
    assert _old in FEED
    FEED = FEED.replace(_old, _new)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = kit.mission(tmp_path / "mission", book=True)
    (folder / "layouts" / "feed.toml").write_text(FEED)
    book = folder / "mission.toml"
    book.write_text(book.read_text().replace('layout = "ctd"', 'layout = "feed"'))
    return folder


def line(number: int) -> bytes:
    at = int(kit.START.timestamp()) + 5 * number
    return f"{at},{28 + (number % 11) / 1000:.3f},{35.1 + (number % 5) / 1000:.3f}\n".encode()


class Server:
    """Send each connection its own bytes, then close it."""

    def __init__(self, parts: list[bytes], chunk: int = 4096) -> None:
        self.parts, self.chunk, self.taken = list(parts), chunk, 0

    async def __aenter__(self) -> "Server":
        self.server = await asyncio.start_server(self.answer, "127.0.0.1", 0)
        self.port = self.server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self.server.close()

    async def answer(self, _: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        data = self.parts.pop(0) if self.parts else b""
        self.taken += 1
        for at in range(0, len(data), self.chunk):
            writer.write(data[at : at + self.chunk])
            await writer.drain()
            await asyncio.sleep(0)
        writer.close()


def stored(folder: Path) -> np.ndarray:
    time = open_store(folder).read("CTD-1")["time"]
    return (time // 1_000_000_000 - int(kit.START.timestamp())) // 5


def hear(folder: Path, parts: list[bytes], **options):
    async def run():
        async with Server(parts) as server:
            source = {"CTD-1": f"tcp://127.0.0.1:{server.port}"}
            return await listen(folder, source, every_s=0.05, now_ns=lambda: kit.NOW_NS, **options)

    return asyncio.run(run())


def test_a_day_with_3_percent_lost_2_repeated_1_out_of_order_is_the_truth_less_the_lost(folder):
    rng = np.random.default_rng(19)
    numbers = np.arange(17_280)  # 24 h at 5 s
    kept = numbers[rng.random(numbers.size) >= 0.03]
    sent = np.repeat(kept, np.where(rng.random(kept.size) < 0.02, 2, 1))
    late = np.flatnonzero(rng.random(sent.size) < 0.01)
    order = np.arange(sent.size, dtype=float)
    order[late] += rng.uniform(1.5, 40.0, late.size)
    sent = sent[np.argsort(order, kind="stable")]

    heard = hear(folder, [b"".join(line(int(n)) for n in sent)], once=True)

    assert np.array_equal(stored(folder), kept)
    assert heard.rows_new == kept.size
    assert heard.rows_repeated == sent.size - kept.size
    assert heard.rows_rejected == 0
    values = open_store(folder).read("CTD-1")
    assert np.allclose(values["temperature"], 28 + (kept % 11) / 1000)
    # The bytes lie in raw/ as they came, under their hash, and a rebuild gives the same.
    (raw,) = (folder / "raw").glob("??/*")
    assert raw.read_bytes() == b"".join(line(int(n)) for n in sent)
    before = open_store(folder).content_hash()
    rebuild(folder, now_ns=kit.NOW_NS)
    assert open_store(folder).content_hash() == before


def test_lost_connections_are_tried_again_and_a_cut_line_is_never_believed(folder):
    parts = [
        b"".join(line(n) for n in range(100)) + line(100)[:-4],  # cut within the last number
        b"".join(line(n) for n in range(90, 200)),  # comes again, with what came before
        b"".join(line(n) for n in range(200, 300)),
    ]

    async def run():
        stop = asyncio.Event()
        async with Server(parts) as server:
            source = {"CTD-1": f"tcp://127.0.0.1:{server.port}"}

            def tell(heard):
                if server.taken >= 4:
                    stop.set()

            return await listen(
                folder, source, every_s=0.02, stop=stop, tell=tell, now_ns=lambda: kit.NOW_NS, first_wait_s=0.01
            )

    heard = asyncio.run(asyncio.wait_for(run(), 30))

    assert heard.reconnects >= 3
    assert np.array_equal(stored(folder), np.arange(300))
    salinity = open_store(folder).read("CTD-1")["salinity"]
    assert np.allclose(salinity, 35.1 + (np.arange(300) % 5) / 1000)


def test_a_source_that_is_not_there_is_named_and_the_others_go_on(folder):
    book = folder / "mission.toml"
    path = folder / "feed-2"
    path.write_bytes(b"".join(line(n) for n in range(50)))
    book.write_text(book.read_text())

    heard = asyncio.run(
        listen(
            folder,
            {"CTD-1": str(path), "OXY-1": str(folder / "no-such-device")},
            once=True,
            every_s=0.05,
            now_ns=lambda: kit.NOW_NS,
        )
    )

    assert stored(folder).size == 50
    assert any("OXY-1" in text and "No such file" in text for text in heard.messages)


def test_feeds_of_the_book_are_used_and_labels_are_held_against_it(folder):
    path = folder / "device"
    path.write_bytes(b"".join(line(n) for n in range(20)))
    book = folder / "mission.toml"
    book.write_text(book.read_text().replace('layout = "feed"', f'layout = "feed"\nfeed = "{path}"'))

    asyncio.run(listen(folder, once=True, every_s=0.05, now_ns=lambda: kit.NOW_NS))

    assert stored(folder).size == 20
    with pytest.raises(InputError, match="no instrument of the mission book"):
        asyncio.run(listen(folder, {"CTD-9": "-"}, once=True))
    with pytest.raises(InputError, match="tcp://HOST:PORT"):
        asyncio.run(listen(folder, {"CTD-1": "tcp://nowhere"}, once=True))


def test_nothing_to_listen_to_says_how_to_name_a_source(folder):
    with pytest.raises(InputError, match="--from OXY-1=tcp"):
        asyncio.run(listen(folder, once=True))


def test_a_device_that_speaks_through_a_pipe_is_heard(folder):
    pipe = folder / "tty"
    os.mkfifo(pipe)

    def speak():
        with pipe.open("wb", buffering=0) as out:
            for n in range(40):
                out.write(line(n))

    # Opened for reading and writing first, so that neither side waits for the other.
    keep = os.open(pipe, os.O_RDWR)
    speaker = threading.Thread(target=speak)
    speaker.start()
    speaker.join()

    async def run():
        stop = asyncio.Event()

        def tell(heard):
            if heard.rows_new >= 40:
                stop.set()

        return await listen(folder, {"CTD-1": str(pipe)}, every_s=0.05, stop=stop, tell=tell, now_ns=lambda: kit.NOW_NS)

    asyncio.run(asyncio.wait_for(run(), 30))
    os.close(keep)

    assert np.array_equal(stored(folder), np.arange(40))


def test_a_killed_listener_loses_and_doubles_nothing(folder):
    """Killed twice in the middle of a feed; what was received is on the disk and comes once."""
    sent = b"".join(line(n) for n in range(4000))
    code = (
        "import asyncio, sys; from reeftally.intake import listen;"
        "asyncio.run(listen(sys.argv[1], {'CTD-1': sys.argv[2]}, every_s=0.02))"
    )
    path = folder / "device"
    with path.open("wb", buffering=0) as out:
        for part in range(2):
            out.write(sent[part * 50_000 : (part + 1) * 50_000])
            process = subprocess.Popen([sys.executable, "-c", code, str(folder), str(path)])
            # A plain file is read from its beginning by each listener: every line comes again.
            for _ in range(600):
                with contextlib.suppress(Exception):
                    if open_store(folder).streams()["CTD-1"].rows > part * 1500:
                        break
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(0.05)
            process.kill()
            process.wait()
        out.write(sent[100_000:])

    asyncio.run(listen(folder, {"CTD-1": str(path)}, once=True, every_s=0.05, now_ns=lambda: kit.NOW_NS))

    assert np.array_equal(stored(folder), np.arange(4000))
    assert not list((folder / "raw" / "live").glob("*/*.txt"))


def test_the_loggers_own_file_later_adds_nothing_that_the_feed_brought(folder):
    hear(folder, [b"".join(line(n) for n in range(0, 100, 2))], once=True)
    (folder / "inbox" / "CTD-1_all.csv").write_bytes(b"".join(line(n) for n in range(100)))

    report = take_in(folder, now_ns=kit.NOW_NS)

    (file,) = report.files
    assert (file.rows_new, file.rows_repeated) == (50, 50)
    assert np.array_equal(stored(folder), np.arange(100))


def test_the_command_hears_standard_input_and_says_what_it_took_in(folder):
    sent = b"".join(line(n) for n in range(60))

    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "from reeftally.cli import main; main()",
            "listen",
            str(folder),
            "--from",
            "CTD-1=-",
            "--once",
            "--json",
        ],
        input=sent,
        capture_output=True,
        timeout=120,
        check=False,
    )

    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert (said["rows_new"], said["bytes"], said["by_instrument"]) == (60, len(sent), {"CTD-1": 60})
    assert np.array_equal(stored(folder), np.arange(60))


def test_the_command_refuses_a_source_that_is_none(folder):
    result = CliRunner().invoke(commands, ["listen", str(folder), "--from", "CTD-1"])

    assert result.exit_code == 2
    assert "LABEL=SOURCE" in result.output
