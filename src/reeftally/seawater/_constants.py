"""Equilibrium constants of the acid-base system of seawater: formulas and coefficients.

Here:     natural logarithms of the constants, each on the scale of its source, with pressure.
Not here: the choice among sources (`_constants_sets`), scale conversion and solving (`_kernels`).
Rules:    every function is plain arithmetic on its arguments, so that the compiled kernels and
          the exact derivatives (`_kernels_dual`) read one and the same text. Units: kelvin,
          practical salinity, bar; constants in mol per kg of seawater.

Symbols: t kelvin, r its reciprocal, ln_t its logarithm, s practical salinity, s2 its square root, i ionic
strength 19.924 s / (1000 - 1.005 s), i2 its square root, w = ln(1 - 0.001005 s), which turns
mol per kg of water into mol per kg of seawater. One marked "from memory" has no coefficient
that could be compared with the printed page, but reproduces a remembered check value.
"""

from __future__ import annotations

from typing import Any

from numba.extending import register_jitable

from reeftally.seawater._kernels_math import FUSED

__all__ = [
    "GAS_CONSTANT_BAR",
    "ln_k0",
    "ln_k1_k2",
    "ln_k_ammonium",
    "ln_k_boric",
    "ln_k_fluoride",
    "ln_k_phosphoric",
    "ln_k_silicic",
    "ln_k_solubility",
    "ln_k_sulfate",
    "ln_k_sulfide",
    "ln_k_water",
    "pressure_term",
]

# Gas constant. [cm3 bar mol-1 K-1] The value the printed pressure checks were made with.
GAS_CONSTANT_BAR = 83.14472

LN10 = 2.302585092994046

# Codes of the selectable sources; `_constants_sets` gives them names.
LUEKER2000, ROY1993, MILLERO2006, MOJICA2002, DICKSON_MILLERO1987 = 0, 1, 2, 3, 4
KS_DICKSON1990, KS_KHOO1977 = 0, 1
KF_PEREZ1987, KF_DICKSON1979 = 0, 1
KB_PRESSURE_CORRECTED, KB_PRESSURE_AS_PRINTED = 0, 1
KW_PRESSURE_MILLERO1995, KW_PRESSURE_SEAWATER = 0, 1


@register_jitable(**FUSED)
def pressure_term(t: Any, r: Any, p: Any, a0: float, a1: float, a2: float, b0: float, b1: float) -> Any:
    """Return ln(K at p / K at 0) [1]: Millero 1995, eq. 90; p in bar above one atmosphere.

    a in cm3 mol-1 and b in cm3 mol-1 bar-1 against temperature in degC.
    """
    c = t - 273.15
    volume = a0 + (a1 + a2 * c) * c
    compressibility = b0 + b1 * c
    return (p * r * (1.0 / GAS_CONSTANT_BAR)) * (0.5 * compressibility * p - volume)


@register_jitable(**FUSED)
def ln_k0(t: Any, r: Any, ln_t: Any, s: Any) -> Any:
    """Return ln K0 [mol kg-1 atm-1]: Weiss 1974, eq. 12 with Table I, kilogram column."""
    h = 0.01 * t
    return (
        9345.17 * r - 60.2409 + 23.3585 * (ln_t - 4.605170185988092) + s * (0.023517 + (0.0047036 * h - 0.023656) * h)
    )


