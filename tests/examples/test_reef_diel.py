"""Three days of real measurements: what the example must say, checked against the files and published chemistry."""

import hashlib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

EXAMPLE = Path(__file__).parents[2] / "examples" / "reef-diel"
FILES = ("ph.csv", "current.csv", "light.csv")
# Mean of internal minus external reference over all 285 lines, as the data's own PROVENANCE.md rounds it.
STATED_MEAN = -0.024
# SHA-256 of the files as published by their collector after renaming of columns; recorded when they were copied in.
DIGESTS = {
    "ph.csv": "994224cd162a631ac2cd726965cf75fc0d991908adac33459b5cf6e6a2538b8f",
    "current.csv": "40fc953d409712b06a19699d65e67989aafea164efd99f6366833c05e8438998",
    "light.csv": "4d4c5abd59fa76fd444b89591fc9023154c4652e3142aa798ec09a64afea33a2",
}


@pytest.fixture(scope="module")
def raw() -> pd.DataFrame:
    """The pH file read plainly, without the package: month before day."""
    table = pd.read_csv(EXAMPLE / "ph.csv")
    table["time"] = pd.to_datetime(table.time_utc, format="%m/%d/%y %H:%M")
    table["difference"] = table.ph_internal_reference_total - table.ph_external_reference_total
    return table


def test_every_line_of_every_file_is_a_row(reef_diel):
    """The count of data lines is the truth: header apart, one row a line, none rejected."""
    lines = {name: sum(1 for _ in (EXAMPLE / name).open(encoding="utf-8")) - 1 for name in FILES}

    streams = {name: info.rows for name, info in reef_diel.chain.context.store.streams().items()}

    assert streams == {"PH-1": lines["ph.csv"], "CUR-1": lines["current.csv"], "PAR-1": lines["light.csv"]}
    assert reef_diel.report.rows_rejected == 0
    assert sum(streams.values()) == 285 + 286 + 3099


def test_measurements_are_the_bytes_that_were_copied_in():
    """A changed line end or digit would be another data set."""
    found = {name: hashlib.sha256((EXAMPLE / name).read_bytes()).hexdigest() for name in FILES}

    assert found == DIGESTS


def test_days_and_months_are_not_exchanged(reef_diel):
    """10/4/22 is the fourth of October: PROVENANCE.md says 4 to 7 October 2022."""
    time = reef_diel.chain.context.store.read("PH-1", channels=[])["time"]

    first, last = (np.datetime64(int(t), "ns").astype("datetime64[m]") for t in (time[0], time[-1]))

    assert str(first) == "2022-10-04T14:00"
    assert str(last) == "2022-10-07T13:00"


def test_disagreement_of_the_references_has_its_size_and_sign(reef_diel, raw):
    """Mean near -0.024 (PROVENANCE.md), +0.03 at first, -0.03 at last, growing more negative."""
    mission = reef_diel.row("reference_disagreement")
    instants = reef_diel.estimates.query("quantity == 'reference_disagreement' and period == 'instant'").value
    trend = reef_diel.row("reference_disagreement_trend")

    assert mission.value == pytest.approx(STATED_MEAN, abs=0.0005)
    assert mission.lower <= raw.difference.mean() <= mission.upper
    assert instants.tolist() == pytest.approx([raw.difference.iloc[0], raw.difference.iloc[-1]], abs=1e-9)
    assert trend.value < 0.0


def test_trend_of_the_disagreement_is_that_after_settling(reef_diel, raw):
    """A plain line through what is left after twelve hours, which needs no model of the settling."""
    days = (raw.time - raw.time[0]).dt.total_seconds() / 86400.0
    late = days >= 0.5
    plain = np.polyfit(days[late], raw.difference[late], 1)[0]

    trend, settling = (reef_diel.row(f"reference_disagreement_{name}") for name in ("trend", "settling"))

    assert trend.lower <= plain <= trend.upper < 0.0
    # From +0.032 to the level of the late hours within the first hours: a settling of 0.05 to 0.06.
    assert (
        settling.lower <= raw.difference.iloc[0] - raw.difference[(days > 0.5) & (days < 1.5)].mean() <= settling.upper
    )


