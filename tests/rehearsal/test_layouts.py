"""The invented layouts hold for the mission room's own model."""

from __future__ import annotations

import fnmatch
import re

import pytest

from reeftally.mission import layout_problems, parse_layout
from reeftally.rehearsal.layouts import LAYOUT_OF, LAYOUTS, near_profiler
from reeftally.rehearsal.reef import INSTRUMENTS

_ALL = [*LAYOUTS.values(), near_profiler(0.0)]


@pytest.mark.parametrize("layout", _ALL, ids=lambda layout: layout.name)
def test_each_layout_is_accepted_by_the_model(layout):
    parsed = parse_layout(layout.toml(), f"layouts/{layout.name}.toml")

    assert layout_problems(parsed, f"layouts/{layout.name}.toml") == ()
    assert len(parsed.columns) == len(layout.columns)


def test_factors_are_the_inverse_of_the_models_conversions():
    for layout in _ALL:
        parsed = parse_layout(layout.toml(), f"layouts/{layout.name}.toml")
        for own, theirs in zip(layout.columns, parsed.columns, strict=True):
            assert float(theirs.to_canonical(2.0 * own.factor)) == pytest.approx(2.0, rel=1e-12)


def test_every_instruments_files_match_one_layout_only():
    for label in INSTRUMENTS:
        own = next(layout for layout in _ALL if layout.name == LAYOUT_OF[label])
        name = f"{label}_20310329.{own.extension}"

        matching = [layout.name for layout in _ALL if fnmatch.fnmatch(name, layout.filename)]

        assert matching == [own.name]
        assert re.match(own.pattern, name).group(1) == label


def test_averages_declare_their_length_and_stamp():
    for layout in [*LAYOUTS.values(), near_profiler(10.0)]:
        assert (layout.averaging_s is None) == (layout.stamp == "instant")
