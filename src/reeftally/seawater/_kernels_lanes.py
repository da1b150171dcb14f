"""A block of states side by side: constants, start, root and buffering.

Here:     the table of a block and what fills it, each step a loop that branches nowhere, so that
          the compiler turns it into vector instructions (several times as fast as state by state).
Not here: the formulas of the constants (`_constants`), one state alone (`_kernels_acid`), the
          safeguarded search (`_kernels_roots`), which takes over wherever the second step shows
          that two were not enough, and the outputs (`_kernels_outputs`).
Rules:    for the kernels only. `w` is a table of `ROWS` rows of `BLOCK` states in one line, so
          that the compiler can see that rows do not overlap. The result of a state does not
          depend on its neighbours; columns without a state hold harmless numbers.
"""

from __future__ import annotations

import math
from typing import Any

from numba.extending import register_jitable

from reeftally.seawater import _constants as formulas
from reeftally.seawater._kernels_acid import LN10, PH_FREE, PH_NBS, PH_SWS, PH_TOTAL, nbs_activity, totals
from reeftally.seawater._kernels_math import FUSED, lane_exp, lane_log
from reeftally.seawater._kernels_roots import H_HIGH, H_LOW

__all__ = [
    "BLOCK",
    "RARE",
    "ROWS",
    "acids_of_block",
    "alkalinity_from_hydrogen",
    "buffering",
    "constants_of_block",
    "dic_from_hydrogen",
    "hydrogen_from_ph",
    "load",
    "ordinary",
    "rare_buffering",
    "starts",
    "two_steps",
]

BLOCK = 64

# Rows: 0 to 14 the constants and 15 to 22 the totals in the order of `_kernels_acid.equilibrium`.
K0, K1, K2, KB, KW, KS, KF, BP1, BP2, BP3, KSI, KN, KH2S, KA, KC = range(15)
BT, ST, FT, CA, PO4, SI, NH4, H2S = range(15, 23)
TF, TS, TA_ROW, DIC_ROW, START, H, STEP = range(23, 30)
# Alkalinity without carbonate, and its slope by ln[H+].
A0, A1 = 30, 31
# Conditions, and what all formulas share of them (`_constants` has the symbols).
T_C, S, P, AIR, R, LN_T, S2, I, I2, W_ROW = range(32, 42)
# From here the outputs in the order of `_carbonate_names.OUTPUTS`.
OUT = 42
ROWS = OUT + 31

# Bits of the minor acids that occur in a block, and those of the two that hardly ever do.
WITH_PO4, WITH_SI, WITH_NH4, WITH_H2S = 1, 2, 4, 8
RARE = WITH_NH4 | WITH_H2S


@register_jitable(error_model="numpy")
def ordinary(w: Any, kind_1: int, kind_2: int, limits: Any) -> bool:
    """Return whether every input of the block is above suspicion, so that all its codes are zero.

    The two quantities stand in rows `STEP` and `START`. A false alarm costs time and nothing else.
    """
    low_1, high_1 = (1.0, 14.0) if PH_TOTAL <= kind_1 <= PH_NBS else (1e-300, 1e300)
    low_2, high_2 = (1.0, 14.0) if PH_TOTAL <= kind_2 <= PH_NBS else (1e-300, 1e300)
    # The first row is the range common to all sources, kept inside what counts as seawater at all.
    t_low, t_high = max(limits[0, 0], -5.0), min(limits[0, 1], 60.0)
    s_low, s_high = max(limits[0, 2], 0.0), min(limits[0, 3], 70.0)
    strange = 0
    for j in range(BLOCK):
        t_c, s, p, air = w[T_C * BLOCK + j], w[S * BLOCK + j], w[P * BLOCK + j], w[AIR * BLOCK + j]
        x, y = w[STEP * BLOCK + j], w[START * BLOCK + j]
        po4, si, nh4, h2s = w[PO4 * BLOCK + j], w[SI * BLOCK + j], w[NH4 * BLOCK + j], w[H2S * BLOCK + j]
        water = (t_c >= t_low) & (t_c <= t_high) & (s >= s_low) & (s <= s_high)
        around = (p >= -10.0) & (p <= 12000.0) & (air >= 100.0) & (air <= 10000.0)
        minor = (po4 >= 0.0) & (si >= 0.0) & (nh4 >= 0.0) & (h2s >= 0.0)
        pair = (x >= low_1) & (x <= high_1) & (y >= low_2) & (y <= high_2)
        strange |= 0 if water & around & minor & pair else 1
    return strange == 0


