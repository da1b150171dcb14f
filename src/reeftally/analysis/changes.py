"""What a run changed against the one before it, and which inputs had changed.

Here:     fingerprints of the inputs of a run, what differs between two of them (down to the rows of a table), the list
          of estimates that moved.
Not here: joining two tables of estimates (`versions`), the run itself (`run`).
Rules:    everything that is not listed is identical; an estimate is never called changed without naming every input
          that changed since.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reeftally.analysis.estimates import Estimates
from reeftally.analysis.results import latest_run, read_results
from reeftally.analysis.versions import RowChange, change_frame, changed, compare_estimates, say_change
from reeftally.errors import ResultError

__all__ = ["Changes", "changes_since", "fingerprints"]

INPUTS = "inputs.json"
# Lines printed; the file has all.
MOST_LINES = 12
_SHOWN = 4


@dataclass(frozen=True, slots=True)
class Changes:
    """What a run changed."""

    before: str | None
    """Number of the run before; None for the first."""
    causes: tuple[str, ...]
    """Inputs that changed, in words."""
    rows: tuple[RowChange, ...]
    """Estimates that moved, came, went, or are given or refused now."""
    same: int
    """Estimates that did not."""
    inputs: dict[str, Any]
    """Fingerprints of this run."""

    def files(self) -> dict[str, str]:
        """Return the files of the run that hold this: `inputs.json`, `changes.csv` and `changes.json`."""
        table = change_frame(self.rows)
        table["why"] = "; ".join(self.causes)
        table["before"] = self.before or ""
        return {
            INPUTS: json.dumps(self.inputs, indent=1, ensure_ascii=False),
            "changes.csv": table.to_csv(index=False, lineterminator="\n"),
            "changes.json": json.dumps(
                {
                    "before": self.before,
                    "causes": list(self.causes),
                    "changed": len(self.rows),
                    "identical": self.same,
                    "lines": self.lines(),
                },
                indent=1,
                ensure_ascii=False,
            ),
        }

    def lines(self) -> list[str]:
        """Return what to tell people."""
        if self.before is None:
            return ["First run: nothing to compare with."]
        if not self.causes and not self.rows:
            return [f"Nothing changed since run {self.before}."]
        out = [f"Changed since run {self.before}: {'; '.join(self.causes) or 'no input that is known'}."]
        out.append(f"{len(self.rows)} estimates changed, {self.same} are identical (results/latest/changes.csv).")
        out += [f"  {say_change(row)}" for row in self.rows[:MOST_LINES]]
        if len(self.rows) > MOST_LINES:
            out.append(f"  and {len(self.rows) - MOST_LINES} more")
        return out


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def fingerprints(folder: Path, trail: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a run rests on: hashes of tables, layouts and book, raw files by instrument, decisions, code.

    Parameters
    ----------
    folder : Path
        Mission folder.
    trail : mapping
        Trail of the run (`trail.json`).
    """
    return {
        "tables": {path.name: _digest(path) for path in sorted((folder / "tables").glob("*.csv"))},
        "layouts": {path.name: _digest(path) for path in sorted((folder / "layouts").glob("*.toml"))},
        "book": _digest(folder / "mission.toml"),
        "records": {label: sorted(hashes) for label, hashes in trail.get("inputs", {}).items()},
        "decisions": list(trail.get("decisions", [])),
        "settings": dict(trail.get("settings", {})),
        "code": trail.get("software", {}).get("code", ""),
        "software": {k: v for k, v in trail.get("software", {}).items() if k not in {"code", "python"}},
    }


def _rows_of(folder: Path, digest: str) -> list[dict[str, str]] | None:
    """Return the rows of a version of a table kept in `raw/`; None if its bytes are not there."""
    path = folder / "raw" / digest[:2] / digest
    if not path.exists():
        return None
    text = path.read_bytes().removeprefix(b"\xef\xbb\xbf").decode("utf-8", errors="replace")
    return list(csv.DictReader(io.StringIO(text)))


