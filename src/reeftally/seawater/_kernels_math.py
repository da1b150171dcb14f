"""Exponential and logarithm that the compiler turns into vector instructions.

Here:     `lane_exp` and `lane_log`, plain arithmetic without a branch or a call.
Not here: what they are used for (`_kernels_lanes`, `_kernels_outputs`).
Rules:    for the kernels only: no infinities, no subnormal numbers, no errors. Both agree with the
          true value within one unit in the last place; a NaN gives NaN or an arbitrary number, so
          that the kernels never let one in.

The library's own functions are called state by state; inside a loop over a block these run four
or eight states at once. Argument reduction as usual (Muller et al. 2018, Handbook of
Floating-Point Arithmetic, ch. 10; from memory); the polynomials are Chebyshev fits made with 40
digits, with errors of 1.3e-17 and 9e-18 of the result.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba.extending import register_jitable

__all__ = ["FUSED", "lane_exp", "lane_log"]

# A product and a sum may be rounded once instead of twice: never less exact. No other freedom
# is given, above all none to reorder sums.
FUSED: Any = {"error_model": "numpy", "fastmath": {"contract"}}

PER_LN2 = 1.4426950408889634
# ln 2 in two parts; the first has trailing zeros, so that its product with a small whole number is exact.
LN2_HIGH, LN2_LOW = 0.6931471803691238, 1.9082149292705877e-10
# Adding this leaves the nearest whole number in the lowest bits.
ROUNDER = 6755399441055744.0
BIAS, MANTISSA_BITS = 1023, 52
MANTISSA = 0x000FFFFFFFFFFFFF
# The bits of sqrt(1/2), of 2^52, and of one less those of sqrt(1/2).
HALF_ROOT, TWO_TO_52, SHIFT = 0x3FE6A09E667F3BCD, 0x4330000000000000, 0x00095F619980C433
# 2^52 and the bias of the exponent.
FROM_BITS = 4503599627370496.0 + 1023.0

# (exp(r) - 1 - r) / r^2 for |r| <= ln(2) / 2, lowest power first.
E0, E1, E2, E3, E4 = (
    0.5000000000000001,
    0.16666666666666669,
    0.041666666666623824,
    0.008333333333330039,
    1.3888888917367081e-3,
)
E5, E6, E7, E8, E9 = (
    1.9841269863171557e-4,
    2.4801521057868204e-5,
    2.7557268276905696e-6,
    2.7620201591031547e-7,
    2.5100472505694996e-8,
)

# (2 atanh(q) / q - 2) / q^2 against q^2, for q from -0.172 to 0.172, lowest power first.
L0, L1, L2, L3 = 0.666666666666667, 0.3999999999989827, 0.2857142862653362, 0.22222211043776857
L4, L5, L6 = 0.18182895750119193, 0.1533150161114533, 0.1461916613488797


@register_jitable(**FUSED)
def lane_exp(x: Any) -> Any:
    """Return e to the power x, for x from -700 to 700."""
    shifted = x * PER_LN2 + ROUNDER
    whole = shifted - ROUNDER
    r = (x - whole * LN2_HIGH) - whole * LN2_LOW
    q = r * r
    # Pairs side by side: shorter chains of dependent products.
    p01, p23, p45, p67, p89 = E0 + E1 * r, E2 + E3 * r, E4 + E5 * r, E6 + E7 * r, E8 + E9 * r
    q2 = q * q
    tail = (p01 + p23 * q) + q2 * ((p45 + p67 * q) + q2 * p89)
    power = np.int64((np.float64(shifted).view(np.int64) + BIAS) << MANTISSA_BITS).view(np.float64)
    return power * (1.0 + (r + q * tail))


@register_jitable(**FUSED)
def lane_log(x: Any) -> Any:
    """Return the natural logarithm of x, for normal x above zero."""
    bits = np.float64(x).view(np.int64) + SHIFT
    whole = np.int64((bits >> MANTISSA_BITS) | TWO_TO_52).view(np.float64) - FROM_BITS
    f = np.int64((bits & MANTISSA) + HALF_ROOT).view(np.float64) - 1.0
    q = f / (2.0 + f)
    z = q * q
    z2 = z * z
    tail = (L0 + L1 * z) + z2 * ((L2 + L3 * z) + z2 * ((L4 + L5 * z) + z2 * L6))
    return whole * LN2_HIGH + (f - (q * (f - z * tail) - whole * LN2_LOW))
