"""Solving the carbonate system: arguments, broadcasting and threads around the kernels.

Here:     `solve`, reason codes turned into errors for single states.
Not here: chemistry (`_kernels`), the constants alone (`_carbonate_constants`), derivatives and
          uncertainty (`carbonate_uncertainty`).
Rules:    states of arrays never raise for what is wrong with one member; broadcasting is done
          slab by slab, so that memory grows only with the output.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from itertools import pairwise
from threading import Lock
from typing import Any

import numba
import numpy as np
import numpy.typing as npt
from numba import types

from reeftally._checks import FloatArray, as_float, one_of
from reeftally.errors import InputError, NoSolutionError, OutOfRangeError, ShapeError
from reeftally.seawater import _kernels
from reeftally.seawater._carbonate_names import (
    GROUPS,
    INPUTS,
    OUTPUTS,
    STANDARD_OUTPUTS,
    UNITS,
    CarbonateState,
)
from reeftally.seawater._constants_sets import Constants, ReasonCode

__all__ = ["DEFAULT_CONSTANTS", "compiled", "input_type", "labelled", "solve"]

DEFAULT_CONSTANTS = Constants()

# States worked on at a time: large enough to hide the call, small enough to stay in memory
# caches when inputs have to be broadcast.
_SLAB = 1 << 16
# Below this a second thread costs more than it brings.
_THREAD_WORTH = 4096

_COMPILING = Lock()

_ROOTS = {"seawater": 0, "high_ph": 1, "low_ph": 2}

_CONDITIONS = (
    "temperature",
    "salinity",
    "pressure",
    "phosphate",
    "silicate",
    "ammonium",
    "sulfide",
    "air_pressure",
    "temperature_out",
    "pressure_out",
)


def input_type() -> Any:
    """Return the one array type that all kernels take: any stride, never written to."""
    return types.Array(types.float64, 1, "A", readonly=True)


def compiled(kernel: Any, signature: tuple[Any, ...]) -> Any:
    """Return `kernel` with machine code for `signature` and no other, whichever thread comes first."""
    with _COMPILING:
        if not kernel.signatures:
            kernel.compile(signature)
            kernel.disable_compile()
    return kernel


@lru_cache(maxsize=1)
def _solver() -> Any:
    """Return the solver compiled (or loaded) for its single signature."""
    line = input_type()
    whole = types.int64
    signature = (
        (whole, line, whole, line)
        + (line,) * 10
        + (types.boolean, whole, types.UniTuple(whole, 6), types.float64[:, ::1], types.int64[::1])
        + (types.float64[:, ::1], types.int32[::1], whole, whole)
    )
    return compiled(_kernels.solve_states, signature)


def _slabs(shape: tuple[int, ...]) -> Iterator[tuple[slice | int, ...]]:
    """Cut `shape` into consecutive pieces (C order) of at most about `_SLAB` members."""
    size = math.prod(shape)
    if size <= _SLAB or not shape:
        yield ()
        return
    row = size // shape[0]
    if row > _SLAB:
        for index in range(shape[0]):
            for inner in _slabs(shape[1:]):
                yield (slice(index, index + 1), *inner)
        return
    step = max(_SLAB // max(row, 1), 1)
    for begin in range(0, shape[0], step):
        yield (slice(begin, min(begin + step, shape[0])),)


def _line(array: FloatArray, index: tuple[slice | int, ...], shape: tuple[int, ...]) -> FloatArray:
    """Return the members of the broadcast `array` at `index` as one line, copied only if needed."""
    if array.size == 1:
        # One number stands for all: an array that steps nowhere.
        return np.ndarray((_size(index, shape),), np.float64, buffer=array.reshape(-1), strides=(0,))
    piece = np.broadcast_to(array, shape)[index]
    return np.ascontiguousarray(piece).reshape(-1)


def _size(index: tuple[slice | int, ...], shape: tuple[int, ...]) -> int:
    """Return how many members `index` picks from `shape`."""
    lengths = [s.stop - s.start for s in index if isinstance(s, slice)]
    return int(math.prod(lengths) * math.prod(shape[len(index) :]))


def _in_threads(work: Any, size: int, pool: ThreadPoolExecutor | None) -> None:
    """Run `work(start, stop)` over `size` members, halves side by side where that pays."""
    if pool is None or size < 2 * _THREAD_WORTH:
        work(0, size)
        return
    threads = numba.config.NUMBA_NUM_THREADS
    edges = [size * part // threads for part in range(threads + 1)]
    futures = [pool.submit(work, a, b) for a, b in pairwise(edges)]
    for future in futures:
        future.result()


def _solve_arrays(
    kinds: tuple[int, int],
    arrays: Sequence[FloatArray],
    moved: bool,
    root: int,
    constants: Constants,
    names: Sequence[str],
) -> tuple[FloatArray, npt.NDArray[np.int32]]:
    """Return outputs (len(names), *shape) and codes of the broadcast arrays."""
    try:
        shape = np.broadcast_shapes(*(a.shape for a in arrays))
    except ValueError as error:
        message = f"These shapes do not fit together: {', '.join(str(a.shape) for a in arrays)}."
        raise ShapeError(message) from error
    size = math.prod(shape)
    slot = np.full(len(OUTPUTS), -1, dtype=np.int64)
    for row, name in enumerate(names):
        slot[OUTPUTS.index(name)] = row
    out = np.empty((len(names), size))
    code = np.empty(size, dtype=np.int32)
    kernel, limits, sets = _solver(), constants.limits(), constants.codes()
    threads = numba.config.NUMBA_NUM_THREADS
    pool = ThreadPoolExecutor(threads) if threads > 1 and size >= 2 * _THREAD_WORTH else None
    try:
        # A whole that needs no broadcast is one piece; the kernel reads it where it lies.
        plain = all(a.size == 1 or (a.shape == shape and a.flags.c_contiguous) for a in arrays)
        begin = 0
        for index in [()] if plain else _slabs(shape):
            lines = [_line(a, index, shape) for a in arrays]
            count = lines[0].size
            part_out = out[:, begin : begin + count]
            if count != size:
                part_out = np.empty((len(names), count))
            part_code = code[begin : begin + count]

            def work(
                start: int,
                stop: int,
                lines: list[FloatArray] = lines,
                part_out: FloatArray = part_out,
                part_code: npt.NDArray[np.int32] = part_code,
            ) -> None:
                kernel(
                    kinds[0], lines[0], kinds[1], lines[1], *lines[2:], moved, root, sets, limits,
                    slot, part_out, part_code, start, stop,
                )  # fmt: skip

            _in_threads(work, count, pool)
            if count != size:
                out[:, begin : begin + count] = part_out
            begin += count
    finally:
        if pool is not None:
            pool.shutdown()
    return out.reshape((len(names), *shape)), code.reshape(shape)


def _raise_for_single(code: int, given: dict[str, Any]) -> None:
    """Raise the error that the code of a single state stands for."""
    inputs = ", ".join(f"{name} {float(value):g}" for name, value in given.items())
    if code & ReasonCode.OUT_OF_RANGE:
        for name, (low, high, unit) in {
            "temperature": (-5.0, 60.0, "°C"),
            "temperature_out": (-5.0, 60.0, "°C"),
            "salinity": (0.0, 70.0, ""),
            "pressure": (-10.0, 12000.0, "dbar"),
            "pressure_out": (-10.0, 12000.0, "dbar"),
            "air_pressure": (100.0, 10000.0, "hPa"),
            "ph_total": (1.0, 14.0, ""),
            "ph_free": (1.0, 14.0, ""),
            "ph_seawater": (1.0, 14.0, ""),
            "ph_nbs": (1.0, 14.0, ""),
        }.items():
            if name in given and not low <= float(given[name]) <= high:
                raise OutOfRangeError(name, found=float(given[name]), low=low, high=high, unit=unit)
        message = f"An input is infinite: {inputs}."
        raise NoSolutionError(message, code="out_of_range")
    if code & ReasonCode.NEGATIVE:
        message = f"A quantity that cannot be below zero is: {inputs}."
        raise NoSolutionError(message, code="negative")
    if code & ReasonCode.NEAR_FOLD:
        message = (
            f"Two solutions nearly coincide for {inputs}; any error would grow more than 10000 times. "
            "Measure another pair."
        )
        raise NoSolutionError(message, code="near_fold")
    if code & ReasonCode.NO_SOLUTION:
        message = f"No pH (total scale, 2 to 12) satisfies both quantities of {inputs}."
        raise NoSolutionError(message, code="no_solution")


def _pair(given: dict[str, Any]) -> tuple[str, str]:
    """Return the two carbonate quantities given, or say what is wrong with the choice."""
    names = [name for name in INPUTS if given.get(name) is not None]
    if len(names) != 2:
        found = ", ".join(names) if names else "none"
        message = f"Carbonate quantities given: {found}; exactly two are needed of: {', '.join(INPUTS)}."
        raise InputError(message)
    if GROUPS[names[0]] == GROUPS[names[1]]:
        message = f"{names[0]} and {names[1]} say the same thing; the second must be another quantity."
        raise InputError(message)
    return names[0], names[1]


def labelled(values: Sequence[Any]) -> bool:
    """Return whether any of `values` is an xarray DataArray (without importing xarray)."""
    return any(hasattr(value, "dims") and hasattr(value, "coords") for value in values)


def solve(
    *,
    temperature: Any,
    salinity: Any,
    total_alkalinity: Any = None,
    dic: Any = None,
    ph_total: Any = None,
    ph_free: Any = None,
    ph_seawater: Any = None,
    ph_nbs: Any = None,
    co2: Any = None,
    fco2: Any = None,
    pco2: Any = None,
    xco2: Any = None,
    bicarbonate: Any = None,
    carbonate: Any = None,
    pressure: Any = 0.0,
    phosphate: Any = 0.0,
    silicate: Any = 0.0,
    ammonium: Any = 0.0,
    sulfide: Any = 0.0,
    air_pressure: Any = 1013.25,
    temperature_out: Any = None,
    pressure_out: Any = None,
    constants: Constants = DEFAULT_CONSTANTS,
    root: str = "seawater",
    outputs: Sequence[str] | None = None,
    derivatives: bool = False,
) -> CarbonateState:
    """Solve the carbonate system from any two of its quantities.

    Parameters
    ----------
    temperature : array-like or DataArray, any shape
        Temperature at which the two quantities hold. [°C, ITS-90]
    salinity : array-like or DataArray
        Practical salinity. [1]
    total_alkalinity, dic, co2, bicarbonate, carbonate : array-like or DataArray, optional
        Concentrations; exactly two carbonate quantities are given. [µmol kg-1]
    ph_total, ph_free, ph_seawater, ph_nbs : array-like or DataArray, optional
        pH at `temperature` and `pressure`, by scale. [1]
    fco2, pco2 : array-like or DataArray, optional
        Fugacity or partial pressure of CO2. [µatm]
    xco2 : array-like or DataArray, optional
        Dry mole fraction in air at `air_pressure`, saturated with vapour at `temperature`.
        [µmol mol-1]
    pressure : array-like or DataArray
        Pressure of the water column at which the two quantities hold. [dbar]
    phosphate, silicate, ammonium, sulfide : array-like or DataArray
        Totals of the minor acids. [µmol kg-1]
    air_pressure : array-like or DataArray
        Air pressure, for pCO2 and xCO2. [hPa]
    temperature_out, pressure_out : array-like or DataArray, optional
        Conditions of the results, where they differ: alkalinity and DIC are kept. [°C, dbar]
    constants : Constants
        The published sets to use.
    root : str
        Which solution where two exist (DIC with bicarbonate; alkalinity with carbonate):
        ``seawater`` (the one at the pH of seawater: the higher pH of the first pair, the lower
        of the second), ``high_ph`` or ``low_ph``. The code has bit ``TWO_ROOTS``.
    outputs : sequence of str, optional
        Names of the results wanted; fewer cost less. Default: all down to `omega_alk`.
    derivatives : bool
        Whether to add the partial derivatives (see `derivatives`).

    Returns
    -------
    CarbonateState
        Floats for scalar input, else arrays of the broadcast shape or DataArrays by name.
        Members that cannot be solved are NaN and have a `code` (bits of `ReasonCode`).

    Raises
    ------
    InputError
        If not exactly two different quantities are given, or a name is unknown.
    NoSolutionError, OutOfRangeError
        For scalar input without an answer. NaN gives NaN and the code ``MISSING``.
    ShapeError
        If the shapes do not broadcast.

    Notes
    -----
    Dickson, Sabine and Christian 2007, PICES Special Publication 3, chapters 2 and 5; total
    alkalinity by the definition of Dickson 1981, Deep-Sea Res. 28A, 609. Constants at pressure
    are corrected on the scale of their source (Millero 1995, Geochim. Cosmochim. Acta 59, 661).
    The solubility of CO2 carries no pressure term: fCO2 at depth is that of the water's CO2
    over its K0 at one atmosphere.
    """
    given = {
        "total_alkalinity": total_alkalinity,
        "dic": dic,
        "ph_total": ph_total,
        "ph_free": ph_free,
        "ph_seawater": ph_seawater,
        "ph_nbs": ph_nbs,
        "co2": co2,
        "fco2": fco2,
        "pco2": pco2,
        "xco2": xco2,
        "bicarbonate": bicarbonate,
        "carbonate": carbonate,
    }
    first, second = _pair(given)
    one_of("root", root, tuple(_ROOTS))
    names = tuple(STANDARD_OUTPUTS if outputs is None else dict.fromkeys(outputs))
    if not names:
        message = "outputs is empty; it needs at least one name."
        raise InputError(message)
    for name in names:
        one_of("outputs", name, OUTPUTS)
    moved = temperature_out is not None or pressure_out is not None
    values = {
        first: given[first],
        second: given[second],
        "temperature": temperature,
        "salinity": salinity,
        "pressure": pressure,
        "phosphate": phosphate,
        "silicate": silicate,
        "ammonium": ammonium,
        "sulfide": sulfide,
        "air_pressure": air_pressure,
        "temperature_out": temperature if temperature_out is None else temperature_out,
        "pressure_out": pressure if pressure_out is None else pressure_out,
    }
    kinds = (INPUTS.index(first), INPUTS.index(second))

    def on_arrays(*parts: Any) -> tuple[Any, ...]:
        arrays = [as_float(name, part) for name, part in zip(values, parts, strict=True)]
        out, code = _solve_arrays(kinds, arrays, moved, _ROOTS[root], constants, names)
        return (*out, code)

    if labelled(list(values.values())):
        results = _on_named(on_arrays, list(values.values()), names)
    else:
        results = on_arrays(*values.values())
        if results[-1].ndim == 0:
            code = int(results[-1])
            _raise_for_single(code, values)
            results = (*(float(r) for r in results[:-1]), code)
    extra: dict[str, Any] = {}
    if derivatives:
        from reeftally.seawater.carbonate_uncertainty import derivatives as partial

        values |= {"temperature_out": temperature_out, "pressure_out": pressure_out}
        extra["derivatives"] = partial(**values, constants=constants, root=root, outputs=outputs)
    return CarbonateState(**dict(zip((*names, "code"), results, strict=True)), **extra)


def _on_named(function: Any, values: list[Any], names: Sequence[str]) -> tuple[Any, ...]:
    """Apply `function` to DataArrays, matched by the names of their dimensions."""
    import xarray as xr

    results = xr.apply_ufunc(
        function,
        *values,
        output_core_dims=[[]] * (len(names) + 1),
        join="exact",
        keep_attrs=False,
        dask="parallelized",
        output_dtypes=[np.float64] * len(names) + [np.int32],
    )
    for name, result in zip(names, results, strict=False):
        result.name = name
        result.attrs["units"] = UNITS[name]
    results[-1].name = "code"
    return tuple(results)
