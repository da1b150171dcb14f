"""Real Chromium, driven from its own command line for single files, and by a driver for the live page.

The missions are made once a session and shared by all browser tests; none may change them.
"""

import os
import shutil
import subprocess
import sys
import threading
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
import uvicorn

from reeftally.analysis.run import analyse
from reeftally.intake import take_in
from reeftally.mission import new_mission
from reeftally.report import write_report
from reeftally.web import create_app

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "reef-diel"

QUIET = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--enable-logging=stderr",
    "--v=0", "--host-resolver-rules=MAP * ~NOTFOUND",
]  # fmt: skip


class Chromium:
    """One headless browser; every call is a fresh profile."""

    def __init__(self, program: str, scratch: Path) -> None:
        self.program, self.scratch, self.calls = program, scratch, 0

    def run(self, page: Path, *, width: int, height: int, picture: Path | None = None, dark: bool = False):
        """Open a page; return its text as the browser made it and the lines that the page logged."""
        self.calls += 1
        profile = self.scratch / f"profile-{self.calls}"
        what = ["--dump-dom"] if picture is None else [f"--screenshot={picture}"]
        if dark:
            what.append("--force-dark-mode")
        command = [
            self.program, *QUIET, *what, f"--user-data-dir={profile}", f"--window-size={width},{height}",
            "--virtual-time-budget=8000", page.resolve().as_uri(),
        ]  # fmt: skip
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
        logged = [line for line in done.stderr.splitlines() if ":CONSOLE" in line]
        return done.stdout, logged


@pytest.fixture(scope="session")
def program():
    found = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    assert found, "These tests need Chromium: apt-get install chromium, or name it in CHROMIUM."
    return found


@pytest.fixture(scope="session")
def chromium(program, tmp_path_factory):
    return Chromium(program, tmp_path_factory.mktemp("chromium"))


@pytest.fixture(scope="session")
def browser(program):
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        opened = driver.chromium.launch(
            executable_path=program,
            args=["--no-sandbox", "--disable-quic", "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1"],
        )
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def pictures() -> Path:
    """Where screenshots are kept for people to look at."""
    folder = Path(os.environ.get("ARTEFACTS", "artefacts"))
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@pytest.fixture(scope="session")
def diel(tmp_path_factory) -> Path:
    """The reef-diel example, taken in, analysed, reported."""
    folder = tmp_path_factory.mktemp("reef-diel") / "mission"
    shutil.copytree(EXAMPLE, folder)
    take_in(folder, [folder / name for name in ("ph.csv", "current.csv", "light.csv")], now_ns=0)
    analyse(folder)
    write_report(folder)
    return folder


@pytest.fixture(scope="session")
def demo(tmp_path_factory) -> Path:
    """The invented 36 h mission as the command makes it; a folder named in DEMO_MISSION is taken instead."""
    given = os.environ.get("DEMO_MISSION")
    if given:
        return Path(given)
    folder = tmp_path_factory.mktemp("demo") / "mission"
    command = [sys.executable, "-c", "from reeftally.cli import main; main()", "demo", str(folder)]
    subprocess.run(command, check=True, capture_output=True, timeout=900)
    return folder


@pytest.fixture(scope="session")
def empty(tmp_path_factory) -> Path:
    """A mission that has only just been started."""
    folder = tmp_path_factory.mktemp("empty") / "mission"
    new_mission(folder, name="just begun")
    return folder


@pytest.fixture(scope="session")
def damaged(diel, tmp_path_factory) -> Path:
    """The example with a torn book, results that are cut short, and a log that is none."""
    folder = tmp_path_factory.mktemp("damaged") / "mission"
    shutil.copytree(diel, folder, symlinks=True)
    (folder / "log").mkdir(exist_ok=True)
    (folder / "log" / "entries.jsonl").write_bytes(b"\x00\x01 torn\n")
    latest = folder / "results" / "latest"
    (latest / "trail.json").write_bytes((latest / "trail.json").read_bytes()[:500])
    (latest / "results.nc").write_bytes(b"not a file of that kind")
    return folder


APPS: dict[str, object] = {}
"""Applications by address, for tests that tell their pages something."""


@contextmanager
def served(folder: Path):
    """Serve the page of a mission on a free loopback port; yield its address."""
    app = create_app(folder)
    server = uvicorn.Server(uvicorn.Config(app, port=0, log_level="error", timeout_graceful_shutdown=1))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    until = time.monotonic() + 30.0
    while not server.started:
        assert time.monotonic() < until, "the server did not start"
        time.sleep(0.02)
    port = server.servers[0].sockets[0].getsockname()[1]
    address = f"http://127.0.0.1:{port}"
    APPS[address] = app
    try:
        yield address
    finally:
        app.state.site.broadcast.close()
        server.should_exit = True
        thread.join(timeout=10.0)


@pytest.fixture(scope="session")
def serve():
    """Addresses of missions, each served once."""
    with ExitStack() as stack:
        known: dict[Path, str] = {}

        def address(folder: Path) -> str:
            if folder not in known:
                known[folder] = stack.enter_context(served(folder))
            return known[folder]

        yield address
