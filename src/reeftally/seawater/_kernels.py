"""The compiled loops over states.

Here:     inputs of any kind to basic quantities, codes, the loops, the outputs.
Not here: broadcasting and names (`_carbonate_solve`), the model (`_kernels_acid`), root finding
          (`_kernels_roots`), formulas of the constants (`_constants`).
Rules:    a member that cannot be solved gets NaN and a code, never an exception. The numbers of
          kinds, outputs and codes are the order of the tables in `_carbonate_names` and
          `_constants_sets`.
"""

from __future__ import annotations

import math
import zlib
from types import FunctionType
from typing import Any

import numpy as np
from numba import njit
from numba.extending import register_jitable

from reeftally.seawater import _constants, _kernels_acid, _kernels_lanes, _kernels_roots
from reeftally.seawater._kernels_acid import (
    CO2,
    DIC,
    HCO3,
    LN10,
    PCO2,
    PH_FREE,
    PH_NBS,
    PH_SWS,
    PH_TOTAL,
    TA,
    XCO2,
    carbonate_alkalinity,
    equilibrium,
    fugacity_factor,
    nbs_activity,
    other_alkalinity,
    vapour_pressure,
)
from reeftally.seawater._kernels_lanes import BLOCK, DIC_ROW, ROWS, START, STEP, TA_ROW, TF, TS, H, two_steps
from reeftally.seawater._kernels_roots import (
    ENOUGH,
    H_HIGH,
    H_LOW,
    NEAR_FOLD,
    NO_SOLUTION,
    find_root,
    hydrogen_ion,
    starting_value,
)

__all__ = ["constants_only", "solve_states"]

MISSING, NEGATIVE, OUT_OF_RANGE = 1, 2, 4
NO_VALUE = MISSING | NEGATIVE | OUT_OF_RANGE | NO_SOLUTION | NEAR_FOLD

_JIT: dict[str, Any] = {"cache": True, "error_model": "numpy", "nogil": True}


def _fingerprint() -> int:
    """Return a number that changes with the code of the modules compiled into the kernels.

    The compiler's cache looks only at the file of the kernel itself; without this, a corrected
    coefficient elsewhere would go on being computed with the old machine code.
    """
    parts: list[object] = []
    for module in (_constants, _kernels_acid, _kernels_lanes, _kernels_roots):
        for name, value in sorted(vars(module).items()):
            if isinstance(value, FunctionType) and value.__module__ == module.__name__:
                code = value.__code__
                parts.append((name, code.co_code, code.co_consts, code.co_names))
            elif isinstance(value, int | float):
                parts.append((name, value))
    return zlib.crc32(repr(parts).encode())


@register_jitable(error_model="numpy", forceinline=True)
def to_basic(kind: int, value: float, t_c: float, s: float, air_hpa: float, k0: float, tf: float, ts: float) -> Any:
    """Return the basic kind (TA, DIC, H, CO2, HCO3, CO3) and its value in mol kg-1."""
    if kind in (TA, DIC, CO2) or kind >= HCO3:
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


@register_jitable(error_model="numpy", forceinline=True)
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
    if value == 0.0 and kind not in (TA, DIC):
        return NO_SOLUTION
    return 0


@register_jitable(error_model="numpy", forceinline=True)
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


@register_jitable(error_model="numpy", forceinline=True)
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


@register_jitable(error_model="numpy", forceinline=True)
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


