"""Footprint: warnings and bottom shares (numbers of the fit itself: data/published.json)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reeftally import exchange
from reeftally.errors import ShapeError


def test_inside_the_fitted_range_there_is_no_warning():
    assert exchange.footprint(height=0.15, roughness_length=0.001, depth=6.0).warnings() == ()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"height": 0.6}, "height outside"),
        ({"roughness_length": 0.02}, "roughness length outside"),
        ({"depth": 0.8}, "shallower"),
        ({"waves": True}, "waves or stratification"),
    ],
)
def test_outside_the_fitted_range_the_value_comes_with_a_warning(change, words):
    found = exchange.footprint(**{"height": 0.15, "roughness_length": 0.001, "depth": 6.0, **change})

    assert any(words in text for text in found.warnings())
    assert np.isfinite(found.length)


@pytest.mark.parametrize("change", [{"height": 0.05, "displacement": 0.1}, {"roughness_length": 0.0}, {"depth": 0.1}])
def test_impossible_heights_have_no_footprint(change):
    found = exchange.footprint(**{"height": 0.15, "roughness_length": 0.001, "depth": 6.0, **change})

    assert np.isnan(found.length)
    assert any("no footprint" in text for text in found.warnings())


def test_bottom_shares_follow_the_flow_direction_and_add_to_one():
    axis = np.arange(-39.75, 40.0, 0.5)
    east, north = (grid.ravel() for grid in np.meshgrid(axis, axis))
    bottom = np.where(east > 0.0, 0, 1)
    shape = exchange.footprint(height=0.3, roughness_length=0.01)
    common = {
        "length": float(shape.length), "peak": float(shape.peak), "width": float(shape.width), "east": east,
        "north": north, "bottom": bottom, "names": ("sand", "coral"),
    }  # fmt: skip
    from_east = exchange.bottom_shares(direction_from=90.0, **common)
    from_west = exchange.bottom_shares(direction_from=270.0, **common)

    assert_allclose(sum(from_east.values()), 1.0)
    assert from_east["sand"] > 0.99
    assert from_west["coral"] > 0.99
    assert_allclose(exchange.bottom_shares(direction_from=0.0, **common)["sand"], 0.5)


def test_unmapped_ground_is_called_unknown_and_no_ground_is_empty():
    common = {"length": 30.0, "peak": 1.4, "width": 1.0, "names": ("sand",), "direction_from": 90.0}
    unknown = exchange.bottom_shares(east=[2.0], north=[0.0], bottom=[-1], **common)

    assert unknown == {"sand": 0.0, "unknown": 1.0}
    assert exchange.bottom_shares(east=[-2.0], north=[0.0], bottom=[0], **common) == {}
    with pytest.raises(ShapeError, match="bottom"):
        exchange.bottom_shares(east=[2.0], north=[0.0], bottom=[0, 1], **common)
