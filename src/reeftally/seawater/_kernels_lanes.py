"""The root of alkalinity and DIC for many states side by side.

Here:     two Halley steps for a block of states, in a loop that branches nowhere, so that the
          compiler turns it into vector instructions (three times as fast as state by state).
Not here: the safeguarded search (`_kernels_roots`), which takes over wherever the second step
          shows that two were not enough.
Rules:    for the kernels only. `w` is a table of `ROWS` rows of `BLOCK` states in one line, so
          that the compiler can see that rows do not overlap. The result of a state does not
          depend on its neighbours.
"""

from __future__ import annotations

from typing import Any

from numba.extending import register_jitable

__all__ = ["BLOCK", "ROWS", "two_steps"]

BLOCK = 64

# Rows: 0 to 14 the constants and 15 to 22 the totals in the order of `_kernels_acid.equilibrium`,
# then these.
TF, TS, TA_ROW, DIC_ROW, START, H, STEP = 23, 24, 25, 26, 27, 28, 29
ROWS = 30


@register_jitable(error_model="numpy", forceinline=True)
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


@register_jitable(error_model="numpy")
def two_steps(w: Any) -> None:
    """Fill the rows `H` and `STEP` (the second step) of all `BLOCK` states from row `START`."""
    for j in range(BLOCK):
        r2 = 1.0 / w[2 * BLOCK + j]
        given = (
            w[TA_ROW * BLOCK + j],
            w[DIC_ROW * BLOCK + j],
            r2,
            r2 / w[1 * BLOCK + j],
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
            w[15 * BLOCK + j],
            w[16 * BLOCK + j],
            w[17 * BLOCK + j],
            w[19 * BLOCK + j],
            w[20 * BLOCK + j],
            w[21 * BLOCK + j],
            w[22 * BLOCK + j],
            1.0 / w[TF * BLOCK + j],
        )
        h, _ = halley(w[START * BLOCK + j], *given)
        h, step = halley(h, *given)
        w[H * BLOCK + j] = h
        w[STEP * BLOCK + j] = step
