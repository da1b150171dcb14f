"""What a run says it changed, and that the rest is identical."""

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest

from reeftally.analysis.changes import causes_of
from reeftally.analysis.run import analyse
from reeftally.intake import take_in


def test_causes_name_each_input_that_differs(tmp_path: Path):
    old = {
        "tables": {"bottles.csv": "aa" * 32}, "layouts": {}, "book": "b1", "records": {"OXY-1": ["h1"]},
        "decisions": ["d1"], "code": "c1", "software": {"numpy": "1"}, "settings": {},
    }  # fmt: skip
    new = {
        "tables": {"bottles.csv": "ab" * 32}, "layouts": {"a.toml": "ff" * 32}, "book": "b2",
        "records": {"OXY-1": ["h1", "h2"]}, "decisions": [], "code": "c1", "software": {"numpy": "2"}, "settings": {},
    }  # fmt: skip

    causes = causes_of(tmp_path, old, new)

    assert len(causes) == 6
    for words in (
        "tables/bottles.csv",
        "layouts/a.toml",
        "mission.toml",
        "raw files of OXY-1 (1 more",
        "1 taken back",
        "numpy",
    ):
        assert any(words in cause for cause in causes), words
    assert causes_of(tmp_path, old, old) == ()


@pytest.mark.slow
def test_bottles_that_arrive_late_change_what_depends_on_them_and_nothing_else(demo: Path, tmp_path: Path):
    folder = tmp_path / "mission"
    shutil.copytree(demo, folder, symlinks=True)
    before, _ = analyse(folder)
    # A laboratory reports carbon alone of four more bottles, 6 µmol/kg of alkalinity above their neighbours (invented).
    table = pd.read_csv(folder / "tables" / "bottles.csv", dtype=str)
    late = table[table["total_alkalinity"].notna()].head(4).copy()
    late["bottle"] = [f"LATE-{number}" for number in range(4)]
    late["total_alkalinity"] = [f"{float(value) + 6.0:.1f}" for value in late["total_alkalinity"]]
    for name in (
        "temperature",
        "salinity",
        "ph_total",
        "ph_sd",
        "ph_temperature",
        "oxygen",
        "oxygen_sd",
        "duplicate_of",
    ):
        late[name] = None
    late.to_csv(folder / "inbox" / "bottles_second-laboratory.csv", index=False)
    take_in(folder, now_ns=0)

    run, _ = analyse(folder)

    said = json.loads((run / "changes.json").read_text())
    assert said["before"] == before.name
    (cause,) = said["causes"]
    assert cause.startswith("tables/bottles.csv (")
    assert "new: LATE-0, LATE-1, LATE-2, LATE-3" in cause
    moved = pd.read_csv(run / "changes.csv")
    assert len(moved) == said["changed"] > 0
    assert (moved["why"] == cause).all()
    assert "aragonite_saturation" in set(moved["quantity"])
    # Currents and the oxygen fluxes know nothing of alkalinity: their rows are the very bytes of before.
    untouched = {"friction_velocity", "oxygen_flux", "dissipation_rate"}
    assert not untouched & set(moved["quantity"])
    old, new = ((r / "estimates.csv").read_text().splitlines() for r in (before, run))
    kept = [line for line in old if line.partition(",")[0] in untouched]
    assert len(kept) > 10
    assert kept == [line for line in new if line.partition(",")[0] in untouched]

    again, _ = analyse(folder)

    assert json.loads((again / "changes.json").read_text())["lines"] == [f"Nothing changed since run {run.name}."]
