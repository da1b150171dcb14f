"""The account: who changed the water's pH and aragonite saturation, and by how much.

Here:     `decompose` (exact Shapley split from the past and from today's reference water, first-order
          split beside it) and the `Account` it returns, with means over periods.
Not here: the increments themselves (`drivers`), the past (`states`), the coalitions' kernel
          (`_coalitions`), combining and shifting accounts (`periods`).
Rules:    parts and remainder sum to the total in every member; nothing is clipped or forced to close.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, one_of
from reeftally.errors import InputError, NoSolutionError
from reeftally.ledger._compiled import run_compiled
from reeftally.ledger._labelled import any_labelled, on_common_axes
from reeftally.ledger._plain import STEP, Solver, run_with_solver
from reeftally.ledger.drivers import DRIVERS, LOCAL_MADE, driver_increments, organic_dic_from_oxygen
from reeftally.ledger.states import COMPONENTS, Equilibrium, MixingLine, State, global_increment

if TYPE_CHECKING:
    import xarray as xr

    from reeftally.seawater.carbonate import Constants

__all__ = ["METHODS", "QUANTITIES", "Account", "Solver", "decompose", "split"]

METHODS = ("shapley_from_past", "shapley_from_reference", "taylor")
QUANTITIES = ("ph_total", "aragonite_saturation", "hydrogen_ion", "fco2")


@dataclass(frozen=True)
class Account:
    """Increments, effects and totals. Arrays end in the shape of the members (trials, blocks, ...)."""

    drivers: tuple[str, ...]
    """The drivers, in the order of the first axes below."""
    increments: FloatArray
    """Shape (driver, component, ...): what each driver moved [°C, 1, µmol kg-1, µmol kg-1]."""
    start: FloatArray
    """Shape (component, ...): the past, or today's reference water when `global` is left out."""
    reference: FloatArray
    """Shape (component, ...): today's reference water."""
    end: FloatArray
    """Shape (component, ...): the reef."""
    effects: dict[str, dict[str, FloatArray]]
    """``effects[method][quantity]``, shape (driver, ...)."""
    totals: dict[str, dict[str, FloatArray]]
    """``totals[method][quantity]``: end minus the start of that method."""
    solves: int = 0
    """Number of times the carbonate system was solved."""
    code: npt.NDArray[np.int32] = field(default_factory=lambda: np.zeros((), dtype=np.int32))
    """Why a member is NaN, in the bits of `seawater.carbonate.ReasonCode`: 1 an input is missing, 8 no solution."""
    dims: tuple[str, ...] = ()
    """Names of the axes of the members, when the arguments were labelled."""
    coords: Mapping[str, Any] = field(default_factory=dict)
    """Coordinates of those names."""

    def effect(self, *, quantity: str, driver: str, method: str = "shapley_from_past") -> FloatArray:
        """Return the effect of one driver; `driver` may be ``"local"`` for what is made here."""
        table = self._table(method, quantity)
        if driver == "local":
            members = [self.drivers.index(name) for name in LOCAL_MADE]
            return np.asarray(table[members].sum(axis=0))
        one_of("driver", driver, self.drivers)
        return np.asarray(table[self.drivers.index(driver)])

    def total(self, *, quantity: str, method: str = "shapley_from_past") -> FloatArray:
        """Return end minus the start of `method`."""
        self._table(method, quantity)
        return self.totals[method][quantity]

    def remainder(self, *, quantity: str, method: str = "shapley_from_past") -> FloatArray:
        """Return total minus the sum of the parts: rounding for an exact split, curvature for `taylor`."""
        return np.asarray(self.totals[method][quantity] - self._table(method, quantity).sum(axis=0))

    def share(self, *, quantity: str, driver: str, method: str = "shapley_from_past") -> FloatArray:
        """Return effect over total; may exceed 1 or be negative where drivers oppose each other."""
        return np.asarray(self.effect(quantity=quantity, driver=driver, method=method) / self.totals[method][quantity])

    def to_dataset(self, *, method: str = "shapley_from_past") -> xr.Dataset:
        """Return effects and totals of one method as a Dataset with a ``driver`` axis, last.

        Variables are ``<quantity>_change`` over members and driver, and ``<quantity>_total_change``.
        Unlabelled members get the names ``member_0``, ``member_1``, ...
        """
        import xarray as xr

        one_of("method", method, tuple(self.effects))
        dims = self.dims or tuple(f"member_{i}" for i in range(self.end.ndim - 1))
        variables: dict[str, Any] = {}
        for quantity, table in self.effects[method].items():
            variables[f"{quantity}_change"] = ((*dims, "driver"), np.moveaxis(table, 0, -1))
            variables[f"{quantity}_total_change"] = (dims, self.totals[method][quantity])
        return xr.Dataset(variables, coords={**self.coords, "driver": list(self.drivers)}, attrs={"method": method})

    def mean(self, *, axis: int = -1, weights: npt.ArrayLike | None = None) -> Account:
        """Return the account averaged over one axis of the members (blocks, say).

        Parameters
        ----------
        axis : int
            Counted from the end (negative), so that driver and component axes stay.
        weights : array_like, optional
            Durations along that axis. A member with NaN in any effect is left out of all averages.

        Raises
        ------
        InputError
            `axis` is not one of the members' axes, counted from the end.
        """
        members = self.end.ndim - 1
        if not -members <= axis < 0:
            message = (
                f"axis is {axis}; it needs a number from {-members} to -1, counted from the last of {members} axes."
            )
            raise InputError(message)
        size = self.end.shape[axis]
        weight = np.ones(size) if weights is None else as_float("weights", weights)
        good = np.isfinite(self.start.sum(axis=0) + self.end.sum(axis=0))
        for by_quantity in self.effects.values():
            for table in by_quantity.values():
                good &= np.isfinite(table).all(axis=0)
        used = np.where(good, weight.reshape(-1, *(1,) * (-axis - 1)), 0.0)
        with np.errstate(invalid="ignore"):
            used = used / used.sum(axis=axis, keepdims=True)

        def average(array: FloatArray) -> FloatArray:
            return np.asarray((np.where(good, array, 0.0) * used).sum(axis=axis))

        return Account(
            drivers=self.drivers,
            increments=average(self.increments),
            start=average(self.start),
            reference=average(self.reference),
            end=average(self.end),
            effects={m: {q: average(a) for q, a in by.items()} for m, by in self.effects.items()},
            totals={m: {q: average(a) for q, a in by.items()} for m, by in self.totals.items()},
            solves=self.solves,
            code=np.where(good.any(axis=axis), 0, self.code.max(axis=axis, initial=0)).astype(np.int32),
            dims=tuple(np.delete(np.array(self.dims, dtype=object), axis)) if self.dims else (),
            coords={k: v for k, v in self.coords.items() if not self.dims or k != self.dims[axis]},
        )

    def _table(self, method: str, quantity: str) -> FloatArray:
        one_of("method", method, tuple(self.effects))
        one_of("quantity", quantity, tuple(self.effects[method]))
        return self.effects[method][quantity]


