"""Kills at random moments lose nothing, double nothing, and leave no half-written result."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "benchmarks" / "kill_intake.py"


@pytest.mark.slow
def test_twelve_kills_and_reruns_end_as_an_uninterrupted_intake() -> None:
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--kills", "12", "--seed", "7", "--json"],
        check=False,
        capture_output=True,
        text=True,
    )

    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["kills"] == found["identical"] == 12
    assert found["lost"] == found["doubled"] == found["halves"] == 0
    assert found["rebuilt"] == found["rebuilds"] == 1