def test_interval_of_ph_holds_both_references(reef_diel, raw):
    """Over the mission, and over every night, day and 24 h."""
    rows = reef_diel.estimates[(reef_diel.estimates.quantity == "ph_total") & reef_diel.estimates.value.notna()]

    def inside(row, name: str) -> bool:
        start, end = (pd.Timestamp(t).tz_localize(None) for t in (row.start, row.end))
        return row.lower <= raw[(raw.time >= start) & (raw.time < end)][name].mean() <= row.upper

    held = {
        (row.period, row.start, name): inside(row, name)
        for row in rows.itertuples()
        for name in ("ph_internal_reference_total", "ph_external_reference_total")
    }

    assert len(held) >= 16
    assert all(held.values()), held


def test_every_block_holds_both_references(reef_diel, raw):
    """Also in the first hour, where they stand 0.03 apart the other way round."""
    with xr.open_datatree(reef_diel.folder / "results" / "latest" / "results.nc") as tree:
        chemistry = tree["chemistry"].to_dataset().load()
    ph = chemistry["ph_total"].to_series().dropna()
    sd = np.hypot(chemistry["ph_total_random_sd"], chemistry["ph_total_systematic_sd"]).to_series()[ph.index]
    both = raw.set_index("time").loc[ph.index]

    for name in ("ph_internal_reference_total", "ph_external_reference_total"):
        assert (np.abs(both[name] - ph) <= 1.96 * sd).all()
    assert len(ph) >= 280


def test_disagreement_enters_as_half_of_it(reef_diel, raw):
    """JCGM 100:2008, 4.2.3: the mean of two values x, y has u = |x - y| / 2; the book's own 0.02 in quadrature."""
    offsets = reef_diel.chain.offsets["ph_total"]
    sd = float(np.sqrt(offsets.adjustment.covariance[0, 0]))
    days = (raw.time - raw.time.mean()).dt.total_seconds() / 86400.0
    about = raw.difference - np.polyval(np.polyfit(days, raw.difference, 1), days)

    expected = np.hypot(0.02, 0.5 * np.hypot(raw.difference.mean(), about.std(ddof=0)))

    assert sd == pytest.approx(expected, abs=1e-4)


def test_result_says_the_disagreement_in_words(reef_diel):
    """Not averaged away: the rows that hang on pH say it, and so does `check`."""
    for name in ("ph_total", "ph_departure_from_equilibrium", "ph_change_global", "dic_departure_from_equilibrium"):
        assert "two references of PH-1" in reef_diel.row(name).reason
    finding = next(f for f in reef_diel.findings if f.subject == "PH-1" and f.id.startswith("references"))

    assert finding.open
    assert "-0.02" in finding.what
    assert "trend -0.00" in finding.evidence
    assert any("two references of PH-1" in note for note in reef_diel.chain.notes)


def _constants(kelvin: float, s: float) -> dict[str, float]:
    """Equilibrium constants at the surface, total scale, mol/kg; all from memory, as printed in their sources."""
    log, root = np.log(kelvin), np.sqrt(s)
    return {
        # Weiss 1974, Mar. Chem. 2, 203-215 (mol kg-1 atm-1).
        "k0": np.exp(
            -60.2409 + 93.4517 * 100 / kelvin + 23.3585 * np.log(kelvin / 100)
            + s * (0.023517 - 0.023656 * kelvin / 100 + 0.0047036 * (kelvin / 100) ** 2)
        ),
        # Lueker, Dickson and Keeling 2000, Mar. Chem. 70, 105-119.
        "k1": 10 ** -(3633.86 / kelvin - 61.2172 + 9.67770 * log - 0.011555 * s + 0.0001152 * s**2),
        "k2": 10 ** -(471.78 / kelvin + 25.9290 - 3.16967 * log - 0.01781 * s + 0.0001122 * s**2),
        # Dickson 1990, Deep-Sea Res. 37, 755-766.
        "kb": np.exp(
            (-8966.90 - 2890.53 * root - 77.942 * s + 1.728 * s * root - 0.0996 * s**2) / kelvin
            + 148.0248 + 137.1942 * root + 1.62142 * s - (24.4344 + 25.085 * root + 0.2474 * s) * log
            + 0.053105 * root * kelvin
        ),
        # Millero 1995 as in Dickson, Sabine and Christian 2007, chapter 5.
        "kw": np.exp(
            148.96502 - 13847.26 / kelvin - 23.6521 * log
            + (118.67 / kelvin - 5.977 + 1.0495 * log) * root - 0.01615 * s
        ),
        # Uppstrom 1974 as in DOE 1994.
        "boron": 0.000416 * s / 35.0,
        # Weiss and Price 1980, Mar. Chem. 8, 347-359: saturated water vapour (atm).
        "vapour": np.exp(24.4543 - 67.4509 * 100 / kelvin - 4.8489 * np.log(kelvin / 100) - 0.000544 * s),
    }  # fmt: skip


