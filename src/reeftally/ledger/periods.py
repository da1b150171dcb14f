"""Accounts of longer periods, and of a reference water that may be wrong.

Here:     `combine_periods` (night + day = 24 h, days = mission), `sensitivity_to_reference`.
Not here: the account itself (`account`).
Rules:    a period's account is the mean of its blocks' accounts, so parts still add up and night and
          day weighted by their hours equal the 24 h; the account of the mean state differs from it by
          the curvature of the chemistry.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float
from reeftally.errors import InputError, ShapeError
from reeftally.ledger.account import Account, decompose
from reeftally.ledger.drivers import LOCAL_MADE
from reeftally.ledger.states import State

__all__ = ["ReferenceShift", "combine_periods", "sensitivity_to_reference"]


def combine_periods(*, accounts: Sequence[Account], hours: Sequence[float]) -> Account:
    """Account of several periods together, weighted by their length.

    Parameters
    ----------
    accounts : sequence of Account
        With the same drivers, methods, quantities and shape (trials first when there are trials).
    hours : sequence of float
        Length of each period, or of the part of it that was measured [h].

    Returns
    -------
    Account

    Raises
    ------
    ShapeError
        Different numbers of accounts and hours, or members that do not match.
    InputError
        A negative length, or all zero; different methods or quantities.
    """
    if not accounts or len(accounts) != len(hours):
        message = f"There are {len(accounts)} accounts and {len(hours)} lengths; it needs as many."
        raise ShapeError(message)
    weight = as_float("hours", hours)
    if np.any(weight < 0.0) or weight.sum() <= 0.0:
        message = f"hours is {list(hours)}; it needs lengths of zero or more, not all zero."
        raise InputError(message)
    first = accounts[0]
    for other in accounts[1:]:
        same = other.drivers == first.drivers and _layout(other) == _layout(first)
        if not same:
            message = "The accounts differ in drivers, methods or quantities; combine like with like."
            raise InputError(message)
        if other.end.shape != first.end.shape:
            message = f"The accounts have members {first.end.shape[1:]} and {other.end.shape[1:]}."
            raise ShapeError(message)
    share = weight / weight.sum()

    def mean(parts: list[FloatArray]) -> FloatArray:
        return np.asarray(np.tensordot(share, np.stack(parts), axes=1))

    return Account(
        drivers=first.drivers,
        increments=mean([a.increments for a in accounts]),
        start=mean([a.start for a in accounts]),
        reference=mean([a.reference for a in accounts]),
        end=mean([a.end for a in accounts]),
        effects={m: {q: mean([a.effects[m][q] for a in accounts]) for q in by} for m, by in first.effects.items()},
        totals={m: {q: mean([a.totals[m][q] for a in accounts]) for q in by} for m, by in first.totals.items()},
        solves=sum(a.solves for a in accounts),
        code=np.asarray(np.max([a.code for a in accounts], axis=0), dtype=np.int32),
        dims=first.dims,
        coords=first.coords,
    )


def _layout(account: Account) -> list[tuple[str, list[str]]]:
    return [(method, list(by)) for method, by in account.effects.items()]


@dataclass(frozen=True)
class ReferenceShift:
    """What the account would be if the reference water's pH were off by `ph_shift`."""

    ph_shift: float
    account: Account
    reef_minus_reference: FloatArray
    """Change of the whole difference reef − reference in pH (from today's reference water)."""
    by_driver: dict[str, FloatArray]
    """Change of each driver's effect on pH, and of ``local`` (their sum made here)."""


def sensitivity_to_reference(
    *,
    reference: State,
    ph_shift: float = 0.01,
    pressure: npt.ArrayLike = 0.0,
    **arguments: Any,
) -> tuple[Account, ReferenceShift, ReferenceShift]:
    """Account as it is, and with the reference water's pH higher and lower.

    The shift acts at constant alkalinity, so the reference DIC moves; reef water, oxygen and gas
    exchange stay as they are. A reference read too high by 0.010 makes the reef look more acid by
    0.010: the difference reef − reference moves by exactly −`ph_shift`. It falls to `residual` when
    the organic part comes from oxygen or fluxes, because those do not see the reference DIC.

    Parameters
    ----------
    reference : State
        As measured.
    ph_shift : float
        Size of the error tried [pH].
    pressure : array_like
        [dbar]
    **arguments
        All other arguments of `decompose`; `methods` is set to the two exact splits.

    Returns
    -------
    as_measured, higher, lower
    """
    from reeftally.seawater import carbonate

    arguments = {**arguments, "methods": ("shapley_from_past", "shapley_from_reference"), "pressure": pressure}
    conditions: dict[str, Any] = {
        "temperature": reference.temperature,
        "salinity": reference.salinity,
        "pressure": pressure,
        "phosphate": arguments.get("phosphate", 0.0),
        "silicate": arguments.get("silicate", 0.0),
    }
    if arguments.get("constants") is not None:
        conditions["constants"] = arguments["constants"]
    measured = carbonate.solve(
        total_alkalinity=reference.total_alkalinity, dic=reference.dic, outputs=("ph_total",), **conditions
    )["ph_total"]
    base = decompose(reference=reference, **arguments)
    shifted = []
    for sign in (1.0, -1.0):
        dic = carbonate.solve(
            total_alkalinity=reference.total_alkalinity,
            ph_total=np.asarray(measured) + sign * ph_shift,
            outputs=("dic",),
            **conditions,
        )["dic"]
        other = decompose(reference=reference.with_dic(dic), **arguments)
        shifted.append(_difference(base, other, sign * ph_shift))
    return base, shifted[0], shifted[1]


def _difference(base: Account, other: Account, shift: float) -> ReferenceShift:
    method, quantity = "shapley_from_reference", "ph_total"
    table = other.effects[method][quantity] - base.effects[method][quantity]
    by_driver = {name: np.asarray(table[i]) for i, name in enumerate(base.drivers)}
    by_driver["local"] = np.asarray(sum(by_driver[name] for name in LOCAL_MADE))
    return ReferenceShift(
        ph_shift=shift,
        account=other,
        reef_minus_reference=np.asarray(other.totals[method][quantity] - base.totals[method][quantity]),
        by_driver=by_driver,
    )