@register_jitable(error_model="numpy")
def acids_of_block(w: Any) -> int:
    """Return the bits of the minor acids that any state of the block has."""
    acids = 0
    for j in range(BLOCK):
        acids |= WITH_PO4 if w[PO4 * BLOCK + j] > 0.0 else 0
        acids |= WITH_SI if w[SI * BLOCK + j] > 0.0 else 0
        acids |= WITH_NH4 if w[NH4 * BLOCK + j] > 0.0 else 0
        acids |= WITH_H2S if w[H2S * BLOCK + j] > 0.0 else 0
    return acids


@register_jitable(**FUSED)
def shared(w: Any, boron: int) -> None:
    """Fill what the formulas share: 1/T, ln T, roots, ionic strength; and the totals by salinity."""
    for j in range(BLOCK):
        t = w[T_C * BLOCK + j] + 273.15
        s = w[S * BLOCK + j]
        i = 19.924 * s / (1000.0 - 1.005 * s)
        w[R * BLOCK + j] = 1.0 / t
        w[LN_T * BLOCK + j] = lane_log(t)
        w[S2 * BLOCK + j] = math.sqrt(s)
        w[I * BLOCK + j] = i
        w[I2 * BLOCK + j] = math.sqrt(i)
        w[W_ROW * BLOCK + j] = lane_log(1.0 - 0.001005 * s)
        bt, st, ft, ca = totals(s, boron)
        w[BT * BLOCK + j] = bt
        w[ST * BLOCK + j] = st
        w[FT * BLOCK + j] = ft
        w[CA * BLOCK + j] = ca


@register_jitable(**FUSED)
def conditions(w: Any, j: int) -> Any:
    """Return t, r, ln_t, s, s2, i, i2, w, p of column `j`: the symbols of `_constants`."""
    return (
        w[T_C * BLOCK + j] + 273.15,
        w[R * BLOCK + j],
        w[LN_T * BLOCK + j],
        w[S * BLOCK + j],
        w[S2 * BLOCK + j],
        w[I * BLOCK + j],
        w[I2 * BLOCK + j],
        w[W_ROW * BLOCK + j],
        0.1 * w[P * BLOCK + j],
    )


@register_jitable(**FUSED)
def exponentials(w: Any, first: int, last: int) -> None:
    """Turn the logarithms in rows `first` to `last` (not included) into numbers."""
    for j in range(first * BLOCK, last * BLOCK):
        w[j] = lane_exp(w[j])


@register_jitable(**FUSED)
def ones(w: Any, first: int, last: int) -> None:
    """Put one into rows `first` to `last` (not included)."""
    for j in range(first * BLOCK, last * BLOCK):
        w[j] = 1.0


