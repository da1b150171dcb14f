"""Opening a mission from Python: lazy observations, clear errors, nothing written."""

import numpy as np
import pytest

import reeftally as rt
from reeftally.errors import ReeftallyError
from reeftally.mission import new_mission
from reeftally.store import open_store


@pytest.fixture
def lagoon(tmp_path):
    folder = tmp_path / "lagoon"
    new_mission(folder)
    with open_store(folder, write=True) as store, store.writer() as writer:
        time = np.arange(100, dtype=np.int64) * 5_000_000_000
        writer.append("OXY-1", {"time": time, "oxygen_molar": np.arange(100.0)}, "0" * 64, 0, 100)
    return folder


def test_values_are_read_only_when_computed(lagoon):
    tree = rt.open(lagoon).observations
    channel = tree["OXY-1"]["oxygen_molar"]

    assert channel.chunks is not None
    assert channel.attrs["units"] == "mmol m-3"
    assert channel.values.tolist() == list(range(100))


def test_reading_never_writes(lagoon):
    before = sorted(p.relative_to(lagoon) for p in lagoon.rglob("*"))

    mission = rt.open(lagoon)
    mission.observations["OXY-1"]["oxygen_molar"].compute()
    _ = mission.book

    assert sorted(p.relative_to(lagoon) for p in lagoon.rglob("*")) == before


def test_a_folder_without_a_book_says_what_to_do(tmp_path):
    with pytest.raises(ReeftallyError, match="reeftally new"):
        rt.open(tmp_path)


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute"):
        _ = rt.nonsense
