"""Exact first derivatives of the carbonate system by forward accumulation.

Here:     numbers that carry their gradient, and the state written out with them.
Not here: the solved state itself (`_kernels`), names and uncertainty (`carbonate_uncertainty`).
Rules:    nothing is differenced. The formulas of the constants are those of `_constants`, fed
          with gradient-carrying numbers; the solved system enters by the implicit function
          theorem in `carbonate_uncertainty`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Union

import numpy as np

from reeftally._checks import FloatArray
from reeftally.seawater import _constants as formulas
from reeftally.seawater import _kernels_acid as kernels

__all__ = ["LN_PARAMETERS", "Dual", "state"]

LN10 = kernels.LN10

LN_PARAMETERS = (
    "ln_k0",
    "ln_k1",
    "ln_k2",
    "ln_kb",
    "ln_kw",
    "ln_ks",
    "ln_kf",
    "ln_kp1",
    "ln_kp2",
    "ln_kp3",
    "ln_ksi",
    "ln_knh4",
    "ln_kh2s",
    "ln_ksp_aragonite",
    "ln_ksp_calcite",
    "ln_total_boron",
    "ln_calcium",
)

Number = Union["Dual", FloatArray, float]


class Dual:
    """A number with its gradient: `value` (n,), `gradient` (m, n)."""

    __slots__ = ("gradient", "value")
    # NumPy must leave mixed operations to this class.
    __array_ufunc__ = None

    def __init__(self, value: Any, gradient: Any) -> None:
        self.value, self.gradient = value, gradient

    def __add__(self, other: Number) -> Dual:
        if isinstance(other, Dual):
            return Dual(self.value + other.value, self.gradient + other.gradient)
        return Dual(self.value + other, self.gradient)

    __radd__ = __add__

    def __neg__(self) -> Dual:
        return Dual(-self.value, -self.gradient)

    def __sub__(self, other: Number) -> Dual:
        return self + (-other)

    def __rsub__(self, other: Number) -> Dual:
        return -self + other

    def __mul__(self, other: Number) -> Dual:
        if isinstance(other, Dual):
            return Dual(self.value * other.value, self.gradient * other.value + other.gradient * self.value)
        return Dual(self.value * other, self.gradient * other)

    __rmul__ = __mul__

    def reciprocal(self) -> Dual:
        """Return 1 / self."""
        inverse = 1.0 / self.value
        return Dual(inverse, -self.gradient * inverse * inverse)

    def __truediv__(self, other: Number) -> Dual:
        return self * (other.reciprocal() if isinstance(other, Dual) else 1.0 / other)

    def __rtruediv__(self, other: Number) -> Dual:
        return self.reciprocal() * other


def exp(x: Dual) -> Dual:
    """Return e to the power x."""
    value = np.exp(x.value)
    return Dual(value, x.gradient * value)


def log(x: Dual) -> Dual:
    """Return the natural logarithm of x."""
    return Dual(np.log(x.value), x.gradient / x.value)


def sqrt(x: Dual) -> Dual:
    """Return the square root of x."""
    value = np.sqrt(x.value)
    return Dual(value, 0.5 * x.gradient / value)


def _constants(t: Dual, s: Dual, p_dbar: Dual, bump: Mapping[str, Dual], sets: tuple[int, ...]) -> dict[str, Any]:
    """Return the constants and totals as `_kernels.equilibrium` does, with gradients."""
    k1k2_set, ks_set, kf_set, boron_set, kb_pressure, kw_pressure = sets
    p = 0.1 * p_dbar
    r, ln_t, s2 = t.reciprocal(), log(t), sqrt(s)
    i = 19.924 * s / (1000.0 - 1.005 * s)
    i2, w = sqrt(i), log(1.0 - 0.001005 * s)
    ln: dict[str, Dual] = {}
    ln["k0"] = formulas.ln_k0(t, r, ln_t, s)
    ln["k1"], ln["k2"] = formulas.ln_k1_k2(t, r, ln_t, s, s2, w, p, k1k2_set)
    ln["kb"] = formulas.ln_k_boric(t, r, ln_t, s, s2, p, kb_pressure)
    ln["kw"] = formulas.ln_k_water(t, r, ln_t, s, s2, p, kw_pressure)
    ln["ks"] = formulas.ln_k_sulfate(t, r, ln_t, i, i2, w, p, ks_set)
    ln["kf"] = formulas.ln_k_fluoride(t, r, s2, i2, w, p, kf_set)
    ln["kp1"], ln["kp2"], ln["kp3"] = formulas.ln_k_phosphoric(t, r, ln_t, s, s2, p)
    ln["ksi"] = formulas.ln_k_silicic(t, r, ln_t, i, i2, w, p)
    ln["knh4"] = formulas.ln_k_ammonium(t, r, s, s2, p)
    ln["kh2s"] = formulas.ln_k_sulfide(t, r, ln_t, s, s2, p)
    ln["ksp_aragonite"], ln["ksp_calcite"] = formulas.ln_k_solubility(t, r, ln_t, s, s2, p)
    k: dict[str, Any] = {name: exp(value + bump[f"ln_{name}"]) for name, value in ln.items()}
    bt, st, ft, ca = kernels.totals(s, boron_set)
    tf = 1.0 + st / k["ks"]
    if kf_set == formulas.KF_PEREZ1987:
        k["kf"] = k["kf"] / tf
    ts = tf / (tf + ft / k["kf"])
    if k1k2_set >= formulas.MILLERO2006:
        k["k1"], k["k2"] = k["k1"] * ts, k["k2"] * ts
    k["knh4"] = k["knh4"] * ts
    k.update(bt=bt * exp(bump["ln_total_boron"]), st=st, ft=ft, ca=ca * exp(bump["ln_calcium"]))
    k.update(tf=tf, ts=ts)
    return k


def _other_alkalinity(h: Dual, k: Mapping[str, Any], minor: Mapping[str, Dual]) -> tuple[Dual, Dual, Any]:
    """Return the alkalinity without carbonate species, minus its slope by ln[H+], the species."""
    oh, free = k["kw"] / h, h / k["tf"]
    value, buffering = oh - free, oh + free
    species = {"hydroxide": oh, "hydrogen_free": free}
    for name, total, constant in (
        ("borate", k["bt"], k["kb"]),
        ("silicate_ion", minor["silicate"], k["ksi"]),
        ("ammonia", minor["ammonium"], k["knh4"]),
        ("bisulfide", minor["sulfide"], k["kh2s"]),
    ):
        share = constant / (constant + h)
        species[name] = total * share
        value = value + species[name]
        buffering = buffering + species[name] * (1.0 - share)
    for name, total, constant in (
        ("hydrogen_sulfate", k["st"], k["ks"]),
        ("hydrogen_fluoride", k["ft"], k["kf"]),
    ):
        share = free / (free + constant)
        species[name] = total * share
        value = value - species[name]
        buffering = buffering + species[name] * (1.0 - share)
    q1 = h / k["kp3"]
    q2 = q1 * h / k["kp2"]
    q3 = q2 * h / k["kp1"]
    unit = minor["phosphate"] / (1.0 + q1 + q2 + q3)
    m1 = (q1 + 2.0 * q2 + 3.0 * q3) / (1.0 + q1 + q2 + q3)
    species.update(
        phosphate_ion=unit,
        hydrogen_phosphate=unit * q1,
        dihydrogen_phosphate=unit * q2,
        phosphoric_acid=unit * q3,
    )
    value = value + minor["phosphate"] * (2.0 - m1)
    buffering = buffering + unit * (q1 + 4.0 * q2 + 9.0 * q3) - minor["phosphate"] * m1 * m1
    return value, buffering, species


def state(
    *,
    u: Dual,
    dic: Dual,
    temperature: Dual,
    salinity: Dual,
    pressure: Dual,
    minor: Mapping[str, Dual],
    air_pressure: Dual,
    bump: Mapping[str, Dual],
    sets: tuple[int, ...],
    names: Iterable[str],
) -> dict[str, Dual]:
    """Return the outputs `names`, in their public units, of a state given by ln[H+] and DIC.

    u is ln of [H+] on the total scale in mol kg-1; dic and minor in mol kg-1; bump holds
    relative changes of the constants (value zero).
    """
    t = temperature + 273.15
    k = _constants(t, salinity, pressure, bump, sets)
    h = exp(u)
    q1 = h / k["k2"]
    q2 = q1 * h / k["k1"]
    c = dic / (1.0 + q1 + q2)
    b, a = c * q1, c * q2
    other, buffering, species = _other_alkalinity(h, k, minor)
    ac, sg, two = b + 2.0 * c, b + 4.0 * c + buffering, 2.0 * a + b
    det = dic * sg - ac * ac
    ph = u * (-1.0 / LN10)

    def sws() -> Dual:
        return ph + log(k["ts"]) * (1.0 / LN10)

    def pco2() -> Dual:
        pressure_like: Dual = 1e6 * a / k["k0"] / kernels.fugacity_factor(temperature, air_pressure, exp)
        return pressure_like

    def dry() -> Dual:
        vapour: Dual = kernels.vapour_pressure(temperature, salinity, log, exp)
        return air_pressure / 1013.25 - vapour

    makers: dict[str, Any] = {
        "total_alkalinity": lambda: 1e6 * (other + ac),
        "dic": lambda: 1e6 * dic,
        "ph_total": lambda: ph,
        "ph_free": lambda: ph + log(k["tf"]) * (1.0 / LN10),
        "ph_seawater": sws,
        "ph_nbs": lambda: sws() - log(kernels.nbs_activity(temperature, salinity)) * (1.0 / LN10),
        "co2": lambda: 1e6 * a,
        "bicarbonate": lambda: 1e6 * b,
        "carbonate": lambda: 1e6 * c,
        "fco2": lambda: 1e6 * a / k["k0"],
        "pco2": pco2,
        "xco2": lambda: pco2() / dry(),
        "aragonite_saturation": lambda: c * k["ca"] / k["ksp_aragonite"],
        "calcite_saturation": lambda: c * k["ca"] / k["ksp_calcite"],
        "revelle_factor": lambda: dic * sg / det,
        "gamma_dic": lambda: 1e6 * det / sg,
        "beta_dic": lambda: 1e6 * det / ac,
        "omega_dic": lambda: 1e6 * dic * det / (det - two * ac),
        "gamma_alk": lambda: -1e6 * det / ac,
        "beta_alk": lambda: -1e6 * det / dic,
        "omega_alk": lambda: 1e6 * det / two,
    }
    return {name: makers[name]() if name in makers else 1e6 * species[name] for name in names}
