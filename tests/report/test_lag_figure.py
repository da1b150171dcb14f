"""The figure of lags: every block once, those whose flux hangs on the lag told apart; invented series."""

import json

import numpy as np
import pytest
import xarray as xr

from reeftally.exchange._common import Reason
from reeftally.report import read_facts
from reeftally.telling.figures_exchange import flux_of_lag, lag_used


@pytest.fixture
def facts(build_mission, tmp_path):
    return read_facts(build_mission(tmp_path / "m", keep=set()))


def put(facts, lag, speed, codes):
    start = np.datetime64(facts.span[0], "ns")
    time = start + np.arange(len(lag)) * np.timedelta64(900, "s")
    facts._groups["exchange"] = xr.Dataset(
        {"lag": ("time", np.array(lag)), "oxygen_flux_covariance_reason": ("time", np.array(codes, dtype=np.int32))},
        coords={"time": time},
    )
    facts._groups["flow"] = xr.Dataset({"speed": ("time", np.array(speed))}, coords={"time": time})
    return lag_used(facts)


def test_each_block_stands_once_with_its_lag_and_what_hangs_on_it(facts):
    moves, edge = int(Reason.LAG_SENSITIVE), int(Reason.LAG_AT_EDGE)
    figure = put(facts, [0.5, 0.7, 0.9, np.nan, 1.1], [0.1, 0.2, 0.3, 0.2, np.nan], [0, moves | 1, edge, -1, 0])
    spec = json.loads(figure.build(300).to_json())
    rows = [row for data in spec["datasets"].values() for row in data if "lag" in row]

    assert [(r["speed"], r["lag"]) for r in rows] == [(0.1, 0.5), (0.2, 0.7), (0.3, 0.9)]
    assert ["less than" in rows[0]["state"], "more than" in rows[1]["state"], "edge" in rows[2]["state"]] == [True] * 3
    assert "Of the blocks 1 hang on it and 1 stand at the edge" in figure.caption
    marks = spec["layer"][-1]["encoding"]["shape"]["scale"]
    # Told apart by shape, so that grey print does.
    assert len(set(marks["range"])) == len(marks["domain"]) == 3


def test_a_block_that_never_was_has_no_doubt(facts):
    figure = put(facts, [0.5, 0.6], [0.1, 0.1], [-1, 0])

    assert "Of the blocks 0 hang on it and 0 stand at the edge" in figure.caption


def test_what_is_missing_is_said(facts):
    assert "fast oxygen" in put(facts, [np.nan] * 2, [0.1, 0.2], [0, 0]).missing
    assert "speed" in put(facts, [0.5] * 2, [np.nan] * 2, [0, 0]).missing


def test_the_curve_of_flux_against_lag_has_a_line_a_direction_and_the_lag_used_on_it(facts):
    lag = np.linspace(-5.0, 5.0, 81)
    curve = np.stack([-4.0 * np.exp(-((lag - 0.8) ** 2)), -2.0 * np.exp(-((lag - 0.1) ** 2))])
    facts._groups["exchange"] = xr.Dataset(
        {
            "oxygen_flux_of_lag": (("flow_direction", "lag_time"), curve),
            "lag_used_mean": ("flow_direction", [0.8, 0.1]),
            "lag_expected_mean": ("flow_direction", [0.9, -0.1]),
        },
        coords={"flow_direction": [0, 1], "lag_time": lag},
    )

    figure = flux_of_lag(facts)
    spec = json.loads(figure.build(300).to_json())
    marks = next(rows for rows in spec["datasets"].values() if "used" in rows[0])

    assert [(round(m["used"], 2), round(m["lower"], 2), round(m["upper"], 2)) for m in marks] == [
        (0.8, -0.1, 1.9), (0.1, -1.1, 0.9),
    ]  # fmt: skip
    assert [m["value"] for m in marks] == pytest.approx([-4.0, -2.0], abs=0.02)
    assert len({m["side"] for m in marks}) == 2
    assert "± 1 s" in figure.caption


def test_without_a_fast_sensor_there_is_no_curve(facts):
    facts._groups["exchange"] = xr.Dataset()

    assert "fast oxygen" in flux_of_lag(facts).missing
