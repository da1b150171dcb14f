"""Missions compared, results reprocessed, a site against its own history. All numbers invented."""

import numpy as np
import pytest

from reeftally.errors import InputError
from reeftally.ledger import Rank, change_table, compare_missions, rank_in_history, site_status

SAME = {"ph sensor": "ISFET, type A", "constants": "lueker2000", "height": "0.35 m"}


def test_a_real_change_with_the_same_methods_is_a_change():
    # planted -0.006
    found = compare_missions(
        first=8.0120, first_sd=0.0015, second=8.0062, second_sd=0.0015, first_methods=SAME, second_methods=SAME
    )

    assert found.lower <= -0.006 <= found.upper
    assert found.verdict == "change"
    assert found.changes == ()


def test_a_new_sensor_type_makes_it_a_possible_artefact():
    # planted step +0.015 of a new sensor type
    found = compare_missions(
        first=8.0120, first_sd=0.003, second=8.0271, second_sd=0.003, first_methods=SAME,
        second_methods={**SAME, "ph sensor": "dye, type B"},
    )  # fmt: skip

    assert found.verdict == "possible artefact"
    assert [c.what for c in found.changes] == ["ph sensor"]
    assert "ph sensor" in found.sentence


def test_an_overlap_takes_the_step_off_and_adds_its_uncertainty():
    found = compare_missions(
        first=8.0120, first_sd=0.0015, second=8.0212, second_sd=0.0015, first_methods=SAME,
        second_methods={**SAME, "ph sensor": "dye, type B"}, step_bounds={"ph sensor": (0.015, 0.001)},
    )  # fmt: skip

    assert found.difference == pytest.approx(-0.0058)
    assert found.sd == pytest.approx(np.sqrt(2 * 0.0015**2 + 0.001**2))
    assert found.verdict == "change"
    assert found.changes[0].bound == pytest.approx(0.015 + 1.96 * 0.001, abs=1e-5)


def test_what_both_missions_share_cancels():
    found = compare_missions(
        first=8.0, first_sd=0.01, second=8.0, second_sd=0.01, shared_sd=0.0099, first_methods=SAME,
        second_methods=SAME,
    )  # fmt: skip

    assert found.sd == pytest.approx(np.sqrt(2 * 0.01**2 - 2 * 0.0099**2))
    assert found.verdict == "no change told"
    with pytest.raises(InputError, match="shared_sd"):
        compare_missions(
            first=8.0, first_sd=0.01, second=8.0, second_sd=0.01, shared_sd=0.02, first_methods=SAME,
            second_methods=SAME,
        )  # fmt: skip


def test_a_method_that_one_side_does_not_state_is_a_change():
    found = compare_missions(
        first=8.0, first_sd=0.01, second=8.1, second_sd=0.01, first_methods=SAME,
        second_methods={k: SAME[k] for k in ("constants", "height")},
    )  # fmt: skip

    assert found.changes[0].after == "not stated"
    with pytest.raises(InputError, match="step_bounds"):
        compare_missions(
            first=8.0, first_sd=0.01, second=8.1, second_sd=0.01, first_methods=SAME, second_methods=SAME,
            step_bounds={"weather": (0.0, 0.1)},
        )  # fmt: skip


def test_reprocessing_lists_the_largest_change_first():
    before = {"ph_total night": (8.0, 0.002), "dic_flux night": (3.0, 0.5), "gone": (1.0, 0.1)}
    after = {"ph_total night": (7.9994, 0.002), "dic_flux night": (3.05, 0.5), "new": (2.0, 0.1)}

    rows = change_table(before=before, after=after)

    assert {row.key for row in rows[:2]} == {"gone", "new"}
    assert [row.key for row in rows[2:]] == ["ph_total night", "dic_flux night"]
    assert rows[2].difference == pytest.approx(-0.0006)
    assert rows[2].in_sd == pytest.approx(0.3)


def test_a_season_is_ranked_against_its_own_years():
    ph = np.array([8.00, 7.95, 7.90, 8.02, np.nan, 7.96, 7.92, 8.04])
    night = np.array([-1, 0, 0, -1, 1, 1, 1, -1])

    found = site_status(
        ph=ph, night=night, block_hours=0.25, site_value=7.95, mean_sd=0.01, history=[7.99, 7.98, 7.96, 8.00]
    )

    assert found.night_minimum == pytest.approx((7.90 + 7.92) / 2)
    assert found.hours_below == pytest.approx(0.5)
    assert found.hours_measured == pytest.approx(7 * 0.25)
    assert found.mean == pytest.approx(np.nanmean(ph))
    # 7.9700 lies above 7.96 only; at 7.9504 above none, at 7.9896 above 7.96 and 7.98
    assert found.rank == Rank(rank=2, of=5, lower=1, upper=3)


def test_a_series_without_values_has_no_status():
    with pytest.raises(InputError, match="no finite"):
        site_status(ph=[np.nan], night=[0], block_hours=0.25, site_value=7.9)


def test_a_local_share_is_ranked_like_any_other_value():
    found = rank_in_history(value=-0.031, sd=0.002, history=[-0.025, np.nan, -0.034, -0.030])

    assert found == Rank(rank=2, of=4, lower=1, upper=3)