def decompose(
    *,
    reef: State,
    reference: State,
    xco2_now: npt.ArrayLike,
    gas_exchange_dic: npt.ArrayLike,
    mixing_line: MixingLine | None,
    xco2_past: npt.ArrayLike = 280.0,
    air_pressure: npt.ArrayLike = 1013.25,
    organic_dic: npt.ArrayLike | None = None,
    oxygen_reef: npt.ArrayLike | None = None,
    oxygen_reference: npt.ArrayLike | None = None,
    oxygen_gas_exchange: npt.ArrayLike | None = None,
    pq: npt.ArrayLike | None = None,
    organic_alkalinity: npt.ArrayLike = 0.0,
    carbonate_alkalinity: npt.ArrayLike | None = None,
    pressure: npt.ArrayLike = 0.0,
    phosphate: npt.ArrayLike = 0.0,
    silicate: npt.ArrayLike = 0.0,
    drivers: Sequence[str] = DRIVERS,
    quantities: Sequence[str] = ("ph_total", "aragonite_saturation"),
    methods: Sequence[str] = METHODS,
    constants: Constants | None = None,
    solver: Solver | None = None,
    equilibrium: Equilibrium | None = None,
) -> Account:
    """Split the change of pH and saturation state between the drivers.

    The start is the past (`past_state`) for ``shapley_from_past`` and ``taylor``, and today's
    reference water for ``shapley_from_reference`` (where `global` has no part). The exact splits are
    Shapley values on the full carbonate system; the first-order split uses partial derivatives at the
    mid point of start and end and keeps its curvature as `Account.remainder`.

    Parameters
    ----------
    reef, reference : State
        Water on the reef and the reference water. Members broadcast, a leading trial axis is welcome;
        labelled arrays (xarray) are matched by the names of their dimensions.
    xco2_now, xco2_past : array_like
        Dry mole fraction of CO2 in the air [µmol mol-1].
    gas_exchange_dic : array_like
        DIC that came in through the surface since the water left the reference [µmol kg-1].
    mixing_line : MixingLine or None
        Needed as soon as the salinities differ.
    air_pressure : array_like
        [hPa].
    organic_dic : array_like, optional
        DIC released by net respiration [µmol kg-1]; given instead of the four oxygen arguments.
    oxygen_reef, oxygen_reference, oxygen_gas_exchange, pq : array_like, optional
        As for `organic_dic_from_oxygen` [µmol kg-1; pq O2 : C].
    organic_alkalinity, carbonate_alkalinity : array_like, optional
        As for `driver_increments` [µmol kg-1].
    pressure : array_like
        Of the water column [dbar].
    phosphate, silicate : array_like
        One value for start and end [µmol kg-1].
    drivers : sequence of str
        Subset of `DRIVERS`; what one left out would have moved falls to `residual`.
    quantities : sequence of str
        Among ``ph_total``, ``aragonite_saturation``, ``hydrogen_ion`` [nmol kg-1], ``fco2`` [µatm].
    methods : sequence of str
        Among `METHODS`.
    constants : reeftally.seawater.carbonate.Constants, optional
        Published sets of the carbonate system; the defaults of `seawater` when not given.
    solver : callable, optional
        Replaces the compiled carbonate system; called once a coalition with whole arrays.
    equilibrium : callable, optional
        As for `global_increment`.

    Returns
    -------
    Account

    Raises
    ------
    InputError
        The organic part is given neither as DIC nor by oxygen (or by both), or a name is unknown.
    ShapeError
        Arguments that do not broadcast.
    NoSolutionError
        A single account (no members) whose states have no solution; among many it is NaN with a code.

    Sources: Shapley 1953 for the split; definitions of the drivers in ``docs/ledger.md``.
    """
    arrays: dict[str, Any] = {
        "reef": reef,
        "reference": reference,
        "xco2_now": xco2_now,
        "gas_exchange_dic": gas_exchange_dic,
        "mixing_line": mixing_line,
        "xco2_past": xco2_past,
        "air_pressure": air_pressure,
        "organic_dic": organic_dic,
        "oxygen_reef": oxygen_reef,
        "oxygen_reference": oxygen_reference,
        "oxygen_gas_exchange": oxygen_gas_exchange,
        "pq": pq,
        "organic_alkalinity": organic_alkalinity,
        "carbonate_alkalinity": carbonate_alkalinity,
        "pressure": pressure,
        "phosphate": phosphate,
        "silicate": silicate,
    }
    if any_labelled(arrays):
        plain, dims, coords = on_common_axes(arrays)
        found = decompose(
            **plain,
            drivers=drivers,
            quantities=quantities,
            methods=methods,
            constants=constants,
            solver=solver,
            equilibrium=equilibrium,
        )
        return replace(found, dims=dims, coords=coords)
    oxygen_arguments = (oxygen_reef, oxygen_reference, oxygen_gas_exchange, pq)
    given = [value is not None for value in oxygen_arguments]
    if organic_dic is not None:
        if any(given):
            message = "organic_dic is given and so is oxygen; the organic part needs one of them."
            raise InputError(message)
        organic: npt.ArrayLike = organic_dic
    elif all(given):
        organic = organic_dic_from_oxygen(
            oxygen_reef=as_float("oxygen_reef", oxygen_reef),  # type: ignore[arg-type]
            oxygen_reference=as_float("oxygen_reference", oxygen_reference),  # type: ignore[arg-type]
            oxygen_gas_exchange=as_float("oxygen_gas_exchange", oxygen_gas_exchange),  # type: ignore[arg-type]
            pq=as_float("pq", pq),  # type: ignore[arg-type]
        )
    else:
        message = (
            "The organic part needs organic_dic, or all of oxygen_reef, oxygen_reference, oxygen_gas_exchange and pq."
        )
        raise InputError(message)
    risen: npt.ArrayLike = 0.0
    if "global" in drivers:
        risen = global_increment(
            reference=reference,
            xco2_now=xco2_now,
            xco2_past=xco2_past,
            air_pressure=air_pressure,
            constants=constants,
            equilibrium=equilibrium,
        )
    increments = driver_increments(
        reef=reef,
        reference=reference,
        global_dic=risen,
        mixing_line=mixing_line,
        gas_exchange_dic=gas_exchange_dic,
        organic_dic=organic,
        organic_alkalinity=organic_alkalinity,
        carbonate_alkalinity=carbonate_alkalinity,
        drivers=drivers,
    )
    return split(
        reference=reference,
        increments=increments,
        pressure=pressure,
        phosphate=phosphate,
        silicate=silicate,
        quantities=quantities,
        methods=methods,
        constants=constants,
        solver=solver,
    )


