"""The trail holds the hash of every table that people wrote."""

from hashlib import sha256

from reeftally.analysis.trail import table_hashes


def test_every_table_has_its_hash_and_a_change_changes_it(tmp_path):
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / "bottles.csv").write_bytes(b"bottle\nB001\n")
    (tmp_path / "tables" / "visits.csv").write_bytes(b"visit\n1\n")
    (tmp_path / "tables" / "notes.txt").write_bytes(b"not a table")

    before = table_hashes(tmp_path)
    (tmp_path / "tables" / "visits.csv").write_bytes(b"visit\n2\n")
    after = table_hashes(tmp_path)

    assert before["bottles.csv"] == sha256(b"bottle\nB001\n").hexdigest()
    assert list(before) == ["bottles.csv", "visits.csv"]
    assert before["visits.csv"] != after["visits.csv"]
    assert before["bottles.csv"] == after["bottles.csv"]


def test_a_mission_without_tables_has_none(tmp_path):
    assert table_hashes(tmp_path) == {}
