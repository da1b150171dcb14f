"""The example of real measurements, copied away, taken in and analysed once for all its tests."""

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

EXAMPLE = Path(__file__).parents[2] / "examples" / "reef-diel"
FILES = ("ph.csv", "current.csv", "light.csv")


@dataclass(frozen=True)
class Ran:
    """What the example gave."""

    folder: Path
    report: Any
    findings: list[Any]
    chain: Any
    estimates: pd.DataFrame

    def row(self, quantity: str, period: str = "mission") -> pd.Series:
        """Return the one row of a quantity and period."""
        found = self.estimates[(self.estimates.quantity == quantity) & (self.estimates.period == period)]
        assert len(found) == 1, found
        return found.iloc[0]


@pytest.fixture(scope="session")
def reef_diel(tmp_path_factory) -> Ran:
    """The example, run by the Python interface of the commands."""
    from reeftally.analysis.findings import find
    from reeftally.analysis.run import analyse
    from reeftally.intake import take_in

    folder = tmp_path_factory.mktemp("example") / "reef-diel"
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("raw", "observations", "results", "book", "log"))
    report = take_in(folder, [folder / name for name in FILES], now_ns=0)
    findings = find(folder)
    run, chain = analyse(folder)
    return Ran(folder, report, findings, chain, pd.read_csv(run / "estimates.csv"))