@register_jitable(**FUSED, forceinline=True)
def ln_k1_k2(t: Any, r: Any, ln_t: Any, s: Any, s2: Any, w: Any, p: Any, which: int) -> Any:
    """Return ln K1 and ln K2 of carbonic acid, on the scale of the source, at pressure.

    Total scale: Lueker et al. 2000 (eq. of the abstract); Roy et al. 1993 (eq. of the abstract,
    with the exponent 1.5 on the last term of ln K1, which the stored copies misprint as 1).
    Seawater scale: Millero et al. 2006; Mojica Prieto and Millero 2002; Dickson and Millero
    1987, Table 4, the refit of Mehrbach (from memory).
    """
    if which == LUEKER2000:
        ln_1 = -LN10 * (3633.86 * r - 61.2172 + 9.67770 * ln_t + (0.0001152 * s - 0.011555) * s)
        ln_2 = -LN10 * (471.78 * r + 25.9290 - 3.16967 * ln_t + (0.0001122 * s - 0.01781) * s)
    elif which == ROY1993:
        ln_1 = (
            2.83655
            - 2307.1266 * r
            - 1.5529413 * ln_t
            + (-0.20760841 - 4.0484 * r) * s2
            + 0.08468345 * s
            - 0.00654208 * s * s2
            + w
        )
        ln_2 = (
            -9.226508
            - 3351.6106 * r
            - 0.2005743 * ln_t
            + (-0.106901773 - 23.9722 * r) * s2
            + 0.1130822 * s
            - 0.00846934 * s * s2
            + w
        )
    elif which == MILLERO2006:
        ln_1 = -LN10 * (
            -126.34048
            + 13.4191 * s2
            + (0.0331 - 5.33e-5 * s) * s
            + (6320.813 - 530.123 * s2 - 6.103 * s) * r
            + (19.568224 - 2.06950 * s2) * ln_t
        )
        ln_2 = -LN10 * (
            -90.18333
            + 21.0894 * s2
            + (0.1248 - 3.687e-4 * s) * s
            + (5143.692 - 772.483 * s2 - 20.051 * s) * r
            + (14.613358 - 3.3336 * s2) * ln_t
        )
    elif which == MOJICA2002:
        ln_1 = -LN10 * (-43.6977 - 0.0129037 * s + 1.364e-4 * s * s + 2885.378 * r + 7.045159 * ln_t)
        ln_2 = -LN10 * (
            -452.0940
            + 13.142162 * s
            - 8.101e-4 * s * s
            + 21263.61 * r
            + 68.483143 * ln_t
            + (-581.4428 * s + 0.259601 * s * s) * r
            - 1.967035 * s * ln_t
        )
    else:
        ln_1 = -LN10 * (3670.7 * r - 62.008 + 9.7944 * ln_t + (0.000116 * s - 0.0118) * s)
        ln_2 = -LN10 * (1394.7 * r + 4.777 + (0.000118 * s - 0.0184) * s)
    ln_1 = ln_1 + pressure_term(t, r, p, -25.50, 0.1271, 0.0, -3.08e-3, 0.0877e-3)
    ln_2 = ln_2 + pressure_term(t, r, p, -15.82, -0.0219, 0.0, 1.13e-3, -0.1475e-3)
    return ln_1, ln_2


@register_jitable(**FUSED)
def ln_k_boric(t: Any, r: Any, ln_t: Any, s: Any, s2: Any, p: Any, pressure_set: int) -> Any:
    """Return ln KB, total scale: Dickson 1990, eq. 23; pressure from Millero 1995, Table 9.

    Millero 1995 prints the quadratic volume coefficient as +2.608e-3; the sign is -2.608e-3 in
    later work and fits the ratio measured at 654 atm less badly or as badly, see docs.
    """
    at_zero = (
        (-8966.90 - 2890.53 * s2 - 77.942 * s + 1.728 * s * s2 - 0.0996 * s * s) * r
        + 148.0248
        + 137.1942 * s2
        + 1.62142 * s
        + (-24.4344 - 25.085 * s2 - 0.2474 * s) * ln_t
        + 0.053105 * s2 * t
    )
    a2 = 2.608e-3 if pressure_set == KB_PRESSURE_AS_PRINTED else -2.608e-3
    return at_zero + pressure_term(t, r, p, -29.48, 0.1622, a2, -2.84e-3, 0.0)


@register_jitable(**FUSED)
def ln_k_water(t: Any, r: Any, ln_t: Any, s: Any, s2: Any, p: Any, pressure_set: int) -> Any:
    """Return ln KW, total scale: Millero 1995, eq. 63, as in the 2007 guide, ch. 5."""
    at_zero = 148.9652 - 13847.26 * r - 23.6521 * ln_t + (118.67 * r - 5.977 + 1.0495 * ln_t) * s2 - 0.01615 * s
    if pressure_set == KW_PRESSURE_SEAWATER:
        return at_zero + pressure_term(t, r, p, -20.02, 0.1119, -1.409e-3, -5.13e-3, 0.0794e-3)
    return at_zero + pressure_term(t, r, p, -25.60, 0.2324, -3.6246e-3, -5.13e-3, 0.0794e-3)


@register_jitable(**FUSED)
def ln_k_sulfate(t: Any, r: Any, ln_t: Any, i: Any, i2: Any, w: Any, p: Any, which: int) -> Any:
    """Return ln KS, free scale: Dickson 1990, eqs 22-23, or Khoo et al. 1977 (from memory)."""
    if which == KS_KHOO1977:
        at_zero = -LN10 * (647.59 * r - 6.3451 + 0.019085 * t - 0.5208 * i2) + w
    else:
        at_zero = (
            -4276.1 * r
            + 141.328
            - 23.093 * ln_t
            + (-13856.0 * r + 324.57 - 47.986 * ln_t) * i2
            + (35474.0 * r - 771.54 + 114.723 * ln_t) * i
            - 2698.0 * r * i * i2
            + 1776.0 * r * i * i
            + w
        )
    return at_zero + pressure_term(t, r, p, -18.03, 0.0466, 0.316e-3, -4.53e-3, 0.0900e-3)


