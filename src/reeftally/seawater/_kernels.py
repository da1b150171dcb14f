"""The compiled acid-base solver.

Here:     one state at a time, from any two carbonate quantities to all the others.
Not here: argument checks, broadcasting and names (`_carbonate_solve`), formulas of the
          constants (`_constants`).
Rules:    concentrations in mol kg-1 inside the state functions; hydrogen ion on the total scale;
          a member that cannot be solved gets NaN and a code, never an exception. The numbers of
          kinds, outputs and codes below are the order of the tables in `_carbonate_names`.

The unknown of every alkalinity pair is u = ln[H+]. The alkalinity at fixed DIC, CO2 or
bicarbonate falls strictly with u, so one bracketed root exists; with fixed carbonate ion it has
one minimum and up to two roots. Steps are Halley's (cubic convergence) kept inside the bracket,
from the cubic starting value of Munhoven (2013, Geosci. Model Dev. 6, 1367, sect. 3.2.2; from
memory), so that two evaluations do for seawater.
"""

from __future__ import annotations

import math
from typing import Any

from numba import njit
from numba.extending import register_jitable

from reeftally.seawater import _constants as formulas

__all__ = ["constants_only", "solve_states"]

TA, DIC, PH_TOTAL, PH_FREE, PH_SWS, PH_NBS, CO2, FCO2, PCO2, XCO2, HCO3, CO3 = range(12)
N_OUTPUTS = 31

MISSING, NEGATIVE, OUT_OF_RANGE, NO_SOLUTION, NEAR_FOLD, TWO_ROOTS = 1, 2, 4, 8, 16, 32
NO_VALUE = MISSING | NEGATIVE | OUT_OF_RANGE | NO_SOLUTION | NEAR_FOLD

SEAWATER_ROOT, HIGH_PH, LOW_PH = 0, 1, 2

# Total-scale pH from 2 to 12: beyond it the constants mean nothing.
H_LOW, H_HIGH = 1e-12, 1e-2
# Relative change of [H+] for a relative change of an input beyond which no number is given.
FOLD_CONDITION = 1e4
LN10 = 2.302585092994046

_JIT: dict[str, Any] = {"cache": True, "error_model": "numpy", "nogil": True}
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


@register_jitable(error_model="numpy")
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


@njit(**_JIT)
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


@register_jitable(error_model="numpy")
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


@register_jitable(error_model="numpy")
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


@register_jitable(error_model="numpy")
def starting_value(ta: float, dic: float, bt: float, k1: float, k2: float, kb: float) -> float:
    """Return [H+] from carbonate and borate alkalinity alone: Munhoven 2013, sect. 3.2.2."""
    if ta <= 0.0:
        return 1e-3
    if ta >= 2.0 * dic + bt:
        return 1e-10
    zc = dic / ta
    zb = bt / ta
    c2 = kb * (1.0 - zb) + k1 * (1.0 - zc)
    c1 = k1 * (kb * (1.0 - zb - zc) + k2 * (1.0 - 2.0 * zc))
    c0 = k1 * k2 * kb * (1.0 - zb - 2.0 * zc)
    d = c2 * c2 - 3.0 * c1
    if d <= 0.0:
        return 1e-7
    root = math.sqrt(d)
    least = (root - c2) / 3.0 if c2 < 0.0 else -c1 / (c2 + root)
    under = -(c0 + least * (c1 + least * (c2 + least))) / root
    if under <= 0.0:
        return 1e-7
    h = least + math.sqrt(under)
    return min(max(h, H_LOW), H_HIGH)


