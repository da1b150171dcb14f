"""NetCDF time series: CF names and units, both file formats, damage, interruption (invented values)."""

from pathlib import Path

import intake_kit as kit
import numpy as np
import pytest
import xarray as xr

from reeftally.intake import _netcdf, rebuild, take_in
from reeftally.mission import problems_with_layouts, read_book, read_layouts
from reeftally.store import open_store

COUNT = 500


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = kit.mission(tmp_path / "mission", book=True)
    book = folder / "mission.toml"
    book.write_text(book.read_text().replace('layout = "ctd"', 'layout = "netcdf"'))
    return folder


def data(count: int = COUNT, first: int = 0) -> xr.Dataset:
    n = np.arange(first, first + count)
    return xr.Dataset(
        {
            "T": ("time", 301.15 + (n % 11) / 1000, {"standard_name": "sea_water_temperature", "units": "K"}),
            "psal": ("time", 35.1 + (n % 5) / 1000, {"standard_name": "sea_water_practical_salinity", "units": "1"}),
            "pH": ("time", 8.0 + n / 1e5, {"standard_name": "sea_water_ph_reported_on_total_scale", "units": "1"}),
            "mystery": ("time", n * 1.0, {"units": "furlong"}),
            "latitude": ((), -14.2),
        },
        coords={"time": ("time", 5.0 * n, {"standard_name": "time", "units": "seconds since 2031-03-25 20:00:00"})},
        attrs={"Conventions": "CF-1.11", "featureType": "timeSeries", "serial_number": "301"},
    )


def drop(folder: Path, dataset: xr.Dataset, name: str = "station_a.nc", engine: str = "h5netcdf") -> Path:
    path = folder / "inbox" / name
    dataset.to_netcdf(path, engine=engine, format="NETCDF3_64BIT" if engine == "scipy" else "NETCDF4")
    return path


def take(folder: Path):
    return take_in(folder, now_ns=kit.NOW_NS)


@pytest.mark.parametrize("engine", ["h5netcdf", "scipy"])
def test_a_time_series_comes_in_by_standard_names_in_canonical_units(folder, engine):
    drop(folder, data(), engine=engine)

    (file,) = take(folder).files

    assert (file.status, file.stream, file.layout, file.rows_new) == ("loaded", "CTD-1", "netcdf", COUNT)
    assert file.messages == []
    assert any("mystery" in note for note in file.notes)
    held = open_store(folder).read("CTD-1")
    n = np.arange(COUNT)
    assert np.array_equal(held["time"], kit.start_ns() + 5_000_000_000 * n)
    assert np.allclose(held["temperature"], 28.0 + (n % 11) / 1000)
    assert np.allclose(held["ph_total"], 8.0 + n / 1e5)
    assert set(held) == {"time", "temperature", "salinity", "ph_total"}
    assert not list((folder / "inbox").iterdir())


def test_the_same_file_again_and_one_that_overlaps_change_nothing_twice(folder):
    path = drop(folder, data())
    content = path.read_bytes()
    take(folder)
    path.write_bytes(content)
    again = take(folder)
    drop(folder, data(COUNT, first=COUNT // 2), "station_b.nc")
    grown = take(folder)

    assert [file.status for file in again.files] == ["repeated"]
    assert [(file.rows_new, file.rows_repeated) for file in grown.files] == [(COUNT // 2, COUNT // 2)]
    before = open_store(folder).content_hash()
    rebuild(folder, now_ns=kit.NOW_NS)
    assert open_store(folder).content_hash() == before


def test_a_variable_without_a_known_unit_costs_itself_alone(folder):
    wrong = data()
    wrong["T"].attrs["units"] = "fahrenheits"
    del wrong["psal"].attrs["units"]
    drop(folder, wrong)

    (file,) = take(folder).files

    assert file.rows_new == COUNT
    assert [(m.field, bool(m.expected), bool(m.mend)) for m in file.messages] == [
        ("T", True, True),
        ("psal", True, True),
    ]
    assert "'fahrenheits'" in file.messages[0].found
    assert "no attribute units" in file.messages[1].found
    assert set(open_store(folder).read("CTD-1")) == {"time", "ph_total"}


def test_averages_with_bounds_are_stamped_at_their_middle(folder):
    mean = data()
    mean["time"].attrs["bounds"] = "time_bounds"
    edges = np.stack([mean["time"].to_numpy() - 5.0, mean["time"].to_numpy()], axis=1)
    mean["time_bounds"] = (("time", "nv"), edges)
    drop(folder, mean)

    (file,) = take(folder).files

    assert any("middles of time_bounds" in note for note in file.notes)
    assert open_store(folder).read("CTD-1")["time"][0] == kit.start_ns() - 2_500_000_000


def test_a_cut_file_an_unknown_instrument_and_another_layout_are_named(folder):
    whole = drop(folder, data()).read_bytes()
    (folder / "inbox" / "station_a.nc").write_bytes(whole[: len(whole) // 3])
    stranger = data()
    stranger.attrs["serial_number"] = "999"
    drop(folder, stranger, "other.nc")
    other = data()
    other.attrs["serial_number"] = "201"
    drop(folder, other, "optode.nc")

    files = {file.name: file for file in take(folder).files}

    for name, words in (
        ("station_a.nc", "cannot be opened"),
        ("other.nc", "'999'"),
        ("optode.nc", "a NetCDF file of OXY-1"),
    ):
        assert files[name].status == "refused", name
        (message,) = files[name].messages
        assert words in message.found
        assert message.expected
        assert message.mend
        assert (folder / "inbox" / name).exists()


def test_stamps_far_from_the_mission_are_left_out_and_said(folder):
    late = data()
    values = late["time"].to_numpy().copy()
    values[100:] -= 40 * 365 * 86400.0
    late = late.assign_coords(time=("time", values, late["time"].attrs))
    drop(folder, late)

    (file,) = take(folder).files

    assert (file.status, file.rows_new, file.rows_rejected) == ("partly", 100, COUNT - 100)
    assert "the first number 101" in file.messages[0].found


def test_an_interrupted_file_goes_on_at_the_chunk_where_it_stopped(folder, monkeypatch):
    monkeypatch.setattr(_netcdf, "CHUNK_ROWS", 100)
    drop(folder, data())
    calls = 0
    known = _netcdf.dtype_of

    def stop(channel: str):
        nonlocal calls
        calls += 1
        if calls > 8:  # in the third chunk of three channels each
            raise KeyboardInterrupt
        return known(channel)

    monkeypatch.setattr(_netcdf, "dtype_of", stop)
    with pytest.raises(KeyboardInterrupt):
        take(folder)
    assert open_store(folder).streams()["CTD-1"].rows == 200
    monkeypatch.setattr(_netcdf, "dtype_of", known)

    (file,) = take(folder).files

    assert (file.status, file.rows_new) == ("loaded", 300)
    assert open_store(folder).streams()["CTD-1"].rows == COUNT


def test_the_book_needs_no_layout_file_for_it(folder):
    assert problems_with_layouts(read_book(folder), read_layouts(folder / "layouts")) == ()
