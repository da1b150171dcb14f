"""The room as a whole: public names, reasons."""

from __future__ import annotations

import numpy as np
import pytest

import reeftally
from reeftally import exchange
from reeftally.exchange import Reason


def test_every_public_name_can_be_had():
    for name in exchange.__all__:
        assert getattr(exchange, name) is not None

    assert callable(exchange.eddy_covariance)
    assert callable(reeftally.exchange.footprint)


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="nothing"):
        exchange.nothing  # noqa: B018


def test_every_reason_has_a_sentence_and_either_refuses_or_doubts():
    from reeftally.exchange._common import DOUBTING, refused

    for bit in Reason:
        if bit:
            assert len(exchange.reason_texts(int(bit))) == 1
            assert bool(refused(int(bit))) is not bool(bit & DOUBTING)
    assert exchange.reason_texts(0) == ()
    assert not refused(np.array([0, int(DOUBTING)])).any()
