"""Real Chromium, driven from its own command line: no test library stands between page and browser."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

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
def chromium(tmp_path_factory):
    program = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    assert program, "These tests need Chromium: apt-get install chromium, or name it in CHROMIUM."
    return Chromium(program, tmp_path_factory.mktemp("chromium"))


@pytest.fixture(scope="session")
def pictures() -> Path:
    """Where screenshots are kept for people to look at."""
    folder = Path(os.environ.get("ARTEFACTS", "artefacts"))
    folder.mkdir(parents=True, exist_ok=True)
    return folder
