"""The compiled account: every coalition of drivers solved, member by member.

Here:     exact Shapley values and first-order effects for many members (trials × blocks) at once.
Not here: formulas of the carbonate system, which are those of `seawater` (`_kernels`).
Rules:    one member at a time, so memory is that of the result. Constants are computed once for
          every pair of temperature and salinity that occurs (four in the usual account), not once a
          coalition. A coalition starts from what its two smaller coalitions predict,
          ``h[A∪b] ≈ h[A] h[b] / h[∅]``, so one or two evaluations of the alkalinity are enough.
          A member with a value missing or without a solution gives NaN.
"""

from __future__ import annotations

import math
import sys
import zlib
from functools import lru_cache
from types import FunctionType
from typing import Any

import numpy as np
from numba import njit
from numba.extending import register_jitable

from reeftally.seawater import _constants, _kernels_acid, _kernels_roots
from reeftally.seawater._kernels_acid import DIC, LN10, equilibrium
from reeftally.seawater._kernels_roots import H_HIGH, H_LOW, find_root, starting_value

__all__ = ["first_order", "shapley_members"]

_JIT: dict[str, Any] = {"cache": True, "error_model": "numpy", "nogil": True}
PH, OMEGA, HYDROGEN, FCO2 = 0, 1, 2, 3


def _fingerprint() -> int:
    """Return a number that changes with the code compiled into the kernels.

    The compiler's cache looks only at the file of the kernel itself; without this a corrected
    coefficient in `seawater` would go on being computed with the old machine code.
    """
    parts: list[object] = []
    for module in (_constants, _kernels_acid, _kernels_roots, sys.modules[__name__]):
        for name, value in sorted(vars(module).items()):
            if isinstance(value, FunctionType) and value.__module__ == module.__name__:
                code = value.__code__
                parts.append((name, code.co_code, repr(code.co_consts), code.co_names))
            elif isinstance(value, int | float):
                parts.append((name, value))
    return zlib.crc32(repr([p for p in parts if "0x" not in repr(p)]).encode())


@register_jitable(error_model="numpy")
def _outputs(h: float, dic: float, k: Any, tot: Any) -> Any:
    """Return pH, aragonite saturation, [H+] in nmol kg-1 and fCO2 in µatm."""
    q1 = h / k[2]
    q2 = q1 * h / k[1]
    c = dic / (1.0 + q1 + q2)
    return -math.log(h) / LN10, c * tot[3] / k[13], 1e9 * h, 1e6 * c * q2 / k[0]


@register_jitable(error_model="numpy")
def _root(ta: float, dic: float, guess: float, k: Any, tot: Any, tf: float) -> Any:
    if not dic >= 0.0:
        return math.nan
    if not (H_LOW < guess < H_HIGH):
        guess = starting_value(ta, dic, tot[0], k[1], k[2], k[3])
        guess = min(max(guess, H_LOW), H_HIGH)
    return find_root(ta, DIC, dic, guess, H_LOW, H_HIGH, False, k, tot, tf)


@register_jitable(error_model="numpy")
def _finite(start: Any, moved: Any, n: int, p: float, po4: float, si: float) -> bool:
    total = p + po4 + si
    for c in range(4):
        total += start[c, n]
        for j in range(moved.shape[0]):
            total += moved[j, c, n]
    return math.isfinite(total) and po4 >= 0.0 and si >= 0.0


@register_jitable(error_model="numpy")
def _in_range(t: float, s: float) -> bool:
    return -5.0 <= t <= 60.0 and 0.0 <= s <= 70.0


@register_jitable(error_model="numpy")
def _accumulate(values: Any, q: int, good: bool, size: int, shift: int, players: int, weights: Any, share: Any) -> None:
    """Fill `share` with the Shapley values of output `q` over coalitions that hold the first `shift`."""
    for j in range(share.size):
        share[j] = 0.0 if good else math.nan
    if not good:
        return
    first = values[shift, q]
    for own in range(size >> shift):
        value = values[(own << shift) | shift, q] - first
        for j in range(players):
            share[j] += weights[own, j] * value