@register_jitable(**FUSED)
def main_constants(w: Any, sets: Any) -> None:
    """Fill the constants that every seawater needs, and the ratios of the scales."""
    k1k2_set, ks_set, kf_set, _, kb_pressure, kw_pressure = sets
    for j in range(BLOCK):
        t, r, ln_t, s, s2, _, _, w_, p = conditions(w, j)
        ln_1, ln_2 = formulas.ln_k1_k2(t, r, ln_t, s, s2, w_, p, k1k2_set)
        w[K1 * BLOCK + j] = ln_1
        w[K2 * BLOCK + j] = ln_2
    for j in range(BLOCK):
        t, r, ln_t, s, s2, _, _, _, p = conditions(w, j)
        w[K0 * BLOCK + j] = formulas.ln_k0(t, r, ln_t, s)
        w[KB * BLOCK + j] = formulas.ln_k_boric(t, r, ln_t, s, s2, p, kb_pressure)
        w[KW * BLOCK + j] = formulas.ln_k_water(t, r, ln_t, s, s2, p, kw_pressure)
    for j in range(BLOCK):
        t, r, ln_t, _, s2, i, i2, w_, p = conditions(w, j)
        w[KS * BLOCK + j] = formulas.ln_k_sulfate(t, r, ln_t, i, i2, w_, p, ks_set)
        w[KF * BLOCK + j] = formulas.ln_k_fluoride(t, r, s2, i2, w_, p, kf_set)
    exponentials(w, K0, BP1)
    to_free = kf_set == formulas.KF_PEREZ1987
    to_total = k1k2_set >= formulas.MILLERO2006
    for j in range(BLOCK):
        kf = w[KF * BLOCK + j]
        tf = 1.0 + w[ST * BLOCK + j] / w[KS * BLOCK + j]
        kf = kf / (tf if to_free else 1.0)
        ts = tf / (tf + w[FT * BLOCK + j] / kf)
        w[KF * BLOCK + j] = kf
        w[TF * BLOCK + j] = tf
        w[TS * BLOCK + j] = ts
        factor = ts if to_total else 1.0
        w[K1 * BLOCK + j] *= factor
        w[K2 * BLOCK + j] *= factor


@register_jitable(**FUSED)
def nutrient_constants(w: Any, phosphate: bool, silicate: bool) -> None:
    """Fill the constants of phosphoric and silicic acid where any state of the block has them."""
    if phosphate:
        for j in range(BLOCK):
            t, r, ln_t, s, s2, _, _, _, p = conditions(w, j)
            ln_1, ln_2, ln_3 = formulas.ln_k_phosphoric(t, r, ln_t, s, s2, p)
            # Cumulative association constants: their reciprocals are never needed while solving.
            w[BP1 * BLOCK + j] = -ln_3
            w[BP2 * BLOCK + j] = -ln_3 - ln_2
            w[BP3 * BLOCK + j] = -ln_3 - ln_2 - ln_1
        exponentials(w, BP1, KSI)
    else:
        ones(w, BP1, KSI)
    if silicate:
        for j in range(BLOCK):
            t, r, ln_t, _, _, i, i2, w_, p = conditions(w, j)
            w[KSI * BLOCK + j] = formulas.ln_k_silicic(t, r, ln_t, i, i2, w_, p)
        exponentials(w, KSI, KN)
    else:
        ones(w, KSI, KN)


@register_jitable(**FUSED)
def rare_constants(w: Any, ammonium: bool, sulfide: bool) -> None:
    """Fill the constants of ammonium and hydrogen sulfide where any state of the block has them."""
    if ammonium:
        for j in range(BLOCK):
            t, r, _, s, s2, _, _, _, p = conditions(w, j)
            w[KN * BLOCK + j] = lane_exp(formulas.ln_k_ammonium(t, r, s, s2, p)) * w[TS * BLOCK + j]
    else:
        ones(w, KN, KH2S)
    if sulfide:
        for j in range(BLOCK):
            t, r, ln_t, s, s2, _, _, _, p = conditions(w, j)
            w[KH2S * BLOCK + j] = lane_exp(formulas.ln_k_sulfide(t, r, ln_t, s, s2, p))
    else:
        ones(w, KH2S, KA)


@register_jitable(**FUSED)
def solubility_products(w: Any) -> None:
    """Fill the solubility products of aragonite and calcite."""
    for j in range(BLOCK):
        t, r, ln_t, s, s2, _, _, _, p = conditions(w, j)
        ln_1, ln_2 = formulas.ln_k_solubility(t, r, ln_t, s, s2, p)
        w[KA * BLOCK + j] = ln_1
        w[KC * BLOCK + j] = ln_2
    exponentials(w, KA, BT)


