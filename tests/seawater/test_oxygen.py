"""Oxygen against Garcia and Gordon, TEOS-10 examples, Benson and Krause and SCOR WG 142.

Numbers with an id stand with their sources in data/oxygen.json.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from reeftally.errors import InputError, OutOfRangeError, ShapeError
from reeftally.seawater import oxygen, properties

DATA = Path(__file__).parent / "data"
ROWS = {row["id"]: row for row in json.loads((DATA / "oxygen.json").read_text(encoding="utf-8"))["rows"]}
OTHER = {row["id"]: row for row in json.loads((DATA / "gas_exchange.json").read_text(encoding="utf-8"))["rows"]}


def by_mass(c):
    return oxygen.solubility(temperature=c["t_C"], salinity=c["S"])


def by_volume(c):
    return oxygen.solubility(temperature=c["t_C"], salinity=c["S"], basis="volume")


def saturated_partial_pressure(c):
    return oxygen.partial_pressure(
        oxygen_molar=by_volume(c), temperature=c["t_C"], salinity=c["S"], pressure=c["P_dbar"]
    )


KINDS = {
    "ox-gg-umolkg": by_mass,
    "ox-gg-umoll": by_volume,
    "ox-teos-": lambda c: oxygen.solubility(temperature=c["pt_C"], salinity=c["SP"], convert_to_ipts68=True),
    "ox-bk-setsch": lambda c: oxygen.setschenow(temperature=c["t_C"]),
    "ox-fresh": lambda c: by_volume(c) * oxygen.MOLAR_MASS / 1000.0,
    "ox-mlmol": lambda c: oxygen.MICROMOLES_PER_MILLILITRE,
    "ox-mgmol": lambda c: 1000.0 / oxygen.MOLAR_MASS,
    "ox-ph2o": lambda c: properties.vapour_pressure(temperature=c["t_C"], salinity=c["S"]),
    "ox-po2-sat": saturated_partial_pressure,
    "ox-po2-200": lambda c: oxygen.partial_pressure(
        oxygen_molar=c["O2_umolL"], temperature=c["t_C"], salinity=c["S"], pressure=c["P_dbar"]
    ),
    "ox-scorr": lambda c: oxygen.salinity_factor(temperature=c["t_C"], salinity=c["S"], salinity_setting=c["S_preset"]),
    "ox-pcoef": lambda c: oxygen.pressure_factor(pressure=c["P_dbar"], temperature=c["t_C"], phase_corrected=True),
    "ox-uchida": lambda c: oxygen.pressure_factor(pressure=1000.0, temperature=10.0, method="uchida2008") - 1.0,
    "ox-bk-err": lambda c: 100.0 * oxygen.SOLUBILITY_RELATIVE_BOUND,
}
CASES = [(name, kind) for name in ROWS for start, kind in KINDS.items() if name.startswith(start)]
# Bare facts, listed in docs/facts.md.
FACTS = {
    "ox-sop-drift",
    "ox-sop-range-hi",
    "ox-sop-spike-sh",
    "ox-sop-spike-dp",
    "ox-winkler-prec",
    "ox-winkler-stoich",
    "ox-winkler-inter",
}
ELSEWHERE = {"ox-vm", "ox-winkler-reg", "ox-bittig-lo", "ox-bittig-hi"}


@pytest.mark.parametrize(("name", "kind"), CASES, ids=[name for name, _ in CASES])
def test_oxygen_agrees_with_the_check_value(name, kind):
    row = ROWS[name]

    assert_allclose(kind(row["conditions"]), row["value"], rtol=0, atol=row["tolerance"] or 1e-12)


def test_every_check_row_is_used_or_a_fact():
    assert set(ROWS) == {name for name, _ in CASES} | FACTS | ELSEWHERE


def test_partial_pressure_rises_with_depth_by_the_molar_volume():
    # ox-vm: exp(Vm P / (R T)), Vm 0.317 with P in dbar and R 8.314.
    at_depth, at_surface = oxygen.partial_pressure(
        oxygen_molar=200.0, temperature=10.0, salinity=35.0, pressure=[1000.0, 0.0]
    )
    volume = 8.314 * 283.15 / 1000.0 * np.log(at_depth / at_surface)

    assert_allclose(volume, ROWS["ox-vm"]["value"], rtol=0, atol=ROWS["ox-vm"]["tolerance"])


def test_solubility_is_met_a_second_time():
    row = OTHER["o2sat"]
    found = by_mass({"t_C": row["conditions"]["T_C"], "S": row["conditions"]["S"]})

    assert_allclose(found, row["value"], rtol=0, atol=row["tolerance"])


def test_a_wrong_salinity_setting_changes_the_result_by_the_known_factor():
    # Solubility by mass at setting 0 over that at 35.1, 28.4 degC: 1.247, computed from Garcia and Gordon 1992.
    zero, true = oxygen.solubility(temperature=28.4, salinity=[0.0, 35.1])

    assert_allclose(zero / true, 1.247, rtol=0, atol=0.5e-3)


def test_a_wrong_setting_is_undone_by_compensation():
    # The sensor sees one partial pressure; told salinity 0 it writes the molar amount fresh water would hold.
    pressure = oxygen.partial_pressure(oxygen_molar=190.0, temperature=28.4, salinity=35.1)
    written = oxygen.molar_from_partial_pressure(oxygen_partial_pressure=pressure, temperature=28.4, salinity=0.0)
    mended = oxygen.salinity_compensation(oxygen_molar=written, temperature=28.4, salinity=35.1, salinity_setting=0.0)

    assert_allclose(mended, 190.0, rtol=1e-9)
    assert_allclose(written / 190.0, 1.216, rtol=0, atol=0.5e-3)


def test_salinity_setting_is_never_assumed():
    with pytest.raises(TypeError, match="salinity_setting"):
        oxygen.salinity_compensation(oxygen_molar=200.0, temperature=25.0, salinity=35.0)


def test_setschenow_and_the_fit_agree_as_noted_by_the_sources():
    # exp(-35 K) = 0.7808 against the ratio of the volumetric fit 0.7829 at 0 degC (0.3 % apart).
    ratio = oxygen.solubility(temperature=0.0, salinity=35.0, basis="volume") / oxygen.solubility(
        temperature=0.0, salinity=0.0, basis="volume"
    )

    assert_allclose(np.exp(-35.0 * oxygen.setschenow(temperature=0.0)), 0.7808, rtol=0, atol=0.5e-4)
    assert_allclose(ratio, 0.7829, rtol=0, atol=0.5e-4)


def test_mass_and_volume_solubilities_agree_through_density():
    # Two independent fits; Garcia and Gordon state about 0.1 % for the data behind them.
    t = np.linspace(0.0, 35.0, 8)
    volume = oxygen.solubility(temperature=t, salinity=35.0, basis="volume")
    mass = oxygen.molar_to_gravimetric(oxygen_molar=volume, temperature=t, salinity=35.0)

    assert_allclose(mass, oxygen.solubility(temperature=t, salinity=35.0), rtol=1e-3)


def test_the_volume_is_weighed_with_the_density_at_the_surface():
    deep = oxygen.molar_to_gravimetric(oxygen_molar=200.0, temperature=10.0, salinity=35.0, pressure=1000.0)
    water = properties.potential_density(salinity=35.0, temperature=10.0, pressure=1000.0)

    assert_allclose(deep, 200_000.0 / water, rtol=1e-12)
    assert deep > 200_000.0 / properties.density(salinity=35.0, temperature=10.0, pressure=1000.0)


def test_saturation_follows_the_air_pressure():
    full = oxygen.solubility(temperature=28.4, salinity=35.1)
    standard = oxygen.saturation(oxygen=full, temperature=28.4, salinity=35.1)
    lower = oxygen.saturation(oxygen=full, temperature=28.4, salinity=35.1, air_pressure=1000.0)

    assert_allclose(standard, 100.0, rtol=1e-12)
    assert_allclose(lower, 100.0 * (1013.25 - 37.92) / (1000.0 - 37.92), rtol=1e-4)


def test_reef_water_of_the_demo_is_saturated_as_stated():
    # Invented demo water: 197.5 µmol/kg at 28.4 degC, 35.10 is stated as 101 %, 183.7 as 94 %.
    found = oxygen.saturation(oxygen=[197.5, 183.7], temperature=28.4, salinity=35.1)

    assert_allclose(found, [101.0, 94.0], rtol=0, atol=0.5)


def test_fresh_water_tables_print_the_same():
    # Oxygen saturation in fresh water at 1 atm, mg/L: 14.62 at 0, 11.29 at 10, 9.09 at 20, 7.56 at 30 degC
    # (APHA Standard Methods 4500-O table, from memory).
    found = oxygen.solubility(temperature=[0.0, 10.0, 20.0, 30.0], salinity=0.0, basis="volume")

    assert_allclose(found * oxygen.MOLAR_MASS / 1000.0, [14.62, 11.29, 9.09, 7.56], rtol=0, atol=0.006)


# Invented coefficients of the shape that optodes have; the round trip is what is tested.
COEFFICIENTS = (2.8e-3, 1.2e-4, 2.4e-6, 230.0, -0.30, -52.0, 4.5)


@settings(deadline=None, max_examples=60)
@given(amount=st.floats(0.0, 500.0), temperature=st.floats(0.0, 35.0))
def test_phase_and_oxygen_are_each_others_inverse(amount, temperature):
    phase = oxygen.phase_stern_volmer(oxygen_molar=amount, temperature=temperature, coefficients=COEFFICIENTS)
    back = oxygen.stern_volmer(phase=phase, temperature=temperature, coefficients=COEFFICIENTS)

    assert_allclose(back, amount, rtol=1e-9, atol=1e-7)


def test_more_oxygen_means_less_phase():
    phase = oxygen.phase_stern_volmer(oxygen_molar=[0.0, 100.0, 200.0], temperature=25.0, coefficients=COEFFICIENTS)

    assert np.all(np.diff(phase) < 0.0)


def test_two_site_form_becomes_the_plain_one_when_all_dye_is_reached():
    ratio = 1.0 + 0.01 * np.array([0.0, 50.0, 200.0])

    assert_allclose(oxygen.stern_volmer_two_site(intensity_ratio=ratio, quench=0.01), [0.0, 50.0, 200.0])
    part = 1.0 / (0.8 / (1.0 + 0.01 * 120.0) + 0.2)
    assert_allclose(oxygen.stern_volmer_two_site(intensity_ratio=part, quench=0.01, quenched_share=0.8), 120.0)
    assert np.isnan(oxygen.stern_volmer_two_site(intensity_ratio=[6.0], quench=0.01, quenched_share=0.8)).all()


def test_two_point_forms_hit_both_points():
    linear = oxygen.two_point(reading=[2.0, 7.0, 12.0], reading_zero=2.0, reading_full=12.0, oxygen_full=210.0)
    quenching = oxygen.two_point(
        reading=[60.0, 40.0, 30.0],
        reading_zero=60.0,
        reading_full=30.0,
        oxygen_full=210.0,
        form="stern_volmer",
    )

    assert_allclose(linear, [0.0, 105.0, 210.0])
    assert_allclose(quenching, [0.0, 105.0, 210.0])


def test_pressure_effect_is_within_the_published_range_and_grows_with_temperature():
    # ox-bittig-lo, ox-bittig-hi: 3 to 4 % per 1000 dbar, growing with temperature (Bittig et al. 2015, abstract).
    temperature = np.linspace(0.0, 28.0, 8)
    found = 100.0 * (oxygen.pressure_factor(pressure=1000.0, temperature=temperature) - 1.0)

    assert found.min() >= ROWS["ox-bittig-lo"]["value"]
    assert found.max() <= ROWS["ox-bittig-hi"]["value"]
    assert np.all(np.diff(found) > 0.0)


def test_both_ways_of_correcting_for_pressure_agree():
    # The phase term with the larger factor against the single factor, invented coefficients: within 0.6 % at
    # 1000 dbar (common practice, no source).
    phase = oxygen.phase_stern_volmer(oxygen_molar=200.0, temperature=10.0, coefficients=COEFFICIENTS)
    raised = oxygen.phase_with_pressure(phase=phase, pressure=1000.0)
    mended = oxygen.stern_volmer(phase=raised, temperature=10.0, coefficients=COEFFICIENTS)
    two_steps = oxygen.pressure_compensation(oxygen=mended, pressure=1000.0, temperature=10.0, phase_corrected=True)
    one_step = oxygen.pressure_compensation(oxygen=200.0, pressure=1000.0, temperature=10.0)

    assert_allclose(two_steps, one_step, rtol=0.006)


def test_pressure_effect_at_reef_depth_is_small():
    # At 25 degC and 10 dbar the factor after the phase term is 1.000474 (evaluation of Bittig et al. 2015).
    found = oxygen.pressure_compensation(oxygen=200.0, pressure=[0.0, 10.0], temperature=25.0, phase_corrected=True)

    assert_allclose(found / 200.0, [1.0, 1.000474], rtol=0, atol=0.5e-6)
    assert_allclose(oxygen.phase_with_pressure(phase=30.0, pressure=1000.0), 30.1)
    with pytest.raises(InputError, match="uchida2008"):
        oxygen.pressure_factor(pressure=10.0, temperature=25.0, coefficient=0.04)


def test_titration_of_a_worked_invented_sample():
    # 4 mol of thiosulfate a mole of O2 (ox-winkler-stoich): 25 µmol O2 use 100 µmol, less what the reagents bring.
    titrant_ml, normality = 1.0, 0.1
    found = oxygen.winkler(
        titrant=titrant_ml,
        titrant_blank=0.0,
        titrant_standard=1.0,
        standard_volume=10.0,
        standard_normality=normality / 10.0,
        bottle_volume=127.0,
        reagent_volume=2.0,
    )
    from_reagents = ROWS["ox-winkler-reg"]["value"] * oxygen.MICROMOLES_PER_MILLILITRE

    # E = 5598 mL a mole of electrons is printed to four digits.
    assert_allclose(found, (25.0 - from_reagents) / 0.125, rtol=1e-4)


# --- response lag ------------------------------------------------------------------------------------------


def lagged(truth, tau, dt):
    """First-order sensor, exact for a truth that is straight between samples."""
    out = np.empty_like(truth)
    out[0] = truth[0]
    decay = np.exp(-dt / tau)
    for k in range(1, truth.size):
        slope = (truth[k] - truth[k - 1]) / dt
        start = truth[k - 1] - slope * tau
        out[k] = truth[k] - slope * tau + (out[k - 1] - start) * decay
    return out


def test_lag_correction_gives_back_the_truth():
    # Invented series: a diel swing seen by a sensor of 28 s every 5 s.
    time = np.arange(0.0, 3600.0, 5.0)
    truth = 190.0 + 10.0 * np.sin(2.0 * np.pi * time / 1800.0)
    seen = lagged(truth, 28.0, 5.0)
    found = oxygen.lag_correction(time=time, values=seen, response_time=28.0)
    at_middle = 190.0 + 10.0 * np.sin(2.0 * np.pi * found.time / 1800.0)

    assert np.abs(seen - truth).max() > 0.9
    assert np.abs(found.values - at_middle)[20:].max() < 0.005


def test_noise_penalty_is_the_one_stated():
    generator = np.random.default_rng(1)
    time = np.arange(0.0, 100_000.0, 5.0)
    noise = 0.1 * generator.standard_normal(time.size)
    for window in (2, 12):
        found = oxygen.lag_correction(time=time, values=noise, response_time=28.0, noise_sd=0.1, window=window)
        # Overlapping windows: about 20000/window independent ones.
        assert_allclose(found.values.std(), found.random_sd[0], rtol=4.0 / np.sqrt(2.0 * 20_000 / window))
        assert_allclose(found.random_sd, 0.1 * found.noise_gain)
    two = oxygen.lag_correction(time=time[:3], values=noise[:3], response_time=28.0)
    assert_allclose(two.noise_gain, np.sqrt(0.5 + 2.0 * (28.0 / 5.0) ** 2))


def test_wrong_response_time_costs_what_is_stated():
    time = np.arange(0.0, 100.0, 5.0)
    ramp = 0.02 * time
    right = oxygen.lag_correction(time=time, values=ramp, response_time=28.0, response_time_sd=2.0)
    wrong = oxygen.lag_correction(time=time, values=ramp, response_time=30.0)

    assert_allclose(wrong.values - right.values, right.systematic_sd)


def test_gaps_void_only_the_windows_that_hold_them():
    time = np.arange(0.0, 50.0, 5.0)
    values = np.ones(10)
    values[4] = np.nan
    found = oxygen.lag_correction(time=time, values=values, response_time=10.0, noise_sd=0.1, window=3)

    assert_array_equal(np.isnan(found.values), np.isin(np.arange(8), [2, 3, 4]))
    assert_array_equal(np.isnan(found.random_sd), np.isnan(found.values))


def test_impossible_lag_requests_are_refused():
    with pytest.raises(InputError, match="does not rise"):
        oxygen.lag_correction(time=[0.0, 0.0, 1.0], values=[1.0, 2.0, 3.0], response_time=1.0)
    with pytest.raises(ShapeError, match="window"):
        oxygen.lag_correction(time=[0.0, 1.0], values=[1.0, 2.0], response_time=1.0, window=3)
    with pytest.raises(OutOfRangeError):
        oxygen.lag_correction(time=[0.0, 1.0], values=[1.0, 2.0], response_time=-1.0)
    with pytest.raises(ShapeError, match="7 numbers"):
        oxygen.stern_volmer(phase=30.0, temperature=20.0, coefficients=(1.0, 2.0))


@settings(deadline=None, max_examples=50)
@given(temperature=st.floats(0.0, 38.0), salinity=st.floats(0.0, 40.0))
def test_warmer_and_saltier_water_holds_less(temperature, salinity):
    for basis in ("mass", "volume"):
        base, warm, salt = oxygen.solubility(
            temperature=[temperature, temperature + 1.0, temperature],
            salinity=[salinity, salinity, salinity + 1.0],
            basis=basis,
        )
        assert warm < base
        assert salt < base


@settings(deadline=None, max_examples=50)
@given(amount=st.floats(1.0, 500.0), temperature=st.floats(0.0, 35.0), salinity=st.floats(0.0, 40.0))
def test_units_go_there_and_back(amount, temperature, salinity):
    state = {"temperature": temperature, "salinity": salinity, "pressure": 12.0}
    mass = oxygen.molar_to_gravimetric(oxygen_molar=amount, **state)
    pressure = oxygen.partial_pressure(oxygen_molar=amount, **state)

    assert_allclose(oxygen.gravimetric_to_molar(oxygen=mass, **state), amount, rtol=1e-12)
    assert_allclose(oxygen.molar_from_partial_pressure(oxygen_partial_pressure=pressure, **state), amount, rtol=1e-12)


def test_outside_the_range_is_nan_in_arrays_with_a_reason():
    found = oxygen.solubility(temperature=[10.0, 60.0], salinity=35.0)

    assert np.isnan(found[1])
    assert oxygen.reasons(oxygen.solubility, temperature=[10.0, 60.0], salinity=35.0)[1] == (
        "temperature is outside -2 to 40 degC"
    )
