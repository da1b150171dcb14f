"""The page of bare facts says what the check rows say."""

from __future__ import annotations

import json
import re
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
FILES = (
    "tests/seawater/data/oxygen.json",
    "tests/seawater/data/ph.json",
    "tests/seawater/data/alkalinity.json",
    "tests/seawater/data/facts.json",
    "tests/seawater/data/isotopes.json",
    "tests/uncertainty/data/metrology.json",
)
PAGE = (ROOT / "docs" / "facts.md").read_text(encoding="utf-8")
TABLE = {
    cells[0]: cells
    for line in PAGE.splitlines()
    if (cells := [cell.strip() for cell in line.strip("|").split("|")]) and len(cells) == 7
}


def rows():
    for name in FILES:
        yield from json.loads((ROOT / name).read_text(encoding="utf-8"))["rows"]


def test_every_fact_on_the_page_is_its_check_row():
    known = {row["id"]: row for row in rows()}
    ours = {name: cells for name, cells in TABLE.items() if name in known}

    assert len(ours) == 43
    for name, cells in ours.items():
        row = known[name]
        values = row["value"] if isinstance(row["value"], list) else [row["value"]]
        printed = [float(part) for part in re.split(r" / ", cells[3].split(" ± ")[0])]
        assert printed == values, name
        assert cells[4] == row["unit"], name
        assert cells[5] == row["source"], name
        assert cells[6] == ("memory" if "memory" in row["evidence"] else "read"), name