@register_jitable(error_model="numpy")
def constants_of_block(w: Any, acids: int, solubility: bool, sets: Any) -> None:
    """Fill constants, totals by salinity and ratios of scales from temperature, salinity, pressure.

    Total scale (KS and KF free scale), as `_kernels_acid.equilibrium` does for one state. The
    bits of `acids` say which of phosphate, silicate, ammonium and sulfide occur in the block;
    constants of the others come as one.
    """
    shared(w, sets[3])
    main_constants(w, sets)
    nutrient_constants(w, (acids & WITH_PO4) != 0, (acids & WITH_SI) != 0)
    rare_constants(w, (acids & WITH_NH4) != 0, (acids & WITH_H2S) != 0)
    if solubility:
        solubility_products(w)
    else:
        ones(w, KA, BT)


@register_jitable(**FUSED)
def starts(w: Any) -> None:
    """Fill row `START` as `_kernels_roots.starting_value` does, with choices instead of branches."""
    for j in range(BLOCK):
        ta, dic = w[TA_ROW * BLOCK + j], w[DIC_ROW * BLOCK + j]
        bt, k1, k2, kb = w[BT * BLOCK + j], w[K1 * BLOCK + j], w[K2 * BLOCK + j], w[KB * BLOCK + j]
        part = 1.0 / ta
        zc, zb = dic * part, bt * part
        c2 = kb * (1.0 - zb) + k1 * (1.0 - zc)
        c1 = k1 * (kb * (1.0 - zb - zc) + k2 * (1.0 - 2.0 * zc))
        c0 = k1 * k2 * kb * (1.0 - zb - 2.0 * zc)
        d = c2 * c2 - 3.0 * c1
        root = math.sqrt(d if d > 0.0 else 1.0)
        above, below = (root - c2) / 3.0, -c1 / (c2 + root)
        least = above if c2 < 0.0 else below
        under = -(c0 + least * (c1 + least * (c2 + least))) / root
        h = least + math.sqrt(under if under > 0.0 else 0.0)
        h = h if (d > 0.0) & (under > 0.0) else 1e-7
        h = h if h > H_LOW else H_LOW
        h = h if h < H_HIGH else H_HIGH
        h = 1e-10 if ta >= 2.0 * dic + bt else h
        w[START * BLOCK + j] = 1e-3 if ta <= 0.0 else h


@register_jitable(**FUSED)
def hydrogen_from_ph(w: Any, kind: int) -> None:
    """Fill row `H` from the pH, of the scale `kind`, that stands in row `START`."""
    for j in range(BLOCK):
        w[H * BLOCK + j] = lane_exp(-LN10 * w[START * BLOCK + j])
    if kind == PH_NBS:
        for j in range(BLOCK):
            w[H * BLOCK + j] /= nbs_activity(w[T_C * BLOCK + j], w[S * BLOCK + j])
    if kind >= PH_SWS:
        for j in range(BLOCK):
            w[H * BLOCK + j] *= w[TS * BLOCK + j]
    elif kind == PH_FREE:
        for j in range(BLOCK):
            w[H * BLOCK + j] *= w[TF * BLOCK + j]


@register_jitable(**FUSED)
def dic_from_hydrogen(w: Any) -> None:
    """Fill row `DIC_ROW` from alkalinity, [H+] and the alkalinity without carbonate."""
    for j in range(BLOCK):
        q1 = w[H * BLOCK + j] / w[K2 * BLOCK + j]
        q2 = q1 * w[H * BLOCK + j] / w[K1 * BLOCK + j]
        rest = w[TA_ROW * BLOCK + j] - w[A0 * BLOCK + j]
        w[DIC_ROW * BLOCK + j] = rest * (1.0 + q1 + q2) / (q1 + 2.0)


@register_jitable(**FUSED)
def alkalinity_from_hydrogen(w: Any) -> None:
    """Fill row `TA_ROW` from [H+] and DIC, and row `START` from [H+]."""
    for j in range(BLOCK):
        h = w[H * BLOCK + j]
        q1 = h / w[K2 * BLOCK + j]
        q2 = q1 * h / w[K1 * BLOCK + j]
        w[TA_ROW * BLOCK + j] = w[A0 * BLOCK + j] + w[DIC_ROW * BLOCK + j] * (q1 + 2.0) / (1.0 + q1 + q2)
        w[START * BLOCK + j] = min(max(h, H_LOW), H_HIGH)


