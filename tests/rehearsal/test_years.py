"""The twelve-year companion record has the trend, season, step and noise it says (invented data)."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from reeftally.errors import InputError
from reeftally.rehearsal import rehearse_years


def _monthly(folder, station):
    with (folder / "monthly.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if row["station"] == station]
    times = np.array([np.datetime64(row["time"][:-1]) for row in rows])
    years = (times - np.datetime64("2019-01-01")) / np.timedelta64(1, "D") / 365.25
    return years, np.array([float(row["ph_total"]) for row in rows]), [row["sensor"] for row in rows]


def _residuals(years, values, step_at=None):
    columns = [np.ones(years.size), years, np.cos(2 * np.pi * years), np.sin(2 * np.pi * years)]
    if step_at is not None:
        columns.append((years >= step_at).astype(float))
    matrix = np.stack(columns, axis=1)
    coefficients, *_ = np.linalg.lstsq(matrix, values, rcond=None)
    return coefficients, values - matrix @ coefficients


def test_slopes_of_many_records_average_to_the_truth(tmp_path):
    slopes = []
    for seed in range(60):
        rehearse_years(tmp_path / str(seed), seed=seed)
        years, values, _ = _monthly(tmp_path / str(seed), "offshore")
        slopes.append(_residuals(years, values)[0][1])

    error = np.std(slopes, ddof=1) / np.sqrt(len(slopes))
    assert abs(np.mean(slopes) + 0.0018) < 3.5 * error
    # Weatherhead et al. 1998: sd n^-1.5 sqrt((1+phi)/(1-phi)) with the record's length n in years.
    expected = 0.008 * 12.0**-1.5 * np.sqrt(3.0)
    assert np.std(slopes, ddof=1) == pytest.approx(expected, rel=0.35)


def test_step_gap_and_noise_are_as_stated(tmp_path):
    truth = rehearse_years(tmp_path, seed=2)
    years, values, sensors = _monthly(tmp_path, "basin")

    coefficients, left = _residuals(years, values, step_at=5.0)

    assert truth.value("sensor_step", subject="basin") == 0.015
    assert coefficients[4] == pytest.approx(0.015, abs=0.015)
    assert np.diff(years).max() == pytest.approx(8.0 / 12.0, abs=0.01)
    assert left.std() == pytest.approx(0.012, rel=0.35)
    assert set(sensors) == {"PHL-1", "PHL-2"}
    assert truth.value("ph_trend_local") == pytest.approx(-0.0006)


def test_same_seed_same_bytes(tmp_path):
    rehearse_years(tmp_path / "a", seed=4)
    rehearse_years(tmp_path / "b", seed=4)

    for name in ("monthly.csv", "bottles.csv", "truth.json", "interventions.csv"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_two_years_are_refused(tmp_path):
    with pytest.raises(InputError, match="at least 3"):
        rehearse_years(tmp_path, years=2)
