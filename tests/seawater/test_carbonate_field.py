"""Saturation with depth on a real cruise, against what was published about it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reeftally.seawater.carbonate import solve

BOTTLES = Path(__file__).parent / "data" / "west_coast_bottles_2007.csv"


@pytest.fixture(scope="module")
def bottles() -> pd.DataFrame:
    table = pd.read_csv(BOTTLES, comment="#")
    state = solve(
        total_alkalinity=table["total_alkalinity"],
        dic=table["dic"],
        temperature=table["temperature"],
        salinity=table["salinity"],
        pressure=table["pressure"],
        phosphate=table["phosphate"].fillna(0.0),
        silicate=table["silicate"].fillna(0.0),
        outputs=("aragonite_saturation", "ph_total", "pco2"),
    )
    table["aragonite"] = state.aragonite_saturation
    table["ph"] = state.ph_total
    table["pco2"] = state.pco2
    return table


def depth_of_undersaturation(station: pd.DataFrame) -> float:
    """Depth where the saturation first falls below one, linear between bottles; NaN if never."""
    cast = station.sort_values("pressure")
    depth, omega = cast["pressure"].to_numpy(), cast["aragonite"].to_numpy()
    below = np.flatnonzero(omega < 1.0)
    if below.size == 0:
        return np.nan
    i = below[0]
    if i == 0:
        return float(depth[0])
    share = (1.0 - omega[i - 1]) / (omega[i] - omega[i - 1])
    return float(depth[i - 1] + share * (depth[i] - depth[i - 1]))


def test_every_good_bottle_has_a_solution(bottles: pd.DataFrame) -> None:
    assert len(bottles) > 1700
    assert bottles["aragonite"].notna().all()


def test_undersaturated_water_lies_where_it_was_published_to_lie(bottles: pd.DataFrame) -> None:
    # Feely et al. 2008, Science 320, 1490: on most lines water undersaturated in aragonite covers
    # the shelf from about 40 to 120 m (depths from memory). Shelf and upper slope: bottom to 1500 m.
    coastal = bottles[bottles["bottom_depth"] <= 1500]

    depths = {
        line: np.nanmedian([depth_of_undersaturation(cast) for _, cast in stations.groupby("station")])
        for line, stations in coastal.groupby("line")
    }

    assert len(depths) == 13
    inside = [40.0 <= depth <= 120.0 for depth in depths.values()]
    assert sum(inside) > len(inside) / 2


def test_the_whole_inshore_column_of_line_five_was_undersaturated(bottles: pd.DataFrame) -> None:
    # Feely et al. 2008: on transect 5, off northern California (about 42 °N), undersaturated water
    # reached the surface inshore of about the 50 m contour (from memory).
    line = bottles[bottles["line"] == 5]
    inshore = line[line["bottom_depth"] == line["bottom_depth"].min()]
    next_out = line[line["bottom_depth"].between(100, 200)]

    assert inshore["pressure"].min() < 10.0
    assert (inshore["aragonite"] < 1.0).all()
    assert next_out.sort_values("pressure")["aragonite"].iloc[0] > 1.0


def test_offshore_surface_water_was_supersaturated(bottles: pd.DataFrame) -> None:
    offshore = bottles[(bottles["bottom_depth"] > 2500) & (bottles["pressure"] < 20.0)]

    assert len(offshore) > 20
    assert (offshore["aragonite"] > 1.0).all()