@lru_cache(maxsize=1)
def shapley_members() -> Any:
    """Return the kernel of the exact splits, compiled on first use."""
    sources = _fingerprint()

    @njit(**_JIT)
    def kernel(
        start: Any,
        moved: Any,
        movers: int,
        with_global: bool,
        pressure: Any,
        phosphate: Any,
        silicate: Any,
        sets: Any,
        weights_past: Any,
        weights_reference: Any,
        pick: Any,
        past: Any,
        reference: Any,
        total_past: Any,
        total_reference: Any,
        begin: int,
        stop: int,
    ) -> None:
        """Fill effects and totals of all members.

        start (4, n); moved (players, 4, n): the last `movers` players are those that move temperature or
        salinity, player 0 is `global` if `with_global`. weights_past (2**players, players) and
        weights_reference (2**(players - with_global), players - with_global). pick: indices of outputs.
        past, reference (outputs, players, n); totals (outputs, n); an array of size 0 is not wanted.
        """
        players = moved.shape[0]
        size = 1 << players
        plain = players - movers
        shift = 1 if with_global else 0
        want_past = past.size > 0
        want_reference = reference.size > 0
        outputs = pick.size
        h = np.empty(size)
        values = np.empty((size, 4))
        sums = np.empty((size, 4))
        share = np.empty(players + 1)
        last = size - 1
        for n in range(begin, stop):
            p, po4, si = pressure[n], 1e-6 * phosphate[n], 1e-6 * silicate[n]
            good = sources >= 0 and _finite(start, moved, n, p, po4, si)
            if good:
                for c in range(4):
                    sums[0, c] = start[c, n]
                for group in range(1 << movers):
                    base = group << plain
                    if group > 0:
                        bit = 0
                        while not (group >> bit) & 1:
                            bit += 1
                        before = base ^ (1 << (plain + bit))
                        for c in range(4):
                            sums[base, c] = sums[before, c] + moved[plain + bit, c, n]
                    t, s = sums[base, 0], sums[base, 1]
                    if not _in_range(t, s):
                        good = False
                        break
                    k, tot, tf, _ = equilibrium(t, s, p, po4, si, 0.0, 0.0, True, sets)
                    for inner in range(1 << plain):
                        mask = base | inner
                        if inner > 0:
                            bit = 0
                            while not (inner >> bit) & 1:
                                bit += 1
                            before = mask ^ (1 << bit)
                            for c in range(2, 4):
                                sums[mask, c] = sums[before, c] + moved[bit, c, n]
                            guess = h[before] * h[1 << bit] / h[0] if before > 0 else h[0]
                        elif group > 0:
                            guess = h[before] * h[base ^ before] / h[0] if before > 0 else h[0]
                        else:
                            guess = 0.0
                        if not want_past and with_global and not mask & 1 and inner > 0 and mask & (mask - 1):
                            # Only coalitions with `global` count; keep what the prediction needs.
                            h[mask] = guess
                            continue
                        ta, dic = 1e-6 * sums[mask, 2], 1e-6 * sums[mask, 3]
                        found = _root(ta, dic, guess, k, tot, tf)
                        h[mask] = found
                        if not found > 0.0:
                            good = False
                            break
                        (
                            values[mask, PH],
                            values[mask, OMEGA],
                            values[mask, HYDROGEN],
                            values[mask, FCO2],
                        ) = _outputs(found, dic, k, tot)
                    if not good:
                        break
            for o in range(outputs):
                q = pick[o]
                if want_past:
                    _accumulate(values, q, good, size, 0, players, weights_past, share)
                    for j in range(players):
                        past[o, j, n] = share[j]
                    total_past[o, n] = values[last, q] - values[0, q] if good else math.nan
                if want_reference:
                    _accumulate(values, q, good, size, shift, players - shift, weights_reference, share)
                    for j in range(players):
                        reference[o, j, n] = share[j - shift] if j >= shift else share[players]
                    total_reference[o, n] = values[last, q] - values[shift, q] if good else math.nan

    return kernel


@lru_cache(maxsize=1)
def first_order() -> Any:
    """Return the kernel of the first-order split, compiled on first use."""
    sources = _fingerprint()

    @njit(**_JIT)
    def kernel(
        start: Any,
        end: Any,
        steps: Any,
        used: Any,
        pressure: Any,
        phosphate: Any,
        silicate: Any,
        sets: Any,
        pick: Any,
        partial: Any,
        total: Any,
        begin: int,
        stop: int,
    ) -> None:
        """Fill partial derivatives at the mid point (outputs, 4, n) and end minus start (outputs, n).

        Central differences with half-steps `steps` (4,); a component that nobody moves (`used`) is left zero.
        """
        state = np.empty(4)
        for n in range(begin, stop):
            p, po4, si = pressure[n], 1e-6 * phosphate[n], 1e-6 * silicate[n]
            for o in range(pick.size):
                total[o, n] = 0.0
                for c in range(4):
                    partial[o, c, n] = 0.0
            good = sources >= 0 and math.isfinite(p + po4 + si) and po4 >= 0.0 and si >= 0.0
            for c in range(4):
                good = good and math.isfinite(start[c, n] + end[c, n])
            guess = 0.0
            # Eight shifted mid points, then start and end.
            for which in range(10):
                if not good:
                    break
                component = which // 2
                if which < 8:
                    if not used[component]:
                        continue
                    for c in range(4):
                        state[c] = 0.5 * (start[c, n] + end[c, n])
                    sign = 1.0 if which % 2 == 0 else -1.0
                    state[component] += sign * steps[component]
                else:
                    sign = -1.0 if which == 8 else 1.0
                    for c in range(4):
                        state[c] = start[c, n] if which == 8 else end[c, n]
                if not _in_range(state[0], state[1]):
                    good = False
                    break
                k, tot, tf, _ = equilibrium(state[0], state[1], p, po4, si, 0.0, 0.0, True, sets)
                dic = 1e-6 * state[3]
                found = _root(1e-6 * state[2], dic, guess, k, tot, tf)
                if not found > 0.0:
                    good = False
                    break
                guess = found
                values = _outputs(found, dic, k, tot)
                for o in range(pick.size):
                    value = values[pick[o]]
                    if which < 8:
                        partial[o, component, n] += sign * value / (2.0 * steps[component])
                    else:
                        total[o, n] += sign * value
            if not good:
                for o in range(pick.size):
                    total[o, n] = math.nan
                    for c in range(4):
                        partial[o, c, n] = math.nan

    return kernel
