"""How many of the published and hand-worked numbers of flow and exchange are met, section by section.

Run: python benchmarks/rows_flow.py

Runs what the tests run on every row of ``tests/flow/data`` and ``tests/exchange/data`` and prints, for each section,
rows met of rows, the largest difference as a share of the row's tolerance, and every row that is not met.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import Any

import numpy as np

TESTS = Path(__file__).resolve().parents[1] / "tests"
SECTIONS = {
    "s1": "velocimeter cleaning and axes", "s2": "turbulence, waves, profiles", "s3": "covariance flux and footprint",
    "s4": "gradient flux and carbon", "s5": "enclosures, budgets, gas", "s6": "jets and pumping", "s7": "side by side",
}  # fmt: skip


def module(room: str) -> Any:
    spec = importlib.util.spec_from_file_location(f"{room}_rows", TESTS / room / "test_published.py")
    assert spec is not None
    assert spec.loader is not None
    found = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = found
    spec.loader.exec_module(found)
    return found


def main() -> None:
    results: dict[str, list[tuple[str, bool, float]]] = {}
    for room in ("flow", "exchange"):
        tests = module(room)
        for row in tests.ROWS:
            got = np.squeeze(np.array(tests.CALCULATE[row["name"]](row["inputs"]), dtype=float))
            limit = np.maximum(np.array(row["tolerance"], dtype=float), 1e-9)
            share = float(np.max(np.abs(got - np.array(row["value"], dtype=float)) / limit))
            results.setdefault(row["name"][:2], []).append((row["name"], share <= 1.0, share))
    for section, rows in sorted(results.items()):
        met = sum(row[1] for row in rows)
        worst = max(row[2] for row in rows)
        print(f"{section.upper()} {SECTIONS[section]:32s} met {met:2d} of {len(rows):2d}, worst {worst:.2f}")
        for name, good, share in rows:
            if not good:
                print(f"   not met: {name}, {share:.2f} of its tolerance")
    every = [row for rows in results.values() for row in rows]
    print(f"together met {sum(row[1] for row in every)} of {len(every)}")


if __name__ == "__main__":
    main()
