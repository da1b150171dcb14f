"""The shipped table of atmospheric CO2, read for the pure rooms that must not read files.

Here:     annual means by year.
Not here: interpolation rules (`reeftally.ledger.atmosphere_at`).
Rules:    no extrapolation; the table carries its sources.
"""

from __future__ import annotations

from functools import cache
from importlib import resources

import numpy as np
import pandas as pd

from reeftally._checks import FloatArray

__all__ = ["atmosphere_table"]


@cache
def atmosphere_table() -> tuple[FloatArray, FloatArray]:
    """Return years and annual mean dry mole fractions, global marine surface first, else the longer records.

    Returns
    -------
    (years, µmol mol-1)
    """
    path = resources.files("reeftally.ledger") / "data" / "atmospheric_co2.csv"
    with path.open("r", encoding="utf-8") as handle:
        table = pd.read_csv(handle)
    best = table["global_marine"].fillna(table["ar6_global"]).fillna(table["mauna_loa"])
    good = np.isfinite(best.to_numpy(dtype=np.float64))
    return table["year"].to_numpy(dtype=np.float64)[good], best.to_numpy(dtype=np.float64)[good]
