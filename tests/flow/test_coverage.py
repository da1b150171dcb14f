"""The stated intervals of every estimator hold the truth: two portions of the study in benchmarks/coverage_flow.py."""

import importlib.util
import sys
from pathlib import Path

import pytest
from scipy import stats

PATH = Path(__file__).resolve().parents[2] / "benchmarks" / "coverage_flow.py"
SPEC = importlib.util.spec_from_file_location("coverage_flow", PATH)
assert SPEC is not None
assert SPEC.loader is not None
study = importlib.util.module_from_spec(SPEC)
sys.modules[SPEC.name] = study
SPEC.loader.exec_module(study)


@pytest.mark.slow
@pytest.mark.parametrize("name", list(study.ESTIMATORS))
def test_intervals_hold_the_truth_as_often_as_they_say(name):
    parts = [study.portion(name, number) for number in (0, 1)]
    kept = sum(part["kept"] for part in parts)

    assert kept >= 0.95 * sum(part["asked"] for part in parts)
    for level, key in zip(study.LEVELS, ("half", "most"), strict=True):
        low, high = stats.binom.ppf([0.0005, 0.9995], kept, level)
        assert low <= sum(part[key] for part in parts) <= high, (name, level)
