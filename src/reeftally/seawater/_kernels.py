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

from reeftally.seawater import (
    _constants,
    _kernels_acid,
    _kernels_lanes,
    _kernels_math,
    _kernels_outputs,
    _kernels_roots,
)
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
    fugacity_factor,
    nbs_activity,
    vapour_pressure,
)
from reeftally.seawater._kernels_lanes import (
    AIR,
    BLOCK,
    BP1,
    BT,
    DIC_ROW,
    H2S,
    NH4,
    PO4,
    RARE,
    ROWS,
    SI,
    START,
    STEP,
    T_C,
    TA_ROW,
    TF,
    H,
    P,
    S,
    acids_of_block,
    alkalinity_from_hydrogen,
    buffering,
    constants_of_block,
    dic_from_hydrogen,
    hydrogen_from_ph,
    load,
    ordinary,
    rare_buffering,
    starts,
    two_steps,
)
from reeftally.seawater._kernels_outputs import write_block
from reeftally.seawater._kernels_roots import (
    ENOUGH,
    H_HIGH,
    H_LOW,
    NEAR_FOLD,
    NO_SOLUTION,
    find_root,
    hydrogen_ion,
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
    parts: list[object] = [_kernels_math.FUSED]
    for module in (_constants, _kernels_acid, _kernels_lanes, _kernels_math, _kernels_outputs, _kernels_roots):
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
def place(w: Any, j: int, t_c: float, s: float, p: float, air: float) -> None:
    """Put conditions into column `j` of the table."""
    w[T_C * BLOCK + j] = t_c
    w[S * BLOCK + j] = s
    w[P * BLOCK + j] = p
    w[AIR * BLOCK + j] = air


@register_jitable(error_model="numpy", forceinline=True)
def place_minor(w: Any, j: int, po4: float, si: float, nh4: float, h2s: float) -> None:
    """Put totals of the minor acids into column `j`."""
    w[PO4 * BLOCK + j] = po4
    w[SI * BLOCK + j] = si
    w[NH4 * BLOCK + j] = nh4
    w[H2S * BLOCK + j] = h2s


@register_jitable(error_model="numpy", forceinline=True)
def place_harmless(w: Any, j: int) -> None:
    """Put an ordinary state into column `j`, so that one without a value disturbs nothing."""
    place(w, j, 15.0, 35.0, 0.0, 1013.25)
    place_minor(w, j, 0.0, 0.0, 0.0, 0.0)
    w[TA_ROW * BLOCK + j] = 2.3e-3
    w[DIC_ROW * BLOCK + j] = 2.0e-3
    w[START * BLOCK + j] = 1e-8
    w[H * BLOCK + j] = 1e-8


@register_jitable(error_model="numpy")
def judge(w: Any, kind_1: int, kind_2: int, limits: Any, code: Any, begin: int, end: int) -> None:
    """Set the codes of the inputs in the table and put a harmless state where one has no value."""
    for n in range(begin, end):
        j = n - begin
        t_c, s, p, air = w[T_C * BLOCK + j], w[S * BLOCK + j], w[P * BLOCK + j], w[AIR * BLOCK + j]
        po4, si, nh4, h2s = w[PO4 * BLOCK + j], w[SI * BLOCK + j], w[NH4 * BLOCK + j], w[H2S * BLOCK + j]
        status = condition_code(t_c, s, p, air, po4, si, nh4, h2s)
        if status == 0:
            status = validity_code(t_c, s, limits)
            status |= check_inputs(kind_1, w[STEP * BLOCK + j], kind_1 == TA)
            status |= check_inputs(kind_2, w[START * BLOCK + j], kind_2 == TA)
        code[n] = status
        if status & NO_VALUE:
            place_harmless(w, j)


@register_jitable(error_model="numpy")
def roots_of_block(w: Any, code: Any, begin: int, end: int) -> None:
    """Fill row `H` from alkalinity, DIC and row `START`; set codes where there is no root."""
    two_steps(w)
    for n in range(begin, end):
        j = n - begin
        if abs(w[STEP * BLOCK + j]) < ENOUGH and H_LOW < w[H * BLOCK + j] < H_HIGH:
            continue
        if code[n] & NO_VALUE:
            continue
        k, tot, tf, _ = load(w, j)
        ta, dic, start = w[TA_ROW * BLOCK + j], w[DIC_ROW * BLOCK + j], w[START * BLOCK + j]
        h = find_root(ta, DIC, dic, start, H_LOW, H_HIGH, False, k, tot, tf)
        if math.isnan(h):
            code[n] |= NO_SOLUTION
            h = 1e-8
        w[H * BLOCK + j] = h


@register_jitable(error_model="numpy")
def blank(out: Any, code: Any, begin: int, end: int) -> None:
    """Write NaN into the columns from `begin` to `end` whose code says that they have no value."""
    for n in range(begin, end):
        if code[n] & NO_VALUE:
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
        with_dic = kind_1 == TA and kind_2 == DIC
        with_ph = kind_1 == TA and PH_TOTAL <= kind_2 <= PH_NBS
        # The second leg is from alkalinity and DIC to the conditions of the results.
        last = 1 if moved else 0
        w = np.ones(ROWS * BLOCK)
        for j in range(BLOCK):
            place_harmless(w, j)
        for begin in range(start, stop, BLOCK):
            end = min(begin + BLOCK, stop)
            for n in range(begin, end):
                j = n - begin
                place(w, j, temperature[n], salinity[n], pressure[n], air_pressure[n])
                place_minor(w, j, 1e-6 * phosphate[n], 1e-6 * silicate[n], 1e-6 * ammonium[n], 1e-6 * sulfide[n])
                w[TA_ROW * BLOCK + j] = 1e-6 * value_1[n]
                w[DIC_ROW * BLOCK + j] = 1e-6 * value_2[n]
                w[STEP * BLOCK + j] = value_1[n]
                w[START * BLOCK + j] = value_2[n]
            if ordinary(w, kind_1, kind_2, limits):
                for n in range(begin, end):
                    code[n] = 0
            else:
                judge(w, kind_1, kind_2, limits, code, begin, end)
            acids = acids_of_block(w)
            for leg in range(last + 1):
                constants_of_block(w, acids, solubility and leg == last, sets)
                if with_dic or leg == 1:
                    if leg == 0:
                        starts(w)
                    roots_of_block(w, code, begin, end)
                elif with_ph:
                    hydrogen_from_ph(w, kind_2)
                else:
                    for n in range(begin, end):
                        if code[n] & NO_VALUE:
                            continue
                        j = n - begin
                        t_c, s, air = w[T_C * BLOCK + j], w[S * BLOCK + j], w[AIR * BLOCK + j]
                        k, tot, tf, ts = load(w, j)
                        h, dic, solved = solve_one(
                            kind_1, value_1[n], kind_2, value_2[n], t_c, s, air, root, k, tot, tf, ts
                        )
                        code[n] |= solved
                        none = (solved & NO_VALUE) != 0
                        w[H * BLOCK + j] = 1e-8 if none else h
                        w[DIC_ROW * BLOCK + j] = 2e-3 if none else dic
                buffering(w)
                if acids & RARE:
                    rare_buffering(w)
                if with_ph and leg == 0:
                    dic_from_hydrogen(w)
                    for n in range(begin, end):
                        if not (w[DIC_ROW * BLOCK + n - begin] >= 0.0 or code[n] & NO_VALUE):
                            code[n] |= NO_SOLUTION
                            w[DIC_ROW * BLOCK + n - begin] = 2e-3
                if leg < last:
                    alkalinity_from_hydrogen(w)
                    for n in range(begin, end):
                        if code[n] & NO_VALUE:
                            continue
                        t_c, s, p, air = temperature_out[n], salinity[n], pressure_out[n], air_pressure[n]
                        status = condition_code(t_c, s, p, air, 0.0, 0.0, 0.0, 0.0)
                        if status & NO_VALUE:
                            place_harmless(w, n - begin)
                        else:
                            status = validity_code(t_c, s, limits)
                            place(w, n - begin, t_c, s, p, air)
                        code[n] |= status
            write_block(w, slot, out, begin, end)
            blank(out, code, begin, end)

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
        """Fill `out` (21, n) with the constants, the totals by salinity and the scale ratios."""
        w = np.ones(ROWS * BLOCK)
        for j in range(BLOCK):
            place_harmless(w, j)
        for begin in range(start, stop, BLOCK):
            end = min(begin + BLOCK, stop)
            for n in range(begin, end):
                place(w, n - begin, temperature[n], salinity[n], pressure[n], 1013.25)
                place_minor(w, n - begin, phosphate[n], silicate[n], ammonium[n], sulfide[n])
            constants_of_block(w, acids_of_block(w), sources >= 0, sets)
            for row in range(15):
                line = out[row, begin:end]
                for j in range(end - begin):
                    line[j] = w[row * BLOCK + j]
            for j in range(end - begin):
                bp1, bp2, bp3 = w[BP1 * BLOCK + j], w[(BP1 + 1) * BLOCK + j], w[(BP1 + 2) * BLOCK + j]
                out[7, begin + j], out[8, begin + j], out[9, begin + j] = bp2 / bp3, bp1 / bp2, 1.0 / bp1
            for row in range(4):
                line = out[15 + row, begin:end]
                for j in range(end - begin):
                    line[j] = w[(BT + row) * BLOCK + j]
            for row in range(2):
                line = out[19 + row, begin:end]
                for j in range(end - begin):
                    line[j] = w[(TF + row) * BLOCK + j]

    return constants_only


solve_states = _solver(_fingerprint())
constants_only = _constants_kernel(_fingerprint())
