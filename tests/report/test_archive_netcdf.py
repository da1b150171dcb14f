"""Flat files pass an independent checker of CF-1.11 and ACDD-1.3 and hold the values of the results."""

import warnings
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from reeftally._names import QUANTITIES
from reeftally.analysis.results import read_results
from reeftally.mission import read_book
from reeftally.report.archive_check import netcdf_problems
from reeftally.report.archive_netcdf import GROUPS, Source, csv_twins, flat_dataset, valid_names, write_flat
from reeftally.telling.archive_metadata import archive_metadata

# Attributes that the checker wants and an invented mission does not state; whatever else it finds is a defect.
# ACDD 1.3 recommends (but does not highly recommend) them: naming_authority, creator_email and _url, publisher.
NOT_STATED = (
    "creator",
    "publisher",
    "naming_authority",
    "acknowledg",
    "project",
    "program",
    "contributor",
    "vocabulary",
)


def _units(name):
    row = QUANTITIES[name]
    out = {"units": row.cf_unit or row.unit or "1", "long_name": row.meaning}
    return out | ({"standard_name": row.standard_name} if row.standard_name else {})


def _group(variables, dims=("time",)):
    """Return a group as the chain writes it, with random and systematic parts and flags; invented numbers."""
    count = 40
    edges = np.datetime64("2031-03-25T20:00", "ns") + np.arange(count + 1) * np.timedelta64(900, "s")
    data = xr.Dataset(
        {"time_bounds": (("time", "bound"), np.stack([edges[:-1], edges[1:]], axis=1))},
        coords={"time": ("time", edges[:-1], {"standard_name": "time", "bounds": "time_bounds"})},
    )
    shape = (count,) if dims == ("time",) else (count, 3)
    rng = np.random.default_rng(1)
    for name, quantity in variables.items():
        attributes = _units(quantity)
        values = rng.normal(size=shape)
        values[3:5] = np.nan
        for suffix in ("_random_sd", "_systematic_sd"):
            own = {"units": attributes["units"], "long_name": f"part of the uncertainty of {name}"}
            data[f"{name}{suffix}"] = (dims, rng.uniform(0.1, 0.2, shape), own)
        data[f"{name}_flag"] = (
            dims,
            np.where(np.isnan(values), 9, 1).astype(np.int8),
            {"long_name": f"flag of {name}"},
        )
        linked = f"{name}_random_sd {name}_systematic_sd {name}_flag"
        data[name] = (dims, values, attributes | {"ancillary_variables": linked})
    return data


def _groups():
    ledger = _group({"ph_change": "ph_total"}, ("time", "driver"))
    ledger = ledger.assign_coords(driver=("driver", ["organic", "carbonate", "residual"]))
    ledger["ph_change"].attrs.pop("standard_name")
    blocks = _group({"OXY-1__oxygen": "oxygen", "OXY-1__temperature": "temperature"})
    blocks["OXY-1__oxygen_n"] = ("time", np.full(40, 180, np.int32), {"units": "1", "long_name": "good samples"})
    exchange = _group({"oxygen_flux_covariance": "oxygen_flux"})
    exchange["frequency"] = ("frequency", np.geomspace(0.01, 4.0, 5), {"units": "Hz", "long_name": "frequency"})
    exchange["oxygen_cospectrum_mean"] = (
        "frequency",
        np.arange(5.0),
        {"units": "mmol m-2 h-1", "long_name": "mean cospectrum"},
    )
    water = ("temperature", "salinity", "oxygen", "ph_total", "total_alkalinity", "dic", "fco2", "pressure")
    current = ("speed", "direction_to", "friction_velocity", "dissipation_rate", "significant_wave_height", "par")
    return {
        "blocks": blocks,
        "chemistry": _group({name: name for name in (*water, "aragonite_saturation")}),
        "flow": _group({name: name for name in (*current, "peak_wave_period")}),
        "exchange": exchange,
        "ledger": ledger,
    }