@register_jitable(error_model="numpy")
def find_root(
    ta: float,
    kind: int,
    value: float,
    h: float,
    low: float,
    high: float,
    rising: bool,
    k: Any,
    tot: Any,
    total_over_free: float,
) -> float:
    """Return [H+] where the alkalinity equals `ta` inside [low, high]; NaN if it never does.

    `rising` says whether alkalinity grows with [H+] on this branch.
    """
    k1, k2 = k[1], k[2]
    r2 = 1.0 / k2
    r12 = r2 / k1
    sign = -1.0 if rising else 1.0
    for step_number in range(200):
        a0, a1, a2 = other_alkalinity(h, k, tot, total_over_free)
        b0, b1, b2 = carbonate_alkalinity(h, kind, value, k1, k2, r2, r12)
        f = a0 + b0 - ta
        if f == 0.0:
            return h
        if sign * f > 0.0:
            low = max(low, h)
        else:
            high = min(high, h)
        slope = a1 + b1
        step = -2.0 * f * slope / (2.0 * slope * slope - f * (a2 + b2))
        if not abs(step) < 1.0:
            step = -f / slope
        # exp(step) to third order is enough: the step itself is no better than that.
        ratio = 0.5 * step
        moved = h * (1.0 + ratio) / (1.0 - ratio) if abs(step) < 0.5 else h * math.exp(step)
        if step_number > 12 or not low <= moved <= high:
            moved = math.sqrt(low * high)
            if high <= low * (1.0 + 4e-16) or moved in (low, high):
                h = moved
                break
            h = moved
            continue
        h = moved
        if abs(step) < 1e-5:
            return h
    # Bisection ended: at an end of the interval means that no root lies inside.
    if h <= H_LOW * (1.0 + 1e-9) or h >= H_HIGH * (1.0 - 1e-9):
        return math.nan
    return h


@register_jitable(error_model="numpy")
def least_alkalinity(
    c: float, k: Any, tot: Any, total_over_free: float
) -> float:
    """Return [H+] of least alkalinity at fixed carbonate ion (bisection then secant on a ratio).

    The bicarbonate grows as [H+] while every other term's derivative grows more slowly, so
    their ratio falls strictly and crosses one exactly once.
    """
    k1, k2 = k[1], k[2]
    r2 = 1.0 / k2
    r12 = r2 / k1
    low, high = H_LOW, H_HIGH
    h = math.sqrt(k[4] * k2 / c) if c > 0.0 else 1e-9
    h = min(max(h, low), high)
    for step_number in range(200):
        _, a1, a2 = other_alkalinity(h, k, tot, total_over_free)
        _, b1, b2 = carbonate_alkalinity(h, CO3, c, k1, k2, r2, r12)
        slope = a1 + b1
        if slope == 0.0:
            return h
        if slope < 0.0:
            low = h
        else:
            high = h
        step = -slope / (a2 + b2)
        moved = h * math.exp(min(max(step, -2.0), 2.0))
        if step_number > 20 or not low < moved < high:
            moved = math.sqrt(low * high)
        if abs(moved - h) <= 1e-13 * h:
            return moved
        h = moved
    return h


