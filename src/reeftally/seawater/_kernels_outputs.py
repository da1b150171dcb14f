"""The outputs of a block of solved states, side by side.

Here:     from [H+], DIC, constants and conditions to every public quantity, in groups, each only
          where one of it is asked for.
Not here: solving (`_kernels`, `_kernels_lanes`); names and units (`_carbonate_names`).
Rules:    for the kernels only; the table `w` is that of `_kernels_lanes`. The order of the outputs
          is that of `_carbonate_names.OUTPUTS`.
"""

from __future__ import annotations

from typing import Any

from numba.extending import register_jitable

from reeftally.seawater._kernels_acid import LN10, fugacity_factor, nbs_activity, vapour_pressure
from reeftally.seawater._kernels_lanes import (
    A0,
    A1,
    AIR,
    BLOCK,
    BP1,
    BP2,
    BP3,
    BT,
    CA,
    DIC_ROW,
    FT,
    K0,
    K1,
    K2,
    KA,
    KB,
    KC,
    KF,
    KS,
    KSI,
    KW,
    OUT,
    PO4,
    SI,
    ST,
    T_C,
    TF,
    TS,
    H,
    S,
)
from reeftally.seawater._kernels_math import FUSED, lane_exp, lane_log

__all__ = ["write_block"]

PER_LN10 = 1.0 / LN10


@register_jitable(error_model="numpy")
def asked(slot: Any, first: int, last: int) -> bool:
    """Return whether any output from `first` to `last` (not included) has a row."""
    highest = -1
    for number in range(first, last):
        highest = max(highest, slot[number])
    return highest >= 0


@register_jitable(**FUSED)
def species_and_buffers(w: Any) -> None:
    """Fill alkalinity, DIC, the carbonate species and the factors of Egleston et al. 2010.

    Every buffer of the alkalinity is in `sg`.
    """
    for j in range(BLOCK):
        h, dic = w[H * BLOCK + j], w[DIC_ROW * BLOCK + j]
        q1 = h / w[K2 * BLOCK + j]
        q2 = q1 * h / w[K1 * BLOCK + j]
        c = dic / (1.0 + q1 + q2)
        b, a = c * q1, c * q2
        ac = b + 2.0 * c
        sg = b + 4.0 * c - w[A1 * BLOCK + j]
        det = dic * sg - ac * ac
        two = 2.0 * a + b
        micro = 1e6 * det
        beta = micro / ac
        w[(OUT + 0) * BLOCK + j] = 1e6 * (w[A0 * BLOCK + j] + ac)
        w[(OUT + 1) * BLOCK + j] = 1e6 * dic
        w[(OUT + 6) * BLOCK + j] = 1e6 * a
        w[(OUT + 7) * BLOCK + j] = 1e6 * b
        w[(OUT + 8) * BLOCK + j] = 1e6 * c
        w[(OUT + 14) * BLOCK + j] = dic * sg / det
        w[(OUT + 15) * BLOCK + j] = micro / sg
        w[(OUT + 16) * BLOCK + j] = beta
        w[(OUT + 17) * BLOCK + j] = dic * micro / (det - two * ac)
        w[(OUT + 18) * BLOCK + j] = -beta
        w[(OUT + 19) * BLOCK + j] = -micro / dic
        w[(OUT + 20) * BLOCK + j] = micro / two


@register_jitable(**FUSED)
def four_scales(w: Any) -> None:
    """Fill pH on the total, free, seawater and NBS scales."""
    for j in range(BLOCK):
        ph = -lane_log(w[H * BLOCK + j]) * PER_LN10
        sws = ph + lane_log(w[TS * BLOCK + j]) * PER_LN10
        activity = nbs_activity(w[T_C * BLOCK + j], w[S * BLOCK + j])
        w[(OUT + 2) * BLOCK + j] = ph
        w[(OUT + 3) * BLOCK + j] = ph + lane_log(w[TF * BLOCK + j]) * PER_LN10
        w[(OUT + 4) * BLOCK + j] = sws
        w[(OUT + 5) * BLOCK + j] = sws - lane_log(activity) * PER_LN10


@register_jitable(**FUSED)
def gas(w: Any) -> None:
    """Fill fCO2, pCO2 and xCO2, after `species_and_buffers`."""
    for j in range(BLOCK):
        t_c, s, air = w[T_C * BLOCK + j], w[S * BLOCK + j], w[AIR * BLOCK + j]
        fco2 = w[(OUT + 6) * BLOCK + j] / w[K0 * BLOCK + j]
        pco2 = fco2 / fugacity_factor(t_c, air, lane_exp)
        w[(OUT + 9) * BLOCK + j] = fco2
        w[(OUT + 10) * BLOCK + j] = pco2
        w[(OUT + 11) * BLOCK + j] = pco2 / (air / 1013.25 - vapour_pressure(t_c, s, lane_log, lane_exp))


@register_jitable(**FUSED)
def saturation(w: Any) -> None:
    """Fill the saturation states, after `species_and_buffers`."""
    for j in range(BLOCK):
        product = 1e-6 * w[(OUT + 8) * BLOCK + j] * w[CA * BLOCK + j]
        w[(OUT + 12) * BLOCK + j] = product / w[KA * BLOCK + j]
        w[(OUT + 13) * BLOCK + j] = product / w[KC * BLOCK + j]


@register_jitable(**FUSED)
def minor_species(w: Any) -> None:
    """Fill the species of the other acids and bases."""
    for j in range(BLOCK):
        h = w[H * BLOCK + j]
        kb, ks, kf, ksi = w[KB * BLOCK + j], w[KS * BLOCK + j], w[KF * BLOCK + j], w[KSI * BLOCK + j]
        free = h / w[TF * BLOCK + j]
        w[(OUT + 21) * BLOCK + j] = 1e6 * free
        w[(OUT + 22) * BLOCK + j] = 1e6 * w[KW * BLOCK + j] / h
        w[(OUT + 23) * BLOCK + j] = 1e6 * w[BT * BLOCK + j] * kb / (kb + h)
        w[(OUT + 24) * BLOCK + j] = 1e6 * w[ST * BLOCK + j] * free / (free + ks)
        w[(OUT + 25) * BLOCK + j] = 1e6 * w[FT * BLOCK + j] * free / (free + kf)
        q1 = h * w[BP1 * BLOCK + j]
        q2 = h * h * w[BP2 * BLOCK + j]
        q3 = h * h * h * w[BP3 * BLOCK + j]
        unit = 1e6 * w[PO4 * BLOCK + j] / (1.0 + q1 + q2 + q3)
        w[(OUT + 26) * BLOCK + j] = q3 * unit
        w[(OUT + 27) * BLOCK + j] = q2 * unit
        w[(OUT + 28) * BLOCK + j] = q1 * unit
        w[(OUT + 29) * BLOCK + j] = unit
        w[(OUT + 30) * BLOCK + j] = 1e6 * w[SI * BLOCK + j] * ksi / (ksi + h)


@register_jitable(error_model="numpy")
def write_block(w: Any, slot: Any, out: Any, begin: int, end: int) -> None:
    """Write the outputs asked for of the solved block into columns `begin` to `end` of `out`."""
    species_and_buffers(w)
    if asked(slot, 2, 6):
        four_scales(w)
    if asked(slot, 9, 12):
        gas(w)
    if asked(slot, 12, 14):
        saturation(w)
    if asked(slot, 21, 31):
        minor_species(w)
    for number in range(31):
        row = slot[number]
        if row >= 0:
            line = out[row, begin:end]
            for j in range(end - begin):
                line[j] = w[(OUT + number) * BLOCK + j]
