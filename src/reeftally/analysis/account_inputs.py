"""The numbers behind the account of each period, kept so that the account can be asked anew.

Here:     mean state, reference water, air and quotient of every period at their central values.
Not here: asking (`reeftally.ledger.what_if`), the trials of the account (`estimate_account`).
Rules:    central values only: random and systematic terms at their means, as the trail says.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from reeftally.analysis.account import account_arguments, gas_passage, what_is_missing
from reeftally.analysis.estimates import iso
from reeftally.analysis.water import solve_water
from reeftally.uncertainty import Trials

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = ["account_inputs"]


def account_inputs(chain: Chain) -> list[dict[str, Any]]:
    """Return period, start, end and the inputs of `ledger.what_if` for every period with an account."""
    context, air = chain.context, chain.air
    if air is None or chain.account is None or not chain.account.drivers:
        return []
    trials = Trials(seed=context.book.analysis.seed, size=2).without_random().without_systematic()
    water = solve_water(context, chain.model, trials)
    if what_is_missing(context, water, air):
        return []
    passage = gas_passage(context, chain.grid, water, air, trials, {})
    out = []
    for span in chain.spans:
        use = chain.grid.mids_in(span.start_ns, span.end_ns)
        found = account_arguments(context, water, passage, air, trials, use, {})
        if found is None:
            continue
        reef, reference, line = found["reef"], found["reference"], found["mixing_line"]
        state = {
            f"{side}_{name}": getattr(held, name)
            for side, held in (("reef", reef), ("reference", reference))
            for name in ("temperature", "salinity", "total_alkalinity", "dic")
        }
        numbers = state | {
            "reef_oxygen": found["oxygen_reef"],
            "reference_oxygen": found["oxygen_reference"],
            "xco2_now": found["xco2_now"],
            "xco2_past": found["xco2_past"],
            "air_pressure": found["air_pressure"],
            "oxygen_gas_exchange": found["oxygen_gas_exchange"],
            "dic_gas_exchange": found["gas_exchange_dic"],
            "pq": found["pq"],
            "residence_time": passage.residence_h,
            "alkalinity_at_zero_salinity": line.alkalinity_at_zero,
            "dic_at_zero_salinity": line.dic_at_zero,
            "pressure": found["pressure"],
        }
        out.append(
            {
                "period": span.kind,
                "start": iso(span.start_ns),
                "end": iso(span.end_ns),
                "inputs": {name: float(np.asarray(number).ravel()[0]) for name, number in numbers.items()},
            }
        )
    return out