@register_jitable(error_model="numpy")
def hydrogen_ion(first: int, x: float, second: int, y: float, root: int, k: Any, tot: Any, tf: float) -> Any:
    """Return [H+], DIC and a code from two basic quantities, `first` < `second` in kind."""
    k1, k2 = k[1], k[2]
    code = 0
    h = math.nan
    dic = math.nan
    if first == TA:
        if second == PH_TOTAL:
            h = y
            a0, _, _ = other_alkalinity(h, k, tot, tf)
            dic = (x - a0) * (1.0 + h / k2 + h * h / (k1 * k2)) / (h / k2 + 2.0)
            if not dic >= 0.0:
                return math.nan, math.nan, NO_SOLUTION
            return h, dic, code
        if second == CO3:
            turn = least_alkalinity(y, k, tot, tf)
            a0, a1, a2 = other_alkalinity(turn, k, tot, tf)
            b0, b1, b2 = carbonate_alkalinity(turn, CO3, y, k1, k2, 1.0 / k2, 1.0 / (k1 * k2))
            room = x - (a0 + b0)
            curve = a2 + b2
            # Near the minimum u = +-sqrt(2 room / curve), so the condition number follows.
            if curve > 0.0 and abs(room) * 2.0 * curve < (abs(x) / FOLD_CONDITION) ** 2:
                return math.nan, math.nan, NEAR_FOLD
            if room < 0.0:
                return math.nan, math.nan, NO_SOLUTION
            reach = math.sqrt(2.0 * room / curve) if curve > 0.0 else 1.0
            reach = min(reach, 1.0)
            below = find_root(x, CO3, y, turn * math.exp(-reach), H_LOW, turn, False, k, tot, tf)
            start = min(max((x - 2.0 * y - 0.3 * tot[0]) * k2 / y, turn * math.exp(reach)), H_HIGH)
            above = find_root(x, CO3, y, start, turn, H_HIGH, True, k, tot, tf)
            both = not (math.isnan(below) or math.isnan(above))
            if both:
                code = TWO_ROOTS
                h = below if root == HIGH_PH else above
            elif math.isnan(above):
                h = below
            else:
                h = above
            if math.isnan(h):
                return h, dic, NO_SOLUTION
            return h, y * (1.0 + h / k2 + h * h / (k1 * k2)), code
        if second == DIC:
            start = starting_value(x, y, tot[0], k1, k2, k[3])
        elif second == CO2:
            start = k1 * y / (0.93 * x) if x > 0.0 else 1e-7
        else:
            over = x - y
            start = 2.0 * k2 * y / (0.7 * over) if over > 0.0 else 1e-7
        start = min(max(start, H_LOW), H_HIGH)
        h = find_root(x, second, y, start, H_LOW, H_HIGH, False, k, tot, tf)
        if math.isnan(h):
            return h, dic, NO_SOLUTION
        if second == DIC:
            dic = y
        elif second == CO2:
            dic = y * (1.0 + k1 / h + k1 * k2 / (h * h))
        else:
            dic = y * (1.0 + h / k1 + k2 / h)
        return h, dic, code
    if first == DIC:
        dic = x
        if second == PH_TOTAL:
            h = y
        elif second == CO2:
            # (DIC/CO2 - 1) h^2 - K1 h - K1 K2 = 0
            excess = x / y - 1.0
            if not excess > 0.0:
                return math.nan, math.nan, NO_SOLUTION
            h = (k1 + math.sqrt(k1 * k1 + 4.0 * excess * k1 * k2)) / (2.0 * excess)
        elif second == CO3:
            # h^2 + K1 h - K1 K2 (DIC/CO3 - 1) = 0, in the form without cancellation
            excess = x / y - 1.0
            if not excess > 0.0:
                return math.nan, math.nan, NO_SOLUTION
            h = 2.0 * k2 * excess / (1.0 + math.sqrt(1.0 + 4.0 * excess * k2 / k1))
        else:
            # h^2 - K1 (DIC/HCO3 - 1) h + K1 K2 = 0
            excess = x / y - 1.0
            inside = excess * excess - 4.0 * k2 / k1
            if abs(inside) < ((1.0 + excess) / FOLD_CONDITION) ** 2 and excess > 0.0:
                return math.nan, math.nan, NEAR_FOLD
            if not (inside > 0.0 and excess > 0.0):
                return math.nan, math.nan, NO_SOLUTION
            larger = 0.5 * k1 * (excess + math.sqrt(inside))
            h = larger if root == LOW_PH else k1 * k2 / larger
            code = TWO_ROOTS
    elif first == PH_TOTAL:
        h = x
        if second == CO2:
            dic = y * (1.0 + k1 / h + k1 * k2 / (h * h))
        elif second == HCO3:
            dic = y * (1.0 + h / k1 + k2 / h)
        else:
            dic = y * (1.0 + h / k2 + h * h / (k1 * k2))
    elif first == CO2:
        h = k1 * x / y if second == HCO3 else math.sqrt(k1 * k2 * x / y)
        dic = x * (1.0 + k1 / h + k1 * k2 / (h * h))
    else:
        h = k2 * x / y
        dic = x * (1.0 + h / k1 + k2 / h)
    if not (H_LOW <= h <= H_HIGH and dic >= 0.0):
        return math.nan, math.nan, NO_SOLUTION
    return h, dic, code


@register_jitable(error_model="numpy")
def fugacity_factor(t_c: Any, air_hpa: Any, exp: Any) -> Any:
    """Return fCO2 / pCO2 [1] at the air pressure: Weiss 1974, eq. 9, trace CO2 in air."""
    t = t_c + 273.15
    virial = -1636.75 + (12.0408 + (-0.0327957 + 3.16528e-5 * t) * t) * t
    cross = 57.7 - 0.118 * t
    return exp((virial + 2.0 * cross) * (air_hpa / 1013.25) / (82.05736 * t))


@register_jitable(error_model="numpy")
def vapour_pressure(t_c: Any, s: Any, log: Any, exp: Any) -> Any:
    """Return the pressure of water vapour over seawater [atm]: Weiss and Price 1980, eq. 10."""
    h = 0.01 * (t_c + 273.15)
    return exp(24.4543 - 67.4509 / h - 4.8489 * log(h) - 0.000544 * s)


