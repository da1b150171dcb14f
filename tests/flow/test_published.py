"""Published and hand-worked numbers: every row of data/published.json, its source beside it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from reeftally import flow
from reeftally.flow.structure import _MOST_RELATIVE

ROWS = json.loads((Path(__file__).parent / "data" / "published.json").read_text(encoding="utf-8"))["rows"]


def _threshold(i):
    return flow.universal_threshold(samples=i["N"])


def _axes(i):
    return flow.phase_space_axes(
        threshold=_threshold(i), scale=i["sigma_u"], second_scale=i["sigma_d2u"], angle=i["theta_rad"]
    )


def _beams(i):
    return flow.beam_to_instrument(beams=i["beam_m_s"], matrix=np.array(i["T_times_4096"]) / 4096.0)


def _earth(i):
    return flow.instrument_to_earth(
        velocity=_beams(i), heading=i["heading_deg"], pitch=i["pitch_deg"], roll=i["roll_deg"]
    )


def _double(i):
    mean = np.array([i["mean_u"], i["mean_v"], i["mean_w"]])
    matrix, yaw, pitch = flow.double_rotation(mean_velocity=mean)
    return yaw, pitch, (matrix @ mean)[0]


def _plane(i):
    return flow.planar_fit(u=i["u"], v=i["v"], w=i["w"]).coefficients[0]


def _kh(i):
    return float(flow.wavenumber(period=i["T_s"], depth=i["h_m"])) * i["h_m"]


def _dispersion(i):
    k = _kh(i) / i["h_m"]
    return _kh(i), 2.0 * np.pi / k, 2.0 * np.pi / k / i["T_s"]


def _linear(i):
    k = float(flow.wavenumber(period=i["T_s"], depth=i["h_m"]))
    orbital = float(flow.orbital_amplitude(height=1.0, period=i["T_s"], depth=i["h_m"]))
    return (
        k, 2.0 * np.pi / k, float(flow.pressure_response(wavenumber=k, depth=i["h_m"])), orbital,
        float(flow.group_speed(period=i["T_s"], depth=i["h_m"])),
    )  # fmt: skip


def _surface(i):
    k = flow.wavenumber(period=i["T_s"], depth=i["h_m"])
    response = flow.pressure_response(wavenumber=k, depth=i["h_m"], sensor_height=i["z_above_bed_m"])
    return i["p_amp_Pa"] / (i["rho"] * i["g"] * response)


def _spectrum(component, one_sided=True):
    def call(i):
        frequency = i["f_Hz"] if one_sided else i["omega_rad_s"] / (2.0 * np.pi)
        value = flow.inertial_spectrum(
            dissipation=i["eps_W_kg"], advection=i["U_m_s"], frequency=frequency, component=component, constant=i["C"]
        )
        # Two-sided per rad/s: half the density, and 2 pi rad/s to one Hz.
        return value if one_sided else 0.5 * value / (2.0 * np.pi)

    return call


def _constants(i):
    # With U = 2 pi and f = 1 the wavenumber is one and Psi(k) dk = S(f) df; the row gives what multiplies C.
    common = {"dissipation": 1.0, "advection": 2.0 * np.pi, "frequency": 1.0, "constant": i["C"]}
    return [float(flow.inertial_spectrum(component=c, **common)) / i["C"] for c in "uw"]


def _advection(i):
    return flow.wave_advection_factor(ratio=i["sigma_wave_over_U"], angle=i["angle_wave_current_deg"])


def _structure(i):
    found = flow.fit_structure_function(separation=i["r_m"], structure=i["D_m2_s2"], constant=i["C2"])
    return found.dissipation, found.noise


def _log_fit(i):
    found = flow.law_of_the_wall(
        height=i["z_m"], speed=i["U_m_s"], displacement=i["d_m"], von_karman=i["kappa"], fewest_levels=3
    )
    return float(found.friction_velocity), float(found.roughness)


def _kaimal(i):
    return [flow.kaimal_spectrum(component=c, reduced_frequency=i["f"]) for c in "uvw"]


def _sigmas(_):
    f = np.geomspace(1e-9, 1e9, 400_001)
    step = np.log(f[1] / f[0])
    return [np.sqrt((flow.kaimal_spectrum(component=c, reduced_frequency=f)).sum() * step) for c in "uvw"]


def _ratio(_):
    return flow.kaimal_spectrum(component="w", reduced_frequency=1e9) / flow.kaimal_spectrum(
        component="u", reduced_frequency=1e9
    )


def _unnormalised(_):
    # The room's form carries exactly u*^2; the printed ones are it times their own integral.
    f = np.geomspace(1e-9, 1e9, 400_001)
    step = np.log(f[1] / f[0])
    ours = flow.kaimal_cospectrum(reduced_frequency=f)
    printed = 14.0 * f / (1.0 + 9.6 * f) ** 2.4
    assert ours.sum() * step == pytest.approx(1.0, abs=1e-4)
    return (printed / ours)[200_000], (12.0 * f / (1.0 + 9.6 * f) ** (7.0 / 3.0)).sum() * step


def _neutral(_):
    # u* for eps = 1 and kappa z = 1: phi = 1 / u*^3, at two stabilities.
    def phi(stability):
        found = flow.friction_velocity_from_dissipation(
            dissipation=1.0, height=1.0 / 0.41, balance="hartogensis2005", stability=stability
        )
        return float(found.value) ** -3

    return phi(0.0), phi(1.0) - phi(0.0)


def _wave_only(i):
    t = np.arange(28800) / 32.0
    phase = 2.0 * np.pi * t * 82.0 / 900.0
    u, w = i["A"] * np.cos(phase), i["B"] * np.cos(phase + np.deg2rad(i["phi_deg"]))
    rng = np.random.default_rng(1)
    small = 1e-4 * rng.normal(size=(3, t.size))
    left = flow.reynolds_stress(
        u=u + small[0], v=small[1], w=w + small[2], sample_rate=32.0, pressure=np.cos(phase) + small[0]
    )
    assert abs(left.uw) < 2e-5
    return np.mean(u * w)


CALCULATE = {
    "s1_01": _threshold,
    "s1_02": _threshold,
    "s1_04": _axes,
    "s1_06": lambda i: flow.robust_scale(values=i["samples"]),
    "s1_07": lambda i: flow.correlation_threshold(sample_rate=i["fs_Hz"], highest_rate=i["fs_max_Hz"]),
    "s1_09": lambda i: flow.beam_matrix(beam_angle=i["beta_deg"]),
    "s1_10": lambda i: flow.noise_variance_ratio(beam_angle=i["beta_deg"]),
    "s1_12": _beams,
    "s1_13": _earth,
    "s1_14": _earth,
    "s1_17": _double,
    "s1_19": _plane,
    "s1_22": lambda i: flow.tilt_stress_error(
        tilt=i["tilt_deg"], horizontal_sd=i["sigma_u_wave"], vertical_sd=i["sigma_w_wave"]
    ),
    "s2_01": _dispersion,
    "s2_02": _kh,
    "s2_04": _linear,
    "s2_05": _linear,
    "s2_07": _surface,
    "s2_09": lambda i: flow.near_bed_orbital_rms(significant_height=i["Hs_m"], period=i["T_s"], depth=i["h_m"]),
    "s2_11": _constants,
    "s2_12": _spectrum("w"),
    "s2_13": _spectrum("u"),
    "s2_15": _spectrum("w", one_sided=False),
    "s2_16": _advection,
    "s2_17": _advection,
    "s2_19": _advection,
    "s2_21": _advection,
    "s2_23": lambda _: flow.structure_constant_ratio(),
    "s2_25": _structure,
    "s2_27": lambda _: _MOST_RELATIVE,
    "s2_28": lambda i: flow.log_layer_dissipation(
        friction_velocity=i["ustar"], height=i["z"], von_karman=i["kappa"]
    ),
    "s2_30": _log_fit,
    "s2_32": lambda i: flow.log_fit_half_width(r_squared=i["R2"], levels=i["n"]),
    "s2_34": lambda i: flow.drag_coefficient(roughness=i["z0_m"], von_karman=i["kappa"]),
    "s2_39": _kaimal,
    "s2_41": _sigmas,
    "s2_42": _ratio,
    "s2_43": _unnormalised,
    "s2_45": _neutral,
    "s2_46": lambda i: flow.obukhov_length(
        friction_velocity=i["ustar"], density_flux=i["mean_rho_w_kg_m2_s"], density=i["rho0"]
    ),
    "s2_48": _wave_only,
}  # fmt: skip


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["name"])
def test_the_published_number_is_met(row):
    found = np.squeeze(np.array(CALCULATE[row["name"]](row["inputs"]), dtype=float))
    # A tolerance of zero is that of the printed number itself.
    limit = np.maximum(np.array(row["tolerance"], dtype=float), 1e-9)

    assert np.all(np.abs(found - np.array(row["value"], dtype=float)) <= limit), found


def test_every_row_is_calculated():
    assert {row["name"] for row in ROWS} == set(CALCULATE)
