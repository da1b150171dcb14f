"""The account's table."""

import numpy as np
import pytest

from reeftally.errors import ShapeError
from reeftally.ledger import DRIVERS, State, account_table, decompose


def account(spread):
    rng = np.random.default_rng(5)
    return decompose(
        reef=State(28.4, 35.1, 2308.2, 2004.1 + rng.normal(0, spread, 400)),
        reference=State(28.4, 35.1, 2312.0, 1988.8), xco2_now=429.0, xco2_past=291.6, air_pressure=1011.0,
        gas_exchange_dic=-0.5, organic_dic=17.7 + rng.normal(0, spread, 400), mixing_line=None,
    )  # fmt: skip


def test_the_rows_add_up_and_carry_percentiles():
    found = account(2.0)
    rows = {row.driver: row for row in account_table(account=found)}

    assert list(rows) == [*DRIVERS, "local", "remainder", "total"]
    parts = sum(rows[d].value for d in DRIVERS)
    assert parts == pytest.approx(rows["total"].value, abs=1e-12)
    assert rows["local"].value == pytest.approx(
        sum(rows[d].value for d in ("organic", "carbonate", "gas_exchange")), abs=1e-12
    )
    organic = found.effect(quantity="ph_total", driver="organic")
    assert (rows["organic"].lower, rows["organic"].upper) == pytest.approx(tuple(np.quantile(organic, [0.025, 0.975])))
    assert rows["organic"].told_from_zero
    assert not rows["residual"].told_from_zero


def test_a_share_is_left_out_where_the_total_cannot_be_told_from_zero():
    rows = account_table(account=account(30.0), method="shapley_from_reference")

    assert all(np.isnan(row.share) for row in rows)
    shares = account_table(account=account(1.0))
    assert sum(row.share for row in shares if row.driver in DRIVERS) == pytest.approx(1.0, abs=1e-9)


def test_the_table_needs_trials_only():
    one = decompose(
        reef=State(28.4, 35.1, 2308.2, 2004.1), reference=State(28.4, 35.1, 2312.0, 1988.8), xco2_now=429.0,
        gas_exchange_dic=-0.5, organic_dic=17.7, mixing_line=None,
    )  # fmt: skip
    with pytest.raises(ShapeError, match="trials"):
        account_table(account=one)
