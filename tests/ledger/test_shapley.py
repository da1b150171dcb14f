"""Shapley values: the axioms that make them unique, and games with a known answer."""

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reeftally.errors import ShapeError
from reeftally.ledger import coalition_weights, shapley_values

finite = st.floats(-1e3, 1e3)
games = st.integers(1, 5).flatmap(lambda n: st.lists(finite, min_size=1 << n, max_size=1 << n).map(np.array))


def by_orders(values):
    """Average marginal contribution over all orders: Shapley 1953, the other way to write it."""
    players = len(values).bit_length() - 1
    found = np.zeros(players)
    orders = list(permutations(range(players)))
    for order in orders:
        mask = 0
        for player in order:
            found[player] += values[mask | 1 << player] - values[mask]
            mask |= 1 << player
    return found / len(orders)


@given(games)
def test_the_weights_average_over_all_orders(values):
    assert shapley_values(values) == pytest.approx(by_orders(values), abs=1e-9)


@given(games)
def test_the_values_sum_to_all_minus_none(values):
    assert shapley_values(values).sum() == pytest.approx(values[-1] - values[0], abs=1e-9)


@given(games, finite, finite)
def test_the_values_are_linear_in_the_game(values, factor, shift):
    found = shapley_values(factor / 100 * values + shift)

    assert found == pytest.approx(factor / 100 * shapley_values(values), abs=1e-8)


@given(games)
def test_a_player_who_changes_nothing_gets_nothing_and_leaves_the_others_alone(values):
    wider = np.concatenate([values, values])  # the new player is the highest bit

    found = shapley_values(wider)

    assert found[-1] == pytest.approx(0.0, abs=1e-9)
    assert found[:-1] == pytest.approx(shapley_values(values), abs=1e-9)


def test_two_players_share_the_interaction_equally():
    # f00, f10, f01, f11 of the worked two-driver case in pH (check values, four printed digits)
    found = shapley_values([8.1771, 8.0369, 8.0508, 7.8882])

    # global 0.5[(f10-f00)+(f11-f01)], local 0.5[(f01-f00)+(f11-f10)]
    assert found == pytest.approx([-0.1514, -0.1375], abs=1e-4)


def test_the_glove_game_gives_two_thirds_to_the_rare_glove():
    # One left glove (player 0), two right gloves: 2/3, 1/6, 1/6 (standard textbook example, from memory).
    value = [0, 0, 0, 1, 0, 1, 0, 1]

    assert shapley_values(value) == pytest.approx([2 / 3, 1 / 6, 1 / 6], abs=1e-15)


def test_a_game_that_is_not_a_power_of_two_is_refused():
    with pytest.raises(ShapeError, match=r"2\*\*n"):
        shapley_values([0.0, 1.0, 2.0])


def test_no_players_no_values():
    assert coalition_weights(0).shape == (0, 1)
    assert shapley_values([3.0]).shape == (0,)
