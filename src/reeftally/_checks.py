"""Range and shape checks shared by the pure rooms.

Rules: a check raises, it never repairs. NaN passes every range check (NaN in, NaN out).
Array functions that must not raise for single bad members use `outside` and a reason code.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from reeftally.errors import InputError, OutOfRangeError, ShapeError

__all__ = ["FloatArray", "as_float", "one_of", "outside", "require_range", "require_same_length"]

FloatArray = npt.NDArray[np.float64]


def as_float(name: str, value: npt.ArrayLike) -> FloatArray:
    """Return `value` as a float64 array, or say which argument is not a number."""
    try:
        return np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        message = f"{name} is {value!r}; it needs a number or an array of numbers."
        raise InputError(message) from error


def outside(value: npt.ArrayLike, low: float, high: float) -> npt.NDArray[np.bool_]:
    """Return where finite or infinite values lie outside [low, high]; False where NaN."""
    array = np.asarray(value, dtype=np.float64)
    return np.asarray((array < low) | (array > high))


def require_range(name: str, value: npt.ArrayLike, low: float, high: float, unit: str = "", mend: str = "") -> None:
    """Raise `OutOfRangeError` if any member of `value` lies outside [low, high]; NaN passes."""
    array = as_float(name, value)
    bad = outside(array, low, high)
    if bad.any():
        first = float(array[bad].ravel()[0]) if array.ndim else float(array)
        raise OutOfRangeError(name, found=first, low=low, high=high, unit=unit, mend=mend)


def require_same_length(**arrays: npt.ArrayLike) -> int:
    """Raise `ShapeError` unless all arrays are one-dimensional and of one length; return it."""
    lengths = {name: np.shape(value) for name, value in arrays.items()}
    if any(len(shape) != 1 for shape in lengths.values()) or len(set(lengths.values())) > 1:
        listing = ", ".join(f"{name} {shape}" for name, shape in lengths.items())
        message = f"These need one dimension and one length: {listing}."
        raise ShapeError(message)
    return int(next(iter(lengths.values()))[0])


def one_of(name: str, value: str, choices: tuple[str, ...]) -> str:
    """Return `value` if it is among `choices`; otherwise list them."""
    if value not in choices:
        message = f"{name} is {value!r}; it needs one of: {', '.join(choices)}."
        raise InputError(message)
    return value