def _bisect(function, low: float = 7.0, high: float = 9.0) -> float:
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if function(middle) < 0 else (low, middle)
    return 0.5 * (low + high)


class _OwnChemistry:
    """A small solver for this test alone: carbonate and borate alkalinity, water; bisection."""

    def __init__(self, celsius: float, salinity: float, alkalinity: float):
        self.k = _constants(celsius + 273.15, salinity)
        self.alkalinity = alkalinity * 1e-6

    def _rest(self, h: float) -> float:
        return self.k["boron"] * self.k["kb"] / (self.k["kb"] + h) + self.k["kw"] / h - h

    def dic_in_equilibrium(self, ppm: float) -> float:
        # 0.9969: fugacity coefficient near 28 degC (Weiss 1974, from memory); it cancels in differences.
        free = self.k["k0"] * ppm * 1e-6 * (1.0 - self.k["vapour"]) * 0.9969
        k1, k2 = self.k["k1"], self.k["k2"]
        ph = _bisect(lambda p: free * k1 / 10**-p * (1 + 2 * k2 / 10**-p) + self._rest(10**-p) - self.alkalinity)
        h = 10**-ph
        return float(free * (1 + k1 / h + k1 * k2 / h**2) * 1e6)

    def ph(self, dic: float) -> float:
        k1, k2 = self.k["k1"], self.k["k2"]

        def excess(p: float) -> float:
            h = 10**-p
            return dic * 1e-6 * (k1 * h + 2 * k1 * k2) / (h**2 + k1 * h + k1 * k2) + self._rest(h) - self.alkalinity

        return _bisect(excess)


def test_own_solver_gives_a_known_case():
    """TA 2300, 25 degC, S 35: pH 8.1771 at 280 and 8.0369 at 420 µmol/mol, +80 DIC 8.0508 and 7.8882.

    Worked with an independent solver that reproduces the constants of Dickson, Sabine and Christian 2007; four
    digits printed. That solver holds sulfate and fluoride, which is worth a few 1e-4; absolute pH needs 0.001.
    """
    own = _OwnChemistry(25.0, 35.0, 2300.0)
    past, now = own.dic_in_equilibrium(280.0), own.dic_in_equilibrium(420.0)

    found = [own.ph(past), own.ph(now), own.ph(past + 80.0), own.ph(now + 80.0)]

    assert found == pytest.approx([8.1771, 8.0369, 8.0508, 7.8882], abs=0.001)


def test_global_part_agrees_with_an_independent_solver(reef_diel):
    """Order-independent split at the mean state, solved with constants written down anew in this file."""
    with xr.open_datatree(reef_diel.folder / "results" / "latest" / "results.nc") as tree:
        chemistry = tree["chemistry"].to_dataset().load()
    good = np.isfinite(chemistry["dic"])
    celsius = float(chemistry["temperature"].where(good).mean())
    own = _OwnChemistry(celsius, 36.0, 2357.0)
    past, now = own.dic_in_equilibrium(280.0), own.dic_in_equilibrium(415.9)
    away = reef_diel.row("dic").value - now
    f00, f10, f01, f11 = own.ph(past), own.ph(now), own.ph(past + away), own.ph(now + away)

    rise, departure = 0.5 * ((f10 - f00) + (f11 - f01)), 0.5 * ((f01 - f00) + (f11 - f10))

    row, local = reef_diel.row("ph_change_global"), reef_diel.row("ph_departure_from_equilibrium")
    # The value is a mean over trials, the check a single state; curvature over +-18 µmol/kg is worth a few 1e-4.
    assert row.value == pytest.approx(rise, abs=0.001)
    assert local.value == pytest.approx(departure, abs=0.002)
    assert row.lower < rise < row.upper


def test_global_part_is_of_the_published_size(reef_diel):
    """Surface ocean: -0.11 +- 0.03 from 1770 to 2000 (Jiang et al. 2019, Sci. Rep. 9, 18624, from memory).

    Air went from 277 to 369 µmol/mol then; by the logarithm of the ratio that is -0.15 +- 0.04 for 280 to 416.
    """
    published = -0.11 * np.log(415.9 / 280.0) / np.log(369.0 / 277.0)
    spread = 0.03 * published / -0.11

    row = reef_diel.row("ph_change_global")

    assert abs(row.value - published) <= spread
    assert row.lower < row.value < row.upper < 0.0