@register_jitable(error_model="numpy")
def nbs_activity(t_c: Any, s: Any) -> Any:
    """Return the apparent activity coefficient of the NBS scale: Takahashi et al. 1982 (memory)."""
    t = t_c + 273.15
    return 1.2948 - 0.002036 * t + (0.0004607 - 0.000001475 * t) * s * s


@njit(**_JIT, forceinline=True)
def to_basic(
    kind: int, value: float, t_c: float, s: float, air_hpa: float, k0: float, tf: float, ts: float
) -> Any:
    """Return the basic kind (TA, DIC, H, CO2, HCO3, CO3) and its value in mol kg-1."""
    if kind == TA or kind == DIC or kind == CO2 or kind >= HCO3:
        return kind, 1e-6 * value
    if kind <= PH_NBS:
        h = math.exp(-LN10 * value)
        if kind == PH_NBS:
            h = h / nbs_activity(t_c, s)
        if kind >= PH_SWS:
            h = h * ts
        elif kind == PH_FREE:
            h = h * tf
        return PH_TOTAL, h
    micro = value
    if kind == XCO2:
        micro = micro * (air_hpa / 1013.25 - vapour_pressure(t_c, s, math.log, math.exp))
    if kind >= PCO2:
        micro = micro * fugacity_factor(t_c, air_hpa, math.exp)
    return CO2, 1e-6 * micro * k0


@njit(**_JIT, forceinline=True)
def check_inputs(kind: int, value: float, signed: bool) -> int:
    """Return the code of one carbonate input."""
    if math.isnan(value):
        return MISSING
    if PH_TOTAL <= kind <= PH_NBS:
        return 0 if 1.0 <= value <= 14.0 else OUT_OF_RANGE
    if not math.isfinite(value):
        return OUT_OF_RANGE
    if value < 0.0 and not signed:
        return NEGATIVE
    if value == 0.0 and kind != TA and kind != DIC:
        return NO_SOLUTION
    return 0


@njit(**_JIT, forceinline=True)
def condition_code(t_c: float, s: float, p: float, air: float, a: float, b: float, c: float, d: float) -> int:
    """Return the code of temperature, salinity, pressure and the minor totals."""
    total = t_c + s + p + air + a + b + c + d
    if math.isnan(total):
        return MISSING
    code = 0
    if s < 0.0 or a < 0.0 or b < 0.0 or c < 0.0 or d < 0.0:
        code |= NEGATIVE
    if not (-5.0 <= t_c <= 60.0 and s <= 70.0 and -10.0 <= p <= 12000.0 and 100.0 <= air <= 10000.0):
        code |= OUT_OF_RANGE
    return code


@njit(**_JIT, forceinline=True)
def solve_one(
    kind_1: int,
    value_1: float,
    kind_2: int,
    value_2: float,
    t_c: float,
    s: float,
    air: float,
    root: int,
    k: Any,
    tot: Any,
    tf: float,
    ts: float,
) -> Any:
    """Return [H+], DIC [mol kg-1] and the code of one state."""
    code = check_inputs(kind_1, value_1, kind_1 == TA) | check_inputs(kind_2, value_2, kind_2 == TA)
    if code:
        return math.nan, math.nan, code
    first, x = to_basic(kind_1, value_1, t_c, s, air, k[0], tf, ts)
    second, y = to_basic(kind_2, value_2, t_c, s, air, k[0], tf, ts)
    if first > second:
        first, x, second, y = second, y, first, x
    return hydrogen_ion(first, x, second, y, root, k, tot, tf)


@njit(**_JIT, forceinline=True)
def validity_code(t_c: float, s: float, limits: Any) -> int:
    """Return the bits of the sources whose range of temperature or salinity is exceeded."""
    code = 0
    # The first row is the range common to all sources, so that most states need only it.
    if (t_c >= limits[0, 0]) & (t_c <= limits[0, 1]) & (s >= limits[0, 2]) & (s <= limits[0, 3]):
        return code
    for j in range(1, limits.shape[0]):
        t_low, t_high, s_low, s_high = limits[j, 0], limits[j, 1], limits[j, 2], limits[j, 3]
        if t_c < t_low or t_c > t_high or s < s_low or s > s_high:
            code |= int(limits[j, 4])
    return code


