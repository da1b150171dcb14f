"""Finding the hydrogen ion from two basic carbonate quantities.

Here:     starting value, safeguarded root finding, the case of each pair.
Not here: the alkalinity itself (`_kernels_acid`), codes of conditions, outputs (`_kernels`).
Rules:    every branch returns a root inside total-scale pH 2 to 12, or NaN with a code.

The unknown of every alkalinity pair is u = ln[H+]. The alkalinity at fixed DIC, CO2 or
bicarbonate falls strictly with u, so one bracketed root exists; with fixed carbonate ion it has
one minimum and up to two roots. Steps are Halley's (cubic convergence) kept inside the bracket,
from the cubic starting value of Munhoven (2013, Geosci. Model Dev. 6, 1367, sect. 3.2.2; from
memory), so that two evaluations do for seawater.
"""

from __future__ import annotations

import math
from typing import Any

from numba.extending import register_jitable

from reeftally.seawater._kernels_acid import (
    CO2,
    CO3,
    DIC,
    HCO3,
    PH_TOTAL,
    TA,
    carbonate_alkalinity,
    other_alkalinity,
)

__all__ = ["ENOUGH", "H_HIGH", "H_LOW", "find_root", "hydrogen_ion", "starting_value"]

# The bits of `_constants_sets.ReasonCode` that are decided here.
NO_SOLUTION, NEAR_FOLD, TWO_ROOTS = 8, 16, 32

# The codes of the choice of root.
SEAWATER_ROOT, HIGH_PH, LOW_PH = 0, 1, 2

# Total-scale pH from 2 to 12: beyond it the constants mean nothing.
H_LOW, H_HIGH = 1e-12, 1e-2
# Relative change of [H+] for a relative change of an input beyond which no number is given.
FOLD_CONDITION = 1e4
# A Halley step this small leaves an error of about its cube.
ENOUGH = 1e-5


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
        if abs(step) < ENOUGH:
            return h
    # Bisection ended: at an end of the interval means that no root lies inside.
    if h <= H_LOW * (1.0 + 1e-9) or h >= H_HIGH * (1.0 - 1e-9):
        return math.nan
    return h


@register_jitable(error_model="numpy")
def least_alkalinity(c: float, k: Any, tot: Any, total_over_free: float) -> float:
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
            a0, _, a2 = other_alkalinity(turn, k, tot, tf)
            b0, _, b2 = carbonate_alkalinity(turn, CO3, y, k1, k2, 1.0 / k2, 1.0 / (k1 * k2))
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
