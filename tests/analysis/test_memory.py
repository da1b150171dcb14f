"""Memory of blocks: what comes back is what went in, and a change of anything changes the key."""

import numpy as np
import pytest

from reeftally.analysis.memory import BlockMemory, block_key


def test_a_record_comes_back_bit_for_bit(tmp_path):
    record = {
        "flux": 1.0 / 3.0,
        "reason": "low correlation; spikes",
        "ok": True,
        "series": np.arange(5, dtype=np.float32),
        "bad": np.nan,
    }
    with BlockMemory(tmp_path / "blocks.sqlite") as memory:
        memory.put({"k": record})

    with BlockMemory(tmp_path / "blocks.sqlite") as memory:
        held = memory.get(["k", "other"])

    assert set(held) == {"k"}
    assert float(held["k"]["flux"]) == record["flux"]
    assert str(held["k"]["reason"]) == record["reason"]
    assert bool(held["k"]["ok"])
    assert np.isnan(held["k"]["bad"])
    assert (held["k"]["series"] == record["series"]).all()
    assert held["k"]["series"].dtype == np.float32


@pytest.mark.parametrize(
    "change",
    [
        {"kind": "other"},
        {"settings": {"rate": 33.0}},
        {"arrays": {"u": np.array([1.0, 2.0, 3.0000001])}},
        {"arrays": {"u": np.array([1.0, 2.0, 3.0], dtype=np.float32)}},
        {"arrays": {"v": np.array([1.0, 2.0, 3.0])}},
    ],
)
def test_any_change_of_input_or_setting_changes_the_key(change):
    base = {"kind": "burst", "settings": {"rate": 32.0}, "arrays": {"u": np.array([1.0, 2.0, 3.0])}}

    assert block_key(**base) == block_key(**base)
    assert block_key(**{**base, **change}) != block_key(**base)


def test_a_damaged_memory_is_set_aside(tmp_path):
    path = tmp_path / "blocks.sqlite"
    path.write_bytes(b"this is no database" * 100)

    with BlockMemory(path) as memory:
        memory.put({"k": {"a": 1.0}})
        held = memory.get(["k"])

    assert float(held["k"]["a"]) == 1.0
    assert path.with_suffix(".damaged").exists()
