"""Shape checks that only this room needs.

Here:     velocities with the component first.
Not here: checks shared by all pure rooms (`reeftally._checks`).
Rules:    a check raises, it never repairs.
"""

from __future__ import annotations

import numpy.typing as npt

from reeftally._checks import FloatArray, as_float
from reeftally.errors import ShapeError

__all__ = ["components"]


def components(name: str, velocity: npt.ArrayLike, count: int = 3) -> FloatArray:
    """Return `velocity` as float64 with `count` components first, or say what its shape is."""
    array = as_float(name, velocity)
    if array.ndim < 1 or array.shape[0] != count:
        message = f"{name} has shape {array.shape}; it needs {count} components first."
        raise ShapeError(message)
    return array
