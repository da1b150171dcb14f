"""The drivers of the account and what each moved.

Here:     increments of temperature, salinity, alkalinity and DIC for each driver, from the past (or
          from today's reference water) to the reef.
Not here: what an increment does to pH (`account`).
Rules:    the increments of all drivers sum to end minus start in every member; what no driver
          explains is the residual, a driver of its own.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_range
from reeftally.errors import InputError, ShapeError
from reeftally.ledger.states import COMPONENTS, MixingLine, State, stacked_pair

__all__ = [
    "DRIVERS",
    "LOCAL_MADE",
    "concentration_from_flux",
    "driver_increments",
    "nutrient_alkalinity",
    "organic_dic_from_oxygen",
]

DRIVERS = ("global", "temperature", "freshwater", "carbonate", "gas_exchange", "organic", "residual")
"""All drivers, in the order of every array of this room."""

LOCAL_MADE = ("organic", "carbonate", "gas_exchange")
"""Drivers whose sum is `ph_change_local`."""

_T, _S, _TA, _DIC = range(4)


def concentration_from_flux(
    *,
    flux: npt.ArrayLike,
    residence_time: npt.ArrayLike,
    depth: npt.ArrayLike,
    density: npt.ArrayLike,
) -> FloatArray:
    """Change of concentration that a flux makes while the water stays.

    ``flux × residence / (depth × density)``: one box, mixed over `depth`.

    Parameters
    ----------
    flux : array_like
        Into the water, through the bed or the surface [mmol m-2 h-1].
    residence_time : array_like
        Time since the water left the reference [h].
    depth : array_like
        Mean depth of the water that is mixed [m].
    density : array_like
        [kg m-3].

    Returns
    -------
    ndarray
        [µmol kg-1].

    Raises
    ------
    OutOfRangeError
        Depth not positive or above 200 m, density not that of water, residence negative.

    Source: Falter et al. 2013 (offset scales with benthic flux × residence / depth).
    """
    require_range("residence_time", residence_time, 0.0, 1e5, "h")
    require_range("depth", depth, 1e-3, 200.0, "m")
    require_range("density", density, 900.0, 1100.0, "kg m-3", "Give kg per cubic metre.")
    product = as_float("flux", flux) * as_float("residence_time", residence_time)
    return np.asarray(1000.0 * product / (as_float("depth", depth) * as_float("density", density)))


def organic_dic_from_oxygen(
    *,
    oxygen_reef: npt.ArrayLike,
    oxygen_reference: npt.ArrayLike,
    oxygen_gas_exchange: npt.ArrayLike,
    pq: npt.ArrayLike,
) -> FloatArray:
    """DIC released by net respiration, from the oxygen that is missing.

    ``−(O2_reef − O2_reference − O2_gas) / PQ``.

    Parameters
    ----------
    oxygen_reef, oxygen_reference : array_like
        [µmol kg-1].
    oxygen_gas_exchange : array_like
        Oxygen that came in through the surface since the water left the reference [µmol kg-1]; water
        below saturation gains, so the number is positive there.
    pq : array_like
        O2 : C of net community production.

    Returns
    -------
    ndarray
        [µmol kg-1], positive for respiration.
    """
    require_range("pq", pq, 0.3, 3.0, "mol O2 per mol C", "PQ is O2 : C, near 1.")
    biological = (
        as_float("oxygen_reef", oxygen_reef)
        - as_float("oxygen_reference", oxygen_reference)
        - as_float("oxygen_gas_exchange", oxygen_gas_exchange)
    )
    return np.asarray(-biological / as_float("pq", pq))


def nutrient_alkalinity(
    *,
    nitrate_difference: npt.ArrayLike | None = None,
    phosphate_difference: npt.ArrayLike = 0.0,
    ammonium_difference: npt.ArrayLike = 0.0,
    organic_dic: npt.ArrayLike | None = None,
) -> FloatArray:
    """Alkalinity that making or breaking organic matter moves through nutrients.

    Measured: ``−ΔNO3 − ΔPO4 + ΔNH4``. Without measurements, by Redfield: ``−17/106`` of the DIC
    respired; on reefs much less is usual, and zero is the common choice.

    Parameters
    ----------
    nitrate_difference, phosphate_difference, ammonium_difference : array_like, optional
        Reef minus reference [µmol kg-1].
    organic_dic : array_like, optional
        DIC released by net respiration [µmol kg-1], for the Redfield ratio.

    Returns
    -------
    ndarray
        [µmol kg-1]

    Raises
    ------
    InputError
        Neither or both ways are given.

    Source: Wolf-Gladrow et al. 2007, Mar. Chem. 106, 287-300 (from memory); Redfield, Ketchum and
    Richards 1963.
    """
    if (nitrate_difference is None) == (organic_dic is None):
        message = "Give either the measured nitrate_difference or organic_dic for the Redfield ratio."
        raise InputError(message)
    if nitrate_difference is None:
        return np.asarray(-17.0 / 106.0 * np.asarray(organic_dic, dtype=np.float64))
    ammonium = as_float("ammonium_difference", ammonium_difference)
    nitrate = as_float("nitrate_difference", nitrate_difference)
    return np.asarray(ammonium - nitrate - as_float("phosphate_difference", phosphate_difference))


def driver_increments(
    *,
    reef: State,
    reference: State,
    global_dic: npt.ArrayLike,
    mixing_line: MixingLine | None,
    gas_exchange_dic: npt.ArrayLike,
    organic_dic: npt.ArrayLike,
    organic_alkalinity: npt.ArrayLike = 0.0,
    carbonate_alkalinity: npt.ArrayLike | None = None,
    drivers: Sequence[str] = DRIVERS,
) -> FloatArray:
    """What each driver moved.

    Parameters
    ----------
    reef, reference : State
        Water on the reef and the reference water, as measured.
    global_dic : array_like
        `reeftally.ledger.global_increment` [µmol kg-1].
    mixing_line : MixingLine or None
        Needed as soon as the salinities differ.
    gas_exchange_dic : array_like
        DIC that came in through the surface since the water left the reference [µmol kg-1]
        (`concentration_from_flux`); negative for water that loses CO2.
    organic_dic : array_like
        DIC released by net respiration [µmol kg-1].
    organic_alkalinity : array_like
        Alkalinity moved by nutrients (nitrate and phosphate released lower it) [µmol kg-1]; it goes
        with `organic`.
    carbonate_alkalinity : array_like, optional
        Alkalinity moved by calcification and dissolution when known otherwise (bed flux of alkalinity
        × residence / depth) [µmol kg-1]. By default all alkalinity left after fresh water and
        nutrients.
    drivers : sequence of str
        Subset of `DRIVERS`; what a driver left out would have moved falls to `residual`, which is
        always kept.

    Returns
    -------
    ndarray, shape (7, 4, ...)
        Axis 0 `DRIVERS` (zero for drivers left out), axis 1 `COMPONENTS`.

    Raises
    ------
    InputError
        Unknown driver, or salinities differ and no mixing line is stated.
    """
    unknown = [name for name in drivers if name not in DRIVERS]
    if unknown:
        message = f"drivers holds {unknown}; it needs names among: {', '.join(DRIVERS)}."
        raise InputError(message)
    end, here = stacked_pair(reef, reference)
    difference = end - here
    salinity_step = difference[_S]
    if mixing_line is None:
        if np.any(salinity_step != 0.0):
            message = (
                "The salinities of reef and reference differ; the freshwater part needs a mixing_line: "
                "alkalinity and DIC of the water mixed in, at salinity zero."
            )
            raise InputError(message)
        alkalinity_slope = dic_slope = np.zeros(())
    else:
        alkalinity_slope, dic_slope = mixing_line.slopes(reference)
    fresh_alkalinity = alkalinity_slope * salinity_step
    nutrient = as_float("organic_alkalinity", organic_alkalinity)
    if carbonate_alkalinity is None:
        carbonate = difference[_TA] - fresh_alkalinity - nutrient
    else:
        carbonate = as_float("carbonate_alkalinity", carbonate_alkalinity)
    risen = as_float("global_dic", global_dic)
    named: dict[str, dict[int, FloatArray]] = {
        "global": {_DIC: risen},
        "temperature": {_T: difference[_T]},
        "freshwater": {
            _S: salinity_step,
            _TA: np.asarray(fresh_alkalinity),
            _DIC: np.asarray(dic_slope * salinity_step),
        },
        "carbonate": {_TA: np.asarray(carbonate), _DIC: np.asarray(0.5 * carbonate)},
        "gas_exchange": {_DIC: as_float("gas_exchange_dic", gas_exchange_dic)},
        "organic": {_TA: nutrient, _DIC: as_float("organic_dic", organic_dic)},
    }
    members = [part for moved in named.values() for part in moved.values()]
    try:
        shape = np.broadcast_shapes(difference.shape[1:], *(part.shape for part in members))
    except ValueError as error:
        listing = ", ".join(f"{name} {np.shape(part)}" for name, parts in named.items() for part in parts.values())
        message = f"The increments do not fit the states {difference.shape[1:]}: {listing}."
        raise ShapeError(message) from error
    increments = np.zeros((len(DRIVERS), len(COMPONENTS), *shape))
    for index, name in enumerate(DRIVERS[:-1]):
        if name in drivers:
            for component, part in named[name].items():
                increments[index, component] = part
    total = np.zeros((len(COMPONENTS), *shape))
    total += _lift(difference, total.ndim)
    if "global" in drivers:
        total[_DIC] += risen
    increments[-1] = total - increments[:-1].sum(axis=0)
    # A sum of seven rounded numbers is not exactly zero; below the last digits of the state it is.
    scale = 64.0 * np.finfo(np.float64).eps * np.abs(np.broadcast_to(_lift(end, total.ndim), total.shape))
    increments[-1][np.abs(increments[-1]) <= scale] = 0.0
    return increments


def _lift(array: FloatArray, ndim: int) -> FloatArray:
    """Return `array` with unit axes after the first, so that it broadcasts to `ndim` dimensions."""
    return array.reshape((array.shape[0], *(1,) * (ndim - array.ndim), *array.shape[1:]))
