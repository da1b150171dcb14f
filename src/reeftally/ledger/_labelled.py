"""Arguments that carry the names of their dimensions.

Here:     labelled arrays laid out on common axes, matched by name; the account as a Dataset.
Not here: any calculation.
Rules:    matching is by name and exact: indexes that differ are refused, never joined.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from typing import Any

import numpy as np

from reeftally.errors import ShapeError

__all__ = ["any_labelled", "on_common_axes"]


def _leaves(arguments: Mapping[str, Any]) -> dict[tuple[str, str], Any]:
    """Return every array-like of the arguments, those inside states and mixing lines included."""
    found: dict[tuple[str, str], Any] = {}
    for name, value in arguments.items():
        if is_dataclass(value) and not isinstance(value, type):
            found |= {(name, field.name): getattr(value, field.name) for field in fields(value)}
        elif value is not None:
            found[name, ""] = value
    return found


def any_labelled(arguments: Mapping[str, Any]) -> bool:
    """Return whether any array-like carries named dimensions."""
    return any(hasattr(value, "dims") for value in _leaves(arguments).values())


def on_common_axes(arguments: Mapping[str, Any]) -> tuple[dict[str, Any], tuple[str, ...], dict[str, Any]]:
    """Lay labelled arrays out on common axes of length one where a name is missing.

    Returns
    -------
    arguments, dims, coords
        Plain arrays in the place of labelled ones; names of the axes in order of first appearance;
        coordinates of those names.

    Raises
    ------
    ShapeError
        Indexes that differ, or an array with axes but without names among named ones.
    """
    import xarray as xr

    leaves = _leaves(arguments)
    named = {key: value for key, value in leaves.items() if hasattr(value, "dims")}
    try:
        xr.align(*named.values(), join="exact", copy=False)
    except ValueError as error:
        message = f"The labelled arrays do not share one set of coordinates: {error}"
        raise ShapeError(message) from error
    dims = tuple(dict.fromkeys(str(d) for value in named.values() for d in value.dims))
    coords = {d: value.coords[d] for value in named.values() for d in value.dims if d in value.coords}
    plain = dict(arguments)
    for (name, part), value in leaves.items():
        if (name, part) in named:
            present = [d for d in dims if d in value.dims]
            array = value.transpose(*present).to_numpy()
            laid = array.reshape([value.sizes[d] if d in value.dims else 1 for d in dims])
        elif np.ndim(value) > 0:
            message = f"{part or name} has axes without names among labelled arrays; give it names too."
            raise ShapeError(message)
        else:
            laid = value
        plain[name] = replace(plain[name], **{part: laid}) if part else laid
    return plain, dims, coords
