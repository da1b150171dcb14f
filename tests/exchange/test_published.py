"""Published and hand-worked numbers: every row of data/published.json, its source beside it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reeftally import exchange
from reeftally.exchange import gas_exchange
from reeftally.seawater import carbonate
from reeftally.seawater.schmidt import schmidt_number

ROWS = json.loads((Path(__file__).parent / "data" / "published.json").read_text(encoding="utf-8"))["rows"]
HOUR = 3600.0


def _footprint(i):
    found = exchange.footprint(height=i["h_m"], roughness_length=i["z0_m"], depth=i.get("H_m", np.inf))
    return found.length if "H_m" in i else (found.length, found.peak, found.width)


def _ar1(rng, blocks, n, r):
    x = np.empty((blocks, n))
    x[:, 0] = rng.standard_normal(blocks)
    e = rng.standard_normal((blocks, n)) * np.sqrt(1.0 - r * r)
    for k in range(1, n):
        x[:, k] = r * x[:, k - 1] + e[:, k]
    return x


def _random_error(i):
    # The formula is the expectation; averaging the estimator over bursts meets it (stated separately
    # below with its Monte Carlo tolerance), so here the limit itself is formed from exact covariances.
    p = np.arange(-2000, 2001)
    r1, r2 = i.get("r1", 0.0), i.get("r2", 0.0)
    ww = i["sigma_w_m_s"] ** 2 * np.where(p == 0, 1.0, r1 ** np.abs(p))
    cc = i["sigma_c_mmol_m3"] ** 2 * np.where(p == 0, 1.0, r2 ** np.abs(p))
    from reeftally.exchange._samples import Correlations

    found = Correlations(np.zeros((1, p.size)), np.zeros((1, p.size)), ww[None], cc[None], 2000)
    from reeftally.exchange.sampling import random_error

    return random_error(found, np.zeros(1), np.array([i["n"]]))[0] * HOUR


def _lag(i):
    rng = np.random.default_rng(3)
    w = rng.standard_normal(4000)
    c = np.roll(w, i["delay_samples"])
    curve = exchange.lagged_covariance(w=w, concentration=c, max_lag=40)
    return (np.argmax(np.abs(curve)) - 40) / i["fs_Hz"]


def _ec(i):
    curve = exchange.lagged_covariance(w=i["w_m_s"], concentration=i["O2_mmol_m3"], max_lag=1)
    return curve[1] * HOUR


def _transfer(i):
    gain, phase, lag, in_phase = exchange.response_transfer(response_time=i["tau_s"], frequency=i["f_Hz"])
    return gain, np.rad2deg(phase), lag, in_phase


def _light(i):
    # Slope from the compensation point: Pmax tanh(alpha Ic/Pmax) = -R.
    saturation = i["Ic"] / float(
        exchange.compensation_irradiance(maximum=i["Pmax"], saturation=1.0, respiration=-i["R"])
    )
    zero = exchange.response_curve(light=i["Ic"], maximum=i["Pmax"], saturation=saturation, respiration=-i["R"])
    assert abs(float(zero)) < 1e-9
    return i["Pmax"] / saturation, saturation


def _gradient(i):
    return exchange.gradient_flux_trials(
        differences=i["C1_minus_C2_mmol_m3"], friction_velocity=i["ustar"], lower_height=i["z1_m"],
        upper_height=i["z2_m"], displacement=i.get("d_m", 0.0), von_karman=i["kappa"],
    )  # fmt: skip


def _difference_for_one(i):
    per_unit = exchange.gradient_flux_trials(
        differences=1.0, friction_velocity=i["ustar"], lower_height=0.2, upper_height=1.0, von_karman=i["kappa"]
    )
    return 1.0 / per_unit


def _relative(i):
    found = exchange.gradient_flux(
        concentration=[[i["dC"]], [0.0]], height=[0.2, 1.0], time=[0.0], friction_velocity=[0.012],
        noise_sd=i["sigma_dC"] / np.sqrt(2.0), friction_velocity_random=i["rel_ustar"],
        prior_offset=[0.0, 0.0], prior_covariance=np.zeros((2, 2)), storage_rate=[0.0],
    )  # fmt: skip
    return found.random_sd[0] / found.flux[0]


SENSITIVITY = (-0.00153406, 0.00137273)


def _carbon(i):
    found = exchange.carbon_from_ph_and_oxygen(
        ph_difference=i["dpH"], oxygen_difference=i["dO2_umol_kg"], ph_per_dic=SENSITIVITY[0],
        ph_per_alkalinity=SENSITIVITY[1], pq=i["Q_O2_to_DIC"],
    )  # fmt: skip
    return found.alkalinity


def _amplification(i):
    found = exchange.carbon_from_ph_and_oxygen(
        ph_difference=0.0, oxygen_difference=0.0, ph_per_dic=SENSITIVITY[0], ph_per_alkalinity=SENSITIVITY[1],
        ph_random_sd=0.001, pq=1.0,
    )  # fmt: skip
    return found.alkalinity_random_sd


def _slack(i):
    scale = i["rho"] * 1e-3
    time = [0.0, i["dt_h"] * HOUR]
    fluxes = [
        exchange.slack_water(time=time, concentration=[0.0, scale * i[name]], depth=i["h_m"]).value
        for name in ("dTA_umol_kg", "dDIC_umol_kg")
    ]
    ncc = exchange.net_calcification(alkalinity_flux=fluxes[0])
    return ncc, -(fluxes[1] - 0.5 * fluxes[0])


def _transect(i):
    # Two stations in steady water: whatever arrives left upstream with the same value all along.
    time = np.arange(5) * 1800.0
    found = exchange.control_volume(
        time=time, upstream=np.full(5, 2300.0), downstream=2300.0 + np.full(5, i["dTA_umol_kg"] * i["rho"] * 1e-3),
        speed=i["U_m_s"], distance=i["L_m"], depth=i["h_m"],
    )  # fmt: skip
    return exchange.net_calcification(alkalinity_flux=found.value)[-1]


def _shares(i):
    if "m" in i:
        return exchange.organic_share(slope=i["m"])
    slopes = 2.0 * (1.0 - np.array(i["share"]))
    assert_allclose(exchange.organic_share(slope=slopes)[1], i["share"], rtol=0, atol=1e-12)
    return slopes


def _pumping(i):
    found = exchange.pumping_rate(speed=i["U_max_m_s"], diameter=i["D_m"], ratio=i["shape"], ratio_sd=0.0, method="dye")
    return found.rate * HOUR


def _uptake(i):
    found = exchange.point_source(pumping=i["Q_L_h"] / HOUR, difference=-i["dO2_umol_L"], diameter=0.12)
    return -found.release


def _pairs(i):
    found = exchange.side_by_side(first=i["A"], second=i["B"])
    return [found[name] for name in ("bias", "sd", "rmsd", "lower", "upper")]


def _conversion(i):
    # 1 mmol CaCO3 is 0.100087 g; NCC from the flux of alkalinity that this calcification draws down.
    mmol = np.array([i["day_g_m2_h"], i["night_g_m2_h"]]) / i["M_CaCO3"] * 1000.0
    return exchange.net_calcification(alkalinity_flux=-2.0 * mmol)


def _slopes(i):
    """Return dpH/dDIC and dpH/dTA at a state, by central differences of the solver."""
    state = {"temperature": i["T_C"], "salinity": i["S"], "pressure": 0.0, "outputs": ("ph_total",)}

    def ph(alkalinity, dic):
        return float(carbonate.solve(total_alkalinity=alkalinity, dic=dic, **state)["ph_total"])

    ta = i["TA"] if "TA" in i else i["TA_umol_kg"]
    dic = i["DIC"] if "DIC" in i else i["DIC_umol_kg"]
    return (ph(ta, dic + 1.0) - ph(ta, dic - 1.0)) / 2.0, (ph(ta + 1.0, dic) - ph(ta - 1.0, dic)) / 2.0


def _isoline(i):
    by_dic, by_alkalinity = _slopes(i)
    return -by_dic / by_alkalinity


CALCULATE = {
    "s3_01": _footprint,
    "s3_02": _footprint,
    "s3_04": _footprint,
    "s3_11": lambda i: exchange.storage_term(height=i["h_m"], concentration_rate=i["dCdt_mmol_m3_h"]),
    "s3_12": _random_error,
    "s3_13": _random_error,
    "s3_16": lambda i: exchange.stationarity(
        sub_covariances=i["sub_covariances"], whole_covariance=i["whole_covariance"]
    ),
    "s3_18": _ec,
    "s3_20": _transfer,
    "s3_21": lambda i: exchange.flux_retained(response_time=i["tau_s"], height=i["z_m"], speed=i["U_m_s"]),
    "s3_25": _light,
    "s3_33": _lag,
    "s3_34": lambda i: (
        HOUR
        * exchange.lenschow_bound(
            sigma_w=i["sigma_w"], sigma_c=i["sigma_c"], integral_time=i["tau_min_s"], duration=i["T_s"]
        )
    ),
    "s4_01": _gradient,
    "s4_02": _gradient,
    "s4_04": _gradient,
    "s4_06": _difference_for_one,
    "s4_08": _relative,
    "s4_09": lambda i: exchange.profile_flux(
        concentration=i["O2_mmol_m3"], height=i["z_m"], friction_velocity=i["ustar"], von_karman=i["kappa"]
    ),
    "s4_11": lambda i: exchange.eddy_diffusivity(friction_velocity=i["ustar"], height=i["z"], von_karman=i["kappa"]),
    "s4_13": _conversion,
    "s4_18": _slopes,
    "s4_19": _carbon,
    "s4_21": _amplification,
    "s5_01": _slack,
    "s5_03": _transect,
    "s5_05": lambda i: gas_exchange.transfer_velocity(wind_speed=i["U10_m_s"], schmidt=i["Sc"]) * 100.0,
    "s5_06": lambda i: [schmidt_number(gas=gas, temperature=i["T_C"]) for gas in ("co2", "o2")],
    "s5_08": _shares,
    "s5_09": _shares,
    "s5_11": _isoline,
    "s6_01": _pumping,
    "s6_02": _pumping,
    "s6_03": lambda i: exchange.power_profile_ratio(exponent=i["n"]),
    "s6_05": _uptake,
    "s6_15": lambda i: exchange.jet_decay(distance=i["x_m"], diameter=i["D_m"], virtual_origin=i["x0_m"])[0],
    "s6_17": lambda i: exchange.jet_decay(distance=i["x_m"], diameter=i["D_m"])[1],
    "s7_13": _pairs,
    "s7_15": lambda i: exchange.hydrogen_ion_change(ph=i["pH"], ph_change=-i["dpH"]),
}


@pytest.mark.parametrize("row", [r for r in ROWS if r["name"] in CALCULATE], ids=lambda row: row["name"])
def test_the_published_number_is_met(row):
    found = np.array(CALCULATE[row["name"]](row["inputs"]), dtype=float)

    assert np.all(np.abs(np.squeeze(found) - row["value"]) <= row["tolerance"]), found


def test_every_row_is_calculated():
    assert {row["name"] for row in ROWS} == set(CALCULATE)


def test_random_error_of_correlated_noise_meets_its_limit_on_average():
    # Source: Finkelstein and Sims (2001), limit for independent AR(1) series (from memory);
    # the Monte Carlo tolerance of 5 % is that of 40 bursts.
    rng = np.random.default_rng(7)
    n, r1, r2 = 14400, 0.9, 0.95
    w, c = 0.01 * _ar1(rng, 40, n, r1), 0.5 * _ar1(rng, 40, n, r2)

    stated = exchange.finkelstein_sims(w=w, concentration=c, max_lag=600) * HOUR

    assert_allclose(np.sqrt(np.mean(stated**2)), 0.536512, rtol=0.05)
