"""The acid-base model of seawater at one state: constants, alkalinity, gas.

Here:     constants and totals at given conditions, the alkalinity and its derivatives by ln[H+],
          conversion among CO2 quantities.
Not here: formulas of the constants (`_constants`), finding [H+] (`_kernels_roots`).
Rules:    concentrations in mol kg-1; hydrogen ion on the total scale; no checks. Functions are
          compiled only inside the kernels that call them and run as they are from Python.
"""

from __future__ import annotations

import math
from typing import Any

from numba.extending import register_jitable

from reeftally.seawater import _constants as formulas
from reeftally.seawater._kernels_math import FUSED

__all__ = [
    "carbonate_alkalinity",
    "equilibrium",
    "fugacity_factor",
    "nbs_activity",
    "other_alkalinity",
    "totals",
    "vapour_pressure",
]

# Kinds of quantities, in the order of `_carbonate_names.INPUTS`.
TA, DIC, PH_TOTAL, PH_FREE, PH_SWS, PH_NBS, CO2, FCO2, PCO2, XCO2, HCO3, CO3 = range(12)

LN10 = 2.302585092994046

ln_k0 = formulas.ln_k0
ln_k1_k2 = formulas.ln_k1_k2
ln_k_boric = formulas.ln_k_boric
ln_k_water = formulas.ln_k_water
ln_k_sulfate = formulas.ln_k_sulfate
ln_k_fluoride = formulas.ln_k_fluoride
ln_k_phosphoric = formulas.ln_k_phosphoric
ln_k_silicic = formulas.ln_k_silicic
ln_k_solubility = formulas.ln_k_solubility
ln_k_ammonium = formulas.ln_k_ammonium
ln_k_sulfide = formulas.ln_k_sulfide


@register_jitable(**FUSED)
def totals(s: Any, boron: int) -> Any:
    """Return total boron, sulfate, fluoride and calcium [mol kg-1] from practical salinity.

    Boron: Uppström 1974 (0.232 mg per g and per mil chlorinity) or Lee et al. 2010 (0.2414).
    Sulfate: Morris and Riley 1966; fluoride: Riley 1965; calcium: Riley and Tongudai 1967.
    """
    chlorinity = s / 1.80655
    ratio = 0.0002414 if boron == 1 else 0.000232
    return (
        ratio / 10.811 * chlorinity,
        0.14 / 96.062 * chlorinity,
        0.000067 / 18.998 * chlorinity,
        0.02128 / 40.087 * chlorinity,
    )


@register_jitable(**FUSED)
def equilibrium(
    t_c: float,
    s: float,
    p_dbar: float,
    po4: float,
    si: float,
    nh4: float,
    h2s: float,
    solubility: bool,
    sets: Any,
) -> Any:
    """Return all constants, total scale (KS and KF free scale), at the conditions given.

    Constants of absent acids are not evaluated and come as one.
    """
    k1k2_set, ks_set, kf_set, boron_set, kb_pressure, kw_pressure = sets
    t = t_c + 273.15
    p = 0.1 * p_dbar
    r = 1.0 / t
    ln_t = math.log(t)
    s2 = math.sqrt(s)
    i = 19.924 * s / (1000.0 - 1.005 * s)
    i2 = math.sqrt(i)
    w = math.log(1.0 - 0.001005 * s)
    bt, st, ft, ca = totals(s, boron_set)
    k0 = math.exp(ln_k0(t, r, ln_t, s))
    ln_1, ln_2 = ln_k1_k2(t, r, ln_t, s, s2, w, p, k1k2_set)
    k1 = math.exp(ln_1)
    k2 = math.exp(ln_2)
    kb = math.exp(ln_k_boric(t, r, ln_t, s, s2, p, kb_pressure))
    kw = math.exp(ln_k_water(t, r, ln_t, s, s2, p, kw_pressure))
    ks = math.exp(ln_k_sulfate(t, r, ln_t, i, i2, w, p, ks_set))
    kf = math.exp(ln_k_fluoride(t, r, s2, i2, w, p, kf_set))
    total_over_free = 1.0 + st / ks
    if kf_set == formulas.KF_PEREZ1987:
        kf = kf / total_over_free
    total_over_sws = total_over_free / (total_over_free + ft / kf)
    if k1k2_set >= formulas.MILLERO2006:
        k1 = k1 * total_over_sws
        k2 = k2 * total_over_sws
    bp1 = bp2 = bp3 = ksi = kn = kh2s = ka = kc = 1.0
    if po4 > 0.0:
        ln_1, ln_2, ln_3 = ln_k_phosphoric(t, r, ln_t, s, s2, p)
        # Cumulative association constants: their reciprocals are never needed while solving.
        bp1 = math.exp(-ln_3)
        bp2 = math.exp(-ln_3 - ln_2)
        bp3 = math.exp(-ln_3 - ln_2 - ln_1)
    if si > 0.0:
        ksi = math.exp(ln_k_silicic(t, r, ln_t, i, i2, w, p))
    if nh4 > 0.0:
        kn = math.exp(ln_k_ammonium(t, r, s, s2, p)) * total_over_sws
    if h2s > 0.0:
        kh2s = math.exp(ln_k_sulfide(t, r, ln_t, s, s2, p))
    if solubility:
        ln_1, ln_2 = ln_k_solubility(t, r, ln_t, s, s2, p)
        ka = math.exp(ln_1)
        kc = math.exp(ln_2)
    return (
        (k0, k1, k2, kb, kw, ks, kf, bp1, bp2, bp3, ksi, kn, kh2s, ka, kc),
        (bt, st, ft, ca, po4, si, nh4, h2s),
        total_over_free,
        total_over_sws,
    )