@njit(**_JIT)
def solve_states(
    kind_1: int,
    value_1: Any,
    kind_2: int,
    value_2: Any,
    temperature: Any,
    salinity: Any,
    pressure: Any,
    phosphate: Any,
    silicate: Any,
    ammonium: Any,
    sulfide: Any,
    air_pressure: Any,
    temperature_out: Any,
    pressure_out: Any,
    moved: bool,
    root: int,
    sets: Any,
    limits: Any,
    slot: Any,
    out: Any,
    code: Any,
    start: int,
    stop: int,
) -> None:
    """Fill columns `start` to `stop` of `out` and `code`; `slot` gives the row of each output."""
    solubility = slot[12] >= 0 or slot[13] >= 0
    for n in range(start, stop):
        t_c, s, p = temperature[n], salinity[n], pressure[n]
        po4, si = 1e-6 * phosphate[n], 1e-6 * silicate[n]
        nh4, h2s = 1e-6 * ammonium[n], 1e-6 * sulfide[n]
        air = air_pressure[n]
        status = condition_code(t_c, s, p, air, po4, si, nh4, h2s)
        h = math.nan
        dic = math.nan
        if status == 0:
            status = validity_code(t_c, s, limits)
            k, tot, tf, ts = equilibrium(t_c, s, p, po4, si, nh4, h2s, solubility and not moved, sets)
            h, dic, solved = solve_one(
                kind_1, value_1[n], kind_2, value_2[n], t_c, s, air, root, k, tot, tf, ts
            )
            status |= solved
            if moved and not (status & NO_VALUE):
                a0, _, _ = other_alkalinity(h, k, tot, tf)
                b0, _, _ = carbonate_alkalinity(h, DIC, dic, k[1], k[2], 1.0 / k[2], 1.0 / (k[1] * k[2]))
                ta = a0 + b0
                t_c, p = temperature_out[n], pressure_out[n]
                status |= condition_code(t_c, s, p, air, po4, si, nh4, h2s)
                if not (status & NO_VALUE):
                    status |= validity_code(t_c, s, limits)
                    k, tot, tf, ts = equilibrium(t_c, s, p, po4, si, nh4, h2s, solubility, sets)
                    first = min(max(h, H_LOW), H_HIGH)
                    h = find_root(ta, DIC, dic, first, H_LOW, H_HIGH, False, k, tot, tf)
                    if math.isnan(h):
                        status |= NO_SOLUTION
        code[n] = status
        if status & NO_VALUE:
            for j in range(out.shape[0]):
                out[j, n] = math.nan
            continue
        write_outputs(out, n, slot, h, dic, t_c, s, air, k, tot, tf, ts)


