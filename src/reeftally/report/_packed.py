"""Data of a chart in few bytes: columns in place of rows, as the page's script unpacks them.

Here:     `packed`, `unpacked`.
Not here: what is in the data (`reeftally.charts`), the script (`templates/report.js`, function `unpack`).
Rules:    unpacking gives the same rows in the same order; a table that cannot be packed stays as it is.
"""

from __future__ import annotations

import datetime as dt
import itertools
import re
from typing import Any

__all__ = ["packed", "unpacked"]

_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00")


def packed(spec: dict[str, Any]) -> dict[str, Any]:
    """Return a specification whose datasets are columns: constant, words and places, times as steps, or values."""
    sets = spec.get("datasets")
    return (
        spec if not isinstance(sets, dict) else {**spec, "datasets": {key: _table(rows) for key, rows in sets.items()}}
    )


def _table(rows: Any) -> Any:
    if not isinstance(rows, list) or len(rows) < 8 or not all(isinstance(row, dict) for row in rows):
        return rows
    names = list(rows[0])
    if any(list(row) != names for row in rows):
        return rows
    return {"n": len(rows), "columns": {name: _column([row[name] for row in rows]) for name in names}}


def _column(values: list[Any]) -> dict[str, Any]:
    kinds = {type(value) for value in values}
    if len(kinds) == 1 and all(value == values[0] for value in values):
        return {"all": values[0]}
    if kinds == {str}:
        if all(_TIME.fullmatch(value) for value in values):
            seconds = [round(dt.datetime.fromisoformat(value).timestamp()) for value in values]
            return {"start": seconds[0], "steps": [b - a for a, b in itertools.pairwise(seconds)]}
        words = list(dict.fromkeys(values))
        if len(words) <= max(2, len(values) // 4):
            place = {word: k for k, word in enumerate(words)}
            return {"words": words, "at": [place[value] for value in values]}
    return {"each": values}


def unpacked(spec: dict[str, Any]) -> dict[str, Any]:
    """Return a packed specification with its rows again."""
    sets = spec.get("datasets")
    if not isinstance(sets, dict):
        return spec
    return {**spec, "datasets": {key: _rows(table) for key, table in sets.items()}}


def _rows(table: Any) -> Any:
    if not isinstance(table, dict):
        return table
    columns = {name: _values(column, table["n"]) for name, column in table["columns"].items()}
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _values(column: dict[str, Any], count: int) -> list[Any]:
    if "all" in column:
        return [column["all"]] * count
    if "words" in column:
        return [column["words"][k] for k in column["at"]]
    if "steps" in column:
        seconds = itertools.accumulate(column["steps"], initial=column["start"])
        return [f"{dt.datetime.fromtimestamp(s, tz=dt.UTC):%Y-%m-%dT%H:%M:%S}+00:00" for s in seconds]
    return list(column["each"])
