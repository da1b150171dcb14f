"""States of water and the baselines the account starts from.

Here:     `State`, the line of mixing with fresh water, the table of atmospheric CO2, the past state.
Not here: the split of the difference between two states (`account`).
Rules:    the past is the reference water with less carbon from the air, nothing else: its own
          disequilibrium with the air stays, its temperature, salinity and alkalinity stay. A year
          outside the table is refused, never extrapolated.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, one_of, require_range, require_same_length
from reeftally.errors import InputError, OutOfRangeError, ShapeError

if TYPE_CHECKING:
    from reeftally.seawater.carbonate import Constants

__all__ = [
    "COMPONENTS",
    "Baseline",
    "Equilibrium",
    "MixingLine",
    "State",
    "atmosphere_at",
    "baseline",
    "global_increment",
    "past_state",
    "stacked_pair",
]

COMPONENTS = ("temperature", "salinity", "total_alkalinity", "dic")
"""Order of the four parts of a state, everywhere in this room."""

Equilibrium = Callable[..., npt.ArrayLike]
"""``f(xco2_air=, total_alkalinity=, temperature=, salinity=, air_pressure=)`` gives DIC [µmol kg-1]."""


@dataclass(frozen=True, slots=True)
class State:
    """A water: temperature [°C], practical salinity, total alkalinity and DIC [µmol kg-1].

    Members are numbers or arrays that broadcast against each other.
    """

    temperature: npt.ArrayLike
    salinity: npt.ArrayLike
    total_alkalinity: npt.ArrayLike
    dic: npt.ArrayLike

    def stacked(self) -> FloatArray:
        """Return the state as one array whose first axis is `COMPONENTS`."""
        parts = [as_float(name, getattr(self, name)) for name in COMPONENTS]
        return np.stack(np.broadcast_arrays(*parts))

    def with_dic(self, dic: npt.ArrayLike) -> State:
        """Return the same water with another DIC."""
        return State(self.temperature, self.salinity, self.total_alkalinity, dic)


def stacked_pair(first: State, second: State) -> tuple[FloatArray, FloatArray]:
    """Return two states stacked and broadcast to one shape of members."""
    parts = [as_float(name, getattr(state, name)) for state in (first, second) for name in COMPONENTS]
    try:
        whole = np.stack(np.broadcast_arrays(*parts))
    except ValueError as error:
        message = f"The two states do not fit together: {', '.join(str(p.shape) for p in parts)}."
        raise ShapeError(message) from error
    return whole[:4], whole[4:]


@dataclass(frozen=True, slots=True)
class MixingLine:
    """Where alkalinity and DIC go when salinity alone changes: the water mixed in at salinity zero.

    Rain has nearly no alkalinity and little DIC; a river or ground water can carry more than the sea.
    Both numbers are statements about the site, so there is no default.
    """

    alkalinity_at_zero: npt.ArrayLike
    """Total alkalinity of the water mixed in [µmol kg-1]."""
    dic_at_zero: npt.ArrayLike
    """DIC of the water mixed in [µmol kg-1]."""

    def slopes(self, reference: State) -> tuple[FloatArray, FloatArray]:
        """Return d(TA)/dS and d(DIC)/dS [µmol kg-1] on the line through `reference`; NaN without salt."""
        salinity = as_float("salinity", reference.salinity)
        salinity = np.where(salinity > 0.0, salinity, np.nan)
        alkalinity = as_float("total_alkalinity", reference.total_alkalinity)
        dic = as_float("dic", reference.dic)
        return (
            np.asarray((alkalinity - as_float("alkalinity_at_zero", self.alkalinity_at_zero)) / salinity),
            np.asarray((dic - as_float("dic_at_zero", self.dic_at_zero)) / salinity),
        )


def _default_equilibrium(constants: Constants | None) -> Equilibrium:
    from reeftally.seawater import carbonate

    sets = constants if constants is not None else carbonate.DEFAULT_CONSTANTS

    def dic(*, xco2_air: npt.ArrayLike, **conditions: Any) -> npt.ArrayLike:
        found: npt.ArrayLike = carbonate.solve(xco2=xco2_air, constants=sets, outputs=("dic",), **conditions)["dic"]
        return found

    return dic


def global_increment(
    *,
    reference: State,
    xco2_now: npt.ArrayLike,
    xco2_past: npt.ArrayLike = 280.0,
    air_pressure: npt.ArrayLike = 1013.25,
    constants: Constants | None = None,
    equilibrium: Equilibrium | None = None,
) -> FloatArray:
    """DIC that the rise of CO2 in the air added to the reference water.

    ``DIC_eq(x_now) − DIC_eq(x_past)``, both at the temperature, salinity and alkalinity of the
    reference water. CO2 only: warming since the past is not in it.

    Parameters
    ----------
    reference : State
        The reference water as measured today; its DIC is not used.
    xco2_now, xco2_past : array_like
        Dry mole fraction of CO2 in the air now and in the past [µmol mol-1].
    air_pressure : array_like
        Air pressure at the sea surface [hPa].
    constants : reeftally.seawater.carbonate.Constants, optional
        Published sets of the carbonate system.
    equilibrium : callable, optional
        Stands in for the compiled carbonate system.

    Returns
    -------
    ndarray
        [µmol kg-1], positive when the air holds more CO2 now.

    Raises
    ------
    OutOfRangeError
        A mole fraction outside 100 to 5000 µmol/mol.
    """
    for name, value in (("xco2_now", xco2_now), ("xco2_past", xco2_past)):
        require_range(name, value, 100.0, 5000.0, "µmol/mol", "Give the dry mole fraction.")
    function = equilibrium if equilibrium is not None else _default_equilibrium(constants)
    common: dict[str, Any] = {
        "total_alkalinity": reference.total_alkalinity,
        "temperature": reference.temperature,
        "salinity": reference.salinity,
        "air_pressure": air_pressure,
    }
    now = np.asarray(function(xco2_air=xco2_now, **common), dtype=np.float64)
    past = np.asarray(function(xco2_air=xco2_past, **common), dtype=np.float64)
    return np.asarray(now - past)


def past_state(
    *,
    reference: State,
    xco2_now: npt.ArrayLike,
    xco2_past: npt.ArrayLike = 280.0,
    air_pressure: npt.ArrayLike = 1013.25,
    constants: Constants | None = None,
    equilibrium: Equilibrium | None = None,
) -> State:
    """Return the reference water as it was when the air held `xco2_past`.

    Temperature, salinity and alkalinity as measured today; DIC lower by `global_increment`, so that
    the disequilibrium of the reference water with the air of its day stays. Parameters as there.
    """
    increment = global_increment(
        reference=reference,
        xco2_now=xco2_now,
        xco2_past=xco2_past,
        air_pressure=air_pressure,
        constants=constants,
        equilibrium=equilibrium,
    )
    return reference.with_dic(as_float("dic", reference.dic) - increment)


@dataclass(frozen=True, slots=True)
class Baseline:
    """What the account starts from, with the choices that made it."""

    past: State
    """The reference water before the rise."""
    increment: FloatArray
    """DIC added by the rise [µmol kg-1]."""
    xco2_past: FloatArray
    xco2_now: FloatArray
    year_past: float | None
    """Year the past mole fraction was read for, or None when it was given directly."""
    year_now: float | None


def baseline(
    *,
    reference: State,
    air_pressure: npt.ArrayLike,
    xco2_past: npt.ArrayLike | None = None,
    xco2_now: npt.ArrayLike | None = None,
    year_past: float | None = None,
    year_now: float | None = None,
    table: Mapping[str, npt.ArrayLike] | None = None,
    column: str = "auto",
    constants: Constants | None = None,
    equilibrium: Equilibrium | None = None,
) -> Baseline:
    """Past state for a stated mole fraction or a stated year of the table.

    Parameters
    ----------
    reference : State
        The reference water as measured.
    air_pressure : array_like
        [hPa].
    xco2_past, xco2_now : array_like, optional
        Dry mole fractions [µmol mol-1]. Each may be replaced by a year.
    year_past, year_now : float, optional
        Years (fractional allowed) looked up in `table`.
    table : mapping of arrays, optional
        As for `atmosphere_at`.
    column : str
        As for `atmosphere_at`.
    constants, equilibrium : optional
        As for `global_increment`.

    Raises
    ------
    InputError
        Neither or both of mole fraction and year given for one end.
    OutOfRangeError
        A year outside the table.
    """
    now = _one_mole_fraction("now", xco2_now, year_now, table, column)
    past = _one_mole_fraction("past", xco2_past, year_past, table, column)
    increment = global_increment(
        reference=reference,
        xco2_now=now,
        xco2_past=past,
        air_pressure=air_pressure,
        constants=constants,
        equilibrium=equilibrium,
    )
    return Baseline(
        past=reference.with_dic(as_float("dic", reference.dic) - increment),
        increment=increment,
        xco2_past=past,
        xco2_now=now,
        year_past=year_past,
        year_now=year_now,
    )


def _one_mole_fraction(
    end: str,
    xco2: npt.ArrayLike | None,
    year: float | None,
    table: Mapping[str, npt.ArrayLike] | None,
    column: str,
) -> FloatArray:
    if (xco2 is None) == (year is None):
        message = f"The {end} end needs either xco2_{end} or year_{end}, and not both."
        raise InputError(message)
    if xco2 is not None:
        return as_float(f"xco2_{end}", xco2)
    if table is None or year is None:
        message = f"year_{end} is given; it needs the table of atmospheric CO2 as well."
        raise InputError(message)
    return np.asarray(atmosphere_at(year=year, table=table, column=column))


_COLUMNS = ("auto", "mauna_loa", "global_marine", "ar6_global", "delta13c")


def atmosphere_at(*, year: npt.ArrayLike, table: Mapping[str, npt.ArrayLike], column: str = "auto") -> FloatArray:
    """CO2 in the air (or its carbon-13) in a year, linear between the years of the table.

    Parameters
    ----------
    year : array_like
        Counted in annual means: 2024 is the mean of 2024, 2024.5 lies half-way between two means. For
        a decimal date (2024.5 being early July) subtract 0.5 first.
    table : mapping of arrays
        ``year`` and the columns ``mauna_loa``, ``global_marine``, ``ar6_global`` [µmol mol-1] and
        ``delta13c`` [‰ VPDB]; NaN where a column has no value.
    column : {"auto", "mauna_loa", "global_marine", "ar6_global", "delta13c"}
        ``auto``: the global marine mean where it exists, the assessed global mean before.

    Returns
    -------
    ndarray
        Value in the year.

    Raises
    ------
    OutOfRangeError
        Any year before the first or after the last with a value: state the value in that case.
    """
    one_of("column", column, _COLUMNS)
    years = as_float("table year", table["year"])
    if column == "auto":
        marine = as_float("global_marine", table["global_marine"])
        values = np.where(np.isfinite(marine), marine, as_float("ar6_global", table["ar6_global"]))
    else:
        if column not in table:
            message = f"The table has no column {column!r}; it has: {', '.join(table)}."
            raise InputError(message)
        values = as_float(column, table[column])
    require_same_length(year=years, value=values)
    known = np.isfinite(values)
    if not known.any():
        message = f"Column {column!r} of the table holds no value."
        raise InputError(message)
    years, values = years[known], values[known]
    order = np.argsort(years)
    years, values = years[order], values[order]
    wanted = as_float("year", year)
    bad = (wanted < years[0]) | (wanted > years[-1])
    if np.any(bad):
        name = "year"
        raise OutOfRangeError(
            name,
            found=float(np.atleast_1d(wanted)[np.atleast_1d(bad)][0]),
            low=float(years[0]),
            high=float(years[-1]),
            unit="",
            mend="The table is not extrapolated: state the mole fraction of CO2 for that year.",
        )
    return np.asarray(np.interp(wanted, years, values))
