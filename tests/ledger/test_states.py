"""Baselines: the past state and the table of atmospheric CO2."""

import csv
from importlib import resources

import numpy as np
import pytest

from reeftally.errors import InputError, OutOfRangeError
from reeftally.ledger import MixingLine, State, atmosphere_at, baseline, global_increment, past_state
from reeftally.seawater import carbonate

ATM_HPA = 1013.25
NAMES = {"mlo": "mauna_loa", "gl": "global_marine", "ar6": "ar6_global", "d13C": "delta13c"}


@pytest.fixture(scope="module")
def table():
    text = resources.files("reeftally.ledger").joinpath("data/atmospheric_co2.csv").read_text("utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    names = ("year", "mauna_loa", "global_marine", "ar6_global", "delta13c")
    return {name: np.array([float(r[name] or "nan") for r in rows]) for name in names}


ATMOSPHERE = [
    *(f"atm-mlo-{y}" for y in (1959, 1980, 2000, 2010, 2015, 2020, 2024)),
    *(f"atm-gl-{y}" for y in (1980, 2000, 2010, 2024)),
    *(f"atm-ar6-{y}" for y in (1750, 1850, 1870, 1880, 1900, 1910, 1930, 1940, 1957, 1960, 2019)),
    *(f"atm-d13C-{y}" for y in (1750, 1850, 1900, 1960, 1970, 1990, 2000, 2010, 2015, 2024)),
]


@pytest.mark.parametrize("name", ATMOSPHERE)
def test_the_shipped_table_holds_the_published_value(name, row, table):
    # Sources beside each value in reference_values.json and atmospheric_co2_sources.csv. The table
    # carries the printed digits, so it must agree to half a digit, well inside their uncertainty.
    found = atmosphere_at(year=row(name)["conditions"]["year"], table=table, column=NAMES[name.split("-")[1]])

    assert float(found) == pytest.approx(row(name)["value"], abs=0.005)


@pytest.mark.parametrize("name", ["atm-cmip6-1850", "atm-cmip6-2014"])
def test_two_compilations_of_the_global_mean_differ_by_less_than_1p3(name, row, table):
    # Meinshausen et al. 2017 (from memory) against AR6: 1.2 apart in 1850, less after (their uncertainty
    # is about 1.2 in 1850: ice cores).
    found = float(atmosphere_at(year=row(name)["conditions"]["year"], table=table, column="ar6_global"))

    assert abs(found - row(name)["value"]) < 1.3


def test_every_value_of_the_table_names_its_source():
    folder = resources.files("reeftally.ledger").joinpath("data")
    rows = list(csv.DictReader(folder.joinpath("atmospheric_co2.csv").read_text("utf-8").splitlines()))
    keys = {
        r["key"] for r in csv.DictReader(folder.joinpath("atmospheric_co2_sources.csv").read_text("utf-8").splitlines())
    }

    for r in rows:
        for column in NAMES.values():
            assert bool(r[column]) == bool(r[f"{column}_source"])
            assert r[f"{column}_source"] in keys | {""}


def test_a_year_beyond_the_table_is_refused_not_extrapolated(table):
    with pytest.raises(OutOfRangeError, match="not extrapolated"):
        atmosphere_at(year=2031, table=table)
    with pytest.raises(OutOfRangeError):
        atmosphere_at(year=1749, table=table)
    # the marine mean begins in 1979
    with pytest.raises(OutOfRangeError):
        atmosphere_at(year=1975, table=table, column="global_marine")


def test_between_two_years_the_table_is_linear_and_auto_joins_the_columns(table):
    found = atmosphere_at(year=[1850.0, 1855.0, 2024.0], table=table)

    # AR6 1850 285.50 and 1860 286.83; marine mean 2024 422.79
    assert found == pytest.approx([285.50, (285.50 + 286.83) / 2, 422.79], abs=1e-9)


def test_an_unknown_column_is_named(table):
    with pytest.raises(InputError, match="column"):
        atmosphere_at(year=2000, table=table, column="barometer")


@pytest.mark.parametrize("temperature", [5, 25, 28])
@pytest.mark.parametrize("xco2", [280, 420])
def test_equilibrium_with_air_meets_the_independent_computation(temperature, xco2, row):
    reference = State(float(temperature), 35.0, 2300.0, 2000.0)
    # increment from x to x is zero, so DIC_eq(x) follows from a past state whose DIC is known
    dic = carbonate.solve(
        xco2=float(xco2), total_alkalinity=2300.0, temperature=float(temperature), salinity=35.0,
        air_pressure=ATM_HPA, outputs=("dic", "ph_total", "aragonite_saturation"),
    )  # fmt: skip
    increment = global_increment(reference=reference, xco2_now=xco2, xco2_past=280.0, air_pressure=ATM_HPA)

    base, other = row(f"eq-DIC-{temperature}-280"), row(f"eq-DIC-{temperature}-{xco2}")
    # Both independent numbers hold to 0.5; that solution has no sulfate, fluoride or fugacity terms.
    assert float(increment) == pytest.approx(other["value"] - base["value"], abs=0.5)
    assert float(dic["dic"]) == pytest.approx(other["value"], abs=0.5)
    assert float(dic["ph_total"]) == pytest.approx(row(f"eq-pH-{temperature}-{xco2}")["value"], abs=0.0005)
    if temperature != 5:
        expected = row(f"eq-Om-{temperature}-{xco2}")
        assert float(dic["aragonite_saturation"]) == pytest.approx(expected["value"], abs=0.01)


def test_more_boron_lowers_equilibrium_ph_by_0p0006(row):
    sets = carbonate.Constants(boron="lee2010")
    found = carbonate.solve(
        xco2=420.0, total_alkalinity=2300.0, temperature=25.0, salinity=35.0, air_pressure=ATM_HPA,
        constants=sets, outputs=("ph_total",),
    )  # fmt: skip

    assert float(found["ph_total"]) == pytest.approx(row("eq-pH-lee")["value"], abs=0.0005)


def test_equilibrium_ph_falls_by_0p0020_for_2p4_ppm(row):
    found = carbonate.solve(
        xco2=np.array([420.0, 422.4]), total_alkalinity=2300.0, temperature=25.0, salinity=35.0,
        air_pressure=ATM_HPA, outputs=("ph_total",),
    )  # fmt: skip

    expected = row("oa-rate-420")
    assert np.diff(found["ph_total"])[0] == pytest.approx(expected["value"], abs=expected["tolerance"])


def test_the_global_part_from_280_to_412_microatmospheres():
    # Numbers of the demonstration's design: fCO2 280 to 412 at TA 2312, S 35.1, 28.4 °C gives -0.132 pH
    # and saturation 4.61 to 3.70; the mole fractions are 291.6 and 429.0 at 1011 hPa (printed digits).
    water = {"total_alkalinity": 2312.0, "temperature": 28.4, "salinity": 35.1}
    now = carbonate.solve(fco2=412.0, air_pressure=1011.0, **water)
    then = carbonate.solve(fco2=280.0, air_pressure=1011.0, **water)
    reference = State(28.4, 35.1, 2312.0, float(now["dic"]))

    past = past_state(
        reference=reference, xco2_now=float(now["xco2"]), xco2_past=float(then["xco2"]), air_pressure=1011.0
    )

    assert float(now["ph_total"] - then["ph_total"]) == pytest.approx(-0.132, abs=0.0005)
    # Those numbers took calcium as 0.01028 S/35, ours is 0.02128/40.087 S/1.80655 (Riley and Tongudai).
    calcium = 0.01028 / 35.0 / (0.02128 / 40.087 / 1.80655)
    assert float(then["aragonite_saturation"]) * calcium == pytest.approx(4.61, abs=0.005)
    assert float(now["aragonite_saturation"]) * calcium == pytest.approx(3.70, abs=0.005)
    # They also took fCO2 for pCO2; ours is 0.3 % larger by Weiss 1974, eq. 9.
    assert float(then["xco2"] * then["fco2"] / then["pco2"]) == pytest.approx(291.6, abs=0.05)
    assert float(now["xco2"] * now["fco2"] / now["pco2"]) == pytest.approx(429.0, abs=0.05)
    assert float(past.dic) == pytest.approx(float(then["dic"]), abs=1e-6)


def test_the_reference_waters_own_disequilibrium_stays(row):
    # Worked case "local disequilibrium kept constant", 28 °C, S 36, TA 2370, DIC 2050, 421.08 and 280.
    reference = State(28.0, 36.0, 2370.0, 2050.0)
    increment = global_increment(reference=reference, xco2_now=421.08, xco2_past=280.0, air_pressure=ATM_HPA)
    past = past_state(reference=reference, xco2_now=421.08, xco2_past=280.0, air_pressure=ATM_HPA)
    now = carbonate.solve(xco2=421.08, total_alkalinity=2370.0, temperature=28.0, salinity=36.0, air_pressure=ATM_HPA)
    then = carbonate.solve(total_alkalinity=2370.0, dic=past.dic, temperature=28.0, salinity=36.0)

    assert float(increment) == pytest.approx(row("pre-cant-0")["value"], abs=row("pre-cant-0")["tolerance"])
    assert 2050.0 - float(now["dic"]) == pytest.approx(row("pre-dis-0")["value"], abs=row("pre-dis-0")["tolerance"])
    assert float(then["ph_total"]) == pytest.approx(row("pre-pH-0")["value"], abs=row("pre-pH-0")["tolerance"])


def test_a_baseline_takes_a_year_or_a_mole_fraction_but_not_both(table):
    reference = State(28.0, 35.0, 2300.0, 1990.0)

    by_year = baseline(reference=reference, air_pressure=1013.25, year_past=1850, year_now=2024, table=table)
    by_value = baseline(reference=reference, air_pressure=1013.25, xco2_past=285.50, xco2_now=422.79)

    assert float(by_year.increment) == pytest.approx(float(by_value.increment), abs=1e-9)
    with pytest.raises(InputError, match="xco2_past or year_past"):
        baseline(reference=reference, air_pressure=1013.25, xco2_now=420.0)
    with pytest.raises(InputError, match="xco2_now or year_now"):
        baseline(reference=reference, air_pressure=1013.25, xco2_past=280.0, xco2_now=1.0, year_now=2000)
    with pytest.raises(InputError, match="table"):
        baseline(reference=reference, air_pressure=1013.25, xco2_past=280.0, year_now=2000)


def test_a_mole_fraction_given_as_a_fraction_is_refused():
    with pytest.raises(OutOfRangeError, match="xco2_past"):
        global_increment(reference=State(25.0, 35.0, 2300.0, 2000.0), xco2_now=420.0, xco2_past=2.8e-4)


def test_rain_dilutes_alkalinity_in_proportion_to_salinity():
    alkalinity, dic = MixingLine(0.0, 10.0).slopes(State(28.0, 35.0, 2310.0, 1990.0))

    assert float(alkalinity) == pytest.approx(2310.0 / 35.0)
    assert float(dic) == pytest.approx(1980.0 / 35.0)