@register_jitable(**FUSED)
def other_alkalinity(h: Any, k: Any, tot: Any, total_over_free: Any) -> Any:
    """Return the alkalinity without carbonate species and its first two derivatives by ln[H+]."""
    _, _, _, kb, kw, ks, kf, bp1, bp2, bp3, ksi, kn, kh2s, _, _ = k
    bt, st, ft, _, po4, si, nh4, h2s = tot
    oh = kw / h
    free = h / total_over_free
    x = kb / (kb + h)
    v = bt * x * (1.0 - x)
    value = bt * x + oh - free
    first = -v - oh - free
    second = v * (1.0 - 2.0 * x) + oh - free
    # Share of sulfate and fluoride that carries a proton: grows with [H+], hence the signs.
    x = free / (free + ks)
    v = st * x * (1.0 - x)
    value -= st * x
    first -= v
    second -= v * (1.0 - 2.0 * x)
    x = free / (free + kf)
    v = ft * x * (1.0 - x)
    value -= ft * x
    first -= v
    second -= v * (1.0 - 2.0 * x)
    if po4 > 0.0:
        # Weights of PO4 with 0, 1, 2 and 3 protons; the alkalinity counts 2 minus the protons.
        q1 = h * bp1
        q2 = h * h * bp2
        q3 = h * h * h * bp3
        norm = 1.0 / (1.0 + q1 + q2 + q3)
        m1 = (q1 + 2.0 * q2 + 3.0 * q3) * norm
        m2 = (q1 + 4.0 * q2 + 9.0 * q3) * norm
        m3 = (q1 + 8.0 * q2 + 27.0 * q3) * norm
        value += po4 * (2.0 - m1)
        first -= po4 * (m2 - m1 * m1)
        second -= po4 * (m3 - 3.0 * m1 * m2 + 2.0 * m1 * m1 * m1)
    if si > 0.0:
        x = ksi / (ksi + h)
        v = si * x * (1.0 - x)
        value += si * x
        first -= v
        second += v * (1.0 - 2.0 * x)
    if nh4 > 0.0:
        x = kn / (kn + h)
        v = nh4 * x * (1.0 - x)
        value += nh4 * x
        first -= v
        second += v * (1.0 - 2.0 * x)
    if h2s > 0.0:
        x = kh2s / (kh2s + h)
        v = h2s * x * (1.0 - x)
        value += h2s * x
        first -= v
        second += v * (1.0 - 2.0 * x)
    return value, first, second


@register_jitable(**FUSED)
def carbonate_alkalinity(h: Any, kind: int, value: Any, k1: Any, k2: Any, r2: Any, r12: Any) -> Any:
    """Return bicarbonate plus twice carbonate, with derivatives by ln[H+], at one fixed species.

    r2 and r12 are 1 / K2 and 1 / (K1 K2).
    """
    if kind == DIC:
        q1 = h * r2
        q2 = h * h * r12
        scale = value / (1.0 + q1 + q2)
        b = scale * q1
        mean = b + 2.0 * scale
        m = mean / value if value > 0.0 else 0.0
        square = b + 4.0 * scale
        return (
            mean,
            value * m * m - square,
            b + 8.0 * scale - 3.0 * m * square + 2.0 * value * m * m * m,
        )
    if kind == CO2:
        b = value * k1 / h
        c = b * k2 / h
        return b + 2.0 * c, -b - 4.0 * c, b + 8.0 * c
    if kind == HCO3:
        c = value * k2 / h
        return value + 2.0 * c, -2.0 * c, 2.0 * c
    b = value * h * r2
    return b + 2.0 * value, b, b


@register_jitable(**FUSED)
def fugacity_factor(t_c: Any, air_hpa: Any, exp: Any) -> Any:
    """Return fCO2 / pCO2 [1] at the air pressure: Weiss 1974, eq. 9, trace CO2 in air."""
    t = t_c + 273.15
    virial = -1636.75 + (12.0408 + (-0.0327957 + 3.16528e-5 * t) * t) * t
    cross = 57.7 - 0.118 * t
    return exp((virial + 2.0 * cross) * (air_hpa / 1013.25) / (82.05736 * t))


@register_jitable(**FUSED)
def vapour_pressure(t_c: Any, s: Any, log: Any, exp: Any) -> Any:
    """Return the pressure of water vapour over seawater [atm]: Weiss and Price 1980, eq. 10."""
    h = 0.01 * (t_c + 273.15)
    return exp(24.4543 - 67.4509 / h - 4.8489 * log(h) - 0.000544 * s)


@register_jitable(**FUSED)
def nbs_activity(t_c: Any, s: Any) -> Any:
    """Return the apparent activity coefficient of the NBS scale: Takahashi et al. 1982 (memory)."""
    t = t_c + 273.15
    return 1.2948 - 0.002036 * t + (0.0004607 - 0.000001475 * t) * s * s
