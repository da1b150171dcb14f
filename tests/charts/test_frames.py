"""From block series to tables: gaps stay gaps, bounds are the stored uncertainties."""

import numpy as np
import pytest
import xarray as xr

from reeftally.charts import SERIES_COLUMNS, series_frame


def _data(values, *, starts=None, **companions):
    values = np.asarray(values, dtype=float)
    if starts is None:
        starts = np.datetime64("2031-01-01T00:00", "ns") + np.arange(values.size) * np.timedelta64(900, "s")
    data = xr.Dataset({"oxygen": ("time", values)}, coords={"time": starts})
    for name, part in companions.items():
        data[f"oxygen_{name}"] = ("time", np.full(values.size, part))
    return data


def test_a_block_stands_at_its_middle():
    table = series_frame(_data([1.0, 2.0, 3.0]), ["oxygen"])

    assert list(table.columns) == list(SERIES_COLUMNS)
    assert str(table["time"].iloc[0]) == "2031-01-01 00:07:30+00:00"


def test_bounds_hold_both_parts_of_the_uncertainty():
    # 3 and 4 join to 5; a normal 95 % interval is 1.959964 standard deviations to each side.
    table = series_frame(_data([10.0, 10.0], random_sd=3.0, systematic_sd=4.0), ["oxygen"])

    assert table["upper"].iloc[0] - 10.0 == pytest.approx(5.0 * 1.959964)
    assert 10.0 - table["lower"].iloc[0] == pytest.approx(5.0 * 1.959964)


def test_without_uncertainty_there_are_no_bounds():
    table = series_frame(_data([10.0, 11.0]), ["oxygen"])

    assert table[["lower", "upper"]].isna().all().all()


def test_a_missing_stretch_breaks_the_line():
    start = np.datetime64("2031-01-01T00:00", "ns")
    steps = np.array([0, 1, 2, 9, 10, 11])
    table = series_frame(_data(np.ones(6), starts=start + steps * np.timedelta64(900, "s")), ["oxygen"])

    assert table["value"].isna().tolist() == [False, False, False, True, False, False, False]


def test_a_block_between_two_gaps_is_marked_as_alone():
    table = series_frame(_data([1.0, np.nan, 2.0, np.nan, 3.0, 4.0]), ["oxygen"])

    assert table["alone"].tolist() == [True, False, True, False, False, False]


def test_what_is_missing_or_empty_is_left_out():
    data = _data([np.nan, np.nan])

    assert series_frame(data, ["oxygen", "salinity"]).empty
    assert list(series_frame(data, []).columns) == list(SERIES_COLUMNS)