@register_jitable(error_model="numpy", forceinline=True)
def write_outputs(
    out: Any,
    n: int,
    slot: Any,
    h: float,
    dic: float,
    t_c: float,
    s: float,
    air: float,
    k: Any,
    tot: Any,
    tf: float,
    ts: float,
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
    if (
        slot[0] >= 0
        or slot[14] >= 0
        or slot[15] >= 0
        or slot[16] >= 0
        or slot[17] >= 0
        or slot[18] >= 0
        or slot[19] >= 0
        or slot[20] >= 0
    ):
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


@register_jitable(error_model="numpy", forceinline=True)
def store(w: Any, j: int, k: Any, tot: Any, tf: float, ts: float) -> None:
    """Put constants and totals of a state into column `j` of the table of `_kernels_lanes`."""
    # Written out: a loop over a tuple would put it in memory first.
    w[j] = k[0]
    w[1 * BLOCK + j] = k[1]
    w[2 * BLOCK + j] = k[2]
    w[3 * BLOCK + j] = k[3]
    w[4 * BLOCK + j] = k[4]
    w[5 * BLOCK + j] = k[5]
    w[6 * BLOCK + j] = k[6]
    w[7 * BLOCK + j] = k[7]
    w[8 * BLOCK + j] = k[8]
    w[9 * BLOCK + j] = k[9]
    w[10 * BLOCK + j] = k[10]
    w[11 * BLOCK + j] = k[11]
    w[12 * BLOCK + j] = k[12]
    w[13 * BLOCK + j] = k[13]
    w[14 * BLOCK + j] = k[14]
    w[15 * BLOCK + j] = tot[0]
    w[16 * BLOCK + j] = tot[1]
    w[17 * BLOCK + j] = tot[2]
    w[18 * BLOCK + j] = tot[3]
    w[19 * BLOCK + j] = tot[4]
    w[20 * BLOCK + j] = tot[5]
    w[21 * BLOCK + j] = tot[6]
    w[22 * BLOCK + j] = tot[7]
    w[TF * BLOCK + j] = tf
    w[TS * BLOCK + j] = ts


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


@register_jitable(error_model="numpy")
def blank(out: Any, n: int) -> None:
    """Write NaN into column `n`."""
    for row in range(out.shape[0]):
        out[row, n] = math.nan


def _solver(sources: int) -> Any:
    """Return the kernel; `sources` in its closure is part of the key of the compiler's cache."""

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
        solubility = sources >= 0 and (slot[12] >= 0 or slot[13] >= 0)
        side_by_side = kind_1 == TA and kind_2 == DIC
        # A pool of ones: columns of states that have no value are worked on like the others.
        w = np.ones(ROWS * BLOCK)
        for begin in range(start, stop, BLOCK):
            end = min(begin + BLOCK, stop)
            for n in range(begin, end):
                j = n - begin
                t_c, s, p = temperature[n], salinity[n], pressure[n]
                po4, si = 1e-6 * phosphate[n], 1e-6 * silicate[n]
                nh4, h2s = 1e-6 * ammonium[n], 1e-6 * sulfide[n]
                status = condition_code(t_c, s, p, air_pressure[n], po4, si, nh4, h2s)
                if status == 0:
                    status = validity_code(t_c, s, limits)
                    k, tot, tf, ts = equilibrium(t_c, s, p, po4, si, nh4, h2s, solubility and not moved, sets)
                    if side_by_side:
                        status |= check_inputs(TA, value_1[n], True) | check_inputs(DIC, value_2[n], False)
                        ta, dic = 1e-6 * value_1[n], 1e-6 * value_2[n]
                        w[TA_ROW * BLOCK + j] = ta
                        w[DIC_ROW * BLOCK + j] = dic
                        w[START * BLOCK + j] = starting_value(ta, dic, tot[0], k[1], k[2], k[3])
                    store(w, j, k, tot, tf, ts)
                code[n] = status
            if side_by_side:
                two_steps(w)
            for n in range(begin, end):
                status = code[n]
                if status & NO_VALUE:
                    blank(out, n)
                    continue
                j = n - begin
                t_c, s, air = temperature[n], salinity[n], air_pressure[n]
                k, tot, tf, ts = load(w, j)
                if side_by_side:
                    h, dic = w[H * BLOCK + j], w[DIC_ROW * BLOCK + j]
                    if not (abs(w[STEP * BLOCK + j]) < ENOUGH and H_LOW < h < H_HIGH):
                        h = w[START * BLOCK + j]
                        h = find_root(w[TA_ROW * BLOCK + j], DIC, dic, h, H_LOW, H_HIGH, False, k, tot, tf)
                        status |= NO_SOLUTION if math.isnan(h) else 0
                else:
                    h, dic, solved = solve_one(
                        kind_1, value_1[n], kind_2, value_2[n], t_c, s, air, root, k, tot, tf, ts
                    )
                    status |= solved
                if moved and not (status & NO_VALUE):
                    a0, _, _ = other_alkalinity(h, k, tot, tf)
                    b0, _, _ = carbonate_alkalinity(h, DIC, dic, k[1], k[2], 1.0 / k[2], 1.0 / (k[1] * k[2]))
                    t_c, p = temperature_out[n], pressure_out[n]
                    po4, si, nh4, h2s = tot[4], tot[5], tot[6], tot[7]
                    status |= condition_code(t_c, s, p, air, po4, si, nh4, h2s)
                    if not (status & NO_VALUE):
                        status |= validity_code(t_c, s, limits)
                        k, tot, tf, ts = equilibrium(t_c, s, p, po4, si, nh4, h2s, solubility, sets)
                        first = min(max(h, H_LOW), H_HIGH)
                        h = find_root(a0 + b0, DIC, dic, first, H_LOW, H_HIGH, False, k, tot, tf)
                        status |= NO_SOLUTION if math.isnan(h) else 0
                code[n] = status
                if status & NO_VALUE:
                    blank(out, n)
                else:
                    write_outputs(out, n, slot, h, dic, t_c, s, air, k, tot, tf, ts)

    return solve_states


def _constants_kernel(sources: int) -> Any:
    """Return the kernel; `sources` in its closure is part of the key of the compiler's cache."""

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
                sources >= 0,
                sets,
            )
            for j, value in enumerate(k):
                out[j, n] = value
            out[7, n] = k[8] / k[9]
            out[8, n] = k[7] / k[8]
            out[9, n] = 1.0 / k[7]
            out[15, n], out[16, n], out[17, n] = tot[0], tot[1], tot[2]
            out[18, n], out[19, n], out[20, n] = tot[3], tf, ts

    return constants_only


solve_states = _solver(_fingerprint())
constants_only = _constants_kernel(_fingerprint())
