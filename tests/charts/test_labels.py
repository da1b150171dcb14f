"""Titles of axes: name and unit of every quantity of the table."""

import pytest

from reeftally._names import QUANTITIES
from reeftally.charts import axis_title, driver_name, method_name, pretty_unit, quantity_name


@pytest.mark.parametrize(
    ("unit", "shown"),
    [
        ("mmol m-2 h-1", "mmol m⁻² h⁻¹"),
        ("µmol kg-1", "µmol kg⁻¹"),
        ("", ""),
        ("1", ""),
        ("d-1", "d⁻¹"),
        ("°C", "°C"),
        ("W kg-1", "W kg⁻¹"),
    ],
)
def test_exponents_are_raised(unit, shown):
    assert pretty_unit(unit) == shown


@pytest.mark.parametrize("name", sorted(QUANTITIES))
def test_every_quantity_has_a_title_with_its_unit(name):
    title = axis_title(name)

    assert pretty_unit(QUANTITIES[name].unit) in title
    assert "_" not in title
    assert title[0] == title[0].upper() or title[0] in "δpu"


def test_names_that_are_not_in_the_table_are_words_still():
    assert quantity_name("some_new_thing") == "Some new thing"
    assert method_name("some_new_way") == "some new way"
    assert driver_name("some_driver") == "some driver"
    assert axis_title("some_new_thing", "mmol d-1") == "Some new thing (mmol d⁻¹)"


def test_parts_of_a_change_are_named_by_their_driver():
    assert quantity_name("ph_change_residual") == "Change of pH: left over"
    assert quantity_name("aragonite_saturation_change_global").startswith("Change of aragonite saturation: CO₂")