@pytest.fixture(scope="module")
def source(mission):
    fields = archive_metadata(mission)
    return Source(
        book=read_book(mission),
        metadata={r.name.removeprefix("dataset."): r for r in fields if r.name.startswith("dataset.")},
        run="0001",
        trail=read_results(mission).trail,
        created="2031-04-01T00:00:00Z",
        identity="invented",
    )


@pytest.fixture(scope="module")
def written(source, tmp_path_factory):
    folder = tmp_path_factory.mktemp("flat")
    for group, data in _groups().items():
        write_flat(flat_dataset(group, data, source), folder / f"{group}.nc")
    return folder


def _check(path: Path, name: str):
    """Return what compliance-checker finds wrong: (weight, name, messages)."""
    with warnings.catch_warnings():
        # The checker itself still uses what its libraries deprecate; our own warnings are errors everywhere else.
        warnings.simplefilter("ignore")
        from compliance_checker.runner import CheckSuite

        CheckSuite.load_all_available_checkers()
        suite = CheckSuite()
        data = suite.load_dataset(str(path))
        groups, errors = suite.run_all(data, [name], skip_checks=[])[name]
        data.close()
    assert not errors
    wrong = []
    for found in groups:
        score, total = found.value if isinstance(found.value, tuple) else (int(bool(found.value)), 1)
        if score != total:
            wrong.append((found.weight, str(found.name), [str(m) for m in found.msgs or []]))
    return wrong


@pytest.mark.parametrize("group", GROUPS)
def test_an_independent_checker_finds_nothing_against_cf(written, group):
    assert _check(written / f"{group}.nc", "cf:1.11") == []


@pytest.mark.parametrize("group", GROUPS)
def test_all_that_acdd_highly_recommends_is_there(written, group):
    found = [(name, messages) for weight, name, messages in _check(written / f"{group}.nc", "acdd:1.3") if weight == 3]

    # Only a standard name may lack, and only where the table of CF names has none.
    assert {message for _, messages in found for message in messages} <= {"standard_name"}
    with xr.open_dataset(written / f"{group}.nc") as data:
        nameless = {
            str(name)
            for name in data.variables
            if not name.endswith("_flag") and "standard_name" not in data[name].attrs and data[name].dims
        }
    assert {name.split('"')[1] for name, _ in found} <= nameless


@pytest.mark.parametrize("group", GROUPS)
def test_what_acdd_recommends_lacks_only_where_the_mission_does_not_state_it(written, group):
    found = [m for weight, name, msgs in _check(written / f"{group}.nc", "acdd:1.3") if weight == 2 for m in msgs]
    absent = [message for message in found if "not present" in message]

    assert all(any(word in message for word in NOT_STATED) or "institution" in message for message in absent), absent


@pytest.mark.parametrize("group", GROUPS)
def test_our_own_rules_find_nothing_either(written, group):
    problems, _ = netcdf_problems(written / f"{group}.nc")

    assert problems == []


@pytest.mark.parametrize("group", GROUPS)
def test_values_are_those_of_the_results_bit_for_bit(written, group):
    data = _groups()[group]
    short = valid_names([str(n) for n in data.data_vars if n != "time_bounds"])

    with xr.open_dataset(written / f"{group}.nc") as flat:
        for name, new in short.items():
            old = data[name].transpose(*flat[new].dims)
            np.testing.assert_array_equal(flat[new].to_numpy(), old.to_numpy())
        np.testing.assert_array_equal(flat["time"].to_numpy(), data["time"].to_numpy())


def test_a_plain_reader_opens_the_files_without_our_package(written):
    import netCDF4

    with netCDF4.Dataset(written / "ledger.nc") as data:
        assert data.Conventions == "CF-1.11, ACDD-1.3"
        assert data["ph_change"].dimensions == ("driver", "time")
        assert [b"".join(row).decode().strip("\0") for row in data["driver_name"][:].filled(b"")] == [
            "organic",
            "carbonate",
            "residual",
        ]
        assert not data.groups