def split(
    *,
    reference: State,
    increments: npt.ArrayLike,
    pressure: npt.ArrayLike = 0.0,
    phosphate: npt.ArrayLike = 0.0,
    silicate: npt.ArrayLike = 0.0,
    quantities: Sequence[str] = ("ph_total", "aragonite_saturation"),
    methods: Sequence[str] = METHODS,
    constants: Constants | None = None,
    solver: Solver | None = None,
) -> Account:
    """Effects of given increments; `decompose` without the step that makes them.

    Parameters
    ----------
    reference : State
        Today's reference water; the start is this minus the increment of `global`.
    increments : array_like, shape (7, 4, ...)
        As returned by `driver_increments`.
    pressure, phosphate, silicate, quantities, methods, constants, solver
        As for `decompose`.
    """
    for name in quantities:
        one_of("quantity", name, QUANTITIES)
    for name in methods:
        one_of("method", name, METHODS)
    moved = as_float("increments", increments)
    stacked = reference.stacked()
    shape = np.broadcast_shapes(moved.shape[2:], stacked.shape[1:])
    lifted = moved.reshape((*moved.shape[:2], *(1,) * (len(shape) - moved.ndim + 2), *moved.shape[2:]))
    moved = np.broadcast_to(lifted, (*moved.shape[:2], *shape))
    here = np.empty((len(COMPONENTS), *shape))
    here[...] = stacked.reshape((4, *(1,) * (len(shape) - stacked.ndim + 1), *stacked.shape[1:]))
    start = here - moved[0]
    end = start + moved.sum(axis=0)
    if solver is None:
        effects, totals, solves = run_compiled(
            start=start,
            increments=moved,
            pressure=pressure,
            phosphate=phosphate,
            silicate=silicate,
            quantities=tuple(quantities),
            methods=tuple(methods),
            steps=np.array([STEP[name] for name in COMPONENTS]),
            constants=constants,
        )
    else:
        effects, totals, solves = run_with_solver(
            start=start,
            increments=moved,
            pressure=pressure,
            phosphate=phosphate,
            silicate=silicate,
            quantities=tuple(quantities),
            methods=tuple(methods),
            solver=solver,
        )
    code = _reason(start, moved, (pressure, phosphate, silicate), totals)
    if code.ndim == 0 and int(code) == _NO_SOLUTION:
        message = (
            "The carbonate system has no solution between the past and the reef: "
            f"start {start.tolist()}, end {end.tolist()} (temperature, salinity, alkalinity, DIC)."
        )
        raise NoSolutionError(message, code="no_solution")
    return Account(
        drivers=DRIVERS,
        increments=moved,
        start=start,
        reference=here,
        end=end,
        effects=effects,
        totals=totals,
        solves=solves,
        code=code,
    )


_MISSING, _NO_SOLUTION = 1, 8


def _reason(
    start: FloatArray,
    moved: FloatArray,
    conditions: Sequence[npt.ArrayLike],
    totals: Mapping[str, Mapping[str, FloatArray]],
) -> npt.NDArray[np.int32]:
    """Return why members are NaN: an input is missing, or the system has no solution on the way."""
    bad = np.zeros(start.shape[1:], dtype=bool)
    for by_quantity in totals.values():
        for total in by_quantity.values():
            bad |= np.isnan(total)
    missing = np.isnan(start.sum(axis=0) + moved.sum(axis=(0, 1)))
    for value in conditions:
        missing = missing | np.isnan(np.asarray(value, dtype=np.float64))
    return np.where(bad, np.where(missing, _MISSING, _NO_SOLUTION), 0).astype(np.int32)
