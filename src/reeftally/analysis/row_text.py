"""Rows of a result as the text of a table.

Here:     one way to write plain rows as CSV.
Not here: what the rows hold.
Rules:    None and NaN are empty fields; floats carry six digits.
"""

from __future__ import annotations

import csv
import io
from typing import Any

import numpy as np

__all__ = ["rows_csv"]


def rows_csv(rows: list[dict[str, Any]], columns: tuple[str, ...]) -> str:
    """Return rows as CSV text with these columns; None and NaN are empty fields."""
    out = io.StringIO()
    writer = csv.DictWriter(out, fieldnames=columns, lineterminator="\n")
    writer.writeheader()
    for row in rows:
        writer.writerow({name: _text(row[name]) for name in columns})
    return out.getvalue()


def _text(value: object) -> str:
    if value is None or (isinstance(value, float) and not np.isfinite(value)):
        return ""
    return f"{value:.6g}" if isinstance(value, float) else str(value)
