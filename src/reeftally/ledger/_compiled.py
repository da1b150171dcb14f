"""The way from whole arrays to the compiled account and back.

Here:     which drivers play, which of them move temperature or salinity, pieces of work for threads.
Not here: the loop over coalitions (`_coalitions`), definitions (`account`).
Rules:    results do not depend on the number of threads: members are independent.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TYPE_CHECKING

import numba
import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float
from reeftally.ledger.shapley import coalition_weights

if TYPE_CHECKING:
    from reeftally.seawater.carbonate import Constants

__all__ = ["run_compiled"]

_OUTPUTS = {"ph_total": 0, "aragonite_saturation": 1, "hydrogen_ion": 2, "fco2": 3}
_THREAD_WORTH = 2000
"""Members below which one thread is quicker than two."""

Table = dict[str, dict[str, FloatArray]]


def _line(value: npt.ArrayLike, shape: tuple[int, ...]) -> FloatArray:
    return np.ascontiguousarray(np.broadcast_to(as_float("condition", value), shape)).reshape(-1)


def run_compiled(
    *,
    start: FloatArray,
    increments: FloatArray,
    pressure: npt.ArrayLike,
    phosphate: npt.ArrayLike,
    silicate: npt.ArrayLike,
    quantities: tuple[str, ...],
    methods: tuple[str, ...],
    steps: FloatArray,
    constants: Constants | None,
) -> tuple[Table, Table, int]:
    """Effects and totals by method and quantity, and the number of solves.

    Parameters
    ----------
    start : ndarray, shape (4, ...)
    increments : ndarray, shape (drivers, 4, ...)
        Driver 0 is `global`.
    steps : ndarray, shape (4,)
        Half-steps of the first-order split.
    constants : Constants or None
        None takes the defaults of `seawater`.
    """
    from reeftally.ledger import _coalitions
    from reeftally.seawater.carbonate import Constants

    sets = (constants if constants is not None else Constants()).codes()
    drivers, shape = increments.shape[0], start.shape[1:]
    size = int(np.prod(shape))
    flat_start = np.ascontiguousarray(start.reshape(4, size))
    flat_moved = np.ascontiguousarray(increments.reshape(drivers, 4, size))
    p, po4, si = (_line(value, shape) for value in (pressure, phosphate, silicate))
    # A driver that is null in every member changes nothing; leaving it out of the game is exact.
    active = [i for i in range(drivers) if np.any(flat_moved[i] != 0.0)]
    movers = [i for i in active if np.any(flat_moved[i, :2] != 0.0)]
    players = [i for i in active if i not in movers] + movers
    with_global = bool(players) and players[0] == 0
    count = len(players)
    chosen = np.ascontiguousarray(flat_moved[players])
    pick = np.array([_OUTPUTS[q] for q in quantities], dtype=np.int64)
    effects: Table = {}
    totals: Table = {}
    solves = 0
    want = [name for name in ("shapley_from_past", "shapley_from_reference") if name in methods]
    if want:
        results = {
            name: np.empty((pick.size, count, size) if name in want else (0, 0, 0))
            for name in ("shapley_from_past", "shapley_from_reference")
        }
        sums = {name: np.empty((pick.size, size)) for name in results}
        weights_past = np.ascontiguousarray(coalition_weights(count).T)
        weights_reference = np.ascontiguousarray(coalition_weights(count - with_global).T)

        kernel = _coalitions.shapley_members()

        def exact(a: int, b: int) -> None:
            kernel(
                flat_start,
                chosen,
                len(movers),
                with_global,
                p,
                po4,
                si,
                sets,
                weights_past,
                weights_reference,
                pick,
                results["shapley_from_past"],
                results["shapley_from_reference"],
                sums["shapley_from_past"],
                sums["shapley_from_reference"],
                a,
                b,
            )

        _in_threads(exact, size)
        solves += size << count if "shapley_from_past" in want else size << (count - with_global)
        for name in want:
            whole = np.zeros((pick.size, drivers, size))
            whole[:, players] = results[name]
            # A member without an answer has none for the drivers left out either.
            whole[np.broadcast_to(np.isnan(sums[name])[:, None], whole.shape)] = np.nan
            effects[name] = {q: whole[o].reshape(drivers, *shape) for o, q in enumerate(quantities)}
            totals[name] = {q: sums[name][o].reshape(shape) for o, q in enumerate(quantities)}
    if "taylor" in methods:
        flat_end = flat_start + flat_moved.sum(axis=0)
        used = np.array([bool(np.any(flat_moved[:, c] != 0.0)) for c in range(4)])
        partial, total = np.empty((pick.size, 4, size)), np.empty((pick.size, size))

        partials = _coalitions.first_order()

        def first(a: int, b: int) -> None:
            partials(
                flat_start,
                flat_end,
                steps,
                used,
                p,
                po4,
                si,
                sets,
                pick,
                partial,
                total,
                a,
                b,
            )

        _in_threads(first, size)
        solves += size * (2 * int(used.sum()) + 2)
        effects["taylor"] = {
            q: np.einsum("cn,dcn->dn", partial[o], flat_moved).reshape(drivers, *shape)
            for o, q in enumerate(quantities)
        }
        totals["taylor"] = {q: total[o].reshape(shape) for o, q in enumerate(quantities)}
    return effects, totals, solves


def _in_threads(work: Callable[[int, int], None], size: int) -> None:
    """Run ``work(start, stop)`` over all members, side by side where that pays."""
    threads = int(numba.config.NUMBA_NUM_THREADS)
    if threads < 2 or size < _THREAD_WORTH:
        work(0, size)
        return
    edges = [size * part // threads for part in range(threads + 1)]
    with ThreadPoolExecutor(threads) as pool:
        for future in [pool.submit(work, a, b) for a, b in pairwise(edges)]:
            future.result()
