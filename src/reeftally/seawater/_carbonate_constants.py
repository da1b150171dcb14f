"""The equilibrium constants by name.

Here:     `equilibrium_constants`.
Not here: their formulas (`_constants`) and the choice among them (`_constants_sets`).
Rules:    what is returned is what the solver uses at the same conditions.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numba import types

from reeftally._checks import as_float
from reeftally.errors import NoSolutionError
from reeftally.seawater import _kernels
from reeftally.seawater._carbonate_solve import DEFAULT_CONSTANTS, compiled, input_type, labelled
from reeftally.seawater._constants_sets import Constants

__all__ = ["CONSTANT_NAMES", "constants_kernel", "equilibrium_constants"]

CONSTANT_NAMES = (
    "k0",
    "k1",
    "k2",
    "kb",
    "kw",
    "ks",
    "kf",
    "kp1",
    "kp2",
    "kp3",
    "ksi",
    "knh4",
    "kh2s",
    "ksp_aragonite",
    "ksp_calcite",
    "total_boron",
    "total_sulfate",
    "total_fluoride",
    "calcium",
    "total_over_free",
    "total_over_seawater",
)


@lru_cache(maxsize=1)
def constants_kernel() -> Any:
    """Return the kernel of the constants compiled (or loaded) for its single signature."""
    line = input_type()
    whole = types.int64
    signature = (line,) * 7 + (types.UniTuple(whole, 6), types.float64[:, ::1], whole, whole)
    return compiled(_kernels.constants_only, signature)


def equilibrium_constants(
    *,
    temperature: Any,
    salinity: Any,
    pressure: Any = 0.0,
    constants: Constants = DEFAULT_CONSTANTS,
) -> dict[str, Any]:
    """Return the equilibrium constants and the conservative totals.

    Parameters
    ----------
    temperature, salinity, pressure : array-like, broadcastable
        Temperature, practical salinity, pressure of the water column. [°C, 1, dbar]
    constants : Constants
        The published sets to use.

    Returns
    -------
    dict of str to float, float64 array or DataArray
        ``k0`` [mol kg-1 atm-1]; ``k1 k2 kb kp1 kp2 kp3 ksi knh4 kh2s`` [mol kg-1] and ``kw``
        [mol2 kg-2] on the total scale; ``ks kf`` [mol kg-1] on the free scale;
        ``ksp_aragonite ksp_calcite`` [mol2 kg-2]; ``total_boron total_sulfate total_fluoride
        calcium`` [mol kg-1]; ``total_over_free total_over_seawater`` [1], the ratio of hydrogen
        ion on the total scale to that on the other. NaN in, NaN out.

    Raises
    ------
    NoSolutionError
        If a scalar temperature, salinity or pressure lies where no seawater is.

    Notes
    -----
    Sources: see `Constants` and the module `_constants`.
    """
    if labelled([temperature, salinity, pressure]):
        import xarray as xr

        def on_arrays(*parts: Any) -> tuple[Any, ...]:
            return tuple(_evaluate(*parts, constants=constants).values())

        rows = xr.apply_ufunc(
            on_arrays,
            temperature,
            salinity,
            pressure,
            output_core_dims=[[]] * len(CONSTANT_NAMES),
            join="exact",
            dask="parallelized",
            output_dtypes=[np.float64] * len(CONSTANT_NAMES),
        )
        return dict(zip(CONSTANT_NAMES, rows, strict=True))
    return _evaluate(temperature, salinity, pressure, constants=constants)


def _evaluate(temperature: Any, salinity: Any, pressure: Any, *, constants: Constants) -> dict[str, Any]:
    """Return the constants of plain numbers or arrays."""
    arrays = [
        as_float("temperature", temperature),
        as_float("salinity", salinity),
        as_float("pressure", pressure),
    ]
    shape = np.broadcast_shapes(*(a.shape for a in arrays))
    t, s, p = (np.ascontiguousarray(np.broadcast_to(a, shape)).reshape(-1) for a in arrays)
    impossible = (s < 0.0) | (s > 70.0) | (t < -5.0) | (t > 60.0) | (p < -10.0) | (p > 12000.0)
    if not shape and impossible.any():
        message = f"No seawater at temperature {t[0]:g} °C, salinity {s[0]:g}, pressure {p[0]:g} dbar."
        raise NoSolutionError(message, code="out_of_range")
    t = np.where(impossible, np.nan, t)
    s = np.where(impossible, np.nan, s)
    # Any amount of the minor acids makes the kernel evaluate their constants.
    some = np.ones(t.size)
    out = np.empty((len(CONSTANT_NAMES), t.size))
    constants_kernel()(t, s, p, some, some, some, some, constants.codes(), out, 0, t.size)
    missing = np.isnan(t + s + p)
    out[:, missing] = np.nan
    if not shape:
        return {name: float(row[0]) for name, row in zip(CONSTANT_NAMES, out, strict=True)}
    return {name: row.reshape(shape) for name, row in zip(CONSTANT_NAMES, out, strict=True)}
