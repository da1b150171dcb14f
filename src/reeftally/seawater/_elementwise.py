"""One way for every element-by-element function of this room to take numbers, arrays and xarray.

Here:     the decorator `elementwise`, and `reasons`, which says why a member of a result is NaN.
Not here: any equation.
Rules:    numbers in, number out, and a number outside the range raises; arrays broadcast, and a member
          outside the range gives NaN; xarray objects broadcast by name. NaN in, NaN out, no warning.
"""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Mapping
from typing import Any, ParamSpec, TypeVar, cast

import numpy as np
import numpy.typing as npt

from reeftally._checks import as_float, outside
from reeftally.errors import InputError, OutOfRangeError, ShapeError

__all__ = ["Range", "elementwise", "reasons"]

Range = tuple[float, float, str]
"""Lowest and highest value allowed, and the unit for the message."""

P = ParamSpec("P")
R = TypeVar("R")


def elementwise(ranges: Mapping[str, Range]) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Make a function of float64 arrays take numbers, arrays of any kind and xarray objects.

    Parameters
    ----------
    ranges : mapping of argument name to (low, high, unit)
        The numeric arguments and where the source or physics allows them; arguments not named
        here are passed on untouched, and so is None.

    Returns
    -------
    decorator
        The decorated function keeps its signature. It returns a float for numbers, a float64 array
        for arrays, a DataArray if any argument is one.
    """

    def decorate(function: Callable[P, R]) -> Callable[P, R]:
        names = list(inspect.signature(function).parameters)

        @functools.wraps(function)
        def wrapper(*args: P.args, **kwargs: P.kwargs) -> R:
            if args:
                message = f"{function.__name__} takes its arguments by name only: {', '.join(names)}."
                raise InputError(message)
            numeric = {key: value for key, value in kwargs.items() if key in ranges and value is not None}
            rest = {key: value for key, value in kwargs.items() if key not in numeric}
            if any(_is_labelled(value) for value in numeric.values()):
                return cast("R", _over_xarray(function, ranges, numeric, rest))
            return cast("R", _over_arrays(function, ranges, numeric, rest))

        wrapper.__dict__["ranges"] = dict(ranges)
        return wrapper

    return decorate


def reasons(function: Callable[..., Any], **inputs: Any) -> npt.NDArray[np.str_]:
    """Say for each member why `function` gives NaN for these inputs.

    Parameters
    ----------
    function : callable
        A function of this room.
    **inputs : array-like
        The arguments it was called with.

    Returns
    -------
    array of str, the broadcast shape
        Empty where there is a number; "temperature is missing" or "salinity is outside 0 to 42" where
        there is none, the first reason in the order of the arguments.
    """
    ranges: Mapping[str, Range] = getattr(function, "ranges", {})
    numeric = {key: as_float(key, value) for key, value in inputs.items() if key in ranges and value is not None}
    shape = np.broadcast_shapes(*(value.shape for value in numeric.values()))
    out = np.full(shape, "", dtype="<U80")
    for name, value in numeric.items():
        low, high, unit = ranges[name]
        limits = f"{name} is outside {low:g} to {high:g} {unit}".strip()
        for bad, text in ((np.isnan(value), f"{name} is missing"), (outside(value, low, high), limits)):
            out = np.where(np.broadcast_to(bad, shape) & (out == ""), text, out)
    return out


def _is_labelled(value: Any) -> bool:
    return type(value).__module__.partition(".")[0] == "xarray"


def _over_arrays(
    function: Callable[..., Any], ranges: Mapping[str, Range], numeric: dict[str, Any], rest: dict[str, Any]
) -> Any:
    arrays = {name: as_float(name, value) for name, value in numeric.items()}
    scalar = all(value.ndim == 0 for value in arrays.values())
    try:
        shape = np.broadcast_shapes(*(value.shape for value in arrays.values()))
    except ValueError as error:
        listing = ", ".join(f"{name} {value.shape}" for name, value in arrays.items())
        message = f"These shapes do not fit together: {listing}."
        raise ShapeError(message) from error
    for name, value in arrays.items():
        low, high, unit = ranges[name]
        bad = outside(value, low, high)
        if not bad.any():
            continue
        if scalar:
            raise OutOfRangeError(name, found=float(value), low=low, high=high, unit=unit)
        arrays[name] = np.where(bad, np.nan, value)
    with np.errstate(all="ignore"):
        result = function(**arrays, **rest)
    # An argument that a formula does not need still decides the shape.
    full = np.asarray(result, dtype=np.float64)
    return (full if full.shape == shape else np.broadcast_to(full, shape).copy())[()]


def _over_xarray(
    function: Callable[..., Any], ranges: Mapping[str, Range], numeric: dict[str, Any], rest: dict[str, Any]
) -> Any:
    import xarray as xr

    names = list(numeric)

    def inner(*values: Any) -> Any:
        # At least one dimension: a DataArray without one is still data, and must not raise.
        lifted = {name: np.atleast_1d(np.asarray(value)) for name, value in zip(names, values, strict=True)}
        shape = np.broadcast_shapes(*(np.shape(value) for value in values))
        return np.reshape(_over_arrays(function, ranges, lifted, rest), shape)

    return xr.apply_ufunc(inner, *numeric.values(), dask="parallelized", output_dtypes=[np.float64], keep_attrs=False)
