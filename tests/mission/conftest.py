"""An invented mission folder for the tests of this room."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import pytest

from reeftally.mission import new_mission


@pytest.fixture(scope="session")
def template() -> str:
    """The commented mission book that a new folder starts with; an invented reef."""
    return (resources.files("reeftally.mission") / "template" / "mission.toml").read_text("utf-8")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A new mission folder."""
    new_mission(tmp_path / "OB-31")
    return tmp_path / "OB-31"
