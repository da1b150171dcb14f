"""The box: its budget, its profile, and the tuning values of the invented reef (good to 20 %)."""

from __future__ import annotations

import numpy as np
import pytest

from reeftally.rehearsal.box import oxygen_solubility, transfer_velocity
from reeftally.rehearsal.carbon import free_minus_total
from reeftally.rehearsal.highrate import make_world


def _in_place(world):
    t = world.water.t
    return (t >= world.script.place[0]) & (t < world.script.place[1])


def test_the_budget_of_dic_closes(full):
    chemistry, reef = full.chemistry, full.reef
    chosen = _in_place(full)
    hours = full.water.t[chosen] / 3600.0
    volume = reef.depth * reef.density / 1000.0
    parts = chemistry.organic + chemistry.gas_dic + 0.5 * chemistry.carbonate_alkalinity

    # Bed and surface fluxes less export are the change in store, to 1e-4 of the bed flux.
    export = volume * (chemistry.box_dic - reef.reference_dic) / chemistry.residence
    organic_out = volume * chemistry.organic / chemistry.residence
    stored = volume * (chemistry.box_dic[chosen][-1] - chemistry.box_dic[chosen][0])
    bed = np.trapezoid(chemistry.dic_flux[chosen], hours)
    gas_out = volume * chemistry.gas_dic / chemistry.residence
    gas = volume * (chemistry.gas_dic[chosen][-1] - chemistry.gas_dic[chosen][0]) + np.trapezoid(gas_out[chosen], hours)
    residual = stored - bed - gas + np.trapezoid(export[chosen], hours)

    assert abs(residual) < 1e-3 * abs(bed)
    assert organic_out[chosen].mean() > 0.0
    # The tracers of the drivers add up to the excess, once the start of the run is forgotten (7 residence times).
    assert np.allclose(parts[chosen], (chemistry.box_dic - reef.reference_dic)[chosen], atol=0.02)


def test_oxygen_is_the_organic_part_and_gas(full):
    chemistry, reef = full.chemistry, full.reef
    chosen = _in_place(full)

    left = chemistry.box_oxygen - reef.reference_oxygen - chemistry.gas_oxygen + reef.pq * chemistry.organic

    assert np.allclose(left[chosen], 0.0, atol=0.05)


# Tuning values of the invented reef, printed as good to about 20 %.
TUNED = {
    "oxygen_24h": -85.8,
    "respiration": 13.2,
    "dic_24h": 72.9,
    "alkalinity_24h": -17.6,
    "calcification_24h": 8.8,
}


def test_fluxes_of_the_ten_days_have_their_tuning_values(full):
    chemistry = full.chemistry
    chosen = _in_place(full)
    found = {
        "oxygen_24h": 24.0 * chemistry.oxygen_flux[chosen].mean(),
        "respiration": chemistry.respiration[chosen].mean(),
        "dic_24h": 24.0 * chemistry.dic_flux[chosen].mean(),
        "alkalinity_24h": 24.0 * chemistry.alkalinity_flux[chosen].mean(),
        "calcification_24h": 24.0 * chemistry.calcification[chosen].mean(),
    }

    for name, value in TUNED.items():
        assert found[name] == pytest.approx(value, rel=0.20), name


def test_chemistry_of_the_basin_has_its_tuning_values(full):
    chemistry, reef = full.chemistry, full.reef
    chosen = _in_place(full)

    # Differences from offshore carry the signal: 20 % of each.
    assert (chemistry.box_dic[chosen] - reef.reference_dic).mean() == pytest.approx(2004.1 - 1988.8, rel=0.20)
    assert (chemistry.box_alkalinity[chosen] - 2312.0).mean() == pytest.approx(2308.2 - 2312.0, rel=0.20)
    assert (chemistry.box_oxygen[chosen] - 197.5).mean() == pytest.approx(183.7 - 197.5, rel=0.20)
    assert (chemistry.box_delta[chosen] - 0.95).mean() == pytest.approx(0.74 - 0.95, rel=0.20)
    assert chemistry.residence[chosen].mean() == pytest.approx(34.0, rel=1e-6)


