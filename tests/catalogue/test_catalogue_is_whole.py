"""The table of faults is whole: every row has a test that exists, and the page of the documentation is made from it."""

import ast
import runpy
import tomllib
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ROWS = tomllib.loads(Path(__file__).with_name("faults.toml").read_text(encoding="utf-8"))["fault"]


@cache
def functions(file: str) -> dict[str, ast.FunctionDef]:
    tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
    return {node.name: node for node in tree.body if isinstance(node, ast.FunctionDef)}


def test_rows_1_to_80_are_all_there_once():
    assert [row["row"] for row in ROWS] == list(range(1, 81))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"row-{row['row']}")
def test_every_row_has_tests_that_exist_and_assert(row):
    assert row["fault"]
    assert row["does"]
    assert row["met"] in {"yes", "partly"}
    assert (row["met"] == "partly") == bool(row.get("note"))
    assert row["tests"]
    for name in row["tests"]:
        file, _, function = name.partition("::")
        node = functions(file)[function]
        held = [n for n in ast.walk(node) if isinstance(n, ast.Assert)]
        calls = [n.func for n in ast.walk(node) if isinstance(n, ast.Call)]
        words = {c.attr if isinstance(c, ast.Attribute) else getattr(c, "id", "") for c in calls}
        said = words & {"raises", "says", "full", "complete", "velocity_equals", "whole"}
        assert held or said or any(word.startswith("assert_") for word in words), name
        if not function.startswith("test_"):
            # Functions of the older catalogue run through one parametrised test, by the number of their decorator.
            numbers = [d.args[0].value for d in node.decorator_list if isinstance(d, ast.Call)]
            assert numbers == [row["row"]], name


def test_the_page_is_made_from_the_table():
    made = runpy.run_path(str(ROOT / "docs" / "make_faults.py"))["page"]()

    assert (ROOT / "docs" / "faults.md").read_text(encoding="utf-8") == made, "run `make docs`"
