"""Any number explained in three steps: what it is, how it was made, from what.

Here:     steps from an estimate through its trail to the raw files.
Not here: pages (`html`).
Rules:    what the trail does not say is said to be missing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reeftally.charts import method_name, quantity_name
from reeftally.errors import ResultError
from reeftally.telling.facts import Facts, Number, read_facts
from reeftally.telling.words import with_interval

__all__ = ["Step", "explain", "method_entry", "steps_of"]


@dataclass(frozen=True, slots=True)
class Step:
    """One step of an explanation."""

    title: str
    lines: tuple[tuple[str, str], ...]
    """What and its content, plain text."""


FLAGS = {1: "good", 2: "not evaluated", 3: "doubtful", 4: "refused", 9: "missing"}


def explain(mission_folder: Path | str, estimate_row: int) -> list[Step]:
    """Explain one estimate of the newest run.

    Parameters
    ----------
    mission_folder : path
    estimate_row : int
        Row of ``estimates.csv``, 0 the first below the header.

    Returns
    -------
    list of Step
        Three: the number, the method, what it was made from.

    Raises
    ------
    ResultError
        If there is no such row, or no results.
    """
    facts = read_facts(mission_folder)
    if not 0 <= estimate_row < len(facts.numbers):
        message = (
            f"estimates.csv has no row {estimate_row}; it has rows 0 to {len(facts.numbers) - 1}, counted below the "
            f"header."
        )
        raise ResultError(message)
    return steps_of(facts, facts.numbers[estimate_row])


def method_entry(facts: Facts, key: str) -> Mapping[str, Any]:
    """Return the entry of the trail for a key; empty where there is none."""
    entry = facts.results.trail.get("methods", {}).get(key, {})
    return entry if isinstance(entry, Mapping) else {}


def steps_of(facts: Facts, row: Number) -> list[Step]:
    """Return the three steps of one estimate."""
    return [_the_number(facts, row), _the_method(facts, row), _the_inputs(facts)]


def _the_number(facts: Facts, row: Number) -> Step:
    value = with_interval(row.value, row.lower, row.upper, row.unit) if row.given else "not given"
    lines = [
        ("what", quantity_name(row.quantity)),
        ("of", row.subject),
        ("period", f"{facts.period_name(row)}: {row.start} to {row.end}" if row.start else row.period),
        ("value", value),
    ]
    if row.given:
        lines += [
            ("interval", f"{100 * row.level:g} % from {row.lower:.6g} to {row.upper:.6g}"),
            ("random part", f"{row.random_sd:.3g} (one standard uncertainty)"),
            ("systematic part", f"{row.systematic_sd:.3g} (one standard uncertainty)"),
        ]
        if row.budget:
            lines.append(("largest shares of the variance", row.budget))
    lines += [("made from", f"{row.n} blocks, visits or bottles"), ("flag", f"{row.flag} ({FLAGS.get(row.flag, '?')})")]
    if row.reason:
        lines.append(("note", row.reason))
    return Step("The number", tuple(lines))


def _the_method(facts: Facts, row: Number) -> Step:
    entry = method_entry(facts, row.trail)
    lines = [("method", method_name(row.method))]
    if not entry:
        return Step("How it was made", (*lines, ("trail", f"no entry for {row.trail or 'this number'} in trail.json")))
    for key, title in (("what", "in words"), ("equation", "equation")):
        if entry.get(key):
            lines.append((title, str(entry[key])))
    lines += [("function", str(name)) for name in entry.get("functions", [])]
    lines += [("source", str(name)) for name in entry.get("sources", [])]
    known = {"what", "equation", "functions", "sources"}
    lines += [(str(key), str(value)) for key, value in entry.items() if key not in known]
    return Step("How it was made", tuple(lines))


def _the_inputs(facts: Facts) -> Step:
    trail = facts.results.trail
    lines = [
        ("mission book", f"revision {trail.get('book_revision', 'not recorded')}"),
        ("store", f"snapshot {trail.get('snapshot', 'not recorded')}"),
        ("seed", str(trail.get("settings", {}).get("seed", "not recorded"))),
        ("code", str(trail.get("software", {}).get("code", "not recorded"))),
    ]
    for label, hashes in trail.get("inputs", {}).items():
        names = [f"{facts.raw_names.get(h, '') or 'raw'} ({h[:12]})" for h in hashes]
        lines.append((label, ", ".join(names) or "nothing"))
    lines += [(f"tables/{name}", str(digest)[:12]) for name, digest in trail.get("tables", {}).items()]
    return Step("From what", tuple(lines))
