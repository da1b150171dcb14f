"""Prediction against the spread of simulated missions; all designs are invented."""

from dataclasses import replace

import numpy as np
import pytest

from reeftally.errors import InputError
from reeftally.planning import predict, spread
from reeftally.planning.missions import Water, draw_mission


@pytest.mark.slow
def test_predicted_night_interval_is_that_of_200_simulated_missions(make_mast):
    # Story 1: within 25 %.
    design = make_mast()

    predicted = predict(design, "night")
    real = spread(design, "night", missions=200, seed=7)

    assert predicted.half_width == pytest.approx(real.half_width, rel=0.25)
    assert abs(real.bias) < 3.0 * real.half_width / 1.96 / np.sqrt(200.0) + 0.02 * 12.0


@pytest.mark.slow
@pytest.mark.parametrize(
    "case",
    [
        {"noise": 0.1, "swaps": (12.0,)},
        {"swaps": (), "beside": (2.0, 0.0), "drift": 0.3},
        {"heights": (0.35, 1.00), "offset": 1.0, "beside": (0.0, 0.0)},
    ],
)
def test_predicted_interval_holds_for_noisy_drifting_and_bare_masts(make_mast, case):
    design = make_mast(**case)

    predicted = predict(design, "night")
    real = spread(design, "night", missions=200, seed=3)

    assert predicted.half_width == pytest.approx(real.half_width, rel=0.25)


def test_without_swaps_the_offset_dominates_where_nothing_ties_the_sensors(make_mast):
    bare = predict(make_mast(swaps=(), beside=(0.0, 0.0), offset=1.0), "night")
    swapped = predict(make_mast(beside=(0.0, 0.0), offset=1.0), "night")

    assert bare.dominant == "offset"
    assert swapped.budget["offset"] < 0.2 * bare.budget["offset"]


def test_a_longer_side_by_side_lowers_the_error_of_offsets(make_mast):
    short, long = (
        predict(make_mast(swaps=(), beside=(hours, 0.0), noise=0.1, drift=0.0), "night").budget["offset"]
        for hours in (1.0, 4.0)
    )

    # Four times the blocks halve it: the law of the mean of independent block means.
    assert long == pytest.approx(0.5 * short, rel=0.15)


def test_causes_add_in_quadrature_and_known_further_causes_count(make_mast):
    design = make_mast()
    plain = predict(design, "night")
    more = predict(replace(design, other_sd={"alkalinity_flux": 2.0}), "night")

    assert plain.half_width == pytest.approx(1.96 * np.sqrt(sum(v**2 for v in plain.budget.values())), rel=1e-9)
    assert more.half_width == pytest.approx(np.hypot(plain.half_width, 1.96 * 2.0), rel=1e-9)
    assert more.dominant == "alkalinity_flux"


def test_a_period_without_blocks_is_refused_by_name(make_mast):
    with pytest.raises(InputError, match="season"):
        predict(make_mast(), "season")


def test_neighbours_outside_the_mission_share_one_water(make_mast):
    design = make_mast(noise=0.0, offset=0.0, drift=0.0, beside=(0.0, 0.0))
    step = design.time[1] - design.time[0]
    for time in (design.time[-1] + step * np.arange(1, 4), design.time[0] - step * np.arange(4, 0, -1)):
        present = np.ones((design.height.shape[0], time.size), dtype=bool)
        water = Water(name="elsewhere", time=time, present=present, beside=False)
        drawn = draw_mission(replace(design, waters=(water,)), np.random.default_rng(3))

        # Errors are nought here: sensors in one water read the same, on the mast they stand apart.
        assert np.ptp(drawn.groups[0].values, axis=0) == pytest.approx(0.0, abs=1e-12)
        assert np.ptp(drawn.values, axis=0).max() > 0.1