@register_jitable(**FUSED)
def ln_k_fluoride(t: Any, r: Any, s2: Any, i2: Any, w: Any, p: Any, which: int) -> Any:
    """Return ln KF: Perez and Fraga 1987 (total scale) or Dickson and Riley 1979 (free scale)."""
    pressure = pressure_term(t, r, p, -9.78, -0.0090, -0.942e-3, -3.91e-3, 0.054e-3)
    if which == KF_DICKSON1979:
        return 1590.2 * r - 12.641 + 1.525 * i2 + w + pressure
    return 874.0 * r - 9.68 + 0.111 * s2 + pressure


@register_jitable(**FUSED)
def ln_k_phosphoric(t: Any, r: Any, ln_t: Any, s: Any, s2: Any, p: Any) -> Any:
    """Return ln KP1, KP2, KP3, total scale: Millero 1995, eqs 65-67, as in the 2007 guide."""
    ln_1 = -4576.752 * r + 115.525 - 18.453 * ln_t + (-106.736 * r + 0.69171) * s2 + (-0.65643 * r - 0.01844) * s
    ln_2 = -8814.715 * r + 172.0883 - 27.927 * ln_t + (-160.340 * r + 1.3566) * s2 + (0.37335 * r - 0.05778) * s
    ln_3 = -3070.75 * r - 18.141 + (17.27039 * r + 2.81197) * s2 + (-44.99486 * r - 0.09984) * s
    ln_1 = ln_1 + pressure_term(t, r, p, -14.51, 0.1211, -0.321e-3, -2.67e-3, 0.0427e-3)
    ln_2 = ln_2 + pressure_term(t, r, p, -23.12, 0.1758, -2.647e-3, -5.15e-3, 0.09e-3)
    ln_3 = ln_3 + pressure_term(t, r, p, -26.57, 0.2020, -3.042e-3, -4.08e-3, 0.0714e-3)
    return ln_1, ln_2, ln_3


@register_jitable(**FUSED)
def ln_k_silicic(t: Any, r: Any, ln_t: Any, i: Any, i2: Any, w: Any, p: Any) -> Any:
    """Return ln KSi, total scale: Millero 1995, eq. 72, as in the 2007 guide.

    No pressure term was measured; that of boric acid is used (Millero 1995).
    """
    at_zero = (
        -8904.2 * r
        + 117.385
        - 19.334 * ln_t
        + (-458.79 * r + 3.5913) * i2
        + (188.74 * r - 1.5998) * i
        + (-12.1652 * r + 0.07871) * i * i
        + w
    )
    return at_zero + pressure_term(t, r, p, -29.48, 0.1622, -2.608e-3, -2.84e-3, 0.0)


@register_jitable(**FUSED)
def ln_k_solubility(t: Any, r: Any, ln_t: Any, s: Any, s2: Any, p: Any) -> Any:
    """Return ln Ksp of aragonite and calcite [mol2 kg-2]: Mucci 1983, Table 7."""
    log_t = ln_t / LN10
    arag = (
        -171.945
        - 0.077993 * t
        + 2903.293 * r
        + 71.595 * log_t
        + (-0.068393 + 0.0017276 * t + 88.135 * r) * s2
        - 0.10018 * s
        + 0.0059415 * s * s2
    )
    calc = (
        -171.9065
        - 0.077993 * t
        + 2839.319 * r
        + 71.595 * log_t
        + (-0.77712 + 0.0028426 * t + 178.34 * r) * s2
        - 0.07711 * s
        + 0.0041249 * s * s2
    )
    ln_a = LN10 * arag + pressure_term(t, r, p, -45.96, 0.5304, 0.0, -11.76e-3, 0.3692e-3)
    ln_c = LN10 * calc + pressure_term(t, r, p, -48.76, 0.5304, 0.0, -11.76e-3, 0.3692e-3)
    return ln_a, ln_c


@register_jitable(**FUSED)
def ln_k_ammonium(t: Any, r: Any, s: Any, s2: Any, p: Any) -> Any:
    """Return ln K of ammonium, seawater scale: Yao and Millero 1995 (from memory)."""
    at_zero = -6285.33 * r + 0.0001635 * t - 0.25444 + (0.46532 - 123.7184 * r) * s2 + (-0.01992 + 3.17556 * r) * s
    return at_zero + pressure_term(t, r, p, -26.43, 0.0889, -0.905e-3, -5.03e-3, 0.0814e-3)


@register_jitable(**FUSED)
def ln_k_sulfide(t: Any, r: Any, ln_t: Any, s: Any, s2: Any, p: Any) -> Any:
    """Return ln K1 of hydrogen sulfide, total scale: Millero et al. 1988 (from memory)."""
    at_zero = 225.838 - 13275.3 * r - 34.6435 * ln_t + 0.3449 * s2 - 0.0274 * s
    return at_zero + pressure_term(t, r, p, -14.80, 0.0020, -0.400e-3, 2.89e-3, 0.054e-3)