def test_light_peaks_at_solar_noon(reef_diel):
    """Solar noon at 93.6 W: 12 h + 14.4 min from the meridian of 90 W less 11.4 min of the equation of time.

    Equation of time on 5 October +11.4 min (almanac, from memory): 12.05 h by UTC-6.
    """
    row = reef_diel.row("diel_hour_of_maximum_par")

    noon = 12.0 + (14.4 - 11.4) / 60.0

    assert row.lower <= noon <= row.upper
    assert row.upper - row.lower < 2.0


def test_ph_swings_with_the_day(reef_diel, raw):
    """The interval of the range holds that of the raw means of the hours of day; highest in the afternoon."""
    mean = 0.5 * (raw.ph_internal_reference_total + raw.ph_external_reference_total)
    composite = mean.groupby(raw.time.dt.hour).mean()

    swing, hour = reef_diel.row("ph_total_range"), reef_diel.row("diel_hour_of_maximum_ph_total")

    assert swing.lower <= np.ptp(composite) <= swing.upper
    assert 12.0 < hour.value < 18.0
    assert reef_diel.row("diel_amplitude_ph_total").lower > 0.0


def test_no_number_stands_without_interval_and_no_refusal_without_reason(reef_diel):
    """The contract of the results."""
    table = reef_diel.estimates
    given, refused = table[table.value.notna()], table[table.value.isna()]

    assert given[["lower", "upper", "random_sd", "systematic_sd"]].notna().all().all()
    assert (given.lower < given.upper).all()
    assert ((given.lower <= given.value) & (given.value <= given.upper)).all()
    assert refused.reason.str.len().gt(10).all()
    assert set(refused.flag) == {4}


def test_local_parts_are_refused_and_say_what_is_missing(reef_diel):
    """No water from outside and no oxygen: the departure is not split."""
    for name in ("ph_change_local", "ph_change_organic", "ph_change_carbonate", "ph_change_gas_exchange"):
        row = reef_diel.row(name)

        assert np.isnan(row.value)
        for missing in ("oxygen of the reef's water", "of the reference water", "residence_time_h"):
            assert missing in row.reason


def test_assumptions_are_named_in_the_trail(reef_diel):
    """Alkalinity comes from the book, and the trail says from which source."""
    notes = reef_diel.chain.model.notes

    assert "Lee et al. 2006" in notes["total_alkalinity"]
    assert reef_diel.chain.air.source.startswith("book (monthly means of October 2022")


def test_book_states_what_the_published_relation_gives():
    """Alkalinity in the book is Lee et al. 2006 at the book's salinity, its sd that of relation and salinity."""
    from reeftally.mission import read_book
    from reeftally.seawater import alkalinity

    book = read_book(EXAMPLE)
    salinity, stated = book.reference("salinity"), book.reference("total_alkalinity")

    def lee(s: float) -> float:
        return float(alkalinity.lee2006(temperature=28.5, salinity=s, region="subtropics"))

    slope = (lee(salinity.value + 0.1) - lee(salinity.value - 0.1)) / 0.2
    assert stated.value == pytest.approx(lee(salinity.value), abs=0.5)
    assert stated.sd == pytest.approx(np.hypot(slope * salinity.sd, alkalinity.LEE2006_SD["subtropics"]), abs=0.5)


def test_air_of_the_book_fits_the_shipped_table():
    """October lies within the season's 3 µmol/mol of the annual mean, 417.08 in 2022 (shipped table)."""
    from reeftally.analysis.atmosphere import atmosphere_table
    from reeftally.mission import read_book

    years, annual = atmosphere_table()
    stated = read_book(EXAMPLE).reference("air_co2")

    assert abs(stated.value - annual[years == 2022][0]) <= 3.0
    # Mauna Loa 415.74 and the global marine surface 416.13 of that month lie inside the stated interval.
    assert all(abs(value - stated.value) <= 1.96 * stated.sd for value in (415.74, 416.13))


def test_water_has_a_temperature_without_a_ctd(reef_diel):
    """The mean of the two thermometers, so that density is that of this water: about 1023 kg m-3 at S 36, 28.5 degC.

    The equation of state gives 1022.9 (TEOS-10 at the surface, from memory to a unit).
    """
    temperature = reef_diel.chain.water.temperature
    good = np.isfinite(temperature)

    assert np.nanmean(temperature) == pytest.approx(28.5, abs=0.05)
    assert good.sum() >= 284
    assert reef_diel.chain.density == pytest.approx(1023.0, abs=1.0)
    assert reef_diel.chain.density != 1023.0
