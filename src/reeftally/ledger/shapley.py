"""Exact Shapley values over all coalitions.

Here:     the weights, and the values of a set function given on all coalitions.
Not here: what the function is (`account` gives the carbonate system).
Rules:    exact, order-independent, additive: the values sum to f(all) − f(none) up to rounding; a
          player that changes nothing gets exactly zero because it is left out of the game.

Source: Shapley 1953, in Contributions to the Theory of Games II, 307-317:
``φ_i = Σ_{S∌i} |S|! (n−|S|−1)! / n! · [f(S∪i) − f(S)]``.
"""

from __future__ import annotations

from math import comb

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.errors import ShapeError

__all__ = ["coalition_weights", "shapley_values"]


def coalition_weights(players: int) -> FloatArray:
    """Weights of every coalition in every player's value.

    Parameters
    ----------
    players : int
        Number of players n, 0 to 16.

    Returns
    -------
    ndarray, shape (n, 2**n)
        ``φ = weights @ f`` where ``f[mask]`` is the value of the coalition whose members are the set
        bits of ``mask``.
    """
    masks = np.arange(1 << players)
    size = np.zeros(masks.size, dtype=np.int64)
    for player in range(players):
        size += (masks >> player) & 1
    weights = np.empty((players, masks.size))
    # |S|!(n-|S|-1)!/n! = 1 / (n C(n-1, |S|))
    factor = np.array([1.0 / (players * comb(players - 1, s)) for s in range(players)])
    for player in range(players):
        member = ((masks >> player) & 1).astype(bool)
        weights[player, member] = factor[size[member] - 1]
        weights[player, ~member] = -factor[size[~member]]
    return weights


def shapley_values(values: npt.ArrayLike) -> FloatArray:
    """Shapley values of a function given on all coalitions.

    Parameters
    ----------
    values : array_like, shape (2**n, ...)
        ``values[mask]``: value of the coalition of the set bits of ``mask``.

    Returns
    -------
    ndarray, shape (n, ...)

    Raises
    ------
    ShapeError
        The first axis is not a power of two.
    """
    array = np.asarray(values, dtype=np.float64)
    players = int(array.shape[0]).bit_length() - 1
    if array.ndim == 0 or array.shape[0] != 1 << players:
        message = f"values has first axis {array.shape[:1]}; it needs 2**n coalitions."
        raise ShapeError(message)
    return np.asarray(np.tensordot(coalition_weights(players), array, axes=1))
