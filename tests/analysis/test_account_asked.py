"""The account of the rehearsed mission, asked anew and added up over periods (invented data)."""

from __future__ import annotations

import numpy as np
import pytest

from reeftally import ledger
from reeftally.analysis.results import read_results

pytestmark = pytest.mark.slow


def test_run_keeps_the_numbers_from_which_the_account_is_asked_anew(demo):
    results = read_results(demo)
    kept = results.trail["account_inputs"]
    mission = next(row for row in kept if row["period"] == "mission")
    found = ledger.what_if(inputs=mission["inputs"], reference_ph_offset=0.01)

    table = results.estimates
    table = table[(table["period"] == "mission") & (table["method"] == "shapley_from_reference")].set_index("quantity")
    for name in ("organic", "carbonate", "gas_exchange", "total"):
        row = table.loc[f"ph_change_{name}"]
        # Central values against the mean over trials: curvature and skew are a small part of the spread.
        assert abs(found.stated["shapley_from_reference"][name] - row["value"]) < 0.1 * (row["upper"] - row["lower"])
    assert found.shift["shapley_from_reference"]["total"] == pytest.approx(-0.01, abs=1e-9)
    stated = results.estimates.set_index("quantity").loc["ph_change_total_sensitivity"]
    assert stated["value"] == pytest.approx(-0.01, abs=1e-4)


def test_every_period_with_an_account_is_kept(demo):
    results = read_results(demo)
    table = results.estimates
    rows = table[(table["quantity"] == "ph_change_local") & (table["method"] == "shapley_from_reference")]

    assert {(r["period"], r["start"]) for r in results.trail["account_inputs"]} == set(
        zip(rows["period"], rows["start"], strict=True)
    )


@pytest.mark.parametrize("quantity", ["ph_change_local", "ph_change_organic", "ph_change_total", "ph_total"])
def test_nights_and_days_weighted_by_their_blocks_equal_the_mission(demo, quantity):
    table = read_results(demo).estimates
    rows = table[(table["quantity"] == quantity) & table["method"].isin(["shapley_from_reference", "trials"])]
    parts, whole = rows[rows["period"].isin(["night", "day"])], rows[rows["period"] == "mission"].iloc[0]

    assert parts["n"].sum() == whole["n"]
    assert np.average(parts["value"], weights=parts["n"]) == pytest.approx(whole["value"], rel=0.01)
