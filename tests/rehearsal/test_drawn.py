"""A drawn truth: from the priors that the book and the analysis state, and unknown to the book (invented data)."""

from __future__ import annotations

import numpy as np
import pytest

from reeftally.analysis.offsets import LABORATORY_SD
from reeftally.rehearsal.book import book_text
from reeftally.rehearsal.highrate import make_world
from reeftally.rehearsal.reef import FORMS, OTHER_SD, PRIORS, reef_of, sensors_of
from reeftally.rehearsal.script import script_of

SEEDS = range(400)


@pytest.fixture(scope="module")
def reefs():
    return [reef_of(seed, draw=True) for seed in SEEDS]


@pytest.mark.parametrize(
    ("name", "mean", "sd"),
    [("von_karman", 0.41, 0.01), ("kolmogorov", 1.5, 0.075), ("displacement", 0.10, 0.02), ("pq", 1.05, 0.05),
     ("residence_h", 34.0, 5.0)],
)  # fmt: skip
def test_constants_spread_as_their_priors(reefs, name, mean, sd):
    drawn = np.array([getattr(reef, name) for reef in reefs])
    assert drawn.mean() == pytest.approx(mean, abs=4 * sd / np.sqrt(drawn.size))
    # The standard error of a standard deviation is sd / sqrt(2 n): four of them.
    assert drawn.std() == pytest.approx(sd, abs=4 * sd / np.sqrt(2 * drawn.size))


def test_heights_of_the_mast_are_independent(reefs):
    heights = np.array([[reef.height_error(place) for place in ("low", "middle", "high", "VEL-A")] for reef in reefs])
    assert heights.std(axis=0) == pytest.approx(np.full(4, 0.01), abs=0.0015)
    assert np.abs(np.corrcoef(heights.T) - np.eye(4)).max() < 0.2


def test_laboratory_is_drawn_as_the_analysis_allows(reefs):
    for name, quantity in (("oxygen", "oxygen"), ("ph", "ph_total"), ("salinity", "salinity")):
        assert PRIORS[f"laboratory_{name}"] == (0.0, LABORATORY_SD[quantity])
        drawn = np.array([reef.laboratory[name] for reef in reefs])
        assert drawn.std() == pytest.approx(LABORATORY_SD[quantity], rel=0.15)


def test_duty_and_jet_profile_stay_possible(reefs):
    duty = np.array([[form.duty for form in reef.forms] for reef in reefs])
    ratio = np.array([[form.ratio for form in reef.forms] for reef in reefs])
    assert ((duty > 0) & (duty <= 1)).all()
    assert ((ratio > 0) & (ratio <= 1)).all()
    assert duty[:, 1].mean() == pytest.approx(FORMS[1].duty, abs=0.01)
    assert duty[:, 1].std() == pytest.approx(0.05, rel=0.15)


def test_offsets_of_further_quantities_spread_as_the_book_states():
    for label, quantity in (("MET-1", "wind_speed"), ("MET-1", "wind_gain"), ("VEL-A", "velocity_z")):
        drawn = np.array([sensors_of(seed, draw=True)[label].others[quantity] for seed in SEEDS])
        assert drawn.std() == pytest.approx(OTHER_SD[label][quantity], rel=0.15)
        assert sensors_of(1, draw=False)[label].others[quantity] == 0.0


def test_nothing_is_drawn_without_being_asked():
    reef = reef_of(3)
    assert reef.forms == FORMS
    assert reef.laboratory == {}
    assert reef.laboratory_alkalinity == 1.1


def test_book_of_the_short_mission_does_not_know_the_truth():
    labels = script_of("short").instruments
    one, other = (book_text(make_world("short", seed, draw=True), labels) for seed in (1, 2))
    assert one == other
    assert "period_trials = 1000" in one
    assert "sample_interval_s = 0.0625" in one