def _table_words(folder: Path, name: str, old: str, new: str) -> str:
    """Return in words how a table changed: rows by their first column where that names them."""
    head = f"tables/{name} ({old[:8] or 'none'} -> {new[:8] or 'none'})"
    current = folder / "tables" / name
    after = (
        list(csv.DictReader(io.StringIO(current.read_text(encoding="utf-8-sig", errors="replace"))))
        if new and current.exists()
        else None
    )
    before = _rows_of(folder, old) if old else []
    if before is None or after is None:
        return head
    plain_before = {tuple(sorted((k, v) for k, v in row.items() if k and v)) for row in before}
    plain_after = {tuple(sorted((k, v) for k, v in row.items() if k and v)) for row in after}
    gone, come = plain_before - plain_after, plain_after - plain_before
    key = next(iter(after[0]), "") if after else ""
    names_gone, names_come = ({dict(row).get(key, "") for row in rows} for rows in (gone, come))
    parts = []
    for word, names in (
        ("new", names_come - names_gone),
        ("changed", names_come & names_gone),
        ("gone", names_gone - names_come),
    ):
        if names:
            ordered = sorted(names)
            shown = ", ".join(ordered[:_SHOWN]) + (
                f" and {len(ordered) - _SHOWN} more" if len(ordered) > _SHOWN else ""
            )
            parts.append(f"{word}: {shown}")
    return f"{head}, {'; '.join(parts)}" if parts else head


def _files_words(kind: str, old: Mapping[str, str], new: Mapping[str, str]) -> Iterable[tuple[str, str, str]]:
    for name in sorted({*old, *new}):
        if old.get(name, "") != new.get(name, ""):
            yield f"{kind}/{name}", old.get(name, ""), new.get(name, "")


def _settings_words(old: Mapping[str, Any] | None, new: Mapping[str, Any]) -> list[str]:
    """Return the settings of the analysis that differ, each with its old and new value."""
    if old is None:
        return []
    out = []
    for name in sorted({*old, *new}):
        before, after = old.get(name), new.get(name)
        if before == after:
            continue
        if isinstance(before, dict) and isinstance(after, dict):
            keys = [key for key in sorted({*before, *after}) if before.get(key) != after.get(key)]
            out += [f"{name}: {key} {before.get(key)} -> {after.get(key)}" for key in keys]
        else:
            out.append(f"{name} {before} -> {after}")
    return out


def causes_of(folder: Path, old: Mapping[str, Any], new: Mapping[str, Any]) -> tuple[str, ...]:
    """Return in words which inputs differ between the fingerprints of two runs."""
    out = [
        _table_words(folder, name.partition("/")[2], before, after)
        for name, before, after in _files_words("tables", old.get("tables", {}), new["tables"])
    ]
    out += [
        f"{name} ({before[:8] or 'none'} -> {after[:8] or 'none'})"
        for name, before, after in _files_words("layouts", old.get("layouts", {}), new["layouts"])
    ]
    if old.get("book") != new["book"]:
        out.append(f"mission.toml ({str(old.get('book', ''))[:8]} -> {new['book'][:8]})")
    records = old.get("records", {})
    for label in sorted({*records, *new["records"]}):
        before, after = set(records.get(label, [])), set(new["records"].get(label, []))
        if before != after:
            out.append(f"raw files of {label} ({len(after - before)} more, {len(before - after)} fewer)")
    decided, undone = (
        [d for d in new["decisions"] if d not in old.get("decisions", [])],
        [d for d in old.get("decisions", []) if d not in new["decisions"]],
    )
    if decided or undone:
        out.append(f"decisions in the log ({len(decided)} more, {len(undone)} taken back)")
    out += _settings_words(old.get("settings"), new["settings"])
    if old.get("code") != new["code"]:
        out.append(f"code ({str(old.get('code', ''))[:8]} -> {new['code'][:8]})")
    if old.get("software") != new["software"]:
        names = [k for k, v in new["software"].items() if old.get("software", {}).get(k) != v]
        out.append(f"versions of {', '.join(names) or 'libraries'}")
    return tuple(out)


def changes_since(folder: Path, *, estimates: Estimates, trail: Mapping[str, Any]) -> Changes:
    """Compare the estimates of a run that is about to be written with those of the newest one on disk.

    Parameters
    ----------
    folder : Path
        Mission folder.
    estimates : Estimates
        Of the new run.
    trail : mapping
        Trail of the new run.
    """
    inputs = fingerprints(folder, trail)
    run = latest_run(folder)
    if run is None:
        return Changes(None, (), (), 0, inputs)
    try:
        before = read_results(folder)
    except (ResultError, OSError, ValueError, KeyError):
        # A run that cannot be read is no run to compare with; the new one is written all the same.
        return Changes(None, (), (), 0, inputs)
    path = run / INPUTS
    old = json.loads(path.read_text(encoding="utf-8")) if path.exists() else None
    if old is None:
        causes: tuple[str, ...] = ("the run before kept no list of its inputs",)
    else:
        causes = causes_of(folder, old, inputs)
    rows = compare_estimates(before.estimates, estimates.frame())
    moved = changed(rows)
    return Changes(run.name, causes, moved, len(rows) - len(moved), inputs)