def test_scenario_b_calcifies_three_times_as_much():
    world = make_world("full", 1, scenario="B")
    chosen = _in_place(world)

    assert 24.0 * world.chemistry.calcification[chosen].mean() == pytest.approx(26.0, rel=0.20)


def test_gradient_of_a_constant_flux_layer_meets_the_worked_value(demo):
    # dO2 = F ln(z2/z1)/(kappa u*): 12 mmol m-2 h-1 of uptake, u* 0.8 cm/s, 0.25 and 0.90 m above the displacement
    # plane: lower minus upper -1.27 µmol kg-1 (worked; the law of the wall).
    factor = 12.0 / 3600.0 * np.log(0.90 / 0.25) / (0.41 * 0.008) / 1.0223

    assert -factor == pytest.approx(-1.27, abs=0.02)
    chemistry, water = demo.chemistry, demo.water
    difference = chemistry.at_height("oxygen", 0.35) - chemistry.at_height("oxygen", 1.00)
    steady = np.abs(np.gradient(chemistry.box_oxygen)) < 1e-3
    fast = water.friction > 0.003
    expected = chemistry.oxygen_flux / 3600.0 * np.log(0.25 / 0.90) / (0.41 * water.friction) / 1.0223
    chosen = steady & fast
    assert chosen.sum() > 50
    assert np.allclose(difference[chosen], -expected[chosen], rtol=0.02, atol=0.01)


def test_flux_at_a_height_is_the_bed_flux_less_the_storage_below(demo):
    chemistry, reef = demo.chemistry, demo.reef
    rate = np.gradient(chemistry.box_oxygen, 1.0 / 60.0) * reef.density / 1000.0

    assert np.allclose(chemistry.flux_at("oxygen", 0.4), chemistry.oxygen_flux - 0.4 * rate)


def test_profile_is_the_integral_of_its_gradient(demo):
    chemistry = demo.chemistry
    heights = np.linspace(0.30, 1.20, 400)
    gradients = np.stack([chemistry.gradient("oxygen", z)[20_000:20_050] for z in heights])

    integral = np.trapezoid(gradients, heights, axis=0)
    difference = (chemistry.at_height("oxygen", 1.20) - chemistry.at_height("oxygen", 0.30))[20_000:20_050]

    assert np.allclose(integral, difference, rtol=1e-3, atol=1e-4)


def test_patches_have_their_spread_their_correlation_and_their_time(full):
    chemistry, reef = full.chemistry, full.reef
    dic, oxygen = chemistry.patch_dic, chemistry.patch_oxygen
    lagged = np.corrcoef(dic[:-20], dic[20:])[0, 1]

    assert dic.std() == pytest.approx(reef.patch_dic, rel=0.10)
    assert oxygen.std() == pytest.approx(reef.patch_oxygen, rel=0.10)
    assert np.corrcoef(dic, oxygen)[0, 1] == pytest.approx(-0.95, abs=0.02)
    # 1/e after about twenty minutes.
    assert lagged == pytest.approx(np.exp(-1.0), abs=0.12)


def test_transfer_velocity_meets_a_worked_value():
    # Wanninkhof 2014: k = 0.251 U^2 (Sc/660)^-0.5; at 20 °C Sc(CO2) is 668, so 5 m/s gives 6.237 cm/h.
    found = transfer_velocity(np.array([5.0]), np.array([20.0]), "co2")[0] * 100.0

    assert found == pytest.approx(0.251 * 25.0 * (668.0 / 660.0) ** -0.5, abs=0.01)


def test_oxygen_solubility_meets_the_published_check_value():
    # Garcia and Gordon 1992 (corrected in 1993): 274.61 µmol kg-1 at 10 °C, S 35.
    assert oxygen_solubility(np.array([10.0]), np.array([35.0]))[0] == pytest.approx(274.61, abs=0.01)


def test_free_scale_lies_above_the_total_one_by_the_tuned_amount():
    # 0.120 at S 35.1, 28.4 °C (computed from Dickson 1990; printed with three digits).
    assert free_minus_total(28.4, 35.1) == pytest.approx(0.120, abs=0.002)
