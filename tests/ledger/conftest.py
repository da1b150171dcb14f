"""A small carbonate system for tests of the split alone: another text than the one under test.

Constants as named in the checks: K1, K2 Lueker et al. 2000; K0 Weiss 1974; KB Dickson 1990; KW Millero
1995; total boron 0.000416 S/35; calcium 0.01028 S/35; aragonite Mucci 1983; water vapour Weiss and Price
1980. No sulfate or fluoride in the alkalinity, no fugacity coefficient: pH differs by less than 0.0002.
"""

import json
from pathlib import Path

import numpy as np
import pytest


def constants(temperature, salinity):
    t = np.asarray(temperature, float) + 273.15
    s = np.asarray(salinity, float)
    s2, lt = np.sqrt(s), np.log(t)
    k1 = 10.0 ** -(3633.86 / t - 61.2172 + 9.67770 * lt - 0.011555 * s + 0.0001152 * s * s)
    k2 = 10.0 ** -(471.78 / t + 25.9290 - 3.16967 * lt - 0.01781 * s + 0.0001122 * s * s)
    kb = np.exp(
        (-8966.90 - 2890.53 * s2 - 77.942 * s + 1.728 * s * s2 - 0.0996 * s * s) / t
        + 148.0248 + 137.1942 * s2 + 1.62142 * s
        + (-24.4344 - 25.085 * s2 - 0.2474 * s) * lt + 0.053105 * s2 * t
    )  # fmt: skip
    kw = np.exp(148.9652 - 13847.26 / t - 23.6521 * lt + (118.67 / t - 5.977 + 1.0495 * lt) * s2 - 0.01615 * s)
    h = t / 100.0
    k0 = np.exp(93.4517 / h - 60.2409 + 23.3585 * np.log(h) + s * (0.023517 - 0.023656 * h + 0.0047036 * h * h))
    log_ksp = (
        -171.945 - 0.077993 * t + 2903.293 / t + 71.595 * np.log10(t)
        + (-0.068393 + 0.0017276 * t + 88.135 / t) * s2 - 0.10018 * s + 0.0059415 * s * s2
    )  # fmt: skip
    return k0, k1, k2, kb, kw, 0.000416 * s / 35.0, 0.01028 * s / 35.0, 10.0**log_ksp


def solve(*, total_alkalinity, dic, temperature, salinity, outputs=()):
    k0, k1, k2, kb, kw, bt, ca, ksp = constants(temperature, salinity)
    ta, ct = np.asarray(total_alkalinity) * 1e-6, np.asarray(dic) * 1e-6
    low, high = np.full(np.broadcast(ta, ct, k1).shape, 3.0), np.full(np.broadcast(ta, ct, k1).shape, 11.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        h = 10.0**-middle
        d = h * h + k1 * h + k1 * k2
        found = ct * (k1 * h + 2 * k1 * k2) / d + bt * kb / (kb + h) + kw / h - h
        low, high = np.where(found < ta, middle, low), np.where(found < ta, high, middle)
    h = 10.0 ** -(0.5 * (low + high))
    d = h * h + k1 * h + k1 * k2
    return {
        "ph_total": -np.log10(h),
        "aragonite_saturation": ca * ct * k1 * k2 / d / ksp,
        "fco2": ct * h * h / d / k0 * 1e6,
    }


def equilibrium(*, xco2_air, total_alkalinity, temperature, salinity, air_pressure):
    k0, k1, k2, kb, kw, bt, _, _ = constants(temperature, salinity)
    t = np.asarray(temperature, float) + 273.15
    vapour = np.exp(24.4543 - 67.4509 * (100 / t) - 4.8489 * np.log(t / 100) - 0.000544 * salinity)
    co2 = k0 * np.asarray(xco2_air) * 1e-6 * (np.asarray(air_pressure) / 1013.25 - vapour)
    ta = np.asarray(total_alkalinity) * 1e-6
    low, high = np.full(np.broadcast(ta, co2).shape, 3.0), np.full(np.broadcast(ta, co2).shape, 11.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        h = 10.0**-middle
        found = co2 * (k1 / h + 2 * k1 * k2 / h**2) + bt * kb / (kb + h) + kw / h - h
        low, high = np.where(found < ta, middle, low), np.where(found < ta, high, middle)
    h = 10.0 ** -(0.5 * (low + high))
    return co2 * (1 + k1 / h + k1 * k2 / h**2) * 1e6


@pytest.fixture
def standin_solver():
    return solve


@pytest.fixture
def standin_equilibrium():
    return equilibrium


ROWS = {row["name"]: row for row in json.loads((Path(__file__).parent / "data" / "reference_values.json").read_text())}


@pytest.fixture
def row():
    return ROWS.__getitem__


@pytest.fixture
def data_folder():
    return Path(__file__).parent / "data"
