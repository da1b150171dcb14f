"""The twelve-year companion record has the trend, season, step and noise it says (invented data)."""

from __future__ import annotations

import numpy as np
import pytest

from reeftally.errors import InputError
from reeftally.mission import read_book, read_tables
from reeftally.rehearsal import rehearse_years
from reeftally.rehearsal.years import hourly_record, year_record


def _residuals(years, values):
    columns = [np.ones(years.size), years, np.cos(2 * np.pi * years), np.sin(2 * np.pi * years)]
    matrix = np.stack(columns, axis=1)
    coefficients, *_ = np.linalg.lstsq(matrix, values, rcond=None)
    return coefficients, values - matrix @ coefficients


def test_slopes_and_noise_of_many_records_average_to_the_truth():
    slopes, spreads, neighbours = [], [], []
    for seed in range(200):
        record = year_record(seed=seed)
        coefficients, left = _residuals(record.month, record.stations["offshore"].month)
        slopes.append(coefficients[1])
        spreads.append(left.std())
        neighbours.append(np.corrcoef(left[1:], left[:-1])[0, 1])

    error = np.std(slopes, ddof=1) / np.sqrt(len(slopes))
    assert abs(np.mean(slopes) + 0.0018) < 3.5 * error
    # Weatherhead et al. 1998: sd n^-1.5 sqrt((1+phi)/(1-phi)) with the record's length n in years.
    expected = 0.008 * 12.0**-1.5 * np.sqrt(3.0)
    assert np.std(slopes, ddof=1) == pytest.approx(expected, rel=0.2)
    assert np.mean(spreads) == pytest.approx(0.008, rel=0.05)
    assert np.mean(neighbours) == pytest.approx(0.5, abs=0.05)


def test_hours_have_the_months_as_means_and_the_days_cycle():
    record = year_record(years=3, seed=2)
    hours = hourly_record(record)
    which = np.searchsorted(record.edges_ns, hours.time_ns, side="right") - 1
    mean = np.bincount(which, weights=hours.ph["basin"]) / np.bincount(which)

    assert mean == pytest.approx(record.stations["basin"].month, abs=1e-12)
    swing = np.ptp(hours.ph["basin"][: 24 * 365].reshape(-1, 24), axis=1).mean()
    assert 0.024 < swing < 0.032


def test_second_sensor_reads_the_step_higher_where_they_meet():
    record = year_record(seed=3, step=0.015)
    first, second = (s for s in record.sensors if s.station == "basin")
    meet = record.year(record.change_ns)

    assert float(second.error(meet) - first.error(meet)) == pytest.approx(0.015, abs=1e-12)
    assert int(record.missing.sum()) == 7


def test_folder_is_a_mission_with_truth(tmp_path):
    truth = rehearse_years(tmp_path / "m", years=6, seed=2)
    book, tables = read_book(tmp_path / "m"), read_tables(tmp_path / "m")

    assert truth.value("sensor_step", subject="PHL-2") == 0.015
    assert truth.value("ph_trend_local", method="gls_ar1_minus_reference") == pytest.approx(-0.0006)
    assert [i.label for i in book.instruments] == ["FAR-1", "PHL-1", "PHL-2"]
    assert not tables.problems
    assert sum(row.kind == "sensor change" for row in tables.interventions) == 1
    # A bottle of the week side by side stands beside neither sensor in place.
    assert {b.near for b in tables.bottles} >= {"FAR-1", "PHL-1", "PHL-2"}
    with pytest.raises(InputError, match="already holds a mission"):
        rehearse_years(tmp_path / "m", years=6)


def test_same_seed_same_bytes(tmp_path):
    rehearse_years(tmp_path / "a", years=3, seed=4)
    rehearse_years(tmp_path / "b", years=3, seed=4)
    names = sorted(p.relative_to(tmp_path / "a") for p in (tmp_path / "a").rglob("*") if p.is_file())

    assert len(names) > 8
    for name in names:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_two_years_are_refused():
    with pytest.raises(InputError, match="at least 3"):
        year_record(years=2)
