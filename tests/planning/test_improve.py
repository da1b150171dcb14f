"""Ranked improvements; random designs are invented."""

from dataclasses import replace

import numpy as np
import pytest

from reeftally.planning import CHANGES, improvements, predict, spread
from reeftally.planning.missions import Water


def random_design(make_mast, rng):
    return make_mast(
        hours=24.0,
        block=1800.0,
        beside=(rng.choice([0.0, 1.0, 4.0]), 0.0),
        swaps=tuple(sorted(rng.uniform(6.0, 18.0, rng.integers(0, 3)))),
        heights=(0.35, 1.00) if rng.random() < 0.5 else (0.30, 0.55, 1.00),
        noise=10.0 ** rng.uniform(-2.2, -0.3),
        offset=10.0 ** rng.uniform(-1.0, 0.5),
        drift=10.0 ** rng.uniform(-2.0, -0.7),
        height_sd=rng.uniform(0.003, 0.03),
        displacement_sd=rng.uniform(0.003, 0.04),
        friction_systematic=rng.uniform(0.02, 0.15),
        flux_variation=(2.0, 1.0),
    )


@pytest.mark.slow
def test_the_first_of_the_list_gives_the_largest_real_reduction_in_most_designs(make_mast):
    # Story 2: in at least 80 % of 50 random designs. Real: spread of simulated missions, equal draws for all changes.
    rng = np.random.default_rng(5)
    right = 0
    for number in range(50):
        design = random_design(make_mast, rng)
        first = improvements(design, "night")[0].name
        altered = {change.name: change.alter(design) for change in CHANGES}

        def real(names, missions, altered=altered, number=number):
            found = {n: spread(altered[n], "night", missions=missions, seed=number).half_width for n in names}
            return sorted(found, key=found.get)

        # Every change by few missions, then the best three by many: the spread of 150 is good to 6 %.
        best = real([name for name, other in altered.items() if other is not None], 30)[:3]
        right += first == real(best, 150)[0]

    assert right >= 40


def test_the_list_is_sorted_and_every_change_is_a_change_for_the_better_or_none(make_mast):
    found = improvements(make_mast(), "night")

    assert [i.half_width for i in found] == sorted(i.half_width for i in found)
    assert all(i.reduction > -0.02 for i in found)
    assert len({i.name for i in found}) == len(found)


def test_each_dominant_cause_calls_for_its_own_remedy(make_mast):
    quiet = {"height_sd": 0.001, "displacement_sd": 0.001, "friction_systematic": 0.005}

    def first(**case):
        return improvements(make_mast(**(quiet | case)), "night")[0].name

    assert first(height_sd=0.0, displacement_sd=0.04) == "displacement"
    assert first(friction_systematic=0.2) == "friction velocity"
    assert first(swaps=(), beside=(0.0, 0.0), offset=2.0, heights=(0.35, 1.0)) == "swap"


def test_a_change_leaves_the_design_it_came_from_alone(make_mast):
    design = make_mast()
    before = predict(design, "night").half_width
    heights = design.height.copy()

    for change in CHANGES:
        change.alter(design)

    assert np.array_equal(design.height, heights, equal_nan=True)
    assert predict(design, "night").half_width == before


def test_neighbours_before_and_after_the_mission_do_not_stop_a_plan(make_mast):
    design = make_mast(hours=12.0, block=1800.0, swaps=(), beside=(0.0, 0.0), flux_variation=(2.0, 1.0))
    step = design.time[1] - design.time[0]
    time = np.concatenate([design.time[0] - step * np.arange(3, 0, -1), design.time[-1] + step * np.arange(1, 4)])
    water = Water(
        name="rack", time=time, present=np.ones((design.height.shape[0], time.size), dtype=bool), beside=False
    )
    joined = replace(design, waters=(water,))

    tried = improvements(joined, "mission", draws=1)

    assert tried
    assert all(np.isfinite(item.half_width) for item in tried)
    # Sensors that shared a water before and after are known better against each other.
    assert predict(joined, "mission", draws=1).half_width < predict(design, "mission", draws=1).half_width
