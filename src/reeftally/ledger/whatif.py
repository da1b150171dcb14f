"""The account anew when something that was assumed were otherwise: the reference's pH, the residence time, PQ.

Here:     `what_if`: two exact splits from the numbers that a run keeps, as stated and as asked.
Not here: intervals (those of the run hold for the account as stated), the run itself.
Rules:    what is asked changes alone, all else stays; the shift of every part is told beside its value. Reef water, air
          and bottles are as measured.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from reeftally._checks import require_range
from reeftally.errors import InputError
from reeftally.ledger.account import Account, decompose
from reeftally.ledger.states import MixingLine, State

__all__ = ["INPUT_NAMES", "WhatIf", "what_if"]

INPUT_NAMES = (
    "reef_temperature", "reef_salinity", "reef_total_alkalinity", "reef_dic", "reef_oxygen",
    "reference_temperature", "reference_salinity", "reference_total_alkalinity", "reference_dic", "reference_oxygen",
    "xco2_now", "xco2_past", "air_pressure", "oxygen_gas_exchange", "dic_gas_exchange", "pq", "residence_time",
    "alkalinity_at_zero_salinity", "dic_at_zero_salinity", "pressure",
)  # fmt: skip
"""What `what_if` needs of a period; a run keeps it in `trail.json` under `account_inputs`."""

_METHODS = ("shapley_from_past", "shapley_from_reference")


@dataclass(frozen=True, slots=True)
class WhatIf:
    """One account as stated and as asked; parts are changes of pH by driver, with ``local`` and ``total``."""

    stated: dict[str, dict[str, float]]
    """By method."""
    asked: dict[str, dict[str, float]]
    shift: dict[str, dict[str, float]]
    """Asked minus stated."""
    sentence: str


def _parts(account: Account) -> dict[str, dict[str, float]]:
    out = {}
    for method in _METHODS:
        names = (*account.drivers, "local")
        parts = {n: float(account.effect(quantity="ph_total", driver=n, method=method)) for n in names}
        parts["total"] = float(account.total(quantity="ph_total", method=method))
        out[method] = parts
    return out


def what_if(
    *,
    inputs: Mapping[str, float],
    reference_ph_offset: float = 0.0,
    residence_time: float | None = None,
    pq: float | None = None,
    constants: Any = None,
) -> WhatIf:
    """Return the account of a period if the reference water's pH, the residence time or PQ were otherwise.

    Parameters
    ----------
    inputs : mapping
        Mean state of the period, by `INPUT_NAMES`: temperatures [°C], salinities, alkalinity, DIC and oxygen
        [µmol kg-1], dry mole fractions of CO2 [µmol mol-1], air pressure [hPa], oxygen and DIC that came through
        the surface since the water left the reference [µmol kg-1], residence time [h], pressure [dbar].
    reference_ph_offset : float
        What the reference water's pH would be higher by, at its alkalinity.
    residence_time : float, optional
        In place of the stated one [h]. What came through the surface goes with it: a steady exchange over the
        time that the water stays.
    pq : float, optional
        O2 : C, in place of the stated one.
    constants : seawater.carbonate.Constants, optional
        As in `decompose`.

    Returns
    -------
    WhatIf

    Raises
    ------
    InputError
        A number that is needed is missing or not finite, or a wish lies outside 0.5 to 2 (PQ), 0.1 to 10000 h, or
        ±0.5 pH.
    """
    from reeftally.seawater import carbonate

    missing = [name for name in INPUT_NAMES if name not in inputs or not np.isfinite(float(inputs[name]))]
    if missing:
        message = f"inputs lacks {', '.join(missing)}."
        raise InputError(message)
    value = {name: float(inputs[name]) for name in INPUT_NAMES}
    time = value["residence_time"] if residence_time is None else float(residence_time)
    quotient = value["pq"] if pq is None else float(pq)
    require_range("reference_ph_offset", reference_ph_offset, -0.5, 0.5)
    require_range("residence_time", time, 0.1, 1e4)
    require_range("pq", quotient, 0.5, 2.0)

    def account(dic: float, stay: float, ratio: float) -> Account:
        return decompose(
            reef=State(
                value["reef_temperature"], value["reef_salinity"], value["reef_total_alkalinity"], value["reef_dic"]
            ),
            reference=State(
                value["reference_temperature"],
                value["reference_salinity"],
                value["reference_total_alkalinity"],
                dic,
            ),
            xco2_now=value["xco2_now"],
            xco2_past=value["xco2_past"],
            air_pressure=value["air_pressure"],
            oxygen_reef=value["reef_oxygen"],
            oxygen_reference=value["reference_oxygen"],
            oxygen_gas_exchange=value["oxygen_gas_exchange"] * stay,
            gas_exchange_dic=value["dic_gas_exchange"] * stay,
            pq=ratio,
            mixing_line=MixingLine(value["alkalinity_at_zero_salinity"], value["dic_at_zero_salinity"]),
            pressure=value["pressure"],
            methods=_METHODS,
            **({} if constants is None else {"constants": constants}),
        )

    dic = value["reference_dic"]
    if reference_ph_offset != 0.0:
        water: dict[str, Any] = {
            "total_alkalinity": value["reference_total_alkalinity"],
            "temperature": value["reference_temperature"],
            "salinity": value["reference_salinity"],
            "pressure": value["pressure"],
        } | ({} if constants is None else {"constants": constants})
        ph = float(carbonate.solve(dic=dic, outputs=("ph_total",), **water)["ph_total"])
        dic = float(carbonate.solve(ph_total=ph + reference_ph_offset, outputs=("dic",), **water)["dic"])
    stated = _parts(account(value["reference_dic"], 1.0, value["pq"]))
    asked = _parts(account(dic, time / value["residence_time"], quotient))
    shift = {m: {name: asked[m][name] - stated[m][name] for name in stated[m]} for m in _METHODS}
    return WhatIf(stated, asked, shift, _sentence(shift["shapley_from_reference"], asked["shapley_from_reference"]))


def _sentence(shift: Mapping[str, float], asked: Mapping[str, float]) -> str:
    moved = {k: v for k, v in shift.items() if abs(v) >= 5e-5 and k not in ("total", "local")}
    listed = ", ".join(f"{name.replace('_', ' ')} {v:+.4f}" for name, v in moved.items()) or "nothing by 0.0001 or more"
    return (
        f"Reef minus reference would be {asked['total']:+.4f} pH (shift {shift['total']:+.4f}), the parts made here "
        f"{asked['local']:+.4f} (shift {shift['local']:+.4f}). What moves: {listed}."
    )