@register_jitable(**FUSED)
def buffering(w: Any) -> None:
    """Fill rows `A0` and `A1` from row `H`, as `_kernels_acid.other_alkalinity` does."""
    for j in range(BLOCK):
        h = w[H * BLOCK + j]
        kb, ks, kf, ksi = w[KB * BLOCK + j], w[KS * BLOCK + j], w[KF * BLOCK + j], w[KSI * BLOCK + j]
        oh = w[KW * BLOCK + j] / h
        free = h / w[TF * BLOCK + j]
        xb, xi = kb / (kb + h), ksi / (ksi + h)
        xs, xf = free / (free + ks), free / (free + kf)
        b, i = w[BT * BLOCK + j] * xb, w[SI * BLOCK + j] * xi
        s, f = w[ST * BLOCK + j] * xs, w[FT * BLOCK + j] * xf
        q1 = h * w[BP1 * BLOCK + j]
        q2 = h * h * w[BP2 * BLOCK + j]
        q3 = h * h * h * w[BP3 * BLOCK + j]
        po4 = w[PO4 * BLOCK + j]
        norm = 1.0 / (1.0 + q1 + q2 + q3)
        m1 = (q1 + 2.0 * q2 + 3.0 * q3) * norm
        m2 = (q1 + 4.0 * q2 + 9.0 * q3) * norm
        w[A0 * BLOCK + j] = b + oh - free - s - f + po4 * (2.0 - m1) + i
        w[A1 * BLOCK + j] = -(
            oh + free + b * (1.0 - xb) + i * (1.0 - xi) + s * (1.0 - xs) + f * (1.0 - xf) + po4 * (m2 - m1 * m1)
        )


@register_jitable(**FUSED)
def rare_buffering(w: Any) -> None:
    """Add ammonium and sulfide to rows `A0` and `A1`."""
    for j in range(BLOCK):
        h, kn, kh2s = w[H * BLOCK + j], w[KN * BLOCK + j], w[KH2S * BLOCK + j]
        xn, xh = kn / (kn + h), kh2s / (kh2s + h)
        n, g = w[NH4 * BLOCK + j] * xn, w[H2S * BLOCK + j] * xh
        w[A0 * BLOCK + j] += n + g
        w[A1 * BLOCK + j] -= n * (1.0 - xn) + g * (1.0 - xh)


