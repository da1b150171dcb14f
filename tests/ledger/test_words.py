"""Words for probabilities."""

import pytest

from reeftally.ledger._words import chance


@pytest.mark.parametrize(
    ("p", "words"),
    [(0.5, "p = 0.5"), (0.034, "p = 0.034"), (0.001, "p = 0.001"), (8.6e-154, "p < 0.001"), (0.0, "p < 0.001")],
)
def test_small_probabilities_are_not_given_to_a_hundred_zeros(p, words):
    assert chance(p) == words