def test_the_same_results_give_the_same_bytes(written, source, tmp_path):
    for group, data in _groups().items():
        write_flat(flat_dataset(group, data, source), tmp_path / f"{group}.nc")

        assert (tmp_path / f"{group}.nc").read_bytes() == (written / f"{group}.nc").read_bytes()


def test_heights_of_an_instrument_stand_beside_its_series(written):
    with xr.open_dataset(written / "blocks.nc") as data:
        assert data["OXY_1__oxygen"].encoding["coordinates"].split()[0] == "OXY_1_height"
        assert set(np.unique(data["OXY_1_height"])) == {0.35}
        assert data["OXY_1_height"].attrs["standard_name"] == "height_above_sea_floor"


def test_uncertainties_are_standard_errors_and_temperatures_say_what_kind_they_are(written):
    with xr.open_dataset(written / "chemistry.nc") as data:
        assert data["temperature"].attrs["units_metadata"] == "temperature: on_scale"
        assert data["temperature_random_sd"].attrs["units_metadata"] == "temperature: difference"
        assert data["dic_systematic_sd"].attrs["standard_name"] == (
            "moles_of_dissolved_inorganic_carbon_per_unit_mass_in_sea_water standard_error"
        )


def test_names_are_valid_and_stay_apart():
    names = valid_names(["OXY-1__oxygen", "OXY_1__oxygen", "oxy-1__oxygen", "1st", "ph"])

    assert list(names.values()) == ["OXY_1__oxygen", "OXY_1__oxygen_2", "oxy_1__oxygen_3", "v_1st", "ph"]


def test_an_axis_with_the_label_of_an_instrument_gets_a_valid_name_too(source, tmp_path):
    data = _groups()["flow"].assign_coords({"VEL-A__band": ("VEL-A__band", [0.1, 0.2, 0.4], {"units": "Hz"})})
    spectrum = np.arange(data.sizes["time"] * 3.0).reshape(-1, 3)
    data["VEL-A__spectrum_w"] = (("time", "VEL-A__band"), spectrum, {"units": "m2 s-2 Hz-1"})

    flat = flat_dataset("flow", data, source)
    write_flat(flat, tmp_path / "flow.nc")
    problems, _ = netcdf_problems(tmp_path / "flow.nc")

    assert problems == []
    assert "VEL_A__band" in flat.coords
    np.testing.assert_array_equal(flat["VEL_A__spectrum_w"].transpose("time", "VEL_A__band").to_numpy(), spectrum)


def test_a_table_by_driver_has_a_row_for_each_block_and_driver(source):
    flat = flat_dataset("ledger", _groups()["ledger"], source)

    files, columns = csv_twins("x_ledger", flat)

    lines = files["x_ledger.csv"].splitlines()
    assert len(lines) == 1 + 3 * 40
    assert "organic" in lines[1]
    assert {c["column"] for c in columns} >= {"time", "time_end", "driver", "ph_change"}


def test_broken_rules_are_named(written, tmp_path):
    with xr.open_dataset(written / "flow.nc", decode_cf=False) as data:
        bad = data.load()
    bad["speed_flag"].attrs["flag_meanings"] = "good bad"
    bad["speed"].attrs["units"] = "µm s-1"
    stuck = bad["time"].to_numpy().copy()
    stuck[3] = stuck[2]
    bad["time"] = ("time", stuck, bad["time"].attrs)
    bad = bad.rename({"direction_to": "direction-to"})
    bad.to_netcdf(tmp_path / "bad.nc", engine="h5netcdf")

    problems, _ = netcdf_problems(tmp_path / "bad.nc")

    text = "\n".join(problems)
    for words in (
        "5 flag_values but 2 flag_meanings",
        "no units of UDUNITS",
        "time: not increasing",
        "direction-to: a name",
    ):
        assert words in text


def test_a_file_that_is_no_netcdf_is_one_message(tmp_path):
    (tmp_path / "x.nc").write_text("not so")

    problems, _ = netcdf_problems(tmp_path / "x.nc")

    assert len(problems) == 1
    assert "cannot be opened" in problems[0]
