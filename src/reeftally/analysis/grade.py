"""Grading: the estimates of a rehearsal beside its truth.

Here:     matching, inside or not, relative error, counts.
Not here: making either of them. Only `rehearse --grade` calls this; no other part reads the truth.
Rules:    truth and estimate meet only when quantity, subject, period, unit and (for dated periods) start and end
          agree, and the method where the truth names one.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from reeftally.analysis.results import read_results
from reeftally.errors import ResultError

__all__ = ["Grade", "grade"]

# Night and day limits of truth and estimate come from two routes to the sun; a block is 15 min.
TIME_TOLERANCE_S = 1000.0


@dataclass(frozen=True, slots=True)
class Grade:
    """The table and its counts."""

    table: pd.DataFrame
    """quantity, method, subject, period, start, truth, value, lower, upper, inside, relative_error, unit, flag."""
    unmatched_truth: int
    unmatched_estimates: int

    @property
    def inside(self) -> int:
        """How many intervals hold the truth."""
        return int(self.table["inside"].sum())

    @property
    def total(self) -> int:
        """How many estimates had a truth and a value."""
        return int(self.table["value"].notna().sum())


def _seconds(text: Any) -> float:
    if text is None or (isinstance(text, float) and np.isnan(text)) or text == "":
        return float("nan")
    return float(pd.Timestamp(text).timestamp())


def _same_time(one: Any, other: Any) -> bool:
    a, b = _seconds(one), _seconds(other)
    return np.isnan(a) or np.isnan(b) or abs(a - b) <= TIME_TOLERANCE_S


def grade(mission: Path, *, run: str | None = None) -> Grade:
    """Compare the latest results of a rehearsed mission with its truth.

    Raises
    ------
    ResultError
        If the mission has no truth (it is not a rehearsal) or no results.
    """
    path = mission / "truth.json"
    if not path.exists():
        message = f"{mission.name}: no truth.json, so this is not a rehearsal and there is nothing to grade against."
        raise ResultError(message)
    truths = json.loads(path.read_text(encoding="utf-8"))
    estimates = read_results(mission, run).estimates
    by_key: dict[tuple[str, str, str], list[dict[str, Any]]] = {}
    for truth in truths:
        if truth.get("value") is None or isinstance(truth["value"], str):
            continue
        by_key.setdefault((truth["quantity"], truth["subject"], truth["period"]), []).append(truth)
    rows: list[dict[str, Any]] = []
    used: set[int] = set()
    lonely = 0
    for row in estimates.to_dict("records"):
        matches = [
            t
            for t in by_key.get((str(row["quantity"]), str(row["subject"]), str(row["period"])), [])
            if _same_time(t.get("start"), row["start"])
            and _same_time(t.get("end"), row["end"])
            and t.get("method", row["method"]) == row["method"]
            and str(t.get("unit", "")).strip() == str(row["unit"]).strip()
            and t.get("channel", row["channel"]) == row["channel"]
        ]
        if not matches:
            lonely += 1
            continue
        truth = matches[0]
        used.add(id(truth))
        value, true = float(row["value"]), float(truth["value"])
        rows.append(
            {
                **{
                    k: row[k]
                    for k in ("quantity", "method", "subject", "period", "start", "end", "unit", "flag", "reason")
                },
                "truth": true,
                "value": value,
                "lower": float(row["lower"]),
                "upper": float(row["upper"]),
                "inside": bool(row["lower"] <= true <= row["upper"]),
                "relative_error": (value - true) / abs(true) if true != 0 else np.nan,
                "budget": row["budget"],
            }
        )
    columns = [
        "quantity", "method", "subject", "period", "start", "end", "truth", "value", "lower", "upper", "inside",
        "relative_error", "unit", "flag", "reason", "budget",
    ]  # fmt: skip
    known = sum(len(group) for group in by_key.values())
    return Grade(
        table=pd.DataFrame(rows, columns=columns), unmatched_truth=known - len(used), unmatched_estimates=lonely
    )