@njit(**_JIT, forceinline=True)
def write_outputs(
    out: Any, n: int, slot: Any, h: float, dic: float, t_c: float, s: float, air: float, k: Any, tot: Any,
    tf: float, ts: float,
) -> None:
    """Write the requested outputs of one solved state into column `n`."""
    k0, k1, k2, kb, kw, ks, kf, bp1, bp2, bp3, ksi, _, _, ka, kc = k
    bt, st, ft, ca, po4, si, _, _ = tot
    q1 = h / k2
    q2 = q1 * h / k1
    c = dic / (1.0 + q1 + q2)
    b = c * q1
    a = c * q2
    ac = b + 2.0 * c
    if slot[0] >= 0 or slot[14] >= 0 or slot[15] >= 0 or slot[16] >= 0 or slot[17] >= 0 or slot[18] >= 0 or slot[19] >= 0 or slot[20] >= 0:
        a0, a1, _ = other_alkalinity(h, k, tot, tf)
        if slot[0] >= 0:
            out[slot[0], n] = 1e6 * (a0 + ac)
        # Egleston et al. 2010, with every buffer of the alkalinity in `sg`.
        sg = b + 4.0 * c - a1
        det = dic * sg - ac * ac
        two = 2.0 * a + b
        if slot[14] >= 0:
            out[slot[14], n] = dic * sg / det
        if slot[15] >= 0:
            out[slot[15], n] = 1e6 * det / sg
        if slot[16] >= 0:
            out[slot[16], n] = 1e6 * det / ac
        if slot[17] >= 0:
            out[slot[17], n] = 1e6 * dic * det / (det - two * ac)
        if slot[18] >= 0:
            out[slot[18], n] = -1e6 * det / ac
        if slot[19] >= 0:
            out[slot[19], n] = -1e6 * det / dic
        if slot[20] >= 0:
            out[slot[20], n] = 1e6 * det / two
    if slot[1] >= 0:
        out[slot[1], n] = 1e6 * dic
    if slot[2] >= 0 or slot[3] >= 0 or slot[4] >= 0 or slot[5] >= 0:
        ph = -math.log(h) / LN10
        if slot[2] >= 0:
            out[slot[2], n] = ph
        if slot[3] >= 0:
            out[slot[3], n] = ph + math.log(tf) / LN10
        if slot[4] >= 0 or slot[5] >= 0:
            sws = ph + math.log(ts) / LN10
            if slot[4] >= 0:
                out[slot[4], n] = sws
            if slot[5] >= 0:
                out[slot[5], n] = sws - math.log(nbs_activity(t_c, s)) / LN10
    if slot[6] >= 0:
        out[slot[6], n] = 1e6 * a
    if slot[7] >= 0:
        out[slot[7], n] = 1e6 * b
    if slot[8] >= 0:
        out[slot[8], n] = 1e6 * c
    if slot[9] >= 0 or slot[10] >= 0 or slot[11] >= 0:
        fco2 = 1e6 * a / k0
        if slot[9] >= 0:
            out[slot[9], n] = fco2
        if slot[10] >= 0 or slot[11] >= 0:
            pco2 = fco2 / fugacity_factor(t_c, air, math.exp)
            if slot[10] >= 0:
                out[slot[10], n] = pco2
            if slot[11] >= 0:
                dry = air / 1013.25 - vapour_pressure(t_c, s, math.log, math.exp)
                out[slot[11], n] = pco2 / dry
    if slot[12] >= 0:
        out[slot[12], n] = c * ca / ka
    if slot[13] >= 0:
        out[slot[13], n] = c * ca / kc
    free = h / tf
    if slot[21] >= 0:
        out[slot[21], n] = 1e6 * free
    if slot[22] >= 0:
        out[slot[22], n] = 1e6 * kw / h
    if slot[23] >= 0:
        out[slot[23], n] = 1e6 * bt * kb / (kb + h)
    if slot[24] >= 0:
        out[slot[24], n] = 1e6 * st * free / (free + ks)
    if slot[25] >= 0:
        out[slot[25], n] = 1e6 * ft * free / (free + kf)
    if slot[26] >= 0 or slot[27] >= 0 or slot[28] >= 0 or slot[29] >= 0:
        w1 = w2 = w3 = w0 = 0.0
        if po4 > 0.0:
            w1 = h * bp1
            w2 = h * h * bp2
            w3 = h * h * h * bp3
            w0 = 1e6 * po4 / (1.0 + w1 + w2 + w3)
        if slot[26] >= 0:
            out[slot[26], n] = w3 * w0
        if slot[27] >= 0:
            out[slot[27], n] = w2 * w0
        if slot[28] >= 0:
            out[slot[28], n] = w1 * w0
        if slot[29] >= 0:
            out[slot[29], n] = w0
    if slot[30] >= 0:
        out[slot[30], n] = 1e6 * si * ksi / (ksi + h)


@njit(**_JIT)
def constants_only(
    temperature: Any,
    salinity: Any,
    pressure: Any,
    phosphate: Any,
    silicate: Any,
    ammonium: Any,
    sulfide: Any,
    sets: Any,
    out: Any,
    start: int,
    stop: int,
) -> None:
    """Fill `out` (19, n) with the constants of `equilibrium`, the totals and the scale ratios."""
    for n in range(start, stop):
        k, tot, tf, ts = equilibrium(
            temperature[n],
            salinity[n],
            pressure[n],
            phosphate[n],
            silicate[n],
            ammonium[n],
            sulfide[n],
            True,
            sets,
        )
        for j, value in enumerate(k):
            out[j, n] = value
        out[7, n] = k[8] / k[9]
        out[8, n] = k[7] / k[8]
        out[9, n] = 1.0 / k[7]
        out[15, n], out[16, n], out[17, n] = tot[0], tot[1], tot[2]
        out[18, n], out[19, n], out[20, n] = tot[3], tf, ts


