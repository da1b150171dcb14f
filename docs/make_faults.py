"""Make the page of faults from the table of the tests, `tests/catalogue/faults.toml`."""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path

HERE = Path(__file__).resolve().parent
TABLE = HERE.parent / "tests" / "catalogue" / "faults.toml"
GROUPS = (
    (1, "Time"),
    (13, "Files and text"),
    (31, "Values and units"),
    (49, "Sensors in the water"),
    (65, "Bottles, logs, people"),
    (76, "The machine"),
)
HEAD = """# What goes wrong, and what is done about it

Made from `tests/catalogue/faults.toml` by `make docs`. Each row is planted by at least one test; the tests hold what
must be done and, where something is said, that the message names file, line or time, field, what was found, what was
expected and how to mend it. General rules: raw bytes are kept, other files go on, nothing is repaired silently, an
accepted repair stands in the log and can be taken back. Messages are examples.

Every row save 43, 48, 51, 55, 56, 58, 60, 62 and 63 goes through files, tables and commands; those nine are planted
in records and held against the functions of `quality`, `calibration`, `flow` and `exchange` alone. An array without a
fault gives no finding.
"""


def page() -> str:
    """Return the page."""
    rows = tomllib.loads(TABLE.read_text(encoding="utf-8"))["fault"]
    groups = dict(GROUPS)
    lines = [HEAD]
    for row in rows:
        if row["row"] in groups:
            lines += [
                f"## {groups[row['row']]}",
                "",
                "| # | fault | what is done | what is said | tests |",
                "|---|---|---|---|---|",
            ]
        does = row["does"] if row["met"] == "yes" else f"{row['does']}. **Partly: {row['note']}**"
        said = f"`{row['said'].replace('|', '/')}`" if row.get("said") else ""
        tests = "<br>".join(f"`{test.removeprefix('tests/')}`" for test in row["tests"])
        lines.append(f"| {row['row']} | {row['fault']} | {does} | {said} | {tests} |")
        if row["row"] + 1 in groups:
            lines.append("")
    partly = [row for row in rows if row["met"] != "yes"]
    lines += ["", "## Not met in full", ""]
    lines += [f"- {row['row']}, {row['fault'].lower()}: {row['note']}." for row in partly]
    return "\n".join(lines) + "\n"


def main() -> int:
    """Write the page."""
    (HERE / "faults.md").write_text(page(), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
