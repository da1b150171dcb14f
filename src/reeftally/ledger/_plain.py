"""The account on any solver of the carbonate system, coalition by coalition.

Here:     all coalitions with whole-array calls of a given solver, and the first-order split.
Not here: the compiled account (`_coalitions`), which gives the same numbers faster.
Rules:    memory is that of the result; the solver sees one coalition at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.ledger.drivers import DRIVERS
from reeftally.ledger.shapley import coalition_weights
from reeftally.ledger.states import COMPONENTS

__all__ = ["STEP", "Solver", "run_with_solver"]

Solver = Callable[..., Mapping[str, npt.ArrayLike]]
"""``f(total_alkalinity=, dic=, temperature=, salinity=)`` gives a mapping of quantities."""

STEP = {"temperature": 0.05, "salinity": 0.05, "total_alkalinity": 0.5, "dic": 0.5}
"""Half-steps of the central differences of the first-order split [°C, 1, µmol kg-1, µmol kg-1]."""

_Result = tuple[dict[str, dict[str, FloatArray]], dict[str, dict[str, FloatArray]], int]


def run_with_solver(
    *,
    start: FloatArray,
    increments: FloatArray,
    pressure: npt.ArrayLike,
    phosphate: npt.ArrayLike,
    silicate: npt.ArrayLike,
    quantities: tuple[str, ...],
    methods: tuple[str, ...],
    solver: Solver,
) -> _Result:
    """Evaluate all coalitions with whole-array calls of `solver`; memory is that of the result."""
    solve = _as_evaluator(solver, quantities, pressure, phosphate, silicate)
    # Players that are null in every member change nothing; leaving them out is exact.
    active = [i for i in range(len(DRIVERS)) if np.any(increments[i] != 0.0)]
    count = len(active)
    shape = start.shape[1:]
    effects: dict[str, dict[str, FloatArray]] = {}
    totals: dict[str, dict[str, FloatArray]] = {}
    solves = 0
    games: list[tuple[str, list[int], FloatArray]] = []
    exact = [name for name in methods if name != "taylor"]
    if "shapley_from_past" in exact:
        games.append(("shapley_from_past", active, coalition_weights(count)))
    local = [i for i in active if i != 0]
    if "shapley_from_reference" in exact:
        games.append(("shapley_from_reference", local, coalition_weights(len(local))))
    for name, _, _ in games:
        effects[name] = {q: np.zeros((len(DRIVERS), *shape)) for q in quantities}
        totals[name] = {}
    if games:
        has_global = 0 in active
        for mask in range(1 << count):
            members = [active[bit] for bit in range(count) if mask >> bit & 1]
            if "shapley_from_past" not in exact and has_global and 0 not in members:
                continue
            found = solve(start + increments[members].sum(axis=0))
            solves += int(np.prod(shape))
            for name, players, weights in games:
                if name == "shapley_from_reference" and has_global and 0 not in members:
                    continue
                own = sum(1 << bit for bit, player in enumerate(players) if player in members)
                for q in quantities:
                    for bit, player in enumerate(players):
                        effects[name][q][player] += weights[bit, own] * found[q]
                    if own == 0:
                        totals[name][q] = -found[q]
                    if own == (1 << len(players)) - 1:
                        totals[name][q] = totals[name].get(q, np.zeros(shape)) + found[q]
    if "taylor" in methods:
        effects["taylor"], totals["taylor"], more = _first_order(start, increments, solve, quantities)
        solves += more
    return effects, totals, solves


_Evaluator = Callable[[FloatArray], Mapping[str, FloatArray]]


def _as_evaluator(
    solver: Solver,
    quantities: tuple[str, ...],
    pressure: npt.ArrayLike,
    phosphate: npt.ArrayLike,
    silicate: npt.ArrayLike,
) -> _Evaluator:
    """Return a function of one stacked state; passes on only what is not zero."""
    extra = {"pressure": pressure, "phosphate": phosphate, "silicate": silicate}
    extra = {name: value for name, value in extra.items() if np.any(np.asarray(value) != 0.0)}
    needed = tuple({"hydrogen_ion": "ph_total"}.get(q, q) for q in quantities)

    def evaluate(state: FloatArray) -> Mapping[str, FloatArray]:
        found = solver(
            temperature=state[0],
            salinity=state[1],
            total_alkalinity=state[2],
            dic=state[3],
            outputs=tuple(dict.fromkeys(needed)),
            **extra,
        )
        result = {name: np.asarray(found[name], dtype=np.float64) for name in needed}
        if "hydrogen_ion" in quantities:
            result["hydrogen_ion"] = 1e9 * 10.0 ** -result["ph_total"]
        return result

    return evaluate


def _first_order(
    start: FloatArray, increments: FloatArray, solve: _Evaluator, quantities: tuple[str, ...]
) -> tuple[dict[str, FloatArray], dict[str, FloatArray], int]:
    """Partial derivatives at the mid point (central differences) times increments."""
    end = start + increments.sum(axis=0)
    middle = 0.5 * (start + end)
    effects = {q: np.zeros(increments.shape[:1] + start.shape[1:]) for q in quantities}
    solves = 0
    for index, name in enumerate(COMPONENTS):
        if not np.any(increments[:, index] != 0.0):
            continue
        up, down = middle.copy(), middle.copy()
        up[index] += STEP[name]
        down[index] -= STEP[name]
        high, low = solve(up), solve(down)
        solves += 2 * int(np.prod(start.shape[1:]))
        for q in quantities:
            effects[q] += (high[q] - low[q]) / (2.0 * STEP[name]) * increments[:, index]
    first, last = solve(start), solve(end)
    return effects, {q: last[q] - first[q] for q in quantities}, solves + 2 * int(np.prod(start.shape[1:]))
