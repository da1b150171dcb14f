"""Sources of pH that contradict each other: the sentence, and no average."""

import csv
import shutil

import numpy as np
import pytest

from reeftally.analysis.contradictions import CALCULATED, MEASURED, Source, disagreements_of, sentence
from reeftally.analysis.results import read_results


def source(name, value, *, random=0.002, common=0.003):
    values = np.asarray(value, dtype=float)
    return Source(name=name, value=values, random_sd=np.full(values.size, random), common_sd=common)


def test_sources_that_agree_say_nothing():
    rows = disagreements_of([source("a", [8.0, 8.01]), source("b", [8.004, 8.006])])
    assert len(rows) == 1
    assert not rows[0].contradictory
    assert sentence(rows) == ""


def test_difference_is_judged_against_both_sides():
    # Two bottles of 0.002 each side, 0.003 in common each side: sqrt(2 * 0.002^2 / 2 + 2 * 0.003^2) = 0.00469.
    (row,) = disagreements_of([source("a", [8.02, 8.02]), source("b", [8.0, 8.0])])
    assert row.sd == pytest.approx(np.sqrt(0.002**2 + 2 * 0.003**2), rel=1e-12)
    assert row.difference == pytest.approx(0.02)
    assert row.contradictory
    (close,) = disagreements_of([source("a", [8.016, 8.016]), source("b", [8.0, 8.0])])
    assert not close.contradictory


def test_scatter_beyond_what_is_stated_counts():
    (row,) = disagreements_of([source("a", [8.1, 7.9, 8.1, 7.94]), source("b", [8.0, 8.0, 8.0, 8.0])])
    assert row.sd > 0.04
    assert not row.contradictory


def test_sentence_names_the_one_that_stands_alone():
    rows = disagreements_of([source("bottle", [8.05]), source("pair", [8.0]), source("logger", [8.002])])
    said = sentence(rows)
    assert "bottle and pair disagree by +0.0500" in said
    assert said.endswith("look at bottle first")


def test_sources_without_a_common_bottle_are_not_compared():
    assert disagreements_of([source("a", [8.0, np.nan]), source("b", [np.nan, 8.3])]) == []


@pytest.mark.slow
def test_contradictory_bottles_leave_the_result_unresolved(demo, tmp_path):
    from reeftally.analysis.run import analyse

    folder = tmp_path / "mission"
    shutil.copytree(demo, folder, symlinks=True)
    path = folder / "tables" / "bottles.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        if row["ph_total"] and row["station"] != "Farpost":
            row["ph_total"] = f"{float(row['ph_total']) + 0.06:.4f}"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    before = read_results(folder).estimates
    analyse(folder)
    after = read_results(folder).estimates
    for quantity in ("ph_total", "dic", "ph_change_local", "aragonite_saturation"):
        was, now = (table[table["quantity"] == quantity] for table in (before, after))
        assert was["value"].notna().all()
        assert now["value"].isna().all()
        assert len(was) == len(now)
        reason = now["reason"].iloc[0]
        assert reason.startswith("not resolved: in the reef's water")
        assert MEASURED in reason
        assert CALCULATED in reason
        assert (now["flag"] == 4).all()
    # What does not hang on the level of pH keeps its value.
    flux = after[(after["quantity"] == "oxygen_flux") & (after["method"] == "covariance")]
    assert flux["value"].notna().any()
