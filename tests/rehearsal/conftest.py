"""Worlds and one small rehearsal that several tests read (invented data)."""

from __future__ import annotations

import pytest

from reeftally.rehearsal import rehearse
from reeftally.rehearsal.highrate import make_world

SLOW = ("OXY-1", "OXY-2", "OXY-3", "OXY-4", "OXY-H", "PHI-1", "PHI-2", "PHI-H", "DYE-P", "CTD-1", "FAR-1", "MET-1")


@pytest.fixture(scope="session")
def demo():
    return make_world("demo36", 1)


@pytest.fixture(scope="session")
def full():
    return make_world("full", 1)


@pytest.fixture(scope="session")
def small_mission(tmp_path_factory):
    """A demo mission of the slow instruments only, and its truth."""
    folder = tmp_path_factory.mktemp("small")
    return folder, rehearse(folder, instruments=SLOW, seed=3)