@register_jitable(**FUSED, forceinline=True)
def halley(
    h: Any,
    ta: Any,
    dic: Any,
    r2: Any,
    r12: Any,
    kb: Any,
    kw: Any,
    ks: Any,
    kf: Any,
    bp1: Any,
    bp2: Any,
    bp3: Any,
    ksi: Any,
    kn: Any,
    kh2s: Any,
    bt: Any,
    st: Any,
    ft: Any,
    po4: Any,
    si: Any,
    nh4: Any,
    h2s: Any,
    rtf: Any,
) -> Any:
    """Return [H+] after one Halley step in ln[H+], and the step: as `_kernels_roots.find_root`."""
    oh = kw / h
    free = h * rtf
    xb = kb / (kb + h)
    xi = ksi / (ksi + h)
    xn = kn / (kn + h)
    xh = kh2s / (kh2s + h)
    xs = free / (free + ks)
    xf = free / (free + kf)
    b, i, n, j, s, f = bt * xb, si * xi, nh4 * xn, h2s * xh, st * xs, ft * xf
    q1, q2, q3 = h * bp1, h * h * bp2, h * h * h * bp3
    norm = 1.0 / (1.0 + q1 + q2 + q3)
    p1 = (q1 + 2.0 * q2 + 3.0 * q3) * norm
    p2 = (q1 + 4.0 * q2 + 9.0 * q3) * norm
    p3 = (q1 + 8.0 * q2 + 27.0 * q3) * norm
    c1, c2 = h * r2, h * h * r12
    norm = 1.0 / (1.0 + c1 + c2)
    m1, m2, m3 = (c1 + 2.0) * norm, (c1 + 4.0) * norm, (c1 + 8.0) * norm
    value = b + oh - free - s - f + po4 * (2.0 - p1) + i + n + j + dic * m1 - ta
    vb, vi, vn = b * (1.0 - xb), i * (1.0 - xi), n * (1.0 - xn)
    vj, vs, vf = j * (1.0 - xh), s * (1.0 - xs), f * (1.0 - xf)
    buffering = oh + free + vb + vi + vn + vj + vs + vf
    slope = -buffering - po4 * (p2 - p1 * p1) - dic * (m2 - m1 * m1)
    curve = (
        oh
        - free
        + vb * (1.0 - 2.0 * xb)
        + vi * (1.0 - 2.0 * xi)
        + vn * (1.0 - 2.0 * xn)
        + vj * (1.0 - 2.0 * xh)
        - vs * (1.0 - 2.0 * xs)
        - vf * (1.0 - 2.0 * xf)
        - po4 * (p3 - 3.0 * p1 * p2 + 2.0 * p1 * p1 * p1)
        + dic * (m3 - 3.0 * m1 * m2 + 2.0 * m1 * m1 * m1)
    )
    step = -2.0 * value * slope / (2.0 * slope * slope - value * curve)
    return h * (2.0 + step) / (2.0 - step), step


@register_jitable(**FUSED)
def two_steps(w: Any) -> None:
    """Fill the rows `H` and `STEP` (the second step) of all `BLOCK` states from row `START`."""
    for j in range(BLOCK):
        r2 = 1.0 / w[K2 * BLOCK + j]
        given = (
            w[TA_ROW * BLOCK + j],
            w[DIC_ROW * BLOCK + j],
            r2,
            r2 / w[K1 * BLOCK + j],
            w[KB * BLOCK + j],
            w[KW * BLOCK + j],
            w[KS * BLOCK + j],
            w[KF * BLOCK + j],
            w[BP1 * BLOCK + j],
            w[BP2 * BLOCK + j],
            w[BP3 * BLOCK + j],
            w[KSI * BLOCK + j],
            w[KN * BLOCK + j],
            w[KH2S * BLOCK + j],
            w[BT * BLOCK + j],
            w[ST * BLOCK + j],
            w[FT * BLOCK + j],
            w[PO4 * BLOCK + j],
            w[SI * BLOCK + j],
            w[NH4 * BLOCK + j],
            w[H2S * BLOCK + j],
            1.0 / w[TF * BLOCK + j],
        )
        h, _ = halley(w[START * BLOCK + j], *given)
        h, step = halley(h, *given)
        w[H * BLOCK + j] = h
        w[STEP * BLOCK + j] = step


@register_jitable(error_model="numpy", forceinline=True)
def load(w: Any, j: int) -> Any:
    """Return constants, totals and ratios of scales of column `j`."""
    k = (
        w[j],
        w[1 * BLOCK + j],
        w[2 * BLOCK + j],
        w[3 * BLOCK + j],
        w[4 * BLOCK + j],
        w[5 * BLOCK + j],
        w[6 * BLOCK + j],
        w[7 * BLOCK + j],
        w[8 * BLOCK + j],
        w[9 * BLOCK + j],
        w[10 * BLOCK + j],
        w[11 * BLOCK + j],
        w[12 * BLOCK + j],
        w[13 * BLOCK + j],
        w[14 * BLOCK + j],
    )
    tot = (
        w[15 * BLOCK + j],
        w[16 * BLOCK + j],
        w[17 * BLOCK + j],
        w[18 * BLOCK + j],
        w[19 * BLOCK + j],
        w[20 * BLOCK + j],
        w[21 * BLOCK + j],
        w[22 * BLOCK + j],
    )
    return k, tot, w[TF * BLOCK + j], w[TS * BLOCK + j]
