"""Rows of chemistry and buffers behind the account, each with its source and tolerance.

Constants: total scale; Lueker et al. 2000; Weiss 1974; Dickson 1990; Millero 1995; boron 0.000416 S/35; Mucci 1983.
"""

from __future__ import annotations

import numpy as np
import pytest

from reeftally.seawater import carbonate

WATER = {"temperature": 25.0, "salinity": 35.0}


@pytest.mark.parametrize(
    ("name", "value", "logarithm"),
    [
        # Dickson, Sabine and Christian 2007, PICES Special Publication 3, chapter 5, check values at 25 degC, S 35.
        ("k0", -3.5617, np.log),
        ("k1", -5.8472, np.log10),
        ("k2", -8.9660, np.log10),
    ],
)
def test_check_values_of_the_guide(name, value, logarithm):
    assert float(logarithm(carbonate.equilibrium_constants(**WATER)[name])) == pytest.approx(value, abs=1e-4)


def test_ph_and_pco2_of_the_worked_water():
    # Computed with an independent solver (no sulfate or fluoride in the alkalinity): TA 2300, DIC 2000 µmol/kg.
    state = carbonate.solve(total_alkalinity=2300.0, dic=2000.0, outputs=("ph_total", "pco2"), **WATER)

    assert float(state["ph_total"]) == pytest.approx(8.045709273, abs=2e-4)
    assert float(state["pco2"]) == pytest.approx(397.1362444, abs=0.3)


def _at(pco2):
    return float(carbonate.solve(total_alkalinity=2300.0, pco2=pco2, outputs=("dic",), **WATER)["dic"])


def _partials(dic, name):
    h = 0.5
    up, down = (
        carbonate.solve(total_alkalinity=2300.0, dic=dic + s * h, outputs=(name,), **WATER)[name] for s in (1, -1)
    )
    right, left = (
        carbonate.solve(total_alkalinity=2300.0 + s * h, dic=dic, outputs=(name,), **WATER)[name] for s in (1, -1)
    )
    return float((up - down) / (2 * h)), float((right - left) / (2 * h))


@pytest.mark.parametrize(("pco2", "value"), [(280.0, 8.527096005), (400.0, 9.620572845)])
def test_revelle_factor(pco2, value):
    # Definition dln(fCO2)/dln(DIC): Revelle and Suess 1957; Egleston et al. 2010, Global Biogeochem. Cycles 24, GB1002.
    dic = _at(pco2)
    slope, _ = _partials(dic, "fco2")
    state = carbonate.solve(total_alkalinity=2300.0, dic=dic, outputs=("fco2",), **WATER)

    assert slope * dic / float(state["fco2"]) == pytest.approx(value, abs=0.03)


@pytest.mark.parametrize(("pco2", "value"), [(280.0, 1.132306125), (400.0, 1.100451475)])
def test_slope_of_constant_ph(pco2, value):
    # Definition; Cyronak et al. 2018, PLoS ONE 13(1), e0190872, state isolines close to 1.
    by_dic, by_alkalinity = _partials(_at(pco2), "ph_total")

    assert -by_dic / by_alkalinity == pytest.approx(value, abs=0.01)


@pytest.mark.parametrize(("pco2", "value"), [(280.0, 0.5591661001), (400.0, 0.6285242691)])
def test_co2_released_by_calcification(pco2, value):
    # psi = 2 / (dTA/dDIC at constant pCO2) - 1: Ware et al. 1992, Coral Reefs 11, 127-130 (0.6); Frankignoulle, Canon
    # and Gattuso 1994, Limnol. Oceanogr. 39, 458-462.
    by_dic, by_alkalinity = _partials(_at(pco2), "pco2")
    psi = 2.0 / (-by_dic / by_alkalinity) - 1.0

    assert psi == pytest.approx(value, abs=0.01)
